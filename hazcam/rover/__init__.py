"""RoverProfile: body, legs, and the limits that follow from them, were measured or are set."""

from hazcam.rover.contact import BodyContact, body_contact, body_places, height_under
from hazcam.rover.io import read_rover, shipped_rovers, write_rover
from hazcam.rover.limits import (
    derive_limits,
    tip_angle_deg,
    tripod_stability_m,
    with_limits,
    with_measured,
)
from hazcam.rover.profile import LIMIT_UNITS, Body, Legs, Limit, LimitName, Limits, RoverProfile
from hazcam.rover.stance import (
    Stance,
    TripodStances,
    foot_places_m,
    settle,
    settle_on_tripods,
    tripod_feet,
)
from hazcam.rover.worst import WorstStances, worst_stances

__all__ = [
    "LIMIT_UNITS",
    "Body",
    "BodyContact",
    "Legs",
    "Limit",
    "LimitName",
    "Limits",
    "RoverProfile",
    "Stance",
    "TripodStances",
    "WorstStances",
    "body_contact",
    "body_places",
    "derive_limits",
    "foot_places_m",
    "height_under",
    "read_rover",
    "settle",
    "settle_on_tripods",
    "shipped_rovers",
    "tip_angle_deg",
    "tripod_feet",
    "tripod_stability_m",
    "with_limits",
    "with_measured",
    "worst_stances",
    "write_rover",
]
