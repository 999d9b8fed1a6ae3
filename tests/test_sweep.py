"""A limit swept over gists: at every value the verdict of ``decide``, and the chances it sums."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from hazcam.frames import Floats
from hazcam.rover.profile import LIMIT_UNITS, Limits
from hazcam.verdict import HeadingDemand, decide
from hazcam.verdict.chance import LONGEST_HOLE_M, _evidence, exceeding, turn_exceeding
from hazcam.verdict.gist import CLOSE, Gists, join_gists, judge_gists, pack_gist
from hazcam.verdict.record import MEASURED, TurnDemand
from hazcam.verdict.sweep import (
    chance_beyond,
    chance_beyond_of,
    least_limit,
    least_limit_by,
    least_limit_of,
)
from tests.test_gist import (
    CAUSE,
    LIMITS,
    N,
    a_demand,
    limits_with,
    one_run,
    quiet,
    runs_of,
    scaled,
)

GAP_M = LIMITS.gap.value
NAMES = sorted(LIMIT_UNITS)
WIDE = dict.fromkeys(LIMIT_UNITS, 3.0)
ENDLESS = limits_with(**dict.fromkeys(LIMIT_UNITS, np.inf))


def gists_of(demands: Sequence[HeadingDemand]) -> Gists:
    return join_gists([pack_gist(demands, ())])


def values_about(name: str, count: int = 24) -> Floats:
    return np.asarray(np.linspace(0.05, 3.5, count) * getattr(LIMITS, name).value)


def told(demand: HeadingDemand, limits: Limits, name: str, values: Any,
         confidence: float) -> list[bool]:
    """What ``decide`` says at each value."""
    return [decide(demand, replace(limits, **{name: replace(limits.step, value=float(v))}),
                   confidence).verdict == "go" for v in values]


# --- the first value to go ------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), name=st.sampled_from(NAMES),
       confidence=st.sampled_from([0.5, 0.8, 0.95, 0.99]), share=st.floats(0.8, 4.0))
def test_every_value_is_told_as_decide_does(
    seed: int, name: str, confidence: float, share: float
) -> None:
    """Asks below the first value to go, and goes from there on: verdicts only turn once."""
    demand, values = a_demand(seed), values_about(name)
    limits = scaled(**dict.fromkeys(LIMIT_UNITS, share))
    least = int(least_limit(gists_of([demand]), limits, name, values, confidence)[0])
    assert told(demand, limits, name, values, confidence) == [
        i >= least for i in range(len(values))]
    assert least_limit_of(demand, limits, name, values, confidence) == least


def test_such_demands_turn_anywhere() -> None:
    """Else the test above would show little."""
    gists = gists_of([a_demand(seed) for seed in range(200)])
    for name in NAMES:
        least = least_limit(gists, scaled(**WIDE), name, values_about(name), 0.95)
        assert len(np.unique(least)) >= 5, name
        assert np.sum((least > 0) & (least < 24)) > 30, name


def hiding(seed: int, fall: float, seen_m2: float) -> HeadingDemand:
    """Runs of all kinds, holes being likely: what they may hide counts beside their lengths."""
    rng = np.random.default_rng(seed)
    runs = replace(runs_of(rng, 6), fall=fall * rng.uniform(0.3, 1, 6),
                   sunk_m=rng.uniform(0, 0.1, 6), ground_sd_m=rng.uniform(0, 0.1, 6))
    runs = replace(runs, length_m=3 * runs.length_m, explained_m=3 * runs.explained_m)
    return quiet(runs=runs, seen_m2=seen_m2, hollows_m=())


@settings(max_examples=150, deadline=None)
@given(seed=st.integers(0, 10**6), fall=st.floats(0.01, 3.0), seen_m2=st.floats(1e-3, 10.0))
def test_a_wider_gap_never_turns_go_into_ask(seed: int, fall: float, seen_m2: float) -> None:
    gists = gists_of([hiding(seed, fall, seen_m2)])
    says = [int(judge_gists(gists, limits_with(gap=gap_m), 0.9)[0])
            for gap_m in np.linspace(0.01, 6 * GAP_M, 60)]
    assert says == sorted(says)


def test_such_headings_hang_on_what_may_be_hidden() -> None:
    """Else the test above would show little: some would go long before, were holes rare."""
    values = np.linspace(0.01, 6 * GAP_M, 60)
    likely, rare = (least_limit(gists_of([hiding(seed, 0.5, m2) for seed in range(60)]), LIMITS,
                                "gap", values, 0.9) for m2 in (1e-3, 1e6))
    assert np.all(rare <= likely)
    assert np.sum(rare < likely) > 5
    assert np.sum(likely < 60) > 40


@given(fall=st.floats(0.01, 3.0), sunk_m=st.floats(0, 0.2), sd_m=st.floats(0, 0.3))
def test_the_evidence_of_a_hole_never_grows_with_the_gap(
    fall: float, sunk_m: float, sd_m: float
) -> None:
    """What sweeping a gap by halves rests on."""
    runs = one_run(fall=fall, sunk_m=sunk_m, ground_sd_m=sd_m)
    evidence = [_evidence(runs, gap_m)[0] for gap_m in np.linspace(0, LONGEST_HOLE_M, 80)]
    assert np.all(np.diff(evidence) <= 1e-9 * np.array(evidence[1:]))


def test_evidence_of_a_hole_is_more_than_none() -> None:
    """Else the two tests above would show little."""
    runs = one_run(fall=0.3, sunk_m=0.02, ground_sd_m=0.3)
    near, far = (_evidence(runs, gap_m)[0] for gap_m in (0.05, 0.4))
    assert near > far
    assert near > 2


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), names=st.permutations(NAMES), confidence=st.floats(0.6, 0.99))
def test_two_limits_as_one_after_the_other(
    seed: int, names: list[str], confidence: float
) -> None:
    gists = gists_of([a_demand(seed + n) for n in range(3)])
    (name, other), limits = names[:2], scaled(**WIDE)
    values, others = values_about(name, 40), values_about(other, 11)
    both = least_limit_by(gists, limits, (name, values), (other, others), confidence)
    assert both.shape == (3, 11)
    assert np.all(np.diff(both, axis=1) <= 0)
    for m, value in enumerate(others):
        held = replace(limits, **{other: replace(limits.step, value=float(value))})
        assert both[:, m].tolist() == least_limit(gists, held, name, values, confidence).tolist()


def test_the_staircase_has_many_steps() -> None:
    """Else the test above would show little."""
    gists = gists_of([a_demand(seed) for seed in range(100)])
    both = least_limit_by(gists, scaled(**WIDE), ("step", values_about("step", 1000)),
                          ("drop", values_about("drop", 400)), 0.95)
    steps = [len(np.unique(row)) for row in both]
    assert max(steps) > 10
    assert steps.count(1) < 50


def test_a_quiet_heading_goes_at_the_first_value_above_what_it_demands() -> None:
    """One step of 30 mm, known to 0.1 mm."""
    demand = quiet(step=np.where(np.arange(N) == 20, 0.03, 0.0))
    values = np.array([0.01, 0.0299, 0.031, 0.05])
    assert least_limit(gists_of([demand]), scaled(belly=3.0), "step", values, 0.9).tolist() == [2]


def test_what_no_limit_decides_goes_at_none() -> None:
    never = quiet(outside=np.arange(N) == 40)
    gists = join_gists([pack_gist([never], ()), pack_gist([quiet()], (CAUSE,))])
    assert least_limit(gists, LIMITS, "step", [0.01, 0.5], 0.5).tolist() == [2, 2]
    assert least_limit_of(quiet(), LIMITS, "step", [0.01, 0.5], 0.5, pair_causes=(CAUSE,)) == 2
    assert np.isnan(chance_beyond(gists, "step", [0.01, 0.5])).all()


def odd() -> HeadingDemand:
    return quiet(scale_sigma=0.5, step=np.where(np.arange(N) == 20, 0.01, 0.0))


def test_what_only_the_full_demands_decide_is_told_apart() -> None:
    gists = gists_of([odd(), quiet()])
    values, limits = np.linspace(0.005, 0.1, 30), scaled(**WIDE)
    least = least_limit(gists, limits, "step", values, 0.9)
    assert least.tolist()[0] == -1
    assert least[1] >= 0
    assert least_limit_by(gists, limits, ("step", values), ("drop", [0.1, 0.2]),
                          0.9)[0].tolist() == [-1, -1]
    found = least_limit_of(odd(), limits, "step", values, 0.9)
    assert told(odd(), limits, "step", values, 0.9) == [i >= found for i in range(30)]
    assert 0 < found < 30
    assert np.isnan(chance_beyond(gists, "step", values)[0]).all()


def test_a_value_too_close_to_call_is_left_to_decide() -> None:
    """And only where it was tried: the other case of the second limit is known."""
    step = np.where(np.arange(N) == 20, 0.03, 0.0)
    demand = quiet(step=step, sigma={"step": np.full(N, 1e-6)}, scale_sigma=0.0)
    gists, limits = gists_of([demand]), scaled(belly=3.0)
    on = [0.01, 0.03, 0.05]
    assert least_limit(gists, limits, "step", on, 0.5).tolist() == [-1]
    assert least_limit_of(demand, limits, "step", on, 0.5) in (1, 2)
    beside = [0.01, 0.03 - 1000 * CLOSE, 0.03 + 1000 * CLOSE, 0.05]
    assert least_limit(gists, limits, "step", beside, 0.5).tolist() == [2]
    both = least_limit_by(gists, limits, ("drop", [0.05, 0.06]), ("step", on), 0.5)
    assert both.tolist() == [[2, -1, 0]]


# --- how likely it is exceeded --------------------------------------------------------------------


def reference(demand: HeadingDemand, name: str, value: float) -> float:
    turn_hidden_m = -np.inf if demand.turn is None else demand.turn.hidden_m
    if name in ("step", "belly") and max(np.nanmax(demand.hidden_m), turn_hidden_m) > value:
        return 1.0
    limits = replace(ENDLESS, **{name: replace(LIMITS.step, value=value)})
    return float(1 - (1 - exceeding(demand, limits)[-1]) * (1 - turn_exceeding(demand, limits)))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), name=st.sampled_from([n for n in NAMES if n != "gap"]))
def test_the_chance_is_that_of_all_stations(seed: int, name: str) -> None:
    """The turn, an unknown tilt, ``contact`` beside ``belly`` and what could hide included."""
    demand, values = a_demand(seed), values_about(name, 16)
    expected = [reference(demand, name, value) for value in values]
    assert chance_beyond(gists_of([demand]), name, values)[0] == pytest.approx(expected, abs=2e-9)
    assert chance_beyond_of(demand, name, values) == pytest.approx(expected, abs=1e-12)


def test_such_chances_are_of_all_sizes() -> None:
    gists = gists_of([a_demand(seed) for seed in range(100)])
    for name in NAMES:
        chance = chance_beyond(gists, name, values_about(name))
        assert np.sum((chance > 0.001) & (chance < 0.999)) > 20, name
        assert chance[:, -1].min() < 1e-6, name
        assert chance[:, 0].max() > 0.999, name


@pytest.mark.parametrize("name", MEASURED)
def test_one_demand_alone_is_normal(name: str) -> None:
    """Without a shared error, at a single station: a closed form."""
    limit = {"contact": "belly"}.get(name, name)
    value = np.full(N, np.nan)
    value[33] = 0.5 * getattr(LIMITS, limit).value
    calm = {n: np.full(N, np.nan) for n in MEASURED} | {name: value}
    calm["slope"] = np.where(np.arange(N) == 33, calm["slope"], -1e6)  # it must be known
    calm["slope"] = np.nan_to_num(calm["slope"], nan=-1e6)
    sd = 0.04 * getattr(LIMITS, limit).value
    demand = quiet(**calm, sigma={name: np.full(N, sd)}, scale_sigma=0.0, tilt_sigma_deg=0.0)
    values = value[33] + np.array([-2.0, 0.0, 1.0, 3.0]) * sd
    assert chance_beyond(gists_of([demand]), limit, values)[0] == pytest.approx(
        norm.sf([-2.0, 0.0, 1.0, 3.0]), rel=1e-6)


@pytest.mark.parametrize("name", ["step", "belly", "drop"])
def test_the_turn_counts(name: str) -> None:
    turn = TurnDemand(step_m=0.03, drop_m=0.02, sigma_m=0.004, hidden_m=0, unseen_m=0)
    height = {"drop": 0.02}.get(name, 0.03)
    chance = chance_beyond(gists_of([quiet(turn=turn)]), name, [height, height + 0.004])
    assert chance[0] == pytest.approx(norm.sf([0.0, 1.0]), rel=1e-6)


@pytest.mark.parametrize("name", ["step", "belly", "drop", "slope"])
def test_what_could_hide_stands_as_if_it_were_there(name: str) -> None:
    """Ground of which 4 mm were measured, where up to 60 mm could hide: it is no ground within."""
    hidden = np.where(np.arange(N) == 20, 0.06, np.nan)
    turn = TurnDemand(step_m=0, drop_m=0, sigma_m=0.001, hidden_m=0.06, unseen_m=0)
    values = np.array([0.05, 0.0599, 0.06, 0.0601])
    beyond = [1, 1, 0, 0] if name in ("step", "belly") else [0, 0, 0, 0]
    values = values if name != "slope" else 900 * values  # deg
    low = {} if name in ("slope", "drop") else {name: np.full(N, 0.004)}
    for demand in (quiet(hidden_m=hidden, **low), quiet(turn=turn, **low)):
        for chance in (chance_beyond(gists_of([demand]), name, values)[0],
                       chance_beyond_of(demand, name, values)):
            assert chance == pytest.approx(beyond, abs=1e-9)
    if beyond[0]:
        asks = decide(quiet(hidden_m=hidden, **low), limits_with(**(
            dict.fromkeys(LIMIT_UNITS, 90.0) | {name: 0.0599})), 0.9)
        assert [cause.kind for cause in asks.causes] == ["hidden obstacle"]


def test_nothing_is_known_to_be_small_where_anything_could_hide() -> None:
    demand = quiet(hidden_m=np.where(np.arange(N) == 3, np.inf, 0.0))
    assert chance_beyond(gists_of([demand]), "step", [0.1, 2.0]).tolist() == [[1, 1]]


def test_a_hole_that_nothing_explains_is_as_long_as_its_run() -> None:
    demand = quiet(runs=one_run(explained_m=0.0, length_m=0.1, sigma_m=0.01))
    values = [0.05, 0.09, 0.1, 0.12]
    chance = chance_beyond(gists_of([demand]), "gap", values)
    assert chance[0] == pytest.approx(norm.sf([-5.0, -1.0, 0.0, 2.0]), rel=1e-6)
    sure = quiet(runs=one_run(explained_m=0.0, length_m=0.1, sigma_m=0.0))
    assert chance_beyond(gists_of([sure]), "gap", values).tolist() == [[1, 1, 0, 0]]
    assert chance_beyond(gists_of([quiet()]), "gap", [1e-9]).tolist() == [[0.0]]
    turn = TurnDemand(step_m=0, drop_m=0, sigma_m=0.001, hidden_m=0, unseen_m=0.1)
    assert chance_beyond(gists_of([quiet(turn=turn)]), "gap", values).tolist() == [[1, 1, 0, 0]]


def test_a_hole_behind_what_is_seen_is_a_matter_of_chance() -> None:
    """(n + 1/2) / A holes per area, on the area where one too long would have to begin."""
    demand = quiet(runs=one_run(length_m=0.2), seen_m2=0.01, hollows_m=(0.03,))
    values = np.array([0.15, 0.18])
    expected = -np.expm1(-150 * (0.2 - values) * 0.01)
    assert chance_beyond(gists_of([demand]), "gap", values)[0] == pytest.approx(expected, rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_unseen_runs_as_from_the_full_demands(seed: int) -> None:
    demand = a_demand(2 * seed + 1)
    values = values_about("gap", 16)
    assert chance_beyond(gists_of([demand]), "gap", values)[0] == pytest.approx(
        chance_beyond_of(demand, "gap", values), abs=1e-9)


# --- what cannot be swept -------------------------------------------------------------------------


@pytest.mark.parametrize("values", [[], [0.1, 0.1], [0.2, 0.1], [0.1, np.nan], [[0.1]], 0.1,
                                    [0.1, np.inf]])
def test_values_must_ascend(values: Any) -> None:
    gists = gists_of([quiet()])
    with pytest.raises(ValueError, match="values of step that ascend were expected"):
        least_limit(gists, LIMITS, "step", values, 0.9)
    with pytest.raises(ValueError, match="values of step that ascend were expected"):
        chance_beyond(gists, "step", values)
    with pytest.raises(ValueError, match="values of drop that ascend were expected"):
        least_limit_by(gists, LIMITS, ("step", [0.1]), ("drop", values), 0.9)


def test_limits_must_be_known_and_two() -> None:
    gists = gists_of([quiet()])
    with pytest.raises(ValueError, match="found 'contact'"):
        least_limit(gists, LIMITS, "contact", [0.1], 0.9)
    with pytest.raises(ValueError, match="found 'contact'"):
        chance_beyond_of(quiet(), "contact", [0.1])
    with pytest.raises(ValueError, match="found step twice"):
        least_limit_by(gists, LIMITS, ("step", [0.1]), ("step", [0.1]), 0.9)
