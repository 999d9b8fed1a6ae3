"""Cameras that take the pictures: lens, exposure, noise, and how a raw picture is resampled.

A distorting camera is drawn in two steps: a wider pinhole picture with more pixels, then a
resampling through the lens model. Only OpenCV's lens model is used, never the matching or
rectification of hazcam, so that the pictures can test these.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.calibration.rig import StereoRig
from hazcam.frames import Floats, Pose

Image = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, eq=False)
class Camera:
    """One camera of a rig, placed in the level frame.

    Attributes
    ----------
    K : ndarray of shape (3, 3), float64
        Camera matrix; a pixel centre is an integer. [px]
    D : ndarray of shape (n,), float64
        Distortion, OpenCV's order.
    size : tuple of int
        (width, height). [px]
    T_level_camera : Pose
        Camera to level frame.
    """

    K: Floats
    D: Floats
    size: tuple[int, int]
    T_level_camera: Pose

    @property
    def is_plain_pinhole(self) -> bool:
        """True for square pixels, a centred principal point and no distortion."""
        K, (width, height) = self.K, self.size
        ideal = [K[1, 1], (width - 1) / 2, (height - 1) / 2, 0.0]
        return bool(np.allclose([K[0, 0], K[0, 2], K[1, 2], K[0, 1]], ideal, atol=1e-9)
                    and not np.any(self.D))


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


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """How light becomes grey levels.

    Attributes
    ----------
    read_noise : float
        One standard deviation, without light. [grey levels]
    shot_noise : float
        Variance per grey level of signal. [grey levels]
    """

    read_noise: float = 0.6
    shot_noise: float = 0.0092


def cameras_of(rig: StereoRig, T_level_rover: Pose) -> tuple[Camera, Camera]:
    """Left and right camera of a rig on a rover that stands so."""
    if rig.mount is None:
        raise ValueError("a rig without a mount cannot be placed on a rover")
    left = T_level_rover @ rig.mount
    right = left @ Pose(R=rig.R, t=rig.T).inverse()
    return (Camera(K=rig.K1, D=rig.D1, size=rig.size, T_level_camera=left),
            Camera(K=rig.K2, D=rig.D2, size=rig.size, T_level_camera=right))


def rays_of(camera: Camera, pixels: Floats) -> Floats:
    """Directions (x/z, y/z) of pixels of shape (N, 2), by undoing the lens model."""
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-12)
    points = np.asarray(pixels, dtype=np.float64).reshape(-1, 1, 2)
    rays = cv2.undistortPoints(points, camera.K, camera.D, criteria=criteria)
    return np.asarray(rays, dtype=np.float64).reshape(-1, 2)


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


def exposure_gain(left: Image, right: Image, *, target: float = 105.0) -> float:
    """Grey levels per unit of radiance, the same for both pictures.

    The mean of the lower two thirds becomes ``target``, unless the brightest two per cent of
    these would then pass 240.
    """
    ground = np.concatenate([p[p.shape[0] // 3 :].ravel() for p in (left, right)])
    mean, bright = float(ground.mean()), float(np.percentile(ground, 98))
    if mean <= 0:
        return 1.0
    return min(target / mean, 240.0 / bright)


def expose(radiance: Image, gain: float, sensor: Sensor, rng: np.random.Generator
           ) -> NDArray[np.uint8]:
    """Expose a picture: shot and read noise, then 8 bits."""
    signal = radiance.astype(np.float64) * gain
    sigma = np.sqrt(sensor.shot_noise * signal + sensor.read_noise**2)
    noisy = signal + sigma * rng.standard_normal(signal.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
