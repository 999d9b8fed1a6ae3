"""``hazcam calibrate mount`` from the outside."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from hazcam.calibration import StereoRig, read_rig, write_rig
from hazcam.calibration.mount import mount_angles
from hazcam.calibration.target import Target
from hazcam.cli import main
from tests.floors import floor_pair, mounted
from tests.synthetic import both, ideal_rig

TRUE = {"height_m": 0.2, "pitch_deg": 26.0, "roll_deg": -2.0}


def mount(*words: object) -> Result:
    return CliRunner().invoke(main, ["calibrate", "mount", *map(str, words)])


def true_rig() -> StereoRig:
    return mounted(ideal_rig(), **TRUE)


def write_pair(folder: Path, name: str, seed: int, **sidecar: Any) -> Path:
    for side, picture in zip(("left", "right"), both(floor_pair(true_rig(), seed=seed)),
                             strict=True):
        cv2.imwrite(str(folder / f"{name}.{side}.png"), picture)
    return write_sidecar(folder, name, left=f"{name}.left.png", right=f"{name}.right.png",
                         **sidecar)


def write_sidecar(folder: Path, name: str, **values: Any) -> Path:
    """A sidecar whose rig and rover are not there: they are not used."""
    text = {"schema": "hazcam-pair/1", "id": name, "rig": "gone.yaml", "rover": "gone.toml"}
    (folder / f"{name}.pair.json").write_text(json.dumps(text | values), "utf-8")
    return folder / f"{name}.pair.json"


@pytest.fixture(scope="module")
def floors(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two pairs of a floor, one pair that shows nothing, and a rig with another mount."""
    folder = tmp_path_factory.mktemp("floors")
    write_pair(folder, "first", 2, roll_deg=30.0, pitch_deg=-30.0)
    write_pair(folder, "second", 3)
    write_sidecar(folder, "third", left="first.left.png", right="first.left.png")
    write_rig(ideal_rig(), folder / "rig.yaml")
    write_rig(replace(ideal_rig(), mount=None), folder / "bare.yaml")
    return folder


@pytest.fixture(scope="module")
def of_folder(floors: Path) -> Result:
    return mount(floors, "--rig", floors / "rig.yaml", "-o", floors / "out.yaml")


def test_a_folder_with_a_bad_pair(floors: Path, of_folder: Result) -> None:
    """The good pairs are used, the bad one is listed with its reason, and the exit status is 1."""
    assert of_folder.exit_code == 1
    assert "failed: third.pair.json" in of_folder.stdout
    assert "the same picture twice" in of_folder.stdout
    for row in ("first ", "second ", "all "):
        assert f"\n{row}" in of_folder.stdout
    assert "an attitude that a sidecar states is not used" in " ".join(of_folder.stdout.split())


def test_the_rig_is_written_with_its_mount(floors: Path, of_folder: Result) -> None:
    rig = read_rig(floors / "out.yaml")
    assert rig.mount is not None
    angles = mount_angles(rig.mount.R)
    assert rig.mount.t[2] == pytest.approx(TRUE["height_m"], abs=0.002)
    assert angles.pitch_deg == pytest.approx(TRUE["pitch_deg"], abs=0.1)
    assert angles.roll_deg == pytest.approx(TRUE["roll_deg"], abs=0.1)
    assert rig.mount.t[:2].tolist() == [0.17, 0.05]  # kept
    assert "2 pairs" in rig.provenance["mount"]["height_pitch_roll"]
    assert f"the rig with its mount is in {floors / 'out.yaml'}" in of_folder.stderr


def test_nothing_is_overwritten_without_force(floors: Path) -> None:
    before = (floors / "rig.yaml").read_bytes()
    result = mount(floors, "--rig", floors / "rig.yaml", "-o", floors / "rig.yaml")
    assert result.exit_code == 1
    assert "rig.yaml: is there already" in result.stderr
    assert "--force to overwrite it" in result.stderr
    assert (floors / "rig.yaml").read_bytes() == before


def test_two_pictures_a_bare_rig_and_a_measured_height(floors: Path, tmp_path: Path) -> None:
    (tmp_path / "out.yaml").write_text("old", "utf-8")
    result = mount(floors / "first.left.png", floors / "first.right.png", "--rig",
                   floors / "bare.yaml", "--camera-x-m", 0.1, "--camera-y-m", 0.02, "--json",
                   "--measured-height-m", 0.196, "--measured-height-sigma-m", 0.0005,
                   "-o", tmp_path / "out.yaml", "--force")
    assert result.exit_code == 0, result.stderr
    record = json.loads(result.stdout)
    assert record["schema"] == "hazcam-mount/1"
    assert record["height_check"]["agrees"] is False
    assert record["height_check"]["share"] == pytest.approx(0.2 / 0.196 - 1, abs=5e-4)
    assert "do not trust ranges" in record["height_check"]["text"]
    assert "assumed" in record["placement"]["yaw_from"]
    assert record["digests"]["mounted"] == read_rig(tmp_path / "out.yaml").digest


def test_a_measured_height_that_disagrees_keeps_the_rig_unwritten(
    floors: Path, tmp_path: Path
) -> None:
    result = mount(floors / "first.pair.json", "--rig", floors / "rig.yaml", "--measured-height-m",
                   0.19, "--measured-height-sigma-m", 0.001, "-o", tmp_path / "out.yaml")
    assert result.exit_code == 1
    assert result.stdout.startswith("Do not use this mount yet. The measured height 190.0")
    assert "out.yaml: not written: the measured height disagrees by" in result.stderr
    assert "give --force" in result.stderr
    assert not (tmp_path / "out.yaml").exists()


def test_one_that_agrees_goes_into_the_rig(floors: Path, tmp_path: Path) -> None:
    result = mount(floors / "first.pair.json", "--rig", floors / "rig.yaml", "--measured-height-m",
                   0.2, "--measured-height-sigma-m", 0.002, "-o", tmp_path / "out.yaml")
    assert result.exit_code == 0, result.stderr
    kept = read_rig(tmp_path / "out.yaml").provenance["mount"]["height_check"]
    assert (kept["result"], kept["measured_sigma_m"]) == ("agrees", 0.002)


@pytest.fixture
def pictures(floors: Path, tmp_path: Path) -> Path:
    """A folder of the first pair and a lone picture, without sidecars."""
    for side in ("left", "right"):
        shutil.copy(floors / f"first.{side}.png", tmp_path)
    shutil.copy(floors / "second.left.png", tmp_path)
    return tmp_path


def test_a_folder_of_plain_pictures(floors: Path, pictures: Path) -> None:
    result = mount(pictures, "--rig", floors / "rig.yaml")
    assert result.exit_code == 1
    assert "by 1 of 2 pairs" in " ".join(result.stdout.split())
    assert "second.left.png: has no right picture beside it" in result.stdout
    (pictures / "second.left.png").unlink()
    assert mount(pictures, "--rig", floors / "rig.yaml").exit_code == 0


def test_pictures_by_their_names_win_over_sidecars(floors: Path) -> None:
    """The third sidecar has no part in it."""
    result = mount(floors, "--rig", floors / "rig.yaml", "--pair",
                   "f{id}.left.png f{id}.right.png", "--json")
    assert result.exit_code == 0, result.stderr
    assert [pair["id"] for pair in json.loads(result.stdout)["pairs"]] == ["first"]


def test_a_folder_without_pictures(floors: Path, tmp_path: Path) -> None:
    result = mount(tmp_path, "--rig", floors / "rig.yaml")
    assert result.exit_code == 1
    assert "left and right" in result.stderr
    assert "remedy:" in result.stderr


def test_sidecars_that_cannot_be_read_are_not_floors_that_fail(
    floors: Path, tmp_path: Path
) -> None:
    for name in ("a", "b"):
        write_sidecar(tmp_path, name, nonsense=1)
    result = mount(tmp_path, "--rig", floors / "rig.yaml")
    assert result.exit_code == 1
    assert "none of the 2 can be used (cannot be read: 2)" in result.stderr
    assert "unknown key: nonsense" in result.stderr
    assert "flat floor:" not in result.stderr
    assert "again" not in result.stderr
    write_sidecar(tmp_path, "c", **dict.fromkeys(("left", "right"),
                                                 str(floors / "first.left.png")))
    result = mount(tmp_path, "--rig", floors / "rig.yaml")
    assert "(cannot be read: 2, no flat floor: 1)" in result.stderr


def test_a_place_that_cannot_be_written_is_refused_first(floors: Path, tmp_path: Path) -> None:
    for output, said in ((tmp_path, f"give a file in it: {tmp_path / 'rig.yaml'}"),
                         (tmp_path / "gone" / "out.yaml", f"the folder {tmp_path / 'gone'} does")):
        result = mount(floors, "--rig", floors / "rig.yaml", "-o", output, "--force")
        assert result.exit_code == 1
        assert said in result.stderr
        assert "[1/3]" not in result.stderr


def test_an_only_pair_that_fails_says_why(floors: Path) -> None:
    result = mount(floors / "third.pair.json", "--rig", floors / "rig.yaml")
    assert result.exit_code == 1
    assert "the same picture twice" in result.stderr
    assert result.stdout == ""


def test_a_folder_without_a_floor(floors: Path, tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_sidecar(tmp_path, name, **dict.fromkeys(("left", "right"),
                                                      str(floors / "first.left.png")))
    result = mount(tmp_path, "--rig", floors / "rig.yaml")
    assert result.exit_code == 1
    assert "none of the 2 can be used (no flat floor: 2)" in result.stderr


def test_a_bare_rig_without_offsets(floors: Path) -> None:
    result = mount(floors, "--rig", floors / "bare.yaml")
    assert result.exit_code == 1
    assert "give --camera-x-m and --camera-y-m" in result.stderr


def test_pictures_of_another_size(floors: Path, tmp_path: Path) -> None:
    write_rig(replace(ideal_rig(), size=(800, 600)), tmp_path / "large.yaml")
    result = mount(floors / "first.pair.json", "--rig", tmp_path / "large.yaml")
    assert result.exit_code == 1
    assert "calibrated at 800 x 600 px, the pictures are 640 x 480 px" in result.stderr


BOARD = ("--board", "chessboard", "--points", "9x6", "--pitch-mm", "25")
PLACE = ("--target-x-m", "0.5", "--target-y-m", "0.1", "--target-heading-deg", "0")


def test_a_target_on_the_floor_gives_yaw_and_offsets(floors: Path, tmp_path: Path) -> None:
    target = Target(kind="chessboard", columns=9, rows=6, pitch_m=0.025)
    true = mounted(ideal_rig(), height_m=0.25, pitch_deg=32.0, roll_deg=1.0, yaw_deg=-3.0,
                   x_m=0.12, y_m=0.03)
    pair = floor_pair(true, seed=2, board=np.array([0.5, 0.1, 0.0]), target=target)
    for side, picture in zip("lr", both(pair), strict=True):
        cv2.imwrite(str(tmp_path / f"{side}.png"), picture)
    result = mount(tmp_path / "l.png", tmp_path / "r.png", "--rig", floors / "bare.yaml", *BOARD,
                   *PLACE, "-o", tmp_path / "out.yaml")
    assert result.exit_code == 0, result.stderr
    assert "54 points" in result.stdout
    assert "measured, from the target in 1 pair" in " ".join(result.stdout.split())
    rig = read_rig(tmp_path / "out.yaml")
    assert rig.mount is not None
    np.testing.assert_allclose(rig.mount.t, [0.12, 0.03, 0.25], atol=0.002)
    assert mount_angles(rig.mount.R).yaw_deg == pytest.approx(-3.0, abs=0.1)
    assert rig.provenance["mount"]["yaw_own_sigma_deg"] > 0


def test_a_target_that_no_pair_shows(floors: Path) -> None:
    result = mount(floors / "first.pair.json", "--rig", floors / "bare.yaml", *BOARD, *PLACE)
    assert result.exit_code == 1
    assert "none shows the target (chessboard, 9 x 6 inner corners" in result.stderr
    assert "check --board and --points" in result.stderr


@pytest.mark.parametrize(("words", "said"), [
    (("a", "--rig", "r", *BOARD), "needs --target-x-m, --target-y-m, --target-heading-deg"),
    (("a", "--rig", "r", "--marker-mm", "10"), "needs --board, --points, --pitch-mm, --target-x-m"),
    (("a", "--rig", "r", *BOARD, *PLACE, "--camera-x-m", "1"), "the target measures --camera-x-m"),
    (("a", "b", "c", "--rig", "r"), "give LEFT and RIGHT, one PAIR.json, or one FOLDER"),
    (("a",), "Missing option '--rig'"),
    (("a", "--rig", "r", "--measured-height-m", "0.2"), "together, or neither"),
    (("a", "--rig", "r", "--measured-height-m", "0", "--measured-height-sigma-m", "1"),
     "not in the range x>0"),
    (("a", "--rig", "r", "--camera-x-m", "nan"), "finite number"),
    (("a", "--rig", "r", "--camera-x-m", "170"), "170 is likely millimetres: divide by 1000"),
    (("a", "--rig", "r", "--camera-y-m", "-5"), "5 is likely centimetres: divide by 100"),
    (("a", "--rig", "r", "--measured-height-m", "170"), "'--measured-height-m': 170 m; expected"),
    (("a", "--rig", "r", "--measured-height-sigma-m", "10"), "10 is likely centimetres"),
    (("a", "--rig", "r", "--target-x-m", "500"), "500 is likely millimetres"),
    (("a", "--rig", "r", "--target-y-m", "-500"), "'--target-y-m': -500 m"),
    (("a", "--rig", "r", "--measured-height-m", "0.2", "--measured-height-sigma-m", "1"),
     "1 m is 500% of the height (0.2 m)"),
    (("left.png", "--rig", "gone"), "left.png is one picture: give LEFT and RIGHT"),
    (("a", "b", "--rig", "r", "--pair", "l{id} r{id}"), "--pair names the pictures of a FOLDER"),
    ((".", "--rig", "r", "--pair", "l r"), "'l r' is not two names with {id} or {stem} in each"),
])
def test_wrong_usage(words: tuple[object, ...], said: str) -> None:
    result = mount(*words)
    assert result.exit_code == 2
    assert said in result.stderr
