"""Hot loops of the verdict stage, compiled by numba."""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray


@numba.njit(cache=True, boundscheck=False)
def runs_of(
    holes: NDArray[np.bool_], unexplained: NDArray[np.bool_], blank: NDArray[np.bool_],
    sunk: NDArray[np.float64], bridge: int,
) -> tuple[NDArray[np.int64], NDArray[np.float64], int]:
    """Runs of holes along the first axis, each line by itself.

    Parameters
    ----------
    holes, unexplained, blank : ndarray of shape (stations, lines), bool
        Cells that a foot could enter unseen; those of them that nothing seen explains; of these
        those that had no match.
    sunk : ndarray of shape (stations, lines)
        How far below the ground the sight line over a cell ends. [m]
    bridge : int
        Runs of a line with fewer stations than this between them belong to one group.

    Returns
    -------
    ndarray of shape (N, 6), int64
        Line, first station, stations, how many of them are unexplained, and
        how many of those blank; group.
    ndarray of shape (N,)
        Greatest ``sunk`` of each. [m]
    int
        How many groups there are.
    """
    stations, lines = holes.shape
    found = np.empty((stations * lines // 2 + lines, 6), dtype=np.int64)
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
            first, bare, empty = i, 0, 0
            while i < stations and holes[i, line]:
                bare += unexplained[i, line]
                empty += blank[i, line]
                deepest[count] = max(deepest[count], sunk[i, line])
                i += 1
            if first - last_end >= bridge:
                group += 1
            found[count, 0], found[count, 1], found[count, 2] = line, first, i - first
            found[count, 3], found[count, 4], found[count, 5] = bare, empty, group
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


@numba.njit(cache=True, boundscheck=False)
def opened(mask: NDArray[np.bool_], length: int, width: int) -> NDArray[np.bool_]:
    """Cells that a rectangle of ``length`` rows and ``width`` columns covers inside the mask.

    Beyond its edges the mask goes on as it ends, by one cell.
    """
    rows, columns = mask.shape
    ends = np.zeros((rows + 2, columns + 2), dtype=np.bool_)  # last corners of such rectangles
    deep = np.zeros(columns + 2, dtype=np.int64)  # cells of the mask in a row, down each column
    for i in range(rows + 2):
        wide = 0
        for j in range(columns + 2):
            here = mask[min(max(i - 1, 0), rows - 1), min(max(j - 1, 0), columns - 1)]
            deep[j] = deep[j] + 1 if here else 0
            wide = wide + 1 if deep[j] >= length else 0
            ends[i, j] = wide >= width
    result = np.empty((rows, columns), dtype=np.bool_)
    deep[:] = 0  # from here on, how many rows a rectangle still reaches upwards
    for i in range(rows + 1, -1, -1):
        wide = 0
        for j in range(columns + 1, -1, -1):
            wide = width if ends[i, j] else wide - 1
            deep[j] = length if wide > 0 else deep[j] - 1
            if 0 < i <= rows and 0 < j <= columns:
                result[i - 1, j - 1] = deep[j] > 0
    return result


@numba.njit(cache=True, boundscheck=False)
def highest_under(
    layer: NDArray[np.float64], rows: NDArray[np.int64], columns: NDArray[np.int64],
    size: tuple[int, int],
) -> NDArray[np.float64]:
    """Highest of a layer under soles, shape (N, F).

    Parameters
    ----------
    layer : ndarray of shape (stations, lines)
        Heights. [m] NaN where not known; beyond the layer that at its rim.
    rows, columns : ndarray of shape (N, F) and (F,)
        The middle of each sole.
    size : tuple of int
        Of a sole, in stations and lines.

    Returns
    -------
    ndarray of shape (N, F)
        [m] NaN where one of the heights is, or the middle is off the layer.
    """
    stations, lines = layer.shape
    found = np.full(rows.shape, np.nan)
    for n in range(rows.shape[0]):
        for f in range(rows.shape[1]):
            if not 0 <= rows[n, f] < stations:
                continue
            first, left = rows[n, f] - size[0] // 2, columns[f] - size[1] // 2
            most = -np.inf
            for i in range(first, first + size[0]):
                for j in range(left, left + size[1]):
                    height = layer[min(max(i, 0), stations - 1), min(max(j, 0), lines - 1)]
                    most = max(most, height) if height == height else np.inf
            found[n, f] = most if most < np.inf else np.nan
    return found
