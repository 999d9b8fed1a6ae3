"""Cameras that take the pictures: where they are, and how light falls through the lens.

Each is drawn in two steps: a wider pinhole picture with more pixels, then a resampling through
the lens model. Only OpenCV's lens model is used, never the matching or
rectification of hazcam, so that the pictures can test these.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.calibration.rig import LensModel, StereoRig
from hazcam.frames import Floats, Pose
from hazcam.scene.description import Departure

Image = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, eq=False)
class Camera:
    """One camera of a rig, placed in the level frame.

    Attributes
    ----------
    K : ndarray of shape (3, 3), float64
        Camera matrix; a pixel centre is an integer. [px]
    D : ndarray of shape (n,), float64
        Distortion, OpenCV's order for ``model``.
    model : str
        ``brown``, ``rational`` or ``fisheye``.
    size : tuple of int
        (width, height). [px]
    T_level_camera : Pose
        Camera to level frame.
    """

    K: Floats
    D: Floats
    size: tuple[int, int]
    T_level_camera: Pose
    model: LensModel = "brown"


@dataclass(frozen=True, kw_only=True, eq=False)
class Pinhole:
    """A plain pinhole camera: square pixels, principal point in the middle of the picture."""

    f_px: float
    size: tuple[int, int]
    T_level_camera: Pose

    @property
    def centre_px(self) -> tuple[float, float]:
        """Principal point; a pixel centre is an integer. [px]"""
        return (self.size[0] - 1) / 2, (self.size[1] - 1) / 2


def cameras_of(
    rig: StereoRig, T_level_rover: Pose, departure: Departure | None = None
) -> tuple[Camera, Camera]:
    """Left and right camera of a rig on a rover that stands so, as they really are."""
    if rig.mount is None:
        raise ValueError("a rig without a mount cannot be placed on a rover")
    departure = departure or Departure()
    lift = np.array([0.0, 0.0, departure.height_m])
    left = T_level_rover @ Pose(R=rig.mount.R, t=rig.mount.t + lift)
    # the right camera turns about its own centre, which the baseline puts where it is
    drift = cv2.Rodrigues(np.radians(np.array(departure.drift_deg)))[0]
    T_right_left = Pose(R=drift @ rig.R, t=drift @ rig.T * (1 + departure.baseline_share))
    right = left @ T_right_left.inverse()
    return (Camera(K=rig.K1, D=rig.D1, size=rig.size, T_level_camera=left, model=rig.model),
            Camera(K=rig.K2, D=rig.D2, size=rig.size, T_level_camera=right, model=rig.model))


def rays_of(camera: Camera, pixels: Floats) -> Floats:
    """Directions (x/z, y/z) of pixels of shape (N, 2), by undoing the lens model."""
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-12)
    points = np.asarray(pixels, dtype=np.float64).reshape(-1, 1, 2)
    undo = cv2.fisheye.undistortPoints if camera.model == "fisheye" else cv2.undistortPoints
    rays = undo(points, camera.K, camera.D, criteria=criteria)
    return np.asarray(rays, dtype=np.float64).reshape(-1, 2)


def pixels_of(camera: Camera, places_m: Floats) -> tuple[Floats, Floats]:
    """Pixels (N, 2) of places (N, 3) in the level frame, and their depth (N,). [px, m]

    A place behind the camera has pixel NaN.
    """
    inside = camera.T_level_camera.inverse().apply(places_m)
    depth = inside[:, 2]
    pixels = np.full((len(inside), 2), np.nan)
    ahead = depth > 1e-3
    if np.any(ahead):
        zero = np.zeros(3)
        project = (cv2.fisheye.projectPoints if camera.model == "fisheye"
                   else cv2.projectPoints)
        found = project(inside[ahead].reshape(-1, 1, 3), zero, zero, camera.K, camera.D)[0]
        pixels[ahead] = np.asarray(found).reshape(-1, 2)
    return pixels, np.asarray(depth)


def pixel_grid(size: tuple[int, int], subdivide: int = 1) -> Floats:
    """Pixel positions (H*s, W*s, 2) of each pixel's ``subdivide``² parts. [px]"""
    width, height = size
    u = (np.arange(width * subdivide) + 0.5) / subdivide - 0.5
    v = (np.arange(height * subdivide) + 0.5) / subdivide - 0.5
    return np.stack(np.meshgrid(u, v), axis=-1)


def covering_pinhole(camera: Camera, oversample: float) -> Pinhole:
    """Return the pinhole that sees all that the camera sees, ``oversample`` times as finely."""
    grid = pixel_grid(camera.size)
    border = np.concatenate([grid[0], grid[-1], grid[:, 0], grid[:, -1]])
    reach = np.abs(rays_of(camera, border)).max(axis=0)
    f = float(camera.K[0, 0] * oversample)
    size = (2 * int(np.ceil(f * reach[0] + 4)), 2 * int(np.ceil(f * reach[1] + 4)))
    return Pinhole(f_px=f, size=size, T_level_camera=camera.T_level_camera)


def through_lens(image: Image, pinhole: Pinhole, camera: Camera) -> Image:
    """Resample a pinhole picture to what the camera sees, (H, W).

    Each pixel is the mean of 2 x 2 parts, each read by cubic interpolation.
    """
    grid = pixel_grid(camera.size, subdivide=2)
    rays = rays_of(camera, grid.reshape(-1, 2)).reshape(grid.shape)
    where = (rays * pinhole.f_px + pinhole.centre_px).astype(np.float32)
    fine = cv2.remap(image, where[..., 0], where[..., 1], cv2.INTER_CUBIC)
    height, width = camera.size[1], camera.size[0]
    mean = fine.reshape(height, 2, width, 2).mean(axis=(1, 3))
    return np.asarray(np.maximum(mean, 0.0), dtype=np.float32)
