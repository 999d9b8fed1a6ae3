"""Files of a rehearsal: rows.csv, rehearsal.json, and what was scored of each scene.

rows.csv
--------
UTF-8, comma-separated, one header line, one line per heading of a scene at one limit, look-ahead,
strip and sensor; all digits are kept, an empty field is a number that is not known.

- ``pair``, ``mixture``, ``digest``, ``sun_elevation_deg`` (empty: no sun), ``compression``,
  ``rig``, ``failure``: as in ``SceneScore``, the same on each line of a scene.
- then the fields of ``HeadingRow`` in its order; those that are true or false are ``yes`` or
  ``no``, or empty where that is not known.

A scene that could not be scored has no line; rehearsal.json names it. The header tells the version:
rows of version 1 end before ``probability``, and what they lack is read as not known.

scores/ID.json and scores/ID.npz
--------------------------------
The score of one scene: an interrupted rehearsal goes on from there. Both hold the key of what the
score came from, and are of use only for that key.
"""

from __future__ import annotations

import csv
import io
import json
import math
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from hazcam.errors import HazcamError
from hazcam.scene.io import write_whole
from hazcam.scene.rehearsal.record import (
    NO_ERRORS,
    NO_HEIGHTS,
    Errors,
    HeadingRow,
    HeightErrors,
    SceneScore,
)

ROWS, RECORD, PAGE, SCORES = "rows.csv", "rehearsal.json", "rehearsal.html", "scores"
_SCENE_COLUMNS = ("pair", "mixture", "digest", "sun_elevation_deg", "compression", "rig",
                  "failure")
_ROW_TYPES = {field.name: str(field.type) for field in fields(HeadingRow)}
COLUMNS = (*_SCENE_COLUMNS, *_ROW_TYPES)
# What rows of version 1 lack, at the end of each, and what is known of it then.
_SINCE_2: Mapping[str, Any] = {"probability": math.nan, "bounded": False, "exceeds": None}
_COLUMNS_1 = tuple(name for name in COLUMNS if name not in _SINCE_2)
_KINDS: Mapping[str, type[Errors]] = {"Errors": Errors, "HeightErrors": HeightErrors}
_ERRORS = {field.name: _KINDS[str(field.type)] for field in fields(SceneScore)
           if field.type in _KINDS}
_ARRAYS = {name: tuple(field.name for field in fields(kind)) for name, kind in _ERRORS.items()}


class RowsError(HazcamError):
    """Rows of another rehearsal that cannot be used."""


class RecordError(HazcamError):
    """The record of another rehearsal that cannot be used."""


def write_record(folder: Path, record: Mapping[str, Any]) -> Path:
    """Write rehearsal.json from plain values and return its path.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    write_whole(folder / RECORD, text.encode())
    return folder / RECORD


def read_record(folder: Path) -> dict[str, Any]:
    """Read rehearsal.json of a folder; empty if it has none.

    Raises
    ------
    RecordError
        It cannot be read, or is no record.
    """
    file = folder / RECORD
    if not file.exists():
        return {}
    try:
        record = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _record_error(file, f"cannot be read ({error})") from error
    if not isinstance(record, dict):
        raise _record_error(file, f"holds a {type(record).__name__}")
    return record


def _record_error(file: Path, found: str) -> RecordError:
    return RecordError(str(file), found, "the record of a rehearsal",
                       "give the folder that `hazcam rehearse -o` wrote")


def write_page(folder: Path, html: str) -> Path:
    """Write rehearsal.html and return its path.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    write_whole(folder / PAGE, html.encode())
    return folder / PAGE


# --- rows.csv -------------------------------------------------------------------------------------


def write_rows(folder: Path, scores: Iterable[SceneScore]) -> Path:
    """Write rows.csv and return its path.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for score in scores:
        about = [_cell(getattr(score, name)) for name in _SCENE_COLUMNS]
        writer.writerows(about + [_cell(getattr(row, name)) for name in _ROW_TYPES]
                         for row in score.rows)
    write_whole(folder / ROWS, stream.getvalue().encode())
    return folder / ROWS


def _cell(value: str | bool | float | None) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else repr(float(value))


def read_rows(path: Path) -> list[SceneScore]:
    """Read a rows.csv, or that of a folder: scores without errors against truth.

    Raises
    ------
    RowsError
        It cannot be read, has another header, or a value that is none.
    """
    file = path / ROWS if path.is_dir() else path
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise _rows_error(str(file), f"cannot be read ({error})") from error
    header, *lines = csv.reader(io.StringIO(text, newline="")) if text else [[]]
    if tuple(header) not in (COLUMNS, _COLUMNS_1):
        raise _rows_error(f"{file}: line 1", "another header")
    lacking = {} if tuple(header) == COLUMNS else _SINCE_2
    scenes: dict[tuple[str, ...], list[HeadingRow]] = {}
    for number, line in enumerate(lines, start=2):
        try:
            values = dict(zip(header, line, strict=True))
            row = HeadingRow(**lacking, **{name: _value(values[name], kind)
                                           for name, kind in _ROW_TYPES.items()
                                           if name not in lacking})
        except ValueError as error:
            raise _rows_error(f"{file}: row {number}", str(error)) from error
        scenes.setdefault(tuple(line[:len(_SCENE_COLUMNS)]), []).append(row)
    return [_scene(dict(zip(_SCENE_COLUMNS, about, strict=True)), rows)
            for about, rows in scenes.items()]


def _rows_error(where: str, found: str) -> RowsError:
    return RowsError(where, found, f"a {ROWS} of a rehearsal, with the columns "
                     f"{', '.join(COLUMNS)}", "give the folder that `hazcam rehearse -o` wrote")


def _value(text: str, kind: str) -> Any:
    if kind == "float":
        return float(text) if text else math.nan
    if kind == "bool | None" and not text:
        return None
    if kind.startswith("bool"):
        if text not in ("yes", "no"):
            raise ValueError(f"{text!r} is neither yes nor no")
        return text == "yes"
    return text


def _scene(about: Mapping[str, str], rows: Sequence[HeadingRow]) -> SceneScore:
    sun = about["sun_elevation_deg"]
    return SceneScore(
        pair=about["pair"], mixture=about["mixture"], digest=about["digest"],
        sun_elevation_deg=float(sun) if sun else None, compression=about["compression"],
        rig=about["rig"], failure=about["failure"], rows=tuple(rows), disparity=NO_ERRORS,
        elevation=NO_ERRORS, obstacle_height=NO_HEIGHTS,
    )


# --- scores of single scenes ----------------------------------------------------------------------


def write_score(folder: Path, name: str, key: str, score: SceneScore) -> None:
    """Keep the score of a scene under ``folder/scores/name``.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    arrays = {f"{what}.{array}": getattr(getattr(score, what), array)
              for what in _ERRORS for array in _ARRAYS[what]}
    stream = io.BytesIO()
    np.savez_compressed(stream, key=np.array(key), **arrays)
    write_whole(_score_path(folder, name, ".npz"), stream.getvalue())
    about = {c: getattr(score, c) for c in _SCENE_COLUMNS}
    rows = [[getattr(row, name) for name in _ROW_TYPES] for row in score.rows]
    record = {"key": key, **about, "columns": list(_ROW_TYPES), "rows": rows}
    # Last: a score is there once its .json is.
    write_whole(_score_path(folder, name, ".json"),
                (json.dumps(record, ensure_ascii=False) + "\n").encode())


def read_score(folder: Path, name: str, key: str) -> SceneScore | None:
    """The score that was kept for this very key; None if there is none, or it is not whole."""
    try:
        record = json.loads(_score_path(folder, name, ".json").read_text(encoding="utf-8"))
        with (_score_path(folder, name, ".npz").open("rb") as file,
              np.load(file, allow_pickle=False) as arrays):
            # both, as a run may have been stopped between the two files
            if record["key"] != key or str(arrays["key"]) != key:
                return None
            fields_of: dict[str, Any] = {
                what: kind(**{array: arrays[f"{what}.{array}"] for array in _ARRAYS[what]})
                for what, kind in _ERRORS.items()}
        fields_of |= {name: record[name] for name in _SCENE_COLUMNS}
        rows = [dict(zip(record["columns"], values, strict=True)) for values in record["rows"]]
        return SceneScore(**fields_of, rows=tuple(HeadingRow(**row) for row in rows))
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
        return None  # it is scored again


def _score_path(folder: Path, name: str, suffix: str) -> Path:
    return folder / SCORES / f"{name}{suffix}"
