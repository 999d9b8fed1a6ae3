"""``hazcam calibrate target`` from the outside: what it prints, writes and refuses."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from hazcam.calibration.target import Target
from hazcam.cli import main
from hazcam.cli.calibrate.options import target_of, target_options
from hazcam.report.target_sheet import solve_options

CHESSBOARD = ("--board", "chessboard", "--points", "9x6", "--pitch-mm", "25")
CHARUCO = ("--board", "charuco", "--points", "9x6", "--pitch-mm", "25")


def target(*words: object) -> Result:
    return CliRunner().invoke(main, ["calibrate", "target", *map(str, words)])


def test_it_writes_both_files_and_prints_the_options(tmp_path: Path) -> None:
    folder = tmp_path / "made" / "sheet"
    result = target(*CHESSBOARD, "-o", folder)
    assert result.exit_code == 0, result.output
    assert sorted(p.name for p in folder.iterdir()) == ["target.pdf", "target.svg"]
    assert (folder / "target.pdf").read_bytes().startswith(b"%PDF-")
    assert b"<svg" in (folder / "target.svg").read_bytes()[:300]
    assert result.stdout.splitlines() == [
        "chessboard, 9 x 6 inner corners (10 x 7 squares of 25 mm)",
        "--board chessboard --points 9x6 --pitch-mm 25"]
    assert result.stderr == f"results are in {folder}\n"


def test_the_default_dictionary(tmp_path: Path) -> None:
    result = target(*CHARUCO, "--marker-mm", "18", "-o", tmp_path)
    assert result.exit_code == 0, result.output
    assert result.stdout.endswith("--marker-mm 18 --dictionary 4x4_50\n")


def test_a3(tmp_path: Path) -> None:
    words = ("--board", "chessboard", "--points", "9x6", "--pitch-mm", "30")
    refused = target(*words, "-o", tmp_path / "small")
    assert refused.exit_code == 1
    assert "remedy: the largest pitch that fits is 25 mm" in refused.stderr
    assert not (tmp_path / "small").exists()
    assert target(*words, "--paper", "a3", "-o", tmp_path).exit_code == 0


def test_a_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("", encoding="utf-8")
    result = target(*CHESSBOARD, "-o", tmp_path / "taken")
    assert result.exit_code == 1
    assert "is a file" in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize("wanted", [
    Target(kind="chessboard", columns=9, rows=6, pitch_m=0.0251),
    Target(kind="charuco", columns=6, rows=9, pitch_m=0.0333, marker_m=0.0247,
           dictionary="5x5_100"),
    Target(kind="circles", columns=7, rows=5, pitch_m=0.03),
    Target(kind="circles-asymmetric", columns=4, rows=11, pitch_m=0.02),
], ids=lambda t: t.kind)
def test_the_options_printed_read_the_same_target(wanted: Target) -> None:
    read: list[Target] = []

    @click.command()
    @target_options
    def command(**given: Any) -> None:
        read.append(target_of(given))

    result = CliRunner().invoke(command, shlex.split(solve_options(wanted)))
    assert result.exit_code == 0, result.output
    assert read[0].points_m == pytest.approx(wanted.points_m, abs=1e-12)
    assert read[0].text == wanted.text


@pytest.mark.parametrize(("words", "said"), [
    ((), "Missing option '--board'"),
    (("--board", "chessboard"), "Missing option '--points'"),
    (("--board", "chessboard", "--points", "9x6"), "Missing option '--pitch-mm'"),
    (CHESSBOARD, "Missing option '-o'"),
    ((*CHESSBOARD, "-o", ""), "the name of the folder is empty"),
    ((*CHESSBOARD, "--paper", "a5", "-o", "x"), "is not one of 'a4', 'a3'"),
    (("--board", "chessboard", "--points", "9,6", "--pitch-mm", "25", "-o", "x"),
     "'9,6' is not COLUMNSxROWS"),
    (("--board", "chessboard", "--points", "9x2", "--pitch-mm", "25", "-o", "x"),
     "--points: found 2; expected: 3 points or more each way"),
    (("--board", "chessboard", "--points", "9x6", "--pitch-mm", "0.025", "-o", "x"),
     "if metres are meant, give 25"),
    (("--board", "chessboard", "--points", "9x6", "--pitch-mm", "nan", "-o", "x"),
     "not a finite number"),
    (("--board", "chessboard", "--points", "9x6", "--pitch-mm", "1000", "-o", "x"),
     "not from 1 to 1000 millimetres"),
    ((*CHESSBOARD, "--marker-mm", "18", "-o", "x"), "belong to a ChArUco board"),
    ((*CHESSBOARD, "--dictionary", "4x4_50", "-o", "x"), "belong to a ChArUco board"),
    ((*CHARUCO, "-o", "x"), "needs --marker-mm"),
    ((*CHARUCO, "--marker-mm", "25", "-o", "x"), "--marker-mm: found 0.025 m"),
    ((*CHARUCO, "--marker-mm", "18", "--dictionary", "3x3_50", "-o", "x"),
     "'3x3_50' is not one of"),
    (("--board", "charuco", "--points", "13x9", "--pitch-mm", "20", "--marker-mm", "15", "-o", "x"),
     "--dictionary: 4x4_50 holds 50 markers; expected: 70"),
    (("--board", "circles-asymmetric", "--points", "11x4", "--pitch-mm", "20", "-o", "x"),
     "--points: found 4 of an asymmetric grid"),
])
def test_wrong_usage(
    words: tuple[str, ...], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = target(*words)
    assert not Path("x").exists()
    assert result.exit_code == 2
    assert said in " ".join(result.stderr.split())


def test_the_group_lists_its_command() -> None:
    result = CliRunner().invoke(main, ["calibrate", "--help"])
    assert result.exit_code == 0
    assert "target" in result.stdout
