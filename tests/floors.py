"""Pictures of a textured floor, and of a target on it, through any rig: exact but for sampling.

Each sample's ray is undistorted, met with the plane of the feet (z = 0 of the rover frame), and
looked up in a fractal texture; nothing is shared with the stages under test but the records.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from hazcam.calibration import LensModel, StereoRig
from hazcam.calibration.geometry import normalised
from hazcam.calibration.mount import MountAngles, mount_rotation
from hazcam.calibration.target import Target
from hazcam.frames import Floats, Pose
from hazcam.imagery import StereoPair, pair_from_arrays
from tests.synthetic import texture

SAMPLES = 3
_GREY, _CONTRAST, _SKY = 105.0, 25.0, 40.0


def mounted(
    rig: StereoRig, *, height_m: float, pitch_deg: float, roll_deg: float, yaw_deg: float = 0.0,
    x_m: float = 0.17, y_m: float = 0.05,
) -> StereoRig:
    """The rig where it is said to stand."""
    angles = MountAngles(roll_deg=roll_deg, pitch_deg=pitch_deg, yaw_deg=yaw_deg)
    return replace(rig, mount=Pose(R=mount_rotation(angles), t=np.array([x_m, y_m, height_m])))


@lru_cache(maxsize=4)
def _grain(seed: int) -> NDArray[np.float32]:
    return texture(seed).astype(np.float32)


@lru_cache(maxsize=8)
def _rays(key: tuple[float, ...], model: LensModel, size: tuple[int, int]) -> Floats:
    """Rays of all samples: a quintic spline through those of every eighth pixel (1e-6 px off)."""
    K, D = np.array(key[:9]).reshape(3, 3), np.array(key[9:])
    knots = [np.linspace(-0.5, n - 0.5, n // 8 + 1) for n in size]
    pixels = np.stack(np.meshgrid(*knots), axis=-1).reshape(-1, 2)
    known = normalised(K, D, model, pixels).reshape(len(knots[1]), len(knots[0]), 2)
    columns, rows = (((np.arange(n * SAMPLES) + 0.5) / SAMPLES - 0.5) for n in size)
    x, y = (RectBivariateSpline(knots[1], knots[0], known[..., i], kx=5, ky=5)(rows, columns)
            for i in range(2))
    return np.stack([x, y, np.ones_like(x)], axis=-1)


def floor_pair(
    rig: StereoRig, *, seed: int = 1, noise_grey: float = 1.0, board: Floats | None = None,
    target: Target | None = None, bump_m: float = 0.0,
) -> StereoPair:
    """What the mounted rig sees of a flat floor, 8 bit, with noise.

    ``board``: x and y of the target's first point and the heading of its rows in degrees.
    ``bump_m``: the floor rises as a bowl by this much at 1 m from 0.8 m ahead, to first order.
    """
    rng = np.random.default_rng(seed + 1000)
    pictures = []
    for grey in _greys(rig, seed, board, target, bump_m):
        noisy = grey + noise_grey * rng.standard_normal(grey.shape)
        pictures.append(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
    return pair_from_arrays(pictures[0], pictures[1], id=f"floor-{seed}")


def _greys(
    rig: StereoRig, seed: int, board: Floats | None, target: Target | None, bump_m: float
) -> list[Floats]:
    assert rig.mount is not None
    right = rig.mount @ Pose(R=rig.R, t=rig.T).inverse()
    return [_grey(pose, _rays((*K.ravel(), *D), rig.model, rig.size), seed, board, target, bump_m)
            for pose, K, D in ((rig.mount, rig.K1, rig.D1), (right, rig.K2, rig.D2))]


def _grey(
    pose: Pose, rays: Floats, seed: int, board: Floats | None, target: Target | None, bump_m: float
) -> Floats:
    falls = rays @ pose.R.T
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(falls[..., 2] < 0, -pose.t[2] / falls[..., 2], np.nan)
        for _ in range(8 if bump_m else 0):
            x, y = (pose.t[i] + t * falls[..., i] for i in range(2))
            rise = bump_m * ((x - 0.8) ** 2 + y**2)
            t = (rise - pose.t[2]) / falls[..., 2]
    x, y = (pose.t[i] + t * falls[..., i] for i in range(2))
    seen = np.isfinite(t) & (np.hypot(x, y) < 20.0)
    x, y = np.where(seen, x, 0.0), np.where(seen, y, 0.0)
    places = [np.mod(1000 * v + shift, 2048).astype(np.float32)
              for v, shift in ((x, 300), (y, 900))]
    value = cv2.remap(_grain(seed), places[0], places[1], cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_WRAP)
    grey = _GREY + _CONTRAST * value.astype(np.float64)
    if board is not None and target is not None:
        grey = _with_board(grey, x, y, board, target)
    grey = np.where(seen, grey, _SKY)
    rows, columns = grey.shape[0] // SAMPLES, grey.shape[1] // SAMPLES
    return np.asarray(grey.reshape(rows, SAMPLES, columns, SAMPLES).mean(axis=(1, 3)))


def _with_board(grey: Floats, x: Floats, y: Floats, board: Floats, target: Target) -> Floats:
    """A chessboard on the floor: its rows point to the heading, its columns to the right of it."""
    x0, y0, heading_deg = board
    c, s = np.cos(np.radians(heading_deg)), np.sin(np.radians(heading_deg))
    along = ((x - x0) * c + (y - y0) * s) / target.pitch_m
    down = ((x - x0) * s - (y - y0) * c) / target.pitch_m
    inside = ((along > -1.6) & (along < target.columns + 0.6)
              & (down > -1.6) & (down < target.rows + 0.6))
    board_here = ((along > -1) & (along < target.columns) & (down > -1) & (down < target.rows))
    black = board_here & ((np.floor(along) + np.floor(down)).astype(int) % 2 == 0)
    return np.where(inside, np.where(black, 25.0, 205.0), grey)
