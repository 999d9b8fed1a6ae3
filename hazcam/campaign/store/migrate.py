"""Which schema a run is of, and bringing an older one up to date."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping

from hazcam.campaign.store.schema import SCHEMA_VERSION, TABLES, Kind, Table

APPLICATION_ID = 0x68617A63
"""SQLite's ``application_id`` of a run: "hazc"."""

Step = Callable[[sqlite3.Connection], None]
STEPS: Mapping[int, Step] = {}
"""From each older version of the schema, what makes it the next one."""

_SQL: Mapping[Kind, str] = {"text": "TEXT", "real": "REAL", "integer": "INTEGER", "blob": "BLOB"}


def version_of(db: sqlite3.Connection) -> int | None:
    """Version of the schema; 0 of an empty file, None of another program's database."""
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    if db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID:
        return version
    tables = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    return None if version or tables else 0


def create(db: sqlite3.Connection) -> None:
    """Make the tables of a new run, all or none."""
    db.execute("BEGIN IMMEDIATE")
    for table in TABLES.values():
        db.execute(_create(table))
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    db.execute("COMMIT")


def _create(table: Table) -> str:
    columns = [f"{c.name} {_SQL[c.kind]}{'' if c.null else ' NOT NULL'}" for c in table.columns]
    return (f"CREATE TABLE {table.name} ({', '.join(columns)}, "
            f"PRIMARY KEY ({', '.join(table.key)}))")


def migrate(
    db: sqlite3.Connection, version: int, steps: Mapping[int, Step] = STEPS,
    target: int = SCHEMA_VERSION,
) -> None:
    """Bring a run of an older version up to another, all steps or none.

    Raises
    ------
    KeyError
        There is no step from one of the versions.
    """
    if version == target:
        return
    db.execute("BEGIN IMMEDIATE")
    try:
        for older in range(version, target):
            steps[older](db)
        db.execute(f"PRAGMA user_version = {target}")
    except BaseException:
        db.execute("ROLLBACK")
        raise
    db.execute("COMMIT")
