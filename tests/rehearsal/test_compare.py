from __future__ import annotations

from dataclasses import replace
from math import comb

import pytest

from hazcam.errors import HazcamError
from hazcam.scene.rehearsal.compare import Comparison, Condition, Paired, compare, unlike
from hazcam.scene.rehearsal.record import SceneScore
from tests.rehearsal.synthetic import heading_row, scene, scores


def blocked(pair: str, *verdicts: str) -> SceneScore:
    return scene(pair, tuple(heading_row("blocked", v, heading_deg=5.0 * i)
                             for i, v in enumerate(verdicts)))


def paired(comparison: Comparison, mistake: str) -> Paired:
    return next(row for row in comparison.rows if row.mistake == mistake)


def test_scenes_that_differ_are_counted_and_tested() -> None:
    """3 scenes fail only here and 11 only there: p = 2 P(X <= 3) of 14 fair throws."""
    here = [blocked(f"s{i:02d}", "go" if i < 3 or i == 14 else "ask-ground") for i in range(16)]
    there = [blocked(f"s{i:02d}", "go" if 3 <= i <= 14 else "ask-ground") for i in range(16)]
    row = paired(compare(here, there), "false-go")
    assert (row.scenes, row.both, row.only_this, row.only_other, row.neither) == (16, 1, 3, 11, 1)
    assert row.p == pytest.approx(2 * sum(comb(14, k) for k in range(4)) / 2**14)
    assert (row.headings, row.this_count, row.other_count) == (16, 4, 12)
    assert row.difference == pytest.approx((4 - 12) / 16)


def test_a_scene_counts_once_whatever_number_of_its_headings_went() -> None:
    row = paired(compare([blocked("a", "go", "go", "go")],
                         [blocked("a", "ask-ground", "ask-ground", "ask-ground")]), "false-go")
    assert (row.scenes, row.only_this, row.headings, row.this_count) == (1, 1, 3, 3)
    assert row.p == 1.0  # one scene tells nothing


def test_needless_asks_are_compared_of_free_headings() -> None:
    here = scene("a", (heading_row("free", "ask-ground"), heading_row("blocked", "go",
                                                                      heading_deg=5.0)))
    there = scene("a", (heading_row("free", "go"), heading_row("blocked", "go", heading_deg=5.0)))
    row = paired(compare([here], [there]), "needless ask")
    assert (row.headings, row.this_count, row.other_count, row.difference) == (1, 1, 0, 1.0)


def test_what_is_the_same_does_not_differ() -> None:
    found = compare(scores(5), scores(5))
    assert found.labels_differ == found.only_this == found.only_other == 0
    for row in found.rows:
        assert row.only_this == row.only_other == 0
        assert row.p == 1.0
        if row.headings:
            assert (row.difference, row.low, row.high) == (0.0, 0.0, 0.0)


def test_the_interval_of_the_difference_resamples_scenes() -> None:
    """Two scenes, the one all worse here: the difference of a resample is 0, 1/2 or 1."""
    here = [blocked("a", "go", "go"), blocked("b", "go", "go")]
    there = [blocked("a", "ask-ground", "ask-ground"), blocked("b", "go", "go")]
    row = paired(compare(here, there), "false-go")
    assert (row.difference, row.low, row.high) == (0.5, 0.0, 1.0)


def test_headings_with_another_label_or_of_one_set_are_left_out_and_counted() -> None:
    """0°: one label; 5°: two labels; 10° and 15°: only in one of them."""
    here = scene("a", (heading_row("blocked", "go"), heading_row("blocked", "go", heading_deg=5.0),
                       heading_row("free", "go", heading_deg=10.0)))
    there = scene("a", (heading_row("blocked", "go"), heading_row("free", "go", heading_deg=5.0),
                        heading_row("free", "go", heading_deg=15.0),
                        heading_row("free", "go", heading_deg=20.0)))
    found = compare([here], [there])
    assert (found.compared, found.labels_differ, found.only_this, found.only_other) == (1, 1, 1, 2)


def test_each_setting_is_compared_by_itself() -> None:
    found = compare(scores(3), scores(3, seed=0))
    assert len(found.rows) == 36 * 2
    first = found.rows[0]
    assert (first.strip, first.sensor, first.look_ahead_m, first.limit_m) == (
        "straight ahead", "matched", 0.6, 0.04)


def test_other_scenes_are_named() -> None:
    with pytest.raises(HazcamError, match="only in this set: b; only in the other: c"):
        compare([blocked("a", "go"), blocked("b", "go")], [blocked("a", "go"), blocked("c", "go")])


def test_a_scene_that_one_set_could_not_score_is_named() -> None:
    with pytest.raises(HazcamError, match="only in this set: b"):
        compare([blocked("a", "go"), blocked("b", "go")],
                [blocked("a", "go"), scene("b", (), failure="died")])


def test_scenes_that_failed_in_both_are_counted() -> None:
    """Rows from a file name only what was scored: c failed here and is not named there."""
    died = [scene(name, (), failure="died") for name in "bc"]
    found = compare([blocked("a", "go"), *died], [blocked("a", "go"), died[0]])
    assert (found.scenes, found.scenes_failed) == (1, 2)
    assert compare([blocked("a", "go")], [blocked("a", "go")]).scenes_failed == 0


def test_another_version_of_a_mixture_is_refused() -> None:
    score = blocked("a", "go")
    with pytest.raises(HazcamError, match="rocks/1 and rocks/2"):
        compare([score], [replace(score, mixture="rocks/2")])


def test_nothing_in_common_is_an_error() -> None:
    with pytest.raises(HazcamError, match="limits, look-aheads and headings in common"):
        compare([scene("a", (heading_row("free", "go", limit_m=0.05),))], [blocked("a", "go")])


# --- what two sets were not run alike with --------------------------------------------------------


def record(matcher: str | None, **run: str) -> dict[str, object]:
    """A rehearsal.json with what is compared."""
    plan = {"confidence": 0.99} | ({} if matcher is None else {"matcher": matcher})
    about = {"hazcam": "0.1.0", "code_digest": "c0de", "rig": "bench", "rig_digest": "1",
             "rover": "Dunlin", "rover_digest": "2"}
    return {"run": about | run, "summary": {"plan": plan}}


def test_records_of_the_same_conditions_are_alike() -> None:
    assert unlike(record("census"), record("census", date="later")) == ()


def test_conditions_that_differ_are_named_with_both_values() -> None:
    found = unlike(record("census"), record("sgbm", rig="bench", rig_digest="1234567890"))
    assert found == (Condition(name="matcher", this="census", other="sgbm"),
                     Condition(name="rig", this="bench (1)", other="bench (12345678)"))


def test_what_an_older_record_lacks_is_not_recorded() -> None:
    assert unlike(record("census"), record(None)) == (
        Condition(name="matcher", this="census", other="not recorded"),)
    found = {c.name: c.other for c in unlike(record("census"), {})}
    assert found == dict.fromkeys(("matcher", "rig", "rover", "confidence", "hazcam"),
                                  "not recorded")


def test_a_comparison_hands_its_conditions_on() -> None:
    conditions = (Condition(name="matcher", this="census", other="sgbm"),)
    assert compare(scores(2), scores(2), conditions).conditions == conditions
