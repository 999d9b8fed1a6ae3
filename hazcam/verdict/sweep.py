"""One limit swept: from which of its values on each heading goes, and how likely it is too low.

*Verdicts only turn from ask-ground to go as a limit grows*, the others being as they are. A
comparison holds for every greater limit; the probability that a demand exceeds it, at each node of
what all stations share, falls; products and weighted means (all weights are positive) of what grows
grow. So it is for ``gap``, too. A group that is explained stays so. One that is not asks only while
it is longer than the limit; once it is shorter, so are its runs, and they hide no hole that is too
long. What an explained group may hide falls with the limit: the length beyond it does, and so does
the evidence of a hole. The standard deviation of ground that it takes grows with the limit, if at
all, as ``fall * gap / 3`` up to ``fall * LONGEST_HOLE_M / 6``; evidence grows with that only where
it exceeds what is sunk, and is at most ``sqrt(2 pi e) / 6 = 0.69`` there, where 1 is taken. Hence
the first value to go is found by halves, and at each value of a second limit down from the one
before.

Nothing else than ``decide`` says is ever found. What the gists leave to it is told apart: -1.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from hazcam.frames import Floats
from hazcam.rover.profile import LIMIT_UNITS, Limit, Limits
from hazcam.verdict.chance import (
    NODES,
    WEIGHTS,
    exceeding,
    groups_of,
    hole_hidden,
    least_height,
    tail,
    turn_exceeding,
)
from hazcam.verdict.decide import decide
from hazcam.verdict.gist import CLOSE, FAR, JUDGED, NEVER, RULES, Gists, values_of
from hazcam.verdict.kernels_gist import UNDECIDED, chances_beyond, least_places
from hazcam.verdict.record import Cause, HeadingDemand

Places = NDArray[np.int32]
_LIMITS = tuple(LIMIT_UNITS)


def least_limit(
    gists: Gists, limits: Limits, name: str, values: ArrayLike, confidence: float
) -> Places:
    """The first value of a limit with which each heading goes; other threads may run meanwhile.

    Parameters
    ----------
    gists : Gists
        From ``join_gists``.
    limits : Limits
        What the legs can do; that of ``name`` does not count.
    name : str
        Of the limit.
    values : array_like of shape (k,)
        To be tried, ascending. [m or deg]
    confidence : float
        Between 0.5 and 1.

    Returns
    -------
    ndarray of shape (n,), int32
        Place of the value; k: it goes at none of them. -1: ``least_limit_of`` must say, since only
        the full demands decide the heading, or a value that was tried is too close.

    Raises
    ------
    ValueError
        An unknown limit; values that do not ascend.
    """
    return _least(gists, values_of(limits)[None], name, values, confidence)[:, 0]


def least_limit_by(
    gists: Gists, limits: Limits, one: tuple[str, ArrayLike], other: tuple[str, ArrayLike],
    confidence: float,
) -> Places:
    """``least_limit`` of one limit at each value of another.

    Parameters
    ----------
    gists, limits, confidence
        As for ``least_limit``.
    one, other : tuple of str and array_like
        Limits and their values, ascending: k of the one, m of the other. [m or deg]

    Returns
    -------
    ndarray of shape (n, m), int32
        As of ``least_limit``; along a row no place is greater than the one before it.

    Raises
    ------
    ValueError
        As ``least_limit``; twice the same limit.
    """
    return _least(gists, _cases(limits, one[0], other), *one, confidence)


def chance_beyond(gists: Gists, name: str, values: ArrayLike) -> Floats:
    """How likely what is held against one limit exceeds each of some values.

    Of what was measured, somewhere on the look-ahead or in the circle of the turn: what
    ``exceeding`` and ``turn_exceeding`` give where every other limit is infinite. Of a step and of
    what the belly must pass: 1 where what could hide is taller than the value (``hidden_m``, of
    the turn ``turn_hidden_m``), as if it were there, since nothing says how likely it is. Of a gap:
    how likely a hole longer than the value is not seen, if every unseen run is one that nothing
    explains. Both are upper bounds: what may be there need not be.

    Parameters
    ----------
    gists : Gists
        From ``join_gists``.
    name : str
        Of the limit.
    values : array_like of shape (k,)
        Ascending. [m or deg]

    Returns
    -------
    ndarray of shape (n, k)
        NaN of headings that ask whatever the limits, of which nothing is kept, and of those that
        ``chance_beyond_of`` must tell of (``kind`` 0 and 2).

    Raises
    ------
    ValueError
        As ``least_limit``.
    """
    tried = ascending(name, values)
    found = np.empty((len(gists.headings), len(tried)))
    chances_beyond(gists.headings, gists.terms, gists.groups, gists.runs, _place(name), tried,
                   NODES, WEIGHTS, RULES, CLOSE, FAR, found)
    chances = np.full((len(gists.kind), len(tried)), np.nan)
    chances[gists.kind == JUDGED] = found
    return chances


def ascending(name: str, values: ArrayLike) -> Floats:
    """Values to be tried, as an array of its own of shape (k,).

    Raises
    ------
    ValueError
        There is none, one is not finite, or they do not ascend.
    """
    tried = np.array(values, dtype=np.float64)
    if tried.ndim != 1 or not tried.size or not np.all(np.isfinite(tried)) or np.any(
            np.diff(tried) <= 0):
        raise ValueError(f"values of {name} that ascend were expected, found {values!r}")
    return tried


# --- from the full demands ------------------------------------------------------------------------


def least_limit_of(
    demand: HeadingDemand, limits: Limits, name: str, values: ArrayLike, confidence: float, *,
    pair_causes: tuple[Cause, ...] = (),
) -> int:
    """``least_limit`` of one heading, by ``decide``."""
    tried = ascending(name, values)
    low, high = 0, len(tried)
    while low < high:
        middle = (low + high) // 2
        held = _with(limits, name, float(tried[middle]))
        if decide(demand, held, confidence, pair_causes=pair_causes).verdict == "go":
            high = middle
        else:
            low = middle + 1
    return high


def chance_beyond_of(demand: HeadingDemand, name: str, values: ArrayLike) -> Floats:
    """``chance_beyond`` of one heading, from its full demands, shape (k,)."""
    endless = Limits(**dict.fromkeys(_LIMITS, Limit(value=np.inf, source="none")))
    held = [_with(endless, name, float(value)) for value in ascending(name, values)]
    if name == "gap":
        return np.array([_hole_chance(demand, limits) for limits in held])
    return np.array([1.0 if _could_hide(demand, limits) else
                     1 - (1 - exceeding(demand, limits)[-1]) * (1 - turn_exceeding(demand, limits))
                     for limits in held])


def _could_hide(demand: HeadingDemand, limits: Limits) -> bool:
    """Could something hide that is taller than what may stand in the way, as ``decide`` asks it?"""
    least_m = least_height(limits)
    return bool(np.any(demand.hidden_m > least_m)
                or (demand.turn is not None and demand.turn.hidden_m > least_m))


def _hole_chance(demand: HeadingDemand, limits: Limits) -> float:
    gap_m = limits.gap.value
    if demand.turn is not None and demand.turn.unseen_m > gap_m:
        return 1.0
    groups = groups_of(demand, gap_m)
    longest = np.where(groups.explained, 0.0, tail(groups.length_m, groups.sigma_m, gap_m))
    return float(1 - (1 - longest.max(initial=0.0)) * (1 - hole_hidden(demand, limits)[-1]))


# --- shared ---------------------------------------------------------------------------------------


def _least(
    gists: Gists, cases: Floats, name: str, values: ArrayLike, confidence: float
) -> Places:
    found = np.empty((len(gists.headings), len(cases)), dtype=np.int32)
    tried = ascending(name, values)
    least_places(
        gists.headings, gists.fronts, gists.terms, gists.groups, gists.runs, cases, _place(name),
        tried, float(ndtri(confidence)), 1 - confidence, NODES, WEIGHTS, RULES, CLOSE, FAR, found)
    places = np.full((len(gists.kind), len(cases)), UNDECIDED, dtype=np.int32)
    places[gists.kind == NEVER] = len(tried)
    places[gists.kind == JUDGED] = found
    return places


def _cases(limits: Limits, name: str, other: tuple[str, ArrayLike]) -> Floats:
    """The limits at each value of the other one, (m, 7)."""
    if other[0] == name:
        raise ValueError(f"two limits were expected, found {name} twice")
    values = ascending(*other)
    cases = np.tile(values_of(limits), (len(values), 1))
    cases[:, _place(other[0])] = values
    return cases


def _place(name: str) -> int:
    if name not in _LIMITS:
        raise ValueError(f"one of {', '.join(_LIMITS)} was expected, found {name!r}")
    return _LIMITS.index(name)


def _with(limits: Limits, name: str, value: float) -> Limits:
    _place(name)
    return replace(limits, **{name: Limit(value=value, source="tried")})


__all__ = ["Places", "ascending", "chance_beyond", "chance_beyond_of", "least_limit",
           "least_limit_by", "least_limit_of"]
