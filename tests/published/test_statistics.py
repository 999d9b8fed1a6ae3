"""Exact intervals and tests against published tables; resampling against what must be so."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from hazcam.statistics import (
    clopper_pearson,
    cluster_rate_difference,
    cluster_rate_interval,
    mcnemar_exact,
)

# --- exact interval -------------------------------------------------------------------------------


# R. G. Newcombe, "Two-sided confidence intervals for the single proportion," Statist. Med. 17,
# 1998, table I, method 5 (Clopper-Pearson, exact), 95 %, two-sided; four digits.
@pytest.mark.parametrize(("failures", "trials", "low", "high"), [
    (81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0000, 0.1684),
    (1, 29, 0.0009, 0.1776),
])
def test_newcombes_table(failures: int, trials: int, low: float, high: float) -> None:
    found = clopper_pearson(failures, trials, sided="two")
    assert found == pytest.approx((low, high), abs=5e-5)


# Without failures the one-sided bound is 1 - 0.05^(1/n) (Clopper and Pearson 1934, by hand).
@pytest.mark.parametrize(("trials", "high"), [
    (10, 0.258866), (20, 0.139108), (30, 0.095034), (59, 0.049508), (100, 0.029513),
    (299, 0.009969),
])
def test_no_failures_one_sided(trials: int, high: float) -> None:
    found = clopper_pearson(0, trials)
    assert found == pytest.approx((0.0, high), abs=5e-7)
    # J. A. Hanley and A. Lippman-Hand, JAMA 249, 1983: 3 / n, always a little more
    assert found.high < 3 / trials


@pytest.mark.parametrize(("trials", "high"), [(10, 0.308497), (30, 0.115703)])
def test_no_failures_two_sided_is_the_larger(trials: int, high: float) -> None:
    """By hand: 1 - 0.025^(1/n)."""
    found = clopper_pearson(0, trials, sided="two")
    assert found == pytest.approx((0.0, high), abs=5e-7)
    assert found.high > clopper_pearson(0, trials).high


def test_conovers_peas() -> None:
    """W. J. Conover, Practical Nonparametric Statistics, 1971, p. 97, as in R's binom.test."""
    found = clopper_pearson(682, 925, sided="two")
    assert found == pytest.approx((0.7076683, 0.7654066), abs=5e-8)


def test_lower_bound_of_three_in_fifteen() -> None:
    """The page of binomtest in scipy: 3 of 15, one-sided lower bound 0.05684686759024681.

    A lower bound at 95 % is that of the central interval at 90 %, and mirrors the upper bound of
    what did not happen.
    """
    assert clopper_pearson(3, 15, confidence=0.90, sided="two").low == pytest.approx(
        0.05684686759024681, rel=1e-12)
    assert 1 - clopper_pearson(12, 15).high == pytest.approx(0.05684686759024681, rel=1e-12)


def test_without_trials_nothing_is_known() -> None:
    assert clopper_pearson(0, 0) == (0.0, 1.0)
    assert clopper_pearson(0, 0, sided="two") == (0.0, 1.0)


@pytest.mark.parametrize(("failures", "trials"), [(-1, 5), (6, 5)])
def test_more_failures_than_trials(failures: int, trials: int) -> None:
    with pytest.raises(ValueError, match="from 0 to the number of trials"):
        clopper_pearson(failures, trials)


# --- McNemar --------------------------------------------------------------------------------------


def test_agrestis_approval_ratings() -> None:
    """A. Agresti, Categorical Data Analysis, 1990, p. 350: [[794, 150], [86, 570]].

    The exact p value, which is near the chi-square ones of 3.099e-05 and 4.115e-05 (corrected).
    """
    assert mcnemar_exact(150, 86) == pytest.approx(3.7159e-05, abs=5e-10)
    assert mcnemar_exact(86, 150) == mcnemar_exact(150, 86)


def test_small_table() -> None:
    """By hand: 2 P(X <= 3) of 14 throws of a coin = 2 (1 + 14 + 91 + 364) / 2^14."""
    assert mcnemar_exact(3, 11) == pytest.approx(0.057373, abs=5e-7)
    assert mcnemar_exact(3, 11) == pytest.approx(2 * (1 + 14 + 91 + 364) / 2**14, rel=1e-12)


def test_settings_that_never_differ() -> None:
    assert mcnemar_exact(0, 0) == 1.0


def test_negative_number_of_cases() -> None:
    with pytest.raises(ValueError, match="0 or more"):
        mcnemar_exact(-1, 3)


# --- resampling -----------------------------------------------------------------------------------


def test_independent_trials_agree_with_the_normal_approximation() -> None:
    """400 clusters of one trial, 100 events: 0.25 +- 1.96 sqrt(0.25 x 0.75 / 400)."""
    found = cluster_rate_interval(np.arange(400) < 100, np.ones(400), seed=1)
    half = norm.ppf(0.975) * np.sqrt(0.25 * 0.75 / 400)
    assert found == pytest.approx((0.25 - half, 0.25 + half), abs=0.05 * half + 0.5 / 400)


def test_copies_widen_by_the_square_root() -> None:
    """25 trials in each cluster that all go alike are no more than one."""
    events = np.random.default_rng(2).random(400) < 0.3
    alone = cluster_rate_interval(events, np.ones(400), seed=3)
    copied = cluster_rate_interval(25 * events, np.full(400, 25), seed=3)
    assert copied == pytest.approx(alone)
    # the same 10 000 trials, were they independent
    apart = clopper_pearson(int(25 * events.sum()), 10_000, sided="two")
    assert np.diff(copied) / np.diff(apart) == pytest.approx(np.sqrt(25), rel=0.05)


def test_interval_holds_the_true_rate_as_often_as_it_says() -> None:
    """Scenes of their own rate (beta, mean 0.2) and 19 headings each; 95 % of 200, 3 sigma."""
    rng = np.random.default_rng(4)
    held = 0
    for experiment in range(200):
        events = rng.binomial(19, rng.beta(1, 4, size=60))
        low, high = cluster_rate_interval(events, np.full(60, 19), seed=experiment)
        held += low <= 0.2 <= high
    assert 0.95 - 3 * np.sqrt(0.95 * 0.05 / 200) <= held / 200 < 1


def test_identical_settings_do_not_differ() -> None:
    rng = np.random.default_rng(5)
    trials = rng.integers(0, 20, size=50)
    events = rng.binomial(trials, 0.3)
    assert cluster_rate_difference(events, trials, events, trials, seed=6) == (0.0, 0.0)


def test_pairing_cancels_what_the_scenes_share() -> None:
    """Every scene 1 of 20 worse: exactly 0.05, however different the scenes."""
    events = np.random.default_rng(7).integers(0, 19, size=40)
    found = cluster_rate_difference(events + 1, np.full(40, 20), events, np.full(40, 20), seed=8)
    assert found == pytest.approx((0.05, 0.05), abs=1e-12)
    # apart, each rate is known to far less than that
    assert np.diff(cluster_rate_interval(events, np.full(40, 20), seed=8)) > 0.1


def test_difference_of_independent_trials_and_its_sign() -> None:
    a, b = np.arange(600) < 240, np.arange(600) % 5 == 0
    found = cluster_rate_difference(a, np.ones(600), b, np.ones(600), seed=9)
    spread = norm.ppf(0.975) * np.std(a.astype(float) - b) / np.sqrt(600)
    assert found == pytest.approx((0.2 - spread, 0.2 + spread), abs=0.05 * spread + 0.5 / 600)


def test_rates_are_pooled_not_averaged() -> None:
    """A scene of one trial weighs one trial."""
    found = cluster_rate_interval([1, 0] * 50, [1, 99] * 50, seed=10)
    assert found.low < 0.01 < found.high < 0.02


def test_same_seed_same_interval() -> None:
    events, trials = np.arange(30) % 4, 7 + np.arange(30) ** 2
    first = cluster_rate_interval(events, trials, seed=11)
    assert cluster_rate_interval(events, trials, seed=11) == first
    assert cluster_rate_interval(events, trials, seed=12) != first


def test_clusters_without_trials_bound_nothing() -> None:
    assert cluster_rate_interval([0, 0], [0, 0], seed=0) == (0.0, 1.0)
    assert cluster_rate_difference([0], [0], [1], [2], seed=0) == (-1.0, 1.0)


def test_a_resample_without_trials_is_left_out() -> None:
    """One scene of two has trials: a quarter of the resamples draw none."""
    assert cluster_rate_interval([3, 0], [4, 0], seed=0) == (0.75, 0.75)


@pytest.mark.parametrize(("events", "trials", "message"), [
    ([1, 2], [3], "two lists of one length"),
    ([2], [1], "from 0 to its number of trials"),
    ([-1], [1], "from 0 to its number of trials"),
])
def test_clusters_that_cannot_be(events: list[int], trials: list[int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        cluster_rate_interval(events, trials, seed=0)


def test_settings_tried_on_different_clusters() -> None:
    with pytest.raises(ValueError, match="the same clusters, got 1 and 2"):
        cluster_rate_difference([0], [1], [0, 1], [1, 1], seed=0)
