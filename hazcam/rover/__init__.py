"""RoverProfile: body, legs, and the limits that follow from them, were measured or are set."""

from hazcam.rover.io import read_rover, shipped_rovers
from hazcam.rover.limits import derive_limits, tip_angle_deg, tripod_stability_m, with_limits
from hazcam.rover.profile import LIMIT_UNITS, Body, Legs, Limit, LimitName, Limits, RoverProfile

__all__ = [
    "LIMIT_UNITS",
    "Body",
    "Legs",
    "Limit",
    "LimitName",
    "Limits",
    "RoverProfile",
    "derive_limits",
    "read_rover",
    "shipped_rovers",
    "tip_angle_deg",
    "tripod_stability_m",
    "with_limits",
]
