"""The report of a limit that was chosen: record, text, figures and page."""

from __future__ import annotations

import datetime
import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import cv2
import numpy as np
import pytest

from hazcam.report.record import Record, to_json
from hazcam.report.tune_limits_beside_plots import onboard_plot, two_limits_plot
from hazcam.report.tune_limits_page import MOST_PICTURES, limits_study_page
from hazcam.report.tune_limits_plots import between_asks_plot, moves_plot, trade_off_plot
from hazcam.report.tune_limits_record import CAUTION, limits_study_record
from hazcam.report.tune_limits_text import failing_words, held_out_words, limits_study_text
from hazcam.report.tune_limits_words import sites_needed
from hazcam.rover import read_rover
from hazcam.rover.profile import Limit
from hazcam.statistics import Interval, clopper_pearson
from hazcam.tuning.changed_rig import LeftOut
from hazcam.tuning.curve import SuccessCurve
from hazcam.tuning.flips import flips_of
from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.onboard import fit_onboard
from hazcam.tuning.onboard_mistakes import false_go_and_needless
from hazcam.tuning.onboard_reports import OnboardReports, SilentPair
from hazcam.tuning.onboard_rule import NoOnboardRule, OnboardRule, threshold_for
from hazcam.tuning.onboard_study import OnboardStudy
from hazcam.tuning.recommend import recommend
from hazcam.tuning.record import TrialTable
from hazcam.tuning.result import result_of
from hazcam.tuning.rig_study import RigMove, RigStudy
from hazcam.tuning.sensitivity import Moved
from hazcam.tuning.shift import Shift
from hazcam.tuning.split import CountedRate, HeldOut
from hazcam.tuning.study import Aims, LimitStudy
from hazcam.tuning.tradeoff import trade_off
from hazcam.tuning.two_limits import TwoLimits
from tests.tuning.ground import VALUES, curve, run_headings, walked
from tests.tuning.onboard_data import simulated

AIMS = Aims(reliability=0.95, confidence=0.95, risk=0.05, costs=(100.0, 1.0))
NOTHING = CountedRate(rate=math.nan, low=math.nan, high=math.nan, of=0.0, clusters=0)
SILENT = OnboardStudy(
    reports=OnboardReports(kind="step", pairs=(), sites=(), rovers=(), reported=np.zeros(0),
                           demand=np.zeros(0), sigma=np.zeros(0),
                           reason="no pair has a value"),
    rule=NoOnboardRule(reason="no pair has a value"), thresholds=VALUES, mistakes=None,
    threshold=None)
MANY = 70  # sites: more than the 59 that a risk of 5 % takes


@pytest.fixture(scope="module")
def legs() -> SuccessCurve:
    return curve(walked(2, 30))


def ground(legs: SuccessCurve, demand: Any, **given: Any) -> RunHeadings:
    """A heading of each demand, each at a site of its own."""
    return run_headings(demand, site=given.pop("site", [f"site {i:02d}" for i in
                                                        range(len(demand))]),
                        height=legs.climbed.estimate, low=legs.climbed.low, **given)


def study_of(
    legs: SuccessCurve, headings: RunHeadings, aims: Aims = AIMS, *,
    moves: tuple[Moved, ...] | None = None, **others: Any,
) -> LimitStudy:
    """What ``study_limit`` makes of headings, without what takes a run."""
    trade = trade_off(headings.decided(), headings.ahead(), VALUES, look_ahead_m=1.0,
                      confidence=aims.confidence, costs=aims.costs)
    chosen = recommend(trade, legs.climbed.low, aims.risk)
    needless = CountedRate(rate=0.2, low=0.1, high=0.4, of=9.0, clusters=5)
    made: dict[str, Any] = {
        "flips": flips_of(headings, chosen.place) if chosen.place >= 0 else (),
        "split": HeldOut(folds=5, left_out="one site", chosen=(0.03, math.nan, 0.031, 0.03, 0.03),
                         false_go=NOTHING, false_go_bound=NOTHING, needless=needless,
                         refitted=0),
        "onboard": SILENT, "rig": None, "two": None}
    return LimitStudy(
        aims=aims, curve=legs, headings=headings, trade=trade, recommendation=chosen,
        rover=read_rover("dunlin-em"),
        today={"dunlin-em": Limit(value=0.05, source="derived: leg length / 2")},
        moves=moves if moves is not None else (
            Moved(what="reliability", setting="0.9", value=0.033),
            Moved(what="reliability", setting="0.99", value=None),
            Moved(what="without site", setting="site 00", value=chosen.value)),
        made_on=datetime.date(2031, 6, 1), **{**made, **others})


def record_of(study: LimitStudy) -> Record:
    group = study.curve.group
    return limits_study_record(
        study, trials=TrialTable(name="made.trials.csv", digest="a" * 64, trials=group.trials),
        run_name="RUN", run_digest="b" * 64, run_pairs=len(study.headings.sweep.ids))


# --- studies of every sort ------------------------------------------------------------------------


def silent(legs: SuccessCurve) -> LimitStudy:
    """No ground beyond."""
    return study_of(legs, ground(legs, np.linspace(0.005, 0.02, 30)))


def borne(legs: SuccessCurve) -> LimitStudy:
    """Ground beyond at many sites, none of it go at the height climbed."""
    return study_of(legs, ground(legs, np.r_[np.full(MANY, 0.06), np.linspace(0.005, 0.025, 20)]))


def ended(legs: SuccessCurve) -> LimitStudy:
    """Low ground on which the rover got stuck, at many sites."""
    stuck = dict.fromkeys(range(20), "stuck")
    return study_of(legs, ground(
        legs, np.r_[np.full(20, 0.0141), np.full(MANY, 0.06)], outcomes=stuck))


def few(legs: SuccessCurve) -> LimitStudy:
    """Ground beyond at five sites only; some goes from go to ask-ground."""
    return study_of(legs, ground(legs, [0.06, 0.045, 0.046, 0.047, 0.01, 0.02, 0.034, 0.04]))


def few_wrong(legs: SuccessCurve) -> LimitStudy:
    """Stuck on low ground at five of 25 sites with ground beyond."""
    return study_of(legs, ground(legs, np.r_[np.full(5, 0.0141), np.full(20, 0.06)],
                                 outcomes=dict.fromkeys(range(5), "stuck")))


def forbidden(legs: SuccessCurve) -> LimitStudy:
    """Stuck on flat ground."""
    return study_of(legs, ground(legs, np.r_[np.zeros(20), np.full(MANY, 0.06)],
                                 outcomes=dict.fromkeys(range(20), "stuck")))


def no_height(legs: SuccessCurve) -> LimitStudy:
    nowhere = Interval(-math.inf, 0.06)
    other = replace(legs, climbed=replace(legs.climbed, interval=nowhere,
                                          by_link=dict.fromkeys(legs.fits, nowhere)))
    return study_of(other, run_headings([0.01, 0.02, 0.06], site=["a", "b", "c"],
                                        height=legs.climbed.estimate, low=0.0))


STUDIES = {f.__name__: f for f in (silent, borne, ended, few, few_wrong, forbidden, no_height)}


@pytest.fixture(params=STUDIES)
def any_study(request: pytest.FixtureRequest, legs: SuccessCurve) -> LimitStudy:
    return STUDIES[request.param](legs)


# --- the reason -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("make", "basis", "words"), [
    (silent, "trials", ("climbed with 95 % reliability at 95 % confidence by 30 trials",
                        "says nothing of false go")),
    (borne, "trials", ("the bound of the false-go rate, 4.2 %, is within the risk of 5 %",)),
    (ended, "run", ("at more, the bound of the false-go rate", "would exceed the risk of 5 %",
                    "at 0.0150 m")),
    (few, "trials", ("the false-go rate is 0.0 % and its bound, 45.1 %, as low as so few sites",
                     "worth 5.0 sites", "it takes 59")),
    (few_wrong, "run", ("at more, 0.0150 m, the run shows false go", "worth 25.0 sites",
                        "of which so few sites bear none")),
    (forbidden, "run", ("nothing can be recommended: at the least value already",)),
    (no_height, "none", ("the trials show no step above 0 that is climbed with 95 %",)),
])
def test_the_reason_says_what_ends_the_limit(
    legs: SuccessCurve, make: Callable[[SuccessCurve], LimitStudy], basis: str,
    words: tuple[str, ...],
) -> None:
    record = record_of(make(legs))
    assert record["limit"]["basis"] == basis
    for one in words:
        assert one in record["limit"]["reason"]
    assert record["limit"]["reason"] in re.sub(r"\s+", " ", limits_study_text(record))


def test_the_run_ends_the_limit_where_the_next_value_is_beyond_the_risk(
    legs: SuccessCurve,
) -> None:
    record = record_of(ended(legs))
    place = record["trade_off"]["values"].index(record["limit"]["recommended"])
    held = record["trade_off"]["bound"]
    assert held[place] <= 0.05 < held[place + 1]
    assert f"{100 * held[place + 1]:.1f} %" in record["limit"]["reason"]


@pytest.mark.parametrize(("risk", "confidence"), [(0.05, 0.95), (0.1, 0.8), (0.2, 0.99)])
def test_sites_needed_are_as_many_as_the_exact_bound_takes(risk: float, confidence: float) -> None:
    """The bound of Clopper and Pearson of none of n, which is closed."""
    n = sites_needed(risk, confidence)
    bounds = [clopper_pearson(0, k, confidence=confidence).high for k in (n, n - 1)]
    assert bounds[0] <= risk < bounds[1]


# --- record ---------------------------------------------------------------------------------------


def test_what_is_written_can_be_applied(any_study: LimitStudy) -> None:
    record = record_of(any_study)
    read = result_of(to_json(record), "limits.json")
    assert read.recommended == any_study.recommendation.value
    assert read.today["dunlin-em"].value == 0.05
    assert (read.name, read.reason) == ("step", record["limit"]["reason"])
    assert (read.trials.count, read.run.count) == (30, len(any_study.headings.sweep.ids))
    assert (read.reliability, read.confidence, read.risk) == (0.95, 0.95, 0.05)


def test_columns_are_as_long_as_the_values_and_null_has_a_state(any_study: LimitStudy) -> None:
    trade = record_of(any_study)["trade_off"]
    for name in ("false_go", "false_go_bound", "needless"):
        assert all(len(trade[name][k]) == len(VALUES) for k in ("rate", "low", "high"))
        if None in trade[name]["rate"]:
            assert trade[name]["state"] == "nothing to count"
    assert len(trade["cost"]) == len(trade["between_asks_m"]["mean"]) == len(VALUES)


def test_numbers_of_headings_add_up(legs: SuccessCurve) -> None:
    headings = ground(legs, [0.02, 0.03, 0.2, 0.3, 0.4], outcomes={0: "climbed", 2: "stuck"})
    found = record_of(study_of(legs, headings))["headings"]
    assert (found["of_rover"], found["decided"], found["asking_whatever"]) == (5, 2, 3)
    assert found["outcomes"] == {"known": 2, "used": 1, "not_placed": [],
                                 "words": {"climbed": 1}}


def test_walks_have_a_row_of_their_own(legs: SuccessCurve) -> None:
    """Three of them go today, of which one failed; with the recommended limit none does."""
    outcomes: Any = {0: "climbed", 1: "stuck", 2: "climbed", 4: "tipped"}
    headings = ground(legs, [0.041, 0.042, 0.043, 0.044, 0.2], outcomes=outcomes)
    study = study_of(legs, headings)
    record = record_of(study)
    today = next(one for one in record["at"] if one["name"] == "today")
    assert (today["walked"]["go"], today["walked"]["failed"]) == (3, 1)
    high = clopper_pearson(1, 3, confidence=0.95).high
    assert today["walked"]["high"] == pytest.approx(high, rel=1e-6)
    row = next(line for line in limits_study_text(record).splitlines() if "walked goes" in line)
    assert re.findall(r"1 of 3|none walked", row) == ["1 of 3", *["none walked"] * (
        len(record["at"]) - 1)]
    assert "failed, of walked goes" in page_of(study, [])[0]
    assert "walked goes" not in limits_study_text(record_of(silent(legs)))


def test_a_climb_keeps_the_chance_to_fail_and_a_failure_is_one(legs: SuccessCurve) -> None:
    headings = ground(legs, [0.046, 0.047], outcomes={0: "climbed", 1: "stuck"})
    flips = {flip["pair"]: flip for flip in record_of(study_of(legs, headings))["flips"]}
    assert 0.3 < flips["p000"]["failing"] < 0.9
    assert failing_words(flips["p000"]).endswith(" %")
    assert failing_words(flips["p001"]) == "failed"


def test_pairs_that_are_counted_one_by_one_are_no_proof(legs: SuccessCurve) -> None:
    told = {by: record_of(study_of(legs, replace(silent(legs).headings, counted_by=by)))[
        "counted"]["text"] for by in ("site", "day", "pair")}
    assert "counted as if they were independent" in told["pair"]
    assert "independent" not in told["site"] + told["day"]
    one = record_of(study_of(legs, ground(legs, [0.01, 0.02], site=["the pit"] * 2)))
    assert one["counted"]["text"].startswith("counted over 1 site, which is few (fewer than 20)")


@pytest.mark.parametrize(("refitted", "outcomes", "words", "not_words"), [
    (3, {0: "climbed"}, "3 trials of these pairs left out of the curve", "not among the trials"),
    (0, {0: "climbed"}, "no trial was recognised as a walk of this run", "left out of the curve"),
    (0, {}, "Which ground is beyond is said by all trials", "not among the trials")])
def test_the_split_says_which_trials_went_with_it(
    legs: SuccessCurve, refitted: int, outcomes: Any, words: str, not_words: str
) -> None:
    plain = silent(legs)
    headings = ground(legs, np.linspace(0.005, 0.02, 30), outcomes=outcomes)
    split = replace(plain.split, refitted=refitted)
    told = held_out_words(record_of(study_of(legs, headings, split=split)))
    assert words in told
    assert not_words not in told


def test_ground_that_hardly_is_there_is_not_counted(legs: SuccessCurve) -> None:
    study = silent(legs)
    tiny = replace(study.headings, beyond_bound=np.full(30, 1e-6))
    record = record_of(study_of(legs, tiny))
    assert record["trade_off"]["false_go_bound"]["state"] == "nothing to count"
    assert all(one["false_go_bound"]["state"] == "nothing to count" for one in record["at"])
    assert "nothing to count" in limits_study_text(record)


def test_the_curve_is_that_of_tune_curve_with_its_warnings(legs: SuccessCurve) -> None:
    found = record_of(silent(legs))["curve"]
    assert found["climbed"]["low"] == pytest.approx(legs.climbed.low, rel=1e-8)
    assert any("59 trials" in text for text in found["warnings"])


def test_without_costs_there_is_no_cheapest(legs: SuccessCurve) -> None:
    record = record_of(study_of(legs, few(legs).headings, replace(AIMS, costs=None)))
    assert record["limit"]["cheapest"] is None
    assert record["inputs"]["settings"]["costs"] is None
    assert "cheapest" not in limits_study_text(record)


def test_a_cheapest_limit_says_what_it_leaves_out(legs: SuccessCurve) -> None:
    above = study_of(legs, ground(legs, np.full(20, 0.0305)))
    told = [re.sub(r"\s+", " ", limits_study_text(record_of(study)))
            for study in (silent(legs), above)]
    assert "the lowest of several, the recommended one costs no more" in told[0]
    assert "more than the recommended one: by cost alone" in told[1]


# --- text -----------------------------------------------------------------------------------------


def test_the_answer_comes_first_and_the_caution_last(legs: SuccessCurve) -> None:
    text = limits_study_text(record_of(few(legs)))
    assert text.startswith("answer        set the step limit to 0.0")
    assert re.sub(r"\s+", " ", text).strip().endswith(CAUTION)


@pytest.mark.parametrize(("make", "shown"), [(silent, False), (borne, True), (ended, True),
                                             (few, False), (few_wrong, False)])
def test_the_answer_says_where_the_risk_is_not_shown(
    legs: SuccessCurve, make: Callable[[SuccessCurve], LimitStudy], shown: bool
) -> None:
    study, words = make(legs), "(that the risk of 5 % is met is not shown)"
    record = record_of(study)
    assert record["limit"]["risk_shown"] is shown
    first = re.sub(r"\s+", " ", limits_study_text(record).split("because")[0])
    assert (words in first) is not shown
    big = re.search(r'<p class="big">(.*?)</p>', limits_study_page(record, study, lambda _: b""))
    assert big is not None
    assert (words in big[1]) is not shown


def test_a_limit_with_which_nothing_goes_says_so(legs: SuccessCurve) -> None:
    text = limits_study_text(record_of(study_of(legs, ground(legs, np.full(70, 0.06)))))
    assert "with which no heading goes that hangs on it" in text.splitlines()[0]


def test_flips_are_counted_and_the_riskiest_is_listed_first(legs: SuccessCurve) -> None:
    study = few(legs)
    text = limits_study_text(record_of(study))
    asks = sum(not flip.to_go for flip in study.flips)
    assert asks > 1
    assert f"{asks} headings from go to ask-ground, in {asks} pairs" in text
    first, second = study.flips[:2]
    assert first.failing >= second.failing
    assert text.index(f"\n{first.pair} ") < text.index(f"\n{second.pair} ")


def test_a_recommendation_that_rests_on_a_day_says_so(legs: SuccessCurve) -> None:
    moves = (Moved(what="without trials of", setting="2031-05-14", value=0.0124),
             Moved(what="without site", setting="the pit", value=None))
    record = record_of(study_of(legs, silent(legs).headings, moves=moves))
    assert record["sensitivity"]["text"] == (
        "rests on the trials of 2031-05-14 (without: 0.0124 m); rests on the site the pit "
        "(without: none)")


def test_one_day_and_one_site_are_what_it_rests_on(legs: SuccessCurve) -> None:
    day = datetime.date(2031, 5, 1)
    legs = replace(legs, group=replace(legs.group, trials=tuple(
        replace(t, date=day) for t in legs.group.trials)))
    headings = ground(legs, [0.01, 0.02], site=["the pit"] * 2)
    text = record_of(study_of(legs, headings, moves=()))["sensitivity"]["text"]
    assert "all trials are of one day, 2031-05-01" in text
    assert "of one site" in text


def test_a_split_that_is_not_possible_says_so(legs: SuccessCurve) -> None:
    split = HeldOut(folds=0, left_out="", chosen=(), false_go=NOTHING, false_go_bound=NOTHING,
                    needless=NOTHING, refitted=0)
    headings = ground(legs, [0.01, 0.02], site=["the pit"] * 2)
    text = limits_study_text(record_of(study_of(legs, headings, split=split)))
    assert "not possible: the headings counted are of one site" in text


def test_the_split_is_told_with_what_was_chosen(legs: SuccessCurve) -> None:
    text = re.sub(r"\s+", " ", limits_study_text(record_of(silent(legs))))
    assert ("chosen without one site, counted on what was left out, 5 times: limits 0.0300 to "
            "0.0310 m, none once; false go beyond") in text
    assert "nothing to count, needless ask 20.0 % (10.0 to 40.0 %)" in text


# --- the rule on board, the rig, two limits -------------------------------------------------------


def board(legs: SuccessCurve, pairs: int) -> OnboardStudy:
    reports = simulated(3, pairs)
    rule = fit_onboard(reports)
    assert isinstance(rule, OnboardRule)
    height = legs.climbed.low
    return OnboardStudy(
        reports=reports, rule=rule, thresholds=VALUES,
        mistakes=false_go_and_needless(rule, reports.demand, reports.sigma, height, VALUES),
        threshold=threshold_for(rule, height, 0.05))


def test_pairs_without_a_value_are_told_with_what_they_count_as(legs: SuccessCurve) -> None:
    given = board(legs, 200)
    reports = replace(given.reports, silent=tuple(
        SilentPair(f"silent-{n}", "dunlin-em", demand, 0.001, stopped)
        for n, (demand, stopped) in enumerate([(0.09, False), (0.09, False), (0.001, False),
                                               (0.09, True)])))
    rule = fit_onboard(reports)
    found = record_of(study_of(legs, silent(legs).headings, onboard=replace(
        given, reports=reports, rule=rule)))["onboard"]
    assert ("; 4 pairs with no value: 2 of them, whose step would have shown, count as missed, 1 "
            "with a verdict ask-ground not. ") in found["text"]
    assert [one["missed"] for one in found["reports"]["silent"]] == [True, True, False, False]
    none = replace(SILENT, reports=replace(SILENT.reports, silent=reports.silent[:1]))
    told = record_of(study_of(legs, silent(legs).headings, onboard=none))["onboard"]["text"]
    assert told == ("not known: no pair has a value; 1 pair with no value; only the ground's limit "
                    "is tuned, not the rule on board")


def test_the_threshold_on_board_is_told_with_its_mistakes(legs: SuccessCurve) -> None:
    study = study_of(legs, silent(legs).headings, onboard=board(legs, 200))
    found = record_of(study)["onboard"]
    assert found["threshold"] == pytest.approx(study.onboard.threshold, rel=1e-8)
    assert study.onboard.mistakes is not None
    place = VALUES.tolist().index(found["at_threshold"]["tried"])
    assert VALUES[place] <= found["threshold"] < VALUES[place + 1]
    assert found["at_threshold"]["needless"] == pytest.approx(
        study.onboard.mistakes.needless[place], rel=1e-8)
    assert f"{found['threshold']:.4f} m" in limits_study_text(record_of(study))


def test_no_threshold_is_named_where_too_few_pairs_show_no_miss(legs: SuccessCurve) -> None:
    found = record_of(study_of(legs, silent(legs).headings, onboard=board(legs, 30)))["onboard"]
    assert found["threshold"] is None
    assert found["threshold_state"] == "none"
    assert "No threshold can be named" in found["text"]


def test_an_unknown_rule_says_that_only_the_ground_is_tuned(legs: SuccessCurve) -> None:
    assert "only the ground's limit is tuned" in limits_study_text(record_of(silent(legs)))


def rig(median: float) -> RigStudy:
    shift = Shift(median=median, scatter=0.002, step=0.0001, headings=12, lost=0, won=0, reason="")
    return RigStudy(
        moves=(RigMove(name="vergence +0.020°", source="drift", shift=shift,
                       value=0.03 + median / 2),),
        pairs=4, left_out=(LeftOut(id="p1", change=None, reason="no picture"),),
        not_known=("pitch of the rig",))


@pytest.mark.parametrize(("median", "state"), [(0.0019, "no move to be told"), (0.0021, "moved"),
                                               (-0.0021, "moved"), (math.nan, "not known")])
def test_a_move_within_its_scatter_is_none(
    legs: SuccessCurve, median: float, state: str,
) -> None:
    """The scatter of 2 mm over 4 pairs is a standard error of 1 mm."""
    record = record_of(study_of(legs, silent(legs).headings, rig=rig(median)))
    move = record["rig"]["moves"][0]
    assert move["state"] == state
    assert (move["value"] is None) == (state != "moved")
    assert move["text"] in re.sub(r"\s+", " ", limits_study_text(record))


def two(legs: SuccessCurve, **changes: Any) -> TwoLimits:
    others = np.linspace(0, 0.1, 11)
    rise = np.add.outer(VALUES, others) / 0.2
    made: dict[str, Any] = {
        "name": "step", "other": "slope", "values": VALUES, "others": others, "false_go": rise / 2,
        "bound": rise, "needless": 1 - rise, "height": legs.climbed.low, "other_height": 0.05,
        "from_trials": False, "best": (0.03, 0.05), "today": (0.05, 0.05), "silent": False,
        "shown": True, "confidence": 0.998}
    return TwoLimits(**{**made, **changes})


@pytest.mark.parametrize(("changes", "words"), [
    ({}, "step 0.0300 m with slope 0.05 deg: bound of the false-go rate 40.0 % (at "
         "99.8 % confidence, as many pairs are tried), needless asks 60.0 %; the lowest of those "
         "that ask as little; of slope there are no trials"),
    ({"best": None}, "no pair of step and slope is named"),
    ({"from_trials": True}, "needless asks 60.0 %"),
    ({"shown": False}, "false-go rate 20.0 %, its bound 40.0 % (at 99.8 % confidence, as many "
                       "pairs are tried) by too few sites to show the risk"),
])
def test_two_limits_are_told(legs: SuccessCurve, changes: dict[str, Any], words: str) -> None:
    record = record_of(study_of(legs, borne(legs).headings, two=two(legs, **changes)))
    assert words in record["two"]["text"]
    assert len(record["two"]["bound"]) == len(record["two"]["values"])


# --- figures and page -----------------------------------------------------------------------------


def pixels(picture: bytes | None) -> Any:
    assert picture is not None
    found = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR)
    assert found is not None
    return found


@pytest.mark.parametrize("make", [silent, ended, no_height])
def test_every_plot_is_drawn_for_every_basis(
    legs: SuccessCurve, make: Callable[[SuccessCurve], LimitStudy],
) -> None:
    study = make(legs)
    record = record_of(study)
    for picture in (trade_off_plot(record, study.headings), between_asks_plot(record),
                    moves_plot(record)):
        assert pixels(picture).std() > 5


def test_a_run_without_ground_that_is_decided_is_drawn(legs: SuccessCurve) -> None:
    study = study_of(legs, ground(legs, [0.3, 0.4]))
    record = record_of(study)
    assert pixels(trade_off_plot(record, study.headings)).std() > 5
    assert "this limit decides no heading" in record["cautions"][0]


def test_the_plot_of_the_rule_shows_its_line(legs: SuccessCurve) -> None:
    record = record_of(study_of(legs, silent(legs).headings, onboard=board(legs, 200)))
    unfitted = {**record, "onboard": {**record["onboard"], "rule": None}}
    assert onboard_plot(record) != onboard_plot(unfitted)
    unsaid = {"pair": "silent", "rover": "dunlin-em", "demand": 0.09, "sigma": 0.001,
              "stopped": False}
    drawn = []
    for missed in (True, False):
        reports = {**record["onboard"]["reports"], "silent": [{**unsaid, "missed": missed}]}
        drawn.append(onboard_plot({**record, "onboard": {**record["onboard"], "reports": reports}}))
    assert drawn[0] != drawn[1] == onboard_plot(record)
    assert onboard_plot(record_of(silent(legs))) is None


def test_two_limits_without_ground_beyond_say_so_in_place_of_a_map(legs: SuccessCurve) -> None:
    drawn = [two_limits_plot(record_of(study_of(legs, make(legs).headings, two=two(
        legs, silent=make is silent)))) for make in (silent, borne)]
    assert drawn[0] != drawn[1]
    assert two_limits_plot(record_of(silent(legs))) is None


class _Sources(HTMLParser):
    """What a page loads or links to, and its words."""

    def __init__(self) -> None:
        super().__init__()
        self.sources: list[str] = []
        self.words: list[str] = []
        self.of_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.of_style = tag == "style"
        self.sources += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag: str) -> None:
        self.of_style = False

    def handle_data(self, data: str) -> None:
        if not self.of_style:
            self.words.append(data)


def page_of(study: LimitStudy, asked: list[str]) -> tuple[str, _Sources]:
    jpeg = bytes(cv2.imencode(".jpg", np.full((8, 8, 3), 90, np.uint8))[1])

    def overlay(pair: str) -> bytes:
        asked.append(pair)
        return jpeg

    page = limits_study_page(record_of(study), study, overlay)
    found = _Sources()
    found.feed(page)
    return page, found


@pytest.mark.parametrize("make", [few, no_height])
def test_the_page_stands_alone_and_holds_no_missing_value(
    legs: SuccessCurve, make: Callable[[SuccessCurve], LimitStudy],
) -> None:
    made = make(legs)
    page, found = page_of(made, [])
    assert found.sources
    assert all(source.startswith("data:image/") for source in found.sources)
    assert "http" not in re.sub(r'"data:[^"]*"', "", page)
    words = " ".join(found.words)
    assert not re.search(r"\b(nan|NaN|None|inf|null|True)\b|False(?! go)", words)
    assert record_of(made)["limit"]["reason"] in words


def test_the_page_shows_the_riskiest_pairs_and_lists_all(legs: SuccessCurve) -> None:
    demand = np.r_[np.linspace(0.033, 0.0485, MOST_PICTURES + 6), np.linspace(0.005, 0.02, 5)]
    study = study_of(legs, ground(legs, demand))
    asked: list[str] = []
    page, found = page_of(study, asked)
    pairs = list(dict.fromkeys(flip.pair for flip in study.flips))
    assert len(pairs) > MOST_PICTURES
    assert asked == pairs[:MOST_PICTURES]
    assert all(pair in page for pair in pairs)
    assert "chosen without one site" in " ".join(found.words).lower()


def test_a_record_gives_the_same_text_after_json(any_study: LimitStudy) -> None:
    record = record_of(any_study)
    assert limits_study_text(json.loads(to_json(record))) == limits_study_text(record)


def test_a_walk_that_failed_where_the_trials_climb_is_pointed_out(legs: SuccessCurve) -> None:
    headings = ground(legs, [0.007, 0.01, 0.02], outcomes={0: "stuck"})
    cautions = record_of(study_of(legs, headings))["cautions"]
    said = [text for text in cautions if "the rover failed where the trials show" in text]
    assert len(said) == 1
    assert "stuck at 0.0070 m" in said[0]
    climbed = ground(legs, [0.007, 0.01, 0.02], outcomes={0: "climbed"})
    assert not any("failed where" in text for text in
                   record_of(study_of(legs, climbed))["cautions"])


def test_simulated_trials_that_do_not_count_are_said_not_to(legs: SuccessCurve) -> None:
    study = study_of(legs, ground(legs, [0.01, 0.02]))
    trials = (*legs.group.trials, *(replace(t, id=f"s-{t.id}", simulated=True)
                                    for t in legs.group.trials[:4]))
    record = limits_study_record(
        study, trials=TrialTable(name="made.csv", digest="a" * 64, trials=trials),
        run_name="RUN", run_digest="b" * 64, run_pairs=2)
    assert any("4 simulated trials of these conditions are not counted in" in text
               for text in record["cautions"])


def test_walks_of_headings_that_were_not_judged_are_named(legs: SuccessCurve) -> None:
    headings = replace(ground(legs, [0.01, 0.02]), not_placed=("pair-7", "pair-9"))
    cautions = record_of(study_of(legs, headings))["cautions"]
    assert any("2 walked pairs name a heading that was not judged" in text
               and "pair-7, pair-9" in text for text in cautions)


def test_only_a_risk_that_the_run_shows_is_said_to_be(legs: SuccessCurve) -> None:
    moves = (Moved(what="risk", setting="0.01", value=0.03),
             Moved(what="risk", setting="0.2", value=0.03, shown=True))
    text = limits_study_text(record_of(study_of(legs, few(legs).headings, moves=moves)))
    assert "risk: 0.0300 at 1 %, 0.0300 at 20 % [m]; shown by the run: 20 %" in re.sub(
        r"\s+", " ", text)
