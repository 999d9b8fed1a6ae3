"""The writer of a run: ``RUN/run.sqlite``, by one process, a pair at a time.

Each pair is written in one transaction, so that it is there whole or not at all, whatever happens
to the process. While the run is being written, readers see what was committed (write-ahead log);
closed, it is one file that a read-only copy of serves as well.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from hazcam.campaign.record import Manifest, PairEntry, PairFailure, Row, Value
from hazcam.campaign.store.lock import WriterLock
from hazcam.campaign.store.migrate import create, migrate, version_of
from hazcam.campaign.store.pair_rows import bad_row, failure_row, manifest_folder, pair_row
from hazcam.campaign.store.same_run import check_about, check_rows
from hazcam.campaign.store.schema import SCHEMA, SCHEMA_VERSION, TABLES, Table
from hazcam.campaign.store.sqlite_words import no_run, out_of_space, sqlite_words
from hazcam.errors import OutputError

RUN_FILE = "run.sqlite"
_BY_DIGEST = ("settings", "rigs", "rovers")  # the same for many pairs
_REPLACED = ("about", "pairs")
_BUSY_S = 30.0  # a reader never blocks the log; only the change of its mode waits for readers
_SETTLED = "SELECT pair FROM assessments UNION ALL SELECT pair FROM failures"


class Store:
    """A run that is being written.

    Made by ``Store.open``; as a context manager it is closed at the end, whatever happened.

    Attributes
    ----------
    folder : Path
        RUN.
    """

    def __init__(self, folder: Path, lock: WriterLock, db: sqlite3.Connection) -> None:
        self.folder = folder
        self._lock = lock
        self._db = db
        self._open = True
        self._written: tuple[float, str] | None = None  # how long the last pair took

    @classmethod
    def open(cls, folder: Path, about: Mapping[str, str]) -> Self:
        """Begin a run, or go on with one.

        Parameters
        ----------
        folder : Path
            RUN; made if it is not there.
        about : mapping of str to str
            Rows of the table ``about``: ``hazcam``, ``versions`` and ``options`` (JSON objects),
            ``manifest`` (bare name).

        Raises
        ------
        OutputError
            A folder that cannot be made or written to, that another process writes, or whose run
            cannot be gone on with: damaged, of another program, of a newer schema, of another
            version of hazcam, with other options.
        """
        with _folder_errors(folder):
            folder.mkdir(parents=True, exist_ok=True)
            lock = WriterLock(folder)
        db: sqlite3.Connection | None = None
        try:
            with sqlite_words(folder / RUN_FILE):
                db = _connect(folder / RUN_FILE)
                _bring_up(db, folder / RUN_FILE)
                store = cls(folder, lock, db)
                store._begin(about)
        except BaseException:
            if db is not None:
                db.close()
            lock.release()
            raise
        return store

    def _begin(self, about: Mapping[str, str]) -> None:
        stored = dict(self._db.execute("SELECT name, value FROM about"))
        if stored:
            check_about(self.folder, stored, about)
        rows = {**about, "schema": SCHEMA}
        self._db.execute("PRAGMA journal_mode = WAL")
        with self._transaction():
            self._db.execute("DELETE FROM about WHERE name = 'done'")
            for name, value in rows.items():
                self._insert("about", [{"name": name, "value": value}])

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # --- what is written ---------------------------------------------------------------------

    def add_pairs(self, manifest: Manifest) -> None:
        """Take in the rows of a manifest.

        Rows that are new are added, rows that are gone stay. Bad rows are found anew each time; a
        row that was changed takes the place of one that was never assessed.

        Raises
        ------
        OutputError
            A row of a pair that was assessed says something else now.
        """
        with self._transaction():
            assessed = dict(self._db.execute(
                "SELECT pair, row_digest FROM pairs JOIN assessments USING (pair)"))
            check_rows(self.folder, assessed, manifest)
            self._forget_bad_rows()
            failed = dict(self._db.execute(
                "SELECT pair, row_digest FROM pairs JOIN failures USING (pair)"))
            for row in _rows_of(manifest):
                self._add_pair(row, {**assessed, **failed})
            for bad in manifest.bad:
                if not self._is_settled(bad.failure.id):
                    self._insert("failures", [failure_row(bad.failure)])

    def _forget_bad_rows(self) -> None:
        bad = "(SELECT pair FROM failures WHERE kind = 'bad row')"
        self._db.execute(f"DELETE FROM pairs WHERE pair IN {bad}")
        self._db.execute("DELETE FROM failures WHERE kind = 'bad row'")

    def _add_pair(self, row: Row, settled: Mapping[str, str]) -> None:
        id_ = row["pair"]
        if settled.get(str(id_)) == row["row_digest"]:
            # What is said of the pair is what was said when it was tried.
            self._db.execute("UPDATE pairs SET place = ?, source = ? WHERE pair = ?",
                             (row["place"], row["source"], id_))
            return
        self._insert("pairs", [row])
        for table in ("failures", "timings"):
            self._db.execute(f"DELETE FROM {table} WHERE pair = ?", (id_,))

    def settled(self) -> frozenset[str]:
        """Ids of the pairs that have an assessment or a failure."""
        with sqlite_words(self._file):
            return frozenset(id_ for (id_,) in self._db.execute(_SETTLED))

    def add(self, entry: PairEntry) -> None:
        """Write all rows of a pair; ``write_s`` of its timings is filled in here.

        Raises
        ------
        OutputError
            No space left, or the file cannot be written.
        ValueError
            A pair that is settled or in no manifest, or a row that its table cannot hold.
        """
        with self._writing(entry.id):
            for table, rows in entry.rows.items():
                self._insert(table, rows)
            self._add_timings(entry.id, entry.timings)

    def fail(self, failure: PairFailure, timings: Row) -> None:
        """Write why a pair has no assessment; raises as ``add``."""
        with self._writing(failure.id):
            self._insert("failures", [failure_row(failure)])
            self._add_timings(failure.id, timings)

    def _add_timings(self, id_: str, timings: Row) -> None:
        if timings:
            self._insert("timings", [{**timings, "pair": id_}])

    def forget_failures(self) -> int:
        """Forget the failures, so that their pairs are tried again; say how many there were.

        Not bad rows: ``add_pairs`` finds those anew in any case.
        """
        failed = "FROM failures WHERE kind != 'bad row'"
        with self._transaction():
            self._db.execute(f"DELETE FROM timings WHERE pair IN (SELECT pair {failed})")
            return self._db.execute(f"DELETE {failed}").rowcount

    # --- the end -----------------------------------------------------------------------------

    def finish(self) -> None:
        """Mark the run as done, and close it as one file."""
        with self._transaction():
            self._write_time()
            self._insert("about", [{"name": "done", "value": "yes"}])
        self.close()

    def close(self) -> None:
        """Close the run as it is; the same command goes on with it."""
        if not self._open:
            return
        self._open = False
        # What cannot be done here is made up for when the run is opened again: all that was
        # committed is in the log.
        with suppress(sqlite3.Error, OutputError):
            with self._transaction():
                self._write_time()
            self._db.execute("PRAGMA busy_timeout = 2000")
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._db.execute("PRAGMA journal_mode = DELETE")
        self._db.close()
        self._lock.release()

    # --- rows --------------------------------------------------------------------------------

    @property
    def _file(self) -> Path:
        return self.folder / RUN_FILE

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """All that is done in it, or nothing."""
        with sqlite_words(self._file):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                # SQLite has rolled back itself where the disk was full.
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    @contextmanager
    def _writing(self, id_: str) -> Iterator[None]:
        """The transaction of one pair."""
        begun = time.perf_counter()
        with self._transaction():
            self._write_time()
            if self._is_settled(id_):
                raise ValueError(f"pair {id_} is settled already")
            if not self._db.execute("SELECT 1 FROM pairs WHERE pair = ?", (id_,)).fetchone():
                raise ValueError(f"pair {id_} is in no manifest of this run")
            yield
        self._written = (time.perf_counter() - begun, id_)

    def _is_settled(self, id_: str) -> bool:
        found = self._db.execute(
            "SELECT 1 FROM assessments WHERE pair = :id UNION ALL "
            "SELECT 1 FROM failures WHERE pair = :id", {"id": id_}).fetchone()
        return found is not None

    def _write_time(self) -> None:
        """How long the last pair took to write is known, and written, one transaction later."""
        if self._written is not None:
            self._db.execute("UPDATE timings SET write_s = ? WHERE pair = ?", self._written)

    def _insert(self, table: str, rows: Sequence[Row]) -> None:
        values = [_values(TABLES[table], row) for row in rows]
        try:
            self._db.executemany(_insertion(TABLES[table]), values)
        except (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError) as error:
            raise ValueError(f"a row that the table {table} cannot hold: {error}") from error


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


def _rows_of(manifest: Manifest) -> Iterator[Row]:
    folder = manifest_folder(manifest)
    for pair in manifest.pairs:
        yield pair_row(pair, folder)
    for bad in manifest.bad:
        yield bad_row(bad)


def _values(table: Table, row: Row) -> list[Value]:
    """The values in the order of the columns; one that may be NULL may be left out."""
    unknown = set(row) - {c.name for c in table.columns}
    missing = [c.name for c in table.columns if not c.null and row.get(c.name) is None]
    if unknown or missing:
        raise ValueError(f"a row of {table.name} without {missing} and with {sorted(unknown)}")
    return [row.get(c.name) for c in table.columns]


@contextmanager
def _folder_errors(folder: Path) -> Iterator[None]:
    expected = "a folder for the run"
    try:
        yield
    except (FileExistsError, NotADirectoryError) as error:
        raise OutputError(str(folder), "is a file, or lies below one", expected,
                          "give another folder with -o") from error
    except OSError as error:
        if out_of_space(error):
            raise OutputError(str(folder), "no space left on its disk", expected,
                              "make room, or give another folder with -o") from error
        raise OutputError(str(folder), f"cannot be written to: {error.strerror}", expected,
                          "check its permissions, or give another folder with -o") from error


def _connect(file: Path) -> sqlite3.Connection:
    db = sqlite3.connect(file, timeout=_BUSY_S, isolation_level=None)
    # A power cut may cost the last pairs, never the run: they are assessed again.
    db.execute("PRAGMA synchronous = NORMAL")
    return db


def _bring_up(db: sqlite3.Connection, file: Path) -> None:
    """Make a new run, or an older one one of this schema; refuse what is no such run."""
    version = version_of(db)
    if version == 0:
        create(db)
        return
    problem: Any = no_run(file, version)
    if problem is not None:
        raise OutputError(*problem)
    assert version is not None
    migrate(db, version, target=SCHEMA_VERSION)
