"""Opening the file of a run for reading only, wherever it is and whoever writes it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from hazcam.campaign.store.migrate import version_of
from hazcam.campaign.store.schema import SCHEMA_VERSION
from hazcam.campaign.store.sqlite_words import EXPECTED, damaged, no_run, primary_code
from hazcam.errors import HazcamError

_BUSY_S = 30.0
GO_ON = "give the same `hazcam batch` command again: it goes on, and closes the run"


def opened(file: Path) -> sqlite3.Connection:
    """A connection to the file of a run that can be read.

    Raises
    ------
    HazcamError
        No run, damaged, or of another version of the schema.
    """
    alone = _log_is_missing(file)
    db = _connect(f"{_uri(file)}&immutable=1") if alone else _connected(file)
    try:
        with reading_words(file):
            _check_version(file, version_of(db))
            if alone:
                _check_whole(file, db)
    except BaseException:
        db.close()
        raise
    return db


def _connected(file: Path) -> sqlite3.Connection:
    """A connection that has read once: only then SQLite opens the file."""
    db = _connect(_uri(file))
    try:
        with reading_words(file):
            version_of(db)
    except HazcamError:
        db.close()
        if not (_says_log(file) and _log(file).stat().st_size == 0):
            raise
        # A copy, where SQLite may not make the index of a log that has nothing in it.
        return _connect(f"{_uri(file)}&immutable=1")
    return db


def _connect(uri: str) -> sqlite3.Connection:
    return sqlite3.connect(uri, uri=True, timeout=_BUSY_S, isolation_level=None)


def _uri(file: Path) -> str:
    return f"file:{quote(str(file.resolve()))}?mode=ro"


def _log(file: Path) -> Path:
    return file.resolve().with_name(f"{file.resolve().name}-wal")


def _says_log(file: Path) -> bool:
    """Whether the file says that it has a log: SQLite's file format, section 1.3."""
    try:
        with file.open("rb") as head:
            return head.read(20)[18:] == b"\x02\x02"
    except OSError:
        return False  # SQLite says what is the matter


def _log_is_missing(file: Path) -> bool:
    """Whether the file says that it has a log, and there is none beside it."""
    return _says_log(file) and not _log(file).exists()


def _check_whole(file: Path, db: sqlite3.Connection) -> None:
    """Refuse a file that was parted from its log, unless all was in it before."""
    if db.execute("SELECT 1 FROM about WHERE name = 'done'").fetchone() is None:
        raise HazcamError(
            str(file), "was copied while it was being written, or without run.sqlite-wal beside "
            "it: what it holds may not be all", "run.sqlite with run.sqlite-wal, or a run that "
            "was closed", f"copy both; or, where it was made, {GO_ON}")


def _check_version(file: Path, version: int | None) -> None:
    problem = no_run(file, version)
    if problem is not None:
        raise HazcamError(*problem)
    if version == 0:
        raise HazcamError(str(file), "is empty: nothing was recorded yet", EXPECTED, GO_ON)
    if version != SCHEMA_VERSION:
        raise HazcamError(
            str(file), f"is of version {version} of the schema, older than this hazcam reads",
            f"version {SCHEMA_VERSION}", f"{GO_ON}; it is brought up to date by that")


@contextmanager
def reading_words(file: Path) -> Iterator[None]:
    """Turn what SQLite raises while a run is read into a HazcamError."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        words = damaged(file, error)
        if words is not None:
            raise HazcamError(*words) from error
        if primary_code(error) not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY,
                                       sqlite3.SQLITE_BUSY, sqlite3.SQLITE_PERM,
                                       sqlite3.SQLITE_IOERR):
            raise
        raise HazcamError(
            str(file), f"cannot be read as it is: {error}",
            "a run that was closed, or one in a folder that can be written to",
            f"{GO_ON}; then copy it. Else check its permissions") from error
