"""The rows of a manifest as text, CSV or JSON Lines, and back: no row is judged here."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from hazcam.errors import PairError
from hazcam.imagery.values import BROKEN, load_object

SCHEMA = "hazcam-manifest/1"
Form = Literal["csv", "jsonl"]

WINDOW = ("window_column", "window_row", "window_width", "window_height")
ONBOARD = ("onboard_verdict", "onboard_value_m")
WALKED = ("walked_heading_deg", "walked_outcome")
COLUMNS = (
    "schema", "id", "sidecar", "left", "right", "rig", "rover",
    "roll_deg", "pitch_deg", "roll_sigma_deg", "pitch_sigma_deg",
    "taken_at", "taken_at_right", "site", "exposure_s", "gain", "sun_elevation_deg",
    *WINDOW, "binning", *ONBOARD, "note", *WALKED,
)
"""All keys of a row, in the order in which they are written."""

_NUMBERS = frozenset({
    "roll_deg", "pitch_deg", "roll_sigma_deg", "pitch_sigma_deg", "exposure_s", "gain",
    "sun_elevation_deg", "onboard_value_m", "walked_heading_deg",
})
_WHOLE = frozenset({*WINDOW, "binning"})
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_WHOLE_NUMBER = re.compile(r"[+-]?[0-9]{1,18}")
# The schema as a cell of its own: the line that holds it is a row.
_ROW = re.compile(r'(?:^|,)\s*"?hazcam-manifest/[0-9]+"?\s*(?:,|$)')
_WHAT = f"a manifest of schema {SCHEMA}: CSV with a header, or JSON Lines (.jsonl)"
_WRITE = "write one with `hazcam manifest FOLDER -o campaign.csv`"


@dataclass(frozen=True, kw_only=True)
class RawRow:
    """A row as written.

    Attributes
    ----------
    where : str
        ``NAME: line 12``, for messages.
    name : str
        What its failure is called where it gives no id that can be used: ``line-12``.
    given : mapping of str to str, float, int or another JSON value
        What is filled in: numbers as such where they can be read as one, else the text.
    error : PairError or None
        Why it cannot be read as a row.
    """

    where: str
    name: str
    given: Mapping[str, Any]
    error: PairError | None = None


def raw_rows(text: str, path: Path) -> list[RawRow]:
    """The rows of a manifest.

    Parameters
    ----------
    text : str
        CSV, or JSON Lines where the name ends in ``.jsonl``.
    path : Path
        For messages, and for its ending.

    Raises
    ------
    PairError
        It is no manifest at all: empty, a header with unknown or doubled columns, no row of the
        schema.
    """
    if not text.strip():
        raise PairError(str(path), "is empty", _WHAT, _WRITE)
    if form_of(path) == "csv" and text.lstrip().startswith("{"):
        raise PairError(str(path), "is JSON by its text, but not JSON Lines by its name", _WHAT,
                        "give the folder that the sidecars are in, or call JSON Lines NAME.jsonl")
    rows = list(_json_rows(text, path) if form_of(path) == "jsonl" else _csv_rows(text, path))
    if not rows:
        raise PairError(str(path), "holds a header and no rows", "a row for each pair", _WRITE)
    if not any(row.given.get("schema") == SCHEMA for row in rows):
        first = rows[0].error
        found = (f"none of its {len(rows)} rows is of the schema {SCHEMA}; the first has "
                 f"{rows[0].given.get('schema')!r}")
        raise PairError(str(path), found if first is None else f"{found} ({first.found})",
                        _WHAT, f"write {SCHEMA} into the column `schema` of each row")
    return rows


def form_of(path: Path) -> Form:
    """``jsonl`` by the ending ``.jsonl``, else ``csv``."""
    return "jsonl" if path.suffix.lower() == ".jsonl" else "csv"


def write_manifest_text(rows: Iterable[Mapping[str, Any]], form: Form) -> str:
    """Text of a manifest that reads back as the same rows.

    Parameters
    ----------
    rows : iterable of mapping
        What each row gives, as in ``CampaignPair.given``.
    form : {"csv", "jsonl"}
        CSV has the columns that any row fills, and at least those for naming a pair.

    Raises
    ------
    ValueError
        A key that is no column.
    """
    rows = list(rows)
    unknown = {key for row in rows for key in row} - set(COLUMNS)
    if unknown:
        raise ValueError(f"no columns of a manifest: {', '.join(sorted(unknown))}")
    if form == "jsonl":
        return "".join(
            json.dumps({c: row[c] for c in COLUMNS if c in row}, ensure_ascii=False) + "\n"
            for row in rows)
    filled = {key for row in rows for key in row} | {"schema", "id"}
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, [c for c in COLUMNS if c in filled], restval="")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


# --- CSV -----------------------------------------------------------------------------------------


def _csv_rows(text: str, path: Path) -> Iterator[RawRow]:
    lines = list(io.StringIO(text, newline=""))
    header: list[str] | None = None
    first = 0  # line of the next row, from 0
    while first < len(lines):
        cells, count, error = _next_row(lines, first)
        line, rest = first + 1, lines[first + 1: first + count]
        swallowed = next((i for i, other in enumerate(rest) if _ROW.search(other)), None)
        if header is None:
            if error is not None:
                raise PairError(str(path), f"its header cannot be read: {error}", _WHAT,
                                "mend the first line") from error
            if any(cells):
                header = [cell.strip() for cell in cells]
                _check_header(header, path)
        elif swallowed is not None:
            count = 1 + swallowed  # from there on they are read anew
            yield _swallowing(lines[first], header, path, line, line + len(rest))
        elif error is not None:
            yield _broken_csv(path, line, line + len(rest), error)
        elif any(cells):
            yield _csv_row(cells, header, path, line)
        first += count


def _next_row(lines: Sequence[str], first: int) -> tuple[list[str], int, csv.Error | None]:
    """Cells of the row that begins at a line, how many lines it takes, and what is wrong."""
    reader = csv.reader((lines[i] for i in range(first, len(lines))), strict=True)
    try:
        cells = next(reader)
    except csv.Error as error:
        return [], reader.line_num, error
    return cells, reader.line_num, None


def _swallowing(
    content: str, header: Sequence[str], path: Path, line: int, last: int
) -> RawRow:
    """The row whose open quote takes in rows below it; what it gives is that of its own line."""
    where = f"{path.name}: line {line}"
    try:
        cells = next(csv.reader([content]))
    except csv.Error:  # a cell that is longer than the reader takes
        cells = []
    given = {key: _value(key, cell.rstrip("\r\n"))
             for key, cell in zip(header, cells, strict=False) if cell}
    return RawRow(where=where, name=f"line-{line}", given=given or {"line": line}, error=PairError(
        where, f"a quote that is opened in line {line} goes on to line {last}, over rows of the "
        "manifest, which are read on their own", "each quote closed within its row",
        "close the quote, or double one that belongs to a text: \"5\"\" stones\""))


def _check_header(header: Sequence[str], path: Path) -> None:
    twice = [name for name, count in Counter(header).items() if count > 1]
    if twice:
        raise PairError(f"{path}: line 1", f"the column {twice[0]!r} is there "
                        f"{header.count(twice[0])} times", "each column once", "remove one")
    unknown = [name for name in header if name not in COLUMNS]
    if not unknown:
        return
    other = next((sign for sign in (";", "\t") if sign in header[0]), None)
    if other is not None:
        raise PairError(f"{path}: line 1", f"columns separated by {other!r}", "commas (RFC 4180)",
                        "export it again with commas, and decimal points in numbers")
    raise PairError(f"{path}: line 1", f"unknown column{'s' if len(unknown) > 1 else ''}: "
                    f"{', '.join(repr(name) for name in unknown)}",
                    f"the known columns: {', '.join(COLUMNS)}",
                    "remove or rename it; free words go into `note`")


def _csv_row(cells: Sequence[str], header: Sequence[str], path: Path, line: int) -> RawRow:
    given = {key: _value(key, cell) for key, cell in zip(header, cells, strict=False) if cell}
    where, error = f"{path.name}: line {line}", None
    if len(cells) != len(header):
        error = PairError(where, f"{len(cells)} cells", f"{len(header)}, one for each column",
                          "put text that holds a comma into quotes, and write a comma for each "
                          "cell that is left empty")
    return _checked(RawRow(where=where, name=f"line-{line}", given=given, error=error))


def _broken_csv(path: Path, line: int, last: int, error: csv.Error) -> RawRow:
    where = f"{path.name}: line {line}"
    more = f" (the row goes on to line {last})" if last > line else ""
    return RawRow(where=where, name=f"line-{line}", given={"line": line, "error": str(error)},
                  error=PairError(where, f"broken CSV: {error}{more}", "cells by RFC 4180",
                                  "close each quote, and double a quote that belongs to a text"))


# --- JSON Lines ----------------------------------------------------------------------------------


def _json_rows(text: str, path: Path) -> Iterator[RawRow]:
    for line, content in enumerate(text.split("\n"), start=1):
        if content.strip():
            yield _json_row(content, path, line)


def _json_row(content: str, path: Path, line: int) -> RawRow:
    where, name = f"{path.name}: line {line}", f"line-{line}"
    try:
        values = load_object(content, where, "one JSON object in a line", first_line=line)
    except PairError as error:
        return RawRow(where=where, name=name, given={"line": content}, error=error)
    unknown = [key for key in values if key not in COLUMNS]
    refused = None
    if unknown:
        refused = PairError(where, f"unknown key{'s' if len(unknown) > 1 else ''}: "
                            f"{', '.join(repr(key) for key in unknown)}",
                            f"the known keys: {', '.join(COLUMNS)}",
                            "remove or rename it; free words go into `note`")
    given = {key: float(value) if _is_whole(value) and key in _NUMBERS else value
             for key, value in values.items() if value is not None}
    return _checked(RawRow(where=where, name=name, given=given, error=refused))


def _is_whole(value: object) -> bool:
    """A whole number that a float can hold."""
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) < 2**1023


# --- cells ---------------------------------------------------------------------------------------


def _value(key: str, cell: str) -> str | float | int:
    """The number that a cell holds where there should be one; else its text."""
    text = cell.strip()
    if key in _WHOLE and _WHOLE_NUMBER.fullmatch(text):
        return int(text)
    if key in _NUMBERS and _NUMBER.fullmatch(text):
        return float(text)
    return cell


def _checked(row: RawRow) -> RawRow:
    """The row, refused where a text holds what neither a file name nor a database can."""
    for key, value in row.given.items():
        if row.error is None and isinstance(value, str) and BROKEN.search(value):
            return RawRow(where=row.where, name=row.name, given=row.given, error=PairError(
                f"{row.where}: {key}", f"found {value!r}", "text without broken characters",
                "write the text again"))
    return row
