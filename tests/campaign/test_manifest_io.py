"""A manifest with what its rows name: 10 000 rows, folders of sidecars, folders of pictures."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from hazcam.calibration import StereoRig, read_rig
from hazcam.campaign.manifest.io import read_manifest
from hazcam.campaign.manifest.text import COLUMNS, SCHEMA, write_manifest_text
from hazcam.campaign.store.same_run import check_rows
from hazcam.errors import HazcamError, OutputError, PairError

CALIBRATION = Path(__file__).parents[2] / "calibration"
RIG = CALIBRATION / "dunlin-em.yaml"
ROVERS = CALIBRATION.parent / "hazcam" / "rover"


@pytest.fixture
def field(tmp_path: Path) -> Path:
    """A folder with two pictures, a rig and what is no picture."""
    pixels = np.random.default_rng(3).integers(0, 256, (12, 16)).astype(np.uint8)
    for name in ("l.png", "r.png"):
        assert cv2.imwrite(str(tmp_path / name), pixels)
    (tmp_path / "rig.yaml").write_text(RIG.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "broken.yaml").write_text("K1: [", encoding="utf-8")
    (tmp_path / "broken.toml").write_text("name = ", encoding="utf-8")
    (tmp_path / "empty.png").touch()
    (tmp_path / "text.png").write_text("no picture", encoding="utf-8")
    (tmp_path / "folder.png").mkdir()
    return tmp_path


def good(number: int) -> dict[str, Any]:
    return {"schema": SCHEMA, "id": f"pair-{number:05d}", "left": "l.png", "right": "r.png",
            "rig": "rig.yaml", "rover": "dunlin-em", "roll_deg": 1.0, "pitch_deg": -1.0,
            "taken_at": "2031-05-04T09:30:00Z", "site": "slag heap, lower edge"}


def cells(row: dict[str, Any]) -> list[str]:
    return [f'"{row[c]}"' if c in row else "" for c in COLUMNS]


# Each way to be wrong: the changes of a row, or what is done to its cells; and words of its error.
WAYS: list[tuple[dict[str, Any] | Callable[[list[str]], list[str]], str]] = [
    ({"left": "gone.png", "right": "lost.png"}, "both pictures are missing"),
    ({"left": None, "right": None}, "left, right (one of them at least)"),
    ({"left": "folder.png"}, "folder.png: is a folder"),
    ({"right": "empty.png"}, "empty.png: is empty (0 bytes)"),
    ({"left": "text.png"}, "text.png: not an image (it starts with b'no pictu')"),
    ({"rig": "nowhere.yaml"}, "nowhere.yaml: does not exist"),
    ({"rig": "broken.yaml"}, "broken.yaml"),
    ({"rover": "dunlin-xx"}, "dunlin-xx"),
    ({"rover": "broken.toml"}, "broken.toml: broken TOML"),
    ({"pitch_deg": None}, "roll_deg without pitch_deg"),
    ({"roll_deg": "nan"}, "roll_deg: found 'nan'"),
    ({"gain": "high"}, "gain: found 'high'"),
    ({"id": "pair-00000"}, "id: 'pair-00000' is taken already by campaign.csv: line 2"),
    ({"id": "pair 7"}, "id: 'pair 7' cannot name"),
    ({"taken_at": "04.05.2031"}, "taken_at: found '04.05.2031'"),
    ({"binning": 1.5}, "binning: found '1.5'"),
    ({"schema": None}, "schema: missing"),
    ({"sidecar": "gone.pair.json"}, "a sidecar, and left, right"),
    (lambda row: row[:-1], "cells"),
    (lambda row: [*row, "more"], "cells"),
]


def test_all_300_bad_rows_of_10_000_are_listed_and_no_other(
    field: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    step, count = 33, 300
    lines = [",".join(COLUMNS)]
    expected: dict[int, str] = {}
    for number in range(10_000):
        row = cells(good(number))
        if number % step == 1 and len(expected) < count:
            way, words = WAYS[len(expected) % len(WAYS)]
            if callable(way):
                row = way(row)
            else:
                row = cells({k: v for k, v in {**good(number), **way}.items() if v is not None})
            expected[number] = words
        lines.append(",".join(row))
    path = field / "campaign.csv"
    path.write_text("\ufeff" + "\r\n".join(lines), encoding="utf-8")
    read: list[Path] = []

    def counted(path: Path) -> StereoRig:
        read.append(path)
        return read_rig(path)

    monkeypatch.setattr("hazcam.campaign.manifest.io.read_rig", counted)
    manifest = read_manifest(path)
    # Once each: for every row it would take minutes.
    assert sorted(p.name for p in read) == ["broken.yaml", "nowhere.yaml", "rig.yaml"]
    assert len(manifest.pairs) == 9_700
    assert [b.place for b in manifest.bad] == list(expected)
    assert len({b.failure.id for b in manifest.bad} | {p.id for p in manifest.pairs}) == 10_000
    for row_bad, (number, words) in zip(manifest.bad, expected.items(), strict=True):
        failure = row_bad.failure
        assert failure.where.startswith(f"campaign.csv: line {number + 2}")
        assert words in failure.text
        assert str(field) not in failure.where + failure.found
        assert failure.expected
        assert failure.remedy


def test_one_missing_picture_is_no_bad_row(field: Path) -> None:
    path = field / "campaign.jsonl"
    path.write_text(write_manifest_text([{**good(1), "right": "gone.png"}], "jsonl"),
                    encoding="utf-8")
    assert [p.id for p in read_manifest(path).pairs] == ["pair-00001"]


@pytest.mark.parametrize("key", ["left", "right", "rig", "rover", "sidecar"])
def test_a_name_longer_than_the_system_takes_is_a_bad_row(field: Path, key: str) -> None:
    long = f"{'x' * 400}.toml"
    row = {"schema": SCHEMA, "sidecar": long} if key == "sidecar" else {**good(1), key: long}
    path = field / "campaign.jsonl"
    path.write_text(write_manifest_text([row, good(2)], "jsonl"), encoding="utf-8")
    manifest = read_manifest(path)
    assert [p.id for p in manifest.pairs] == ["pair-00002"]
    bad, = manifest.bad
    assert "name too long" in bad.failure.found
    assert "path" in bad.failure.remedy


@pytest.mark.parametrize("key", ["left", "rig", "rover"])
def test_a_sidecar_that_names_what_no_file_can_be_called_is_a_bad_row(
    field: Path, key: str
) -> None:
    write_sidecar(field / "day" / "a.pair.json", **{key: "a\0b.toml"})
    write_sidecar(field / "day" / "b.pair.json")
    manifest = read_manifest(field / "day")
    assert [p.id for p in manifest.pairs] == ["b"]
    assert manifest.bad[0].failure.where == f"a.pair.json: {key}"


def test_a_manifest_of_a_long_name_is_refused(field: Path) -> None:
    with pytest.raises(PairError, match="name too long"):
        read_manifest(field / ("x" * 400))


# --- the same rows as before ---------------------------------------------------------------------


@pytest.fixture
def own(field: Path) -> Path:
    """A manifest of a row that names pictures, and one that names a sidecar; with own rovers."""
    shipped = ROVERS / "dunlin-em.toml"
    for name in ("a.toml", "b.toml"):
        (field / name).write_text(shipped.read_text(encoding="utf-8"), encoding="utf-8")
    (field / "rig2.yaml").write_text(RIG.read_text(encoding="utf-8"), encoding="utf-8")
    write_sidecar(field / "day" / "b.pair.json", rig="../rig2.yaml", rover="../b.toml")
    rows = [{**good(0), "id": "a", "rover": "./a.toml"},
            {"schema": SCHEMA, "sidecar": "day/b.pair.json"}]
    path = field / "campaign.csv"
    path.write_text(write_manifest_text(rows, "csv"), encoding="utf-8")
    return path


def replaced(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


@pytest.mark.parametrize(("file", "old", "new", "pair"), [
    ("campaign.csv", ",1.0,", ",1.5,", "a"),
    ("day/b.pair.json", '"rig"', '"binning": 2, "rig"', "b"),
    ("day/b.pair.json", '"rig"',
     '"previous": {"pair": "a", "pose": [[1, 0, 0, 0.2], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]],'
     ' "sigma": [0.01, 0.01, 0.5]}, "rig"', "b"),
    ("a.toml", "lateral_m = 0.03", "lateral_m = 0.04", "a"),
    ("b.toml", "lateral_m = 0.03", "lateral_m = 0.04", "b"),
])
def test_what_a_row_names_may_not_be_exchanged_once_it_is_assessed(
    own: Path, file: str, old: str, new: str, pair: str
) -> None:
    assessed = {p.id: p.digest for p in read_manifest(own).pairs}
    assert sorted(assessed) == ["a", "b"]
    check_rows(Path("RUN"), assessed, read_manifest(own))
    replaced(own.parent / file, old, new)
    with pytest.raises(OutputError, match=rf"sidecar, rig or rover: {pair}\n") as caught:
        check_rows(Path("RUN"), assessed, read_manifest(own))
    assert "put back what was changed" in caught.value.remedy


@pytest.mark.parametrize(("file", "old", "new"), [
    ("campaign.csv", "slag heap", "beach"),
    ("day/b.pair.json", '"rig"', '"note": "x", "site": "heap", "gain": 2.0, "rig"'),
    ("day/b.pair.json", '"rig"', '"onboard": {"verdict": "go"}, "rig"'),
])
def test_labels_and_notes_may_be_added_to_what_is_assessed(
    own: Path, file: str, old: str, new: str
) -> None:
    assessed = {p.id: p.digest for p in read_manifest(own).pairs}
    replaced(own.parent / file, old, new)
    check_rows(Path("RUN"), assessed, read_manifest(own))


def test_the_digest_is_the_same_from_anywhere_and_where_the_campaign_is_moved(
    own: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    replaced(own, ",l.png,", f",{CALIBRATION / 'far.png'},")
    replaced(own, ",r.png,", f",{own.parent / 'r.png'},")

    def digests(path: Path) -> list[str]:
        return [pair.digest for pair in read_manifest(path).pairs]

    before = digests(own)
    assert len(set(before)) == 2
    monkeypatch.chdir(own.parent)
    assert digests(Path("campaign.csv")) == before
    monkeypatch.chdir(own.parent.parent)
    assert digests(Path(own.parent.name, "campaign.csv")) == before
    replaced(own, f",{own.parent / 'r.png'},", ",r.png,")
    own.parent.rename(tmp_path.parent / f"{tmp_path.name}-moved")
    assert digests(tmp_path.parent / f"{tmp_path.name}-moved" / own.name) == before


@pytest.mark.parametrize("folder", ["here", "absolute", "below"])
def test_paths_in_messages_are_those_of_the_manifest(
    field: Path, monkeypatch: pytest.MonkeyPatch, folder: str
) -> None:
    (field / "lists").mkdir()
    row = good(0)
    rows = [{**row, "id": "a", "left": "../l.png", "rig": "../calib/x.yaml"},
            {**row, "id": "b", "left": "../empty.png", "right": "x/../../r.png",
             "rig": "../rig.yaml"}]
    (field / "lists" / "c.csv").write_text(write_manifest_text(rows, "csv"), encoding="utf-8")
    at = {"here": field / "lists", "absolute": field, "below": field}[folder]
    monkeypatch.chdir(at)
    path = {"here": Path("c.csv"), "absolute": field / "lists" / "c.csv",
            "below": Path("lists/c.csv")}[folder]
    assert [b.failure.where for b in read_manifest(path).bad] == [
        "c.csv: line 2: ../calib/x.yaml", "c.csv: line 3: ../empty.png"]


@pytest.mark.parametrize(("name", "pair"), [("rig.yaml", "a"), ("rig2.yaml", "b")])
def test_another_rig_of_the_same_name_is_noticed(own: Path, name: str, pair: str) -> None:
    assessed = {p.id: p.digest for p in read_manifest(own).pairs}
    other = (CALIBRATION / "dunlin-fm.yaml").read_text(encoding="utf-8")
    (own.parent / name).write_text(other, encoding="utf-8")
    with pytest.raises(OutputError, match=f"rover: {pair}\n"):
        check_rows(Path("RUN"), assessed, read_manifest(own))


def test_an_assessed_pair_may_lose_its_pictures(own: Path) -> None:
    assessed = {p.id: p.digest for p in read_manifest(own).pairs}
    for name in ("l.png", "r.png"):
        (own.parent / name).unlink()
    manifest = read_manifest(own)
    assert [b.failure.id for b in manifest.bad] == ["a", "b"]
    check_rows(Path("RUN"), assessed, manifest)


# --- folders -------------------------------------------------------------------------------------


def write_sidecar(path: Path, **changes: Any) -> None:
    path.parent.mkdir(exist_ok=True)
    values = {"schema": "hazcam-pair/1", "id": path.name.removesuffix(".pair.json"),
              "left": "../l.png", "right": "../r.png", "rig": "../rig.yaml", "rover": "dunlin-em"}
    path.write_text(json.dumps({**values, **changes}), encoding="utf-8")


def test_a_folder_of_sidecars_with_folders_in_it(field: Path) -> None:
    write_sidecar(field / "em" / "b.pair.json")
    write_sidecar(field / "em" / "a.pair.json")
    write_sidecar(field / "fm" / "a.pair.json")
    write_sidecar(field / "fm" / "c.pair.json", gain=-1)
    write_sidecar(field / "fm" / "d.pair.json", left="gone.png", right="../text.png")
    manifest = read_manifest(field)
    assert [(p.id, p.where, dict(p.given)) for p in manifest.pairs] == [
        (name, f"em/{name}.pair.json", {"schema": SCHEMA, "sidecar": f"em/{name}.pair.json"})
        for name in ("a", "b")]
    assert [b.failure.id for b in manifest.bad] == ["a_", "c", "d"]
    doubled, negative, text = (b.failure for b in manifest.bad)
    assert (doubled.where, doubled.found) == (
        "fm/a.pair.json: id", "'a' is taken already by em/a.pair.json")
    assert negative.where == "fm/c.pair.json: gain"
    assert text.where == "fm/d.pair.json: text.png"


def pictures(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes((folder / "l.png").read_bytes())


def test_a_folder_of_pictures(field: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (field / "day").mkdir()
    pictures(field, "day/a 1.left.png", "day/a 1.right.png", "day/b_L.png", "day/b_R.png",
             "day/b_R.jpg", "day/c-right.png", "day/overview.png")
    monkeypatch.chdir(field)
    manifest = read_manifest(Path("day"), rig=Path("rig.yaml"), rover="dunlin-fm")
    assert [dict(p.given) for p in manifest.pairs] == [
        {"schema": SCHEMA, "rig": "../rig.yaml", "rover": "dunlin-fm", "id": name, **sides}
        for name, sides in {
            "a_1": {"left": "a 1.left.png", "right": "a 1.right.png"},
            "b": {"left": "b_L.png", "right": "b_R.jpg"}, "c": {"right": "c-right.png"}}.items()]
    assert manifest.pairs[0].sidecar.rig.resolve() == (field / "rig.yaml").resolve()
    doubled, = manifest.bad
    assert doubled.failure.where == "b_R.png: id"
    assert "taken already by b_L.png" in doubled.failure.found


def test_a_folder_of_pictures_by_a_pattern(field: Path) -> None:
    pictures(field, "cam0/1.png", "cam1/1.png", "cam0/2.png", "cam1/2.png")
    (field / "cam0" / "2.png").write_bytes(b"")
    write_sidecar(field / "em" / "b.pair.json")
    manifest = read_manifest(field, pattern="cam0/{stem}.png cam1/{stem}.png",
                             rig=field / "rig.yaml", rover="dunlin-em")
    assert [p.id for p in manifest.pairs] == ["1"]
    assert [b.failure.id for b in manifest.bad] == ["2"]
    assert manifest.bad[0].failure.where == "cam0/2.png"


def days(field: Path, *names: str) -> Path:
    """A folder with pictures in its folders only."""
    (field / "days").mkdir()
    for name in names:
        (field / "days" / name).parent.mkdir(exist_ok=True)
        (field / "days" / name).write_bytes((field / "l.png").read_bytes())
    return field / "days"


@pytest.mark.parametrize("pattern", [None, "{stem}_L.png {stem}_R.png"])
@pytest.mark.parametrize(("second", "ids"), [
    ("13", ["IMG_11", "IMG_12", "IMG_13"]),
    # Once a name is there twice, all are told apart: more pictures change no id at random.
    ("12", ["2031-05-01_IMG_11", "2031-05-01_IMG_12", "2031-05-02_IMG_12"]),
])
def test_a_folder_for_each_day(
    field: Path, pattern: str | None, second: str, ids: list[str]
) -> None:
    names = ("2031-05-01/IMG_11", "2031-05-01/IMG_12", f"2031-05-02/IMG_{second}")
    folder = days(field, *(f"{name}_{side}.png" for name in names for side in "LR"))
    manifest = read_manifest(folder, pattern=pattern, rig=RIG, rover="dunlin-em")
    assert not manifest.bad
    assert [p.id for p in manifest.pairs] == ids
    assert [(p.given["left"], p.given["right"]) for p in manifest.pairs] == [
        (f"{name}_L.png", f"{name}_R.png") for name in names]


def test_with_pictures_at_the_top_the_folders_are_not_looked_into(field: Path) -> None:
    folder = days(field, "old/a_L.png", "old/a_R.png")
    pictures(folder.parent, "days/b_L.png", "days/b_R.png")
    assert [p.id for p in read_manifest(folder, rig=RIG, rover="dunlin-em").pairs] == ["b"]


@pytest.mark.parametrize(("rig", "rover", "words"), [
    ("rgi.yaml", "dunlin-em", "rgi.yaml: does not exist"), ("rig.yaml", "dunlin-me", "dunlin-me"),
])
def test_a_slip_in_rig_or_rover_is_told_once(
    field: Path, rig: str, rover: str, words: str
) -> None:
    pictures(field, "a_L.png", "a_R.png", "b_L.png", "b_R.png")
    with pytest.raises(HazcamError, match=words):
        read_manifest(field, rig=field / rig, rover=rover)


@pytest.mark.parametrize(("name", "words"), [
    ("gone.csv", "does not exist"),
    ("empty.png", "is empty"),
    ("l.png", r"is not UTF-8 text \(line 1, byte 0\)"),
])
def test_what_is_no_campaign_is_refused(field: Path, name: str, words: str) -> None:
    with pytest.raises(PairError, match=words):
        read_manifest(field / name)


def test_a_folder_of_pictures_needs_rig_and_rover(field: Path) -> None:
    pictures(field, "a.left.png", "a.right.png")
    with pytest.raises(PairError, match="no rig and rover is given"):
        read_manifest(field)
    with pytest.raises(PairError, match="no rover is given"):
        read_manifest(field, rig=field / "rig.yaml")


def test_a_folder_without_pairs(field: Path) -> None:
    with pytest.raises(PairError, match=r"no sidecar \*.pair.json and no picture"):
        read_manifest(field / "folder.png", rig=RIG, rover="dunlin-em")
    with pytest.raises(PairError, match=r"none of its 5 pictures is named as a left or a right"):
        read_manifest(field, rig=RIG, rover="dunlin-em")
    with pytest.raises(PairError, match=r"none of its 5 pictures"):
        read_manifest(field, pattern="a{id}.png b{id}.png", rig=RIG, rover="dunlin-em")


def test_a_manifest_that_may_not_be_read(field: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = field / "campaign.csv"
    path.write_text("schema\n", encoding="utf-8")

    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(PairError, match="cannot be read: Permission denied"):
        read_manifest(path)
