"""The success curve of a group, or why there is none."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from hazcam.tuning.curve import (
    NoCurve,
    SuccessCurve,
    curve_of,
    curves_of,
    data_of,
    height_climbed,
)
from hazcam.tuning.likelihood import LINKS, quantile
from hazcam.tuning.profile import HeightProfile
from hazcam.tuning.record import TrialGroup
from tests.tuning.made_up import drawn, group_of


@pytest.fixture(autouse=True, scope="module")
def few_draws() -> Iterator[None]:
    """The fit to the lots is looked at elsewhere."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("hazcam.tuning.goodness._DRAWS", 9)
        yield


def curve(group: TrialGroup, prior: TrialGroup | None = None, weight: float = 0.0) -> SuccessCurve:
    found = curve_of(group, reliability=0.95, confidence=0.95, prior=prior, prior_weight=weight)
    assert isinstance(found, SuccessCurve)
    return found


@pytest.fixture(scope="module")
def found() -> SuccessCurve:
    return curve(drawn(1, 36))


# --- no curve -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("demand", "climbed", "sigma", "reason"), [
    ([0.03], [1], 0.0, "1 trial: a curve needs at least 3"),
    ([0.03, 0.06], [1, 0], 0.0, "2 trials: a curve needs at least 3"),
    ([0.03, 0.04, 0.05], [1, 1, 1], 0.0,
     "all 3 trials climbed, up to 0.05 m: where it ends to climb is not known; try greater"),
    ([0.03, 0.04, 0.05], [0, 0, 0], 0.0,
     "none of the 3 trials climbed, down to 0.03 m: where it begins to climb is not known; try"),
    ([0.04] * 4, [1, 0, 1, 0], 0.0, "all trials are of one demand, 0.04 m: try others too"),
    ([0.040, 0.041, 0.042, 0.043], [1, 1, 0, 0], 0.002,
     "the demands differ no more than the errors they were measured with: try demands farther"),
    ([0.03, 0.04, 0.05, 0.06, 0.07], [0, 1, 0, 1, 1], 0.0,
     "the fitted chance to climb rises with the demand"),
    ([0.03, 0.04, 0.05, 0.06], [0, 0, 1, 1], 0.0,
     "the fitted chance to climb rises with the demand"),
])
def test_why_there_is_no_curve(
    demand: list[float], climbed: list[int], sigma: float, reason: str
) -> None:
    group = group_of(demand, climbed, sigma=sigma)
    found = curve_of(group, reliability=0.95, confidence=0.95)
    assert isinstance(found, NoCurve)
    assert reason in found.reason
    assert found.support.at == min(demand)
    assert height_climbed(group, reliability=0.95, confidence=0.95) is None


def test_angles_are_told_in_degrees() -> None:
    found = curve_of(group_of([10, 20, 30], [1, 1, 1], kind="slope"), reliability=0.9,
                     confidence=0.9)
    assert isinstance(found, NoCurve)
    assert "up to 30 deg" in found.reason


# --- a curve --------------------------------------------------------------------------------------


def test_height_climbed_lies_on_the_likelier_curve(found: SuccessCurve) -> None:
    assert found.fit.log_likelihood == max(fit.log_likelihood for fit in found.fits.values())
    at = found.fit.intercept + found.fit.slope * found.climbed.estimate
    assert at == pytest.approx(quantile(found.link, 0.95))
    assert found.climbed.interval.low < found.climbed.estimate < found.climbed.interval.high


def test_low_is_the_least_of_both_links(found: SuccessCurve) -> None:
    by_link = found.climbed.by_link
    assert set(by_link) == set(LINKS)
    assert found.climbed.low == min(interval.low for interval in by_link.values())
    assert found.climbed.interval.high == max(interval.high for interval in by_link.values())
    assert by_link["logit"].low != by_link["probit"].low


def test_low_is_where_the_penalised_profile_falls_short(found: SuccessCurve) -> None:
    """One-sided 95 %: 1.645^2 / 2 below the best, of the link that gives it."""
    link = min(LINKS, key=lambda name: found.climbed.by_link[name].low)
    profile = HeightProfile(data_of(drawn(1, 36)), link)
    at = profile.estimate(0.95)
    assert at is not None
    assert profile.level(at, 0.95) - profile.level(found.climbed.low, 0.95) == pytest.approx(
        1.6448536**2 / 2, abs=2e-3)


def test_more_is_asked_the_lower_it_is() -> None:
    group = drawn(2, 36)
    lows = [[curve_at.low for confidence in (0.8, 0.95, 0.99)
             if (curve_at := height_climbed(group, reliability=reliability,
                                            confidence=confidence)) is not None]
            for reliability in (0.8, 0.95)]
    assert lows[0] == sorted(lows[0], reverse=True)
    assert all(high > low for high, low in zip(*lows, strict=True))


def test_height_alone_is_that_of_the_curve(found: SuccessCurve) -> None:
    alone = height_climbed(drawn(1, 36), reliability=0.95, confidence=0.95)
    assert alone == found.climbed


def test_band_runs_down_the_curve(found: SuccessCurve) -> None:
    assert [point.probability for point in found.band] == sorted(
        point.probability for point in found.band)
    for earlier, later in zip(found.band, found.band[1:], strict=False):
        assert earlier.estimate > later.estimate
        assert earlier.interval.low >= later.interval.low
    assert found.halfway in found.band
    assert found.halfway.probability == 0.5
    for point in found.band:
        assert point.interval.low < point.estimate < point.interval.high


def test_support_is_counted_at_the_lower_bound(found: SuccessCurve) -> None:
    assert found.support.at == found.climbed.low


def test_separated_outcomes_have_a_curve() -> None:
    demand = np.linspace(0.03, 0.06, 16)
    found = curve(group_of(demand, (demand < 0.044).tolist()))
    assert found.fit.penalised
    assert 0.042 < found.halfway.estimate < 0.046
    assert math.isfinite(found.climbed.low)


def test_weak_trials_bound_nothing() -> None:
    found = curve(group_of(np.linspace(0.03, 0.06, 10), [1, 0, 1, 1, 0, 1, 0, 0, 1, 0]))
    assert found.climbed.low == -math.inf
    assert found.support.at == pytest.approx(0.03)


def test_with_centimetres_in_place_of_metres(found: SuccessCurve) -> None:
    """Height bounds follow the unit, whatever it is called."""
    group = drawn(1, 36)
    scaled = replace(group, trials=tuple(replace(t, demand=100 * t.demand) for t in group.trials))
    other = curve(scaled).climbed
    assert (other.low, other.estimate) == pytest.approx(
        (100 * found.climbed.low, 100 * found.climbed.estimate), rel=1e-3)


# --- simulated trials as a prior ------------------------------------------------------------------


def test_prior_of_weight_nought_is_none(found: SuccessCurve) -> None:
    other = curve(drawn(1, 36), drawn(5, 30, simulated=True), 0.0)
    assert other.climbed == found.climbed
    assert other.band == found.band
    assert other.goodness == found.goodness


def test_prior_of_weight_one_is_pooled() -> None:
    """But for what is counted at the height, and the lots: those are of the group's own."""
    walked, simulated = drawn(1, 36), drawn(5, 30, simulated=True)
    both = replace(walked, trials=walked.trials + tuple(
        replace(trial, simulated=False) for trial in simulated.trials))
    with_prior, pooled = curve(walked, simulated, 1.0), curve(both)
    assert with_prior.climbed == pooled.climbed
    assert with_prior.band == pooled.band
    assert sum(lot.tried for lot in with_prior.goodness.lots) == 36
    assert with_prior.support.tried <= pooled.support.tried


def test_prior_draws_the_height_to_it_as_it_weighs_more() -> None:
    walked, simulated = drawn(1, 36), drawn(5, 200, half=0.055, simulated=True)
    found = [curve(walked, simulated, weight).halfway.estimate for weight in (0.0, 0.1, 1.0)]
    assert found == sorted(found)
    assert found[-1] > found[0] + 0.003


def test_curves_of_a_table_take_the_simulated_trials_of_the_same_conditions() -> None:
    walked, simulated = drawn(1, 36), drawn(5, 30, simulated=True)
    other = drawn(6, 30, simulated=True, kind="gap")
    groups = (walked, simulated, other)
    alone = curves_of(groups, reliability=0.95, confidence=0.95)
    leaning = curves_of(groups, reliability=0.95, confidence=0.95, prior_weight=0.2)
    assert [c.group for c in alone] == [c.group for c in leaning] == list(groups)
    assert all(isinstance(c, SuccessCurve) and c.prior is None for c in alone)
    assert [c.prior if isinstance(c, SuccessCurve) else "none" for c in leaning] == [
        simulated, None, None]
    assert leaning[0] != alone[0]
