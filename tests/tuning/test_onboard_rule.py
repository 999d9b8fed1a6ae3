"""What the rule of the algorithm on board does, and its bounds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, nct, norm
from scipy.stats import t as student

from hazcam.frames import Floats
from hazcam.tuning.onboard_rule import (
    EACH,
    GrossErrors,
    NoThreshold,
    OnboardRule,
    threshold_for,
)

N = 100
THRESHOLDS = np.linspace(-0.02, 0.15, 35)


def a_rule(missed: int = 0, overstated: int = 0, **changes: Any) -> OnboardRule:
    """Fitted to 100 pairs about 0.05 m; offset and gain as least squares knows them then."""
    tau = 0.006
    x = np.linspace(0, 0.1, N)
    X = np.column_stack([np.ones(N), x])
    covariance = np.zeros((3, 3))
    covariance[:2, :2] = tau**2 * np.linalg.inv(X.T @ X)
    covariance[2, 2] = 1 / (2 * N)
    fields: dict[str, Any] = {
        "rover": "dunlin-em", "kind": "step", "offset_m": 0.004, "gain": 0.9, "tau_m": tau,
        "covariance": covariance, "tau_least_m": 0.0052, "tau_most_m": 0.0071, "mean_m": 0.05,
        "spread_m": 0.03, "least_demand_m": 0.0, "most_demand_m": 0.1, "pairs": N,
        "missed": gross(missed), "overstated": gross(overstated)}
    return OnboardRule(**{**fields, **changes})


def gross(count: int, tried: int = N) -> GrossErrors:
    return GrossErrors(pairs=tuple(f"pair-{i}" for i in range(count)), tried=tried)


def test_the_chance_of_a_stop_is_how_often_a_simulated_rover_stops() -> None:
    rule = a_rule(missed=4, overstated=2)
    rng = np.random.default_rng(0)
    n, threshold = 200_000, 0.05
    for demand in (0.04, 0.052, 0.07):
        reported = rule.offset_m + rule.gain * demand + rng.normal(0, rule.tau_m, n)
        kind = rng.random(n)
        reported[kind < 0.04], reported[kind > 0.98] = 0.0, 1.0
        # Three standard deviations of a share of n.
        assert rule.stop_chance(threshold, demand) == pytest.approx(
            np.mean(reported > threshold), abs=3 * np.sqrt(0.25 / n))


def test_thresholds_and_demands_broadcast_and_unknown_ones_stay_so() -> None:
    rule = a_rule()
    x = np.array([[0.02], [0.06], [np.nan]])
    for of in (rule.stop_chance, rule.least_stop_chance):
        found = of(THRESHOLDS, x)
        assert found.shape == (3, len(THRESHOLDS))
        assert np.isnan(found[2]).all()
        assert np.isfinite(found[:2]).all()
        assert float(of(0.05, 0.06)) == pytest.approx(float(of([0.05], [0.06])[0]))


@given(demand=st.floats(0, 0.2), missed=st.integers(0, 5), least=st.sampled_from([0.0, 0.004]),
       most=st.floats(0.0065, 0.05), both=st.floats(-0.9, 0.9))
@settings(max_examples=80, deadline=None)
def test_the_bound_is_no_greater_than_the_chance_and_both_fall_with_the_threshold(
    demand: float, missed: int, least: float, most: float, both: float
) -> None:
    rule = a_rule(missed, 1, tau_least_m=least, tau_most_m=most, covariance=correlated(both / 2))
    chance, low = (of(THRESHOLDS, demand) for of in (rule.stop_chance, rule.least_stop_chance))
    assert np.all(low <= chance + 1e-12)
    assert np.all((low >= 0) & (chance <= 1))
    for values in (low, chance):
        assert np.all(np.diff(values) <= 1e-12)


def correlated(rho: float) -> Floats:
    """Covariance of a rule whose gain and log tau are correlated."""
    covariance = a_rule().covariance.copy()
    covariance[1, 2] = covariance[2, 1] = rho * np.sqrt(covariance[1, 1] * covariance[2, 2])
    return covariance


def test_a_noise_that_is_known_well_gives_the_delta_method() -> None:
    """Of offset + gain x - z tau, with the gradient (1, x, -z tau): closed form."""
    covariance = correlated(0.3)
    wider, t = N / (N - 2), student.ppf(EACH, N - 2)
    tau = 0.006 * np.sqrt(wider)
    off = t * np.sqrt(wider * covariance[2, 2])
    rule = a_rule(covariance=covariance, tau_least_m=tau * (1 - off), tau_most_m=tau * (1 + off))
    for x in (0.02, 0.08, 0.12):
        for z in (-2.0, 0.5, 1.645, 2.3):
            slope = np.array([1, x, -z * tau])
            at, sigma = 0.004 + 0.9 * x - z * tau, np.sqrt(slope @ (covariance * wider) @ slope)
            least = rule.least_stop_chance(at - t * sigma, x)
            assert least == pytest.approx((1 - rule.missed.most) * norm.cdf(z), rel=1e-9)
            if z > 0:
                assert rule.least_quantile_m(z, x) == pytest.approx(at - t * sigma, rel=1e-12)


@pytest.mark.parametrize("n", [20, 40])
def test_the_bound_is_near_the_exact_one_of_least_squares(n: int) -> None:
    """A tolerance bound of a regression is exact by the noncentral t distribution.

    Closed form; what is put together from two bounds comes within 5 % of it.
    """
    x = np.linspace(0, 0.1, n)
    X = np.column_stack([np.ones(n), x])
    tau, at, z = 0.006, 0.08, 1.645
    covariance = np.zeros((3, 3))
    covariance[:2, :2] = tau**2 * np.linalg.inv(X.T @ X)
    covariance[2, 2] = 1 / (2 * n)
    least, most = tau * np.sqrt(n / chi2.ppf([EACH, 1 - EACH], n - 2))
    rule = a_rule(covariance=covariance, pairs=n, tau_least_m=least, tau_most_m=most)
    s = tau * np.sqrt(n / (n - 2))
    h = float(np.array([1, at]) @ np.linalg.inv(X.T @ X) @ np.array([1, at]))
    exact = nct.ppf(EACH, n - 2, z / np.sqrt(h)) * np.sqrt(h)
    k = (rule.offset_m + rule.gain * at - rule.least_quantile_m(z, at)) / s
    assert k == pytest.approx(exact, rel=0.05)


@given(height=st.floats(0, 0.2), risk=st.floats(0.1, 0.4), missed=st.integers(0, 3),
       most=st.floats(0.0065, 0.05), rho=st.floats(-0.45, 0.45))
@settings(max_examples=60, deadline=None)
def test_the_threshold_leaves_the_risk_and_no_greater_one_does(
    height: float, risk: float, missed: int, most: float, rho: float
) -> None:
    rule = a_rule(missed, tau_most_m=most, covariance=correlated(rho))
    threshold = threshold_for(rule, height, risk)
    assert isinstance(threshold, float)
    assert rule.least_stop_chance(threshold, height) == pytest.approx(1 - risk, abs=1e-9)
    assert rule.least_stop_chance(threshold + 1e-4, height) < 1 - risk - 1e-7
    assert rule.stop_chance(threshold, height) > 1 - risk or missed


def test_no_threshold_mends_what_is_missed() -> None:
    """1 - 0.025^(1/n) falls below 5 % from 72 pairs on: closed form."""
    few = a_rule(missed=2, pairs=50)
    found = threshold_for(few, 0.06, 0.05)
    assert isinstance(found, NoThreshold)
    assert not found
    assert "missed 2 of 100" in found.reason
    assert "72 or more such pairs" in found.reason
    for tried, known in ((71, False), (72, True)):
        rule = replace(a_rule(), missed=gross(0, tried))
        assert isinstance(threshold_for(rule, 0.06, 0.05), float) is known


@pytest.mark.parametrize(("height", "risk"), [(-0.1, 0.05), (np.nan, 0.05), (0.06, 0.0),
                                              (0.06, 0.5), (0.06, np.nan)])
def test_heights_and_risks_out_of_range_are_refused(height: float, risk: float) -> None:
    with pytest.raises(ValueError, match="height of 0 or more and a risk"):
        threshold_for(a_rule(), height, risk)


def test_a_share_has_its_exact_interval() -> None:
    """1 of 29: R. G. Newcombe, Stat. Med. 17, 1998, table I: 0.0009 to 0.1776."""
    share = gross(1, 29)
    assert share.share == pytest.approx(1 / 29)
    assert share.interval == pytest.approx((0.0009, 0.1776), abs=5e-5)
    assert share.most == pytest.approx(share.interval.high, abs=1e-12)  # 97.5 % on one side
    # None of n: 1 - 0.025^(1/n), closed form.
    assert gross(0, 30).most == pytest.approx(1 - 0.025 ** (1 / 30), rel=1e-9)


@pytest.mark.parametrize(("changes", "says"), [
    ({"gain": 0.0}, "gain above 0"), ({"tau_m": 0.0}, "noise and a gain"),
    ({"pairs": 2}, "3 pairs"),
    ({"covariance": np.zeros((3, 3))}, "positive definite"),
    ({"covariance": np.eye(2)}, r"\(3, 3\)"),
    ({"tau_most_m": np.inf}, "bounded"), ({"tau_least_m": 0.01}, "bounded"),
])
def test_a_rule_that_is_none_is_refused(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        a_rule(**changes)


def test_the_interval_of_the_gain_is_student_s() -> None:
    low, high = a_rule().gain_interval
    x = np.linspace(0, 0.1, N)
    # s / sqrt(S_xx), s² = RSS / (n - 2): closed form of least squares.
    off = student.ppf(0.975, N - 2) * 0.006 * np.sqrt(N / (N - 2)) / (x.std() * np.sqrt(N))
    assert (low, high) == pytest.approx((0.9 - off, 0.9 + off), rel=1e-9)
