"""The card of trials: what is on it, that it reads back as a table, and how it prints."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from hazcam.report.record import Record
from hazcam.report.trial_card import csv_lines, trial_card, whole
from hazcam.report.tune_next_text import forecast, next_record, next_text, order
from hazcam.rover.profile import LIMIT_UNITS
from hazcam.tuning.curve import curve_of
from hazcam.tuning.next_trials import next_trials
from hazcam.tuning.record import TrialTable
from hazcam.tuning.table import parse_trials
from tests.test_page_in_browser import asked_for, browser, open_page
from tests.tuning.next_data import group_of

__all__ = ["browser"]  # the fixture


def record_of(count: int = 3, kind: Any = "step", ground: str = "black sand",
              climbed: tuple[bool, ...] = (True, True, False)) -> Record:
    scale = 1000 if LIMIT_UNITS[kind] == "deg" else 1
    group = group_of([((0.01 + 0.001 * k) * scale, up) for k, up in enumerate(climbed)],
                     0.0015 * scale, kind)
    trials = tuple(type(t)(**{**vars(t), "conditions": t.conditions._replace(ground=ground)})
                   for t in group.trials)
    table = TrialTable(name="t.csv", digest="1f" * 32, trials=trials)
    plan = next_trials(curve_of(table.chosen(), reliability=0.9, confidence=0.9), count)
    return next_record(table, plan, reliability=0.9, confidence=0.9)


NONE_CLIMBED = (False, False, False)


@pytest.fixture(scope="module")
def record() -> Record:
    return record_of(climbed=(True, True, False, True, False, False))


def test_it_names_the_conditions_the_trials_and_what_to_fill_in(record: Record) -> None:
    card = trial_card(record)
    for words in ("dunlin-em", "tripod", "black sand", "9.81 m/s²", "height of the step",
                  "Climbed: all legs over, and standing", "Three readings", "Stop the trial",
                  "with no other task", "pinch and crush", "Batteries", "SHA-256\n1f1f1f1f"):
        assert words in card
    assert card.count('<i class="box"></i>') == 15
    for planned in record["trials"]:
        assert f"<br>{planned['trial_id']}</td>" in card
    assert record["trials"][0]["trial_id"] == "sand-07"


def test_it_is_black_on_white_and_asks_nothing_of_a_network(record: Record) -> None:
    card = trial_card(record)
    assert set(re.findall(r"#[0-9a-fA-F]{3,6}\b", card)) == {"#000000", "#ffffff"}
    assert not re.search(r"https?:|<script|<img|<link|url\(", card)
    assert trial_card(record) == card


def test_words_of_the_table_are_escaped() -> None:
    card = trial_card(record_of(ground='wet <b>sand</b> & "ash"', climbed=NONE_CLIMBED))
    assert "<b>wet &lt;b&gt;sand" in card
    assert "<b>sand</b>" not in card


@pytest.mark.parametrize("ground", ["black sand", 'slag, "coarse"'])
def test_its_lines_filled_in_read_back_as_trials(ground: str) -> None:
    record = record_of(ground=ground, climbed=NONE_CLIMBED)
    lines = csv_lines(record)
    assert len(lines) == 4
    filled = "\n".join(
        line.replace("____-__-__", "2031-05-15").replace("______,______,________", "0.012,0.001,"
                     "climbed").replace(",________", ",") for line in lines)
    table = parse_trials(filled, "card.csv")
    assert [t.id for t in table.trials] == [t["trial_id"] for t in record["trials"]]
    assert {t.conditions.ground for t in table.trials} == {ground}
    assert not any(t.simulated for t in table.trials)


@pytest.mark.parametrize("kind", LIMIT_UNITS)
def test_each_kind_has_its_card(kind: str) -> None:
    card = trial_card(record_of(kind=kind, climbed=NONE_CLIMBED))
    assert ("deg" if LIMIT_UNITS[kind] == "deg" else "39 mm is 0.039") in card


def test_numbers_stay_with_their_units() -> None:
    kept = "0.024\N{NO-BREAK SPACE}m at 95\N{NO-BREAK SPACE}% or 3\N{NO-BREAK SPACE}deg"
    assert whole("0.024 m at 95 % or 3 deg") == kept
    assert whole("3 more, 2 degrees") == "3 more, 2 degrees"


# --- the text beside it --------------------------------------------------------------------------


def changed(record: Record, **found: Any) -> Record:
    return {**record, "forecast": {**record["forecast"], **found}}


def test_the_forecast_says_so_where_nothing_is_gained(record: Record) -> None:
    assert "On average it would not rise" in forecast(changed(record, now=0.008, mean=0.0079))
    assert "On average" not in forecast(changed(record, now=0.008, mean=0.0081))
    none = forecast(changed(record, now=0.0, mean=0.0))
    assert "no bound above 0 today" in none
    assert "none after these trials, whatever comes of them" in none
    some = forecast(changed(record, now=0.0, mean=0.002, chance_above_now=0.3, at_least=0.0))
    assert "there is one with a chance of 30 %" in some
    assert "at least" not in some
    assert "were drawn" in forecast(changed(record, now=0.0, mean=0.002, drawn=True))


def test_the_order_is_told(record: Record) -> None:
    trials = [{"trial_id": "a", "demand": 0.01}, {"trial_id": "b", "demand": 0.02}]
    assert order({**record, "trials": trials}).startswith("shuffled with seed ")
    assert order({**record, "trials": trials[:1] * 2}) == "all alike"
    rising = record_of(climbed=(True, True, True))
    assert rising["seed"] is None
    assert "ended by the first failure" in order(rising)
    assert "by counting" in next_text(rising)


# --- printed -------------------------------------------------------------------------------------


def printed_pages(browser: str, record: Record, folder: Path) -> int:
    page, pdf = folder / "card.html", folder / "card.pdf"
    page.write_text(trial_card(record), encoding="utf-8")
    open_page(browser, page, folder / "profile", "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    return len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes()))


@pytest.mark.parametrize(("count", "pages"), [(6, 1), (7, 2)])
def test_six_trials_fit_a_sheet_and_more_flow_to_a_second(
    browser: str, count: int, pages: int, record: Record, tmp_path: Path
) -> None:
    trials = [{"trial_id": f"sand-{k:02d}", "demand": 0.01 + k / 1000} for k in range(count)]
    assert printed_pages(browser, {**record, "trials": trials}, tmp_path) == pages


def test_the_card_opens_without_a_network(browser: str, record: Record, tmp_path: Path) -> None:
    page = tmp_path / "card.html"
    page.write_text(trial_card(record), encoding="utf-8")
    opened, addresses = asked_for(browser, page, tmp_path)
    assert "Trials to make" in opened.stdout
    assert "CONSOLE" not in opened.stderr
    assert addresses == set()
