"""OpenCV's chessboard stereo sample: 13 real pairs of 640 x 480 px through hazcam's rectification.

The pictures left01..14 and right01..14 and ``left_intrinsics.yml`` come with OpenCV's samples
(Debian: opencv-doc). That file is the published result for the left camera; it holds none for the
right one or the pair, so those are OpenCV's own answer, another library's, on the same corners.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from hazcam.calibration import StereoRig, check_rig
from hazcam.epipolar import EpipolarResidual, check_epipolar
from hazcam.frames import R_BODY_OPTICAL, Floats, Pose, View, rotation_y, view_from
from hazcam.imagery import StereoPair, check_pictures, pair_from_arrays
from hazcam.rectification import RectifiedPair, rectify
from tests.published.chessboard import IDS, SQUARE_M, Solved, corners_of, solve


@pytest.fixture(scope="module")
def solved(opencv_doc: Path) -> Solved:
    return solve(opencv_doc)


def pair_of(solved: Solved, number: str) -> StereoPair:
    left, right = solved.pictures[number]
    return pair_from_arrays(left, right, id=f"chessboard-{number}")


def rectified_by(rig: StereoRig, solved: Solved, number: str) -> RectifiedPair:
    pair = pair_of(solved, number)
    return rectify(pair, rig, check_pictures(pair))


@dataclass(frozen=True, eq=False)
class Corners:
    """A rectified pair and the corners found again in it, left and right. [px]"""

    rectified: RectifiedPair
    left: Floats
    right: Floats


@pytest.fixture(scope="module")
def corners(solved: Solved) -> list[Corners]:
    found = []
    for number in IDS:
        rectified = rectified_by(solved.rig, solved, number)
        left, right = corners_of(rectified.left), corners_of(rectified.right)
        assert left is not None
        assert right is not None
        found.append(Corners(rectified=rectified, left=left, right=right))
    return found


def test_left_camera_as_published(solved: Solved, opencv_doc: Path) -> None:
    """``left_intrinsics.yml``, fixed aspect: fx 535.916, cx 342.283, cy 235.571 and so on.

    1 px is what another corner refinement moves; distortion within 0.01 0.05 0.001 0.001 0.1.
    """
    file = cv2.FileStorage(str(opencv_doc / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    K, D = file.getNode("camera_matrix").mat(), file.getNode("distortion_coefficients").mat()
    file.release()
    assert K[0, 0] == pytest.approx(535.915734, abs=1e-6)
    np.testing.assert_allclose(solved.K_left, K, atol=1.0)
    assert np.all(np.abs(solved.D_left - np.ravel(D)) < [0.01, 0.05, 0.001, 0.001, 0.1])


def test_residuals_of_the_solution(solved: Solved) -> None:
    """OpenCV's own: 0.408, 0.458 and 0.447 px RMS; refinement may move them by 0.05 px."""
    found = [solved.rms_left_px, solved.rms_right_px, solved.rms_stereo_px]
    np.testing.assert_allclose(found, [0.408, 0.458, 0.447], atol=0.05)


def test_baseline_and_a_sane_rig(solved: Solved) -> None:
    """OpenCV's own: |T| = 83.62 mm (3.345 squares); it passes every check of a rig."""
    assert check_rig(solved.rig).baseline_m * 1000 == pytest.approx(83.6, abs=0.5)


def test_rows_meet_after_rectification(corners: list[Corners]) -> None:
    """702 corners found again in the rectified pictures: mean |dy| below 0.25 px, on one row.

    OpenCV's own rectification of these corners gives 0.14 px. Pair 02, the worst of the published
    per-view errors too, holds the largest offset (3 px).
    """
    offset = np.concatenate([c.right[:, 1] - c.left[:, 1] for c in corners])
    assert offset.size == 702
    assert 0.02 < np.abs(offset).mean() < 0.25
    assert IDS[int(np.abs(offset).argmax()) // 54] == "02"


def test_rows_do_not_meet_without(solved: Solved) -> None:
    """Negative test: as taken, the same corners are 10 px off their rows."""
    left, right = (corners_of(picture) for picture in solved.pictures["01"])
    assert left is not None
    assert right is not None
    assert np.abs(right[:, 1] - left[:, 1]).mean() > 5.0


def test_squares_are_25_mm(corners: list[Corners]) -> None:
    """Depth from the rectified camera: 1209 edges of 25 mm, mean within 0.2 mm.

    The board's size scaled the calibration, so this shows that rectification keeps the scale
    (closed loop), not that the board measures 25 mm.
    """
    edges = []
    for c in corners:
        depth = c.rectified.camera.depth_m(c.left[:, 0] - c.right[:, 0])
        points = c.rectified.camera.rays(c.left[:, 0], c.left[:, 1]) * depth[:, None]
        board = points.reshape(6, 9, 3)
        edges += [np.linalg.norm(np.diff(board, axis=a), axis=-1).ravel() for a in (0, 1)]
    lengths = np.concatenate(edges)
    assert lengths.size == 1209
    assert lengths.mean() == pytest.approx(SQUARE_M, abs=0.0002)
    assert lengths.std() < 0.001


# The rig check on real pictures

# Looking down on a floor 0.35 m away, about where the boards were held, and as on a rover, whose
# floor is nowhere near the boards: features are also sought about the floor.
BOARD_VIEW, ROVER_VIEW = (
    view_from(Pose(R=rotation_y(pitch_deg) @ R_BODY_OPTICAL, t=np.array([0, 0, height_m])), None,
              unknown_tilt_deg=0.0, scale_sigma=0.0)
    for pitch_deg, height_m in ((89.0, 0.35), (18.0, 0.17)))


def rolled(rig: StereoRig, angle_deg: float) -> StereoRig:
    """The rig as if its right camera had turned about its optical axis since."""
    turn, _ = cv2.Rodrigues(np.array([0, 0, np.radians(angle_deg)]))
    return replace(rig, R=np.asarray(turn) @ rig.R)


def as_taken(rig: StereoRig) -> StereoRig:
    """A rig that claims that the pictures need no rectification."""
    focal, cx, cy = rig.K1[0, 0], rig.K1[0, 2], rig.K1[1, 2]
    K = np.array([[focal, 0, cx], [0, focal, cy], [0, 0, 1]])
    return replace(rig, K1=K, K2=K, D1=np.zeros(5), D2=np.zeros(5), R=np.eye(3),
                   T=np.array([-rig.baseline_m, 0, 0]))


def checked(rig: StereoRig, solved: Solved, view: View = BOARD_VIEW) -> list[EpipolarResidual]:
    return [check_epipolar(rectified_by(rig, solved, number), view,
                           check_pictures(pair_of(solved, number)).noise) for number in IDS]


@pytest.mark.parametrize("view", [BOARD_VIEW, ROVER_VIEW], ids=["board", "rover"])
def test_rig_check_passes_on_real_pairs(solved: Solved, view: View) -> None:
    """All 13 agree with the calibration that was made from them, wherever the floor is thought."""
    residuals = checked(solved.rig, solved, view)
    assert all(r.checked and r.matches_calibration for r in residuals)
    assert np.median([abs(r.median_px) for r in residuals]) < 0.2


@pytest.mark.parametrize("angle_deg", [-0.5, 0.5])
def test_rig_check_sees_a_camera_that_rolled(solved: Solved, angle_deg: float) -> None:
    """0.5 degrees lift a feature 200 px off the axis by 1.7 px: every pair must say so."""
    residuals = checked(rolled(solved.rig, angle_deg), solved)
    assert all(r.checked and not r.matches_calibration for r in residuals)


def test_rig_check_sees_a_pair_that_is_not_rectified(solved: Solved) -> None:
    rig = as_taken(solved.rig)
    assert not rectified_by(rig, solved, "01").resampled
    assert all(r.checked and not r.matches_calibration for r in checked(rig, solved))
