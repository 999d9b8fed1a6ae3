import cv2
import numpy as np
import pytest

from hazcam.epipolar import EpipolarResidual, check_epipolar
from hazcam.errors import PairError
from hazcam.frames import View, view_from
from hazcam.imagery import StereoPair, check_pictures, pair_from_arrays
from hazcam.rectification import rectify
from tests.synthetic import LEVEL, Scene, both, ideal_rig, mount_of, render


def view() -> View:
    return view_from(mount_of(ideal_rig()), LEVEL, unknown_tilt_deg=0, scale_sigma=0)


def residual_of(pair: StereoPair) -> EpipolarResidual:
    rectified = rectify(pair, ideal_rig(), check_pictures(pair))
    return check_epipolar(rectified, view())


def test_a_calibrated_rig_matches_its_calibration() -> None:
    residual = residual_of(render(Scene()))
    assert residual.matches_calibration
    assert residual.count > 100
    assert abs(residual.median_px) < 0.1


def test_a_shift_of_one_row_is_measured_and_refused() -> None:
    left, right = both(render(Scene()))
    moved = pair_from_arrays(left, np.roll(right, 1, axis=0))
    residual = residual_of(moved)
    assert residual.median_px == pytest.approx(1.0, abs=0.1)
    assert not residual.matches_calibration


def test_a_roll_between_the_cameras_shows_in_the_spread() -> None:
    pair = render(Scene())
    turn = cv2.getRotationMatrix2D((319.5, 239.5), 0.6, 1.0)
    rolled = cv2.warpAffine(np.asarray(pair.right), turn, (640, 480))
    assert not residual_of(pair_from_arrays(pair.left, rolled)).matches_calibration


def test_swapped_pictures_are_refused() -> None:
    pair = render(Scene())
    with pytest.raises(PairError, match="exchange the two pictures"):
        residual_of(pair_from_arrays(pair.right, pair.left))


def test_pictures_without_features_leave_the_rig_unchecked() -> None:
    rng = np.random.default_rng(3)
    flat = [np.full((480, 640), 90, np.uint8) + rng.integers(0, 2, (480, 640), np.uint8)
            for _ in range(2)]
    residual = residual_of(pair_from_arrays(*flat))
    assert not residual.checked
    assert not residual.matches_calibration  # what was not checked is not known to match
