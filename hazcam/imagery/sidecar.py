"""The sidecar of a pair: its keys, and the checks of each value (schema ``hazcam-pair/1``).

Pure: from the text of a sidecar to a record; ``imagery/io.py`` reads the file.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, NoReturn

from hazcam.errors import PairError
from hazcam.frames import Attitude
from hazcam.imagery.arrays import check_id
from hazcam.imagery.pair import Window

SCHEMA = "hazcam-pair/1"

# Our assumption where a rover gives roll and pitch without their sigma: about what a small
# accelerometer holds at rest.
ATTITUDE_SIGMA_DEG = 0.5
# Two pictures this close in time are of one moment: our own choice.
SAME_MOMENT_S = 0.1

SIGMA_NOTE = f"attitude sigma not stated: {ATTITUDE_SIGMA_DEG:g}° assumed"


@dataclass(frozen=True, kw_only=True)
class Sidecar:
    """What a sidecar says.

    Attributes
    ----------
    path : Path
        The sidecar itself.
    id : str
        Name of the pair; the folder of its results.
    left, right : Path or None
        The pictures; None where the sidecar gives null.
    rig : Path
        The calibration.
    rover : str
        Name of a shipped rover, or path of a rover file.
    attitude : Attitude or None
        None where the sidecar does not say.
    window : Window or None
        The part of the sensor that was sent.
    binning : int
        Sensor pixels per picture pixel along each axis.
    details : dict
        The other keys (``taken_at``, ``site``, ``previous``, ...), as read.
    notes : tuple of str
        What had to be assumed.
    """

    path: Path
    id: str
    left: Path | None
    right: Path | None
    rig: Path
    rover: str
    attitude: Attitude | None = None
    window: Window | None = None
    binning: int = 1
    details: dict[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


Check = Callable[[str, Any], Any]


def _wrong(where: str, value: Any, expected: str) -> NoReturn:
    raise PairError(where, f"found {value!r}", expected, "correct the value in the sidecar")


def _number(where: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        _wrong(where, value, "a finite number")
    return float(value)


def _positive(where: str, value: Any) -> float:
    if _number(where, value) <= 0:
        _wrong(where, value, "a number above 0")
    return float(value)


def _not_negative(where: str, value: Any) -> float:
    if _number(where, value) < 0:
        _wrong(where, value, "a number of 0 or more")
    return float(value)


def _elevation(where: str, value: Any) -> float:
    if not -90 <= _number(where, value) <= 90:
        _wrong(where, value, "an angle between -90 and 90 degrees")
    return float(value)


def _whole(least: int) -> Check:
    def check(where: str, value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            _wrong(where, value, f"a whole number of {least} or more")
        return value

    return check


def _text(where: str, value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        _wrong(where, value, "a text")
    return value


def _text_or_null(where: str, value: Any) -> str | None:
    return None if value is None else _text(where, value)


def _moment(where: str, value: Any) -> str:
    try:
        datetime.fromisoformat(_text(where, value))
    except ValueError:
        _wrong(where, value, "a time in ISO 8601, for example 2031-05-04T09:30:00Z")
    return str(value)


def _pose_rows(where: str, value: Any) -> list[list[float]]:
    square = isinstance(value, list) and len(value) == 4 and all(
        isinstance(row, list) and len(row) == 4 for row in value
    )
    if not square:
        _wrong(where, value, "four rows of four numbers, the pose in the previous level frame")
    return [[_number(where, entry) for entry in row] for row in value]


def _sigma(where: str, value: Any) -> float | list[float]:
    if isinstance(value, list) and value:
        return [_not_negative(where, entry) for entry in value]
    return _not_negative(where, value)


_WINDOW: dict[str, Check] = {
    "column": _whole(0), "row": _whole(0), "width": _whole(1), "height": _whole(1),
}
_PREVIOUS: dict[str, Check] = {"pair": _text, "pose": _pose_rows, "sigma": _sigma}
_ONBOARD: dict[str, Check] = {"verdict": _text, "value_m": _number}


def _record(checks: dict[str, Check]) -> Check:
    def check(where: str, value: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            _wrong(where, value, f"a JSON object with the keys {', '.join(checks)}")
        return check_keys(where, value, checks, required=tuple(checks))

    return check


# A line to copy for each required key.
_EXAMPLES = {
    "schema": SCHEMA, "id": "beach-1", "left": "beach-1.left.png", "right": "beach-1.right.png",
    "rig": "../calibration/rig.yaml", "rover": "dunlin-em",
}
_REQUIRED = ("schema", "id", "left", "right", "rig", "rover")
_KEYS: dict[str, Check] = {
    "schema": _text, "id": _text, "left": _text_or_null, "right": _text_or_null,
    "rig": _text, "rover": _text,
    "roll_deg": _number, "pitch_deg": _number,
    "roll_sigma_deg": _not_negative, "pitch_sigma_deg": _not_negative,
    "taken_at": _moment, "taken_at_right": _moment, "site": _text,
    "exposure_s": _positive, "gain": _not_negative, "sun_elevation_deg": _elevation,
    "window": _record(_WINDOW), "binning": _whole(1),
    "previous": _record(_PREVIOUS), "onboard": _record(_ONBOARD), "note": _text,
}
_DETAILS = (
    "taken_at", "taken_at_right", "site", "exposure_s", "gain", "sun_elevation_deg",
    "previous", "onboard", "note",
)


def _add(missing: list[str]) -> str:
    lines = [f'"{key}": "{_EXAMPLES[key]}"' for key in missing if key in _EXAMPLES]
    return f"add {', '.join(lines)}, with what is true of the pair" if lines else (
        "add what is missing"
    )


def check_keys(
    where: str, values: dict[str, Any], checks: dict[str, Check], required: tuple[str, ...]
) -> dict[str, Any]:
    """Refuse unknown and missing keys of a JSON object, and check each value."""
    unknown = sorted(set(values) - set(checks))
    if unknown:
        raise PairError(
            where,
            f"unknown key{'s' if len(unknown) > 1 else ''}: {', '.join(unknown)}",
            f"the known keys: {', '.join(checks)}",
            "remove or rename it; free words go into `note`",
        )
    missing = [key for key in required if key not in values]
    if missing:
        raise PairError(
            where,
            f"missing key{'s' if len(missing) > 1 else ''}: {', '.join(missing)}",
            f"at least the keys {', '.join(required)}",
            _add(missing),
        )
    return {key: checks[key](f"{where}: {key}", value) for key, value in values.items()}


def _no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values = dict(pairs)
    if len(values) < len(pairs):
        names = [key for key, _ in pairs]
        raise KeyError(next(name for name in names if names.count(name) > 1))
    return values


def _no_constant(word: str) -> NoReturn:
    raise OverflowError(word)


def _refuse_rig(text: str, where: str) -> None:
    if text.startswith("%YAML") or re.search(r"^K1:", text, re.MULTILINE):
        raise PairError(
            where, "is a rig file (YAML), not a sidecar", "the sidecar of a pair, NAME.pair.json",
            "give it with --rig, and the sidecar or the two pictures here",
        )


def _check_schema(values: dict[str, Any], where: str) -> None:
    schema = values.get("schema", SCHEMA)
    if schema == SCHEMA:
        return
    other = re.fullmatch(r"hazcam-(\w+)/\d+", str(schema))
    if other and other[1] != "pair":
        raise PairError(
            where, f"is the {other[1]} of a pair (schema {schema}), not its sidecar",
            f"a sidecar, schema {SCHEMA}", "give the .pair.json",
        )
    _wrong(f"{where}: schema", schema, SCHEMA)


def _parse(text: str, where: str) -> dict[str, Any]:
    """JSON text to a dict; NaN, Infinity and a key given twice are refused."""
    _refuse_rig(text, where)
    try:
        values = json.loads(
            text, object_pairs_hook=_no_duplicates, parse_constant=_no_constant
        )
    except json.JSONDecodeError as error:
        raise PairError(
            where, f"broken JSON at line {error.lineno}, column {error.colno}: {error.msg}",
            "a sidecar in JSON", "mend the text there",
        ) from error
    except KeyError as error:
        raise PairError(
            where, f"the key {error} is given twice", "each key once", "remove one of the two"
        ) from error
    except OverflowError as error:
        raise PairError(
            where, f"the value {error}", "finite numbers (JSON knows no NaN or Infinity)",
            "leave out what is not known",
        ) from error
    if not isinstance(values, dict):
        _wrong(where, values, "a JSON object with the keys of a pair")
    return values


def attitude_from(
    where: str,
    roll_deg: float | None,
    pitch_deg: float | None,
    roll_sigma_deg: float | None = None,
    pitch_sigma_deg: float | None = None,
) -> tuple[Attitude | None, tuple[str, ...]]:
    """Roll and pitch, both or neither, with the sigma that was stated or is assumed.

    Returns
    -------
    attitude : Attitude or None
        None where neither roll nor pitch is given.
    notes : tuple of str
        Says where a sigma was assumed.
    """
    if (roll_deg is None) != (pitch_deg is None):
        given, lacking = ("roll_deg", "pitch_deg")[:: 1 if pitch_deg is None else -1]
        raise PairError(
            where, f"{given} without {lacking}", "both angles or neither",
            f"give {lacking} as well, or leave out {given}",
        )
    if roll_deg is None or pitch_deg is None:
        if roll_sigma_deg is not None or pitch_sigma_deg is not None:
            raise PairError(
                where, "a sigma of the attitude without the attitude",
                "roll_deg and pitch_deg with it", "give both angles, or leave out the sigma",
            )
        return None, ()
    for name, angle in (("roll_deg", roll_deg), ("pitch_deg", pitch_deg)):
        if not (math.isfinite(angle) and abs(angle) < 90):
            _wrong(f"{where}: {name}", angle, "an angle between -90 and 90 degrees")
    assumed = roll_sigma_deg is None or pitch_sigma_deg is None
    attitude = Attitude(
        roll_deg=roll_deg,
        pitch_deg=pitch_deg,
        roll_sigma_deg=ATTITUDE_SIGMA_DEG if roll_sigma_deg is None else roll_sigma_deg,
        pitch_sigma_deg=ATTITUDE_SIGMA_DEG if pitch_sigma_deg is None else pitch_sigma_deg,
    )
    return attitude, (SIGMA_NOTE,) if assumed else ()


def _beside(path: Path, name: str | None) -> Path | None:
    return None if name is None else path.parent / name


def _time_notes(values: dict[str, Any]) -> tuple[str, ...]:
    """A note where the two pictures are not of one moment, or where that cannot be told."""
    if "taken_at" not in values or "taken_at_right" not in values:
        return ()
    left, right = (datetime.fromisoformat(values[key]) for key in ("taken_at", "taken_at_right"))
    if (left.tzinfo is None) != (right.tzinfo is None):
        return ("taken_at and taken_at_right: only one states its time zone",)
    apart_s = abs((right - left).total_seconds())
    if apart_s <= SAME_MOMENT_S:
        return ()
    return (f"the two pictures were taken {apart_s:g} s apart: right only if nothing moved",)


def parse_sidecar(text: str, path: Path) -> Sidecar:
    """Turn the text of a sidecar into a record.

    Parameters
    ----------
    text : str
        JSON of schema ``hazcam-pair/1``.
    path : Path
        Where it stands: its paths are relative to that folder, and messages name it.

    Raises
    ------
    PairError
        Broken JSON, a wrong schema, an unknown, missing or doubled key, a value of the wrong kind,
        roll without pitch.
    """
    where = str(path)
    values = _parse(text, where)
    _check_schema(values, where)
    values = check_keys(where, values, _KEYS, _REQUIRED)
    angles = ("roll_deg", "pitch_deg", "roll_sigma_deg", "pitch_sigma_deg")
    attitude, notes = attitude_from(where, *(values.get(key) for key in angles))
    rover = values["rover"]
    is_file = rover.endswith(".toml") or "/" in rover or "\\" in rover
    return Sidecar(
        path=path,
        id=check_id(values["id"], where),
        left=_beside(path, values["left"]),
        right=_beside(path, values["right"]),
        rig=path.parent / values["rig"],
        rover=str(path.parent / rover) if is_file else rover,
        attitude=attitude,
        window=Window(**values["window"]) if "window" in values else None,
        binning=values.get("binning", 1),
        details={key: values[key] for key in _DETAILS if key in values},
        notes=(*notes, *_time_notes(values)),
    )
