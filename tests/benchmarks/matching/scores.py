"""Which pixels count, and what is counted on them.

Definitions, the same for every matcher:

non-occluded
    Pixels of known truth that the right picture sees: each is thrown to the right picture, onto the
    two columns about its place; where another pixel lands there with more than ``HIDDEN_PX`` more
    disparity, it is hidden, and outside the picture it is not seen. On slopes beyond a third of a
    pixel a pixel this leaves out some pixels that are seen.
edge-safe
    Non-occluded pixels away from jumps of the truth and from unknown truth. Sub-pixel figures are
    taken there.
density, bad-t, tot1
    Matched share of the non-occluded pixels; share of the matched ones that are off by more than
    t pixels; share of all non-occluded ones that are off by more than 1 pixel or not matched.
offset, MAD
    Median error, and ``1.4826 median |error - offset|``, on matched edge-safe pixels.
within k sigma
    Of the inliers (matched edge-safe pixels with ``|error - offset| < INLIER_PX``) the share with
    ``|error - offset| < k sigma``.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats

Mask = NDArray[np.bool_]

HIDDEN_PX = 1.0
INLIER_PX = 1.0
# 1.4826 makes the median absolute deviation of a normal distribution its standard deviation.
MAD_SCALE = 1.4826
LOCKING_BINS = 20


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """What a matcher found: disparity [px], NaN where none; its sigma [px], or None. (H, W)."""

    disparity_px: NDArray[np.float32]
    sigma_px: NDArray[np.float32] | None = None


@dataclass(frozen=True, kw_only=True)
class Score:
    """Scores of one matcher on one scene; shares in percent, lengths in pixels."""

    density: float
    bad_half: float
    bad_1: float
    bad_2: float
    tot_1: float
    offset_px: float
    mad_px: float


def non_occluded(truth_px: Floats) -> Mask:
    """Pixels that the right picture sees too, shape (H, W).

    Parameters
    ----------
    truth_px : ndarray of shape (H, W)
        True disparity of the left picture, NaN where unknown. [px]
    """
    height, width = truth_px.shape
    rows, columns = np.nonzero(np.isfinite(truth_px))
    disparity = truth_px[rows, columns]
    landing = columns - disparity
    nearest = np.full((height, width), -np.inf)
    for column in (np.floor(landing).astype(int), np.ceil(landing).astype(int)):
        inside = (column >= 0) & (column < width)
        np.maximum.at(nearest, (rows[inside], column[inside]), disparity[inside])
    left = np.floor(landing).astype(int)
    inside = (landing >= 0) & (left < width - 1)
    beside = np.clip(left, 0, width - 2)
    front = np.maximum(nearest[rows, beside], nearest[rows, beside + 1])
    seen = inside & (disparity >= front - HIDDEN_PX)
    mask = np.zeros(truth_px.shape, dtype=bool)
    mask[rows[seen], columns[seen]] = True
    return mask


def away_from_edges(truth_px: Floats, jump_px: float = 1.0, reach_px: int = 2) -> Mask:
    """Pixels of known truth at least ``reach_px`` from a jump of more than ``jump_px``, (H, W).

    A jump is seen between the pixels of a 3 x 3 block; unknown truth counts as far away.
    """
    known = np.isfinite(truth_px)
    filled = np.where(known, truth_px, -1000.0).astype(np.float32)
    block = np.ones((3, 3), np.uint8)
    jump = (cv2.dilate(filled, block) - cv2.erode(filled, block)) > jump_px
    wide = np.ones((2 * reach_px - 1, 2 * reach_px - 1), np.uint8)
    return np.asarray(known & (cv2.dilate(jump.astype(np.uint8), wide) == 0))


def score(disparity_px: NDArray[np.floating], truth_px: Floats, seen: Mask, safe: Mask) -> Score:
    """Score disparities (H, W) against the truth.

    Parameters
    ----------
    seen, safe : ndarray of shape (H, W), bool
        Non-occluded and edge-safe pixels.
    """
    matched = np.isfinite(disparity_px)
    error = np.abs(disparity_px - truth_px)[seen & matched]
    count = max(int(seen.sum()), 1)
    bad = [_percent(error > limit) for limit in (0.5, 1.0, 2.0)]
    fine = (disparity_px - truth_px)[safe & matched]
    return Score(density=100.0 * error.size / count, bad_half=bad[0], bad_1=bad[1], bad_2=bad[2],
                 tot_1=100.0 * (1 - float((error <= 1).sum()) / count),
                 offset_px=median(fine), mad_px=mad(fine))


def median(values: NDArray[np.floating]) -> float:
    """Median; NaN of nothing."""
    return float(np.median(values)) if values.size else float("nan")


def mad(values: NDArray[np.floating]) -> float:
    """``MAD_SCALE`` times the median absolute deviation from the median; NaN of nothing."""
    return MAD_SCALE * median(np.abs(values - median(values)))


def _percent(mask: Mask) -> float:
    return 100.0 * float(mask.mean()) if mask.size else float("nan")


def within_sigmas(
    error_px: NDArray[np.floating], sigma_px: NDArray[np.floating]
) -> tuple[float, float, float]:
    """Percent of inliers within 1, 2 and 3 sigma of the median error; arrays (N,)."""
    off = np.abs(error_px - median(error_px))
    inlier = off < INLIER_PX
    one, two, three = (_percent(off[inlier] < k * sigma_px[inlier]) for k in (1, 2, 3))
    return one, two, three


def beyond_three_sigma(
    error_px: NDArray[np.floating], sigma_px: NDArray[np.floating], over_px: float = 0.0
) -> float:
    """Percent of the pixels off by more than ``over_px`` that are off by more than 3 sigma."""
    off = np.abs(error_px)
    return _percent((off > 3 * sigma_px)[off > over_px])


def pixel_locking(error_px: NDArray[np.floating], truth_px: NDArray[np.floating]) -> float:
    """Rms over bins of the fractional part of the truth of the mean error of inliers. [px]

    The median error is taken out first; ``LOCKING_BINS`` bins of equal width.
    """
    error = error_px - median(error_px)
    inlier = np.abs(error) < INLIER_PX
    part = np.mod(truth_px[inlier], 1.0)
    which = np.minimum((part * LOCKING_BINS).astype(int), LOCKING_BINS - 1)
    count = np.bincount(which, minlength=LOCKING_BINS)
    total = np.bincount(which, weights=error[inlier], minlength=LOCKING_BINS)
    means = total[count > 0] / count[count > 0]
    return float(np.sqrt(np.mean(means**2))) if means.size else float("nan")
