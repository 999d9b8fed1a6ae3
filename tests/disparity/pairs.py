"""Small pairs with exact truth for the tests of the matcher.

A texture is a sum of plane waves, known in closed form at every place, so no pair here is
resampled: the left picture at ``x`` is the texture at ``x - d(x, y)``, the right picture is the
texture itself. Surfaces in front of each other are painted far to near, each with a texture of its
own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numba
import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from hazcam.disparity import CensusMatcher, DisparityMap, SearchBand, flat_band
from hazcam.frames import Floats
from hazcam.imagery import NoiseModel
from hazcam.rectification import RectifiedPair
from tests.benchmarks.matching.matchers import as_rectified

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

SHAPE = (120, 200)
MEAN_GREY = 110.0
two_cores = pytest.mark.skipif(numba.config.NUMBA_NUM_THREADS < 2,
                               reason="one core has no second thread")
# Rounding to whole grey levels is noise of this deviation (closed form: 1 / sqrt 12).
ROUNDING_GREY = 1 / np.sqrt(12)


@dataclass(frozen=True, eq=False)
class Waves:
    """Plane waves of random direction and phase, equal power in each octave, mean 0."""

    along: Floats
    across: Floats
    phase: Floats
    amplitude_grey: float

    def __call__(self, columns: ArrayLike, rows: ArrayLike) -> Floats:
        """Grey levels at places of any shape, broadcast."""
        x, y = np.broadcast_arrays(np.asarray(columns, np.float64), np.asarray(rows, np.float64))
        total = np.zeros(x.shape)
        for f, g, phase in zip(self.along, self.across, self.phase, strict=True):
            total += np.cos(2 * np.pi * (f * x + g * y) + phase)
        return np.asarray(self.amplitude_grey * total)

    def on_pixels(self, height: int, width: int) -> Floats:
        """The same at every pixel of a picture, faster: each wave is a product along the axes."""
        along = np.outer(2 * np.pi * self.along, np.arange(width))
        across = np.outer(2 * np.pi * self.across, np.arange(height)) + self.phase[:, None]
        return np.asarray(self.amplitude_grey * (np.cos(across).T @ np.cos(along)
                                                 - np.sin(across).T @ np.sin(along)))


def waves(
    seed: int, contrast_grey: float = 25.0, *, lowest: float = 0.01, highest: float = 0.2,
    count: int = 64
) -> Waves:
    """A texture of a standard deviation, between two frequencies. [cycles/px]"""
    rng = np.random.default_rng(seed)
    frequency = np.exp(rng.uniform(np.log(lowest), np.log(highest), count))
    angle, phase = rng.uniform(0, 2 * np.pi, (2, count))
    return Waves(frequency * np.cos(angle), frequency * np.sin(angle), phase,
                 contrast_grey * np.sqrt(2 / count))


@dataclass(frozen=True, kw_only=True, eq=False)
class Pair:
    """Left and right picture without noise [grey levels] and true disparity [px], (H, W)."""

    left: Floats
    right: Floats
    truth_px: Floats

    def noisy(self, noise_grey: float, seed: int = 0, step_grey: float = 1.0) -> Pair:
        """With noise on both, rounded to steps of the file."""
        rng = np.random.default_rng(seed)
        left, right = (
            np.rint((p + noise_grey * rng.standard_normal(p.shape)) / step_grey) * step_grey
            for p in (self.left, self.right))
        return replace(self, left=left, right=right)


def grid(height: int, width: int) -> tuple[Floats, Floats]:
    """Column and row of each pixel."""
    rows, columns = np.indices((height, width), dtype=np.float64)
    return columns, rows


def surface(disparity_px: ArrayLike, texture: Waves) -> Pair:
    """One surface that hides nothing; of shape SHAPE where the disparity is one number."""
    truth = np.asarray(disparity_px, np.float64)
    truth = np.broadcast_to(truth, truth.shape or SHAPE)
    columns, rows = grid(truth.shape[0], truth.shape[1])
    return Pair(left=MEAN_GREY + texture(columns - truth, rows),
                right=MEAN_GREY + texture.on_pixels(*truth.shape), truth_px=truth)


@dataclass(frozen=True, kw_only=True)
class Patch:
    """A rectangle of the left picture that stands upright in front of what was painted before."""

    rows: tuple[int, int]
    columns: tuple[int, int]
    disparity_px: float
    seed: int = 99
    contrast_grey: float = 25.0

    def covers(self, columns: Floats, rows: Floats) -> Mask:
        """Is it seen at these places of the left picture?"""
        return np.asarray((columns >= self.columns[0]) & (columns < self.columns[1])
                          & (rows >= self.rows[0]) & (rows < self.rows[1]))


def with_patches(ground: Pair, patches: Sequence[Patch]) -> Pair:
    """The ground with patches, from the farthest to the nearest."""
    left, right, truth = ground.left.copy(), ground.right.copy(), ground.truth_px.copy()
    columns, rows = grid(*left.shape)
    for patch in sorted(patches, key=lambda p: p.disparity_px):
        texture = waves(patch.seed, patch.contrast_grey)
        mine, other = (patch.covers(columns + shift, rows) for shift in (0, patch.disparity_px))
        left[mine] = MEAN_GREY + texture(columns[mine] - patch.disparity_px, rows[mine])
        right[other] = MEAN_GREY + texture(columns[other], rows[other])
        truth[mine] = patch.disparity_px
    return Pair(left=left, right=right, truth_px=truth)


def rectified(left: NDArray[Any], right: NDArray[Any]) -> RectifiedPair:
    """Two pictures [grey levels] as a rectified pair, every pixel usable."""
    frame = np.zeros(left.shape, np.uint8)
    return replace(as_rectified(frame, frame), left=left.astype(np.float32),
                   right=right.astype(np.float32))


def total_noise(noise_grey: float) -> float:
    """Of a pixel rounded to whole grey levels. [grey levels]"""
    return float(np.hypot(noise_grey, ROUNDING_GREY))


def match(
    pair: Pair, high_px: float, noise_grey: float, *, low_px: float = 0.0
) -> DisparityMap:
    """Match over one range, no ground expected; noise as stated, rounding included."""
    both = rectified(pair.left, pair.right)
    return match_in(both, flat_band(both.camera, low_px, high_px), noise_grey)


def match_in(both: RectifiedPair, band: SearchBand, noise_grey: float) -> DisparityMap:
    """Match over a band."""
    return CensusMatcher().match(both, band, NoiseModel(read_grey=noise_grey))


def error_px(found: DisparityMap, pair: Pair) -> Floats:
    """Error of each pixel; NaN where blank. [px]"""
    return np.asarray(found.disparity_px - pair.truth_px)


def in_both(pair: Pair, rim_px: int = 6) -> Mask:
    """Pixels whose match lies inside the right picture, away from the rim by so much."""
    columns, rows = grid(*pair.left.shape)
    height, width = pair.left.shape
    there = columns - pair.truth_px
    return np.asarray((there >= rim_px) & (there < width - rim_px) & (columns >= rim_px)
                      & (columns < width - rim_px) & (rows >= rim_px) & (rows < height - rim_px))
