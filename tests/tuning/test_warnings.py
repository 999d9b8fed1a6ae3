"""Warnings of a success curve: each is said where it is due, with its numbers, and only there."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from hazcam.statistics import Interval
from hazcam.tuning.compare import CurveComparison, NoComparison, compare_groups
from hazcam.tuning.curve import HeightClimbed, NoCurve, SuccessCurve, curve_of
from hazcam.tuning.support import Support, support_of
from hazcam.tuning.warnings import warnings_of
from tests.tuning.made_up import drawn, group_of

R = C = 0.95


def fitted(**changes: object) -> SuccessCurve:
    found = curve_of(drawn(1, 60), reliability=R, confidence=C)
    assert isinstance(found, SuccessCurve)
    return replace(found, **changes)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def curve() -> SuccessCurve:
    """A curve that nothing but its support is to be said against."""
    return fitted()


@pytest.fixture(scope="module")
def sound(curve: SuccessCurve) -> SuccessCurve:
    """As if 59 more trials had been made at the bound, all climbed."""
    at = curve.climbed.low
    return replace(curve, support=Support(at=at, tried=59, climbed=59, near=0.003,
                                          confidence=0.951, more=0, alone=59))


def said(curve: SuccessCurve | NoCurve) -> tuple[str, ...]:
    return warnings_of(curve, reliability=R, confidence=C)


def with_bounds(curve: SuccessCurve, logit: float, probit: float) -> SuccessCurve:
    high = curve.climbed.interval.high
    climbed = HeightClimbed(
        reliability=R, confidence=C, estimate=curve.climbed.estimate,
        interval=Interval(min(logit, probit), high),
        by_link={"logit": Interval(logit, high), "probit": Interval(probit, high)})
    low = min(logit, probit)
    return replace(curve, climbed=climbed, support=support_of(curve.group, low, R, C))


def test_nothing_is_said_where_nothing_is_wrong(sound: SuccessCurve) -> None:
    assert said(sound) == ()


def test_what_the_curve_rests_on_is_said_while_trials_are_lacking(curve: SuccessCurve) -> None:
    s = curve.support
    assert s.more > 0
    text, = said(curve)
    assert text == (
        "the number rests on the shape of the curve: without the curve 95 of 100 at 95 % "
        f"confidence takes 59 trials at {s.at:.4f} m, all climbed; {s.tried} were made there "
        f"or up to {s.near:.4f} m above, {s.climbed} climbed: {s.more} more, all climbed, "
        "would show it")


def test_one_trial_and_none_are_counted_in_words(curve: SuccessCurve) -> None:
    one = replace(curve, support=replace(curve.support, tried=1, climbed=1, more=58))
    assert "; 1 was made there or" in said(one)[0]
    none = replace(curve, support=replace(curve.support, tried=0, climbed=0, more=59))
    assert "; none was made there or" in said(none)[0]
    assert "above: 59 more, all climbed" in said(none)[0]


@pytest.mark.parametrize(("low", "words"), [
    (-math.inf, "there is no lower bound"), (-0.003, "the bound is -0.0030 m"),
    (0.0, "the bound is 0.0000 m")])
def test_no_height_above_0_is_the_worst_and_says_what_would_show_one(
    curve: SuccessCurve, low: float, words: str
) -> None:
    first, *rest = said(with_bounds(curve, low, low))
    least = curve.group.demand.min()
    assert first.startswith("no step above 0 can be shown to be climbed in 95 of 100 at 95 % "
                            f"confidence: {words}; without the curve ")
    assert f"takes 59 trials at {least:.4f} m" in first
    assert first.endswith("more, all climbed, would show it")
    assert not any("rests on the shape" in text or "extrapolated" in text for text in rest)


def test_a_bound_below_all_trials_is_extrapolated(curve: SuccessCurve) -> None:
    first = said(with_bounds(curve, 0.02, 0.0205))[0]
    assert first == ("the bound lies below the least step tried: it is extrapolated from 0.0280 to "
                     "0.0200 m, where nothing was tried")


def test_links_that_disagree_by_a_tenth(curve: SuccessCurve) -> None:
    assert not any("form of the curve" in t for t in said(with_bounds(curve, 0.0361, 0.04)))
    text, = (t for t in said(with_bounds(curve, 0.0359, 0.04)) if "form of the curve" in t)
    assert text.endswith("(logit 0.0359 m, probit 0.0400 m); the lower is used")
    text, = (t for t in said(with_bounds(curve, -math.inf, 0.04)) if "form of the curve" in t)
    assert "(logit none, probit 0.0400 m)" in text


def test_trials_unlike_the_curve(sound: SuccessCurve) -> None:
    at_odds = replace(sound, goodness=replace(sound.goodness, p_value=0.02))
    assert said(at_odds)[0].startswith("the trials do not look like the curve (p = 0.02)")
    for p in (0.05, math.nan):
        assert said(replace(sound, goodness=replace(sound.goodness, p_value=p))) == ()


def test_errors_as_large_as_the_transition(sound: SuccessCurve) -> None:
    width = sound.fit.demand_at(0.25) - sound.fit.demand_at(0.75)
    # Not fitted again: what is compared is sigma and the curve as it is.
    for factor, expected in ((0.99, 0), (1.01, 1)):
        group = replace(sound.group, trials=tuple(
            replace(t, sigma=factor * width) for t in sound.group.trials))
        found = said(replace(sound, group=group))
        assert len([t for t in found if "as large as the transition" in t]) == expected
    assert f"median sigma {1.01 * width:.4f} m" in found[0]
    assert f"it is {width:.4f} m" in found[0]


def test_outcomes_that_separate() -> None:
    group = group_of([0.03, 0.035, 0.04, 0.05, 0.055, 0.06], [1, 1, 1, 0, 0, 0])
    found = curve_of(group, reliability=R, confidence=C)
    assert isinstance(found, SuccessCurve)
    assert any(t.startswith("the outcomes separate: all climbed up to 0.0400 m, none from 0.0500 m "
                            "on; how steeply the chance to climb falls is not known")
               for t in said(found))


def test_outcomes_that_mix_at_one_demand_only() -> None:
    group = group_of([0.03] * 6 + [0.048] * 12 + [0.06] * 6, [1] * 6 + [1] * 10 + [0] * 2 + [0] * 6)
    found = curve_of(group, reliability=R, confidence=C)
    assert isinstance(found, SuccessCurve)
    text, = (t for t in said(found) if "penalised" in t)
    assert text.startswith("the outcomes mix at 0.0480 m only, where 10 of 12 climbed: all below "
                           "did, none above; how steeply")


def test_trials_of_one_day(sound: SuccessCurve) -> None:
    day = sound.group.trials[0].date
    group = replace(sound.group, trials=tuple(replace(t, date=day) for t in sound.group.trials))
    assert said(replace(sound, group=group)) == (
        f"all trials were made on one day, {day}: how much days differ is not known",)


def test_simulated_trials_say_what_they_are_whatever_their_day(sound: SuccessCurve) -> None:
    group = drawn(1, 60, simulated=True)
    group = replace(group, trials=tuple(replace(t, date=group.trials[0].date)
                                        for t in group.trials))
    assert said(replace(sound, group=group)) == (
        "all 60 trials were simulated: they say what the simulation climbs, not what the rover "
        "does",)


def test_a_prior_is_said_with_what_it_changes(curve: SuccessCurve, sound: SuccessCurve) -> None:
    prior = drawn(2, 50, simulated=True)
    with_prior = replace(sound, prior=prior, prior_weight=0.5)
    same = compare_groups(sound.group, prior)
    assert isinstance(same, CurveComparison)
    found = warnings_of(with_prior, reliability=R, confidence=C, without_prior=curve,
                        comparison=replace(same, p_value=0.4))
    assert found == (
        "50 simulated trials are counted in as a prior, each with weight 0.5: the bounds hold only "
        "as far as the simulation is right; without them the height climbed is "
        f"{curve.climbed.low:.4f} m",)
    at_odds = warnings_of(
        replace(curve, prior=prior, prior_weight=0.5), reliability=R, confidence=C,
        without_prior=curve, comparison=replace(same, p_value=0.01))
    assert "they are not of one curve with the walked ones (p = 0.01)" in at_odds[0]
    assert "rests on the shape" in at_odds[1]


def test_a_prior_that_cannot_be_compared_and_trials_without_a_curve(sound: SuccessCurve) -> None:
    prior = drawn(2, 50, simulated=True)
    none = NoCurve(group=sound.group, reason="made up", support=sound.support)
    text, = warnings_of(
        replace(sound, prior=prior, prior_weight=1.0), reliability=R, confidence=C,
        without_prior=none, comparison=NoComparison(conditions=prior.conditions, reason="made up"))
    assert "whether they are of one curve with the walked ones could not be tested" in text
    assert text.endswith("without them there is no curve")


def test_no_curve_says_how_many_trials_would_do_without_one() -> None:
    found = curve_of(group_of([0.03, 0.04, 0.05], [1, 1, 1]), reliability=0.9, confidence=0.95)
    assert isinstance(found, NoCurve)
    # 29 for 90/95: CHECK_VALUES, verified from the binomial distribution.
    assert warnings_of(found, reliability=0.9, confidence=0.95) == (
        "0.0300 m is not shown either: without the curve 90 of 100 at 95 % confidence takes 29 "
        "trials at 0.0300 m, all climbed; 1 was made there or up to 0.0015 m above, 1 climbed: "
        "28 more, all climbed, would show it",)
