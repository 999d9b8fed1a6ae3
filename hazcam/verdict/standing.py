"""The settled rover along a heading: how it would lean, and what its body would touch.

The stances are taken as the nose stands a foot length farther each time. A foot stands on the
highest ground under its sole, one standard deviation of it up or down; on unseen ground on the
local ground, up or down by what the seen ground strays from it; and out of view, in the near
strip, on the plane of its feet. What could hide there, a hole or a thing, is a demand of its own,
not an error of this one. Of every stance on all feet and on both tripods the worst counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats
from hazcam.rover.contact import body_contact, body_places
from hazcam.rover.limits import tip_angle_deg
from hazcam.rover.profile import RoverProfile
from hazcam.rover.stance import foot_places_m, settle, settle_on_tripods
from hazcam.rover.worst import worst_stances
from hazcam.terrain.record import CellState, TerrainMap
from hazcam.verdict import kernels
from hazcam.verdict.record import Profile
from hazcam.verdict.swath import GroundUnder, Swath

_PLACE_M = 0.02  # between the places under the body that are looked at
# A stance is known no better than this, however well its ground is. Our own choice. [deg], [m]
_LEAST_SIGMA = {"tip": 0.5, "contact": 0.001}


def stand_along(
    terrain: TerrainMap, rover: RoverProfile, ways: Sequence[tuple[Swath, GroundUnder]],
    until_m: float,
) -> list[tuple[dict[str, Profile], dict[str, Profile]]]:
    """Tip, contact, pitch and lean at each station of some swaths, and the sigma of the first two.

    Parameters
    ----------
    ways : sequence of (Swath, GroundUnder)
        They differ in heading only.
    until_m : float
        How far the nose goes. [m]

    Returns
    -------
    list of (dict of ndarray, dict of ndarray)
        For each way first the demands. ``tip``: by how much the stance lessens the angle by which
        the rover could still turn before it overturns, against level ground [deg]; ``contact``:
        greatest height of the ground above the plane of the soles, under the body [m]; ``pitch``
        and ``lean``: of the settled body, the steepest of each with its sign [deg]. As the nose
        stands at the station; NaN between two stances and where the ground is not known. Then one
        standard deviation of tip and contact.
    """
    swath = ways[0][0]
    nose = _nose_at(rover, swath, until_m)
    if not nose.size:
        empty = np.full(len(swath.station_m), np.nan)
        return [(dict.fromkeys(("tip", "contact", "pitch", "lean"), empty),
                 dict.fromkeys(("tip", "contact"), empty))] * len(ways)
    places = body_places(rover.body, _PLACE_M)
    soles, body = (_cells_of(rover, swath, nose, at) for at in (foot_places_m(rover.legs), places))
    size = _sole_cells(rover, swath)
    low, high = (
        np.concatenate([kernels.highest_under(layer, *soles, size) for layer in layers])
        for layers in zip(*(_ground_bounds(terrain, *way) for way in ways), strict=True))
    over = np.concatenate([_at_cells(under.highest_m, *body) for _, under in ways])
    found, sigma = _settled(rover, low, high, places, over, terrain.view.tilt_sigma_deg)

    def of_way(values: dict[str, Floats], way: int) -> dict[str, Profile]:
        return {name: _spread_out(v.reshape(len(ways), -1)[way], nose, swath)
                for name, v in values.items()}

    return [(of_way(found, way), of_way(sigma, way)) for way in range(len(ways))]


def _settled(
    rover: RoverProfile, feet_low: Floats, feet_high: Floats, places: Floats, over: Floats,
    tilt_sigma_deg: float,
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """What ``stand_along`` says of N stances, and the sigma of tip and contact, each (N,).

    From bounds of the ground under each foot, shape (N, F), and the ground at places under the
    body, shape (N, K). [m]
    """
    worst = worst_stances(rover.body, rover.legs, feet_low, feet_high)
    middle = (feet_low + feet_high) / 2
    stance = settle(rover.body, rover.legs, middle)
    tripods = settle_on_tripods(rover.body, rover.legs, middle)
    margin = np.fmin(stance.overturn_margin_deg, tripods.tip_margin_deg)
    contact = body_contact(stance, rover.legs, places, over)
    own = np.maximum(margin - worst.overturn_margin_deg, _LEAST_SIGMA["tip"])
    tip_sigma = np.hypot(own, tilt_sigma_deg)
    spread = np.nanmax(feet_high - feet_low, axis=1, initial=0.0) / 2
    return {
        "tip": tip_angle_deg(rover.body, rover.legs) - margin,
        "contact": np.fmax.reduce([contact.belly_m, contact.approach_m, contact.departure_m]),
        "pitch": _steepest(worst.pitch_least_deg, worst.pitch_most_deg),
        "lean": _steepest(worst.roll_least_deg, worst.roll_most_deg),
    }, {"tip": tip_sigma, "contact": np.maximum(spread, _LEAST_SIGMA["contact"])}


def _nose_at(rover: RoverProfile, swath: Swath, until_m: float) -> NDArray[np.intp]:
    """Stations at which the nose stands: all feet ahead of where the nose is now."""
    cell = float(swath.station_m[1] - swath.station_m[0])
    first = rover.body.nose_m - float(foot_places_m(rover.legs)[:, 0].min())
    last = int(np.searchsorted(swath.station_m, until_m + cell / 2)) - 1
    stride = max(round(rover.legs.foot_length_m / cell), 1)
    return np.arange(last, math.ceil(first / cell) - 1, -stride)[::-1].astype(np.intp)


def _ground_bounds(
    terrain: TerrainMap, swath: Swath, under: GroundUnder
) -> tuple[Floats, Floats]:
    """Ground that a foot finds one standard deviation low and high. [m] NaN where not known."""
    seen, outside = under.state == CellState.SEEN, under.state == CellState.OUTSIDE
    normal = terrain.view.T_level_rover.R[:, 2]
    feet = -(normal[0] * swath.x_m + normal[1] * swath.y_m) / normal[2]
    middle = np.where(seen, under.highest_m, np.where(outside, feet, under.ground_m))
    spread = np.hypot(under.ground_sigma_m, under.roughness_m)
    spread = np.where(seen, under.sigma_m, np.where(outside, 0.0, spread))
    return middle - spread, middle + spread


def _sole_cells(rover: RoverProfile, swath: Swath) -> tuple[int, int]:
    """Length and width of a sole in stations and in lines."""
    cell, across = _spacings_m(swath)
    return (max(round(rover.legs.foot_length_m / cell), 1),
            max(round(rover.legs.foot_width_m / across), 1))


def _at_cells(layer: Floats, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Floats:
    """A layer at ``_cells_of`` places; NaN off the swath."""
    inside = (rows >= 0) & (rows < layer.shape[0])
    return np.where(inside, layer[np.where(inside, rows, 0), columns], np.nan)


def _cells_of(
    rover: RoverProfile, swath: Swath, nose: NDArray[np.intp], places: Floats
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Station, shape (stances, places), and line of places; stations may lie off the swath."""
    cell, across = _spacings_m(swath)
    rows = nose[:, None] + np.rint((places[:, 0] - rover.body.nose_m) / cell).astype(np.intp)
    return rows, np.rint((places[:, 1] - swath.offset_m[0]) / across).astype(np.intp)


def _spacings_m(swath: Swath) -> tuple[float, float]:
    """Between two stations and between two lines. [m]"""
    return (float(swath.station_m[1] - swath.station_m[0]),
            float(swath.offset_m[1] - swath.offset_m[0]))


def _steepest(least: Floats, most: Floats) -> Floats:
    return np.where(np.abs(least) > np.abs(most), least, most)


def _spread_out(values: Floats, nose: NDArray[np.intp], swath: Swath) -> Profile:
    profile = np.full(len(swath.station_m), np.nan)
    profile[nose] = values
    return profile
