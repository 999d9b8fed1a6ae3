"""The demands of a heading, from the terrain and the body; limits play no part here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from hazcam.disparity.record import Blank
from hazcam.frames import Floats
from hazcam.rover.profile import RoverProfile
from hazcam.terrain.record import CellState, TerrainMap
from hazcam.verdict.record import HeadingDemand, Profile, TurnDemand

# How many foot lengths one foothold spans: a rise within it is a step, over more a slope.
_FOOTHOLD_FEET = 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Swath:
    """Cells under a heading: ``cells`` (rows, columns) of shape (stations, offsets)."""

    station_m: Profile
    offset_m: Profile
    cells: tuple[NDArray[np.intp], NDArray[np.intp]]
    inside: NDArray[np.bool_]

    def take(self, layer: NDArray[Any], outside: float) -> NDArray[Any]:
        """Values of a terrain layer under the swath; ``outside`` beyond the grid."""
        rows, columns = (np.where(self.inside, c, 0) for c in self.cells)
        return np.asarray(np.where(self.inside, layer[rows, columns], outside))


def lay_swath(
    terrain: TerrainMap, rover: RoverProfile, heading_deg: float, length_m: float
) -> Swath:
    """Sample the swath of a heading at half the cell size across and one cell along.

    So every cell of the swath is looked at: samples a cell apart would skip some.
    """
    cell = terrain.spec.cell_m
    station = np.arange(0.0, length_m + cell / 2, cell)
    half = rover.swath_m / 2
    offset = np.linspace(-half, half, 4 * round(half / cell) + 1)
    along = np.radians(heading_deg)
    reach = rover.body.nose_m + station[:, None]
    x = reach * np.cos(along) - offset * np.sin(along)
    y = reach * np.sin(along) + offset * np.cos(along)
    rows, columns = terrain.spec.cells(x, y)
    height, width = terrain.spec.shape
    inside = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    return Swath(station_m=station, offset_m=offset, cells=(rows, columns), inside=inside)


def near_strip_m(
    terrain: TerrainMap, rover: RoverProfile, heading_deg: float, look_ahead_m: float
) -> float:
    """Length of the near strip: beyond it the full swath lies in both pictures. [m]

    From rig, mount, rover and heading alone, never from what was matched, nor from the window of
    the sensor that was sent. +inf if the swath is not in full view at the end of the look-ahead.
    """
    swath = lay_swath(terrain, rover, heading_deg, look_ahead_m)
    full = np.asarray(swath.take(terrain.sensor_view, 0).all(axis=1), dtype=bool)
    if not full[-1]:
        return float("inf")
    partly = np.nonzero(~full)[0]
    return float(swath.station_m[partly[-1] + 1]) if partly.size else 0.0


def demand_along(
    terrain: TerrainMap, rover: RoverProfile, heading_deg: float, *, look_ahead_m: float,
    near_strip_max_m: float,
) -> HeadingDemand:
    """What a heading demands of the rover.

    Parameters
    ----------
    terrain : TerrainMap
        The ground.
    rover : RoverProfile
        Body, legs and lateral margin; its limits are not used.
    heading_deg : float
        Level frame, positive to the left. [deg]
    look_ahead_m : float
        How far to judge, from the nose. [m]
    near_strip_max_m : float
        Ground out of view may be assumed clear up to here, from the nose. [m]
    """
    legs, cell = rover.legs, terrain.spec.cell_m
    bridge_m = legs.hip_spacing_m + legs.foot_length_m
    # Runs are followed past the look-ahead, so that one that starts inside it has its length.
    swath = lay_swath(terrain, rover, heading_deg, look_ahead_m + bridge_m)
    judged = swath.station_m <= look_ahead_m + cell / 2
    strip = near_strip_m(terrain, rover, heading_deg, look_ahead_m)
    assumed = min(strip, near_strip_max_m)
    state = swath.take(terrain.state, CellState.OUTSIDE).astype(np.uint8)
    out_of_view = state == CellState.OUTSIDE
    # What a window of the sensor cut off could have been seen: it is not assumed.
    never_in_view = out_of_view & ~swath.take(terrain.sensor_view, 0).astype(bool)
    assumable = never_in_view & (swath.station_m < assumed)[:, None]
    unseen = (state != CellState.SEEN) & ~assumable
    relief, sigma = _relief(terrain, rover, swath)
    tilt, tilt_sigma = _tilt(terrain, swath, heading_deg)
    radius = 0.0 if heading_deg == 0 else _turn_radius_m(rover)
    most_state, most_blank = _why_unseen(terrain, swath, state, unseen)
    # Beyond the look-ahead, where nothing else judges it, ground out of view is not ground.
    holes = unseen & (~out_of_view | ~judged[:, None])
    run, run_sigma = _longest_runs(terrain, rover, swath, holes)
    profiles = {
        **relief, **tilt, "run_m": run, "hidden_m": _could_hide(terrain, swath, unseen),
        "outside": (unseen & out_of_view).any(axis=1), "unseen_state": most_state,
        "unseen_blank": most_blank, "seen_share": (state == CellState.SEEN).mean(axis=1),
        "station_m": swath.station_m,
    }
    sigmas = {**sigma, **tilt_sigma, "run": run_sigma}
    return HeadingDemand(
        heading_deg=heading_deg, sigma={name: s[judged] for name, s in sigmas.items()},
        tilt_bound_deg=terrain.view.tilt_bound_deg, strip_m=strip, assumed_m=assumed,
        turn=_turn_demand(terrain, radius), turn_radius_m=radius, look_ahead_m=look_ahead_m,
        turn_assumed=radius <= rover.body.nose_m + near_strip_max_m,
        **{name: profile[judged] for name, profile in profiles.items()},
    )


def _turn_demand(terrain: TerrainMap, radius_m: float) -> TurnDemand | None:
    """What the circle that the body sweeps demands; None straight ahead.

    Only cells that are never in view may be assumed clear there; the ground behind the origin
    is outside the grid and never in view.
    """
    if radius_m == 0:
        return None
    x, y = np.meshgrid(terrain.spec.x_m, terrain.spec.y_m, indexing="ij")
    swept = np.hypot(x, y) <= radius_m
    seen = swept & (terrain.state == CellState.SEEN)
    unseen = swept & ~seen & terrain.sensor_view
    above, below = terrain.highest_m - terrain.ground_m, terrain.ground_m - terrain.lowest_m
    sigma = np.hypot(terrain.sigma_m, terrain.ground_sigma_m)
    room = np.where(np.isfinite(terrain.ground_m), terrain.ceiling_m - terrain.ground_m, np.inf)
    return TurnDemand(
        step_m=_greatest(above, seen), drop_m=_greatest(below, seen),
        sigma_m=_greatest(sigma, seen), hidden_m=_greatest(room, unseen),
        unseen_m=float(np.sqrt(np.count_nonzero(unseen)) * terrain.spec.cell_m),
    )


def _greatest(values: Floats, among: NDArray[np.bool_]) -> float:
    """Greatest of some values; 0 where there is none, +inf where one is not known."""
    chosen = np.where(np.isfinite(values) | (values == np.inf), values, np.inf)[among]
    return float(max(chosen.max(), 0.0)) if chosen.size else 0.0


def _turn_radius_m(rover: RoverProfile) -> float:
    """Circle that body and margin sweep in a turn in place. [m]"""
    rear = rover.body.length_m - rover.body.nose_m
    reach = max(rover.body.nose_m, rear)
    return float(np.hypot(reach, rover.body.width_m / 2)) + rover.margin_m


def _relief(
    terrain: TerrainMap, rover: RoverProfile, swath: Swath
) -> tuple[dict[str, Profile], dict[str, Profile]]:
    """Step, drop and belly at each station, and the sigma of each. [m]"""
    high, low, mean, ground, cell_sigma, ground_sigma = (
        swath.take(layer, np.nan).astype(np.float64)
        for layer in (terrain.highest_m, terrain.lowest_m, terrain.mean_m, terrain.ground_m,
                      terrain.sigma_m, terrain.ground_sigma_m)
    )
    window = max(round(_FOOTHOLD_FEET * rover.legs.foot_length_m / terrain.spec.cell_m), 1)
    # The last seen elevation stands for what is not seen behind it: a ledge down hides the ground
    # at its foot, and the first that is seen again is judged against its lip.
    last = _carried(mean)
    rise = high - _trailing(last, window, np.minimum, np.inf)
    fall = _trailing(last, window, np.maximum, -np.inf) - low
    above, below = high - ground, ground - low
    under_body = np.abs(swath.offset_m) <= rover.body.width_m / 2 + 1e-9
    # Where no local ground is near, the rise within a foothold alone speaks.
    noise = np.hypot(cell_sigma, np.nan_to_num(ground_sigma))
    demands = {
        "step": np.fmax(above, rise), "drop": np.fmax(below, fall),
        "belly": np.where(under_body, above, np.nan),
    }
    profiles, sigmas = {}, {}
    for name, demand in demands.items():
        # The cell that speaks for the station is the worst at two sigma.
        worst = np.nan_to_num(demand + 2 * noise, nan=-np.inf)
        peak = np.argmax(worst, axis=1)[:, None]
        profiles[name] = np.take_along_axis(demand, peak, axis=1)[:, 0]
        own = np.take_along_axis(noise, peak, axis=1)[:, 0]
        sigmas[name] = np.hypot(own, terrain.view.scale_sigma * profiles[name])
    return profiles, sigmas


def _carried(values: Floats) -> Floats:
    """Each column with its last known value carried forward; NaN before the first."""
    rows = np.where(np.isfinite(values), np.arange(len(values))[:, None], -1)
    last = np.maximum.accumulate(rows, axis=0)
    carried = np.take_along_axis(values, np.maximum(last, 0), axis=0)
    return np.where(last >= 0, carried, np.nan)


def _trailing(values: Floats, window: int, extreme: np.ufunc, fill: float) -> Floats:
    """Extreme of the known values over the ``window`` stations before each; NaN if none is."""
    known = np.where(np.isfinite(values), values, fill)
    result = np.full(values.shape, fill)
    for back in range(1, window + 1):
        result[back:] = extreme(result[back:], known[:-back])
    return np.where(np.isfinite(result), result, np.nan)


def _tilt(
    terrain: TerrainMap, swath: Swath, heading_deg: float
) -> tuple[dict[str, Profile], dict[str, Profile]]:
    """Slope in any direction and roll across the heading on the middle line. [deg]"""
    middle = len(swath.offset_m) // 2
    a, b, own = (
        swath.take(layer, np.nan)[:, middle].astype(np.float64)
        for layer in (terrain.slope_x, terrain.slope_y, terrain.slope_sigma)
    )
    along = np.radians(heading_deg)
    across = -a * np.sin(along) + b * np.cos(along)
    sigma = np.hypot(np.degrees(np.arctan(own)), terrain.view.tilt_sigma_deg)
    tilt = {"slope": np.degrees(np.arctan(np.hypot(a, b))),
            "roll": np.degrees(np.arctan(np.abs(across)))}
    return tilt, {"slope": sigma, "roll": sigma}


def _longest_runs(
    terrain: TerrainMap, rover: RoverProfile, swath: Swath, unseen: NDArray[np.bool_]
) -> tuple[Profile, Profile]:
    """Longest unseen run through each station under either foot track, and its sigma. [m]

    A hole that a foot cannot enter, shorter than the foot or narrower, does no harm. Runs with
    less seen ground between them than leg spacing + foot length count as one: two legs of a
    side could hang at once.

    A run is longer than its cells: a cell that one sample touches counts as seen, which takes
    half a cell from each end on average, and the matching window carries the near lip one and a
    half picture rows into the hole. Both are added; half a cell and half a row stay uncertain
    (measured on synthetic ditches of 5 to 13 cm at 0.6 to 1.05 m).
    """
    legs, cell = rover.legs, terrain.spec.cell_m
    reach = legs.foot_width_m / 2 + rover.margin_m
    across = float(np.diff(swath.offset_m[:2])[0])
    length = max(round(legs.foot_length_m / cell), 1)
    width = max(round(legs.foot_width_m / across), 1)
    rim = round(cell / across)
    row = _row_spacing_m(terrain, rover, swath)
    # What is added to each hole is taken from the ground between two.
    apart_m = legs.hip_spacing_m + legs.foot_length_m + cell + 1.5 * float(row.max())
    bridge = int(np.ceil(apart_m / cell))
    longest = np.zeros(len(swath.station_m))
    for side in (-1, 1):
        track = np.abs(swath.offset_m - side * legs.track_m / 2) <= reach + 1e-9
        holes = _enterable(unseen[:, track], length, width, rim)
        longest = np.maximum(longest, _run_lengths(holes, bridge) * cell)
    sigma = np.hypot(cell / 2, row / 2)
    return np.where(longest > 0, longest + cell + 1.5 * row, 0.0), sigma


def _enterable(
    unseen: NDArray[np.bool_], length: int, width: int, rim: int
) -> NDArray[np.bool_]:
    """Unseen cells that a foot could enter.

    ``length`` and ``width`` of the foot, and the ``rim``, in samples along and across. A slit is
    wider than its cells by one, the rim, on each side: those that its edges touch count as seen.
    """
    along = ndimage.binary_opening(np.pad(unseen, ((1, 1), (0, 0)), mode="edge"),
                                   np.ones((length, 1), dtype=bool))[1:-1]
    wider = ndimage.binary_dilation(along, np.ones((1, 2 * rim + 1), dtype=bool))
    foot = np.ones((length, width), dtype=bool)
    return np.asarray(ndimage.binary_opening(np.pad(wider, 1, mode="edge"), foot)[1:-1, 1:-1])


def _run_lengths(holes: NDArray[np.bool_], bridge: int) -> NDArray[np.int64]:
    """Cells of the longest run through each station, runs closer than ``bridge`` joined."""
    padded = np.pad(holes, ((bridge, bridge), (0, 0)))
    joined = ndimage.binary_closing(padded, np.ones((bridge, 1), dtype=bool))[bridge:-bridge]
    labels, count = ndimage.label(joined, structure=[[0, 1, 0], [0, 1, 0], [0, 1, 0]])
    cells = np.bincount(labels.ravel(), minlength=count + 1)
    cells[0] = 0
    return np.asarray(cells[labels].max(axis=1), dtype=np.int64)


def _row_spacing_m(terrain: TerrainMap, rover: RoverProfile, swath: Swath) -> Profile:
    """Distance of two picture rows on flat ground at each station. [m]"""
    distance = rover.body.nose_m + swath.station_m - terrain.camera_x_m
    return np.maximum(distance, terrain.camera_height_m) ** 2 * terrain.row_angle \
        / terrain.camera_height_m


def _could_hide(terrain: TerrainMap, swath: Swath, unseen: NDArray[np.bool_]) -> Profile:
    """Tallest thing that could hide in the unseen cells, above the local ground. [m]"""
    ceiling = swath.take(terrain.ceiling_m, np.inf).astype(np.float64)
    ground = swath.take(terrain.ground_m, np.nan).astype(np.float64)
    height = np.where(np.isfinite(ground), ceiling - ground, np.inf)
    return np.asarray(np.where(unseen, np.maximum(height, 0.0), 0.0).max(axis=1))


def _why_unseen(
    terrain: TerrainMap, swath: Swath, state: NDArray[np.uint8], unseen: NDArray[np.bool_]
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """State, and reason of a blank, of most of the unseen cells at each station."""
    blank = swath.take(terrain.blank, Blank.EDGE).astype(np.uint8)

    def most(values: NDArray[np.uint8], among: NDArray[np.bool_]) -> NDArray[np.uint8]:
        counts = np.stack([((values == v) & among).sum(axis=1) for v in range(16)], axis=1)
        return np.asarray(counts.argmax(axis=1), dtype=np.uint8)

    return most(state, unseen), most(blank, unseen & (state == CellState.BLANK))
