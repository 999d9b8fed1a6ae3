"""What blocks a way, by truth: rocks, rises, falls, gaps and slopes that nobody may overlook.

Heights are compared along the lanes and, at each station, across them: what runs along with the
heading has no beginning on the way.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, correlate1d, grey_closing, grey_opening

from hazcam.frames import Floats
from hazcam.rover.profile import Limits
from hazcam.scene.relief import (
    NOTHING_M,
    closed,
    crowns,
    ledges,
    levelled_across,
    over_limit,
    rise_within,
    run_ends,
    station_at,
)
from hazcam.scene.way import ALONG_M, BODY_M, FOOTHOLD_M, Span, Way

BlockingKind = Literal["rock", "rise", "fall", "slope"]

# The band between this and what is free leaves room for what no fair judge could hold against
# either answer: the truth's own cells, the edge of an outline, how a foot happens to land.
BLOCKED_FROM = 1.15  # of a height or gap limit: what nobody may overlook
STEEP_FROM = 1.0  # of a slope limit: it is wide, and holds a reserve against tipping already
FIT_RMS_M = 0.008  # a plane that fits worse is not a slope but something that stands on it
GAINED_M = 0.01  # of a rise or fall begun in the strip: what it must go on by, to count beyond
# Of a slope limit: ground that is no good plane blocks from here on. Steps or a bowl are steeper
# than any reserve in the limit excuses; below it, the fit decides what is ground and what stands
# on it.
STEEP_ANYHOW_FROM = 1.5
THIRD_M = BODY_M / 3  # rise over the body: between the mean heights of its first and last third


class Block(NamedTuple):
    """Something that must not be overlooked: where it begins, from the nose, and what it is."""

    at_m: float
    kind: BlockingKind
    ratio: float
    text: str


def all_blocks(
    way: Way, strip_m: float, look_ahead_m: float, limits: Limits
) -> tuple[list[Block], bool]:
    """What blocks beyond the strip, and, if nothing does, whether something in it would."""
    ground = closed(way, BLOCKED_FROM * limits.gap.value)
    blocks = _blocks(way, ground, (strip_m, look_ahead_m), look_ahead_m, limits)
    if blocks:
        return blocks, False
    strip = (0.0, min(strip_m, look_ahead_m))
    return [], bool(_blocks(way, ground, strip, strip[1] - BODY_M / 2, limits))


def _blocks(
    way: Way, ground: Floats, stretch_m: Span, middle_m: float, limits: Limits
) -> list[Block]:
    """What blocks on a stretch of the way, nearest first.

    All rocks, and the nearest rise, fall and slope (of planes with their middle up to a place).
    Of what is found by the other rules, that which is nearer than all these: the rest would name
    the same things twice.
    """
    from_m, to_m = stretch_m
    if to_m <= from_m:
        return []
    found = [*_rocks(way, from_m, to_m, limits), *_rises(way, ground, from_m, to_m, limits),
             *_falls(way, ground, from_m, to_m, limits), *_slopes(way, from_m, middle_m, limits)]
    for block in (*_joined_gaps(way, stretch_m, limits), *_across(way, ground, stretch_m, limits),
                  *_steep_along(way, ground, stretch_m, limits),
                  *_steep_across(way, ground, stretch_m, limits)):
        if all(block.at_m < other.at_m for other in found):
            found.append(block)
    return sorted(found, key=lambda block: block.at_m)


def _rocks(way: Way, from_m: float, to_m: float, limits: Limits) -> Iterator[Block]:
    limit = min(limits.step.value, limits.belly.value)
    for item in way.items:
        if item.kind != "rock" or item.body_m is None or item.height_m < BLOCKED_FROM * limit:
            continue
        begins, ends = max(item.body_m[0], from_m), min(item.body_m[1], to_m)
        if begins < ends:
            yield Block(begins, "rock", over_limit(item.height_m, limit),
                        f"rock {item.height_m:.3f} m high")


def _rises(
    way: Way, ground: Floats, from_m: float, to_m: float, limits: Limits
) -> Iterator[Block]:
    limit = min(limits.step.value, limits.belly.value)
    rise = rise_within(way, ground)
    high = (rise >= BLOCKED_FROM * limit) & (rise > 0)
    first = station_at(from_m)
    high[first:] &= gone_on(way.top_m, first)
    yield from _nearest(way, "rise", rise, high, (from_m, to_m), limit)


def _falls(
    way: Way, ground: Floats, from_m: float, to_m: float, limits: Limits
) -> Iterator[Block]:
    limit = limits.drop.value
    fall = way.lip_m - ground
    low = (fall >= BLOCKED_FROM * limit) & (fall > 0)
    first = station_at(from_m)
    low[first:] &= gone_on(-ground, first)
    if first > 0:
        begun = _begun_before(way, ground, first, limit)
        low[first] |= begun > 0
        fall[first] = np.fmax(fall[first], begun)
    yield from _nearest(way, "fall", fall, low, (from_m, to_m), limit)


def _slopes(way: Way, from_m: float, to_m: float, limits: Limits) -> Iterator[Block]:
    """The nearest plane that is steep and fits, of those with their middle on a stretch.

    As of the demand, a body counts as on a slope when half of it is: a whole plane does not fit
    between a usual strip and a short look-ahead.
    """
    planes, half = way.planes, BODY_M / 2
    inside = (planes.s_m >= from_m - 1e-9) & (planes.s_m <= to_m + 1e-9)
    slope, roll = planes.slope_deg, planes.roll_deg
    steep = (slope > STEEP_FROM * limits.slope.value) | (roll > STEEP_FROM * limits.roll.value)
    at = np.flatnonzero(inside & steep & (planes.rms_m <= FIT_RMS_M))
    if len(at):
        i = int(at[0])
        yield Block(max(from_m, float(planes.s_m[i] - half)), "slope",
                    max(over_limit(slope[i], limits.slope.value),
                        over_limit(roll[i], limits.roll.value)),
                    f"slope {slope[i]:.1f} deg, {roll[i]:.1f} deg across"
                    + _named(way, float(planes.s_m[i]), 0.0))


def _steep_along(
    way: Way, ground: Floats, stretch_m: Span, limits: Limits
) -> Iterator[Block]:
    """Ground that rises or falls too much over a body length, whatever its form.

    Only what lies on the stretch counts: the ground before and after it is taken to go on level.
    """
    top, low = (_over_half_a_body(heights.mean(axis=1))
                for heights in _with_slope(way, ground, stretch_m))
    count, third = len(top) - 2 * _half_a_body(), round(THIRD_M / ALONG_M)
    tops, lows = (np.lib.stride_tricks.sliding_window_view(x, third) for x in (top, low))
    near, far = slice(0, count), slice(2 * third, 2 * third + count)
    run, half = round(FOOTHOLD_M / ALONG_M), _half_a_body()
    climbs = (top[half:half + count] - top[half - run:half - run + count]) / FOOTHOLD_M
    for up, first, last, height in (
        (1, near, far, min(limits.step.value, limits.belly.value)),
        (-1, far, near, limits.drop.value),
    ):
        gradient = (tops[last].mean(axis=1) - lows[first].mean(axis=1)) / (2 * THIRD_M)
        total = tops[last].max(axis=1) - lows[first].min(axis=1)
        over = _too_steep(gradient, total, limits.slope.value, height)
        yield from _steep(over, up * climbs, gradient, stretch_m[0], limits.slope.value, "along")


def _steep_across(
    way: Way, ground: Floats, stretch_m: Span, limits: Limits
) -> Iterator[Block]:
    """Ground that rises too much over the body's width, as the mean over a body length."""
    heights, below = _with_slope(way, ground, stretch_m)
    body_t = way.t_m[way.under_body]
    left = body_t > body_t[-1] / 3 + NOTHING_M
    right = left[::-1]
    # what is not a rise alone, nor a fall alone, is held against the higher of their limits
    height = max(min(limits.step.value, limits.belly.value), limits.drop.value)
    window = np.full(2 * _half_a_body() + 1, 1 / (2 * _half_a_body() + 1))
    tops, lows = (correlate1d(x, window, axis=0, mode="nearest") for x in (heights, below))
    apart = float(body_t[left].mean() - body_t[right].mean())
    leans = (heights[:, left].mean(axis=1) - heights[:, right].mean(axis=1)) / apart
    for up, high, low in ((1, left, right), (-1, right, left)):
        gradient = (tops[:, high].mean(axis=1) - lows[:, low].mean(axis=1)) / apart
        total = tops[:, high].max(axis=1) - lows[:, low].min(axis=1)
        over = _too_steep(gradient, total, limits.roll.value, height)
        yield from _steep(over, up * leans, gradient, stretch_m[0], limits.roll.value, "across")


def _half_a_body() -> int:
    return round(BODY_M / 2 / ALONG_M)


def _over_half_a_body(profile: Floats) -> Floats:
    """A profile that goes on level for half a body length at either end."""
    return np.pad(profile, _half_a_body(), mode="edge")


def _with_slope(way: Way, ground: Floats, stretch_m: Span) -> tuple[Floats, Floats]:
    """The surface, and the ground that is stood on, under the body, their slope given back. [m]"""
    stretch = slice(station_at(stretch_m[0]), int(stretch_m[1] / ALONG_M + 1e-6) + 1)
    slope = way.slope_m[stretch, None]
    return way.top_m[stretch, way.under_body] + slope, ground[stretch, way.under_body] + slope


def _too_steep(
    gradient: Floats, total_m: Floats, limit_deg: float, height_m: float
) -> NDArray[np.bool_]:
    """Bodies on ground that is too steep, and higher in all than one thing within the limits."""
    steep = gradient >= STEEP_ANYHOW_FROM * np.tan(np.radians(limit_deg))
    return np.asarray(steep & (total_m >= BLOCKED_FROM * height_m) & (total_m > NOTHING_M))


def _steep(
    over: NDArray[np.bool_], here: Floats, gradient: Floats, from_m: float, limit_deg: float,
    which: str,
) -> Iterator[Block]:
    """The first place under a body on too steep ground that is as steep where it is.

    The body as a whole is on it from further back, with level ground under its first third.
    """
    if not over.any():
        return
    first = int(over.argmax())
    under = binary_dilation(over, np.ones(2 * _half_a_body() + 1, dtype=bool))
    steep = under & (here >= STEEP_ANYHOW_FROM * np.tan(np.radians(limit_deg)) - NOTHING_M)
    at = int(steep.argmax()) if steep.any() else first
    slope_deg = float(np.degrees(np.arctan(gradient[first])))
    yield Block((station_at(from_m) + at) * ALONG_M, "slope", over_limit(slope_deg, limit_deg),
                f"uneven slope {slope_deg:.1f} deg {which}")


def _across(
    way: Way, ground: Floats, stretch_m: Span, limits: Limits
) -> Iterator[Block]:
    """Ledges along the heading, and what stands between the feet of both sides.

    What is one lane wide may be noise, what ends within 1 cm has been passed with the strip.
    """
    body, persists = way.under_body, round(GAINED_M / ALONG_M)
    end = station_at(stretch_m[1]) + persists + 1
    high = grey_opening(levelled_across(way, way.top_m[:end], -np.inf)[:, body], size=(1, 2),
                        mode="constant", cval=-np.inf)
    low = grey_closing(levelled_across(way, ground[:end], np.inf)[:, body], size=(1, 2),
                       mode="constant", cval=np.inf)
    ledge = np.full((len(high), len(body)), -np.inf)
    crown = ledge.copy()
    ledge[:, body], crown[:, body] = ledges(way, high, low), crowns(high, low)
    step = min(limits.step.value, limits.belly.value)
    found: tuple[tuple[BlockingKind, Floats, float, str], ...] = (
        ("rise", ledge, step, " across"), ("fall", ledge, limits.drop.value, " across"),
        ("rise", crown, limits.belly.value, " under the belly"))
    for kind, size, limit, where in found:
        over = (size >= BLOCKED_FROM * limit) & (size > NOTHING_M)
        for ahead in range(1, persists + 1):
            over[:-ahead] &= over[ahead:]
        yield from _nearest(way, kind, size, over, stretch_m, limit, where)


def _joined_gaps(way: Way, stretch_m: Span, limits: Limits) -> Iterator[Block]:
    """The nearest run of gaps that count as one and are too long together.

    Of a run that begins before the stretch, what is left of it there counts.
    """
    depth_m, first = BLOCKED_FROM * limits.drop.value, station_at(stretch_m[0])
    low = (way.bank_m - way.support_m > depth_m) & way.under_body
    station, lane = np.nonzero(low[:station_at(stretch_m[1])])
    if not len(station):
        return
    ends, begins = run_ends(way, station, lane, depth_m), np.maximum(station, first)
    run = np.zeros(low.shape)
    np.maximum.at(run, (begins, lane), (ends - begins) * ALONG_M)
    over = (run >= BLOCKED_FROM * limits.gap.value) & (run > 0)
    yield from _nearest(way, "fall", run, over, stretch_m, limits.gap.value,
                        " of gaps that are one")


def gone_on(heights: Floats, first: int) -> NDArray[np.bool_]:
    """Whether each station from the first on stands higher than the foothold before the first.

    Behind a step inside the strip, the foothold still spans the step: what rises there counts only
    if it goes on beyond the strip.
    """
    on = np.ones(heights[first:].shape, dtype=bool)
    run = min(round(FOOTHOLD_M / ALONG_M), first)
    if run == 0:
        return on
    before = np.where(np.isnan(heights[first - run:first]), -np.inf, heights[first - run:first])
    highest = np.maximum.accumulate(before[::-1], axis=0)[::-1]
    on[:run] = heights[first:first + run] - highest[:len(on)] >= GAINED_M
    return on


def _begun_before(way: Way, ground: Floats, first: int, limit: float) -> Floats:
    """Deepest fall of each lane before a station whose low ground reaches that far; 0 if none. [m]

    It falls from a bank: the ground behind a rock is no lower than that before it.
    """
    bank, known = way.bank_m[:first], np.where(np.isnan(ground), np.inf, ground)[:first + 1]
    highest_from = np.maximum.accumulate(known[::-1], axis=0)[::-1][:-1]
    fall = bank - known[:-1]
    counts = (fall >= BLOCKED_FROM * limit) & (bank - highest_from > limit)
    return np.asarray(np.where(counts, fall, 0.0).max(axis=0))


def _nearest(
    way: Way, kind: BlockingKind, size: Floats, over: NDArray[np.bool_],
    stretch_m: Span, limit: float, where: str = "",
) -> Iterator[Block]:
    """The nearest place on a stretch where two neighbouring lanes under the body are over.

    One lane may be noise. Two are neighbours if they are over within 1 cm along the way: the face
    of what stands aslant is met a little later by the next.
    """
    first, end = station_at(stretch_m[0]), int(stretch_m[1] / ALONG_M + 1e-6) + 1
    lanes = over[first:end, way.under_body]
    if not lanes.any():
        return
    near = binary_dilation(lanes, np.ones((5, 1), dtype=bool))
    paired = lanes.copy()
    paired[:, 0] &= near[:, 1]
    paired[:, -1] &= near[:, -2]
    paired[:, 1:-1] &= near[:, :-2] | near[:, 2:]
    if not paired.any():
        return
    i, j = np.argwhere(paired)[0]
    run = slice(i, i + round(FOOTHOLD_M / ALONG_M) + 1)
    full = float(size[first:end, way.under_body][run][paired[run]].max())
    at = float(way.s_m[first + i])
    yield Block(at, kind, over_limit(full, limit),
                f"{kind} of {full:.3f} m{where}"
                + _named(way, at, float(way.t_m[way.under_body][j])))


def _named(way: Way, s_m: float, t_m: float) -> str:
    """The object that a place belongs to, in brackets; nothing if it is bare ground."""
    kinds = sorted({item.kind for item in way.items if item.holds(s_m, t_m)})
    return f" ({', '.join(kinds)})" if kinds else ""
