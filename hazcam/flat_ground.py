"""Flat level ground before a rig: sample distance, sigmas, smallest obstacle, hidden ground.

From geometry alone; ``hazcam.rig_card`` puts it against distance and heading.
"""

from __future__ import annotations

import numpy as np

from hazcam.depth import PIXEL_SIGMA_PX, point_jacobian
from hazcam.disparity.subpixel import WINDOW_PX
from hazcam.frames import Floats, Pose, View
from hazcam.rectification import RectifiedCamera

# Our own rule for the smallest obstacle: it stands out by so many of the height's own sigma, as in
# `terrain/obstacles.py`, and it fills the matching window: in one that it shares with the ground
# its height is a mixture of both. Of 24 synthetic cubes at 0.5, 1.0 and 1.5 m as high as the whole
# window one lost more than a fifth of its height, of 24 as high as 5 of its 9 rows nine did.
OBSTACLE_SIGMAS = 4.0
OBSTACLE_ROWS = WINDOW_PX
# Heights of the things behind which the hidden ground is told. [m]
HIDING_HEIGHTS_M = (0.02, 0.04)


def measures_at(
    camera: RectifiedCamera, view: View, T_rover_camera: Pose, places_m: Floats,
    disparity_sigma_px: float,
) -> dict[str, Floats]:
    """What is known of places on the ground, whether they are in view or not.

    Parameters
    ----------
    camera : RectifiedCamera
        The rectified cameras.
    view : View
        How well attitude and scale are known; the rover stands level.
    T_rover_camera : Pose
        Rectified left camera to rover frame.
    places_m : ndarray of shape (n, 3)
        In the plane of the feet, from the rover origin. [m]
    disparity_sigma_px : float
        One standard deviation of a match. [px]

    Returns
    -------
    dict of str to ndarray
        The fields of ``HeadingCard`` by name, but its reach and share of the swath. [m]
    """
    in_camera = T_rover_camera.inverse().apply(places_m)
    depth = np.where(in_camera[:, 2] > 0, in_camera[:, 2], np.nan)
    u = camera.cx + camera.focal_px * in_camera[:, 0] / depth
    v = camera.cy + camera.focal_px * in_camera[:, 1] / depth
    offset = places_m[:, :2] - T_rover_camera.t[:2]
    range_m = np.hypot(offset[:, 0], offset[:, 1])
    disparity = camera.focal_px * camera.baseline_m / depth - camera.offset_px
    root = T_rover_camera.R @ point_jacobian(camera, u, v, disparity)
    root = root * [PIXEL_SIGMA_PX, PIXEL_SIGMA_PX, disparity_sigma_px]  # as in `triangulate`
    along_sight = (root[:, :2] * (offset / range_m[:, None])[:, :, None]).sum(axis=1)
    height_sigma = np.linalg.norm(root[:, 2], axis=1)
    rows_height = _height_of_rows(camera, T_rover_camera, in_camera, OBSTACLE_ROWS)
    return {
        "range_m": range_m,
        "gsd_along_m": _apart(camera, T_rover_camera, u, v, du=0.0, dv=0.5),
        "gsd_across_m": _apart(camera, T_rover_camera, u, v, du=0.5, dv=0.0),
        "range_sigma_m": np.linalg.norm(along_sight, axis=1), "height_sigma_m": height_sigma,
        "scale_range_sigma_m": view.scale_sigma * range_m,
        "tilt_height_sigma_m": np.hypot(places_m[:, 0], places_m[:, 1])
                               * np.sin(np.radians(view.tilt_sigma_deg)),
        "scale_height_sigma_m": np.full_like(range_m, view.scale_sigma * T_rover_camera.t[2]),
        "rows_height_m": rows_height,
        "smallest_m": np.maximum(OBSTACLE_SIGMAS * height_sigma, rows_height),
        "hidden_m": np.stack([hidden_length_m(h, range_m, float(T_rover_camera.t[2]))
                              for h in HIDING_HEIGHTS_M], axis=-1),
    }


def _apart(
    camera: RectifiedCamera, T_rover_camera: Pose, u: Floats, v: Floats, *, du: float, dv: float
) -> Floats:
    """Distance on the ground of two pixels, ``du`` and ``dv`` to either side; NaN above it. [m]"""
    ends = []
    for sign in (-1, 1):
        ray = camera.rays(u + sign * du, v + sign * dv) @ T_rover_camera.R.T
        falls = np.where(ray[:, 2] < 0, -ray[:, 2], np.nan)
        ends.append(ray[:, :2] * (T_rover_camera.t[2] / falls)[:, None])
    return np.asarray(np.linalg.norm(ends[1] - ends[0], axis=1))


def _height_of_rows(
    camera: RectifiedCamera, T_rover_camera: Pose, foot_camera_m: Floats, rows: float
) -> Floats:
    """Height of an upright thing whose top lies ``rows`` picture rows above its foot. [m]

    Along an upright from the foot (y, z) the picture row is ``f (y + h a) / (z + h b)`` with
    (a, b) the upward direction; solved for h. +inf where no height does it: straight down.
    """
    up = T_rover_camera.R.T @ [0.0, 0.0, 1.0]
    y, z = foot_camera_m[:, 1], foot_camera_m[:, 2]
    top_row = camera.focal_px * y / z - rows
    with np.errstate(divide="ignore"):
        height = rows * z / (top_row * up[2] - camera.focal_px * up[1])
    return np.where(height > 0, height, np.inf)


def hidden_length_m(height_m: float, range_m: Floats, camera_height_m: float) -> Floats:
    """Length of flat ground hidden behind a thing: ``h d / (H - h)``, the cone of sight. [m]

    +inf for a thing that reaches the camera's height.

    Examples
    --------
    >>> hidden_length_m(0.04, np.array([1.0]), 0.20)
    array([0.25])
    """
    if height_m >= camera_height_m:
        return np.full_like(range_m, np.inf)
    return np.asarray(height_m * range_m / (camera_height_m - height_m))
