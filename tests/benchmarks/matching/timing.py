"""Time against peers and against the memory, growth with the pictures, peak memory."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import cv2
import numba
import numpy as np

from hazcam.frames import Floats
from tests.benchmarks.matching import memory
from tests.benchmarks.matching.matchers import (
    OURS,
    OURS_NAME,
    REFERENCE,
    REFERENCE_NAME,
    TUNED,
    Method,
    call,
    peers,
    prepared,
    sgbm,
)
from tests.benchmarks.matching.scenes import Picture
from tests.benchmarks.matching.synthetic import synthetic
from tests.benchmarks.matching.tables import Cell, Table

WIDTH, HEIGHT, DISPARITIES = 640, 480, 128
# The least that semi-global matching must move for each pixel and disparity, in bytes: the cost,
# one byte, written once and read by two sweeps (3); sums of the paths along the row and up, one
# byte, written and read (2); the paths down, written and read (2).
BYTES_PER_CELL = 7
SIZES = ((640, 480), (1280, 960), (2560, 1920), (4000, 3000))
_COPY_BYTES = 2**28
_BOUND = "memory traffic"
_NOT_PADDED = f"{TUNED}, not padded"
# Repeats in each round of what takes little time: the smallest size, the copy.
_FEW = 3


def traffic_bytes(
    height: int, width: int, disparities: int, bytes_per_cell: float = BYTES_PER_CELL
) -> float:
    """Bytes that one match moves at least, see ``BYTES_PER_CELL``."""
    return bytes_per_cell * height * width * disparities


def _copy_plain(source: Any, target: Any) -> None:
    for i in numba.prange(source.size):
        target[i] = source[i]


_copy: Any = numba.njit(parallel=True)(_copy_plain)


def bytes_per_second(source: np.ndarray[Any, Any], target: np.ndarray[Any, Any]) -> float:
    """Bytes read and written in a second by a copy on all cores, the best of a few."""
    seconds = min(_seconds(lambda: _copy(source, target)) for _ in range(_FEW))
    return (source.nbytes + target.nbytes) / seconds


def _seconds(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def machine() -> str:
    """What it ran on."""
    return f"{platform.machine()}, {os.cpu_count()} cores, OpenCV {cv2.__version__}"


# --- time -----------------------------------------------------------------------------------------


def measure_time(rounds: int) -> dict[str, Floats]:
    """Seconds of each method in each round, all in turn, warm; and of the traffic."""
    scene = synthetic(1, HEIGHT, WIDTH).scene
    taken_in = prepared(scene.left, scene.right, DISPARITIES)
    methods: dict[str, Method] = {**peers(), _NOT_PADDED: partial(sgbm, padded=False)}
    calls: dict[str, Callable[[], object]] = {
        OURS_NAME: partial(call, OURS, *taken_in),
        REFERENCE_NAME: partial(call, REFERENCE, *taken_in)}
    for name, method in methods.items():
        calls[name] = partial(method, scene.left, scene.right, DISPARITIES)
    source = np.zeros(_COPY_BYTES // 8, np.int64)
    target = np.ones_like(source)
    for warm in calls.values():
        warm()
    bytes_per_second(source, target)
    taken: dict[str, list[float]] = {name: [] for name in (*calls, _BOUND)}
    for _ in range(rounds):
        for name, match in calls.items():
            taken[name].append(_seconds(match))
        rate = bytes_per_second(source, target)
        taken[_BOUND].append(traffic_bytes(HEIGHT, WIDTH, DISPARITIES) / rate)
    return {name: np.array(values) for name, values in taken.items()}


def time_table(seconds: dict[str, Floats]) -> Table:
    """Medians, and ratios within each round."""
    rows: list[tuple[Cell, ...]] = []
    for name, values in seconds.items():
        against = (values / seconds[other] for other in (TUNED, "SGBM HH", _BOUND))
        rows.append((name, 1000 * float(np.median(values)),
                     *(cell for ratio in against for cell in _spread(ratio))))
    ratio = {"median": ".2f", "range": ""}
    rate = traffic_bytes(HEIGHT, WIDTH, DISPARITIES) / np.median(seconds[_BOUND]) / 1e9
    return Table(
        title=f"Time at {WIDTH} x {HEIGHT} x {DISPARITIES}", rows=rows,
        note=f"{machine()}; {len(seconds[_BOUND])} rounds, all in turn, warm; ours with "
             "sigma and reasons for blanks. Peers are padded by the search, so that they too match "
             f"every column; one row shows 3WAY without. Memory traffic: {BYTES_PER_CELL} bytes "
             f"a pixel and disparity at {rate:.1f} GB/s, read and written, by a copy on all cores "
             "in the same rounds.",
        columns={"matcher": "", "median ms": ".0f"} | {
            f"/ {other}, {what}": form for other in ("SGBM 3WAY", "SGBM HH", "traffic")
            for what, form in ratio.items()})


def _spread(ratio: Floats) -> tuple[float, str]:
    return float(np.median(ratio)), f"{ratio.min():.2f} to {ratio.max():.2f}"


# --- size -----------------------------------------------------------------------------------------


def peaks_mb(sizes: tuple[tuple[int, int], ...]) -> list[tuple[float, float]]:
    """Peak memory before and after a match, each size in a fresh process. [MB]

    To be asked before this process itself grows: on Linux a child starts from its parent's peak.
    """
    peaks = []
    for width, height in sizes:
        print(f"size: memory at {width} x {height}", file=sys.stderr)
        command = [sys.executable, "-m", memory.__name__, str(width), str(height),
                   str(DISPARITIES)]
        shown = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout
        before, after = (float(word) for word in shown.split())
        peaks.append((before, after))
    return peaks


def tiled_pair(width: int, height: int) -> tuple[Picture, Picture]:
    """A synthetic pair, repeated to fill the size."""
    scene = synthetic(1, HEIGHT, WIDTH).scene
    across, down = -(-width // WIDTH), -(-height // HEIGHT)
    left, right = (np.ascontiguousarray(np.tile(p, (down, across))[:height, :width])
                   for p in (scene.left, scene.right))
    return left, right


def measure_sizes(sizes: tuple[tuple[int, int], ...], rounds: int) -> Floats:
    """Seconds of ours, shape (rounds, sizes)."""
    matches = [partial(call, OURS, *prepared(*tiled_pair(*size), DISPARITIES)) for size in sizes]

    def taken(match: Callable[[], object], repeats: int) -> float:
        return float(np.median([_seconds(match) for _ in range(repeats)]))

    taken(matches[0], 1)  # compiles what is compiled on first use
    rows = []
    for number in range(rounds):
        print(f"size: round {number + 1} of {rounds}", file=sys.stderr)
        rows.append([taken(m, _FEW if m is matches[0] else 1) for m in matches])
    return np.array(rows)


def size_table(
    sizes: tuple[tuple[int, int], ...], seconds: Floats, peaks: list[tuple[float, float]]
) -> Table:
    """Time a megapixel against the smallest size, and memory."""
    megapixels = np.array([width * height / 1e6 for width, height in sizes])
    per = seconds / megapixels
    relative = per / per[:, :1]
    rows: list[tuple[Cell, ...]] = [
        (f"{width} x {height}", megapixels[i], float(np.median(seconds[:, i])),
         1000 * float(np.median(per[:, i])), *_spread(relative[:, i]), *peaks[i])
        for i, (width, height) in enumerate(sizes)]
    return Table(
        title=f"Size, {DISPARITIES} disparities at every size, ours", rows=rows,
        note=f"{machine()}; {len(seconds)} rounds, the sizes in turn. The larger pictures are the "
             "smallest one repeated. Peak memory in a fresh process, before the match (imports, "
             "pictures and their intake) and after it.",
        columns={"pictures": "", "Mpx": ".2f", "s": ".2f", "ms / Mpx": ".0f",
                 "/ smallest, median": ".2f", "range": "", "peak before MB": ".0f",
                 "peak after MB": ".0f"})
