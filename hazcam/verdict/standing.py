"""The settled rover along a heading: how it would lean, and what its body would touch.

The stances are taken as the nose stands a foot length farther each time. A foot stands on the
highest ground under its sole, one standard deviation of it up or down; on unseen ground on the
local ground, up or down by what the seen ground strays from it; and out of view, in the near
strip, on the plane of its feet. What could hide there, a hole or a thing, is a demand of its own,
not an error of this one. Of every stance on all feet and on both tripods the worst counts.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from hazcam.frames import Floats
from hazcam.rover.contact import body_contact, body_places
from hazcam.rover.limits import tip_angle_deg
from hazcam.rover.profile import RoverProfile
from hazcam.rover.stance import foot_places_m, settle, settle_on_tripods
from hazcam.rover.worst import worst_stances
from hazcam.terrain.record import CellState, TerrainMap
from hazcam.verdict.record import Profile
from hazcam.verdict.swath import Swath

_PLACE_M = 0.02  # between the places under the body that are looked at
# A stance is known no better than this, however well its ground is. Our own choice. [deg], [m]
_LEAST_SIGMA = {"tip": 0.5, "contact": 0.001}


def stand_along(
    terrain: TerrainMap, rover: RoverProfile, swath: Swath, until_m: float
) -> tuple[dict[str, Profile], dict[str, Profile]]:
    """Tip, contact, pitch and lean at each station of the swath, and the sigma of the first two.

    Returns
    -------
    dict of ndarray
        ``tip``: by how much the stance lessens the angle by which the rover could still turn before
        it overturns, against level ground [deg]; ``contact``: greatest height of the ground above
        the plane of the soles, under the body [m]; ``pitch`` and ``lean``: of the settled body, the
        steepest of each with its sign [deg]. As the nose stands at the station; NaN between two
        stances and where the ground is not known.
    dict of ndarray
        One standard deviation of tip and contact.
    """
    nose = _nose_at(rover, swath, until_m)
    if not nose.size:
        empty = np.full(len(swath.station_m), np.nan)
        return (dict.fromkeys(("tip", "contact", "pitch", "lean"), empty),
                dict.fromkeys(("tip", "contact"), empty))
    low, high = _ground_bounds(terrain, swath)
    feet_low, feet_high = (_under_feet(rover, swath, layer, nose) for layer in (low, high))
    worst = worst_stances(rover.body, rover.legs, feet_low, feet_high)
    middle = (feet_low + feet_high) / 2
    stance = settle(rover.body, rover.legs, middle)
    tripods = settle_on_tripods(rover.body, rover.legs, middle)
    margin = np.fmin(stance.overturn_margin_deg, tripods.tip_margin_deg)
    places = body_places(rover.body, _PLACE_M)
    seen = swath.take(terrain.highest_m, np.nan)
    contact = body_contact(stance, rover.legs, places, _at_places(rover, swath, seen, nose, places))
    touched = np.max([contact.belly_m, contact.approach_m, contact.departure_m], axis=0)
    level = tip_angle_deg(rover.body, rover.legs)
    tip_sigma = np.maximum(margin - worst.overturn_margin_deg, _LEAST_SIGMA["tip"])
    found = {
        "tip": level - margin, "contact": touched,
        "pitch": _steepest(worst.pitch_least_deg, worst.pitch_most_deg),
        "lean": _steepest(worst.roll_least_deg, worst.roll_most_deg),
    }
    spread = np.nanmax(feet_high - feet_low, axis=1, initial=0.0) / 2
    sigma = {"tip": tip_sigma, "contact": np.maximum(spread, _LEAST_SIGMA["contact"])}
    return ({name: _spread_out(values, nose, swath) for name, values in found.items()},
            {name: _spread_out(values, nose, swath) for name, values in sigma.items()})


def _nose_at(rover: RoverProfile, swath: Swath, until_m: float) -> NDArray[np.intp]:
    """Stations at which the nose stands: all feet ahead of where the nose is now."""
    cell = float(swath.station_m[1] - swath.station_m[0])
    first = rover.body.nose_m - float(foot_places_m(rover.legs)[:, 0].min())
    last = int(np.searchsorted(swath.station_m, until_m + cell / 2)) - 1
    stride = max(round(rover.legs.foot_length_m / cell), 1)
    return np.arange(last, math.ceil(first / cell) - 1, -stride)[::-1].astype(np.intp)


def _ground_bounds(terrain: TerrainMap, swath: Swath) -> tuple[Floats, Floats]:
    """Ground that a foot finds one standard deviation low and high. [m] NaN where not known."""
    high, sigma, ground, ground_sigma, rough = (
        swath.take(layer, np.nan) for layer in (
            terrain.highest_m, terrain.sigma_m, terrain.ground_m, terrain.ground_sigma_m,
            terrain.roughness_m))
    state = swath.take(terrain.state, CellState.OUTSIDE)
    normal = terrain.view.T_level_rover.R[:, 2]
    feet = -(normal[0] * swath.x_m + normal[1] * swath.y_m) / normal[2]
    cases = [state == CellState.SEEN, state == CellState.OUTSIDE]
    middle = np.select(cases, [high, feet], ground)
    spread = np.select(cases, [sigma, np.zeros_like(sigma)], np.hypot(ground_sigma, rough))
    return middle - spread, middle + spread


def _under_feet(
    rover: RoverProfile, swath: Swath, layer: Floats, nose: NDArray[np.intp]
) -> Floats:
    """Highest of a layer under the sole of each foot, shape (stances, feet). [m]"""
    legs = rover.legs
    cell, across = (float(v[1] - v[0]) for v in (swath.station_m, swath.offset_m))
    sole = maximum_filter(np.nan_to_num(layer, nan=np.inf), mode="nearest", size=(
        max(round(legs.foot_length_m / cell), 1), max(round(legs.foot_width_m / across), 1)))
    sole[np.isinf(sole)] = np.nan
    return _at_places(rover, swath, sole, nose, foot_places_m(legs))


def _at_places(
    rover: RoverProfile, swath: Swath, layer: Floats, nose: NDArray[np.intp], places: Floats
) -> Floats:
    """A layer at places of the rover frame as the nose stands at stations; NaN off the swath."""
    cell, across = (float(v[1] - v[0]) for v in (swath.station_m, swath.offset_m))
    rows = nose[:, None] + np.rint((places[:, 0] - rover.body.nose_m) / cell).astype(np.intp)
    columns = np.rint((places[:, 1] - swath.offset_m[0]) / across).astype(np.intp)
    inside = (rows >= 0) & (rows < layer.shape[0])
    return np.where(inside, layer[np.where(inside, rows, 0), columns], np.nan)


def _steepest(least: Floats, most: Floats) -> Floats:
    return np.where(np.abs(least) > np.abs(most), least, most)


def _spread_out(values: Floats, nose: NDArray[np.intp], swath: Swath) -> Profile:
    profile = np.full(len(swath.station_m), np.nan)
    profile[nose] = values
    return profile
