"""``hazcam judge``: other limits from stored demands, another rover from stored ground."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from hazcam.cli import main
from hazcam.report import as_record, as_text, to_json
from hazcam.stored_npz import terrain_bytes
from tests.conftest import terrain_of
from tests.folders import assessment, write_inputs

HEADINGS = "-45,0,10"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_inputs(tmp_path_factory.mktemp("inputs"))


@pytest.fixture(scope="module")
def folder(inputs: Path) -> Path:
    done = run("assess", inputs, "--headings", HEADINGS, "-o", inputs.parent / "out")
    assert done.exit_code == 0, done.output
    return inputs.parent / "out" / "bench"


def record_of(*arguments: str | Path) -> dict[str, Any]:
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    record: dict[str, Any] = json.loads(result.stdout)
    return record


@cache
def assessed_with(inputs: Path, *options: str) -> dict[str, Any]:
    """The record of a fresh assessment."""
    return record_of("assess", inputs, "--headings", HEADINGS, *options)


def same_headings(judged: dict[str, Any], assessed: dict[str, Any]) -> bool:
    """Are they the same numbers and words? The rig card takes the rig, which no store holds."""
    known = [{k: v for k, v in h.items() if k != "beyond_rig"} for h in assessed["headings"]]
    return bool(judged["headings"] == known and judged["suggestion"] == assessed["suggestion"])


@pytest.mark.parametrize("store", ["demands.npz", "terrain.npz"])
def test_prints_the_table_of_the_assessment(inputs: Path, folder: Path, store: str) -> None:
    judged = run("judge", folder / store)
    assert judged.exit_code == 0, judged.output
    lines = judged.stdout.splitlines()
    assert lines.pop(1).startswith("judged from   the stored ")
    assert lines == as_text(assessed_with(inputs)).splitlines()


@pytest.mark.parametrize("store", ["demands.npz", "terrain.npz"])
@pytest.mark.parametrize("options", [
    ("--limit", "step=0.09", "--limit", "belly=0.04", "--confidence", "0.6"),
    ("--limit", "step=0.01", "--confidence", "0.9999"),
])
def test_other_limits_as_if_assessed_with_them(
    inputs: Path, folder: Path, store: str, options: tuple[str, ...]
) -> None:
    assessed = assessed_with(inputs, *options)
    judged = record_of("judge", folder / store, *options)
    assert same_headings(judged, assessed)
    for key in ("limits", "digests", "settings", "outside_rehearsed", "near_strip"):
        assert judged[key] == assessed[key], key


@pytest.mark.parametrize("options", [
    ("--rover", "dunlin-fm", "--margin-m", "0.01", "--limit", "step=0.08"),
    ("--margin-m", "0.08", "--look-ahead-m", "0.4", "--near-strip-max-m", "0.35"),
])
def test_another_rover_as_if_assessed_for_it(
    inputs: Path, folder: Path, options: tuple[str, ...]
) -> None:
    assessed = assessed_with(inputs, *options)
    judged = record_of("judge", folder / "terrain.npz", *options)
    assert same_headings(judged, assessed)
    for key in ("limits", "digests", "settings", "outside_rehearsed", "near_strip", "rover"):
        assert judged[key] == assessed[key], key


def test_other_headings(inputs: Path, folder: Path) -> None:
    judged = record_of("judge", folder / "terrain.npz", "--headings", "-10:10:10")
    assert [h["heading_deg"] for h in judged["headings"]] == [-10, 0, 10]
    both = {h["heading_deg"]: h for h in assessed_with(inputs)["headings"]}
    for heading in judged["headings"][1:]:
        assert heading.items() <= both[heading["heading_deg"]].items()


def test_the_record_says_what_it_is_and_where_it_comes_from(inputs: Path, folder: Path) -> None:
    record = record_of("judge", folder / "terrain.npz", "--rover", "dunlin-fm")
    assessed = json.loads((folder / "assessment.json").read_text("utf-8"))
    assert record["schema"] == "hazcam-judgement/1"
    assert record["judged_from"]["assessed_for"] == "dunlin-em"
    assert record["rover"]["name"] == "dunlin-fm"
    assert record["assessed"]["digests"] == assessed["digests"]
    assert record["digests"]["rover"] != assessed["digests"]["rover"]
    assert record["digests"]["pair"] == assessed["digests"]["pair"]
    assert record["inputs"]["rover"] == "dunlin-fm"
    assert (Path.cwd() / record["inputs"]["store"]).resolve() == folder / "terrain.npz"
    assert f'"{folder}' not in json.dumps(record)  # no path from the root


def test_two_options_of_the_near_strip_go_together(tmp_path: Path) -> None:
    """Either replaces both of what was assessed."""
    found = assessment()
    found = replace(found, settings=replace(found.settings, near_strip_max_m=0.2))
    store = tmp_path / "terrain.npz"
    store.write_bytes(terrain_bytes(found, terrain_of(found), as_record(found, inputs={})))
    assert record_of("judge", store)["near_strip"]["max_m"] == 0.2
    assert record_of("judge", store, "--near-strip", "ask")["near_strip"]["max_m"] == 0
    strip_m = record_of("judge", store, "--near-strip", "assume")["near_strip"]["max_m"]
    assert strip_m == pytest.approx(assessment().near_strip_max_m)


@pytest.mark.parametrize("option", [
    ("--rover", "dunlin-fm"), ("--margin-m", "0.1"), ("--headings", "0"),
    ("--look-ahead-m", "0.5"), ("--near-strip", "ask"), ("--near-strip-max-m", "0.1"),
])
def test_what_changes_the_demands_takes_the_ground(folder: Path, option: tuple[str, str]) -> None:
    result = run("judge", folder / "demands.npz", *option)
    assert result.exit_code == 2
    assert option[0] in result.stderr
    assert "give the terrain.npz beside this store" in result.stderr


@pytest.mark.parametrize(("options", "status", "words"), [
    (("--limit", "step=-1"), 2, "step = -1"), (("--limit", "hop=1"), 2, "unknown limit 'hop'"),
    (("--limit", "step=5"), 1, "step"), (("--confidence", "1"), 2, "--confidence"),
    (("--rover", "nobody"), 1, "no rover of this name ships"),
    (("--look-ahead-m", "9"), 2, "look-ahead 9.0 m is not between 0 and 2.5 m"),
    (("--near-strip", "ask", "--near-strip-max-m", "0.2"), 2, "leave out one of the two"),
    (("--near-strip-max-m", "1.2"), 2, "nothing would be left to judge"),
    (("--headings", "x"), 2, "neither FROM:TO:STEP"), (("--headings", "200"), 2, "between -180"),
])
def test_wrong_options(
    folder: Path, options: tuple[str, ...], status: int, words: str
) -> None:
    result = run("judge", folder / "terrain.npz", *options)
    assert result.exit_code == status
    assert words in result.stderr
    assert not result.stdout


def test_a_file_that_is_no_store(folder: Path) -> None:
    result = run("judge", folder / "assessment.json")
    assert result.exit_code == 1
    assert "is no npz file" in result.stderr
    assert "remedy: give the terrain.npz or demands.npz" in result.stderr
    assert run("judge").exit_code == 2


def test_the_record_needs_no_pictures(inputs: Path, folder: Path, tmp_path: Path) -> None:
    """A store alone, far from its pair, gives the same table."""
    (tmp_path / "kept.npz").write_bytes((folder / "terrain.npz").read_bytes())
    assert run("judge", tmp_path / "kept.npz").stdout == run("judge", folder /
                                                             "terrain.npz").stdout


def test_an_assessment_is_shown_as_before() -> None:
    """Only a judgement says what it was judged from."""
    record = as_record(assessment(), inputs={})
    assert "judged_from" not in to_json(record)
    assert "judged from" not in as_text(record)
