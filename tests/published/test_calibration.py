"""The calibration against OpenCV's: its published chessboard set, and its own adjustment.

The pictures and ``left_intrinsics.yml`` come with OpenCV's samples (Debian: opencv-doc).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from hazcam.calibration.bundle import Corners, adjust, linearise, reduce_poses, solve_scaled
from hazcam.calibration.detect import Found
from hazcam.calibration.start import first_guess
from hazcam.calibration.target import Target
from hazcam.calibration.views import TargetView, corners_of
from hazcam.cli import main
from tests.published.chessboard import IDS, SIZE, SQUARE_M, solve
from tests.published.chessboard import corners_of as opencv_corners

TARGET = Target(kind="chessboard", columns=9, rows=6, pitch_m=SQUARE_M)
COMMAND = ("--pair", "left{id}.jpg right{id}.jpg", "--board", "chessboard", "--points", "9x6",
           "--pitch-mm", "25")


def record_of(folder: Path, *options: str) -> dict[str, Any]:
    result = CliRunner().invoke(main, ["calibrate", "solve", str(folder), *COMMAND, *options,
                                       "--json"])
    assert result.exit_code == 0, result.stderr
    return dict(json.loads(result.stdout))


@pytest.fixture(scope="module")
def as_published(opencv_doc: Path) -> dict[str, Any]:
    """With the window of OpenCV's sample, and every view, as the published file was made."""
    return record_of(opencv_doc, "--half-window-px", "11", "--keep-outliers")


@pytest.fixture(scope="module")
def by_default(opencv_doc: Path) -> dict[str, Any]:
    return record_of(opencv_doc)


def number(record: dict[str, Any], name: str) -> dict[str, float]:
    return next(p for p in record["parameters"] if p["name"] == name)


def test_focal_length_as_published(as_published: dict[str, Any]) -> None:
    """``left_intrinsics.yml``: 535.916 px; another corner refinement moves it by 1 px."""
    assert as_published["rig"]["model"] == "brown"
    assert number(as_published, "fx left")["value"] == pytest.approx(535.915734, abs=1.0)


@pytest.mark.parametrize("how", ["as_published", "by_default"])
def test_the_two_numbers_to_trust(how: str, request: pytest.FixtureRequest) -> None:
    """|T| 83.6 mm within 0.5 (OpenCV's own), mean |dy| below 0.25 px, edges 25.0 within 0.2 mm."""
    record = request.getfixturevalue(how)
    assert number(record, "baseline")["value"] == pytest.approx(83.6, abs=0.5)
    assert record["trust"]["epipolar"]["mean_abs_px"] < 0.25
    edge_m = SQUARE_M * (1 + record["trust"]["edge"]["bias"])
    assert 1000 * edge_m == pytest.approx(25.0, abs=0.2)


def test_the_bad_view_is_singled_out(as_published: dict[str, Any]) -> None:
    """The published per-view errors have 02 as the worst, 1.18 px against 0.39 on average."""
    odd = [v["id"] for v in as_published["views"] if v["reason"]]
    assert odd == ["02"]
    assert "times the median of the views" in next(
        v["reason"] for v in as_published["views"] if v["id"] == "02")


def test_a_window_that_fits_halves_the_held_out_error(
    as_published: dict[str, Any], by_default: dict[str, Any]
) -> None:
    """Where the window reaches the next corners, these pull, in view 02 above all.

    The focal length published for this set leans on that: by 2 px, or 0.4 %.
    """
    ours, theirs = (r["fitted"]["held_out_rms_px"] for r in (by_default, as_published))
    assert ours < 0.6 * theirs


# --- against OpenCV's own adjustment of the same corners ------------------------------------------


@pytest.fixture(scope="module")
def corners(opencv_doc: Path) -> tuple[list[TargetView], Any]:
    solved = solve(opencv_doc)
    views = []
    for i in IDS:
        sides = [opencv_corners(picture) for picture in solved.pictures[i]]
        assert sides[0] is not None
        assert sides[1] is not None
        views.append(TargetView(id=i, left=Found(ids=np.arange(54), pixels=sides[0]),
                                right=Found(ids=np.arange(54), pixels=sides[1])))
    return views, solved


def opencv_points(views: list[TargetView], side: str) -> list[Any]:
    return [getattr(v, side).pixels.astype(np.float32) for v in views]


def test_the_adjustment_is_opencvs(corners: tuple[list[TargetView], Any]) -> None:
    """``stereoCalibrate`` from the single calibrations, all numbers free: the same minimum.

    A tiny noise silences the weak prior of the lens.
    """
    views, _ = corners
    boards: Any = [TARGET.points_m.astype(np.float32)] * len(views)
    left, right = opencv_points(views, "left"), opencv_points(views, "right")
    first: Any = cv2.calibrateCamera(boards, left, SIZE, np.eye(3), np.zeros(5))
    second: Any = cv2.calibrateCamera(boards, right, SIZE, np.eye(3), np.zeros(5))
    theirs: Any = cv2.stereoCalibrate(boards, left, right, first[1], first[2], second[1],
                                      second[2], SIZE, flags=cv2.CALIB_USE_INTRINSIC_GUESS)
    ours, _ = adjust(first_guess(views, TARGET, SIZE), corners_of(views, TARGET),
                     np.full(2, 0.003))
    np.testing.assert_allclose(ours.cameras[0], theirs[1][[0, 1, 0, 1], [0, 1, 2, 2]], atol=0.005)
    np.testing.assert_allclose(ours.cameras[1], theirs[3][[0, 1, 0, 1], [0, 1, 2, 2]], atol=0.005)
    np.testing.assert_allclose(1000 * ours.T, 1000 * theirs[6].ravel(), atol=0.002)


def test_the_sigmas_are_opencvs(corners: tuple[list[TargetView], Any]) -> None:
    """``calibrateCameraExtended`` states deviations of one camera: fx fy cx cy within 3 %.

    The left pictures alone, so that nothing ties them to the right ones.
    """
    views, _ = corners
    boards: Any = [TARGET.points_m.astype(np.float32)] * len(views)
    theirs: Any = cv2.calibrateCameraExtended(boards, opencv_points(views, "left"), SIZE,
                                              np.eye(3), np.zeros(5))
    everything = corners_of(views, TARGET)
    alone: Corners = everything.only(~everything.right)
    rms_px = theirs[0] * np.sqrt(13 * 54 / (13 * 54 - (9 + 6 * 13) / 2))
    ours, _ = adjust(first_guess(views, TARGET, SIZE), everything, np.full(2, 0.3))
    problem = linearise(ours, alone, np.full(2, rms_px / np.sqrt(2)))
    own = [0, 1, 2, 3, *range(14, 19)]
    information = reduce_poses(problem).information.sum(axis=0)[np.ix_(own, own)]
    sigma = np.sqrt(np.diag(solve_scaled(information, np.eye(9))))
    np.testing.assert_allclose(sigma[:4], theirs[5].ravel()[:4], rtol=0.05)
