"""Least-squares refinement of whole-pixel disparities on the grey levels.

Each step smooths the disparities within their surfaces, resamples the right picture by them, so
that slanted and curved surfaces are met pixel by pixel, and solves for one further shift over a
window: ``left(x) - right(x - d) = g * shift + offset``. The offset of the window takes out a
difference of exposure; its scale hardly matters.

References
----------
B. Lucas and T. Kanade, "An iterative image registration technique with an application to stereo
vision," IJCAI 1981, for the step. R. Keys, "Cubic convolution interpolation for digital image
processing," IEEE TASSP 29(6):1153-1160, 1981, for the resampling.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numba
import numpy as np
from numba import prange
from numpy.typing import NDArray

Array = NDArray[Any]
Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

WINDOW_PX = 9
# Half the side of the smoothing window, and how far a neighbour on the same surface may differ.
_SMOOTH_HALF_PX, _SMOOTH_STEP_PX = 3, 1.0
_STEPS = 2
# Longest shift of one step against the smoothed surface, and of all steps against the start: beyond
# it the start was no match. What both steps end at their longest has not come to rest; it stays,
# and the roughness of its neighbourhood carries it.
_MAX_STEP_PX = 0.5
_MAX_SHIFT_PX = 1.0
# Columns at the rim of the right picture that cubic interpolation needs.
_RIM_LEFT, _RIM_RIGHT = 1, 2
# Stands for "no match" in the compiled loops, which have no NaN.
NO_MATCH = np.float32(-1e6)
# Maps of one linearisation, in this order.
_KNOWN, _GRADIENT, _DIFFERENCE, _GRADIENT2, _CROSS, _DIFFERENCE2 = range(6)
_FAST = {"contract", "reassoc", "nsz", "arcp"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Refined:
    """What the refinement leaves; all ndarrays of shape (H, W), float32.

    Attributes
    ----------
    disparity_px : ndarray
        NaN where there was none, or where it moved too far. [px]
    residual_grey2 : ndarray
        Mean squared residual of the window, by its degrees of freedom. [grey²]
    energy_grey2 : ndarray
        Sum of the squared horizontal gradient over the window, its mean taken out. [grey²/px²]
    """

    disparity_px: Map
    residual_grey2: Map
    energy_grey2: Map


@numba.njit(cache=True, boundscheck=False, error_model="numpy", fastmath=_FAST)
def _add_pairs(
    centre: Array, first: Array, second: Array, total: Array, count: Array, width: int,
    step: np.float32
) -> None:
    """Add two opposite neighbours where both lie on the surface of the centre."""
    for x in range(width):
        a, b, c = first[x], second[x], centre[x]
        near = max(abs(a - c), abs(b - c)) < step
        total[x] += (a + b) if near else np.float32(0)
        count[x] += np.float32(2) if near else np.float32(0)


@numba.njit(parallel=True, cache=True, boundscheck=False, error_model="numpy")
def _smooth(padded: Array, half: int, step: np.float32, smooth: Array) -> None:
    height, width = smooth.shape
    for y in prange(height):
        centre = padded[y + half, half : half + width]
        total = centre.copy()
        count = np.ones(width, np.float32)
        for v in range(half + 1):
            for u in range(-half, half + 1):
                if v > 0 or u > 0:
                    _add_pairs(centre, padded[y + half + v, half + u : half + u + width],
                               padded[y + half - v, half - u : half - u + width],
                               total, count, width, step)
        for x in range(width):
            smooth[y, x] = total[x] / count[x]


def smooth_on_surface(disparity: Map, half: int, step_px: float) -> Map:
    """Mean over pairs of opposite neighbours that lie on the pixel's own surface, (H, W).

    Pairs keep a slanted surface where it is. ``NO_MATCH`` in, ``NO_MATCH`` out.
    """
    padded = cv2.copyMakeBorder(disparity, half, half, half, half, cv2.BORDER_CONSTANT,
                                value=float(NO_MATCH))
    smooth = np.empty_like(disparity)
    _smooth(padded, half, np.float32(step_px), smooth)
    return smooth


@numba.njit(parallel=True, cache=True, boundscheck=False, error_model="numpy", fastmath=_FAST)
def _linearise(
    left: Array, right: Array, gradient: Array, usable_left: Array, usable_right: Array,
    disparity: Array, maps: Array
) -> None:
    height, width = left.shape
    half, two = np.float32(0.5), np.float32(2)
    for y in prange(height):
        row = right[y]
        for x in range(width):
            place = np.float32(x) - disparity[y, x]
            inside = (place >= _RIM_LEFT) & (place < width - 1 - _RIM_RIGHT) & usable_left[y, x]
            place = place if inside else np.float32(_RIM_LEFT)
            i = np.int32(place)
            t = place - np.float32(i)
            j = np.uint32(i)
            known = inside & usable_right[y, j] & usable_right[y, j + np.uint32(1)]
            p0, p1 = row[j - np.uint32(1)], row[j]
            p2, p3 = row[j + np.uint32(1)], row[j + np.uint32(2)]
            a = half * (p2 - p0)
            b = p0 - np.float32(2.5) * p1 + two * p2 - half * p3
            c = half * (p3 - p0) + np.float32(1.5) * (p1 - p2)
            value = p1 + t * (a + t * (b + t * c))
            slope = a + t * (two * b + np.float32(3) * c * t)
            one = np.float32(1) if known else np.float32(0)
            e = (left[y, x] - value) * one
            g = half * (slope + gradient[y, x]) * one
            maps[_KNOWN, y, x], maps[_GRADIENT, y, x], maps[_DIFFERENCE, y, x] = one, g, e
            maps[_GRADIENT2, y, x], maps[_CROSS, y, x] = g * g, g * e
            maps[_DIFFERENCE2, y, x] = e * e


@numba.njit(cache=True, boundscheck=False, fastmath=_FAST)
def _add_row(total: Array, values: Array, width: int) -> None:
    for x in range(width):
        total[x] += values[x]


@numba.njit(cache=True, boundscheck=False, fastmath=_FAST)
def _window_sums(values: Array, y: int, half: int, rows_sum: Array, sums: Array) -> None:
    """Sum of the window about each pixel of row y; nothing outside the picture."""
    height, width = values.shape
    rows_sum[:] = 0
    inner = rows_sum[half : half + width]
    for v in range(max(y - half, 0), min(y + half + 1, height)):
        _add_row(inner, values[v], width)
    sums[:] = 0
    for u in range(2 * half + 1):
        _add_row(sums, rows_sum[u : u + width], width)


@numba.njit(parallel=True, cache=True, boundscheck=False, error_model="numpy")
def scatter(
    off2: Array, known: Array, rough_half: int, missing_half: int, rough: Array, missing: Array
) -> None:
    """Root mean square over the known pixels of one window, share of unknown ones in another.

    Parameters
    ----------
    off2, known : ndarray of shape (H, W), float32
        Squares, 0 where they are not known; 1 where they are.
    rough_half, missing_half : int
        Half the sides of the windows. [px]
    rough, missing : ndarray of shape (H, W), float32
        Written to.
    """
    height, width = off2.shape
    whole = np.float32((2 * missing_half + 1) ** 2)
    for y in prange(height):
        wide = np.empty(width + 2 * max(rough_half, missing_half), np.float32)
        total, near, all_near = np.empty((3, width), np.float32)
        _window_sums(off2, y, rough_half, wide[: width + 2 * rough_half], total)
        _window_sums(known, y, rough_half, wide[: width + 2 * rough_half], near)
        _window_sums(known, y, missing_half, wide[: width + 2 * missing_half], all_near)
        for x in range(width):
            rough[y, x] = np.sqrt(total[x] / max(near[x], np.float32(1)))
            missing[y, x] = np.float32(1) - all_near[x] / whole


@numba.njit(parallel=True, cache=True, boundscheck=False, error_model="numpy", fastmath=_FAST)
def _solve(
    maps: Array, start: Array, half: int, longest: np.float32, shifted: Array, residual: Array,
    energy: Array
) -> None:
    """Shift of each window, its mean squared residual, its texture."""
    height, width = start.shape
    one = np.float32(1)
    for y in prange(height):
        rows_sum = np.empty(width + 2 * half, np.float32)
        sums = np.empty((6, width), np.float32)
        for i in range(6):
            _window_sums(maps[i], y, half, rows_sum, sums[i])
        for x in range(width):
            n = max(sums[_KNOWN, x], one)
            g, e = sums[_GRADIENT, x], sums[_DIFFERENCE, x]
            gg = max(sums[_GRADIENT2, x] - g * g / n, np.float32(1e-3))
            ge = sums[_CROSS, x] - g * e / n
            shift = min(max(-ge / gg, -longest), longest)
            shifted[y, x] = start[y, x] + shift
            ee = sums[_DIFFERENCE2, x] - e * e / n
            residual[y, x] = max(ee - ge * ge / gg, np.float32(0)) / max(n - 2, one)
            energy[y, x] = gg


def refine(
    left: Map, right: Map, usable: tuple[Mask, Mask], disparity_px: Map
) -> Refined:
    """Refine disparities to a fraction of a pixel.

    Parameters
    ----------
    left, right : ndarray of shape (H, W), float32
        Rectified pictures. [grey levels]
    usable : tuple of ndarray of shape (H, W), bool
        Pixels of the left and the right picture that may take part.
    disparity_px : ndarray of shape (H, W), float32
        Good to half a pixel or so; NaN where there is none. [px]
    """
    start = np.where(np.isfinite(disparity_px), disparity_px, NO_MATCH).astype(np.float32)
    gradient = cv2.filter2D(left, -1, np.array([[-0.5, 0.0, 0.5]], np.float32),
                            borderType=cv2.BORDER_REPLICATE)
    maps = np.empty((6, *left.shape), np.float32)
    residual, energy = np.empty((2, *left.shape), np.float32)
    shifted = start
    for _ in range(_STEPS):
        smooth = smooth_on_surface(shifted, _SMOOTH_HALF_PX, _SMOOTH_STEP_PX)
        _linearise(left, right, gradient, *usable, smooth, maps)
        shifted = np.empty_like(start)
        _solve(maps, smooth, WINDOW_PX // 2, np.float32(_MAX_STEP_PX), shifted, residual, energy)
        shifted[start == NO_MATCH] = NO_MATCH
    kept = (start != NO_MATCH) & (maps[_KNOWN] > 0) & (np.abs(shifted - start) <= _MAX_SHIFT_PX)
    none = np.float32(np.nan)
    return Refined(
        disparity_px=np.where(kept, shifted, none), residual_grey2=residual,
        energy_grey2=energy,
    )
