"""Least squares on grey levels: bias, locking, slants, what may take part, what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from hazcam.disparity.subpixel import NO_MATCH, Refined, refine, scatter, smooth_on_surface
from hazcam.frames import Floats
from tests.benchmarks.matching.scores import pixel_locking
from tests.disparity.pairs import SHAPE, Mask, Pair, grid, in_both, match, surface, waves

Map = NDArray[np.float32]


def refined(
    pair: Pair, start: Floats, usable: tuple[Mask, Mask] | None = None
) -> Refined:
    everywhere = np.ones(pair.left.shape, bool)
    return refine(pair.left.astype(np.float32), pair.right.astype(np.float32),
                  usable or (everywhere, everywhere), start.astype(np.float32))


def errors(pair: Pair, start: Floats) -> Floats:
    """Of pixels away from the rim; every one of them has a disparity."""
    off = (refined(pair, start).disparity_px - pair.truth_px)[in_both(pair)]
    assert np.isfinite(off).all()
    return np.asarray(off)


@pytest.mark.parametrize("tenths", range(10))
def test_a_shift_by_a_fraction_is_recovered(tenths: int) -> None:
    """A texture below 0.2 cycles/px, without noise, from the whole pixel: bias below 0.01 px.

    The pairs are exact (sums of waves); what is left is the interpolation.
    """
    pair = surface(12 + tenths / 10, waves(1))
    off = errors(pair, np.rint(pair.truth_px))
    assert abs(float(off.mean())) < 0.01
    assert float(off.std()) < 0.02


def test_whole_pixels_are_not_favoured() -> None:
    """Disparities of every fraction in one picture: mean error against the fractional part.

    The bound is the issue's for pixel locking, 0.008 px; a parabola on costs locks by 0.09.
    """
    columns, rows = grid(*SHAPE)
    pair = surface(10 + 0.013 * columns + 0.07 * rows, waves(3)).noisy(1)
    found = match(pair, 40, 1.04).disparity_px
    kept = in_both(pair) & np.isfinite(found)
    assert kept.sum() > 10_000
    assert pixel_locking((found - pair.truth_px)[kept], pair.truth_px[kept]) < 0.008


@pytest.mark.parametrize("off_px", ["0.4", "scattered"])
@pytest.mark.parametrize(("per_column", "per_row"), [(0.0, 0.6), (0.2, 0.0), (-0.2, 0.3)])
def test_a_slanted_plane_is_not_biased(per_column: float, per_row: float, off_px: str) -> None:
    """Grazing ground: 0.6 px a row. One shift for the whole window would blur it.

    From 0.4 px off everywhere, and from disparities that scatter by 0.35 px either way: what
    scatter is left is that of the smoothed start, as the window knows one shift only.
    """
    columns, rows = grid(*SHAPE)
    pair = surface(30 + per_column * (columns - 100) + per_row * (rows - 60), waves(2))
    scattered = np.random.default_rng(0).uniform(-0.35, 0.35, SHAPE)
    off = errors(pair, pair.truth_px + (0.4 if off_px == "0.4" else scattered))
    assert abs(float(off.mean())) < 0.01
    assert float(off.std()) < 0.04
    assert float(np.abs(off).max()) < 0.2


@given(start=st.floats(-0.6, 0.6))
@settings(max_examples=8, deadline=None)
def test_the_start_does_not_show(start: float) -> None:
    """Two steps of at most half a pixel each reach the truth."""
    pair = surface(12.3, waves(1))
    assert abs(float(errors(pair, pair.truth_px + start).mean())) < 0.02


def test_exposure_does_not_show() -> None:
    """An offset is taken out by each window; a gain of 0.9 costs little of a small shift."""
    pair = surface(12.3, waves(1))
    lifted = Pair(left=pair.left, right=pair.right + 40, truth_px=pair.truth_px)
    start = np.rint(pair.truth_px)
    np.testing.assert_allclose(refined(lifted, start).disparity_px,
                               refined(pair, start).disparity_px, atol=2e-3)
    dimmed = Pair(left=pair.left, right=0.9 * pair.right, truth_px=pair.truth_px)
    assert abs(float(errors(dimmed, start).mean())) < 0.02


def test_what_moves_too_far_is_dropped() -> None:
    """A lone pixel 0.9 px beside a surface that is itself 1.1 px off.

    Smoothing draws it by 0.9 px (48/49), the two steps by half a pixel each: more than the one
    pixel that is allowed. The surface itself moves by one pixel, and stays.
    """
    pair = surface(12.0, waves(1))
    start = pair.truth_px - 1.1
    start[60, 100] -= 0.9
    found = refined(pair, start).disparity_px
    assert np.isnan(found[60, 100])
    assert np.isfinite(found[60, 101])
    assert found[60, 101] - start[60, 101] == pytest.approx(1.0, abs=0.05)


def test_no_match_stays_no_match() -> None:
    pair = surface(12.0, waves(1))
    start = pair.truth_px.copy()
    start[40:50, 90:110] = np.nan
    found = refined(pair, start).disparity_px
    assert np.isnan(found[40:50, 90:110]).all()
    assert np.isfinite(found[55:, 90:110][:-6]).all()


def test_where_the_right_picture_ends_there_is_no_refinement() -> None:
    """Cubic interpolation needs one column to the left and two to the right of the place."""
    pair = surface(12.5, waves(1))
    found = refined(pair, pair.truth_px).disparity_px[60]
    assert np.isnan(found[:13]).all()  # place 0.5 has no column -1
    assert np.isfinite(found[16:]).all()


@pytest.mark.parametrize("side", [0, 1])
def test_unusable_pixels_take_no_part(side: int) -> None:
    """Two kinds of rubbish in a block that is marked unusable give the same, bit for bit.

    In the right picture interpolation reaches two columns beyond what is asked for, so the mark
    is wider than the rubbish by that.
    """
    pair = surface(12.3, waves(1))
    usable = [np.ones(pair.left.shape, bool) for _ in range(2)]
    usable[side][50:60, 80:94] = False
    found = []
    for rubbish in (0.0, 255.0):
        left, right = pair.left.copy(), pair.right.copy()
        (left, right)[side][50:60, 82:92] = rubbish
        spoilt = Pair(left=left, right=right, truth_px=pair.truth_px)
        found.append(refined(spoilt, pair.truth_px, (usable[0], usable[1])).disparity_px)
    block = np.zeros(pair.left.shape, bool)
    shift = 12 * side
    block[48:62, 76 + shift : 98 + shift] = True
    np.testing.assert_array_equal(found[0][~block], found[1][~block])
    assert np.isnan(found[0][52:58, 84 + shift : 90 + shift]).all()
    assert np.abs(found[0] - 12.3)[in_both(pair) & ~block].max() < 0.2


def test_residual_is_the_noise_of_the_difference() -> None:
    """Noise s on both, the right one resampled at half a pixel by (-1, 9, 9, -1) / 16.

    Keys's kernel at one half; so the variance is s² (1 + (2 (1/16)² + 2 (9/16)²)) = 1.64 s².
    """
    pair = surface(12.5, waves(1))
    rng = np.random.default_rng(3)
    left, right = (p + 3 * rng.standard_normal(p.shape) for p in (pair.left, pair.right))
    noisy = Pair(left=left, right=right, truth_px=pair.truth_px)
    found = refined(noisy, pair.truth_px)
    kernel = 1 + 2 * (1 / 16) ** 2 + 2 * (9 / 16) ** 2
    # disparities scatter about one half, which adds up to some percent
    assert found.residual_grey2[in_both(pair)].mean() == pytest.approx(9 * kernel, rel=0.05)


def test_energy_is_the_sum_of_squared_gradients() -> None:
    """A wave along the row of 1 / 16 cycles/px: gradient A sin(2 pi / 16), half of it squared.

    Nine rows of nine columns; over whole periods the mean is zero, over nine columns nearly.
    """
    columns, rows = grid(*SHAPE)
    picture = 110 + 20 * np.cos(2 * np.pi * columns / 8) + 0 * rows
    pair = Pair(left=picture, right=picture, truth_px=np.zeros(SHAPE))
    energy = refined(pair, pair.truth_px).energy_grey2[60, 20:180]
    gradient = 20 * np.sin(2 * np.pi / 8)
    assert energy.mean() == pytest.approx(81 * gradient**2 / 2, rel=0.03)


# Smoothing within a surface


@given(a=st.floats(-0.12, 0.12), b=st.floats(-0.12, 0.12), c=st.floats(-50, 300))
@settings(max_examples=15, deadline=None)
def test_smoothing_keeps_a_plane(a: float, b: float, c: float) -> None:
    """Pairs of opposite neighbours have the mean of their middle, at the rim as well."""
    columns, rows = grid(20, 30)
    plane = (c + a * columns + b * rows).astype(np.float32)
    np.testing.assert_allclose(smooth_on_surface(plane, 3, 1.0), plane, atol=2e-4)


def test_smoothing_does_not_cross_an_edge() -> None:
    plane = np.full((20, 30), 10, np.float32)
    plane[:, 15:] = 11.5
    np.testing.assert_array_equal(smooth_on_surface(plane, 3, 1.0), plane)


def test_smoothing_averages_what_is_one_surface() -> None:
    """A bump of 0.5 px in one pixel: 49 pixels of the window share it."""
    plane = np.zeros((20, 30), np.float32)
    plane[10, 15] = 0.5
    assert smooth_on_surface(plane, 3, 1.0)[10, 15] == pytest.approx(0.5 / 49)


def test_smoothing_keeps_no_match() -> None:
    plane = np.full((20, 30), 10, np.float32)
    plane[8:12, 10:20] = NO_MATCH
    found = smooth_on_surface(plane, 3, 1.0)
    np.testing.assert_array_equal(found == NO_MATCH, plane == NO_MATCH)
    np.testing.assert_array_equal(found[plane != NO_MATCH], 10)


# Scatter


@given(off2=arrays(np.float32, (7, 9), elements=st.integers(0, 100)),
       known=arrays(np.bool_, (7, 9)), rough_half=st.integers(0, 4),
       missing_half=st.integers(0, 4))
@settings(max_examples=50, deadline=None)
def test_scatter_is_that_of_a_slow_loop(
    off2: Map, known: Mask, rough_half: int, missing_half: int
) -> None:
    """Windows are cut by the rim; there is nothing known outside the picture."""
    off2 = off2 * known
    rough, missing = np.empty((2, 7, 9), np.float32)
    scatter(off2, known.astype(np.float32), rough_half, missing_half, rough, missing)
    for y in range(7):
        for x in range(9):
            near, wide = (np.s_[max(y - half, 0) : y + half + 1, max(x - half, 0) : x + half + 1]
                          for half in (rough_half, missing_half))
            mean = off2[near].sum() / max(known[near].sum(), 1)
            assert rough[y, x] == pytest.approx(np.sqrt(mean), rel=1e-5)
            share = 1 - known[wide].sum() / (2 * missing_half + 1) ** 2
            assert missing[y, x] == pytest.approx(share, abs=1e-6)
