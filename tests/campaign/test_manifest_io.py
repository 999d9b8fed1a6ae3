"""A manifest with what its rows name: 10 000 rows, folders of sidecars, folders of pictures."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from hazcam.campaign.manifest.io import read_manifest
from hazcam.campaign.manifest.text import COLUMNS, SCHEMA, write_manifest_text
from hazcam.errors import PairError

CALIBRATION = Path(__file__).parents[2] / "calibration"
RIG = CALIBRATION / "dunlin-em.yaml"


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
    ({"walked_heading_deg": 0.0, "walked_outcome": "fell"}, "walked_outcome: found 'fell'"),
    ({"schema": None}, "schema: missing"),
    ({"sidecar": "gone.pair.json"}, "a sidecar, and left, right"),
    (lambda row: row[:-1], "cells"),
    (lambda row: [*row, "more"], "cells"),
]


def test_all_300_bad_rows_of_10_000_are_listed_and_no_other(field: Path) -> None:
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
    begun = time.perf_counter()
    manifest = read_manifest(path)
    assert time.perf_counter() - begun < 8  # takes 1.5 s; reading the rig for each row, minutes
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


def test_a_rig_is_read_once(field: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[Path] = []
    monkeypatch.setattr("hazcam.campaign.manifest.io.read_rig", read.append)
    path = field / "campaign.csv"
    path.write_text(write_manifest_text(map(good, range(20)), "csv"), encoding="utf-8")
    assert len(read_manifest(path).pairs) == 20
    assert read == [field / "rig.yaml"]


def test_one_missing_picture_is_no_bad_row(field: Path) -> None:
    path = field / "campaign.jsonl"
    path.write_text(write_manifest_text([{**good(1), "right": "gone.png"}], "jsonl"),
                    encoding="utf-8")
    assert [p.id for p in read_manifest(path).pairs] == ["pair-00001"]


def test_a_name_longer_than_the_system_takes_is_a_bad_row(field: Path) -> None:
    path = field / "campaign.jsonl"
    path.write_text(write_manifest_text([{**good(1), "left": "x" * 5000}], "jsonl"),
                    encoding="utf-8")
    bad, = read_manifest(path).bad
    assert "cannot be looked up" in bad.failure.found


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
    assert [b.failure.id for b in manifest.bad] == ["fm_a", "fm_c", "d"]
    doubled, negative, text = (b.failure for b in manifest.bad)
    assert (doubled.where, doubled.found) == (
        "fm/a.pair.json: id", "'a' is taken already by em/a.pair.json")
    assert negative.where == "fm/c.pair.json: gain"
    assert text.where == "fm/d.pair.json: fm/../text.png"


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
    (field / "rover.toml").write_text("", encoding="utf-8")
    write_sidecar(field / "em" / "b.pair.json")
    manifest = read_manifest(field, pattern="cam0/{stem}.png cam1/{stem}.png",
                             rig=field / "rig.yaml", rover=str(field / "rover.toml"))
    assert [b.failure.id for b in manifest.bad] == ["1", "2"]
    assert manifest.bad[0].failure.where == "cam0/1.png: rover.toml"


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
