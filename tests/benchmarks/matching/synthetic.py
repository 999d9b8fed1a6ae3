"""Synthetic pairs with exact truth, and the least error that any matcher can have on them.

A fractal texture lives in the right picture, on a grid ``FINE`` times finer than the pixels. The
left picture looks it up at ``x - d(x, y)``: a plane seen at a grazing angle with rock-like caps on
it. Both are averaged over each pixel, then noise is added and the sum is rounded. The slopes are
so gentle that nothing is hidden.

Seeds to tune on and seeds to report are apart: ``TUNE_SEEDS``, ``REPORT_SEEDS``.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats
from tests.benchmarks.matching.scenes import Picture, Scene

TUNE_SEEDS = (1, 2, 3, 4)
REPORT_SEEDS = (1001, 1002, 1003, 1004, 1005, 1006)
NOISE_GREY = 1.5
DISPARITIES = 80
FINE = 4

_MEAN_GREY, _CONTRAST_GREY, _FRACTAL = 110.0, 28.0, 1.2
_MARGIN_PX = 96  # of texture to the left of the picture, more than the greatest disparity
_CAPS = 14
# Half the step of the central difference by which the left picture is derived by the disparity.
_STEP_PX = 0.05

Fine = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, eq=False)
class Synthetic:
    """A pair, and what is known about it beyond its truth.

    Attributes
    ----------
    scene : Scene
    slope_grey : ndarray of shape (H, W)
        Derivative of the left picture without noise by the disparity, exact. [grey levels/px]
    difference_grey : ndarray of shape (H, W)
        Its central difference (-1/2, 0, 1/2) along the row, what a matcher can form.
    noise_grey : float
        Of a pixel, rounding included. [grey levels]
    """

    scene: Scene
    slope_grey: Floats
    difference_grey: Floats
    noise_grey: float


def synthetic(seed: int, height: int = 480, width: int = 640) -> Synthetic:
    """Make the pair of a seed."""
    rng = np.random.default_rng(seed)
    texture = _texture(rng, height, width)
    disparity = _disparity(rng, height, width)
    left = _looked_up(texture, disparity)
    slope = (_looked_up(texture, disparity + _STEP_PX)
             - _looked_up(texture, disparity - _STEP_PX)) / (2 * _STEP_PX)
    right = _pixels(texture[:, _MARGIN_PX * FINE :])
    scene = Scene(
        name=f"synthetic {seed}", label="exact truth", left=_shot(rng, left),
        right=_shot(rng, right), truth_px=_pixels(disparity).astype(np.float64),
        disparities=DISPARITIES, edge_jump_px=1.5, edge_reach_px=1)
    return Synthetic(
        scene=scene, slope_grey=slope, noise_grey=float(np.hypot(NOISE_GREY, 1 / np.sqrt(12))),
        difference_grey=np.asarray(
            cv2.filter2D(left, cv2.CV_64F, np.array([[-0.5, 0.0, 0.5]])), np.float64))


def least_sigma_px(slope_grey: Floats, noise_grey: float, window_px: int) -> Floats:
    """Cramer-Rao bound of one disparity for each window, both pictures noisy, shape (H, W). [px]

    ``variance = 2 s² / sum(gx²)`` over a square window: the texture is taken as known but for the
    noise of the second picture, the disparity as one number in the window.
    """
    energy = cv2.boxFilter(slope_grey**2, cv2.CV_64F, (window_px, window_px), normalize=False)
    return np.asarray(np.sqrt(2 * noise_grey**2 / np.maximum(energy, 1e-9)))


def _texture(rng: np.random.Generator, height: int, width: int) -> Fine:
    rows, columns = height * FINE, (width + _MARGIN_PX) * FINE
    spectrum = np.fft.rfft2(rng.standard_normal((rows, columns)))
    radius = np.hypot(np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None])
    radius[0, 0] = 1.0
    shape = np.fft.irfft2(spectrum / radius**_FRACTAL, s=(rows, columns))
    shape = (shape - shape.mean()) / shape.std()
    return np.asarray(_MEAN_GREY + _CONTRAST_GREY * shape, dtype=np.float32)


def _disparity(rng: np.random.Generator, height: int, width: int) -> Fine:
    """Disparity on the fine grid. [px]"""
    y, x = ((np.arange(n * FINE, dtype=np.float32) + 0.5) / FINE - 0.5 for n in (height, width))
    plane = 12 + 45 * (np.maximum(y, 0)[:, None] / height) ** 1.2 + 3 * (x[None] / width - 0.5)
    caps = np.zeros_like(plane)
    for _ in range(_CAPS):
        column, row = rng.uniform(40, width - 20), rng.uniform(0.12 * height, height - 20)
        radius = rng.uniform(12, 45)
        rise = min(rng.uniform(1.5, 5.0), 0.15 * radius)  # no steeper than 0.3 px a pixel
        square = ((x[None] - column) ** 2 + (1.3 * (y[:, None] - row)) ** 2) / radius**2
        caps = np.maximum(caps, rise * (1 - square))
    return np.asarray(plane + caps, dtype=np.float32)


def _looked_up(texture: Fine, disparity_px: Fine) -> Floats:
    """The left picture without noise, shape (H, W)."""
    rows, columns = np.indices(disparity_px.shape, dtype=np.float32)
    places = (columns - FINE * (disparity_px - _MARGIN_PX)).astype(np.float32)
    found = cv2.remap(texture, places, np.asarray(rows, np.float32), cv2.INTER_CUBIC)
    return _pixels(np.asarray(found, np.float32))


def _pixels(fine: NDArray[np.floating]) -> Floats:
    """Mean over each pixel, shape (H, W)."""
    rows, columns = (side // FINE for side in fine.shape)
    cut = fine.astype(np.float64).reshape(rows, FINE, columns, FINE)
    return np.asarray(cut.mean(axis=(1, 3)))


def _shot(rng: np.random.Generator, clean: Floats) -> Picture:
    noisy = clean + NOISE_GREY * rng.standard_normal(clean.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
