"""The limit to set: never more than the trials show the legs to climb, nor than the run allows.

Going up from the lowest value, the limit ends before the first whose false-go bound is above the
risk. The true rate only grows with the limit, so that a value above the true safe one is reached
only if the bound fails at the first of these: as rarely as the confidence says, however many values
are tried (S. Bates et al., J. ACM 68, 2021, article 43: risk-controlling prediction sets). The
greatest of all values whose bound happens to be low enough would not have that.

So few sites may hold ground beyond that their bound is above the risk even if none of it is go: at
95 % confidence, 5 % take 59. The run cannot show then that the risk is met; what it does show, the
rate itself, is held against the risk instead, and that is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats
from hazcam.tuning.tradeoff import Rate, TradeOff

Basis = Literal["trials", "run", "none"]
LEAST_BEYOND = 0.5
"""Headings beyond, expected, below which a run says nothing of false go."""


@dataclass(frozen=True, kw_only=True)
class Recommendation:
    """A value of a limit, and why it is no greater.

    Attributes
    ----------
    value : float or None
        Above 0; None where the trials show no such height, or the run forbids it. [m or deg]
    place : int
        Among the values of the trade-off; -1 where there is none.
    basis : str
        ``trials``: the height climbed ends it; ``run``: the false-go rate does, at the lowest value
        already where none is recommended; ``none``: the trials show no height.
    silent : bool
        The run holds no ground beyond the height climbed, and says nothing of false go.
    few_sites : bool
        So few sites hold any that no bound is as low as the risk: the rate stands for it.
    cheapest : float or None
        The value of the least expected cost, the lowest of them; None where no costs are given.
    cheapest_place : int
        -1 where there is none.
    """

    value: float | None
    place: int
    basis: Basis
    silent: bool
    few_sites: bool
    cheapest: float | None
    cheapest_place: int


def recommend(trade: TradeOff, height: float, risk: float) -> Recommendation:
    """The greatest limit whose false-go bound is at most the risk, up to the height climbed.

    Parameters
    ----------
    trade : TradeOff
        Of the run.
    height : float
        That is climbed with the reliability, at the confidence; -inf: none. [m or deg]
    risk : float
        Share of the headings beyond that may be go.
    """
    rates = telling(trade)
    cheapest = -1 if trade.cost is None or not trade.headings else int(np.nanargmin(trade.cost))
    within = trade.values <= height + 1e-9
    place = -1
    basis: Basis = "none"
    if height > 0 and within.any():
        both = within & within_risk(trade, risk)
        place = int(both.sum()) - 1
        basis = "trials" if both.sum() == within.sum() else "run"
        if place >= 0 and trade.values[place] <= 0:
            place, basis = -1, "run" if basis == "run" else "none"
    return Recommendation(
        value=float(trade.values[place]) if place >= 0 else None, place=place, basis=basis,
        silent=not rates, few_sites=any(rate.least_high > risk for rate in rates),
        cheapest=None if cheapest < 0 else float(trade.values[cheapest]), cheapest_place=cheapest)


def within_risk(trade: TradeOff, risk: float) -> NDArray[np.bool_]:
    """Values up to which what is held against the risk is at most that, shape (v,).

    All values of a run that is silent.
    """
    return np.asarray(np.logical_and.accumulate(~(held_against_risk(trade, risk) > risk)))


def held_against_risk(trade: TradeOff, risk: float) -> Floats:
    """The bound of the false-go rate, or where sites are too few the rate, shape (v,).

    The greater one of both heights; NaN where the run is silent.
    """
    held = np.full(len(trade.values), np.nan)
    for rate in telling(trade):
        held = np.fmax(held, rate.high if rate.least_high <= risk else rate.rate)
    return held


def telling(trade: TradeOff) -> list[Rate]:
    """The false-go rates that the run has ground for."""
    return [rate for rate in (trade.false_go, trade.false_go_bound) if rate.of >= LEAST_BEYOND]
