"""The page in a real browser: it opens from the disk, asks no network and logs no error."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from hazcam.cli import main as hazcam

PAIR = Path(__file__).parents[1] / "sample_pairs" / "scattered-rocks.pair.json"


@pytest.fixture(scope="module")
def browser() -> str:
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("CI needs a browser: apt-get install chromium")
        pytest.skip("no browser: apt-get install chromium")
    return found


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page")
    result = CliRunner().invoke(hazcam, ["assess", str(PAIR), "-o", str(folder)])
    assert result.exit_code == 0, result.output
    return folder / "scattered-rocks" / "page.html"


def open_page(
    browser: str, page: Path, profile: Path, *more: str
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
         "--no-first-run", "--disable-background-networking", "--disable-component-update",
         "--disable-sync", "--host-resolver-rules=MAP * ~NOTFOUND", "--enable-logging=stderr",
         f"--user-data-dir={profile}", *more, page.as_uri()],
        capture_output=True, text=True, timeout=120, check=False)


def asked_for(
    browser: str, page: Path, tmp_path: Path
) -> tuple[subprocess.CompletedProcess[str], set[str]]:
    """Open a page; also the addresses that it, not the browser itself, asked the network for."""
    log = tmp_path / "net.json"
    opened = open_page(browser, page, tmp_path / "profile", f"--log-net-log={log}", "--dump-dom")
    events = json.loads(log.read_text(encoding="utf-8"))["events"]
    starts = [e["params"] for e in events if "initiator" in e.get("params", {})]
    return opened, {p["url"] for p in starts
                    if p["initiator"] != "not an origin" and p["url"].startswith("http")}


def test_the_page_opens_with_no_request_and_no_console_error(
    browser: str, page: Path, tmp_path: Path
) -> None:
    opened, addresses = asked_for(browser, page, tmp_path)
    assert "ask-ground" in opened.stdout
    assert "CONSOLE" not in opened.stderr
    assert addresses == set()


def test_a_request_would_be_noticed(browser: str, tmp_path: Path) -> None:
    page = tmp_path / "asks.html"
    page.write_text('<img src="http://example.invalid/a.png">', encoding="utf-8")
    assert asked_for(browser, page, tmp_path)[1] == {"http://example.invalid/a.png"}


def test_the_page_shows_its_pictures(browser: str, page: Path, tmp_path: Path) -> None:
    shot = tmp_path / "page.png"
    open_page(browser, page, tmp_path / "profile", "--window-size=1300,1200",
              f"--screenshot={shot}")
    import cv2

    picture = cv2.imread(str(shot), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    assert picture.shape == (1200, 1300)
    # Text on white alone has few middle greys; the picture and the map have many.
    assert ((picture > 60) & (picture < 200)).mean() > 0.1
