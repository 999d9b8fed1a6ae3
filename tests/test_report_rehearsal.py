from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam.report.rehearsal_gallery import case_picture
from hazcam.report.rehearsal_page import rehearsal_page
from hazcam.report.rehearsal_plots import (
    causes_plot,
    clear_plot,
    errors_plot,
    limit_plot,
    reliability_plot,
    sun_plot,
    within_plot,
)
from hazcam.report.rehearsal_record import SCHEMA, rehearsal_record
from hazcam.report.rehearsal_text import rehearsal_text
from hazcam.rover import read_rover
from hazcam.scene.io import TruthError
from hazcam.scene.rehearsal.compare import compare
from hazcam.scene.rehearsal.ledger import Run
from hazcam.scene.rehearsal.record import Plan, SceneScore
from hazcam.scene.rehearsal.tables import summarise
from tests.rehearsal.synthetic import SMALL_PLAN, heading_row, scene, scores, write_pair

ROVER = read_rover("dunlin-em")
RUN = Run(date="2031-05-04T09:30:00+00:00", commit="abc", hazcam="0.1.0", code_digest="c0de",
          block="report-1", set_digest="5e7", rig="bench", rig_digest="1", rover="Dunlin",
          rover_digest="2", fresh=True)
ONE_PLAN = Plan(limits_m=(0.06,), look_aheads_m=(1.0,), headings_deg=(0.0,))


class _Page(HTMLParser):
    """Tags, targets, and the text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.targets: list[str] = []
        self.words: list[str] = []
        self.feed(html)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.targets += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def rendered(
    given: list[SceneScore], plan: Plan = ONE_PLAN, sidecars: dict[str, Path] | None = None,
    run: Run = RUN,
) -> _Page:
    return _Page(rehearsal_page(run, summarise(given, plan), given, rover=ROVER,
                                sidecars=sidecars or {}))


def pixels(picture: bytes) -> NDArray[np.uint8]:
    image = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR)
    assert image is not None
    return np.asarray(image, dtype=np.uint8)


@pytest.fixture
def plots_undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """The plots are made up, but not turned into pixels: for tests of what a page says."""
    monkeypatch.setattr("hazcam.report.rehearsal_plots.png", lambda figure: b"a plot")


@pytest.fixture(scope="module")
def whole() -> _Page:
    given = scores(8)
    given[2] = replace(given[2], failure="93 % saturated")
    given[3] = replace(given[3], failure="no truth", rows=())
    other = [replace(s, rows=tuple(replace(r, verdict="go") for r in s.rows)) for s in given]
    return _Page(rehearsal_page(
        RUN, summarise(given, SMALL_PLAN), given, rover=ROVER, sidecars={},
        comparison=compare(given, other), against="the other set"))


# --- the page -------------------------------------------------------------------------------------


def test_the_page_needs_no_network_and_no_script(whole: _Page) -> None:
    assert all(target.startswith("data:image/png;base64,") for target in whole.targets)
    assert whole.targets
    assert not {"script", "link", "iframe"} & set(whole.tags)


@pytest.mark.usefixtures("plots_undrawn")
def test_the_page_says_first_what_was_rehearsed_and_what_to_quote() -> None:
    """Three scenes with something that blocks, one of them with a false-go."""
    given = [scene(f"s{i}", (heading_row("blocked", "ask-ground" if i else "go"),))
             for i in range(3)]
    given.append(scene("never", (heading_row("blocked", "ask-ground", can_go=False),)))
    text = rendered(given).text
    quoted = "False-go in 1 of 3 scenes that have a blocked heading where go is possible"
    assert text.index("4 rendered scenes with known truth") < text.index(quoted)
    assert "with 95 % confidence, one-sided" in text
    assert "at limits of 6 cm for step, drop and belly and a look-ahead of 1 m" in text


@pytest.mark.usefixtures("plots_undrawn")
def test_without_a_trial_the_page_says_none_and_not_0_percent() -> None:
    text = rendered([scene("a", (heading_row("free", "go"),))]).text
    assert ("No scene has a blocked heading where go is possible, so nothing is known of "
            "false-gos.") in text
    assert "Needless asks, own strip: 0 of 1" in text
    row = re.search(r"1 m 6 cm matched (\S+ \S+)", text)
    assert row is not None
    assert row[1] == "none –"
    assert "Worst false-gos (none)" in text


@pytest.mark.usefixtures("plots_undrawn")
def test_no_false_go_is_said_with_its_bound() -> None:
    """None of 10 scenes: below 1 - 0.05^(1/10) = 25.9 %."""
    given = [scene(f"s{i}", (heading_row("blocked", "ask-ground"),)) for i in range(10)]
    assert ("False-go in none of 10 scenes that have a blocked heading where go is possible (below "
            "25.9 % with 95 % confidence, one-sided).") in rendered(given).text


@pytest.mark.usefixtures("plots_undrawn")
def test_a_false_go_at_another_setting_is_in_the_headline() -> None:
    plan = replace(ONE_PLAN, limits_m=(0.04, 0.06))
    given = [scene("a", (heading_row("blocked", "ask-ground"),
                         heading_row("blocked", "go", limit_m=0.04)))]
    text = rendered(given, plan).text
    assert ("At other limits and look-aheads there were false-gos: 1 of 1 scenes at 4 cm and 1 m "
            "(own strip).") in text
    fine = [scene("a", (heading_row("blocked", "ask-ground"),))]
    assert "there were false-gos" not in rendered(fine, plan).text


def test_failed_pairs_are_named_with_how_they_count(whole: _Page) -> None:
    assert "ask-ground in every heading 93 % saturated" in whole.text
    assert "not scored: in no table no truth" in whole.text
    assert "report-1: 8 scenes, 7 scored" in whole.text


@pytest.mark.usefixtures("plots_undrawn")
@pytest.mark.parametrize(("block", "fresh", "words"), [
    ("report-1", True, "a block never run before"),
    ("report-1", False, "not known to be fresh: run before, or no ledger tells"),
    ("tune", False, "not a report block: not a figure to quote"),
])
def test_the_page_says_whether_the_block_is_fresh(block: str, fresh: bool, words: str) -> None:
    page = rendered([scene("a", (heading_row(),))], run=replace(RUN, block=block, fresh=fresh))
    assert words in page.text


def test_every_table_has_the_ideal_sensor_beside_the_matched_one(whole: _Page) -> None:
    assert whole.text.count(" matched ") >= 18 * 2
    assert "1.5 m 8 cm ideal" in whole.text


def test_the_page_holds_plots_breakdowns_and_the_comparison(whole: _Page) -> None:
    for words in ("By mixture", "By elevation of the sun", "By compression of the pictures",
                  "By rig", "By distance of what blocks", "By height or depth of what blocks",
                  "Depth and height against truth", "This set against the other set",
                  "What this cannot tell"):
        assert words in whole.text
    assert whole.tags.count("img") >= 7


@pytest.mark.usefixtures("plots_undrawn")
def test_a_name_cannot_break_the_page() -> None:
    html = rehearsal_page(
        replace(RUN, block="<script>alert(1)</script>"),
        summarise([scene("a", (heading_row(),))], ONE_PLAN), [], rover=ROVER, sidecars={})
    assert "<script>" not in html
    assert "&lt;script&gt;" in html


@pytest.mark.usefixtures("plots_undrawn")
def test_a_rehearsal_of_the_ideal_sensor_alone_speaks_of_no_other() -> None:
    given = [scene("a", (heading_row("blocked", "go", sensor="ideal"),))]
    page = rendered(given, replace(ONE_PLAN, sensors=("ideal",)))
    assert "False-go in 1 of 1 scenes that have a blocked heading" in page.text
    assert "with the ideal sensor unless said otherwise" in page.text
    assert "cm matched" not in page.text


# --- the gallery ----------------------------------------------------------------------------------


@pytest.mark.usefixtures("plots_undrawn")
def test_a_worst_case_is_drawn(tmp_path: Path) -> None:
    given = [scene("a", (heading_row("blocked", "go"), heading_row("free", "ask-ground",
                                                                   heading_deg=10.0)))]
    page = rendered(given, sidecars={"a": write_pair(tmp_path, "a")})
    assert page.tags.count("img") == 7 + 2
    assert "in truth a rock of 1.70 times the limit of 6 cm begins 0.50 m" in page.text


def test_the_swath_is_drawn_where_the_heading_goes(tmp_path: Path) -> None:
    """Blue of the heading 20° to the left lies left of that of 20° to the right."""
    sidecar = write_pair(tmp_path, "a")
    columns = []
    for heading_deg in (20.0, -20.0):
        given = [scene("a", (heading_row("blocked", "go", heading_deg=heading_deg),))]
        case = summarise(given, ONE_PLAN).false_go_cases[0]
        image = pixels(case_picture(sidecar, case, ROVER)).astype(int)
        blue = (abs(image - np.array([0xB2, 0x72, 0x00])) < 12).all(axis=2)
        view = blue[:, :image.shape[1] // 2]
        assert view.sum() > 100
        columns.append(np.nonzero(view)[1].mean())
    assert columns[0] < columns[1] - 100


@pytest.mark.usefixtures("plots_undrawn")
def test_a_case_whose_pictures_are_gone_says_so(tmp_path: Path) -> None:
    given = [scene("a", (heading_row("blocked", "go"),))]
    assert "no picture: the rendered pair was not given" in rendered(given).text
    sidecar = write_pair(tmp_path, "a")
    (tmp_path / "a.left.png").write_bytes(b"")
    page = rendered(given, sidecars={"a": sidecar})
    assert "no picture: names no left picture that can be read" in page.text
    (tmp_path / "a.left.png").unlink()
    with pytest.raises(TruthError, match="cannot be read"):
        case_picture(sidecar, summarise(given, ONE_PLAN).false_go_cases[0], ROVER)


# --- plots and the record -------------------------------------------------------------------------


def test_plots_stand_without_data() -> None:
    """A set without a single row or error is drawn, not refused."""
    given = [scene("a")]
    summary = summarise(given, ONE_PLAN)
    for picture in (sun_plot(summary), limit_plot(summary), clear_plot(summary, given),
                    errors_plot(given), within_plot(summary), causes_plot(summary),
                    reliability_plot(summary)):
        assert pixels(picture).shape[1] > 800


def test_plots_are_the_same_to_the_byte() -> None:
    given = scores(4)
    summary = summarise(given, SMALL_PLAN)
    assert sun_plot(summary) == sun_plot(summary)
    assert errors_plot(given) == errors_plot(given)


def test_plots_follow_the_numbers() -> None:
    given = scores(4)
    without = [replace(s, rows=tuple(r for r in s.rows if not r.is_false_go)) for s in given]
    changed = summarise(without, SMALL_PLAN)
    summary = summarise(given, SMALL_PLAN)
    assert limit_plot(summary) != limit_plot(changed)


def test_the_reliability_plot_follows_the_numbers() -> None:
    here, there, again = (
        reliability_plot(summarise([scene("a", (heading_row("free", "go", probability=p),))],
                                   ONE_PLAN)) for p in (0.3, 0.4, 0.3))
    assert here != there
    assert here == again


@pytest.mark.usefixtures("plots_undrawn")
def test_what_must_be_told_is_in_page_and_text(whole: _Page) -> None:
    """One blocked pit that asks, one free heading under a low sun that asks for its shadow."""
    shadow = heading_row("free", "ask-ground", cause="unseen run", state="blank: too dark",
                         clear_m=0.31, bounded=False)
    given = [scene("p", (heading_row("blocked", "ask-ground"), shadow), mixture="pit/1",
                   sun_elevation_deg=5.0)]
    summary = summarise(given, ONE_PLAN)
    text = " ".join(rehearsal_text(RUN, summary).split())
    for words in (
        "pit and crater 1 m go possible 0 of 1, < 95.0%",
        "below 12° 1 m 100% of 1 (3 to 100 %*)", "from 12° 1 m none there",
        "left out: 1 not bounded, 0 whose truth is not known",
        "6 cm 80 to 100 1 1 90.0 % 100.0 % 3 to 100 %* inside, too few 1 0.0 %",
        "0 to 1 0 0 – – – – 0 none", "1 m 6 cm 1 none 100.0% none none none none none",
        "1 m 6 cm 0.31 0.31",
        "matched 0.3 to 1 m 0 0 – mm – mm – –",
    ):
        assert words in text
    page = rendered(given).text
    for words in ("pit and crater 1 m matched 0 of 1 < 95.0 %",
                  "below 12° 1 m matched 1 of 1 (100.0 %) 2.5 to 100.0 %*",
                  "6 cm matched 80 to 100 1 1 90.0 % 100.0 % 2.5 to 100.0 %* inside, too few "
                  "1 0.0 %",
                  "What speaks against free headings", "Rocks of 2 to 12 cm"):
        assert words in page
    assert "pit and crater 0.6 m matched" in whole.text


def test_the_record_is_plain_json_with_null_for_what_is_not_known() -> None:
    summary = summarise([scene("a", (heading_row("free", "go"),))], ONE_PLAN)
    record = json.loads(json.dumps(rehearsal_record(RUN, summary), allow_nan=False))
    assert record["schema"] == SCHEMA == "hazcam-rehearsal/2"
    row: dict[str, Any] = record["summary"]["rows"][0]
    assert row["rates"]["false_go"] == {"count": 0, "of": 0, "rate": None, "low": 0.0,
                                        "high": 1.0, "interval": "no trial"}
    assert row["rates"]["needless"]["of"] == 1
    assert record["comparison"] is None
    summed = record["summary"]
    assert summed["rows"][0]["free_clear_m"] == 1.0
    bins = summed["reliability"][0]["bins"]
    assert [(b["headings"], b["stated"], b["inside"]) for b in bins[:2]] == [
        (1, 0.002, True), (0, None, None)]
    assert summed["heights"][0]["median_m"] is None
    assert {row["group"] for row in summed["needless_by_sun"]} == {
        "all scenes", "from 12°", "below 12°", "no sun"}
    assert summed["free_causes"][0]["counts"]["spurious demand"] == 0
    assert record["run"]["code_digest"] == "c0de"
    assert math.isclose(record["summary"]["plan"]["limits_m"][0], 0.06)
