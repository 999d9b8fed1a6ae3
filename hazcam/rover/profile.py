"""RoverProfile: the body, its legs, and the limits that follow from them or were measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

LimitName = Literal["step", "drop", "gap", "belly", "slope", "roll", "tip"]
LIMIT_UNITS: dict[str, str] = {
    "step": "m", "drop": "m", "gap": "m", "belly": "m", "slope": "deg", "roll": "deg",
    "tip": "deg",
}


@dataclass(frozen=True, kw_only=True)
class Limit:
    """One limit and where it comes from.

    Attributes
    ----------
    value : float
        In the unit of ``LIMIT_UNITS``.
    source : str
        ``derived: <formula>``, ``measured: <source>`` or ``set by the user``.
    was : Limit, optional
        What it was before it was measured, without a ``was`` of its own; None where nothing says.
    """

    value: float
    source: str
    was: Limit | None = None

    def __post_init__(self) -> None:
        if self.was is not None and self.was.was is not None:
            raise ValueError("what a limit was keeps nothing of what it was before that")


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What the legs can do.

    Attributes
    ----------
    step : Limit
        Highest rise that a leg may meet within one foothold. [m]
    drop : Limit
        Deepest fall that a leg may step down within one foothold. [m]
    gap : Limit
        Longest run without support that the legs bridge, along a foot track. [m]
    belly : Limit
        Highest thing that may pass under the body, above the local ground. [m]
    slope : Limit
        Steepest body-size slope, in any direction, against gravity. [deg]
    roll : Limit
        Steepest body-size slope across the heading, against gravity. [deg]
    tip : Limit
        By how much a stance may lessen the angle that would overturn the rover. [deg]
    """

    step: Limit
    drop: Limit
    gap: Limit
    belly: Limit
    slope: Limit
    roll: Limit
    tip: Limit


@dataclass(frozen=True, kw_only=True)
class Body:
    """The body: lengths in m, mass in kg. ``nose_m`` is ahead of the rover origin."""

    length_m: float
    width_m: float
    nose_m: float
    underside_m: float
    mass_kg: float
    com_height_m: float


@dataclass(frozen=True, kw_only=True)
class Legs:
    """The legs: C-shaped, evenly spaced along each side.

    Attributes
    ----------
    count : int
        All legs, both sides.
    length_m : float
        Height of the C, hip to ground. [m]
    arc_deg : float
        Angle that the C spans. [deg]
    hip_spacing_m : float
        Between neighbouring hips of one side. [m]
    track_m : float
        Between the foot tracks of the two sides, centre to centre. [m]
    foot_length_m, foot_width_m : float
        Contact patch along and across the track. [m]
    """

    count: int
    length_m: float
    arc_deg: float
    hip_spacing_m: float
    track_m: float
    foot_length_m: float
    foot_width_m: float


@dataclass(frozen=True, kw_only=True)
class RoverProfile:
    """A rover: its body, legs, lateral margin and limits.

    ``margin_m`` is kept free on each side of the body. [m] ``digest`` is the SHA-256 of its
    numbers; ``source`` the file that it was read from, for messages.
    """

    name: str
    body: Body
    legs: Legs
    margin_m: float
    limits: Limits
    digest: str
    source: str

    @property
    def swath_m(self) -> float:
        """Width that a heading asks for: body and both margins. [m]"""
        return self.body.width_m + 2 * self.margin_m
