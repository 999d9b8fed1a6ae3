"""Disparity of the ground seen from a pitched camera.

d(v) = (B / H) [(v - cy) cos t + f sin t] for a camera H above a plane, pitched t down; its horizon
is row cy - f tan t. The idea of a ground line in disparity space: R. Labayrade, D. Aubert and
J.-P. Tarel, "Real time obstacle detection in stereovision on non flat road geometry through
'v-disparity' representation," IEEE Intelligent Vehicle Symposium, 2002. The numbers are worked by
hand from the formula to the digits quoted; hazcam intersects rays with a plane instead.
"""

from __future__ import annotations

import numpy as np
import pytest

from hazcam.frames import R_BODY_OPTICAL, Pose, rotation_y
from hazcam.rectification import RectifiedCamera

HEIGHT_M = 0.25
CAMERA = RectifiedCamera(focal_px=700.0, cx=320.0, cy=240.0, offset_px=0.0, baseline_m=0.10,
                         width=640, height=480)
FLAT = (0.0, 0.0, 0.0)
# pitch [deg], row, d [px], Z [m], range along the ground from below the camera [m]
TABLE = [
    (0.0, 300, 24.0, 2.916667, 2.916667),
    (0.0, 400, 64.0, 1.09375, 1.09375),
    (20.0, 240, 95.765640, 0.730951, 0.686869),
    (20.0, 300, 118.318263, 0.591625, 0.538601),
    (30.0, 240, 140.0, 0.5, 0.433013),
]


def pitched(pitch_deg: float) -> Pose:
    return Pose(R=rotation_y(pitch_deg) @ R_BODY_OPTICAL, t=np.array([0, 0, HEIGHT_M]))


@pytest.mark.parametrize(("pitch_deg", "row", "disparity_px", "depth_m", "range_m"), TABLE)
def test_ground_rows(
    pitch_deg: float, row: int, disparity_px: float, depth_m: float, range_m: float
) -> None:
    pose = pitched(pitch_deg)
    found = CAMERA.plane_disparity(pose, FLAT, CAMERA.cx, row)
    assert found == pytest.approx(disparity_px, abs=1e-6)
    assert CAMERA.depth_m(found) == pytest.approx(depth_m, abs=1e-6)
    point = pose.apply(CAMERA.rays(CAMERA.cx, row) * CAMERA.depth_m(found))
    np.testing.assert_allclose(point, [range_m, 0.0, 0.0], atol=1e-6)


@pytest.mark.parametrize(("pitch_deg", "horizon_row"), [(0.0, 240.0), (20.0, -14.779),
                                                        (30.0, -164.145)])
def test_horizon(pitch_deg: float, horizon_row: float) -> None:
    """No disparity on the horizon row, in any column; positive below, negative above it."""
    exact = CAMERA.cy - CAMERA.focal_px * np.tan(np.radians(pitch_deg))
    assert exact == pytest.approx(horizon_row, abs=5e-4)
    rows = np.array([exact - 1, exact, exact + 1])[:, None]
    found = CAMERA.plane_disparity(pitched(pitch_deg), FLAT, np.array([0, 320, 639]), rows)
    np.testing.assert_allclose(found[1], 0, atol=1e-9)
    assert (found[0] < 0).all()
    assert (found[2] > 0).all()
    assert np.isnan(CAMERA.depth_m(found[0])).all()


@pytest.mark.parametrize("pitch_deg", [0.0, 20.0, 30.0])
@pytest.mark.parametrize("plane", [FLAT, (0.03, 0.1, -0.2)])
def test_height_comes_back(pitch_deg: float, plane: tuple[float, float, float]) -> None:
    """Every pixel below the horizon, triangulated, lies on the plane; closed loop, 1e-9 m."""
    pose = pitched(pitch_deg)
    rows, columns = np.mgrid[0:480:16, 0:640:16]
    disparity = CAMERA.plane_disparity(pose, plane, columns, rows)
    depth = CAMERA.depth_m(disparity)
    points = pose.apply(CAMERA.rays(columns, rows) * depth[..., None])[depth < 20]
    assert len(points) > 300
    c, a, b = plane
    np.testing.assert_allclose(points[:, 2], c + a * points[:, 0] + b * points[:, 1], atol=1e-9)


def test_offset_of_the_principal_points() -> None:
    """With cx_right - cx = 31 the same ground has 31 px less, and the same depth."""
    shifted = RectifiedCamera(focal_px=700.0, cx=320.0, cy=240.0, offset_px=31.0, baseline_m=0.10,
                              width=640, height=480)
    found = shifted.plane_disparity(pitched(20.0), FLAT, 320.0, 300.0)
    assert found == pytest.approx(118.318263 - 31.0, abs=1e-6)
    assert shifted.depth_m(found) == pytest.approx(0.591625, abs=1e-6)


def test_camera_below_the_plane() -> None:
    with pytest.raises(ValueError, match=r"0\.050 m below the plane"):
        CAMERA.plane_disparity(pitched(0.0), (0.30, 0.0, 0.0), 320.0, 300.0)
