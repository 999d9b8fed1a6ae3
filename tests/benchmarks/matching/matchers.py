"""Our matchers and their peers behind one signature."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.disparity import CensusMatcher, Matcher, SearchBand, SgbmMatcher, flat_band
from hazcam.frames import Pose
from hazcam.imagery import NoiseModel, PixelState, check_pictures, pair_from_arrays
from hazcam.rectification import CommonView, RectifiedCamera, RectifiedPair
from tests.benchmarks.matching.scenes import Picture, Scene
from tests.benchmarks.matching.scores import Found

# What a benchmark may do: find disparities from 0 to a number (excluded) in two pictures.
Method = Callable[[Picture, Picture, int], Found]

OURS: Matcher = CensusMatcher()
REFERENCE: Matcher = SgbmMatcher()
OURS_NAME, REFERENCE_NAME = "ours", "SgbmMatcher (hazcam --matcher sgbm)"

# OpenCV answers in sixteenths of a pixel and searches multiples of 16 disparities.
_FRACTION = 16
_SPECKLE_PX, _SPECKLE_RANGE = 100, 2
_MODES = {"3WAY": cv2.StereoSGBM_MODE_SGBM_3WAY, "5-path": cv2.StereoSGBM_MODE_SGBM,
          "HH": cv2.StereoSGBM_MODE_HH}
TUNED = "SGBM 3WAY tuned"


# --- ours -----------------------------------------------------------------------------------------


def call(matcher: Matcher, rectified: RectifiedPair, band: SearchBand, noise: NoiseModel) -> Found:
    """The one place where a matcher of hazcam is called."""
    found = matcher.match(rectified, band, noise)
    return Found(disparity_px=found.disparity_px, sigma_px=found.sigma_px)


def ours(matcher: Matcher, left: Picture, right: Picture, disparities: int) -> Found:
    """Match two pictures as the program does: pixel states and noise from its intake."""
    return call(matcher, *prepared(left, right, disparities))


def prepared(
    left: Picture, right: Picture, disparities: int
) -> tuple[RectifiedPair, SearchBand, NoiseModel]:
    """What a matcher of hazcam takes, with the pixel states and the noise of the intake."""
    intake = check_pictures(pair_from_arrays(left, right, id="benchmark"))
    assert intake.left_state is not None
    assert intake.right_state is not None
    rectified = replace(as_rectified(left, right), state_left=intake.left_state,
                        state_right=intake.right_state)
    return rectified, _flat(rectified, disparities), intake.noise


def ours_stated(
    matcher: Matcher, noise_grey: float, left: Picture, right: Picture, disparities: int
) -> Found:
    """Match with the noise stated and every pixel called usable: the matcher without intake."""
    rectified = as_rectified(left, right)
    return call(matcher, rectified, _flat(rectified, disparities),
                NoiseModel(read_grey=noise_grey))


def as_rectified(left: Picture, right: Picture) -> RectifiedPair:
    """Two pictures as a rectified pair of some rig, every pixel usable."""
    height, width = left.shape
    camera = RectifiedCamera(focal_px=float(width), cx=width / 2, cy=height / 2, offset_px=0.0,
                             baseline_m=0.1, width=width, height=height)
    everywhere = np.ones(left.shape, dtype=bool)
    usable = np.full(left.shape, PixelState.USABLE, dtype=np.uint8)
    view = CommonView(camera=camera, valid_left=everywhere, valid_right=everywhere,
                      T_camera_rectified=Pose(R=np.eye(3), t=np.zeros(3)))
    return RectifiedPair(left=left.astype(np.float32), right=right.astype(np.float32),
                         state_left=usable, state_right=usable, view=view, resampled=False)


def _flat(rectified: RectifiedPair, disparities: int) -> SearchBand:
    return flat_band(rectified.camera, 0.0, float(disparities - 1))


# --- OpenCV ---------------------------------------------------------------------------------------


def sgbm(
    left: Picture, right: Picture, disparities: int, *, mode: str = "3WAY", low: int = 0,
    block: int = 3, p1: int = 72, p2: int = 288, uniqueness: int = 0, padded: bool = True,
) -> Found:
    """``cv2.StereoSGBM`` with left-right check and speckle removal, nothing filled.

    Parameters
    ----------
    mode : str
        "3WAY", "5-path" or "HH".
    low : int
        Least disparity. [px]
    padded : bool
        Continue the pictures beyond their rim, so that their left is matched as well.
    """
    count = -(-disparities // 16) * 16
    matcher = cv2.StereoSGBM.create(
        minDisparity=low, numDisparities=count, blockSize=block, P1=p1, P2=p2, disp12MaxDiff=1,
        preFilterCap=31, uniquenessRatio=uniqueness, speckleWindowSize=_SPECKLE_PX,
        speckleRange=_SPECKLE_RANGE, mode=_MODES[mode])
    return _computed(matcher, left, right, low, count if padded else 0)


def block_matching(left: Picture, right: Picture, disparities: int) -> Found:
    """``cv2.StereoBM``, block 13, else as it comes: no left-right check, no speckle removal."""
    count = -(-disparities // 16) * 16
    matcher = cv2.StereoBM.create(numDisparities=count, blockSize=13)
    return _computed(matcher, left, right, 0, count)


def _computed(
    matcher: cv2.StereoMatcher, left: Picture, right: Picture, low: int, count: int
) -> Found:
    before, after = max(low + count, 0), max(-low, 0)
    wide = (cv2.copyMakeBorder(p, 0, 0, before, after, cv2.BORDER_REPLICATE)
            for p in (left, right))
    raw = np.asarray(matcher.compute(*wide))[:, before : before + left.shape[1]]
    found = raw.astype(np.float32) / np.float32(_FRACTION)
    return Found(disparity_px=np.where(raw < low * _FRACTION, np.float32(np.nan), found))


def peers() -> dict[str, Method]:
    """OpenCV's matchers, one setting each."""
    return {"BM block 13": block_matching, TUNED: sgbm,
            "SGBM 5-path": partial(sgbm, mode="5-path"), "SGBM HH": partial(sgbm, mode="HH")}


def own() -> dict[str, Method]:
    """The matchers of hazcam at their defaults."""
    return {OURS_NAME: partial(ours, OURS), REFERENCE_NAME: partial(ours, REFERENCE)}


# --- equal density --------------------------------------------------------------------------------


def density(disparity_px: NDArray[np.floating], scene: Scene) -> float:
    """Matched share of the non-occluded pixels. [%]"""
    return 100.0 * float(np.isfinite(disparity_px)[scene.seen].mean())


def at_density(scene: Scene, target_percent: float) -> tuple[int, Found]:
    """Tuned SGBM with the uniqueness that brings its density nearest to a target.

    Its density falls as its uniqueness rises; where 0 is not dense enough, 0 it stays.
    """
    low, high = 0, 100
    tried: dict[int, Found] = {}

    def gap(uniqueness: int) -> float:
        if uniqueness not in tried:
            tried[uniqueness] = sgbm(scene.left, scene.right, scene.disparities,
                                     uniqueness=uniqueness)
        return density(tried[uniqueness].disparity_px, scene) - target_percent

    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if gap(middle) > 0 else (low, middle)
    best = min((low, high), key=lambda uniqueness: abs(gap(uniqueness)))
    return best, tried[best]
