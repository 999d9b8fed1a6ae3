from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import cv2
import pytest
from click.testing import CliRunner, Result

from hazcam.cli import main
from hazcam.report import to_json
from hazcam.settings import MATCHERS
from tests.folders import write_inputs


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pair and its record, with options that are not the defaults."""
    folder = tmp_path_factory.mktemp("original")
    result = run("assess", write_inputs(folder), "--headings", "-5:5:5", "--margin-m", "0.04",
                 "--limit", "step=0.0612345678912", "--confidence", "0.97", "-o", folder / "out")
    assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def path(original: Path, tmp_path: Path) -> Path:
    """The record, in a copy of the folder: it must not matter where both lie."""
    shutil.copytree(original, tmp_path, dirs_exist_ok=True)
    return tmp_path / "out" / "bench" / "assessment.json"


def _edit(path: Path, change: Any) -> None:
    record = json.loads(path.read_text("utf-8"))
    change(record)
    path.write_text(to_json(record), encoding="utf-8")


def test_reproduces_to_the_byte(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(path.parent)  # the inputs are found from the record, not from here
    result = run("reproduce", "assessment.json")
    assert (result.exit_code, result.stdout) == (0, "bench: reproduced to the byte\n")


def test_reproduces_what_was_printed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_inputs(tmp_path)
    printed = run("assess", "left.png", "right.png", "--rig", "rig.yaml", "--rover", "dunlin-em",
                  "--headings", "0", "--json").stdout
    (tmp_path / "printed.json").write_text(printed, encoding="utf-8")
    assert "reproduced to the byte" in run("reproduce", "printed.json").stdout


def test_says_same_where_only_digits_and_versions_differ(path: Path) -> None:
    def change(record: Any) -> None:
        record["headings"][1]["clear_m"] *= 1 + 1e-8
        record["versions"]["numpy"] = "1.0"

    _edit(path, change)
    result = run("reproduce", path)
    assert result.exit_code == 0
    assert "version of numpy: 1.0 recorded" in result.stdout
    assert "bench: same verdicts, numbers within 1e-6" in result.stdout


def test_lists_a_verdict_that_differs(path: Path) -> None:
    def change(record: Any) -> None:
        record["headings"][1]["verdict"] = "go"

    _edit(path, change)
    result = run("reproduce", path)
    assert result.exit_code == 1
    assert "headings[1].verdict: 'go', then 'ask-ground'" in result.stdout
    assert "bench: 1 difference (recorded, then now)" in result.stdout


def test_names_the_input_that_changed(path: Path, tmp_path: Path) -> None:
    picture = cv2.imread(str(tmp_path / "left.png"), cv2.IMREAD_UNCHANGED)
    assert picture is not None
    picture[300:320, 300:320] = 200
    cv2.imwrite(str(tmp_path / "left.png"), picture)
    result = run("reproduce", path)
    assert result.exit_code == 1
    assert result.stdout.count("changed since") == 1
    assert "changed since: the left picture\n" in result.stdout
    assert "digests.pair: " in result.stdout


def test_names_the_right_picture_when_it_is_the_one(path: Path, tmp_path: Path) -> None:
    (tmp_path / "right.png").unlink()
    result = run("reproduce", path)
    assert result.exit_code == 1
    assert result.stdout.count("changed since") == 1
    assert "changed since: the right picture\n" in result.stdout


def test_an_input_that_is_gone(path: Path, tmp_path: Path) -> None:
    (tmp_path / "rig.yaml").unlink()
    result = run("reproduce", path)
    assert result.exit_code == 1
    assert "rig.yaml: does not exist" in result.stderr


def test_a_folder_of_results_that_was_moved_alone(path: Path, tmp_path: Path) -> None:
    moved = tmp_path / "elsewhere" / "deep" / "bench"
    shutil.copytree(path.parent, moved)
    result = run("reproduce", moved / "assessment.json")
    assert result.exit_code == 1
    assert "bench.pair.json: does not exist" in result.stderr
    assert "../" not in result.stderr
    assert "move the inputs along with it, or put the folder back" in result.stderr


def test_a_record_with_broken_inputs(path: Path) -> None:
    _edit(path, lambda record: record["inputs"].pop("rig"))
    result = run("reproduce", path)
    assert result.exit_code == 1
    assert "inputs or settings that cannot be used" in result.stderr


@pytest.mark.parametrize("matcher", list(MATCHERS))
def test_the_matcher_is_that_of_the_record(tmp_path: Path, matcher: str) -> None:
    run("assess", write_inputs(tmp_path), "--headings", "0", "--matcher", matcher, "-o", tmp_path)
    path = tmp_path / "bench" / "assessment.json"
    assert f'"matcher": "{matcher}(' in path.read_text("utf-8")
    assert run("reproduce", path).stdout == "bench: reproduced to the byte\n"


def test_a_matcher_that_is_set_otherwise_now_is_a_difference(path: Path) -> None:
    """The record of an older version: its matcher had other settings."""
    def change(record: Any) -> None:
        record["settings"]["matcher"] = record["disparity"]["matcher"] = "census(5 x 5)"

    _edit(path, change)
    result = run("reproduce", path)
    assert result.exit_code == 1
    assert "settings.matcher: 'census(5 x 5)', then 'census(" in result.stdout


def test_a_matcher_that_hazcam_does_not_have_is_refused(path: Path) -> None:
    _edit(path, lambda record: record["settings"].update(matcher="my own(1)"))
    result = run("reproduce", path)
    assert result.exit_code == 1
    assert "matcher 'my own(1)' is none of census, sgbm" in result.stderr


def test_a_sidecar_is_no_record(tmp_path: Path) -> None:
    result = run("reproduce", write_inputs(tmp_path))
    assert result.exit_code == 1
    assert "schema: found 'hazcam-pair/1'" in result.stderr


def test_wrong_usage() -> None:
    assert run("reproduce").exit_code == 2
