"""Whether, by truth, any demand of a heading is over its limit.

Stated probabilities are held against it, so it knows no band between ``free`` and ``blocked``: a
demand of 1.01 of its limit is over it, one of 0.99 is not. It is of the ground that a verdict
speaks of: body and margins, without the guard of 1 cm that a label adds, and every lane counts.
Like the labels it knows no stance: what the ends of the body touch and how near to tipping it
stands are in no truth of a scene.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats
from hazcam.rover.profile import Limits
from hazcam.scene.blocks import FIT_RMS_M, GAINED_M, gone_on
from hazcam.scene.relief import (
    NOTHING_M,
    closed,
    crowns,
    ledges,
    levelled_across,
    rise_within,
    run_ends,
    station_at,
)
from hazcam.scene.way import ALONG_M, GUARD_M, Span, Way, span_within

Known = bool | None  # None: not known


def exceeds(way: Way, *, strip_m: float, look_ahead_m: float, limits: Limits) -> Known:
    """Whether a demand beyond the near strip, up to the look-ahead, is over its limit.

    Parameters
    ----------
    way : Way
        The heading as surveyed.
    strip_m, look_ahead_m : float
        From the nose. [m]
    limits : Limits
        Heights are held against the lower of step and belly, depths against drop and gap.

    Returns
    -------
    bool or None
        True if beyond the strip there is a rock, rise, fall, ledge, crown under the belly, run of
        gaps that count as one, or body-size plane that fits, of more than its limit. None where
        that is not known: the truth does not reach; or nothing beyond the strip is over a limit,
        but something in the strip, or in the circle that a turn in place sweeps, is: parts of
        these are in view, so that a verdict may have measured it, or not.
    """
    beyond = _any(_over(way, (strip_m, look_ahead_m), limits))
    if beyond is not False:
        return beyond
    whole = _any([*_over(way, (0.0, look_ahead_m), limits), _turn(way, limits)])
    return False if whole is False else None


def _any(found: Iterator[Known] | list[Known]) -> Known:
    """True if one is, else None if one is not known."""
    told = list(found)
    return True if True in told else None if None in told else False


def _larger(sizes: Floats | float, limit: float) -> Known:
    """Whether any is larger than a limit; what rounding leaves of nothing is not."""
    if np.any(sizes > max(limit, NOTHING_M)):
        return True
    return None if np.isnan(sizes).any() else False


def _over(way: Way, stretch_m: Span, limits: Limits) -> Iterator[Known]:
    """Each kind of demand on a stretch of the way against its limit."""
    if stretch_m[1] <= stretch_m[0]:
        return
    swath = np.abs(way.t_m) <= way.t_m[-1] - GUARD_M + 1e-9
    ground = closed(way, limits.gap.value)
    yield _rocks(way, stretch_m, limits)
    yield _rises(way, ground, swath, stretch_m, limits)
    yield _falls(way, ground, swath, stretch_m, limits)
    yield _gaps(way, swath, stretch_m, limits)
    yield _across(way, ground, swath, stretch_m, limits)
    yield _slopes(way, stretch_m, limits)


def _stations(stretch_m: Span) -> slice:
    return slice(station_at(stretch_m[0]), int(stretch_m[1] / ALONG_M + 1e-6) + 1)


def _lowest_height(limits: Limits) -> float:
    return min(limits.step.value, limits.belly.value)


def _rocks(way: Way, stretch_m: Span, limits: Limits) -> bool:
    half_m = float(way.t_m[-1]) - GUARD_M
    for item in way.items:
        if item.kind == "rock" and item.height_m > _lowest_height(limits):
            span = span_within(item.outline_m, half_m)
            if span is not None and max(span[0], stretch_m[0]) < min(span[1], stretch_m[1]):
                return True
    return False


def _rises(
    way: Way, ground: Floats, swath: NDArray[np.bool_], stretch_m: Span, limits: Limits
) -> Known:
    where = _stations(stretch_m)
    sizes = rise_within(way, ground)[where.start:]
    # behind a step in the strip, only what goes on rising beyond it counts
    counts = gone_on(way.top_m, where.start) | np.isnan(sizes)
    length = where.stop - where.start
    return _larger(np.where(counts, sizes, 0.0)[:length, swath], _lowest_height(limits))


def _falls(
    way: Way, ground: Floats, swath: NDArray[np.bool_], stretch_m: Span, limits: Limits
) -> Known:
    where, limit = _stations(stretch_m), limits.drop.value
    sizes = (way.lip_m - ground)[where.start:]
    counts = gone_on(-ground, where.start) | np.isnan(sizes)
    length = where.stop - where.start
    here = _larger(np.where(counts, sizes, 0.0)[:length, swath], limit)
    return True if _begun_before(way, ground, swath, where.start, limit) else here


def _begun_before(
    way: Way, ground: Floats, swath: NDArray[np.bool_], first: int, limit: float
) -> bool:
    """Whether low ground behind a bank in the strip reaches to its end."""
    if first == 0:
        return False
    known = np.where(np.isnan(ground), np.inf, ground)[:first + 1]
    highest_from = np.maximum.accumulate(known[::-1], axis=0)[::-1][:-1]
    fall = (way.bank_m[:first] - highest_from)[:, swath]
    return bool(np.any(fall > max(limit, NOTHING_M)))


def _gaps(way: Way, swath: NDArray[np.bool_], stretch_m: Span, limits: Limits) -> bool:
    """Whether the part on the stretch of gaps that count as one is longer than the legs bridge."""
    where, depth_m = _stations(stretch_m), max(limits.drop.value, NOTHING_M)
    low = (way.bank_m - way.support_m > depth_m) & swath
    station, lane = np.nonzero(low[:where.stop])
    if not len(station):
        return False
    runs = run_ends(way, station, lane, depth_m) - np.maximum(station, where.start)
    return bool(np.any(runs * ALONG_M > limits.gap.value + 1e-9))


def _across(
    way: Way, ground: Floats, swath: NDArray[np.bool_], stretch_m: Span, limits: Limits
) -> Known:
    """Ledges along the heading in the swath, and crowns under the body."""
    where = _stations(stretch_m)
    # what ends within a centimetre of the strip has been passed with it
    first = where.start + (round(GAINED_M / ALONG_M) if where.start else 0)
    high = levelled_across(way, way.top_m[:where.stop], -np.inf)
    low = levelled_across(way, ground[:where.stop], np.inf)
    body = way.under_body
    return _any([
        _larger(ledges(way, high[:, swath], low[:, swath])[first:],
                min(_lowest_height(limits), limits.drop.value)),
        _larger(crowns(high[:, body], low[:, body])[first:], limits.belly.value)])


def _slopes(way: Way, stretch_m: Span, limits: Limits) -> Known:
    """Planes with their middle on the stretch that fit: what stands on the ground is no slope."""
    planes = way.planes
    inside = (planes.s_m >= stretch_m[0] - 1e-9) & (planes.s_m <= stretch_m[1] + 1e-9)
    fits = inside & ~(planes.rms_m > FIT_RMS_M)
    return _any([_larger(planes.slope_deg[fits], limits.slope.value),
                 _larger(planes.roll_deg[fits], limits.roll.value)])


def _turn(way: Way, limits: Limits) -> Known:
    if way.heading_deg == 0:
        return False
    return _larger(way.turn_m, min(_lowest_height(limits), limits.drop.value))
