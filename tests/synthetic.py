"""Exact synthetic pairs: a textured plane of ground with boxes and pits, ray cast analytically.

The truth is closed form: every pixel's ray meets a plane or the face of an axis-aligned box. No
code is shared with the stages under test but the records that they take.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.calibration import StereoRig
from hazcam.frames import R_BODY_OPTICAL, Attitude, Floats, Pose, rotation_y
from hazcam.imagery import StereoPair, pair_from_arrays

FOCAL_PX = 320 / np.tan(np.radians(32.0))
BASELINE_M = 0.10
CAMERA_HEIGHT_M = 0.17
LEVEL = Attitude(roll_deg=0.0, pitch_deg=0.0, roll_sigma_deg=0.5, pitch_sigma_deg=0.5)


@dataclass(frozen=True)
class Box:
    """From (x0, y0) to (x1, y1); ``top_m`` above the ground, or a pit if negative. Rover frame."""

    x0: float
    x1: float
    y0: float
    y1: float
    top_m: float


@dataclass(frozen=True)
class Scene:
    """Ground ``z = slope_x * (x - from_x)`` beyond ``from_x`` (0 before), boxes, pits."""

    boxes: tuple[Box, ...] = ()
    slope_x: float = 0.0
    from_x: float = 0.0
    seed: int = 1
    noise_grey: float = 1.0
    contrast: float = 25.0
    black_x: tuple[float, float] | None = None
    _cache: dict[str, Floats] = field(default_factory=dict, compare=False)


def ideal_rig(pitch_deg: float = 18.0) -> StereoRig:
    """The engineering model's cameras: 640 x 480, 64 degrees wide, 0.17 m up and ahead."""
    K = np.array([[FOCAL_PX, 0, 319.5], [0, FOCAL_PX, 239.5], [0, 0, 1.0]])
    place = np.array([0.17, 0.05, CAMERA_HEIGHT_M])
    mount = Pose(R=rotation_y(pitch_deg) @ R_BODY_OPTICAL, t=place)
    return StereoRig(
        name="synthetic", size=(640, 480), K1=K, D1=np.zeros(5), K2=K, D2=np.zeros(5),
        R=np.eye(3), T=np.array([-BASELINE_M, 0, 0]), mount=mount, digest="synthetic",
    )


def mount_of(rig: StereoRig) -> Pose:
    """The mount of a rig that has one."""
    assert rig.mount is not None
    return rig.mount


def both(pair: StereoPair) -> tuple[NDArray[Any], NDArray[Any]]:
    """The left and the right picture of a pair that has both."""
    assert pair.left is not None
    assert pair.right is not None
    return pair.left, pair.right


def texture(seed: int) -> Floats:
    """A fractal picture, mean 0, deviation 1, of 2048 x 2048 px; one px is 1 mm of ground."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft2(rng.standard_normal((2048, 2048)))
    frequency = np.hypot(np.fft.fftfreq(2048)[:, None], np.fft.rfftfreq(2048)[None])
    frequency[0, 0] = 1.0
    field_ = np.fft.irfft2(spectrum / frequency**0.9, s=(2048, 2048))
    return np.asarray((field_ - field_.mean()) / field_.std())


def _hits(scene: Scene, origin: Floats, rays: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Ray parameter of the nearest surface and its face (0 ground, 1.. box faces)."""
    best = np.full(rays.shape[:-1], np.inf)
    face = np.zeros(best.shape, dtype=np.intp)

    def offer(t: Floats, mask: NDArray[np.bool_], number: int) -> None:
        closer = mask & (t > 1e-6) & (t < best)
        best[closer] = t[closer]
        face[closer] = number

    with np.errstate(divide="ignore", invalid="ignore"):
        t = -origin[2] / rays[..., 2]
        x, y = origin[0] + t * rays[..., 0], origin[1] + t * rays[..., 1]
        solid = np.ones(t.shape, dtype=bool)
        for box in scene.boxes:
            solid &= ~((box.top_m < 0) & (x > box.x0) & (x < box.x1) & (y > box.y0) & (y < box.y1))
        offer(t, solid & ((scene.slope_x == 0) | (x <= scene.from_x)), 0)
        if scene.slope_x:
            a = scene.slope_x
            t = -(origin[2] - a * (origin[0] - scene.from_x)) / (rays[..., 2] - a * rays[..., 0])
            offer(t, origin[0] + t * rays[..., 0] > scene.from_x, 0)
        for number, box in enumerate(scene.boxes):
            low, high = sorted((0.0, box.top_m))
            t = (box.top_m - origin[2]) / rays[..., 2]
            x, y = origin[0] + t * rays[..., 0], origin[1] + t * rays[..., 1]
            offer(t, (x >= box.x0) & (x <= box.x1) & (y >= box.y0) & (y <= box.y1),
                  3 * number + 1)
            for value in (box.x0, box.x1):
                t = (value - origin[0]) / rays[..., 0]
                y, z = origin[1] + t * rays[..., 1], origin[2] + t * rays[..., 2]
                offer(t, (y >= box.y0) & (y <= box.y1) & (z >= low) & (z <= high), 3 * number + 2)
            for value in (box.y0, box.y1):
                t = (value - origin[1]) / rays[..., 1]
                x, z = origin[0] + t * rays[..., 0], origin[2] + t * rays[..., 2]
                offer(t, (x >= box.x0) & (x <= box.x1) & (z >= low) & (z <= high), 3 * number + 3)
    return best, face


def _camera_rays(rig: StereoRig, samples: int) -> Floats:
    w, h = rig.size
    u = (np.arange(w * samples) + 0.5) / samples - 0.5
    v = (np.arange(h * samples) + 0.5) / samples - 0.5
    uu, vv = np.meshgrid((u - rig.K1[0, 2]) / rig.K1[0, 0], (v - rig.K1[1, 2]) / rig.K1[1, 1])
    return np.stack([uu, vv, np.ones_like(uu)], axis=-1)


def true_depth(scene: Scene, rig: StereoRig) -> Floats:
    """Depth of each pixel of the left picture, shape (H, W). [m] NaN for the sky."""
    mount = mount_of(rig)
    t, _ = _hits(scene, mount.t, _camera_rays(rig, 1) @ mount.R.T)
    return np.where(np.isfinite(t), t, np.nan)


def _shade(scene: Scene, rig: StereoRig, right: bool, samples: int = 2) -> Floats:
    mount = mount_of(rig)
    origin = mount.apply([BASELINE_M, 0, 0]) if right else mount.t
    rays = _camera_rays(rig, samples) @ mount.R.T
    t, face = _hits(scene, origin, rays)
    grain = scene._cache.setdefault("texture", texture(scene.seed))
    point = origin + np.where(np.isfinite(t), t, 0)[..., None] * rays
    x, y, z = (point[..., i] * 1000 for i in range(3))
    a = np.where(face % 3 == 2, z, x)
    b = np.where((face % 3 == 0) & (face > 0), z, y)
    columns = np.mod(a + 137.0 * face + 300, 2048).astype(np.float32)
    rows = np.mod(b + 311.0 * face + 900, 2048).astype(np.float32)
    value = cv2.remap(grain.astype(np.float32), columns, rows, cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_WRAP)
    grey = 100 + scene.contrast * value + 12.0 * (face % 3)
    if scene.black_x is not None:
        grey = np.where((point[..., 0] > scene.black_x[0]) & (point[..., 0] < scene.black_x[1]),
                        1.0, grey)
    grey = np.where(np.isfinite(t), grey, 5.0)
    h, w = rig.size[1], rig.size[0]
    return np.asarray(grey.reshape(h, samples, w, samples).mean(axis=(1, 3)))


def render(
    scene: Scene, rig: StereoRig | None = None, attitude: Attitude | None = LEVEL
) -> StereoPair:
    """The pair that the rig sees, 8 bit, with noise."""
    rig = rig or ideal_rig()
    rng = np.random.default_rng(scene.seed + 1000)
    pictures = []
    for right in (False, True):
        grey = _shade(scene, rig, right)
        noisy = grey + scene.noise_grey * rng.standard_normal(grey.shape)
        pictures.append(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
    return pair_from_arrays(pictures[0], pictures[1], id="synthetic", attitude=attitude)


def flat_pair() -> tuple[StereoPair, StereoRig]:
    """Flat, textured, clear ground."""
    return render(Scene()), ideal_rig()
