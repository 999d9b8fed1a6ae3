"""The demands of a heading, from the terrain and the body; limits play no part here."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats
from hazcam.rover.profile import RoverProfile
from hazcam.terrain.previous import in_either_view
from hazcam.terrain.record import HOLE_RANGE_M, CellState, TerrainMap
from hazcam.verdict import kernels
from hazcam.verdict.record import HeadingDemand, Profile, TurnDemand
from hazcam.verdict.standing import stand_along
from hazcam.verdict.swath import GroundUnder, Swath, ground_under, lay_swath, strip_of
from hazcam.verdict.unseen import could_hide, unseen_runs

# How many foot lengths one foothold spans: a rise within it is a step, over more a slope.
_FOOTHOLD_FEET = 2.0


def demands_along(
    terrain: TerrainMap, rover: RoverProfile, headings_deg: Sequence[float], *,
    look_ahead_m: float, near_strip_max_m: float,
) -> tuple[HeadingDemand, ...]:
    """What some headings demand of the rover, each as ``demand_along`` says, in less time."""
    legs = rover.legs
    # Runs are followed further, so that one that starts inside the look-ahead has its length.
    length_m = look_ahead_m + legs.hip_spacing_m + legs.foot_length_m
    ways = [(swath, ground_under(terrain, swath)) for swath in (
        lay_swath(terrain, rover, heading, length_m) for heading in headings_deg)]
    if not ways:
        return ()
    standing = stand_along(terrain, rover, ways, _judged_m(rover, look_ahead_m))
    return tuple(
        _demand(terrain, rover, heading, look_ahead_m, near_strip_max_m, *way, stands)
        for heading, way, stands in zip(headings_deg, ways, standing, strict=True))


def _judged_m(rover: RoverProfile, look_ahead_m: float) -> float:
    """What begins at the look-ahead is met by the half of a sole that reaches beyond it. [m]"""
    return look_ahead_m + rover.legs.foot_length_m / 2


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
    return demands_along(terrain, rover, (heading_deg,), look_ahead_m=look_ahead_m,
                         near_strip_max_m=near_strip_max_m)[0]


def _demand(
    terrain: TerrainMap, rover: RoverProfile, heading_deg: float, look_ahead_m: float,
    near_strip_max_m: float, swath: Swath, under: GroundUnder,
    standing: tuple[dict[str, Profile], dict[str, Profile]],
) -> HeadingDemand:
    cell, judged_m = terrain.spec.cell_m, _judged_m(rover, look_ahead_m)
    judged = swath.station_m <= judged_m + cell / 2
    strip = strip_of(swath, terrain, look_ahead_m)
    # What the previous pair saw of the strip is judged, not assumed.
    left = strip_of(swath, in_either_view(terrain), look_ahead_m)
    assumed = min(left, near_strip_max_m)
    state = under.state
    out_of_view = state == CellState.OUTSIDE
    # What a window of the sensor cut off could have been seen: it is not assumed.
    never_in_view = out_of_view & ~swath.take(terrain.sensor_view, 0)
    assumable = never_in_view & (swath.station_m < assumed)[:, None]
    unseen = (state != CellState.SEEN) & ~assumable
    # Beyond the look-ahead, where nothing else judges it, ground out of view is not ground.
    within = swath.station_m <= look_ahead_m + cell / 2
    holes = unseen & (~out_of_view | ~within[:, None])
    relief, sigma = _relief(terrain, rover, swath, under)
    tilt, tilt_sigma = _tilt(terrain, swath, heading_deg)
    radius = 0.0 if heading_deg == 0 else _turn_radius_m(rover)
    profiles = {
        **relief, **tilt, **standing[0], "hidden_m": could_hide(under, unseen),
        "outside": (unseen & out_of_view).any(axis=1) & within,
        "unseen_state": _most(state, unseen),
        "unseen_blank": _most(under.blank, unseen & (state == CellState.BLANK)),
        "seen_share": (state == CellState.SEEN).mean(axis=1), "station_m": swath.station_m,
    }
    return HeadingDemand(
        heading_deg=heading_deg,
        sigma={name: s[judged] for name, s in {**sigma, **tilt_sigma, **standing[1]}.items()},
        tilt_sigma_deg=terrain.view.tilt_sigma_deg, scale_sigma=terrain.view.scale_sigma,
        tilt_bound_deg=terrain.view.tilt_bound_deg, strip_m=strip, assumed_m=assumed,
        runs=unseen_runs(terrain, rover, swath, under, holes, judged_m + cell / 2),
        turn=_turn_demand(terrain, radius), turn_radius_m=radius, look_ahead_m=look_ahead_m,
        turn_assumed=radius <= rover.body.nose_m + near_strip_max_m,
        seen_before_m=min(strip, look_ahead_m) - min(left, look_ahead_m),
        seen_m2=terrain.seen_near_m2, hollows_m=_hollows_m(terrain),
        **{name: profile[judged] for name, profile in profiles.items()},
    )


def _hollows_m(terrain: TerrainMap) -> tuple[float, ...]:
    return tuple(-o.height_m for o in terrain.obstacles
                 if o.height_m < 0 and o.distance_m <= HOLE_RANGE_M)


def _turn_demand(terrain: TerrainMap, radius_m: float) -> TurnDemand | None:
    """What the circle that the body sweeps demands; None straight ahead.

    Only cells that are never in view may be assumed clear there; the ground behind the origin
    is outside the grid and never in view.
    """
    if radius_m == 0:
        return None
    spec = terrain.spec
    near = (slice(0, int(np.searchsorted(spec.x_m, radius_m))),
            slice(*np.searchsorted(spec.y_m, (-radius_m, radius_m))))
    swept = np.hypot(spec.x_m[near[0], None], spec.y_m[near[1]]) <= radius_m
    high, low, ground, ceiling, own, shared = (
        layer[near] for layer in (terrain.highest_m, terrain.lowest_m, terrain.ground_m,
                                  terrain.ceiling_m, terrain.sigma_m, terrain.ground_sigma_m))
    seen = swept & (terrain.state[near] == CellState.SEEN)
    unseen = swept & ~seen & terrain.sensor_view[near]
    above, below, sigma = high - ground, ground - low, np.hypot(own, shared)
    room = np.where(np.isfinite(ground), ceiling - ground, np.inf)
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
    terrain: TerrainMap, rover: RoverProfile, swath: Swath, under: GroundUnder
) -> tuple[dict[str, Profile], dict[str, Profile]]:
    """Step, drop and belly at each station, and the sigma of each. [m]"""
    window = max(round(_FOOTHOLD_FEET * rover.legs.foot_length_m / terrain.spec.cell_m), 1)
    # The last seen elevation stands for what is not seen behind it: a ledge down hides the ground
    # at its foot, and the first that is seen again is judged against its lip.
    lowest, highest = np.empty((2, *under.mean_m.shape))
    kernels.trailing_extremes(under.mean_m, window, lowest, highest)
    # Where no local ground is near, the rise within a foothold alone speaks.
    noise = np.hypot(under.sigma_m, np.nan_to_num(under.ground_sigma_m))
    above, below = under.highest_m - under.ground_m, under.ground_m - under.lowest_m
    under_body = np.nonzero(np.abs(swath.offset_m) <= rover.body.width_m / 2 + 1e-9)[0]
    body = slice(int(under_body[0]), int(under_body[-1]) + 1)
    demands = {
        "step": (np.fmax(above, under.highest_m - lowest), noise),
        "drop": (np.fmax(below, highest - under.lowest_m), noise),
        "belly": (above[:, body], noise[:, body]),
    }
    profiles, sigmas = {}, {}
    for name, (demand, own) in demands.items():
        # The cell that speaks for the station is the worst at two sigma.
        worst = demand + 2 * own
        worst[~np.isfinite(worst)] = -np.inf
        peak = np.arange(len(worst)), np.argmax(worst, axis=1)
        profiles[name] = demand[peak]
        sigmas[name] = np.hypot(own[peak], terrain.view.scale_sigma * profiles[name])
    return profiles, sigmas


def _tilt(
    terrain: TerrainMap, swath: Swath, heading_deg: float
) -> tuple[dict[str, Profile], dict[str, Profile]]:
    """Slope in any direction and roll across the heading on the middle line. [deg]"""
    middle = len(swath.offset_m) // 2
    a, b, own = (
        swath.take_line(layer, middle)
        for layer in (terrain.slope_x, terrain.slope_y, terrain.slope_sigma)
    )
    along = np.radians(heading_deg)
    across = -a * np.sin(along) + b * np.cos(along)
    sigma = np.hypot(np.degrees(np.arctan(own)), terrain.view.tilt_sigma_deg)
    tilt = {"slope": np.degrees(np.arctan(np.hypot(a, b))),
            "roll": np.degrees(np.arctan(np.abs(across)))}
    return tilt, {"slope": sigma, "roll": sigma}


def _most(values: NDArray[np.uint8], among: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """The value, below 16, that most of some cells of each station have; 0 where there are none."""
    stations, lines = np.nonzero(among)
    counts = np.bincount(16 * stations + values[stations, lines], minlength=16 * len(values))
    return np.asarray(counts.reshape(-1, 16).argmax(axis=1), dtype=np.uint8)
