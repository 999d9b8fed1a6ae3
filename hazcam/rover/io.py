"""Reading and writing rover profiles (TOML, schema ``hazcam-rover/1``)."""

from __future__ import annotations

import math
import tomllib
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from hazcam.errors import OutputError, RoverError
from hazcam.imagery.signatures import picture_format
from hazcam.rover.checks import (
    check_length,
    check_margin,
    check_mass,
    check_proportions,
    check_reach,
)
from hazcam.rover.limits import MEASURED, check_limit, derive_limits, rover_digest
from hazcam.rover.profile import LIMIT_UNITS, Body, Legs, Limit, Limits, RoverProfile
from hazcam.rover.toml_form import text_with_limit

SCHEMA = "hazcam-rover/1"
_SHIPPED = Path(__file__).parent
_BODY = tuple(field.name for field in fields(Body))
_LEGS = tuple(field.name for field in fields(Legs))

Table = dict[str, Any]


def shipped_rovers() -> list[str]:
    """Names of the rovers that ship with the package, sorted."""
    return sorted(path.stem for path in _SHIPPED.glob("*.toml"))


def _path_of(name_or_path: str | Path) -> Path:
    text = str(name_or_path)
    if isinstance(name_or_path, Path) or text.endswith(".toml") or "/" in text or "\\" in text:
        return Path(name_or_path)
    if text not in shipped_rovers():
        raise RoverError(
            f"rover {text!r}", "no rover of this name ships with hazcam",
            f"one of {', '.join(shipped_rovers())}, or the path of a TOML file",
            "correct the name, or give the path of a rover file NAME.toml",
        )
    return _SHIPPED / f"{text}.toml"


def _read_text(path: Path) -> str:
    what = f"a rover file in TOML (schema {SCHEMA})"
    try:
        if path.is_dir():
            raise RoverError(str(path), "is a folder", what, "give the file itself")
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise RoverError(str(path), "does not exist", what, "check the path") from error
    except OSError as error:
        raise RoverError(str(path), f"cannot be read: {error.strerror}", what,
                         "check the path and its permissions") from error
    except UnicodeDecodeError as error:
        raise _no_text(path, error, what) from error
    if not text.strip():
        raise RoverError(str(path), "is empty", what, "write the rover's numbers into it")
    return text


def _load(text: str, where: str) -> Table:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RoverError(where, f"broken TOML: {error}", f"a rover file in TOML (schema {SCHEMA})",
                         "mend the text there") from error


def _no_text(path: Path, error: UnicodeDecodeError, what: str) -> RoverError:
    form = picture_format(error.object)
    found = (f"cannot be read as text: {error}" if form is None
             else f"is a {form} picture, not a rover file")
    return RoverError(str(path), found, what, "give a TOML file, or the name of a shipped rover")


def _check_keys(
    table: Any, where: str, required: tuple[str, ...], optional: tuple[str, ...] = ()
) -> Table:
    """Return a table that has the required keys and no unknown one."""
    known = (*required, *optional)
    if not isinstance(table, dict):
        raise RoverError(where, f"found {table!r}", f"a table with the keys {', '.join(known)}",
                         "write it as a table")
    unknown = sorted(set(table) - set(known))
    if unknown:
        raise RoverError(where, f"unknown key{'s' if len(unknown) > 1 else ''}: "
                         f"{', '.join(unknown)}", f"the known keys: {', '.join(known)}",
                         "remove or rename it")
    missing = [key for key in required if key not in table]
    if missing:
        raise RoverError(where, f"missing key{'s' if len(missing) > 1 else ''}: "
                         f"{', '.join(missing)}", f"the keys {', '.join(required)}",
                         "add what is missing")
    return table


def _number(table: Table, key: str, where: str, *, zero: bool = False) -> float:
    """Return a finite number above 0, or of 0 and more."""
    value, place = table[key], f"{where} {key}"
    least = "0 or more" if zero else "above 0"
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise RoverError(place, f"found {value!r}", f"a finite number, {least}",
                         "write a number without quotes and unit")
    if value < 0 or (value == 0 and not zero):
        raise RoverError(place, f"found {value:g}", f"a number {least}", "correct the value")
    return float(value)


def _length(table: Table, key: str, where: str) -> float:
    return check_length(_number(table, key, where), f"{where} {key}")


def _text(table: Table, key: str, where: str) -> str:
    value = table[key]
    if not isinstance(value, str) or not value.strip():
        raise RoverError(f"{where} {key}", f"found {value!r}", "a text in quotes",
                         "write what it says, in quotes")
    return value


def _body(table: Any, where: str) -> Body:
    table = _check_keys(table, where, _BODY)
    mass_kg = check_mass(_number(table, "mass_kg", where), f"{where} mass_kg")
    return Body(mass_kg=mass_kg,
                **{key: _length(table, key, where) for key in _BODY if key != "mass_kg"})


def _legs(table: Any, where: str) -> Legs:
    table = _check_keys(table, where, _LEGS)
    arc_deg = _number(table, "arc_deg", where)
    lengths = {key: _length(table, key, where) for key in _LEGS if key.endswith("_m")}
    count = table["count"]
    if isinstance(count, bool) or not isinstance(count, int) or count < 6 or count % 2:
        raise RoverError(
            f"{where} count", f"found {count!r}",
            "an even number of legs, six or more: a gait with three feet on the ground",
            "give the number of all legs, both sides",
        )
    return Legs(count=count, arc_deg=arc_deg, **lengths)


def _with_measured(limits: Limits, table: Any, body: Body, legs: Legs, where: str) -> Limits:
    """Let measured limits win over derived ones."""
    table = _check_keys(table, where, (), tuple(LIMIT_UNITS))
    measured: dict[str, Limit] = {}
    for name, entry in table.items():
        place = f"{where}.{name}"
        entry = _check_keys(entry, place, ("value", "source"), ("was",))
        value, source = _value_and_source(name, entry, place)
        check_reach(name, value, body, legs, place)
        was = _was(name, entry["was"], f"{place}.was") if "was" in entry else None
        measured[name] = Limit(value=value, source=f"{MEASURED}{source}", was=was)
    return replace(limits, **measured)


def _was(name: str, table: Any, where: str) -> Limit:
    """What a limit was before: not judged by, so it need not be within reach."""
    table = _check_keys(table, where, ("value", "source"))
    value, source = _value_and_source(name, table, where)
    return Limit(value=value, source=source)


def _value_and_source(name: str, table: Table, where: str) -> tuple[float, str]:
    value = check_limit(name, _number(table, "value", where, zero=True), where)
    return value, _text(table, "source", where)


def _check_derived(limits: Limits, where: str) -> None:
    """Refuse a geometry that leaves nothing for a limit that was not measured."""
    for name in LIMIT_UNITS:
        limit: Limit = getattr(limits, name)
        if limit.value <= 0 and limit.source.startswith("derived"):
            raise RoverError(
                where, f"the limit {name} would be {limit.value:g} ({limit.source})",
                "a body and legs that leave more than 0",
                f"check the lengths, or give a measured [limits.{name}]",
            )


def read_rover(name_or_path: str | Path) -> RoverProfile:
    """Read a rover: one that ships with the package, by its name, or a TOML file.

    Parameters
    ----------
    name_or_path : str or Path
        ``dunlin-em``, ``dunlin-fm``, or the path of a file of schema ``hazcam-rover/1``. A text
        that ends in ``.toml`` or holds a slash is a path.

    Returns
    -------
    RoverProfile
        Limits that the file does not give as measured are derived from body and legs.

    Raises
    ------
    RoverError
        An unknown name, a missing or empty file, a folder, broken TOML, an unknown or missing key,
        a word where a number belongs, a length that is negative, in another unit or out of
        proportion, a number of legs that is odd or below six.

    Examples
    --------
    >>> rover = read_rover("dunlin-em")
    >>> rover.limits.step
    Limit(value=0.05, source='derived: leg length / 2', was=None)
    """
    path = _path_of(name_or_path)
    return _profile(_read_text(path), str(path))


def _profile(text: str, where: str) -> RoverProfile:
    table = _check_keys(_load(text, where), where, ("schema", "name", "body", "legs", "margins"),
                        ("limits",))
    if table["schema"] != SCHEMA:
        raise RoverError(f"{where}: schema", f"found {table['schema']!r}", SCHEMA,
                         "write the file in the schema of this version")
    body = _body(table["body"], f"{where}: [body]")
    legs = _legs(table["legs"], f"{where}: [legs]")
    margins = _check_keys(table["margins"], f"{where}: [margins]", ("lateral_m",))
    margin_m = check_margin(_number(margins, "lateral_m", f"{where}: [margins]", zero=True),
                            f"{where}: [margins] lateral_m")
    check_proportions(body, legs, where)
    limits = _with_measured(derive_limits(body, legs), table.get("limits", {}), body, legs,
                            f"{where}: limits")
    _check_derived(limits, where)
    return RoverProfile(
        name=_text(table, "name", where), body=body, legs=legs, margin_m=margin_m, limits=limits,
        digest=rover_digest(body, legs, margin_m, limits), source=where,
    )


def write_rover(rover: RoverProfile, path: str | Path) -> None:
    """Write a rover with other measured limits: the file that it was read from, edited.

    All else of that file stays as it is, the comments of the team among it. What is written is
    read back before, and gives the same rover, to the bit.

    Parameters
    ----------
    rover : RoverProfile
        From ``read_rover``, with limits from ``with_measured``.
    path : str or Path
        The new file; it may be the same.

    Raises
    ------
    RoverError
        The file that the rover was read from cannot be read any more, or gives one of its limits
        in a form that is not edited here.
    OutputError
        The file cannot be written.
    ValueError
        The rover differs from its file by more than measured limits.
    """
    text, where = _read_text(Path(rover.source)), str(path)
    before = _profile(text, rover.source)
    for name in LIMIT_UNITS:
        limit: Limit = getattr(rover.limits, name)
        if limit != getattr(before.limits, name):
            text = text_with_limit(text, name, limit, rover.source)
    if _profile(text, where) != replace(rover, source=where):
        raise ValueError(f"the rover differs from {rover.source} by more than measured limits")
    try:
        Path(path).write_text(text, encoding="utf-8")
    except OSError as error:
        raise OutputError(where, f"cannot be written: {error.strerror}", "a writable place",
                          "create the folder, or choose another place") from error
