from __future__ import annotations

import math
from dataclasses import replace

import pytest

from hazcam import Settings
from hazcam.assess import rig_causes
from hazcam.epipolar import EpipolarResidual
from hazcam.report import Record, as_record, as_text, summary_text
from hazcam.rover import read_rover, with_limits, with_measured
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
                  "rig check the rig matches its calibration"):
        assert words in text


def test_clear_ground_that_is_only_assumed_is_told_apart(record: Record) -> None:
    heading = record["headings"][1] | {"clear_m": 0.31, "assumed_m": 0.29}
    table = as_text(record | {"headings": [heading]}).split("\n\n")[1].splitlines()
    header = [" ".join(table[row][start:end].strip() for row in (0, 1))
              for start, end in ((28, 38), (38, 47))]
    assert header == ["clear from the nose", "of it assumed"]
    assert table[2].split()[:7] == ["straight", "ahead", "ask-ground", "0.31", "m", "0.29", "m"]


def test_too_few_features_ask_whether_the_pictures_belong_together() -> None:
    few = EpipolarResidual(count=1, sought=3, median_px=math.nan, offset=None,
                           largest_px=math.nan, largest_sigma_px=math.nan)
    shown = as_record(replace(assessment(), epipolar=few), inputs={})
    text = " ".join(as_text(shown).split())
    assert "1 feature was tracked between the pictures" in text
    assert "are these two pictures of the same moment?" in text
    assert "only 1 feature was tracked" in rig_causes(few)[0].text
    assert "only 2 features were tracked" in rig_causes(replace(few, count=2))[0].text


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


def test_limits_that_are_not_derived_say_where_they_come_from(record: Record) -> None:
    assert "derived" not in as_text(record)
    rover = with_limits(with_measured(read_rover("dunlin-em"), "gap", 0.08, "long-ditch-trials"),
                        {"step": 0.06, "slope": 12.345678})
    shown = as_text(as_record(replace(assessment(), rover=rover), inputs={}))
    lines = [" ".join(line.split()) for line in shown.splitlines() if line.startswith("limit")]
    assert lines == [
        "limits step 0.06 m, slope 12.35 deg, set by the user",
        "limit gap 0.08 m (was 0.09 m, derived: hip spacing - foot length), measured:"]
    assert "long-ditch-trials\n" in shown  # names of files are not broken


def test_summary_lists_pairs_and_failures(record: Record) -> None:
    text = summary_text([record], {"b.pair.json": "b.pair.json: is empty\n  expected: a sidecar"})
    lines = text.splitlines()
    ahead = record["headings"][1]
    clear = [f"{ahead['clear_m']:.2f}", f"({ahead['assumed_m']:.2f})", "m"]
    assert lines[2].split()[:7] == ["synthetic", "ask-ground", *clear, "0", "of"]
    assert "failed: b.pair.json" in lines
    assert "  b.pair.json: is empty" in lines
    assert lines[-1] == "1 of 2 pairs assessed, 1 failed"
    assert max(map(len, lines)) <= 100


def test_summary_says_what_an_interrupted_run_left_out(record: Record) -> None:
    text = summary_text([record], {}, ["b.pair.json", "c.pair.json"])
    assert text.splitlines()[-1] == (
        "1 of 3 pairs assessed, 0 failed, 2 not begun (interrupted)")
    assert summary_text([record], {}).splitlines()[-1] == "1 of 1 pair assessed, 0 failed"
