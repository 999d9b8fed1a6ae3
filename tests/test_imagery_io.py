"""Reading pictures, sidecars and pairs: what comes in, and each error in the words a user needs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import ExifTags, Image

from hazcam.errors import ImageError, PairError
from hazcam.imagery.arrays import pair_digest, pair_from_arrays, to_grey
from hazcam.imagery.io import find_sidecars, read_pair, read_picture, read_sidecar
from hazcam.imagery.pair import Window

SIDECAR: dict[str, Any] = {
    "schema": "hazcam-pair/1", "id": "dune-1", "left": "left.png", "right": "right.png",
    "rig": "../calibration/mast.yaml", "rover": "dunlin-em",
}


def texture(seed: int = 0, shape: tuple[int, ...] = (48, 64), top: int = 256) -> Any:
    dtype = np.uint8 if top <= 256 else np.uint16
    return np.random.default_rng(seed).integers(0, top, shape).astype(dtype)


def write_picture(path: Path, pixels: Any) -> Path:
    assert cv2.imwrite(str(path), pixels)
    return path


def write_sidecar(folder: Path, changes: dict[str, Any] | None = None, drop: str = "") -> Path:
    values = {**SIDECAR, **(changes or {})}
    values.pop(drop, None)
    path = folder / "dune-1.pair.json"
    path.write_text(json.dumps(values), encoding="utf-8")
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_picture(tmp_path / "left.png", texture(1))
    write_picture(tmp_path / "right.png", texture(2))
    return tmp_path


# --- pictures ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["a.png", "a.tif", "a.bmp", "a.pgm"])
def test_lossless_pictures_come_back_as_written(tmp_path: Path, name: str) -> None:
    pixels, notes = read_picture(write_picture(tmp_path / name, texture()))
    assert np.array_equal(pixels, texture())
    assert notes == ()


@pytest.mark.parametrize("turn", range(1, 9))
@pytest.mark.parametrize(("name", "options"), [
    ("a.png", {}), ("a.tif", {}), ("a.tif", {"big_tiff": True}),
    ("a.tif", {"compression": "tiff_lzw"}),
])
def test_orientation_is_never_applied(
    tmp_path: Path, name: str, options: dict[str, Any], turn: int
) -> None:
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = turn
    Image.fromarray(texture()).save(tmp_path / name, exif=exif, **options)
    assert np.array_equal(read_picture(tmp_path / name)[0], texture())


def test_a_picture_path_may_hold_any_letters(tmp_path: Path) -> None:
    path = tmp_path / "Düne ä.png"
    path.write_bytes(cv2.imencode(".png", texture())[1].tobytes())
    assert read_picture(path)[0].shape == (48, 64)


def test_sixteen_bit_is_kept_and_said(tmp_path: Path) -> None:
    pixels, notes = read_picture(write_picture(tmp_path / "a.png", texture(top=65536)))
    assert pixels.dtype == np.uint16
    assert np.array_equal(pixels, texture(top=65536))
    assert any("16-bit" in note for note in notes)


def test_colour_is_converted_with_the_weights_of_its_channels(tmp_path: Path) -> None:
    pure = np.zeros((2, 3, 3), np.uint8)
    pure[:, 0, 0] = pure[:, 1, 1] = pure[:, 2, 2] = 255  # blue, green, red, as OpenCV writes
    pixels, notes = read_picture(write_picture(tmp_path / "a.png", pure))
    # ITU-R BT.601: 0.114, 0.587, 0.299.
    assert pixels[0].tolist() == [29, 150, 76]
    assert notes == ("colour converted to grey",)


def test_alpha_is_dropped_and_said(tmp_path: Path) -> None:
    pixels, notes = read_picture(write_picture(tmp_path / "a.png", texture(shape=(8, 9, 4))))
    assert pixels.shape == (8, 9)
    assert "alpha channel dropped" in notes


def test_missing_picture(tmp_path: Path) -> None:
    with pytest.raises(ImageError, match=r"no\.png: does not exist"):
        read_picture(tmp_path / "no.png")


def test_a_folder_for_a_picture(tmp_path: Path) -> None:
    with pytest.raises(ImageError, match="is a folder"):
        read_picture(tmp_path)


def test_an_empty_picture_file(tmp_path: Path) -> None:
    (tmp_path / "a.png").touch()
    with pytest.raises(ImageError, match="is empty"):
        read_picture(tmp_path / "a.png")


def test_text_for_a_picture(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_text("no picture")
    with pytest.raises(ImageError, match="not an image"):
        read_picture(tmp_path / "a.png")


@pytest.mark.parametrize("form", [".png", ".jpg", ".tif", ".bmp"])
@pytest.mark.parametrize("share", [0.3, 0.7, 0.99])
def test_a_truncated_picture(tmp_path: Path, form: str, share: float) -> None:
    data = cv2.imencode(form, texture(shape=(120, 160)))[1].tobytes()
    path = tmp_path / f"a{form}"
    path.write_bytes(data[: int(share * len(data))])
    with pytest.raises(ImageError, match="truncated"):
        read_picture(path)


def test_the_end_mark_of_a_preview_does_not_hide_a_truncated_jpeg(tmp_path: Path) -> None:
    preview = cv2.imencode(".jpg", texture(shape=(16, 16)))[1].tobytes()
    whole = cv2.imencode(".jpg", texture(shape=(120, 160)))[1].tobytes()
    segment = b"\xff\xe1" + (len(preview) + 2).to_bytes(2, "big") + preview
    path = tmp_path / "a.jpg"
    path.write_bytes(whole[:2] + segment + whole[2:])
    assert read_picture(path)[0].shape == (120, 160)
    path.write_bytes((whole[:2] + segment + whole[2:])[:-400])
    with pytest.raises(ImageError, match="truncated or damaged JPEG"):
        read_picture(path)


def test_a_jpeg_that_decodes_without_its_end_mark(tmp_path: Path) -> None:
    ramp = np.tile(np.arange(160, dtype=np.uint8), (120, 1))
    data = cv2.imencode(".jpg", ramp)[1].tobytes()[:-2]
    assert cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED) is not None
    (tmp_path / "a.jpg").write_bytes(data)
    with pytest.raises(ImageError, match="truncated or damaged JPEG"):
        read_picture(tmp_path / "a.jpg")


def test_a_truncated_png_leaves_no_other_message(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(cv2.imencode(".png", texture())[1].tobytes()[:-20])
    with pytest.raises(ImageError, match="truncated or damaged PNG"):
        read_picture(path)
    assert capfd.readouterr().err == ""


def test_a_float_picture(tmp_path: Path) -> None:
    path = write_picture(tmp_path / "a.tif", np.zeros((4, 5), np.float32))
    with pytest.raises(ImageError, match="float32"):
        read_picture(path)


# --- sidecars ---------------------------------------------------------------------------------


def test_a_full_sidecar(tmp_path: Path) -> None:
    extras = {
        "roll_deg": 2, "pitch_deg": -3.5, "roll_sigma_deg": 0.2, "pitch_sigma_deg": 0.3,
        "taken_at": "2031-05-04T09:30:00Z", "site": "north beach", "exposure_s": 0.004, "gain": 1,
        "window": {"column": 8, "row": 4, "width": 640, "height": 400}, "binning": 2,
        "previous": {"pair": "dune-0", "pose": np.eye(4).tolist(), "sigma": [0.01, 0.02]},
        "onboard": {"verdict": "stop", "value_m": 0.07}, "note": "windy",
        "rover": "rovers/mine.toml",
    }
    sidecar = read_sidecar(write_sidecar(tmp_path, extras))
    assert sidecar.left == tmp_path / "left.png"
    assert sidecar.rig == tmp_path / "../calibration/mast.yaml"
    assert sidecar.rover == str(tmp_path / "rovers/mine.toml")
    assert sidecar.attitude is not None
    assert (sidecar.attitude.pitch_deg, sidecar.attitude.pitch_sigma_deg) == (-3.5, 0.3)
    assert (sidecar.window, sidecar.binning) == (Window(column=8, row=4, width=640, height=400), 2)
    assert sidecar.details["onboard"] == {"verdict": "stop", "value_m": 0.07}
    assert sidecar.notes == ()


@pytest.mark.parametrize(("left", "right", "note"), [
    ("2031-05-04T09:30:00Z", "2031-05-04T09:30:00.050Z", None),
    ("2031-05-04T09:30:00Z", "2031-05-04T11:30:04+02:00", "taken 4 s apart"),
    ("2031-05-04T09:30:00Z", "2031-05-04T09:30:00", "time zone"),
])
def test_pictures_of_two_moments_are_noted(
    tmp_path: Path, left: str, right: str, note: str | None
) -> None:
    path = write_sidecar(tmp_path, {"taken_at": left, "taken_at_right": right})
    notes = read_sidecar(path).notes
    assert notes == () if note is None else note in notes[0]


def test_a_rover_name_stays_a_name(tmp_path: Path) -> None:
    assert read_sidecar(write_sidecar(tmp_path)).rover == "dunlin-em"


def test_an_unstated_sigma_is_assumed_and_said(tmp_path: Path) -> None:
    path = write_sidecar(tmp_path, {"roll_deg": 1.0, "pitch_deg": 2.0, "roll_sigma_deg": 0.1})
    sidecar = read_sidecar(path)
    assert sidecar.attitude is not None
    assert (sidecar.attitude.roll_sigma_deg, sidecar.attitude.pitch_sigma_deg) == (0.1, 0.5)
    assert sidecar.notes == ("attitude sigma not stated: 0.5° assumed",)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"tilt": 3, "angle": 1}, "unknown keys: angle, tilt"),
        ({"window": {"column": 0, "row": 0, "width": 8, "height": 8, "x": 1}},
         "window: unknown key: x\n.*the known keys: column, row, width, height"),
        ({"previous": {"pair": "a", "pose": np.eye(4).tolist(), "sigma": 1, "time": 2}},
         "previous: unknown key: time"),
        ({"onboard": {"value_m": 0.7}}, "onboard: missing key: verdict"),
        ({"onboard": "go"}, "onboard: found 'go'\n.*a JSON object with the keys verdict"),
        ({"schema": "hazcam-pair/9"}, "schema: found 'hazcam-pair/9'\n.*hazcam-pair/1"),
        ({"roll_deg": "two", "pitch_deg": 1}, "roll_deg: found 'two'\n.*a finite number"),
        ({"gain": True}, "gain: found True\n.*a finite number"),
        ({"exposure_s": 0}, "exposure_s: found 0\n.*above 0"),
        ({"gain": -1}, "gain: found -1\n.*0 or more"),
        ({"binning": 1.5}, "binning: found 1.5\n.*whole number of 1 or more"),
        ({"window": {"column": -1, "row": 0, "width": 8, "height": 8}}, "column: found -1"),
        ({"taken_at": "yesterday"}, "taken_at: found 'yesterday'\n.*ISO 8601"),
        ({"taken_at_right": 12}, "taken_at_right: found 12"),
        ({"site": " "}, "site: found ' '\n.*a text"),
        ({"previous": {"pair": "a", "pose": [1, 2], "sigma": 1}}, "pose: .*\n.*four rows of four"),
        ({"previous": {"pair": "a", "pose": np.eye(4).tolist(), "sigma": [-1]}}, "sigma: found -1"),
        ({"roll_deg": 1.0}, "roll_deg without pitch_deg"),
        ({"pitch_deg": 1.0}, "pitch_deg without roll_deg"),
        ({"roll_sigma_deg": 1.0}, "sigma of the attitude without the attitude"),
        ({"roll_deg": 1.0, "pitch_deg": 95.0}, "pitch_deg: found 95.0\n.*between -90 and 90"),
        ({"id": "a/b"}, "'a/b' cannot name the folder"),
        ({"id": ".."}, "cannot name the folder"),
    ],
)
def test_sidecar_errors(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    with pytest.raises(PairError, match=words) as caught:
        read_sidecar(write_sidecar(tmp_path, changes))
    assert "dune-1.pair.json" in str(caught.value)


@pytest.mark.parametrize("key", ["schema", "id", "left", "right", "rig", "rover"])
def test_a_missing_key_is_named(tmp_path: Path, key: str) -> None:
    with pytest.raises(PairError, match=f"missing key: {key}"):
        read_sidecar(write_sidecar(tmp_path, drop=key))


def test_a_missing_rig_and_rover_come_with_a_line_to_copy(tmp_path: Path) -> None:
    with pytest.raises(PairError, match=r'add "rig": "[^"]+\.yaml"'):
        read_sidecar(write_sidecar(tmp_path, drop="rig"))
    with pytest.raises(PairError, match='add "rover": "dunlin-em"'):
        read_sidecar(write_sidecar(tmp_path, drop="rover"))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("%YAML 1.2\n---\nschema: hazcam-rig/1\n", "is a rig file(.|\n)*give it with --rig"),
        ("image_width: 640\nK1: !!opencv-matrix\n", "is a rig file(.|\n)*give it with --rig"),
        ('{"schema": "hazcam-truth/1", "pair": "a"}',
         r"is the truth of a pair(.|\n)*give the \.pair\.json"),
        ('{"schema": "hazcam-assessment/1"}',
         r"is the assessment of a pair(.|\n)*give the \.pair\.json"),
        ('{\n "id": "a",\n "left" "b"}', "broken JSON at line 3, column 9"),
        ('{"id": "a", "id": "b"}', "'id' is given twice"),
        ('{"gain": NaN}', "the value NaN\n.*finite"),
        ('{"gain": -Infinity}', "the value -Infinity"),
        ("[1]", "a JSON object"),
        ('{"schema": "hazcam-pair/1", "id": "a", "left": "l", "right": "r", "rig": "c", '
         '"rover": "d", "gain": 1e999}', "gain: found inf"),
    ],
)
def test_broken_sidecars(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "a.pair.json"
    path.write_text(text)
    with pytest.raises(PairError, match=words):
        read_sidecar(path)


def test_files_that_are_no_sidecar(folder: Path) -> None:
    with pytest.raises(PairError, match="does not exist"):
        read_sidecar(folder / "no.json")
    with pytest.raises(PairError, match="is a folder"):
        read_sidecar(folder)
    with pytest.raises(PairError, match=r"single picture \(PNG\), not a(.|\n)*other picture as"):
        read_pair(folder / "left.png")
    (folder / "a.json").touch()
    with pytest.raises(PairError, match="is empty"):
        read_sidecar(folder / "a.json")
    (folder / "a.json").write_bytes(b"\xff\x00\xfe")
    with pytest.raises(PairError, match="not UTF-8"):
        read_sidecar(folder / "a.json")


def test_sidecars_of_a_folder_are_sorted(tmp_path: Path) -> None:
    for name in ("b.pair.json", "a.pair.json", "truth.json"):
        (tmp_path / name).touch()
    assert [path.name for path in find_sidecars(tmp_path)] == ["a.pair.json", "b.pair.json"]


def test_a_folder_without_sidecars(tmp_path: Path) -> None:
    with pytest.raises(PairError, match=r"holds no \*\.pair\.json(.|\n)*write a sidecar"):
        find_sidecars(tmp_path)
    with pytest.raises(PairError, match="is not a folder"):
        find_sidecars(tmp_path / "no")


# --- pairs ------------------------------------------------------------------------------------


def test_a_pair_from_its_sidecar(folder: Path) -> None:
    pair = read_pair(write_sidecar(folder, {"site": "north beach"}))
    assert (pair.id, pair.size) == ("dune-1", (64, 48))
    assert pair.details == {"site": "north beach"}
    assert pair.digest == pair_digest(texture(1), texture(2))
    assert pair.right is not None
    assert np.array_equal(pair.right, texture(2))
    assert pair.attitude is None


def test_two_pictures_make_the_pair_of_the_sidecar(folder: Path) -> None:
    pair = read_pair(folder / "left.png", folder / "right.png", roll_deg=3, pitch_deg=-1)
    assert pair.digest == read_pair(write_sidecar(folder)).digest
    assert pair.attitude is not None
    assert (pair.attitude.roll_deg, pair.attitude.pitch_deg) == (3, -1)
    assert pair.attitude.roll_sigma_deg == 0.5
    assert "attitude sigma not stated: 0.5° assumed" in pair.notes


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("dune_left.png", "dune"), ("dune-left.png", "dune"), ("dune.left.png", "dune"),
        ("dune_L.png", "dune"), ("duneLeft.png", "dune"), ("cleft.png", "cleft"),
        ("my dune_left.png", "my_dune"), ("left01.png", "left01"), ("left.png", "beach"),
    ],
)
def test_id_of_two_pictures(tmp_path: Path, name: str, expected: str) -> None:
    folder = tmp_path / "beach"
    folder.mkdir()
    left = write_picture(folder / name, texture(1))
    right = write_picture(folder / "other.png", texture(2))
    assert read_pair(left, right).id == expected


def test_an_attitude_given_wins_over_the_sidecar(folder: Path) -> None:
    stated = {"roll_deg": 1, "pitch_deg": 1, "roll_sigma_deg": 0.1, "pitch_sigma_deg": 0.1}
    pair = read_pair(write_sidecar(folder, stated), roll_deg=5, pitch_deg=6)
    assert pair.attitude is not None
    assert (pair.attitude.roll_deg, pair.attitude.pitch_sigma_deg) == (5, 0.5)


@pytest.mark.parametrize("angles", [{"roll_deg": 1.0}, {"pitch_deg": 1.0}])
def test_half_an_attitude(folder: Path, angles: dict[str, Any]) -> None:
    with pytest.raises(PairError, match="without"):
        read_pair(write_sidecar(folder), **angles)


def test_an_attitude_that_is_no_number(folder: Path) -> None:
    with pytest.raises(PairError, match="roll_deg: found nan"):
        read_pair(write_sidecar(folder), roll_deg=float("nan"), pitch_deg=0.0)


@pytest.mark.parametrize("value", [None, "lost.png"])
@pytest.mark.parametrize("side", ["left", "right"])
def test_one_picture_missing_is_said(folder: Path, side: str, value: str | None) -> None:
    pair = read_pair(write_sidecar(folder, {side: value}))
    assert getattr(pair, side) is None
    assert pair.size == (64, 48)
    assert any(note.startswith(f"{side} picture missing") and (value or "none") in note
               for note in pair.notes)
    assert not any(str(folder) in note for note in pair.notes)


def test_both_pictures_missing(folder: Path) -> None:
    with pytest.raises(PairError, match=r"both pictures are missing.*lost\.png"):
        read_pair(write_sidecar(folder, {"left": None, "right": "lost.png"}))


def test_a_missing_file_of_two_is_an_error(folder: Path) -> None:
    with pytest.raises(ImageError, match=r"lost\.png: does not exist"):
        read_pair(folder / "left.png", folder / "lost.png")


def test_two_sizes_are_named_with_both_files(folder: Path) -> None:
    write_picture(folder / "right.png", texture(shape=(40, 64)))
    with pytest.raises(PairError, match=r"left\.png is 64 x 48 px.*right\.png is 64 x 40 px"):
        read_pair(write_sidecar(folder))


def test_notes_say_which_picture(folder: Path) -> None:
    write_picture(folder / "right.png", texture(shape=(48, 64, 3)))
    pair = read_pair(write_sidecar(folder))
    assert pair.notes == ("right: colour converted to grey",)


def test_sixteen_bit_is_said_once(folder: Path) -> None:
    write_picture(folder / "left.png", texture(1, top=65536))
    write_picture(folder / "right.png", texture(2, top=65536))
    pair = read_pair(folder / "left.png", folder / "right.png")
    assert pair.notes == (
        "left: 16-bit picture kept at 16 bit", "right: 16-bit picture kept at 16 bit"
    )


def test_two_depths_are_named(folder: Path) -> None:
    write_picture(folder / "left.png", texture(top=65536))
    with pytest.raises(PairError, match=r"left\.png is uint16, .*right\.png is uint8"):
        read_pair(write_sidecar(folder))


# --- arrays -----------------------------------------------------------------------------------


def test_a_pair_from_arrays_equals_the_pair_from_files(folder: Path) -> None:
    assert (pair_from_arrays(texture(1), texture(2)).digest
            == read_pair(folder / "left.png", folder / "right.png").digest)


def test_colour_arrays_are_red_green_blue() -> None:
    red = np.zeros((2, 2, 3), np.uint8)
    red[..., 0] = 255
    pair = pair_from_arrays(red, None)
    assert pair.left is not None
    assert pair.left[0, 0] == 76
    assert pair.notes == ("left: colour converted to grey",)


def test_the_digest_tells_pictures_apart() -> None:
    a, b = texture(1), texture(2)
    digests = {
        pair_digest(a, b), pair_digest(b, a), pair_digest(a, None), pair_digest(None, a),
        pair_digest(a.reshape(64, 48), b), pair_digest(a.astype(np.uint16), b),
    }
    assert len(digests) == 6
    assert pair_digest(a, b) == pair_digest(np.asfortranarray(a), b)


def test_an_array_that_is_no_picture() -> None:
    with pytest.raises(ValueError, match="uint8 or uint16"):
        to_grey(np.zeros((4, 4)))
    with pytest.raises(ValueError, match=r"\(4, 4, 2\)"):
        to_grey(np.zeros((4, 4, 2), np.uint8))
    with pytest.raises(PairError, match="cannot name the folder"):
        pair_from_arrays(texture(1), texture(2), id="a b")
