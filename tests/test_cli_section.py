from __future__ import annotations

import json
from pathlib import Path

import cv2
import pytest
from click.testing import CliRunner, Result

from hazcam.cli import main
from hazcam.warm import warm_up
from tests.folders import write_inputs


@pytest.fixture(autouse=True, scope="module")
def _compiled() -> None:
    """Nothing is said of compiling where nothing is compiled."""
    warm_up()


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["section", *(str(a) for a in arguments)])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("inputs")
    write_inputs(path)
    return path


def test_words_of_a_sidecar(folder: Path) -> None:
    before = sorted(folder.iterdir())
    result = run(folder / "bench.pair.json", "--heading", "0")
    assert result.exit_code == 0, result.output
    assert sorted(folder.iterdir()) == before  # nothing is written without -o
    assert result.stdout.startswith("bench, straight ahead: ask-ground, clear for 0.")
    assert "limit 0.050 m" in result.stdout
    for lane in ("left foot track", "under the body", "right foot track"):
        assert f"\n{lane}: " in result.stdout


def test_writes_figure_and_record_and_no_other(folder: Path, tmp_path: Path) -> None:
    result = run(folder / "bench.pair.json", "--heading", "-10", "--json", "-o", tmp_path)
    assert result.exit_code == 0, result.output
    written = tmp_path / "bench"
    assert {p.name for p in written.iterdir()} == {"section-10-right.png", "section-10-right.json"}
    text = (written / "section-10-right.json").read_text(encoding="utf-8")
    assert result.stdout == text
    record = json.loads(text)
    assert record["schema"] == "hazcam-section/1"
    assert record["heading_deg"] == -10
    assert (written / record["inputs"]["sidecar"]).resolve() == folder / "bench.pair.json"
    assert len(record["lanes"]) == 3
    picture = cv2.imread(str(written / "section-10-right.png"))
    assert picture is not None
    assert picture.std() > 20


def test_two_pictures_with_the_options_of_assess(folder: Path) -> None:
    inputs = (folder / "left.png", folder / "right.png", "--rig", folder / "rig.yaml", "--rover",
              "dunlin-fm", "--roll-deg", "1", "--pitch-deg", "-2", "--limit", "step=0.06",
              "--look-ahead-m", "0.5", "--confidence", "0.9")
    found = CliRunner().invoke(main, ["assess", *map(str, inputs), "--headings", "10", "--json"])
    cut = run(*inputs, "--heading", "10", "--json")
    assert cut.exit_code == 0, cut.output
    record, whole = json.loads(cut.stdout), json.loads(found.stdout)
    for key in ("rover", "limits", "settings", "digests", "inputs", "attitude"):
        assert record[key] == whole[key]
    for key, value in whole["headings"][0].items():
        assert record[key] == value
    assert record["limits"]["step"]["value"] == 0.06
    assert 0.5 <= record["station_m"][-1] < 0.6


@pytest.mark.parametrize(("heading", "message"), [
    ("200", "200 is not between -180 and 180 degrees (positive to the left): write -160"),
    ("-181", "-181 is not between -180 and 180 degrees (positive to the left): write 179"),
    ("nan", "nan is not a finite number"),
    ("left", "'left' is not a valid float"),
])
def test_what_is_no_heading_is_refused_with_the_remedy(
    folder: Path, heading: str, message: str
) -> None:
    result = run(folder / "bench.pair.json", "--heading", heading)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())


def test_a_heading_is_needed(folder: Path) -> None:
    result = run(folder / "bench.pair.json")
    assert result.exit_code == 2
    assert "Missing option '--heading'" in result.stderr


def test_a_folder_is_refused_with_the_remedy(folder: Path) -> None:
    result = run(folder, "--heading", "0")
    assert result.exit_code == 2
    assert "give LEFT and RIGHT, or one PAIR.json" in " ".join(result.stderr.split())


def test_two_pictures_without_rover_are_wrong_usage(folder: Path) -> None:
    result = run(folder / "left.png", folder / "right.png", "--heading", "0")
    assert result.exit_code == 2
    assert "two pictures need --rig and --rover" in " ".join(result.stderr.split())


def test_a_pair_with_one_picture_has_no_section(tmp_path: Path) -> None:
    path = write_inputs(tmp_path, "alone")
    sidecar = json.loads(path.read_text(encoding="utf-8")) | {"right": None}
    path.write_text(json.dumps(sidecar), encoding="utf-8")
    result = run(path, "--heading", "0")
    assert result.exit_code == 1
    assert "no stereo: the right picture is missing" in result.stderr
    assert "remedy: give the missing picture" in result.stderr


def test_a_file_in_the_place_of_the_folder(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("x", encoding="utf-8")
    result = run(folder / "bench.pair.json", "--heading", "0", "-o", tmp_path / "taken")
    assert result.exit_code == 1
    assert "give another folder" in result.stderr
