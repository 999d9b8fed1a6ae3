"""What is odd about files before their pixels: copies, partners, sizes, and what EXIF states."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import ExifTags, Image

from hazcam.campaign.manifest.finding import (
    Use,
    differing,
    moments_apart_s,
    no_attitude,
    same_bytes,
    side_by_side,
    stated_apart,
    turned,
    unpaired,
)
from hazcam.imagery.header import PictureHeader, read_header
from hazcam.imagery.naming import NamedPicture, named


def header(width: int = 64, height: int = 48, **values: Any) -> PictureHeader:
    return PictureHeader(size=(width, height), **values)


# --- headers -------------------------------------------------------------------------------------


def write(path: Path, *, turn: int = 1, **tags: Any) -> Path:
    """A picture with EXIF, its tags by their names in Pillow."""
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = turn
    exif.get_ifd(ExifTags.IFD.Exif).update(
        {ExifTags.Base[name]: value for name, value in tags.items()})
    Image.fromarray(np.zeros((6, 8), np.uint8)).save(path, exif=exif)
    return path


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.webp"])
def test_a_header_is_read_from_each_form(tmp_path: Path, name: str) -> None:
    path = write(tmp_path / name, turn=6, DateTimeOriginal="2031:05:04 09:30:00",
                 SubsecTimeOriginal="25", OffsetTimeOriginal="+01:00", ExposureTime=0.004)
    assert read_header(path) == PictureHeader(
        size=(8, 6), turned="rotated by 90°", taken_at="2031-05-04T09:30:00.25+01:00",
        exposure_s=0.004)


def test_the_size_of_a_tiff_is_that_of_its_pixels_as_sent(tmp_path: Path) -> None:
    assert read_header(write(tmp_path / "a.tif", turn=6)) == PictureHeader(
        size=(8, 6), turned="rotated by 90°")


@pytest.mark.parametrize("tags", [
    {}, {"DateTimeOriginal": "0000:00:00 00:00:00"}, {"DateTimeOriginal": "yesterday"},
    {"ExposureTime": 0.0}, {"SubsecTimeOriginal": "25"},
])
def test_what_is_not_stated_is_not_made_up(tmp_path: Path, tags: dict[str, Any]) -> None:
    assert read_header(write(tmp_path / "a.jpg", **tags)) == PictureHeader(size=(8, 6))


def test_what_is_no_picture_has_no_header(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_text("no picture", encoding="utf-8")
    (tmp_path / "b.png").touch()
    assert [read_header(tmp_path / name) for name in ("a.png", "b.png", "c.png")] == [None] * 3


def test_orientation_is_told_and_not_applied() -> None:
    found, = turned({"a.jpg": header(turned="rotated by 90°"), "b.jpg": header(), "c.png": None})
    assert found.where == "a.jpg"
    assert "EXIF says rotated by 90°: not applied" in found.text


# --- pairs ---------------------------------------------------------------------------------------


def pictures(*names: str) -> list[NamedPicture]:
    return [picture for name in names if (picture := named(name)) is not None]


def test_pictures_without_a_partner_and_without_a_side() -> None:
    found = unpaired(pictures("a.left.png", "a.right.png", "b.left.png", "c.right.png"), ["x.png"])
    assert [(f.kind, f.where) for f in found] == [
        ("lone picture", "b.left.png"), ("lone picture", "c.right.png"),
        ("side not told", "x.png")]
    assert "a left picture without a right one" in found[0].text


def use(pair: str, side: str, path: str, digest: str) -> Use:
    return Use(pair=pair, side=side, path=path, digest=digest)


def test_pairs_without_attitude_are_counted_and_told_what_follows() -> None:
    assert no_attitude([]) == []
    found, = no_attitude([f"p{i}" for i in range(7)])
    assert found.where == "p0, p1, p2, p3, p4 and 2 more"
    assert found.text.startswith("7 pairs state neither roll_deg nor pitch_deg: ")
    assert "ask-ground" in found.text
    assert no_attitude(["a"])[0].text.startswith("1 pair states")


def test_files_with_the_same_bytes() -> None:
    found = same_bytes([use("a", "left", "a.l.png", "1"), use("a", "right", "a.r.png", "1"),
                        use("b", "left", "b.l.png", "2"), use("b", "right", "b.r.png", "3"),
                        use("c", "left", "b.l.png", "2"), use("d", "left", "d.l.png", "4"),
                        use("e", "left", "e.l.png", "4")])
    assert [(f.where, f.text) for f in found] == [
        ("a.l.png", "has the same bytes as a.r.png: left and right of a are one picture"),
        ("b.l.png", "is used more than once: left of b, left of c"),
        ("d.l.png", "has the same bytes as e.l.png: left of d, left of e")]


def test_a_file_with_many_copies_names_some() -> None:
    found, = same_bytes(use(f"p{i}", "left", f"{i}.png", "1") for i in range(9))
    assert "5.png and 3 more: " in found.text
    assert found.text.endswith("left of p4 and 4 more")


def test_a_file_twice_as_wide_as_the_rig_or_the_others() -> None:
    sizes = {"a.png": header(), "b.png": header(), "c.png": header(130), "d.png": header(64, 96)}
    assert [f.where for f in side_by_side(sizes, None)] == ["c.png"]
    assert [f.where for f in side_by_side(sizes, (32, 48))] == ["a.png", "b.png"]
    alone = side_by_side({"a.png": header(128, 48), "b.png": None}, None)
    assert "--side-by-side" in alone[0].text
    assert side_by_side({"a.png": header(160, 90)}, None) == []


@pytest.mark.parametrize(("left", "right", "kind", "words"), [
    (header(), header(32), "different sizes", "64 x 48 and 32 x 48 px"),
    (header(exposure_s=0.01), header(exposure_s=0.02), "unequal exposure", "0.01 s for the left"),
    (header(taken_at="2031-05-04T09:30:00.1"), header(taken_at="2031-05-04T09:30:00.4"),
     "not of one moment", "0.3 s apart"),
    (header(taken_at="2031-05-04T09:30:00"), header(taken_at="2031-05-04T09:30:02"),
     "not of one moment", "2 s apart"),
])
def test_headers_that_differ(
    left: PictureHeader, right: PictureHeader, kind: str, words: str
) -> None:
    found, = differing("a", left, right)
    assert (found.kind, found.where) == (kind, "a")
    assert words in found.text


@pytest.mark.parametrize(("left", "right"), [
    (header(exposure_s=0.01), header(exposure_s=0.0105)),
    (header(exposure_s=0.01), header()),
    (header(taken_at="2031-05-04T09:30:00"), header(taken_at="2031-05-04T09:30:01")),
    (header(taken_at="2031-05-04T09:30:00"), header(taken_at="2031-05-04T12:30:00Z")),
    (header(), None),
])
def test_headers_that_do_not_contradict(
    left: PictureHeader | None, right: PictureHeader | None
) -> None:
    assert differing("a", left, right) == []


def test_times_that_a_sidecar_states() -> None:
    at = {"taken_at": "2031-05-04T09:30:00Z"}
    assert stated_apart("a", at) == []
    assert stated_apart("a", {**at, "taken_at_right": "2031-05-04T09:30:00.05Z"}) == []
    found, = stated_apart("a", {**at, "taken_at_right": "2031-05-04T10:30:00.5+01:00"})
    assert "0.5 s apart" in found.text
    assert moments_apart_s("2031-05-04T09:30:00Z", "2031-05-04T09:30:00") is None
