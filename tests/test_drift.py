"""Drift: known turns from exact geometry, with noise; what is left open; campaigns."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.calibration import StereoRig
from hazcam.calibration.geometry import project, project_points
from hazcam.drift import (
    BASELINE_SIGMA_DEG,
    NEIGHBOURS,
    DriftEstimate,
    NoDrift,
    estimate_drift,
    find_drift,
    turned,
)
from hazcam.drift_effect import (
    DISTANCES_M,
    MAX_DRIFT_HEIGHT_M,
    GroundEffect,
    drift_effects,
    ground_effect,
)
from hazcam.frames import Floats, view_from
from hazcam.imagery import StereoPair, check_pictures, pair_from_arrays
from hazcam.rectification import RectifiedPair, common_view, rectify
from hazcam.report.drift_record import SENSES
from hazcam.tracks import Tracks
from tests.synthetic import FOCAL_PX, LEVEL, Scene, ideal_rig, mount_of, render

AXES = np.eye(3)
ANGLE = st.floats(-0.1, 0.1)


def empty(rig: StereoRig) -> RectifiedPair:
    """The geometry of a rectified pair; nothing is looked at in its pictures."""
    view = common_view(rig)
    shape = (view.camera.height, view.camera.width)
    return RectifiedPair(left=np.zeros(shape, np.float32), right=np.zeros(shape, np.float32),
                         state_left=np.zeros(shape, np.uint8),
                         state_right=np.zeros(shape, np.uint8), view=view, resampled=False)


def tracks(true: StereoRig, *, noise_px: float = 0.0, seed: int = 0, count: int = 300) -> Tracks:
    """Points of uneven ground as ``true`` sees them, found in a pair rectified by ``ideal_rig``."""
    rng = np.random.default_rng(seed)
    ground = np.column_stack([rng.uniform(0.4, 4.0, 4 * count), rng.uniform(-2, 2, 4 * count),
                              rng.uniform(-0.05, 0.15, 4 * count)])
    points = mount_of(true).inverse().apply(ground)
    left, right = project(true, points[points[:, 2] > 0.1])
    both = np.all((np.hstack([left, right]) >= 0)
                  & (np.hstack([left, right]) <= [639, 479, 639, 479]), axis=1)
    left, right = left[both][:count], right[both][:count]
    noise = noise_px * rng.standard_normal(len(left))
    return Tracks(columns=right[:, 0], rows=left[:, 1], offsets_px=right[:, 1] - left[:, 1] + noise,
                  disparities_px=left[:, 0] - right[:, 0], correlations=np.full(len(left), 0.95),
                  sought=len(left))


def estimated(found: Tracks, rig: StereoRig | None = None) -> DriftEstimate:
    estimate = estimate_drift(empty(ideal_rig()), found, rig or ideal_rig())
    assert estimate is not None
    return estimate


def found_on(pair: StereoPair, rig: StereoRig) -> DriftEstimate | NoDrift:
    view = view_from(mount_of(rig), LEVEL, unknown_tilt_deg=0, scale_sigma=0)
    return find_drift(pair, rig, check_pictures(pair), view)


@cache
def flat() -> StereoPair:
    return render(Scene())


# The model


@given(turn=st.tuples(ANGLE, ANGLE, ANGLE))
@settings(max_examples=30, deadline=None)
def test_a_turn_is_recovered_from_exact_tracks(turn: tuple[float, float, float]) -> None:
    """Linear in the turn: at 0.1 degrees what is left out is 0.1° x 0.1° = 2e-4 degrees a term."""
    found = estimated(tracks(turned(ideal_rig(), turn)))
    np.testing.assert_allclose(found.turn_deg, turn, atol=1e-3)


@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_turn_about_one_axis_is_taken_for_no_other(axis: int, sign: int) -> None:
    turn = 0.05 * sign * AXES[axis]
    np.testing.assert_allclose(estimated(tracks(turned(ideal_rig(), turn))).turn_deg, turn,
                               atol=1e-3)


def test_turning_back_gives_the_rig_back() -> None:
    rig = ideal_rig()
    there_and_back = turned(turned(rig, (0.1, -0.3, 0.2)), (-0.1, 0.3, -0.2))
    np.testing.assert_allclose(there_and_back.R, rig.R, atol=1e-12)
    np.testing.assert_allclose(there_and_back.T, rig.T, atol=1e-12)


def test_the_turning_camera_stays_where_it_is() -> None:
    rig, moved = ideal_rig(), turned(ideal_rig(), (1.0, -2.0, 0.5))
    np.testing.assert_allclose(-moved.R.T @ moved.T, -rig.R.T @ rig.T, atol=1e-12)
    assert moved.digest != rig.digest


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_sigma_is_that_of_the_scatter(axis: int) -> None:
    """Independent noise scatters the turn by the noise part of the covariance, less NEIGHBOURS."""
    found = [estimated(tracks(turned(ideal_rig(), 0.05 * AXES[axis]), noise_px=0.1, seed=seed))
             for seed in range(40)]
    error = np.array([f.turn_deg[axis] for f in found]) - 0.05
    sigma = np.sqrt([f.noise_covariance[axis, axis] / NEIGHBOURS for f in found])
    # The standard deviation of 40 values is known to 11 %.
    assert np.std(error / sigma) == pytest.approx(1.0, abs=0.3)
    assert abs(np.mean(error)) < 3 * np.mean(sigma) / np.sqrt(40)


def test_wrong_tracks_to_one_side_do_not_pull() -> None:
    good = tracks(turned(ideal_rig(), (0.05, 0.0, -0.03)), noise_px=0.05, seed=3)
    rng = np.random.default_rng(4)
    wrong = rng.random(good.count) < 0.2
    off = np.where(wrong, rng.uniform(1, 4, good.count), 0)
    found = estimated(replace(good, offsets_px=good.offsets_px + off))
    assert np.all(np.abs(found.turn_deg - [0.05, 0.0, -0.03]) < 3 * found.sigma_deg)
    assert found.inliers < found.count - 0.7 * wrong.sum()


def test_features_that_look_less_alike_count_less() -> None:
    """Half of the features ten times as noisy: their correlation says so, and sigma gains by it."""
    quiet = tracks(ideal_rig(), noise_px=0.05, seed=5, count=200)
    rng = np.random.default_rng(6)
    noisy = np.arange(quiet.count) % 2 == 1
    off = np.where(noisy, 0.5 * rng.standard_normal(quiet.count), 0)
    mixed = replace(quiet, offsets_px=quiet.offsets_px + off)
    told = replace(mixed, correlations=np.where(noisy, 0.6, 0.99))
    assert estimated(told).sigma_deg[1] < 0.8 * estimated(mixed).sigma_deg[1]


# The baseline


def test_a_lower_right_camera_is_told_by_the_sign_of_its_baseline() -> None:
    rig = ideal_rig()
    lower = replace(rig, T=rig.T - 0.1 * np.radians([0.0, 0.05, 0.0]))  # y is down
    found = estimated(tracks(lower, noise_px=0.02))
    assert 0.0 < found.baseline_deg[0] < 0.07
    assert np.all(np.abs(found.turn_deg) < 3 * found.sigma_deg)


def test_the_baseline_is_known_beforehand_to_its_prior() -> None:
    """Points at one distance do not tell a lower camera from a nod: the prior is what is left."""
    found = estimated(tracks(ideal_rig(), noise_px=0.5, count=20))
    sigma = np.sqrt(np.diag(found.covariance)[3:])
    assert np.all(sigma <= BASELINE_SIGMA_DEG * (1 + 1e-9))
    assert np.all(sigma > 0.5 * BASELINE_SIGMA_DEG)


# What the calibration leaves open


def with_sigma(index: int, sigma: float) -> StereoRig:
    covariance = np.zeros((14, 14))
    covariance[index, index] = sigma**2
    return replace(ideal_rig(), covariance=covariance)


def test_a_principal_point_known_to_a_pixel_leaves_the_pitch_open_by_a_pixel() -> None:
    found = estimated(tracks(ideal_rig(), noise_px=0.05), with_sigma(7, 1.0))
    pitch = np.sqrt(found.calibration_covariance[0, 0])
    assert pitch == pytest.approx(np.degrees(1 / FOCAL_PX), rel=0.15)
    assert found.sigma_deg[0] > pitch


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_turn_of_the_calibration_is_left_open_as_it_is(axis: int) -> None:
    found = estimated(tracks(ideal_rig(), noise_px=0.05), with_sigma(8 + axis, np.radians(0.1)))
    np.testing.assert_allclose(found.calibration_covariance[:3, :3],
                               0.01 * np.outer(AXES[axis], AXES[axis]), atol=2e-4)


def test_without_a_covariance_nothing_is_counted_for_the_calibration() -> None:
    assert not estimated(tracks(ideal_rig(), noise_px=0.05)).calibration_covariance.any()


# Too little


@pytest.mark.parametrize("count", [1, 3, 11])
def test_too_few_features_give_no_estimate(count: int) -> None:
    assert estimate_drift(empty(ideal_rig()), tracks(ideal_rig(), count=count), ideal_rig()) is None


def test_features_in_one_place_give_no_estimate() -> None:
    found = tracks(ideal_rig())
    assert found.count == 300
    at_one = replace(found, columns=np.full(300, 100.0), rows=np.full(300, 50.0))
    assert estimate_drift(empty(ideal_rig()), at_one, ideal_rig()) is None


def test_shapes_are_checked() -> None:
    good = estimated(tracks(ideal_rig()))
    with pytest.raises(ValueError, match="covariance of a DriftEstimate"):
        replace(good, covariance=np.eye(3))


# On pictures


@pytest.mark.parametrize("turn", [(0.0, 0.0, 0.0), (0.5, 0.0, 0.0), (-0.2, 0.3, 0.25)])
def test_a_turn_is_recovered_from_pictures(turn: tuple[float, float, float]) -> None:
    """The rig file is turned, not the camera: so the pictures are exact ones of the turn."""
    found = found_on(flat(), turned(ideal_rig(), -np.array(turn)))
    assert isinstance(found, DriftEstimate)
    assert np.all(np.abs(found.turn_deg - turn) < 3 * found.sigma_deg)
    assert np.all(found.sigma_deg[[0, 2]] < 0.02)


def test_pictures_of_nothing_in_common_say_why() -> None:
    rng = np.random.default_rng(1)
    noise = [rng.integers(60, 200, (480, 640)).astype(np.uint8) for _ in range(2)]
    found = found_on(pair_from_arrays(*noise, attitude=LEVEL), ideal_rig())
    assert isinstance(found, NoDrift)
    assert not found
    assert "feature" in found.reason


def test_exact_resampling_keeps_a_ramp() -> None:
    """OpenCV's cubic kernel does not: it moves a picture by some hundredths of a pixel."""
    ramp = np.repeat(np.rint(np.linspace(0, 65535, 480)).astype(np.uint16)[:, None], 640, axis=1)
    pair, rig = pair_from_arrays(ramp, ramp // 2), turned(ideal_rig(), (0.5, 0.0, 1.0))
    rows, columns = np.mgrid[150:300:7, 100:500:11]
    moved_px = []
    for exact in (False, True):
        found = rectify(pair, rig, check_pictures(pair), exact=exact)
        rays = found.camera.rays(columns, rows).reshape(-1, 3) @ found.T_camera_rectified.R.T
        expected = project_points(rig.K1, rig.D1, rig.model, rays)[:, 1]
        moved_px.append(np.abs(found.left[rows, columns].ravel() * 479 / 255 - expected).max())
    assert moved_px[0] > 0.03
    assert moved_px[1] < 0.005


# What it does


def test_vergence_reads_ground_off_as_the_disparity_says() -> None:
    """A shift of - f w of the disparity reads the depth Z² w / B too far, to first order.

    At x the shift is 1 + x² of that, the depth squared less by as much; the range is more than the
    depth by 1.2 and a little, 30 degrees aside and below the axis.
    """
    w = 0.01
    found = ground_effect(ideal_rig(), np.array([0.0, w, 0.0]), np.zeros((3, 3)), 1.0)
    forward = np.cos(np.radians(18.0)) * 1.0 + np.sin(np.radians(18.0)) * 0.17
    expected = forward**2 * np.radians(w) / 0.10
    assert expected < found.range_m < 1.3 * expected
    assert -0.3 * found.range_m < found.height_m < -0.1 * found.range_m  # seen from 0.17 m up
    assert found.height_sigma_m == 0


def test_the_sigma_of_the_turn_is_that_of_the_ground() -> None:
    """Twice as wide a turn leaves twice as much open; the whole of it is the vergence here."""
    narrow, wide = (ground_effect(ideal_rig(), np.zeros(3), np.diag([0, s**2, 0]), 1.0)
                    for s in (0.01, 0.02))
    assert wide.height_sigma_m == pytest.approx(2 * narrow.height_sigma_m, rel=1e-6)
    assert narrow.height_sigma_m > 1e-4


@pytest.mark.parametrize(("height", "sigma", "state"), [
    (0.004, 0.0004, "within"), (-0.006, 0.001, "beyond"), (0.006, 0.003, "not known"),
    (0.004, 0.001, "not known"), (float("nan"), float("nan"), "not known")])
def test_a_drift_is_within_or_beyond_the_limit_or_not_known(
    height: float, sigma: float, state: str
) -> None:
    effect = GroundEffect(distance_m=1.0, height_m=height, height_sigma_m=sigma, range_m=0.0,
                          range_sigma_m=0.0)
    assert MAX_DRIFT_HEIGHT_M == 0.005
    assert effect.limit == state


def test_rows_that_lie_too_far_off_are_beyond_the_limit() -> None:
    effects = drift_effects(ideal_rig(), np.array([0.2, 0.0, 0.0]), 1e-6 * np.eye(3))
    assert effects.ground[1].limit == "within"
    assert effects.limit == "beyond"
    assert [e.distance_m for e in effects.ground] == list(DISTANCES_M)


@given(turn=st.tuples(ANGLE, ANGLE, ANGLE))
@settings(max_examples=20, deadline=None)
def test_all_that_is_seen_is_not_misread_less_than_the_ground_in_it(
    turn: tuple[float, float, float]
) -> None:
    """Both are looked at as far from the camera; the picture's grid of 40 px may miss a little."""
    effects = drift_effects(ideal_rig(), np.array(turn), np.zeros((3, 3)))
    for ground, whole in zip(effects.ground, effects.whole, strict=True):
        assert whole.distance_m == pytest.approx(np.hypot(ground.distance_m, 0.17))
        if np.isfinite(ground.range_m):
            assert abs(ground.range_m) <= 1.02 * abs(whole.range.largest_m) + 1e-6
            assert abs(ground.height_m) <= 1.02 * abs(whole.height.largest_m) + 1e-6


# Signs: where a point on the optical axis, and one to the right of it, come to lie


def moved_px(axis: int, point: tuple[float, float, float]) -> Floats:
    """By how much a point of the right camera's own frame moves in its picture: right, down."""
    rig = ideal_rig()
    world = np.atleast_2d(np.array(point) - rig.T)
    return np.asarray((project(turned(rig, AXES[axis]), world)[1] - project(rig, world)[1])[0])


def test_a_positive_pitch_looks_lower() -> None:
    assert "lower" in SENSES["pitch"]
    assert moved_px(0, (0.0, 0.0, 1.0))[1] < -5  # what was ahead is higher in the picture


def test_a_positive_vergence_turns_to_the_left_camera() -> None:
    assert "inward" in SENSES["vergence"]
    assert moved_px(1, (0.0, 0.0, 1.0))[0] > 5  # what was ahead is to the right


def test_a_positive_roll_turns_the_camera_anticlockwise() -> None:
    assert "anticlockwise" in SENSES["roll"]
    assert moved_px(2, (0.5, 0.0, 1.0))[1] > 3  # the picture turns clockwise: its right side sinks
