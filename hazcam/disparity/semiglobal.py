"""Census cost and semi-global aggregation over a ragged volume, compiled by numba.

Every pixel has a range of its own: ``count[y, x]`` candidates from ``first[y, x]`` on. Their
costs lie one after the other in flat arrays of bytes, from ``start[y, x]`` on, so that nothing
outside the ranges costs time or memory.

Four paths are summed (left, right, down, up; diagonal ones add little, our own measurement). The
two along the rows are independent for each row, the two along the columns for each block of
columns, so that all cores work, and the sums are those of any other number of threads, bit for
bit. A path holds its costs less the least of the pixel before it: with census costs and the
penalties of this module they fit a byte.

References
----------
R. Zabih and J. Woodfill, "Non-parametric local transforms for computing visual correspondence,"
ECCV 1994. H. Hirschmueller, "Stereo processing by semiglobal matching and mutual information,"
IEEE TPAMI 30(2):328-341, 2008, doi:10.1109/TPAMI.2007.1166.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from llvmlite import ir
from numba import prange, types
from numba.extending import intrinsic
from numpy.typing import NDArray

Array = NDArray[Any]

# Window of the census: 62 comparisons fit a 64-bit word.
CENSUS_ROWS, CENSUS_COLUMNS = 7, 9
CENSUS_BITS = CENSUS_ROWS * CENSUS_COLUMNS - 1
BLOCK_COLUMNS = 64
# Candidates that one vector register holds; ranges are rounded up to whole ones.
LANE = 32
# What may come of a pixel's winner.
OUTCOMES = range(6)
STANDS, NO_CANDIDATE, AT_LOW_END, AT_HIGH_END, ONE_WAY, NOT_UNIQUE = OUTCOMES
_NEVER = np.uint8(255)
_NO_TOTAL = np.uint16(65535)
# A sum with a cost that never wins is at least this; sums are cut to what 10 bits hold.
_WORST_TOTAL = 4 * 255
_MOST_TOTAL = np.uint16(1023)


# --- narrow integers ------------------------------------------------------------------------------
# Numba widens every integer sum to 64 bits, so that a vector register holds 8 values where it could
# hold 64. These keep the width that they are named after. They stand in this file since numba's
# cache of compiled loops notices a change only in the file of the loop itself.

_BYTE = ir.IntType(8)
_WORD = ir.IntType(16)


def _binary(kind: Any, emit: Callable[[Any, Any, Any], Any]) -> Any:
    """An intrinsic of two values of one kind, with a result of the same kind."""

    @intrinsic
    def operation(typing_context, first, second):  # type: ignore[no-untyped-def]  # numba's form
        def codegen(context, builder, signature, arguments):  # type: ignore[no-untyped-def]  # numba's form
            return emit(builder, *arguments)

        return kind(kind, kind), codegen

    return operation


def _unary(result: Any, kind: Any, emit: Callable[[Any, Any], Any]) -> Any:
    """An intrinsic of one value."""

    @intrinsic
    def operation(typing_context, value):  # type: ignore[no-untyped-def]  # numba's form
        def codegen(context, builder, signature, arguments):  # type: ignore[no-untyped-def]  # numba's form
            return emit(builder, arguments[0])

        return result(kind), codegen

    return operation


def _saturating_add(builder: Any, first: Any, second: Any) -> Any:
    kind = ir.FunctionType(_BYTE, (_BYTE, _BYTE))
    add = builder.module.declare_intrinsic("llvm.uadd.sat", [_BYTE], kind)
    return builder.call(add, (first, second))


add_u8 = _binary(types.uint8, _saturating_add)
"""Sum of two bytes, 255 at most."""
sub_u8 = _binary(types.uint8, lambda b, x, y: b.sub(x, y))
"""Difference of two bytes; the caller knows that it is not negative."""
min_u8 = _binary(types.uint8, lambda b, x, y: b.select(b.icmp_unsigned("<", x, y), x, y))
max_u8 = _binary(types.uint8, lambda b, x, y: b.select(b.icmp_unsigned(">", x, y), x, y))

add_u16 = _binary(types.uint16, lambda b, x, y: b.add(x, y))
min_u16 = _binary(types.uint16, lambda b, x, y: b.select(b.icmp_unsigned("<", x, y), x, y))
widen = _unary(types.uint16, types.uint8, lambda b, x: b.zext(x, _WORD))
"""A byte as a word of 16 bits."""
sub_u16 = _binary(types.uint16, lambda b, x, y: b.sub(x, y))
or_u16 = _binary(types.uint16, lambda b, x, y: b.or_(x, y))
shift_2 = _unary(types.uint16, types.uint16, lambda b, x: b.shl(x, ir.Constant(_WORD, 2)))
"""A word times 4."""
shift_6 = _unary(types.uint16, types.uint16, lambda b, x: b.shl(x, ir.Constant(_WORD, 6)))
"""A word times 64."""


@intrinsic
def unless_below_3(typing_context, value, distance):  # type: ignore[no-untyped-def]  # numba's form
    """``value``, but 65535 where ``distance`` is 0, 1 or 2; all of 16 bits, without sign."""
    kind = types.uint16

    def codegen(context, builder, signature, arguments):  # type: ignore[no-untyped-def]  # numba's form
        value, distance = arguments
        near = builder.icmp_unsigned("<", distance, ir.Constant(_WORD, 3))
        return builder.select(near, ir.Constant(_WORD, 0xFFFF), value)

    return kind(kind, kind), codegen


count_bits = _unary(types.uint8, types.uint64, lambda b, x: b.trunc(b.ctpop(x), _BYTE))
"""How many of 64 bits are set."""


# --- costs ----------------------------------------------------------------------------------------


@numba.njit(cache=True, boundscheck=False, forceinline=True)
def _push_bits(words: Array, neighbour: Array, centre: Array, width: int) -> None:
    for x in range(width):
        bit = np.uint64(neighbour[x] < centre[x])
        words[x] = (words[x] << np.uint64(1)) | bit


@numba.njit(parallel=True, cache=True, boundscheck=False)
def census(padded: Array, height: int, width: int) -> Array:
    """Census words of a picture that is padded by half a window on all sides, shape (H, W)."""
    words = np.zeros((height, width), np.uint64)
    half_y, half_x = CENSUS_ROWS // 2, CENSUS_COLUMNS // 2
    for y in prange(height):
        centre = padded[y + half_y, half_x : half_x + width]
        for dy in range(CENSUS_ROWS):
            for dx in range(CENSUS_COLUMNS):
                if dy != half_y or dx != half_x:
                    _push_bits(words[y], padded[y + dy, dx : dx + width], centre, width)
    return words


@numba.njit(cache=True, boundscheck=False, forceinline=True)
def _pixel_costs(
    word: np.uint64, candidates: Array, grey: np.uint8, candidate_greys: Array, cap: np.uint8,
    cost: Array, room: int, count: int
) -> None:
    """Costs of one pixel's candidates; what only fills the last lane never wins."""
    for k in range(room):
        cost[k] = count_bits(word ^ candidates[k])
    for k in range(room):
        other = candidate_greys[k]
        difference = sub_u8(max_u8(grey, other), min_u8(grey, other))
        cost[k] = add_u8(cost[k], min_u8(difference, cap))
    for k in range(count, room):
        cost[k] = _NEVER


# --- paths ----------------------------------------------------------------------------------------


@numba.njit(cache=True, boundscheck=False, forceinline=True)
def _step(
    before: Array, now: Array, cost: Array, excess: Array, count: int, small: np.uint8,
    jump: np.uint8, least: np.uint8
) -> np.uint8:
    """Follow a path by one pixel; ``before`` has one entry more on either side.

    ``excess`` is the path's cost less the pixel's own; returns the least of ``now``.
    """
    lowest = np.uint8(255)
    for k in range(count):
        value = add_u8(min_u8(before[k], before[k + 2]), small)
        value = min_u8(min_u8(value, before[k + 1]), jump)
        value = sub_u8(value, least)
        excess[k] = value
        value = add_u8(value, cost[k])
        now[k] = value
        lowest = min_u8(lowest, value)
    return lowest


@numba.njit(cache=True, boundscheck=False, forceinline=True)
def _begin(now: Array, cost: Array, excess: Array, count: int) -> np.uint8:
    """Start a path at a pixel."""
    lowest = np.uint8(255)
    for k in range(count):
        excess[k] = 0
        now[k] = cost[k]
        lowest = min_u8(lowest, cost[k])
    return lowest


@numba.njit(cache=True, boundscheck=False, forceinline=True)
def _add(target: Array, values: Array, count: int) -> None:
    for k in range(count):
        target[k] = add_u8(target[k], values[k])


@numba.njit(cache=True, boundscheck=False, forceinline=True)
def _follow(
    state: Array, was_at: int, now_at: int, first: int, count: int, was_first: int, was_count: int,
    least: np.uint8, cost: Array, excess: Array, small: np.uint8, large: np.uint8
) -> Any:  # of a compiled call, uint8
    """One pixel of a path; returns the least of its costs.

    A pixel without candidates ends it, and so does one that shares none with the pixel before.

    The costs of a pixel lie in ``state`` from its place on: entry k + 1 is candidate k.
    """
    if count == 0:
        return np.uint8(0)
    place = now_at + first
    now = state[place + 1 : place + 1 + count]
    state[place] = _NEVER
    state[place + count + 1] = _NEVER
    if was_count == 0 or first >= was_first + was_count or was_first >= first + count:
        return _begin(now, cost, excess, count)
    # what this pixel asks for and the one before it did not have
    if first < was_first:
        for k in range(first, was_first):
            state[was_at + k] = _NEVER
    if first + count > was_first + was_count:
        for k in range(was_first + was_count + 2, first + count + 2):
            state[was_at + k] = _NEVER
    before = state[was_at + first : was_at + first + count + 2]
    return _step(before, now, cost, excess, count, small, add_u8(least, large), least)


@numba.njit(cache=True, boundscheck=False)
def _row_path(
    grey: Array, first: Array, room: Array, start: Array, cost: Array, across: Array,
    small: np.uint8, large: Array, lowest: int, length: int, forward: bool
) -> None:
    """Follow a row from one side; the second of the two paths adds to the first."""
    width = grey.size
    span = length + 2
    state = np.full(2 * span, _NEVER, np.uint8)
    excess = np.empty(length, np.uint8)
    was_first, was_count, least, turn = 0, 0, np.uint8(0), 0
    before = grey[0]
    for i in range(width):
        x = i if forward else width - 1 - i
        a = first[x] - lowest
        n = room[x]
        place = start[x]
        step = large[max_u8(grey[x], before) - min_u8(grey[x], before)]
        costs = cost[place : place + n]
        if forward:
            least = _follow(state, turn * span, (1 - turn) * span, a, n, was_first, was_count,
                            least, costs, across[place : place + n], small, step)
        else:
            least = _follow(state, turn * span, (1 - turn) * span, a, n, was_first, was_count,
                            least, costs, excess, small, step)
            _add(across[place : place + n], excess, n)
        before = grey[x]
        was_first, was_count, turn = a, n, 1 - turn


@numba.njit(parallel=True, cache=True, boundscheck=False)
def along_rows(
    words: Array, other_words: Array, grey: Array, other_grey: Array, first: Array, count: Array,
    room: Array, start: Array, cap: np.uint8, small: np.uint8, large: Array, lowest: int,
    length: int, view: int, cost: Array, across: Array
) -> None:
    """Costs of all candidates, and what the two paths along the rows add to them.

    Parameters
    ----------
    words, grey : ndarray of shape (H, W), uint64 and uint8
        Census and grey levels of the left picture; its steps lower the penalty of a jump.
    other_words, other_grey : ndarray of shape (H, V)
        Of the right picture, mirrored, so that a candidate's index rises with its residual:
        residual r of pixel x stands at ``view - 1 - x + r``.
    first, count, room, start : ndarray of shape (H, W), int32, int32, int32, int64
        The ragged volume; ``room`` is ``count`` rounded up to whole lanes.
    cap : uint8
        Most that the difference of grey levels may cost.
    small : uint8
        Penalty of a change by one.
    large : ndarray of shape (256,), uint8
        Penalty of a larger change, by the step between the grey levels of neighbours.
    lowest, length : int
        Least candidate of the picture, and the number of candidates from it to the largest.
    view : int
        Columns of the right picture from column 0 on.
    cost, across : ndarray of shape (N,), uint8
        Written to.
    """
    height, width = words.shape
    for y in prange(height):
        for x in range(width):
            n = room[y, x]
            place = start[y, x]
            k = view - 1 - x + first[y, x]
            _pixel_costs(words[y, x], other_words[y, k : k + n], grey[y, x],
                         other_grey[y, k : k + n], cap, cost[place : place + n], n, count[y, x])
        for forward in (True, False):
            _row_path(grey[y], first[y], room[y], start[y], cost, across, small, large,
                      lowest, length, forward)


@numba.njit(parallel=True, cache=True, boundscheck=False)
def down_columns(
    grey: Array, first: Array, room: Array, start: Array, small: np.uint8, large: Array,
    lowest: int, length: int, cost: Array, down: Array
) -> None:
    """What the path from above adds to the costs; parameters as ``along_rows``."""
    height, width = grey.shape
    span = length + 2
    for block in prange(-(-width // BLOCK_COLUMNS)):
        left = block * BLOCK_COLUMNS
        right = min(left + BLOCK_COLUMNS, width)
        state = np.full((right - left) * 2 * span, _NEVER, np.uint8)
        least = np.zeros(right - left, np.uint8)
        for y in range(height):
            above = max(y - 1, 0)
            for x in range(left, right):
                n = room[y, x]
                place = start[y, x]
                was_count = room[above, x] if y > 0 else 0
                here, there = grey[y, x], grey[above, x]
                step = large[max_u8(here, there) - min_u8(here, there)]
                at = 2 * (x - left) * span
                turn = (y & 1) * span
                least[x - left] = _follow(
                    state, at + turn, at + span - turn, first[y, x] - lowest, n,
                    first[above, x] - lowest, was_count, least[x - left],
                    cost[place : place + n], down[place : place + n], small, step)


# --- winners --------------------------------------------------------------------------------------


@numba.njit(cache=True, boundscheck=False, forceinline=True)
def _sum_paths(
    cost: Array, across: Array, down: Array, up: Array, index: Array, totals: Array, kept: Array,
    count: int
) -> np.uint16:
    """Sum the four paths, each cost and excess, and keep the least of each right pixel.

    Returns the least key: the sum times 64, and the low 6 bits of the candidate.
    """
    lowest = _NO_TOTAL
    for k in range(count):
        own = shift_2(widen(cost[k]))
        total = add_u16(add_u16(own, widen(across[k])), add_u16(widen(down[k]), widen(up[k])))
        total = min_u16(total, _MOST_TOTAL)
        totals[k] = total
        kept[k] = min_u16(kept[k], total)
        lowest = min_u16(lowest, or_u16(shift_6(total), index[k]))
    return lowest


@numba.njit(cache=True, boundscheck=False, forceinline=True)
def _place_of(totals: Array, key: np.uint16, count: int) -> int:
    """Candidate of the key: the first that has its sum and its low bits."""
    total, k = int(key) >> 6, int(key) & 63
    while totals[k] != total:
        k += 64
    return k


@numba.njit(cache=True, boundscheck=False, forceinline=True)
def _least_away(totals: Array, ordinal: Array, best: int, count: int) -> np.uint16:
    """Least sum of the candidates that are neither ``best`` nor beside it."""
    lowest = _NO_TOTAL
    before = np.uint16(best - 1)
    for k in range(count):
        lowest = min_u16(lowest, unless_below_3(totals[k], sub_u16(ordinal[k], before)))
    return lowest


@numba.njit(parallel=True, cache=True, boundscheck=False)
def up_columns(
    grey: Array, first: Array, room: Array, start: Array, small: np.uint8, large: Array,
    lowest: int, length: int, cost: Array, across: Array, down: Array, best: Array, sums: Array,
    runner_up: Array
) -> Array:
    """The path from below, and the winners; other parameters as ``along_rows``.

    Parameters
    ----------
    best : ndarray of shape (H, W), int32
        Written to: candidate of least sum, of equal ones the first by the candidate modulo 64, then
        the first; untouched where there is none.
    sums : ndarray of shape (H, W, 3), uint16
        Written to: sums of the candidate before the best, of the best, and of the one after it;
        65535 where there is none.
    runner_up : ndarray of shape (H, W), uint16
        Written to: least sum of the candidates that are neither the best nor beside it.

    Returns
    -------
    ndarray of shape (blocks, H, BLOCK_COLUMNS + length), uint16
        Least sum of the right picture's pixels, from each block of columns: entry k of block b
        is mirrored pixel ``view - right_end_of_block + lowest + k``.
    """
    height, width = grey.shape
    span = length + 2
    blocks = -(-width // BLOCK_COLUMNS)
    kept = np.full((blocks, height, BLOCK_COLUMNS + length), _NO_TOTAL, np.uint16)
    for block in prange(blocks):
        left = block * BLOCK_COLUMNS
        right = min(left + BLOCK_COLUMNS, width)
        state = np.full((right - left) * 2 * span, _NEVER, np.uint8)
        least = np.zeros(right - left, np.uint8)
        up = np.empty(length, np.uint8)
        totals = np.full(length + 2, _NO_TOTAL, np.uint16)
        ordinal = np.arange(length).astype(np.uint16)
        low_bits = ordinal & np.uint16(63)
        for y in range(height - 1, -1, -1):
            below = min(y + 1, height - 1)
            for x in range(left, right):
                n = room[y, x]
                place = start[y, x]
                was_count = room[below, x] if y < height - 1 else 0
                here, there = grey[y, x], grey[below, x]
                step = large[max_u8(here, there) - min_u8(here, there)]
                at = 2 * (x - left) * span
                turn = (y & 1) * span
                a = first[y, x] - lowest
                costs = cost[place : place + n]
                least[x - left] = _follow(
                    state, at + turn, at + span - turn, a, n, first[below, x] - lowest,
                    was_count, least[x - left], costs, up, small, step)
                if n == 0:
                    continue
                own = totals[1 : n + 1]
                shift = right - 1 - x + a
                key = _sum_paths(costs, across[place : place + n], down[place : place + n], up,
                                 low_bits, own, kept[block, y, shift : shift + n], n)
                totals[n + 1] = _NO_TOTAL
                k = _place_of(own, key, n)
                best[y, x] = first[y, x] + k
                for i in range(3):
                    sums[y, x, i] = totals[k + i]
                runner_up[y, x] = _least_away(own, ordinal, k, n)
    return kept


@numba.njit(parallel=True, cache=True, boundscheck=False)
def least_of_right(kept: Array, width: int, view: int, columns: int, lowest: int) -> Array:
    """Least sum of each of the ``columns`` of the right picture, mirrored, shape (H, V)."""
    blocks, height, span = kept.shape
    least = np.full((height, columns), _NO_TOTAL, np.uint16)
    for y in prange(height):
        for block in range(blocks):
            right = min((block + 1) * BLOCK_COLUMNS, width)
            shift = view - right + lowest
            for k in range(max(0, -shift), min(span, columns - shift)):
                least[y, shift + k] = min(least[y, shift + k], kept[block, y, k])
    return least


@numba.njit(parallel=True, cache=True, boundscheck=False)
def settle(
    first: Array, room: Array, best: Array, sums: Array, runner_up: Array, least_right: Array,
    view: int, margin: int, residual: Array, outcome: Array
) -> None:
    """Which winners stand.

    A match is mutual where its pixel, or a neighbour on the same surface, holds the least sum of
    the right picture's pixel that it points to.

    Parameters
    ----------
    first, room, best, sums, runner_up
        As ``up_columns`` leaves them.
    least_right : ndarray of shape (H, V), uint16
        From ``least_of_right``.
    view : int
        As for ``along_rows``.
    margin : int
        By how much the runner-up's sum must exceed that of the best.
    residual : ndarray of shape (H, W), float32
        Written to: the best candidate and its fraction. [px]
    outcome : ndarray of shape (H, W), uint8
        Written to: ``STANDS``, ``NO_CANDIDATE``, ``AT_LOW_END``, ``AT_HIGH_END``, ``ONE_WAY`` or
        ``NOT_UNIQUE``.
    """
    height, width = best.shape
    for y in prange(height):
        for x in range(width):
            before, least = np.int64(sums[y, x, 0]), np.int64(sums[y, x, 1])
            after = np.int64(sums[y, x, 2])
            if room[y, x] == 0 or least >= _WORST_TOTAL:
                outcome[y, x] = NO_CANDIDATE
            elif before >= _WORST_TOTAL:
                outcome[y, x] = AT_LOW_END
            elif after >= _WORST_TOTAL:
                outcome[y, x] = AT_HIGH_END
            elif not _is_mutual(best[y], sums[y], x, least_right[y, view - 1 - x + best[y, x]]):
                outcome[y, x] = ONE_WAY
            elif np.int64(runner_up[y, x]) - least < margin:
                outcome[y, x] = NOT_UNIQUE
            else:
                outcome[y, x] = STANDS
            curvature = before - 2 * least + after
            offset = 0.5 * (before - after) / curvature if curvature > 0 else 0.0
            residual[y, x] = best[y, x] + offset


@numba.njit(cache=True, boundscheck=False)
def _is_mutual(best: Array, sums: Array, x: int, least_right: np.uint16) -> bool:
    for j in range(max(x - 1, 0), min(x + 2, best.size)):
        k = best[x] + (j - x) - best[j] + 1
        if 0 <= k <= 2 and sums[j, k] == least_right:
            return True
    return False
