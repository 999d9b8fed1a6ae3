"""The ideal sensor, against scenes whose truth is closed form."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from hazcam.assess import assess_pair
from hazcam.calibration import StereoRig, read_rig
from hazcam.disparity import Blank, flat_band
from hazcam.frames import Pose
from hazcam.imagery import NoiseModel, PixelState
from hazcam.rectification import RectifiedPair, common_view
from hazcam.rover import read_rover
from hazcam.scene.camera import cameras_of, pixel_grid, pixels_of, rays_of
from hazcam.scene.description import Departure
from hazcam.scene.rehearsal.ideal import (
    IDEAL_SIGMA_PX,
    ideal_disparity,
    true_disparity,
)
from hazcam.scene.truth import SceneTruth, TrueDepth
from hazcam.settings import Settings
from tests.conftest import terrain_of
from tests.rehearsal.box_truth import depth_of, truth_of
from tests.rehearsal.ideal_matcher import IdealMatcher
from tests.synthetic import BASELINE_M, FOCAL_PX, Box, Scene, ideal_rig, render

ROOT = Path(__file__).parents[2]
LEVEL_ROVER = Pose(R=np.eye(3), t=np.zeros(3))
BLOCK = Scene(boxes=(Box(0.80, 0.90, -0.20, 0.10, 0.06),))


def pictures_of(rig: StereoRig) -> RectifiedPair:
    """The geometry of a rig's rectified pictures; they show nothing."""
    view = common_view(rig)
    grey = np.zeros(view.valid_left.shape, dtype=np.float32)
    state = np.full(grey.shape, PixelState.LOST, dtype=np.uint8)
    return RectifiedPair(left=grey, right=grey, state_left=state, state_right=state, view=view,
                         resampled=False)


def flat_truth(
    rig: StereoRig, departure: Departure | None = None, *, slope: float = 0.0
) -> tuple[SceneTruth, TrueDepth]:
    """The plane ``z = slope * x`` seen by a rig that departs from its file."""
    cameras = cameras_of(rig, LEVEL_ROVER, departure)
    left, right = cameras
    rays = rays_of(left, pixel_grid(left.size).reshape(-1, 2))
    turned = np.column_stack([rays, np.ones(len(rays))]) @ left.T_level_camera.R.T
    t = left.T_level_camera.t
    with np.errstate(divide="ignore"):
        depth = (slope * t[0] - t[2]) / (turned[:, 2] - slope * turned[:, 0])
    depth[depth <= 0] = np.nan
    known = np.isfinite(depth)
    seen = np.zeros(depth.shape, dtype=bool)
    u, v = pixels_of(right, t + turned[known] * depth[known, None])[0].T
    seen[known] = (u > -0.5) & (u < left.size[0] - 0.5) & (v > -0.5) & (v < left.size[1] - 0.5)
    shape = left.size[::-1]
    return (replace(truth_of(Scene()), cameras=cameras),
            TrueDepth(depth_m=depth.reshape(shape), shared=seen.reshape(shape)))


def test_of_a_perfect_rig_it_is_focal_length_times_baseline_over_depth() -> None:
    rig, depth = ideal_rig(), depth_of(BLOCK)
    found = true_disparity(depth, truth_of(BLOCK), pictures_of(rig), rig)
    known = np.isfinite(found)
    expected = FOCAL_PX * BASELINE_M / depth.depth_m
    assert known.mean() > 0.5
    assert np.abs(found - expected)[known].max() < 1e-6


def test_sky_and_what_the_right_camera_does_not_see_have_none() -> None:
    rig, depth = ideal_rig(), depth_of(BLOCK)
    found = true_disparity(depth, truth_of(BLOCK), pictures_of(rig), rig)
    hidden = np.isfinite(depth.depth_m) & ~depth.shared
    assert np.isnan(depth.depth_m).sum() > 1000
    assert hidden.sum() > 1000
    assert np.all(np.isnan(found[np.isnan(depth.depth_m) | hidden]))
    outside = np.arange(640) - FOCAL_PX * BASELINE_M / depth.depth_m < 0
    assert np.all(np.isnan(found[outside]))


def test_blanks_say_why() -> None:
    rig, depth = ideal_rig(), depth_of(BLOCK)
    found = ideal_disparity(depth, truth_of(BLOCK), pictures_of(rig), rig)
    outside = np.arange(640) - FOCAL_PX * BASELINE_M / depth.depth_m < 0
    known = np.isfinite(found.disparity_px)
    assert np.all(found.blank[np.isnan(depth.depth_m)] == Blank.OUT_OF_RANGE)
    assert np.all(found.blank[outside] == Blank.EDGE)
    occluded = ~known & ~outside & np.isfinite(depth.depth_m)
    assert occluded.sum() > 50
    assert np.all(found.blank[occluded] == Blank.DISAGREE)
    assert np.all(found.sigma_px[known] == np.float32(IDEAL_SIGMA_PX))


@pytest.mark.parametrize("slope", [0.0, 0.2])
def test_of_a_raw_rig_it_is_that_of_the_plane(slope: float) -> None:
    """Through distortion and rotation and back: the plane's disparity is known in closed form."""
    rig = read_rig(ROOT / "calibration/dunlin-em-raw.yaml")
    truth, depth = flat_truth(rig, slope=slope)
    rectified = pictures_of(rig)
    found = true_disparity(depth, truth, rectified, rig)
    T = truth.cameras[0].T_level_camera @ rectified.T_camera_rectified
    rows, columns = np.indices(found.shape)
    expected = rectified.camera.plane_disparity(T, (0.0, slope, 0.0), columns, rows)
    # beside the sky the nearest pixel speaks: up to half a row of the horizon
    near = np.isfinite(found) & (rectified.camera.depth_m(expected) < 20)
    assert near.mean() > 0.3
    assert np.abs(found - expected)[near].max() < 0.01


def test_between_two_surfaces_the_nearest_pixel_speaks() -> None:
    """A raw rig, so that rectified pixels lie between raw ones: no depth halfway up a cliff."""
    rig = read_rig(ROOT / "calibration/dunlin-em-raw.yaml")
    truth, _ = flat_truth(rig)
    cliff = np.full(rig.size[::-1], 2.0)
    cliff[:, 300:] = 1.0
    depth = TrueDepth(depth_m=cliff, shared=np.ones(cliff.shape, dtype=bool))
    rectified = pictures_of(rig)
    camera = rectified.camera
    z = camera.depth_m(true_disparity(depth, truth, rectified, rig))
    known = np.isfinite(z)
    # turning to the common plane changes depth along the axis by some per cent
    assert np.all((np.abs(z[known] - 1) < 0.15) | (np.abs(z[known] - 2) < 0.3))


def test_a_right_camera_that_turned_about_y_shifts_all_disparities() -> None:
    """By f tan(0.05 deg) in the middle of the picture, by which way it turned."""
    rig, turn_deg = ideal_rig(), 0.05
    still, depth = flat_truth(rig)
    turned, turned_depth = flat_truth(rig, Departure(drift_deg=(0.0, turn_deg, 0.0)))
    shift = (true_disparity(turned_depth, turned, pictures_of(rig), rig)
             - true_disparity(depth, still, pictures_of(rig), rig))
    x_right = np.arange(640) - FOCAL_PX * BASELINE_M / depth.depth_m
    middle = np.isfinite(shift) & (np.abs(x_right - 319.5) < 20)
    assert middle.sum() > 1000
    # a right-handed turn by +y moves what it sees to larger x, and so the disparity down
    assert np.allclose(shift[middle], -FOCAL_PX * np.tan(np.radians(turn_deg)), atol=0.01)


def test_a_longer_baseline_makes_all_disparities_longer_by_its_share() -> None:
    rig = ideal_rig()
    truth, depth = flat_truth(rig, Departure(baseline_share=0.02))
    found = true_disparity(depth, truth, pictures_of(rig), rig)
    known = np.isfinite(found)
    assert np.allclose(found[known], 1.02 * FOCAL_PX * BASELINE_M / depth.depth_m[known])


def test_lens_and_turn_agree_with_what_opencv_rectifies() -> None:
    """Independent: a place through the true cameras and cv2's rectification of both pixels."""
    rig = read_rig(ROOT / "calibration/dunlin-em-raw.yaml")
    truth, depth = flat_truth(rig)
    rectified = pictures_of(rig)
    camera = rectified.camera
    R1, R2 = (np.asarray(R) for R in cv2.stereoRectify(
        rig.K1, rig.D1, rig.K2, rig.D2, rig.size, rig.R, rig.T.reshape(3, 1),
        flags=cv2.CALIB_ZERO_DISPARITY)[:2])
    places = np.array([[x, y, 0.0] for x in (0.6, 0.9, 1.4) for y in (-0.15, 0.0, 0.15)])
    P = np.array([[camera.focal_px, 0, camera.cx], [0, camera.focal_px, camera.cy], [0, 0, 1]])
    (left, right) = (
        np.asarray(cv2.undistortPoints(pixels_of(c, places)[0].reshape(-1, 1, 2), K, D, R=R, P=P)
                   ).reshape(-1, 2)
        for c, K, D, R in zip(truth.cameras, (rig.K1, rig.K2), (rig.D1, rig.D2), (R1, R2),
                              strict=True))
    found = true_disparity(depth, truth, rectified, rig)
    at = cv2.remap(found.astype(np.float32), left[:, 0].astype(np.float32),
                   left[:, 1].astype(np.float32), cv2.INTER_LINEAR).ravel()
    assert np.allclose(at, left[:, 0] - right[:, 0], atol=0.02)


def test_a_depth_of_another_size_is_refused() -> None:
    rig = ideal_rig()
    depth = TrueDepth(depth_m=np.ones((48, 64)), shared=np.ones((48, 64), dtype=bool))
    with pytest.raises(ValueError, match="the depth is of shape"):
        true_disparity(depth, truth_of(BLOCK), pictures_of(rig), rig)


def test_the_matcher_takes_neither_pictures_nor_band() -> None:
    rig, depth, truth = ideal_rig(), depth_of(BLOCK), truth_of(BLOCK)
    rectified = pictures_of(rig)
    band = flat_band(rectified.camera, low_px=0, high_px=1)
    matcher = IdealMatcher(depth=depth, truth=truth, rig=rig)
    found = matcher.match(rectified, band, NoiseModel(read_grey=50.0))
    assert np.array_equal(found.disparity_px,
                          ideal_disparity(depth, truth, rectified, rig).disparity_px,
                          equal_nan=True)


@pytest.mark.parametrize("top_m", [0.06, -0.05])
def test_the_assessment_of_an_ideal_sensor_has_the_height_of_a_step(top_m: float) -> None:
    """Within 1 mm: a block, and the floor of a pit."""
    scene = Scene(boxes=(Box(0.70, 0.95, -0.20, 0.10, top_m),))
    rig = ideal_rig()
    matcher = IdealMatcher(depth=depth_of(scene), truth=truth_of(scene), rig=rig)
    found = terrain_of(assess_pair(render(scene), rig, read_rover("dunlin-em"),
                                   Settings(headings_deg=(0.0,), matcher=matcher)))
    x, y = np.meshgrid(found.spec.x_m, found.spec.y_m, indexing="ij")
    inside = (x > 0.73) & (x < 0.92) & (y > -0.18) & (y < 0.08) & np.isfinite(found.mean_m)
    floor = inside & (x > 0.86)
    assert floor.sum() > 50
    assert np.allclose(found.mean_m[floor], top_m, atol=0.001)
