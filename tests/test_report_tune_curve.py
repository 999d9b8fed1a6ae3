"""The report of success curves: record, text, figure and page."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.colors import to_hex

from hazcam.report.record import Record, to_json
from hazcam.report.tune_curve_page import tune_curve_page
from hazcam.report.tune_curve_plot import stacked, tune_curve_figure, tune_curve_plot
from hazcam.report.tune_curve_record import CAUTION, by_conditions, tune_curve_record
from hazcam.report.tune_curve_text import fit_words, tune_curve_text
from hazcam.statistics import Interval, clopper_pearson
from hazcam.tuning.curve import SuccessCurve
from hazcam.tuning.curve_study import CurveStudy, curve_study
from tests.tuning.made_up import drawn, group_of, table_of


@pytest.fixture(scope="module")
def study() -> CurveStudy:
    """Walked and simulated trials that can be compared, and others that all climbed."""
    table = table_of(drawn(5, 36), drawn(6, 30, half=0.05, simulated=True),
                     group_of([0.03, 0.04, 0.05], [1, 1, 1], ground="slag", sigma=0.001))
    return curve_study(table, reliability=0.95, confidence=0.9, simulated_weight=0.5)


@pytest.fixture(scope="module")
def record(study: CurveStudy) -> Record:
    return tune_curve_record(study)


@pytest.fixture(scope="module")
def page(record: Record) -> str:
    return tune_curve_page(record)


def open_ended(study: CurveStudy) -> CurveStudy:
    """The same, as if nothing bounded the first curve from below."""
    first = study.curves[0]
    assert isinstance(first, SuccessCurve)
    nowhere = Interval(-math.inf, 0.06)
    climbed = replace(first.climbed, interval=nowhere, by_link=dict.fromkeys(first.fits, nowhere))
    halfway = replace(first.halfway, interval=Interval(-math.inf, math.inf))
    return replace(study, curves=(replace(first, climbed=climbed, halfway=halfway),
                                  *study.curves[1:]))


# --- record --------------------------------------------------------------------------------------


def test_the_record_is_json_and_holds_every_trial(study: CurveStudy, record: Record) -> None:
    assert json.loads(to_json(record)) == record
    assert (record["schema"], record["kind"]) == ("hazcam-tuning/1", "curve")
    assert record["table"] == {"name": "made-up.csv", "digest": "0" * 64, "trials": 69}
    told = [(t["id"], t["demand"], t["sigma"], t["outcome"])
            for group in record["groups"] for t in group["trials"]]
    assert len(told) == 69
    assert set(told) == {(t.id, float(f"{t.demand:.9g}"), t.sigma, t.outcome)
                         for t in study.table.trials}


def test_the_numbers_are_those_of_the_curve(study: CurveStudy, record: Record) -> None:
    curve, group = study.curves[0], record["groups"][0]
    assert isinstance(curve, SuccessCurve)
    assert (group["state"], group["link"], group["simulated"]) == ("curve", curve.link, False)
    assert group["climbed"]["low"] == pytest.approx(curve.climbed.low, rel=1e-8)
    assert group["climbed"]["state"] == "bounded"
    assert group["fits"][curve.link]["slope"] == pytest.approx(curve.fit.slope, rel=1e-8)
    for link, of in group["climbed"]["by_link"].items():
        fit = group["fits"][link]
        quantile = {"logit": math.log(19), "probit": 1.6448536}[link]
        assert fit["intercept"] + fit["slope"] * of["estimate"] == pytest.approx(quantile, rel=1e-5)
    assert sum(lot["tried"] for lot in group["goodness"]["lots"]) == len(group["trials"])
    lot = group["goodness"]["lots"][0]
    low, high = clopper_pearson(lot["climbed"], lot["tried"], sided="two")
    assert (lot["share"]["low"], lot["share"]["high"]) == (
        pytest.approx(low, rel=1e-8), pytest.approx(high, rel=1e-8))


def test_the_prior_is_stated_with_what_the_walked_trials_say_alone(
    study: CurveStudy, record: Record
) -> None:
    walked, simulated, slag = record["groups"]
    assert (walked["prior"]["trials"], walked["prior"]["weight"]) == (30, 0.5)
    alone = study.without_prior[study.curves[0].group.conditions]
    assert isinstance(alone, SuccessCurve)
    assert walked["prior"]["without"]["climbed"]["low"] == pytest.approx(alone.climbed.low,
                                                                         rel=1e-8)
    assert walked["prior"]["without"]["climbed"]["low"] != walked["climbed"]["low"]
    assert simulated["prior"] is slag["prior"] is None
    assert record["comparisons"][0]["state"] == "compared"


def test_what_is_not_known_is_null_with_a_state(study: CurveStudy, record: Record) -> None:
    group = tune_curve_record(open_ended(study))["groups"][0]
    assert (group["climbed"]["low"], group["climbed"]["state"]) == (None, "no lower bound")
    assert (group["halfway"]["low"], group["halfway"]["high"],
            group["halfway"]["state"]) == (None, None, "no bound")
    none = record["groups"][2]
    assert none["state"] == "no curve"
    assert none["reason"].startswith("all 3 trials climbed")
    assert none["climbed"] is none["fits"] is none["goodness"] is None


def test_without_a_curve_all_trials_at_or_above_speak_for_the_least(record: Record) -> None:
    support = record["groups"][2]["support"]
    # The exact lower bound of a share without a failure is (1 - confidence)^(1/n): closed form.
    assert support["chance_at_least"] == pytest.approx(0.1, rel=1e-8)
    assert support["chance_at_least_if_falling"] == pytest.approx(0.1 ** (1 / 3), rel=1e-8)


# --- text ----------------------------------------------------------------------------------------


def test_the_text_says_each_number_each_warning_and_the_caution(record: Record) -> None:
    text = tune_curve_text(record)
    flat = " ".join(text.split())
    group = record["groups"][0]
    for link, of in group["climbed"]["by_link"].items():
        assert f"by the {link} {of['estimate']:.4f} m {of['low']:.4f} m at 90 % confidence" in flat
    assert f"climbed in 50 of 100 {group['halfway']['estimate']:.4f} m" in flat
    for one in record["groups"]:
        for warning in one["warnings"]:
            assert warning in flat
    assert CAUTION in flat
    assert record["comparisons"][0]["text"] in flat
    assert "simulated trials are counted in with the walked ones of their conditions, each with " \
           "weight 0.5" in flat
    assert max(map(len, text.splitlines())) <= 100


def test_the_text_without_a_curve_says_why_what_is_shown_and_what_to_try(record: Record) -> None:
    flat = " ".join(tune_curve_text(record).split())
    assert "no curve all 3 trials climbed, up to 0.05 m" in flat
    assert ("at 0.0300 m, the least tried, or up to 0.0015 m above, 1 of 1 climbed: by these alone "
            "a chance of at least 10 % at 90 % confidence; if a greater step is never climbed more "
            "often, all 3 count: at least 46 %") in flat
    assert "try next try greater demands" in flat


def test_a_bound_below_0_is_none_in_words_and_a_number_in_the_record(study: CurveStudy) -> None:
    record = tune_curve_record(open_ended(study))
    record["groups"][0]["climbed"].update(low=-0.01, state="bounded")
    text = tune_curve_text(record)
    assert "none above 0 at 90 % confidence" in text
    assert "-0.01" not in text


def test_a_bound_that_is_not_there_is_said_so(study: CurveStudy) -> None:
    text = tune_curve_text(tune_curve_record(open_ended(study)))
    assert "no lower bound at 90 % confidence" in text
    assert "not bounded on either side (95 % interval)" in text
    assert not re.search(r"\b(inf|nan|None)\b", text)


def test_the_fit_says_how_it_was_bounded_and_whether_the_demand_matters(record: Record) -> None:
    group = record["groups"][0]
    assert group["fits"][group["link"]]["p_no_slope"] < 0.001
    told = fit_words(group)
    assert "bounds by profile likelihood, with and without Jeffreys' penalty, the wider; " in told
    assert "; the demand matters (likelihood ratio of the slope, p" in told
    mixed = curve_study(table_of(group_of([0.03, 0.04, 0.05, 0.06], [1, 0, 1, 0])),
                        reliability=0.9, confidence=0.9)
    assert "; no sign that the demand matters (likelihood ratio of the slope, p = 0." in fit_words(
        tune_curve_record(mixed)["groups"][0])


# --- figure --------------------------------------------------------------------------------------


def test_every_trial_is_drawn_in_the_shape_of_its_outcome(record: Record) -> None:
    groups = by_conditions(record["groups"])[0]
    figure = tune_curve_figure(groups)
    shapes: dict[str, str] = {}
    for axes, group in zip(figure.axes, groups, strict=True):
        ends = ", simulated" if group["simulated"] else ""
        drawn_ = {}
        for line in axes.lines:
            word = str(line.get_label()).removesuffix(ends)
            if word in group["outcomes"]:
                x, y = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
                drawn_[word] = len(x)
                assert sorted(x) == sorted(t["demand"] for t in group["trials"]
                                           if t["outcome"] == word)
                assert (y > 1).all() if word == "climbed" else (y < 0).all()
                hollow = to_hex(line.get_markerfacecolor()) == "#ffffff"
                assert hollow == group["simulated"]
                assert shapes.setdefault(word, str(line.get_marker())) == str(line.get_marker())
        assert drawn_ == Counter(t["outcome"] for t in group["trials"])
    assert len(set(shapes.values())) == len(shapes) == 5


def test_the_bound_and_both_curves_are_where_the_record_says(record: Record) -> None:
    groups = by_conditions(record["groups"])[0]
    for axes, group in zip(tune_curve_figure(groups).axes, groups, strict=True):
        lines = {str(line.get_label()): line for line in axes.lines}
        x = np.asarray(lines["95 of 100: bound to estimate"].get_xdata())
        assert x.tolist() == [group["climbed"]["low"], group["climbed"]["estimate"]]
        for link in group["fits"]:
            line = lines[f"{link} curve"]
            at = np.interp(group["climbed"]["by_link"][link]["estimate"],
                           np.asarray(line.get_xdata()), np.asarray(line.get_ydata()))
            assert at == pytest.approx(0.95, abs=2e-3)
            assert (line.get_linewidth() > 2) == (link == group["link"])
        assert lines["logit curve"].get_linestyle() != lines["probit curve"].get_linestyle()
        assert "curve of the other panel" in lines
        assert any(f"{group['climbed']['low']:.4f} m" in text.get_text() for text in axes.texts)


def test_no_bound_and_no_curve_are_written_into_the_figure(study: CurveStudy) -> None:
    groups = by_conditions(tune_curve_record(open_ended(study))["groups"])
    assert any("no bound above 0" in text.get_text()
               for text in tune_curve_figure(groups[0]).axes[0].texts)
    assert any(text.get_text() == "no curve" for text in tune_curve_figure(groups[1]).axes[0].texts)


def test_one_demand_known_exactly_can_be_drawn(study: CurveStudy) -> None:
    table = table_of(group_of([0.0, 0.0], [1, 0]))
    found = tune_curve_record(curve_study(table, reliability=0.95, confidence=0.9))
    low, high = tune_curve_figure(found["groups"]).axes[0].get_xlim()
    assert low <= 0 < high


def test_the_same_record_gives_the_same_picture(record: Record) -> None:
    group = by_conditions(record["groups"])[1]
    assert tune_curve_plot(group) == tune_curve_plot(group)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=40), st.floats(0.01, 0.3))
def test_stacked_trials_keep_apart_and_rest_on_others(demand: list[float], apart: float) -> None:
    values = np.array(demand)
    levels = stacked(values, apart)
    for level in range(1, int(levels.max()) + 1):
        for place in values[levels == level]:
            below = values[levels == level - 1]
            assert (np.abs(below - place) < apart).any()
    for level in set(levels):
        assert (np.diff(np.sort(values[levels == level])) >= apart - 1e-12).all()


# --- page ----------------------------------------------------------------------------------------


class _Sources(HTMLParser):
    """What a page takes from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value or "" for name, value in attrs if name in ("src", "href")]


def test_the_page_needs_nothing_else(page: str) -> None:
    sources = _Sources()
    sources.feed(page)
    assert len(sources.found) == 2  # a figure for all of the same conditions
    assert all(source.startswith("data:image/png;base64,") for source in sources.found)
    assert "url(" not in page
    assert "<script" not in page


def test_the_page_says_what_the_text_says(page: str, record: Record) -> None:
    flat = " ".join(re.sub(r"<[^>]+>", " ", page.split("</style>")[1]).split())
    for group in record["groups"]:
        assert group["conditions"]["text"] in flat
        for warning in group["warnings"]:
            assert warning[1:] in flat
        for trial in group["trials"]:
            assert trial["id"] in flat
    low = record["groups"][0]["climbed"]["low"]
    assert (f"A step of {low:.4f} m is climbed in at least 95 of 100 trials, at 90 % confidence, "
            "with simulated trials counted in.") in flat
    assert "holds for its conditions only" in flat
    assert record["table"]["digest"] in flat
    assert record["comparisons"][0]["text"][1:] in flat
    assert not re.search(r"\b(inf|nan|None)\b", flat)


def test_names_of_a_table_cannot_break_the_page(study: CurveStudy) -> None:
    table = table_of(group_of([0.03, 0.04], [1, 0], ground="<b>sand & slag</b>"))
    page = tune_curve_page(tune_curve_record(curve_study(table, reliability=0.95, confidence=0.9)))
    assert "&lt;b&gt;sand &amp; slag&lt;/b&gt;" in page
    assert "<b>sand" not in page
