"""``hazcam calibrate drift``: what it says, what it writes, what it refuses."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from hazcam.calibration import read_rig, write_rig
from hazcam.cli import main
from hazcam.drift import turned
from tests.folders import write_inputs
from tests.synthetic import ideal_rig

TURN = (0.1, 0.0, -0.15)


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["calibrate", "drift", *map(str, arguments)])


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three pairs, one without its right picture, and a rig file that does not know the turn."""
    folder = tmp_path_factory.mktemp("bench")
    for i, name in enumerate(("b", "a")):
        write_inputs(folder, name, taken_at=f"2031-05-01T0{i}:30:00Z")
    write_inputs(folder, "c", right=None, taken_at="2031-05-02T00:00:00Z")
    sidecar = json.loads((folder / "c.pair.json").read_text())
    (folder / "c.pair.json").write_text(json.dumps(sidecar | {"right": None}))
    write_rig(turned(ideal_rig(), -np.array(TURN)), folder / "turned.yaml")
    return folder


@pytest.fixture(scope="module")
def campaign(bench: Path) -> Result:
    return run(bench, "--rig", bench / "turned.yaml", "-o", bench / "out",
               "--rig-out", bench / "mended.yaml")


def record_of(bench: Path) -> dict[str, object]:
    record: dict[str, object] = json.loads((bench / "out" / "drift.json").read_text())
    return record


def test_a_folder_lists_its_pairs_by_time_and_what_failed(campaign: Result, bench: Path) -> None:
    assert campaign.exit_code == 1
    out = campaign.stdout
    assert out.index("\nb ") < out.index("\na ") < out.index("\nall 2")
    assert "failed: c.pair.json" in out
    assert "a picture is missing" in out
    assert "in the order in which the pairs were taken" in " ".join(out.split())
    assert "shows in no picture" in out
    assert "the sigma of the vergence is the larger one" in out


def test_the_record_holds_the_turn_its_sigma_and_the_digests(
    campaign: Result, bench: Path
) -> None:
    record = json.loads((bench / "out" / "drift.json").read_text())
    assert record["schema"] == "hazcam-drift/1"
    assert record["digests"]["rig"] == read_rig(bench / "turned.yaml").digest
    assert set(record["digests"]["pairs"]) == {"a", "b"}
    for found in (*record["pairs"], record["combined"]):
        for name, true in zip(("pitch", "vergence", "roll"), TURN, strict=True):
            assert abs(found["turn_deg"][name] - true) < 3 * found["sigma_deg"][name]
        assert [g["distance_m"] for g in found["ground"]] == [0.5, 1.0, 1.5, 2.0]
    assert record["combined"]["moved"] is False
    assert record["combined"]["limit"] == "beyond"  # 1.5 px off the rows
    assert "c.pair.json" in record["failures"]


def test_the_csv_has_its_schema_digests_and_a_line_per_pair(campaign: Result, bench: Path) -> None:
    lines = (bench / "out" / "drift.csv").read_text().splitlines()
    head = [line for line in lines if line.startswith("#")]
    assert head[0] == "# schema: hazcam-drift-csv/1"
    assert any(read_rig(bench / "turned.yaml").digest in line for line in head)
    rows = list(csv.DictReader(lines[len(head):]))
    assert [row["pair"] for row in rows] == ["b", "a"]
    assert abs(float(rows[0]["pitch_deg"]) - TURN[0]) < 0.02


def test_the_plot_is_a_picture(campaign: Result, bench: Path) -> None:
    picture = cv2.imread(str(bench / "out" / "drift.png"))
    assert picture is not None
    assert min(picture.shape[:2]) > 400
    assert len(np.unique(picture.reshape(-1, 3), axis=0)) > 20


def test_the_rig_that_is_written_has_the_turn_taken_out(campaign: Result, bench: Path) -> None:
    mended = read_rig(bench / "mended.yaml")
    left = np.degrees(cv2.Rodrigues(ideal_rig().R @ mended.R.T)[0].ravel())
    assert np.all(np.abs(left) < [0.02, 0.06, 0.02])
    assert mended.provenance["drift_taken_out"]["pairs"] == ["b", "a"]
    assert "the turn taken out is in" in campaign.stderr


def test_json_is_the_record(bench: Path) -> None:
    result = run(bench / "left.png", bench / "right.png", "--rig", bench / "turned.yaml", "--json")
    assert result.exit_code == 0
    record = json.loads(result.stdout)
    assert record["order"]["by"] == "name"
    assert record["combined"]["freedom"] == 0
    assert "covariance" in " ".join(record["notes"])


def test_a_file_is_not_overwritten_unasked(bench: Path) -> None:
    there = bench / "there.yaml"
    there.write_text("mine")
    result = run(bench / "a.pair.json", "--rig", bench / "turned.yaml", "--rig-out", there)
    assert result.exit_code == 1
    assert "is there already" in result.stderr
    assert there.read_text() == "mine"


def test_a_pair_without_both_pictures_is_refused(bench: Path) -> None:
    result = run(bench / "c.pair.json", "--rig", bench / "turned.yaml")
    assert result.exit_code == 1
    assert "no drift can be told: a picture is missing" in result.stderr


def test_a_rig_that_is_not_there_is_refused(bench: Path) -> None:
    result = run(bench / "a.pair.json", "--rig", bench / "nowhere.yaml")
    assert result.exit_code == 1
    assert "does not exist" in result.stderr


def test_three_paths_are_wrong_usage(bench: Path) -> None:
    result = run("a", "b", "c", "--rig", bench / "turned.yaml")
    assert result.exit_code == 2
    assert "one FOLDER" in result.stderr


def test_what_is_not_there_is_said_with_what_may_be_given(bench: Path) -> None:
    result = run(bench / "nofolder", "--rig", bench / "turned.yaml")
    assert result.exit_code == 1
    assert "nofolder: does not exist" in result.stderr
    assert "a folder with sidecars" in result.stderr


def test_a_rig_without_a_mount_is_refused(bench: Path) -> None:
    write_rig(replace(ideal_rig(), mount=None), bench / "bare.yaml")
    result = run(bench / "a.pair.json", "--rig", bench / "bare.yaml")
    assert result.exit_code == 1
    assert "hazcam calibrate mount" in result.stderr


def test_a_sidecar_that_names_another_rig_is_pointed_out(campaign: Result, bench: Path) -> None:
    words = "its sidecar names rig.yaml, which is not the rig of --rig"
    assert f"note: every pair: {words}" in campaign.stdout
    assert f"({words})" in record_of(bench)["failures"]["c.pair.json"]  # type: ignore[index]


def test_the_rig_of_the_sidecar_is_not_another_one(bench: Path) -> None:
    result = run(bench / "a.pair.json", "--rig", bench / "rig.yaml")
    assert result.exit_code == 0
    assert "its sidecar names" not in result.stdout
    assert "the direction of the baseline does not fit" not in result.stdout


def test_a_folder_may_hold_plain_pictures(bench: Path, tmp_path: Path) -> None:
    for side in ("left", "right"):
        for name in ("1", "2"):
            shutil.copy(bench / f"{side}.png", tmp_path / f"{name}_{side}.png")
    (tmp_path / "3_left.png").write_bytes((bench / "left.png").read_bytes())
    result = run(tmp_path, "--rig", bench / "rig.yaml", "--json")
    assert result.exit_code == 1
    record = json.loads(result.stdout)
    assert [pair["id"] for pair in record["pairs"]] == ["1", "2"]
    assert "has no partner" in record["failures"]["3"]


def test_a_baseline_turned_without_its_camera_is_said(bench: Path) -> None:
    """R rolled by 0.5 degrees in the file and T not: the baseline is off by as much."""
    rig = ideal_rig()
    write_rig(replace(turned(rig, (0.0, 0.0, 0.5)), T=rig.T), bench / "half.yaml")
    result = run(bench / "a.pair.json", "--rig", bench / "half.yaml")
    assert result.exit_code == 1
    assert "the baseline would have to have turned by" in " ".join(result.output.split())
