"""The reference matcher, OpenCV's SGBM; all else of disparity is tested in tests/disparity."""

from __future__ import annotations

import numpy as np
import pytest

from hazcam.disparity import (
    Blank,
    DisparityMap,
    MatchSettings,
    SearchBand,
    SgbmMatcher,
    ground_band,
)
from hazcam.frames import Attitude, Floats, View, view_from
from hazcam.imagery import NoiseModel, StereoPair, check_pictures, pair_from_arrays
from hazcam.rectification import RectifiedPair, rectify
from tests.synthetic import (
    BASELINE_M,
    FOCAL_PX,
    LEVEL,
    Box,
    Scene,
    ideal_rig,
    mount_of,
    render,
    true_depth,
)


def view(attitude: Attitude = LEVEL) -> View:
    return view_from(mount_of(ideal_rig()), attitude, unknown_tilt_deg=0, scale_sigma=0)


def band_of(rectified: RectifiedPair, attitude: Attitude = LEVEL) -> SearchBand:
    return ground_band(rectified.camera, rectified.T_camera_rectified, view(attitude),
                       MatchSettings())


def match(pair: StereoPair) -> DisparityMap:
    rectified = rectify(pair, ideal_rig(), check_pictures(pair))
    return SgbmMatcher().match(rectified, band_of(rectified), check_pictures(pair).noise)


def true_disparity(scene: Scene) -> Floats:
    """In px, NaN for the sky."""
    return np.asarray(FOCAL_PX * BASELINE_M / true_depth(scene, ideal_rig()))


def error_of(scene: Scene) -> tuple[Floats, DisparityMap]:
    """Disparity error in px, NaN where blank or sky, and the map."""
    disparity = match(render(scene))
    return disparity.disparity_px - true_disparity(scene), disparity


def test_an_8_cm_box_at_the_lower_edge_is_matched() -> None:
    scene = Scene(boxes=(Box(0.24, 0.33, -0.06, 0.04, 0.08),))
    error, disparity = error_of(scene)
    true = true_disparity(scene)
    columns = np.indices(true.shape)[1]
    top = (true > 300) & (columns - true > 10) & (columns < 630)  # in both pictures
    assert true[top].max() > 400
    assert top.sum() > 2000
    assert np.mean(disparity.blank[top] == Blank.MATCHED) > 0.6
    assert np.nanmedian(np.abs(error[top])) < 0.3
    assert np.nanmean(np.abs(error[top]) > 2) < 0.02


def test_a_20_cm_pit_is_matched_down_to_its_visible_wall() -> None:
    scene = Scene(boxes=(Box(0.6, 1.0, -0.2, 0.2, -0.20),))
    error, disparity = error_of(scene)
    flat = true_depth(Scene(), ideal_rig())
    wall = true_depth(scene, ideal_rig()) > flat + 0.05
    assert wall.sum() > 1000
    assert np.mean(disparity.blank[wall] == Blank.MATCHED) > 0.6
    assert np.nanmedian(np.abs(error[wall])) < 0.3


def test_what_lies_beyond_the_band_is_mostly_blank() -> None:
    """The upper part of a 30 cm wall stands above anything of interest."""
    scene = Scene(boxes=(Box(0.5, 0.6, -0.5, 0.5, 0.30),))
    pair = render(scene)
    rectified = rectify(pair, ideal_rig(), check_pictures(pair))
    band = band_of(rectified)
    disparity = SgbmMatcher().match(rectified, band, check_pictures(pair).noise)
    true = true_disparity(scene)
    beyond = np.isfinite(true) & (true > band.high_px + 20) & (np.indices(true.shape)[1] > 250)
    assert beyond.sum() > 2000
    wrong = np.isfinite(disparity.disparity_px) & (np.abs(disparity.disparity_px - true) > 3)
    assert np.mean(wrong[beyond]) < 0.15
    assert np.any(disparity.blank[beyond] == Blank.OUT_OF_RANGE)


@pytest.mark.parametrize("level", [0, 90])
def test_pictures_without_texture_come_out_blank(level: int) -> None:
    """Noise alone must not be matched: default SGBM calls most of it valid."""
    rng = np.random.default_rng(5)
    pictures = [np.clip(np.rint(level + rng.normal(0, 1, (480, 640))), 0, 255).astype(np.uint8)
                for _ in range(2)]
    pair = pair_from_arrays(*pictures)
    rectified = rectify(pair, ideal_rig(), check_pictures(render(Scene())))
    disparity = SgbmMatcher().match(rectified, band_of(rectified), NoiseModel(read_grey=1.0))
    assert disparity.matched_share == 0


def test_a_black_patch_says_that_it_is_dark() -> None:
    scene = Scene(black_x=(0.7, 0.9))
    _, disparity = error_of(scene)
    depth = true_depth(Scene(), ideal_rig())
    x = 0.17 + depth * np.cos(np.radians(18))
    columns = np.indices(depth.shape)[1]
    inner = (np.abs(x - 0.82) < 0.02) & (columns > 250) & (columns < 630)
    assert inner.sum() > 1000
    assert np.mean(disparity.blank[inner] == Blank.DARK) > 0.9
    assert not np.any(disparity.blank[inner] == Blank.MATCHED)


def test_matching_is_deterministic() -> None:
    pair = render(Scene(boxes=(Box(0.7, 0.8, -0.1, 0.0, 0.05),)))
    a, b = match(pair), match(pair)
    assert np.array_equal(a.disparity_px, b.disparity_px, equal_nan=True)
    assert np.array_equal(a.sigma_px, b.sigma_px, equal_nan=True)
