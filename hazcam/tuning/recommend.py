"""The limit to set: never more than the trials show the legs to climb, nor than the run allows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from hazcam.tuning.tradeoff import TradeOff

Basis = Literal["trials", "run", "none"]
LEAST_BEYOND = 0.5
"""Headings beyond, expected, below which a run says nothing of false go."""


@dataclass(frozen=True, kw_only=True)
class Recommendation:
    """A value of a limit, and why it is no greater.

    Attributes
    ----------
    value : float or None
        None where the trials show no height above 0. [m or deg]
    place : int
        Among the values of the trade-off; -1 where there is none.
    basis : str
        ``trials``: the height climbed ends it; ``run``: the bound of the false-go rate does.
    silent : bool
        The run holds no ground beyond the height climbed, and says nothing of false go.
    cheapest : float or None
        The value of the least expected cost, the lowest of them; None where no costs are given.
    cheapest_place : int
        -1 where there is none.
    """

    value: float | None
    place: int
    basis: Basis
    silent: bool
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
    silent = max(trade.false_go.of, trade.false_go_bound.of) < LEAST_BEYOND
    cheapest = -1 if trade.cost is None or not trade.headings else int(np.nanargmin(trade.cost))
    within = np.nonzero(trade.values <= height + 1e-9)[0]
    place = -1
    basis: Basis = "none"
    if height > 0 and within.size:
        place, basis = int(within[-1]), "trials"
        if not silent:
            high = np.fmax(trade.false_go.high, trade.false_go_bound.high)
            allowed = within[(high[within] <= risk) | (trade.go_share[within] == 0)]
            if int(allowed[-1]) < place:
                place, basis = int(allowed[-1]), "run"
    return Recommendation(
        value=float(trade.values[place]) if place >= 0 else None, place=place,
        basis=basis, silent=silent,
        cheapest=None if cheapest < 0 else float(trade.values[cheapest]), cheapest_place=cheapest)
