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
    # On flat ground seen from height H at distance r, neighbouring rows are r² / (f H) apart.
    height_m = max(float(points.T_rover_camera.t[2]), 1e-3)
    kernels.fuse_surface(
        points.points_level_m, points.covariance_level_m2[..., 5], points.T_level_camera.t,
        _MAX_ROW_SPACINGS / (points.camera.focal_px * height_m), sums, spec.cell_m, spec.side_m,
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
