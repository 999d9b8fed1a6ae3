"""Tasks that behave and misbehave, for hands, pools and runs."""

from __future__ import annotations

import os
import re
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from hazcam.campaign.record import PairEntry, PairFailure


@dataclass(frozen=True)
class Errand:
    """Named work: ``how`` says what it does, ``where`` is a folder for notes."""

    id: str
    how: str = "well"
    where: str = ""


def square(number: int) -> int:
    return number * number


def pid(_: object) -> int:
    return os.getpid()


def printing(_: object) -> str:
    print("noise of a library")
    os.write(1, b"noise of a compiled library\n")
    return "said"


def raising(_: object) -> None:
    raise ZeroDivisionError("by hand")


def sleeping(seconds: float) -> float:
    time.sleep(seconds)
    return seconds


def killed(_: object) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def holding_the_interpreter(_: object) -> None:
    re.match(r"(a+)+$", "a" * 60 + "b")


def short_of_memory(_: object) -> None:
    raise MemoryError


def signalled(number: int) -> None:
    os.kill(os.getpid(), number)
    time.sleep(600)


def leaving(words: str) -> None:
    sys.stderr.write(words)
    sys.stderr.flush()
    os._exit(3)


def killed_until(marks: str) -> int:
    """Killed while there is no mark of an earlier try; then how many tries there were."""
    folder = Path(marks)
    tries = len(list(folder.iterdir())) + 1
    (folder / f"try-{tries}").touch()
    if tries < 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return tries


def threads(_: object) -> tuple[int, int, str]:
    import cv2
    import numba

    return cv2.getNumThreads(), numba.get_num_threads(), os.environ["OPENBLAS_NUM_THREADS"]


def errand(work: Errand) -> PairEntry | PairFailure:
    """An entry without rows, or what ``how`` asks for."""
    if work.where:
        (Path(work.where) / f"{work.id}-{time.monotonic_ns()}").touch()
    if work.how == "badly":
        return PairFailure(id=work.id, kind="failed", where=work.id, found="a fault of its own",
                           expected="none", remedy="none")
    if work.how == "raises":
        raise RuntimeError("not foreseen")
    if work.how == "killed":
        os.kill(os.getpid(), signal.SIGKILL)
    if work.how == "hangs":
        time.sleep(600)
    return PairEntry(id=work.id, rows={}, timings={"assess_s": 0.5})
