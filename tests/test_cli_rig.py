"""``hazcam rig card`` from the outside: what it prints, writes and refuses."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hazcam.calibration import write_rig
from hazcam.cli import main
from hazcam.rover import read_rover
from tests.synthetic import ideal_rig

ROOT = Path(__file__).parents[1]
RIG = ROOT / "calibration" / "dunlin-em.yaml"


def card(*words: object) -> Result:
    return CliRunner().invoke(main, ["rig", "card", *map(str, words)])


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A rig without a mount."""
    path = tmp_path / "bare.yaml"
    write_rig(replace(ideal_rig(), mount=None), path)
    return path


def test_it_prints_the_card_alone() -> None:
    result = card("--rig", RIG, "--rover", "dunlin-em")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.startswith("Rig card: rig dunlin-em on rover dunlin-em.")
    assert "disparity sigma of 0.25 px (spread of the disparity" in " ".join(result.stdout.split())


def test_it_writes_text_record_and_figure(tmp_path: Path) -> None:
    folder = tmp_path / "made" / "card"
    result = card("--rig", RIG, "--rover", "dunlin-em", "-o", folder)
    assert result.exit_code == 0, result.output
    assert f"results are in {folder}" in result.stderr
    assert sorted(p.name for p in folder.iterdir()) == ["rig_card.json", "rig_card.png",
                                                        "rig_card.txt"]
    assert (folder / "rig_card.txt").read_text("utf-8") == result.stdout
    assert (folder / "rig_card.png").read_bytes().startswith(b"\x89PNG")
    record = json.loads((folder / "rig_card.json").read_text("utf-8"))
    assert record["schema"] == "hazcam-rig-card/1"
    assert record["digests"]["rover"] == read_rover("dunlin-em").digest
    assert len(record["headings"]) == 19


def test_the_disparity_sigma_can_be_given() -> None:
    """Own sigma of the range at 1.0 m: next to all of it is that of the disparity."""
    sigmas = []
    for sigma_px in (0.1, 0.4):
        result = card("--rig", RIG, "--rover", "dunlin-em", "--disparity-sigma-px", sigma_px)
        assert f"disparity sigma of {sigma_px} px (as given)" in " ".join(result.stdout.split())
        row = next(line for line in result.stdout.splitlines() if line.startswith(" 1.0  "))
        sigmas.append(float(row.split()[4]))
    assert sigmas[1] == pytest.approx(4 * sigmas[0], abs=0.25)  # five roundings to 0.05 mm


def test_a_bare_rig_is_refused_with_the_remedy(bare: Path) -> None:
    result = card("--rig", bare, "--rover", "dunlin-em")
    assert result.exit_code == 1
    assert "bare.yaml: does not say where the camera stands" in result.stderr
    assert "give `--mount FILE`" in result.stderr


def test_the_remedy_helps(bare: Path, tmp_path: Path) -> None:
    mount = tmp_path / "mount.yaml"
    mount.write_text("mount_R: [[0, 0, 1], [-1, 0, 0], [0, -1, 0]]\nmount_t: [0.17, 0.05, 0.17]\n",
                     encoding="utf-8")
    assert card("--rig", bare, "--mount", mount, "--rover", "dunlin-em").exit_code == 0


def test_a_rig_that_cannot_be_read(tmp_path: Path) -> None:
    broken = tmp_path / "broken.yaml"
    broken.write_text("K1: [", encoding="utf-8")
    for path, words in ((tmp_path / "gone.yaml", "gone.yaml: does not exist"),
                        (broken, "broken.yaml: ")):
        result = card("--rig", path, "--rover", "dunlin-em")
        assert result.exit_code == 1
        assert words in result.stderr
        assert "remedy:" in result.stderr


def test_a_rover_that_is_not_known() -> None:
    result = card("--rig", RIG, "--rover", "heron")
    assert result.exit_code == 1
    assert "no rover of this name ships with hazcam" in result.stderr


def test_a_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("", encoding="utf-8")
    result = card("--rig", RIG, "--rover", "dunlin-em", "-o", tmp_path / "taken")
    assert result.exit_code == 1
    assert "is a file" in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize(("words", "said"), [
    ((), "Missing option '--rig'"),
    (("--rig", RIG), "Missing option '--rover'"),
    (("--rig", RIG, "--rover", "dunlin-em", "--disparity-sigma-px", "0"), "not in the range x>0"),
    (("--rig", RIG, "--rover", "dunlin-em", "--disparity-sigma-px", "nan"), "finite number"),
    (("--rig", RIG, "--rover", "dunlin-em", "-o", ""), "the name of the folder is empty"),
])
def test_wrong_usage(words: tuple[object, ...], said: str) -> None:
    result = card(*words)
    assert result.exit_code == 2
    assert said in result.stderr


def test_the_group_lists_its_command() -> None:
    result = CliRunner().invoke(main, ["rig", "--help"])
    assert result.exit_code == 0
    assert "card" in result.stdout
