"""The report of a campaign in a real browser, from the disk: no request, no error."""

from __future__ import annotations

from pathlib import Path

import cv2
import pytest

from hazcam.campaign.store.reader import open_run
from hazcam.report.campaign_write import run_report, write_campaign
from tests.campaign.entries import make_run
from tests.test_page_in_browser import asked_for, browser, open_page

__all__ = ["browser"]  # the fixture


def report(folder: Path, pairs: int) -> Path:
    make_run(folder / "run", pairs=pairs)
    with open_run(folder / "run") as run:
        return write_campaign(run_report(run), folder / "report").page


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return report(tmp_path_factory.mktemp("few"), 12)


@pytest.fixture(scope="module")
def index(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return report(tmp_path_factory.mktemp("many"), 130)


def test_the_single_page_asks_no_network_and_logs_no_error(
    browser: str, page: Path, tmp_path: Path
) -> None:
    opened, addresses = asked_for(browser, page, tmp_path)
    assert " of 14 pairs are usable" in opened.stdout
    assert "CONSOLE" not in opened.stderr
    assert addresses == set()


@pytest.mark.parametrize("name", ["index.html", "sheets/all-001.html", "pairs/pair-00000.html"])
def test_no_page_of_the_folder_asks_the_network_or_logs_an_error(
    name: str, browser: str, index: Path, tmp_path: Path
) -> None:
    opened, addresses = asked_for(browser, index.parent / name, tmp_path)
    assert "pair-00000" in opened.stdout
    assert "CONSOLE" not in opened.stderr
    assert addresses == set()


def test_a_click_on_a_sheet_leads_to_the_page_of_the_pair(
    browser: str, index: Path, tmp_path: Path
) -> None:
    """A frame about the sheet clicks the first pair's link, as a person would."""
    frame = index.parent / "click.html"
    frame.write_text(
        "<iframe id=f src='sheets/all-001.html' style='width:900px;height:700px'></iframe>"
        "<script>let n = 0; f.onload = () => { const d = f.contentDocument;"
        "if (n++) document.title = d.querySelector('h1').textContent;"
        "else d.querySelector('.cell a').click(); }</script>", encoding="utf-8")
    opened = open_page(browser, frame, tmp_path / "profile", "--allow-file-access-from-files",
                       "--virtual-time-budget=8000", "--dump-dom")
    assert "<title>Pair pair-0000" in opened.stdout


def test_the_page_of_figures_shows_its_plots(
    browser: str, index: Path, tmp_path: Path
) -> None:
    shot = tmp_path / "page.png"
    open_page(browser, index, tmp_path / "profile", "--window-size=1300,3000",
              f"--screenshot={shot}")
    picture = cv2.imread(str(shot))
    assert picture is not None
    blue = (picture[..., 0] > 150) & (picture[..., 2] < 40)  # go, in the bars by day
    assert blue.sum() > 2000


@pytest.mark.parametrize("name", ["index.html", "sheets/all-001.html", "pairs/pair-00000.html"])
def test_a_narrow_window_scrolls_tables_not_the_page(
    name: str, browser: str, index: Path, tmp_path: Path
) -> None:
    frame = index.parent / "narrow.html"
    frame.write_text(
        f"<iframe id=f src='{name}' style='width:420px;height:900px;border:0'></iframe>"
        "<script>f.onload = () => { document.title = 'wide '"
        "+ f.contentDocument.documentElement.scrollWidth; }</script>", encoding="utf-8")
    opened = open_page(browser, frame, tmp_path / "profile", "--allow-file-access-from-files",
                       "--virtual-time-budget=8000", "--dump-dom")
    wide = int(opened.stdout.split("<title>wide ")[1].split("<")[0])
    assert wide <= 420
