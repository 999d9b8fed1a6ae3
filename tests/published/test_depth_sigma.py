"""Depth sigma and point covariance from disparity sigma.

sigma_Z = Z² sigma_d / (f B): stated so in the definition of stereo_msgs/DisparityImage ("delta_Z =
(Z^2/fT) * delta_d"), and in L. Matthies and S. Shafer, "Error modeling in stereo navigation," IEEE
J. Robotics and Automation 3(3):239-248, 1987. The covariance is J Sigma J^T: R. Hartley and
A. Zisserman, Multiple View Geometry, 2nd ed. 2004, ch. 5. The numbers are worked by hand from these
rules to the digits quoted, but where a test says otherwise.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hazcam.depth import depth_sigma_m, point_jacobian, triangulate
from hazcam.disparity import DisparityMap
from hazcam.frames import R_BODY_OPTICAL, Floats, Pose, rotation_y, view_from
from hazcam.rectification import CommonView, RectifiedCamera, RectifiedPair

CAMERA = RectifiedCamera(focal_px=700.0, cx=320.0, cy=240.0, offset_px=0.0, baseline_m=0.10,
                         width=640, height=480)
NARROW = replace(CAMERA, baseline_m=0.06)
MOTORCYCLE = RectifiedCamera(focal_px=994.978, cx=311.193, cy=254.877, offset_px=31.086,
                             baseline_m=0.193001, width=741, height=500)
# camera, d [px], Z, sigma_Z at sigma_d = 0.25 px, Z(d - s) - Z, Z - Z(d + s) [m]
TABLE = [
    (CAMERA, 70.0, 1.0, 0.00357143, 0.00358423, 0.00355872),
    (CAMERA, 35.0, 2.0, 0.01428571, 0.01438849, 0.01418440),
    (NARROW, 21.0, 2.0, 0.02380952, 0.02409639, 0.02352941),
    (MOTORCYCLE, 48.99987, 2.39782, 0.00748516, 0.00750860, 0.00746187),
]
PIXEL_SIGMA_PX, DISPARITY_SIGMA_PX = 0.2, 0.25


@pytest.mark.parametrize(("camera", "disparity_px", "depth_m", "sigma_m", "far_m", "near_m"), TABLE)
def test_sigma_of_depth(
    camera: RectifiedCamera, disparity_px: float, depth_m: float, sigma_m: float, far_m: float,
    near_m: float,
) -> None:
    """To the 1e-8 m quoted, and between the exact steps to both sides."""
    depth = camera.depth_m(disparity_px)
    assert depth == pytest.approx(depth_m, abs=5e-6)
    sigma = depth_sigma_m(camera, depth, 0.25)
    assert sigma == pytest.approx(sigma_m, abs=1e-8)
    assert camera.depth_m(disparity_px - 0.25) - depth == pytest.approx(far_m, abs=1e-8)
    assert depth - camera.depth_m(disparity_px + 0.25) == pytest.approx(near_m, abs=1e-8)
    assert near_m < sigma < far_m


def test_near_sigma() -> None:
    """Half a metre at d = 140 px: 0.5² * 0.25 / 70 = 0.00089286 m."""
    assert depth_sigma_m(CAMERA, CAMERA.depth_m(140.0), 0.25) == pytest.approx(0.5**2 * 0.25 / 70)


def test_sigma_scales() -> None:
    """Closed form: with the square of the distance, and inversely with the baseline."""
    near, far = depth_sigma_m(CAMERA, [1.0, 2.0], 0.25)
    assert far == pytest.approx(4 * near)
    wide = replace(CAMERA, baseline_m=0.20)
    assert depth_sigma_m(wide, 1.0, 0.25) == pytest.approx(near / 2)


def test_whole_pixels_scatter_by_the_root_of_a_twelfth() -> None:
    """A uniform error of one pixel deviates by 1/sqrt(12) = 0.288675; seeded draws, 1 %.

    The depth that they give scatters as the rule says of that sigma; the second order adds less
    than 0.1 % at d = 35.
    """
    rng = np.random.default_rng(11)
    rounding = rng.uniform(-0.5, 0.5, 200_000)
    assert rounding.std() == pytest.approx(0.288675, rel=0.01)
    depth = CAMERA.depth_m(35.0 + rounding)
    expected = float(depth_sigma_m(CAMERA, 2.0, 1 / np.sqrt(12)))
    assert depth.std() == pytest.approx(expected, rel=0.01)


def covariance_at(column: float, row: float, disparity_px: float) -> Floats:
    J = point_jacobian(CAMERA, column, row, disparity_px)
    variances = [PIXEL_SIGMA_PX**2, PIXEL_SIGMA_PX**2, DISPARITY_SIGMA_PX**2]
    return np.asarray(J @ np.diag(variances) @ J.T)


def test_covariance_of_a_point() -> None:
    """At (420, 300), d = 35: elements quoted to three digits or more, 1 %; sigmas to 1e-8 m."""
    point = CAMERA.rays(420, 300) * CAMERA.depth_m(35.0)
    np.testing.assert_allclose(point, [0.2857143, 0.1714286, 2.0], atol=5e-8)
    C = covariance_at(420, 300, 35.0)
    np.testing.assert_allclose(np.sqrt(np.diag(C)), [0.00211931, 0.00135126, 0.01428571], atol=1e-8)
    expected = [4.49e-6, 2.50e-6, 2.915e-5, 1.83e-6, 1.749e-5, 2.0408e-4]
    np.testing.assert_allclose(C[np.triu_indices(3)], expected, rtol=0.01)


def test_covariance_against_draws() -> None:
    """Monte Carlo, 400 000 seeded draws: a variance is known to sqrt(2/n) = 0.2 %; 1 % here.

    The mean depth is biased by Z (sigma_d / d)² = 1.02e-4 m, to second order; its own sampling
    error is 0.0143 / sqrt(n) = 2.3e-5 m, three of those are allowed.
    """
    rng = np.random.default_rng(7)
    u, v, d = (mean + sigma * rng.standard_normal(400_000) for mean, sigma in
               ((420, PIXEL_SIGMA_PX), (300, PIXEL_SIGMA_PX), (35, DISPARITY_SIGMA_PX)))
    points = CAMERA.rays(u, v) * CAMERA.depth_m(d)[:, None]
    np.testing.assert_allclose(np.cov(points.T), covariance_at(420, 300, 35.0), rtol=0.01)
    bias = points[:, 2].mean() - 2.0
    assert bias == pytest.approx(2.0 * (DISPARITY_SIGMA_PX / 35.0) ** 2, abs=3 * 2.3e-5)


def test_covariance_in_the_level_frame() -> None:
    """Through ``triangulate``: turned to the level frame, R C R^T, its trace kept (float32: 1e-6).

    The Jacobian of a camera with an offset takes d + offset for d: the same point, the same C.
    """
    shifted = replace(CAMERA, offset_px=10.0)
    disparity = np.full((480, 640), np.nan, dtype=np.float32)
    disparity[300, 420] = 25.0
    sigma = np.where(np.isfinite(disparity), np.float32(DISPARITY_SIGMA_PX), np.float32(np.nan))
    blank = np.where(np.isfinite(disparity), 0, 7).astype(np.uint8)
    picture, valid = np.zeros((480, 640), np.float32), np.ones((480, 640), dtype=bool)
    state = np.zeros((480, 640), np.uint8)
    rectified = RectifiedPair(
        left=picture, right=picture, state_left=state, state_right=state, resampled=False,
        view=CommonView(camera=shifted, valid_left=valid, valid_right=valid,
                        T_camera_rectified=Pose(R=np.eye(3), t=np.zeros(3))),
    )
    R = rotation_y(18.0) @ R_BODY_OPTICAL
    mount = Pose(R=R, t=np.array([0.17, 0.05, 0.17]))
    points = triangulate(
        DisparityMap(disparity_px=disparity, sigma_px=sigma, blank=blank, matcher="by hand"),
        rectified, view_from(mount, None, unknown_tilt_deg=0.0, scale_sigma=0.0),
    )
    np.testing.assert_allclose(points.points_level_m[300, 420],
                               mount.apply([0.2857143, 0.1714286, 2.0]), atol=2e-7)
    assert points.sigma_z_m[300, 420] == pytest.approx(0.01428571, rel=1e-6)
    # The package's own pixel sigma is 0.3, not 0.2: the part of u and v grows by (3/2)².
    J = point_jacobian(shifted, 420, 300, 25.0)
    C = R @ J @ np.diag([0.3**2, 0.3**2, DISPARITY_SIGMA_PX**2]) @ J.T @ R.T
    np.testing.assert_allclose(points.covariance_level_m2[300, 420], C[np.triu_indices(3)],
                               rtol=1e-5, atol=1e-11)


def test_tilt_moves_the_ground_more_than_disparity() -> None:
    """Closed form: 1 degree of pitch lifts the ground 1 m ahead by tan(1°) = 17.46 mm.

    Five times the sigma_Z of 0.25 px at 1 m: a shared error that no averaging takes away.
    """
    ahead = np.array([1.0, 0.0, 0.0])
    lifted = rotation_y(-1.0) @ ahead
    lift_m = lifted[2] / lifted[0]
    assert lift_m == pytest.approx(0.01746, abs=5e-6)
    assert lift_m > 4.8 * float(depth_sigma_m(CAMERA, 1.0, 0.25))
