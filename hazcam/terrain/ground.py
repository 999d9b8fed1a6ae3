"""The ground as planes: the few it is made of, the local one, and the body-size slope."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from hazcam.frames import Floats
from hazcam.terrain import kernels
from hazcam.terrain.record import Grid, GridSpec, GroundPlane

_MAX_PLANES = 3
_MIN_SHARE = 0.05
_INLIER_M = 0.012
# Least share of a further plane's cells that lie in one patch.
_PATCH_SHARE = 0.7
_FITTED_CELLS = 6000
# Probability that no sample is free of outliers is 1e-3 at half outliers: 52 trials; we allow
# two thirds outliers, since a ledge leaves its lower plane less than half of the cells.
_CONFIDENCE, _OUTLIERS = 0.999, 0.66

# Neighbouring cells share a matching window, and with it errors: one in so many is independent.
_CELLS_A_WINDOW = 20

# The local ground is fitted on a grid this many times coarser.
_COARSE = 2
_LOCAL_WINDOW_M = 0.40
_ROBUST_SCALES_M = (0.03, 0.02, 0.012, 0.008, 0.008)
# An elevation this sure has half the weight of a perfect one.
_GOOD_SIGMA_M = 0.005
# A cell this near to a ground plane is ground at first sight.
_NEAR_PLANE_M = 0.025
# Least share of a window that must be seen for a plane through it.
_MIN_WINDOW_SHARE = 0.25


def ransac_trials(confidence: float, outliers: float, sample: int) -> int:
    """How many random samples until one is free of outliers with the given confidence.

    ``ceil(log(1 - p) / log(1 - (1 - e)^s))``: M. A. Fischler and R. C. Bolles, "Random sample
    consensus," Commun. ACM 24(6):381-395, 1981, doi:10.1145/358669.358692; tabulated in
    R. Hartley and A. Zisserman, Multiple View Geometry, 2nd ed. 2004, table 4.3.

    Examples
    --------
    >>> ransac_trials(0.99, 0.5, 3)
    35
    """
    return math.ceil(math.log(1 - confidence) / math.log(1 - (1 - outliers) ** sample))


def fit_plane(points_m: Floats, weights: Floats | None = None) -> Floats:
    """Least-squares plane ``z = c + a x + b y`` (vertical residuals).

    Parameters
    ----------
    points_m : ndarray of shape (N, 3)
        N >= 3 points, not on one line. [m]
    weights : ndarray of shape (N,), optional
        1 / variance of each z.

    Returns
    -------
    ndarray of shape (3,)
        ``(c, a, b)``.

    Examples
    --------
    >>> x, y = np.meshgrid(np.arange(3.0), np.arange(3.0))
    >>> points = np.column_stack([x.ravel(), y.ravel(), (1 + 0.1 * x + 0.2 * y).ravel()])
    >>> [round(float(v), 6) for v in fit_plane(points)]
    [1.0, 0.1, 0.2]
    """
    root = np.ones(len(points_m)) if weights is None else np.sqrt(weights)
    design = np.column_stack([np.ones(len(points_m)), points_m[:, 0], points_m[:, 1]])
    solution, *_ = np.linalg.lstsq(design * root[:, None], points_m[:, 2] * root, rcond=None)
    return np.asarray(solution, dtype=np.float64)


def ground_planes(
    spec: GridSpec, mean_m: Grid, rng: np.random.Generator
) -> tuple[GroundPlane, ...]:
    """The planes that the seen ground is made of, largest first.

    Random sample consensus for the largest, then again on what is left (a ledge is two
    planes), while a plane still explains a fair share of the cells.
    """
    rows, columns = np.nonzero(np.isfinite(mean_m))
    if rows.size < 3:
        return ()
    points = np.column_stack([spec.x_m[rows], spec.y_m[columns], mean_m[rows, columns]])
    if rows.size > _FITTED_CELLS:
        points = points[rng.choice(rows.size, _FITTED_CELLS, replace=False)]
    planes: list[GroundPlane] = []
    total = len(points)
    while len(planes) < _MAX_PLANES and len(points) >= max(3, _MIN_SHARE * total):
        found = _largest_plane(points, rng)
        if found is None or found[1].sum() < _MIN_SHARE * total:
            break
        coefficients, inliers = found
        if planes and not _is_one_patch(spec, mean_m, coefficients):
            break
        planes.append(_plane_record(coefficients, points[inliers], total, rows.size))
        points = points[~inliers]
    return tuple(planes)


def _plane_record(
    coefficients: Floats, inliers: Floats, total: int, cells: int
) -> GroundPlane:
    """A plane from its inliers; ``total`` points were fitted, of ``cells`` that are seen."""
    c, a, b = (float(v) for v in coefficients)
    residual = inliers[:, 2] - (c + a * inliers[:, 0] + b * inliers[:, 1])
    share, rms = len(inliers) / total, float(np.sqrt(np.mean(residual**2)))
    design = np.column_stack([np.ones(len(inliers)), inliers[:, :2]])
    independent = max(share * cells / _CELLS_A_WINDOW, 1.0)
    covariance = rms**2 / independent * np.linalg.inv(design.T @ design / len(inliers))
    return GroundPlane(offset_m=c, slope_x=a, slope_y=b, share=share, rms_m=rms,
                       covariance=tuple(map(tuple, covariance.tolist())))


def _is_one_patch(spec: GridSpec, mean_m: Grid, coefficients: Floats) -> bool:
    """Do most of the cells near the plane lie together? A plane cut through relief is stripes."""
    c, a, b = coefficients
    x, y = spec.x_m[:, None], spec.y_m
    with np.errstate(invalid="ignore"):
        near = np.abs(mean_m - (c + a * x + b * y)) < _INLIER_M
    labels, count = ndimage.label(near, structure=np.ones((3, 3)))
    if count == 0:
        return False
    sizes = np.bincount(labels.ravel())[1:]
    return bool(sizes.max() >= _PATCH_SHARE * sizes.sum())


def _largest_plane(
    points: Floats, rng: np.random.Generator
) -> tuple[Floats, NDArray[np.bool_]] | None:
    """Coefficients (c, a, b) and inliers of the plane with the most inliers."""
    trials = ransac_trials(_CONFIDENCE, _OUTLIERS, 3)
    samples = points[rng.integers(0, len(points), size=(trials, 3))]
    design = np.concatenate([np.ones((trials, 3, 1)), samples[..., :2]], axis=-1)
    spread = np.abs(np.linalg.det(design))
    usable = spread > 1e-4  # twice the area of the sample's triangle, m²
    if not np.any(usable):
        return None
    planes = np.linalg.solve(design[usable], samples[usable, :, 2][..., None])[..., 0]
    found = planes[np.argmax(kernels.count_inliers(points, planes, _INLIER_M))]
    inliers = _near_plane(points, found)
    for _ in range(3):
        if inliers.sum() < 3:
            return None
        found = fit_plane(points[inliers])
        inliers = _near_plane(points, found)
    return found, inliers


def _near_plane(points: Floats, plane: Floats) -> NDArray[np.bool_]:
    c, a, b = plane
    return np.asarray(np.abs(points[:, 2] - (c + a * points[:, 0] + b * points[:, 1])) < _INLIER_M)


@dataclass(frozen=True, kw_only=True, eq=False)
class WindowPlanes:
    """The plane through the window about each cell; NaN where too little is seen.

    ``height_m`` at the cell's centre, ``slope_x``, ``slope_y`` as rise over run, ``rms_m`` the
    scatter about the plane, ``weight`` the sum of the weights.
    """

    height_m: Grid
    slope_x: Grid
    slope_y: Grid
    rms_m: Grid
    weight: Grid


def _window_cells(window_m: float, cell_m: float) -> int:
    """The odd number of cells nearest to the window's side."""
    return 2 * round((window_m / cell_m - 1) / 2) + 1


def window_planes(z_m: Grid, weights: Grid, cell_m: float, window_m: float) -> WindowPlanes:
    """Weighted least-squares plane through the square window about every cell at once.

    The sums of the normal equations are box filters; the origin is each window's own centre.

    Parameters
    ----------
    z_m : ndarray of shape (rows, cols)
        Elevation. [m] Ignored where ``weights`` is 0.
    weights : ndarray of shape (rows, cols)
        0 where nothing is known.
    cell_m, window_m : float
        Side of a cell and of the window. [m]
    """
    size = _window_cells(window_m, cell_m)
    rows, columns = np.indices(z_m.shape, dtype=np.float64) * cell_m
    z = np.where(weights > 0, z_m, 0.0)

    def total(values: Grid) -> Grid:
        return np.asarray(cv2.boxFilter(values, cv2.CV_64F, (size, size), normalize=False,
                                        borderType=cv2.BORDER_CONSTANT))

    s = {name: total(weights * factor) for name, factor in {
        "1": np.ones_like(z), "x": rows, "y": columns, "xx": rows * rows, "xy": rows * columns,
        "yy": columns * columns, "z": z, "xz": rows * z, "yz": columns * z, "zz": z * z}.items()}
    w = np.where(s["1"] > 1e-9, s["1"], np.nan)
    mx, my, mz = s["x"] / w, s["y"] / w, s["z"] / w
    cxx, cyy = s["xx"] / w - mx * mx, s["yy"] / w - my * my
    cxy, cxz, cyz = s["xy"] / w - mx * my, s["xz"] / w - mx * mz, s["yz"] / w - my * mz
    czz = s["zz"] / w - mz * mz
    determinant = cxx * cyy - cxy * cxy
    enough = determinant > (0.1 * window_m) ** 4
    determinant = np.where(enough, determinant, np.nan)
    a = (cyy * cxz - cxy * cyz) / determinant
    b = (cxx * cyz - cxy * cxz) / determinant
    rms = np.sqrt(np.maximum(czz - a * cxz - b * cyz, 0))
    return WindowPlanes(height_m=mz + a * (rows - mx) + b * (columns - my), slope_x=a, slope_y=b,
                        rms_m=rms, weight=np.nan_to_num(w))


@dataclass(frozen=True, kw_only=True, eq=False)
class LocalGround:
    """Elevation of the ground without the small things on it, and one standard deviation. [m]

    ``roughness_m``: root mean square of the seen cells about it, what stands off it left out.
    """

    ground_m: Grid
    sigma_m: Grid
    roughness_m: Grid


def local_ground(
    spec: GridSpec, mean_m: Grid, sigma_m: Grid, planes: tuple[GroundPlane, ...]
) -> LocalGround:
    """The local ground: a robust plane through the window about each cell.

    Starts mostly from the cells near one of the ground planes, so that a box at the rim of the
    window does not tilt the first fit, and lowers the weight of the cells that lie off the
    local plane, things above it twice as fast as hollows: what stands on the ground is not the
    ground.
    """
    cell_m = spec.cell_m * _COARSE
    z, known = _coarsen(mean_m)
    noise = np.nan_to_num(_coarsen(sigma_m)[0])
    known = known / (1 + (noise / _GOOD_SIGMA_M) ** 2)
    weights = known * _first_weights(spec, mean_m, planes)
    for scale in _ROBUST_SCALES_M:
        fitted = window_planes(z, weights, cell_m, _LOCAL_WINDOW_M)
        residual = np.nan_to_num(z - fitted.height_m)
        scaled = np.where(residual > 0, residual, residual / 2) / scale
        weights = known / (1 + scaled**2) ** 2
    fitted = window_planes(z, weights, cell_m, _LOCAL_WINDOW_M)
    window_cells = (_LOCAL_WINDOW_M / cell_m) ** 2
    enough = fitted.weight >= 0.1 * window_cells
    ground = np.where(enough, fitted.height_m, np.nan)
    sigma = np.sqrt(fitted.rms_m**2 / np.maximum(fitted.weight / _CELLS_A_WINDOW, 1))
    ground, sigma, roughness = (_refine(layer, spec.shape)
                                for layer in (ground, sigma, fitted.rms_m))
    return LocalGround(ground_m=ground, sigma_m=sigma, roughness_m=roughness)


def _first_weights(spec: GridSpec, mean_m: Grid, planes: tuple[GroundPlane, ...]) -> Grid:
    """1 for coarse cells near a ground plane, a tenth for the others."""
    x, y = spec.x_m[:, None], spec.y_m
    off = [np.abs(mean_m - p.elevation_m(x, y)) for p in planes]
    near = np.min(off, axis=0) < _NEAR_PLANE_M if off else np.zeros(spec.shape, dtype=bool)
    share, _ = _coarsen(np.where(near, 1.0, 0.1))
    return share


def lean_on_planes(
    spec: GridSpec, ground: LocalGround, planes: tuple[GroundPlane, ...]
) -> LocalGround:
    """Where too little ground is near for a local plane, take the lowest of the ground planes.

    The lowest, since a thing then counts as tall rather than as low. NaN stays where there is
    no plane at all.
    """
    if not planes:
        return ground
    x, y = spec.x_m[:, None], spec.y_m
    lowest = np.min([p.elevation_m(x, y) for p in planes], axis=0)
    known = np.isfinite(ground.ground_m)
    worst_rms = max(p.rms_m for p in planes)
    return LocalGround(ground_m=np.where(known, ground.ground_m, lowest),
                       sigma_m=np.where(known, ground.sigma_m, worst_rms),
                       roughness_m=np.where(known, ground.roughness_m, worst_rms))


def body_slopes(
    spec: GridSpec, mean_m: Grid, sigma_m: Grid, window_m: float
) -> tuple[Grid, Grid, Grid]:
    """Rise over run along x and y of the body-size plane about each cell, and their sigma.

    Plain least squares: a body tilts on whatever is under it. The sigma has two parts: the
    elevations' own, and, for the share of the window that is not seen, the relief of what is.
    NaN where less than a quarter of the window is seen.
    """
    cell_m = spec.cell_m * _COARSE
    z, known = _coarsen(mean_m)
    noise = np.nan_to_num(_coarsen(sigma_m)[0])
    size = (_window_cells(window_m, cell_m),) * 2
    planes = window_planes(z, known, cell_m, window_m)
    window_cells = (window_m / cell_m) ** 2
    enough = planes.weight >= _MIN_WINDOW_SHARE * window_cells
    seen = np.maximum(planes.weight, 1)
    variance = cv2.boxFilter(noise**2, cv2.CV_64F, size, normalize=False,
                             borderType=cv2.BORDER_CONSTANT) / seen
    variance = np.maximum(variance, 0)  # the running sums of a box filter round
    missing = np.clip(1 - planes.weight / window_cells, 0, 1)
    scatter = np.sqrt(variance / np.maximum(seen / _CELLS_A_WINDOW, 1)
                      + (missing * planes.rms_m) ** 2)
    sigma = scatter / (window_m / math.sqrt(12))
    layers = (planes.slope_x, planes.slope_y, sigma)
    a, b, s = (_refine(np.where(enough, layer, np.nan), spec.shape) for layer in layers)
    return a, b, s


def _coarsen(values: Grid) -> tuple[Grid, Grid]:
    """Mean of the known values of each block, and 1 where there is any (else 0)."""
    rows, columns = (n // _COARSE for n in values.shape)
    count, total = np.zeros((2, rows, columns))
    for i, j in np.ndindex(_COARSE, _COARSE):
        part = values[i: rows * _COARSE: _COARSE, j: columns * _COARSE: _COARSE]
        known = np.isfinite(part)
        count += known
        total += np.where(known, part, 0.0)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return mean, (count > 0).astype(np.float64)


def _refine(values: Grid, shape: tuple[int, int]) -> Grid:
    """Back to the fine grid, linear between block centres; NaN wherever a neighbour is NaN."""
    rows = (np.arange(shape[0]) + 0.5) / _COARSE - 0.5
    columns = (np.arange(shape[1]) + 0.5) / _COARSE - 0.5
    map_x, map_y = np.meshgrid(columns.astype(np.float32), rows.astype(np.float32))
    return np.asarray(cv2.remap(values, map_x, map_y, cv2.INTER_LINEAR,
                                borderMode=cv2.BORDER_REPLICATE), dtype=np.float64)
