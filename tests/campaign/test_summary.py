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
from hazcam.campaign.summary.course import (
    MOST_STEPS,
    course,
    day_of,
    far_from_the_rest,
    moments,
    steps_of,
)
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
        return {"settings": {"confidence": 0.99},
                "headings": [{"heading_deg": 5.0, "causes": []},
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
                  heading("dark", cause="unseen run", probability=0.01), heading("stop"),
                  heading("fine"), heading("dim", cause="unseen run", probability=np.nan)]),
        record_of(
            near=[step(0.07, 0.005)],
            far=[cause("unseen run", 0.3), step(0.061, 0.01, 0.4), step(0.09, 0.01, 0.8)],
            dark=[cause("unseen run", 0.3, reason="too dark")], dim=[cause("unseen run", 0.3)]),
    ).onboard
    assert [(d.pair, d.kind) for d in found.disagreements] == [
        ("far", "over"), ("near", "over"), ("dim", "not known"), ("dark", "not known"),
        ("stop", "needless")]
    far, near = found.of_kind("over")
    # (0.09 - 0.06) / 0.01 and (0.07 - 0.06) / 0.005
    assert far.over_sigmas == pytest.approx(3.0)
    assert near.over_sigmas == pytest.approx(2.0)
    assert (far.cause, far.at_m, far.demand, far.onboard_value_m) == ("step", 0.8, 0.09, 0.02)
    assert (found.both_go, found.both_ask, found.compared) == (1, 0, 6)
    assert found.of_kind("not known")[1].cause_reason == "too dark"


def test_what_may_exceed_a_limit_is_dangerous_whatever_its_value_is() -> None:
    """Only what the confidence of 0.99 allows, a chance of 0.01, counts as harmless."""
    tilt = cause("attitude unknown", 0.1, demand=16.3, sigma=0.3, limit=13.1, unit="deg")
    found = summarise(tables(
        pairs=onboard(roll="go", tilted="go", likely="go", allowed="go", over="go", none="go"),
        headings=[heading("roll", cause="step", probability=0.009),
                  heading("tilted", cause="unseen run", probability=np.nan),
                  heading("likely", cause="unseen run", probability=0.011),
                  heading("allowed", cause="unseen run", probability=0.01),
                  heading("over", cause="step", probability=0.6),
                  heading("none", cause="step", probability=np.nan)]),
        record_of(roll=[step(0.05, 0.005)], tilted=[cause("unseen run", 0.05), tilt],
                  likely=[cause("unseen run", 0.3)], allowed=[cause("unseen run", 0.3)],
                  over=[step(0.0601, 0.01)],
                  none=[cause("step", 0.3, limit=0.06, unit="m")])).onboard
    assert {d.pair: d.kind for d in found.disagreements} == {
        "over": "over", "roll": "may exceed", "tilted": "may exceed", "likely": "may exceed",
        "none": "may exceed", "allowed": "not known"}
    assert found.disagreements[0].pair == "over"
    said = {d.pair: d for d in found.disagreements}
    assert said["roll"].over_sigmas == pytest.approx(-2.0)  # (0.05 - 0.06) / 0.005
    assert said["tilted"].cause == "attitude unknown"


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


def test_a_walk_without_a_verdict_says_why_and_comes_before_what_went_well() -> None:
    found = summary(
        pairs=[walked("well", "climbed"), walked("lost", "tipped"), walked("late", "climbed"),
               walked("aside", "stuck", 7.5)],
        headings=[heading("well"), heading("aside")],
        failures=[{"pair": "lost", "kind": "failed", "found": "is empty (0 bytes)"}]).walks
    assert [(w.pair, w.why_not_judged) for w in found] == [
        ("aside", "this heading was not judged"), ("lost", "is empty (0 bytes)"),
        ("late", "not tried yet"), ("well", "")]


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
    apart = far_from_the_rest(np.array(at)).tolist()
    for value, k, far in zip(at, steps.step.tolist(), apart, strict=True):
        assert not far or k == -1
        if np.isnan(value) and steps.by_time:
            assert k == -1
        elif steps.by_time and not far:
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


def test_rovers_that_share_the_file_of_a_rig_do_not_drift_together() -> None:
    turn = {"rig": "rig", "vergence_deg": 0.0, "roll_deg": 0.0}
    found = summary(
        pairs=[pair("a"), pair("b")],
        assessments=[assessment("a"), assessment("b", rover="fm")],
        drifts=[{"pair": "a", "pitch_deg": 0.1, **turn}, {"pair": "b", "pitch_deg": -0.3, **turn}],
    ).drifts
    assert [(d.rig, d.rover, d.pairs, d.median_deg[0]) for d in found] == [
        ("bench", "dunlin-em", 1, 0.1), ("bench", "dunlin-fm", 1, -0.3)]


# --- wrong clocks ---------------------------------------------------------------------------------


def test_one_wrong_clock_does_not_stretch_the_time_of_all() -> None:
    right = [f"2031-05-{d:02d}T{h:02d}:00:00Z" for d in range(1, 6) for h in (9, 10, 11)]
    found = summary(
        pairs=[pair(f"p{i:02d}", taken_at=when)
               for i, when in enumerate(["1970-01-01T00:00:07Z", *right])],
        assessments=[assessment(f"p{i:02d}") for i in range(16)])
    assert found.far_times == (("p00", "1970-01-01T00:00:07Z"),)
    assert found.steps.edges[-1] - found.steps.edges[0] < 6 * 86400
    assert found.not_timed == 0  # it states a time
    assert found.by_day[0].name == "1970-01-01"  # and the table still counts it


def test_a_second_session_is_no_wrong_clock() -> None:
    """Six pairs of ten in May and four in September: both are the campaign."""
    when = [f"2031-05-01T09:{i:02d}:00Z" for i in range(6)]
    when += [f"2031-09-01T09:{i:02d}:00Z" for i in range(4)]
    assert not far_from_the_rest(moments(when)).any()
    assert not far_from_the_rest(moments(["", "2031-05-01T09:00:00Z"])).any()


# --- days of a rig --------------------------------------------------------------------------------


def days_of(offsets: Mapping[int, list[float]], **more: Any) -> dict[str, Any]:
    """A pair every ten minutes, by day of May."""
    rows = [(f"p{day:02d}{i:02d}", f"2031-05-{day:02d}T09:{10 * i:02d}:00Z", off)
            for day, some in offsets.items() for i, off in enumerate(some)]
    found = summary(pairs=[pair(id_, taken_at=when) for id_, when, _ in rows],
                    assessments=[assessment(id_, rows_off_px=off, rows_off_sigma_px=0.05, **more)
                                 for id_, _, off in rows])
    return {d.day: d for d in found.rig_days}


QUIET = [0.05, 0.11, 0.02, 0.09, 0.04, 0.07]


def test_a_camera_that_moves_within_a_day_is_found() -> None:
    found = days_of({1: QUIET, 2: QUIET[::-1], 5: [0.06, 0.25, 0.54, 1.04, 1.3, 1.47]})
    assert [d.trend for d in found.values()] == [False, False, True]
    # Medians of 0.06, 0.25 and of 1.30, 1.47
    assert (found["2031-05-05"].first_px, found["2031-05-05"].last_px) == (
        pytest.approx(0.155), pytest.approx(1.385))


def test_a_rise_within_what_one_pair_is_sure_of_is_no_trend() -> None:
    assert not any(d.trend for d in days_of({1: [0.01, 0.012, 0.014, 0.016, 0.018, 0.02]}).values())


def test_a_day_far_from_the_others_is_found_whatever_its_single_pairs() -> None:
    found = days_of({1: QUIET, 2: [*QUIET[:5], 40.0], 3: [0.9, 1.1, 0.8]})
    assert [d.far for d in found.values()] == [False, False, True]
    assert found["2031-05-03"].others_px == pytest.approx(np.median([*QUIET, *QUIET[:5], 40.0]))


def test_pairs_whose_rig_could_not_be_checked_have_no_say() -> None:
    found = days_of({1: [45.8, 5.2]}, unusable_because="rig not checked")["2031-05-01"]
    assert (found.pairs, found.known) == (2, 0)
    assert np.isnan(found.median_px)


@given(st.lists(st.floats(0, 2), min_size=6, max_size=6, unique=True))
@checks(max_examples=60, deadline=None)
def test_a_trend_is_the_same_downwards(offsets: list[float]) -> None:
    up, down = (days_of({1: some})["2031-05-01"] for some in (offsets, offsets[::-1]))
    assert up.trend == down.trend
    assert up.first_px == down.last_px


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
