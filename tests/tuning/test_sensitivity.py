"""How a recommendation moves: with other settings as if they were asked for, and without data."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from hazcam.campaign.record import Outcome
from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.recommend import recommend
from hazcam.tuning.record import TrialGroup
from hazcam.tuning.sensitivity import Choice, Moved, rests_on, sensitivity_of, settings_of
from hazcam.tuning.tradeoff import Headings, TradeOff, trade_off
from tests.tuning.ground import CONDITIONS, VALUES, run_headings, trial, walked

GROUP = walked(3)
CHOICE = Choice(group=GROUP, reliability=0.95, confidence=0.95, risk=0.2)
SETTINGS = settings_of(CHOICE)


def count(some: Headings, *, confidence: float | None = None) -> TradeOff:
    return trade_off(some, some, VALUES, look_ahead_m=1.0, confidence=confidence or 0.95,
                     costs=None)


def ground(choice: Choice = CHOICE, **changes: object) -> RunHeadings:
    """Twenty sites of ten headings, one on another day; all heights of the settings swept."""
    climbed = choice.climbed()
    assert climbed is not None
    heights = [h for one in (climbed, *(s.climbed for s in SETTINGS if s.climbed))
               for h in (one.estimate, one.low)]
    given = {"demand": np.random.default_rng(0).uniform(0.005, 0.095, 200), "each": 10,
             "site": [f"site {i:02d}" for i in range(20)],
             "day": ["2031-05-04"] * 19 + ["2031-05-05"], "height": climbed.estimate,
             "low": climbed.low, "beyond": np.unique(np.clip(heights, 0, None))}
    return run_headings(**(given | changes))  # type: ignore[arg-type]


def moves_of(headings: RunHeadings, choice: Choice = CHOICE) -> list[Moved]:
    return list(sensitivity_of(choice, choice.height(), SETTINGS if choice is CHOICE else (),
                               headings, count, count(headings.decided())))


def value(moves: list[Moved], what: str, setting: str) -> float | None:
    found, = [m for m in moves if (m.what, m.setting) == (what, setting)]
    return found.value


@pytest.fixture(scope="module")
def plain() -> list[Moved]:
    return moves_of(ground())


def test_what_is_tried(plain: list[Moved]) -> None:
    tried = {what: [m.setting for m in plain if m.what == what]
             for what in dict.fromkeys(m.what for m in plain)}
    assert tried == {
        "reliability": ["0.8", "0.9", "0.95", "0.99"], "confidence": ["0.8", "0.9", "0.95", "0.99"],
        "risk": ["0.01", "0.02", "0.05", "0.1", "0.2"],
        "without trials of": [f"2031-05-0{i}" for i in range(1, 5)],
        "without site": [f"site {i:02d}" for i in range(20)],
        "without day": ["2031-05-04", "2031-05-05"]}


def test_the_setting_of_the_choice_moves_nothing(plain: list[Moved]) -> None:
    own = recommend(count(ground().decided()), CHOICE.height(), 0.2).value
    assert own is not None
    assert {value(plain, "reliability", "0.95"), value(plain, "confidence", "0.95"),
            value(plain, "risk", "0.2")} == {own}


def test_asking_for_more_allows_less(plain: list[Moved]) -> None:
    for what in ("reliability", "confidence"):
        values = [m.value or 0.0 for m in plain if m.what == what]
        assert values == sorted(values, reverse=True)
        assert values[0] > values[-1]


@pytest.mark.parametrize("what", ["reliability", "confidence"])
def test_another_setting_is_as_if_it_were_asked_for(what: str) -> None:
    """Ground that the run forbids: both the heights that it is held against and its bounds move.

    Every site has a heading of 20 mm that stuck and many that are beyond by their demand alone.
    """
    odd = np.random.default_rng(1).uniform(0.03, 0.06, 200)
    odd[:10] = 0.02
    outcomes: dict[int, Outcome] = {i: "stuck" for i in range(8)}
    moves = moves_of(ground(demand=odd, outcomes=outcomes))
    bases = set()
    for share in (0.8, 0.9, 0.95, 0.99):
        other = replace(CHOICE, **{what: share})  # type: ignore[arg-type]
        asked = recommend(
            count(ground(other, demand=odd, outcomes=outcomes).decided(),
                  confidence=other.confidence), other.height(), 0.2)
        assert value(moves, what, f"{share:g}") == asked.value
        bases.add(asked.basis)
    assert "run" in bases


# --- without data ---------------------------------------------------------------------------------


def planted(**changes: object) -> RunHeadings:
    """On one site steps of 15 mm stopped the rover: the limit is held down by it alone."""
    odd = np.random.default_rng(0).uniform(0.005, 0.095, 200)
    odd[190:] = 0.015
    return ground(demand=odd, outcomes=dict.fromkeys(range(190, 200), "stuck"), **changes)


def test_a_recommendation_that_rests_on_one_site_says_so() -> None:
    moves = moves_of(planted())
    own = recommend(count(planted().decided()), CHOICE.height(), 0.2)
    assert own.basis == "run"
    assert own.value == 0.014
    found = [(m.what, m.setting) for m in rests_on(moves, own.value)]
    assert ("without site", "site 19") in found
    assert ("without day", "2031-05-05") in found
    assert [s for w, s in found if w == "without site"] == ["site 19"]


def test_sites_are_left_out_whatever_is_counted() -> None:
    """Of too few sites pairs are counted; that a limit rests on one matters all the more."""
    few = [f"site {i // 10}" for i in range(20)]
    headings = replace(planted(), counted_by="pair", site=np.repeat(few, 10))
    assert [m.setting for m in moves_of(headings) if m.what == "without site"] == [
        "site 0", "site 1"]


def test_a_site_that_is_not_stated() -> None:
    headings = replace(ground(), site=np.repeat(["", *["a"] * 19], 10))
    assert [m.setting for m in moves_of(headings) if m.what == "without site"] == [
        "not stated", "a"]


def test_trials_of_one_day_rest_on_it() -> None:
    """Without them there is none: not a word would be misleading."""
    one_day = replace(CHOICE, group=walked(3, days=1))
    moves = moves_of(ground(one_day), one_day)
    assert value(moves, "without trials of", "2031-05-01") is None
    assert ("without trials of", "2031-05-01") in [
        (m.what, m.setting) for m in rests_on(moves, 0.03)]


def test_a_day_that_all_failures_are_of() -> None:
    failures = tuple(replace(t, date=t.date.replace(day=9)) if not t.climbed else t
                     for t in GROUP.trials)
    choice = replace(CHOICE, group=replace(GROUP, trials=failures))
    moves = moves_of(ground(choice), choice)
    assert value(moves, "without trials of", "2031-05-09") is None
    assert [m.setting for m in rests_on(moves, 0.03) if m.what == "without trials of"][-1:] == [
        "2031-05-09"]


def test_trials_of_a_site_go_with_it() -> None:
    """The pairs of one site are the trials that failed low: left out, they are not used twice."""
    base = tuple(trial(f"t{i}", d, "climbed" if d < 0.047 else "stuck")
                 for i, d in enumerate(np.linspace(0.03, 0.06, 31)))
    low = tuple(trial(f"p{i:03d}", 0.02 + 0.0002 * i, "stuck") for i in range(10, 14))
    group = TrialGroup(conditions=CONDITIONS, simulated=False, trials=base + low)
    choice = replace(CHOICE, group=group)
    headings = ground(choice, each=1, demand=np.random.default_rng(0).uniform(0.005, 0.095, 200),
                      site=[f"site {i // 10:02d}" for i in range(200)],
                      day=["2031-05-04"] * 200)
    moves = moves_of(headings, choice)
    rest = choice.without(t.id for t in low)
    assert rest is not None
    assert (value(moves, "without site", "site 01") or 0) == pytest.approx(
        np.floor(rest.height() * 1000) / 1000)
    assert value(moves, "without site", "site 02") != value(moves, "without site", "site 01")
    assert choice.height_without(["p010", "t1"], 0.5) == choice.without(
        ["p010", "t1"]).height()  # type: ignore[union-attr]
    assert choice.height_without(["p000"], 0.5) == 0.5
    assert choice.height_without([t.id for t in group.trials], 0.5) == -np.inf


def test_what_a_recommendation_rests_on() -> None:
    moves = [Moved(what="risk", setting="0.1", value=None),
             Moved(what="without site", setting="a", value=0.0361),
             Moved(what="without site", setting="b", value=0.0359),
             Moved(what="without day", setting="c", value=0.0441),
             Moved(what="without trials of", setting="d", value=None)]
    assert [m.setting for m in rests_on(moves, 0.04)] == ["b", "c", "d"]
    assert rests_on(moves, None) == ()


def test_of_many_days_the_largest_are_left_out() -> None:
    days = [f"2031-{1 + i // 28:02d}-{1 + i % 28:02d}" for i in range(40)]
    sizes: Callable[[int], int] = lambda i: 2 if i >= 10 else 1  # noqa: E731
    names = [day for i, day in enumerate(days) for _ in range(sizes(i))]
    n = len(names)
    headings = ground(demand=np.full(n, 0.03), each=1, site=["a"] * n, day=names)
    assert [m.setting for m in moves_of(headings) if m.what == "without day"] == days[10:]
