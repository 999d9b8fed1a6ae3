"""Points and disparity of an assessment as files of the trade: PLY and PFM.

References
----------
PLY: G. Turk, "The PLY polygon file format," Stanford University, 1994 (from memory). PFM: P.
Debevec, "PFM portable float map image format" (from memory); that a pixel without disparity is
+infinity is common practice of stereo data sets, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hazcam.depth import PointMap
from hazcam.disparity import DisparityMap
from hazcam.rectification import RectifiedPair
from hazcam.terrain import GridSpec

_VERTEX = np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("sigma_z", "<f4"), ("grey", "u1")])
_ZZ = 5  # of the six entries of a covariance


def points_ply(points: PointMap, rectified: RectifiedPair, grid: GridSpec) -> bytes:
    """The points over a grid as binary little-endian PLY, row by row of the rectified picture.

    ``x``, ``y``, ``z`` in the level frame; ``sigma_z`` is one standard deviation of ``z`` from the
    matching alone. [m] ``grey`` is the left picture there, 0 to 255. Pixels without a point are
    left out; and so are points beyond the grid, of which the terrain knows nothing either, and
    whose ``sigma_z`` may be kilometres: a comment says how many.
    """
    shown = _over(grid, points)
    left_out = int(np.isfinite(points.depth_m).sum() - shown.sum())
    vertices = np.empty(int(shown.sum()), dtype=_VERTEX)
    for axis, name in enumerate("xyz"):
        vertices[name] = points.points_level_m[shown][:, axis]
    vertices["sigma_z"] = np.sqrt(points.covariance_level_m2[shown][:, _ZZ])
    vertices["grey"] = np.clip(np.rint(rectified.left[shown]), 0, 255)
    head = ("ply\nformat binary_little_endian 1.0\n"
            "comment level frame of the rover: x forward, y left, z up; metres\n"
            "comment sigma_z: one standard deviation of z, from the matching alone\n"
            f"comment left out: {left_out} points beyond the grid of the map, x from 0 to "
            f"{grid.ahead_m:g}, y from {-grid.side_m:g} to {grid.side_m:g}\n"
            f"element vertex {vertices.size}\nproperty float x\nproperty float y\n"
            "property float z\nproperty float sigma_z\nproperty uchar grey\nend_header\n")
    return head.encode("ascii") + vertices.tobytes()


def _over(grid: GridSpec, points: PointMap) -> NDArray[np.bool_]:
    """Where there is a point, and it lies over or under a cell of the grid."""
    shown = np.isfinite(points.depth_m)
    row, column = grid.cells(*points.points_level_m[shown][:, :2].T)
    rows, columns = grid.shape
    shown[shown] = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    return shown


def disparity_pfm(disparity: DisparityMap) -> bytes:
    """The disparity of the rectified left picture as little-endian PFM; +inf where there is none.

    As the form has it, the bottom row comes first. [px]
    """
    values = disparity.disparity_px
    height, width = values.shape
    head = f"Pf\n{width} {height}\n-1.0\n".encode("ascii")
    return head + np.where(np.isnan(values), np.inf, values)[::-1].astype("<f4").tobytes()
