"""The text of a rover file with another limit: edited in place, so that comments stay.

Only text is handled here. TOML has several forms for one limit (a table of its own, an inline
table, dotted keys), so no grammar is kept: lines are cut out where the text without them, and with
the new table, parses to exactly what is wanted.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from typing import Any

from hazcam.errors import RoverError
from hazcam.rover.limits import MEASURED
from hazcam.rover.profile import Limit


def text_with_limit(text: str, name: str, limit: Limit, where: str) -> str:
    """Return the text of a rover file with a measured limit in place of the one that it gives.

    Parameters
    ----------
    text : str
        TOML of schema ``hazcam-rover/1``.
    name : str
        Of the limit.
    limit : Limit
        Measured. Its table takes the place of the one that the text has, else it comes last.
    where : str
        The file, for messages.

    Raises
    ------
    RoverError
        The limit stands there in a form that cannot be cut out by whole lines.
    ValueError
        A limit that was not measured.
    """
    table = limit_table(name, limit)
    wanted = tomllib.loads(text)
    wanted["limits"] = {**wanted.get("limits", {}), **tomllib.loads(table)["limits"]}
    for candidate in _candidates(text, name, table):
        if _parsed(candidate) == wanted:
            return candidate
    raise RoverError(where, f"gives {name} or its neighbours in a form that cannot be edited",
                     f"a table [limits.{name}] of its own lines, or none",
                     "write each limit that the file gives as such a table")


def limit_table(name: str, limit: Limit) -> str:
    """A measured limit as a table of a rover file.

    Raises
    ------
    ValueError
        A limit that was not measured.

    Examples
    --------
    >>> print(limit_table("step", Limit(value=0.04, source="measured: ledge trials")), end="")
    [limits.step]
    value = 0.04
    source = "ledge trials"
    """
    if not limit.source.startswith(MEASURED):
        raise ValueError(f"{name}: only a measured limit has a place in a file, this one is "
                         f"{limit.source}")
    lines = [f"[limits.{name}]", f"value = {float(limit.value)!r}",
             f"source = {_quoted(limit.source.removeprefix(MEASURED))}"]
    if limit.was is not None:
        lines.append(f"was = {{value = {float(limit.was.value)!r}, "
                     f"source = {_quoted(limit.was.source)}}}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A basic string of TOML, which is one of JSON but for the character DEL."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _candidates(text: str, name: str, table: str) -> Iterator[str]:
    """The text with the table, and without each run of lines that may be the old limit."""
    lines = [f"{line}\n" for line in text.rstrip("\n").split("\n")]
    yield _appended(text, table)
    for start, line in enumerate(lines):
        if name not in line or line.lstrip().startswith("#"):
            continue
        for end in range(start + 1, len(lines) + 1):
            head, tail = "".join(lines[:start]), "".join(lines[end:])
            yield head + table + tail
            yield _appended(head + tail, table)


def _appended(text: str, table: str) -> str:
    return text.rstrip("\n") + f"\n\n{table}"


def _parsed(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None
