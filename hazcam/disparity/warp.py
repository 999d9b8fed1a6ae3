"""The warp by the expected surface: seen through it, grazing ground stands upright.

The right picture is resampled so that the expected surface has no disparity left:
``R'(x, y) = R(x - e(x, y), y)``, where ``e`` is the expected disparity. The left pixel ``x``
then matches ``R'`` at ``x - r``, and its disparity is ``r + e(x - r, y)``. Matchers that favour
equal disparity of neighbours then favour the ground, and the range to search shrinks.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[np.float32]


def _pixels(shape: tuple[int, ...]) -> tuple[Map, Map]:
    """Row and column of each pixel, each of ``shape``."""
    rows, columns = np.indices(shape, dtype=np.float32)
    return np.asarray(rows, dtype=np.float32), np.asarray(columns, dtype=np.float32)


def extend_columns(expected_px: Map, before: int, after: int) -> Map:
    """Expected disparity with more columns on the left and the right, continued linearly.

    Shape (H, before + W + after). [px]
    """
    width = expected_px.shape[1]
    left = expected_px[:, :1] + np.diff(expected_px[:, :2], axis=1) * np.arange(-before, 0)
    right = expected_px[:, -1:] + np.diff(expected_px[:, -2:], axis=1) * np.arange(1, after + 1)
    wide = np.empty((expected_px.shape[0], before + width + after), dtype=np.float32)
    wide[:, :before], wide[:, before : before + width] = left, expected_px
    wide[:, before + width :] = right
    return wide


def warp_right(
    right: NDArray[Any], expected_px: Map, how: int, *, first_column: int = 0
) -> NDArray[Any]:
    """Resample the right picture by the expected disparity; 0 outside it.

    Shape of ``expected_px``, whose first column is ``first_column`` of the left picture.
    """
    rows, columns = _pixels(expected_px.shape)
    return np.asarray(
        cv2.remap(right, columns + np.float32(first_column) - expected_px, rows, how,
                  borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    )


def unwarp(residual_px: Map, expected_px: Map) -> Map:
    """Disparity from the disparity that the warp left; NaN stays NaN. Shape (H, W). [px]

    The expected disparity is continued linearly beyond the picture's left and right rim, where
    a residual may point.
    """
    rows, columns = _pixels(expected_px.shape)
    target = columns - residual_px
    inside = np.clip(target, 0, expected_px.shape[1] - 1)
    known = np.where(np.isfinite(inside), inside, 0).astype(np.float32)
    expected = cv2.remap(expected_px, known, rows, cv2.INTER_LINEAR)
    slope = np.diff(expected_px[:, :2], axis=1)
    return np.asarray(residual_px + expected + slope * (target - inside), dtype=np.float32)
