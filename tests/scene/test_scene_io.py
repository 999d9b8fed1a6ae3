"""Files of the proving ground: what is written is read again, and what is wrong is said."""

from __future__ import annotations

import importlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from hazcam.errors import HazcamError, OutputError
from hazcam.imagery import read_pair
from hazcam.scene.build import Shot
from hazcam.scene.camera import cameras_of
from hazcam.scene.description import Departure
from hazcam.scene.effects import Effects, ExposedPair
from hazcam.scene.io import (
    TruthError,
    check_writable,
    encode_depth,
    encode_elevation,
    find_scenes,
    is_rendered,
    pair_digest,
    read_depth,
    read_scene,
    read_seed,
    read_truth,
    truth_path,
    truth_pictures,
    write_pair,
    write_scene,
    write_whole,
)
from hazcam.scene.mixtures import draw_scene
from hazcam.scene.rigs import demonstration_rigs
from hazcam.scene.toml_form import SceneError
from hazcam.scene.truth import Elevation, SceneTruth, TrueDepth, TruthObject
from tests.scene.props import LEVEL, ROVER, describe, tiny_rig

# --- descriptions ---------------------------------------------------------------------------------


def test_scene_survives_its_file(tmp_path: Path) -> None:
    scene = draw_scene("shadow", "tune", 5)
    path = write_scene(scene, tmp_path / "new" / "folder")
    assert path.name == "tune-shadow-005.scene.toml"
    assert read_scene(path) == scene
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_scenes_of_a_folder_are_sorted(tmp_path: Path) -> None:
    for i in (2, 0, 1):
        write_scene(describe(id=f"s{i}"), tmp_path)
    (tmp_path / "other.toml").write_text("")
    assert [p.name for p in find_scenes(tmp_path)] == [f"s{i}.scene.toml" for i in range(3)]


def test_missing_scene_file(tmp_path: Path) -> None:
    with pytest.raises(SceneError, match=r"(?s)none\.toml: cannot be read.*hazcam scene new"):
        read_scene(tmp_path / "none.toml")


def test_scene_file_that_is_no_text(tmp_path: Path) -> None:
    (tmp_path / "a.scene.toml").write_bytes(b"\xff\xfe\x00\xd8")
    with pytest.raises(SceneError, match="cannot be read"):
        read_scene(tmp_path / "a.scene.toml")


def test_folder_without_scenes(tmp_path: Path) -> None:
    with pytest.raises(SceneError, match=r"(?s)holds no scene description.*hazcam scene new"):
        find_scenes(tmp_path)


def test_scene_into_a_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match=r"(?s)cannot be written.*another folder with -o"):
        write_scene(describe(), tmp_path / "file")


def test_missing_tomli_w_says_how_to_install_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def absent(name: str) -> None:
        raise ImportError(f"No module named {name!r}")

    monkeypatch.setattr(importlib, "import_module", absent)
    with pytest.raises(HazcamError, match=r'(?s)tomli_w.*pip install "hazcam\[scene\]"'):
        write_scene(describe(), tmp_path)


# --- digests --------------------------------------------------------------------------------------


def test_digest_is_of_scene_rig_and_rover() -> None:
    rig = tiny_rig()
    digests = {
        pair_digest(describe(), rig, ROVER),
        pair_digest(describe(note="other"), rig, ROVER),
        pair_digest(describe(departure=Departure(height_m=1e-6)), rig, ROVER),
        pair_digest(describe(), demonstration_rigs()["dunlin-em"], ROVER),
        pair_digest(describe(), rig, replace(ROVER, digest="other")),
    }
    assert len(digests) == 5
    assert pair_digest(describe(), tiny_rig(), ROVER) in digests


# --- pairs and truth ------------------------------------------------------------------------------

SQUARE = np.array([[0.6, -0.1], [0.8, -0.1], [0.8, 0.1], [0.6, 0.1]])
CAMERAS = cameras_of(demonstration_rigs()["dunlin-em-raw"], LEVEL, Departure(baseline_share=0.01))


def elevation() -> Elevation:
    rng = np.random.default_rng(1)
    z = rng.uniform(-0.5, 0.5, (30, 40))
    z[10] = np.nan
    return Elevation(z_m=z, cell_m=0.005, x_min_m=-0.2, y_min_m=-1.5,
                     visible=rng.integers(0, 4, (30, 40)).astype(np.uint8))


def depth_map() -> TrueDepth:
    rng = np.random.default_rng(2)
    depth = 1 / rng.uniform(1 / 50, 1 / 0.2, (6, 8))
    depth[0] = np.nan
    return TrueDepth(depth_m=depth, shared=rng.random((6, 8)) < 0.5)


def truth() -> SceneTruth:
    return SceneTruth(
        id="made", mixture="pit/3", digest="abc", roll_deg=1.25, pitch_deg=-2.5,
        sun_elevation_deg=None, sun_azimuth_deg=None, compression="jpeg 60", seed=(2, 4, 9),
        cameras=CAMERAS, elevation=elevation(),
        objects=(TruthObject(kind="rock", outline_m=SQUARE, height_m=0.0712),
                 TruthObject(kind="pit", outline_m=SQUARE + 0.3, depth_m=0.09),
                 TruthObject(kind="ramp", outline_m=SQUARE[:3], slope_deg=12.5)))


def written(folder: Path, **changes: Any) -> Path:
    """Write a small made-up pair; its truth file."""
    grey = np.arange(60 * 80, dtype=np.uint32).reshape(60, 80).astype(np.uint8)
    shot = Shot(pictures=ExposedPair(left=grey, right=grey, gain=100.0), stated_roll_deg=1.0,
                stated_pitch_deg=-2.0)
    write_pair(folder, describe(**changes), shot, truth(), depth_map(), folder / "rig.yaml",
               "dunlin-em")
    return folder / "made.truth.json"


def test_truth_survives_the_file(tmp_path: Path) -> None:
    wanted, found = truth(), read_truth(written(tmp_path))
    for name in ("id", "mixture", "digest", "roll_deg", "pitch_deg", "sun_elevation_deg",
                 "sun_azimuth_deg", "compression", "seed"):
        assert getattr(found, name) == getattr(wanted, name), name
    for item, other in zip(found.objects, wanted.objects, strict=True):
        assert (item.kind, item.height_m, item.depth_m, item.slope_deg) == (
            other.kind, other.height_m, other.depth_m, other.slope_deg)
        np.testing.assert_allclose(item.outline_m, other.outline_m, atol=5e-5)


def test_elevation_survives_the_file(tmp_path: Path) -> None:
    wanted, found = elevation(), read_truth(written(tmp_path)).elevation
    assert (found.cell_m, found.x_min_m, found.y_min_m) == (0.005, -0.2, -1.5)
    np.testing.assert_allclose(found.z_m, wanted.z_m, atol=5.01e-5)  # half a step; NaN stays NaN
    assert found.visible is not None
    np.testing.assert_array_equal(found.visible, wanted.visible)


def test_cameras_survive_the_file(tmp_path: Path) -> None:
    for found, wanted in zip(read_truth(written(tmp_path)).cameras, CAMERAS, strict=True):
        assert (found.size, found.model) == (wanted.size, wanted.model)
        for a, b in ((found.K, wanted.K), (found.D, wanted.D),
                     (found.T_level_camera.R, wanted.T_level_camera.R),
                     (found.T_level_camera.t, wanted.T_level_camera.t)):
            np.testing.assert_array_equal(a, b)


def test_depth_survives_the_file(tmp_path: Path) -> None:
    wanted, found = depth_map(), read_depth(written(tmp_path))
    np.testing.assert_array_equal(np.isnan(found.depth_m), np.isnan(wanted.depth_m))
    np.testing.assert_allclose(1 / found.depth_m, 1 / wanted.depth_m, atol=1.001e-4)
    np.testing.assert_array_equal(found.shared, wanted.shared)


def test_pair_reads_as_any_pair_does(tmp_path: Path) -> None:
    sidecar = written(tmp_path).with_name("made.pair.json")
    pair = read_pair(sidecar)
    assert pair.left is not None
    assert pair.left.shape == (60, 80)
    record = json.loads(sidecar.read_text())
    assert (record["rig"], record["rover"]) == ("rig.yaml", "dunlin-em")
    assert (record["roll_deg"], record["pitch_deg"]) == (1.0, -2.0)
    assert record["exposure_s"] == pytest.approx(0.002)
    assert truth_path(sidecar) == tmp_path / "made.truth.json"


def test_names_of_the_files(tmp_path: Path) -> None:
    written(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "made.elevation.png", "made.inverse-depth.png", "made.left.png", "made.pair.json",
        "made.right.png", "made.shared.png", "made.truth.json", "made.visible.png"]


def test_pictures_of_another_kind_are_taken_away(tmp_path: Path) -> None:
    written(tmp_path)
    written(tmp_path, camera=Effects(jpeg_quality=80))
    assert sorted(p.name for p in tmp_path.glob("made.left.*")) == ["made.left.jpg"]


def test_pair_is_rendered_once_its_sidecar_is_there(tmp_path: Path) -> None:
    path = written(tmp_path)
    assert is_rendered(tmp_path, "made", "abc")
    assert not is_rendered(tmp_path, "made", "other digest")
    assert not is_rendered(tmp_path, "unmade", "abc")
    path.with_name("made.pair.json").unlink()
    assert not is_rendered(tmp_path, "made", "abc")


@pytest.mark.parametrize("text", ["", "[]", "{", '{"digest": 1}'])
def test_broken_truth_is_rendered_again(tmp_path: Path, text: str) -> None:
    written(tmp_path).write_text(text)
    assert not is_rendered(tmp_path, "made", "abc")


def test_sidecar_goes_first_and_comes_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written(tmp_path)
    order: list[str] = []
    replaced = Path.replace

    def note(self: Path, target: Path) -> Path:
        order.append(target.name)
        assert not (tmp_path / "made.pair.json").exists()
        return replaced(self, target)

    monkeypatch.setattr(Path, "replace", note)
    written(tmp_path)
    assert len(order) == 8
    assert order[-1] == "made.pair.json"


# --- what cannot be written -----------------------------------------------------------------------


def test_output_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match=r"(?s)file: cannot be written.*-o"):
        written(tmp_path / "file")


def test_nothing_half_written_is_left(tmp_path: Path) -> None:
    for data in (b"one", b"two"):
        write_whole(tmp_path / "sub" / "a.txt", data)
    assert [p.name for p in (tmp_path / "sub").iterdir()] == ["a.txt"]
    assert (tmp_path / "sub" / "a.txt").read_bytes() == b"two"


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match=r"a\.txt: cannot be written"):
        write_whole(tmp_path / "file" / "a.txt", b"")
    with pytest.raises(OutputError, match="below: cannot be written"):
        check_writable(tmp_path / "file" / "below")


def test_a_folder_that_can_be_written_is_made_and_left_empty(tmp_path: Path) -> None:
    check_writable(tmp_path / "a" / "b")
    assert list((tmp_path / "a" / "b").iterdir()) == []


@pytest.mark.parametrize("z_m", [4.0, -3.5])
def test_height_that_the_picture_cannot_hold(z_m: float) -> None:
    grid = Elevation(z_m=np.full((2, 2), z_m), cell_m=0.01, x_min_m=0, y_min_m=0)
    with pytest.raises(ValueError, match="outside what the elevation picture can hold"):
        encode_elevation(grid)


def test_depth_that_the_picture_cannot_hold() -> None:
    near = TrueDepth(depth_m=np.full((2, 2), 0.05), shared=np.ones((2, 2), dtype=np.bool_))
    with pytest.raises(ValueError, match="nearer than what the depth picture can hold"):
        encode_depth(near)


# --- what cannot be read --------------------------------------------------------------------------


def test_missing_truth(tmp_path: Path) -> None:
    with pytest.raises(TruthError, match=r"(?s)cannot be read.*hazcam scene render"):
        read_truth(tmp_path / "none.truth.json")
    with pytest.raises(TruthError, match="cannot be read"):
        read_depth(tmp_path / "none.truth.json")


def test_truth_of_another_schema(tmp_path: Path) -> None:
    path = written(tmp_path)
    path.write_text(path.read_text().replace("hazcam-truth/2", "hazcam-truth/1"))
    for read in (read_truth, read_depth):
        with pytest.raises(TruthError, match=r"(?s)schema 'hazcam-truth/1'.*hazcam-truth/2"):
            read(path)


@pytest.mark.parametrize("key", ["cameras", "objects", "elevation", "visible", "seed", "mixture"])
def test_truth_with_a_key_missing(tmp_path: Path, key: str) -> None:
    path = written(tmp_path)
    record = json.loads(path.read_text())
    del record[key]
    path.write_text(json.dumps(record))
    with pytest.raises(TruthError, match=f"(?s)is not whole.*{key}"):
        read_truth(path)


def test_truth_without_its_depth(tmp_path: Path) -> None:
    path = written(tmp_path)
    record = json.loads(path.read_text())
    del record["depth"]
    path.write_text(json.dumps(record))
    with pytest.raises(TruthError, match="is not whole"):
        read_depth(path)


@pytest.mark.parametrize("name", ["elevation", "visible"])
def test_missing_picture_of_the_truth(tmp_path: Path, name: str) -> None:
    path = written(tmp_path)
    (tmp_path / f"made.{name}.png").unlink()
    with pytest.raises(TruthError, match=rf"made\.{name}\.png: cannot be read"):
        read_truth(path)


@pytest.mark.parametrize("name", ["inverse-depth", "shared"])
def test_missing_picture_of_the_depth(tmp_path: Path, name: str) -> None:
    path = written(tmp_path)
    (tmp_path / f"made.{name}.png").unlink()
    with pytest.raises(TruthError, match=rf"made\.{name}\.png: cannot be read"):
        read_depth(path)


@pytest.mark.parametrize("data", [b"", b"no picture",
                                  cv2.imencode(".png", np.zeros((4, 4), np.uint8))[1].tobytes()])
def test_elevation_that_is_no_16_bit_picture(tmp_path: Path, data: bytes) -> None:
    path = written(tmp_path)
    (tmp_path / "made.elevation.png").write_bytes(data)
    with pytest.raises(TruthError, match="is not a grey picture of 16 bits"):
        read_truth(path)


def edited(path: Path, place: tuple[str | int, ...], value: Any) -> Path:
    """The truth file with another value at a place in it."""
    record = json.loads(path.read_text())
    table = record
    for key in place[:-1]:
        table = table[key]
    assert place[-1] in table
    table[place[-1]] = value
    path.write_text(json.dumps(record))
    return path


@pytest.mark.parametrize(("place", "value", "says"), [
    (("roll_deg",), "x", r"roll_deg: 'x'.*a finite number"),
    (("pitch_deg",), None, r"pitch_deg: None.*a finite number"),
    (("sun_elevation_deg",), True, r"sun_elevation_deg: True.*a finite number"),
    (("sun_azimuth_deg",), float("nan"), r"sun_azimuth_deg: nan.*a finite number"),
    (("id",), 3, r"id: 3.*a text"),
    (("seed",), [], r"seed: \[\].*whole numbers"),
    (("seed",), [2, -1], r"seed: \[2, -1\].*whole numbers"),
    (("seed",), "2", r"seed: '2'.*whole numbers"),
    (("objects",), {}, r"objects: \{\}.*a list of tables"),
    (("objects", 0, "height_m"), "3", r"objects\[0\]\.height_m: '3'.*a finite number"),
    (("objects", 1, "kind"), "tree", r"objects\[1\]\.kind: 'tree'.*one of rock, ledge"),
    (("objects", 0, "outline_m"), [[0, 1], [1]], r"objects\[0\]\.outline_m.*shape \(any, 2\)"),
    (("objects", 0, "outline_m"), [[0, 1], [1, 1]], r"an outline is of shape"),
    (("elevation",), 3, r"elevation: 3.*a table"),
    (("elevation", "cell_m"), 0, r"elevation\.cell_m: 0.*a number above 0"),
    (("elevation", "scale_m"), -1e-4, r"elevation\.scale_m: -0.0001.*a number above 0"),
    (("elevation", "x_min_m"), "left", r"elevation\.x_min_m: 'left'"),
    (("elevation", "file"), "../made.elevation.png", r"elevation\.file.*a picture beside it"),
    (("visible", "file"), "made.shared.png",
     r"visible\.file: made\.shared\.png has 8 x 6 pixels.*40 x 30"),
    (("cameras", "left", "K"), [[1, 2], [3, 4]], r"cameras\.left\.K.*shape \(3, 3\)"),
    (("cameras", "left", "D"), ["a"], r"cameras\.left\.D.*shape \(any\)"),
    (("cameras", "right", "size"), [640], r"cameras\.right\.size.*width and height"),
    (("cameras", "right", "model"), "wide", r"cameras\.right\.model: 'wide'.*one of brown"),
    (("cameras", "left", "R_level_camera"), [[1, 0, 0]] * 3, "must be orthonormal"),
])
def test_truth_with_a_value_that_cannot_be(
    tmp_path: Path, place: tuple[str | int, ...], value: Any, says: str
) -> None:
    path = edited(written(tmp_path), place, value)
    with pytest.raises(TruthError, match=rf"(?s)made\.truth\.json.*{says}"):
        read_truth(path)


@pytest.mark.parametrize(("key", "value", "says"), [
    ("scale_per_m", 0, r"depth\.scale_per_m: 0.*a number above 0"),
    ("scale_per_m", "x", r"depth\.scale_per_m: 'x'.*a number above 0"),
    ("sky_value", "blue", r"depth\.sky_value: 'blue'.*a finite number"),
    ("file", 3, r"depth\.file: 3.*a text"),
    ("shared_file", "made.visible.png",
     r"depth\.shared_file: made\.visible\.png has 40 x 30 pixels.*8 x 6"),
])
def test_depth_with_a_value_that_cannot_be(
    tmp_path: Path, key: str, value: Any, says: str
) -> None:
    path = edited(written(tmp_path), ("depth", key), value)
    with pytest.raises(TruthError, match=rf"(?s)made\.truth\.json.*{says}"):
        read_depth(path)


def test_seed_alone_is_read(tmp_path: Path) -> None:
    """No picture is needed for it."""
    path = written(tmp_path)
    (tmp_path / "made.elevation.png").unlink()
    assert read_seed(path) == (2, 4, 9)
    with pytest.raises(TruthError, match=r"seed: 7"):
        read_seed(edited(path, ("seed",), 7))


def test_pictures_of_a_truth_are_those_it_names(tmp_path: Path) -> None:
    path = written(tmp_path)
    names = ["made.elevation.png", "made.visible.png", "made.inverse-depth.png", "made.shared.png"]
    assert truth_pictures(path) == [tmp_path / name for name in names]
    assert truth_pictures(edited(path, ("visible",), None)) == [
        tmp_path / name for name in names if "visible" not in name]
    path.write_text("{")
    assert truth_pictures(path) == []
