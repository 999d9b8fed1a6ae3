"""``hazcam calibrate compare`` from the outside."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from hazcam.calibration import write_rig
from hazcam.calibration.effect import changed_rig
from hazcam.cli import main
from tests.rigs import a_covariance, a_rig


def compare(*words: object) -> Result:
    return CliRunner().invoke(main, ["calibrate", "compare", *map(str, words)])


@pytest.fixture
def rigs(tmp_path: Path) -> tuple[Path, Path]:
    rig = a_rig()
    rig = replace(rig, covariance=a_covariance(rig, distortion=True))
    turned = changed_rig(rig, np.radians(0.2) * np.eye(14)[9])
    for name, written in (("a", rig), ("b", turned)):
        write_rig(written, tmp_path / f"{name}.yaml")
    return tmp_path / "a.yaml", tmp_path / "b.yaml"


def test_it_begins_with_the_conclusion(rigs: tuple[Path, Path]) -> None:
    result = compare(*rigs)
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.startswith("Changed by 3 sigma or more: right camera yaw")
    assert "left k1" in result.stdout
    assert "\nA: " in result.stdout
    for path in rigs:
        assert str(path) in result.stdout.replace("\n   ", "")
    assert "1.5 m" in result.stdout


def test_json(rigs: tuple[Path, Path]) -> None:
    record = json.loads(compare(*rigs, "--json").stdout)
    assert record["schema"] == "hazcam-rig-comparison/1"
    assert [e["distance_m"] for e in record["effects"]] == [0.5, 1.0, 1.5, 2.0]
    assert len(set(record["digests"].values())) == 2


def test_it_writes_both(rigs: tuple[Path, Path], tmp_path: Path) -> None:
    result = compare(*rigs, "-o", tmp_path / "out")
    assert result.exit_code == 0
    assert (tmp_path / "out" / "rig_comparison.txt").read_text("utf-8") == result.stdout
    json.loads((tmp_path / "out" / "rig_comparison.json").read_text("utf-8"))
    assert "results are in" in result.stderr


def test_bare_rigs_are_taken(tmp_path: Path, rigs: tuple[Path, Path]) -> None:
    write_rig(a_rig(mount=None), tmp_path / "bare.yaml")
    result = compare(rigs[0], tmp_path / "bare.yaml")
    assert result.exit_code == 0
    assert "no mount in B" in result.stdout


def test_errors(tmp_path: Path, rigs: tuple[Path, Path]) -> None:
    write_rig(replace(a_rig(), size=(800, 600)), tmp_path / "large.yaml")
    (tmp_path / "taken").write_text("", "utf-8")
    for words, said in (
        ((rigs[0], tmp_path / "gone.yaml"), "gone.yaml: does not exist"),
        ((rigs[0], tmp_path / "large.yaml"), "640 x 480 px and at 800 x 600 px"),
        ((*rigs, "-o", tmp_path / "taken"), "is a file"),
    ):
        result = compare(*words)
        assert result.exit_code == 1
        assert said in result.stderr
        assert "remedy:" in result.stderr
    assert compare(rigs[0]).exit_code == 2
