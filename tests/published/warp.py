"""Is a disparity map in the left frame? Compare the pictures through it."""

from __future__ import annotations

import cv2
import numpy as np

from hazcam.frames import Floats


def warp_difference(base: Floats, other: Floats, shift_px: Floats) -> tuple[float, float]:
    """Median and mean of |base(x) - other(x + shift)| where known and inside. [grey levels]"""
    rows, columns = np.indices(base.shape)
    target = columns + shift_px
    inside = np.isfinite(target) & (target >= 0) & (target <= base.shape[1] - 1)
    map_x, map_y = (np.asarray(m, np.float32) for m in (np.where(inside, target, 0), rows))
    moved = cv2.remap(other.astype(np.float32), map_x, map_y, cv2.INTER_LINEAR)
    difference = np.abs(base - moved)[inside]
    return float(np.median(difference)), float(difference.mean())
