"""The sidecar of a pair: its keys, and the checks of each value (schema ``hazcam-pair/1``).

Pure: from the text of a sidecar to a record; ``imagery/io.py`` reads the file.
"""

from __future__ import annotations

import hashlib
import math
import re
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from hazcam.errors import PairError
from hazcam.frames import Attitude
from hazcam.imagery.arrays import check_id
from hazcam.imagery.pair import Window
from hazcam.imagery.values import (
    Check,
    between,
    check_keys,
    elevation,
    exposure,
    free_text,
    load_object,
    moment,
    number,
    pose_rows,
    positive_sigma,
    record,
    sigma,
    text,
    text_or_null,
    whole,
    wrong,
)

SCHEMA = "hazcam-pair/1"
SIDECAR_SUFFIX = ".pair.json"
"""Ending of the name of a sidecar."""

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
    digest : str
        SHA-256 of the text of the file; empty for a sidecar that is no file of its own.
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
    digest: str = ""


_MOST_PX = 100_000  # more than the side of any sensor
_MOST_BINNING = 64  # nothing is left of a picture then
_WINDOW: dict[str, Check] = {
    "column": whole(0, _MOST_PX), "row": whole(0, _MOST_PX),
    "width": whole(1, _MOST_PX), "height": whole(1, _MOST_PX),
}
# As a factor, in dB or as an ISO number: no camera states more.
_gain = between(0, 1e6, "", "write the gain as the camera states it, or leave it out where it is "
                "not known")
# A rover of this size decides some metres ahead.
_reach = between(-1000, 1000, "m", "write the value in metres, or leave it out")
_PREVIOUS: dict[str, Check] = {"pair": text, "pose": pose_rows, "sigma": sigma}
_ONBOARD: dict[str, Check] = {"verdict": free_text, "value_m": _reach}


# A line to copy for each required key.
_EXAMPLES = {
    "schema": SCHEMA, "id": "beach-1", "left": "beach-1.left.png", "right": "beach-1.right.png",
    "rig": "../calibration/rig.yaml", "rover": "dunlin-em",
}
_REQUIRED = ("schema", "id", "left", "right", "rig", "rover")
_KEYS: dict[str, Check] = {
    "schema": text, "id": text, "left": text_or_null, "right": text_or_null,
    "rig": text, "rover": text,
    "roll_deg": number, "pitch_deg": number,
    "roll_sigma_deg": positive_sigma, "pitch_sigma_deg": positive_sigma,
    "taken_at": moment, "taken_at_right": moment, "site": free_text,
    "exposure_s": exposure, "gain": _gain, "sun_elevation_deg": elevation,
    "window": record(_WINDOW), "binning": whole(1, _MOST_BINNING),
    "previous": record(_PREVIOUS), "note": free_text,
    # A rover may report what it decided without a number.
    "onboard": record(_ONBOARD, required=("verdict",)),
}
_DETAILS = (
    "taken_at", "taken_at_right", "site", "exposure_s", "gain", "sun_elevation_deg",
    "previous", "onboard", "note",
)


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
    wrong(f"{where}: schema", schema, SCHEMA, "write the sidecar in the schema of this version")


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
            wrong(f"{where}: {name}", angle, "an angle between -90 and 90 degrees",
                  "write degrees against level ground; a rover at 90 lies on its side")
    assumed = roll_sigma_deg is None or pitch_sigma_deg is None
    attitude = Attitude(
        roll_deg=roll_deg,
        pitch_deg=pitch_deg,
        roll_sigma_deg=ATTITUDE_SIGMA_DEG if roll_sigma_deg is None else roll_sigma_deg,
        pitch_sigma_deg=ATTITUDE_SIGMA_DEG if pitch_sigma_deg is None else pitch_sigma_deg,
    )
    return attitude, (SIGMA_NOTE,) if assumed else ()


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
    _refuse_rig(text, where)
    values = load_object(text, where, "a sidecar in JSON")
    _check_schema(values, where)
    # A text may hold what is no UTF-8; where it is read from a file, these are the file's bytes.
    digest = hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest()
    return replace(sidecar_of(values, path), digest=digest)


def sidecar_of(
    values: dict[str, Any], path: Path, *, where: str | None = None, folder: Path | None = None
) -> Sidecar:
    """Make a sidecar of its values.

    Parameters
    ----------
    values : dict
        As in a file of schema ``hazcam-pair/1``.
    path : Path
        The file that they come from.
    where : str, optional
        What messages call the place; by default the path.
    folder : Path, optional
        Where relative paths start; by default where ``path`` stands.

    Raises
    ------
    PairError
        An unknown or missing key, a value of the wrong kind, roll without pitch.
    """
    where = str(path) if where is None else where
    folder = path.parent if folder is None else folder
    values = check_keys(where, values, _KEYS, _REQUIRED, _EXAMPLES)
    angles = ("roll_deg", "pitch_deg", "roll_sigma_deg", "pitch_sigma_deg")
    attitude, notes = attitude_from(where, *(values.get(key) for key in angles))
    left, right, rover = (values[key] for key in ("left", "right", "rover"))
    is_file = rover.endswith(".toml") or "/" in rover or "\\" in rover
    return Sidecar(
        path=path,
        id=check_id(values["id"], where),
        left=None if left is None else folder / left,
        right=None if right is None else folder / right,
        rig=folder / values["rig"],
        rover=str(folder / rover) if is_file else rover,
        attitude=attitude,
        window=Window(**values["window"]) if "window" in values else None,
        binning=values.get("binning", 1),
        details={key: values[key] for key in _DETAILS if key in values},
        notes=(*notes, *_time_notes(values)),
    )
