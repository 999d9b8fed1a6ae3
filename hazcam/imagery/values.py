"""Checks of the values of a JSON object, key by key: each error names the place and the remedy.

Each check takes the place, for messages, and the value, and returns the value or raises PairError.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, NoReturn

from hazcam.errors import PairError

Check = Callable[[str, Any], Any]

LONGEST_TEXT = 2000
"""Characters of a free text at most: a table of texts is as wide as its longest one."""
_SHOWN = 200  # characters of a value that a message repeats
# Neither a file name nor a database can hold a zero byte, or half of a surrogate pair.
BROKEN = re.compile("[\0\ud800-\udfff]")
DECIMAL = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
DECIMAL_COMMA = re.compile(r"([+-]?[0-9]*),([0-9]+)")
_FRACTION = re.compile(r"([0-9.]+) */ *([0-9.]+)")
# An unset clock starts in 1970 (Unix) or 1980 (GPS, FAT), and no digital pair is older than 1990;
# common practice, no source.
YEARS = range(1990, 2200)


def wrong(where: str, value: Any, expected: str, remedy: str) -> NoReturn:
    """Raise PairError for a value; ``expected`` says what should be there."""
    raise PairError(where, f"found {shown(value)}", expected, remedy)


def shown(value: Any) -> str:
    """A value for a message, cut off where it is long."""
    text = repr(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}... ({len(text)} characters)"


def number(where: str, value: Any) -> float:
    """A finite number."""
    try:
        if not isinstance(value, bool) and isinstance(value, int | float) and math.isfinite(value):
            return float(value)
    except OverflowError:  # a whole number beyond every float
        pass
    wrong(where, value, "a finite number", _number_remedy(value))


def _number_remedy(value: Any) -> str:
    """How to write the number that was probably meant."""
    text = value.strip() if isinstance(value, str) else ""
    if comma := DECIMAL_COMMA.fullmatch(text):
        return f"write a point for the comma: {comma[1]}.{comma[2]}"
    if fraction := _FRACTION.fullmatch(text):
        try:
            quotient = float(fraction[1]) / float(fraction[2])
            return f"write {quotient:.3g}: a decimal number with a point"
        except (ValueError, ZeroDivisionError):
            return "write a decimal number with a point"
    if DECIMAL.fullmatch(text):
        return f"write it without quotes: {text}"
    if isinstance(value, str):
        return ("write digits with a point and nothing else, no unit; leave it out where it is not "
                "known")
    if isinstance(value, int | float) and not isinstance(value, bool):
        return "leave it out where it is not known"
    return "write a number; leave it out where it is not known"


def between(least: float, most: float, unit: str, remedy: str) -> Check:
    """The check of a number from ``least`` to ``most``; ``unit`` is one for the message, or empty.

    The remedy is that for a number outside of them.
    """
    def check(where: str, value: Any) -> float:
        if not least <= number(where, value) <= most:
            bounds = f"a number of {least:g} or more, at most {most:g}"
            wrong(where, value, f"{bounds} {unit}".rstrip(), remedy)
        return float(value)

    return check


def exposure(where: str, value: Any) -> float:
    """An exposure time. [s] From 0.1 us, below every shutter, to a minute: more is in ms or us."""
    if isinstance(value, str) and _FRACTION.fullmatch(value.strip()):
        _seconds_from_fraction(where, value)
    if number(where, value) <= 0:
        wrong(where, value, "a number of seconds above 0",
              "write the time in seconds, or leave it out where it is not known")
    if not 1e-7 <= value <= 60:
        wrong(where, value, "an exposure from 1e-07 to 60 seconds",
              "write seconds, not milliseconds or microseconds: 0.004 for 4 ms")
    return float(value)


def _seconds_from_fraction(where: str, value: str) -> NoReturn:
    remedy = _number_remedy(value).replace("a decimal", "seconds as a decimal")
    wrong(where, value, "a number of seconds", remedy)


def positive_sigma(where: str, value: Any) -> float:
    """One standard deviation of an angle, above 0 and at most 90. [deg]"""
    if not 0 < number(where, value) <= 90:
        wrong(where, value, "a number of degrees above 0 and at most 90",
              "give one standard deviation in degrees: no sensor is without error, and beyond 90 "
              "nothing is known; leave it out where it is not known")
    return float(value)


def not_negative(where: str, value: Any) -> float:
    """A number of 0 or more."""
    if number(where, value) < 0:
        wrong(where, value, "a number of 0 or more", "write it without the minus, if that is meant")
    return float(value)


def elevation(where: str, value: Any) -> float:
    """An angle between -90 and 90. [deg]"""
    if not -90 <= number(where, value) <= 90:
        wrong(where, value, "an angle between -90 and 90 degrees",
              "write the angle above the horizon in degrees; the azimuth is not asked for")
    return float(value)


def whole(least: int, most: int) -> Check:
    """The check of a whole number from ``least`` to ``most``."""
    def check(where: str, value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            wrong(where, value, f"a whole number of {least} or more, at most {most}",
                  _whole_remedy(value))
        return value

    return check


def _whole_remedy(value: Any) -> str:
    """How to write the whole number that was probably meant."""
    text = str(value).strip()
    if meant := re.fullmatch(r"([+-]?[0-9]{1,18})\.0*", text):
        return f"write a whole number without a point: {meant[1]}"
    if isinstance(value, str) and re.fullmatch(r"[+-]?[0-9]{1,18}", text):
        return f"write it without quotes: {text}"
    return "count whole pixels: digits only, without point and unit"


def text(where: str, value: Any) -> str:
    """A text that is not blank, and that a file name may hold."""
    if not isinstance(value, str):
        wrong(where, value, "a text", "write it as text, in quotes in JSON")
    if not value.strip():
        wrong(where, value, "a text", "write what it is, or leave the key out if it may be missing")
    if BROKEN.search(value):
        wrong(where, value, "text without broken characters", "write the text again")
    return value


def free_text(where: str, value: Any) -> str:
    """A text that is not blank, of at most ``LONGEST_TEXT`` characters."""
    if len(text(where, value)) > LONGEST_TEXT:
        raise PairError(where, f"is {len(value)} characters long", f"at most {LONGEST_TEXT}",
                        "shorten it, and keep the whole in a file of its own; if rows further down "
                        "are in it, close the quote that it begins with")
    return str(value)


def text_or_null(where: str, value: Any) -> str | None:
    """A text, or null."""
    return None if value is None else text(where, value)


def moment(where: str, value: Any) -> str:
    """A time in ISO 8601, as a clock that was set tells it."""
    example = "2031-05-04T09:30:00Z"
    try:
        found = datetime.fromisoformat(text(where, value))
    except ValueError:
        wrong(where, value, f"a time in ISO 8601, for example {example}",
              "write year-month-day, T and the time of day; leave it out where it is not known")
    if found.year not in YEARS:
        wrong(where, value, f"a year from {YEARS[0]} to {YEARS[-1]}",
              "correct the year; leave the time out where the clock was not set")
    return str(value)


def pose_rows(where: str, value: Any) -> list[list[float]]:
    """Four rows of four numbers."""
    square = isinstance(value, list) and len(value) == 4 and all(
        isinstance(row, list) and len(row) == 4 for row in value
    )
    if not square:
        wrong(where, value, "four rows of four numbers, the pose in the previous level frame",
              "write all 16 numbers of the matrix, the last row being [0, 0, 0, 1]")
    return [[number(where, entry) for entry in row] for row in value]


def sigma(where: str, value: Any) -> float | list[float]:
    """A number of 0 or more, or a list of such."""
    if isinstance(value, list) and value:
        return [not_negative(where, entry) for entry in value]
    return not_negative(where, value)


def record(checks: dict[str, Check], required: tuple[str, ...] | None = None) -> Check:
    """The check of an object; by default all its keys must be there."""
    def check(where: str, value: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            wrong(where, value, f"a JSON object with the keys {', '.join(checks)}",
                  "write it in braces, key by key")
        return check_keys(where, value, checks, tuple(checks) if required is None else required)

    return check


def check_keys(
    where: str, values: dict[str, Any], checks: dict[str, Check], required: tuple[str, ...],
    examples: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Refuse unknown and missing keys of a JSON object, and check each value.

    Parameters
    ----------
    where : str
        The object, for messages.
    values, checks, required
        What is there, the check of each known key, and the keys that must be there.
    examples : mapping, optional
        By key, a value to copy where it is missing.
    """
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
            _add(missing, examples or {}),
        )
    return {key: checks[key](f"{where}: {key}", value) for key, value in values.items()}


def _add(missing: list[str], examples: Mapping[str, str]) -> str:
    lines = [f'"{key}": "{examples[key]}"' for key in missing if key in examples]
    return f"add {', '.join(lines)}, with what is true of the pair" if lines else (
        "add what is missing"
    )


def load_object(text: str, where: str, what: str, *, first_line: int = 1) -> dict[str, Any]:
    """Turn JSON text into a dict.

    Parameters
    ----------
    text : str
        One JSON object.
    where : str
        The file, and within it the place, for messages.
    what : str
        What it should be: ``a sidecar in JSON``.
    first_line : int
        Of the text within the file.

    Raises
    ------
    PairError
        Broken JSON, NaN or Infinity, a key that is given twice, anything but an object.
    """
    try:
        values = json.loads(
            text, object_pairs_hook=_no_duplicates, parse_constant=_no_constant
        )
    except json.JSONDecodeError as error:
        line = first_line + error.lineno - 1
        raise PairError(
            where, f"broken JSON at line {line}, column {error.colno}: {error.msg}",
            what, "mend the text there",
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
    except (ValueError, RecursionError) as error:  # thousands of digits, or of brackets
        raise PairError(where, f"cannot be read as JSON: {error}", what, "correct it") from error
    if not isinstance(values, dict):
        wrong(where, values, "a JSON object with the keys of a pair",
              "write the keys and values in braces")
    return values


def _no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values = dict(pairs)
    if len(values) < len(pairs):
        names = [key for key, _ in pairs]
        raise KeyError(next(name for name in names if names.count(name) > 1))
    return values


def _no_constant(word: str) -> NoReturn:
    raise OverflowError(word)
