"""Rates of rare mistakes, and how well a number of trials bounds them.

Exact (Clopper-Pearson and McNemar) where trials are independent; resampling of whole clusters
where they are not: the headings of one scene share its rocks, its light and its noise, so a
thousand headings of ten scenes are nearer to ten trials than to a thousand.

References
----------
.. [1] C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in
   the case of the binomial," Biometrika, vol. 26, no. 4, pp. 404-413, 1934.
.. [2] Q. McNemar, "Note on the sampling error of the difference between correlated proportions or
   percentages," Psychometrika, vol. 12, no. 2, pp. 153-157, 1947.
.. [3] A. C. Davison and D. V. Hinkley, Bootstrap Methods and their Application, Cambridge
   University Press, 1997, section 3.8 (whole clusters are drawn) and 5.3.1 (percentiles).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binomtest

from hazcam.frames import Floats

Sided = Literal["one", "two"]

RESAMPLES = 10_000  # the 2.5 % point of a percentile interval is then known to about 3 % of sigma
_AT_ONCE = 2_000_000  # draws held in memory at a time


class Interval(NamedTuple):
    """Bounds of a confidence interval, both included."""

    low: float
    high: float


def clopper_pearson(
    failures: int, trials: int, *, confidence: float = 0.95, sided: Sided = "one"
) -> Interval:
    """Exact interval of a rate from independent trials [1]_.

    Parameters
    ----------
    failures, trials : int
        How often it happened, of how many times it could have.
    confidence : float
        Share of experiments whose interval holds the true rate; at least that.
    sided : str
        ``one``: from 0 to the upper bound, what a rate that must be low is quoted with; ``two``:
        the central interval, whose upper bound is the larger one.

    Returns
    -------
    Interval
        (0, 1) without trials: nothing is known.

    Raises
    ------
    ValueError
        Failures that are negative or more than the trials.

    Examples
    --------
    >>> f"{clopper_pearson(0, 59).high:.6f}"  # 59 trials without failure: below 5 %
    '0.049508'
    """
    if not 0 <= failures <= trials:
        raise ValueError(f"failures are from 0 to the number of trials, got {failures} of {trials}")
    if trials == 0:
        return Interval(0.0, 1.0)
    # "less" is the test whose interval is one-sided from 0 up
    test = binomtest(failures, trials, alternative="less" if sided == "one" else "two-sided")
    bounds = test.proportion_ci(confidence_level=confidence, method="exact")
    return Interval(float(bounds.low), float(bounds.high))


def mcnemar_exact(b: int, c: int) -> float:
    """Exact two-sided p value of two settings tried on the same cases [2]_.

    Only the cases in which they differ tell them apart: of those, each setting should fail in half
    if the two are alike.

    Parameters
    ----------
    b, c : int
        Cases in which only the first failed, and in which only the second did.

    Returns
    -------
    float
        1.0 where they never differ.

    Raises
    ------
    ValueError
        A negative number of cases.
    """
    if min(b, c) < 0:
        raise ValueError(f"numbers of cases are 0 or more, got {b} and {c}")
    return 1.0 if b + c == 0 else float(binomtest(b, b + c).pvalue)


def cluster_rate_interval(
    events: ArrayLike, trials: ArrayLike, *, seed: int, confidence: float = 0.95
) -> Interval:
    """Percentile interval of a pooled rate, whole clusters resampled [3]_.

    Parameters
    ----------
    events, trials : array_like of shape (N,)
        Of each cluster: how often it happened, of how many times it could have.
    seed : int
        Of the resampling: the same seed gives the same interval.
    confidence : float
        Share inside the central interval.

    Returns
    -------
    Interval
        (0, 1) without trials. Where no cluster has an event it shrinks to (0, 0), which is no
        bound: quote :func:`clopper_pearson` over clusters then.

    Raises
    ------
    ValueError
        Shapes that differ, or events that are negative or more than the trials.
    """
    happened, tried = _clusters(events, trials)
    if tried.sum() == 0:
        return Interval(0.0, 1.0)
    rates = [_rates(happened, tried, drawn) for drawn in _draws(len(tried), seed)]
    return _percentiles(np.concatenate(rates), confidence)


def cluster_rate_difference(
    events_a: ArrayLike, trials_a: ArrayLike, events_b: ArrayLike, trials_b: ArrayLike, *,
    seed: int, confidence: float = 0.95,
) -> Interval:
    """Percentile interval of a pooled rate minus another, on the same clusters [3]_.

    Clusters are drawn as pairs, so that what makes a scene hard for both cancels.

    Parameters
    ----------
    events_a, trials_a, events_b, trials_b : array_like of shape (N,)
        Of each cluster, with the one setting and with the other.
    seed, confidence
        As in :func:`cluster_rate_interval`.

    Returns
    -------
    Interval
        Of rate a - rate b; (-1, 1) if one of them has no trials.

    Raises
    ------
    ValueError
        Shapes that differ, or events that are negative or more than the trials.
    """
    (ea, ta), (eb, tb) = _clusters(events_a, trials_a), _clusters(events_b, trials_b)
    if len(ta) != len(tb):
        raise ValueError(f"both settings are tried on the same clusters, got {len(ta)} and "
                         f"{len(tb)} of them")
    if ta.sum() == 0 or tb.sum() == 0:
        return Interval(-1.0, 1.0)
    differences = [_rates(ea, ta, drawn) - _rates(eb, tb, drawn)
                   for drawn in _draws(len(ta), seed)]
    return _percentiles(np.concatenate(differences), confidence)


def _clusters(events: ArrayLike, trials: ArrayLike) -> tuple[Floats, Floats]:
    happened, tried = np.asarray(events, dtype=float), np.asarray(trials, dtype=float)
    if happened.ndim != 1 or happened.shape != tried.shape:
        raise ValueError(f"events and trials are two lists of one length, got shapes "
                         f"{happened.shape} and {tried.shape}")
    if np.any(happened < 0) or np.any(happened > tried):
        raise ValueError("events of a cluster are from 0 to its number of trials")
    return happened, tried


def _draws(clusters: int, seed: int) -> Iterator[NDArray[np.int64]]:
    """The clusters of each resample, some (resamples, clusters) at a time."""
    rng = np.random.default_rng(seed)
    batch = max(1, _AT_ONCE // clusters)
    for start in range(0, RESAMPLES, batch):
        yield rng.integers(clusters, size=(min(batch, RESAMPLES - start), clusters))


def _rates(events: Floats, trials: Floats, drawn: NDArray[np.int64]) -> Floats:
    """Pooled rate of each resample; NaN in one that drew no trial."""
    happened, tried = events[drawn].sum(axis=1), trials[drawn].sum(axis=1)
    return np.asarray(np.divide(happened, tried, out=np.full(len(tried), np.nan),
                                where=tried > 0))


def _percentiles(values: Floats, confidence: float) -> Interval:
    """Central interval of the resamples that drew a trial."""
    tail = (1 - confidence) / 2
    low, high = np.nanquantile(values, [tail, 1 - tail])
    return Interval(float(low), float(high))
