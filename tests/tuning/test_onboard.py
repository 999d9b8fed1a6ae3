"""The rule that is fitted to reports of the algorithm on board."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import binom

from hazcam.tuning.onboard import fit_onboard
from hazcam.tuning.onboard_reports import OnboardReports, SilentPair
from hazcam.tuning.onboard_rule import NoOnboardRule, NoThreshold, OnboardRule, threshold_for
from tests.tuning.onboard_data import GAIN, OFFSET_M, TAU_M, reports, simulated


def rule_of(found: OnboardReports) -> OnboardRule:
    rule = fit_onboard(found)
    assert isinstance(rule, OnboardRule), rule.reason
    return rule


def refused(found: OnboardReports) -> str:
    rule = fit_onboard(found)
    assert isinstance(rule, NoOnboardRule)
    assert not rule
    return rule.reason


@pytest.fixture(scope="module")
def fits() -> list[OnboardRule]:
    """Of 200 campaigns of 40 pairs, our own error as large as the rover's noise."""
    found = [fit_onboard(simulated(seed, 40)) for seed in range(200)]
    rules = [rule for rule in found if isinstance(rule, OnboardRule)]
    assert len(rules) >= 197  # in the others our error happens to explain all
    return rules


def within_error(count: int, n: int, share: float) -> bool:
    """Whether a count is one of the middle 99 % of a binomial variable."""
    low, high = binom.interval(0.99, n, share)
    return bool(low <= count <= high)


def test_the_rule_is_recovered_where_least_squares_is_too_flat() -> None:
    found = simulated(0, 3000, sigma_m=0.015)
    flat = float(np.polyfit(found.demand, found.reported, 1)[0])
    rule = rule_of(found)
    off = np.array([rule.offset_m, rule.gain, np.log(rule.tau_m)]) - [OFFSET_M, GAIN, np.log(TAU_M)]
    sigma = np.sqrt(np.diag(rule.covariance))
    assert np.all(np.abs(off) < 3 * sigma)
    assert sigma[1] < 0.02
    # Spread² of 0.1 m / sqrt(12) and the mean sigma²: the gain is 22 % too small.
    assert flat == pytest.approx(GAIN / (1 + np.mean(found.sigma**2) * 12 / 0.01), abs=0.02)
    assert flat < rule.gain_interval.low
    assert (rule.rover, rule.kind) == ("dunlin-em", "step")
    assert 2998 <= rule.pairs <= 3000  # noise alone is beyond 4 sigmas once in 16 000
    assert rule.spread_m == pytest.approx(0.1 / np.sqrt(12), rel=0.03)


def test_intervals_of_the_gain_hold_in_95_of_100(fits: list[OnboardRule]) -> None:
    held = sum(low <= GAIN <= high for low, high in (rule.gain_interval for rule in fits))
    assert within_error(held, len(fits), 0.95)
    assert np.mean([rule.gain for rule in fits]) == pytest.approx(GAIN, abs=0.015)


def test_bounds_of_noise_and_quantile_hold(fits: list[OnboardRule]) -> None:
    """Each with 97.5 %; what is bounded is known, because the reports are made up."""
    n = len(fits)
    above = sum(rule.tau_most_m >= TAU_M for rule in fits)
    below = sum(rule.tau_least_m <= TAU_M for rule in fits)
    true = OFFSET_M + GAIN * 0.08 - 1.645 * TAU_M
    quantile = sum(rule.least_quantile_m(1.645, 0.08) <= true for rule in fits)
    for held in (above, below, quantile):
        assert within_error(held, n, 0.975)


def test_misses_are_counted_and_do_not_pull_the_line() -> None:
    clean = simulated(1, 80)
    large = np.flatnonzero(clean.demand > 0.07)[:6]
    values = clean.reported.copy()
    values[large] = 0.0
    values[np.argmin(clean.demand)] = 0.2
    rule = rule_of(replace(clean, reported=values))
    assert rule.missed.pairs == tuple(clean.pairs[i] for i in large)
    assert rule.overstated.pairs == (clean.pairs[int(np.argmin(clean.demand))],)
    assert rule.pairs == 73
    assert rule.overstated.tried == 80
    # Only what would have stood out counts: a value of 4 standard deviations or more.
    assert 6 < rule.missed.tried < 70
    assert rule.gain == pytest.approx(GAIN, abs=0.1)
    assert rule.least_stop_chance(-1, 0.08) == pytest.approx(1 - rule.missed.most)
    low, high = rule.missed.interval
    assert low < 6 / rule.missed.tried < high < 0.4


def without_value(found: OnboardReports, which: Any, stopped: bool = False) -> OnboardReports:
    """The same pairs, some of which report nothing."""
    gone = set(np.flatnonzero(which).tolist())
    kept = [i for i in range(len(found.pairs)) if i not in gone]
    return replace(
        found, pairs=tuple(found.pairs[i] for i in kept), sites=("",) * len(kept),
        rovers=("dunlin-em",) * len(kept), reported=found.reported[kept],
        demand=found.demand[kept], sigma=found.sigma[kept], silent=tuple(
            SilentPair(found.pairs[i], "dunlin-em", float(found.demand[i]), float(found.sigma[i]),
                       stopped) for i in sorted(gone)))


def test_a_miss_counts_whether_it_is_reported_as_0_or_not_at_all() -> None:
    """Whatever fits the one fits the other: both leave the pairs out of the line."""
    clean = simulated(1, 80)
    large = (clean.demand > 0.07) & (np.arange(80) % 3 == 0)
    assert large.sum() >= 6
    as_0 = rule_of(replace(clean, reported=np.where(large, 0.0, clean.reported)))
    silent = rule_of(without_value(clean, large))
    assert len(as_0.missed.pairs) == large.sum()
    assert set(silent.missed.pairs) == set(as_0.missed.pairs)
    assert silent.missed.tried == as_0.missed.tried
    assert (silent.gain, silent.tau_m) == pytest.approx((as_0.gain, as_0.tau_m), rel=1e-9)
    assert isinstance(threshold_for(silent, 0.05, 0.1), NoThreshold)


def test_silence_before_low_ground_or_a_stop_is_no_miss() -> None:
    clean = simulated(1, 80)
    low, large = clean.demand < 0.02, clean.demand > 0.085
    assert low.sum() > 5
    assert large.sum() > 5
    quiet = rule_of(without_value(clean, low))
    assert quiet.missed.pairs == ()
    # A stop for whatever reason says nothing of what it saw: it was not tried.
    stopped = rule_of(without_value(clean, large, stopped=True))
    walked_on = rule_of(without_value(clean, large))
    assert stopped.missed.pairs == ()
    assert walked_on.missed.tried == stopped.missed.tried + large.sum()


def test_clean_reports_have_no_misses(fits: list[OnboardRule]) -> None:
    assert sum(len(rule.missed.pairs) + len(rule.overstated.pairs) for rule in fits) <= 3


def test_many_pairs_are_fitted_too() -> None:
    """More than are compared each with each for the first line."""
    found = simulated(2, 1200)
    values = found.reported.copy()
    large = np.flatnonzero(found.demand > 0.06)[::4]
    values[large] = -0.01
    rule = rule_of(replace(found, reported=values))
    assert rule.gain == pytest.approx(GAIN, abs=4 * float(np.sqrt(rule.covariance[1, 1])))
    assert rule.tau_m == pytest.approx(TAU_M, rel=0.1)
    assert len(rule.missed.pairs) == pytest.approx(len(large), abs=1)


def _none() -> OnboardReports:
    return replace(reports([], [], []), reason="no pair has a value")


def _two_rovers() -> OnboardReports:
    found = simulated(3, 20)
    return replace(found, rovers=("dunlin-em",) * 10 + ("dunlin-fm",) * 10)


def _unrelated() -> OnboardReports:
    found = simulated(4, 40)
    return replace(found, reported=np.random.default_rng(0).permutation(found.reported))


def _falling() -> OnboardReports:
    found = simulated(5, 40)
    return replace(found, reported=0.1 - found.reported)


def _only_our_error() -> OnboardReports:
    found = simulated(6, 40)
    return replace(found, reported=0.9 * found.demand + 0.004)


def _two_lines() -> OnboardReports:
    found = simulated(7, 40)
    values = found.reported.copy()
    values[:14] = -0.3
    return replace(found, reported=values)


def _constant() -> OnboardReports:
    return replace(simulated(8, 20), reported=np.full(20, 0.05))


REFUSED: list[tuple[Callable[[], OnboardReports], str]] = [
    (_none, "no pair has a value"),
    (_two_rovers, r"of 2 rovers \(dunlin-em, dunlin-fm\)"),
    (lambda: simulated(9, 7), "7 pairs have both .* 8 are the least \\(our choice"),
    (lambda: simulated(10, 30, low_m=0.05, high_m=0.05), "all the same within their errors"),
    (_constant, "does not follow the demand: it is 0.05 m in all 20 pairs"),
    (_unrelated, "does not follow the demand: its gain is .* not surely above 0"),
    (_falling, "does not follow the demand: its gain is -"),
    (_only_our_error, "errors of our own measurement explain how 40 reported values scatter"),
    (_two_lines, "14 of 40 reported values lie far off the line"),
    (lambda: simulated(11, 300, high_m=0.02, tau_m=0.012, sigma_m=0.001),
     "no step was large enough to stand out of the noise"),
]


@pytest.mark.parametrize(("made", "says"), REFUSED)
def test_a_rule_that_cannot_be_known_says_why(
    made: Callable[[], OnboardReports], says: str
) -> None:
    assert re.search(says, refused(made()))


def test_eight_pairs_are_enough() -> None:
    assert rule_of(simulated(12, 8, sigma_m=0.001)).pairs == 8


def test_exact_demands_that_differ_are_not_the_same() -> None:
    rng = np.random.default_rng(0)
    demand = np.repeat([0.03, 0.06], 6)
    rule = rule_of(reports(demand + rng.normal(0, 0.003, 12), demand, np.zeros(12)))
    assert rule.gain == pytest.approx(np.polyfit(demand, demand, 1)[0], abs=0.2)
    assert "all the same" in refused(
        reports(rng.normal(0, 0.003, 12), np.full(12, 0.03), np.zeros(12)))
