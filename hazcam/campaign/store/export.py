"""The tables of a run as text: CSV and JSON Lines, and what each column says. Pure."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Literal

from hazcam.campaign.record import Value
from hazcam.campaign.store.schema import SCHEMA, TABLES, Column, Table

Form = Literal["csv", "jsonl"]
FORMS: tuple[Form, ...] = ("csv", "jsonl")
EXPORTED = tuple(t.name for t in TABLES.values() if t.plain == t.columns)
"""Tables of numbers and texts; the others hold bytes."""


def table_lines(name: str, rows: Iterable[Sequence[Value]], form: Form) -> Iterator[str]:
    """The text of a table, a row at a time: no more than one is held.

    Parameters
    ----------
    name : str
        Of the table.
    rows : iterable of sequence of str, float, int or None
        From ``Run.rows``.
    form : str
        ``csv``: RFC 4180, the names of the columns first; what is not known is empty. ``jsonl``: an
        object for each row, with ``schema`` and ``table`` before its columns; what is not known is
        null. Numbers have all their digits in both.
    """
    table = TABLES[name]
    return _csv(table, rows) if form == "csv" else _json_lines(table, rows)


def _csv(table: Table, rows: Iterable[Sequence[Value]]) -> Iterator[str]:
    yield _csv_line([column.name for column in table.plain])
    yield from map(_csv_line, rows)


def _csv_line(values: Sequence[Value]) -> str:
    stream = io.StringIO(newline="")
    csv.writer(stream).writerow(values)
    return stream.getvalue()


def _json_lines(table: Table, rows: Iterable[Sequence[Value]]) -> Iterator[str]:
    for row in rows:
        told = {column.name: _plain(column, value)
                for column, value in zip(table.plain, row, strict=True)}
        yield json.dumps({"schema": SCHEMA, "table": table.name, **told}, ensure_ascii=False,
                         allow_nan=False) + "\n"


def _plain(column: Column, value: Value) -> Value:
    """None for what is not known, and for what JSON has no number for."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return None if column.null and value == "" else value  # as `Run.table` cannot tell them apart


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
