"""The report of a campaign: one page or many, each pair one click away, nothing left out unsaid."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from hazcam.campaign.store.reader import open_run
from hazcam.campaign.store.writer import Store
from hazcam.campaign.summary.dust import DustSpot
from hazcam.campaign.summary.rig_days import NO_MATCH
from hazcam.campaign.summary.summary import CampaignSummary, summarise
from hazcam.cli import main
from hazcam.errors import OutputError
from hazcam.report import campaign_page, campaign_write
from hazcam.report.campaign_first import first_looks
from hazcam.report.campaign_page import MOST_PAIRS_ON_A_PAGE, index_page
from hazcam.report.campaign_plots import (
    causes_plot,
    days_plot,
    drift_plot,
    dust_plot,
    quality_plot,
    rows_plot,
)
from hazcam.report.campaign_sets import PAIRS_A_SHEET
from hazcam.report.campaign_text import campaign_text
from hazcam.report.campaign_words import NO_PERMISSION
from hazcam.report.campaign_write import run_report, write_campaign
from tests.campaign.entries import ABOUT, make_campaign, make_run, write
from tests.campaign.tables import assessment, heading, pair, tables

MANY = 400
ASSESSED, ALL = MANY - 3, MANY + 2  # three failed, two rows are bad


class _Html(HTMLParser):
    """Tags, what they point to, what can be pointed at, and the text."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path
        self.tags: set[str] = set()
        self.links: list[str] = []
        self.images: list[str] = []
        self.styles: list[str] = []
        self.ids: set[str] = set()
        self.text = ""
        self.feed(path.read_text(encoding="utf-8"))
        self.text = re.sub(r"\s+", " ", self.text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        given = {key: value or "" for key, value in attrs}
        self.ids |= {given["id"]} if "id" in given else set()
        for key, kept in (("href", self.styles if tag == "link" else self.links),
                          ("src", self.images)):
            if key in given:
                kept.append(given[key])

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("few") / "beach"
    make_run(folder, pairs=40)
    return folder


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many") / "beach"
    make_run(folder, pairs=MANY, days=4)
    return folder


@pytest.fixture(scope="module")
def page(few: Path, tmp_path_factory: pytest.TempPathFactory) -> _Html:
    return _Html(reported(few, tmp_path_factory.mktemp("page")))


@pytest.fixture(scope="module")
def site(many: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    reported(many, folder)
    return folder


def reported(run: Path, folder: Path) -> Path:
    """The page of a report whose plots are made up, but not turned into pixels: that takes long."""
    with open_run(run) as opened, pytest.MonkeyPatch.context() as patch:
        patch.setattr("hazcam.report.campaign_plots.png", lambda figure: b"a plot")
        return write_campaign(run_report(opened), folder).page


def hazcam(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["report", *map(str, arguments)])


# --- one page -------------------------------------------------------------------------------------


def test_a_small_campaign_is_one_page_that_holds_everything(page: _Html) -> None:
    assert [p.name for p in page.path.parent.iterdir()] == ["report.html"]
    assert page.images
    assert all(re.match(r"data:image/(png|jpeg);base64,", image) for image in page.images)
    assert not page.styles
    assert not {"script", "iframe"} & page.tags
    assert page.path.stat().st_size < 5e6


def test_each_pair_of_the_page_is_one_click_away(page: _Html) -> None:
    assert all(link.startswith("#") and link[1:] in page.ids for link in page.links)
    pairs = {f"pair-pair-{i:05d}" for i in range(40)} | {"pair-line-42", "pair-line-43"}
    assert pairs <= page.ids
    assert {f"#{id_}" for id_ in pairs} <= set(page.links)


def test_the_page_says_what_a_team_asks_first(page: _Html) -> None:
    assert ("35 of 42 pairs are usable (83 %); 2 assessed but not to be relied on; 5 failed"
            in page.text)
    assert NO_PERMISSION in page.text
    assert "is empty (0 bytes)" in page.text  # why a pair failed
    assert "manifest.csv: line 42: rover" in page.text  # a bad row
    assert "“stop”" in page.text  # what the rover said in words of its own
    assert "This run is not finished" not in page.text


# --- a folder -------------------------------------------------------------------------------------


def test_a_large_campaign_is_a_folder_without_a_large_file(site: Path) -> None:
    assert MANY > MOST_PAIRS_ON_A_PAGE
    files = [p for p in site.rglob("*") if p.is_file()]
    assert max(p.stat().st_size for p in files) < 3e6
    assert len(list((site / "pairs").iterdir())) == ALL
    assert len(list((site / "thumbs").iterdir())) == ASSESSED
    assert not [p for p in files if p.name.endswith(".part")]


def test_no_link_of_the_folder_is_dead_and_none_leaves_it(site: Path) -> None:
    for path in site.rglob("*.html"):
        html = _Html(path)
        for target in (*html.links, *html.styles, *html.images):
            if target.startswith("data:"):
                continue
            file, _, place = target.partition("#")
            found = (path.parent / file).resolve() if file else path
            assert found.is_file(), f"{path.name} -> {target}"
            assert found.is_relative_to(site.resolve())
            assert not place or place in html.ids


def test_sheets_show_every_pair_once_in_the_order_of_time(site: Path, many: Path) -> None:
    sheets = sorted((site / "sheets").glob("all-*.html"))
    assert len(sheets) == -(-ALL // PAIRS_A_SHEET)
    shown = [Path(link).stem for sheet in sheets for link in _Html(sheet).links if "pairs/" in link]
    with open_run(many) as run:
        rows = run.table("pairs")
    timed = sorted(zip(rows["taken_at"].tolist(), rows["pair"].tolist(), strict=True),
                   key=lambda row: (row[0] == "", row))
    assert shown == [id_ for _, id_ in timed]


def test_the_sets_hold_what_their_tally_says(site: Path, many: Path) -> None:
    with open_run(many) as run:
        summary = run_report(run).summary
    for key, count in (("go", summary.all.ahead_go), ("ask", summary.all.ahead_ask),
                       ("failed", summary.all.failed), ("rover-001", summary.by_rover[0].pairs),
                       ("day-002", summary.by_day[1].pairs),
                       ("rover-go-over", len(summary.onboard.of_kind("over")))):
        links = [link for sheet in sorted((site / "sheets").glob(f"{key}-[0-9]*.html"))
                 if re.fullmatch(rf"{key}-\d{{3}}", sheet.stem)
                 for link in _Html(sheet).links if "pairs/" in link]
        assert len(links) == count > 0, key


def test_lists_that_are_cut_say_so_and_lead_to_all_of_them(site: Path) -> None:
    index = _Html(site / "index.html")
    measured = [row for row in rows_of(site / "disagreements.csv") if row["kind"] == "over"]
    assert len(measured) > campaign_page.MOST_LISTED
    assert f"{len(measured) - campaign_page.MOST_LISTED} more: disagreements.csv" in index.text
    over = [float(row["over_sigmas"]) for row in measured]
    assert over == sorted(over, reverse=True)
    assert len(rows_of(site / "pairs.csv")) == ALL


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def test_the_page_of_a_pair_has_its_verdicts_its_sidecar_and_its_neighbours(site: Path) -> None:
    html = _Html(site / "pairs" / "pair-00001.html")
    assert html.images == ["../pictures/pair-00001.jpg"]
    assert {"pair-00000.html", "pair-00002.html", "../index.html"} <= set(html.links)
    for word in ("45° left", "straight ahead", "45° right", "slag heap", "rig-1.yaml", "blur"):
        assert word in html.text
    failed = _Html(site / "pairs" / f"line-{MANY + 2}.html")
    assert not failed.images
    assert "write the name of the rover there" in failed.text


def test_tiles_and_failures_say_which_rover_day_and_site(site: Path) -> None:
    sheet = _Html(site / "sheets" / "all-001.html")
    assert "dunlin-em · 2031-05-04 · slag heap" in sheet.text
    index = _Html(site / "index.html").text
    said = index[index.index("Failed: "):]
    assert "input that cannot be used (3)" in said
    assert re.search(r"pair-\d+ ?is empty \(0 bytes\) ?dunlin-(em|fm) ?2031-05-0\d ?"
                     r"(slag heap|black sand|furrows) ?input", said)


def test_a_run_that_is_all_tried_and_not_marked_says_just_that(
    few: Path, tmp_path: Path
) -> None:
    with open_run(few) as run:
        report = replace(run_report(run), finished=False)
    path = tmp_path / "bare.html"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("hazcam.report.campaign_plots.png", lambda figure: b"a plot")
        patch.setattr(campaign_page, "MOST_PAIRS_ON_A_PAGE", 1)
        path.write_text(index_page(report), encoding="utf-8")
    text = _Html(path).text
    assert "not marked as finished, though all of its pairs were tried" in text
    assert "were not tried yet" not in text


def test_the_same_run_gives_the_same_bytes(many: Path, site: Path, tmp_path: Path) -> None:
    reported(many, tmp_path)
    for path in (p for p in site.rglob("*") if p.is_file()):
        assert (tmp_path / path.relative_to(site)).read_bytes() == path.read_bytes(), path.name


def test_pages_of_an_earlier_report_do_not_stay(few: Path, many: Path, tmp_path: Path) -> None:
    (tmp_path / "notes.html").write_text("mine", encoding="utf-8")
    (tmp_path / "sheets").mkdir()
    stale = tmp_path / "sheets" / "walked-099.html"
    stale.write_text("of an earlier report", encoding="utf-8")
    reported(many, tmp_path)
    assert not stale.exists()
    reported(few, tmp_path)
    assert not (tmp_path / "index.html").exists()
    assert not list((tmp_path / "pairs").iterdir())
    assert (tmp_path / "notes.html").read_text(encoding="utf-8") == "mine"


# --- a run that is being written ------------------------------------------------------------------


@pytest.fixture
def half(tmp_path: Path) -> Iterator[Path]:
    """A run of which half of the pairs were assessed, still being written."""
    made = make_campaign(tmp_path, 20, 0, 2, 3, 3, 2)
    with Store.open(tmp_path / "half", ABOUT) as store:
        store.add_pairs(made.manifest)
        write(store, replace(made, entries=made.entries[:10]))
        yield tmp_path / "half"


def test_a_run_that_is_not_finished_says_so_at_the_top(half: Path, tmp_path: Path) -> None:
    text = _Html(reported(half, tmp_path / "out")).text
    said = text.index("This run is not finished: 7 pairs were not tried yet")
    assert re.search(r"\d+ of 22 pairs are usable \(\d+ %\);.* 5 failed; 7 not tried yet",
                     text[said:])


def test_pairs_that_come_while_tables_are_read_are_left_out(
    half: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_run(half) as run:
        late = run.table("assessments")[:-1]
        table = run.table
        monkeypatch.setattr(run, "table", lambda n, **more: (
            late if n == "assessments" else table(n, **more)))
        report = run_report(run)
    assert report.summary.all.assessed == 9
    assert sum(int(c.count.sum()) for c in report.summary.quality) == 2 * 9


# --- text and words -------------------------------------------------------------------------------


def summary(**rows: object) -> CampaignSummary:
    def record(id_: str) -> dict[str, object]:
        return {"settings": {"confidence": 0.99}, "headings": [{"heading_deg": 0.0, "causes": [
            {"kind": "step", "at_m": 0.92, "demand": 0.083, "sigma": 0.006, "limit": 0.06,
             "unit": "m", "reason": ""}]}]}

    return summarise(tables(**rows), record)  # type: ignore[arg-type]


def test_the_text_says_first_what_went_wrong_on_a_go() -> None:
    text = campaign_text(summary(
        pairs=[pair("a", walked_heading_deg=0.0, walked_outcome="stuck"),
               pair("b", onboard_verdict="go"), pair("c")],
        assessments=[assessment("a", "go", 1), assessment("b")],
        headings=[heading("a"), heading("b", cause="step")]))
    assert text.startswith("2 of 3 pairs are usable (67 %); 1 not tried yet.\nWalked where the "
                           "verdict was go: 1 of 1 pair did not climb.\n")
    assert "- a, straight ahead: stuck; we said go, clear for 1.00 m" in text
    # (0.083 - 0.060) / 0.006 = 3.83
    assert "- b: step at 0.92 m: 0.083 ± 0.006 m, limit 0.060 m (over by 3.8 σ)" in text
    assert " ".join(NO_PERMISSION.split()) in " ".join(text.split())
    assert text.endswith(".\n")


def test_what_to_look_at_first_is_said_of_what_was_found_and_nothing_else() -> None:
    late = [f"2031-05-04T09:{i:02d}:00Z" for i in range(6)]
    found = summary(
        pairs=[pair("a", walked_heading_deg=0.0, walked_outcome="stuck"),
               pair("b", onboard_verdict="go"),
               pair("f", walked_heading_deg=0.0, walked_outcome="tipped"),
               *(pair(f"m{i}", taken_at=when) for i, when in enumerate(late)),
               *(pair(f"x{i}", taken_at="2031-05-06T09:00:00Z") for i in range(3))],
        assessments=[assessment("a", "go", 1), assessment("b"),
                     *(assessment(f"m{i}", usable=0, unusable_because=NO_MATCH) for i in range(6))],
        headings=[heading("a"), heading("b", cause="step")],
        failures=[{"pair": "f", "kind": "failed", "found": "is empty (0 bytes)"},
                  *({"pair": f"x{i}", "kind": "failed"} for i in range(3))])
    assert [look.line() for look in first_looks(found)] == [
        "1 pair walked where we said go, and did not climb: a",
        "1 pair walked without a verdict of ours, and did not climb: f",
        "the rover says go, something measured is over its limit: b",
        "all 6 pairs of 2031-05-04 with rig bench on rover dunlin-em do not match the calibration, "
        "probably it is the file of another rig: m0",
        "a third or more of the pairs failed: 2031-05-06 (3 of 3)"]
    assert first_looks(summary(pairs=[pair("a")], assessments=[assessment("a")])) == []
    assert "- f, straight ahead: tipped; not judged: is empty (0 bytes)" in campaign_text(found)


def test_many_days_with_one_fault_do_not_crowd_out_the_rest() -> None:
    ids = [(f"d{d}{i}", f"2031-05-0{d}T09:0{i}:00Z") for d in range(1, 6) for i in range(3)]
    looks = [look.line() for look in first_looks(summary(
        pairs=[pair(id_, taken_at=when) for id_, when in ids],
        assessments=[assessment(id_, usable=0, unusable_because=NO_MATCH) for id_, _ in ids]))]
    assert len(looks) == 3
    assert looks[2] == "3 more days whose pairs do not match the calibration"


def test_that_only_straight_ahead_can_go_is_no_finding_of_the_ground() -> None:
    only, more = (campaign_text(summary(
        pairs=[pair("a")], assessments=[assessment("a", "go", going)],
        headings=[heading("a")])) for going in (1, 2))
    assert "No heading but straight ahead is go" in only
    assert "of the single headings" not in " ".join(only.split())
    assert "of the single headings 2 of 3 (66.7 %)" in " ".join(more.split())


def test_that_no_attitude_is_stated_is_said_in_the_head() -> None:
    unknown = {"roll_deg": np.nan, "pitch_deg": np.nan}
    text = campaign_text(summary(pairs=[pair("a", **unknown), pair("b", **unknown)],
                                 assessments=[assessment("a"), assessment("b")]))
    assert text.splitlines()[1].startswith("No pair states roll and pitch, and all headings ask")


def test_a_wrong_clock_is_named(tmp_path: Path) -> None:
    times = ["1970-01-01T00:00:07Z", *(f"2031-05-0{d}T09:00:00Z" for d in range(1, 6))]
    given = tables(pairs=[pair(f"p{i}", taken_at=when) for i, when in enumerate(times)],
                   assessments=[assessment(f"p{i}") for i in range(6)])
    assert "p0 (1970-01-01T00:00:07Z)" in campaign_text(summarise(given, lambda id_: {}))


def test_pairs_outside_the_rehearsed_conditions_are_told_together() -> None:
    sun = "sun at {}° (rehearsed: up to 50°)"
    text = " ".join(campaign_text(summary(
        pairs=[pair(f"p{i}") for i in range(7)],
        assessments=[assessment(f"p{i}", outside_rehearsed=sun.format(60 + i)) for i in range(7)],
    )).split())
    assert ("- 7 pairs outside the rehearsed conditions, sun at 60 to 66° (rehearsed: up to 50°): "
            "p0, p1, p2, p3, p4 and 2 more. The stated") in text


def test_the_text_of_an_empty_run_is_no_failure() -> None:
    assert campaign_text(summary()).startswith("0 of 0 pairs are usable.\nNo pair was ")


def test_a_run_of_failures_alone_claims_nothing_of_the_ground() -> None:
    text = campaign_text(summary(pairs=[pair("a")], failures=[{"pair": "a", "kind": "failed"}]))
    assert text.startswith("0 of 1 pair is usable (0 %); 1 failed.\nNo pair was assessed, so "
                           "nothing is known of the ground.\n")
    assert "Straight ahead" not in text


def test_every_place_to_be_careful_about_is_said() -> None:
    text = " ".join(campaign_text(summary(
        pairs=[pair("a", roll_deg=np.nan, taken_at="2031-05-04T09:00:00Z"), pair("b"), pair("c"),
               pair("d", onboard_verdict="HALT", taken_at="2031-05-04T09:00:00")],
        assessments=[assessment("a", "ask-ground", outside_rehearsed="low sun"),
                     assessment("b", "go", 1, hazcam="0.2.0")],
        headings=[heading("a", cause="outside view"), heading("b", assumed_m=0.3)],
        pictures=[{"pair": "a", "side": "left"}, {"pair": "b", "side": "left"},
                  {"pair": "b", "side": "right"}],
        settings=[{"digest": "1", "json": "{}"}, {"digest": "2", "json": "{}"}])).split())
    for words in (
        "2 pairs of the manifest were not tried yet", "Of the 1 ask-ground verdicts straight "
        "ahead, 1 have no measured demand", "1 of the 1 go verdicts straight ahead take ground out "
        "of view near the rover for clear: 0.30 m", "1 without the right picture",
        "1 assessed pair state no roll and pitch",
        "1 pair outside the rehearsed conditions, low sun: a.",
        "do not say when they were taken", "1 pair state a time without a zone",
        "2 different settings", "different versions",
        "“HALT” (1)",
    ):
        assert words in text


def test_a_page_without_times_onboard_words_or_walks_has_no_empty_sections(
    tmp_path: Path
) -> None:
    given = tables(pairs=[pair("a")], assessments=[assessment("a", "", 0)])
    found = summarise(given, lambda id_: {})
    grey = cv2.imencode(".jpg", np.full((360, 480), 90, np.uint8))[1].tobytes()
    report = campaign_page.campaign_report("bare", {}, given, found, finished=True,
                                           overlay=lambda id_: grey)
    path = tmp_path / "bare.html"
    path.write_text(index_page(report), encoding="utf-8")
    html = _Html(path)
    assert not {"causes", "walked", "onboard", "failed", "quality", "dust"} & html.ids
    assert all(link[1:] in html.ids for link in html.links)


def test_what_a_sidecar_says_is_shown_as_text_not_as_markup(tmp_path: Path) -> None:
    given = tables(pairs=[pair("a", site="<b>heap</b>", note="<script>alert(1)</script>")])
    report = campaign_page.campaign_report("bare", {}, given, summarise(given, lambda id_: {}),
                                           finished=True, overlay=lambda id_: b"")
    path = tmp_path / "bare.html"
    path.write_text(index_page(report), encoding="utf-8")
    assert "script" not in _Html(path).tags
    assert "<script>alert(1)</script>" in _Html(path).text


# --- plots ----------------------------------------------------------------------------------------


def coloured(png: bytes | None) -> float:
    assert png is not None
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return float((np.ptp(picture, axis=2) > 60).mean())


def test_plots_are_drawn_of_what_is_there(many: Path) -> None:
    with open_run(many) as run:
        found = run_report(run).summary
    for drawn in (days_plot(found), causes_plot(found),
                  quality_plot(found.quality[:2], found.steps),
                  drift_plot(found.drifts[0], found.steps), rows_plot(found.rig_days[:4])):
        assert coloured(drawn) > 0.001  # blue or orange marks
    assert days_plot(found) == days_plot(found)


def test_there_is_no_plot_of_nothing() -> None:
    found = summary(pairs=[pair("a")], assessments=[assessment("a")])
    assert days_plot(found) is None
    assert causes_plot(found) is None
    assert drift_plot(found.drifts[0], found.steps) is None
    assert rows_plot(found.rig_days) is None


def test_a_spot_of_dust_is_drawn_where_it_is() -> None:
    found = summary(pairs=[pair("a")], assessments=[assessment("a")])
    spot = DustSpot(rig="rig", rover="em", side="right", column_px=160.0, row_px=360.0,
                    radius_px=40.0, depth=0.2, pairs=9, looked=10, looks=8, first_pair="a",
                    last_pair="a", chance=1e-6)
    with_spot, without = (
        cv2.imdecode(np.frombuffer(dust_plot(found.sensors["rig"], spots), np.uint8),
                     cv2.IMREAD_GRAYSCALE) for spots in ((spot,), ()))
    assert with_spot is not None
    assert without is not None
    rows, columns = np.nonzero((with_spot < 100) & (without > 200))
    height, width = with_spot.shape
    # Right panel, a quarter of its width from the left, three quarters down.
    assert 0.5 < np.median(columns) / width < 0.75
    assert np.median(rows) / height > 0.55


# --- the command ----------------------------------------------------------------------------------


def test_the_command_writes_below_the_run_and_prints_the_summary(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_run(tmp_path / "run", pairs=6)
    monkeypatch.setattr("hazcam.report.campaign_plots.png", lambda figure: b"a plot")
    result = hazcam(tmp_path / "run")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("3 of 8 pairs are usable (38 %); 5 failed.\n")
    assert "1 file, " in result.stderr
    assert (tmp_path / "run" / "report" / "report.html").is_file()


def test_what_is_no_run_is_refused_with_a_remedy(tmp_path: Path) -> None:
    result = hazcam(tmp_path)
    assert result.exit_code == 1
    assert "holds no run.sqlite" in result.output
    assert "remedy" in result.output
    assert not (tmp_path / "report").exists()


def test_a_file_in_the_place_of_the_report_is_refused(few: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("", encoding="utf-8")
    result = hazcam(few, "-o", tmp_path / "out")
    assert result.exit_code == 1
    assert "is a file, or lies below one" in result.output


def test_a_page_that_cannot_be_replaced_is_an_error_of_its_own(
    few: Path, tmp_path: Path
) -> None:
    (tmp_path / "report.html").mkdir()
    with pytest.raises(OutputError, match=r"report\.html: cannot be"):
        reported(few, tmp_path)


def test_the_empty_text_is_no_folder(few: Path) -> None:
    assert hazcam(few, "-o", "").exit_code == 2


def test_pages_are_written_before_what_leads_to_them(
    many: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fills up leaves no page with dead links."""
    def full(shown: object, number: int) -> str:
        raise OutputError(str(tmp_path), "no space left", "a folder", "make room")

    (tmp_path / "index.html").write_text("of an earlier report", encoding="utf-8")
    monkeypatch.setattr(campaign_write, "sheet_page", full)
    with pytest.raises(OutputError):
        reported(many, tmp_path)
    assert not (tmp_path / "index.html").exists()
