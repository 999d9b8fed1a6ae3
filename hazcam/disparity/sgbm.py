"""OpenCV's semi-global block matcher behind the Matcher protocol.

The right picture is first warped by the expected surface; then bands of rows are matched, each
over the range that the geometry allows there, and overlapping so that no seam shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.disparity.band import SearchBand
from hazcam.disparity.quality import blank_reasons, sigma_model
from hazcam.disparity.record import Blank, DisparityMap
from hazcam.disparity.warp import unwarp, warp_right
from hazcam.rectification import RectifiedPair

# OpenCV answers in sixteenths of a pixel and marks "no match" below its least disparity.
_FRACTION = 16
_STRIP_ROWS = 80
_STRIP_OVERLAP_ROWS = 24
# The answer may lie this far from the end of the range and still be a cut-off minimum.
_RANGE_RIM_PX = 1.0
# Pixels at the picture's rim whose matching window leaves the picture.
EDGE_PX = 4

Map = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class SgbmMatcher:
    """``cv2.StereoSGBM`` on the warped pair.

    Attributes
    ----------
    block_px : int
        Side of the matching block. [px]
    p1, p2 : int
        Penalties for a change of disparity by one and by more, in OpenCV's units.
    uniqueness_percent : int
        By how much the best match must beat any other. [%]
    speckle_px : int
        Patches of matches with fewer pixels are dropped. [px]

    References
    ----------
    H. Hirschmueller, "Stereo processing by semiglobal matching and mutual information," IEEE
    TPAMI 30(2):328-341, 2008, doi:10.1109/TPAMI.2007.1166.
    """

    block_px: int = 5
    p1: int = 60
    p2: int = 800
    uniqueness_percent: int = 10
    speckle_px: int = 100

    @property
    def name(self) -> str:
        """Name and settings, for the record."""
        return (f"sgbm(block {self.block_px}, p1 {self.p1}, p2 {self.p2}, "
                f"uniqueness {self.uniqueness_percent} %, speckle {self.speckle_px}, "
                "warped by the expected ground)")

    def match(self, rectified: RectifiedPair, band: SearchBand, noise_grey: float) -> DisparityMap:
        """Match; see ``Matcher.match``."""
        left = np.clip(np.rint(rectified.left), 0, 255).astype(np.uint8)
        right = np.clip(np.rint(rectified.right), 0, 255).astype(np.uint8)
        warped = warp_right(right, band.expected_px, cv2.INTER_CUBIC).astype(np.uint8)
        residual, scatter, cut = self._match_strips(left, warped, band)
        disparity = unwarp(residual, band.expected_px)
        blank = blank_reasons(rectified, band, disparity, noise_grey, edge_px=EDGE_PX)
        blank[(blank == Blank.DISAGREE) & cut] = Blank.OUT_OF_RANGE
        blank[_isolated(residual, blank == Blank.MATCHED, self.speckle_px)] = Blank.ISOLATED
        matched = blank == Blank.MATCHED
        disparity = np.where(matched, disparity, np.float32(np.nan))
        sigma = sigma_model(rectified.left, np.where(matched, scatter, np.float32(np.nan)),
                            noise_grey)
        return DisparityMap(disparity_px=disparity, sigma_px=sigma, blank=blank,
                            matcher=self.name)

    def _match_strips(
        self, left: NDArray[np.uint8], warped: NDArray[np.uint8], band: SearchBand
    ) -> tuple[Map, Map, NDArray[np.bool_]]:
        """Residual disparity, its scatter, and where the range cut it; all (H, W), NaN: none."""
        height = left.shape[0]
        residual = np.full(left.shape, np.nan, dtype=np.float32)
        scatter = np.zeros(left.shape, dtype=np.float32)
        cut = np.zeros(left.shape, dtype=bool)
        for start in range(0, height, _STRIP_ROWS):
            stop = min(start + _STRIP_ROWS, height)
            top = max(start - _STRIP_OVERLAP_ROWS, 0)
            rows = slice(top, min(stop + _STRIP_OVERLAP_ROWS, height))
            low, high = _range_of(band, rows)
            inner = slice(start - top, stop - top)
            parts = self._match_one(left[rows], warped[rows], low, high)
            for whole, part in zip((residual, scatter, cut), parts, strict=True):
                whole[start:stop] = part[inner]
        return residual, scatter, cut

    def _match_one(
        self, left: NDArray[np.uint8], warped: NDArray[np.uint8], low: int, high: int
    ) -> tuple[Map, Map, NDArray[np.bool_]]:
        count = -(-(high - low + 1) // 16) * 16
        # OpenCV leaves blank what may look past the rim of the picture: give it a rim.
        before, after = max(low + count, 0), max(-low, 0)
        pad = (0, 0, before, after)
        matcher = cv2.StereoSGBM.create(
            minDisparity=low, numDisparities=count, blockSize=self.block_px, P1=self.p1,
            P2=self.p2, disp12MaxDiff=1, preFilterCap=31, uniquenessRatio=self.uniqueness_percent,
            mode=cv2.StereoSGBM_MODE_SGBM_3WAY,
        )
        raw = matcher.compute(
            cv2.copyMakeBorder(left, *pad, cv2.BORDER_CONSTANT, value=0),
            cv2.copyMakeBorder(warped, *pad, cv2.BORDER_CONSTANT, value=0),
        )[:, before : before + left.shape[1]]
        smooth = cv2.medianBlur(np.ascontiguousarray(raw), 5)
        none = (raw < low * _FRACTION) | (smooth < low * _FRACTION)
        found = smooth.astype(np.float32) / np.float32(_FRACTION)
        scatter = raw.astype(np.float32) / np.float32(_FRACTION) - found
        cut = (found <= low + _RANGE_RIM_PX) | (found >= low + count - 1 - _RANGE_RIM_PX)
        found[none | cut] = np.nan
        return found, scatter, cut & ~none


def _range_of(band: SearchBand, rows: slice) -> tuple[int, int]:
    """Least and greatest residual disparity over some rows. [px]"""
    expected = band.expected_px[rows]
    low = np.floor(np.min(band.low_px[rows] - expected)) - 2
    high = np.ceil(np.max(band.high_px[rows] - expected)) + 2
    return int(low), int(high)


def _isolated(
    residual: Map, matched: NDArray[np.bool_], speckle_px: int
) -> NDArray[np.bool_]:
    """Patches of fewer than ``speckle_px`` matched pixels of like disparity, shape (H, W)."""
    none = np.iinfo(np.int16).min // 2
    coded = np.where(matched, np.rint(np.nan_to_num(residual) * _FRACTION), none).astype(np.int16)
    cv2.filterSpeckles(coded, none, speckle_px, _FRACTION)
    return np.asarray(matched & (coded == none))
