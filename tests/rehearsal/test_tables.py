from __future__ import annotations

import math
from dataclasses import replace

import pytest

from hazcam.errors import HazcamError
from hazcam.scene.rehearsal.record import Plan, SceneScore
from hazcam.scene.rehearsal.tables import (
    EXACT_ONE,
    ONE_SCENE,
    OVER_SCENES,
    RESAMPLED,
    UNKNOWN,
    Breakdown,
    BreakdownRow,
    Summary,
    exact_rate,
    scene_rate,
    summarise,
)
from tests.rehearsal.synthetic import SMALL_PLAN, heading_row, scene, scores

PLAN = Plan(limits_m=(0.06,), look_aheads_m=(1.0,), headings_deg=(0.0,))


def three_scenes() -> list[SceneScore]:
    """Blocked 3 (one goes), free 4 (two ask, one of them observable), borderline 2."""
    return [
        scene("a", (heading_row("blocked", "go"), heading_row("blocked", "ask-ground"),
                    heading_row("free", "ask-ground", cause="hidden"))),
        scene("b", (heading_row("blocked", "ask-ground", can_go=False),
                    heading_row("free", "go"),
                    heading_row("free", "go"),
                    heading_row("free", "ask-ground", observable=False, cause="blank"))),
        scene("c", (heading_row("borderline", "go"),
                    heading_row("borderline", "ask-ground", strip_only=True))),
    ]


def group(summary: Summary, name: str, group: str, basis: str = "one limit") -> BreakdownRow:
    found = [row for row in split(summary, name).rows
             if (row.group, row.basis, row.sensor, row.strip) == (group, basis, "matched", "own")]
    assert len(found) == 1, [row.group for row in split(summary, name).rows]
    return found[0]


def split(summary: Summary, name: str) -> Breakdown:
    return next(b for b in summary.breakdowns if b.name == name)


# --- rates ----------------------------------------------------------------------------------------


def test_both_mistakes_are_counted_by_heading_and_by_scene() -> None:
    """Worked by hand from the nine headings of ``three_scenes``."""
    row = summarise(three_scenes(), PLAN).row("matched", "own")
    assert row is not None
    rates = row.rates
    assert (rates.false_go.count, rates.false_go.of) == (1, 3)
    assert (rates.false_go_scenes.count, rates.false_go_scenes.of) == (1, 2)
    assert (rates.false_go_can_go.count, rates.false_go_can_go.of) == (1, 2)
    able = rates.false_go_can_go_scenes
    assert (able.count, able.of, able.high) == (1, 1, 1.0)
    assert (rates.needless.count, rates.needless.of) == (2, 4)
    assert (rates.needless_observable.count, rates.needless_observable.of) == (1, 3)
    assert rates.needless_scenes.scenes == 2
    assert rates.needless_scenes.mean == pytest.approx((1 / 1 + 1 / 3) / 2)
    assert rates.needless_observable_scenes.mean == pytest.approx((1 / 1 + 0 / 2) / 2)
    assert (row.headings, row.asks, row.borderline) == (9, 5, 2)
    assert (row.strip_only, row.strip_only_go) == (1, 0)


def test_the_bound_of_false_go_is_one_sided() -> None:
    """At the bound p, one or no failure in two trials has 5 %: 1 - p^2 = 0.05."""
    row = summarise(three_scenes(), PLAN).row("matched", "own")
    assert row is not None
    bound = row.rates.false_go_scenes
    assert bound.high == pytest.approx(math.sqrt(0.95))
    assert (bound.low, bound.interval) == (0.0, EXACT_ONE)


def test_no_false_go_is_bounded_by_the_number_of_scenes() -> None:
    """Of n scenes without one: 1 - 0.05^(1/n), however many headings they have."""
    row = summarise([scene(f"s{i}", (heading_row("blocked", "ask-ground"),) * 7)
                     for i in range(10)], PLAN).row("matched", "own")
    assert row is not None
    assert row.rates.false_go_scenes.high == pytest.approx(1 - 0.05 ** (1 / 10))
    assert row.rates.false_go.high == pytest.approx(1 - 0.05 ** (1 / 70))


def test_the_interval_of_needless_asks_is_two_sided() -> None:
    """Of 10 trials without an event the two-sided bound is 1 - 0.025^(1/10)."""
    assert exact_rate(0, 10, "two").high == pytest.approx(1 - 0.025 ** (1 / 10))


def test_without_trials_nothing_is_known() -> None:
    rate = exact_rate(0, 0, "one")
    assert math.isnan(rate.rate)
    assert (rate.low, rate.high, rate.interval) == (0.0, 1.0, UNKNOWN)
    by_scene = scene_rate([0, 0], [0, 0])
    assert math.isnan(by_scene.mean)
    assert (by_scene.scenes, by_scene.low, by_scene.high) == (0, 0.0, 1.0)


def test_whole_scenes_are_resampled() -> None:
    """Two scenes, one all wrong: a resample has rate 0, 1/2 or 1, the ends in a quarter each."""
    rate = scene_rate([0, 50], [50, 50])
    assert (rate.low, rate.high, rate.interval) == (0.0, 1.0, RESAMPLED)
    alike = scene_rate([25, 25], [50, 50])
    assert (alike.low, alike.high) == (0.5, 0.5)


def test_one_scene_alone_has_no_interval() -> None:
    """Resampling a single scene would say that its rate is known exactly."""
    rate = scene_rate([3], [10])
    assert (rate.mean, rate.low, rate.high, rate.interval) == (0.3, 0.0, 1.0, ONE_SCENE)


@pytest.mark.parametrize("all_ask", [False, True])
def test_where_all_scenes_agree_the_bound_is_exact_over_scenes(all_ask: bool) -> None:
    rate = scene_rate([30 * all_ask] * 10, [30] * 10)
    tail = 1 - 0.025 ** (1 / 10)
    assert (rate.low, rate.high) == pytest.approx((1 - tail, 1.0) if all_ask else (0.0, tail))
    assert rate.interval == OVER_SCENES


def test_a_scene_without_a_trial_does_not_count_as_one() -> None:
    """Two scenes with a trial and three without are two scenes."""
    assert scene_rate([0, 1, 0, 0, 0], [4, 4, 0, 0, 0]).scenes == 2
    assert scene_rate([0, 1, 0, 0, 0], [4, 4, 0, 0, 0]).mean == pytest.approx(0.125)


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


# --- the main table -------------------------------------------------------------------------------


def test_each_setting_has_a_row_of_its_own() -> None:
    """2 strips x 2 sensors x 3 look-aheads x 3 limits, each of all headings."""
    summary = summarise(scores(4), SMALL_PLAN)
    assert len(summary.rows) == 36
    assert {row.headings for row in summary.rows} == {4 * 3}
    assert len({(r.strip, r.sensor, r.look_ahead_m, r.limit_m) for r in summary.rows}) == 36


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


# --- breakdowns -----------------------------------------------------------------------------------


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
