"""Success curves by maximum likelihood, and with Jeffreys' penalty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.special import expit

from hazcam.frames import Floats
from hazcam.tuning.fit import (
    CurveFit,
    InfiniteSlopeError,
    fit_curve,
    likeliest_curve,
    separates,
)
from hazcam.tuning.likelihood import LINKS, Link, Responses, objective, responses

HALF, SCALE = 0.045, 0.004


def trials(seed: int, count: int = 40, sigma: float = 0.0, scale: float = SCALE) -> Responses:
    rng = np.random.default_rng(seed)
    height = rng.uniform(0.02, 0.065, count)
    climbed = rng.random(count) < expit((HALF - height) / scale)
    return responses(height + sigma * rng.standard_normal(count), np.full(count, sigma), climbed)


SEPARATED = responses(np.linspace(0.02, 0.06, 8), np.zeros(8), np.arange(8) < 5)


@given(st.integers(0, 1000), st.sampled_from(LINKS), st.booleans(),
       st.floats(-50, 50), st.floats(0.01, 1000))
@settings(max_examples=25, deadline=None)
def test_demand_moves_and_scales_with_its_unit(
    seed: int, link: Link, penalised: bool, shift: float, scale: float
) -> None:
    data = trials(seed)
    assume(not separates(data))
    moved = replace(data, mean=shift + scale * data.mean)
    one, other = (fit_curve(d, link, penalised=penalised) for d in (data, moved))
    span = float(np.ptp(moved.mean))
    assert other.demand_at(0.5) == pytest.approx(shift + scale * one.demand_at(0.5),
                                                 abs=1e-6 * span)
    assert other.slope * scale == pytest.approx(one.slope, rel=1e-6)
    assert other.log_likelihood == pytest.approx(one.log_likelihood, rel=1e-9)
    assert other.covariance[1, 1] * scale**2 == pytest.approx(one.covariance[1, 1], rel=1e-4)


@given(st.integers(0, 1000), st.sampled_from(LINKS), st.booleans())
@settings(max_examples=25, deadline=None)
def test_swapped_outcomes_turn_the_curve_round(seed: int, link: Link, penalised: bool) -> None:
    data = trials(seed)
    assume(not separates(data))
    swapped = replace(data, climbed=data.tried - data.climbed)
    one, other = (fit_curve(d, link, penalised=penalised) for d in (data, swapped))
    assert (other.intercept, other.slope) == pytest.approx((-one.intercept, -one.slope), rel=1e-6)
    assert other.log_likelihood == pytest.approx(one.log_likelihood, rel=1e-9)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("penalised", [False, True])
@pytest.mark.parametrize("sigma", [0.0, 0.003])
def test_against_a_search_without_derivatives(link: Link, penalised: bool, sigma: float) -> None:
    data = trials(6, sigma=sigma)
    data = replace(data, mean=(data.mean - 0.04) / 0.01, variance=data.variance / 0.01**2)
    found = fit_curve(data, link, penalised=penalised)

    def lacking(at: Floats) -> float:
        return -float(objective(link, at[0], at[1], data, penalised=penalised))

    best = minimize(lacking, np.array([0.0, -1.0]), method="Nelder-Mead",
                    options={"xatol": 1e-8, "fatol": 1e-12, "maxiter": 2000})
    assert (found.intercept, found.slope) == pytest.approx(best.x, abs=1e-5)


@pytest.mark.parametrize("link", LINKS)
def test_covariance_is_that_of_many_campaigns(link: Link) -> None:
    """Of 150 campaigns of 400 trials each: the estimates vary as they say, to 3 sigma of that."""
    found = [fit_curve(trials(seed, count=400), link, penalised=False) for seed in range(150)]
    spread = np.std([fit.demand_at(0.5) for fit in found])

    def told(fit: CurveFit) -> float:
        by = np.array([-1.0, fit.intercept / fit.slope]) / fit.slope
        return float(np.sqrt(by @ fit.covariance @ by))

    assert spread == pytest.approx(np.median([told(fit) for fit in found]),
                                   rel=3 / np.sqrt(2 * 150))


def test_measured_demands_do_not_flatten_the_curve() -> None:
    """Of 4 000 trials with an error as large as the curve is wide: the slope is the true one."""
    data = trials(2, count=4000, sigma=SCALE)
    naive = replace(data, variance=np.zeros(4000),
                    mean=data.mean.mean() + (data.mean - data.mean.mean())
                    * 0.045**2 / 12 / (0.045**2 / 12 - SCALE**2))
    counted_in, left_out = (fit_curve(d, "logit", penalised=False) for d in (data, naive))
    within = 3 * float(np.sqrt(counted_in.covariance[1, 1]))
    assert counted_in.slope == pytest.approx(-1 / SCALE, abs=within)
    assert left_out.slope > -1 / SCALE + within
    assert counted_in.demand_at(0.5) == pytest.approx(HALF, abs=0.0005)


@pytest.mark.parametrize("link", LINKS)
def test_penalised_estimate_is_finite_where_outcomes_separate(link: Link) -> None:
    found = fit_curve(SEPARATED, link, penalised=True)
    last, first = SEPARATED.mean[4], SEPARATED.mean[5]
    assert last < found.demand_at(0.5) < first
    assert -20 / (first - last) < found.slope < 0
    assert np.isfinite(found.covariance).all()


@pytest.mark.parametrize("link", LINKS)
def test_penalised_estimate_where_all_climbed(link: Link) -> None:
    data = replace(SEPARATED, climbed=np.ones(8))
    assert np.isfinite(fit_curve(data, link, penalised=True).demand_at(0.5))


@pytest.mark.parametrize(("climbed", "parts"), [
    ((1, 1, 0, 0), True), ((0, 0, 1, 1), True), ((1, 1, 1, 1), True), ((0, 0, 0, 0), True),
    ((1, 0, 1, 0), False), ((0, 1, 1, 0), False)])
def test_separates(climbed: tuple[int, ...], parts: bool) -> None:
    data = responses(np.arange(4.0), np.zeros(4), np.array(climbed))
    assert separates(data) is parts


def test_outcomes_that_meet_in_one_demand_separate() -> None:
    data = responses(np.array([1.0, 2.0, 2.0, 3.0]), np.zeros(4), np.array([1, 1, 0, 0]))
    assert separates(data)


def test_no_curve_through_one_demand() -> None:
    data = responses(np.full(4, 0.05), np.zeros(4), np.array([1, 0, 1, 0]))
    with pytest.raises(ValueError, match="two different demands"):
        fit_curve(data, "logit", penalised=True)


def test_no_finite_curve_through_separated_outcomes() -> None:
    with pytest.raises(InfiniteSlopeError, match="separate"):
        fit_curve(SEPARATED, "logit", penalised=False)


# Outcomes mix by a millimetre, the demands were measured to three.
MIXED_BY_ERROR = responses(
    np.array([0.02, 0.03, 0.04, 0.0455, 0.0445, 0.05, 0.06, 0.07]), np.full(8, 0.003),
    np.array([1, 1, 1, 1, 0, 0, 0, 0]))


@pytest.mark.parametrize("link", LINKS)
def test_no_finite_curve_where_errors_explain_how_outcomes_mix(link: Link) -> None:
    assert not separates(MIXED_BY_ERROR)
    with pytest.raises(InfiniteSlopeError, match="errors of the demands explain"):
        fit_curve(MIXED_BY_ERROR, link, penalised=False)
    exact = replace(MIXED_BY_ERROR, variance=np.zeros(8))
    assert np.isfinite(fit_curve(exact, link, penalised=False).slope)


@pytest.mark.parametrize(("data", "penalised"), [
    (SEPARATED, True), (MIXED_BY_ERROR, True), (trials(1), False)])
def test_likeliest_is_penalised_only_where_nothing_finite_is_likeliest(
    data: Responses, penalised: bool
) -> None:
    found = likeliest_curve(data, "logit")
    assert found.penalised is penalised
    assert found.slope == fit_curve(data, "logit", penalised=penalised).slope
