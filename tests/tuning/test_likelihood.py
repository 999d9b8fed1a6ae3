"""Probabilities of outcomes under a curve, with the error of the demand integrated over."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import expit, log_expit, log_ndtr, ndtr
from scipy.stats import norm

from hazcam.tuning.likelihood import (
    LINKS,
    Link,
    Responses,
    information,
    log_likelihood,
    objective,
    outlook,
    penalty,
    quantile,
    responses,
    together,
    weights,
)

F = {"logit": expit, "probit": ndtr}


def some(sigma: float = 0.0, trials: int = 25, seed: int = 3) -> Responses:
    """Trials about 45 mm, given in standard deviations of their demands."""
    rng = np.random.default_rng(seed)
    demand = rng.uniform(-1.7, 1.7, trials)
    climbed = rng.random(trials) < expit(-2 * demand)
    return responses(demand, np.full(trials, sigma), climbed)


def one_trial(mean: float, variance: float) -> Responses:
    ones = np.ones(1)
    return Responses(mean=mean * ones, variance=variance * ones, climbed=ones, tried=ones,
                     weight=ones)


# --- the curve ------------------------------------------------------------------------------------


def test_logistic_as_a_sum_of_normal_distributions() -> None:
    """As an error that is next to none is integrated over: to 2e-7, 0.1 % of P(failed)."""
    eta = np.linspace(-40, 40, 4001)
    data = replace(some(trials=4001), mean=eta, variance=np.full(4001, 1e-20))
    found = outlook("logit", 0.0, 1.0, data)
    assert found.up == pytest.approx(expit(eta), abs=2e-7, rel=0)
    assert found.down == pytest.approx(expit(-eta), abs=2e-7, rel=0)
    assert found.by_intercept == pytest.approx(expit(eta) * expit(-eta), abs=5e-7, rel=0)
    near = np.abs(eta) < 9.2  # P(failed) above 1e-4
    assert found.down[near] == pytest.approx(expit(-eta[near]), rel=1e-3)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize(("mean", "sd", "slope"), [
    (0.0, 0.3, -2.0), (0.7, 0.3, -2.0), (-1.4, 0.1, -8.0), (1.1, 1.5, -0.4), (0.2, 0.5, -40.0)])
def test_error_is_integrated_over(link: Link, mean: float, sd: float, slope: float) -> None:
    """Against adaptive quadrature of F over a normal true demand."""
    intercept = 0.3

    def inside(t: float) -> float:
        return float(F[link](intercept + slope * (mean + sd * t)) * norm.pdf(t))

    turn = -(intercept + slope * mean) / (slope * sd)  # where F is a half: steep there
    cuts = sorted({-9.0, float(np.clip(turn, -9, 9)), 9.0})
    whole = sum(quad(inside, a, b, epsabs=1e-12, limit=200)[0]
                for a, b in pairwise(cuts))
    found = outlook(link, intercept, slope, one_trial(mean, sd**2))
    assert found.up[0] == pytest.approx(whole, abs=2e-7)
    assert found.down[0] == pytest.approx(1 - whole, abs=2e-7)


@given(st.sampled_from(LINKS), st.floats(-6, 6), st.floats(-8, 8), st.sampled_from([0.0, 0.3]))
def test_both_outcomes_are_certain_together(
    link: Link, intercept: float, slope: float, sigma: float
) -> None:
    found = outlook(link, intercept, slope, some(sigma))
    assert found.up + found.down == pytest.approx(1.0, abs=1e-12)
    assert np.exp(found.log_up) == pytest.approx(found.up, abs=1e-12)
    assert np.exp(found.log_down) == pytest.approx(found.down, abs=1e-12)
    mirrored = outlook(link, -intercept, -slope, some(sigma))
    assert mirrored.up == pytest.approx(found.down, rel=1e-9)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("probability", [0.02, 0.5, 0.95])
def test_quantile_turns_the_curve_round(link: Link, probability: float) -> None:
    assert float(F[link](quantile(link, probability))) == pytest.approx(probability, rel=1e-12)


# --- likelihood -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("link", "log_f"), [("logit", log_expit), ("probit", log_ndtr)])
def test_log_likelihood_by_hand(link: Link, log_f: np.ufunc) -> None:
    data = some()
    eta = 0.4 - 1.7 * data.mean
    by_hand = np.where(data.climbed > 0, log_f(eta), log_f(-eta)).sum()
    assert objective(link, 0.4, -1.7, data, penalised=False) == pytest.approx(by_hand, rel=1e-12)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("sigma", [0.0, 0.3])
def test_far_out_it_is_still_finite(link: Link, sigma: float) -> None:
    """The greatest slopes and the farthest heights that a profile asks about, on either side."""
    for slope in (-1e3, 1e3):
        found = objective(link, slope * 100.0, slope, some(sigma), penalised=True)
        assert np.isfinite(found)
        assert found < -300


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("sigma", [0.0, 0.3])
def test_many_curves_at_once(link: Link, sigma: float) -> None:
    data, slopes = some(sigma), np.array([-0.3, -2.0, -11.0])
    found = objective(link, 0.2 - slopes[:, None], slopes[:, None], data, penalised=True)
    each = [float(objective(link, 0.2 - slope, slope, data, penalised=True)) for slope in slopes]
    assert found == pytest.approx(each, rel=1e-12)


def test_weight_counts_as_copies() -> None:
    data = some()
    thrice = together(together(data, data), data)
    weighted = replace(data, weight=3 * data.weight)
    assert objective("logit", 0.1, -1.0, weighted, penalised=True) == pytest.approx(
        float(objective("logit", 0.1, -1.0, thrice, penalised=True)), rel=1e-12)


# --- derivatives ----------------------------------------------------------------------------------


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("sigma", [0.0, 0.3])
@pytest.mark.parametrize("at", [(0.2, -1.5), (1.0, -6.0), (0.0, 0.0)])
def test_derivatives_against_differences(
    link: Link, sigma: float, at: tuple[float, float]
) -> None:
    data, step, (a, b) = some(sigma), 1e-5, at
    found = outlook(link, a, b, data)
    by_a = outlook(link, a + step, b, data).up - outlook(link, a - step, b, data).up
    by_b = outlook(link, a, b + step, data).up - outlook(link, a, b - step, data).up
    assert found.by_intercept == pytest.approx(by_a / (2 * step), abs=1e-8)
    assert found.by_slope == pytest.approx(by_b / (2 * step), abs=1e-8)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("sigma", [0.0, 0.3])
def test_information_is_the_bend_of_the_expected_likelihood(link: Link, sigma: float) -> None:
    """Outcomes as they are expected: minus the second derivatives there are the information."""
    data, step, there = some(sigma), 1e-3, outlook(link, 0.3, -1.4, some(sigma))
    expected = replace(data, climbed=there.up)

    def level(by_a: float, by_b: float) -> float:
        return float(objective(link, 0.3 + step * by_a, -1.4 + step * by_b, expected,
                               penalised=False))

    middle = level(0, 0)
    aa = (2 * middle - level(1, 0) - level(-1, 0)) / step**2
    bb = (2 * middle - level(0, 1) - level(0, -1)) / step**2
    ab = -(level(1, 1) - level(1, -1) - level(-1, 1) + level(-1, -1)) / (4 * step**2)
    assert information(there, data) == pytest.approx(np.array([[aa, ab], [ab, bb]]), rel=1e-4,
                                                     abs=1e-4)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("sigma", [0.0, 0.3])
def test_penalty_is_half_the_log_determinant(link: Link, sigma: float) -> None:
    data = some(sigma)
    expected = outlook(link, 0.3, -1.4, data)
    assert float(penalty(expected, data)) == pytest.approx(
        0.5 * np.linalg.slogdet(information(expected, data))[1], rel=1e-9)


def test_penalty_of_a_step_is_not_lost_in_rounding() -> None:
    """Two trials at the step carry the weight w1 and w2: half the log of w1 w2 (m1 - m2)^2."""
    data = responses(np.array([-1.0, 1.0]), np.zeros(2), np.array([1, 0]))
    slope, height = -60.0, -0.8  # far nearer to the one: w1 / w2 = 2e41
    expected = outlook("logit", -slope * height, slope, data)
    w = expected.up * expected.down
    assert w[0] / w[1] > 1e16
    assert float(penalty(expected, data)) == pytest.approx(
        0.5 * (np.log(w[0]) + np.log(w[1]) + np.log(4.0)), rel=1e-9)


def test_weights_are_never_endless() -> None:
    data = some()
    assert np.isfinite(weights(outlook("probit", 0.0, -1e4, data), data)).all()


# --- what is known of the true demand -------------------------------------------------------------


def test_known_demands_stay_as_they_are() -> None:
    data = responses(np.array([0.03, 0.05]), np.zeros(2), np.array([True, False]))
    assert data.mean.tolist() == [0.03, 0.05]
    assert data.variance.tolist() == [0.0, 0.0]
    assert data.tried.tolist() == data.weight.tolist() == [1.0, 1.0]


def test_measured_demands_are_drawn_to_their_mean_by_the_share_of_their_error() -> None:
    """Of demands +-5 with an error of 3 the true ones vary by 25 - 9 = 16: share 16 / 25."""
    data = responses(np.array([-5.0, 5.0]), np.full(2, 3.0), np.array([1, 0]))
    assert data.mean == pytest.approx([-3.2, 3.2])
    assert data.variance == pytest.approx([16 * 9 / 25] * 2)


def test_demands_that_differ_by_their_error_alone_are_all_the_same() -> None:
    data = responses(np.array([1.0, 3.0]), np.full(2, 1.5), np.array([1, 0]))
    assert data.mean == pytest.approx([2.0, 2.0])
    assert data.variance == pytest.approx([0.0, 0.0])


def test_true_demands_given_measured_ones() -> None:
    """Of 200 000 normal demands measured with error: mean and spread about it, by regression."""
    rng = np.random.default_rng(8)
    true = rng.normal(0.045, 0.01, 200_000)
    measured = true + rng.normal(0, 0.004, true.size)
    data = responses(measured, np.full(true.size, 0.004), np.zeros(true.size))
    assert np.polyfit(data.mean, true, 1) == pytest.approx([1.0, 0.0], abs=0.01)
    assert float(np.mean((true - data.mean) ** 2)) == pytest.approx(data.variance[0], rel=0.01)


def test_both_sets_keep_their_weights() -> None:
    both = together(some(), replace(some(seed=4), weight=np.full(25, 0.2)))
    assert both.weight.tolist() == [1.0] * 25 + [0.2] * 25
    assert log_likelihood(outlook("logit", 0.1, -1.0, both), both) == pytest.approx(
        float(objective("logit", 0.1, -1.0, some(), penalised=False))
        + 0.2 * float(objective("logit", 0.1, -1.0, some(seed=4), penalised=False)), rel=1e-12)
