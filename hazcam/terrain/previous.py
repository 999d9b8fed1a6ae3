"""Ground that the present pair cannot see and the previous one saw, carried over.

The two maps overlap beyond the near strip. Their difference in height over the common cells near
what is to be filled ties the previous map to the present level frame: an offset (from the median
on), and the tilt that the two attitudes' sigma allow between the level frames. The stated move
says which cell is which. Where the overlap is too small, or the two maps disagree over it, nothing
is carried over, and the reason is kept.

What is carried over is uncertain by: its own sigma, or the spread of the two maps where that is
larger; the sigma of the tie at that place; the slope times how well the move is known. Where things
stand is uncertain too: the highest and the lowest are those of all cells within two sigma of the
move. The ground is taken as unchanged in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from hazcam.imagery.previous import PlanarMove
from hazcam.terrain.carried import moved_obstacle
from hazcam.terrain.record import CellState, Grid, GridSpec, Obstacle, TerrainMap
from hazcam.terrain.tie import Tie, fit_tie

# Common ground this near to what is filled ties the two maps. Our own choice, as is the next.
TIE_REACH_M = 0.5
MIN_OVERLAP_M2 = 0.05
# A quarter of the step limit of small legs.
MAX_SPREAD_M = 0.010
_SIGMAS = 2.0  # of the move, within which things may stand elsewhere
_SIGMAS_REFUSED = 3.0  # between the stated and the measured height

Mask = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class EitherView:
    """Cells that lie in both pictures of this pair, or that this or the previous pair saw."""

    spec: GridSpec
    sensor_view: Mask


def in_either_view(terrain: TerrainMap) -> EitherView:
    """What is no near strip once the previous pair is counted; without it, what is in view."""
    view = terrain.sensor_view
    if terrain.from_previous.any():
        # Ground at the rim, a little higher or lower than is counted as in view.
        view = view | (terrain.state == CellState.SEEN)
    return EitherView(spec=terrain.spec, sensor_view=view)


@dataclass(frozen=True, kw_only=True, eq=False)
class PreviousGround:
    """What the previous pair saw, and how the rover moved since.

    Attributes
    ----------
    id : str
        Name of the previous pair.
    terrain : TerrainMap
        Its ground, in its level frame.
    move : PlanarMove
        From there to here.
    pair_digest, rig_digest : str
        Of its pictures and of its rig.
    """

    id: str
    terrain: TerrainMap
    move: PlanarMove
    pair_digest: str
    rig_digest: str


@dataclass(frozen=True, kw_only=True, eq=False)
class CarriedOver:
    """The present ground with what the previous pair saw, or why there is none of it.

    Attributes
    ----------
    previous : PreviousGround
        What was offered.
    terrain : TerrainMap
        The present map; cells out of its view that the previous pair saw are ``SEEN`` and
        ``from_previous``, and obstacles about there are added. No other cell is changed.
    refused : str
        Why nothing was carried over; empty where it was.
    cells : int
        How many cells were carried over.
    offset_m, offset_sigma_m : float
        What was added to previous elevations at the middle of the common ground, and one standard
        deviation of it. [m] NaN where not known.
    tilt_deg : float
        By how much the previous map was tilted, in all. [deg]
    spread_m : float
        By how much the two maps differ about that, robustly, one standard deviation. [m]
    overlap_m2 : float
        Common ground that tied them. [m²]
    """

    previous: PreviousGround
    terrain: TerrainMap
    refused: str = ""
    cells: int = 0
    offset_m: float = float("nan")
    offset_sigma_m: float = float("nan")
    tilt_deg: float = float("nan")
    spread_m: float = float("nan")
    overlap_m2: float = 0.0

    @property
    def text(self) -> str:
        """What came of it, in words."""
        if self.refused:
            return f"{self.previous.id} not used: {self.refused}"
        area_m2 = self.cells * self.terrain.spec.cell_m**2
        offset_m = round(self.offset_m, 4) + 0.0  # no minus before a 0
        return (f"{self.previous.id} saw {area_m2:.2f} m² of the ground that is out of view now; "
                f"tied by {self.overlap_m2:.2f} m² of common ground: moved up by "
                f"{offset_m:.4f} ± {self.offset_sigma_m:.4f} m, tilted by "
                f"{self.tilt_deg:.2f}°, a spread of {self.spread_m:.4f} m remains")


class _RefusedError(Exception):
    """Why the previous ground cannot be used."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Lookup:
    """For each present cell the previous cell below its centre; shape of the present grid."""

    cells: tuple[NDArray[np.intp], NDArray[np.intp]]
    inside: Mask

    def take(self, layer: Grid) -> Grid:
        """Values of a previous layer at the present cells; NaN beyond the previous grid."""
        rows, columns = (np.where(self.inside, c, 0) for c in self.cells)
        return np.where(self.inside, layer[rows, columns], np.nan)


def carry_over(terrain: TerrainMap, previous: PreviousGround) -> CarriedOver:
    """Fill what is out of view with what the previous pair saw there.

    Parameters
    ----------
    terrain : TerrainMap
        The present ground.
    previous : PreviousGround
        The ground that was seen before, and the move.

    Returns
    -------
    CarriedOver
        With the reason, and nothing filled, where the maps cannot be tied. What the previous pair
        looked at and did not see, hidden or blank, is no near strip to be assumed clear either way.
    """
    lookup = _lookup(terrain, previous)
    terrain = _less_to_assume(terrain, previous, lookup)
    seen_before = np.isfinite(lookup.take(previous.terrain.mean_m))
    wanted = (terrain.state == CellState.OUTSIDE) & seen_before
    try:
        tie = _tie(terrain, previous, lookup, wanted)
        filled = _filled(terrain, previous, lookup, wanted, tie)
    except _RefusedError as reason:
        return CarriedOver(previous=previous, terrain=terrain, refused=str(reason))
    return CarriedOver(
        previous=previous, terrain=filled,
        cells=int(np.count_nonzero(wanted)), offset_m=float(tie.parameters[0]),
        offset_sigma_m=float(np.sqrt(tie.covariance[0, 0])),
        tilt_deg=math.degrees(math.hypot(*tie.parameters[1:])), spread_m=tie.spread_m,
        overlap_m2=tie.overlap_m2,
    )


def _less_to_assume(
    terrain: TerrainMap, previous: PreviousGround, lookup: _Lookup
) -> TerrainMap:
    missed = (terrain.state == CellState.OUTSIDE) & np.isin(
        lookup.take(previous.terrain.state.astype(np.float64)),
        (CellState.HIDDEN, CellState.BLANK))
    return replace(terrain, sensor_view=terrain.sensor_view | missed) if missed.any() else terrain


def _lookup(terrain: TerrainMap, previous: PreviousGround) -> _Lookup:
    x, y = np.meshgrid(terrain.spec.x_m, terrain.spec.y_m, indexing="ij")
    rows, columns = previous.terrain.spec.cells(*previous.move.to_previous(x, y))
    height, width = previous.terrain.spec.shape
    inside = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    return _Lookup(cells=(rows, columns), inside=inside)


def _tie(
    terrain: TerrainMap, previous: PreviousGround, lookup: _Lookup, wanted: Mask
) -> Tie:
    """The difference in height of the common ground near what is wanted."""
    for view, which in ((previous.terrain.view, "previous"), (terrain.view, "present")):
        if view.tilt_bound_deg > 0:
            raise _RefusedError(f"the attitude of the {which} pair is not known")
    if not wanted.any():
        raise _RefusedError("it saw no ground that is out of view now")
    difference = terrain.mean_m - lookup.take(previous.terrain.mean_m)
    near = ndimage.distance_transform_edt(~wanted) * terrain.spec.cell_m <= TIE_REACH_M
    common = np.isfinite(difference) & near
    area_m2 = float(np.count_nonzero(common)) * terrain.spec.cell_m**2
    if area_m2 < MIN_OVERLAP_M2:
        raise _RefusedError(f"only {area_m2:.3f} m² of ground is seen by both pairs within "
                            f"{TIE_REACH_M:g} m of it, {MIN_OVERLAP_M2:g} m² are needed")
    x, y = np.meshgrid(terrain.spec.x_m, terrain.spec.y_m, indexing="ij")
    tie = fit_tie(np.stack([x[common], y[common]], axis=-1), difference[common],
                   terrain.spec.cell_m, _tilt_sigma(terrain, previous))
    if tie.spread_m > MAX_SPREAD_M:
        raise _RefusedError(f"over the common ground the two maps differ by {tie.spread_m:.3f} m "
                            f"about their offset (limit {MAX_SPREAD_M:.3f} m): is the pose right?")
    _check_height(tie, previous.move, _tilt_sigma(terrain, previous))
    return tie


def _check_height(tie: Tie, move: PlanarMove, tilt_sigma: float) -> None:
    """Refuse a measured offset that the stated height does not allow."""
    if move.sigma_z_m is None:
        return
    measured = float(tie.at(0.0, 0.0))
    # The previous level frame is tilted about its own origin.
    tilted = tilt_sigma * math.hypot(move.x_m, move.y_m)
    sigma = math.hypot(move.sigma_z_m, float(tie.sigma_at(0.0, 0.0)), tilted)
    if abs(measured + move.z_m) > _SIGMAS_REFUSED * sigma:
        raise _RefusedError(
            f"by the common ground the rover stands {-measured:+.3f} m higher than before, the "
            f"stated pose says {move.z_m:+.3f} m (sigma of the difference {sigma:.3f} m)")


def _tilt_sigma(terrain: TerrainMap, previous: PreviousGround) -> float:
    """Of the tilt between the two level frames. [rad]"""
    return math.radians(math.hypot(terrain.view.tilt_sigma_deg,
                                   previous.terrain.view.tilt_sigma_deg))


def _filled(
    terrain: TerrainMap, previous: PreviousGround, lookup: _Lookup, wanted: Mask, tie: Tie
) -> TerrainMap:
    before, move = previous.terrain, previous.move
    x, y = np.meshgrid(terrain.spec.x_m, terrain.spec.y_m, indexing="ij")
    move_sigma_m = move.horizontal_sigma_m(float(np.hypot(x, y)[wanted].max()))
    highest, lowest = _extremes(before, move_sigma_m)
    slope_x, slope_y = move.turned_to_present(lookup.take(before.slope_x),
                                              lookup.take(before.slope_y))
    slope = np.hypot(slope_x, slope_y)
    if not np.isfinite(slope[wanted]).any():
        raise _RefusedError("the slope of the ground that it saw is not known")
    # Where it is not known, the steepest of what is carried over.
    slope = np.where(np.isfinite(slope), slope, np.nanmax(slope[wanted]))
    own = np.maximum(lookup.take(before.sigma_m), tie.spread_m)
    sigma = np.sqrt(own**2 + tie.sigma_at(x, y)**2 + (slope * move_sigma_m)**2)
    offset, tilt = tie.at(x, y), tie.parameters[1:]
    tilt_variance = float(np.diag(tie.covariance)[1:].max())
    layers: dict[str, Any] = {
        "mean_m": lookup.take(before.mean_m) + offset,
        "highest_m": lookup.take(highest) + offset,
        "lowest_m": lookup.take(lowest) + offset,
        "sigma_m": sigma,
        "ground_m": lookup.take(before.ground_m) + offset,
        "ground_sigma_m": lookup.take(before.ground_sigma_m),
        "roughness_m": lookup.take(before.roughness_m),
        "slope_x": slope_x + tilt[0], "slope_y": slope_y + tilt[1],
        "slope_sigma": np.hypot(lookup.take(before.slope_sigma), np.sqrt(tilt_variance)),
    }
    return replace(
        terrain, state=np.where(wanted, np.uint8(CellState.SEEN), terrain.state),
        behind=terrain.behind & ~wanted, from_previous=wanted,
        obstacles=_with_obstacles(terrain, previous, wanted),
        **{name: np.where(wanted & np.isfinite(layer), layer, getattr(terrain, name))
           for name, layer in layers.items()},
    )


def _with_obstacles(
    terrain: TerrainMap, previous: PreviousGround, wanted: Mask
) -> tuple[Obstacle, ...]:
    """The present obstacles, and those of the previous pair whose middle was carried over."""
    found = list(terrain.obstacles)
    for obstacle in previous.terrain.obstacles:
        here = moved_obstacle(obstacle, previous.move)
        row, column = (int(i) for i in terrain.spec.cells(here.x_m, here.y_m))
        inside = 0 <= row < wanted.shape[0] and 0 <= column < wanted.shape[1]
        if inside and wanted[row, column]:
            found.append(here)
    return tuple(sorted(found, key=lambda o: o.distance_m))


def _extremes(before: TerrainMap, move_sigma_m: float) -> tuple[Grid, Grid]:
    """Highest and lowest of the seen cells within two sigma of the move, and of those beside.

    A cell more all around: the cells of two grids turned against each other do not match one by
    one, and each previous cell must be found in a present one.
    """
    reach = _SIGMAS * move_sigma_m / before.spec.cell_m + math.sqrt(2)
    cells = np.arange(-math.floor(reach), math.floor(reach) + 1)
    disk = np.hypot(cells[:, None], cells[None]) <= reach
    seen = np.isfinite(before.mean_m)
    highest = ndimage.maximum_filter(np.where(seen, before.highest_m, -np.inf), footprint=disk,
                                     mode="constant", cval=-np.inf)
    lowest = ndimage.minimum_filter(np.where(seen, before.lowest_m, np.inf), footprint=disk,
                                    mode="constant", cval=np.inf)
    return np.asarray(highest, dtype=np.float64), np.asarray(lowest, dtype=np.float64)
