"""Profile likelihood of the height climbed, and its intervals."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from hazcam.tuning.curve import data_of
from hazcam.tuning.fit import fit_curve, separates
from hazcam.tuning.likelihood import LINKS, Link, Responses, objective, quantile, responses
from hazcam.tuning.profile import HeightProfile, height_interval
from tests.tuning.made_up import drawn


def campaign(seed: int, count: int = 30, sigma: float = 0.0) -> Responses:
    """Trials from 20 to 65 mm, of a curve with its middle at 45 mm."""
    return data_of(drawn(seed, count, half=0.045, scale=0.004, span=(0.02, 0.065), sigma=sigma))


@given(st.integers(0, 500), st.sampled_from(LINKS), st.sampled_from([0.5, 0.8, 0.95]))
@settings(max_examples=20, deadline=None)
def test_interval_grows_with_confidence_about_the_estimate(
    seed: int, link: Link, reliability: float
) -> None:
    data = campaign(seed)
    profile = HeightProfile(data, link)
    low = high = fit_curve(data, link, penalised=True).demand_at(reliability)
    assert profile.estimate(reliability) == low
    for confidence in (0.5, 0.8, 0.9, 0.95, 0.99):
        found = profile.interval(reliability, confidence)
        assert found.low < low
        assert found.high > high
        if math.isinf(found.low) or math.isinf(found.high):
            break
        low, high = found


@given(st.integers(0, 500), st.sampled_from(LINKS), st.floats(-20, 20), st.floats(0.1, 1000))
@settings(max_examples=15, deadline=None)
def test_interval_moves_and_scales_with_the_unit(
    seed: int, link: Link, shift: float, scale: float
) -> None:
    data = campaign(seed)
    moved = replace(data, mean=shift + scale * data.mean, variance=scale**2 * data.variance)
    one, other = (HeightProfile(d, link).interval(0.95, 0.9) for d in (data, moved))
    assert other == pytest.approx((shift + scale * one.low, shift + scale * one.high),
                                  abs=1e-4 * scale * 0.045 + 1e-7)


@given(st.integers(0, 500), st.sampled_from(LINKS))
@settings(max_examples=15, deadline=None)
def test_mirrored_trials_mirror_the_interval_of_the_halfway_demand(seed: int, link: Link) -> None:
    data = campaign(seed)
    mirrored = replace(data, mean=-data.mean, climbed=1 - data.climbed)
    one, other = (HeightProfile(d, link).interval(0.5, 0.95) for d in (data, mirrored))
    assert (-other.high, -other.low) == pytest.approx(tuple(one), abs=1e-6)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("penalised", [False, True])
@pytest.mark.parametrize("sigma", [0.0, 0.002])
@pytest.mark.parametrize("reliability", [0.5, 0.95])
def test_greatest_level_is_that_of_the_fit(
    link: Link, penalised: bool, sigma: float, reliability: float
) -> None:
    data = campaign(7, 40, sigma)
    assert not separates(data)
    profile = HeightProfile(data, link, penalised=penalised)
    fit = fit_curve(data, link, penalised=penalised)
    at = fit.demand_at(reliability)
    # The penalty has the unit of the demand in it, the profile its own: a standard deviation.
    unit = math.log(data.mean.std()) if penalised else 0.0
    best = float(objective(link, fit.intercept, fit.slope, data, penalised=penalised)) - unit
    assert profile.level(at, reliability) == pytest.approx(best, abs=2e-4)
    for away in (-0.004, -0.0005, 0.0005, 0.004):
        assert profile.level(at + away, reliability) < best


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("sigma", [0.0, 0.002])
@pytest.mark.parametrize("penalised", [False, True])
def test_level_against_every_slope_there_is(link: Link, sigma: float, penalised: bool) -> None:
    data = campaign(8, 40, sigma)
    unit = math.log(data.mean.std()) if penalised else 0.0
    slope = -np.geomspace(1e-1, 1e5, 4001)[:, None]
    for height in (0.025, 0.035, 0.046):
        at = quantile(link, 0.95) - slope * height
        best = float(objective(link, at, slope, data, penalised=penalised).max()) - unit
        found = HeightProfile(data, link, penalised=penalised).level(height, 0.95)
        assert found == pytest.approx(best, abs=1e-3)


def test_ends_lie_where_the_level_says() -> None:
    data = campaign(9)
    profile = HeightProfile(data, "logit")
    at = fit_curve(data, "logit", penalised=True).demand_at(0.95)
    found = profile.interval(0.95, 0.9)
    lacking = [2 * (profile.level(at, 0.95) - profile.level(end, 0.95)) for end in found]
    assert lacking == pytest.approx([chi2.ppf(0.9, 1)] * 2, abs=2e-3)


@pytest.mark.parametrize("link", LINKS)
def test_no_bound_where_the_demand_may_not_matter(link: Link) -> None:
    """Half climb at every height: that they do at any, or that 95 % do at none, is possible."""
    demand = np.arange(12.0)
    data = responses(demand, np.zeros(12), np.array([1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0]))
    profile = HeightProfile(data, link)
    assert profile.interval(0.95, 0.9).low == -math.inf
    assert tuple(profile.interval(0.5, 0.9)) == (-math.inf, math.inf)


@pytest.mark.parametrize("link", LINKS)
def test_separated_outcomes_have_both_bounds(link: Link) -> None:
    data = responses(np.linspace(0.02, 0.06, 20), np.zeros(20), np.arange(20) < 11)
    found = HeightProfile(data, link).interval(0.95, 0.9)
    assert 0 < found.low < data.mean[10]
    assert found.high < data.mean[11]


@pytest.mark.parametrize("sigma", [0.0, 0.002])
def test_sixteen_times_the_trials_narrow_it_to_a_quarter(sigma: float) -> None:
    few, many = (HeightProfile(data, "logit").interval(0.5, 0.9)
                 for data in (campaign(10, 50, sigma), campaign(10, 800, sigma)))
    assert (many.high - many.low) / (few.high - few.low) == pytest.approx(0.25, rel=0.25)


RISING = responses(np.arange(8.0), np.zeros(8), np.array([0, 0, 1, 0, 1, 1, 0, 1]))


@pytest.mark.parametrize("penalised", [False, True])
def test_nothing_is_known_where_the_chance_rises(penalised: bool) -> None:
    profile = HeightProfile(RISING, "logit", penalised=penalised)
    assert profile.estimate(0.95) is None
    assert tuple(profile.interval(0.95, 0.9)) == (-math.inf, math.inf)


@pytest.mark.parametrize(("reliability", "beyond"), [(0.5, True), (0.95, False)])
def test_without_penalty_a_step_parts_separated_outcomes(
    reliability: float, beyond: bool
) -> None:
    """It may stand anywhere between 3 and 5; at 5 the trial there fails against the odds."""
    demand = np.array([0.0, 1.0, 2.0, 3.0, 5.0, 6.0, 7.0])
    data = responses(demand, np.zeros(7), np.arange(7) < 4)
    profile = HeightProfile(data, "logit", penalised=False)
    at = profile.estimate(reliability)
    assert at is not None
    assert 3 < at < 5
    assert profile.level(at, reliability) == pytest.approx(0.0, abs=1e-6)
    assert profile.level(5.0, reliability) == pytest.approx(math.log(1 - reliability), abs=1e-3)
    found = profile.interval(reliability, 0.95)
    assert found.low < 3
    # ln 0.5 lacks less than chi-square's 3.84 / 2, ln 0.05 more
    assert (found.high > 5) == beyond


def test_without_penalty_a_step_in_the_errors_of_mixed_outcomes() -> None:
    """Against a fine search; outcomes mix by a millimetre, demands were measured to three."""
    demand = np.array([0.02, 0.03, 0.04, 0.0455, 0.0445, 0.05, 0.06, 0.07])
    data = responses(demand, np.full(8, 0.003), np.array([1, 1, 1, 1, 0, 0, 0, 0]))
    profile = HeightProfile(data, "probit", penalised=False)
    at = profile.estimate(0.5)
    assert at is not None
    best = max(profile.level(h, 0.5) for h in np.linspace(0.04, 0.05, 201))
    assert profile.level(at, 0.5) == pytest.approx(best, abs=1e-3)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_wider_of_both_at_either_end(seed: int) -> None:
    data = campaign(seed)
    one, other = (HeightProfile(data, "logit", penalised=penalised).interval(0.95, 0.95)
                  for penalised in (True, False))
    assert height_interval(data, "logit", 0.95, 0.95) == (
        min(one.low, other.low), max(one.high, other.high))
    # the penalty draws to shallow curves, of which the lower end is the lower
    assert one.low < other.low


@pytest.mark.parametrize("link", LINKS)
def test_a_step_between_two_rungs_is_not_ruled_out(link: Link) -> None:
    """Ten of ten climbed rungs 0 to 3, none the others: a rover that climbs 3.5 does just that."""
    data = responses(np.arange(8.0), np.zeros(8), np.where(np.arange(8) < 4, 10, 0),
                     tried=np.full(8, 10))
    assert height_interval(data, link, 0.95, 0.95).high > 3.5
    # what the penalty alone would say: it takes curves for likelier that fall by and by
    assert HeightProfile(data, link).interval(0.95, 0.95).high < 3.5
