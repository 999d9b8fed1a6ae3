"""Why a pixel is blank."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.disparity.band import SearchBand
from hazcam.disparity.record import Blank
from hazcam.disparity.warp import warp_right
from hazcam.imagery.intake import PixelState
from hazcam.imagery.noise import NoiseModel
from hazcam.rectification import RectifiedPair

Map = NDArray[np.float32]

# Side of the window of the local mean.
_MEAN_PX = 7
# Neighbours of one patch differ by no more than a pixel, told in sixteenths.
_SPECKLE_STEPS = 16
_MOST_STEPS = 32_000


def gradient_variance(grey: Map, rows: int, columns: int) -> Map:
    """Variance of the horizontal gradient over a window, shape (H, W). [grey²/px²]

    The mean is taken out: an even ramp of brightness, like the sky's, has no place.
    """
    gradient = cv2.filter2D(grey, cv2.CV_32F, np.array([[-0.5, 0.0, 0.5]], np.float32))
    mean, square = (cv2.boxFilter(values, -1, (columns, rows))
                    for values in (gradient, gradient * gradient))
    return np.asarray(np.maximum(square - mean * mean, 0))


def noise_variance(grey: Map, noise: NoiseModel) -> Map:
    """Variance of the noise at the local mean of a picture, shape (H, W). [grey²]"""
    mean = cv2.boxFilter(grey, cv2.CV_32F, (_MEAN_PX, _MEAN_PX))
    return np.asarray(noise.variance_grey2(mean), dtype=np.float32)


def texture_over_noise(grey: Map, variance: Map, rows: int, columns: int) -> Map:
    """Variance of the gradient over a window, as a multiple of what noise alone gives, (H, W).

    ``variance`` is that of the noise at each pixel, (H, W). [grey²]
    """
    # The derivative (-1/2, 0, 1/2) of white noise has half its variance.
    noise_only = np.maximum(variance, np.float32(2e-6)) / np.float32(2)
    return np.asarray(gradient_variance(grey, rows, columns) / noise_only)


def blank_reasons(
    rectified: RectifiedPair, band: SearchBand, disparity_px: Map, reason: NDArray[np.uint8],
    *, edge_px: int,
) -> NDArray[np.uint8]:
    """``Blank`` of each pixel, the most basic reason first.

    A pixel with a disparity is blanked all the same where a picture holds nothing that could have
    been matched.

    Parameters
    ----------
    disparity_px : ndarray of shape (H, W), float32
        What the matcher found; NaN where it found nothing. [px]
    reason : ndarray of shape (H, W), uint8
        ``Blank`` of each pixel as the matcher has it.
    edge_px : int
        Width of the rim of what a lens saw that the matching window needs. [px]
    """
    match_px = np.where(np.isfinite(disparity_px), disparity_px, band.expected_px)
    match_px = match_px.astype(np.float32)
    states = (rectified.state_left,
              warp_right(rectified.state_right, match_px, cv2.INTER_NEAREST))
    blank = reason.copy()
    for bad, because in ((PixelState.DARK, Blank.DARK), (PixelState.SATURATED, Blank.SATURATED),
                         (PixelState.LOST, Blank.LOST)):
        for state in states:
            blank[state == bad] = because
    blank[~_in_both(rectified, band, match_px, edge_px)] = Blank.EDGE
    return blank


def _in_both(
    rectified: RectifiedPair, band: SearchBand, match_px: Map, edge_px: int
) -> NDArray[np.bool_]:
    """Pixels seen by the left lens whose match and expected ground the right lens saw too.

    Where the right lens does not see the ground, it sees nothing that stands on it either: what
    was matched there is something else.
    """
    kernel = np.ones((2 * edge_px + 1, 2 * edge_px + 1), np.uint8)
    inner_left, inner_right = (
        cv2.erode(valid.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=1)
        for valid in (rectified.view.valid_left, rectified.view.valid_right)
    )
    seen = inner_left > 0
    for target_px in (match_px, band.expected_px):
        seen &= warp_right(inner_right, target_px, cv2.INTER_NEAREST) > 0
    return np.asarray(seen)


def isolated(
    residual_px: Map, matched: NDArray[np.bool_], speckle_px: int
) -> NDArray[np.bool_]:
    """Patches of ``speckle_px`` matched pixels of like disparity, or fewer, shape (H, W)."""
    none = int(np.iinfo(np.int16).min)
    steps = np.clip(np.rint(np.nan_to_num(residual_px) * _SPECKLE_STEPS), -_MOST_STEPS, _MOST_STEPS)
    coded = np.where(matched, steps, none).astype(np.int16)
    cv2.filterSpeckles(coded, none, speckle_px, _SPECKLE_STEPS)
    return np.asarray(matched & (coded == none))
