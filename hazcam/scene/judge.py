"""Labels of headings from the truth of a scene.

The judge knows what is there and asks, for one heading and one set of limits, whether a rover must
stop (``blocked``), must be let go (``free``), or whether either answer would be fair
(``borderline``). It shares no code with the terrain or the verdict of hazcam.

The gap rule is a closing: what the legs bridge does them no harm, so ground that is low for no
longer than the gap, with a bank on both sides, is filled to the lower of the two before rises and
falls are taken. What is wider keeps its depth. It fills 1.15 times the gap limit before it calls a
heading blocked, 0.70 times the limit before it calls it free.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, grey_closing

from hazcam.frames import Floats
from hazcam.rover.profile import Limits
from hazcam.scene.way import (
    ALONG_M,
    BODY_M,
    FOOTHOLD_M,
    GUARD_M,
    SIGHT_M,
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
WAY_IN_M = 0.05  # of the ground before what blocks, that is looked at in any case
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
        Highest rise within a foothold, or rock. [m] NaN where the truth does not reach.
    drop_m : float
        Deepest fall within a foothold, holes of up to 0.70 of the gap limit filled. [m] NaN as
        above.
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
        What blocks, the nearest first.
    blocking_kind : str or None
        What blocks first: ``rock``, ``rise``, ``fall`` or ``slope``.
    ratio : float
        Largest height or depth over its limit: of what blocks, or, where no rock, rise or fall
        does, of ``step_m`` and ``drop_m``. NaN where the truth does not reach.
    at_m : float or None
        Where the thing of ``ratio`` begins, from the nose. [m] None where nothing is raised or
        lowered, or the truth does not reach.
    strip_only : bool
        Nothing blocks beyond the near strip, but something inside it would.
    observable_share : float or None
        Share of the 1 cm cells of body and margins that both cameras see, beyond the strip and
        inside the look-ahead, or up to where something begins to block (5 cm at least). None where
        it was not measured, or there is no such cell.
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
        The near strip, from the nose: what lies wholly in it does not block. [m]
    look_ahead_m : float
        From the nose, no more than the reach of the survey. [m]
    limits : Limits
        Heights are judged against the lower of step and belly, depths against drop and gap.

    Returns
    -------
    HeadingLabel
        ``blocked`` if, over the body's width, beyond the strip and inside the look-ahead, there is
        a rock of at least 1.15 times its limit, a rise or fall of as much within a foothold, or a
        body-size plane that fits well and is steeper than its limit; ``free`` if every demand is
        at most 0.70 of its limit; else ``borderline``.

    Raises
    ------
    ValueError
        The survey does not reach as far as the look-ahead.
    """
    if look_ahead_m > way.reach_m + 1e-9:
        raise ValueError(f"the way was surveyed to {way.reach_m:g} m, not to the look-ahead of "
                         f"{look_ahead_m:g} m")
    ground = _closed(way, BLOCKED_FROM * limits.gap.value)
    blocks = _blocks(way, ground, strip_m, look_ahead_m, limits)
    in_strip = not blocks and _blocks(way, ground, 0.0, min(strip_m, look_ahead_m), limits)
    bridged = _closed(way, FREE_UP_TO * limits.gap.value)
    step, drop, gap = _demands(way, bridged, look_ahead_m, limits)
    slope, roll = _steepest(way, bridged, look_ahead_m)
    shares = np.array([step.ratio, drop.ratio, _ratio(gap, limits.gap.value),
                       _ratio(slope, limits.slope.value), _ratio(roll, limits.roll.value)])
    # NaN (the truth does not reach) compares as false: such a heading is never free
    free = bool(np.all(shares <= FREE_UP_TO))
    ratio, at = _greatest(blocks, step, drop)
    label: Label = "blocked" if blocks else "free" if free else "borderline"
    clear_m = blocks[0].at_m if blocks else look_ahead_m
    looked_m = max(clear_m, strip_m + WAY_IN_M) if blocks else look_ahead_m
    return HeadingLabel(
        heading_deg=way.heading_deg, label=label, step_m=step.size_m,
        drop_m=drop.size_m, gap_m=gap, slope_deg=slope, roll_deg=roll,
        clear_m=clear_m,
        reasons=tuple(block.text for block in blocks),
        blocking_kind=blocks[0].kind if blocks else None, ratio=ratio, at_m=at,
        strip_only=bool(in_strip),
        observable_share=_observable_share(way, strip_m, looked_m),
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


def _blocks(
    way: Way, ground: Floats, from_m: float, to_m: float, limits: Limits
) -> list[Block]:
    """All rocks, and the nearest rise, fall and slope, on a stretch of the way, nearest first."""
    if to_m <= from_m:
        return []
    found = [*_rocks(way, from_m, to_m, limits), *_rises(way, ground, from_m, to_m, limits),
             *_falls(way, ground, from_m, to_m, limits), *_slopes(way, from_m, to_m, limits)]
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
    planes, half = way.planes, BODY_M / 2
    inside = (planes.s_m - half >= from_m - 1e-9) & (planes.s_m + half <= to_m + 1e-9)
    slope, roll = planes.slope_deg, planes.roll_deg
    steep = (slope > STEEP_FROM * limits.slope.value) | (roll > STEEP_FROM * limits.roll.value)
    at = np.flatnonzero(inside & steep & (planes.rms_m <= FIT_RMS_M))
    if len(at):
        i = int(at[0])
        yield Block(float(planes.s_m[i] - half), "slope",
                    max(_ratio(slope[i], limits.slope.value), _ratio(roll[i], limits.roll.value)),
                    f"slope {slope[i]:.1f} deg, {roll[i]:.1f} deg across"
                    + _named(way, float(planes.s_m[i]), 0.0))


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
    stretch_m: tuple[float, float], limit: float,
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
                f"{kind} of {full:.3f} m" + _named(way, at, float(way.t_m[way.under_body][j])))


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
    # it ends where the ground is up again, and stays up for as long as two legs are apart
    up = way.held_m[:, lane] >= (way.bank_m[station, lane] - depth_m)
    up &= np.arange(len(up))[:, None] > station
    ends = np.where(up.any(axis=0), up.argmax(axis=0), len(up))
    return float((ends - station).max() * ALONG_M)


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
