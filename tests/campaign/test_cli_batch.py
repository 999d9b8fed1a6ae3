from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
import time
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from hazcam.campaign.store.reader import open_run
from hazcam.campaign.store.writer import Store
from hazcam.campaign.work.executors import Workforce
from hazcam.cli import main
from tests.campaign.entries import ABOUT
from tests.campaign.test_kills import hands_of

SAMPLES = Path(__file__).parents[2] / "sample_pairs"
GOOD = ("clear-sand", "ripples")
OPTIONS = ("--headings", "-10:10:10", "--matcher", "sgbm", "--workers", "2")


def hazcam(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def place_pair(folder: Path, name: str, **changes: Any) -> dict[str, Any]:
    """A sidecar of a sample pair in a folder, its files named in full."""
    source = SAMPLES / f"{name}.pair.json"
    said: dict[str, Any] = json.loads(source.read_text(encoding="utf-8"))
    for key in ("left", "right", "rig"):
        said[key] = str((SAMPLES / said[key]).resolve())
    said |= changes
    (folder / f"{said['id']}.pair.json").write_text(json.dumps(said), encoding="utf-8")
    return said


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Good pairs, and bad ones of the kinds that only reading or assessing shows."""
    folder = tmp_path_factory.mktemp("campaign")
    for name in GOOD:
        place_pair(folder, name)
    shutil.copy(SAMPLES / "clear-sand.left.png", folder / "whole.png")
    data = (SAMPLES / "clear-sand.right.png").read_bytes()
    (folder / "cut.png").write_bytes(data[: len(data) // 2])
    (folder / "empty.png").write_bytes(b"")
    (folder / "folder.png").mkdir()
    left = str(folder / "whole.png")
    for id_, right in (("cut", "cut.png"), ("empty", "empty.png"), ("folder", "folder.png"),
                       ("twice", "whole.png")):
        place_pair(folder, "clear-sand", id=id_, left=left, right=str(folder / right))
    place_pair(folder, "clear-sand", id="gone", left="none.left.png", right="none.right.png")
    return folder


@pytest.fixture(scope="module")
def first(campaign: Path) -> tuple[Path, Result]:
    run = campaign.parent / "run"
    return run, hazcam("batch", campaign, "-o", run, *OPTIONS)


def rows(run: Path, table: str, columns: str = "*") -> list[Any]:
    db = sqlite3.connect(run / "run.sqlite")
    found = db.execute(f"SELECT {columns} FROM {table} ORDER BY pair").fetchall()
    db.close()
    return found


def test_bad_pairs_are_recorded_with_their_reason_and_the_rest_is_assessed(
    first: tuple[Path, Result]
) -> None:
    run, result = first
    assert result.exit_code == 1, result.output
    assert [id_ for (id_,) in rows(run, "assessments", "pair")] == sorted(GOOD)
    failures = {id_: (kind, found) for id_, kind, found in
                rows(run, "failures", "pair, kind, found")}
    assert {id_: kind for id_, (kind, _) in failures.items()} == {
        "cut": "failed", "twice": "failed", "empty": "bad row", "folder": "bad row",
        "gone": "bad row"}
    words = {"cut": "truncated", "twice": "same picture twice", "empty": "0 bytes",
             "folder": "folder", "gone": "missing"}
    for id_, word in words.items():
        assert word in failures[id_][1], (id_, failures[id_])


def test_a_failed_pair_keeps_its_rover_day_and_site(first: tuple[Path, Result]) -> None:
    run, _ = first
    said = {id_: rest for id_, *rest in rows(run, "pairs", "pair, rover, taken_at, site")}
    assert said["empty"] == said["cut"] == ["dunlin-em", "2031-05-01T09:00:00Z",
                                            "black beach, north end"]


def test_bad_rows_are_listed_before_anything_is_done(first: tuple[Path, Result]) -> None:
    _, result = first
    said = result.stderr
    assert "3 of 7 rows of the manifest are bad and recorded as failures" in said
    for id_ in ("empty", "folder", "gone"):
        line = next(x for x in said.splitlines() if f"{id_}.pair.json" in x or id_ in x)
        assert "expected:" in line
        assert "remedy:" in line


def test_records_are_those_of_assess(first: tuple[Path, Result]) -> None:
    run, _ = first
    alone = hazcam("assess", SAMPLES / "ripples.pair.json", *OPTIONS[:4], "--json")
    expected = json.loads(alone.stdout)
    with open_run(run) as opened:
        found = opened.record("ripples")
    differs = {key for key in expected if found[key] != expected[key]}
    assert differs <= {"inputs"}
    assert found["inputs"]["sidecar"] == "ripples.pair.json"


def test_the_run_says_what_it_came_from(first: tuple[Path, Result]) -> None:
    run, _ = first
    with open_run(run) as opened:
        assert opened.done
        assert json.loads(opened.about["options"])["settings"]["headings_deg"] == [-10, 0, 10]
        assert opened.table("drifts")["pair"].tolist() == ["clear-sand"]  # the first of its rig
        assert len(opened.table("headings")) == 3 * len(GOOD)
        assert opened.overlay("ripples").startswith(b"\xff\xd8")


def test_the_same_command_again_does_nothing_anew(
    campaign: Path, first: tuple[Path, Result]
) -> None:
    run, _ = first
    before = rows(run, "timings")
    again = hazcam("batch", campaign, "-o", run, *OPTIONS)
    assert again.exit_code == 1
    assert rows(run, "timings") == before


def test_other_options_are_refused_and_named(campaign: Path, first: tuple[Path, Result]) -> None:
    run, _ = first
    other = hazcam("batch", campaign, "-o", run, *OPTIONS, "--look-ahead-m", "0.6")
    assert other.exit_code == 1
    assert "look_ahead_m" in other.output
    assert "-o" in other.output


def test_failed_pairs_are_tried_again_when_asked(
    campaign: Path, first: tuple[Path, Result], tmp_path: Path
) -> None:
    run = tmp_path / "run"
    shutil.copytree(first[0], run)
    before = dict(rows(run, "timings", "pair, finished_at"))
    cut = (campaign / "cut.png").read_bytes()
    shutil.copy(SAMPLES / "clear-sand.right.png", campaign / "cut.png")
    again = hazcam("batch", campaign, "-o", run, *OPTIONS, "--retry-failed")
    (campaign / "cut.png").write_bytes(cut)
    assert again.exit_code == 1
    after = dict(rows(run, "timings", "pair, finished_at"))
    assert {id_ for id_ in after if after[id_] != before[id_]} == {"cut", "twice"}
    assert [id_ for (id_,) in rows(run, "assessments", "pair")] == ["clear-sand", "cut", "ripples"]


def test_strict_stops_before_a_run_is_made(campaign: Path, tmp_path: Path) -> None:
    result = hazcam("batch", campaign, "-o", tmp_path / "run", *OPTIONS, "--strict")
    assert result.exit_code == 1
    assert "3 of 7 rows are bad" in result.output
    assert not (tmp_path / "run").exists()


def test_pairs_that_take_too_long_are_recorded(tmp_path: Path) -> None:
    place_pair(tmp_path, "ripples")
    result = hazcam("batch", tmp_path, "-o", tmp_path / "run", "--time-limit-s", "0.01",
                    "--workers", "1")
    assert result.exit_code == 1
    assert [kind for (kind,) in rows(tmp_path / "run", "failures", "kind")] == ["time limit"]


def test_a_run_that_another_process_writes_is_refused(campaign: Path, tmp_path: Path) -> None:
    with Store.open(tmp_path / "run", ABOUT):
        result = hazcam("batch", campaign, "-o", tmp_path / "run", *OPTIONS)
    assert result.exit_code == 1
    assert "process" in result.output


def test_after_ctrl_c_what_was_recorded_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place_pair(tmp_path, "ripples")

    def interrupted(work: Any, function: Any, force: Workforce, limit_s: float) -> Any:
        raise KeyboardInterrupt
        yield

    monkeypatch.setattr(import_module("hazcam.cli.batch"), "answers", interrupted)
    result = hazcam("batch", tmp_path, "-o", tmp_path / "run", *OPTIONS)
    assert result.exit_code == 130
    assert "interrupted after 0 of 1 pairs; the same command goes on" in result.output
    with open_run(tmp_path / "run") as run:
        assert not run.done


@pytest.mark.parametrize(("options", "words"), [
    (("--workers", "2", "--cluster", "tcp://127.0.0.1:1"), "give one"),
    (("--cluster", "tcp://127.0.0.1:1"), "no scheduler answers"),
    (("--near-strip-max-m", "2"), "nothing would be left"),
])
def test_options_that_cannot_be_used(
    tmp_path: Path, options: tuple[str, ...], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hazcam.campaign.work.executors._CONNECT_S", 0.3)
    place_pair(tmp_path, "ripples")
    result = hazcam("batch", tmp_path, "-o", tmp_path / "run", *options)
    assert result.exit_code in (1, 2)
    assert words in result.output


def test_nowhere_to_write(tmp_path: Path) -> None:
    place_pair(tmp_path, "ripples")
    (tmp_path / "run").write_text("a file")
    result = hazcam("batch", tmp_path, "-o", tmp_path / "run")
    assert result.exit_code == 1
    assert "is a file" in result.output


def test_the_system_may_end_it_and_the_run_is_closed(tmp_path: Path) -> None:
    for n in range(6):
        place_pair(tmp_path, "ripples", id=f"pair-{n}")
    run = tmp_path / "run"
    process = subprocess.Popen(
        [sys.executable, "-c", "from hazcam.cli import main; main()", "batch", str(tmp_path), "-o",
         str(run), *OPTIONS], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    until = time.monotonic() + 60
    while not hands_of(process.pid):
        assert process.poll() is None
        assert time.monotonic() < until
        time.sleep(0.02)
    hands = hands_of(process.pid)
    process.terminate()
    _, said = process.communicate(timeout=60)
    assert process.returncode == 143, said
    assert "the same command goes on" in said
    assert sorted(p.name for p in run.iterdir()) == ["run.sqlite", "writer.lock"]
    for pid in hands:
        assert not Path(f"/proc/{pid}").exists()


def test_failures_name_files_as_the_manifest_sees_them(
    campaign: Path, first: tuple[Path, Result]
) -> None:
    run, _ = first
    for place, found in rows(run, "failures", "place, found"):
        assert str(campaign) not in place + found
