"""Is a rover plausible: lengths in metres, and in proportion to each other.

A length written in another unit would not fail by itself: it would switch a limit off. The bounds
are wide for any small legged rover, and ours.
"""

from __future__ import annotations

import math

from hazcam.errors import RoverError
from hazcam.rover.profile import LIMIT_UNITS, Body, Legs

LONGEST_M = 3.0
WIDEST_MARGIN_M = 1.0
HEAVIEST_KG = 1000.0


def _length_remedy(value: float, most_m: float, otherwise: str) -> str:
    """Name the units that the value would be plausible in."""
    # No length below 1 was meant in mm or cm.
    fits = [
        f"{unit}: write {value / per_m:g}"
        for unit, per_m in (("millimetres", 1000), ("centimetres", 100))
        if value >= 1 and value / per_m <= most_m
    ]
    return f"likely {', or '.join(fits)}" if fits else otherwise


def check_length(value: float, where: str) -> float:
    """Return a length of a rover file if it can be one in metres, else raise RoverError."""
    if value > LONGEST_M:
        raise RoverError(
            where, f"found {value:g}",
            f"metres, no more than {LONGEST_M:g} of them on a small rover",
            _length_remedy(value, LONGEST_M, "give it in metres"),
        )
    return value


def check_mass(value: float, where: str) -> float:
    """Return the mass if it can be one in kilograms, else raise RoverError."""
    if value > HEAVIEST_KG:
        raise RoverError(
            where, f"found {value:g}", f"kilograms, no more than {HEAVIEST_KG:g} of them",
            f"likely grams: write {value / 1000:g}",
        )
    return value


def check_margin(value: float, where: str) -> float:
    """Return a lateral margin if it can be one in metres, else raise RoverError."""
    if not (math.isfinite(value) and value >= 0):
        raise RoverError(where, f"{value:g} m", "a finite number of 0 or more", "correct the value")
    if value > WIDEST_MARGIN_M:
        raise RoverError(
            where, f"{value:g} m", f"metres, no more than {WIDEST_MARGIN_M:g}",
            _length_remedy(value, WIDEST_MARGIN_M, "give a narrower margin"),
        )
    return value


def check_proportions(body: Body, legs: Legs, where: str) -> None:
    """Refuse lengths that cannot belong to one rover.

    Raises
    ------
    RoverError
        Names the length that is too long, and the one that it was held against.
    """
    span_m = legs.hip_spacing_m * (legs.count // 2 - 1)
    for key, what, value, share, base, base_m in (
        ("[legs] length_m", "legs of", legs.length_m, 2, "body length", body.length_m),
        ("[body] underside_m", "an underside at", body.underside_m, 1.5, "leg length",
         legs.length_m),
        ("[body] com_height_m", "a centre of mass at", body.com_height_m, 5, "leg length",
         legs.length_m),
        ("[legs] track_m", "a track of", legs.track_m, 2, "body width", body.width_m),
        ("[legs] hip_spacing_m", "from the first hip to the last", span_m, 1.5, "body length",
         body.length_m),
        ("[body] nose_m", "a nose at", body.nose_m, 1, "body length", body.length_m),
    ):
        if value > share * base_m:
            raise RoverError(
                f"{where}: {key}", f"{what} {value:g} m on a {base} of {base_m:g} m",
                f"no more than {f'{share:g} times ' if share != 1 else ''}the {base}",
                "check both lengths: each is in metres",
            )
    if legs.foot_length_m >= legs.hip_spacing_m:
        raise RoverError(
            f"{where}: [legs] foot_length_m",
            f"feet of {legs.foot_length_m:g} m with {legs.hip_spacing_m:g} m from hip to hip",
            "feet shorter than the hip spacing", "check both lengths: each is in metres",
        )


def check_reach(name: str, value: float, body: Body, legs: Legs, where: str) -> float:
    """Return the value of a limit if this rover could have it, else raise RoverError.

    A step, drop or belly limit is at most twice the leg length, a gap the body length.
    """
    if LIMIT_UNITS[name] != "m":
        return value
    most_m, words = (
        (body.length_m, "the body length") if name == "gap"
        else (2 * legs.length_m, "twice the leg length")
    )
    if value > most_m:
        raise RoverError(
            where, f"{name} = {value:g} m", f"metres, no more than {words}, {most_m:g} m",
            _length_remedy(value, most_m, "correct the limit, or the lengths of the rover"),
        )
    return value
