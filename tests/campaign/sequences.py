"""A rover's pictures of flat, textured ground while it walks: cheap, and right by construction."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np

from hazcam.calibration import write_rig
from hazcam.frames import Floats
from hazcam.imagery import Picture
from tests.synthetic import BASELINE_M, ideal_rig, mount_of, texture

STEP_M = 0.1


@cache
def frame(number: int, *, right: bool, gain: float = 1.0, step_m: float = STEP_M) -> Picture:
    """What one camera sees after so many steps straight on, 640 x 480, 8 bit, with noise."""
    rig = ideal_rig()
    mount = mount_of(rig)
    u, v = np.meshgrid((np.arange(640) - rig.K1[0, 2]) / rig.K1[0, 0],
                       (np.arange(480) - rig.K1[1, 2]) / rig.K1[1, 1])
    rays = np.stack([u, v, np.ones_like(u)], axis=-1) @ mount.R.T
    origin = mount.apply([BASELINE_M, 0, 0]) if right else mount.t
    with np.errstate(divide="ignore"):
        t = np.where(rays[..., 2] < -1e-3, -origin[2] / rays[..., 2], np.inf)
    x, y = (np.where(t < 6, origin[i] + t * rays[..., i], 0.0) * 1000 for i in (0, 1))
    columns, rows = (np.mod(a, 2048).astype(np.float32)
                     for a in (x + 1000 * step_m * number + 300, y + 900))
    grey: Floats = np.asarray(cv2.remap(texture(1).astype(np.float32), columns, rows,
                                        cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), np.float64)
    noise = np.random.default_rng(2 * number + right).standard_normal(grey.shape)
    seen = np.where(t < 6, 100 + 25 * grey, 20.0) * gain + noise
    return np.clip(np.rint(seen), 0, 255).astype(np.uint8)


def write_picture(path: Path, pixels: Picture) -> None:
    """Write a picture as its ending says."""
    assert cv2.imwrite(str(path), pixels)


def write_walk(folder: Path, lefts: list[int], rights: list[int]) -> Path:
    """Pictures ``beach-7.left.png``, the numbers being those of the frames; returns the rig."""
    folder.mkdir(exist_ok=True)
    for place, (left, right) in enumerate(zip(lefts, rights, strict=True), start=7):
        write_picture(folder / f"beach-{place}.left.png", frame(left, right=False))
        write_picture(folder / f"beach-{place}.right.png", frame(right, right=True))
    rig = folder.parent / "rig.yaml"
    write_rig(ideal_rig(), rig)
    return rig
