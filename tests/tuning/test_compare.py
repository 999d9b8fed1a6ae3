"""Walked against simulated trials: the likelihood ratio, the difference, and the words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, ndtr

from hazcam.frames import Floats
from hazcam.statistics import Interval
from hazcam.tuning.compare import (
    CurveComparison,
    NoComparison,
    compare_groups,
    comparison_text,
    comparisons_of,
)
from hazcam.tuning.curve import NoCurve
from hazcam.tuning.record import TrialGroup
from hazcam.tuning.support import support_of
from tests.tuning.made_up import drawn, group_of


def compared(walked: TrialGroup, simulated: TrialGroup) -> CurveComparison:
    found = compare_groups(walked, simulated)
    assert isinstance(found, CurveComparison)
    return found


def as_simulated(group: TrialGroup) -> TrialGroup:
    return replace(group, simulated=True,
                   trials=tuple(replace(t, simulated=True) for t in group.trials))


def as_walked(group: TrialGroup) -> TrialGroup:
    return replace(group, simulated=False,
                   trials=tuple(replace(t, simulated=False) for t in group.trials))


def lacks(at: Floats, link: str, demand: Floats, climbed: NDArray[np.bool_]) -> float:
    """Minus the log-likelihood of F(slope (d - half)), written down anew; half in cm."""
    eta = at[1] * (100 * demand - at[0])
    up = expit(eta) if link == "logit" else ndtr(eta)
    return -float(np.where(climbed, np.log(up), np.log1p(-up)).sum())


def least(link: str, demand: Floats, climbed: NDArray[np.bool_]) -> float:
    return float(minimize(lacks, np.array([4.6, -2.0]), (link, demand, climbed),
                          method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10}).fun)


def test_the_same_trials_twice_are_of_one_curve() -> None:
    group = drawn(3)
    found = compared(group, as_simulated(group))
    assert found.statistic == pytest.approx(0, abs=1e-6)
    assert found.p_value == pytest.approx(1, abs=1e-6)
    assert found.difference == 0
    assert found.interval.low == -found.interval.high < 0
    assert not found.penalised
    assert not found.differ


def test_the_statistic_is_that_of_likelihoods_maximised_anew() -> None:
    walked, simulated = drawn(3), drawn(4, half=0.049, simulated=True)
    found = compared(walked, simulated)
    both = (np.concatenate([walked.demand, simulated.demand]),
            np.concatenate([walked.climbed, simulated.climbed]))
    one = least(found.link, *both)
    two = sum([least(found.link, g.demand, g.climbed) for g in (walked, simulated)])
    assert found.statistic == pytest.approx(2 * (one - two), abs=1e-6)
    # Chi-square with 2 degrees of freedom: P(X > x) = exp(-x / 2), closed form.
    assert found.p_value == pytest.approx(np.exp(-found.statistic / 2), rel=1e-9)


def test_the_variance_of_halfway_is_that_of_a_curve_with_halfway_as_its_parameter() -> None:
    """For the logistic curve expected and observed information agree (canonical link)."""
    walked, simulated = drawn(3), drawn(4, half=0.049, simulated=True)
    found = compared(walked, simulated)
    variance = 0.0
    for fit, group in ((found.walked, walked), (found.simulated, simulated)):
        eta = fit.intercept + fit.slope * group.demand
        weight = expit(eta) * expit(-eta) if fit.link == "logit" else (
            np.exp(-eta**2) / (2 * np.pi) / (ndtr(eta) * ndtr(-eta)))
        # d eta / d half = -slope, d eta / d slope = demand - half
        by = np.stack([np.full(len(eta), -fit.slope), group.demand - fit.demand_at(0.5)])
        variance += np.linalg.inv((by * weight) @ by.T)[0, 0]
    assert found.interval.high - found.difference == pytest.approx(
        1.959963985 * np.sqrt(variance), rel=1e-6)


def test_walked_and_simulated_swap_the_sign() -> None:
    a, b = drawn(3), drawn(4, half=0.054)
    one, other = compared(a, as_simulated(b)), compared(b, as_simulated(a))
    assert one.difference == pytest.approx(-other.difference, rel=1e-9)
    assert one.p_value == pytest.approx(other.p_value, rel=1e-6)
    assert (one.higher, other.higher) == ("simulated", "walked")


def test_a_shift_of_the_demands_is_found_again() -> None:
    group = drawn(3)
    moved = as_simulated(replace(group, trials=tuple(
        replace(t, demand=t.demand + 0.004) for t in group.trials)))
    assert compared(group, moved).difference == pytest.approx(0.004, rel=1e-6)


def test_one_curve_is_rarely_taken_for_two_and_two_are_seen() -> None:
    alike = [compared(drawn(seed), drawn(1000 + seed, simulated=True)).differ
             for seed in range(40)]
    # Of 40 at 5 % more than 7 happen once in 1 000 (binomial distribution).
    assert sum(alike) <= 7
    unlike = [compared(drawn(seed), drawn(1000 + seed, half=0.054, simulated=True)).differ
              for seed in range(10)]
    assert sum(unlike) >= 9


@settings(max_examples=12, deadline=None)
@given(st.integers(1, 7), st.integers(1, 7), st.integers(0, 1000))
def test_with_the_penalty_one_curve_is_never_likelier_than_two(
    first: int, second: int, seed: int
) -> None:
    demand = np.linspace(0.03, 0.06, 8) + np.random.default_rng(seed).normal(0, 1e-4, 8)
    walked = group_of(np.sort(demand), [n < first for n in range(8)])
    simulated = group_of(np.sort(demand), [n < second for n in range(8)], simulated=True)
    found = compared(walked, simulated)
    assert found.penalised
    assert np.isfinite([found.statistic, found.difference, *found.interval]).all()
    assert found.statistic >= 0
    assert np.sign(round(found.difference, 6)) == np.sign(second - first)
    if first == second:
        assert found.statistic == pytest.approx(0, abs=1e-3)


def test_groups_without_a_curve_are_not_compared() -> None:
    some, all_ = drawn(3), group_of([0.03, 0.04, 0.05], [1, 1, 1], simulated=True)
    found = compare_groups(some, all_)
    assert isinstance(found, NoComparison)
    assert found.reason.startswith("the simulated trials alone give no curve: all 3 trials climbed")
    found = compare_groups(as_walked(all_), as_simulated(some))
    assert isinstance(found, NoComparison)
    assert found.reason.startswith("the walked trials alone give no curve")
    blurred = group_of([0.040, 0.041, 0.042, 0.043], [1, 0, 1, 0], sigma=0.01, simulated=True)
    assert isinstance(compare_groups(some, blurred), NoComparison)
    rising = group_of(np.linspace(0.03, 0.06, 12), [0, 0, 1, 0, 0, 1, 0, 1, 1, 0, 1, 1],
                      simulated=True)
    found = compare_groups(some, rising)
    assert isinstance(found, NoComparison)
    assert "of the simulated trials rises with the demand" in found.reason
    assert comparison_text(found).startswith("walked and simulated trials are not compared: the ")


def test_other_conditions_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="same conditions"):
        compare_groups(drawn(3), group_of([0.03, 0.04], [1, 0], simulated=True, ground="slag"))


def test_only_trials_of_the_same_conditions_are_compared() -> None:
    def no_curve(group: TrialGroup) -> NoCurve:
        return NoCurve(group=group, reason="", support=support_of(group, None, 0.95, 0.95))

    walked, simulated = drawn(3), drawn(4, simulated=True)
    slag = group_of([0.03, 0.04], [1, 0], ground="slag")
    found = comparisons_of([no_curve(walked), no_curve(slag), no_curve(simulated)])
    assert [one.conditions.ground for one in found] == ["black sand"]
    assert comparisons_of([no_curve(slag), no_curve(simulated)]) == ()


def test_the_words_say_which_climbs_higher_and_what_it_means() -> None:
    found = replace(compared(drawn(3), drawn(4, half=0.052, simulated=True)), p_value=0.001,
                    difference=0.005, interval=Interval(0.002, 0.008))
    assert comparison_text(found).endswith(
        "p = 0.001); the simulated ones climb higher than the walked ones, halfway by 0.0050 m "
        "(with 95 % confidence 0.0020 to 0.0080 m): the simulation promises more than the rover "
        "does")
    lower = replace(found, difference=-0.005, interval=Interval(-0.008, -0.002))
    assert ("the walked ones climb higher than the simulated ones, halfway by 0.0050 m (with 95 % "
            "confidence 0.0020 to 0.0080 m): the rover does more") in comparison_text(lower)
    open_ = replace(found, p_value=0.3, difference=0.001, interval=Interval(-0.002, 0.004))
    text = comparison_text(open_)
    assert text.startswith("no sign that walked and simulated trials are of two curves")
    assert "which climbs higher is not known" in text
    assert text.endswith("+0.0010 m from the walked ones, with 95 % confidence -0.0020 m to "
                         "+0.0040 m")
    steep = replace(open_, p_value=0.01)
    assert "from a chance of 75 % to one of 25 % it takes" in comparison_text(steep)
