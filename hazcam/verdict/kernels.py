"""Hot loops of the verdict stage, compiled by numba."""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray


@numba.njit(cache=True, boundscheck=False)
def runs_of(
    holes: NDArray[np.bool_], blank: NDArray[np.bool_], sunk: NDArray[np.float64], bridge: int
) -> tuple[NDArray[np.int64], NDArray[np.float64], int]:
    """Runs of holes along the first axis, each line by itself.

    Parameters
    ----------
    holes, blank : ndarray of shape (stations, lines), bool
        Cells that a foot could enter unseen; those of them that nothing seen explains.
    sunk : ndarray of shape (stations, lines)
        How far below the ground the sight line over a cell ends. [m]
    bridge : int
        Runs of a line with fewer stations than this between them belong to one group.

    Returns
    -------
    ndarray of shape (N, 5), int64
        Line, first station, stations, how many of them are blank; group in the last column.
    ndarray of shape (N,)
        Greatest ``sunk`` of each. [m]
    int
        How many groups there are.
    """
    stations, lines = holes.shape
    found = np.empty((stations * lines // 2 + lines, 5), dtype=np.int64)
    deepest = np.zeros(len(found))
    count = 0
    group = -1
    for line in range(lines):
        last_end = -stations - bridge
        i = 0
        while i < stations:
            if not holes[i, line]:
                i += 1
                continue
            first, bare = i, 0
            while i < stations and holes[i, line]:
                bare += blank[i, line]
                deepest[count] = max(deepest[count], sunk[i, line])
                i += 1
            if first - last_end >= bridge:
                group += 1
            found[count, 0], found[count, 1], found[count, 2] = line, first, i - first
            found[count, 3], found[count, 4] = bare, group
            count += 1
            last_end = i
    return found[:count], deepest[:count], group + 1


@numba.njit(cache=True, boundscheck=False)
def trailing_extremes(
    values: NDArray[np.float64], window: int, lowest: NDArray[np.float64],
    highest: NDArray[np.float64],
) -> None:
    """Least and greatest known value over the ``window`` stations before each, line by line.

    The last known value stands for what is not known behind it. NaN where none is known.
    """
    stations, lines = values.shape
    carried = np.empty(stations)
    for line in range(lines):
        last = np.nan
        for i in range(stations):
            if np.isfinite(values[i, line]):
                last = values[i, line]
            carried[i] = last
        for i in range(stations):
            low, high = np.inf, -np.inf
            for k in range(max(i - window, 0), i):
                if carried[k] == carried[k]:
                    low, high = min(low, carried[k]), max(high, carried[k])
            lowest[i, line] = low if low < np.inf else np.nan
            highest[i, line] = high if high > -np.inf else np.nan
