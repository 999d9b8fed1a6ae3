"""The near strip on the command line: assumed, asked about, or seen by the previous pair."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from hazcam.calibration import write_rig
from hazcam.cli import main
from tests.synthetic import Box, Scene, both, ideal_rig, render

MOVED_M = 0.40  # straight ahead: more than the near strip of 0.31 m
# A box just before the nose of the present rover, below the lower rim of both pictures.
NEAR_BOX = Box(0.20, 0.26, -0.05, 0.05, 0.07)
FAST = ("--headings", "0,5", "--matcher", "sgbm")


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def pose(x_m: float = MOVED_M) -> list[list[float]]:
    rows = np.eye(4)
    rows[0, 3] = x_m
    return [[float(v) for v in row] for row in rows]


def write_pair(folder: Path, name: str, scene: Scene, **changes: Any) -> Path:
    """A pair of half size, which takes a quarter of the time."""
    for side, picture in zip(("left", "right"), both(render(scene)), strict=True):
        small = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        cv2.imwrite(str(folder / f"{name}.{side}.png"), small)
    return write_sidecar(folder, name, name, **changes)


def write_sidecar(folder: Path, name: str, pictures: str, **changes: Any) -> Path:
    sidecar = {"schema": "hazcam-pair/1", "id": name, "left": f"{pictures}.left.png",
               "right": f"{pictures}.right.png", "rig": "rig.yaml", "rover": "dunlin-em",
               "roll_deg": 0.0, "pitch_deg": 0.0, "roll_sigma_deg": 0.5, "pitch_sigma_deg": 0.5,
               "binning": 2} | changes
    path = folder / f"{name}.pair.json"
    kept = {key: value for key, value in sidecar.items() if value is not None}
    path.write_text(json.dumps(kept), encoding="utf-8")
    return path


def previous(**changes: Any) -> dict[str, Any]:
    return {"pair": "flat-0", "pose": pose(), "sigma": [0.01, 0.01, 0.5]} | changes


@pytest.fixture(scope="module")
def walk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Flat ground, and ground with a box, each seen before a walk and after it."""
    folder = tmp_path_factory.mktemp("walk")
    write_rig(ideal_rig(), folder / "rig.yaml")
    far_box = Box(NEAR_BOX.x0 + MOVED_M, NEAR_BOX.x1 + MOVED_M, NEAR_BOX.y0, NEAR_BOX.y1,
                  NEAR_BOX.top_m)
    write_pair(folder, "flat-0", Scene())
    write_pair(folder, "box-0", Scene(seed=3, boxes=(far_box,)))
    write_sidecar(folder, "flat-1", "flat-0", previous=previous())  # flat ground looks alike
    write_pair(folder, "box-1", Scene(boxes=(NEAR_BOX,)), previous=previous(pair="box-0.pair.json"))
    write_sidecar(folder, "box-alone", "box-1")
    return folder


def assessed(path: Path, *options: str) -> Any:
    result = run("assess", path, *FAST, *options, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def ahead(record: Any) -> Any:
    return next(h for h in record["headings"] if h["heading_deg"] == 0)


# --- seen by the previous pair --------------------------------------------------------------------


def test_a_box_that_only_the_previous_pair_saw_is_judged(walk: Path) -> None:
    alone, found = assessed(walk / "box-alone.pair.json"), assessed(walk / "box-1.pair.json")
    assert ahead(alone)["verdict"] == "go"  # what is out of view is assumed clear, and it says so
    assert ahead(alone)["assumed_m"] == pytest.approx(0.31, abs=0.02)
    assert alone["near_strip"]["previous"] is None
    cause = ahead(found)["causes"][0]
    assert ahead(found)["verdict"] == "ask-ground"
    assert cause["kind"] == "step"
    assert cause["demand"] == pytest.approx(NEAR_BOX.top_m, abs=0.01)
    nose_m = found["rover"]["body"]["nose_m"]
    # As near as two sigma of the move (2 x 1 cm and the heading's) and a cell or two make it.
    assert NEAR_BOX.x0 - nose_m - 0.07 < cause["at_m"] < NEAR_BOX.x0 - nose_m + 0.01


def test_ground_that_the_previous_pair_saw_is_not_assumed(walk: Path) -> None:
    record = assessed(walk / "flat-1.pair.json")
    assert ahead(record)["verdict"] == "go"
    assert ahead(record)["assumed_m"] == 0
    assert ahead(record)["seen_before_m"] == ahead(record)["strip_m"]
    strip = record["near_strip"]
    assert strip["previous"]["used"]
    assert strip["previous"]["id"] == "flat-0"
    assert strip["previous"]["offset_m"] == pytest.approx(0.0, abs=0.002)
    assert ("ground that neither pair saw is assumed clear up to 0.31 m" in strip["text"])
    assert ("of the strip straight ahead the previous pair saw 0.31 m, 0.00 m are assumed"
            in strip["text"])
    assert len(record["digests"]["previous"]) == 64


def test_text_and_page_say_what_the_previous_pair_saw(walk: Path, tmp_path: Path) -> None:
    result = run("assess", walk / "flat-1.pair.json", *FAST, "-o", tmp_path)
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    assert "the previous pair saw 0.31 m, 0.00 m are assumed" in words
    assert "previous pair flat-0 saw" in words
    html = " ".join((tmp_path / "flat-1" / "page.html").read_text("utf-8").split())
    assert "the previous pair saw 0.31 m, 0.00 m are assumed" in html
    assert "flat-0 saw" in html
    reproduced = run("reproduce", tmp_path / "flat-1" / "assessment.json")
    assert reproduced.stdout == "flat-1: reproduced to the byte\n"


def test_a_folder_is_a_sequence(walk: Path, tmp_path: Path) -> None:
    shutil.copytree(walk, tmp_path, dirs_exist_ok=True)
    for name in ("box-0", "box-1", "box-alone"):
        (tmp_path / f"{name}.pair.json").unlink()
    result = run("assess", tmp_path, *FAST, "--json")
    assert result.exit_code == 0, result.output
    first, second = (json.loads(line) for line in result.stdout.splitlines())
    assert (first["id"], first["near_strip"]["previous"]) == ("flat-0", None)
    assert second["near_strip"]["previous"]["id"] == "flat-0"


def test_reproduce_names_a_previous_pair_that_has_changed(
    walk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(walk, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    printed = run("assess", "box-1.pair.json", *FAST, "--json").stdout
    (tmp_path / "printed.json").write_text(printed, encoding="utf-8")
    for side in ("left", "right"):
        shutil.copy(tmp_path / f"flat-0.{side}.png", tmp_path / f"box-0.{side}.png")
    result = run("reproduce", "printed.json")
    assert result.exit_code == 1
    assert "changed since: the previous pair" in result.stdout
    assert "changed since: the left picture" not in result.stdout


# --- a previous pair that cannot be used ----------------------------------------------------------


@pytest.mark.parametrize(("changes", "words"), [
    ({"pair": "gone"}, "gone.pair.json: does not exist"),
    ({"sigma": 0.02}, "previous: sigma: is not [x_m, y_m, heading_deg] or [x_m"),
    ({"pair": "damaged"}, "damaged.left.png: not an image"),
    ({"pair": "half"}, "half: a picture is missing: no ground is known"),
    ({"pair": "other-rig"}, "other-rig.pair.json: its rig is rig-2.yaml, another file than this "
                            "pair's rig.yaml"),
])
def test_a_previous_pair_that_cannot_be_read_is_noted(
    walk: Path, tmp_path: Path, changes: dict[str, Any], words: str
) -> None:
    shutil.copytree(walk, tmp_path, dirs_exist_ok=True)
    write_sidecar(tmp_path, "damaged", "damaged")
    (tmp_path / "damaged.left.png").write_bytes(b"no picture at all")
    write_sidecar(tmp_path, "half", "flat-0", right="not-sent.png")
    write_sidecar(tmp_path, "other-rig", "flat-0", rig="rig-2.yaml")
    path = write_sidecar(tmp_path, "present", "flat-0", previous=previous(**changes))
    result = run("assess", path, *FAST)
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert f"note previous pair not used: {words}" in text
    assert str(tmp_path) not in result.stdout
    assert "ground out of view of the cameras is assumed clear up to 0.31 m" in text
    assert "straight ahead go 1.00 m 0.31 m" in text  # as without it


def test_maps_that_cannot_be_tied_are_stated(walk: Path, tmp_path: Path) -> None:
    shutil.copytree(walk, tmp_path, dirs_exist_ok=True)
    path = write_sidecar(tmp_path, "present", "flat-0",
                         previous=previous(pose=pose(2.0)))
    result = run("assess", path, *FAST)
    text = " ".join(result.stdout.split())
    assert "previous pair flat-0 not used: " in text
    assert "straight ahead go 1.00 m 0.31 m" in text
    path = write_sidecar(tmp_path, "tilted", "flat-0", roll_deg=None, pitch_deg=None,
                         roll_sigma_deg=None, pitch_sigma_deg=None, previous=previous())
    record = assessed(path)
    assert record["near_strip"]["previous"]["text"] == (
        "flat-0 not used: the attitude of the present pair is not known")
    assert not record["near_strip"]["previous"]["used"]
    assert "previous pair saw" not in record["near_strip"]["text"]


def test_only_one_pair_back_is_looked_at(walk: Path, tmp_path: Path) -> None:
    shutil.copytree(walk, tmp_path, dirs_exist_ok=True)
    write_sidecar(tmp_path, "flat-0", "flat-0", previous=previous(pair="gone"))
    record = assessed(tmp_path / "flat-1.pair.json")
    assert record["near_strip"]["previous"]["used"]
    assert not any("previous" in note for note in record["pair"]["notes"])


def test_a_wrong_pose_is_an_error(walk: Path, tmp_path: Path) -> None:
    shutil.copytree(walk, tmp_path, dirs_exist_ok=True)
    wrong = pose()
    wrong[0][0] = 2.0
    path = write_sidecar(tmp_path, "present", "flat-0", previous=previous(pose=wrong))
    result = run("assess", path, *FAST)
    assert result.exit_code == 1
    assert "previous: pose: the upper left 3 x 3" in result.stderr
    assert "remedy: correct the pose in the sidecar" in result.stderr


# --- ask, or assume so far ------------------------------------------------------------------------


def test_ask_lets_no_heading_go_over_ground_that_was_not_seen(walk: Path) -> None:
    record = assessed(walk / "box-alone.pair.json", "--near-strip", "ask")
    assert {h["verdict"] for h in record["headings"]} == {"ask-ground"}
    assert {h["assumed_m"] for h in record["headings"]} == {0}
    assert ahead(record)["causes"][0]["kind"] == "outside view"
    assert record["near_strip"]["max_m"] == 0
    assert record["near_strip"]["text"] == (
        "nothing out of view is assumed clear (--near-strip ask)")
    assert record["settings"]["near_strip"] == "ask"


def test_ask_lets_go_over_what_the_previous_pair_saw(
    walk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(walk)
    printed = run("assess", "flat-1.pair.json", *FAST, "--near-strip", "ask", "--json").stdout
    record = json.loads(printed)
    assert record["near_strip"]["text"] == (
        "nothing out of view is assumed clear (--near-strip ask); of the strip straight ahead the "
        "previous pair saw 0.31 m, 0.00 m are assumed")
    straight, turned = record["headings"]
    assert (straight["verdict"], straight["clear_m"], straight["assumed_m"]) == ("go", 1.0, 0.0)
    # A turn sweeps ground beside and behind the rover, which neither pair saw.
    assert turned["verdict"] == "ask-ground"
    assert "circle" in turned["causes"][0]["text"]
    (walk / "printed.json").write_text(printed, encoding="utf-8")
    assert "reproduced to the byte" in run("reproduce", "printed.json").stdout


@pytest.mark.parametrize(("options", "words"), [
    (("--near-strip", "ask", "--near-strip-max-m", "0.2"),
     "near strip 'ask' assumes nothing, 0.2 m were given: leave out one of the two"),
    (("--near-strip-max-m", "0"), "not a length above 0; near strip 'ask' assumes none"),
    (("--near-strip-max-m", "5"), "--near-strip-max-m 5 is more than --look-ahead-m 1: nothing "
                                  "would be left to judge; give less, or look farther ahead"),
    (("--near-strip-max-m", "0.5", "--look-ahead-m", "0.4"), "more than --look-ahead-m 0.4"),
    (("--near-strip", "fill"), "'fill' is not one of 'assume', 'ask'"),
])
def test_wrong_usage_is_answered_with_the_remedy(
    walk: Path, options: tuple[str, ...], words: str
) -> None:
    result = run("assess", walk / "flat-1.pair.json", *options)
    assert result.exit_code == 2
    assert words in " ".join(result.stderr.split())


def test_assume_with_a_bound_is_as_before(walk: Path) -> None:
    record = assessed(walk / "box-alone.pair.json", "--near-strip", "assume",
                      "--near-strip-max-m", "0.1")
    assert record["near_strip"]["max_m"] == 0.1
    assert "set by --near-strip-max-m" in record["near_strip"]["text"]
    assert ahead(record)["verdict"] == "ask-ground"
