"""How sure a refined disparity is: a variance of four terms, with gains fitted on rendered scenes.

``sigma² = Σ (gain_i * term_i)²``. The terms, all in pixels:

noise
    Residual grey levels of the window against its texture, no less than the pictures' noise: the
    Cramer-Rao bound of a shift over that window.
rough
    Scatter of the disparities about their smoothed surface: rough ground, slants that the window
    cannot follow, doubtful matches.
missing
    Share of the neighbours without a match: beside a gap a surface is known from one side only.
edge
    Jump of the disparity nearby: beside a depth edge a window sees two surfaces.
``python -m tests.benchmarks.sigma_fit SET`` fits the gains by the likelihood of the errors of one
half of a rendered set, and reports on the other half and on public pairs.
"""

from __future__ import annotations

from typing import Any

import cv2
import numba
import numpy as np
from numba import prange
from numpy.typing import NDArray

from hazcam.disparity.subpixel import NO_MATCH, Refined, scatter, smooth_on_surface

Array = NDArray[Any]
Map = NDArray[np.float32]

TERMS = ("noise", "rough", "missing", "edge")
# From sigma_fit on the even scenes of 27 tune scenes (block tune, 3 of each mixture).
GAINS: dict[str, float] = {"noise": 0.75, "rough": 2.09, "missing": 1.21, "edge": 0.025}
# What none of the terms holds (aliasing, what is left of the misalignment): from the study of
# public pairs, not fitted.
FLOOR_PX = 0.08

_ROUGH_WINDOW_PX, _MISSING_WINDOW_PX, _EDGE_WINDOW_PX = 5, 7, 9
_ROUGH_HALF_PX, _ROUGH_STEP_PX = 3, 2.0
# Undulation of the ground within the window is no edge; beyond a larger jump nothing gets worse.
_LEAST_JUMP_PX, _MOST_JUMP_PX = 2.0, 6.0
_FAR_PX = np.float32(1e6)


@numba.njit(parallel=True, cache=True, boundscheck=False, error_model="numpy")
def _combine(terms: Array, gains: Array, floor: np.float32, sigma: Array) -> None:
    for y in prange(sigma.shape[0]):
        for x in range(sigma.shape[1]):
            variance = floor * floor
            for i in range(gains.size):
                part = gains[i] * terms[i, y, x]
                variance += part * part
            sigma[y, x] = np.sqrt(variance)


def sigma_terms(
    refined: Refined, residual_px: Map, noise_variance: Map, alike: float
) -> Map:
    """Terms of the variance in the order of ``TERMS``, shape (4, H, W). [px]

    Of meaning only where there is a match.

    Parameters
    ----------
    refined : Refined
        The disparities and their windows.
    residual_px : ndarray of shape (H, W), float32
        Refined less expected disparity: the ground has no slope in it. [px] NaN without a match.
    noise_variance : ndarray of shape (H, W), float32
        Of the difference of the two pictures. [grey²]
    alike : float
        How many neighbouring pixels hold the same noise: 1, or more where they were smoothed.
    """
    disparity = refined.disparity_px
    terms = np.empty((len(TERMS), *disparity.shape), np.float32)
    noise, rough, missing, edge = terms
    known = np.isfinite(disparity)
    coded = np.where(known, disparity, NO_MATCH)
    off = coded - smooth_on_surface(coded, _ROUGH_HALF_PX, _ROUGH_STEP_PX)
    scatter(off * off, known.astype(np.float32), _ROUGH_WINDOW_PX // 2, _MISSING_WINDOW_PX // 2,
             rough, missing)
    residual = np.maximum(refined.residual_grey2, noise_variance)
    np.sqrt(np.float32(alike) * residual / refined.energy_grey2, out=noise)
    kernel = np.ones((_EDGE_WINDOW_PX, _EDGE_WINDOW_PX), np.uint8)
    jump = (cv2.dilate(np.where(known, residual_px, -_FAR_PX), kernel)
            - cv2.erode(np.where(known, residual_px, _FAR_PX), kernel))
    np.clip(jump - _LEAST_JUMP_PX, 0, _MOST_JUMP_PX, out=edge)
    return terms


def sigma_px(terms: Map) -> Map:
    """One standard deviation of each disparity, (H, W); of meaning only where there is one. [px]"""
    gains = np.array([GAINS[name] for name in TERMS], dtype=np.float32)
    sigma = np.empty(terms.shape[1:], np.float32)
    _combine(terms, gains, np.float32(FLOOR_PX), sigma)
    return sigma
