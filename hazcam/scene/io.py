"""Files of the proving ground: pictures, sidecars and truth."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.errors import HazcamError, OutputError
from hazcam.scene.build import Shot
from hazcam.scene.sets import Recipe
from hazcam.scene.truth import Elevation, SceneTruth, TruthObject

PAIR_SCHEMA = "hazcam-pair/1"
TRUTH_SCHEMA = "hazcam-truth/1"
# elevation pictures: height = offset + scale * value; value 0 is unknown
_SCALE_M, _OFFSET_M = 1e-4, -3.0


class TruthError(HazcamError):
    """A truth file that cannot be used."""


def is_complete(folder: Path, recipe: Recipe) -> bool:
    """True if the pair has been written; its sidecar is written last."""
    return (folder / f"{recipe.id}.pair.json").is_file()


def write_pair(
    folder: Path, recipe: Recipe, shot: Shot, truth: SceneTruth, rig_file: Path
) -> None:
    """Write pictures, truth and, last, the sidecar.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        names = {side: _write_picture(folder, recipe, side, picture)
                 for side, picture in (("left", shot.left), ("right", shot.right))}
        elevation = f"{recipe.id}.elevation.png"
        _write_image(folder / elevation, encode_elevation(truth.elevation))
        _write_json(folder / f"{recipe.id}.truth.json", truth_record(truth, elevation))
        rig = Path(os.path.relpath(rig_file, folder)).as_posix()
        _write_json(folder / f"{recipe.id}.pair.json", _sidecar(recipe, shot, names, rig))
    except OSError as error:
        raise OutputError(str(folder), f"cannot be written ({error.strerror})",
                          "a folder that you may write to", "give another folder with -o"
                          ) from error


def _write_picture(folder: Path, recipe: Recipe, side: str, picture: NDArray[np.uint8]) -> str:
    lossy = recipe.jpeg_quality is not None
    name = f"{recipe.id}.{side}.{'jpg' if lossy else 'png'}"
    options = [cv2.IMWRITE_JPEG_QUALITY, recipe.jpeg_quality or 0] if lossy else _PNG_OPTIONS
    _write_image(folder / name, picture, options)
    return name


_PNG_OPTIONS = [cv2.IMWRITE_PNG_COMPRESSION, 9]


def _write_image(path: Path, image: NDArray[Any], options: list[int] | None = None) -> None:
    ok, data = cv2.imencode(path.suffix, image, options or _PNG_OPTIONS)
    if not ok:
        raise OSError(0, f"{path.name} cannot be encoded")
    path.write_bytes(data.tobytes())


def _write_json(path: Path, record: dict[str, Any]) -> None:
    """Write by renaming, so that a file with this name is always whole."""
    part = path.with_suffix(".part")
    part.write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    part.replace(path)


def _sidecar(recipe: Recipe, shot: Shot, names: dict[str, str], rig: str) -> dict[str, Any]:
    record: dict[str, Any] = {
        "schema": PAIR_SCHEMA, "id": recipe.id, "left": names["left"], "right": names["right"],
        "rig": rig, "rover": "dunlin-em",
        "roll_deg": round(shot.stated_roll_deg, 3), "pitch_deg": round(shot.stated_pitch_deg, 3),
        "roll_sigma_deg": 0.5, "pitch_sigma_deg": 0.5,
        "taken_at": f"2031-05-{recipe.seed[1] + 1:02d}T09:{10 + recipe.seed[1]:02d}:00Z",
        "site": recipe.site,
        # one exposure time for a beach in full sun, longer as the light gets less
        "exposure_s": round(2e-5 * shot.gain, 6), "gain": 1.0,
    }
    return record | ({"note": recipe.note} if recipe.note else {})


def encode_elevation(elevation: Elevation) -> NDArray[np.uint16]:
    """16-bit picture of an elevation grid; 0 where the height is unknown."""
    value = np.rint((elevation.z_m - _OFFSET_M) / _SCALE_M)
    known = np.isfinite(value)
    if np.any((value[known] < 1) | (value[known] > 65535)):
        raise ValueError("a height is outside what the elevation picture can hold")
    return np.where(known, value, 0).astype(np.uint16)


def truth_record(truth: SceneTruth, elevation_file: str) -> dict[str, Any]:
    """Return the truth as it is written to JSON."""
    grid = truth.elevation
    return {
        "schema": TRUTH_SCHEMA, "id": truth.id, "frame": "level",
        "roll_deg": truth.roll_deg, "pitch_deg": truth.pitch_deg,
        "sun_elevation_deg": truth.sun_elevation_deg, "sun_azimuth_deg": truth.sun_azimuth_deg,
        "seed": list(truth.seed), "objects": [_object_record(o) for o in truth.objects],
        "elevation": {
            "file": elevation_file, "rows": "x forward", "cols": "y left", "cell_m": grid.cell_m,
            "x_min_m": grid.x_min_m, "y_min_m": grid.y_min_m,
            "scale_m": _SCALE_M, "offset_m": _OFFSET_M, "unknown_value": 0,
        },
    }


def _object_record(item: TruthObject) -> dict[str, Any]:
    sizes = {"height_m": item.height_m, "depth_m": item.depth_m}
    record: dict[str, Any] = {"kind": item.kind, "outline_m": np.round(item.outline_m, 4).tolist()}
    record |= {name: round(value, 5) for name, value in sizes.items() if value is not None}
    return record | ({} if item.slope_deg is None else {"slope_deg": item.slope_deg})


def read_truth(path: str | Path) -> SceneTruth:
    """Read a truth file and its elevation picture.

    Raises
    ------
    TruthError
        If the file or the picture is missing or is not a truth of this schema.
    """
    path = Path(path)
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        if record.get("schema") != TRUTH_SCHEMA:
            raise _truth_error(path, f"schema {record.get('schema')!r}")
        return _truth_from(record, _read_elevation(path, record["elevation"]))
    except (OSError, json.JSONDecodeError, KeyError, AttributeError) as error:
        raise _truth_error(path, f"cannot be read ({type(error).__name__}: {error})") from error


def _truth_error(path: Path, found: str) -> TruthError:
    return TruthError(str(path), found, f"a truth file of schema {TRUTH_SCHEMA}",
                      "write it again with `python -m hazcam.scene`")


def _read_elevation(path: Path, record: dict[str, Any]) -> Elevation:
    picture = path.with_name(record["file"])
    image = cv2.imdecode(np.frombuffer(picture.read_bytes(), np.uint8), cv2.IMREAD_UNCHANGED)
    if image is None or image.dtype != np.uint16 or image.ndim != 2:
        raise _truth_error(picture, "is not a 16-bit grey picture")
    value = image.astype(np.float64)
    known = value != record["unknown_value"]
    z = np.where(known, record["offset_m"] + record["scale_m"] * value, np.nan)
    return Elevation(z_m=z, cell_m=record["cell_m"], x_min_m=record["x_min_m"],
                     y_min_m=record["y_min_m"])


def _truth_from(record: dict[str, Any], elevation: Elevation) -> SceneTruth:
    objects = tuple(
        TruthObject(kind=o["kind"], outline_m=np.array(o["outline_m"], dtype=np.float64),
                    height_m=o.get("height_m"), depth_m=o.get("depth_m"),
                    slope_deg=o.get("slope_deg"))
        for o in record["objects"]
    )
    return SceneTruth(
        id=record["id"], roll_deg=record["roll_deg"], pitch_deg=record["pitch_deg"],
        sun_elevation_deg=record["sun_elevation_deg"], sun_azimuth_deg=record["sun_azimuth_deg"],
        seed=tuple(record["seed"]), objects=objects, elevation=elevation,
    )
