"""From points to cells: the elevation grid, and which cells one continuous surface covers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hazcam.depth import PointMap
from hazcam.terrain import kernels
from hazcam.terrain.record import Grid, GridSpec

# Two pixels, one above the other, lie on one surface if their points are no farther apart
# along the ground than this many times the spacing of picture rows on flat ground there, plus
# a cell. A thing whose top hides more than that behind it is an edge.
_MAX_ROW_SPACINGS = 2.5


@dataclass(frozen=True, kw_only=True, eq=False)
class Surface:
    """Elevation of the seen cells; arrays of shape ``spec.shape``, NaN (count 0) elsewhere. [m]"""

    mean_m: Grid
    highest_m: Grid
    lowest_m: Grid
    sigma_m: Grid
    count: NDArray[np.int32]


def fuse(points: PointMap, spec: GridSpec) -> Surface:
    """Fuse the points of each cell.

    The mean is weighted by 1 / variance. Neighbouring pixels share a matching window, so their
    errors do not average out: the sigma of a cell is the root mean variance of its points.
    """
    sums = np.zeros((*spec.shape, 7))
    sums[..., kernels.HIGHEST] = -np.inf
    sums[..., kernels.LOWEST] = np.inf
    kernels.fuse_surface(
        points.points_level_m, points.covariance_level_m2[..., 5], joined_rows(points, spec),
        sums, spec.cell_m, spec.side_m,
    )
    seen = sums[..., kernels.SAMPLES] > 0
    samples = np.where(seen, sums[..., kernels.SAMPLES], np.nan)
    weight = np.where(seen, sums[..., kernels.WEIGHT], np.nan)
    return Surface(
        mean_m=sums[..., kernels.WEIGHTED_Z] / weight,
        highest_m=np.where(seen, sums[..., kernels.HIGHEST], np.nan),
        lowest_m=np.where(seen, sums[..., kernels.LOWEST], np.nan),
        sigma_m=np.sqrt(sums[..., kernels.VARIANCE] / samples),
        count=sums[..., kernels.COUNT].astype(np.int32),
    )


def joined_rows(points: PointMap, spec: GridSpec) -> NDArray[np.bool_]:
    """Is each pixel on one surface with the pixel above it? Shape (H, W).

    On flat ground seen from height H at distance r, neighbouring rows are r² / (f H) apart.
    """
    xy = points.points_level_m[..., :2].astype(np.float64)
    camera_height_m = max(float(points.T_rover_camera.t[2]), 1e-3)
    position = points.T_level_camera.t[:2]
    distance = np.hypot(xy[..., 0] - position[0], xy[..., 1] - position[1])
    spacing = distance**2 / (points.camera.focal_px * camera_height_m)
    apart = np.full(distance.shape, np.inf)
    apart[1:] = np.hypot(*np.moveaxis(xy[1:] - xy[:-1], -1, 0))
    with np.errstate(invalid="ignore"):
        return np.asarray(apart <= _MAX_ROW_SPACINGS * spacing + spec.cell_m)
