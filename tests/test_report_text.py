from __future__ import annotations

from dataclasses import replace

import pytest

from hazcam import Settings
from hazcam.report import Record, as_record, as_text, summary_text
from tests.folders import assessment, pair


@pytest.fixture(scope="module")
def record() -> Record:
    return as_record(assessment(), inputs={})


def test_plain_text_of_a_fixed_width(record: Record) -> None:
    text = as_text(record)
    assert "\x1b" not in text
    assert max(len(line) for line in text.splitlines()) <= 100
    assert all(line == line.rstrip() for line in text.splitlines())
    assert text == as_text(record)


def test_says_what_rests_on_what(record: Record) -> None:
    text = " ".join(as_text(record).split())
    for words in ("pair synthetic (rover dunlin-em, rig synthetic)", "suggestion hold",
                  "attitude stated", "assumed clear up to 0.31 m from the nose",
                  "rig check the rig matches its calibration", "clear from the nose"):
        assert words in text


def test_headings_run_from_left_to_right_each_with_its_reason(record: Record) -> None:
    table = as_text(record).split("\n\n")[1].splitlines()
    named = [line for line in table if "ask-ground" in line or " go " in line]
    assert [line[:16].strip() for line in named] == ["10° left", "straight ahead", "45° right"]
    ahead = record["headings"][1]
    assert f"{ahead['clear_m']:.2f} m" in named[1]
    assert ahead["causes"][0]["text"][:20] in named[1]


def test_an_assumed_level_is_printed() -> None:
    silent = replace(assessment(), pair=replace(pair(), attitude=None),
                     settings=Settings(assume_level=True))
    assert "--assume-level was given" in " ".join(as_text(as_record(silent, inputs={})).split())


def test_summary_lists_pairs_and_failures(record: Record) -> None:
    text = summary_text([record], {"b.pair.json": "b.pair.json: is empty\n  expected: a sidecar"})
    lines = text.splitlines()
    assert lines[1].split()[:5] == ["synthetic", "ask-ground", "0", "of", "3"]
    assert "failed: b.pair.json" in lines
    assert "  b.pair.json: is empty" in lines
    assert lines[-1] == "1 of 2 pairs assessed, 1 failed"
