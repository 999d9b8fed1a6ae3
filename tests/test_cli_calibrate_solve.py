"""``hazcam calibrate solve``: which pictures belong together, what is written, what is refused."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from hazcam.calibration import read_rig
from hazcam.cli import main
from hazcam.cli.calibrate.pictures import find_views
from hazcam.errors import CalibrationError
from hazcam.imagery.naming import is_pattern
from tests.boards import cameras_of, random_views, render_pair
from tests.lenses import rig_with
from tests.target_views import CHESSBOARD

BOARD = ("--board", "chessboard", "--points", "9x6", "--pitch-mm", "25")
RIG = rig_with("brown")


def solve(*options: object) -> Result:
    return CliRunner().invoke(main, ["calibrate", "solve", *map(str, options)])


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight pairs without loss: left_00.png, right_00.png and so on."""
    folder = tmp_path_factory.mktemp("board")
    cameras = cameras_of(RIG)
    for i, pose in enumerate(random_views(CHESSBOARD, RIG, 8, seed=4)):
        pair = render_pair(CHESSBOARD, cameras, RIG, pose, noise_grey=1.5, blur_px=0.7, seed=i)
        for side, picture in zip(("left", "right"), pair, strict=True):
            cv2.imwrite(str(folder / f"{side}_{i:02d}.png"), picture)
    return folder


@pytest.fixture(scope="module")
def written(pictures: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    folder = tmp_path_factory.mktemp("out")
    return solve(pictures, *BOARD, "-o", folder), folder


def test_what_is_written(written: tuple[Result, Path]) -> None:
    result, folder = written
    assert result.exit_code == 0, result.stderr
    assert sorted(p.name for p in folder.iterdir()) == [
        "calibration.html", "calibration.json", "rig.yaml"]
    assert "8 views: 8 used" in result.stdout


def test_the_rig_that_is_written(written: tuple[Result, Path]) -> None:
    """The truth lies within four of its sigmas; the noise is that of the pictures, 1.5 grey."""
    rig = read_rig(written[1] / "rig.yaml", bare=True)
    assert rig.covariance is not None
    assert abs(rig.K1[0, 0] - RIG.K1[0, 0]) < 4 * np.sqrt(rig.covariance[0, 0])
    assert abs(rig.baseline_m - RIG.baseline_m) < 4 * np.sqrt(rig.covariance[11, 11])
    assert rig.mount is None
    assert rig.read_noise == pytest.approx(1.5, rel=0.15)
    assert rig.provenance["target"].startswith("chessboard, 9 x 6 inner corners")
    assert rig.provenance["views_used"] == 8


def test_the_record_holds_the_inputs(written: tuple[Result, Path]) -> None:
    record = json.loads((written[1] / "calibration.json").read_text())
    assert record["schema"] == "hazcam-calibration/1"
    assert record["inputs"]["model"] is None
    assert record["rig"]["digest"] == read_rig(written[1] / "rig.yaml", bare=True).digest


# --- which pictures belong together ---------------------------------------------------------------


def touch(folder: Path, *names: str) -> Path:
    for name in names:
        (folder / name).write_bytes(b"x")
    return folder


def ids(folder: Path, pattern: str | None = None, *, singles: bool = False) -> list[Any]:
    return [(v.id, v.left is not None, v.right is not None)
            for v in find_views(folder, pattern, singles=singles)]


def test_names_by_word_or_letter(tmp_path: Path) -> None:
    touch(tmp_path, "a.left.png", "a.right.png", "Left7.jpg", "Right7.jpg", "b_L.png", "b_R.png",
          "notes.txt", "left.yml")
    assert ids(tmp_path) == [("7", True, True), ("a", True, True), ("b", True, True)]


def test_names_by_a_pattern(tmp_path: Path) -> None:
    touch(tmp_path, "cam0-1.png", "cam1-1.png", "cam0-2.png", "cam1-2.png", "left3.png")
    assert ids(tmp_path, "cam0-{id}.png cam1-{id}.png") == [("1", True, True), ("2", True, True)]
    assert is_pattern("l{id} r{id}")
    assert not is_pattern("l{id}")
    assert "two names with {id}" in solve(tmp_path, *BOARD, "--pair", "left right").stderr


def test_a_folder_for_each_camera(tmp_path: Path) -> None:
    for side in ("left", "right"):
        (tmp_path / side).mkdir()
        touch(tmp_path / side, "1.png", "2.png")
    assert ids(tmp_path, "left/{id}.png right/{id}.png") == [("1", True, True), ("2", True, True)]


def test_one_side_alone(tmp_path: Path) -> None:
    touch(tmp_path, "left1.png", "left2.png")
    with pytest.raises(CalibrationError, match="holds 2 left and 0 right pictures"):
        find_views(tmp_path, None, singles=True)


def test_counts_that_differ(tmp_path: Path) -> None:
    touch(tmp_path, "left1.png", "right1.png", "left2.png", "left3.png", "right4.png")
    with pytest.raises(CalibrationError, match=r"differ in number: 2 left without a right "
                       r"\(left2.png, left3.png\) and 1 right without a left \(right4.png\)"
                       r"(.|\n)*--singles"):
        find_views(tmp_path, None, singles=False)
    assert ids(tmp_path, singles=True)[1:] == [("2", True, False), ("3", True, False),
                                               ("4", False, True)]


def test_a_folder_without_pairs(tmp_path: Path) -> None:
    touch(tmp_path, "one.png")
    with pytest.raises(CalibrationError, match="holds nothing with left and right"):
        find_views(tmp_path, None, singles=True)


def test_a_list(tmp_path: Path) -> None:
    (tmp_path / "views.csv").write_text("left,right\na.png,b.png\nc.png,\n")
    views = find_views(tmp_path / "views.csv", None, singles=False)
    assert [(v.id, v.left, v.right) for v in views] == [
        ("a", tmp_path / "a.png", tmp_path / "b.png"), ("c", tmp_path / "c.png", None)]


@pytest.mark.parametrize(("text", "words"), [
    ("a,b\n1,2\n", "the columns a, b"), ("a,b\n", "the columns a, b"), ("", "no rows"),
    ("left,right\n,\n", "line 2: two empty"),
])
def test_lists_that_are_none(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "views.csv").write_text(text)
    with pytest.raises(CalibrationError, match=words):
        find_views(tmp_path / "views.csv", None, singles=False)


def test_a_list_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match=r"views.csv: does not exist"):
        find_views(tmp_path / "views.csv", None, singles=False)


# --- what is refused ------------------------------------------------------------------------------


def test_mixed_sizes(pictures: Path, tmp_path: Path) -> None:
    for path in pictures.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    picture = cv2.imread(str(tmp_path / "left_03.png"), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    cv2.imwrite(str(tmp_path / "left_03.png"), picture[:240])
    result = solve(tmp_path, *BOARD)
    assert result.exit_code == 1
    assert "most are 640 x 480 px, but left_03.png (640 x 240)" in result.stderr


def test_a_board_of_the_wrong_size(pictures: Path) -> None:
    result = solve(pictures, "--board", "chessboard", "--points", "7x5", "--pitch-mm", "25")
    assert result.exit_code == 1
    assert "found in none of 16 pictures; a chessboard of 9 x 6 inner corners is there" in (
        result.stderr)
    assert "correct --board, --points" in result.stderr


def test_a_picture_that_is_none(tmp_path: Path) -> None:
    touch(tmp_path, "left1.png", "right1.png")
    result = solve(tmp_path, *BOARD)
    assert result.exit_code == 1
    assert "not an image" in result.stderr
