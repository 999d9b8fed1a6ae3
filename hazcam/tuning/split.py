"""An honest split: the limit is chosen on some sites, and counted on those left out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.own_trials import own_trials
from hazcam.tuning.record import Trial
from hazcam.tuning.tradeoff import Headings, rate_of

_MOST_FOLDS = 20  # of more sites, several are left out at a time
Choose = Callable[[frozenset[str], NDArray[np.bool_]], int]
"""Place of the limit chosen without some trials (ids), from those of the headings decided."""


@dataclass(frozen=True, kw_only=True)
class CountedRate:
    """A rate at the chosen limits, with one-sided bounds; NaN where nothing could happen."""

    rate: float
    low: float
    high: float
    of: float
    clusters: float


@dataclass(frozen=True, kw_only=True)
class HeldOut:
    """What the choice does on ground that it was not chosen on.

    Attributes
    ----------
    folds : int
        How many times something was left out; 0: there is one site only, and nothing to split.
    left_out : str
        What was left out each time, in words; empty where nothing was.
    chosen : tuple of float
        The limits chosen, of each fold; NaN where none was. [m or deg]
    false_go, false_go_bound, needless : CountedRate
        Of the headings left out, each at the limit chosen without it; where none was, it asks.
        As in ``TradeOff``.
    refitted : int
        Trials that are pairs of this run, and were left out of the curve with their site.
    """

    folds: int
    left_out: str
    chosen: tuple[float, ...]
    false_go: CountedRate
    false_go_bound: CountedRate
    needless: CountedRate
    refitted: int


def held_out(
    headings: RunHeadings, choose: Choose, confidence: float, trials: Iterable[Trial],
) -> HeldOut:
    """Choose without each site in turn, and count on it.

    Trials that are pairs of the site go with it, whatever they are called (``own_trials``). Which
    of its ground is beyond is then said by all trials: that is what the choice is judged by.

    Parameters
    ----------
    headings : RunHeadings
        Of the run.
    choose : callable
        Chooses without the trials that are of pairs left out.
    confidence : float
        Of the bounds.
    trials : iterable of Trial
        That the curve is of.
    """
    decided, values = headings.decided(), headings.sweep.values
    present = np.unique(decided.cluster)
    folds = np.array_split(present, min(len(present), _MOST_FOLDS)) if len(present) > 1 else []
    place = np.full(len(decided.least), -1)
    chosen = []
    pair_ids = np.array(headings.sweep.ids)[headings.sweep.pair]
    own = own_trials(headings, trials)
    for fold in folds:
        out = np.isin(decided.cluster, fold)
        gone = set(pair_ids[np.isin(headings.cluster, fold)].tolist())
        place[out] = choose(_trials_of(own, gone), ~out)
        chosen.append(float(values[place[out][0]]) if place[out][0] >= 0 else float("nan"))
    tried = np.full(len(place), bool(folds))
    decided, go = decided.of(tried), (decided.least <= place)[tried]
    each = ("one " + headings.counted_by if len(folds) == len(present) else
            f"about {len(present) / len(folds):.0f} {headings.counted_by}s") if folds else ""
    return HeldOut(
        folds=len(folds), left_out=each, chosen=tuple(chosen),
        false_go=_counted(decided, go, decided.beyond, confidence),
        false_go_bound=_counted(decided, go, decided.beyond_bound, confidence),
        needless=_counted(decided, ~go, 1 - decided.beyond, confidence),
        refitted=len(_trials_of(own, own)))


def _trials_of(own: Mapping[str, frozenset[str]], pairs: Iterable[str]) -> frozenset[str]:
    return frozenset().union(*(own.get(pair, frozenset()) for pair in pairs))


def _counted(
    decided: Headings, happened: np.ndarray[tuple[int], np.dtype[np.bool_]],
    possible: Sequence[float] | np.ndarray[tuple[int], np.dtype[np.float64]], confidence: float,
) -> CountedRate:
    whole = np.asarray(possible, dtype=np.float64)
    found = rate_of(whole, whole, decided.cluster, np.where(happened, 0, 1), 1, confidence,
                    up=True)
    return CountedRate(rate=float(found.rate[0]), low=float(found.low[0]),
                       high=float(found.high[0]), of=found.of, clusters=found.clusters)
