"""Verdict: demands along a heading, compared with limits; the reasons; the suggestion."""

from hazcam.verdict.decide import decide
from hazcam.verdict.demand import demand_along, demands_along
from hazcam.verdict.margin import Margin, margin_of
from hazcam.verdict.record import Cause, HeadingDemand, HeadingVerdict
from hazcam.verdict.section import CrossSection, Lane, Standing, cross_section
from hazcam.verdict.suggest import Suggestion, best_heading, suggest
from hazcam.verdict.swath import near_strip_m

__all__ = ["Cause", "CrossSection", "HeadingDemand", "HeadingVerdict", "Lane", "Margin", "Standing",
           "Suggestion", "best_heading", "cross_section", "decide", "demand_along", "demands_along",
           "margin_of", "near_strip_m", "suggest"]
