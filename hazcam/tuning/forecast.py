"""What planned trials would make of the bound: every outcome, how likely it is, what it gives.

Pre-posterior analysis (H. Raiffa and R. Schlaifer, Applied Statistical Decision Theory, 1961): each
outcome of the planned trials is taken as if it had happened, the bound is worked out again with it,
and counts by the chance of that outcome under the curves that today's trials allow.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import binom

from hazcam.frames import Floats
from hazcam.tuning.curve import SuccessCurve, height_climbed
from hazcam.tuning.likelihood import Responses, outlook, responses
from hazcam.tuning.record import TrialGroup
from hazcam.tuning.uncertain_curve import PossibleCurves

MOST_OUTCOMES = 64
"""More are not gone through one by one: as many campaigns are drawn instead."""
_SEED = 8_2000


@dataclass(frozen=True, kw_only=True)
class PossibleOutcome:
    """An outcome of the planned trials.

    Attributes
    ----------
    climbed : tuple of int
        How many climb at each of the planned demands.
    chance : float
        That it comes so.
    low : float
        The bound that it would give; 0 where none above 0. [unit of the demand]
    """

    climbed: tuple[int, ...]
    chance: float
    low: float


@dataclass(frozen=True, kw_only=True)
class Forecast:
    """What the planned trials would make of the bound of the height climbed.

    Attributes
    ----------
    now : float
        The bound today; 0 where none above 0. [unit of the demand]
    demands : tuple of float
        Each planned demand once, rising. [unit]
    tried : tuple of int
        How many trials of each.
    outcomes : tuple of PossibleOutcome
        All of them, or those that were drawn.
    drawn : bool
        Whether they were drawn.
    """

    now: float
    demands: tuple[float, ...]
    tried: tuple[int, ...]
    outcomes: tuple[PossibleOutcome, ...]
    drawn: bool

    def __post_init__(self) -> None:
        if abs(sum(one.chance for one in self.outcomes) - 1) > 1e-6:
            raise ValueError("the chances of all outcomes sum to 1")

    @property
    def mean(self) -> float:
        """The bound on average. [unit]"""
        return sum(one.chance * one.low for one in self.outcomes)

    def at_least(self, chance: float) -> float:
        """The greatest bound that is reached with a chance. [unit]"""
        reached = 0.0
        for one in sorted(self.outcomes, key=lambda one: -one.low):
            reached += one.chance
            if reached >= chance - 1e-9:
                return one.low
        return 0.0

    def chance_above(self, bound: float) -> float:
        """Chance that the bound comes out above a value."""
        return sum(one.chance for one in self.outcomes if one.low > bound)


def forecast_of(
    curve: SuccessCurve, curves: Sequence[PossibleCurves], planned: Sequence[float], sigma: float
) -> Forecast:
    """Go through the outcomes of planned trials.

    Parameters
    ----------
    curve : SuccessCurve
        Of the trials made.
    curves : sequence of PossibleCurves
        What they allow.
    planned : sequence of float
        Demands of the planned trials. [unit]
    sigma : float
        One standard deviation of each, as it will be measured. [unit]
    """
    counts = Counter(planned)
    demands = tuple(sorted(counts))
    tried = tuple(counts[demand] for demand in demands)
    to_come = trials_to_come(curve.group, demands, sigma)
    chance = [_chances(one, to_come) for one in curves]
    drawn = math.prod(n + 1 for n in tried) > MOST_OUTCOMES
    likely = (_drawn(curves, chance, tried) if drawn else _all(curves, chance, tried))
    return Forecast(now=max(curve.climbed.low, 0.0), demands=demands, tried=tried, drawn=drawn,
                    outcomes=tuple(PossibleOutcome(
                        climbed=climbed, chance=share,
                        low=_bound(curve, demands, tried, climbed, sigma))
                        for climbed, share in likely.items()))


def trials_to_come(group: TrialGroup, demands: Sequence[float], sigma: float) -> Responses:
    """One trial of each demand that is not made yet; its error counted as those of the group."""
    made, more = len(group.trials), len(demands)
    # None of them was tried: what is known of the spread of true demands stays what it is.
    data = responses(np.concatenate([group.demand, demands]),
                     np.concatenate([group.sigma, np.full(more, sigma)]), np.zeros(made + more),
                     tried=np.concatenate([np.ones(made), np.zeros(more)]))
    return Responses(mean=data.mean[made:], variance=data.variance[made:], climbed=np.zeros(more),
                     tried=np.ones(more), weight=np.ones(more))


def _chances(one: PossibleCurves, to_come: Responses) -> Floats:
    """P(climbed) under each curve, at each demand."""
    return outlook(one.link, one.intercept, one.slope, to_come).up


def _all(
    curves: Sequence[PossibleCurves], chance: Sequence[Floats], tried: tuple[int, ...]
) -> dict[tuple[int, ...], float]:
    """Every outcome and its chance."""
    weight, p = np.concatenate([one.weight for one in curves]), np.concatenate(chance)
    return {climbed: float(weight @ np.prod(binom.pmf(climbed, tried, p), axis=1))
            for climbed in itertools.product(*(range(n + 1) for n in tried))}


def _drawn(
    curves: Sequence[PossibleCurves], chance: Sequence[Floats], tried: tuple[int, ...]
) -> dict[tuple[int, ...], float]:
    """Outcomes of campaigns drawn, each from a curve that is drawn first; and their shares."""
    rng = np.random.default_rng(_SEED)
    weight = np.concatenate([one.weight for one in curves])
    picked = rng.choice(len(weight), MOST_OUTCOMES, p=weight / weight.sum())
    found = Counter(tuple(map(int, row))
                    for row in rng.binomial(tried, np.concatenate(chance)[picked]))
    return {climbed: count / MOST_OUTCOMES for climbed, count in sorted(found.items())}


def _bound(
    curve: SuccessCurve, demands: tuple[float, ...], tried: tuple[int, ...],
    climbed: tuple[int, ...], sigma: float,
) -> float:
    """The bound with one outcome added; 0 where none above 0."""
    asked = curve.climbed
    found = height_climbed(
        _with(curve.group, demands, tried, climbed, sigma), reliability=asked.reliability,
        confidence=asked.confidence, prior=curve.prior, prior_weight=curve.prior_weight)
    return 0.0 if found is None else max(found.low, 0.0)


def _with(
    group: TrialGroup, demands: tuple[float, ...], tried: tuple[int, ...],
    climbed: tuple[int, ...], sigma: float,
) -> TrialGroup:
    """The group with trials added as if they had been made."""
    like = group.trials[0]
    added = [replace(like, id=f"{demand:g} {k}", demand=demand, sigma=sigma,
                     outcome="climbed" if k < up else "stuck")
             for demand, n, up in zip(demands, tried, climbed, strict=True) for k in range(n)]
    return replace(group, trials=(*group.trials, *added))


__all__ = ["MOST_OUTCOMES", "Forecast", "PossibleOutcome", "forecast_of", "trials_to_come"]
