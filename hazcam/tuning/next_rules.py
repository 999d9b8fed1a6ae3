"""What can be built, and which trials to make next where those made give no curve."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from hazcam.tuning.cells import MOST_DEMAND
from hazcam.tuning.curve import FEWEST
from hazcam.tuning.record import TrialGroup
from hazcam.tuning.words import measure, percent

Rule = Literal["higher", "lower", "across", "both ends"]

# Rungs that can be built, the finest first, and how many are looked at at most: our choice.
_STEPS = {"m": (0.001, 0.002, 0.005, 0.01), "deg": (0.5, 1.0)}
_MOST_RUNGS = 200
_BEYOND = 1.25  # how far above the greatest demand tried is looked, as a share of it
_ACROSS = {True: "Rungs spaced evenly from half of it to half as much again",
           False: "Rungs spaced evenly between the least and the greatest tried"}
_APART = 0.1  # of rungs above what always climbed, as a share of the greatest tried


@dataclass(frozen=True, kw_only=True)
class RuledTrials:
    """Trials that a rule asks for.

    Attributes
    ----------
    rule : str
        ``higher`` than all that climbed, ``lower`` than all that failed, ``across`` the demands
        tried, or at ``both ends`` of them again.
    demands : tuple of float
        One for each trial, rising. [unit of the demand]
    reason : str
        Why.
    """

    rule: Rule
    demands: tuple[float, ...]
    reason: str


def rungs(group: TrialGroup) -> tuple[float, ...]:
    """Demands that can be built, from above 0 to somewhat above the greatest tried."""
    unit = group.conditions.unit
    top = min(_BEYOND * float(group.demand.max()), MOST_DEMAND[unit])
    step = step_of(unit, top)
    return tuple(_rung(k, step) for k in range(1, max(math.floor(top / step), 1) + 1))


def step_of(unit: str, top: float) -> float:
    """The finest spacing of rungs that does not make too many up to a demand. [unit]"""
    return next((step for step in _STEPS[unit] if top / step <= _MOST_RUNGS), _STEPS[unit][-1])


def _rung(number: int, step: float) -> float:
    return round(number * step, 6)


def ruled_trials(group: TrialGroup, count: int) -> RuledTrials:
    """The trials to make next of a group that gives no curve."""
    rule, wanted, reason = _rule(group, count)
    unit = group.conditions.unit
    step = step_of(unit, max(wanted))
    most = MOST_DEMAND[unit] - (step if unit == "deg" else 0.0)  # a wall is no slope
    built = (min(_rung(max(round(demand / step), 1), step), most) for demand in wanted)
    return RuledTrials(rule=rule, demands=tuple(sorted(built)), reason=reason)


def _rule(group: TrialGroup, count: int) -> tuple[Rule, list[float], str]:
    """Which rule, the demands that it wants, and why."""
    unit = group.conditions.unit
    least, greatest = float(group.demand.min()), float(group.demand.max())
    if group.climbed.all():
        apart = max(_APART * greatest, _STEPS[unit][0])
        return "higher", [greatest + apart * (k + 1) for k in range(count)], (
            f"every trial climbed, up to {measure(greatest, unit)}: where it ends to climb lies "
            f"above that. Rungs above it, {percent(_APART)} of it apart, from the lowest up; end "
            "the series at the first failure, and plan again")
    if not group.climbed.any():
        return "lower", [least * (k + 1) / (count + 1) for k in range(count)], (
            f"no trial climbed, down to {measure(least, unit)}: where it begins to climb lies "
            "below that. Rungs spaced evenly between nothing and the least tried")
    if len(group.trials) < FEWEST or least == greatest:
        return "across", _across(group, count), (
            f"some climbed and some failed, but {_too_little(group)}, which does not tell how the "
            f"chance falls. {_ACROSS[least == greatest]}")
    return "both ends", [least if k % 2 else greatest for k in range(count)], (
        "the trials show no fall of the chance with the demand. The greatest and the least tried, "
        "in turn, again: there the difference must be plainest. Look also for what else changed "
        "from trial to trial, and whether outcomes or demands are mixed up in the table")


def _too_little(group: TrialGroup) -> str:
    if len(group.trials) < FEWEST:
        return f"there are only {len(group.trials)} trials"
    return "all are of one demand"


def _across(group: TrialGroup, count: int) -> list[float]:
    """Rungs between two demands; about one, a single rung where the rarer outcome is likelier."""
    low, high = float(group.demand.min()), float(group.demand.max())
    if low < high:
        return list(map(float, np.linspace(low, high, count + 2)[1:-1]))
    if count == 1:
        return [1.5 * low if group.climbed.mean() > 1 / 2 else low / 2]
    return list(map(float, np.linspace(low / 2, 1.5 * low, count)))


__all__ = ["Rule", "RuledTrials", "ruled_trials", "rungs", "step_of"]
