"""Labels of headings from the truth of a scene.

The judge knows what is there and asks, for one heading and one set of limits, whether a rover must
stop (``blocked``), must be let go (``free``), or whether either answer would be fair
(``borderline``). It shares no code with the terrain or the verdict of hazcam.

The gap rule is a closing: what the legs bridge does them no harm, so ground that is low for no
longer than the gap, with a bank on both sides, is filled to the lower of the two before rises and
falls are taken. What is wider keeps its depth. It fills 1.15 times the gap limit before it calls a
heading blocked, 0.70 times the limit before it calls it free. Narrow gaps that lie too close
together for the legs to stand between them are one gap.

Heights are compared along the lanes and, at each station, across them: what runs along with the
heading has no beginning on the way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import (
    binary_dilation,
    correlate1d,
    grey_closing,
    grey_opening,
    minimum_filter1d,
)

from hazcam.frames import Floats
from hazcam.rover.profile import Limits
from hazcam.scene.way import (
    ALONG_M,
    BODY_M,
    FOOTHOLD_M,
    GUARD_M,
    SIGHT_M,
    Span,
    Way,
    body_planes,
    lowest_behind,
)

Label = Literal["blocked", "free", "borderline"]
BlockingKind = Literal["rock", "rise", "fall", "slope"]

# The band between the two leaves room for what no fair judge could hold against either answer:
# the truth's own cells, the edge of an outline, how a foot happens to land.
BLOCKED_FROM = 1.15  # of a height or gap limit: what nobody may overlook
FREE_UP_TO = 0.70  # of any limit: a demand that nobody should ask about
STEEP_FROM = 1.0  # of a slope limit: it is wide, and holds a reserve against tipping already
FIT_RMS_M = 0.008  # a plane that fits worse is not a slope but something that stands on it
GAINED_M = 0.01  # of a rise or fall begun in the strip: what it must go on by, to count beyond
# Of a slope limit: ground that is no good plane blocks from here on. Steps or a bowl are steeper
# than any reserve in the limit excuses; below it, the fit decides what is ground and what stands
# on it.
STEEP_ANYHOW_FROM = 1.5
THIRD_M = BODY_M / 3  # rise over the body: between the mean heights of its first and last third
_NOTHING_M = 1e-6  # what rounding leaves of level ground


@dataclass(frozen=True, kw_only=True)
class HeadingLabel:
    """What is true along one heading.

    Demands are those of the whole free swath (body, both margins and 1 cm more on each side), from
    the nose to the look-ahead, the near strip included.

    Attributes
    ----------
    heading_deg : float
        Positive to the left. [deg]
    label : str
        ``blocked``, ``free`` or ``borderline``.
    step_m : float
        Highest rise within a foothold along a lane, or rock; holes of up to 0.70 of the gap limit
        filled. What rises across the lanes alone is not in it. [m] NaN where the truth does not
        reach.
    drop_m : float
        Deepest fall within a foothold along a lane, holes filled as above. [m] NaN as above.
    gap_m : float
        Longest run, along any lane, of ground that is lower than the bank that it falls from by
        more than 0.70 of the drop limit; runs closer than leg spacing + foot length count as one;
        0 where there is no such fall. [m] Where no far bank comes, as far as it was followed.
    slope_deg, roll_deg : float
        Steepest body-size plane, in any direction, and across the heading. [deg] NaN where the
        truth does not reach.
    clear_m : float
        Where the nearest blocking thing begins, from the nose; the look-ahead if none. [m]
    reasons : tuple of str
        What blocks, the nearest first: every rock, and of other things those that no nearer one
        makes idle.
    blocking_kind : str or None
        What blocks first: ``rock``, ``rise``, ``fall`` or ``slope``.
    ratio : float
        Largest height, depth or joined gap over its limit: of what blocks, or, where no rock, rise
        or fall does, of ``step_m`` and ``drop_m``. NaN where the truth does not reach.
    at_m : float or None
        Where the thing of ``ratio`` begins, from the nose. [m] None where nothing is raised or
        lowered, or the truth does not reach.
    strip_only : bool
        Nothing blocks beyond the near strip, but in it something would: a rock, hole, or plane
        that ends in it, or a rise that is climbed in it, though its high ground may go on.
    observable_share : float or None
        Share of the 1 cm cells of body and margins, beyond the strip and inside the look-ahead,
        that both cameras see. None where it was not measured, or there is no such cell.
    """

    heading_deg: float
    label: Label
    step_m: float
    drop_m: float
    gap_m: float
    slope_deg: float
    roll_deg: float
    clear_m: float
    reasons: tuple[str, ...]
    blocking_kind: BlockingKind | None
    ratio: float
    at_m: float | None
    strip_only: bool
    observable_share: float | None


def label_way(way: Way, *, strip_m: float, look_ahead_m: float, limits: Limits) -> HeadingLabel:
    """Label one heading.

    Parameters
    ----------
    way : Way
        The heading as surveyed.
    strip_m : float
        The near strip, from the nose. What does not reach beyond it does not block; what does
        blocks from its end on. [m]
    look_ahead_m : float
        From the nose, no more than the reach of the survey. [m]
    limits : Limits
        Heights are judged against the lower of step and belly, depths against drop and gap.

    Returns
    -------
    HeadingLabel
        ``blocked`` if, over the body's width, beyond the strip and inside the look-ahead, there is

        - a rock of at least 1.15 times its limit, by its outline;
        - a rise or fall of as much within a foothold, along the way or across it, or something
          under the middle of the body that stands as much over the belly limit above the ground
          on both sides;
        - a run of gaps that count as one, of at least 1.15 times the gap limit;
        - the middle of a body-size plane that fits well and is steeper than its limit, though the
          plane may reach half a body into the strip or beyond the look-ahead;
        - ground that fits no plane, but rises or falls over a body length by at least 1.5 times
          the slope limit, or over the body's width by 1.5 times the roll limit, and by 1.15 times
          the height limit in all, so that one thing within the limits is not enough.

        ``free`` if every demand is at most 0.70 of its limit. A heading other than 0 begins with a
        turn in place: with a rock, or relief of the ground, of more than 0.70 of its limit in the
        circle that the body sweeps about its origin, it is not free, nor is it blocked by it.
        Else ``borderline``.

    Raises
    ------
    ValueError
        The survey does not reach as far as the look-ahead.
    """
    if look_ahead_m > way.reach_m + 1e-9:
        raise ValueError(f"the way was surveyed to {way.reach_m:g} m, not to the look-ahead of "
                         f"{look_ahead_m:g} m")
    blocks, in_strip = _all_blocks(way, strip_m, look_ahead_m, limits)
    bridged = _closed(way, FREE_UP_TO * limits.gap.value)
    step, drop, gap = _demands(way, bridged, look_ahead_m, limits)
    slope, roll = _steepest(way, bridged, look_ahead_m)
    shares = [step.ratio, drop.ratio, _ratio(gap, limits.gap.value),
              _ratio(slope, limits.slope.value), _ratio(roll, limits.roll.value),
              *_shares_across(way, bridged, look_ahead_m, limits), _share_of_turn(way, limits)]
    # NaN (the truth does not reach) compares as false: such a heading is never free
    free = bool(np.all(np.array(shares) <= FREE_UP_TO))
    ratio, at = _greatest(blocks, step, drop)
    return HeadingLabel(
        heading_deg=way.heading_deg,
        label="blocked" if blocks else "free" if free else "borderline",
        step_m=step.size_m, drop_m=drop.size_m, gap_m=gap, slope_deg=slope, roll_deg=roll,
        clear_m=blocks[0].at_m if blocks else look_ahead_m,
        reasons=tuple(block.text for block in blocks),
        blocking_kind=blocks[0].kind if blocks else None, ratio=ratio, at_m=at,
        strip_only=in_strip and not blocks,
        observable_share=_observable_share(way, strip_m, look_ahead_m),
    )


def _ratio(demand: float, limit: float) -> float:
    """Demand over limit; a limit of 0 bears nothing."""
    if limit > 0:
        return demand / limit
    return np.inf if demand > 0 else demand


def _observable_share(way: Way, from_m: float, to_m: float) -> float | None:
    if way.seen is None:
        return None
    seen = way.seen[round(from_m / SIGHT_M):round(to_m / SIGHT_M)]
    return float(seen.mean()) if seen.size else None


# --- what blocks ----------------------------------------------------------------------------------


class Block(NamedTuple):
    """Something that must not be overlooked: where it begins, from the nose, and what it is."""

    at_m: float
    kind: BlockingKind
    ratio: float
    text: str


def _all_blocks(
    way: Way, strip_m: float, look_ahead_m: float, limits: Limits
) -> tuple[list[Block], bool]:
    """What blocks beyond the strip, and, if nothing does, whether something in it would."""
    ground = _closed(way, BLOCKED_FROM * limits.gap.value)
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
            yield Block(begins, "rock", _ratio(item.height_m, limit),
                        f"rock {item.height_m:.3f} m high")


def _rises(
    way: Way, ground: Floats, from_m: float, to_m: float, limits: Limits
) -> Iterator[Block]:
    limit = min(limits.step.value, limits.belly.value)
    rise = _rise(way, ground)
    high = (rise >= BLOCKED_FROM * limit) & (rise > 0)
    first = _station(from_m)
    high[first:] &= _gone_on(way.top_m, first)
    yield from _nearest(way, "rise", rise, high, (from_m, to_m), limit)


def _falls(
    way: Way, ground: Floats, from_m: float, to_m: float, limits: Limits
) -> Iterator[Block]:
    limit = limits.drop.value
    fall = way.lip_m - ground
    low = (fall >= BLOCKED_FROM * limit) & (fall > 0)
    first = _station(from_m)
    low[first:] &= _gone_on(-ground, first)
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
                    max(_ratio(slope[i], limits.slope.value), _ratio(roll[i], limits.roll.value)),
                    f"slope {slope[i]:.1f} deg, {roll[i]:.1f} deg across"
                    + _named(way, float(planes.s_m[i]), 0.0))


# --- steep ground that is no plane ----------------------------------------------------------------


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
    left = body_t > body_t[-1] / 3 + _NOTHING_M
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
    stretch = slice(_station(stretch_m[0]), int(stretch_m[1] / ALONG_M + 1e-6) + 1)
    slope = way.slope_m[stretch, None]
    return way.top_m[stretch, way.under_body] + slope, ground[stretch, way.under_body] + slope


def _too_steep(
    gradient: Floats, total_m: Floats, limit_deg: float, height_m: float
) -> NDArray[np.bool_]:
    """Bodies on ground that is too steep, and higher in all than one thing within the limits."""
    steep = gradient >= STEEP_ANYHOW_FROM * np.tan(np.radians(limit_deg))
    return np.asarray(steep & (total_m >= BLOCKED_FROM * height_m) & (total_m > _NOTHING_M))


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
    steep = under & (here >= STEEP_ANYHOW_FROM * np.tan(np.radians(limit_deg)) - _NOTHING_M)
    at = int(steep.argmax()) if steep.any() else first
    slope_deg = float(np.degrees(np.arctan(gradient[first])))
    yield Block((_station(from_m) + at) * ALONG_M, "slope", _ratio(slope_deg, limit_deg),
                f"uneven slope {slope_deg:.1f} deg {which}")


# --- what runs along with the heading -------------------------------------------------------------


def _across(
    way: Way, ground: Floats, stretch_m: Span, limits: Limits
) -> Iterator[Block]:
    """Ledges along the heading, and what stands between the feet of both sides.

    What is one lane wide may be noise, what ends within 1 cm has been passed with the strip.
    """
    body, persists = way.under_body, round(GAINED_M / ALONG_M)
    end = _station(stretch_m[1]) + persists + 1
    high = grey_opening(_levelled_across(way, way.top_m[:end], -np.inf)[:, body], size=(1, 2),
                        mode="constant", cval=-np.inf)
    low = grey_closing(_levelled_across(way, ground[:end], np.inf)[:, body], size=(1, 2),
                       mode="constant", cval=np.inf)
    ledge = np.full((len(high), len(body)), -np.inf)
    crown = ledge.copy()
    ledge[:, body], crown[:, body] = _ledges(way, high, low), _crowns(high, low)
    step = min(limits.step.value, limits.belly.value)
    found: tuple[tuple[BlockingKind, Floats, float, str], ...] = (
        ("rise", ledge, step, " across"), ("fall", ledge, limits.drop.value, " across"),
        ("rise", crown, limits.belly.value, " under the belly"))
    for kind, size, limit, where in found:
        over = (size >= BLOCKED_FROM * limit) & (size > _NOTHING_M)
        for ahead in range(1, persists + 1):
            over[:-ahead] &= over[ahead:]
        yield from _nearest(way, kind, size, over, stretch_m, limit, where)


def _levelled_across(way: Way, heights: Floats, unknown: float) -> Floats:
    """Heights from the first station on without the slope across; a number where unknown. [m]"""
    level = heights - way.tilt[:len(heights), None] * way.t_m
    return np.where(np.isnan(level), unknown, level)


def _ledges(way: Way, high: Floats, low: Floats) -> Floats:
    """Height of each lane above the lowest within a foothold to either side. [m]"""
    lanes = round(FOOTHOLD_M / float(way.t_m[way.under_body][1] - way.t_m[way.under_body][0]))
    return np.asarray(high - minimum_filter1d(low, 2 * lanes + 1, axis=1, mode="nearest"))


def _crowns(high: Floats, low: Floats) -> Floats:
    """Height of each lane above the lowest ground on its left and on its right, the higher. [m]"""
    right = np.minimum.accumulate(low, axis=1)
    left = np.minimum.accumulate(low[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(high - np.maximum(left, right))


def _joined_gaps(way: Way, stretch_m: Span, limits: Limits) -> Iterator[Block]:
    """The nearest run of gaps that count as one and are too long together.

    Of a run that begins before the stretch, what is left of it there counts.
    """
    depth_m, first = BLOCKED_FROM * limits.drop.value, _station(stretch_m[0])
    low = (way.bank_m - way.support_m > depth_m) & way.under_body
    station, lane = np.nonzero(low[:_station(stretch_m[1])])
    if not len(station):
        return
    ends, begins = _run_ends(way, station, lane, depth_m), np.maximum(station, first)
    run = np.zeros(low.shape)
    np.maximum.at(run, (begins, lane), (ends - begins) * ALONG_M)
    over = (run >= BLOCKED_FROM * limits.gap.value) & (run > 0)
    yield from _nearest(way, "fall", run, over, stretch_m, limits.gap.value,
                        " of gaps that are one")


def _station(at_m: float) -> int:
    """First station at or beyond a place."""
    return int(np.ceil(at_m / ALONG_M - 1e-6))


def _gone_on(heights: Floats, first: int) -> NDArray[np.bool_]:
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
    first, end = _station(stretch_m[0]), int(stretch_m[1] / ALONG_M + 1e-6) + 1
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
    yield Block(at, kind, _ratio(full, limit),
                f"{kind} of {full:.3f} m{where}"
                + _named(way, at, float(way.t_m[way.under_body][j])))


def _named(way: Way, s_m: float, t_m: float) -> str:
    """The object that a place belongs to, in brackets; nothing if it is bare ground."""
    kinds = sorted({item.kind for item in way.items if item.holds(s_m, t_m)})
    return f" ({', '.join(kinds)})" if kinds else ""


# --- what is demanded -----------------------------------------------------------------------------


class Demand(NamedTuple):
    """The largest of a kind, over its limit, and where it begins from the nose; NaN: unknown."""

    size_m: float
    ratio: float
    at_m: float


def _closed(way: Way, gap_m: float) -> Floats:
    """The support, with what is low for no longer than a gap filled to the lower bank. [m]"""
    unknown = np.isnan(way.support_m)
    size = int(gap_m / ALONG_M + 1e-6) + 1
    # unknown ground is no bank
    closed = grey_closing(np.where(unknown, -np.inf, way.support_m), size=(size, 1),
                          mode="nearest")
    return np.where(unknown, np.nan, closed)


def _rise(way: Way, ground: Floats) -> Floats:
    """Rise within the foothold that ends at each station, from ground that is stood on. [m]"""
    return np.asarray(way.top_m - lowest_behind(ground, np.isnan(ground)))


def _demands(
    way: Way, ground: Floats, look_ahead_m: float, limits: Limits
) -> tuple[Demand, Demand, float]:
    """Highest rise or rock, deepest fall and longest gap over the whole free swath."""
    limit = min(limits.step.value, limits.belly.value)
    end = _station(look_ahead_m + GUARD_M)
    step = _peak(way, _rise(way, ground)[:end], limit)
    for item in way.items:
        if (item.kind == "rock" and item.height_m > step.size_m
                and item.swath_m[0] < look_ahead_m + GUARD_M):
            step = Demand(item.height_m, _ratio(item.height_m, limit), max(item.swath_m[0], 0.0))
    drop = _peak(way, (way.lip_m - ground)[:end], limits.drop.value)
    return step, drop, _longest_gap(way, end, FREE_UP_TO * limits.drop.value)


def _peak(way: Way, sizes: Floats, limit: float) -> Demand:
    greatest = float(sizes.max())
    if np.isnan(greatest):
        return Demand(np.nan, np.nan, np.nan)
    return Demand(greatest, _ratio(greatest, limit), float(way.s_m[sizes.max(axis=1).argmax()]))


def _longest_gap(way: Way, end: int, depth_m: float) -> float:
    """Longest run of ground that lies lower by a depth than the bank it falls from. [m]"""
    low = way.bank_m[:end] - way.support_m[:end] > depth_m
    begins = low & ~np.pad(low, ((1, 0), (0, 0)))[:-1]
    station, lane = np.nonzero(begins)
    if not len(station):
        return 0.0
    return float((_run_ends(way, station, lane, depth_m) - station).max() * ALONG_M)


def _run_ends(
    way: Way, station: NDArray[np.intp], lane: NDArray[np.intp], depth_m: float
) -> NDArray[np.intp]:
    """Station where low ground that begins at a station of a lane ends; past the last if nowhere.

    It ends where the ground is up again, and stays up for as long as two legs are apart.
    """
    up = way.held_m[:, lane] >= (way.bank_m[station, lane] - depth_m)
    up &= np.arange(len(up))[:, None] > station
    return np.where(up.any(axis=0), up.argmax(axis=0), len(up))


def _shares_across(
    way: Way, ground: Floats, look_ahead_m: float, limits: Limits
) -> tuple[float, float]:
    """Highest ledge along the heading and highest crown under the belly, over their limits.

    Ledges of the whole free swath count, crowns between the sides of the body.
    """
    end = _station(look_ahead_m + GUARD_M)
    high = _levelled_across(way, way.top_m[:end], -np.inf)
    low = _levelled_across(way, ground[:end], np.inf)
    body = way.under_body
    lowest = min(limits.step.value, limits.belly.value, limits.drop.value)
    return (_ratio(_size(_ledges(way, high, low)), lowest),
            _ratio(_size(_crowns(high[:, body], low[:, body])), limits.belly.value))


def _size(heights: Floats) -> float:
    """The largest; 0 where rounding leaves no more. [m]"""
    largest = float(heights.max())
    return largest if largest > _NOTHING_M else 0.0


def _share_of_turn(way: Way, limits: Limits) -> float:
    """What the body meets as it turns to a heading, over the lowest limit of a height."""
    if way.heading_deg == 0:
        return 0.0
    return _ratio(way.turn_m if not way.turn_m <= _NOTHING_M else 0.0,
                  min(limits.step.value, limits.belly.value, limits.drop.value))


def _steepest(way: Way, bridged: Floats, look_ahead_m: float) -> tuple[float, float]:
    """Steepest planes [deg]; the last ones as the body's front half stands at the look-ahead.

    A plane through a hole that the legs bridge is taken through its filled ground.
    """
    filled = bridged - way.support_m
    planes = way.planes
    if np.any(filled > FIT_RMS_M):
        planes = body_planes(way.top_m + filled + way.slope_m[:, None], way.s_m, way.t_m,
                             way.under_body)
    inside = planes.s_m < look_ahead_m + BODY_M / 4
    return float(planes.slope_deg[inside].max()), float(planes.roll_deg[inside].max())


def _greatest(blocks: list[Block], step: Demand, drop: Demand) -> tuple[float, float | None]:
    """Largest height over its limit and where it begins."""
    things = [(block.ratio, block.at_m) for block in blocks if block.kind != "slope"]
    if things:
        return max(things)
    greatest = max(step, drop, key=lambda demand: demand.ratio)
    return greatest.ratio, greatest.at_m if greatest.size_m > _NOTHING_M else None
