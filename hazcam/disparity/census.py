"""The matcher: census cost, semi-global paths, least squares on the grey levels.

The whole-pixel search runs on the pair warped by the expected ground, each pixel over the range
that the band allows there; the refinement runs on the pictures as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from threading import Lock

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.disparity.band import SearchBand
from hazcam.disparity.blanks import (
    blank_reasons,
    isolated,
    noise_variance,
    texture_over_noise,
)
from hazcam.disparity.coarse import about_plane, look
from hazcam.disparity.record import Blank, DisparityMap
from hazcam.disparity.search import MARGIN, search
from hazcam.disparity.semiglobal import CENSUS_COLUMNS, CENSUS_ROWS
from hazcam.disparity.sigma import sigma_px, sigma_terms
from hazcam.disparity.subpixel import WINDOW_PX, refine
from hazcam.imagery.intake import PixelState
from hazcam.imagery.noise import NoiseModel
from hazcam.rectification import RectifiedPair

Map = NDArray[np.float32]

# Without OpenMP numba's threads may be asked by one thread of Python at a time only.
_ONE_AT_A_TIME = Lock()
# Patches of matches with no more pixels are dropped.
_SPECKLE_PX = 100
_EDGE_PX = CENSUS_COLUMNS // 2
# In a smaller picture every window leaves it.
_LEAST_SIDE_PX = 16
# A match that is worse known than this says less than its neighbours do.
MAX_SIGMA_PX = 1.0
# Where the gradient varies over a window by no more than this multiple of what noise alone gives
# (its squares have some 100 degrees of freedom: noise alone reaches 1.5 once in 10^5 windows),
# noise would be matched to noise.
_NOISE_TEXTURE, _TEXTURE_WINDOW_PX = 1.5, 15
# Pictures whose texture is mostly below this multiple of what noise alone gives are smoothed by a
# Gaussian of so many pixels: the census compares signal again, and the right picture's noise is no
# longer weakest where it is interpolated half-way, which would draw disparities to half pixels.
_NOISY_TEXTURE, _NOISE_BLUR_PX = 2.5, 0.8
# Medians over a picture are taken from every so-manyeth row and column.
_SAMPLE_PX = 3
# The noise is told from the smoothest tenth of the matches, where enough of the picture matches.
# Noise matched to noise differs by less than two noises too, by 0.6 to 0.8 of their variance: only
# a smaller share is told from that.
_SMOOTHEST_PERCENT, _LEAST_MATCHED = 10.0, 0.2
_LEAST_NOISE_SHARE, _MOST_NOISE_SHARE = 0.05, 0.5
# What a pixel without texture is called all the same.
_WEAKER_THAN_NO_TEXTURE = (Blank.MATCHED, Blank.UNCERTAIN, Blank.DISAGREE, Blank.AMBIGUOUS,
                           Blank.ISOLATED, Blank.OUT_OF_RANGE)


@dataclass(frozen=True, kw_only=True, eq=False)
class Measured:
    """What was measured, before it is judged.

    Attributes
    ----------
    disparity_px, residual_px : ndarray of shape (H, W), float32
        Refined, and less the disparity of the surface that was expected; NaN where there is no
        match. [px]
    terms : ndarray of shape (4, H, W), float32
        Of the variance, see ``sigma.py``. [px]
    texture : ndarray of shape (H, W), float32
        Variance of the gradient about each pixel, as a multiple of what noise alone gives.
    reason : ndarray of shape (H, W), uint8
        ``Blank`` of each pixel.
    """

    disparity_px: Map
    residual_px: Map
    terms: Map
    texture: Map
    reason: NDArray[np.uint8]


def measure(rectified: RectifiedPair, band: SearchBand, noise: NoiseModel) -> Measured:
    """Search, refine, and what a sigma is made of."""
    left = rectified.left
    variance = noise_variance(left, noise)
    texture = texture_over_noise(left, variance, _TEXTURE_WINDOW_PX, _TEXTURE_WINDOW_PX)
    usable = (rectified.state_left == PixelState.USABLE,
              rectified.state_right == PixelState.USABLE)
    blur_px = _NOISE_BLUR_PX if _is_noisy(texture, usable[0]) else 0.0
    left, right = _blurred(left, blur_px), _blurred(rectified.right, blur_px)
    first = look(left, right, band, _match_census)
    right = first.exposure.on_left(right)
    about = band
    if band.is_flat and first.plane is not None:
        about = about_plane(band, first.plane)
    found = search(left, right, about)
    reason = found.reason.copy()
    reason[isolated(found.residual_px, reason == Blank.MATCHED, _SPECKLE_PX)] = Blank.ISOLATED
    searched = np.where(reason == Blank.MATCHED, found.disparity_px, np.float32(np.nan))
    refined = refine(left, right, usable, searched)
    reason[(reason == Blank.MATCHED) & np.isnan(refined.disparity_px)] = Blank.DISAGREE
    blank = blank_reasons(rectified, band, searched, reason, edge_px=_EDGE_PX)
    variance += np.float32(first.exposure.gain**2) * noise_variance(rectified.right, noise)
    # Smoothing leaves a share of the variance, and makes as many neighbours say the same.
    alike = max(1.0, 4 * np.pi * blur_px**2)
    variance /= np.float32(alike)
    share = _noise_share(refined.residual_grey2 / variance, texture, blank == Blank.MATCHED)
    residual = refined.disparity_px - about.expected_px
    return Measured(disparity_px=refined.disparity_px, residual_px=residual,
                    terms=sigma_terms(refined, residual, share * variance, alike),
                    texture=texture / share, reason=blank)


def _is_noisy(texture: Map, usable: NDArray[np.bool_]) -> bool:
    """Does noise rule most of what can be used?"""
    every = np.s_[::_SAMPLE_PX, ::_SAMPLE_PX]
    sample = texture[every][usable[every]]
    return bool(sample.size > 0 and np.median(sample) < _NOISY_TEXTURE)


def _blurred(picture: Map, sd_px: float) -> Map:
    """A smoothed picture, or a copy: the loops are compiled for arrays that may be written to."""
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sd_px)) if sd_px > 0 else picture.copy()


def _match_census(left: Map, right: Map, band: SearchBand) -> Map:
    """Disparity by the census alone, which knows no exposure; NaN for none."""
    return search(left, right, band, grey_cap=0).disparity_px


def _noise_share(residual: Map, texture: Map, matched: NDArray[np.bool_]) -> np.float32:
    """Share of the stated variance that is noise, 1 at most.

    Noise that was estimated from one picture holds fine texture too. What two matched pictures
    differ by holds none: where they are smoothest, it is their noise.

    Parameters
    ----------
    residual : ndarray of shape (H, W), float32
        Squared difference of the matched pictures over the stated variance.
    """
    every = np.s_[::_SAMPLE_PX, ::_SAMPLE_PX]
    residual, texture, matched = residual[every], texture[every], matched[every]
    if np.mean(matched) < _LEAST_MATCHED:
        return np.float32(1)
    least = np.percentile(texture[matched], _SMOOTHEST_PERCENT)
    found = float(np.median(residual[matched & (texture <= least)]))
    return np.float32(max(found, _LEAST_NOISE_SHARE) if found < _MOST_NOISE_SHARE else 1)


@dataclass(frozen=True, kw_only=True)
class CensusMatcher:
    """The default matcher; see the module."""

    @property
    def name(self) -> str:
        """Name and settings, for the record."""
        return (f"census({CENSUS_COLUMNS} x {CENSUS_ROWS}, 4 paths, margin {MARGIN}, "
                f"speckle {_SPECKLE_PX}, least squares {WINDOW_PX} x "
                f"{WINDOW_PX}, warped by the expected ground)")

    def match(self, rectified: RectifiedPair, band: SearchBand, noise: NoiseModel) -> DisparityMap:
        """Match; see ``Matcher.match``."""
        if min(rectified.left.shape) < _LEAST_SIDE_PX:
            return self._nothing(rectified.left.shape)
        with _ONE_AT_A_TIME:
            measured = measure(rectified, band, noise)
            sigma = sigma_px(measured.terms)
        blank = measured.reason.copy()
        matched = blank == Blank.MATCHED
        blank[matched & (sigma > MAX_SIGMA_PX)] = Blank.UNCERTAIN
        weaker = np.isin(blank, _WEAKER_THAN_NO_TEXTURE)
        blank[(measured.texture < _NOISE_TEXTURE) & weaker] = Blank.NO_TEXTURE
        matched = blank == Blank.MATCHED
        blank[isolated(measured.residual_px, matched, _SPECKLE_PX)] = Blank.ISOLATED
        matched = blank == Blank.MATCHED
        none = np.float32(np.nan)
        return DisparityMap(
            disparity_px=np.where(matched, measured.disparity_px, none),
            sigma_px=np.where(matched, sigma, none), blank=blank, matcher=self.name,
        )

    def _nothing(self, shape: tuple[int, ...]) -> DisparityMap:
        none = np.full(shape, np.nan, dtype=np.float32)
        return DisparityMap(disparity_px=none, sigma_px=none, matcher=self.name,
                            blank=np.full(shape, Blank.EDGE, dtype=np.uint8))
