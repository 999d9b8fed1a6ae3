"""Both mistakes at every value of a limit, counted over the headings of a run.

*Ground beyond.* The success curve says which demand the legs climb with the reliability asked for;
a heading is *beyond* it with the probability that its greatest demand is. Where someone let the
rover walk it, what came of it stands instead: not climbed is beyond, climbed is not.

*False go*: of the headings that are beyond, the share that is go. *Needless ask*: of those that are
not, the share that asks and would go with the greatest value of the limit. Headings that ask at
every value are no matter of this limit and count in neither. As in ``verdict/gist.py``, all other
limits and the confidence stay as they were assessed.

*Expected failures*: the capability of the legs differs from trial to trial as the success curve
says, and the heading fails where its demand is above it.

*Intervals.* The headings of a site share its ground, so that sites are what is counted: the rate
is a ratio of two sums over sites, its variance that of the linearised ratio between sites, its
interval that of Student's t on the logit scale (E. L. Korn and B. I. Graubard, Analysis of Health
Surveys, 1999, section 3.3; W. G. Cochran, Sampling Techniques, 3rd ed. 1977, section 6.3). Sites
that hold little count little: they are worth ``sum(w)**2 / sum(w**2)`` sites of one size (L. Kish,
Survey Sampling, 1965, section 11.7). No interval promises more than the exact bound of so many
sites without any event: chances are never quite 0, and what few sites did not show is not excluded
by a chance of a millionth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, logit
from scipy.stats import t as student

from hazcam.frames import Floats, read_only

_ROUNDING = 1e-12  # of a sum of chances
_ONE = 1.01  # sites that are worth no more are one: nothing shows how sites differ


@dataclass(frozen=True, kw_only=True, eq=False)
class Headings:
    """What is counted, one entry a heading that the limit decides.

    Attributes
    ----------
    least : ndarray of shape (n,), int
        Place of the first value of the limit with which it goes.
    beyond, beyond_bound : ndarray of shape (n,)
        Probability that its demand is beyond the height climbed: the likeliest one, and the one at
        the stated confidence.
    failing : ndarray of shape (n,)
        Probability that the rover would not climb it.
    cluster : ndarray of shape (n,), int
        Of the site (or day, or pair), from 0.
    """

    least: NDArray[np.int64]
    beyond: Floats
    beyond_bound: Floats
    failing: Floats
    cluster: NDArray[np.int64]

    def __post_init__(self) -> None:
        for name in ("least", "beyond", "beyond_bound", "failing", "cluster"):
            value = getattr(self, name)
            if value.shape != self.least.shape:
                raise ValueError(f"{name} of Headings is {value.shape}, not {self.least.shape}")
            if np.isnan(value).any():
                raise ValueError(f"{name} of Headings is not known of all of them")
            object.__setattr__(self, name, read_only(value))

    def of(self, which: NDArray[np.bool_]) -> Headings:
        """Some of them."""
        return Headings(**{
            name: getattr(self, name)[which]
            for name in ("least", "beyond", "beyond_bound", "failing", "cluster")})


@dataclass(frozen=True, kw_only=True, eq=False)
class Rate:
    """A rate at every value of a limit.

    Attributes
    ----------
    rate, low, high : ndarray of shape (v,)
        NaN where there is nothing that could happen; the bounds one-sided at the confidence each,
        0 and 1 of a single site.
    of : float
        How many headings it could happen to, expected.
    clusters : float
        How many sites of one size those are worth that hold any of them.
    least_high : float
        The upper bound if it never happened: so many sites support none below. NaN as above.
    """

    rate: Floats
    low: Floats
    high: Floats
    of: float
    clusters: float
    least_high: float

    def __post_init__(self) -> None:
        for name in ("rate", "low", "high"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, kw_only=True, eq=False)
class TradeOff:
    """Both mistakes at every value of a limit.

    Attributes
    ----------
    values : ndarray of shape (v,)
        Of the limit. [m or deg]
    false_go : Rate
        Of headings beyond the likeliest height climbed.
    false_go_bound : Rate
        Of headings beyond the height climbed at the stated confidence.
    needless : Rate
        Of headings within the likeliest height.
    failures : Rate
        Of the headings that are go: expected failures.
    go_share : ndarray of shape (v,)
        Of the headings decided, those that are go.
    go_m : ndarray of shape (v, 3)
        Distance walked straight ahead between asks, and its bounds; +inf: never asked. [m]
    cost : ndarray of shape (v,), or None
        Expected, for each heading decided; None where no costs are given.
    headings : int
        That the limit decides.
    """

    values: Floats
    false_go: Rate
    false_go_bound: Rate
    needless: Rate
    failures: Rate
    go_share: Floats
    go_m: Floats
    cost: Floats | None
    headings: int

    def bound(self, place: int) -> float:
        """Upper bound of the false-go rate; NaN where nothing is beyond."""
        both = (self.false_go.high[place], self.false_go_bound.high[place])
        return float(np.fmax(*both))


def rate_of(
    counted: Floats, possible: Floats, cluster: NDArray[np.int64], least: NDArray[np.int64],
    values: int, confidence: float, *, up: bool,
) -> Rate:
    """A rate at every value of a limit, counted over clusters.

    Parameters
    ----------
    counted, possible : ndarray of shape (n,)
        How much each heading adds once it counts, and in any case.
    cluster, least : ndarray of shape (n,)
        Of each heading; it counts from ``least`` on (``up``), or before it.
    values : int
        How many values there are.
    confidence : float
        Of each bound.
    up : bool
        Whether a heading counts where it is go.
    """
    of_each = np.bincount(cluster, possible)
    total = float(of_each.sum())
    if total <= 0:
        none = np.full(values, np.nan)
        return Rate(rate=none, low=none, high=none, of=0.0, clusters=0.0, least_high=np.nan)
    weight = of_each[cluster]
    sums, squares, products = (_at_values(of, least, values, up=up) for of in (
        counted, _growth(counted, counted, cluster, least, up=up), counted * weight))
    rate = np.clip(sums / total, 0.0, 1.0)
    rate[rate > 1 - _ROUNDING] = 1.0
    residual = squares - 2 * rate * products + rate**2 * float((of_each**2).sum())
    worth = 1 / float(((of_each / total) ** 2).sum())
    low, high = _bounds(rate, np.maximum(residual, 0.0) / total**2, np.full(values, worth),
                        confidence)
    return Rate(rate=rate, low=low, high=high, of=total, clusters=worth,
                least_high=float(_none_of(worth, confidence)))


def _at_values(
    adds: Floats, least: NDArray[np.int64], values: int, *, up: bool = True
) -> Floats:
    """Sum of what headings add once they count, at each value, shape (v,); none is exactly 0."""
    at = np.bincount(least, adds, minlength=values + 1)
    summed = np.cumsum(at)[:-1] if up else np.cumsum(at[::-1])[-2::-1]
    return np.asarray(summed, dtype=np.float64)


def _growth(
    x: Floats, y: Floats, cluster: NDArray[np.int64], least: NDArray[np.int64], *, up: bool = True
) -> Floats:
    """What each heading, as it counts, adds to the sum over sites of its site's x times its y."""
    order = np.lexsort((least if up else -least, cluster))
    begins = np.flatnonzero(np.diff(cluster[order], prepend=-1))
    size = np.diff(begins, append=len(order))
    before = []
    for of in (x, y):
        all_before = np.cumsum(of[order]) - of[order]
        before.append(all_before - np.repeat(all_before[begins], size))
    added = np.empty(len(order))
    added[order] = x[order] * before[1] + y[order] * before[0] + x[order] * y[order]
    return added


def _none_of(clusters: ArrayLike, confidence: float) -> Floats:
    """Upper bound of a rate of which so many sites show nothing: exact, of whole sites."""
    return np.asarray(1 - (1 - confidence) ** (1 / np.asarray(clusters)))


def _bounds(
    rate: Floats, variance: Floats, clusters: Floats, confidence: float
) -> tuple[Floats, Floats]:
    """Student's t on the logit scale, but never narrower than where nothing, or all, happened."""
    none = _none_of(clusters, confidence)
    low, high = np.zeros_like(rate), np.ones_like(rate)
    low[rate == 1], high[rate == 0] = 1.0, 0.0
    inner = (rate > 0) & (rate < 1) & (clusters > _ONE)
    p, held = rate[inner], clusters[inner]
    reach = student.ppf(confidence, held - 1) * np.sqrt(
        variance[inner] * held / (held - 1)) / (p * (1 - p))
    low[inner], high[inner] = expit(logit(p) - reach), expit(logit(p) + reach)
    return np.minimum(low, 1 - none), np.maximum(high, none)


def trade_off(
    headings: Headings, ahead: Headings, values: Floats, *, look_ahead_m: float,
    confidence: float, costs: tuple[float, float] | None,
) -> TradeOff:
    """Count both mistakes at every value of a limit.

    Parameters
    ----------
    headings : Headings
        Those that the limit decides.
    ahead : Headings
        Straight ahead, one of each pair, those included that go with no value (``least`` = v).
    values : ndarray of shape (v,)
        Of the limit, ascending. [m or deg]
    look_ahead_m : float
        That a go walks. [m]
    confidence : float
        Of each bound.
    costs : tuple of float, optional
        Of a false go and of a needless ask, in one unit of the user's.
    """
    v, least, cluster = len(values), headings.least, headings.cluster

    def rate(counted: Floats, possible: Floats, *, up: bool) -> Rate:
        return rate_of(counted, possible, cluster, least, v, confidence, up=up)

    ones = np.ones(len(least))
    go_share = rate(ones, ones, up=True).rate
    failed = rate(headings.failing, ones, up=True)
    cost = None
    if costs is not None:
        cost = costs[0] * failed.rate + costs[1] * rate(1 - headings.failing, ones, up=False).rate
    return TradeOff(
        values=values, false_go=rate(headings.beyond, headings.beyond, up=True),
        false_go_bound=rate(headings.beyond_bound, headings.beyond_bound, up=True),
        needless=rate(1 - headings.beyond, 1 - headings.beyond, up=False),
        failures=_of_goes(headings, v, confidence), go_share=go_share,
        go_m=_go_m(ahead, v, look_ahead_m, confidence), cost=cost, headings=len(least))


def _of_goes(headings: Headings, values: int, confidence: float) -> Rate:
    """Expected failures of the headings that are go: both sums grow with the limit."""
    cluster, least, failing = headings.cluster, headings.least, headings.failing
    ones = np.ones(len(least))
    f, g, ff, fg, gg = (_at_values(of, least, values) for of in (
        failing, ones, *(_growth(x, y, cluster, least) for x, y in (
            (failing, failing), (failing, ones), (ones, ones)))))
    some = g > 0
    f, g, ff, fg, gg = (of[some] for of in (f, g, ff, fg, gg))
    rate, low, high = (np.full(values, np.nan) for _ in range(3))
    rate[some] = np.clip(f / g, 0.0, 1.0)
    variance = np.maximum(ff - 2 * rate[some] * fg + rate[some]**2 * gg, 0.0) / g**2
    low[some], high[some] = _bounds(rate[some], variance, g**2 / gg, confidence)
    most = float(g[-1]**2 / gg[-1]) if len(g) else 0.0
    return Rate(rate=rate, low=low, high=high, of=float(len(least)), clusters=most,
                least_high=float(_none_of(most, confidence)) if len(g) else np.nan)


def _go_m(ahead: Headings, values: int, look_ahead_m: float, confidence: float) -> Floats:
    """Distance between asks: a go walks the look-ahead, an ask walks nothing, (v, 3). [m]"""
    ones = np.ones(len(ahead.least))
    asked = rate_of(ones, ones, ahead.cluster, ahead.least, values, confidence, up=False)
    with np.errstate(divide="ignore"):
        return np.stack([look_ahead_m * (1 - rate) / rate
                         for rate in (asked.rate, asked.high, asked.low)], axis=1)
