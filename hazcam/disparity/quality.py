"""Why a pixel is blank, and how sure a matched one is."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.disparity.band import SearchBand
from hazcam.disparity.record import Blank
from hazcam.disparity.warp import warp_right
from hazcam.imagery.intake import PixelState
from hazcam.rectification import RectifiedPair

Map = NDArray[np.float32]

WINDOW_PX = 7
# Mean squared gradient over the window, as a multiple of what noise alone gives: below it the
# picture holds nothing to match. The squares of one window have some 25 degrees of freedom, so
# noise alone exceeds 4 once in 10^8 windows.
MIN_TEXTURE = 4.0
# The same over the pixel's own three rows, where noise alone passes now and then: it keeps the
# rim of a smooth patch from borrowing its neighbour's texture (sky above the horizon).
MIN_OWN_TEXTURE = 2.0
_OWN_ROWS = 3

# sigma^2 = FLOOR^2 + (NOISE_GAIN * noise / gradient)^2 + (ROUGHNESS_GAIN * local scatter)^2.
# Chosen by hand and checked on the rendered tune scenes (hazcam rehearse); larger
# gains were tried and given up, since the public pair's bound in tests/published failed with them.
FLOOR_PX = 0.20
NOISE_GAIN = 1.25
ROUGHNESS_GAIN = 1.0
# A raw disparity that the smoothing threw out altogether says no more than this.
_MAX_SCATTER_PX = 2.0


def squared_gradient(grey: Map, rows: int = WINDOW_PX) -> Map:
    """Mean squared horizontal gradient over the window, shape (H, W). [grey²/px²]"""
    gradient = cv2.filter2D(grey, cv2.CV_32F, np.array([[-0.5, 0.0, 0.5]], np.float32))
    return np.asarray(cv2.boxFilter(gradient * gradient, -1, (WINDOW_PX, rows)))


def _is_textureless(grey: Map, noise_grey: float) -> NDArray[np.bool_]:
    """Is there nothing to match but noise?"""
    # The derivative (-1/2, 0, 1/2) of white noise has half its variance.
    noise = noise_grey**2 / 2
    return np.asarray((squared_gradient(grey) < MIN_TEXTURE * noise)
                      | (squared_gradient(grey, _OWN_ROWS) < MIN_OWN_TEXTURE * noise))


def blank_reasons(
    rectified: RectifiedPair, band: SearchBand, disparity_px: Map, noise_grey: float,
    *, edge_px: int,
) -> NDArray[np.uint8]:
    """``Blank`` of each pixel, the most basic reason first.

    A pixel with a disparity is blanked all the same where the picture holds nothing that could
    have been matched: a smooth matcher is confidently wrong there.

    Parameters
    ----------
    disparity_px : ndarray of shape (H, W), float32
        What the matcher found; NaN is put down to disagreement of left and right.
    noise_grey : float
        One standard deviation of the picture noise. [grey levels]
    edge_px : int
        Width of the rim that the matching window needs. [px]
    """
    match_px = np.where(np.isfinite(disparity_px), disparity_px, band.expected_px)
    match_px = match_px.astype(np.float32)
    states = (rectified.state_left,
              warp_right(rectified.state_right, match_px, cv2.INTER_NEAREST))
    blank = np.where(np.isfinite(disparity_px), Blank.MATCHED, Blank.DISAGREE).astype(np.uint8)
    blank[_is_textureless(rectified.left, noise_grey)] = Blank.NO_TEXTURE
    for bad, reason in ((PixelState.DARK, Blank.DARK), (PixelState.SATURATED, Blank.SATURATED),
                        (PixelState.LOST, Blank.LOST)):
        for state in states:
            blank[state == bad] = reason
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
        cv2.erode(valid.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)
        for valid in (rectified.view.valid_left, rectified.view.valid_right)
    )
    seen = inner_left > 0
    for target_px in (match_px, band.expected_px):
        seen &= warp_right(inner_right, target_px, cv2.INTER_NEAREST) > 0
    return np.asarray(seen)


def sigma_model(grey: Map, scatter_px: Map, noise_grey: float) -> Map:
    """One standard deviation of each disparity. [px]

    Three parts: a floor (the matcher's own steps), picture noise against texture (the first
    term of the Cramer-Rao bound over the window), and the scatter of the raw disparities about
    the smoothed ones, which grows on rough ground and where the match is doubtful.

    Parameters
    ----------
    grey : ndarray of shape (H, W), float32
        Left picture. [grey levels]
    scatter_px : ndarray of shape (H, W), float32
        Raw less smoothed disparity, NaN where there is no match. [px]
    noise_grey : float
        One standard deviation of the picture noise. [grey levels]

    Returns
    -------
    ndarray of shape (H, W), float32
        NaN where ``scatter_px`` is NaN.
    """
    energy = np.maximum(squared_gradient(grey) * WINDOW_PX**2, 1e-6)
    noise = NOISE_GAIN**2 * 2 * noise_grey**2 / energy
    rough = ROUGHNESS_GAIN**2 * _mean_square(scatter_px)
    sigma = np.sqrt(FLOOR_PX**2 + noise + rough)
    return np.where(np.isfinite(scatter_px), sigma, np.nan).astype(np.float32)


def _mean_square(values: Map) -> Map:
    """Mean square over the window of the values that are known, shape (H, W)."""
    known = np.isfinite(values)
    square = np.where(known, np.clip(values, -_MAX_SCATTER_PX, _MAX_SCATTER_PX), 0) ** 2
    size = (WINDOW_PX, WINDOW_PX)
    count = np.maximum(cv2.boxFilter(known.astype(np.float32), -1, size, normalize=False), 1)
    return np.asarray(cv2.boxFilter(square, -1, size, normalize=False) / count)
