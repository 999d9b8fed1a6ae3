from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam.calibration import LensModel, StereoRig, crop_and_bin
from hazcam.frames import Floats, Pose, rotation_x, rotation_y
from hazcam.imagery import Window, check_pictures, pair_from_arrays
from hazcam.rectification import (
    RectifiedCamera,
    common_view,
    is_rectified,
    rectify,
)
from tests.synthetic import Scene, both, ideal_rig, render


def raw_rig(model: LensModel = "brown") -> StereoRig:
    """The ideal rig as built: distorted, turned by half a degree, unlike focal lengths."""
    rig = ideal_rig()
    turn = rotation_x(0.3) @ rotation_y(0.4) @ cv2.Rodrigues(np.radians([0, 0, 0.5]))[0]
    distortion = {"brown": [-0.25, 0.08, 0.001, -0.0005, -0.01],
                  "fisheye": [-0.02, 0.003, 0.0, 0.0]}[model]
    other = rig.K1.copy()
    other[0, 0] *= 1.01
    other[1, 2] += 4
    return replace(rig, model=model, D1=np.array(distortion), D2=np.array(distortion), K2=other,
                   R=turn, T=np.array([-0.0995, 0.001, -0.0008]))


def seen_by(rig: StereoRig, points: Floats, right: bool) -> Floats:
    """Pixels of points of the left camera frame, through the raw lens."""
    R, t, K, D = ((rig.R, rig.T, rig.K2, rig.D2) if right
                  else (np.eye(3), np.zeros(3), rig.K1, rig.D1))
    project = cv2.fisheye.projectPoints if rig.model == "fisheye" else cv2.projectPoints
    pixels, _ = project(points.reshape(-1, 1, 3), cv2.Rodrigues(R)[0], t.reshape(3, 1), K, D)
    return np.asarray(pixels.reshape(-1, 2), dtype=np.float64)


def spots(pixels: Floats) -> NDArray[np.uint8]:
    picture = np.full((480, 640), 60, np.uint8)
    for u, v in pixels:
        yy, xx = np.mgrid[0:480, 0:640]
        picture = np.maximum(picture, (60 + 150 * np.exp(
            -((xx - u) ** 2 + (yy - v) ** 2) / (2 * 2.0**2))).astype(np.uint8))
    return picture


def centroid(picture: NDArray[Any], u: float, v: float) -> tuple[float, float]:
    """Centre of the spot near a pixel, by its weights above the background."""
    u0, v0 = round(u) - 9, round(v) - 9
    patch = np.clip(picture[v0:v0 + 19, u0:u0 + 19].astype(float) - 70, 0, None)
    yy, xx = np.mgrid[v0:v0 + 19, u0:u0 + 19]
    return (patch * xx).sum() / patch.sum(), (patch * yy).sum() / patch.sum()


@pytest.mark.parametrize("model", ["brown", "fisheye"])
def test_points_come_back_through_a_raw_rig(model: LensModel) -> None:
    """Spots at known places, seen through both raw lenses, triangulate to those places."""
    rig = raw_rig(model)
    points = np.array([[0.0, 0.02, 0.6], [0.15, 0.1, 0.9], [-0.1, -0.05, 0.8], [0.12, 0.12, 0.5]])
    pair = pair_from_arrays(spots(seen_by(rig, points, False)), spots(seen_by(rig, points, True)))
    rectified = rectify(pair, rig, check_pictures(pair))
    camera = rectified.camera
    in_rectified = rectified.T_camera_rectified.inverse().apply(points)
    for x, y, z in in_rectified:
        u = camera.focal_px * x / z + camera.cx
        v = camera.focal_px * y / z + camera.cy
        d = camera.focal_px * camera.baseline_m / z
        ul, vl = centroid(rectified.left, u, v)
        ur, vr = centroid(rectified.right, u - d, v)
        assert (ul, vl) == pytest.approx((u, v), abs=0.15)  # spots of 2 px, 8 bit
        assert vr == pytest.approx(vl, abs=0.15)
        assert camera.depth_m(ul - ur) == pytest.approx(z, rel=0.003)


def test_an_ideal_pair_is_taken_as_it_comes() -> None:
    rig = ideal_rig()
    pair = render(Scene())
    rectified = rectify(pair, rig, check_pictures(pair))
    assert is_rectified(rig)
    assert not rectified.resampled
    assert np.array_equal(rectified.left, both(pair)[0])
    assert rectified.view.valid_left.all()


def test_the_valid_area_of_a_raw_pair_is_what_the_lens_saw() -> None:
    pair = render(Scene())
    rectified = rectify(pair, raw_rig(), check_pictures(pair))
    assert rectified.resampled
    assert 0.6 < rectified.view.valid_left.mean() < 0.99
    assert not rectified.view.valid_left[0, 0]  # barrel distortion leaves the corners empty
    assert rectified.view.valid_left[rectified.camera.height // 2, rectified.camera.width // 2]


@pytest.mark.parametrize("window", [
    Window(column=0, row=360, width=640, height=120),
    Window(column=400, row=0, width=240, height=480),
])
def test_a_window_far_from_the_principal_point_keeps_its_picture(window: Window) -> None:
    """The canvas lies about what was seen, and is of its size."""
    camera = common_view(crop_and_bin(raw_rig(), window)).camera
    assert camera.width == pytest.approx(window.width, rel=0.5)
    assert camera.height == pytest.approx(window.height, rel=0.5)


def test_sixteen_bit_pictures_come_out_on_the_8_bit_scale() -> None:
    pair = render(Scene())
    wide = pair_from_arrays(*(p.astype(np.uint16) * 257 for p in both(pair)))
    rig = ideal_rig()
    a, b = (rectify(p, rig, check_pictures(p)).left for p in (pair, wide))
    assert np.allclose(a, b, atol=1e-3)


def test_a_plane_above_the_camera_is_a_mistake() -> None:
    camera = RectifiedCamera(focal_px=500, cx=320, cy=240, offset_px=0, baseline_m=0.1, width=640,
                             height=480)
    with pytest.raises(ValueError, match="below the plane"):
        camera.plane_disparity(Pose(R=np.eye(3), t=np.zeros(3)), (0.1, 0, 0), 0, 0)
