"""Hot loops over gists (``verdict/gist.py``), compiled by numba: judging them, sweeping a limit.

In one file: what numba keeps of a loop is not renewed when one that it calls changes in another
(numba's documentation, "Notes on Caching"), and a verdict must never come from an old one.
"""

from __future__ import annotations

import math
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

_Records = NDArray[np.void]
GO, ASK, UNDECIDED = 1, 0, -1
# Places of the limits, in the order of ``LIMIT_UNITS``.
_STEP, _DROP, _GAP, _BELLY, _SLOPE, _ROLL, _TIP = range(7)


@numba.njit(cache=True, boundscheck=False, nogil=True)
def judge_headings(
    headings: _Records, fronts: _Records, terms: _Records, groups: _Records, runs: _Records,
    limits: NDArray[np.float64], sigmas: float, allowed: float, nodes: NDArray[np.float64],
    weights: NDArray[np.float64], rules: NDArray[np.float64], close: float, far: float,
    verdicts: NDArray[np.int8],
) -> None:
    """Decide headings from their gists, as ``decide`` does.

    Parameters
    ----------
    headings, fronts, terms, groups, runs : structured ndarray
        As in ``Gists``; of each heading how many of the others are its own.
    limits : ndarray of shape (7,)
        In the order of ``LIMIT_UNITS``. [m or deg]
    sigmas, allowed : float
        Quantile of the confidence, and 1 less the confidence.
    nodes, weights : ndarray of shape (n,)
        Of the quadrature over what all stations share.
    rules : ndarray of shape (4,)
        Shares of the gap that may be unexplained, and blank; longest hole and least spread of
        ground. [m]
    close, far : float
        What lies closer than this to what decides is left undecided; a term so many sigma below
        its limit adds nothing.
    verdicts : ndarray of shape (n,), int8
        Where to put ``GO``, ``ASK`` or ``UNDECIDED``.
    """
    front, term, group, run = 0, 0, 0, 0
    for i in range(len(headings)):
        h = headings[i]
        verdicts[i] = _judge(
            h, fronts[front:front + h.fronts], terms[term:term + h.terms],
            groups[group:group + h.groups], runs[run:run + h.runs], limits, sigmas, allowed,
            nodes, weights, rules, close, far)
        front, term, group, run = front + h.fronts, term + h.terms, group + h.groups, run + h.runs


@numba.njit(cache=True, boundscheck=False, nogil=True)
def least_places(
    headings: _Records, fronts: _Records, terms: _Records, groups: _Records, runs: _Records,
    cases: NDArray[np.float64], place: int, values: NDArray[np.float64], sigmas: float,
    allowed: float, nodes: NDArray[np.float64], weights: NDArray[np.float64],
    rules: NDArray[np.float64], close: float, far: float, found: NDArray[np.int32],
) -> None:
    """Where among the values of one limit each heading begins to go.

    Parameters
    ----------
    headings, fronts, terms, groups, runs, sigmas, allowed, nodes, weights, rules, close, far
        As for ``judge_headings``.
    cases : ndarray of shape (m, 7)
        Limits, no lower than in the row before.
    place : int
        Of the limit whose values are tried in each case.
    values : ndarray of shape (k,)
        Ascending. [m or deg]
    found : ndarray of shape (n, m), int32
        Where to put the first place; k: at none; ``UNDECIDED``: a value that was tried is.
    """
    front, term, group, run = 0, 0, 0, 0
    limits = np.empty(cases.shape[1])
    for i in range(len(headings)):
        h = headings[i]
        high, stride = len(values), len(values)
        for m in range(len(cases)):
            limits[:] = cases[m]
            found[i, m] = _least(
                h, fronts[front:front + h.fronts], terms[term:term + h.terms],
                groups[group:group + h.groups], runs[run:run + h.runs], limits, place, values,
                high, stride, sigmas, allowed, nodes, weights, rules, close, far)
            if found[i, m] != UNDECIDED:  # the next case allows no less, and often little more
                high, stride = found[i, m], 1
        front, term, group, run = front + h.fronts, term + h.terms, group + h.groups, run + h.runs


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _least(
    h: Any, fronts: _Records, terms: _Records, groups: _Records, runs: _Records,
    limits: NDArray[np.float64], place: int, values: NDArray[np.float64], high: int, stride: int,
    sigmas: float, allowed: float, nodes: NDArray[np.float64], weights: NDArray[np.float64],
    rules: NDArray[np.float64], close: float, far: float,
) -> int:
    """The first place to go, ``high`` at the most: down from there by doubled strides, then halves.

    It asks below ``low``; at the last value first, since most that ask do so at any.
    """
    low, top = 0, len(values) - 1
    while low < high:
        middle = top if high > top else max(high - stride, (low + high) // 2)
        limits[place] = values[middle]
        verdict = _judge(h, fronts, terms, groups, runs, limits, sigmas, allowed, nodes, weights,
                         rules, close, far)
        if verdict == UNDECIDED:
            return UNDECIDED
        if verdict == ASK:
            low = middle + 1
        else:
            high, stride = middle, 2 * stride
    return high


@numba.njit(cache=True, boundscheck=False, nogil=True)
def chances_beyond(
    headings: _Records, terms: _Records, groups: _Records, runs: _Records, place: int,
    values: NDArray[np.float64], nodes: NDArray[np.float64], weights: NDArray[np.float64],
    rules: NDArray[np.float64], close: float, far: float, found: NDArray[np.float64],
) -> None:
    """How likely what is held against one limit exceeds each value; 1 where that could hide.

    Parameters
    ----------
    headings, terms, groups, runs, nodes, weights, rules, far
        As for ``judge_headings``.
    close : float
        What is nearer than this to a probability of 1 may be taken for it.
    place : int
        Of the limit.
    values : ndarray of shape (k,)
        Ascending. [m or deg]
    found : ndarray of shape (n, k)
        Where to put the probabilities.
    """
    term, group, run = 0, 0, 0
    limits = np.full(_TIP + 1, np.inf)
    for i in range(len(headings)):
        h = headings[i]
        if place == _GAP:
            for k in range(len(values)):
                found[i, k] = _hole_chance(h, groups[group:group + h.groups],
                                           runs[run:run + h.runs], values[k], rules)
        else:
            own = terms[term:term + h.terms]
            own = own[own["limit"] == place]
            reach, chance = _reach(h, own, nodes, far), 0.0
            for k in range(len(values) - 1, -1, -1):
                if chance < 1.0 - close:  # else it is sure to exceed lower ones, too
                    limits[place] = values[k]
                    least = min(limits[_STEP], limits[_BELLY])
                    clear = 1.0 - _turn_chance(h, limits, least)
                    if values[k] < reach:
                        clear *= _within(h, own, limits, nodes, weights, close, far)
                    hides = h.hidden_m > least or (h.has_turn and h.turn_hidden_m > least)
                    chance = 1.0 if hides else 1.0 - clear
                found[i, k] = chance
        term, group, run = term + h.terms, group + h.groups, run + h.runs


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _reach(h: Any, terms: _Records, nodes: NDArray[np.float64], far: float) -> float:
    """From which value of their limit on terms add nothing."""
    reach = -np.inf
    for i in range(len(terms)):
        term = terms[i]
        shared = h.tilt_sigma_deg if term.limit >= _SLOPE else h.scale_sigma * abs(term.value)
        most = term.value + nodes[len(nodes) - 1] * shared + far * term.own
        reach = max(reach, most + _tilt_bound(h, term.limit))
    return reach


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _hole_chance(
    h: Any, groups: _Records, runs: _Records, gap_m: float, rules: NDArray[np.float64]
) -> float:
    """How likely a hole longer than a gap is not seen, if every group without a reason is one."""
    if h.has_turn and h.turn_unseen_m > gap_m:
        return 1.0
    longest, odds, first = 0.0, 0.0, 0
    for g in range(len(groups)):
        group = groups[g]
        explained, here = _group(group, runs[first:first + group.runs], gap_m, h.line_m, rules)
        first += group.runs
        if explained:
            odds += here
        else:
            longest = max(longest, _tail(group.length_m - gap_m, group.sigma_m))
        if longest >= 1.0:
            return 1.0
    clear = 1.0 - longest
    if odds > 0:
        clear *= math.exp(-h.density_m2 * max(odds, 1e-12))
    return 1.0 - clear


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _tail(over: float, sigma: float) -> float:
    """How likely a normal error leaves something over zero."""
    if sigma > 0:
        return 0.5 * math.erfc(-over / sigma / math.sqrt(2.0))
    return 1.0 if over > 0 else 0.0


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _judge(
    h: Any, fronts: _Records, terms: _Records, groups: _Records, runs: _Records,
    limits: NDArray[np.float64], sigmas: float, allowed: float, nodes: NDArray[np.float64],
    weights: NDArray[np.float64], rules: NDArray[np.float64], close: float, far: float,
) -> int:
    """One heading: what is compared first, then what is likely together."""
    least = min(limits[_STEP], limits[_BELLY])
    if h.hidden_m > least or _turn_asks(h, limits, least, sigmas):
        return ASK
    compared = int(_compared(h, fronts, limits, sigmas, close))
    if compared != GO:
        return compared
    asks, odds = _holes(h, groups, runs, limits[_GAP], sigmas, rules)
    if asks:
        return ASK
    clear = 1.0 - _turn_chance(h, limits, least)
    if odds > 0:
        clear *= math.exp(-h.density_m2 * max(odds, 1e-12))
    if not 1.0 - clear <= allowed + close:  # the rest can only make it worse
        return ASK
    clear *= _within(h, terms, limits, nodes, weights, close, far)
    return int(_side(allowed - (1.0 - clear), close))


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _side(room: float, close: float) -> int:
    if abs(room) <= close:
        return UNDECIDED
    return GO if room > 0 else ASK


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _tilt_bound(h: Any, limit: int) -> float:
    """As ``chance.tilt_bound``."""
    if limit in (_SLOPE, _TIP):
        return float(np.sqrt(2.0) * h.tilt_bound_deg)
    return float(h.tilt_bound_deg) if limit == _ROLL else 0.0


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _turn_asks(h: Any, limits: NDArray[np.float64], least: float, sigmas: float) -> bool:
    if not h.has_turn:
        return False
    margin = sigmas * h.turn_sigma_m
    clear = (h.turn_step_m + margin <= least and h.turn_drop_m + margin <= limits[_DROP]
             and not h.turn_hidden_m > least and not h.turn_unseen_m > limits[_GAP])
    return not clear


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _turn_chance(h: Any, limits: NDArray[np.float64], least: float) -> float:
    if not h.has_turn or not h.turn_sigma_m > 0:
        return 0.0
    room = min(least - h.turn_step_m, limits[_DROP] - h.turn_drop_m)
    return 0.5 * math.erfc(room / h.turn_sigma_m / math.sqrt(2.0))


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _compared(
    h: Any, fronts: _Records, limits: NDArray[np.float64], sigmas: float, close: float
) -> int:
    """Each demand by itself, at the stated confidence and the worst tilt."""
    nearest = np.inf
    for i in range(len(fronts)):
        limit = fronts[i].limit
        worst = fronts[i].value + sigmas * fronts[i].sigma + _tilt_bound(h, limit)
        nearest = min(nearest, limits[limit] - worst)
    return int(_side(nearest, close))


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _holes(
    h: Any, groups: _Records, runs: _Records, gap_m: float, sigmas: float,
    rules: NDArray[np.float64],
) -> tuple[bool, float]:
    """May a group be a hole by itself, and how likely do the others hide one, times a density."""
    odds, first = 0.0, 0
    for g in range(len(groups)):
        group = groups[g]
        explained, here = _group(group, runs[first:first + group.runs], gap_m, h.line_m, rules)
        first += group.runs
        if explained:
            odds += here
        elif group.length_m + sigmas * group.sigma_m > gap_m:
            return True, odds
    return False, odds


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _group(
    group: Any, own: _Records, gap_m: float, line_m: float, rules: NDArray[np.float64]
) -> tuple[bool, float]:
    """Is a group unseen because of what was seen; how likely it then hides a hole, by a density."""
    if group.bare_m > rules[0] * gap_m:
        return False, 0.0
    for i in range(len(own)):
        black = own[i].length_m > gap_m and own[i].blank_m > rules[1] * gap_m
        if black or own[i].alone_m > gap_m:
            return False, 0.0
    odds = 0.0
    for i in range(len(own)):
        over = own[i].length_m - gap_m
        if over > 0:
            odds += over * line_m * _evidence(own[i], gap_m, rules)
    return True, odds


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _evidence(run: Any, gap_m: float, rules: NDArray[np.float64]) -> float:
    """As ``chance._evidence``."""
    longest_m, least_sd_m = rules[2], rules[3]
    most = run.fall * min(gap_m, longest_m / 2) / 3
    sd = max(min(run.ground_sd_m, most), least_sd_m)
    without = math.exp(-0.5 * (run.sunk_m / sd) ** 2) / (math.sqrt(2 * math.pi) * sd)
    with_hole = 1 / (longest_m * run.fall)
    return float(max(with_hole / max(without, 1e-12), 1.0))


@numba.njit(cache=True, boundscheck=False, nogil=True)
def _within(
    h: Any, terms: _Records, limits: NDArray[np.float64], nodes: NDArray[np.float64],
    weights: NDArray[np.float64], close: float, far: float,
) -> float:
    """Probability that no measured demand exceeds its limit: heights, then angles."""
    count, last = len(nodes), len(terms)
    heights, clear = np.ones(count), np.ones(count)
    worst = np.full(count, -far)
    are_angles = False
    for i in range(last):
        term = terms[i]
        if term.limit >= _SLOPE and not are_angles:
            heights[:], clear[:], are_angles = clear, 1.0, True
        shared = h.tilt_sigma_deg if are_angles else h.scale_sigma * term.value
        room = limits[term.limit] - _tilt_bound(h, term.limit)
        # No node is farther out than the last.
        if (term.value + nodes[count - 1] * abs(shared) - room) > -far * term.own:
            for k in range(count):
                worst[k] = max(worst[k], (term.value + nodes[k] * shared - room) / term.own)
        if i + 1 == last or terms[i + 1].block != term.block:
            most = 0.0
            for k in range(count):
                if worst[k] > -far:
                    clear[k] *= 1.0 - 0.5 * math.erfc(-worst[k] / math.sqrt(2.0))
                    worst[k] = -far
                most = max(most, clear[k])
            if most < close:  # so is all of it, whatever follows
                return 0.0
    if not are_angles:
        heights[:], clear[:] = clear, 1.0
    return float(np.sum(weights * heights) * np.sum(weights * clear))
