"""Designs whose optimum is known, and which curves the trials allow."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import expit, logit

from hazcam.frames import Floats
from hazcam.tuning.curve import SuccessCurve
from hazcam.tuning.design import Narrowing, chosen_trials
from hazcam.tuning.likelihood import Responses
from hazcam.tuning.uncertain_curve import PossibleCurves, possible_curves
from tests.tuning.next_data import (
    HALF_M,
    INTERCEPT,
    SCALE_M,
    SLOPE,
    drawn_group,
    fitted,
    group_of,
    known,
)


@pytest.fixture(scope="module")
def curve() -> SuccessCurve:
    return fitted(drawn_group(30, 3))


# --- designs whose optimum is known --------------------------------------------------------------


def exact(demands: Floats, weight: float = 1.0) -> Responses:
    """Trials whose true demands are known."""
    n = len(demands)
    return Responses(mean=demands, variance=np.zeros(n), climbed=np.zeros(n), tried=np.ones(n),
                     weight=np.full(n, weight))


def at_z(z: Floats) -> Floats:
    """Demands where the logistic curve is at logit z."""
    return np.asarray((z - INTERCEPT) / SLOPE)


# Trials made that tell next to nothing, so that the design alone counts.
NEXT_TO_NOTHING = exact(np.array([0.03, 0.06]), weight=1e-7)


def test_for_half_of_the_trials_all_are_made_there() -> None:
    # One point: the information P(1 - P) is greatest at its own 50 % point, 1/4 for each trial.
    candidates = at_z(np.linspace(-4, 4, 81))
    narrowing = Narrowing(NEXT_TO_NOTHING, exact(candidates), [known()], 0.5)
    chosen = chosen_trials(narrowing, 6)
    assert candidates[chosen] == pytest.approx(HALF_M)
    assert np.exp(narrowing.level(chosen)) == pytest.approx(4 * SCALE_M**2 / 6, rel=1e-3)


def test_a_quantile_that_is_not_far_out_is_tried_at_itself() -> None:
    # Elfving's theorem: up to z* of the next test, the point itself.
    candidates = at_z(np.round(np.linspace(-4, 4, 81), 6))
    narrowing = Narrowing(NEXT_TO_NOTHING, exact(candidates), [known()], float(expit(2.0)))
    assert candidates[chosen_trials(narrowing, 5)] == pytest.approx(at_z(np.array([2.0] * 5)))


def test_a_quantile_far_out_is_told_by_two_points_nearer_in() -> None:
    """The c-optimal design for the height climbed with 95 %, in closed form.

    G. Elfving, Ann. Math. Stat. 23, 1952, pp. 255-262, worked by hand for the logistic curve: the
    hull of the points +-sqrt(P(1 - P)) (1, z) is flat on top between z* and -z*, the greatest
    of z / (2 cosh(z / 2)): z* tanh(z* / 2) = 2. Beyond z* both are tried, in shares 1 : -1 about
    z* / z_R, and the variance is (z_R / (z* sqrt(P*(1 - P*))))^2 / n.
    """
    z_star = brentq(lambda z: z * np.tanh(z / 2) - 2, 1, 4)
    z_r, count = float(logit(0.95)), 200
    w = expit(z_star) * expit(-z_star)
    candidates = at_z(np.append(np.linspace(-5, 5, 101), [z_star, -z_star]))
    narrowing = Narrowing(NEXT_TO_NOTHING, exact(candidates), [known()], 0.95)
    chosen = np.asarray(chosen_trials(narrowing, count))
    assert np.exp(narrowing.level(list(chosen))) == pytest.approx(
        SCALE_M**2 * z_r**2 / (z_star**2 * w * count), rel=2e-3)
    low = candidates[chosen] < HALF_M
    assert low.mean() == pytest.approx((1 + z_star / z_r) / 2, abs=0.02)
    z = INTERCEPT + SLOPE * candidates[chosen]
    assert np.abs(np.abs(z) - z_star).max() < 0.11  # a rung


def test_one_by_one_alone_would_end_short_of_that() -> None:
    # Why there are two beginnings: all at 2.9 is no end for shares, but one for single exchanges.
    candidates = at_z(np.round(np.linspace(-5, 5, 101), 6))
    narrowing = Narrowing(NEXT_TO_NOTHING, exact(candidates), [known()], 0.95)
    near = int(np.argmin(np.abs(candidates - at_z(np.array(2.9)))))
    assert narrowing.level(chosen_trials(narrowing, 50)) < narrowing.level([near] * 50) - 0.05


def test_gains_are_the_slope_of_the_level(curve: SuccessCurve) -> None:
    candidates = np.arange(0.024, 0.066, 0.006)
    curves, made = possible_curves(curve), exact(curve.group.demand)
    share = np.linspace(0.2, 1.4, len(candidates))
    gains = Narrowing(made, exact(candidates), curves, 0.9).gains(share)
    for k in range(len(candidates)):
        tried = share + 1e-5 * (np.arange(len(candidates)) == k)
        ahead, here = (Narrowing(replace(
            exact(np.concatenate([curve.group.demand, candidates])),
            tried=np.concatenate([np.ones(len(made.tried)), n])), exact(candidates), curves,
            0.9).level() for n in (tried, share))
        assert gains[k] == pytest.approx((here - ahead) / 1e-5, rel=1e-3)


@pytest.mark.parametrize("reliability", [0.5, 0.9, 0.95, 0.99])
def test_no_set_of_three_serves_better(curve: SuccessCurve, reliability: float) -> None:
    candidates = np.arange(0.024, 0.066, 0.003)
    narrowing = Narrowing(exact(curve.group.demand), exact(candidates), possible_curves(curve),
                          reliability)
    best = min(narrowing.level(three) for three in
               itertools.combinations_with_replacement(range(len(candidates)), 3))
    assert narrowing.level(chosen_trials(narrowing, 3)) == pytest.approx(best, abs=1e-8)


@settings(max_examples=40, deadline=None)
@given(added=st.lists(st.integers(0, 13), max_size=6), more=st.integers(0, 13),
       reliability=st.floats(0.5, 0.99))
def test_a_trial_more_never_widens(added: list[int], more: int, reliability: float) -> None:
    made = exact(np.array([0.03, 0.04, 0.05, 0.06]))
    narrowing = Narrowing(made, exact(np.arange(0.024, 0.066, 0.003)),
                          [known(), known("probit")], reliability)
    assert narrowing.level([*added, more]) <= narrowing.level(added) + 1e-9
    assert narrowing.levels(added)[more] == pytest.approx(narrowing.level([*added, more]))


def test_low_demands_tell_least(curve: SuccessCurve) -> None:
    candidates = np.array([0.001, 0.01, 0.02, 0.036])
    narrowing = Narrowing(exact(curve.group.demand), exact(candidates), possible_curves(curve), 0.9)
    assert list(np.diff(narrowing.levels()) < 0) == [True, True, True]


# --- what the trials allow -----------------------------------------------------------------------


def test_the_curves_weigh_as_their_posterior() -> None:
    """Against a plain sum over a wide and dense grid of intercept and slope, written anew here."""
    group = group_of([(0.03, True), (0.036, True), (0.042, False), (0.046, True), (0.05, False),
                      (0.055, False)])
    logistic = next(c for c in possible_curves(fitted(group)) if c.link == "logit")
    x = (group.demand - 0.043) / 0.01
    a, b = np.meshgrid(np.linspace(-12, 12, 401), -np.geomspace(0.005, 60, 500), indexing="ij")
    p = expit(a[..., None] + b[..., None] * x)
    w = p * (1 - p)
    determinant = w.sum(-1) * (w * x * x).sum(-1) - (w * x).sum(-1) ** 2
    density = (np.where(group.climbed, p, 1 - p).prod(-1)
               * np.sqrt(np.maximum(determinant, 0)) * -b)  # -b: spaced evenly in its logarithm
    for demand in (0.03, 0.04, 0.05):
        here = expit(a + b * (demand - 0.043) / 0.01)
        found = expit(logistic.intercept + logistic.slope * demand)[:, 0]
        assert float(logistic.weight @ found / logistic.weight.sum()) == pytest.approx(
            float((density * here).sum() / density.sum()), abs=0.01)


def test_both_links_share_the_weight(curve: SuccessCurve) -> None:
    both = possible_curves(curve)
    shares = {one.link: one.weight.sum() for one in both}
    assert sum(shares.values()) == pytest.approx(1)
    likelier = curve.fits["probit"].log_likelihood - curve.fits["logit"].log_likelihood
    assert shares["probit"] / shares["logit"] == pytest.approx(np.exp(likelier))


def test_curves_that_rise_are_refused() -> None:
    with pytest.raises(ValueError, match="fall with the demand"):
        PossibleCurves(link="logit", intercept=np.ones((1, 1)), slope=np.ones((1, 1)),
                       weight=np.ones(1))
