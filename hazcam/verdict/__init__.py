"""Verdict: demands along a heading, compared with limits; the reasons; the suggestion."""

from hazcam.verdict.decide import decide
from hazcam.verdict.demand import demand_along, near_strip_m
from hazcam.verdict.record import Cause, HeadingDemand, HeadingVerdict
from hazcam.verdict.suggest import Suggestion, suggest

__all__ = ["Cause", "HeadingDemand", "HeadingVerdict", "Suggestion", "decide", "demand_along",
           "near_strip_m", "suggest"]
