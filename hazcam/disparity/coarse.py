"""A first look at a small copy of the pair: difference of exposure, plane of the ground.

Census costs do not know exposure, so the first look needs none. What it finds serves the search
at full size: grey levels of the right picture on the scale of the left one, and a plane to warp
by where no ground is expected.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.disparity.band import SearchBand
from hazcam.frames import Floats

Map = NDArray[np.float32]

# Width of the small copy and its least height; the fewest and the most matches that are asked.
_COARSE_WIDTH_PX, _LEAST_HEIGHT_PX = 160, 16
_LEAST_MATCHES = 300
_MOST_MATCHES = 3000
_ROUNDS = 8
# Residuals beyond this many robust standard deviations have no say.
_REACH = 2.5
# The plane stands for the ground where this share of the matches lies on it, within a pixel of
# the small copy.
_PLANE_SHARE = 0.6


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """``left = gain * right + offset``, in grey levels."""

    gain: float = 1.0
    offset_grey: float = 0.0

    def on_left(self, right: Map) -> Map:
        """Right picture on the scale of the left one."""
        return np.asarray(right * np.float32(self.gain) + np.float32(self.offset_grey))


@dataclass(frozen=True, kw_only=True, eq=False)
class FirstLook:
    """What the small copy shows.

    Attributes
    ----------
    exposure : Exposure
        No difference where too little matched.
    plane : tuple of float or None
        ``(c, a, b)``: disparity ``c + a column + b row`` of the picture itself [px]; None where
        a ground is expected, or no plane holds most of the matches.
    """

    exposure: Exposure
    plane: tuple[float, float, float] | None


def look(
    left: Map, right: Map, band: SearchBand, match: Callable[[Map, Map, SearchBand], Map]
) -> FirstLook:
    """Match small copies with ``match`` (disparity, NaN for none) and say what they show."""
    factor = max(1, min(left.shape[1] // _COARSE_WIDTH_PX, left.shape[0] // _LEAST_HEIGHT_PX))
    small = shrunk_band(band, factor)
    left, right = shrunk(left, factor), shrunk(right, factor)
    disparity = match(left, right, small)
    rows, columns = np.nonzero(np.isfinite(disparity))
    every = max(1, rows.size // _MOST_MATCHES)
    rows, columns = rows[::every], columns[::every]
    if rows.size < _LEAST_MATCHES:
        return FirstLook(exposure=Exposure(), plane=None)
    found = disparity[rows, columns].astype(np.float64)
    there = np.clip(np.rint(columns - found), 0, left.shape[1] - 1).astype(np.intp)
    exposure = _fit_exposure(left[rows, columns], right[rows, there])
    plane = _fit_plane(columns, rows, found) if band.is_flat else None
    if plane is not None:
        c, a, b = plane
        # pixel i of the small copy is the middle of pixels factor * i ... factor * (i + 1) - 1
        middle = (factor - 1) / 2
        plane = (factor * c - (a + b) * middle, a, b)
    return FirstLook(exposure=exposure, plane=plane)


def about_plane(band: SearchBand, plane: tuple[float, float, float]) -> SearchBand:
    """The same band about another expected surface, kept inside it."""
    c, a, b = plane
    rows, columns = np.ogrid[0 : band.low_px.shape[0], 0 : band.low_px.shape[1]]
    expected = (c + a * columns + b * rows).astype(np.float32)
    return replace(band, expected_px=np.clip(expected, band.low_px, band.high_px))


def shrunk(picture: Map, factor: int) -> Map:
    """Means over ``factor`` by ``factor`` pixels; left-over rows and columns are dropped."""
    height, width = (n // factor * factor for n in picture.shape)
    return np.asarray(cv2.resize(picture[:height, :width], (width // factor, height // factor),
                                 interpolation=cv2.INTER_AREA), dtype=np.float32)


def shrunk_band(band: SearchBand, factor: int) -> SearchBand:
    """The band of the small copy, half a pixel wider for the mean over each block."""
    low, expected, high = (shrunk(values, factor) / np.float32(factor)
                           for values in (band.low_px, band.expected_px, band.high_px))
    return SearchBand(expected_px=expected, low_px=low - np.float32(0.5),
                      high_px=high + np.float32(0.5))


def _kept(residual: Floats) -> NDArray[np.bool_]:
    """Residuals within reach of a robust spread, no narrower than a small number."""
    spread = 1.4826 * float(np.median(np.abs(residual)))
    return np.asarray(np.abs(residual) <= _REACH * max(spread, 1e-3))


def _trimmed(design: Floats, values: Floats) -> Floats:
    """Least squares, without what lies far off, again and again."""
    kept = np.ones(values.size, dtype=bool)
    found: Floats = np.zeros(design.shape[1])
    for _ in range(_ROUNDS):
        found = np.asarray(np.linalg.lstsq(design[kept], values[kept], rcond=None)[0], np.float64)
        kept = _kept(values - design @ found)
    return found


def _fit_exposure(left: Map, right: Map) -> Exposure:
    """By the ratio of the spreads: least squares would take the noise of one side for a gain."""
    first, second = left.astype(np.float64), right.astype(np.float64)
    kept = np.ones(first.size, dtype=bool)
    gain, offset = 1.0, 0.0
    for _ in range(_ROUNDS):
        spread = float(second[kept].std())
        gain = float(first[kept].std()) / spread if spread > 0 else 1.0
        offset = float(first[kept].mean() - gain * second[kept].mean())
        kept = _kept(first - gain * second - offset)
    return Exposure(gain=gain, offset_grey=offset) if gain > 0 else Exposure()


def _fit_plane(
    columns: NDArray[np.intp], rows: NDArray[np.intp], found: Floats
) -> tuple[float, float, float] | None:
    design = np.column_stack([np.ones(found.size), columns, rows])
    c, a, b = (float(v) for v in _trimmed(design, found))
    off = np.abs(found - design @ np.array([c, a, b]))
    return (c, a, b) if np.mean(off < 1) >= _PLANE_SHARE else None
