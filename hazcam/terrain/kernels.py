"""Hot loops of the terrain stage, compiled by numba."""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

# Sums of one cell, in this order.
COUNT, WEIGHT, WEIGHTED_Z, VARIANCE, SAMPLES, HIGHEST, LOWEST = range(7)


@numba.njit(cache=True, boundscheck=False)
def _add(
    sums: NDArray[np.float64], row: int, column: int, z: float, variance: float, pixel: float
) -> None:
    cell = sums[row, column]
    weight = 1.0 / variance
    cell[COUNT] += pixel
    cell[WEIGHT] += weight
    cell[WEIGHTED_Z] += weight * z
    cell[VARIANCE] += variance
    cell[SAMPLES] += 1.0
    cell[HIGHEST] = max(cell[HIGHEST], z)
    cell[LOWEST] = min(cell[LOWEST], z)


@numba.njit(cache=True, boundscheck=False)
def fuse_surface(
    points: NDArray[np.float32], variance: NDArray[np.float32], joined: NDArray[np.bool_],
    sums: NDArray[np.float64], cell_m: float, side_m: float,
) -> None:
    """Lay the surface between neighbouring picture rows on the grid.

    Where a pixel and the one above it lie on one surface (``joined``), the line between their
    points is sampled at half a cell, so that the cells between two picture rows count as seen.

    Parameters
    ----------
    points : ndarray of shape (H, W, 3), float32
        Level frame. [m] NaN where unknown.
    variance : ndarray of shape (H, W), float32
        Of the elevation. [m²]
    joined : ndarray of shape (H, W), bool
        Is the pixel on one surface with the pixel above it?
    sums : ndarray of shape (rows, columns, 7), float64
        Written to: the sums of each cell.
    cell_m, side_m : float
        The grid, as in ``GridSpec``. [m]
    """
    rows, columns = sums.shape[0], sums.shape[1]
    for i in range(points.shape[0]):
        for j in range(points.shape[1]):
            x, y, z = points[i, j, 0], points[i, j, 1], points[i, j, 2]
            if not np.isfinite(x):
                continue
            dx = dy = dz = 0.0
            steps = 1
            # A segment that starts off the grid has nothing to lay on it, and near the horizon
            # it may be kilometres long.
            on_grid = -1.0 < x < rows * cell_m + 1.0 and abs(y) < side_m + 1.0
            if joined[i, j] and on_grid:
                dx = points[i - 1, j, 0] - x
                dy = points[i - 1, j, 1] - y
                dz = points[i - 1, j, 2] - z
                steps = 1 + int(2.0 * np.sqrt(dx * dx + dy * dy) / cell_m)
            for k in range(steps):
                t = k / steps
                row = int(np.floor((x + t * dx) / cell_m))
                column = int(np.floor((y + t * dy + side_m) / cell_m))
                if 0 <= row < rows and 0 <= column < columns:
                    pixel = 1.0 if k == 0 else 0.0
                    _add(sums, row, column, z + t * dz, variance[i, j], pixel)


@numba.njit(cache=True, boundscheck=False)
def sort_lines(
    points: NDArray[np.float32], share: NDArray[np.float32], eye: NDArray[np.float64],
    step_rad: float, ring_m: float, lowest: NDArray[np.float64], highest: NDArray[np.float64],
) -> None:
    """Sort the sight lines from an eye to the matched points by azimuth and distance.

    Parameters
    ----------
    points : ndarray of shape (H, W, 3), float32
        Level frame. [m] NaN where unknown.
    share : ndarray of shape (H, W), float32
        Where each line is taken to end, as a share of its measured length.
    eye : ndarray of shape (3,)
        Where the lines begin. [m]
    step_rad, ring_m : float
        Width of an azimuth bin and of a ring.
    lowest, highest : ndarray of shape (bins, rings)
        Written to. Slope of the lowest line that ends beyond a ring (+inf: none), and of the
        highest that ends before it (-inf: none).
    """
    bins, rings = lowest.shape
    lowest[:] = np.inf
    highest[:] = -np.inf
    for i in range(points.shape[0]):
        for j in range(points.shape[1]):
            x = points[i, j, 0] - eye[0]
            if not np.isfinite(x):
                continue
            y = points[i, j, 1] - eye[1]
            distance = max(np.sqrt(x * x + y * y), 1e-6)
            slope = (points[i, j, 2] - eye[2]) / distance
            azimuth = int((np.arctan2(y, x) + np.pi) / step_rad) % bins
            near = min(int(distance * share[i, j] / ring_m), rings - 1)
            far = min(int(distance / ring_m), rings - 1)
            lowest[azimuth, near] = min(lowest[azimuth, near], slope)
            highest[azimuth, far] = max(highest[azimuth, far], slope)
    # Strictly beyond, strictly before.
    for azimuth in range(bins):
        beyond = np.inf
        for k in range(rings - 1, -1, -1):
            here = lowest[azimuth, k]
            lowest[azimuth, k] = beyond
            beyond = min(beyond, here)
        before = -np.inf
        for k in range(rings):
            here = highest[azimuth, k]
            highest[azimuth, k] = before
            before = max(before, here)


@numba.njit(cache=True, boundscheck=False)
def room_under(
    lowest: NDArray[np.float64], step_rad: float, ring_m: float, width_m: float,
    opened: NDArray[np.float64],
) -> None:
    """Lowest lines as they bound a thing of some width: all over its width must be free.

    A grey opening along the azimuth: the greatest, over all places of a thing of ``width_m`` that
    hold a bin, of the least over that place.
    """
    bins, rings = lowest.shape
    opened[:] = np.inf
    first, last = bins, -1
    for azimuth in range(bins):
        if np.isfinite(lowest[azimuth]).any():
            first, last = min(first, azimuth), azimuth
    least = np.empty(bins)
    for ring in range(rings):
        across = (ring + 0.5) * ring_m * step_rad
        half = min(int(width_m / across), bins - 2) // 2
        # Bins farther than that from any line have no bound before, and none after.
        for azimuth in range(max(first - half, 0), min(last + half + 1, bins)):
            least[azimuth] = np.inf
            for by in range(-half, half + 1):
                least[azimuth] = min(least[azimuth], lowest[(azimuth + by) % bins, ring])
        for azimuth in range(max(first, 0), min(last + 1, bins)):
            most = -np.inf
            for by in range(-half, half + 1):
                at = (azimuth + by) % bins
                most = max(most, least[at] if first - half <= at <= last + half else np.inf)
            opened[azimuth, ring] = most


@numba.njit(cache=True, boundscheck=False)
def under_lines(
    opened: NDArray[np.float64], highest: NDArray[np.float64], eye: NDArray[np.float64],
    ground: NDArray[np.float64], grid: tuple[float, float], step_rad: float, crest_bins: int,
    ceiling: NDArray[np.float64], behind: NDArray[np.bool_],
) -> None:
    """Lower the ceiling of each cell to what one eye's lines leave, and mark what lies behind.

    A near cell spans several bins: its ceiling is the highest of those that it spans. What lies
    behind something must do so for every bin of a crest of ``2 crest_bins + 1``: one bad match is
    no crest. ``grid`` is (cell_m, side_m).
    """
    bins, rings = opened.shape
    cell_m, side_m = grid
    for i in range(ceiling.shape[0]):
        for j in range(ceiling.shape[1]):
            x = (i + 0.5) * cell_m - eye[0]
            y = (j + 0.5) * cell_m - side_m - eye[1]
            distance = max(np.sqrt(x * x + y * y), cell_m)
            ring = min(int(distance / cell_m), rings - 1)
            at = (np.arctan2(y, x) + np.pi) / step_rad
            spread = cell_m / (2.0 * distance * step_rad)
            room = -np.inf
            for azimuth in range(int(np.floor(at - spread)), int(np.floor(at + spread)) + 1):
                room = max(room, opened[azimuth % bins, ring])
            ceiling[i, j] = min(ceiling[i, j], eye[2] + room * distance)
            crest = np.inf
            for azimuth in range(int(at) - crest_bins, int(at) + crest_bins + 1):
                crest = min(crest, highest[azimuth % bins, ring])
            if (ground[i, j] - eye[2]) / distance < crest:  # never where the ground is NaN
                behind[i, j] = True
