"""The limit to set: never more than the trials show the legs to climb, nor than the run allows.

Going up from the lowest value, the limit ends before the first whose false-go bound is above the
risk. The true rate only grows with the limit, so that a value above the true safe one is reached
only if the bound fails at the first of these: as rarely as the confidence says, however many values
are tried (S. Bates et al., J. ACM 68, 2021, article 43: risk-controlling prediction sets). The
greatest of all values whose bound happens to be low enough would not have that.

So few sites may hold ground beyond that their bound is above the risk even if none of it is go: at
95 % confidence, 5 % take 59. The run cannot show then that the risk is met, which is said. It still
ends the limit before the first value at which anything goes wrong (``Rate.never``), as 59 sites
would: what holds as rarely as the confidence says is then the bound of none, not the risk. Where
legs climb everything, the run alone would let the limit exceed the one that is truly safe at 5 % in
about ``(1 - risk) ** sites`` of the campaigns, the chance that no site shows it. It is the height
climbed that guards against that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats
from hazcam.tuning.tradeoff import FalseGo, Rate

Basis = Literal["trials", "run", "none"]
LEAST_BEYOND = 0.999
"""Headings beyond, expected, below which a run says nothing of false go: one, whose chance need not
be quite 1."""


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
    shown : bool
        The run shows that the risk is met: enough sites hold ground beyond for a bound as low as
        the risk. Else no false go is at any of them.
    """

    value: float | None
    place: int
    basis: Basis
    silent: bool
    shown: bool


def recommend(found: FalseGo, height: float, risk: float) -> Recommendation:
    """The greatest limit whose false-go bound is at most the risk, up to the height climbed.

    Parameters
    ----------
    found : FalseGo
        Of the run.
    height : float
        That is climbed with the reliability, at the confidence; -inf: none. [m or deg]
    risk : float
        Share of the headings beyond that may be go.
    """
    within = found.values <= height + 1e-9
    place = -1
    basis: Basis = "none"
    if height > 0 and within.any():
        both = within & within_risk(found, risk)
        place = int(both.sum()) - 1
        basis = "trials" if both.sum() == within.sum() else "run"
        if place >= 0 and found.values[place] <= 0:
            place, basis = -1, "run" if basis == "run" else "none"
    return Recommendation(
        value=float(found.values[place]) if place >= 0 else None, place=place, basis=basis,
        silent=not telling(found), shown=shown_by(found, risk))


def within_risk(found: FalseGo, risk: float) -> NDArray[np.bool_]:
    """Values up to which no false-go rate is more than ``bears``, shape (v,).

    All values of a run that is silent.
    """
    allowed = np.ones(len(found.values), dtype=bool)
    for rate in telling(found):
        allowed &= bears(rate, risk)
    return np.asarray(np.logical_and.accumulate(allowed))


def bears(rate: Rate, risk: float) -> NDArray[np.bool_]:
    """Values whose bound is at most the risk; where none can be, at which none goes wrong, (v,)."""
    if rate.least_high <= risk:
        return np.asarray(rate.high <= risk)
    # One site bears a chance of 5 % as none, which may be more than the risk.
    return np.asarray(rate.never & (rate.rate <= risk))


def shown_by(found: FalseGo, risk: float) -> bool:
    """Whether enough sites hold ground beyond for bounds as low as the risk."""
    rates = telling(found)
    return bool(rates) and all(rate.least_high <= risk for rate in rates)


def bound_of(found: FalseGo) -> Floats:
    """The greater of the upper bounds of both heights, shape (v,); NaN where the run is silent."""
    bound = np.full(len(found.values), np.nan)
    for rate in telling(found):
        bound = np.fmax(bound, rate.high)
    return bound


def telling(found: FalseGo) -> list[Rate]:
    """The false-go rates that the run has ground for."""
    return [rate for rate in (found.false_go, found.false_go_bound) if rate.of >= LEAST_BEYOND]
