"""Both mistakes of a rule, against quadrature and laws of probability."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from hazcam.tuning import onboard_mistakes
from hazcam.tuning.onboard_mistakes import false_go_and_needless
from hazcam.tuning.onboard_rule import GrossErrors, OnboardRule
from tests.tuning.test_onboard_rule import a_rule

RULE = a_rule(missed=3, overstated=2)
HEIGHT_M = 0.06


def by_quadrature(
    rule: OnboardRule, d: float, s: float, threshold: float
) -> tuple[float, float]:
    """Beyond and no stop, within and stop: integrated over the true demand."""
    def missed(x: float) -> float:
        return float(norm.pdf(x, d, s) * (1 - rule.stop_chance(threshold, x)))

    def stopped(x: float) -> float:
        return float(norm.pdf(x, d, s) * rule.stop_chance(threshold, x))

    low, high = d - 9 * s, d + 9 * s
    middle = min(max(HEIGHT_M, low), high)
    exact: dict[str, Any] = {"epsabs": 1e-11, "limit": 200}
    return quad(missed, middle, high, **exact)[0], quad(stopped, low, middle, **exact)[0]


@given(d=st.floats(0.03, 0.1), s=st.floats(1e-4, 0.02), threshold=st.floats(0.02, 0.1),
       tau=st.floats(5e-4, 0.02))
@settings(max_examples=40, deadline=None)
def test_the_closed_form_is_what_quadrature_gives(
    d: float, s: float, threshold: float, tau: float
) -> None:
    rule = replace(RULE, tau_m=tau, tau_most_m=2 * tau, tau_least_m=0.0)
    found = false_go_and_needless(rule, [d], [s], HEIGHT_M, [threshold])
    missed, stopped = by_quadrature(rule, d, s, threshold)
    # float32 keeps 6e-8 of a chance, quadrature 1e-8.
    assert found.missed[0, 0] == pytest.approx(missed, abs=2e-7)
    assert found.stopped[0, 0] == pytest.approx(stopped, abs=2e-7)


@given(d=st.floats(0.0, 0.2), s=st.floats(0, 0.03), threshold=st.floats(-0.05, 0.2))
@settings(max_examples=100, deadline=None)
def test_all_stops_together_are_those_of_the_report_alone(
    d: float, s: float, threshold: float
) -> None:
    """The report is normal by itself, with a variance of tau² + (gain sigma)²."""
    found = false_go_and_needless(RULE, [d], [s], HEIGHT_M, [threshold])
    z = (RULE.offset_m + RULE.gain * d - threshold) / np.hypot(RULE.tau_m, RULE.gain * s)
    over, kept = RULE.overstated.share, 1 - RULE.missed.share - RULE.overstated.share
    stops = found.beyond[0] - found.missed[0, 0] + found.stopped[0, 0]
    assert stops == pytest.approx(over + kept * norm.cdf(z), abs=1e-6)


def test_an_exact_demand_is_on_one_side() -> None:
    found = false_go_and_needless(RULE, [0.05, 0.07, HEIGHT_M], [0, 0, 0], HEIGHT_M, [0.05, 0.06])
    chance = RULE.stop_chance([0.05, 0.06], np.array([[0.05], [0.07], [HEIGHT_M]]))
    assert found.beyond.tolist() == [0, 1, 0]  # what is as high as the height is climbed
    assert found.missed == pytest.approx(np.array([[0], [1], [0]]) * (1 - chance), abs=1e-7)
    assert found.stopped == pytest.approx(np.array([[1], [0], [1]]) * chance, abs=1e-7)


def test_a_demand_at_the_height_and_a_report_at_the_threshold() -> None:
    """P(X <= 0, Y <= 0) = 1/4 + asin(rho) / (2 pi): closed form."""
    rule = a_rule()
    at = rule.offset_m + rule.gain * HEIGHT_M
    found = false_go_and_needless(rule, [HEIGHT_M], [0.004], HEIGHT_M, [at])
    rho = -rule.gain * 0.004 / np.hypot(rule.tau_m, rule.gain * 0.004)
    assert found.missed[0, 0] == pytest.approx(0.25 + np.arcsin(rho) / (2 * np.pi), abs=1e-7)


def test_rates_are_the_sums_over_the_ground(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(0)
    d, s, thresholds = rng.uniform(0, 0.1, 50), rng.uniform(0.001, 0.01, 50), np.linspace(0, 0.1, 7)
    found = false_go_and_needless(RULE, d, s, HEIGHT_M, thresholds)
    assert found.missed.dtype == found.stopped.dtype == np.float32
    assert found.missed.shape == (50, 7)
    assert found.false_go == pytest.approx(found.missed.sum(axis=0) / found.beyond.sum(), rel=1e-5)
    assert found.needless == pytest.approx(
        found.stopped.sum(axis=0) / (1 - found.beyond).sum(), rel=1e-5)
    assert np.all(np.diff(found.false_go) > 0)  # a greater threshold stops less
    assert np.all(np.diff(found.needless) < 0)
    monkeypatch.setattr(onboard_mistakes, "_AT_ONCE", 20)
    piecewise = false_go_and_needless(RULE, d, s, HEIGHT_M, thresholds)
    assert np.array_equal(piecewise.missed, found.missed)
    assert piecewise.needless == pytest.approx(found.needless, rel=1e-12)


def test_the_mistakes_are_those_of_a_simulated_rover() -> None:
    rng = np.random.default_rng(1)
    n = 400_000
    d, s, threshold = 0.058, 0.005, 0.055
    true = rng.normal(d, s, n)
    reported = RULE.offset_m + RULE.gain * true + rng.normal(0, RULE.tau_m, n)
    kind = rng.random(n)
    low, high = RULE.missed.share, RULE.overstated.share
    stops = ((reported > threshold) & (kind > low)) | (kind > 1 - high)
    found = false_go_and_needless(RULE, [d], [s], HEIGHT_M, [threshold])
    assert found.missed[0, 0] == pytest.approx(np.mean((true > HEIGHT_M) & ~stops), abs=0.003)
    assert found.stopped[0, 0] == pytest.approx(np.mean((true <= HEIGHT_M) & stops), abs=0.003)


def test_a_rate_of_nothing_is_not_known() -> None:
    found = false_go_and_needless(RULE, [0.01], [0.0], HEIGHT_M, [0.05])
    assert np.isnan(found.false_go[0])
    assert found.needless[0] >= RULE.overstated.share
    none = false_go_and_needless(RULE, [], [], HEIGHT_M, [0.05])
    assert np.isnan([none.false_go[0], none.needless[0]]).all()


def test_a_threshold_below_everything_leaves_only_the_misses() -> None:
    rule = a_rule(missed=5)
    found = false_go_and_needless(rule, [0.061], [0.002], HEIGHT_M, [-1.0])
    assert found.false_go[0] == pytest.approx(rule.missed.share, abs=1e-9)
    assert found.needless[0] == pytest.approx(1 - rule.missed.share, abs=1e-6)


@pytest.mark.parametrize(("d", "s", "thresholds", "says"), [
    ([0.1, 0.2], [0.01], [0.05], "one length"),
    ([0.1], [0.01], 0.05, "one length"),
    ([np.nan], [0.01], [0.05], "finite"),
    ([0.1], [-0.01], [0.05], "0 or more"),
    ([0.1], [0.01], [np.inf], "finite"),
])
def test_numbers_that_say_nothing_are_refused(
    d: list[float], s: list[float], thresholds: Any, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        false_go_and_needless(RULE, d, s, HEIGHT_M, thresholds)


def test_gross_errors_need_pairs() -> None:
    with pytest.raises(ValueError, match="2 gross errors of 1"):
        GrossErrors(pairs=("a", "b"), tried=1)
