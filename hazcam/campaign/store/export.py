"""The tables of a run as text: CSV and JSON Lines, and what each column says. Pure."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.store.schema import SCHEMA, TABLES, Column, Table

Form = Literal["csv", "jsonl"]
FORMS: tuple[Form, ...] = ("csv", "jsonl")
EXPORTED = tuple(t.name for t in TABLES.values() if t.plain == t.columns)
"""Tables of numbers and texts; the others hold bytes."""


def table_lines(name: str, rows: NDArray[np.void], form: Form) -> Iterator[str]:
    """The text of a table, a row at a time.

    Parameters
    ----------
    name : str
        Of the table.
    rows : ndarray
        From ``Run.table``.
    form : str
        ``csv``: RFC 4180, the names of the columns first; what is not known is empty. ``jsonl``: an
        object for each row, with ``schema`` and ``table`` before its columns; what is not known is
        null. Numbers have all their digits in both.
    """
    table = TABLES[name]
    return _csv(table, rows) if form == "csv" else _json_lines(table, rows)


def _csv(table: Table, rows: NDArray[np.void]) -> Iterator[str]:
    yield _csv_line([column.name for column in table.plain])
    for row in rows.tolist():
        yield _csv_line(["" if value != value else value for value in row])


def _csv_line(values: list[Any]) -> str:
    stream = io.StringIO(newline="")
    csv.writer(stream).writerow(values)
    return stream.getvalue()


def _json_lines(table: Table, rows: NDArray[np.void]) -> Iterator[str]:
    for row in rows.tolist():
        told = {column.name: _plain(column, value)
                for column, value in zip(table.plain, row, strict=True)}
        yield json.dumps({"schema": SCHEMA, "table": table.name, **told}, ensure_ascii=False,
                         allow_nan=False) + "\n"


def _plain(column: Column, value: Any) -> Any:
    """None for what is NULL in the run."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return None if column.null and value == "" else value


def schema_text() -> str:
    """All tables and their columns, in words."""
    head = f"schema {SCHEMA}: tables of run.sqlite; a column with `?` may be NULL, not known\n"
    return head + "".join(map(_told, TABLES.values()))


def _told(table: Table) -> str:
    head = f"\n{table.name}: {table.says} (key: {', '.join(table.key)})\n"
    wide = max(len(column.name) for column in table.columns)
    return head + "".join(
        f"  {c.name:<{wide}}  {_kind(c):<14}  {c.says}\n" for c in table.columns)


def _kind(column: Column) -> str:
    unit = f" [{column.unit}]" if column.unit else ""
    return f"{column.kind}{'?' if column.null else ''}{unit}"
