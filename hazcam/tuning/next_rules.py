"""What can be built, and which trials to make next where those made give no curve.

Rungs are the demands that are planned. They lie no closer than two standard deviations of a
measured demand, within which a demand is to be built: two that are closer could not be told apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from hazcam.tuning.cells import MOST_DEMAND
from hazcam.tuning.curve import FEWEST
from hazcam.tuning.record import TrialGroup
from hazcam.tuning.words import measure

Rule = Literal["higher", "lower", "across", "both ends"]

# Rungs that can be built, the finest first, and how many are looked at at most: our choice.
_STEPS = {"m": (0.001, 0.002, 0.005, 0.01), "deg": (0.5, 1.0)}
_MOST_RUNGS = 200
_FEWEST_RUNGS = 4  # up to the greatest wanted, however badly demands are measured: our choice
_SIGMAS = 2.0
_BEYOND = 1.25  # how far above the greatest demand tried is looked, as a share of it
_ACROSS = {True: "Rungs spaced evenly from half of it to half as much again",
           False: "Rungs spaced evenly between the least and the greatest tried"}
_ROUNDING = 1e-6  # of a quotient
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


def rungs(group: TrialGroup, sigma: float) -> tuple[float, ...]:
    """Demands that can be built, from above 0 to somewhat above the greatest tried.

    Parameters
    ----------
    group : TrialGroup
        The trials made.
    sigma : float
        One standard deviation that each is measured with. [unit of the demand]
    """
    unit = group.conditions.unit
    top = min(_BEYOND * float(group.demand.max()), MOST_DEMAND[unit])
    step = step_of(unit, top, sigma)
    return tuple(_rung(k, step) for k in range(1, max(math.floor(top / step), 1) + 1))


def step_of(unit: str, top: float, sigma: float) -> float:
    """How far apart rungs lie up to a demand. [unit]

    The finest spacing that does not make too many; a multiple of it that is two ``sigma`` or more,
    as long as that leaves a few.

    Examples
    --------
    >>> step_of("m", 0.08, 0.0), step_of("m", 0.08, 0.0015), step_of("m", 0.02, 0.02)
    (0.001, 0.003, 0.005)
    """
    finest = next((s for s in _STEPS[unit] if top / s <= _MOST_RUNGS), _STEPS[unit][-1])
    apart = math.ceil(_SIGMAS * sigma / finest - _ROUNDING)
    few = math.floor(top / _FEWEST_RUNGS / finest + _ROUNDING)
    return _rung(max(min(apart, few), 1), finest)


def _rung(number: int, step: float) -> float:
    return round(number * step, 6)


def ruled_trials(group: TrialGroup, count: int, sigma: float) -> RuledTrials:
    """The trials to make next of a group that gives no curve; ``sigma`` as in ``rungs``."""
    rule, wanted, reason = _rule(group, count, sigma)
    unit = group.conditions.unit
    # What is tried again is built as it was.
    step = step_of(unit, _BEYOND * float(group.demand.max()) if rule == "higher" else max(wanted),
                   0.0 if rule == "both ends" else sigma)
    most = MOST_DEMAND[unit] - (step if unit == "deg" else 0.0)  # a wall is no slope
    up = 0.0 if rule == "lower" else 0.5  # never above what failed
    built = (min(_rung(max(math.floor(demand / step + up + _ROUNDING), 1), step), most)
             for demand in wanted)
    return RuledTrials(rule=rule, demands=tuple(sorted(built)), reason=reason)


def _rule(group: TrialGroup, count: int, sigma: float) -> tuple[Rule, list[float], str]:
    """Which rule, the demands that it wants, and why."""
    unit = group.conditions.unit
    least, greatest = float(group.demand.min()), float(group.demand.max())
    if group.climbed.all():
        apart = max(_APART * greatest, step_of(unit, _BEYOND * greatest, sigma))
        return "higher", [greatest + apart * (k + 1) for k in range(count)], (
            f"every trial climbed, up to {measure(greatest, unit)}: where it ends to climb lies "
            f"above that. Rungs above it, about {measure(apart, unit)} apart, from the lowest up; "
            "end the series at the first failure, and plan again")
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
