"""What the sight lines say of the cells that were not seen.

A sight line that ends on matched ground crosses the space before it: nothing stands there, or
it would have been seen. So over every cell the lowest such line is a ceiling for whatever may
be there. A cell whose ground lies below a nearer sight line's slope is hidden; any other that
the cameras look at is blank.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.depth import PointMap
from hazcam.disparity.record import Blank
from hazcam.frames import Floats, Pose
from hazcam.rectification import CommonView
from hazcam.terrain.record import CellState, Grid, GridSpec

# Pixels from the rim of the valid area within which ground is not counted as in view: room for
# the matching window and for ground a little higher or lower than the plane of the feet.
VIEW_RIM_PX = 12
_AZIMUTH_STEP_DEG = 0.25
# A line is taken to end this many sigma nearer than measured.
_SIGMAS_NEARER = 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class SightLines:
    """Slopes (rise over run) of the matched sight lines, by azimuth and distance.

    ``lowest_beyond[a, k]``: of the lines of azimuth bin ``a`` that end farther than ring ``k``;
    +inf if none. ``highest_before[a, k]``: of those that end nearer than ring ``k``; -inf if
    none.
    """

    lowest_beyond: Floats
    highest_before: Floats
    ring_m: float
    camera_m: Floats


def trace(points: PointMap, spec: GridSpec) -> SightLines:
    """Sort the sight lines of all matched pixels by azimuth and distance."""
    camera_m = points.T_level_camera.t
    known = np.isfinite(points.depth_m)
    offset = points.points_level_m[known].astype(np.float64) - camera_m
    distance = np.hypot(offset[:, 0], offset[:, 1])
    nearer = distance * _nearest_share(points)[known]
    slope = offset[:, 2] / np.maximum(distance, 1e-6)
    azimuth = _azimuth_bin(offset[:, 0], offset[:, 1])
    rings = round(np.hypot(spec.ahead_m, spec.side_m) / spec.cell_m) + 2
    lowest = np.full((_azimuth_bins(), rings), np.inf)
    highest = np.full((_azimuth_bins(), rings), -np.inf)
    ring_near = np.clip((nearer / spec.cell_m).astype(np.intp), 0, rings - 1)
    ring = np.clip((distance / spec.cell_m).astype(np.intp), 0, rings - 1)
    np.minimum.at(lowest, (azimuth, ring_near), slope)
    np.maximum.at(highest, (azimuth, ring), slope)
    lowest = np.minimum.accumulate(lowest[:, ::-1], axis=1)[:, ::-1]
    highest = np.maximum.accumulate(highest, axis=1)
    return SightLines(
        lowest_beyond=_shift(lowest, -1, np.inf), highest_before=_shift(highest, 1, -np.inf),
        ring_m=spec.cell_m, camera_m=camera_m,
    )


def _nearest_share(points: PointMap) -> Floats:
    """Where a sight line is taken to end, as a share of its measured length, shape (H, W).

    Two sigma nearer, and no farther than the nearest of the neighbouring pixels: one bad match
    must not sweep an obstacle away.
    """
    depth = points.depth_m.astype(np.float64)
    safe = np.where(np.isfinite(depth), depth - _SIGMAS_NEARER * points.sigma_z_m, np.inf)
    nearest = cv2.erode(safe, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.clip(nearest / depth, 0.0, 1.0))


def _shift(values: Floats, by: int, fill: float) -> Floats:
    """Move the rings by one: strictly beyond, strictly before."""
    shifted = np.full_like(values, fill)
    if by < 0:
        shifted[:, :by] = values[:, -by:]
    else:
        shifted[:, by:] = values[:, :-by]
    return shifted


def _azimuth_bins() -> int:
    return round(360 / _AZIMUTH_STEP_DEG)


def _azimuth_bin(x: Floats, y: Floats) -> NDArray[np.intp]:
    turns = (np.degrees(np.arctan2(y, x)) + 180) / _AZIMUTH_STEP_DEG
    return np.floor(turns).astype(np.intp) % _azimuth_bins()


def ceiling_of(lines: SightLines, spec: GridSpec) -> Grid:
    """Highest elevation that anything in each cell can have. [m] +inf: no line crossed.

    A near cell spans several azimuth bins: its ceiling is the highest of those of its middle
    and its two sides.
    """
    x, y, distance, ring = _polar(lines, spec)
    half = spec.cell_m / 2
    ceiling = np.full(spec.shape, -np.inf)
    for side in (-half, 0.0, half):
        across_x, across_y = -y / distance * side, x / distance * side
        azimuth = _azimuth_bin(x + across_x, y + across_y)
        ceiling = np.maximum(ceiling, lines.lowest_beyond[azimuth, ring])
    return np.asarray(lines.camera_m[2] + ceiling * distance)


def hidden_cells(
    lines: SightLines, spec: GridSpec, ground_m: Grid, blank: NDArray[np.uint8]
) -> NDArray[np.bool_]:
    """Cells that lie behind something seen, shape ``spec.shape``.

    Either a nearer sight line is steeper than the one to the cell's ground, or the pixel that
    looks at where that ground should be is matched elsewhere: the cell lies below the line, in
    a hollow behind its near lip.

    Parameters
    ----------
    ground_m : ndarray
        Elevation of the local ground. [m] NaN where it is not known: such a cell is not hidden.
    blank : ndarray
        ``Blank`` of the pixel that looks at the cell's ground, from ``blank_at``.
    """
    x, y, distance, ring = _polar(lines, spec)
    slope = (ground_m - lines.camera_m[2]) / distance
    before = lines.highest_before[_azimuth_bin(x, y), ring]
    behind = np.nan_to_num(slope, nan=np.inf) < before
    return np.asarray(behind | (np.isfinite(ground_m) & (blank == Blank.MATCHED)))


def _polar(
    lines: SightLines, spec: GridSpec
) -> tuple[Floats, Floats, Floats, NDArray[np.intp]]:
    """x, y [m], distance [m] and ring of each cell's centre, from below the camera."""
    x, y = np.meshgrid(spec.x_m - lines.camera_m[0], spec.y_m - lines.camera_m[1], indexing="ij")
    distance = np.maximum(np.hypot(x, y), spec.cell_m)
    ring = np.clip((distance / lines.ring_m).astype(np.intp), 0,
                   lines.lowest_beyond.shape[1] - 1)
    return x, y, distance, ring


def in_both_pictures(
    seen: CommonView, T_rover_camera: Pose, x_m: Floats, y_m: Floats
) -> NDArray[np.bool_]:
    """Would flat ground there, in the plane of the feet, lie in both pictures?

    From the rig, its mount and the place alone, never from what was matched. Heights differ
    from that plane by centimetres: the rim ``VIEW_RIM_PX`` leaves room for it. The attitude
    plays no part either: at a tilt of 10 degrees places in the level frame are 1.5 % nearer.

    Parameters
    ----------
    seen : CommonView
        What the rig sees.
    T_rover_camera : Pose
        Rectified left camera to rover frame.
    x_m, y_m : ndarray
        Places in the plane of the feet, from the rover origin. [m]
    """
    camera = seen.camera
    places = np.stack(np.broadcast_arrays(x_m, y_m, 0.0), axis=-1)
    in_camera = T_rover_camera.inverse().apply(places)
    z = in_camera[..., 2]
    ahead = z > 1e-3
    z = np.where(ahead, z, 1.0)
    u = camera.focal_px * in_camera[..., 0] / z + camera.cx
    v = camera.focal_px * in_camera[..., 1] / z + camera.cy
    d = camera.focal_px * camera.baseline_m / z - camera.offset_px
    return ahead & _valid_at(seen.valid_left, u, v) & _valid_at(seen.valid_right, u - d, v)


def _valid_at(valid: NDArray[np.bool_], u: Floats, v: Floats) -> NDArray[np.bool_]:
    """Is the pixel, and are those ``VIEW_RIM_PX`` to each side of it, valid?"""
    height, width = valid.shape
    result = np.ones(u.shape, dtype=bool)
    for du in (-VIEW_RIM_PX, VIEW_RIM_PX):
        for dv in (-VIEW_RIM_PX, VIEW_RIM_PX):
            column, row = np.rint(u + du), np.rint(v + dv)
            inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
            at = (np.where(inside, row, 0).astype(np.intp),
                  np.where(inside, column, 0).astype(np.intp))
            result &= inside & valid[at]
    return result


def classify(
    seen: NDArray[np.bool_], in_view: NDArray[np.bool_], hidden: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    """``CellState`` of each cell."""
    state = np.full(seen.shape, CellState.BLANK, dtype=np.uint8)
    state[hidden] = CellState.HIDDEN
    state[~in_view] = CellState.OUTSIDE
    state[seen] = CellState.SEEN
    return state


def blank_at(points: PointMap, spec: GridSpec, ground_m: Grid) -> NDArray[np.uint8]:
    """``Blank`` of the pixel that looks at each cell's ground; ``EDGE`` outside the picture."""
    x, y = np.meshgrid(spec.x_m, spec.y_m, indexing="ij")
    places = np.stack([x, y, np.nan_to_num(ground_m)], axis=-1)
    in_camera = points.T_level_camera.inverse().apply(places)
    z = np.maximum(in_camera[..., 2], 1e-3)
    u = np.rint(points.camera.focal_px * in_camera[..., 0] / z + points.camera.cx)
    v = np.rint(points.camera.focal_px * in_camera[..., 1] / z + points.camera.cy)
    height, width = points.blank.shape
    inside = (in_camera[..., 2] > 0) & (u >= 0) & (u < width) & (v >= 0) & (v < height)
    at = np.where(inside, v, 0).astype(np.intp), np.where(inside, u, 0).astype(np.intp)
    return np.where(inside, points.blank[at], np.uint8(Blank.EDGE)).astype(np.uint8)
