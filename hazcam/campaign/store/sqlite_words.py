"""What SQLite says, in words: what is wrong with the file of a run, and what to do about it."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hazcam.campaign.store.schema import SCHEMA, SCHEMA_VERSION
from hazcam.errors import OutputError

Words = tuple[str, str, str, str]
"""Where, found, expected and remedy of a ``HazcamError``."""

EXPECTED = f"the file of a run, schema {SCHEMA}"
_NEW = "give another folder with -o"


@contextmanager
def sqlite_words(file: Path) -> Iterator[None]:
    """Turn what SQLite and the system raise while a run is written into an OutputError."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        words = _writing_words(file, error)
        if words is None:
            raise
        raise OutputError(*words) from error


def _writing_words(file: Path, error: sqlite3.DatabaseError) -> Words | None:
    code = primary_code(error)
    if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
        found = ("no space left on its disk" if code == sqlite3.SQLITE_FULL
                 else "cannot be written: no space left, a file size that the system does not "
                      f"allow, or a failing disk ({error})")
        return (str(file), found, "room for the pairs to come",
                "make room and give the same command again: what was recorded before is kept, and "
                "it goes on from there")
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        found = "is a folder" if file.is_dir() else f"cannot be written to: {error}"
        return str(file), found, EXPECTED, f"check its permissions, or {_NEW}"
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return (str(file), "is held by another program", "one writer at a time",
                "close the program that holds it, and give the same command again")
    return damaged(file, error)


def damaged(file: Path, error: sqlite3.Error) -> Words | None:
    """Words for a file that is no database, or a damaged one; None for another error."""
    code = primary_code(error)
    if code == sqlite3.SQLITE_NOTADB:
        return (str(file), "is no SQLite database", EXPECTED,
                f"give the folder of a run, or {_NEW}")
    if code == sqlite3.SQLITE_CORRUPT:
        return (str(file), f"is damaged: {error}", EXPECTED,
                f"copy it again from where it was made, or {_NEW}")
    return None


def no_run(file: Path, version: int | None) -> Words | None:
    """Words for a database that is no run, or of a newer schema; None for one that is."""
    if version is None:
        return (str(file), "is a database of something else", EXPECTED, _NEW)
    if version > SCHEMA_VERSION:
        return (str(file), f"is of version {version} of the schema, newer than this hazcam knows",
                f"at most version {SCHEMA_VERSION}",
                f"use the hazcam that wrote it, or a newer one, or {_NEW}")
    return None


def primary_code(error: sqlite3.Error) -> int | None:
    """SQLite's primary result code; None where the error is of the module's own."""
    code = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF


def out_of_space(error: OSError) -> bool:
    """Whether the disk, or the user's share of it, is full."""
    return error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
