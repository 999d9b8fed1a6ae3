"""``hazcam rehearse`` from the outside: a rendered set, scenes that it renders, wrong usage."""

from __future__ import annotations

import csv
import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from hazcam.calibration import read_rig
from hazcam.calibration.io import write_rig
from hazcam.cli import main as hazcam
from hazcam.rover import RoverProfile
from hazcam.scene.io import is_rendered
from hazcam.scene.rehearsal.ledger import read_ledger
from hazcam.scene.rehearsal.record import Plan, SceneScore
from tests.loops import uncompiled_loop
from tests.rehearsal.synthetic import heading_row, scene
from tests.scene.props import coarsen

ROOT = Path(__file__).parents[1]
NAMES = ("pebbles", "dark-patch")


@pytest.fixture(autouse=True)
def _undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures are made up, but not turned into pixels; those of ``done``, made before, are."""
    for room in ("plots", "gallery"):
        monkeypatch.setattr(f"hazcam.report.rehearsal_{room}.png", lambda figure: b"a picture")


def rehearse(*words: object) -> Result:
    return CliRunner().invoke(hazcam, ["rehearse", *map(str, words)])


def said(result: Result) -> str:
    return " ".join(result.output.split())


@pytest.fixture
def coarse(monkeypatch: pytest.MonkeyPatch) -> None:
    """Scenes of few triangles and cells."""
    coarsen(monkeypatch)


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
    assert record["schema"] == "hazcam-rehearsal/2"
    assert record["summary"]["scenes"] == len(NAMES)
    assert record["run"]["fresh"] is False, "no report block"
    page = (done / "rehearsal.html").read_text(encoding="utf-8")
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "<script" not in page
    assert page.count("data:image/png;base64,iVBOR") >= 7, "drawn"
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
    assert "Not alike with the other rehearsal: nothing." in result.output


def test_depth_truth_scores_the_ideal_sensor_alone(pair_set: Path, tmp_path: Path) -> None:
    shutil.copytree(pair_set.parent / "calibration", tmp_path / "calibration")
    one = tmp_path / "pairs"
    one.mkdir()
    for path in pair_set.glob(f"{NAMES[0]}.*"):
        shutil.copy(path, one)
    result = rehearse("--set", one, "--limits-m", "0.06", "--look-aheads-m", "1.0",
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


@pytest.mark.usefixtures("coarse")
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
    moved = read_rig(tmp_path / "out" / "tiny-220-up-120-apart.yaml")
    assert moved.mount is not None
    assert moved.mount.t[2] == pytest.approx(0.22)
    assert moved.baseline_m == pytest.approx(0.12)
    scenes = tmp_path / "out" / "scenes"
    truth = json.loads((scenes / "report-7-benign-000.truth.json").read_text(encoding="utf-8"))
    assert is_rendered(scenes, "report-7-benign-000", truth["digest"])


@pytest.mark.usefixtures("coarse")
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
    (("--set", "a", "--sun", "20"), "--sun would change what is rendered"),
    (("--set", "a", "--exact"), "--exact would change what is rendered"),
    (("--set", "a", "--count", "3"), "--count would change what is rendered"),
    (("--set", "a", "--seed-block", "tune"), "--seed-block would change what is rendered"),
    (("--matcher", "best"), "'best' is not one of 'census', 'sgbm'"),
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


# --- scenes that fail, blocks and ledgers, with a score that costs nothing ------------------------


def cheap(sidecar: Path, plan: Plan, rover: RoverProfile) -> SceneScore:
    """Fails as the text of a file beside the sidecar says."""
    name = sidecar.name.removesuffix(".pair.json")
    how = sidecar.with_name(f"{name}.how")
    word = how.read_text() if how.exists() else ""
    if word == "fails":
        raise RuntimeError(f"no ground in {name}")
    rows = (heading_row(limit_m=plan.limits_m[0], look_ahead_m=plan.look_aheads_m[0]),)
    return scene(name, rows, failure=word)


@pytest.fixture
def cheaply(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The cheap score, which needs neither compiled loop nor process of its own.

    Away from the ledger of the clone; ``done`` is scored in another process.
    """
    monkeypatch.setattr("hazcam.cli.rehearse.score_pair", cheap)
    monkeypatch.setattr("hazcam.scene.rehearsal.run._pool", ThreadPoolExecutor)
    monkeypatch.setattr("hazcam.cli.rehearse.warm_up", lambda: None)
    monkeypatch.setattr("hazcam.cli.rehearse._OF_PACKAGE", tmp_path / "none.csv")
    monkeypatch.chdir(tmp_path)


def copies(pair_set: Path, folder: Path, seeds: dict[str, int]) -> Path:
    """Pairs of these names, each with the first number of its seed."""
    folder.mkdir(parents=True)
    for name, first in seeds.items():
        for path in pair_set.glob("pebbles.*"):
            data = path.read_bytes()
            if path.suffix == ".json":
                record = json.loads(data.replace(b"pebbles", name.encode()))
                if "seed" in record:
                    record["seed"] = [first, 0, 0]
                if "rig" in record:
                    record["rig"] = str(ROOT / "calibration" / "dunlin-em.yaml")
                data = json.dumps(record).encode()
            (folder / path.name.replace("pebbles", name)).write_bytes(data)
    return folder


def rehearse_set(folder: Path, *words: object) -> Result:
    return rehearse("--set", folder, "--limits-m", "0.06", "--look-aheads-m", "1.0", "--depth",
                    "matched", "--workers", 1, "-o", folder.parent / "out", *words)


@pytest.mark.usefixtures("cheaply")
def test_a_scene_that_cannot_be_scored_is_exit_1_after_all_is_written(
    pair_set: Path, tmp_path: Path
) -> None:
    given = copies(pair_set, tmp_path / "beach", {"a": 1, "b": 1})
    (given / "a.how").write_text("fails")
    result = rehearse_set(given)
    assert result.exit_code == 1
    assert "1 of 2 scenes could not be scored: a: RuntimeError: no ground in a" in said(result)
    assert {row["pair"] for row in rows_of(tmp_path / "out")} == {"b"}
    record = json.loads((tmp_path / "out" / "rehearsal.json").read_text(encoding="utf-8"))
    assert (record["summary"]["scenes"], record["summary"]["scored"]) == (2, 1)
    assert (tmp_path / "out" / "rehearsal.html").is_file()
    (given / "a.how").unlink()
    assert rehearse_set(given).exit_code == 0


@pytest.mark.usefixtures("cheaply")
def test_a_first_sidecar_that_is_broken_does_not_cost_the_others(
    pair_set: Path, tmp_path: Path
) -> None:
    given = copies(pair_set, tmp_path / "beach", {"a": 1, "b": 1})
    (given / "a.pair.json").write_text("{")
    (given / "a.how").write_text("fails")
    result = rehearse_set(given)
    assert result.exit_code == 1
    assert "1 of 2 scenes could not be scored" in said(result)
    assert {row["pair"] for row in rows_of(tmp_path / "out")} == {"b"}


@pytest.mark.usefixtures("cheaply")
def test_a_set_of_which_nothing_can_be_scored_gives_no_results(
    pair_set: Path, tmp_path: Path
) -> None:
    given = copies(pair_set, tmp_path / "beach", {"a": 10_007, "b": 10_007})
    for name in "ab":
        (given / f"{name}.how").write_text("fails")
    result = rehearse_set(given, "--ledger", tmp_path / "ledger.csv")
    assert result.exit_code == 1
    assert "no scene could be scored; a: RuntimeError: no ground in a" in said(result)
    assert list((tmp_path / "out").iterdir()) == []
    assert not (tmp_path / "ledger.csv").exists()


@pytest.mark.usefixtures("cheaply")
def test_a_pair_that_cannot_be_assessed_is_scored_and_no_failure_of_the_run(
    pair_set: Path, tmp_path: Path
) -> None:
    given = copies(pair_set, tmp_path / "beach", {"a": 1})
    (given / "a.how").write_text("a.left.png: one grey")
    assert rehearse_set(given).exit_code == 0
    assert [row["failure"] for row in rows_of(tmp_path / "out")] == ["a.left.png: one grey"]


@pytest.mark.usefixtures("cheaply")
def test_what_cannot_be_compared_is_written_nevertheless(pair_set: Path, tmp_path: Path) -> None:
    given = copies(pair_set, tmp_path / "beach", {"a": 1, "b": 1})
    assert rehearse_set(given, "-o", tmp_path / "other").exit_code == 0
    (given / "a.how").write_text("fails")
    result = rehearse_set(given, "--against", tmp_path / "other")
    assert result.exit_code == 1
    assert "only in the other: a" in said(result)
    assert "1 of 2 scenes could not be scored" in said(result)
    assert {row["pair"] for row in rows_of(tmp_path / "out")} == {"b"}
    (given / "a.how").unlink()
    only_a = copies(pair_set, tmp_path / "dune", {"a": 1})
    result = rehearse("--set", only_a, "--against", tmp_path / "other", "--workers", 1,
                      "-o", tmp_path / "third")
    assert result.exit_code == 1
    assert "scored scenes differ; only in the other: b" in said(result)
    assert {row["pair"] for row in rows_of(tmp_path / "third")} == {"a"}


def the_record(folder: Path) -> dict[str, Any]:
    record: dict[str, Any] = json.loads((folder / "rehearsal.json").read_text(encoding="utf-8"))
    return record


@pytest.mark.usefixtures("cheaply")
def test_matchers_are_told_apart_and_never_mixed(pair_set: Path, tmp_path: Path) -> None:
    """In scores, record, ledger and page; and a comparison says that they differ."""
    given = copies(pair_set, tmp_path / "beach", {"a": 10_007})
    out, ledger = tmp_path / "out", tmp_path / "ledger.csv"
    keys = []
    for options in ((), ("--matcher", "sgbm")):
        result = rehearse_set(given, "--ledger", ledger, *options)
        assert result.exit_code == 0, result.output
        keys.append(json.loads((out / "scores" / "a.json").read_text(encoding="utf-8"))["key"])
    assert keys[0] != keys[1]
    assert the_record(out)["summary"]["plan"]["matcher"] == "sgbm"
    assert [row["matcher"] for row in read_ledger(ledger)] == ["census", "sgbm"]
    assert "<dd>sgbm(block" in (out / "rehearsal.html").read_text(encoding="utf-8")
    result = rehearse_set(given, "--against", out, "-o", tmp_path / "second")
    assert "Not alike with the other rehearsal: matcher census here, sgbm there." in said(result)
    assert the_record(tmp_path / "second")["comparison"]["conditions"] == [
        {"name": "matcher", "this": "census", "other": "sgbm"}]
    page = " ".join((tmp_path / "second" / "rehearsal.html").read_text(encoding="utf-8").split())
    assert "Not alike: matcher census here, sgbm there." in page


@pytest.mark.usefixtures("cheaply")
def test_what_compiles_does_so_once_before_the_scoring(
    pair_set: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hazcam.cli.rehearse.warm_up", lambda: uncompiled_loop()(1))
    result = rehearse_set(copies(pair_set, tmp_path / "beach", {"a": 1}))
    assert result.exit_code == 0, result.output
    assert result.stderr.count("compiling the loops") == 1
    assert result.stderr.index("compiling the loops") < result.stderr.index("scoring")


@pytest.mark.usefixtures("cheaply")
def test_a_broken_record_to_compare_with_is_said_before_any_work(
    pair_set: Path, tmp_path: Path
) -> None:
    given = copies(pair_set, tmp_path / "beach", {"a": 1})
    assert rehearse_set(given, "-o", tmp_path / "other").exit_code == 0
    (tmp_path / "other" / "rehearsal.json").write_text("{")
    result = rehearse_set(given, "--against", tmp_path / "other")
    assert result.exit_code == 1
    assert "rehearsal.json: cannot be read" in said(result)
    assert not (tmp_path / "out" / "scores").exists()


@pytest.mark.usefixtures("cheaply")
def test_the_block_is_that_of_the_truth_whatever_files_and_folder_are_called(
    pair_set: Path, tmp_path: Path
) -> None:
    ledger = tmp_path / "ledger.csv"
    given = copies(pair_set, tmp_path / "x" / "beach", {"a": 10_007})
    for fresh in ("yes", "no"):
        assert rehearse_set(given, "--ledger", ledger).exit_code == 0
        assert [(row["block"], row["fresh"]) for row in read_ledger(ledger)][-1] == (
            "report-7", fresh)
    by_hand = copies(pair_set, tmp_path / "y" / "report-8", {"report-8-pit-000": 1})
    assert rehearse_set(by_hand, "--ledger", ledger).exit_code == 0
    assert len(read_ledger(ledger)) == 2
    record = json.loads((tmp_path / "y" / "out" / "rehearsal.json").read_text(encoding="utf-8"))
    assert (record["run"]["block"], record["run"]["fresh"]) == ("made by hand", False)


@pytest.mark.usefixtures("cheaply")
def test_a_set_that_mixes_blocks_is_refused_before_it_is_scored(
    pair_set: Path, tmp_path: Path
) -> None:
    given = copies(pair_set, tmp_path / "beach", {"a": 10_007, "b": 2})
    result = rehearse_set(given)
    assert result.exit_code == 1
    assert "mixes scenes of report-7 and tune" in said(result)
    assert not (tmp_path / "out" / "scores").exists()


@pytest.mark.usefixtures("cheaply")
@pytest.mark.parametrize(("where", "fresh"), [
    ("clone", "yes"), ("tests/benchmarks", "yes"), ("beach/../out", "no")])
def test_the_ledger_that_is_taken_by_default(
    pair_set: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str, fresh: str
) -> None:
    """Of the clone, of the current folder, else of the results: that one tells of no other run."""
    given = copies(pair_set, tmp_path / "beach", {"a": 10_007})
    ledger = tmp_path / where / "ledger.csv"
    if fresh == "yes":
        ledger.parent.mkdir(parents=True)
        ledger.write_text("")
    if where == "clone":
        monkeypatch.setattr("hazcam.cli.rehearse._OF_PACKAGE", ledger)
    assert rehearse_set(given).exit_code == 0
    assert [(row["block"], row["fresh"]) for row in read_ledger(ledger)] == [("report-7", fresh)]


@pytest.mark.usefixtures("cheaply")
def test_a_broken_ledger_is_said_before_anything_is_scored(
    pair_set: Path, tmp_path: Path
) -> None:
    given = copies(pair_set, tmp_path / "beach", {"a": 10_007})
    (tmp_path / "ledger.csv").write_text("date,verdict\n")
    result = rehearse_set(given, "--ledger", tmp_path / "ledger.csv")
    assert result.exit_code == 1
    assert "another header" in said(result)
    assert not (tmp_path / "out" / "scores").exists()


@pytest.mark.parametrize("given_set", [True, False])
def test_results_that_cannot_be_written_are_said_before_any_work(
    pair_set: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, given_set: bool
) -> None:
    for work in ("score_set", "render_set"):
        monkeypatch.setattr(f"hazcam.cli.rehearse.{work}", None)
    (tmp_path / "file").write_text("")
    scenes = ("--set", pair_set) if given_set else ("--rig", tiny_rig(tmp_path), "--rover",
                                                    "dunlin-em")
    result = rehearse(*scenes, "-o", tmp_path / "file" / "out")
    assert result.exit_code == 1
    assert "cannot be written" in said(result)
