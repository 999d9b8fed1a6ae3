"""Labels of headings from the truth of a scene.

The judge knows what is there and asks, for one heading and one set of limits, whether a rover must
stop (``blocked``), must be let go (``free``), or whether either answer would be fair
(``borderline``). It shares no code with the terrain or the verdict of hazcam.

The gap rule is a closing: what the legs bridge does them no harm, so ground that is low for no
longer than the gap, with a bank on both sides, is filled to the lower of the two before rises and
falls are taken. What is wider keeps its depth. It fills 1.15 times the gap limit before it calls a
heading blocked, 0.70 times the limit before it calls it free. Narrow gaps that lie too close
together for the legs to stand between them are one gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from hazcam.frames import Floats
from hazcam.rover.profile import Limits
from hazcam.scene.blocks import FIT_RMS_M, Block, BlockingKind, all_blocks
from hazcam.scene.exceed import exceeds
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
from hazcam.scene.way import ALONG_M, BODY_M, GUARD_M, SIGHT_M, Way, body_planes

Label = Literal["blocked", "free", "borderline"]

FREE_UP_TO = 0.70  # of any limit: a demand that nobody should ask about


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
    exceeds : bool or None
        Some demand of body and margins, beyond the strip and inside the look-ahead, is over its
        limit, be it by a little; None where that cannot be said (see
        :func:`~hazcam.scene.exceed.exceeds`). Always True of ``blocked``, False of ``free``.
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
    exceeds: bool | None


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
    blocks, in_strip = all_blocks(way, strip_m, look_ahead_m, limits)
    bridged = closed(way, FREE_UP_TO * limits.gap.value)
    step, drop, gap = _demands(way, bridged, look_ahead_m, limits)
    slope, roll = _steepest(way, bridged, look_ahead_m)
    shares = [step.ratio, drop.ratio, over_limit(gap, limits.gap.value),
              over_limit(slope, limits.slope.value), over_limit(roll, limits.roll.value),
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
        # uneven ground that is steep is a rule of the blocks alone
        exceeds=True if blocks else exceeds(way, strip_m=strip_m, look_ahead_m=look_ahead_m,
                                            limits=limits),
    )


def _observable_share(way: Way, from_m: float, to_m: float) -> float | None:
    if way.seen is None:
        return None
    seen = way.seen[round(from_m / SIGHT_M):round(to_m / SIGHT_M)]
    return float(seen.mean()) if seen.size else None


# --- what is demanded -----------------------------------------------------------------------------


class Demand(NamedTuple):
    """The largest of a kind, over its limit, and where it begins from the nose; NaN: unknown."""

    size_m: float
    ratio: float
    at_m: float


def _demands(
    way: Way, ground: Floats, look_ahead_m: float, limits: Limits
) -> tuple[Demand, Demand, float]:
    """Highest rise or rock, deepest fall and longest gap over the whole free swath."""
    limit = min(limits.step.value, limits.belly.value)
    end = station_at(look_ahead_m + GUARD_M)
    step = _peak(way, rise_within(way, ground)[:end], limit)
    for item in way.items:
        if (item.kind == "rock" and item.height_m > step.size_m
                and item.swath_m[0] < look_ahead_m + GUARD_M):
            step = Demand(item.height_m, over_limit(item.height_m, limit),
                          max(item.swath_m[0], 0.0))
    drop = _peak(way, (way.lip_m - ground)[:end], limits.drop.value)
    return step, drop, _longest_gap(way, end, FREE_UP_TO * limits.drop.value)


def _peak(way: Way, sizes: Floats, limit: float) -> Demand:
    greatest = float(sizes.max())
    if np.isnan(greatest):
        return Demand(np.nan, np.nan, np.nan)
    return Demand(greatest, over_limit(greatest, limit), float(way.s_m[sizes.max(axis=1).argmax()]))


def _longest_gap(way: Way, end: int, depth_m: float) -> float:
    """Longest run of ground that lies lower by a depth than the bank it falls from. [m]"""
    low = way.bank_m[:end] - way.support_m[:end] > depth_m
    begins = low & ~np.pad(low, ((1, 0), (0, 0)))[:-1]
    station, lane = np.nonzero(begins)
    if not len(station):
        return 0.0
    return float((run_ends(way, station, lane, depth_m) - station).max() * ALONG_M)


def _shares_across(
    way: Way, ground: Floats, look_ahead_m: float, limits: Limits
) -> tuple[float, float]:
    """Highest ledge along the heading and highest crown under the belly, over their limits.

    Ledges of the whole free swath count, crowns between the sides of the body.
    """
    end = station_at(look_ahead_m + GUARD_M)
    high = levelled_across(way, way.top_m[:end], -np.inf)
    low = levelled_across(way, ground[:end], np.inf)
    body = way.under_body
    lowest = min(limits.step.value, limits.belly.value, limits.drop.value)
    return (over_limit(_size(ledges(way, high, low)), lowest),
            over_limit(_size(crowns(high[:, body], low[:, body])), limits.belly.value))


def _size(heights: Floats) -> float:
    """The largest; 0 where rounding leaves no more. [m]"""
    largest = float(heights.max())
    return largest if largest > NOTHING_M else 0.0


def _share_of_turn(way: Way, limits: Limits) -> float:
    """What the body meets as it turns to a heading, over the lowest limit of a height."""
    if way.heading_deg == 0:
        return 0.0
    return over_limit(way.turn_m if not way.turn_m <= NOTHING_M else 0.0,
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
    return greatest.ratio, greatest.at_m if greatest.size_m > NOTHING_M else None
