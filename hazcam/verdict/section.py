"""CrossSection: the ground along one heading as it was measured, and the rover standing in it.

For the explanation of a verdict: nothing is judged here and nothing is filled. The swath is cut
lengthwise into three lanes, the two foot tracks and what lies between them, so that whatever
spoke against the heading lies in one of them. Each lane has the cells under one line, as the
terrain map holds them, and over its whole width the highest and lowest surface that was seen and
the highest ceiling over what was not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats, read_only
from hazcam.rover.profile import Limits, RoverProfile
from hazcam.terrain.record import CellState, TerrainMap
from hazcam.verdict.record import HeadingDemand, HeadingVerdict, Profile
from hazcam.verdict.swath import Swath, lay_swath

LaneName = Literal["left foot track", "under the body", "right foot track"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Lane:
    """A lengthwise part of the swath, station by station.

    Attributes
    ----------
    name : str
        Which part.
    offset_m : (float, float)
        Its right and its left edge, from the line of the heading, positive to the left. [m]
    line_m : float
        Offset of the line whose cells ``state`` to ``ground_m`` are. [m]
    state : ndarray of shape (n,), uint8
        ``CellState`` of the cell under the line; ``OUTSIDE`` beyond the grid.
    mean_m, sigma_m : ndarray of shape (n,)
        Elevation of that cell, level frame, and one standard deviation. [m] NaN where not seen.
    from_previous : ndarray of shape (n,), bool
        Did the previous pair of the sequence see that cell, and this one not?
    ground_m : ndarray of shape (n,)
        Elevation of the local ground there. [m] NaN where it is not known.
    highest_m, lowest_m : ndarray of shape (n,)
        Of all seen cells across the lane. [m] NaN where none is seen.
    unseen_state : ndarray of shape (n,), uint8
        ``CellState`` of most of the cells across the lane that are neither seen nor assumed
        clear; ``SEEN`` where there is none.
    ceiling_m : ndarray of shape (n,)
        Highest elevation that anything in those cells can have. [m] NaN where there is none,
        +inf where nothing bounds it. How low they reach is never bounded.
    assumed : ndarray of shape (n,), bool
        Is a cell across the lane out of view and assumed clear?
    """

    name: LaneName
    offset_m: tuple[float, float]
    line_m: float
    state: NDArray[np.uint8]
    mean_m: Profile
    sigma_m: Profile
    from_previous: NDArray[np.bool_]
    ground_m: Profile
    highest_m: Profile
    lowest_m: Profile
    unseen_state: NDArray[np.uint8]
    ceiling_m: Profile
    assumed: NDArray[np.bool_]

    def __post_init__(self) -> None:
        for name in ("state", "mean_m", "sigma_m", "from_previous", "ground_m", "highest_m",
                     "lowest_m", "unseen_state", "ceiling_m", "assumed"):
            value = getattr(self, name)
            if value.shape != self.state.shape:
                raise ValueError(f"{name} of a Lane is {value.shape}, not {self.state.shape}")
            object.__setattr__(self, name, read_only(value))
        if not np.array_equal(self.state == CellState.SEEN, np.isfinite(self.mean_m)):
            raise ValueError("the line of a Lane has an elevation exactly where it is SEEN")
        if not np.array_equal(self.unseen_state == CellState.SEEN, np.isnan(self.ceiling_m)):
            raise ValueError("a Lane has a ceiling exactly where a cell across it is unseen")


@dataclass(frozen=True, kw_only=True)
class Standing:
    """The rover on a straight line through the local ground under its hips.

    Attributes
    ----------
    nose_m : float
        Where its nose is, along the heading from where it is now. [m]
    height_m : float
        Elevation of that line under the body centre, level frame. [m]
    pitch_deg : float
        Of that line; positive = nose down. [deg]
    on_ground : bool
        Is the local ground known under all hips? If not, it stands on the plane of the feet, as
        it stands now.
    """

    nose_m: float
    height_m: float
    pitch_deg: float
    on_ground: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class CrossSection:
    """The ground along one heading, for its explanation.

    Attributes
    ----------
    heading_deg : float
        Level frame, positive to the left. [deg]
    station_m : ndarray of shape (n,)
        Along the heading from the nose. [m]
    cell_m : float
        Side of a cell. [m]
    assumed_m : float
        How far from the nose ground out of view is assumed clear. [m]
    lanes : tuple of Lane
        From left to right; together they are the swath.
    standing : Standing
        The rover with its nose at the first cause; for ``go`` at the end of the look-ahead.
    verdict : HeadingVerdict
        What was decided, and why.
    limits : Limits
        What it was decided against.
    """

    heading_deg: float
    station_m: Profile
    cell_m: float
    assumed_m: float
    lanes: tuple[Lane, Lane, Lane]
    standing: Standing
    verdict: HeadingVerdict
    limits: Limits

    def __post_init__(self) -> None:
        if not -180 <= self.heading_deg <= 180:
            raise ValueError(f"heading {self.heading_deg} is not between -180 and 180 degrees")
        if self.verdict.heading_deg != self.heading_deg:
            raise ValueError(f"the verdict is of heading {self.verdict.heading_deg}, "
                             f"not {self.heading_deg}")
        for lane in self.lanes:
            if lane.state.shape != self.station_m.shape:
                raise ValueError(f"{lane.name} has {lane.state.size} stations, "
                                 f"not {self.station_m.size}")
        object.__setattr__(self, "station_m", read_only(self.station_m))

    @property
    def highest_m(self) -> Profile:
        """Highest surface that was seen across the swath. [m] NaN where none was."""
        return np.asarray(np.fmax.reduce([lane.highest_m for lane in self.lanes]))

    @property
    def lowest_m(self) -> Profile:
        """Lowest surface that was seen across the swath. [m] NaN where none was."""
        return np.asarray(np.fmin.reduce([lane.lowest_m for lane in self.lanes]))


def cross_section(
    terrain: TerrainMap, rover: RoverProfile, demand: HeadingDemand, verdict: HeadingVerdict,
    limits: Limits,
) -> CrossSection:
    """Cut the ground along a heading.

    Parameters
    ----------
    terrain : TerrainMap
        The ground.
    rover : RoverProfile
        Body, legs and lateral margin; its limits are not used.
    demand : HeadingDemand
        Of the heading: its stations, and what was assumed clear.
    verdict : HeadingVerdict
        Of the same heading.
    limits : Limits
        That ``verdict`` was decided against.

    Raises
    ------
    ValueError
        Demand and verdict of different headings, or a heading outside -180 to 180 degrees.
    """
    swath = lay_swath(terrain, rover, demand.heading_deg, float(demand.station_m[-1]))
    # As the demands have it: of what is out of view, that is assumed clear which is not `outside`.
    assumable = (demand.station_m < demand.assumed_m) & ~demand.outside
    lanes = [_lane(terrain, swath, edges_m, line_m, assumable, name)
             for name, edges_m, line_m in _lanes_m(rover)]
    # The nearest cause is where the rover would have to stop.
    nose = min((c.at_m for c in verdict.causes), default=demand.look_ahead_m)
    return CrossSection(
        heading_deg=demand.heading_deg, station_m=demand.station_m, cell_m=terrain.spec.cell_m,
        assumed_m=demand.assumed_m, lanes=(lanes[0], lanes[1], lanes[2]), verdict=verdict,
        limits=limits, standing=_standing(terrain, rover, demand.heading_deg, nose),
    )


def _lanes_m(rover: RoverProfile) -> tuple[tuple[LaneName, tuple[float, float], float], ...]:
    """Name, right and left edge, and line of each lane, as offsets from the heading. [m]

    A foot track is as wide as it is judged: the foot and the margin on each side of it.
    """
    half, track = rover.swath_m / 2, rover.legs.track_m / 2
    inner = min(max(track - rover.legs.foot_width_m / 2 - rover.margin_m, 0.0), half)
    return (("left foot track", (inner, half), track), ("under the body", (-inner, inner), 0.0),
            ("right foot track", (-half, -inner), -track))


def _lane(
    terrain: TerrainMap, swath: Swath, edges_m: tuple[float, float], line_m: float,
    assumable: NDArray[np.bool_], name: LaneName,
) -> Lane:
    across = ((swath.offset_m >= edges_m[0] - 1e-9) & (swath.offset_m <= edges_m[1] + 1e-9))
    line = int(np.argmin(np.abs(swath.offset_m - line_m)))
    all_states = swath.take(terrain.state, CellState.OUTSIDE)
    state = all_states[:, across]
    assumed = (state == CellState.OUTSIDE) & assumable[:, None]
    unseen = (state != CellState.SEEN) & ~assumed
    ceiling = np.where(unseen, swath.take(terrain.ceiling_m, np.inf)[:, across], -np.inf)
    counts = np.stack([((state == s) & unseen).sum(axis=1) for s in CellState], axis=1)
    mean, sigma, ground = (swath.take(layer, np.nan)[:, line]
                           for layer in (terrain.mean_m, terrain.sigma_m, terrain.ground_m))
    high, low = (swath.take(layer, np.nan)[:, across]
                 for layer in (terrain.highest_m, terrain.lowest_m))
    return Lane(
        name=name, offset_m=edges_m, line_m=float(swath.offset_m[line]),
        state=all_states[:, line], mean_m=mean, sigma_m=sigma, ground_m=ground,
        from_previous=swath.take(terrain.from_previous, 0)[:, line],
        highest_m=np.fmax.reduce(high, axis=1), lowest_m=np.fmin.reduce(low, axis=1),
        # CellState.SEEN is 0, which argmax gives where there is nothing to count.
        unseen_state=counts.argmax(axis=1).astype(np.uint8),
        ceiling_m=np.where(unseen.any(axis=1), ceiling.max(axis=1), np.nan),
        assumed=assumed.any(axis=1),
    )


def _standing(
    terrain: TerrainMap, rover: RoverProfile, heading_deg: float, nose_m: float
) -> Standing:
    """Put the rover on the local ground along the middle of the swath."""
    per_side, angle = rover.legs.count // 2, np.radians(heading_deg)
    hips = (np.arange(per_side) - (per_side - 1) / 2) * rover.legs.hip_spacing_m
    # The body centre is as far from the rover origin as the nose is from where it is now.
    x, y = (nose_m + hips) * np.cos(angle), (nose_m + hips) * np.sin(angle)
    ground = _ground_at(terrain, x, y)
    on_ground = bool(np.isfinite(ground).all())
    up = terrain.view.T_level_rover.R[:, 2]
    feet = -(up[0] * x + up[1] * y) / up[2]
    slope, height = np.polyfit(hips, ground if on_ground else feet, 1)
    return Standing(nose_m=nose_m, height_m=float(height), on_ground=on_ground,
                    pitch_deg=float(-np.degrees(np.arctan(slope))))


def _ground_at(terrain: TerrainMap, x_m: Floats, y_m: Floats) -> Floats:
    """Elevation of the local ground at some places. [m] NaN where it is not known."""
    rows, columns = terrain.spec.cells(x_m, y_m)
    height, width = terrain.spec.shape
    inside = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    return np.where(inside, terrain.ground_m[rows.clip(0, height - 1), columns.clip(0, width - 1)],
                    np.nan)
