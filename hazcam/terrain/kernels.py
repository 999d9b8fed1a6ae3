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
