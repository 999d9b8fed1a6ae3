"""Verdict: demands along a heading, compared with limits; the reasons; the suggestion."""

from hazcam.verdict.decide import decide
from hazcam.verdict.demand import demand_along
from hazcam.verdict.record import Cause, HeadingDemand, HeadingVerdict
from hazcam.verdict.section import CrossSection, Lane, Standing, cross_section
from hazcam.verdict.suggest import Suggestion, best_heading, suggest
from hazcam.verdict.swath import near_strip_m

__all__ = ["Cause", "CrossSection", "HeadingDemand", "HeadingVerdict", "Lane", "Standing",
           "Suggestion", "best_heading", "cross_section", "decide", "demand_along", "near_strip_m",
           "suggest"]
