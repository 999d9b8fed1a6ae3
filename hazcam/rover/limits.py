"""Limits that follow from body and legs, and the limits a user sets.

The formulas are simple and ours; each says why. A limit that was measured on the rover wins over
the derived one, and each carries its source.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, replace
from functools import lru_cache
from itertools import product

import numpy as np
from scipy.spatial import ConvexHull

from hazcam.errors import RoverError
from hazcam.rover.checks import check_margin, check_reach
from hazcam.rover.profile import LIMIT_UNITS, Body, Legs, Limit, Limits, RoverProfile

# Kept free between the underside and what passes under it: the body sinks a little on soft ground.
BELLY_RESERVE_M = 0.01
# Share of the static tip angle that is used: walking adds sway and slip to the static case.
SLOPE_SHARE = 1 / 2
ROLL_SHARE = 1 / 3
TIP_SHARE = 2 / 3

MEASURED = "measured: "
"""What the source of a measured limit begins with."""


@lru_cache(maxsize=16)
def tripod_stability_m(legs: Legs) -> float:
    """Return the distance from the body centre to the nearest edge of the tripod stance. [m].

    In the alternating gait every second leg of one side and the legs between them of the other
    carry the body: with six legs, front and hind foot of one side and the middle foot of the other.
    The centre of mass is taken above the body centre (McGhee and Frank, 1968: the stability margin
    is the distance to the nearest edge of the support polygon).

    Examples
    --------
    >>> legs = Legs(count=6, length_m=0.10, arc_deg=180.0, hip_spacing_m=0.12, track_m=0.20,
    ...             foot_length_m=0.03, foot_width_m=0.02)
    >>> f"{tripod_stability_m(legs):.5f}"
    '0.05145'
    """
    per_side = legs.count // 2
    along = (np.arange(per_side) - (per_side - 1) / 2) * legs.hip_spacing_m
    across = legs.track_m / 2
    feet = np.array(
        [(along[i], side * across) for i, side in product(range(per_side), (1, -1))
         if (i % 2 == 0) == (side == 1)]
    )
    # The equation of an edge is n . x + c = 0 with n pointing outwards: the origin is -c inside.
    return float((-ConvexHull(feet).equations[:, -1]).min())


def tip_angle_deg(body: Body, legs: Legs) -> float:
    """Return the static tip angle of the tripod stance, atan(stability / height of mass). [deg]."""
    return math.degrees(math.atan2(tripod_stability_m(legs), body.com_height_m))


def derive_limits(body: Body, legs: Legs) -> Limits:
    """Limits from the geometry of body and legs.

    step, drop
        Leg length / 2: a C-shaped leg hooks an edge at its mid height and rolls up over it; going
        down, the next foot finds ground before the hip is lower than half the leg.
    gap
        Hip spacing - foot length: while the front pair hangs over the gap, the middle pair must
        stand on firm ground with its whole foot, or the centre of mass leaves the support.
    belly
        Underside clearance - 0.01 m, for the sinking of the feet.
    slope
        Half the static tip angle of the tripod stance: the other half is for sway and slip.
    roll
        A third of that tip angle: across the heading the tripod is at its narrowest each stride.
    tip
        Two thirds of that tip angle: a single stance on uneven ground may take more of it than a
        slope that goes on, but a third of it remains.

    Returns
    -------
    Limits
        Each with its source ``derived: <formula>``.
    """
    tip_deg = tip_angle_deg(body, legs)
    half = Limit(value=legs.length_m / 2, source="derived: leg length / 2")
    tip = f"the static tip angle of the tripod stance ({tip_deg:.1f}°)"
    return Limits(
        step=half,
        drop=half,
        gap=Limit(
            value=legs.hip_spacing_m - legs.foot_length_m,
            source="derived: hip spacing - foot length",
        ),
        belly=Limit(
            value=body.underside_m - BELLY_RESERVE_M,
            source=f"derived: underside - {BELLY_RESERVE_M:g} m",
        ),
        slope=Limit(value=SLOPE_SHARE * tip_deg, source=f"derived: half of {tip}"),
        roll=Limit(value=ROLL_SHARE * tip_deg, source=f"derived: a third of {tip}"),
        tip=Limit(value=TIP_SHARE * tip_deg, source=f"derived: two thirds of {tip}"),
    )


def rover_digest(body: Body, legs: Legs, margin_m: float, limits: Limits) -> str:
    """SHA-256 over the numbers of a rover, as canonical JSON."""
    numbers = {
        "body": {key: float(value) for key, value in asdict(body).items()},
        "legs": {key: float(value) for key, value in asdict(legs).items()},
        "margin_m": float(margin_m),
        "limits": limit_values(limits),
    }
    return hashlib.sha256(json.dumps(numbers, sort_keys=True).encode()).hexdigest()


def limit_values(limits: Limits) -> dict[str, float]:
    """The limits by name, in m or deg (``LIMIT_UNITS``)."""
    return {name: float(getattr(limits, name).value) for name in LIMIT_UNITS}


def rover_numbers(rover: RoverProfile) -> dict[str, float]:
    """The numbers that its digest is of, by dotted name as in a rover file; limits by their own."""
    return {**{f"body.{name}": float(value) for name, value in asdict(rover.body).items()},
            **{f"legs.{name}": float(value) for name, value in asdict(rover.legs).items()},
            "margins.lateral_m": float(rover.margin_m),
            **{f"limits.{name}": value for name, value in limit_values(rover.limits).items()}}


def check_limit(name: str, value: float, where: str) -> float:
    """Return the value of a limit if it can be one.

    Raises
    ------
    RoverError
        An unknown name; a value that is negative, not finite, or an angle of 90 degrees and more.
    """
    if name not in LIMIT_UNITS:
        raise RoverError(
            where, f"unknown limit {name!r}", f"one of {', '.join(LIMIT_UNITS)}",
            "correct the name",
        )
    unit = LIMIT_UNITS[name]
    if not (math.isfinite(value) and value >= 0) or (unit == "deg" and value >= 90):
        bound = " and below 90" if unit == "deg" else ""
        raise RoverError(
            where, f"{name} = {value:g}", f"a finite number of 0 or more{bound} [{unit}]",
            f"likely per cent: write {math.degrees(math.atan(value / 100)):.1f}"
            if unit == "deg" and 90 <= value < math.inf else "correct the value",
        )
    return float(value)


def with_limits(
    rover: RoverProfile, values: Mapping[str, float], *, margin_m: float | None = None
) -> RoverProfile:
    """Return the rover with limits, and the lateral margin, that the user sets.

    Parameters
    ----------
    rover : RoverProfile
    values : mapping of str to float
        Limits by name, in m or deg (``LIMIT_UNITS``).
    margin_m : float, optional
        Lateral margin kept free on each side of the body. [m]

    Raises
    ------
    RoverError
        An unknown name; a value that is negative, not finite, or more than this rover could have
        (likely in another unit).
    """
    where = "limits set by the user"
    checked = {name: check_limit(name, value, where) for name, value in values.items()}
    limits = replace(rover.limits, **{
        name: Limit(value=check_reach(name, value, rover.body, rover.legs, where),
                    source="set by the user")
        for name, value in checked.items()
    })
    margin = (rover.margin_m if margin_m is None
              else check_margin(margin_m, "margin set by the user"))
    return replace(rover, limits=limits, margin_m=margin,
                   digest=rover_digest(rover.body, rover.legs, margin, limits))


def with_measured(rover: RoverProfile, name: str, value: float, source: str) -> RoverProfile:
    """Return the rover with a limit that was measured, which keeps what it was before.

    Parameters
    ----------
    rover : RoverProfile
    name : str
        Of the limit.
    value : float
        In m or deg (``LIMIT_UNITS``).
    source : str
        What it was measured by, in words.

    Raises
    ------
    RoverError
        An unknown name; a value that is negative, not finite, or more than this rover could have.

    Examples
    --------
    >>> from hazcam.rover import read_rover
    >>> with_measured(read_rover("dunlin-em"), "step", 0.04, "ledge trials").limits.step.was
    Limit(value=0.05, source='derived: leg length / 2', was=None)
    """
    where = f"measured limit of {rover.name}"
    checked = check_reach(name, check_limit(name, value, where), rover.body, rover.legs, where)
    before: Limit = getattr(rover.limits, name)
    limit = Limit(value=checked, source=f"{MEASURED}{source}", was=replace(before, was=None))
    limits = replace(rover.limits, **{name: limit})
    return replace(rover, limits=limits,
                   digest=rover_digest(rover.body, rover.legs, rover.margin_m, limits))
