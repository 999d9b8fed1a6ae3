"""What the sight lines say of the cells that were not seen.

A sight line that ends on matched ground crosses the space before it: nothing stands there, or
it would have been seen. So over every cell the lowest such line is a ceiling for whatever may
be there, from the left camera as from the right: what is matched was seen by both. A thing that
matters has some width, so the ceiling over a gap between sight lines that is narrower does not
count.

A cell is *behind* something where a line of either camera to nearer ground passes over the place
where its ground should be: then something that stands above the ground, and was seen, is why the
cell was not. A cell that nothing of the kind explains may be unseen because it lies deep: the
pixel that should see its ground sees something farther (hidden below a near lip), or nothing
(blank). The verdict treats the two differently.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.depth import PointMap
from hazcam.disparity.record import Blank
from hazcam.frames import Floats, Pose
from hazcam.rectification import CommonView, RectifiedCamera
from hazcam.terrain import kernels
from hazcam.terrain.record import CellState, Grid, GridSpec

# Pixels from the rim of the valid area within which ground is not counted as in view: room for
# the matching window and for ground a little higher or lower than the plane of the feet.
VIEW_RIM_PX = 12
_AZIMUTH_STEP_DEG = 0.25
# A line is taken to end this many sigma nearer than measured.
_SIGMAS_NEARER = 2.0
# Least width of a thing that matters: that of a foot. Our own choice; a thinner spike may hide.
THING_WIDTH_M = 0.02
# What hides the ground behind it is at least three bins wide (9 mm at 0.7 m): one bad match is not.
_CREST_BINS = 1


@dataclass(frozen=True, kw_only=True, eq=False)
class SightBounds:
    """What the sight lines of both cameras leave possible; arrays of shape ``spec.shape``.

    ``ceiling_m``: highest elevation that anything there can have [m], +inf where no line crossed.
    ``behind``: does the cell lie behind something seen, for either camera?
    """

    ceiling_m: Grid
    behind: NDArray[np.bool_]


def sight_bounds(points: PointMap, spec: GridSpec, ground_m: Grid) -> SightBounds:
    """Bounds from the sight lines of all matched pixels, from both cameras.

    Parameters
    ----------
    ground_m : ndarray
        Elevation of the local ground. [m] NaN where it is not known: such a cell is behind nothing.
    """
    share = _nearest_share(points)
    ceiling = np.full(spec.shape, np.inf)
    behind = np.zeros(spec.shape, dtype=bool)
    rings = round(np.hypot(spec.ahead_m, spec.side_m) / spec.cell_m) + 2
    lowest, highest = np.empty((2, rings, round(360 / _AZIMUTH_STEP_DEG)))
    level = points.points_level_m
    for eye in eyes_m(points):
        held = kernels.sort_lines(level, share, eye, _turn(level[..., 0], level[..., 1], eye),
                                  spec.cell_m, lowest, highest)
        kernels.room_under(lowest, held, np.radians(_AZIMUTH_STEP_DEG), spec.cell_m, THING_WIDTH_M)
        kernels.under_lines(lowest, highest, held, eye, _turn(spec.x_m[:, None], spec.y_m, eye),
                            np.asarray(ground_m), (spec.cell_m, spec.side_m), _CREST_BINS, ceiling,
                            behind)
    return SightBounds(ceiling_m=ceiling, behind=behind)


def _turn(x_m: NDArray[np.floating], y_m: NDArray[np.floating], eye_m: Floats) -> Floats:
    """Azimuth of places about an eye, from straight back, in steps. numpy's is the fast arctan2."""
    angle = np.arctan2(y_m - eye_m[1], x_m - eye_m[0])
    angle += np.pi
    angle /= np.radians(_AZIMUTH_STEP_DEG)
    return np.asarray(angle, dtype=np.float64)


def eyes_m(points: PointMap) -> tuple[Floats, Floats]:
    """Left and right camera in the level frame. [m]"""
    left = points.T_level_camera
    return left.t, left.apply(np.array([points.camera.baseline_m, 0.0, 0.0]))


def _nearest_share(points: PointMap) -> NDArray[np.float32]:
    """Where a sight line is taken to end, as a share of its measured length, shape (H, W).

    Two sigma nearer, and no farther than the nearest of the neighbouring pixels: one bad match
    must not sweep an obstacle away.
    """
    safe = points.depth_m - np.float32(_SIGMAS_NEARER) * points.sigma_z_m
    nearest = cv2.erode(np.where(np.isfinite(safe), safe, np.float32(np.inf)),
                        np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.clip(nearest / points.depth_m, 0.0, 1.0), dtype=np.float32)


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
    x, y = np.broadcast_arrays(x_m, y_m)
    u, v, z = _pixels_of(T_rover_camera, seen.camera, x, y, np.zeros(x.shape))
    d = seen.camera.focal_px * seen.camera.baseline_m / np.maximum(z, 1e-3) - seen.camera.offset_px
    result = z > 1e-3
    for valid, column in ((seen.valid_left, u), (seen.valid_right, u - d)):
        inside, at = _pixel_at(column, v, valid.shape)
        result &= inside & _without_rim(valid)[at]
    return np.asarray(result)


def _pixels_of(
    T_frame_camera: Pose, camera: RectifiedCamera, x_m: Floats, y_m: Floats, z_m: Floats
) -> Floats:
    """Column, row [px] and depth [m] of places in the left picture, shape (3, ...)."""
    pixels = np.empty((3, x_m.size))
    inverse = T_frame_camera.inverse()
    kernels.pixels_of(x_m.ravel(), y_m.ravel(), z_m.ravel(), inverse.R, inverse.t,
                      (camera.focal_px, camera.cx, camera.cy), pixels)
    return pixels.reshape(3, *x_m.shape)


def _pixel_at(
    u: Floats, v: Floats, shape: tuple[int, ...]
) -> tuple[NDArray[np.bool_], tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Do places lie in a picture, and at which row and column; some pixel for those that do not."""
    column, row = np.rint(u), np.rint(v)
    inside = (column >= 0) & (column < shape[1]) & (row >= 0) & (row < shape[0])
    return inside, (np.where(inside, row, 0).astype(np.intp),
                    np.where(inside, column, 0).astype(np.intp))


def _without_rim(valid: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels such that all four ``VIEW_RIM_PX`` away along both axes are valid."""
    rim = VIEW_RIM_PX
    inner = np.zeros_like(valid)
    beside = valid[:, : -2 * rim] & valid[:, 2 * rim:]
    inner[rim:-rim, rim:-rim] = beside[: -2 * rim] & beside[2 * rim:]
    return inner


def classify(
    seen: NDArray[np.bool_], in_view: NDArray[np.bool_], behind: NDArray[np.bool_],
    blank: NDArray[np.uint8], ground_m: Grid,
) -> NDArray[np.uint8]:
    """``CellState`` of each cell.

    Hidden is what lies behind something seen, and what the pixel that looks at where the ground
    should be sees past: it is matched elsewhere, so the cell lies below its line, in a hollow
    behind its near lip.
    """
    state = np.full(seen.shape, CellState.BLANK, dtype=np.uint8)
    state[behind | (np.isfinite(ground_m) & (blank == Blank.MATCHED))] = CellState.HIDDEN
    state[~in_view] = CellState.OUTSIDE
    state[seen] = CellState.SEEN
    return state


@dataclass(frozen=True, kw_only=True, eq=False)
class Looks:
    """The pixel that looks at each cell's ground; arrays of shape ``spec.shape``.

    ``blank``: its ``Blank``, ``EDGE`` outside the picture. ``sunk_m``: how far below the local
    ground the point that it is matched to lies [m]; 0 where it is not matched or no lower, +inf
    where the ground there is not known.
    """

    blank: NDArray[np.uint8]
    sunk_m: Grid


def look_at(points: PointMap, spec: GridSpec, ground_m: Grid) -> Looks:
    """Look at each cell's ground with the pixel that should see it."""
    x, y = np.broadcast_arrays(spec.x_m[:, None], spec.y_m)
    u, v, z = _pixels_of(points.T_level_camera, points.camera, x, y, np.nan_to_num(ground_m))
    inside, at = _pixel_at(u, v, points.blank.shape)
    inside &= z > 0
    blank = np.where(inside, points.blank[at], np.uint8(Blank.EDGE)).astype(np.uint8)
    matched = blank == Blank.MATCHED
    met = points.points_level_m[at][matched].astype(np.float64)
    sunk = np.zeros(spec.shape)
    sunk[matched] = np.maximum(_ground_at(spec, ground_m, met[:, 0], met[:, 1]) - met[:, 2], 0.0)
    return Looks(blank=blank, sunk_m=sunk)


def _ground_at(spec: GridSpec, ground_m: Grid, x_m: Floats, y_m: Floats) -> Floats:
    """Local ground at some places; +inf off the grid and where it is not known. [m]"""
    rows, columns = spec.cells(x_m, y_m)
    height, width = spec.shape
    inside = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    ground = ground_m[np.where(inside, rows, 0), np.where(inside, columns, 0)]
    return np.where(inside & np.isfinite(ground), ground, np.inf)
