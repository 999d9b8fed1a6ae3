"""What a change of the calibration does to ranges and heights: closed forms and random draws."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from hazcam.calibration import LensModel, StereoRig
from hazcam.calibration.effect import (
    PointSigma,
    changed_rig,
    derivatives,
    effect_of_change,
    place_words,
    sigma_of_points,
    up_of,
)
from hazcam.calibration.geometry import normalised, project, triangulate_pixels
from hazcam.errors import RigError
from hazcam.frames import Floats
from tests.rigs import DISTORTION, a_covariance, a_rig

MODELS = list(DISTORTION)
PARAMETERS = 14


def pinhole(**changes: Any) -> StereoRig:
    K = np.array([[500.0, 0, 319.5], [0, 500.0, 239.5], [0, 0, 1]])
    straight = {"K1": K, "K2": K, "D1": np.zeros(5), "D2": np.zeros(5), "R": np.eye(3),
                "T": np.array([-0.1, 0, 0])}
    return a_rig(**(straight | changes))


def change(index: int, value: float, count: int = PARAMETERS) -> Floats:
    return np.asarray(value * np.eye(count)[index])


# --- changes --------------------------------------------------------------------------------------


def test_no_change_has_no_effect() -> None:
    for effect in effect_of_change(a_rig(), a_rig(), (0.5, 2.0)):
        assert effect.points > 100
        for length in (effect.range, effect.height):
            assert abs(length.middle_m) < 1e-8
            assert abs(length.largest_m) < 1e-8
        assert abs(effect.row_offset_px) < 1e-6


def test_a_longer_baseline_scales_ranges_and_heights() -> None:
    """Z = f B / d: a rig whose baseline is 1 % longer than believed is read 1/1.01 too near."""
    believed = pinhole()
    (effect,) = effect_of_change(believed, changed_rig(believed, change(11, -0.001)), (1.0,))
    expected = 1 / 1.01 - 1
    assert effect.range.middle_m == pytest.approx(expected, rel=1e-6)
    assert effect.range.median_m == pytest.approx(-expected, rel=1e-6)
    axis_up = believed.mount.R[2, 2] if believed.mount else np.nan
    assert effect.height.middle_m == pytest.approx(expected * axis_up, rel=1e-6)


def test_vergence_shifts_disparities_by_f_times_the_angle() -> None:
    """Coordinates turned by +a about y of the right camera shift its columns by +f a in the middle.

    d' = d - f a, so Z' = f B / (f B / Z - f a) = Z / (1 - Z a / B).
    """
    a = np.radians(0.05)
    believed = pinhole()
    true = changed_rig(believed, change(9, a))
    for effect in effect_of_change(believed, true, (0.5, 1.0, 2.0)):
        z = effect.distance_m
        assert effect.range.middle_m == pytest.approx(z / (1 - z * a / 0.1) - z, rel=5e-3)
        assert abs(effect.row_offset_px) < 0.2  # shows hardly at all in the rows: f a x y


def test_a_nod_shows_in_the_rows_with_its_sign() -> None:
    """Coordinates turned by +a about x (right) move points up in the picture: -f a, and more aside.

    dy = -f a (1 + y²): largest where |y| is, at the upper or lower rim.
    """
    a = np.radians(0.1)
    (effect,) = effect_of_change(pinhole(), changed_rig(pinhole(), change(8, a)), (2.0,))
    y = 239.5 / 500
    assert effect.row_offset_px == pytest.approx(-500 * a * (1 + y**2), rel=5e-3)
    assert effect.row_offset_at.split()[0] in ("upper", "lower")


def test_the_largest_change_is_at_its_place() -> None:
    """A roll of the right camera moves columns by -f a y: up and down differ in sign."""
    (effect,) = effect_of_change(pinhole(), changed_rig(pinhole(), change(10, 2e-3)), (1.0,))
    assert effect.range.largest_at.split()[0] in ("upper", "lower")
    assert abs(effect.range.largest_m) > 5 * abs(effect.range.middle_m)


def test_points_that_only_one_camera_sees_do_not_count() -> None:
    far, near, too_near = effect_of_change(pinhole(), pinhole(), (4.0, 0.3, 0.05))
    assert far.points > near.points > 0
    assert too_near.points == 0
    assert np.isnan([too_near.range.middle_m, too_near.range.median_m, too_near.range.largest_m,
                     too_near.row_offset_px]).all()
    assert too_near.range.largest_at == ""


def test_bare_rigs_have_heights_against_y() -> None:
    bare = pinhole(mount=None)
    assert up_of(bare)[0].tolist() == [0, -1, 0]
    assert "no mount" in up_of(bare)[1]
    (effect,) = effect_of_change(bare, changed_rig(bare, change(11, -0.001)), (1.0,))
    assert abs(effect.height.middle_m) < 1e-6  # the middle lies on the axis
    assert up_of(pinhole())[1] == "up of the mount"


def test_different_sizes_are_refused() -> None:
    with pytest.raises(ValueError, match="no common pixels"):
        effect_of_change(pinhole(), replace(pinhole(), size=(320, 240)), (1.0,))


@pytest.mark.parametrize(("pixel", "words"), [
    ((0, 0), "upper left"), ((639, 479), "lower right"), ((320, 240), "middle"),
    ((5, 240), "left"), ((320, 470), "lower middle"),
])
def test_places_in_words(pixel: tuple[float, float], words: str) -> None:
    assert place_words(np.array(pixel), (640, 480)) == words


def test_the_change_has_the_sigma_of_both_covariances() -> None:
    rig = a_rig()
    known = replace(rig, covariance=a_covariance(rig, distortion=True))
    (alone,) = sigma_of_points(known, (1.0,), (17, 13))
    (effect,) = effect_of_change(known, known, (1.0,))
    assert effect.range.middle_sigma_m == pytest.approx(np.sqrt(2) * alone.range_sigma_m[6, 8])
    assert effect.height.middle_sigma_m == pytest.approx(np.sqrt(2) * alone.height_sigma_m[6, 8])
    (effect,) = effect_of_change(known, rig, (1.0,))
    assert effect.range.middle_sigma_m is None


# --- the parameters -------------------------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS)
def test_derivatives_are_those_of_the_parameters(model: LensModel) -> None:
    """Of the parameters themselves the derivative is the identity."""
    rig = a_rig(model)
    count = PARAMETERS + rig.D1.size + rig.D2.size

    def parameters(r: StereoRig) -> Floats:
        turn = r.R @ rig.R.T
        small = [(turn[j, i] - turn[i, j]) / 2 for i, j in ((1, 2), (2, 0), (0, 1))]
        return np.array([*(K[i, j] for K in (r.K1, r.K2)
                           for i, j in ((0, 0), (1, 1), (0, 2), (1, 2))),
                         *small, *r.T, *r.D1, *r.D2])

    np.testing.assert_allclose(derivatives(rig, parameters, count), np.eye(count), atol=1e-8)


# --- the covariance -------------------------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("distortion", [False, True])
def test_sigma_of_points_against_random_draws(model: LensModel, distortion: bool) -> None:
    """1500 rigs drawn from the covariance read the same pixels; 1 / sqrt(2 n) is 1.8 % of sigma."""
    rig = a_rig(model)
    rig = replace(rig, covariance=a_covariance(rig, distortion=distortion))
    assert rig.covariance is not None
    distances, grid = (0.5, 2.0), (7, 5)
    found = sigma_of_points(rig, distances, grid)
    pixels = np.stack(np.meshgrid(found[0].columns_px, found[0].rows_px), -1).reshape(-1, 2)
    rays = np.column_stack([normalised(rig.K1, rig.D1, model, pixels), np.ones(35)])
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    left, right = project(rig, np.concatenate([d * rays for d in distances]))
    draws = np.random.default_rng(5).multivariate_normal(np.zeros(len(rig.covariance)),
                                                         rig.covariance, size=1500)
    read = np.stack([triangulate_pixels(changed_rig(rig, d), left, right) for d in draws])
    up = up_of(rig)[0]
    for name, values in (("range_sigma_m", np.linalg.norm(read, axis=2)),
                         ("height_sigma_m", read @ up)):
        stated = np.concatenate([getattr(f, name).ravel() for f in found])
        seen = np.isfinite(stated)
        assert seen.sum() >= 30
        np.testing.assert_allclose(stated[seen], values.std(axis=0)[seen], rtol=0.09)


def test_sigma_of_the_baseline_alone_is_its_share_of_the_range() -> None:
    sigma = np.zeros(PARAMETERS)
    sigma[11] = 0.001  # 1 % of 0.1 m
    rig = pinhole(covariance=np.diag(sigma**2))
    for found in sigma_of_points(rig, (0.5, 1.0)):
        seen = found.range_sigma_m[np.isfinite(found.range_sigma_m)]
        np.testing.assert_allclose(seen, 0.01 * found.distance_m, rtol=1e-5)


def test_a_point_out_of_the_right_picture_has_no_sigma() -> None:
    rig = pinhole(covariance=np.eye(PARAMETERS) * 1e-8)
    (found,) = sigma_of_points(rig, (0.5,), (9, 7))
    # 100 px of disparity or more: the first columns are not in the right picture
    assert np.isnan(found.range_sigma_m[:, 0]).all()
    assert np.isfinite(found.range_sigma_m[3, 4])
    assert (found.columns_px[0], found.columns_px[-1], found.rows_px[-1]) == (0, 639, 479)


def test_a_rig_without_covariance_is_refused() -> None:
    with pytest.raises(RigError, match=r"mast: states no covariance(.|\n)*calibrate solve"):
        sigma_of_points(a_rig(), (1.0,))


def test_a_record_of_the_wrong_shape() -> None:
    with pytest.raises(ValueError, match="height_sigma_m of a PointSigma"):
        PointSigma(distance_m=1.0, columns_px=np.zeros(3), rows_px=np.zeros(2),
                   range_sigma_m=np.zeros((2, 3)), height_sigma_m=np.zeros((3, 2)))
