"""One writer at a time: the lock of a run, and who holds it."""

from __future__ import annotations

import json
import os
import socket
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock, Timeout

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
        """Let another process write."""
        self._who.unlink(missing_ok=True)
        self._lock.release()


def _held(folder: Path, who: Path) -> OutputError:
    try:
        held = json.loads(who.read_text(encoding="utf-8"))
        by = f"process {held['pid']} on {held['host']}, since {held['since']}"
    except (OSError, ValueError, KeyError, TypeError):  # it is just being signed
        by = "another process"
    return OutputError(str(folder), f"is being written by {by}", "one batch at a time in a run",
                       "wait until it is done, or stop it; then give the same command again: it "
                       "goes on where that one stopped")
