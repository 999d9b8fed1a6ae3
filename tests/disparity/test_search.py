"""Ranges, strips, the pyramid, and what the search says where it finds nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hazcam.cli.threads import limited_threads
from hazcam.disparity import Blank, MatchSettings, SearchBand, ground_band, search
from hazcam.disparity.search import Found, ranges_of
from hazcam.disparity.warp import unwarp
from hazcam.frames import Floats, view_from
from hazcam.rectification import common_view
from tests.disparity.pairs import (
    SHAPE,
    Pair,
    Patch,
    grid,
    in_both,
    surface,
    two_cores,
    waves,
    with_patches,
)
from tests.synthetic import LEVEL, ideal_rig, mount_of

Map = NDArray[np.float32]


def band(expected: Floats, below: float, above: float) -> SearchBand:
    return SearchBand(expected_px=expected.astype(np.float32),
                      low_px=(expected - below).astype(np.float32),
                      high_px=(expected + above).astype(np.float32))


def flat(shape: tuple[int, ...], low: float, high: float) -> SearchBand:
    return band(np.full(shape, low), 0.0, high - low)


def searched(pair: Pair, over: SearchBand, **how: Any) -> Found:
    return search.search(pair.left.astype(np.float32), pair.right.astype(np.float32), over, **how)


def assert_equal(one: Found, two: Found, rows: slice = np.s_[:]) -> None:
    for name in ("residual_px", "disparity_px", "reason"):
        np.testing.assert_array_equal(getattr(one, name)[rows], getattr(two, name)[rows],
                                      err_msg=name)


# Ranges


@given(base=st.floats(-30, 60), per_column=st.floats(-0.3, 0.3), per_row=st.floats(-0.8, 0.8),
       below=st.floats(0, 30), above=st.floats(0, 30), width=st.integers(2, 90))
@settings(max_examples=60, deadline=None)
def test_a_range_holds_the_band_and_no_more(
    base: float, per_column: float, per_row: float, below: float, above: float, width: int
) -> None:
    """With e linear along a row, d = r + e(x - r) gives r = (d - e(x)) / (1 - de/dx).

    One whole candidate is left beyond either end for the neighbours of a winner; at most three
    (rounding, margin) lie outside the band or the right picture.
    """
    columns, rows = grid(6, width)
    expected = base + per_column * columns + per_row * rows
    over = band(expected, below, above)
    ranges = ranges_of(over)
    low = np.maximum(over.low_px, columns - (width - 1))
    high = np.minimum(over.high_px, columns)
    some = low <= high
    np.testing.assert_array_equal(ranges.count > 0, some)
    stretch = 1 - per_column
    last = ranges.first + ranges.count - 1
    assert np.all((ranges.first + 1) * stretch + expected <= low + 1e-2, where=some)
    assert np.all((last - 1) * stretch + expected >= high - 1e-2, where=some)
    assert np.all((ranges.first + 3) * stretch + expected >= low - 1e-2, where=some)
    assert np.all((last - 3) * stretch + expected <= high + 1e-2, where=some)


def test_the_range_of_a_rover_s_ground_holds_its_band() -> None:
    """The same for the bent disparities of a real rig, told by ``unwarp``, another way round."""
    rig = ideal_rig()
    both = common_view(rig)
    over = ground_band(both.camera, both.T_camera_rectified,
                       view_from(mount_of(rig), LEVEL, unknown_tilt_deg=0, scale_sigma=0),
                       MatchSettings())
    ranges = ranges_of(over)
    columns, _ = grid(*over.low_px.shape)
    low = np.maximum(over.low_px, columns - (both.camera.width - 1))
    high = np.minimum(over.high_px, columns)
    some = ranges.count > 0
    assert some.mean() > 0.5
    ends = (ranges.first + 1, ranges.first + ranges.count - 2)
    least, most = (unwarp(end.astype(np.float32), over.expected_px) for end in ends)
    assert np.all(least <= low + 0.02, where=some)
    assert np.all(most >= high - 0.02, where=some)


def test_the_ends_of_a_range_say_what_cut_it() -> None:
    """Band 5 to 30 over 60 columns: at column 20 the picture cuts it, at column 40 the band."""
    ranges = ranges_of(flat((1, 60), 5, 30))
    assert ranges.count[0, 4] == 0
    assert ranges.high_end[0, 20] == Blank.EDGE
    assert ranges.high_end[0, 40] == Blank.OUT_OF_RANGE
    assert ranges.low_end[0, 40] == Blank.OUT_OF_RANGE
    behind = ranges_of(flat((1, 60), -5, 30))  # column 58 could match column 63
    assert behind.low_end[0, 58] == Blank.EDGE
    assert behind.low_end[0, 40] == Blank.OUT_OF_RANGE


def test_candidates_come_in_whole_lanes() -> None:
    ranges = ranges_of(flat((1, 60), 5, 30))
    assert np.all(ranges.room % 32 == 0)
    assert np.all((ranges.room >= ranges.count) & (ranges.room - ranges.count < 32))
    assert ranges.room[0, 4] == 0


# What is found


@pytest.fixture(scope="module")
def slanted() -> Pair:
    columns, rows = grid(*SHAPE)
    return surface(14 + 0.03 * columns + 0.1 * rows, waves(1)).noisy(1)


@pytest.mark.parametrize("cap", [0, search.GREY_CAP])
def test_a_slanted_plane_is_found_to_a_pixel(slanted: Pair, cap: int) -> None:
    found = searched(slanted, flat(slanted.left.shape, 0, 45), grey_cap=cap)
    seen = in_both(slanted)
    off = np.abs(found.disparity_px - slanted.truth_px)[seen]
    assert np.isfinite(off).mean() > 0.99
    assert np.nanmean(off > 1) < 0.005


def test_the_residual_is_what_the_expected_disparity_leaves(slanted: Pair) -> None:
    over = band(slanted.truth_px + 3, 12, 12)
    found = searched(slanted, over)
    # d = r + e(x - r): with e = truth + 3 and a slope of 0.03, r = -3 / (1 - 0.03)
    assert np.nanmedian(found.residual_px) == pytest.approx(-3 / 0.97, abs=0.1)
    np.testing.assert_allclose(found.disparity_px, unwarp(found.residual_px, over.expected_px))


def test_without_a_grey_cap_exposure_changes_nothing(slanted: Pair) -> None:
    """Grey levels of one picture times 2: the census is the same, so is all that is found.

    Without warp: a resampled picture is rounded. The penalty of a jump asks the left picture.
    """
    over = flat(slanted.left.shape, 0, 45)
    double = Pair(left=slanted.left, right=2 * slanted.right + 8, truth_px=slanted.truth_px)
    assert_equal(searched(slanted, over, grey_cap=0), searched(double, over, grey_cap=0))
    # and with it the grey levels do count: else GREY_CAP would be idle
    assert not np.array_equal(searched(slanted, over).residual_px,
                              searched(double, over).residual_px, equal_nan=True)


def test_a_ramp_that_leaves_the_band_is_out_of_range_where_it_is_cut() -> None:
    """0.2 px a row, band up to 22, searched to 24: beyond that the best candidate is the last.

    Farther beyond, any candidate may win: nothing that is searched looks like the pixel.
    """
    _, rows = grid(*SHAPE)
    for truth, over in ((10 + 0.2 * rows, (0.0, 22.0)), (34 - 0.2 * rows, (22.0, 50.0))):
        pair = surface(truth, waves(1)).noisy(1)
        found = searched(pair, flat(truth.shape, *over))
        low, high = over
        beyond = np.maximum(truth - high, low - truth)
        cut = in_both(pair) & (beyond > 2.2) & (beyond < 4)
        inside = in_both(pair) & (beyond < 0)
        assert cut.sum() > 1000
        assert np.mean(found.reason[cut] == Blank.OUT_OF_RANGE) > 0.9
        assert np.mean(found.reason[cut] == Blank.MATCHED) < 0.05
        assert np.mean(found.reason[inside] == Blank.MATCHED) > 0.99


def test_a_box_above_the_band_is_out_of_range_not_ground() -> None:
    """Band to 30, box at 34: most of its face lies at the cut end, next to none is matched."""
    pair = with_patches(surface(10.0, waves(1)), [
        Patch(rows=(30, 90), columns=(110, 160), disparity_px=34)]).noisy(1)
    found = searched(pair, flat(pair.left.shape, 0, 30))
    box = pair.truth_px == 34
    assert np.mean(found.reason[box] == Blank.OUT_OF_RANGE) > 0.4
    assert np.mean(found.reason[box] == Blank.MATCHED) < 0.3
    assert np.mean(np.abs(found.disparity_px[box] - 10) < 1) < 0.05


def test_ground_that_leaves_the_right_picture_is_edge() -> None:
    """Disparity 40: the first 40 columns of the left picture have no match in the right one."""
    pair = surface(40.0, waves(1)).noisy(1)
    found = searched(pair, flat(pair.left.shape, 38, 60))
    assert np.all(found.reason[:, :38] == Blank.EDGE)
    assert np.mean(found.reason[:, 45:] == Blank.MATCHED) > 0.98


def test_what_the_near_hides_is_no_match() -> None:
    """A box 16 px before the ground hides 16 columns of ground left of it."""
    pair = with_patches(surface(10.0, waves(1)), [
        Patch(rows=(30, 90), columns=(110, 160), disparity_px=26)]).noisy(1)
    found = searched(pair, flat(pair.left.shape, 0, 40))
    hidden = np.zeros(pair.left.shape, bool)
    hidden[40:80, 97:107] = True
    assert np.mean(found.reason[hidden] == Blank.DISAGREE) > 0.85
    assert np.mean(found.reason[hidden] == Blank.MATCHED) < 0.06


# Strips


@given(st.lists(st.integers(0, 5000), min_size=1, max_size=300), st.integers(100, 200_000))
@settings(max_examples=80, deadline=None)
def test_strips_hold_every_row_once(candidates: list[int], most: int) -> None:
    """In order, with an overlap inside the picture; no strip is more than a row over its share."""
    rows = np.array(candidates, np.int64)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search, "MAX_STRIP_CANDIDATES", most)
        strips = search._strips(rows)
    assert [y for inner, _ in strips for y in range(inner.start, inner.stop)] == list(
        range(rows.size))
    for inner, outer in strips:
        assert outer.start == max(inner.start - 40, 0)
        assert outer.stop == min(inner.stop + 40, rows.size)
        assert rows[inner].sum() <= most + rows.max()


def test_strips_change_nothing(slanted: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
    """A path forgets what lies 40 rows back: what is found is the same, bit for bit.

    Without the overlap (0 rows) some pixels at the seams differ: the overlap is of use.
    """
    over = flat(slanted.left.shape, 0, 45)
    whole = searched(slanted, over)
    monkeypatch.setattr(search, "MAX_STRIP_CANDIDATES", 500_000)
    candidates = ranges_of(over).room.sum(axis=1, dtype=np.int64)
    assert len(search._strips(candidates)) >= 3
    assert_equal(searched(slanted, over), whole)
    monkeypatch.setattr(search, "_OVERLAP_ROWS", 0)
    assert not np.array_equal(searched(slanted, over).residual_px, whole.residual_px,
                              equal_nan=True)


def test_seams_of_strips_do_not_show_on_weak_texture(monkeypatch: pytest.MonkeyPatch) -> None:
    """Contrast 4, noise 2: paths forget slowly, so single pixels may differ, not by a jump."""
    _, rows = grid(160, 160)
    pair = surface(8 + 0.1 * rows, waves(3, 4.0)).noisy(2)
    over = band(pair.truth_px, 8, 8)
    whole = searched(pair, over)
    monkeypatch.setattr(search, "MAX_STRIP_CANDIDATES", 160 * 32 * 25)
    parts = searched(pair, over)
    both = np.isfinite(whole.disparity_px) & np.isfinite(parts.disparity_px)
    assert both.mean() > 0.5
    assert np.abs(whole.disparity_px - parts.disparity_px)[both].max() < 0.5
    assert np.mean(whole.reason == parts.reason) > 0.995


@two_cores
@pytest.mark.parametrize("most", [search.MAX_STRIP_CANDIDATES, 500_000])
def test_threads_change_nothing(
    slanted: Pair, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(search, "MAX_STRIP_CANDIDATES", most)
    over = band(slanted.truth_px, 15, 15)
    whole = searched(slanted, over)
    with limited_threads(2):
        assert_equal(searched(slanted, over), whole)


# Pyramid


@pytest.mark.parametrize("size", [(120, 200), (119, 199), (121, 198)])
def test_the_pyramid_finds_the_same(
    size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Searched at half size first, twice (30 x 50): the same to half a pixel, at odd sizes too."""
    columns, rows = grid(*size)
    pair = surface(14 + 0.03 * columns + 0.1 * rows, waves(1)).noisy(1)
    over = flat(size, 0, 45)
    plain = searched(pair, over)
    monkeypatch.setattr(search, "MAX_CANDIDATES", 100_000)
    found = searched(pair, over)
    assert found.disparity_px.shape == size
    both = np.isfinite(plain.disparity_px) & np.isfinite(found.disparity_px)
    assert np.mean(np.abs(plain.disparity_px - found.disparity_px)[both] > 0.5) < 0.005
    shares = [np.isfinite(f.disparity_px)[in_both(pair)].mean() for f in (plain, found)]
    assert shares[1] > shares[0] - 0.03


def test_half_size_goes_to_the_pixels_it_came_from() -> None:
    """Pixel i of half size is pixels 2 i and 2 i + 1; an odd one left over takes the last."""
    doubled = search._doubled(np.array([[1, 2], [3, 4]]), (5, 4))
    np.testing.assert_array_equal(doubled[:, 0], [1, 1, 3, 3, 3])
    np.testing.assert_array_equal(doubled[0], [1, 1, 2, 2])


def test_the_pyramid_searches_less(slanted: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
    """At full size only a few candidates about what half size showed: fewer than a third."""
    seen: list[int] = []
    rows_of = search._search_rows

    def counting(left: Map, right: Map, expected: Map, ranges: Any, *rest: Any) -> Any:
        seen.append(int(ranges.count.sum()))
        return rows_of(left, right, expected, ranges, *rest)

    monkeypatch.setattr(search, "_search_rows", counting)
    over = flat(slanted.left.shape, 0, 45)
    searched(slanted, over)
    monkeypatch.setattr(search, "MAX_CANDIDATES", 300_000)
    searched(slanted, over)
    whole, half, full = seen
    assert half < whole / 4
    assert full < whole / 3


def test_the_pyramid_keeps_the_reason_of_half_size(monkeypatch: pytest.MonkeyPatch) -> None:
    """What half size found out of range is not searched again: full size would match 37 % of it."""
    _, rows = grid(*SHAPE)
    pair = surface(10 + 0.4 * rows, waves(1)).noisy(1)
    monkeypatch.setattr(search, "MAX_CANDIDATES", 300_000)
    found = searched(pair, flat(pair.left.shape, 0, 30))
    beyond = in_both(pair) & (pair.truth_px > 34.5) & (pair.truth_px < 37)
    assert np.mean(found.reason[beyond] == Blank.OUT_OF_RANGE) > 0.5
    assert np.mean(found.reason[beyond] == Blank.MATCHED) < 0.1


def test_ground_that_outruns_the_row_has_no_candidates() -> None:
    """Expected disparity rising by a pixel a column: the right picture shows none of it.

    The ranges once came out negative there, and the loops wrote beyond their arrays.
    """
    columns, _ = grid(40, 60)
    expected = (1.2 * columns).astype(np.float32)
    band = SearchBand(expected_px=expected, low_px=expected - 2, high_px=expected + 2)
    ranges = search.ranges_of(band)
    assert not ranges.count.any()
    assert ranges.room.min() >= 0
    flat_grey = np.zeros((40, 60), np.float32)
    assert np.all(search.search(flat_grey, flat_grey, band).reason == Blank.EDGE)


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_band_is_finite(value: float) -> None:
    low = np.zeros((4, 5), np.float32)
    high = low.copy()
    high[2, 2] = value
    with pytest.raises(ValueError, match="finite everywhere"):
        SearchBand(expected_px=low, low_px=low, high_px=high)


def test_what_is_ambiguous_at_half_size_is_not_searched_again() -> None:
    """A narrow range would hide what a repeated pattern competes with."""
    ranges = search.ranges_of(flat((20, 40), 0, 10))
    reason = np.full((10, 20), Blank.AMBIGUOUS, np.uint8)
    reason[:, 10:] = Blank.MATCHED
    residual = np.where(reason == Blank.MATCHED, np.float32(2), np.float32(np.nan))
    half = search.Found(disparity_px=residual, residual_px=residual, reason=reason)
    count = search._narrowed(ranges, half).count
    assert not count[:, :20].any()
    assert np.all(count[:, 20:] > 0)
