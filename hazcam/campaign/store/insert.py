"""Rows into the tables of a run, as the declaration of the tables has them."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from hazcam.campaign.record import Row, Value
from hazcam.campaign.store.schema import TABLES, Column, Table

_BY_DIGEST = ("settings", "rigs", "rovers")  # the same for many pairs
_REPLACED = ("about", "pairs")


class UnfitRowError(ValueError):
    """A row that its table cannot hold: a fault of what made it, not of the run."""


def insert(db: sqlite3.Connection, table: str, rows: Sequence[Row]) -> None:
    """Insert rows, within the transaction of the caller.

    Raises
    ------
    UnfitRowError
        A row with other columns, a key that is there, or a value that SQLite has no place for,
        such as an integer of more than 64 bits. The transaction is to be rolled back.
    """
    values = [_values(TABLES[table], row) for row in rows]
    try:
        db.executemany(_insertion(TABLES[table]), values)
    except (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError,
            sqlite3.DataError, OverflowError, UnicodeEncodeError) as error:
        raise UnfitRowError(f"a row that the table {table} cannot hold: {error}") from error


def _insertion(table: Table) -> str:
    columns = [c.name for c in table.columns]
    names, marks = ", ".join(columns), ", ".join("?" * len(columns))
    how = "INSERT OR REPLACE" if table.name in _REPLACED else "INSERT"
    sql = f"{how} INTO {table.name} ({names}) VALUES ({marks})"
    if table.name not in _BY_DIGEST:
        return sql
    # Names are in no digest: the row that stays must not hang on which pair was done first.
    new = ", ".join(f"excluded.{c}" for c in columns)
    old = ", ".join(f"{table.name}.{c}" for c in columns)
    return (f"{sql} ON CONFLICT (digest) DO UPDATE SET ({names}) = ({new}) "
            f"WHERE ({new}) < ({old})")


def _values(table: Table, row: Row) -> list[Value]:
    """The values in the order of the columns; one that may be NULL may be left out."""
    unknown = set(row) - {c.name for c in table.columns}
    missing = [c.name for c in table.columns if not c.null and row.get(c.name) is None]
    if unknown or missing:
        raise UnfitRowError(f"a row of {table.name} without {missing} and with {sorted(unknown)}")
    return [_value(table, column, row.get(column.name)) for column in table.columns]


def _value(table: Table, column: Column, value: Value) -> Value:
    """A whole number as a real one where the column is of such: it may be beyond 64 bits."""
    if column.kind != "real" or not isinstance(value, int):
        return value
    try:
        return float(value)
    except OverflowError as error:
        raise UnfitRowError(f"a row that the table {table.name} cannot hold: {column.name}: "
                            f"{error}") from error
