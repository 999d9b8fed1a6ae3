from __future__ import annotations

import math

import pytest

from hazcam.scene.rehearsal.breakdown import Breakdown, BreakdownRow
from hazcam.scene.rehearsal.record import Plan
from hazcam.scene.rehearsal.tables import Summary, summarise
from tests.rehearsal.synthetic import SMALL_PLAN, heading_row, scene, scores

PLAN = Plan(limits_m=(0.06,), look_aheads_m=(1.0,), headings_deg=(0.0,))


def group(summary: Summary, name: str, group: str, basis: str = "one limit") -> BreakdownRow:
    found = [row for row in split(summary, name).rows
             if (row.group, row.basis, row.sensor, row.strip) == (group, basis, "matched", "own")]
    assert len(found) == 1, [row.group for row in split(summary, name).rows]
    return found[0]


def split(summary: Summary, name: str) -> Breakdown:
    return next(b for b in summary.breakdowns if b.name == name)


@pytest.mark.parametrize(("sun_deg", "expected"), [
    (3.0, "3 to 8°"), (7.9, "3 to 8°"), (8.0, "8 to 20°"), (49.0, "20 to 50°"), (None, "no sun"),
    (1.0, "below 3°"), (50.0, "from 50°"),
])
def test_scenes_are_split_by_the_sun(sun_deg: float | None, expected: str) -> None:
    summary = summarise([scene("a", (heading_row("free", "go"),), sun_elevation_deg=sun_deg)],
                        PLAN)
    assert group(summary, "sun", expected).scenes == 1
    assert sum(row.scenes for row in split(summary, "sun").rows if row.basis == "one limit") == 1


@pytest.mark.parametrize(("ratio", "kind", "expected"), [
    (1.15, "rock", "1.15 to 1.5"), (1.5, "fall", "1.5 to 2"), (2.9, "rise", "2 to 3"),
    (3.0, "rock", "from 3"), (0.4, "slope", "slope, no height"), (math.nan, "fall", "not known"),
])
def test_blocked_headings_are_split_by_what_blocks(
    ratio: float, kind: str, expected: str
) -> None:
    rows = (heading_row("blocked", "go", ratio=ratio, kind=kind), heading_row("free", "go"))
    row = group(summarise([scene("a", rows)], PLAN), "ratio", expected)
    assert (row.rates.false_go.count, row.rates.false_go.of, row.rates.needless.of) == (1, 1, 0)


def test_blocked_headings_are_split_by_distance_at_the_longest_look_ahead() -> None:
    plan = Plan(limits_m=(0.06,), look_aheads_m=(1.0, 1.5), headings_deg=(0.0,))
    rows = tuple(heading_row("blocked", "ask-ground", look_ahead_m=look, true_clear_m=at_m)
                 for look, at_m in ((1.5, 0.49), (1.5, 0.5), (1.5, 1.2), (1.0, 0.2)))
    summary = summarise([scene("a", rows)], plan)
    assert split(summary, "distance").look_ahead_m == 1.5
    counts = [group(summary, "distance", name).rates.false_go.of
              for name in ("0 to 0.5 m", "0.5 to 1 m", "1 to 1.5 m")]
    assert counts == [1, 1, 1]


@pytest.mark.parametrize(("compression", "expected"), [
    ("none", "none"), ("jpeg 75", "jpeg, quality from 75"), ("jpeg 74", "jpeg, quality below 75"),
    ("jpeg2000 8:1", "jpeg2000"),
])
def test_scenes_are_split_by_compression(compression: str, expected: str) -> None:
    summary = summarise([scene("a", (heading_row("free", "go"),), compression=compression)], PLAN)
    assert group(summary, "compression", expected).scenes == 1


def test_scenes_are_split_by_mixture_and_rig() -> None:
    """The false-go of the one does not stain the other."""
    summary = summarise([
        scene("a", (heading_row("blocked", "go"),), mixture="pit/1", rig="mast"),
        scene("b", (heading_row("blocked", "ask-ground"),), mixture="rocks/1", rig="bench")], PLAN)
    for name, wrong, right in (("mixture", "pit/1", "rocks/1"), ("rig", "mast", "bench")):
        assert group(summary, name, wrong).rates.false_go_scenes.count == 1
        assert group(summary, name, right).rates.false_go_scenes.count == 0
        assert group(summary, name, right).rates.false_go_scenes.of == 1


def test_all_limits_are_pooled_beside_one() -> None:
    plan = Plan(limits_m=(0.04, 0.06), look_aheads_m=(1.0,), headings_deg=(0.0,))
    rows = tuple(heading_row("blocked", verdict, limit_m=limit_m)
                 for limit_m, verdict in ((0.04, "go"), (0.06, "ask-ground")))
    summary = summarise([scene("a", rows)], plan)
    one, pooled = (group(summary, "rig", "bench", basis).rates
                   for basis in ("one limit", "all limits"))
    assert (one.false_go.count, one.false_go.of) == (0, 1)
    assert (pooled.false_go.count, pooled.false_go.of) == (1, 2)
    assert (pooled.false_go_scenes.count, pooled.false_go_scenes.of) == (1, 1)


def test_the_ideal_sensor_stands_beside_the_matched_one() -> None:
    summary = summarise(scores(4), SMALL_PLAN)
    for breakdown in summary.breakdowns:
        sensors = [row.sensor for row in breakdown.rows]
        assert sensors[0::2] == ["matched"] * (len(sensors) // 2)
        assert sensors[1::2] == ["ideal"] * (len(sensors) // 2)


def test_causes_are_counted_most_frequent_first() -> None:
    rows = (*(heading_row("free", "ask-ground", cause="hidden"),) * 2,
            heading_row("free", "ask-ground", cause="blank"),
            heading_row("blocked", "ask-ground", cause="step"),
            heading_row("blocked", "go", kind="fall"))
    summary = summarise([scene("a", rows)], PLAN)
    assert [(s.word, s.count, s.of) for s in summary.causes if s.basis == "one limit"] == [
        ("hidden", 2, 3), ("blank", 1, 3)]
    assert [(s.word, s.count, s.of) for s in summary.kinds if s.basis == "one limit"] == [
        ("fall", 1, 1)]
