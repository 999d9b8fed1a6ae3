"""``hazcam manifest``: what it writes, what it finds odd, and each way to use it wrongly."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import ExifTags, Image

from hazcam.calibration import write_rig
from hazcam.campaign.manifest.io import read_manifest
from hazcam.campaign.manifest.text import SCHEMA
from hazcam.cli import main
from tests.campaign.sequences import frame, write_picture, write_walk
from tests.synthetic import ideal_rig


def manifest(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["manifest", *map(str, arguments)])


def small(folder: Path, *names: str) -> Path:
    """Tiny pictures, each with bytes of its own: too small to be looked at as pairs."""
    folder.mkdir(exist_ok=True)
    for i, name in enumerate(names):
        pixels = np.random.default_rng([i, len(name)]).integers(0, 256, (12, 16)).astype(np.uint8)
        write_picture(folder / name, pixels)
    return folder


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.yaml"
    write_rig(ideal_rig(), path)
    return path


def lines(result: Result, kind: str) -> list[str]:
    """What is said of one kind."""
    _, _, behind = result.stdout.partition(f"\n{kind} (")
    return [line.strip() for line in behind.partition("\n\n")[0].splitlines()[1:]]


# --- pictures ------------------------------------------------------------------------------------


def test_a_walk_whose_right_pictures_come_late(tmp_path: Path) -> None:
    folder = tmp_path / "day"
    frames = list(range(6))
    rig = write_walk(folder, frames, [0, 1, 2, 2, 3, 4])
    write_picture(folder / "beach-7.left.png", frame(0, right=False, gain=0.6))
    output = tmp_path / "campaign.csv"
    result = manifest(folder, "-o", output, "--rig", rig, "--rover", "dunlin-em")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith(f"6 pairs: {output}\n")
    slip, = lines(result, "frames slipped")
    assert slip.startswith("beach-10: from beach-10 on (3 pairs) the right pictures are one frame "
                           "late")
    bright, = lines(result, "unequal exposure")
    assert bright.startswith("beach-7: the left picture is 0.60 times as bright")
    assert lines(result, "attitude not stated")[0].startswith(
        "beach-10, beach-11, beach-12, beach-7, beach-8 and 1 more: 6 pairs state neither")
    found = read_manifest(output)
    assert not found.bad
    assert {p.id: p.given["left"] for p in found.pairs} == {
        f"beach-{i}": f"day/beach-{i}.left.png" for i in range(7, 13)}
    assert all(p.given["rig"] == "rig.yaml" for p in found.pairs)


def test_what_could_not_be_paired_is_told(tmp_path: Path, rig: Path) -> None:
    folder = small(tmp_path / "day", "a_L.png", "a_R.png", "b_L.png", "c_R.png", "view.png",
                   "d_L.png", "d_R.png")
    (folder / "d_R.png").write_bytes((folder / "d_L.png").read_bytes())
    write_picture(folder / "wide.png", np.zeros((12, 32), np.uint8))
    (folder / "e_L.png").touch()
    result = manifest(folder, "-o", tmp_path / "c.jsonl", "--rig", rig, "--rover", "dunlin-fm")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("4 pairs, 2 of them with one picture missing, 1 row that "
                                    "cannot be used: ")
    assert [line.split(":")[0] for line in lines(result, "lone picture")] == [
        "b_L.png", "c_R.png", "e_L.png"]
    assert [line.split(":")[0] for line in lines(result, "side not told")] == [
        "view.png", "wide.png"]
    assert lines(result, "side by side")[0].startswith("wide.png: 32 x 12 px")
    assert "left and right of d are one picture" in lines(result, "same bytes")[0]
    assert any("e_L.png: is empty (0 bytes)" in line
               for line in lines(result, "cannot be used"))
    assert any(line.startswith("a: ") and "the pictures are 16 x 12 px" in line
               for line in lines(result, "cannot be looked at"))
    assert len(lines(result, "cannot be used")) == 1  # as many as the rows that are counted
    rows = [json.loads(line) for line in (tmp_path / "c.jsonl").read_text().splitlines()]
    assert rows[1] == {"schema": SCHEMA, "id": "b", "left": "day/b_L.png", "rig": "rig.yaml",
                       "rover": "dunlin-fm"}


def test_hidden_files_are_passed_over_and_told(tmp_path: Path, rig: Path) -> None:
    folder = small(tmp_path / "day", "IMG_10_L.png", "IMG_10_R.png")
    for name in ("._IMG_10_L.png", "._IMG_10_R.png", ".x.pair.json", ".notes"):
        (folder / name).write_bytes(b"\0\5\26\7")
    result = manifest(folder, "-o", tmp_path / "c.csv", "--rig", rig, "--rover", "dunlin-em")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("1 pair: ")
    told, = lines(result, "hidden file")
    assert told.startswith("._IMG_10_L.png, ._IMG_10_R.png, .x.pair.json: 3 hidden files are")
    both = tmp_path / "both"
    both.mkdir()
    write_picture(both / "1.png", np.zeros((12, 32), np.uint8))
    (both / "._1.png").write_bytes(b"\0\5\26\7")
    result = manifest(both, "-o", tmp_path / "d.csv", "--side-by-side", tmp_path / "halves",
                      "--rig", rig, "--rover", "dunlin-em")
    assert result.exit_code == 0, result.stderr
    assert lines(result, "hidden file")[0].startswith("._1.png: 1 hidden file is")


def test_findings_are_kept_beside_the_manifest(tmp_path: Path, rig: Path) -> None:
    folder = small(tmp_path / "day", "a_L.png", "a_R.png", "b_L.png", "view.png")
    given = ("--rig", rig, "--rover", "dunlin-em")
    result = manifest(folder, "-o", tmp_path / "c.jsonl", *given)
    assert result.exit_code == 0, result.stderr
    path = tmp_path / "c.findings.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert f"\n{len(rows)} findings: {path}\n" in result.stdout
    assert list(rows[0]) == ["kind", "where", "text"]
    assert [row["kind"] for row in rows[:2]] == ["lone picture", "side not told"]
    assert all(f"  {row['where']}: {row['text']}\n" in result.stdout for row in rows)
    path.write_text("mine", encoding="utf-8")
    (tmp_path / "c.jsonl").unlink()
    result = manifest(folder, "-o", tmp_path / "c.jsonl", *given)
    assert result.exit_code == 1
    assert "c.findings.csv: is there already" in result.stderr
    assert path.read_text(encoding="utf-8") == "mine"
    assert manifest(folder, "-o", tmp_path / "c.jsonl", *given, "--force").exit_code == 0
    assert path.read_text(encoding="utf-8") != "mine"


def test_sizes_that_are_told_are_those_of_the_files(tmp_path: Path, rig: Path) -> None:
    folder = tmp_path / "day"
    folder.mkdir()
    for name, size in (("a_L.png", (480, 640)), ("a_R.png", (240, 320))):
        write_picture(folder / name, np.random.default_rng(1).integers(0, 256, size, np.uint8))
    result = manifest(folder, "-o", tmp_path / "c.csv", "--rig", rig, "--rover", "dunlin-em")
    told, = lines(result, "cannot be looked at")
    assert told.startswith("a: a_L.png: 640 x 480 px, but a_R.png has 320 x 240 px")


def test_time_and_exposure_are_taken_from_exif_where_both_agree(tmp_path: Path, rig: Path) -> None:
    folder = tmp_path / "day"
    folder.mkdir()

    def write(name: str, turn: int = 1, **tags: Any) -> None:
        exif = Image.Exif()
        exif[ExifTags.Base.Orientation] = turn
        exif.get_ifd(ExifTags.IFD.Exif).update(
            {ExifTags.Base[key]: value for key, value in tags.items()})
        pixels = np.full((12, 16), len(list(folder.iterdir())), np.uint8)
        Image.fromarray(pixels).save(folder / name, exif=exif)

    at: dict[str, Any] = {"DateTimeOriginal": "2031:05:04 09:30:00", "SubsecTimeOriginal": "25"}
    write("a_L.png", **at, ExposureTime=0.01)
    write("a_R.png", **at, ExposureTime=0.01)
    write("b_L.png", **at, ExposureTime=0.01)
    write("b_R.png", **{**at, "SubsecTimeOriginal": "75"}, ExposureTime=0.02)
    write("c_L.png", turn=6, **at)
    write("c_R.png")
    result = manifest(folder, "-o", tmp_path / "c.csv", "--rig", rig, "--rover", "dunlin-em")
    assert result.exit_code == 0, result.stderr
    stated = [{k: p.given[k] for k in ("taken_at", "exposure_s") if k in p.given}
              for p in read_manifest(tmp_path / "c.csv").pairs]
    assert stated == [{"taken_at": "2031-05-04T09:30:00.25", "exposure_s": 0.01}, {}, {}]
    assert lines(result, "not of one moment") == ["b: EXIF states times 0.5 s apart"]
    assert lines(result, "unequal exposure")[0].startswith("b: EXIF states 0.01 s")
    assert lines(result, "rotated by EXIF")[0].startswith("c_L.png: EXIF says rotated by 90°")


def test_the_time_of_a_clock_that_was_never_set_is_left_out(tmp_path: Path, rig: Path) -> None:
    folder = tmp_path / "day"
    folder.mkdir()
    for i, name in enumerate(("a_L.png", "a_R.png")):
        exif = Image.Exif()
        exif.get_ifd(ExifTags.IFD.Exif).update({
            ExifTags.Base.DateTimeOriginal: "1980:01:01 00:00:10", ExifTags.Base.ExposureTime: 900})
        Image.fromarray(np.full((12, 16), i, np.uint8)).save(folder / name, exif=exif)
    result = manifest(folder, "-o", tmp_path / "c.csv", "--rig", rig, "--rover", "dunlin-em")
    assert result.exit_code == 0, result.stderr
    pair, = read_manifest(tmp_path / "c.csv").pairs
    assert not {"taken_at", "exposure_s"} & set(pair.given)


def test_a_pattern_with_a_folder_for_each_camera(tmp_path: Path, rig: Path) -> None:
    for camera in ("left", "right"):
        small(tmp_path / camera, "1.png")
    write_picture(tmp_path / "left" / "1.png", np.zeros((12, 16), np.uint8))
    output = tmp_path / "campaign.csv"
    result = manifest(tmp_path, "-o", output, "--pair", "left/{stem}.png right/{stem}.png",
                      "--rig", rig, "--rover", "dunlin-em")
    assert result.exit_code == 0, result.stderr
    pair, = read_manifest(output).pairs
    assert (pair.id, pair.given["left"], pair.given["right"]) == (
        "1", "left/1.png", "right/1.png")


# --- sidecars ------------------------------------------------------------------------------------


def write_sidecar(path: Path, rig: Path, **changes: Any) -> None:
    values = {"schema": "hazcam-pair/1", "id": path.name.removesuffix(".pair.json"),
              "left": "l_L.png", "right": "l_R.png", "rig": str(rig), "rover": "dunlin-em"}
    path.write_text(json.dumps({**values, **changes}), encoding="utf-8")


def test_sidecars_become_rows_that_name_them(tmp_path: Path, rig: Path) -> None:
    folder = small(tmp_path / "day", "l_L.png", "l_R.png")
    write_sidecar(folder / "a.pair.json", rig, taken_at="2031-05-04T09:30:00Z",
                  taken_at_right="2031-05-04T09:30:02Z")
    write_sidecar(folder / "b.pair.json", rig, roll_deg=1.0, pitch_deg=0.0)
    write_sidecar(folder / "c.pair.json", rig, gain=-1)
    (tmp_path / "lists").mkdir()
    output = tmp_path / "lists" / "campaign.csv"
    result = manifest(folder, "-o", output)
    assert result.exit_code == 0, result.stderr
    assert output.read_bytes().decode() == (
        f"schema,id,sidecar\r\n{SCHEMA},a,../day/a.pair.json\r\n"
        f"{SCHEMA},b,../day/b.pair.json\r\n{SCHEMA},,../day/c.pair.json\r\n")
    assert "a: taken_at and taken_at_right are 2 s apart" in lines(result, "not of one moment")
    assert "is used more than once: left of a, left of b" in lines(result, "same bytes")[0]
    assert lines(result, "attitude not stated")[0].startswith("a: 1 pair states neither")
    assert "gain: found -1" in lines(result, "cannot be used")[0]
    assert [p.id for p in read_manifest(output).pairs] == ["a", "b"]


def test_what_sidecars_lack_and_say_otherwise_is_told(tmp_path: Path, rig: Path) -> None:
    folder = small(tmp_path / "day", "l_L.png", "l_R.png")
    write_sidecar(folder / "a.pair.json", rig, right="gone.png", onboard={"verdict": "stop"})
    write_sidecar(folder / "b.pair.json", rig, left=None, onboard={"verdict": " Ask-Ground "})
    write_sidecar(folder / "c.pair.json", rig, onboard={"verdict": "stop"})
    result = manifest(folder, "-o", tmp_path / "c.csv")
    assert result.exit_code == 0, result.stderr
    assert lines(result, "lone picture") == ["a: gone.png, its right picture, does not exist",
                                             "b: its sidecar gives no left picture"]
    told, = lines(result, "onboard verdict not known")
    assert told.startswith("2 pairs: found 'stop' (2); only go and ask-ground can be compared")


def test_the_words_to_compare_with_stand_in_the_help() -> None:
    told = " ".join(manifest("--help").stdout.split())
    assert "where it says go or ask-ground" in told
    assert "DateTimeOriginal, no other tag" in told
    assert "NAME.findings.csv" in told


# --- both in one file ----------------------------------------------------------------------------


@pytest.mark.parametrize(("shape", "dtype"), [((12, 32), np.uint8), ((12, 32, 3), np.uint16)])
def test_files_with_both_pictures_are_split_without_loss(
    tmp_path: Path, rig: Path, shape: tuple[int, ...], dtype: type
) -> None:
    folder = tmp_path / "both"
    folder.mkdir()
    rng = np.random.default_rng(5)
    whole: list[Any] = [rng.integers(0, np.iinfo(dtype).max, shape).astype(dtype) for _ in range(2)]
    for i, pixels in enumerate(whole):
        assert cv2.imwrite(str(folder / f"leftright{i}.png"), pixels)
    into, output = tmp_path / "halves", tmp_path / "c.csv"
    result = manifest(folder, "-o", output, "--side-by-side", into, "--rig", rig, "--rover",
                      "dunlin-em")
    assert result.exit_code == 0, result.stderr
    for i, pixels in enumerate(whole):
        halves = [cv2.imread(str(into / f"leftright{i}.{side}.png"), cv2.IMREAD_UNCHANGED)
                  for side in ("left", "right")]
        assert all(half is not None and half.dtype == dtype for half in halves)
        assert np.array_equal(np.concatenate([h for h in halves if h is not None], axis=1), pixels)
    assert [(p.id, p.given["left"], p.given["right"]) for p in read_manifest(output).pairs] == [
        (f"leftright{i}", f"halves/leftright{i}.left.png", f"halves/leftright{i}.right.png")
        for i in range(2)]


def test_halves_keep_the_time_of_their_file(tmp_path: Path, rig: Path) -> None:
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 1
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = "2031:05:04 09:30:00"
    (tmp_path / "both").mkdir()
    Image.fromarray(np.zeros((12, 32), np.uint8)).save(
        tmp_path / "both" / "1.png", exif=exif)
    output = tmp_path / "c.csv"
    result = manifest(tmp_path / "both", "-o", output, "--side-by-side", tmp_path / "halves",
                      "--rig", rig, "--rover", "dunlin-em")
    assert result.exit_code == 0, result.stderr
    assert read_manifest(output).pairs[0].given["taken_at"] == "2031-05-04T09:30:00"


@pytest.mark.parametrize(("names", "into", "words"), [
    ((), "halves", "holds no picture"),
    (("odd.png",), "halves", "is 33 px wide, an odd number"),
    (("a.png", "a.tif"), "halves", "has the name of a.png"),
    (("a.png",), "both", "is the folder that is split"),
    (("a.png",), "taken", "a.left.png: is there already"),
    (("a.png",), "file", "cannot be written"),
])
def test_files_that_cannot_be_split(
    tmp_path: Path, rig: Path, names: tuple[str, ...], into: str, words: str
) -> None:
    (tmp_path / "both").mkdir()
    for name in names:
        width = 33 if name == "odd.png" else 32
        write_picture(tmp_path / "both" / name, np.zeros((12, width), np.uint8))
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "a.left.png").touch()
    (tmp_path / "file").touch()
    result = manifest(tmp_path / "both", "-o", tmp_path / "c.csv", "--side-by-side",
                      tmp_path / into, "--rig", rig, "--rover", "dunlin-em")
    assert result.exit_code == 1
    assert words in result.stderr
    assert not (tmp_path / "c.csv").exists()


# --- errors --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("options", "words"), [
    (["-o", "c.txt"], "the manifest is a NAME.csv or a NAME.jsonl"),
    ([], "Missing option '-o'"),
    (["-o", "c.csv", "--pair", "a b"], "is not two names with {id} or {stem}"),
    (["-o", "c.csv", "--pair", "{id}l {id}r", "--side-by-side", "x"], "give one of the two"),
])
def test_wrong_usage(tmp_path: Path, options: list[str], words: str) -> None:
    result = manifest(tmp_path, *options)
    assert result.exit_code == 2
    assert words in result.stderr


def test_folders_that_give_no_manifest(tmp_path: Path, rig: Path) -> None:
    output = tmp_path / "c.csv"
    given = ("-o", output, "--rig", rig, "--rover", "dunlin-em")
    empty, lone, wide = (tmp_path / name for name in ("empty", "lone", "wide"))
    empty.mkdir()
    small(lone, "a_L.png", "view.png")
    small(wide)
    write_picture(wide / "1.png", np.zeros((480, 1280), np.uint8))
    for folder, words in ((tmp_path / "gone", "does not exist"), (rig, "is not a folder"),
                          (empty, "holds no sidecar *.pair.json and no picture"),
                          (lone, "nothing could be paired"),
                          (wide, "none of its pictures (there is one) is named as a left")):
        result = manifest(folder, *given)
        assert result.exit_code == 1
        assert words in result.stderr
    assert "side by side (1)\n  1.png: 1280 x 480 px" in result.stdout
    assert "a left picture without a right one" in manifest(lone, *given).stdout
    assert not output.exists()


def test_pictures_need_rig_and_rover_and_sidecars_have_them(tmp_path: Path, rig: Path) -> None:
    folder = small(tmp_path / "day", "l_L.png", "l_R.png")
    result = manifest(folder, "-o", tmp_path / "c.csv")
    assert result.exit_code == 1
    assert "no rig and rover is given" in result.stderr
    write_sidecar(folder / "a.pair.json", rig)
    result = manifest(folder, "-o", tmp_path / "c.csv", "--rig", rig)
    assert result.exit_code == 1
    assert "holds sidecars, which name their own rig and rover" in result.stderr


@pytest.mark.parametrize("more", [[], ["--side-by-side", "halves"]])
def test_a_folder_that_may_not_be_looked_into(
    tmp_path: Path, rig: Path, monkeypatch: pytest.MonkeyPatch, more: list[str]
) -> None:
    def refuse(self: Path) -> Any:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "iterdir", refuse)
    result = manifest(tmp_path, "-o", tmp_path / "c.csv", "--rig", rig, *more)
    assert result.exit_code == 1
    assert "cannot be looked into: Permission denied" in result.stderr


def test_nothing_is_overwritten_unasked(tmp_path: Path, rig: Path) -> None:
    folder = small(tmp_path / "day", "l_L.png", "l_R.png")
    output = tmp_path / "c.csv"
    output.write_text("mine", encoding="utf-8")
    given = ("--rig", rig, "--rover", "dunlin-em")
    result = manifest(folder, "-o", output, *given)
    assert result.exit_code == 1
    assert "is there already" in result.stderr
    assert output.read_text(encoding="utf-8") == "mine"
    assert manifest(folder, "-o", output, *given, "--force").exit_code == 0
    assert output.read_text(encoding="utf-8").startswith("schema,id,left")
    for place, words in ((tmp_path / "gone" / "c.csv", "does not exist"),
                         (tmp_path / "d.csv", "is a folder")):
        (tmp_path / "d.csv").mkdir(exist_ok=True)
        result = manifest(folder, "-o", place, *given)
        assert result.exit_code == 1
        assert words in result.stderr
