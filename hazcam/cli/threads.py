"""How many threads the compiled loops and OpenCV may use.

Numba runs parallel loops by OpenMP where the system has its library (libgomp on Linux), else by
its own work queue. Two threads of Python may assess at once with the first; with the second numba
ends the program. A process that has assessed with OpenMP must not be forked: pools start their
processes by "spawn" or "forkserver". (numba's documentation, "The Threading Layers"; both tried.)
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import cv2
import numba


@contextmanager
def limited_threads(count: int | None) -> Iterator[None]:
    """Let numba and OpenCV use so many threads; None leaves them as they are.

    Afterwards they are as they were: a program may run more than one command.
    """
    if count is None:
        yield
        return
    of_numba, of_opencv = numba.get_num_threads(), cv2.getNumThreads()
    numba.set_num_threads(count)
    cv2.setNumThreads(count)
    try:
        yield
    finally:
        numba.set_num_threads(of_numba)
        cv2.setNumThreads(of_opencv)
