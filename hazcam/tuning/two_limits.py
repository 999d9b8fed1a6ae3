"""Two limits together: both mistakes at every pair of values.

At each value of the second limit the first is raised until the run forbids more, as one limit alone
is (``recommend``). The best of many such ways up would exceed the risk more often than each: the
bounds are at a confidence so high that all of them hold together (C. E. Bonferroni: what the
confidence leaves is shared among the values of the second limit up to its height, which are known
without the run). Simulated with 200 sites and 41 values of the second limit, the true rate of the
best pair is above a risk of 5 % in none of 400 campaigns; with bounds at the confidence of one
limit it would be in 18 %. It takes more sites to show a risk than with one limit: at 95 %
confidence and 20 values, 117 for 5 %.

Of the pairs that are allowed the one with the fewest needless asks is taken, and of several the
lowest: what saves no ask on this run buys nothing, and may only be wrong elsewhere. One limit alone
has no such choice: there more limit is fewer asks, whatever the ground.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.store.reader import Run
from hazcam.frames import Floats, read_only
from hazcam.rover.profile import LimitName
from hazcam.tuning.curve import SuccessCurve
from hazcam.tuning.headings import RunHeadings, headings_of
from hazcam.tuning.recommend import bound_of, shown_by, telling, within_risk
from hazcam.tuning.sweep import sweep_run
from hazcam.tuning.tradeoff import FalseGo, false_go_of, needless_of

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
        The rates as in ``TradeOff``, and the greater upper bound of false go; a heading is beyond
        where either demand is. NaN where none is.
    confidence : float
        Of each bound: all hold together at the confidence asked for.
    height, other_height : float
        What the legs climb of each demand. [m or deg]
    from_trials : bool
        Whether the other's is from trials; else it is what the rover has today.
    today : tuple of float
        What both limits are today. [m or deg]
    silent : bool
        The run holds no ground beyond either, and says nothing of false go.
    shown : bool
        As in ``Recommendation``.
    best : tuple of float, or None
        The values with the fewest needless asks among those that the run allows, neither above its
        height; the lowest of them.
    """

    name: LimitName
    other: LimitName
    values: Floats
    others: Floats
    false_go: Floats
    bound: Floats
    needless: Floats
    confidence: float
    height: float
    other_height: float
    from_trials: bool
    today: tuple[float, float]
    silent: bool
    shown: bool
    best: tuple[float, float] | None

    def __post_init__(self) -> None:
        for name in ("values", "others", "false_go", "bound", "needless"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def two_limits(
    run: Run, curve: SuccessCurve, other: LimitName, other_curve: SuccessCurve | None,
    today: tuple[float, float], others: Floats, *, risk: float, confidence: float,
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
    confidence : float
        With which all bounds hold together.
    """
    headings = headings_of(run, curve, second=(other, others))
    height = today[1] if other_curve is None else other_curve.climbed.low
    headings = _beyond_either(run, headings, other, other_curve, today[1])
    values, usable = headings.sweep.values, others <= height + 1e-9
    each = shared_confidence(confidence, int(usable.sum()))
    cases = [headings.decided(case) for case in range(len(others))]
    found = [false_go_of(case, values, each) for case in cases]
    needless = np.stack([needless_of(case, len(values), each).rate for case in cases], axis=1)
    allowed = allowed_pairs(found, risk) & (values[:, None] <= curve.climbed.low + 1e-9) & usable
    return TwoLimits(
        name=curve.group.conditions.kind, other=other, values=values, others=others,
        false_go=np.stack([one.false_go.rate for one in found], axis=1),
        bound=np.stack([bound_of(one) for one in found], axis=1), needless=needless,
        confidence=each, height=curve.climbed.low, other_height=height,
        from_trials=other_curve is not None, today=today, silent=not telling(found[-1]),
        shown=shown_by(found[-1], risk), best=best_of(values, others, needless, allowed))


def shared_confidence(confidence: float, ways: int) -> float:
    """Of each of so many bounds, for all to hold together at the confidence."""
    return 1 - (1 - confidence) / max(1, ways)


def allowed_pairs(found: Sequence[FalseGo], risk: float) -> NDArray[np.bool_]:
    """What the run allows of the first limit at each value of the second, shape (v, m).

    Up along either limit, as up along one.
    """
    columns = np.stack([within_risk(one, risk) for one in found], axis=1)
    return np.asarray(np.logical_and.accumulate(columns, axis=1))


def _beyond_either(
    run: Run, headings: RunHeadings, other: LimitName, curve: SuccessCurve | None, today: float
) -> RunHeadings:
    if curve is not None:
        second = headings_of(run, curve)
        chances = second.beyond, second.beyond_bound
    else:
        swept = sweep_run(run, headings.sweep.rover, other, [today], beyond=[today])
        chances = (swept.chance[:, 0].astype(np.float64),) * 2
    names = ("beyond", "beyond_bound")
    either = {name: 1 - (1 - getattr(headings, name)) * (1 - chance)
              for name, chance in zip(names, chances, strict=True)}
    return replace(headings, **either)


def best_of(
    values: Floats, others: Floats, needless: Floats, allowed: NDArray[np.bool_]
) -> tuple[float, float] | None:
    """Of the pairs allowed the one with the fewest needless asks, the lowest of them.

    Both above 0; None where there is no such pair, or none saves an ask.
    """
    allowed = allowed & (values[:, None] > 0) & (others > 0)
    least = np.where(allowed & (needless < 1), needless, np.inf)
    if not np.isfinite(least).any():
        return None
    i, j = np.unravel_index(int(np.argmin(least)), least.shape)
    return float(values[i]), float(others[j])
