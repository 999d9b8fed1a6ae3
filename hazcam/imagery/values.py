"""Checks of the values of a JSON object, key by key: each error names the place and the remedy.

Each check takes the place, for messages, and the value, and returns the value or raises PairError.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, NoReturn

from hazcam.errors import PairError

Check = Callable[[str, Any], Any]


def wrong(where: str, value: Any, expected: str) -> NoReturn:
    """Raise PairError for a value; ``expected`` says what should be there."""
    raise PairError(where, f"found {value!r}", expected, "correct the value")


def number(where: str, value: Any) -> float:
    """A finite number."""
    try:
        if not isinstance(value, bool) and isinstance(value, int | float) and math.isfinite(value):
            return float(value)
    except OverflowError:  # a whole number beyond every float
        pass
    wrong(where, value, "a finite number")


def positive(where: str, value: Any) -> float:
    """A number above 0."""
    if number(where, value) <= 0:
        wrong(where, value, "a number above 0")
    return float(value)


def not_negative(where: str, value: Any) -> float:
    """A number of 0 or more."""
    if number(where, value) < 0:
        wrong(where, value, "a number of 0 or more")
    return float(value)


def elevation(where: str, value: Any) -> float:
    """An angle between -90 and 90. [deg]"""
    if not -90 <= number(where, value) <= 90:
        wrong(where, value, "an angle between -90 and 90 degrees")
    return float(value)


def whole(least: int) -> Check:
    """The check of a whole number of ``least`` or more."""
    def check(where: str, value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            wrong(where, value, f"a whole number of {least} or more")
        return value

    return check


def text(where: str, value: Any) -> str:
    """A text that is not blank."""
    if not isinstance(value, str) or not value.strip():
        wrong(where, value, "a text")
    return value


def text_or_null(where: str, value: Any) -> str | None:
    """A text, or null."""
    return None if value is None else text(where, value)


def moment(where: str, value: Any) -> str:
    """A time in ISO 8601."""
    try:
        datetime.fromisoformat(text(where, value))
    except ValueError:
        wrong(where, value, "a time in ISO 8601, for example 2031-05-04T09:30:00Z")
    return str(value)


def pose_rows(where: str, value: Any) -> list[list[float]]:
    """Four rows of four numbers."""
    square = isinstance(value, list) and len(value) == 4 and all(
        isinstance(row, list) and len(row) == 4 for row in value
    )
    if not square:
        wrong(where, value, "four rows of four numbers, the pose in the previous level frame")
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
            wrong(where, value, f"a JSON object with the keys {', '.join(checks)}")
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
        wrong(where, values, "a JSON object with the keys of a pair")
    return values


def _no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values = dict(pairs)
    if len(values) < len(pairs):
        names = [key for key, _ in pairs]
        raise KeyError(next(name for name in names if names.count(name) > 1))
    return values


def _no_constant(word: str) -> NoReturn:
    raise OverflowError(word)
