"""One writer at a time: the lock of a run, and who holds it."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock, Timeout

from hazcam.campaign.store.sqlite_words import out_of_space
from hazcam.errors import OutputError

_LOCK, _WHO = "writer.lock", "writer.json"


class WriterLock:
    """Held from the making of the object until ``release``, or the death of the process.

    The system frees it when the process ends, however it ends; a process that is forked off,
    rather than started anew, would hold it too.

    Raises
    ------
    OutputError
        Another process holds it, or the folder cannot be written to.
    """

    def __init__(self, folder: Path) -> None:
        self._who = folder / _WHO
        self._lock = FileLock(folder / _LOCK)
        try:
            self._lock.acquire(timeout=0)
        except Timeout as error:
            raise _held(folder, self._who) from error
        except NotImplementedError as error:
            raise OutputError(str(folder / _LOCK), "the file system knows no locks",
                              "a folder that one process can hold for itself",
                              "give a folder on a local disk with -o") from error
        try:
            self._sign()
        except OSError:
            self._lock.release()
            raise

    def _sign(self) -> None:
        who = {"pid": os.getpid(), "host": socket.gethostname(),
               "since": datetime.now(UTC).isoformat(timespec="seconds")}
        beside = self._who.with_name(f".{_WHO}.part")
        beside.write_text(json.dumps(who) + "\n", encoding="utf-8")
        beside.replace(self._who)

    def release(self) -> None:
        """Let another process write; who held it is left there where it cannot be removed."""
        try:
            with suppress(OSError):
                self._who.unlink(missing_ok=True)
        finally:
            self._lock.release()


def locked(folder: Path) -> WriterLock:
    """Make the folder of a run if it is not there, and hold it; raises as ``WriterLock``."""
    with _folder_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
        return WriterLock(folder)


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


def _held(folder: Path, who: Path) -> OutputError:
    try:
        held = json.loads(who.read_text(encoding="utf-8"))
        by = f"process {held['pid']} on {held['host']}, since {held['since']}"
    except (OSError, ValueError, KeyError, TypeError):  # it is just being signed
        by = "another process"
    return OutputError(str(folder), f"is being written by {by}", "one batch at a time in a run",
                       "wait until it is done, or stop it; then give the same command again: it "
                       "goes on where that one stopped")
