"""Hot loops of gists (``verdict/gist.py``), compiled by numba: making them, and judging them."""

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
def upper_envelope(
    value: NDArray[np.float64], sigma: NDArray[np.float64], low: float, high: float,
    chosen: NDArray[np.int64],
) -> int:
    """Which are the greatest of ``value + s * sigma`` for some s from ``low`` to ``high``.

    Parameters
    ----------
    value, sigma : ndarray of shape (n,)
        NaN where there is none; never the greatest.
    low, high : float
        Ends of s.
    chosen : ndarray of shape (n,)
        Where to put the places of those found.

    Returns
    -------
    int
        How many.
    """
    best, most = -1, -np.inf
    for i in range(len(value)):
        here = value[i] + low * sigma[i]
        if here > most or (here == most and sigma[i] > sigma[best]):
            best, most = i, here
    count = 0
    while best >= 0:
        chosen[count] = best
        count += 1
        following, at = -1, high
        for i in range(len(value)):
            if not sigma[i] > sigma[best]:
                continue
            cross = (value[best] - value[i]) / (sigma[i] - sigma[best])
            if cross < at or (cross == at and following >= 0 and sigma[i] > sigma[following]):
                following, at = i, cross
        best = following
    return count


@numba.njit(cache=True, boundscheck=False, nogil=True)
def leading_terms(
    value: NDArray[np.float64], own: NDArray[np.float64], stations: int, far: float,
    terms: _Records,
) -> int:
    """Of stations that count once, those that can be the likeliest over a limit, for any limit.

    One is likelier over a limit by at least z sigma exactly if ``value - z * own`` is the greater;
    beyond ``far`` sigma of either sign nothing hangs on it.

    Parameters
    ----------
    value, own : ndarray of shape (k, n)
        Of k demands with the same limit; the error of each station's own.
    stations : int
        So many, one after the other, count once.
    far : float
        Sigmas.
    terms : ndarray of shape (k * n,)
        Where to put value, own error and block of those found.

    Returns
    -------
    int
        How many.
    """
    kinds, n = value.shape
    blocks = -(-n // stations)
    chosen = np.empty(kinds * stations, dtype=np.int64)
    highest = -np.inf  # below which even the surest station cannot be over a limit alone
    for i in range(n):
        for k in range(kinds):
            if value[k, i] - far * own[k, i] > highest:
                highest = value[k, i] - far * own[k, i]
    count = 0
    for block in range(blocks):
        here = slice(block * stations, min((block + 1) * stations, n))
        values, owns = value[:, here].copy().reshape(-1), own[:, here].copy().reshape(-1)
        found = upper_envelope(values, owns, -far, far, chosen)
        if found == 0 or values[chosen[found - 1]] + far * owns[chosen[found - 1]] < highest:
            continue
        for i in chosen[:found]:
            terms[count].value = values[i]
            terms[count].own = owns[i]
            terms[count].block = block
            count += 1
    return count


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
    clear *= _within(h, terms, limits, nodes, weights, far)
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
        own = runs[first:first + group.runs]
        first += group.runs
        explained = group.bare_m <= rules[0] * gap_m
        here = 0.0
        for i in range(len(own)):
            run = own[i]
            over = run.length_m - gap_m
            black = run.length_m > gap_m and run.blank_m > rules[1] * gap_m
            explained = explained and not black and not run.alone_m > gap_m
            if over > 0:
                here += over * h.line_m * _evidence(run, gap_m, rules)
        if explained:
            odds += here
        elif group.length_m + sigmas * group.sigma_m > gap_m:
            return True, odds
    return False, odds


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
    weights: NDArray[np.float64], far: float,
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
            for k in range(count):
                if worst[k] > -far:
                    clear[k] *= 1.0 - 0.5 * math.erfc(-worst[k] / math.sqrt(2.0))
                    worst[k] = -far
    if not are_angles:
        heights[:], clear[:] = clear, 1.0
    return float(np.sum(weights * heights) * np.sum(weights * clear))
