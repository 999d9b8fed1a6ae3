"""The camera model that a rig's K and D stand for.

D. C. Brown, "Close-range camera calibration," Photogrammetric Engineering, vol. 37, no. 8,
pp. 855-866, 1971, with the order of coefficients of OpenCV's documentation of calib3d:
x'' = x (1 + k1 r² + k2 r⁴ + k3 r⁶) + 2 p1 x y + p2 (r² + 2 x²), y'' = y (...) + p1 (r² + 2 y²) +
2 p2 x y. The pixels below are worked by hand from it, to the digits quoted; the second camera is
that of OpenCV's chessboard sample (``left_intrinsics.yml``).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from hazcam.calibration.checks import check_distortion, monotonic_radius
from hazcam.calibration.rig import StereoRig
from hazcam.errors import RigError
from hazcam.frames import rotation_x, rotation_y

ROUND = ((500.0, 500.0, 320.0, 240.0), (-0.3, 0.1, 0.001, -0.0005, 0.0))
SAMPLE = (
    (535.91573396163199, 535.91573396163199, 342.28315473308373, 235.57082909788173),
    (-0.26637260909660682, -0.038588898922304653, 0.0017831947042852964,
     -0.00028122100441115472, 0.23839153080878486),
)
TABLE = [
    (ROUND, (0.2, 0.1, 1.0), (418.5125, 289.2875)),
    (ROUND, (0.4, 0.3, 1.0), (506.2275, 379.8425)),
    (ROUND, (-0.5, 0.25, 1.0), (90.667969, 354.783203)),
    (SAMPLE, (0.1, 0.05, 0.5), (448.050256, 288.505930)),
    (SAMPLE, (-0.3, 0.2, 1.0), (186.935059, 339.247397)),
    (SAMPLE, (0.5, -0.4, 1.0), (583.121607, 43.242448)),
]


def rig_of(camera: tuple[tuple[float, ...], tuple[float, ...]]) -> StereoRig:
    (fx, fy, cx, cy), D = camera
    K = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1]])
    return StereoRig(name="a", size=(640, 480), K1=K, D1=np.array(D), K2=K, D2=np.array(D),
                     R=np.eye(3), T=np.array([-0.1, 0, 0]), mount=None)


def project(rig: StereoRig, point: Any) -> Any:
    pixels, _ = cv2.projectPoints(np.array([[point]]), np.zeros(3), np.zeros(3), rig.K1, rig.D1)
    return np.asarray(pixels).reshape(2)


@pytest.mark.parametrize(("camera", "point", "pixel"), TABLE)
def test_brown_table(camera: Any, point: Any, pixel: Any) -> None:
    """Five coefficients as a rig holds them; the table is quoted to 1e-4 px or better."""
    np.testing.assert_allclose(project(rig_of(camera), point), pixel, atol=1e-4)


@pytest.mark.parametrize(("camera", "point", "pixel"), TABLE)
def test_undistortion_returns_to_the_pinhole_pixel(camera: Any, point: Any, pixel: Any) -> None:
    """Default iterations of OpenCV come back within 4e-3 px at the far corner: 0.01 px here."""
    rig = rig_of(camera)
    back = cv2.undistortPoints(np.array([[pixel]]), rig.K1, rig.D1, P=rig.K1).reshape(2)
    pinhole = (rig.K1 @ np.array(point) / point[2])[:2]
    np.testing.assert_allclose(back, pinhole, atol=0.01)


def test_distortion_of_the_table_rises_to_the_corners() -> None:
    for camera in (ROUND, SAMPLE):
        rig = rig_of(camera)
        check_distortion(rig.K1, rig.D1, rig.size, rig.model, "a rig")


@pytest.mark.parametrize("k1", [-0.1, -0.3, -0.5])
def test_turning_point_of_one_coefficient(k1: float) -> None:
    """Closed form: r (1 + k1 r²) turns back at r² = -1 / (3 k1), where it is 2/3 r."""
    r = np.sqrt(-1 / (3 * k1))
    assert monotonic_radius(np.array([k1, 0, 0, 0, 0]), "brown") == pytest.approx(
        2 * r / 3, rel=1e-5)


def test_turning_point_of_a_fisheye() -> None:
    """Closed form: theta (1 + k1 theta²) turns back at theta² = -1 / (3 k1)."""
    theta = np.sqrt(1 / 1.5)
    assert monotonic_radius(np.array([-0.5, 0, 0, 0]), "fisheye") == pytest.approx(
        2 * theta / 3, rel=1e-5)


def test_turning_point_of_a_rational_lens() -> None:
    """Closed form: r / (1 + k4 r²) turns back at r² = 1 / k4, where it is r / 2."""
    D = np.array([0, 0, 0, 0, 0, 0.8, 0, 0])
    r = np.sqrt(1 / 0.8)
    assert monotonic_radius(D, "rational") == pytest.approx(r / 2, rel=1e-5)


def test_distortion_that_turns_back_inside_the_picture() -> None:
    """Corner radius of 640 x 480 at f 500: hypot(320.5, 240.5) / 500 = 0.801, turned at 0.703."""
    rig = rig_of(((500.0, 500.0, 320.0, 240.0), (-0.3, 0.0, 0.0, 0.0, 0.0)))
    with pytest.raises(RigError, match="turns back at 88% of the radius"):
        check_distortion(rig.K1, rig.D1, rig.size, rig.model, "a rig")


def test_rotation_vectors() -> None:
    """Rodrigues' formula, worked by hand for (0.1, -0.2, 0.3), to 7 decimals."""
    expected = [[0.9357548, -0.3029327, -0.1805401], [0.2831650, 0.9505806, -0.1273346],
                [0.2101917, 0.0680313, 0.9752903]]
    np.testing.assert_allclose(cv2.Rodrigues(np.array([0.1, -0.2, 0.3]))[0], expected, atol=5e-8)
    for axis, rotation in (((1, 0, 0), rotation_x), ((0, 1, 0), rotation_y)):
        vector = np.radians(25.0) * np.array(axis, dtype=float)
        np.testing.assert_allclose(rotation(25.0), cv2.Rodrigues(vector)[0], atol=1e-12)


def test_sign_of_the_baseline() -> None:
    """x_right = R x_left + T with T[0] = -B: P2[0,3] = -f B = -70, Q[3,2] = 1/B = +10."""
    rig = rig_of(((700.0, 700.0, 320.0, 240.0), (0.0,) * 5))
    out = cv2.stereoRectify(rig.K1, rig.D1, rig.K2, rig.D2, rig.size, rig.R, rig.T.reshape(3, 1),
                            flags=cv2.CALIB_ZERO_DISPARITY, alpha=0, newImageSize=rig.size)
    P2, Q = np.asarray(out[3]), np.asarray(out[4])
    assert P2[0, 3] / P2[0, 0] == pytest.approx(-0.1)
    assert Q[3, 2] == pytest.approx(10.0)
    Q = np.array([[1, 0, 0, -320], [0, 1, 0, -240], [0, 0, 0, 700], [0, 0, Q[3, 2], 0]])
    X = Q @ np.array([420, 300, 35, 1])
    np.testing.assert_allclose(X[:3] / X[3], [0.2857143, 0.1714286, 2.0], atol=5e-8)
