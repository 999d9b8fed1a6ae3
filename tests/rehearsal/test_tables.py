from __future__ import annotations

import math
from dataclasses import replace

import pytest

from hazcam.errors import HazcamError
from hazcam.scene.rehearsal.record import Plan
from hazcam.scene.rehearsal.tables import summarise
from tests.rehearsal.synthetic import SMALL_PLAN, heading_row, scene, scores

PLAN = Plan(limits_m=(0.06,), look_aheads_m=(1.0,), headings_deg=(0.0,))


def test_the_clear_distance_is_held_against_the_true_one() -> None:
    """Ratios 0.8, 0.5 and 1.2 of scored headings; borderline ones and a true 0 are left out."""
    rows = (heading_row("free", "ask-ground", clear_m=0.8, true_clear_m=1.0),
            heading_row("blocked", "ask-ground", clear_m=0.25, true_clear_m=0.5),
            heading_row("blocked", "ask-ground", clear_m=0.6, true_clear_m=0.5),
            heading_row("blocked", "ask-ground", clear_m=0.1, true_clear_m=0.0),
            heading_row("borderline", "ask-ground", clear_m=0.01, true_clear_m=1.0))
    row = summarise([scene("a", rows)], PLAN).row("matched", "own")
    assert row is not None
    assert row.clear_ratio == pytest.approx(0.8)


def test_the_clear_distance_of_free_headings_stands_by_itself() -> None:
    """Of clear distances 1.0, 0.7 and 0.2 m the median is 0.7 m, of 1 m that is clear in truth."""
    rows = (heading_row("free", "go"),
            heading_row("free", "ask-ground", clear_m=0.7),
            heading_row("free", "ask-ground", clear_m=0.2, observable=False),
            heading_row("blocked", "ask-ground", clear_m=0.1),
            heading_row("borderline", "ask-ground", clear_m=0.1))
    row = summarise([scene("a", rows)], PLAN).row("matched", "own")
    assert row is not None
    assert (row.free_clear_m, row.free_clear_ratio) == pytest.approx((0.7, 0.7))
    none = summarise([scene("a", rows[3:])], PLAN).row("matched", "own")
    assert none is not None
    assert math.isnan(none.free_clear_m)
    assert math.isnan(none.free_clear_ratio)


# --- the main table -------------------------------------------------------------------------------


def test_each_setting_has_a_row_of_its_own() -> None:
    """2 strips x 2 sensors x 3 look-aheads x 3 limits, each of all headings."""
    summary = summarise(scores(4), SMALL_PLAN)
    assert len(summary.rows) == 36
    assert {row.headings for row in summary.rows} == {4 * 3}
    assert len({(r.strip, r.sensor, r.look_ahead_m, r.limit_m) for r in summary.rows}) == 36


def test_headings_are_counted_by_what_was_said_of_them() -> None:
    rows = (heading_row("blocked", "go"), heading_row("free", "ask-ground"),
            heading_row("borderline", "go", strip_only=True),
            heading_row("borderline", "ask-ground", strip_only=True),
            heading_row("borderline", "ask-ground"))
    row = summarise([scene("a", rows)], PLAN).row("matched", "own")
    assert row is not None
    assert (row.headings, row.asks, row.borderline) == (5, 3, 3)
    assert (row.strip_only, row.strip_only_go) == (2, 1)


def test_the_headline_is_at_6_cm_and_1_m_or_nearest_to_it() -> None:
    assert (summarise(scores(1), SMALL_PLAN).limit_m,
            summarise(scores(1), SMALL_PLAN).look_ahead_m) == (0.06, 1.0)
    plan = Plan(limits_m=(0.03, 0.05), look_aheads_m=(0.5, 2.0), headings_deg=(0.0,))
    rows = scores(1, plan=plan)
    assert (summarise(rows, plan).limit_m, summarise(rows, plan).look_ahead_m) == (0.05, 0.5)


def test_the_same_scores_give_the_same_tables() -> None:
    assert repr(summarise(scores(6), SMALL_PLAN)) == repr(summarise(scores(6), SMALL_PLAN))


def test_a_failed_pair_is_named_and_counts_as_it_was_scored() -> None:
    asked = scene("a", (heading_row("free", "ask-ground", cause=""),), failure="all black")
    lost = scene("b", (), failure="no truth")
    summary = summarise([asked, lost, scene("c", (heading_row("free", "go"),))], PLAN)
    assert [(f.pair, f.reason, f.scored) for f in summary.failures] == [
        ("a", "all black", True), ("b", "no truth", False)]
    assert (summary.scenes, summary.scored) == (3, 2)
    row = summary.row("matched", "own")
    assert row is not None
    assert (row.rates.needless.count, row.rates.needless.of) == (1, 2)
    assert [(s.word, s.count) for s in summary.causes if s.basis == "one limit"] == [
        ("not said", 1)]


# --- refusals -------------------------------------------------------------------------------------


def test_two_versions_of_a_mixture_are_never_pooled() -> None:
    both = [scene("a", mixture="rocks/1"), scene("b", mixture="rocks/2")]
    with pytest.raises(HazcamError, match="rocks/1 and rocks/2"):
        summarise(both, PLAN)
    summarise([both[0], replace(both[1], mixture="boulders/2")], PLAN)


def test_a_scene_is_not_counted_twice() -> None:
    with pytest.raises(HazcamError, match="scored twice: a"):
        summarise([scene("a"), scene("a")], PLAN)


def test_no_scene_is_an_error() -> None:
    with pytest.raises(HazcamError, match="no scene"):
        summarise([], PLAN)
