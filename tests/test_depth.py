import numpy as np
import pytest

from hazcam.depth import PointMap, point_jacobian, triangulate
from hazcam.disparity import Blank, DisparityMap
from hazcam.frames import Attitude, Floats, level_from_rover, view_from
from hazcam.imagery import check_pictures
from hazcam.rectification import rectify
from tests.synthetic import (
    BASELINE_M,
    FOCAL_PX,
    Scene,
    ideal_rig,
    mount_of,
    render,
    true_depth,
)


def exact_map(scene: Scene, sigma_px: float = 0.25) -> DisparityMap:
    depth = true_depth(scene, ideal_rig())
    known = np.isfinite(depth)
    d = np.where(known, FOCAL_PX * BASELINE_M / depth, np.nan).astype(np.float32)
    return DisparityMap(
        disparity_px=d, sigma_px=np.where(known, sigma_px, np.nan).astype(np.float32),
        blank=np.where(known, 0, int(Blank.NO_TEXTURE)).astype(np.uint8), matcher="truth")


def points_of(attitude: Attitude | None) -> PointMap:
    scene = Scene()
    pair = render(scene)
    rectified = rectify(pair, ideal_rig(), check_pictures(pair))
    view = view_from(mount_of(ideal_rig()), attitude, unknown_tilt_deg=0, scale_sigma=0)
    return triangulate(exact_map(scene), rectified, view)


def test_flat_ground_lies_in_the_plane_of_the_feet() -> None:
    points = points_of(None)
    near = points.depth_m < 3
    assert np.abs(points.points_rover_m[near][:, 2]).max() < 1e-4  # float32 at 3 m


def test_the_level_frame_is_the_rover_frame_turned() -> None:
    attitude = Attitude(roll_deg=3, pitch_deg=-7, roll_sigma_deg=0.1, pitch_sigma_deg=0.1)
    points = points_of(attitude)
    near = points.depth_m < 3
    turned = points.points_rover_m[near] @ level_from_rover(3, -7).T
    assert points.points_level_m[near] == pytest.approx(turned, abs=1e-5)


def test_the_covariance_turns_with_the_frame_and_keeps_its_size() -> None:
    """Its trace does not depend on the frame; along the sight line it is sigma_Z stretched."""
    level = points_of(None)
    tilted = points_of(Attitude(roll_deg=5, pitch_deg=10, roll_sigma_deg=0, pitch_sigma_deg=0))
    near = (level.depth_m > 0.4) & (level.depth_m < 3)
    trace = [p.covariance_level_m2[near][:, [0, 3, 5]].sum(axis=1) for p in (level, tilted)]
    assert trace[0] == pytest.approx(trace[1], rel=1e-4)
    assert np.all(level.covariance_level_m2[near][:, 0] > level.covariance_level_m2[near][:, 5])


def test_the_jacobian_is_the_slope_of_triangulation() -> None:
    """Against central differences of (u, v, d) -> (X, Y, Z)."""
    pair = render(Scene())
    camera = rectify(pair, ideal_rig(), check_pictures(pair)).camera

    def point(u: float, v: float, d: float) -> Floats:
        return camera.rays(u, v) * camera.depth_m(d)[..., None]

    u, v, d, h = 400.0, 300.0, 60.0, 1e-4
    numeric = np.column_stack([
        (point(u + h, v, d) - point(u - h, v, d)) / (2 * h),
        (point(u, v + h, d) - point(u, v - h, d)) / (2 * h),
        (point(u, v, d + h) - point(u, v, d - h)) / (2 * h)])
    assert point_jacobian(camera, u, v, d) == pytest.approx(numeric, rel=1e-5, abs=1e-9)


def test_unknown_stays_unknown() -> None:
    points = points_of(None)
    sky = points.blank != Blank.MATCHED
    assert sky.any()
    assert np.isnan(points.depth_m[sky]).all()
    assert np.isnan(points.points_level_m[sky]).all()
    assert np.isnan(points.covariance_level_m2[sky]).all()
