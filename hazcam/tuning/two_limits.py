"""Two limits together: both mistakes at every pair of values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from hazcam.campaign.store.reader import Run
from hazcam.frames import Floats, read_only
from hazcam.rover.profile import LimitName
from hazcam.tuning.curve import SuccessCurve
from hazcam.tuning.headings import RunHeadings, headings_of
from hazcam.tuning.recommend import telling, within_risk
from hazcam.tuning.sweep import sweep_run
from hazcam.tuning.tradeoff import Headings, TradeOff

VALUES = 41
"""Values of the second limit that are tried."""


@dataclass(frozen=True, kw_only=True, eq=False)
class TwoLimits:
    """Both mistakes over two limits.

    Attributes
    ----------
    name, other : str
        Of the limits.
    values, others : ndarray of shape (v,), (m,)
        Of each. [m or deg]
    false_go, bound, needless : ndarray of shape (v, m)
        As in ``TradeOff``; a heading is beyond where either demand is. NaN where none is.
    height, other_height : float
        What the legs climb of each demand. [m or deg]
    from_trials : bool
        Whether the other's is from trials; else it is what the rover has today.
    today : tuple of float
        What both limits are today. [m or deg]
    silent : bool
        The run holds no ground beyond either, and says nothing of false go.
    few_sites : bool
        So few sites hold any that the rate stands for its bound.
    best : tuple of float, or None
        The values with the fewest needless asks among those whose bound is at most the risk,
        neither above its height; the lowest of them.
    """

    name: LimitName
    other: LimitName
    values: Floats
    others: Floats
    false_go: Floats
    bound: Floats
    needless: Floats
    height: float
    other_height: float
    from_trials: bool
    today: tuple[float, float]
    silent: bool
    few_sites: bool
    best: tuple[float, float] | None

    def __post_init__(self) -> None:
        for name in ("values", "others", "false_go", "bound", "needless"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def two_limits(
    run: Run, curve: SuccessCurve, other: LimitName, other_curve: SuccessCurve | None,
    today: tuple[float, float], others: Floats, *, risk: float,
    count: Callable[[Headings, Headings], TradeOff],
) -> TwoLimits:
    """Sweep two limits over a run.

    Parameters
    ----------
    run : Run
    curve : SuccessCurve
        Of the first limit.
    other : str
        The second one.
    other_curve : SuccessCurve or None
        Of the second; None: the legs are taken to manage what the limit is today.
    today : tuple of float
        What both are today. [m or deg]
    others : ndarray of shape (m,)
        Its values, ascending. [m or deg]
    risk : float
        Most of the headings beyond that may be go.
    count : callable
        Gives the trade-off of headings and of those straight ahead.
    """
    headings = headings_of(run, curve, second=(other, others))
    height = today[1] if other_curve is None else other_curve.climbed.low
    headings = _beyond_either(run, headings, other, other_curve, today[1])
    trades = [count(headings.decided(case), headings.ahead(case)) for case in range(len(others))]
    false_go, needless = (np.stack([getattr(t, name).rate for t in trades], axis=1)
                          for name in ("false_go", "needless"))
    bound = np.stack([np.fmax(t.false_go.high, t.false_go_bound.high) for t in trades], axis=1)
    rates = telling(trades[-1])
    # Up along either limit, as up along one.
    allowed = np.logical_and.accumulate(
        np.stack([within_risk(t, risk) for t in trades], axis=1), axis=1)
    values = headings.sweep.values
    allowed &= (values[:, None] <= curve.climbed.low + 1e-9) & (others <= height + 1e-9)
    return TwoLimits(
        name=curve.group.conditions.kind, other=other, values=values, others=others,
        false_go=false_go, bound=bound, needless=needless, height=curve.climbed.low,
        other_height=height, from_trials=other_curve is not None,
        today=today, silent=not rates, few_sites=any(r.least_high > risk for r in rates),
        best=_best(values, others, needless, allowed))


def _beyond_either(
    run: Run, headings: RunHeadings, other: LimitName, curve: SuccessCurve | None, today: float
) -> RunHeadings:
    if curve is not None:
        second = headings_of(run, curve)
        chances = second.beyond, second.beyond_bound, second.failing
    else:
        swept = sweep_run(run, other, [today], beyond=[today])
        chances = (swept.chance[:, 0].astype(np.float64),) * 3
    names = ("beyond", "beyond_bound", "failing")
    either = {name: 1 - (1 - getattr(headings, name)) * (1 - chance)
              for name, chance in zip(names, chances, strict=True)}
    for walk in headings.walks:
        for name in names:
            either[name][walk.place] = getattr(headings, name)[walk.place]
    return replace(headings, **either)


def _best(
    values: Floats, others: Floats, needless: Floats, allowed: np.ndarray[tuple[int, int],
                                                                          np.dtype[np.bool_]]
) -> tuple[float, float] | None:
    if not allowed.any():
        return None
    least = np.where(allowed, np.nan_to_num(needless, nan=0.0), np.inf)
    i, j = np.unravel_index(int(np.argmin(least)), least.shape)
    return float(values[i]), float(others[j])
