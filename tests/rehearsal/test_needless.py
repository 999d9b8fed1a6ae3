from __future__ import annotations

import pytest

from hazcam.disparity.record import BLANK_WORDS, Blank
from hazcam.scene.rehearsal.needless import (
    ALL,
    CAUSE_GROUPS,
    HIGH,
    LOW,
    NO_SUN,
    cause_group,
    cause_rows,
    needless_rows,
    sun_class,
)
from hazcam.scene.rehearsal.rates import cut_by_setting
from hazcam.scene.rehearsal.record import NOT_ASSESSED, HeadingRow, Plan
from hazcam.verdict.record import MEASURED
from tests.rehearsal.synthetic import heading_row, scene

PLAN = Plan(limits_m=(0.06,), look_aheads_m=(1.0,), headings_deg=(0.0,), sensors=("matched",))


# --- by the sun -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("sun_deg", "expected"), [
    (12.0, "from 12°"), (11.99, "below 12°"), (60.0, "from 12°"), (None, "no sun")])
def test_the_sun_is_high_from_12_degrees_on(sun_deg: float | None, expected: str) -> None:
    assert sun_class(sun_deg) == expected


def test_needless_asks_of_observable_headings_are_counted_by_the_sun() -> None:
    """High: 1 of 4 and 0 of 2; low: 2 of 2; the unobservable, blocked and borderline are not."""
    asks, goes = heading_row("free", "ask-ground"), heading_row("free", "go")
    others = (heading_row("free", "ask-ground", observable=False),
              heading_row("blocked", "ask-ground"), heading_row("borderline", "ask-ground"))
    given = [scene("a", (asks, goes, goes, goes, *others), sun_elevation_deg=30.0),
             scene("b", (goes, goes), sun_elevation_deg=12.0),
             scene("c", (asks, asks), sun_elevation_deg=11.0),
             scene("d", others, sun_elevation_deg=None)]
    found = {row.group: row for row in needless_rows(given, cut_by_setting(given), PLAN)
             if row.strip == "own"}
    assert {group: (row.observable.count, row.observable.of) for group, row in found.items()} == {
        ALL: (3, 8), HIGH: (1, 6), LOW: (2, 2), NO_SUN: (0, 0)}
    assert found[HIGH].observable_scenes.scenes == 2
    assert found[HIGH].observable_scenes.mean == pytest.approx((1 / 4 + 0) / 2)


# --- by cause -------------------------------------------------------------------------------------


def asked(cause: str, state: str = "") -> HeadingRow:
    return heading_row("free", "ask-ground", cause=cause, state=state)


@pytest.mark.parametrize(("cause", "state", "expected"), [
    ("outside view", "", "outside the picture"),
    ("outside view", "hidden", "outside the picture"),
    ("unseen run", "outside", "outside the picture"),
    ("unseen run", "blank: too dark", "shadow"),
    ("hidden obstacle", "blank: too dark", "shadow"),
    ("hidden obstacle", "hidden", "hidden"),
    ("slope unknown", "blank: no texture", "no match"),
    ("unseen run", "blank: left and right disagree", "no match"),
    ("step", "", "spurious demand"),
    ("roll", "blank: too dark", "spurious demand"),  # the ground of the demand was measured
    (NOT_ASSESSED, "", "pair"),
    ("rig no longer matches its calibration", "", "pair"),
    ("unseen run", "", "not told"),
    ("something new", "hidden", "not told"),
])
def test_each_cause_has_its_group(cause: str, state: str, expected: str) -> None:
    assert cause_group(asked(cause, state)) == expected


def test_every_measured_demand_on_a_free_heading_is_spurious() -> None:
    assert {cause_group(asked(kind)) for kind in MEASURED} == {"spurious demand"}


def test_every_blank_is_a_shadow_or_no_match() -> None:
    found = {blank: cause_group(asked("unseen run", f"blank: {BLANK_WORDS[blank]}"))
             for blank in Blank}
    assert {blank for blank, group in found.items() if group == "shadow"} == {Blank.DARK}
    assert set(found.values()) == {"shadow", "no match"}


def test_causes_are_shares_of_all_free_headings() -> None:
    """Of 7 free headings, two of them not observable, 4 are asked about."""
    rows = (*(heading_row("free", "go"),) * 3, asked("step"), asked("hidden obstacle", "hidden"),
            asked("hidden obstacle", "hidden"),
            heading_row("free", "ask-ground", cause="outside view", observable=False),
            heading_row("blocked", "ask-ground", cause="step"))
    given = [scene("a", rows[:4]), scene("b", rows[4:])]
    default, row = cause_rows(cut_by_setting(given), PLAN)
    assert (default.strip, default.free, sum(default.counts.values())) == ("straight ahead", 0, 0)
    assert row.free == 7
    assert row.counts == dict.fromkeys(CAUSE_GROUPS, 0) | {
        "spurious demand": 1, "hidden": 2, "outside the picture": 1}
    assert sum(row.counts.values()) == 4
