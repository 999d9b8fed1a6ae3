"""Reading a run: its tables as arrays, and what is kept of single pairs.

>>> from hazcam import open_run
>>> with open_run("RUN") as run:                                            # doctest: +SKIP
...     headings = run.table("headings")
...     share = (headings["verdict"] == "go").mean()
...     record = run.record("beach-1")

Nothing is written into a run, so that a read-only copy serves; where ``run.sqlite-wal`` lies beside
it, SQLite keeps its index of that, ``run.sqlite-shm``, there. Of a run that is still being written,
what was committed is seen. What only single pairs need is loaded when it is asked for: tables are
read without the stages of an assessment.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.record import PairFailure, Value
from hazcam.campaign.store.opening import GO_ON, opened, reading_words
from hazcam.campaign.store.schema import TABLES, Column, Table
from hazcam.campaign.store.sqlite_words import EXPECTED
from hazcam.campaign.store.writer import RUN_FILE
from hazcam.errors import HazcamError

if TYPE_CHECKING:
    from hazcam.calibration import StereoRig
    from hazcam.stored import StoredDemands, StoredTerrain

_AT_ONCE = 500  # ids in one question to SQLite, rows in one answer


def open_run(path: str | Path) -> Run:
    """Open a run for reading.

    Parameters
    ----------
    path : str or Path
        The folder of a run, or the ``run.sqlite`` in it.

    Raises
    ------
    HazcamError
        Not there, no run, damaged, of another version of the schema, or the copy of a run that was
        being written without its log, which may not be all.
    """
    path = Path(path)
    file = path / RUN_FILE if path.is_dir() else path
    if not file.is_file():
        found = f"holds no {RUN_FILE}" if path.is_dir() else "does not exist"
        raise HazcamError(str(path), found, "the folder of a run",
                          "give what `hazcam batch -o` was given")
    return Run(file, opened(file))


class Run:
    """A run that is read; made by ``open_run``, closed as a context manager or by ``close``.

    Raises ``HazcamError`` where the file is damaged, ``ValueError`` where the run is closed.

    Attributes
    ----------
    file : Path
        Its ``run.sqlite``.
    """

    def __init__(self, file: Path, db: sqlite3.Connection) -> None:
        self.file = file
        self._db: sqlite3.Connection | None = db

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close it; closed twice is closed."""
        if self._db is not None:
            self._db.close()
        self._db = None

    # --- the whole run -----------------------------------------------------------------------

    @property
    def about(self) -> dict[str, str]:
        """The table ``about``: ``schema``, ``hazcam``, ``versions`` and ``options`` (JSON), ..."""
        return dict(self._rows("SELECT name, value FROM about ORDER BY name"))

    @property
    def done(self) -> bool:
        """Whether all pairs of the run were tried, and none was added since."""
        return "done" in self.about

    def ids(self) -> tuple[str, ...]:
        """Ids of the pairs that were assessed, in the order of the table."""
        return tuple(id_ for (id_,) in self._rows("SELECT pair FROM assessments ORDER BY pair"))

    def table(
        self, name: str, pairs: Sequence[str] | None = None, *,
        columns: Sequence[str] | None = None,
    ) -> NDArray[np.void]:
        """A table as a structured array, in the order of its key.

        Parameters
        ----------
        name : str
            One of ``schema.TABLES``.
        pairs : sequence of str, optional
            Only the rows of these, of a table that has a column ``pair``.
        columns : sequence of str, optional
            Only these: a text takes as much memory in each row as the longest of its column.

        Returns
        -------
        ndarray of shape (rows,)
            A field for each column but those of bytes, in the order of the table: float64 with NaN
            for NULL, int64, text ``U<n>`` as long as the longest, empty for NULL.

        Raises
        ------
        ValueError
            There is no such table, or it has no such column, or no column ``pair``.
        """
        table = _table_named(name)
        if pairs is not None and "pair" not in table.key:
            raise ValueError(f"the rows of {name} belong to no pair")
        return self._table(table, _wanted(table, columns),
                           [("", ())] if pairs is None else list(_choices(pairs)))

    def rows(self, name: str) -> Iterator[tuple[Value, ...]]:
        """The rows of a table one by one, however many: as ``table``, but None for NULL.

        Raises
        ------
        ValueError
            There is no such table.
        """
        table = _table_named(name)
        columns = ", ".join(c.name for c in table.plain)
        return self._rows(f"SELECT {columns} FROM {name} ORDER BY {', '.join(table.key)}")

    def _table(
        self, table: Table, wanted: Sequence[Column],
        choices: Sequence[tuple[str, tuple[str, ...]]],
    ) -> NDArray[np.void]:
        texts = [c.name for c in wanted if c.kind == "text"]
        columns = ", ".join(_selected(c) for c in wanted)
        longest = "".join(f", max(length({name}))" for name in texts)
        with self._snapshot():
            sizes = [next(self._rows(f"SELECT count(*){longest} FROM {table.name} {where}", ids))
                     for where, ids in choices]
            widths = {name: max((size[1 + n] or 1 for size in sizes), default=1) or 1
                      for n, name in enumerate(texts)}
            array = np.empty(sum(size[0] for size in sizes), dtype=_dtype(wanted, widths))
            at = 0
            for where, ids in choices:
                sql = f"SELECT {columns} FROM {table.name} {where} ORDER BY {', '.join(table.key)}"
                for rows in self._in_portions(sql, ids):
                    array[at:at + len(rows)] = rows
                    at += len(rows)
        return array

    def gists(self) -> Iterator[tuple[str, str, bytes]]:
        """Of each pair with demands: id, digest of its rover, ``gist`` as in ``demands``."""
        return self._rows("SELECT pair, rover, gist FROM demands JOIN assessments USING (pair) "
                          "ORDER BY pair")

    # --- one pair ----------------------------------------------------------------------------

    def record(self, id_: str) -> dict[str, Any]:
        """The record of an assessment, schema ``hazcam-assessment/1``.

        Raises
        ------
        HazcamError
            There is none: an unknown id, or a pair that failed or was not tried yet.
        """
        data = self._value("records", "json", id_)
        try:
            record: dict[str, Any] = json.loads(zlib.decompress(data))
        except (zlib.error, ValueError) as error:
            raise self._damaged(id_, error) from error
        return record

    def demands(self, id_: str) -> StoredDemands:
        """What the headings of a pair demand; raises as ``record``."""
        from hazcam.stored import StoredDemands
        from hazcam.stored_npz import DEMANDS_SCHEMA, store_of

        where = f"{self.file}: {id_}"
        store = store_of(self._value("demands", "npz", id_), where, (DEMANDS_SCHEMA,))
        assert isinstance(store, StoredDemands)
        return store

    def gist(self, id_: str) -> bytes:
        """``gist`` of a pair, as in ``gists``; raises as ``record``."""
        return self._value("demands", "gist", id_)

    def terrain(self, id_: str) -> StoredTerrain:
        """The ground of a pair; raises as ``record``."""
        from hazcam.stored import StoredTerrain
        from hazcam.stored_npz import TERRAIN_SCHEMA, store_of

        where = f"{self.file}: {id_}"
        store = store_of(self._value("terrains", "npz", id_), where, (TERRAIN_SCHEMA,))
        assert isinstance(store, StoredTerrain)
        return store

    def overlay(self, id_: str) -> bytes:
        """Headings and causes drawn on the left picture, JPEG; raises as ``record``."""
        return self._value("overlays", "jpeg", id_)

    def failure(self, id_: str) -> PairFailure | None:
        """Why a pair has no assessment; None where it has one, or was not tried yet.

        Raises
        ------
        HazcamError
            An unknown id.
        """
        rows = list(self._rows("SELECT kind, place, found, expected, remedy FROM failures "
                               "WHERE pair = ?", (id_,)))
        if not rows:
            self._check_known(id_)
            return None
        kind, where, found, expected, remedy = rows[0]
        return PairFailure(id=id_, kind=kind, where=where, found=found, expected=expected,
                           remedy=remedy)

    def rig(self, digest: str) -> StereoRig:
        """The rig of a digest, as calibrated.

        Raises
        ------
        HazcamError
            There is none.
        """
        from hazcam.calibration import rig_of_text

        for name, text in self._rows("SELECT name, yaml FROM rigs WHERE digest = ?", (digest,)):
            where = f"{self.file}: rigs: {digest}"
            return replace(rig_of_text(text, where), name=name)
        raise HazcamError(f"{self.file}: rigs", f"no rig of digest {digest}",
                          "one of the table `rigs`", "take it from the column `rig`")

    def _value(self, table: str, column: str, id_: str) -> bytes:
        for (value,) in self._rows(f"SELECT {column} FROM {table} WHERE pair = ?", (id_,)):
            return bytes(value)
        raise self._why_none(table, id_)

    def _why_none(self, table: str, id_: str) -> HazcamError:
        failure = self.failure(id_)
        expected = "the id of a pair that was assessed"
        if failure is not None:
            return HazcamError(f"{self.file}: {id_}",
                               f"was not assessed ({failure.kind}): {failure.where}: "
                               f"{failure.found}", expected, failure.remedy)
        if id_ not in self.ids():
            return HazcamError(f"{self.file}: {id_}", "was not tried yet", expected, GO_ON)
        return HazcamError(f"{self.file}: {id_}", f"has nothing in the table {table}: one of its "
                           "pictures is missing, or was of no use",
                           "a pair that was assessed in stereo", "give another pair")

    def _check_known(self, id_: str) -> None:
        if next(self._rows("SELECT 1 FROM pairs WHERE pair = ?", (id_,)), None):
            return
        ids = [known for (known,) in self._rows("SELECT pair FROM pairs")]
        near = get_close_matches(id_, ids, n=3)
        alike = f", perhaps {', '.join(near)}" if near else ""
        raise HazcamError(f"{self.file}: {id_}", "no pair of this id",
                          f"one of {len(ids)} ids{alike}",
                          "check the id; `hazcam export RUN --table pairs -o DIR` lists them")

    # --- questions ---------------------------------------------------------------------------

    def _rows(self, sql: str, values: Sequence[str] = ()) -> Iterator[Any]:
        for rows in self._in_portions(sql, values):
            yield from rows

    def _in_portions(self, sql: str, values: Sequence[str] = ()) -> Iterator[list[Any]]:
        with reading_words(self.file):
            cursor = self._connection.execute(sql, values)
            while rows := cursor.fetchmany(_AT_ONCE):
                yield rows

    @contextmanager
    def _snapshot(self) -> Iterator[None]:
        """The run as it is now, whatever is written meanwhile."""
        db = self._connection
        db.execute("BEGIN")
        try:
            yield
        finally:
            with suppress(sqlite3.DatabaseError):  # of a damaged file, which was told already
                db.execute("ROLLBACK")

    @property
    def _connection(self) -> sqlite3.Connection:
        if self._db is None:
            raise ValueError(f"the run {self.file} is closed: open it again by open_run")
        return self._db

    def _damaged(self, id_: str, error: Exception) -> HazcamError:
        return HazcamError(f"{self.file}: {id_}", f"its record is damaged: {error}", EXPECTED,
                           "copy the run again from where it was made")


def _table_named(name: str) -> Table:
    if name not in TABLES:
        raise ValueError(f"no table {name!r}: there are {', '.join(TABLES)}")
    return TABLES[name]


def _wanted(table: Table, columns: Sequence[str] | None) -> tuple[Column, ...]:
    if columns is None:
        return table.plain
    names = [c.name for c in table.plain]
    unknown = sorted(set(columns) - set(names))
    if unknown or not columns:
        raise ValueError(f"the table {table.name} has no columns {unknown}: give some of "
                         f"{', '.join(names)}")
    return tuple(c for c in table.plain if c.name in columns)


def _choices(pairs: Sequence[str]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Conditions for some pairs, a portion each, in the order of SQLite's text."""
    ids = sorted(set(pairs))
    for at in range(0, len(ids), _AT_ONCE):
        portion = tuple(ids[at:at + _AT_ONCE])
        yield f"WHERE pair IN ({', '.join('?' * len(portion))})", portion


def _selected(column: Column) -> str:
    return f"coalesce({column.name}, '')" if column.kind == "text" else column.name


def _dtype(wanted: Sequence[Column], widths: Mapping[str, int]) -> np.dtype[np.void]:
    kinds = {"real": "f8", "integer": "i8"}
    return np.dtype([(c.name, kinds.get(c.kind) or f"U{widths[c.name]}") for c in wanted])
