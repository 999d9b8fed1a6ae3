"""How sure a disparity is: the terms one by one, their sum, and the scatter of real errors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hazcam.disparity import Blank
from hazcam.disparity.sigma import FLOOR_PX, GAINS, TERMS, sigma_px, sigma_terms
from hazcam.disparity.subpixel import Refined
from hazcam.frames import Floats
from tests.benchmarks.matching.scores import mad
from tests.disparity.pairs import (
    SHAPE,
    Mask,
    Pair,
    Patch,
    error_px,
    grid,
    in_both,
    match,
    surface,
    total_noise,
    waves,
    with_patches,
)

Map = NDArray[np.float32]
SIZE = (30, 40)


def terms_of(
    disparity_px: Floats, *, residual_grey2: float = 1.0, energy_grey2: float = 50.0,
    noise_variance: float = 1.0
) -> dict[str, Map]:
    """Terms of a surface, with nothing expected."""
    def filled(value: float) -> Map:
        return np.full(disparity_px.shape, value, np.float32)

    disparity = disparity_px.astype(np.float32)
    refined = Refined(disparity_px=disparity, residual_grey2=filled(residual_grey2),
                      energy_grey2=filled(energy_grey2))
    found = sigma_terms(refined, disparity, filled(noise_variance), 1.0)
    return dict(zip(TERMS, found, strict=True))


# Terms


@pytest.mark.parametrize(("residual_grey2", "noise_variance", "rules"), [
    (4.0, 1.0, 4.0), (0.5, 1.0, 1.0)])
def test_noise_is_the_bound_of_a_shift(
    residual_grey2: float, noise_variance: float, rules: float
) -> None:
    """Cramer-Rao: variance of the difference over the sum of squared gradients; the larger one.

    A window that fits by luck is no surer than the noise of the pictures.
    """
    found = terms_of(np.full(SIZE, 10.0), residual_grey2=residual_grey2,
                     noise_variance=noise_variance)
    np.testing.assert_allclose(found["noise"], np.sqrt(rules / 50), rtol=1e-6)


def test_a_plane_is_neither_rough_nor_an_edge() -> None:
    columns, rows = grid(*SIZE)
    found = terms_of(10 + 0.1 * columns + 0.1 * rows)
    inner = np.s_[8:-8, 8:-8]
    assert found["rough"].max() < 1e-3
    np.testing.assert_allclose(found["missing"][inner], 0, atol=1e-6)
    assert not found["edge"][inner].any()


def test_scatter_of_the_surface_is_rough() -> None:
    """White scatter s about a flat surface: less its smoothed self (1 / 49 of it) is about s."""
    rng = np.random.default_rng(1)
    found = terms_of(10 + 0.2 * rng.standard_normal((60, 80)))
    assert np.sqrt(np.mean(found["rough"] ** 2)) == pytest.approx(0.2, rel=0.1)


def test_a_gap_shows_around_itself() -> None:
    """Window 7 x 7: beside a half plane without matches 21 of 49 are missing (3 of 7 columns)."""
    surface_px = np.full(SIZE, 10.0)
    surface_px[:, 20:] = np.nan
    found = terms_of(surface_px)
    assert found["missing"][15, 19] == pytest.approx(21 / 49)
    assert found["missing"][15, 16] == pytest.approx(0, abs=1e-6)
    assert found["missing"][15, 0] == pytest.approx(21 / 49)  # beyond the picture nothing is known


@pytest.mark.parametrize(("jump_px", "expected"), [(1.0, 0.0), (2.0, 0.0), (5.0, 3.0),
                                                   (30.0, 6.0)])
def test_an_edge_shows_within_four_pixels(jump_px: float, expected: float) -> None:
    """Jumps from 2 px on count, up to 6 px more; the window has a side of 9."""
    surface_px = np.full(SIZE, 10.0)
    surface_px[:, 20:] += jump_px
    edge = terms_of(surface_px)["edge"][15]
    np.testing.assert_allclose(edge[16:24], expected, atol=1e-5)
    assert not edge[6:16].any()
    assert not edge[24:34].any()


def test_the_expected_slope_is_no_edge() -> None:
    """Ground of 0.6 px a row jumps by 4.8 px within the window; less the expected, by nothing."""
    _, rows = grid(*SIZE)
    ground = (10 + 0.6 * rows).astype(np.float32)
    ones = np.ones(SIZE, np.float32)
    refined = Refined(disparity_px=ground, residual_grey2=ones, energy_grey2=ones)
    edge = TERMS.index("edge")
    assert sigma_terms(refined, ground, ones, 1.0)[edge][10:20].min() > 2
    assert not sigma_terms(refined, ground - ground, ones, 1.0)[edge].any()


@pytest.mark.parametrize("level_px", [10.0, -10.0])
def test_a_gap_is_no_edge(level_px: float) -> None:
    surface_px = np.full(SIZE, level_px)
    surface_px[10:20, 10:20] = np.nan
    assert not terms_of(surface_px)["edge"][np.isfinite(surface_px)].any()


# Sum


@given(st.lists(st.floats(0, 5, width=32), min_size=len(TERMS), max_size=len(TERMS)))
@settings(max_examples=50, deadline=None)
def test_variances_add_up(values: list[float]) -> None:
    terms = np.array(values, np.float32).reshape(-1, 1, 1)
    parts = [GAINS[name] * value for name, value in zip(TERMS, values, strict=True)]
    expected = np.sqrt(FLOOR_PX**2 + np.sum(np.square(parts)))
    assert sigma_px(terms)[0, 0] == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("name", TERMS)
@given(base=st.floats(0, 2), more=st.floats(0.2, 2))
@settings(max_examples=10, deadline=None)
def test_each_term_makes_it_less_sure(name: str, base: float, more: float) -> None:
    """A gain of 0, or one that belongs to another term, would show."""
    terms = np.full((len(TERMS), 1, 2), base, np.float32)
    terms[TERMS.index(name), 0, 1] += np.float32(more)
    less, worse = sigma_px(terms)[0]
    assert worse > less
    added = GAINS[name] ** 2 * ((base + more) ** 2 - base**2)
    assert worse**2 - less**2 == pytest.approx(added, rel=1e-2, abs=1e-6)


def test_every_term_has_a_gain() -> None:
    assert set(GAINS) == set(TERMS)
    assert all(gain > 0 for gain in GAINS.values())


# Against real errors


def plane(seed: int, contrast_grey: float) -> Pair:
    columns, rows = grid(*SHAPE)
    return surface(12.3 + 0.05 * columns + 0.1 * rows, waves(seed, contrast_grey))


@pytest.mark.parametrize(("contrast_grey", "noise_grey"), [(25, 4), (25, 8), (10, 2), (6, 2)])
def test_errors_of_noise_scatter_by_sigma_or_a_little_less(
    contrast_grey: float, noise_grey: float
) -> None:
    """Where noise rules, errors over sigma scatter by 0.5 to 1.1: conservative, not timid.

    Fitted on rendered ground, so not exactly 1 here. Where the floor of 0.08 px rules (contrast
    25, noise 1: errors of 0.03 px) they scatter by less.
    """
    over = []
    for seed in (1, 2, 3):
        pair = plane(seed, contrast_grey).noisy(noise_grey, seed)
        found = match(pair, 50, total_noise(noise_grey))
        kept = in_both(pair) & np.isfinite(found.disparity_px)
        over.append(error_px(found, pair)[kept] / found.sigma_px[kept])
    scatter = mad(np.concatenate(over))
    assert 0.5 < scatter < 1.1


def test_sigma_grows_with_noise_as_the_errors_do() -> None:
    sigmas, scatters = [], []
    for noise_grey in (1, 2, 4, 8):
        pair = plane(2, 10).noisy(noise_grey)
        found = match(pair, 50, total_noise(noise_grey))
        kept = in_both(pair) & np.isfinite(found.disparity_px)
        sigmas.append(float(np.median(found.sigma_px[kept])))
        scatters.append(mad(error_px(found, pair)[kept]))
    assert all(np.diff(sigmas) > 0)
    assert all(np.diff(scatters) > 0)
    assert sigmas[-1] > 2 * sigmas[0]


def test_sigma_knows_that_texture_helps() -> None:
    """The same noise on a tenth of the contrast."""
    found = [match(plane(3, contrast).noisy(1), 50, total_noise(1)) for contrast in (30, 3)]
    medians = [np.nanmedian(one.sigma_px) for one in found]
    assert medians[1] > 1.7 * medians[0]


def near_and_far(pair: Pair, mark: Mask) -> tuple[Mask, Mask]:
    """Pixels in both pictures within 3 of the mark, and beyond 15 of it."""
    columns, rows = grid(*mark.shape)
    marked = np.argwhere(mark)
    distance = np.full(mark.shape, np.inf)
    for y, x in marked:
        np.minimum(distance, np.maximum(np.abs(rows - y), np.abs(columns - x)), out=distance)
    seen = in_both(pair)
    return seen & (distance <= 3), seen & (distance > 15)


def test_beside_a_depth_edge_it_is_less_sure() -> None:
    """The right side and the upper side of a box, where nothing is hidden but a window mixes."""
    pair = with_patches(surface(10.0, waves(1)), [
        Patch(rows=(40, 90), columns=(90, 140), disparity_px=22)]).noisy(1)
    found = match(pair, 40, total_noise(1))
    rim = np.zeros(SHAPE, bool)
    rim[45:85, 140] = True
    near, far = near_and_far(pair, rim)
    matched = found.blank == Blank.MATCHED
    assert (near & matched).sum() > 100
    assert (np.median(found.sigma_px[near & matched])
            > 2 * np.median(found.sigma_px[far & matched]))


def test_the_error_beside_an_edge_is_not_beyond_sigma() -> None:
    """Within 5 px of a box on all sides: next to no pixel is off by more than 3 sigma and 1 px."""
    pair = with_patches(surface(10.0, waves(1)), [
        Patch(rows=(40, 90), columns=(90, 140), disparity_px=22)]).noisy(1)
    found = match(pair, 40, total_noise(1))
    around = np.zeros(SHAPE, bool)
    around[35:95, 85:145] = True
    around[45:85, 95:135] = False
    matched = around & (found.blank == Blank.MATCHED)
    assert matched.sum() > 700
    off = np.abs(error_px(found, pair))[matched]
    assert np.mean((off > 1) & (off > 3 * found.sigma_px[matched])) < 0.05
