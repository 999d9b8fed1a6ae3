"""Why a pixel is blank: from the pictures' states, and from what the matcher found.

Traps of the study: nothing to see must come out blank with its reason, not confidently wrong.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import ndimage

from hazcam.disparity import Blank, DisparityMap, SearchBand, census, flat_band
from hazcam.disparity.blanks import blank_reasons, isolated, texture_over_noise
from hazcam.frames import Floats
from hazcam.imagery import PixelState
from hazcam.rectification import RectifiedPair
from tests.benchmarks.matching.traps import traps
from tests.disparity.pairs import (
    ROUNDING_GREY,
    SHAPE,
    Mask,
    Pair,
    Patch,
    error_px,
    grid,
    in_both,
    match,
    match_in,
    rectified,
    surface,
    total_noise,
    waves,
    with_patches,
)

Map = NDArray[np.float32]


def share(
    found: DisparityMap, reason: Blank, where: Mask | tuple[slice, slice] | None = None
) -> float:
    blank = found.blank if where is None else found.blank[where]
    return float(np.mean(blank == reason))


def nothing_but(brightness: Floats, noise_grey: float, seed: int = 3) -> Pair:
    """Two pictures of the same brightness and noise of their own."""
    return Pair(left=brightness, right=brightness,
                truth_px=np.zeros(brightness.shape)).noisy(noise_grey, seed)


# Nothing to see


@pytest.mark.parametrize("slope_grey", [0.0, 0.05, 0.1])
@pytest.mark.parametrize("noise_grey", [0.5, 1, 3])
def test_noise_is_not_matched(noise_grey: float, slope_grey: float) -> None:
    """Also under light that grows by up to 30 grey levels across the picture.

    The default SGBM of the study calls 84 % of such a picture valid.
    """
    columns, rows = grid(*SHAPE)
    for seed in (3, 4, 5):
        pair = nothing_but(90 + slope_grey * (columns + 0.5 * rows), noise_grey, seed)
        found = match(pair, 50, total_noise(noise_grey))
        assert found.matched_share == 0
        assert share(found, Blank.NO_TEXTURE) > 0.98


@pytest.mark.parametrize("level", [0, 90, 255])
def test_pictures_of_one_grey_level_are_not_matched(level: int) -> None:
    even = np.full(SHAPE, float(level))
    found = match(Pair(left=even, right=even, truth_px=0 * even), 50, ROUNDING_GREY)
    assert found.matched_share == 0
    assert share(found, Blank.NO_TEXTURE) > 0.98


def test_light_that_falls_off_steeply_is_no_texture() -> None:
    """0.3 grey levels a pixel under a noise of 0.5: a ramp looks alike at every offset.

    Exposure takes up any disparity, so a match would be arbitrary.
    """
    columns, _ = grid(*SHAPE)
    found = match(nothing_but(60 + 0.3 * columns, 0.5), 50, total_noise(0.5))
    assert found.matched_share < 0.01


def test_half_a_picture_without_texture_is_blank() -> None:
    """Texture beside it does not spread by more than its windows, 15 px."""
    textured = surface(12.0, waves(1))
    left, right = textured.left.copy(), textured.right.copy()
    left[:, 120:], right[:, 108:] = 110, 110
    found = match(replace(textured, left=left, right=right).noisy(1), 40, total_noise(1))
    assert share(found, Blank.MATCHED, np.s_[:, 30:100]) > 0.97
    assert not np.any(found.blank[:, 135:] == Blank.MATCHED)


def test_no_speck_is_left() -> None:
    """Weak texture in noise falls to pieces; those of 100 pixels and fewer are dropped.

    Pieces are joined by their sides and by a like disparity: never more of them than here.
    """
    columns, rows = grid(*SHAPE)
    pair = surface(12.3 + 0.05 * columns + 0.1 * rows, waves(5, 2.5)).noisy(2)
    found = match(pair, 50, total_noise(2))
    matched = found.blank == Blank.MATCHED
    assert 0.02 < matched.mean() < 0.6
    pieces, _ = ndimage.label(matched)
    assert np.bincount(pieces.ravel())[1:].min() > 100


# Too much of the same


@pytest.mark.parametrize("period_px", [6, 8, 12, 20])
def test_a_noisy_grating_is_not_matched(period_px: int) -> None:
    """Disparities a period apart look the same; true is 20, and up to 63 are searched.

    At most one pixel in twenty may pass where several periods compete. Left of there the right
    picture holds a single one, and nothing contradicts it. With less noise than here (1 grey
    level) that choice runs along the paths through the whole picture, and more of it passes: a
    limit of the matcher.
    """
    columns, _ = grid(*SHAPE)

    def grating(shift_px: float) -> Floats:
        return np.asarray(110 + 40 * np.sin(2 * np.pi * (columns - shift_px) / period_px))

    pair = Pair(left=grating(20), right=grating(0), truth_px=np.full(SHAPE, 20.0)).noisy(1)
    found = match(pair, 63, total_noise(1))
    several = in_both(pair) & (columns > 2 * period_px + 6)
    off = np.abs(error_px(found, pair))[several]
    assert np.mean(off > 2) < 0.05
    assert share(found, Blank.MATCHED, several) < 0.05
    assert share(found, Blank.AMBIGUOUS, several) > 0.1
    assert share(found, Blank.NO_TEXTURE) < 0.01  # there is texture enough


def test_the_benchmark_s_traps_stay_blank() -> None:
    """Constant, black and saturated, as the benchmark reports them, on a corner of each.

    Not what it reports as a fault: a grating, and smoothed noise that has to be estimated.
    """
    for name, (left, right, noise_grey) in traps().items():
        if noise_grey is not None and "grating" not in name:
            cut = np.s_[:150, :200]
            pair = Pair(left=left[cut].astype(float), right=right[cut].astype(float),
                        truth_px=np.zeros((150, 200)))
            assert match(pair, 63, noise_grey).matched_share == 0, name


# States


def states(pair: RectifiedPair, left: Mask | None, right: Mask | None, state: PixelState
           ) -> RectifiedPair:
    """The same pair with a state where a mask says so."""
    marked = {}
    for side, mask in (("left", left), ("right", right)):
        values = getattr(pair, f"state_{side}").copy()
        if mask is not None:
            values[mask] = state
        marked[f"state_{side}"] = values
    return replace(pair, **marked)


@pytest.fixture(scope="module")
def ground() -> Pair:
    return surface(12.0, waves(1)).noisy(1)


@pytest.mark.parametrize(("state", "reason"), [
    (PixelState.LOST, Blank.LOST), (PixelState.SATURATED, Blank.SATURATED),
    (PixelState.DARK, Blank.DARK)])
@pytest.mark.parametrize("side", ["left", "right"])
def test_a_block_that_is_no_good_says_why(
    ground: Pair, state: PixelState, reason: Blank, side: str
) -> None:
    """In the right picture it blanks what matches it, 12 columns farther to the right.

    What stands in the block does not matter, and no pixel outside has that reason.
    """
    block = np.zeros(SHAPE, bool)
    block[50:66, 90:106] = True
    both = states(rectified(ground.left, ground.right), block if side == "left" else None,
                  block if side == "right" else None, state)
    picture = getattr(both, side).copy()
    picture[block] = 0
    found = match_in(replace(both, **{side: picture}), flat_band(both.camera, 0, 40),
                     total_noise(1))
    shown = block if side == "left" else np.roll(block, 12, axis=1)
    inner = np.zeros(SHAPE, bool)
    inner[54:62, 94:102] = True
    inner = inner if side == "left" else np.roll(inner, 12, axis=1)
    assert not np.any(found.blank[shown] == Blank.MATCHED)
    if side == "left":
        assert np.all(found.blank[shown] == reason)
        assert not np.any(found.blank[~shown] == reason)
    far = np.ones(SHAPE, bool)
    far[40:76, 75:135] = False
    assert share(found, Blank.MATCHED, far & in_both(ground)) > 0.99
    around = np.abs(error_px(found, ground))[40:76, 75:135]
    assert np.nanmax(around) < 1


def direct(
    found_px: Map, expected_px: Map, pair: RectifiedPair, *, reason: int = Blank.MATCHED
) -> NDArray[np.uint8]:
    band = SearchBand(expected_px=expected_px, low_px=expected_px - 20, high_px=expected_px + 20)
    return blank_reasons(pair, band, found_px, np.full(SHAPE, reason, np.uint8), edge_px=4)


@given(disparity=st.integers(-8, 30), column=st.integers(40, 150), row=st.integers(10, 100))
@settings(max_examples=20, deadline=None)
def test_a_state_of_the_right_picture_is_met_at_its_match(
    disparity: int, column: int, row: int
) -> None:
    """A lost pixel at x of the right picture blanks the left pixel x + d, and no other."""
    lost = np.zeros(SHAPE, bool)
    lost[row, column] = True
    pair = states(rectified(np.zeros(SHAPE), np.zeros(SHAPE)), None, lost, PixelState.LOST)
    found = np.full(SHAPE, disparity, np.float32)
    blank = direct(found, found, pair)
    assert np.argwhere(blank == Blank.LOST).tolist() == [[row, column + disparity]]


def test_where_nothing_was_found_the_expected_ground_is_asked() -> None:
    """Expected 10: a lost pixel at x of the right picture blanks x + 10."""
    lost = np.zeros(SHAPE, bool)
    lost[50, 90] = True
    pair = states(rectified(np.zeros(SHAPE), np.zeros(SHAPE)), None, lost, PixelState.LOST)
    none = np.full(SHAPE, np.nan, np.float32)
    blank = direct(none, np.full(SHAPE, 10, np.float32), pair, reason=Blank.DISAGREE)
    assert blank[50, 100] == Blank.LOST
    assert blank[50, 90] == Blank.DISAGREE


def test_the_most_basic_reason_comes_first() -> None:
    """Dark, then saturated, then lost, then outside of what a lens saw."""
    pair = rectified(np.zeros(SHAPE), np.zeros(SHAPE))
    left, right = pair.state_left.copy(), pair.state_right.copy()
    left[10], right[10] = PixelState.DARK, PixelState.SATURATED
    left[20], right[20] = PixelState.SATURATED, PixelState.LOST
    left[30] = PixelState.LOST
    valid = np.ones(SHAPE, bool)
    valid[30] = False
    pair = replace(pair, state_left=left, state_right=right,
                   view=replace(pair.view, valid_left=valid))
    zero = np.zeros(SHAPE, np.float32)
    blank = direct(zero, zero, pair, reason=Blank.AMBIGUOUS)
    assert [int(blank[y, 100]) for y in (10, 20, 30, 50)] == [
        Blank.SATURATED, Blank.LOST, Blank.EDGE, Blank.AMBIGUOUS]


@pytest.mark.parametrize("side", ["left", "right"])
def test_what_a_lens_did_not_see_is_edge(ground: Pair, side: str) -> None:
    """And four columns more: half the width of the census."""
    both = rectified(ground.left, ground.right)
    everywhere, valid = np.ones((2, *SHAPE), bool)
    valid[:, 150:] = False
    both = replace(both, view=replace(
        both.view, valid_left=valid if side == "left" else everywhere,
        valid_right=valid if side == "right" else everywhere))
    found = match_in(both, flat_band(both.camera, 10, 40), total_noise(1))
    first = 146 + (12 if side == "right" else 0)
    assert np.all(found.blank[6:-6, first:] == Blank.EDGE)
    assert share(found, Blank.MATCHED, np.s_[6:-6, 40 : first - 1]) > 0.97


@pytest.mark.parametrize("asked", ["match", "expected"])
def test_match_and_expected_ground_must_both_be_seen(asked: str) -> None:
    """The right lens saw nothing in columns 80 to 89: 76 to 93 with the rim of four.

    A pixel is edge where its match (10 px) or its expected ground (0 px) lies there.
    """
    pair = rectified(np.zeros(SHAPE), np.zeros(SHAPE))
    valid = np.ones(SHAPE, bool)
    valid[:, 80:90] = False
    pair = replace(pair, view=replace(pair.view, valid_right=valid))
    ten, zero = np.full(SHAPE, 10, np.float32), np.zeros(SHAPE, np.float32)
    blank = direct(ten, zero, pair) if asked == "match" else direct(zero, ten, pair)
    edge = np.flatnonzero(blank[60, 20:] == Blank.EDGE) + 20
    assert edge.tolist() == list(range(76, 104))  # 76 to 93, and 86 to 103


# What the matcher finds wrong with it


def test_what_the_near_hides_disagrees() -> None:
    """16 columns of ground left of a box that stands 16 px before it."""
    pair = with_patches(surface(10.0, waves(1)), [
        Patch(rows=(30, 90), columns=(110, 160), disparity_px=26)]).noisy(1)
    found = match(pair, 40, total_noise(1))
    hidden = np.zeros(SHAPE, bool)
    hidden[40:80, 97:107] = True
    assert share(found, Blank.DISAGREE, hidden) > 0.85
    assert share(found, Blank.MATCHED, hidden) < 0.06


def test_a_box_beyond_the_band_is_blank() -> None:
    """Band to 30, box at 34, 45 and 60: at most one pixel in eight of its face is matched."""
    for disparity in (34, 45, 60):
        pair = with_patches(surface(10.0, waves(1)), [
            Patch(rows=(30, 90), columns=(110, 160), disparity_px=disparity)]).noisy(1)
        found = match(pair, 30, total_noise(1))
        box = pair.truth_px == disparity
        assert share(found, Blank.MATCHED, box) < 1 / 8
        if disparity == 34:  # just beyond: the cut end of the search looks most like it
            assert share(found, Blank.OUT_OF_RANGE, box) > 0.4


@pytest.mark.parametrize("most_px", [0.09, 0.12])
def test_matches_that_are_not_sure_enough_are_blank(
    most_px: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the limit drawn lower, what is beyond it says so; the rest stays as it was."""
    columns, rows = grid(*SHAPE)
    pair = surface(12.3 + 0.05 * columns + 0.1 * rows, waves(4, 10)).noisy(1)
    every = match(pair, 50, total_noise(1))
    monkeypatch.setattr(census, "MAX_SIGMA_PX", most_px)
    found = match(pair, 50, total_noise(1))
    beyond = every.sigma_px > most_px
    assert 0.01 < beyond.mean() < 0.9
    assert np.all(found.blank[beyond] == Blank.UNCERTAIN)
    kept = found.blank == Blank.MATCHED
    np.testing.assert_array_equal(found.sigma_px[kept], every.sigma_px[kept])


# Patches


@pytest.mark.parametrize(("height", "width", "is_isolated"), [
    (9, 11, True), (3, 33, True), (8, 13, False), (2, 52, False)])
def test_a_patch_counts_its_pixels(height: int, width: int, is_isolated: bool) -> None:
    """99 pixels are too few, 104 are not."""
    residual = np.zeros(SHAPE, np.float32)
    matched = np.zeros(SHAPE, bool)
    matched[20 : 20 + height, 30 : 30 + width] = True
    np.testing.assert_array_equal(isolated(residual, matched, 100), matched & is_isolated)


def test_patches_end_where_the_residual_jumps() -> None:
    """8 x 8 pixels that stand 3 px out of a large surface are a patch of their own."""
    residual = np.zeros(SHAPE, np.float32)
    residual[40:48, 60:68] = 3
    everywhere = np.ones(SHAPE, bool)
    np.testing.assert_array_equal(isolated(residual, everywhere, 100), residual == 3)
    assert not isolated(residual / np.float32(4), everywhere, 100).any()  # 0.75 px is no jump


def test_a_slope_is_one_patch() -> None:
    """0.9 px a column, 12 rows of 20 columns."""
    columns, _ = grid(12, 20)
    slope = (0.9 * columns).astype(np.float32)
    assert not isolated(slope, np.ones((12, 20), bool), 100).any()
    assert isolated(2 * slope, np.ones((12, 20), bool), 100).all()


# Texture over noise


@given(noise_grey=st.floats(0.3, 10), level=st.floats(0, 255), seed=st.integers(0, 1000))
@settings(max_examples=15, deadline=None)
def test_noise_alone_has_a_texture_of_one(noise_grey: float, level: float, seed: int) -> None:
    """The derivative (-1/2, 0, 1/2) of white noise has half its variance (closed form).

    The sampling error of 24 000 pixels, each in two derivatives, is about 1.2 %: four of them.
    """
    noise = noise_grey * np.random.default_rng(seed).standard_normal(SHAPE)
    variance = np.full(SHAPE, noise_grey**2, np.float32)
    found = texture_over_noise((level + noise).astype(np.float32), variance, 15, 15)
    assert found.mean() == pytest.approx(1.0, abs=0.05)


def test_a_ramp_is_no_texture() -> None:
    columns, rows = grid(*SHAPE)
    ramp = (20 + 0.8 * columns + 0.3 * rows).astype(np.float32)
    found = texture_over_noise(ramp, np.ones(SHAPE, np.float32), 15, 15)
    assert found[8:-8, 8:-8].max() < 1e-3
