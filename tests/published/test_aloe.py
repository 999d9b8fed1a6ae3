"""The Middlebury 2006 "Aloe" pair, as OpenCV's samples carry it.

D. Scharstein and C. Pal, "Learning conditional random fields for stereo," CVPR 2007; full size,
1282 x 1110, truth of 8 bit at 1 px per grey level, 0 = unknown. The pictures are cropped by an
amount that does not come with them, so this scene tests disparities, not depths.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest

from hazcam.calibration import StereoRig
from hazcam.disparity import DisparityMap, SgbmMatcher, flat_band
from hazcam.frames import Floats
from hazcam.imagery import check_pictures, pair_from_arrays
from hazcam.rectification import rectify
from tests.published.warp import warp_difference

# Focal length 3740 px and baseline 160 mm: the data set's page. Nothing below depends on them.
K = np.array([[3740.0, 0, 640.5], [0, 3740.0, 554.5], [0, 0, 1]])
RIG = StereoRig(name="aloe", size=(1282, 1110), K1=K, D1=np.zeros(5), K2=K, D2=np.zeros(5),
                R=np.eye(3), T=np.array([-0.16, 0, 0]), mount=None)


@dataclass(frozen=True, eq=False)
class Aloe:
    """Pictures, the truth [px, NaN: unknown], and the match."""

    left: Floats
    right: Floats
    truth_px: Floats
    disparity: DisparityMap


@pytest.fixture(scope="module")
def aloe(opencv_doc: Path) -> Aloe:
    left, right = (cv2.imread(str(opencv_doc / f"aloe{side}.jpg"), cv2.IMREAD_GRAYSCALE)
                   for side in "LR")
    truth = np.asarray(cv2.imread(str(opencv_doc / "aloeGT.png"), cv2.IMREAD_GRAYSCALE))
    pair = pair_from_arrays(np.asarray(left, np.uint8), np.asarray(right, np.uint8), id="aloe")
    intake = check_pictures(pair)
    rectified = rectify(pair, RIG, intake)
    disparity = SgbmMatcher().match(
        rectified, flat_band(rectified.camera, 0, 224), intake.noise)
    return Aloe(left=np.asarray(left, np.float64), right=np.asarray(right, np.float64),
                truth_px=np.where(truth > 0, truth.astype(np.float64), np.nan),
                disparity=disparity)


def test_truth_is_read_as_published(aloe: Aloe) -> None:
    """Read from the file once: samples, count and range of the 8-bit truth, exact."""
    assert np.isfinite(aloe.truth_px).sum() == 1373890
    assert (np.nanmin(aloe.truth_px), np.nanmax(aloe.truth_px)) == (43.0, 211.0)
    samples = [aloe.truth_px[at] for at in ((555, 641), (300, 400), (800, 900))]
    assert samples == [66, 54, 127]


@pytest.mark.parametrize("factor", [0.5, 2.0, -1.0])
def test_truth_is_in_the_left_frame(aloe: Aloe, factor: float) -> None:
    """L(x) = R(x - d): median difference 4 grey levels; 24 and more for any other reading."""
    ours, _ = warp_difference(aloe.left, aloe.right, -aloe.truth_px)
    other, _ = warp_difference(aloe.left, aloe.right, -factor * aloe.truth_px)
    assert ours < 5.0
    assert other > 20.0


def test_matching_against_the_truth(aloe: Aloe) -> None:
    """Loose bounds, not golden values: plain OpenCV SGBM errs by 0.25 px, 5.6 % beyond 2 px.

    The truth itself is rounded to whole pixels: 1/sqrt(12) = 0.29 px of its own.
    """
    truth = np.isfinite(aloe.truth_px)
    error = np.abs(aloe.disparity.disparity_px - aloe.truth_px)
    both = np.isfinite(error)
    assert 0.75 < both.sum() / truth.sum() < 0.97
    assert np.median(error[both]) < 0.35
    assert np.mean(error[both] > 1) < 0.12
    assert np.mean(error[both] > 2) < 0.06
