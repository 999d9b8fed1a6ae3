"""TerrainMap: the ground ahead as a grid, with what was seen, what was not, and what could hide."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hazcam.frames import Floats, View, read_only

HOLE_RANGE_M = 1.5
"""From the rover origin: nearer than this a hole as long as the legs bridge covers three picture
rows of the demonstration rigs, and would be seen as one."""
Grid = NDArray[np.float64]


class CellState(IntEnum):
    """What is known of a cell of ground."""

    SEEN = 0
    HIDDEN = 1  # behind something seen
    BLANK = 2  # looked at, no match
    OUTSIDE = 3  # not in both pictures


@dataclass(frozen=True, kw_only=True)
class GridSpec:
    """A grid on the ground: rows = x forward, columns = y left, from the rover origin.

    Attributes
    ----------
    cell_m : float
        Side of a cell. [m]
    ahead_m : float
        The rows cover x from 0 to here. [m]
    side_m : float
        The columns cover y from -side_m to +side_m. [m]
    """

    cell_m: float = 0.01
    ahead_m: float = 2.5
    side_m: float = 1.5

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return round(self.ahead_m / self.cell_m), round(2 * self.side_m / self.cell_m)

    @property
    def x_m(self) -> Floats:
        """Centres of the rows. [m]"""
        return np.asarray((np.arange(self.shape[0]) + 0.5) * self.cell_m, dtype=np.float64)

    @property
    def y_m(self) -> Floats:
        """Centres of the columns. [m]"""
        y = (np.arange(self.shape[1]) + 0.5) * self.cell_m - self.side_m
        return np.asarray(y, dtype=np.float64)

    def cells(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Row and column of each place; they may lie outside the grid.

        A place on an edge belongs to the cell beyond it, whatever rounding did to it.
        """
        rows = np.floor(np.asarray(x_m) / self.cell_m + 1e-6).astype(np.intp)
        columns = np.floor((np.asarray(y_m) + self.side_m) / self.cell_m + 1e-6).astype(np.intp)
        return rows, columns


@dataclass(frozen=True, kw_only=True)
class GroundPlane:
    """A plane ``z = offset_m + slope_x x + slope_y y`` in the level frame.

    Attributes
    ----------
    offset_m, slope_x, slope_y : float
        Coefficients; slopes as rise over run.
    slope_deg : float
        Steepest slope. [deg]
    rms_m : float
        Root mean square of the vertical residuals of its inliers. [m]
    share : float
        Share of the seen cells that lie on it.
    covariance : tuple of tuple of float
        Of (offset_m, slope_x, slope_y), 3 x 3, without what all cells share.
    """

    offset_m: float
    slope_x: float
    slope_y: float
    rms_m: float
    share: float
    covariance: tuple[tuple[float, ...], ...]

    @property
    def slope_deg(self) -> float:
        """Steepest slope of the plane. [deg]"""
        return float(np.degrees(np.arctan(np.hypot(self.slope_x, self.slope_y))))

    def elevation_m(self, x_m: ArrayLike, y_m: ArrayLike) -> Floats:
        """Elevation of the plane. [m]"""
        x, y = np.asarray(x_m, dtype=np.float64), np.asarray(y_m, dtype=np.float64)
        return self.offset_m + self.slope_x * x + self.slope_y * y


@dataclass(frozen=True, kw_only=True)
class Obstacle:
    """Something that stands above, or lies below, the local ground.

    Attributes
    ----------
    x_m, y_m : float
        Centre of its cells, level frame, from the rover origin. [m]
    height_m, sigma_m : float
        Greatest height above the local ground (negative: depth below it), and one standard
        deviation. [m]
    distance_m, bearing_deg : float
        Of its nearest cell from the rover origin; bearing positive to the left. [m], [deg]
    outline_m : tuple of (float, float)
        Convex outline of its cells, level frame. [m]
    cells : int
        How many cells it covers.
    unseen_share : float
        How much of its outline was not seen: what it hides of itself, and what had no match.
    """

    x_m: float
    y_m: float
    height_m: float
    sigma_m: float
    distance_m: float
    bearing_deg: float
    outline_m: tuple[tuple[float, float], ...]
    cells: int
    unseen_share: float


@dataclass(frozen=True, kw_only=True, eq=False)
class TerrainMap:
    """The ground in the level frame.

    Attributes
    ----------
    spec : GridSpec
        Where the cells are.
    state : ndarray of shape spec.shape, uint8
        ``CellState``.
    mean_m, highest_m, lowest_m : ndarray, float64
        Elevation of the surface in the cell. [m] NaN where not seen.
    sigma_m : ndarray, float64
        One standard deviation of the elevation. [m] NaN where not seen.
    count : ndarray, int32
        Pixels that ended in the cell; a seen cell between two picture rows may have 0.
    ceiling_m : ndarray, float64
        Highest elevation that anything there can have: the lowest sight line that crossed the
        cell and ended on farther ground. [m] +inf where no sight line crossed.
    behind : ndarray, bool
        Does the cell lie behind something seen that stands above the ground? Never where seen.
    sunk_m : ndarray, float64
        For a cell that is hidden, but behind nothing: how far below the local ground the sight line
        over it ends. [m] 0 for every other cell, +inf where the ground there is not known.
    in_view : ndarray, bool
        Would flat ground there lie in both pictures? From rig and mount alone.
    sensor_view : ndarray, bool
        The same for the pictures of the whole sensor: what a window cut off is not the near
        strip.
    blank : ndarray, uint8
        For a cell that is not seen: ``Blank`` of the pixel that looks at its ground.
    ground_m : ndarray, float64
        Elevation of the local ground, small things removed; where too little of it is near, of
        the lowest ground plane. [m] NaN where no ground was found at all.
    ground_sigma_m : ndarray, float64
        One standard deviation of it. [m]
    roughness_m : ndarray, float64
        Root mean square of the surface about the local ground, what stands off it left out. [m]
    slope_x, slope_y : ndarray, float64
        Rise over run of the body-size plane about the cell. NaN where too little is seen.
    slope_sigma : ndarray, float64
        One standard deviation of each of the two, without what all cells share.
    planes : tuple of GroundPlane
        The planes that the ground is made of, largest first.
    obstacles : tuple of Obstacle
        Nearest first.
    view : View
        Attitude, and how well it is known.
    row_angle : float
        Angle between two picture rows. [rad]
    from_previous : ndarray, bool
        Seen by the previous pair of the sequence only; none by default.
    """

    spec: GridSpec
    state: NDArray[np.uint8]
    mean_m: Grid
    highest_m: Grid
    lowest_m: Grid
    sigma_m: Grid
    count: NDArray[np.int32]
    ceiling_m: Grid
    behind: NDArray[np.bool_]
    sunk_m: Grid
    in_view: NDArray[np.bool_]
    sensor_view: NDArray[np.bool_]
    blank: NDArray[np.uint8]
    ground_m: Grid
    ground_sigma_m: Grid
    roughness_m: Grid
    slope_x: Grid
    slope_y: Grid
    slope_sigma: Grid
    planes: tuple[GroundPlane, ...]
    obstacles: tuple[Obstacle, ...]
    view: View
    row_angle: float
    from_previous: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((0, 0), dtype=bool))

    @cached_property
    def camera_x_m(self) -> float:
        """Left camera ahead of the rover origin, level frame. [m]"""
        return float(self.view.T_level_camera.t[0])

    @property
    def camera_height_m(self) -> float:
        """Left camera above the plane of the feet. [m]"""
        return float(self.view.T_rover_camera.t[2])

    def __post_init__(self) -> None:
        if self.from_previous.size == 0:
            object.__setattr__(self, "from_previous", np.zeros(self.spec.shape, dtype=bool))
        names = ("state", "mean_m", "highest_m", "lowest_m", "sigma_m", "count", "ceiling_m",
                 "behind", "sunk_m", "in_view", "sensor_view", "blank", "ground_m",
                 "ground_sigma_m", "roughness_m", "slope_x", "slope_y", "slope_sigma",
                 "from_previous")
        for name in names:
            value = getattr(self, name)
            if value.shape != self.spec.shape:
                raise ValueError(f"{name} of a TerrainMap is {value.shape}, not {self.spec.shape}")
            object.__setattr__(self, name, read_only(value))
        if not np.array_equal(self.state == CellState.SEEN, np.isfinite(self.mean_m)):
            raise ValueError("a cell is SEEN exactly where it has an elevation")
        if np.any(self.from_previous & (self.state != CellState.SEEN)):
            raise ValueError("a cell that the previous pair saw is SEEN")

    @cached_property
    def seen_near_m2(self) -> float:
        """Ground that is seen within ``HOLE_RANGE_M`` of the rover origin. [m²]"""
        near = np.hypot(self.spec.x_m[:, None], self.spec.y_m) <= HOLE_RANGE_M
        cells = np.count_nonzero((self.state == CellState.SEEN) & near)
        return float(cells * self.spec.cell_m**2)

    def state_shares(self) -> dict[str, float]:
        """Share of the cells by state."""
        return {s.name.lower(): float(np.mean(self.state == s)) for s in CellState}
