"""Points to pixels and back through a rig, for what is judged of a calibration.

The pictures themselves go through ``rectification.py``; here it is single points, in double
precision and without a canvas.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from hazcam.calibration.rig import LensModel, StereoRig
from hazcam.frames import Floats

# Iterations of the undistortion: OpenCV's default comes back within 4e-3 px only (far corner).
_UNTIL = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 60, 1e-12)


def project_points(K: Floats, D: Floats, model: LensModel, points_m: ArrayLike) -> Floats:
    """Pixels of points in the frame of one camera.

    Parameters
    ----------
    K, D, model
        As in ``StereoRig``.
    points_m : array_like of shape (N, 3)
        x right, y down, z forward. [m]

    Returns
    -------
    ndarray of shape (N, 2)
        [px]
    """
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 1, 3)
    still = np.zeros(3)
    if model == "fisheye":
        pixels, _ = cv2.fisheye.projectPoints(points, still, still, K, D)
    else:
        pixels, _ = cv2.projectPoints(points, still, still, K, D)
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)


def normalised(K: Floats, D: Floats, model: LensModel, pixels: ArrayLike) -> Floats:
    """Directions ``(x, y, 1)`` of pixels of one camera, shape (N, 2): x, y."""
    points = np.asarray(pixels, dtype=np.float64).reshape(-1, 1, 2)
    if model == "fisheye":
        found = cv2.fisheye.undistortPoints(points, K, D, criteria=_UNTIL)
    else:
        found = cv2.undistortPoints(points, K, D, criteria=_UNTIL)
    return np.asarray(found, dtype=np.float64).reshape(-1, 2)


def project(rig: StereoRig, points_m: ArrayLike) -> tuple[Floats, Floats]:
    """Pixels of points in both pictures.

    Parameters
    ----------
    rig : StereoRig
    points_m : array_like of shape (N, 3)
        In the left camera frame. [m]

    Returns
    -------
    left, right : ndarray of shape (N, 2)
        Column, row. [px]
    """
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 3)
    return (project_points(rig.K1, rig.D1, rig.model, points),
            project_points(rig.K2, rig.D2, rig.model, points @ rig.R.T + rig.T))


def rectifying_rotations(rig: StereoRig) -> tuple[Floats, Floats]:
    """Rotations that take directions of the left and right camera to common axes.

    x points along the baseline, from the left camera to the right one; z as near as may be to
    the mean of the two optical axes.

    Returns
    -------
    R_left, R_right : ndarray of shape (3, 3)
    """
    baseline = -rig.R.T @ rig.T
    x = baseline / np.linalg.norm(baseline)
    axes = np.array([0.0, 0.0, 1.0]) + rig.R.T @ np.array([0.0, 0.0, 1.0])
    z = axes - (axes @ x) * x
    z /= np.linalg.norm(z)
    y = np.array([z[1] * x[2] - z[2] * x[1], z[2] * x[0] - z[0] * x[2], z[0] * x[1] - z[1] * x[0]])
    R_left = np.stack([x, y, z])
    return R_left, R_left @ rig.R.T


def rectified_directions(
    rig: StereoRig, left_px: ArrayLike, right_px: ArrayLike
) -> tuple[Floats, Floats]:
    """Rectified directions ``(x, y)``, z = 1, of pixels of both pictures, each (N, 2).

    The same point has the same y in both; ``x_left - x_right`` is its disparity at focal length 1.
    """
    R_left, R_right = rectifying_rotations(rig)
    left = _turned(R_left, normalised(rig.K1, rig.D1, rig.model, left_px))
    right = _turned(R_right, normalised(rig.K2, rig.D2, rig.model, right_px))
    return left, right


def triangulate_pixels(rig: StereoRig, left_px: ArrayLike, right_px: ArrayLike) -> Floats:
    """Points from pixels of both pictures, as a rectified pair gives them: row of the left one.

    Returns
    -------
    ndarray of shape (N, 3)
        In the left camera frame. [m] NaN where the rays do not meet in front of the cameras.
    """
    left, right = rectified_directions(rig, left_px, right_px)
    disparity = left[:, 0] - right[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = np.where(disparity > 0, rig.baseline_m / disparity, np.nan)
    points = np.column_stack([left, np.ones(len(left))]) * depth[:, None]
    return np.asarray(points @ rectifying_rotations(rig)[0])


def _turned(R: Floats, directions: Floats) -> Floats:
    turned = np.column_stack([directions, np.ones(len(directions))]) @ R.T
    return np.asarray(turned[:, :2] / turned[:, 2:])
