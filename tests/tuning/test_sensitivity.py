"""How a recommendation moves: with other settings as if they were asked for, and without data."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from hazcam.tuning.curve import HeightClimbed
from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.recommend import Recommendation, recommend
from hazcam.tuning.sensitivity import (
    Choice,
    Chooser,
    Moved,
    rests_on,
    sensitivity_of,
    settings_of,
)
from hazcam.tuning.tradeoff import FalseGo, Headings, false_go_of
from tests.tuning.ground import VALUES, run_headings, trial, walked

GROUP = walked(3)
CHOICE = Choice(group=GROUP, reliability=0.95, confidence=0.95, risk=0.2)
SETTINGS = settings_of(CHOICE)


def count(some: Headings, confidence: float = 0.95) -> FalseGo:
    return false_go_of(some, VALUES, confidence)


def height(choice: Choice) -> HeightClimbed:
    found = choice.climbed()
    assert found is not None
    return found


def ground(climbed: HeightClimbed, **changes: Any) -> RunHeadings:
    """Twenty sites of ten headings held against a height, one of the sites on another day."""
    given: dict[str, Any] = {
        "demand": np.random.default_rng(0).uniform(0.005, 0.095, 200), "each": 10,
        "site": [f"site {i:02d}" for i in range(20)],
        "day": ["2031-05-04"] * 19 + ["2031-05-05"], "height": climbed.estimate,
        "low": climbed.low}
    return run_headings(**(given | changes))


def chooser_of(choice: Choice = CHOICE, **changes: Any) -> Chooser:
    return Chooser(choice=choice, climbed=height(choice),
                   held=lambda climbed: ground(climbed, **changes))


def moves_of(choice: Choice = CHOICE, **changes: Any) -> list[Moved]:
    return list(sensitivity_of(chooser_of(choice, **changes), SETTINGS if choice is CHOICE else (),
                               ground(height(choice), **changes)))


def chosen(choice: Choice = CHOICE, **changes: Any) -> Recommendation:
    """From scratch."""
    climbed = height(choice)
    return recommend(count(ground(climbed, **changes).decided(), choice.confidence), climbed.low,
                     choice.risk)


def value(moves: list[Moved], what: str, setting: str) -> float | None:
    found, = [m for m in moves if (m.what, m.setting) == (what, setting)]
    return found.value


@pytest.fixture(scope="module")
def plain() -> list[Moved]:
    return moves_of()


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
    own = chosen().value
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
    changes: dict[str, Any] = {"demand": odd, "outcomes": dict.fromkeys(range(8), "stuck")}
    moves = moves_of(**changes)
    bases = set()
    for share in (0.8, 0.9, 0.95, 0.99):
        setting: dict[str, Any] = {what: share}
        asked = chosen(replace(CHOICE, **setting), **changes)
        assert value(moves, what, f"{share:g}") == asked.value
        bases.add(asked.basis)
    assert "run" in bases


# --- without data ---------------------------------------------------------------------------------


def planted() -> dict[str, Any]:
    """On one site steps of 15 mm stopped the rover: the limit is held down by it alone."""
    odd = np.random.default_rng(0).uniform(0.005, 0.095, 200)
    odd[190:] = 0.015
    return {"demand": odd, "outcomes": dict.fromkeys(range(190, 200), "stuck")}


def test_a_recommendation_that_rests_on_one_site_says_so() -> None:
    own = chosen(**planted())
    assert (own.basis, own.value) == ("run", 0.014)
    found = [(m.what, m.setting) for m in rests_on(moves_of(**planted()), own.value)]
    assert [setting for what, setting in found if what == "without site"] == ["site 19"]
    assert ("without day", "2031-05-05") in found


def test_sites_are_left_out_whatever_is_counted() -> None:
    """Of too few sites pairs are counted; that a limit rests on one matters all the more."""
    few = np.repeat([f"site {i // 10}" for i in range(20)], 10)
    headings = replace(ground(height(CHOICE)), counted_by="pair", site=few)
    moves = sensitivity_of(chooser_of(), (), headings)
    assert [m.setting for m in moves if m.what == "without site"] == ["site 0", "site 1"]


def test_a_site_that_is_not_stated() -> None:
    headings = replace(ground(height(CHOICE)), site=np.repeat(["", *["a"] * 19], 10))
    moves = sensitivity_of(chooser_of(), (), headings)
    assert [m.setting for m in moves if m.what == "without site"] == ["not stated", "a"]


def test_trials_of_one_day_rest_on_it() -> None:
    """Without them there is none: not to say so would be misleading."""
    moves = moves_of(replace(CHOICE, group=walked(3, days=1)))
    assert value(moves, "without trials of", "2031-05-01") is None
    assert ("without trials of", "2031-05-01") in [
        (m.what, m.setting) for m in rests_on(moves, 0.03)]


def test_a_day_that_all_failures_are_of() -> None:
    """Without it all climbed, and where that ends is not known."""
    failures = tuple(replace(t, date=t.date.replace(day=9)) if not t.climbed else t
                     for t in GROUP.trials)
    moves = moves_of(replace(CHOICE, group=replace(GROUP, trials=failures)))
    assert value(moves, "without trials of", "2031-05-09") is None


LOW = tuple(trial(f"low {i}", 0.0025 * i, "stuck", day=9) for i in range(10, 14))
WITH_LOW = replace(CHOICE, group=replace(GROUP, trials=GROUP.trials + LOW))
"""Trials that were pairs of this run: on one site and day the rover stuck early."""


def test_a_day_of_trials_that_holds_the_limit_down() -> None:
    """Without it the limit rises, the ground beyond being what the other trials say."""
    moves = moves_of(WITH_LOW)
    assert value(moves, "without trials of", "2031-05-09") == chosen().value
    own = chosen(WITH_LOW).value
    assert own is not None
    assert own < 0.8 * (chosen().value or 0)
    assert "2031-05-09" in [m.setting for m in rests_on(moves, own)]


def test_trials_of_a_site_go_with_it() -> None:
    """They are pairs 10 to 13, which lie on the second site: they are not used twice."""
    demand = np.random.default_rng(0).uniform(0.005, 0.095, 200)
    demand[10:14] = [t.demand for t in LOW]
    changes: dict[str, Any] = {
        "each": 1, "site": [f"site {i // 10:02d}" for i in range(200)], "demand": demand,
        "day": ["2031-05-09" if 10 <= i < 14 else "2031-05-04" for i in range(200)],
        "outcomes": dict.fromkeys(range(10, 14), "stuck")}
    chooser = chooser_of(WITH_LOW, **changes)
    rest = WITH_LOW.without(t.id for t in LOW)
    assert rest is not None
    kept = ground(height(WITH_LOW), **changes).site != "site 01"
    fair = recommend(count(ground(height(rest), **changes).decided().of(kept)), height(rest).low,
                     0.2)
    moves = moves_of(WITH_LOW, **changes)
    assert value(moves, "without site", "site 01") == fair.value
    own = chosen(WITH_LOW, **changes).value
    assert value(moves, "without site", "site 02") == own is not None
    assert own < 0.8 * (fair.value or 0)
    assert chooser.without([t.id for t in LOW], kept) == fair
    assert chooser.without(t.id for t in WITH_LOW.group.trials) is None
    assert chooser.without(["not a trial"]) == chosen(WITH_LOW, **changes)


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
    names = days + days[10:]
    moves = moves_of(demand=np.full(70, 0.03), each=1, site=["a"] * 70, day=names)
    assert [m.setting for m in moves if m.what == "without day"] == days[10:]
