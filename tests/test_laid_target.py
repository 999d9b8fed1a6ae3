"""Yaw and place of the camera from a target on the floor, rendered where it is said to lie."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from hazcam.calibration import StereoRig, read_rig
from hazcam.calibration.mount import MountAngles, mount_rotation
from hazcam.calibration.target import Target, TargetKind
from hazcam.errors import PairError, TargetError
from hazcam.floor import FloorPlane
from hazcam.frames import Floats
from hazcam.imagery import StereoPair
from hazcam.laid_target import (
    LaidAt,
    LaidTarget,
    check_can_be_laid,
    find_laid_target,
    placement_from,
)
from tests.floors import floor_pair, mounted

ROOT = Path(__file__).parents[1]
TARGET = Target(kind="chessboard", columns=9, rows=6, pitch_m=0.025)
ALIKE = Target(kind="chessboard", columns=8, rows=6, pitch_m=0.025)
TRUE = {"height_m": 0.28, "pitch_deg": 33.0, "roll_deg": -2.0, "yaw_deg": 3.5, "x_m": 0.15,
        "y_m": 0.04}
LAID = LaidAt(x_m=0.50, y_m=0.13, heading_deg=-10.0)


@lru_cache
def shown(name: str, target: Target, laid: LaidAt) -> tuple[StereoPair, StereoRig]:
    rig = mounted(read_rig(ROOT / "calibration" / f"{name}.yaml"), **TRUE)
    board = np.array([laid.x_m, laid.y_m, laid.heading_deg])
    return floor_pair(rig, seed=2, board=board, target=target), rig


def true_floor(height_m: float = TRUE["height_m"]) -> FloorPlane:
    up = mount_rotation(MountAngles(roll_deg=TRUE["roll_deg"], pitch_deg=TRUE["pitch_deg"],
                                    yaw_deg=0.0))[2]
    return FloorPlane(pair_id="p", pair_digest="d", up=up, height_m=height_m,
                      covariance=1e-8 * np.eye(3), matched=0.7, off=0.0, bow_px=0.05,
                      residual_px=0.05, residual_sigmas=0.5)


def found(
    name: str = "dunlin-em", target: Target = TARGET, laid: LaidAt = LAID,
    said: LaidAt | None = None, floor: FloorPlane | None = None, read_as: Target | None = None,
    covariance: Floats | None = None,
) -> LaidTarget:
    pair, rig = shown(name, target, laid)
    one = find_laid_target(pair, replace(rig, covariance=covariance), floor or true_floor(),
                           read_as or target, said or laid)
    assert one is not None
    return one


@pytest.mark.parametrize(("name", "laid"), [
    ("dunlin-em", LAID), ("dunlin-em-raw", LaidAt(x_m=0.52, y_m=-0.02, heading_deg=95.0)),
])
def test_place_and_yaw(name: str, laid: LaidAt) -> None:
    one = found(name, laid=laid)
    error = one.values - [TRUE["x_m"], TRUE["y_m"], TRUE["yaw_deg"]]
    assert np.abs(error[:2]).max() < 0.001
    assert abs(error[2]) < 0.1
    assert np.all(np.abs(error) < 4 * np.sqrt(np.diag(one.covariance)))
    assert one.corners == TARGET.count
    assert abs(one.height_m) < 0.001
    assert one.tilt_deg < 0.3
    assert abs(one.size_share) < 0.003


def test_a_board_that_looks_the_same_from_both_ends() -> None:
    """Whichever end the detector counts from, the camera looks ahead."""
    for turn in (0.0, 180.0):
        along = np.radians(LAID.heading_deg)
        span = np.array([[np.cos(along), np.sin(along)], [np.sin(along), -np.cos(along)]])
        far = [LAID.x_m, LAID.y_m] + np.array([7 * 0.025, 5 * 0.025]) @ span
        said = LAID if turn == 0 else LaidAt(x_m=far[0], y_m=far[1],
                                             heading_deg=LAID.heading_deg + turn)
        one = found(target=ALIKE, said=said)
        assert one.values[2] == pytest.approx(TRUE["yaw_deg"], abs=0.1)
        assert one.values[0] == pytest.approx(TRUE["x_m"], abs=0.001)


def test_the_sigma_of_the_baseline_moves_the_camera_along_the_floor() -> None:
    """1 % of baseline is 1 % of the way to the target, and no yaw."""
    sigma = np.zeros(14)
    sigma[11] = 0.001
    one = found(covariance=np.diag(sigma**2))
    assert one.calibration_covariance is not None
    middle = LAID.places_m(TARGET).mean(axis=0)
    expected = 0.01 * np.abs(middle - one.values[:2])
    np.testing.assert_allclose(np.sqrt(np.diag(one.calibration_covariance))[:2], expected,
                               rtol=2e-2)
    assert one.calibration_covariance[2, 2] < 1e-8
    assert found().calibration_covariance is None


@pytest.mark.parametrize(("said", "words"), [
    ({"said": LaidAt(x_m=0.5, y_m=0.13, heading_deg=170.0)}, r"would look 17\d° aside"),
    ({"read_as": Target(kind="chessboard", columns=9, rows=6, pitch_m=0.028)},
     r"read -10\.\d % too large(.|\n)*--pitch-mm"),
    ({"floor": true_floor(TRUE["height_m"] + 0.05)}, r"lies 50 mm above the floor, tilted by"),
])
def test_what_does_not_fit(said: dict[str, object], words: str) -> None:
    with pytest.raises(PairError, match=words):
        found(**said)  # type: ignore[arg-type]


def test_a_target_that_is_not_there() -> None:
    pair, rig = shown("dunlin-em", TARGET, LAID)
    other = Target(kind="chessboard", columns=7, rows=5, pitch_m=0.025)
    assert find_laid_target(pair, rig, true_floor(), other, LAID) is None


def test_several_pairs_are_averaged_and_what_they_share_is_added_once() -> None:
    first = replace(found(), covariance=np.diag([1e-8, 1e-8, 1e-4]),
                    calibration_covariance=np.diag([4e-6, 1e-6, 1e-2]))
    second = replace(first, values=first.values + np.array([0.002, 0.0, 0.0]))
    placement = placement_from([first, second])
    assert placement.x_m == pytest.approx(first.values[0] + 0.001)
    assert placement.x_sigma_m == pytest.approx(np.sqrt(2e-6 / 2 + 4e-6))  # spread of 2 mm
    assert placement.y_sigma_m == pytest.approx(np.sqrt(1e-8 / 2 + 1e-6))
    assert "target in 2 pairs" in placement.x_from


@pytest.mark.parametrize(("kind", "points", "can"), [
    ("circles", (5, 5), False), ("chessboard", (6, 6), False), ("chessboard", (6, 5), True)])
def test_a_square_pattern_does_not_tell_which_way_it_lies(
    kind: TargetKind, points: tuple[int, int], can: bool
) -> None:
    target = Target(kind=kind, columns=points[0], rows=points[1], pitch_m=0.02)
    if can:
        assert check_can_be_laid(target) is target
    else:
        with pytest.raises(TargetError, match="turned by a quarter it looks the same"):
            check_can_be_laid(target)
