"""Files of the proving ground: scene descriptions, pictures, sidecars and truth."""

from __future__ import annotations

import hashlib
import json
import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.calibration.rig import LensModel, StereoRig
from hazcam.errors import HazcamError, OutputError
from hazcam.frames import Pose
from hazcam.rover.profile import RoverProfile
from hazcam.scene.build import LOSSES, Shot, stream
from hazcam.scene.camera import Camera
from hazcam.scene.description import SceneDescription
from hazcam.scene.effects import encode_picture
from hazcam.scene.toml_form import SceneError, scene_digest, scene_from_text, scene_text
from hazcam.scene.truth import Elevation, ObjectKind, SceneTruth, TrueDepth, TruthObject

PAIR_SCHEMA = "hazcam-pair/1"
TRUTH_SCHEMA = "hazcam-truth/2"
# Changed whenever the same description would give other pixels or another truth.
RENDERER_VERSION = 1
# elevation pictures: height = offset + scale * value; value 0 is unknown
_SCALE_M, _OFFSET_M = 1e-4, -3.0
# depth pictures: 1 / depth = scale * value; value 0 is sky. At 1 m a step is 0.2 mm.
_INVERSE_SCALE_PER_M = 2e-4
_SCENE_SUFFIX = ".scene.toml"
# where a truth file names its pictures
_PICTURES = (("elevation", "file"), ("visible", "file"), ("depth", "file"),
             ("depth", "shared_file"))


class TruthError(HazcamError):
    """A truth file that cannot be used."""


# --- writing --------------------------------------------------------------------------------------


def write_whole(path: Path, data: bytes) -> None:
    """Write beside the place, then move there: a file of this name is always whole.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        raise _not_writable(path, error) from error


def check_writable(folder: Path) -> None:
    """Make a folder and try to write there, before work is begun whose results go there.

    Raises
    ------
    OutputError
        It cannot be made or written to.
    """
    probe = folder / f".probe-{os.getpid()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe.write_bytes(b"")
        probe.unlink()
    except OSError as error:
        raise _not_writable(folder, error) from error


def _not_writable(path: Path, error: OSError) -> OutputError:
    return OutputError(str(path), f"cannot be written ({error.strerror})",
                       "a place that you may write to", "check its permissions and the free "
                       "space, or give another folder with -o")


# --- scene descriptions ---------------------------------------------------------------------------


def read_scene(path: Path) -> SceneDescription:
    """Read a scene description (TOML, schema ``hazcam-scene/1``).

    Raises
    ------
    SceneError
        If it is missing or is not one.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SceneError(str(path), f"cannot be read ({error})", "a scene description (TOML)",
                         "check the path, or make one with `hazcam scene new`") from error
    return scene_from_text(text, str(path))


def write_scene(description: SceneDescription, folder: Path, *, overwrite: bool = False) -> Path:
    """Write a description to ``folder/ID.scene.toml`` and return that path.

    Raises
    ------
    OutputError
        If it cannot be written, or says something else already and ``overwrite`` is not set.
    """
    path, text = folder / f"{description.id}{_SCENE_SUFFIX}", scene_text(description)
    try:
        changed = not overwrite and path.is_file() and path.read_bytes() != text.encode()
    except OSError as error:
        raise _not_writable(path, error) from error
    if changed:
        raise OutputError(str(path), "is there already and says something else",
                          "a new file, or the same description", "delete it, or give another "
                          "folder with -o")
    write_whole(path, text.encode())
    return path


def find_scenes(folder: Path) -> list[Path]:
    """Scene descriptions of a folder, sorted by name.

    Raises
    ------
    SceneError
        If there are none.
    """
    found = sorted(folder.glob(f"*{_SCENE_SUFFIX}"))
    if not found:
        raise SceneError(str(folder), f"holds no scene description (*{_SCENE_SUFFIX})",
                         "a folder of scene descriptions", "make some with `hazcam scene new`")
    return found


def pair_digest(description: SceneDescription, rig: StereoRig, rover: RoverProfile) -> str:
    """SHA-256 of all that a rendered pair depends on."""
    parts = [scene_digest(description), rig.digest, rover.digest, str(RENDERER_VERSION)]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


# --- pairs ----------------------------------------------------------------------------------------


def is_rendered(folder: Path, scene_id: str, digest: str) -> bool:
    """True if the very pair is there already; its sidecar is written last."""
    try:
        sidecar = json.loads((folder / f"{scene_id}.pair.json").read_text(encoding="utf-8"))
        if not all((folder / sidecar[side]).is_file() for side in ("left", "right")):
            return False
        record = json.loads((folder / f"{scene_id}.truth.json").read_text(encoding="utf-8"))
    except (OSError, json.JSONDecodeError, KeyError, TypeError):
        return False
    return isinstance(record, dict) and record.get("digest") == digest


def write_pair(
    folder: Path, description: SceneDescription, shot: Shot, truth: SceneTruth, depth: TrueDepth,
    rig_file: Path, rover: str,
) -> None:
    """Write pictures, truth and, last, the sidecar.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    name = description.id
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{name}.pair.json").unlink(missing_ok=True)  # not whole until it is back
        pictures = _write_pictures(folder, description, shot)
        write_whole(folder / f"{name}.elevation.png", _png(encode_elevation(truth.elevation)))
        visible = truth.elevation.visible
        if visible is not None:
            write_whole(folder / f"{name}.visible.png", _png(visible * 85))
        write_whole(folder / f"{name}.inverse-depth.png", _png(encode_depth(depth)))
        write_whole(folder / f"{name}.shared.png", _png(depth.shared.astype(np.uint8) * 255))
        _write_json(folder / f"{name}.truth.json", truth_record(truth))
        rig = Path(os.path.relpath(rig_file, folder)).as_posix()
        _write_json(folder / f"{name}.pair.json",
                    _sidecar(description, shot, pictures, rig, rover))
    except OSError as error:
        raise _not_writable(folder, error) from error


def _write_pictures(folder: Path, description: SceneDescription, shot: Shot) -> dict[str, str]:
    names = {}
    lost = stream(description, LOSSES).spawn(2)
    for side, grey, rng in (("left", shot.pictures.left, lost[0]),
                            ("right", shot.pictures.right, lost[1])):
        for old in folder.glob(f"{description.id}.{side}.*"):
            old.unlink()  # of another kind, from an earlier description
        suffix, data = encode_picture(grey, description.camera, rng)
        names[side] = f"{description.id}.{side}{suffix}"
        write_whole(folder / names[side], data)
    return names


def _png(image: NDArray[Any]) -> bytes:
    ok, data = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 6])
    if not ok:
        raise OSError(0, "a picture cannot be encoded")
    return data.tobytes()


def _write_json(path: Path, record: dict[str, Any]) -> None:
    write_whole(path, (json.dumps(record, indent=1, ensure_ascii=False) + "\n").encode())


def _sidecar(
    description: SceneDescription, shot: Shot, pictures: dict[str, str], rig: str, rover: str
) -> dict[str, Any]:
    day, minute = description.seed[-1] % 28 + 1, description.seed[-1] % 60
    record: dict[str, Any] = {
        "schema": PAIR_SCHEMA, "id": description.id, **pictures, "rig": rig, "rover": rover,
        "roll_deg": round(shot.stated_roll_deg, 3), "pitch_deg": round(shot.stated_pitch_deg, 3),
        "roll_sigma_deg": 0.5, "pitch_sigma_deg": 0.5,
        "taken_at": f"2031-05-{day:02d}T09:{minute:02d}:00Z", "site": description.site,
        # one exposure time for a beach in full sun, longer as the light gets less
        "exposure_s": float(f"{2e-5 * shot.pictures.gain:.3g}"), "gain": 1.0,
    }
    return record | ({"note": description.note} if description.note else {})


# --- truth ----------------------------------------------------------------------------------------


def encode_elevation(elevation: Elevation) -> NDArray[np.uint16]:
    """16-bit picture of an elevation grid; 0 where the height is unknown."""
    value = np.rint((elevation.z_m - _OFFSET_M) / _SCALE_M)
    known = np.isfinite(value)
    if np.any((value[known] < 1) | (value[known] > 65535)):
        raise ValueError("a height is outside what the elevation picture can hold")
    return np.where(known, value, 0).astype(np.uint16)


def encode_depth(depth: TrueDepth) -> NDArray[np.uint16]:
    """16-bit picture of inverse depth; 0 for sky and what is farther than 5 km."""
    value = np.rint(1 / depth.depth_m / _INVERSE_SCALE_PER_M)
    known = np.isfinite(value)
    if np.any(value[known] > 65535):
        raise ValueError("a depth is nearer than what the depth picture can hold")
    return np.where(known, value, 0).astype(np.uint16)


def truth_record(truth: SceneTruth) -> dict[str, Any]:
    """Return the truth as it is written to JSON; its pictures lie beside it."""
    grid = truth.elevation
    return {
        "schema": TRUTH_SCHEMA, "id": truth.id, "mixture": truth.mixture, "digest": truth.digest,
        "frame": "level", "roll_deg": truth.roll_deg, "pitch_deg": truth.pitch_deg,
        "sun_elevation_deg": truth.sun_elevation_deg, "sun_azimuth_deg": truth.sun_azimuth_deg,
        "compression": truth.compression, "seed": list(truth.seed),
        "cameras": {side: _camera_record(camera)
                    for side, camera in zip(("left", "right"), truth.cameras, strict=True)},
        "objects": [_object_record(o) for o in truth.objects],
        "elevation": {
            "file": f"{truth.id}.elevation.png", "rows": "x forward", "cols": "y left",
            "cell_m": grid.cell_m, "x_min_m": grid.x_min_m, "y_min_m": grid.y_min_m,
            "scale_m": _SCALE_M, "offset_m": _OFFSET_M, "unknown_value": 0,
        },
        "visible": {"file": f"{truth.id}.visible.png",
                    "value": "85 times: 1 where the left camera sees the cell, 2 the right one"},
        "depth": {
            "file": f"{truth.id}.inverse-depth.png", "camera": "left",
            "scale_per_m": _INVERSE_SCALE_PER_M, "sky_value": 0,
            "shared_file": f"{truth.id}.shared.png",
        },
    }


def _camera_record(camera: Camera) -> dict[str, Any]:
    return {"K": camera.K.tolist(), "D": camera.D.tolist(), "size": list(camera.size),
            "model": camera.model, "R_level_camera": camera.T_level_camera.R.tolist(),
            "t_level_camera_m": camera.T_level_camera.t.tolist()}


def _object_record(item: TruthObject) -> dict[str, Any]:
    sizes = {"height_m": item.height_m, "depth_m": item.depth_m, "slope_deg": item.slope_deg}
    record: dict[str, Any] = {"kind": item.kind, "outline_m": np.round(item.outline_m, 4).tolist()}
    return record | {name: round(value, 5) for name, value in sizes.items() if value is not None}


def truth_path(sidecar: Path) -> Path:
    """Where the truth of a rendered pair lies."""
    return sidecar.with_name(sidecar.name.replace(".pair.json", ".truth.json"))


def read_truth(path: Path) -> SceneTruth:
    """Read a truth file and its elevation.

    Raises
    ------
    TruthError
        If the file or one of its pictures is missing, is not a truth of this schema, or has a
        value that cannot be.
    """
    table = _truth_table(path)
    try:
        return _truth_from(table)
    except ValueError as error:  # a record refuses what its fields make together
        raise _truth_error(path, f"is not whole ({error})") from error


def read_depth(path: Path) -> TrueDepth:
    """Read the depth that a truth file names.

    Raises
    ------
    TruthError
        If a file is missing, is not a truth of this schema, or has a value that cannot be.
    """
    about = _truth_table(path).table("depth")
    scale_per_m, sky = about.number("scale_per_m", positive=True), about.number("sky_value")
    value = about.picture("file", np.uint16).astype(np.float64)
    shared = about.picture("shared_file", np.uint8, value.shape) > 0
    known = (value != sky) & (value > 0)  # 0 is endless in any case
    depth = np.full(value.shape, np.nan)
    depth[known] = 1 / (scale_per_m * value[known])
    return TrueDepth(depth_m=depth, shared=shared)


def read_seed(path: Path) -> tuple[int, ...]:
    """Read the seed that a truth file names, and no more of it.

    Raises
    ------
    TruthError
        If it is missing, is not a truth of this schema, or names no seed.
    """
    return _truth_table(path).integers("seed")


def truth_pictures(path: Path) -> list[Path]:
    """Pictures that a truth file names, there or not; none where it names none or is broken."""
    try:
        record = _truth_json(path)
    except TruthError:
        return []
    names = [table[key] for part, key in _PICTURES
             if isinstance(table := record.get(part), dict) and key in table]
    return [path.parent / name for name in names if isinstance(name, str)]


def _truth_json(path: Path) -> dict[str, Any]:
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, json.JSONDecodeError, UnicodeDecodeError) as error:
        raise _truth_error(path, f"cannot be read ({type(error).__name__}: {error})") from error
    schema = record.get("schema") if isinstance(record, dict) else None
    if schema != TRUTH_SCHEMA:
        raise _truth_error(path, f"schema {schema!r}")
    return dict(record)


def _truth_table(path: Path) -> _Table:
    return _Table(path=path, name="", values=_truth_json(path))


def _truth_error(
    where: Path | str, found: str, expected: str = f"a truth file of schema {TRUTH_SCHEMA}"
) -> TruthError:
    return TruthError(str(where), found, expected,
                      "render the pair again with `hazcam scene render`; a pair that was not "
                      "rendered has no truth: use `hazcam assess`")


@dataclass(frozen=True, kw_only=True)
class _Table:
    """A table of a truth file; ``name`` is where it stands there. Each value is checked."""

    path: Path
    name: str
    values: dict[str, Any]

    def get(self, key: str) -> Any:
        """A value that must be there."""
        if key not in self.values:
            raise _truth_error(self.path, f"is not whole (lacks {self.name}{key})")
        return self.values[key]

    def wrong(self, key: str, expected: str) -> TruthError:
        """What to raise of a value that cannot be."""
        found = repr(self.values[key])
        return _truth_error(f"{self.path}: {self.name}{key}",
                            found if len(found) < 60 else f"{found[:60]}...", expected)

    def number(self, key: str, *, positive: bool = False) -> float:
        value = self.get(key)
        if not _is_number(value) or (positive and value <= 0):
            raise self.wrong(key, "a number above 0" if positive else "a finite number")
        return float(value)

    def number_or_none(self, key: str) -> float | None:
        """A number, or None where the key is not there or holds null."""
        return None if self.values.get(key) is None else self.number(key)

    def text(self, key: str, choices: tuple[str, ...] = ()) -> str:
        value = self.get(key)
        if not isinstance(value, str) or (choices and value not in choices):
            raise self.wrong(key, f"one of {', '.join(choices)}" if choices else "a text")
        return value

    def integers(self, key: str) -> tuple[int, ...]:
        value = self.get(key)
        if not isinstance(value, list) or not value or not all(
                type(item) is int and item >= 0 for item in value):
            raise self.wrong(key, "a list of whole numbers of 0 or more")
        return tuple(value)

    def array(self, key: str, shape: tuple[int | None, ...]) -> NDArray[np.float64]:
        """Finite numbers of a shape; None in it stands for any length."""
        expected = f"numbers of shape ({', '.join(str(n or 'any') for n in shape)})"
        try:
            array = np.array(self.get(key))
        except ValueError:  # ragged
            raise self.wrong(key, expected) from None
        if (array.dtype.kind not in "if" or len(array.shape) != len(shape)
                or any(n is not None and n != m for n, m in zip(shape, array.shape, strict=True))
                or not np.all(np.isfinite(array))):
            raise self.wrong(key, expected)
        return array.astype(np.float64)

    def table(self, key: str) -> _Table:
        value = self.get(key)
        if not isinstance(value, dict):
            raise self.wrong(key, "a table")
        return _Table(path=self.path, name=f"{self.name}{key}.", values=value)

    def tables(self, key: str) -> list[_Table]:
        value = self.get(key)
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.wrong(key, "a list of tables")
        return [_Table(path=self.path, name=f"{self.name}{key}[{i}].", values=item)
                for i, item in enumerate(value)]

    def picture(
        self, key: str, dtype: type, shape: tuple[int, ...] | None = None
    ) -> NDArray[Any]:
        """The picture beside the file that a value names; of the size of another one, if given."""
        name = self.text(key)
        if not name or Path(name).name != name:
            raise self.wrong(key, "the name of a picture beside it")
        image = _picture(self.path.with_name(name), dtype)
        if shape is not None and image.shape != shape:
            raise _truth_error(f"{self.path}: {self.name}{key}",
                               f"{name} has {image.shape[1]} x {image.shape[0]} pixels",
                               f"{shape[1]} x {shape[0]}, as the picture it goes with")
        return image


def _is_number(value: object) -> bool:
    return (isinstance(value, int | float) and not isinstance(value, bool)
            and math.isfinite(value))


def _picture(picture: Path, dtype: type) -> NDArray[Any]:
    try:
        data = np.frombuffer(picture.read_bytes(), np.uint8)
    except OSError as error:
        raise _truth_error(picture, f"cannot be read ({error.strerror})") from error
    image = cv2.imdecode(data, cv2.IMREAD_UNCHANGED) if data.size else None
    if image is None or image.dtype != dtype or image.ndim != 2:
        raise _truth_error(picture, f"is not a grey picture of {np.dtype(dtype).itemsize * 8} bits")
    return np.asarray(image)


def _truth_from(table: _Table) -> SceneTruth:
    cameras = table.table("cameras")
    return SceneTruth(
        id=table.text("id"), mixture=table.text("mixture"), digest=table.text("digest"),
        roll_deg=table.number("roll_deg"), pitch_deg=table.number("pitch_deg"),
        sun_elevation_deg=table.number_or_none("sun_elevation_deg"),
        sun_azimuth_deg=table.number_or_none("sun_azimuth_deg"),
        compression=table.text("compression"), seed=table.integers("seed"),
        cameras=(_camera_from(cameras.table("left")), _camera_from(cameras.table("right"))),
        objects=tuple(_object_from(item) for item in table.tables("objects")),
        elevation=_elevation_from(table),
    )


def _object_from(item: _Table) -> TruthObject:
    # text() has checked that it is one of them
    kind: ObjectKind = item.text("kind", get_args(ObjectKind))  # type: ignore[assignment]
    return TruthObject(kind=kind, outline_m=item.array("outline_m", (None, 2)),
                       height_m=item.number_or_none("height_m"),
                       depth_m=item.number_or_none("depth_m"),
                       slope_deg=item.number_or_none("slope_deg"))


def _camera_from(table: _Table) -> Camera:
    size = table.integers("size")
    if len(size) != 2 or 0 in size:
        raise table.wrong("size", "width and height")
    # text() has checked that it is one of them
    model: LensModel = table.text("model", get_args(LensModel))  # type: ignore[assignment]
    pose = Pose(R=table.array("R_level_camera", (3, 3)), t=table.array("t_level_camera_m", (3,)))
    return Camera(K=table.array("K", (3, 3)), D=table.array("D", (None,)),
                  size=(size[0], size[1]), model=model, T_level_camera=pose)


def _elevation_from(table: _Table) -> Elevation:
    about = table.table("elevation")
    offset_m, scale_m = about.number("offset_m"), about.number("scale_m", positive=True)
    value = about.picture("file", np.uint16).astype(np.float64)
    known = value != about.number("unknown_value")
    z = np.where(known, offset_m + scale_m * value, np.nan)
    visible = table.table("visible").picture("file", np.uint8, z.shape) // 85
    return Elevation(z_m=z, cell_m=about.number("cell_m", positive=True),
                     x_min_m=about.number("x_min_m"), y_min_m=about.number("y_min_m"),
                     visible=visible)
