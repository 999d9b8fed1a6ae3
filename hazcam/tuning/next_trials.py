"""Which trials to make next: those that would narrow the height climbed the most.

With a curve by what they would tell of it (``design``), and with what they would make of the bound
(``forecast``); without one by rules (``next_rules``).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from hazcam.tuning.curve import NoCurve, SuccessCurve, data_of
from hazcam.tuning.design import Narrowing, chosen_trials
from hazcam.tuning.forecast import Forecast, forecast_of, trials_to_come
from hazcam.tuning.next_rules import Rule, ruled_trials, rungs
from hazcam.tuning.record import TrialGroup, TrialTable
from hazcam.tuning.support import Support
from hazcam.tuning.uncertain_curve import possible_curves
from hazcam.tuning.words import of_hundred, percent

_NUMBERED = re.compile(r"(.*?)([0-9]{1,9})")


@dataclass(frozen=True, kw_only=True)
class TrialPlan:
    """The trials to make next.

    Attributes
    ----------
    group : TrialGroup
        The trials made.
    rule : str
        ``information``: by the fitted curve; without one as in ``RuledTrials``.
    demands : tuple of float
        One for each trial, rising. [unit of the demand]
    sigma : float
        One standard deviation that each is to be measured with. [unit]
    reason : str
        Why these.
    narrowing : float or None
        What the standard deviation of the height climbed would shrink to, as a share of today's;
        None without a curve.
    forecast : Forecast or None
        What would become of the bound; None without a curve.
    support : Support
        What the trials made can bear.
    """

    group: TrialGroup
    rule: Rule | Literal["information"]
    demands: tuple[float, ...]
    sigma: float
    reason: str
    narrowing: float | None
    forecast: Forecast | None
    support: Support

    def __post_init__(self) -> None:
        if not self.demands or list(self.demands) != sorted(self.demands):
            raise ValueError("a TrialPlan needs demands, and they rise")
        if self.demands[0] <= 0 or self.sigma < 0:
            raise ValueError("planned demands are above 0, and sigma is 0 or more")

    @property
    def stepwise(self) -> bool:
        """Whether they are made from the least up until one fails; else in any order."""
        return self.rule == "higher"

    def order(self, seed: int) -> tuple[float, ...]:
        """The demands in the order in which to make the trials.

        Shuffled, so that what drifts over the day does not follow the demand; rising where each
        waits for the one before.
        """
        if self.stepwise:
            return self.demands
        return tuple(map(float, np.random.default_rng(seed).permutation(self.demands)))


def next_trials(
    curve: SuccessCurve | NoCurve, count: int, *, sigma: float | None = None,
    demands: Sequence[float] | None = None,
) -> TrialPlan:
    """Choose the trials to make next.

    Parameters
    ----------
    curve : SuccessCurve or NoCurve
        Of the trials made.
    count : int
        How many trials, at least 1.
    sigma : float, optional
        One standard deviation that the new demands are measured with; by default the median of
        those made. [unit of the demand]
    demands : sequence of float, optional
        What can be built; by default rungs up to a quarter above the greatest demand tried, two
        ``sigma`` apart and no less than 1 mm or half a degree. Without a curve they are not looked
        at. [unit]

    Raises
    ------
    ValueError
        No trial asked for, or a demand that is not above 0.
    """
    if count < 1:
        raise ValueError("at least one trial is planned")
    expected = float(np.median(curve.group.sigma)) if sigma is None else sigma
    if isinstance(curve, NoCurve):
        ruled = ruled_trials(curve.group, count, expected)
        return TrialPlan(group=curve.group, rule=ruled.rule, demands=ruled.demands, sigma=expected,
                         reason=ruled.reason, narrowing=None, forecast=None, support=curve.support)
    built = rungs(curve.group, expected) if demands is None else demands
    candidates = tuple(sorted(set(built)))
    if not candidates or candidates[0] <= 0:
        raise ValueError("candidates lie above 0, and there is at least one")
    return _by_information(curve, count, expected, candidates)


def _by_information(
    curve: SuccessCurve, count: int, sigma: float, candidates: tuple[float, ...]
) -> TrialPlan:
    curves, asked = possible_curves(curve), curve.climbed.reliability
    narrowing = Narrowing(data_of(curve.group, curve.prior, curve.prior_weight),
                          trials_to_come(curve.group, candidates, sigma), curves, asked)
    chosen = chosen_trials(narrowing, count)
    planned = tuple(candidates[k] for k in chosen)
    share = math.exp((narrowing.level(chosen) - narrowing.level()) / 2)
    return TrialPlan(
        group=curve.group, rule="information", demands=planned, sigma=sigma, narrowing=share,
        reason=f"of what can be built, this tells most of the {curve.group.conditions.kind} that "
        f"{of_hundred(asked)} trials climb: its standard deviation is expected to shrink to "
        f"{percent(round(share, 2))} of today's, averaged over the curves that the trials made "
        "allow", support=curve.support, forecast=forecast_of(curve, curves, planned, sigma))


def free_ids(table: TrialTable, group: TrialGroup, count: int) -> tuple[str, ...]:
    """Ids for trials to come: after ``sand-36`` come ``sand-37``, ``sand-38``.

    Numbered on from the last trial of the group whose id ends in a number; no id of the table is
    used again.
    """
    numbered = [found for trial in group.trials if (found := _NUMBERED.fullmatch(trial.id))]
    before, width = (numbered[-1][1], len(numbered[-1][2])) if numbered else ("trial-", 2)
    taken = [int(found[2]) for trial in table.trials
             if (found := _NUMBERED.fullmatch(trial.id)) and found[1] == before]
    first = max(taken, default=0) + 1
    return tuple(f"{before}{number:0{width}d}" for number in range(first, first + count))


__all__ = ["TrialPlan", "free_ids", "next_trials"]
