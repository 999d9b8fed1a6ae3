"""The writer of a run: ``RUN/run.sqlite``, by one process, a pair at a time.

Each pair is written in one transaction, so that it is there whole or not at all, whatever happens
to the process. While the run is being written, readers see what was committed (write-ahead log);
closed, it is one file that a read-only copy of serves as well.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from hazcam.campaign.record import Manifest, PairEntry, PairFailure, Row
from hazcam.campaign.store.insert import insert
from hazcam.campaign.store.lock import WriterLock, locked
from hazcam.campaign.store.migrate import create, migrate, version_of
from hazcam.campaign.store.pair_rows import failure_row
from hazcam.campaign.store.same_run import check_about
from hazcam.campaign.store.schema import SCHEMA, SCHEMA_VERSION
from hazcam.campaign.store.sqlite_words import no_run, sqlite_words
from hazcam.campaign.store.take_in import (
    DigestOfPictures,
    TakenIn,
    forget_failures,
    look_at,
    take_in,
)
from hazcam.errors import OutputError

RUN_FILE = "run.sqlite"
_BUSY_S = 30.0  # a reader never blocks the log; only the change of its mode waits for readers
_CLOSING_MS = 2000  # how long closing waits for a reader
_PAIRS_IN_LOG = 50  # so many at most are in the log only: a copy of the file alone misses them
_SETTLED = "SELECT pair FROM assessments UNION ALL SELECT pair FROM failures"


@dataclass(frozen=True, kw_only=True)
class Ending:
    """How a run was finished.

    Attributes
    ----------
    untried : int
        Pairs that are neither assessed nor failed, such as those that the last manifest does not
        have; as long as there are any, the run is not marked as done.
    whole : bool
        ``run.sqlite`` alone holds all. Else another program was reading it, and what was written
        last is in ``run.sqlite-wal`` beside it until the run is opened by ``Store.open`` again.
    """

    untried: int
    whole: bool


class Store:
    """A run that is being written.

    Made by ``Store.open``; as a context manager it is closed at the end, whatever happened.

    Attributes
    ----------
    folder : Path
        RUN.
    """

    def __init__(
        self, folder: Path, lock: WriterLock, db: sqlite3.Connection, about: Mapping[str, str]
    ) -> None:
        self.folder = folder
        self._about = {**about, "schema": SCHEMA}
        self._lock = lock
        self._db = db
        self._open = True
        self._whole = False
        self._in_log = 0  # pairs since the log was last taken into the file
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
        _refuse_other_things(folder)
        lock = locked(folder)
        db: sqlite3.Connection | None = None
        try:
            with sqlite_words(folder / RUN_FILE):
                db = _connect(folder / RUN_FILE)
                _bring_up(db, folder / RUN_FILE)
                stored = dict(db.execute("SELECT name, value FROM about"))
                store = cls(folder, lock, db, about)
                if stored:
                    check_about(folder, stored, about)
                    with store._transaction():  # what cannot be written to says so now
                        insert(db, "about", [{"name": "schema", "value": SCHEMA}])
                else:
                    store._write_about()
        except BaseException:
            # What is told of is the first error, whatever comes of it.
            with suppress(OSError, sqlite3.Error):
                if db is not None:
                    db.close()
            with suppress(OSError):
                lock.release()
            raise
        return store

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # --- what is written ---------------------------------------------------------------------

    def add_pairs(
        self, manifest: Manifest, digest_of_pictures: DigestOfPictures | None = None
    ) -> TakenIn:
        """Take in the rows of a manifest; where it is refused, the run stays as it was.

        Rows that are new are added, rows that are gone stay. Bad rows are found anew each time,
        those of a manifest of another name stay; a row that was changed takes the place of one that
        was never assessed. Of one that was, what plays no part in assessing (label, site, time,
        note, the rover's own verdict) is taken over. A picture that was assessed and is gone is no
        error.

        Parameters
        ----------
        manifest : Manifest
            As it is now.
        digest_of_pictures : callable, optional
            From a pair to the digest of its pictures as they are now, such as
            ``campaign.manifest.pictures.digest_of_pictures``. Asked of assessed pairs whose
            pictures have another size or time of change than before; without it these are refused
            unread.

        Raises
        ------
        OutputError
            A row of a pair that was assessed says something else now, or its pictures are others.
        UnfitRowError
            A row that the tables cannot hold; nothing of the manifest is there then.
        """
        with sqlite_words(self._file):
            looked = look_at(self._db, self.folder, manifest, digest_of_pictures)
        # Before there is a log: a copy of the file alone must not say that it is done.
        self._write_about()
        self._db.execute("PRAGMA journal_mode = WAL")
        self._take_log_in()  # where one was left, and there was no other way
        with self._transaction():
            taken = take_in(self._db, looked)
        self._take_log_in()
        return taken

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
        UnfitRowError
            A row that its table cannot hold: nothing of the pair is there, and it can be failed.
        ValueError
            A pair that is settled or in no manifest.
        """
        with self._writing(entry.id):
            for table, rows in entry.rows.items():
                insert(self._db, table, rows)
            self._add_timings(entry.id, entry.timings)

    def fail(self, failure: PairFailure, timings: Row) -> None:
        """Write why a pair has no assessment; raises as ``add``."""
        with self._writing(failure.id):
            insert(self._db, "failures", [failure_row(failure)])
            self._add_timings(failure.id, timings)

    def _write_about(self) -> None:
        """What the run is; it is not done."""
        with self._transaction():
            self._db.execute("DELETE FROM about WHERE name = 'done'")
            insert(self._db, "about", [{"name": k, "value": v} for k, v in self._about.items()])

    def _add_timings(self, id_: str, timings: Row) -> None:
        if timings:
            insert(self._db, "timings", [{**timings, "pair": id_}])

    def forget_failures(self, ids: Iterable[str]) -> int:
        """Forget that pairs failed, so that they are tried again; say how many had.

        Parameters
        ----------
        ids : iterable of str
            Those that will be tried: of another pair the failure would be gone, and nothing in its
            place. Bad rows are not forgotten: ``add_pairs`` finds those anew in any case.
        """
        with self._transaction():
            return forget_failures(self._db, ids)

    # --- the end -----------------------------------------------------------------------------

    def finish(self) -> Ending:
        """Mark the run as done where all its pairs were tried, and close it as one file.

        Returns
        -------
        Ending
            Whether that could be.
        """
        with self._transaction():
            self._write_time()
            untried = self._db.execute(
                f"SELECT count(*) FROM pairs WHERE pair NOT IN ({_SETTLED})").fetchone()[0]
            if not untried:
                insert(self._db, "about", [{"name": "done", "value": "yes"}])
        return Ending(untried=untried, whole=self.close())

    def close(self) -> bool:
        """Close the run as it is; the same command goes on with it.

        Returns
        -------
        bool
            ``Ending.whole``.
        """
        if not self._open:
            return self._whole
        self._open = False
        try:
            # What cannot be done here is made up for when the run is opened again: all that was
            # committed is in the log.
            with suppress(sqlite3.Error, OutputError):
                with self._transaction():
                    self._write_time()
                self._close_log()
        finally:
            try:
                self._db.close()
            finally:
                self._lock.release()
        return self._whole

    def _close_log(self) -> None:
        """Take the log into the file, and away where no reader has the run open."""
        self._db.execute(f"PRAGMA busy_timeout = {_CLOSING_MS}")
        self._whole = not self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        if self._whole:
            self._db.execute("PRAGMA journal_mode = DELETE")

    def _take_log_in(self) -> None:
        """As much as readers allow now, without waiting for them."""
        with sqlite_words(self._file):
            self._db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        self._in_log = 0

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
        self._in_log += 1
        if self._in_log >= _PAIRS_IN_LOG:
            self._take_log_in()

    def _is_settled(self, id_: str) -> bool:
        found = self._db.execute(
            "SELECT 1 FROM assessments WHERE pair = :id UNION ALL "
            "SELECT 1 FROM failures WHERE pair = :id", {"id": id_}).fetchone()
        return found is not None

    def _write_time(self) -> None:
        """How long the last pair took to write is known, and written, one transaction later."""
        if self._written is not None:
            self._db.execute("UPDATE timings SET write_s = ? WHERE pair = ?", self._written)


def _refuse_other_things(folder: Path) -> None:
    """A run lives in a folder of its own; a begun one may hold no more than a lock."""
    if not folder.is_dir() or (folder / RUN_FILE).exists():
        return
    others = sorted(p.name for p in folder.iterdir() if not p.name.startswith("writer."))
    if others:
        raise OutputError(str(folder), f"holds other things ({', '.join(others[:3])}) and no run",
                          "an empty folder, one that is not there yet, or that of a run",
                          "give another folder with -o")


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
