"""Hot loops of the terrain stage, compiled by numba."""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

# Sums of one cell, in this order.
COUNT, WEIGHT, WEIGHTED_Z, VARIANCE, SAMPLES, HIGHEST, LOWEST = range(7)


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
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


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _is_near(
    point: NDArray[np.float32], above: NDArray[np.float32], eye: NDArray[np.float64],
    row_spacings_per_m: float, cell_m: float,
) -> bool:
    """Is the point of the pixel above near enough along the ground for one surface?"""
    x, y = np.float64(point[0]), np.float64(point[1])
    away_x, away_y = x - eye[0], y - eye[1]
    dx, dy = above[0] - x, above[1] - y
    allowed = row_spacings_per_m * (away_x * away_x + away_y * away_y) + cell_m
    return bool(np.sqrt(dx * dx + dy * dy) <= allowed)


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def fuse_surface(
    points: NDArray[np.float32], variance: NDArray[np.float32], eye: NDArray[np.float64],
    row_spacings_per_m: float, sums: NDArray[np.float64], cell_m: float, side_m: float,
) -> None:
    """Lay the surface between neighbouring picture rows on the grid.

    Where a pixel and the one above it lie on one surface, no farther apart along the ground than
    ``row_spacings_per_m`` times the square of their distance from the eye plus a cell, the line
    between their points is sampled at half a cell, so that the cells between two picture rows count
    as seen.

    Parameters
    ----------
    points : ndarray of shape (H, W, 3), float32
        Level frame. [m] NaN where unknown.
    variance : ndarray of shape (H, W), float32
        Of the elevation. [m²]
    eye : ndarray of shape (3,)
        The camera. [m]
    row_spacings_per_m : float
        How far apart two rows of one surface may be on flat ground, per square of the distance.
        [1/m]
    sums : ndarray of shape (rows, columns, 7), float64
        Written to: the sums of each cell.
    cell_m, side_m : float
        The grid, as in ``GridSpec``. [m]
    """
    rows, columns = sums.shape[0], sums.shape[1]
    for i in range(points.shape[0]):
        for j in range(points.shape[1]):
            x, y, z = points[i, j, 0], points[i, j, 1], points[i, j, 2]
            # Nothing of a segment that starts off the grid is laid on it: near the horizon it may
            # be kilometres long. NaN is not on it either.
            if not (-1.0 < x < rows * cell_m + 1.0 and abs(y) < side_m + 1.0):
                continue
            dx = dy = dz = 0.0
            steps = 1
            if i > 0 and _is_near(points[i, j], points[i - 1, j], eye, row_spacings_per_m, cell_m):
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


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _wrapped(azimuth: int, bins: int) -> int:
    """``azimuth % bins``, faster, for one that is off by less than a turn."""
    if azimuth < 0:
        return azimuth + bins
    return azimuth - bins if azimuth >= bins else azimuth


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def sort_lines(
    points: NDArray[np.float32], share: NDArray[np.float32], eye: NDArray[np.float64],
    turn: NDArray[np.float64], ring_m: float, lowest: NDArray[np.float64],
    highest: NDArray[np.float64],
) -> tuple[int, int]:
    """Sort the sight lines from an eye to the matched points by distance and azimuth.

    Parameters
    ----------
    points : ndarray of shape (H, W, 3), float32
        Level frame. [m] NaN where unknown.
    share : ndarray of shape (H, W), float32
        Where each line is taken to end, as a share of its measured length.
    eye : ndarray of shape (3,)
        Where the lines begin. [m]
    turn : ndarray of shape (H, W)
        Azimuth of each line from straight back. [bins]
    ring_m : float
        Width of a ring. [m]
    lowest, highest : ndarray of shape (rings, bins)
        Written to. Slope of the lowest line that ends beyond a ring (+inf: none), and of the
        highest that ends before it (-inf: none).

    Returns
    -------
    int, int
        First and last azimuth bin that holds a line; ``bins`` and -1 if there is none.
    """
    rings, bins = lowest.shape
    lowest[:] = np.inf
    highest[:] = -np.inf
    first, last = bins, -1
    for i in range(points.shape[0]):
        for j in range(points.shape[1]):
            x = points[i, j, 0] - eye[0]
            if not np.isfinite(x):
                continue
            y = points[i, j, 1] - eye[1]
            distance = max(np.sqrt(x * x + y * y), 1e-6)
            slope = (points[i, j, 2] - eye[2]) / distance
            azimuth = _wrapped(int(turn[i, j]), bins)
            first, last = min(first, azimuth), max(last, azimuth)
            near = int(min(distance * share[i, j] / ring_m, rings - 1.0))
            far = int(min(distance / ring_m, rings - 1.0))
            lowest[near, azimuth] = min(lowest[near, azimuth], slope)
            highest[far, azimuth] = max(highest[far, azimuth], slope)
    # Strictly beyond, strictly before.
    for azimuth in range(first, last + 1):
        beyond = np.inf
        for k in range(rings - 1, -1, -1):
            here = lowest[k, azimuth]
            lowest[k, azimuth] = beyond
            beyond = min(beyond, here)
        before = -np.inf
        for k in range(rings):
            here = highest[k, azimuth]
            highest[k, azimuth] = before
            before = max(before, here)
    return first, last


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _slide_least(values: NDArray[np.float64], window: int) -> None:
    """Least of each value and the ``window - 1`` after it, in place: of 1, 2, 4, ... of them."""
    span = 1
    while 2 * span <= window:
        for k in range(len(values) - span):
            values[k] = min(values[k], values[k + span])
        span *= 2
    for k in range(len(values) - (window - span)):
        values[k] = min(values[k], values[k + window - span])


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def room_under(
    lowest: NDArray[np.float64], held: tuple[int, int], step_rad: float, ring_m: float,
    width_m: float,
) -> None:
    """Lower bounds of the room for a thing of some width: all over its width must be free.

    A grey opening of ``lowest`` along the azimuth, in place: the greatest, over all places of a
    thing of ``width_m`` that hold a bin, of the least over that place. ``held`` are the first and
    the last bin with a line.
    """
    rings, bins = lowest.shape
    first, last = held
    if last < first:
        return
    work = np.empty(3 * bins)
    for ring in range(rings):
        across = (ring + 0.5) * ring_m * step_rad
        half = min(int(width_m / across), bins - 2) // 2
        count = last + 1 - first + 4 * half
        for k in range(count):
            work[k] = lowest[ring, (first - 2 * half + k) % bins]
        _slide_least(work[:count], 2 * half + 1)
        for k in range(count - 2 * half):
            work[k] = -work[k]
        _slide_least(work[: count - 2 * half], 2 * half + 1)
        for azimuth in range(first, last + 1):
            lowest[ring, azimuth] = -work[azimuth - first]


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def under_lines(
    opened: NDArray[np.float64], highest: NDArray[np.float64], held: tuple[int, int],
    eye: NDArray[np.float64], turn: NDArray[np.float64], ground: NDArray[np.float64],
    grid: tuple[float, float], crest_bins: int, ceiling: NDArray[np.float64],
    behind: NDArray[np.bool_],
) -> None:
    """Lower the ceiling of each cell to what one eye's lines leave, and mark what lies behind.

    A near cell spans several bins: its ceiling is the highest of those that it spans. What lies
    behind something must do so for every bin of a crest of ``2 crest_bins + 1``: one bad match is
    no crest. ``turn`` is the azimuth of each cell from straight back in bins, ``grid`` is
    (cell_m, side_m).
    """
    rings, bins = opened.shape
    step_rad = 2 * np.pi / bins
    cell_m, side_m = grid
    for i in range(ceiling.shape[0]):
        for j in range(ceiling.shape[1]):
            x = (i + 0.5) * cell_m - eye[0]
            y = (j + 0.5) * cell_m - side_m - eye[1]
            distance = max(np.sqrt(x * x + y * y), cell_m)
            ring = min(int(distance / cell_m), rings - 1)
            at = turn[i, j]
            spread = cell_m / (2.0 * distance * step_rad)
            first, last = int(np.floor(at - spread)), int(np.floor(at + spread))
            if first >= 0 and last < bins and (last < held[0] or held[1] < first):
                continue  # no line there
            room = -np.inf
            for azimuth in range(first, last + 1):
                room = max(room, opened[ring, _wrapped(azimuth, bins)])
            ceiling[i, j] = min(ceiling[i, j], eye[2] + room * distance)
            crest = np.inf
            for azimuth in range(int(at) - crest_bins, int(at) + crest_bins + 1):
                crest = min(crest, highest[ring, _wrapped(azimuth, bins)])
            if (ground[i, j] - eye[2]) / distance < crest:  # never where the ground is NaN
                behind[i, j] = True


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def pixels_of(
    x: NDArray[np.float64], y: NDArray[np.float64], z: NDArray[np.float64],
    R: NDArray[np.float64], t: NDArray[np.float64], lens: tuple[float, float, float],
    pixels: NDArray[np.float64],
) -> None:
    """Project places into the left picture.

    Parameters
    ----------
    x, y, z : ndarray of shape (N,)
        Places. [m]
    R, t : ndarray of shape (3, 3) and (3,)
        To the frame of the rectified left camera.
    lens : tuple
        Focal length, principal point (column, row). [px]
    pixels : ndarray of shape (3, N)
        Written to: column and row [px], depth along the optical axis [m]. A place nearer than 1 mm,
        or behind the camera, is projected as if it lay at 1 mm.
    """
    focal, cx, cy = lens
    for n in range(len(x)):
        right = R[0, 0] * x[n] + R[0, 1] * y[n] + R[0, 2] * z[n] + t[0]
        down = R[1, 0] * x[n] + R[1, 1] * y[n] + R[1, 2] * z[n] + t[1]
        depth = R[2, 0] * x[n] + R[2, 1] * y[n] + R[2, 2] * z[n] + t[2]
        ahead = max(depth, 1e-3)
        pixels[0, n] = focal * right / ahead + cx
        pixels[1, n] = focal * down / ahead + cy
        pixels[2, n] = depth


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def count_inliers(
    points: NDArray[np.float64], planes: NDArray[np.float64], within: float
) -> NDArray[np.int64]:
    """How many of some points, shape (N, 3), lie near each of some planes (c, a, b)."""
    counts = np.zeros(len(planes), dtype=np.int64)
    for k in range(len(planes)):
        c, a, b = planes[k]
        for n in range(len(points)):
            counts[k] += abs(points[n, 2] - (c + a * points[n, 0] + b * points[n, 1])) < within
    return counts
