"""``hazcam rehearse`` from the outside: a rendered set, scenes that it renders, wrong usage."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hazcam.calibration import read_rig
from hazcam.calibration.io import write_rig
from hazcam.cli import main as hazcam
from hazcam.scene.io import is_rendered

ROOT = Path(__file__).parents[1]
NAMES = ("pebbles", "dark-patch")


def rehearse(*words: object) -> Result:
    return CliRunner().invoke(hazcam, ["rehearse", *map(str, words)])


@pytest.fixture(scope="module")
def pair_set(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two of the sample pairs, with their truth and rig."""
    folder = tmp_path_factory.mktemp("set") / "pairs"
    folder.mkdir()
    shutil.copytree(ROOT / "calibration", folder.parent / "calibration")
    for name in NAMES:
        for path in (ROOT / "sample_pairs").glob(f"{name}.*"):
            shutil.copy(path, folder)
    return folder


@pytest.fixture(scope="module")
def done(pair_set: Path) -> Path:
    """A rehearsal of them at one limit and look-ahead."""
    output = pair_set.parent / "rehearsal"
    result = rehearse("--set", pair_set, "--limits-m", "0.06", "--look-aheads-m", "1.0",
                      "--workers", 1, "-o", output)
    assert result.exit_code == 0, result.output
    return output


def rows_of(folder: Path) -> list[dict[str, str]]:
    with (folder / "rows.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_a_set_gives_rows_record_and_page(done: Path) -> None:
    rows = rows_of(done)
    assert len(rows) == len(NAMES) * 19 * 2 * 2, "headings, strips, sensors"
    assert {row["pair"] for row in rows} == set(NAMES)
    record = json.loads((done / "rehearsal.json").read_text(encoding="utf-8"))
    assert record["schema"] == "hazcam-rehearsal/1"
    assert record["summary"]["scenes"] == len(NAMES)
    assert record["run"]["fresh"] is False, "no report block"
    page = (done / "rehearsal.html").read_text(encoding="utf-8")
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "<script" not in page
    assert not (done / "ledger.csv").exists()


def test_the_same_call_takes_the_scores_that_are_there(pair_set: Path, done: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in (done / "scores").iterdir()}
    assert len(before) >= len(NAMES)
    rows = rows_of(done)
    result = rehearse("--set", pair_set, "--limits-m", "0.06", "--look-aheads-m", "1.0",
                      "--workers", 1, "-o", done)
    assert result.exit_code == 0, result.output
    assert {path: path.stat().st_mtime_ns for path in (done / "scores").iterdir()} == before
    assert rows_of(done) == rows


def test_against_itself_nothing_differs(pair_set: Path, done: Path) -> None:
    result = rehearse("--set", pair_set, "--limits-m", "0.06", "--look-aheads-m", "1.0",
                      "--workers", 1, "--against", done, "-o", done)
    assert result.exit_code == 0, result.output
    record = json.loads((done / "rehearsal.json").read_text(encoding="utf-8"))
    compared = [row for row in record["comparison"]["rows"] if row["headings"]]
    assert compared
    assert {(row["only_this"], row["only_other"], row["difference"]) for row in compared} == {
        (0, 0, 0.0)}
    assert "Against the other rehearsal" in result.output


def test_depth_truth_scores_the_ideal_sensor_alone(pair_set: Path, tmp_path: Path) -> None:
    result = rehearse("--set", pair_set, "--limits-m", "0.06", "--look-aheads-m", "1.0",
                      "--depth", "truth", "--workers", 1, "-o", tmp_path / "ideal")
    assert result.exit_code == 0, result.output
    assert {row["sensor"] for row in rows_of(tmp_path / "ideal")} == {"ideal"}


def tiny_rig(folder: Path) -> Path:
    rig = read_rig(ROOT / "calibration" / "dunlin-em.yaml")
    K = rig.K1.copy()
    K[:2] /= 8
    K[:2, 2] += 0.5 / 8 - 0.5
    path = folder / "tiny.yaml"
    write_rig(replace(rig, name="tiny", size=(80, 60), K1=K, K2=K), path)
    return path


def test_it_renders_scores_and_notes_a_report_block_once_as_fresh(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.csv"
    words = ("--rig", tiny_rig(tmp_path), "--rover", "dunlin-em", "--mixture", "benign", "--count",
             1, "--seed-block", "report-7", "--limits-m", "0.06", "--look-aheads-m", "1.0",
             "--mount-height-m", "0.22", "--baseline-m", "0.12", "--workers", 1, "--ledger",
             ledger, "-o", tmp_path / "out")
    for fresh in ("yes", "no"):
        result = rehearse(*words)
        assert result.exit_code == 0, result.output
        with ledger.open(encoding="utf-8") as file:
            lines = list(csv.DictReader(file))
        assert (lines[-1]["block"], lines[-1]["fresh"]) == ("report-7", fresh)
    assert len(lines) == 2
    moved = read_rig(tmp_path / "out" / "tiny-moved.yaml")
    assert moved.mount is not None
    assert moved.mount.t[2] == pytest.approx(0.22)
    assert moved.baseline_m == pytest.approx(0.12)
    scenes = tmp_path / "out" / "scenes"
    truth = json.loads((scenes / "report-7-benign-000.truth.json").read_text(encoding="utf-8"))
    assert is_rendered(scenes, "report-7-benign-000", truth["digest"])


def test_scenes_of_another_call_are_not_scored_along(pair_set: Path, tmp_path: Path) -> None:
    scenes = tmp_path / "out" / "scenes"
    scenes.mkdir(parents=True)
    for path in pair_set.glob("pebbles.*"):
        shutil.copy(path, scenes)
    result = rehearse("--rig", tiny_rig(tmp_path), "--rover", "dunlin-em", "--mixture", "benign",
                      "--count", 1, "--workers", 1, "-o", tmp_path / "out")
    assert result.exit_code == 1
    assert "1 scenes of another call (pebbles" in result.output
    assert "--set" in result.output


@pytest.mark.parametrize(("words", "says"), [
    ((), "rendering needs --rig and --rover; or give --set DIR"),
    (("--rig", "a.yaml"), "rendering needs --rover"),
    (("--set", "a", "--rig", "a.yaml"), "--rig would change what is rendered"),
    (("--set", "a", "--mixture", "rocks"), "--mixture would change what is rendered"),
    (("--mixture", "swamp"), "'swamp' is not one of"),
    (("--seed-block", "report-0"), "is not tune, or report-N"),
    (("--sun", "50:3"), "LOW first"),
    (("--limits-m", "0.06,0.04"), "each larger than the one before"),
    (("--limits-m", "six"), "not a comma list of metres"),
    (("--baseline-m", "0"), "0.0 is not in the range x>0"),
])
def test_wrong_usage(words: tuple[str, ...], says: str, tmp_path: Path) -> None:
    result = rehearse(*words, "-o", tmp_path)
    assert result.exit_code == 2
    assert says in " ".join(result.output.split())


def test_a_folder_without_rehearsal_to_compare_with(pair_set: Path, tmp_path: Path) -> None:
    result = rehearse("--set", pair_set, "--against", tmp_path, "-o", tmp_path / "out")
    assert result.exit_code == 1
    assert "rows.csv" in result.output
