"""Albedo of the ground: grains, specks and patches at many scales, periodic.

Contrast is low at the size of single grains: a pixel sees many of them, and the renderer samples
only a few, so that more contrast there would be noise that no camera has.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

# (size of a blotch in mm, relative contrast): from single coarse grains to damp patches
_SCALES = ((0.5, 0.05), (1.0, 0.07), (2.2, 0.08), (5.0, 0.08), (11.0, 0.06), (24.0, 0.06),
           (55.0, 0.06), (130.0, 0.06), (320.0, 0.05))


def ground_texture(
    rng: np.random.Generator, *, size_px: int, period_m: float
) -> NDArray[np.float32]:
    """Draw a periodic albedo picture, mean about 0.11.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the pattern.
    size_px : int
        Width and height. [px]
    period_m : float
        Side of the square that it covers. [m]

    Returns
    -------
    ndarray of shape (size_px, size_px), float32
        Diffuse reflectance.
    """
    contrast = np.zeros((size_px, size_px), dtype=np.float32)
    for blotch_mm, gain in _SCALES:
        cells = min(size_px, round(period_m * 1000 / blotch_mm))
        noise = rng.standard_normal((cells, cells), dtype=np.float32)
        contrast += gain * _enlarge(noise, size_px)
    albedo: NDArray[np.float32] = np.float32(0.11) * np.exp(contrast)
    _strew(albedo, rng, period_m)
    return np.clip(albedo, 0.03, 0.45).astype(np.float32)


def _enlarge(noise: NDArray[np.float32], size_px: int) -> NDArray[np.float32]:
    """Enlarge a periodic table smoothly, without a seam where it repeats."""
    cells = noise.shape[0]
    if cells == size_px:
        return noise
    pad = 3
    around = np.pad(noise, pad, mode="wrap")
    scale = size_px / cells
    # pixel (i + 0.5) of the large picture is at ((i + 0.5) / scale) of the table
    move = np.array([[1 / scale, 0, pad + 0.5 / scale - 0.5]] * 2)
    M = np.array([[move[0, 0], 0, move[0, 2]], [0, move[1, 0], move[1, 2]]])
    return np.asarray(cv2.warpAffine(around, M, (size_px, size_px),
                                     flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
                                     borderMode=cv2.BORDER_WRAP), dtype=np.float32)


def _strew(albedo: NDArray[np.float32], rng: np.random.Generator, period_m: float) -> None:
    """Paint coarse grains, gravel and shell crumbs of 1 to 4 mm, light and dark."""
    size = albedo.shape[0]
    px = size / period_m
    count = int(5000 * period_m**2)
    radius = np.minimum(0.0005 * rng.pareto(2.2, count) + 0.0005, 0.0022) * px
    tone = np.where(rng.random(count) < 0.5, rng.uniform(0.03, 0.07, count),
                    rng.uniform(0.16, 0.30, count))
    centre = rng.integers(0, size, (count, 2))
    for (u, v), r, t in zip(centre, radius, tone, strict=True):
        axes = (max(1, round(r)), max(1, round(r * 0.75)))
        cv2.ellipse(albedo, (int(u), int(v)), axes, float(u % 180), 0, 360, float(t), -1)
