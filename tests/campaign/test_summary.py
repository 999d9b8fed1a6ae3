"""The summary of a campaign, against tables counted by hand, and what must add up in any."""

from __future__ import annotations

import tracemalloc
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as checks
from hypothesis import strategies as st

from hazcam.campaign.store.reader import open_run
from hazcam.campaign.summary.course import MOST_STEPS, course, day_of, moments, steps_of
from hazcam.campaign.summary.summary import READ, CampaignSummary, summarise
from hazcam.campaign.summary.tally import Tally
from tests.campaign.entries import make_run
from tests.campaign.tables import assessment, heading, pair, tables


def unasked(id_: str) -> Mapping[str, Any]:
    raise AssertionError(f"the record of {id_} was asked for")


def summary(**rows: list[dict[str, Any]]) -> CampaignSummary:
    return summarise(tables(**rows), unasked)


def cause(kind: str, at_m: float, **more: Any) -> dict[str, Any]:
    return {"kind": kind, "at_m": at_m, "demand": None, "sigma": None, "limit": None, "unit": "",
            "reason": "", **more}


def step(demand: float, sigma: float, at_m: float = 0.6) -> dict[str, Any]:
    return cause("step", at_m, demand=demand, sigma=sigma, limit=0.06, unit="m")


def record_of(**causes: list[dict[str, Any]]) -> Any:
    """Records that say no more than the causes of heading 0."""
    def record(id_: str) -> Mapping[str, Any]:
        return {"headings": [{"heading_deg": 5.0, "causes": []},
                             {"heading_deg": 0.0, "causes": causes[id_]}]}

    return record


# --- counts ---------------------------------------------------------------------------------------


def test_a_small_campaign_counted_by_hand() -> None:
    found = summary(
        pairs=[pair("a", taken_at="2031-05-04T09:00:00Z", site="slag heap"),
               pair("b", taken_at="2031-05-04T10:00:00Z", site="slag heap"),
               pair("c", taken_at="2031-05-05T09:00:00Z", rover="dunlin-fm"),
               pair("d", taken_at="2031-05-05T09:00:00Z"), pair("e", rover="")],
        assessments=[assessment("a", "go", 2), assessment("b", "ask-ground", 1),
                     assessment("c", "", 0, rover="fm", usable=0, unusable_because="no stereo")],
        failures=[{"pair": "d", "kind": "time limit"}])
    assert found.all == Tally(name="all", pairs=5, assessed=3, failed=1, usable=2, ahead_go=1,
                              ahead_ask=1, any_go=2, headings=9, headings_go=3)
    assert (found.all.waiting, found.all.ahead_not_judged, found.all.none_go) == (1, 1, 1)
    assert [(t.name, t.pairs, t.assessed, t.failed) for t in found.by_rover] == [
        ("dunlin-em", 3, 2, 1), ("dunlin-fm", 1, 1, 0), ("rover not stated", 1, 0, 0)]
    assert [(t.name, t.pairs, t.ahead_go) for t in found.by_day] == [
        ("2031-05-04", 2, 1), ("2031-05-05", 2, 0), ("day not stated", 1, 0)]
    assert [(t.name, t.pairs) for t in found.by_site] == [("slag heap", 2), ("site not stated", 3)]
    assert found.failures == (("time limit", 1),)
    assert found.unusable == (("no stereo", 1),)


def test_an_empty_run_is_a_summary_of_nothing() -> None:
    found = summary()
    assert found.all.pairs == 0
    assert [found.by_day, found.causes, found.walks, found.quality] == [(), (), (), ()]


def test_a_pair_that_is_in_no_manifest_is_refused() -> None:
    with pytest.raises(ValueError, match="ghost"):
        summary(assessments=[assessment("ghost")])


def test_rovers_of_one_name_and_other_numbers_are_kept_apart() -> None:
    found = summary(
        pairs=[pair("a"), pair("b")],
        rovers=[{"digest": "1" * 64, "name": "dunlin-em"}, {"digest": "2" * 64,
                                                             "name": "dunlin-em"}],
        assessments=[assessment("a", rover="1" * 64), assessment("b", rover="2" * 64)])
    assert [t.name for t in found.by_rover] == ["dunlin-em (11111111)", "dunlin-em (22222222)"]


def test_causes_are_counted_straight_ahead_and_over_all_headings() -> None:
    found = summary(pairs=[pair("a"), pair("b")], headings=[
        heading("a", 0.0, "step"), heading("a", 5.0, "step"), heading("a", 10.0, ""),
        heading("b", 0.0, "unseen run", cause_reason="too dark"),
        heading("b", 5.0, "unseen run", cause_reason="hidden")])
    assert [(c.kind, c.reason, c.ahead, c.headings) for c in found.causes] == [
        ("step", "", 1, 2), ("unseen run", "too dark", 1, 1), ("unseen run", "hidden", 0, 1)]


def test_missing_pictures_and_attitudes_are_counted_of_the_assessed() -> None:
    found = summary(
        pairs=[pair("a", roll_deg=np.nan), pair("b"), pair("c", roll_deg=np.nan)],
        assessments=[assessment("a"), assessment("b")],
        pictures=[{"pair": "a", "side": "left"}, {"pair": "b", "side": "left"},
                  {"pair": "b", "side": "right"}])
    assert found.missing == {"left": 0, "right": 1}
    assert found.no_attitude == 1


def test_what_go_takes_for_granted() -> None:
    found = summary(pairs=[pair(i) for i in "abcd"], headings=[
        heading("a", assumed_m=0.1), heading("b", assumed_m=0.3), heading("c", assumed_m=0.0),
        heading("d", cause="step", assumed_m=0.9)])
    assert found.assumed.pairs == 2
    assert found.assumed.median_m == pytest.approx(0.2)
    assert found.assumed.most_m == 0.3


def test_conditions_that_were_not_rehearsed_are_counted_each() -> None:
    found = summary(pairs=[pair("a"), pair("b")], assessments=[
        assessment("a", outside_rehearsed="low sun; another baseline"),
        assessment("b", outside_rehearsed="low sun")])
    assert [(c.condition, c.pairs) for c in found.not_rehearsed] == [
        ("low sun", ("a", "b")), ("another baseline", ("a",))]


def test_conditions_that_differ_by_what_was_found_are_one() -> None:
    seen = "only {} % of the ground in view is seen (rehearsed: 28 % and more)"
    found = summary(pairs=[pair(i) for i in "abcd"], assessments=[
        assessment("a", outside_rehearsed=seen.format(9)),
        assessment("b", outside_rehearsed=seen.format(17) + "; sun at -3.5° (rehearsed: 3 to 50°)"),
        assessment("c", outside_rehearsed=seen.format(0)),
        assessment("d", outside_rehearsed=seen.format(0).replace("28", "30"))]).not_rehearsed
    assert [(c.condition, c.pairs) for c in found] == [
        (seen.format("0 to 17"), ("a", "b", "c")), (seen.format(0).replace("28", "30"), ("d",)),
        ("sun at -3.5° (rehearsed: 3 to 50°)", ("b",))]


_RUN = st.lists(st.tuples(
    st.sampled_from(("go", "ask-ground", "", "failed", "waiting")), st.integers(0, 3),
    st.sampled_from(("", "2031-05-04T23:00:00+10:00", "2031-05-05T01:00:00Z", "no time")),
    st.sampled_from(("", "slag heap", "furrows"))), max_size=12)


@given(_RUN)
@checks(max_examples=60, deadline=None)
def test_groups_add_up_to_all(run: list[tuple[str, int, str, str]]) -> None:
    ids = [f"p{i:02d}" for i in range(len(run))]
    rows = list(zip(ids, run, strict=True))
    found = summary(
        pairs=[pair(i, taken_at=when, site=site) for i, (_, _, when, site) in rows],
        assessments=[assessment(i, ahead, go) for i, (ahead, go, _, _) in rows
                     if ahead not in ("failed", "waiting")],
        failures=[{"pair": i, "kind": "failed"} for i, (what, *_) in rows if what == "failed"])
    for groups in (found.by_rover, found.by_day, found.by_site):
        for name in ("pairs", "assessed", "failed", "usable", "ahead_go", "ahead_ask", "any_go",
                     "headings", "headings_go", "waiting", "ahead_not_judged", "none_go"):
            assert sum(getattr(t, name) for t in groups) == getattr(found.all, name)
    assert found.all.waiting == sum(what == "waiting" for what, *_ in run)


# --- against the rover's own algorithm, and walking -----------------------------------------------


def onboard(**said: str) -> list[dict[str, Any]]:
    return [pair(id_, onboard_verdict=word, onboard_value_m=0.02) for id_, word in said.items()]


def test_dangerous_disagreements_come_first_the_farthest_over_first() -> None:
    """Of ``far`` the first cause is unseen ground; what was measured behind it counts."""
    found = summarise(tables(
        pairs=onboard(near="go", far="go", dark="go", stop="ask-ground", fine="go", dim="Go"),
        headings=[heading("near", cause="step"), heading("far", cause="unseen run"),
                  heading("dark", cause="unseen run", probability=0.2), heading("stop"),
                  heading("fine"), heading("dim", cause="unseen run", probability=0.4)]),
        record_of(
            near=[step(0.07, 0.005)],
            far=[cause("unseen run", 0.3), step(0.061, 0.01, 0.4), step(0.09, 0.01, 0.8)],
            dark=[cause("unseen run", 0.3, reason="too dark")], dim=[cause("unseen run", 0.3)]),
    ).onboard
    assert [(d.pair, d.kind) for d in found.disagreements] == [
        ("far", "measured"), ("near", "measured"), ("dim", "not known"), ("dark", "not known"),
        ("stop", "needless")]
    far, near = found.of_kind("measured")
    # (0.09 - 0.06) / 0.01 and (0.07 - 0.06) / 0.005
    assert far.over_sigmas == pytest.approx(3.0)
    assert near.over_sigmas == pytest.approx(2.0)
    assert (far.cause, far.at_m, far.demand, far.onboard_value_m) == ("step", 0.8, 0.09, 0.02)
    assert (found.both_go, found.both_ask, found.compared) == (1, 0, 6)
    assert found.of_kind("not known")[1].cause_reason == "too dark"


def test_a_rig_that_no_longer_matches_is_not_something_measured_of_the_ground() -> None:
    found = summarise(
        tables(pairs=onboard(a="go"), headings=[heading("a", cause="rig not checked")]),
        record_of(a=[cause("rig not checked", 0.0)])).onboard
    assert [d.kind for d in found.disagreements] == ["not known"]


def test_other_words_and_pairs_without_our_verdict_are_told_apart() -> None:
    found = summary(pairs=onboard(a="HALT 3", b="go", c="ask-ground"),
                    headings=[heading("a", cause="step"), heading("b", 5.0)]).onboard
    assert found.other_words == (("HALT 3", 1),)
    assert (found.not_compared, found.compared) == (2, 0)


def walked(id_: str, outcome: str, deg: float = 0.0) -> dict[str, Any]:
    return pair(id_, walked_heading_deg=deg, walked_outcome=outcome)


def test_walked_on_a_go_and_not_climbed_comes_first() -> None:
    found = summary(
        pairs=[walked("fine", "climbed"), walked("wrong", "stuck"), walked("shy", "climbed"),
               walked("right", "tipped"), walked("aside", "climbed", 7.5), pair("not")],
        headings=[heading("fine"), heading("wrong"), heading("shy", cause="step"),
                  heading("right", cause="step"), heading("aside", 5.0), heading("not")]).walks
    assert [(w.pair, w.verdict, w.climbed) for w in found] == [
        ("wrong", "go", False), ("shy", "ask-ground", True), ("aside", "", True),
        ("right", "ask-ground", False), ("fine", "go", True)]


def test_the_verdict_of_the_very_heading_that_was_walked_counts() -> None:
    found = summary(pairs=[walked("a", "climbed", -10.0)],
                    headings=[heading("a", 0.0, "step"), heading("a", -10.0)]).walks
    assert found[0].verdict == "go"


# --- the course -----------------------------------------------------------------------------------


def test_a_day_is_that_of_the_zone_that_is_stated() -> None:
    assert day_of("2031-05-04T23:30:00-05:00") == "2031-05-04"
    assert day_of("20310504T2330") == "2031-05-04"
    assert day_of("half past nine") == "day not stated"
    assert moments(["2031-05-04T02:00:00+02:00"])[0] == moments(["2031-05-04T00:00:00"])[0]


@given(st.lists(st.one_of(st.just(float("nan")), st.floats(1e9, 3e9)), min_size=1, max_size=40))
def test_steps_hold_each_moment_and_are_few(at: list[float]) -> None:
    steps = steps_of(np.array(at), np.arange(len(at)))
    assert len(steps.edges) - 1 <= MOST_STEPS
    for value, k in zip(at, steps.step.tolist(), strict=True):
        if np.isnan(value) and steps.by_time:
            assert k == -1
        elif steps.by_time:
            assert steps.edges[k] <= value < steps.edges[k + 1]
    assert steps.by_time == (not np.isnan(at).all())


def test_without_any_time_the_manifest_gives_the_order() -> None:
    steps = steps_of(np.full(200, np.nan), np.arange(200))
    assert not steps.by_time
    assert (np.diff(steps.step) >= 0).all()
    assert steps.step[0] == 0
    assert len(steps.edges) - 1 == 50  # 200 / 60 rounded up: 4 a step


def test_a_course_has_medians_with_their_spread_and_leaves_out_what_is_not_known() -> None:
    steps = steps_of(np.array([0.0, 1.0, 2.0, 70.0, 80.0]), np.arange(5))
    values = np.array([1.0, 2.0, 9.0, np.nan, np.nan])
    found = course("em", "left", steps, steps.step, {"blur": values})
    assert found.count.tolist() == [3, 2]
    assert found.bands["blur"].median[0] == 2.0
    # numpy's linear percentiles of 1, 2, 9
    assert (found.bands["blur"].low[0], found.bands["blur"].high[0]) == (
        pytest.approx(1.2), pytest.approx(7.6))
    assert np.isnan(found.bands["blur"].median[1])


def test_the_drift_of_a_rig_first_and_last() -> None:
    ids = [f"p{i:02d}" for i in range(20)]
    found = summary(
        pairs=[pair(i, taken_at=f"2031-05-04T{9 + n // 10:02d}:{n % 10:02d}:00")
               for n, i in enumerate(ids)],
        assessments=[assessment(i, rows_off_px=0.3) for i in ids],
        drifts=[{"pair": i, "rig": "rig", "pitch_deg": 0.1 * n, "vergence_deg": 0.0,
                 "roll_deg": 0.0, "pitch_sigma_deg": 0.02, "vergence_sigma_deg": 0.02,
                 "roll_sigma_deg": 0.02} for n, i in enumerate(ids[:10])]
        + [{"pair": "p10", "rig": "rig", "reason": "too few features"}]).drifts[0]
    assert (found.pairs, found.sought, found.estimated) == (20, 11, 10)
    assert found.reasons == (("too few features", 1),)
    assert (found.first_deg[0], found.last_deg[0]) == (0.0, pytest.approx(0.9))
    assert found.median_deg[0] == pytest.approx(0.45)
    assert found.rows_off is not None
    assert found.rows_off.count.sum() == 10


def test_quality_goes_by_rover_and_side() -> None:
    found = summary(
        pairs=[pair("a", place=0), pair("b", place=1)],
        assessments=[assessment("a"), assessment("b", rover="fm")],
        pictures=[{"pair": "a", "side": "left", "mean_grey": 90.0},
                  {"pair": "b", "side": "right", "mean_grey": 40.0}]).quality
    assert [(c.group, c.side, c.bands["mean_grey"].median.tolist()) for c in found] == [
        ("dunlin-em", "left", [90.0]), ("dunlin-fm", "right", [40.0])]


def test_pairs_without_a_time_among_others_are_counted_as_not_shown() -> None:
    found = summary(pairs=[pair("a", taken_at="2031-05-04T09:00:00Z"), pair("b"), pair("c")],
                    assessments=[assessment("a"), assessment("b")])
    assert found.not_timed == 1


def test_times_without_a_zone_are_counted() -> None:
    found = summary(pairs=[pair("a", taken_at="2031-05-04T09:00:00Z"),
                           pair("b", taken_at="2031-05-04T09:00:00"), pair("c"),
                           pair("d", taken_at="2031-05-04")])
    assert found.no_zone == 2


_ANGLES = {f"{a}{s}_deg": 0.1 for a in ("pitch", "vergence", "roll") for s in ("", "_sigma")}


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("rows", [
    {}, {"pairs": [pair("a")]}, {"pairs": [pair("a")], "assessments": [assessment("a")]},
    {"pairs": [pair("a")], "assessments": [assessment("a")],
     "pictures": [{"pair": "a", "side": "left"}],
     "drifts": [{"pair": "a", "rig": "rig", "reason": "too few"}]},
    {"pairs": [pair("a")], "assessments": [assessment("a")],
     "pictures": [{"pair": "a", "side": "left"}],
     "drifts": [{"pair": "a", "rig": "rig", **_ANGLES}],
     "spots": [{"pair": "a", "side": "left", "column_px": 3.0, "row_px": 3.0, "depth": 0.2}]},
], ids=["nothing", "none assessed", "one", "no spots, no drift", "one spot, one drift"])
def test_little_is_summarised_without_a_warning(rows: dict[str, Any]) -> None:
    found = summary(**rows)
    assert (found.dust, found.steps.by_time) == ((), False)


# --- a run ----------------------------------------------------------------------------------------


def test_a_run_of_two_thousand_pairs_takes_little_memory(tmp_path: Path) -> None:
    make_run(tmp_path / "run", pairs=2000, rovers=3, days=20)
    with open_run(tmp_path / "run") as run:
        given_tables = {name: run.table(name) for name in READ}
        tracemalloc.start()
        found = summarise(given_tables, run.record)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert found.all.pairs == 2002  # two rows are bad
    assert found.all.assessed == 1997
    assert most < 50e6  # 500 MB for ten times as many
