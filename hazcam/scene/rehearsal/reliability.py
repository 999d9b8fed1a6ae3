"""Whether stated probabilities mean what they say: held against how often truth exceeds. Pure.

Only headings whose unseen ground could not exceed a limit are asked: of others the verdict states
only that the probability is at least so much, and they are counted beside. Each heading's own
strip is assumed clear. Headings whose truth cannot be said (see
:func:`hazcam.scene.exceed.exceeds`) are left out and counted.

The bins were chosen before any figure was seen: the first holds what is ``go`` at a confidence of
99 %, the last what is all but sure, and two lie between. The upper edge of a bin belongs to it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from hazcam.scene.rehearsal.rates import BASES, Basis, ByScene, Cuts, Setting, scene_rate
from hazcam.scene.rehearsal.record import HeadingRow, Plan, Sensor

EDGES = (0.0, 0.01, 0.2, 0.8, 1.0)
# What a bin must hold before it says anything of a method: our own choice.
LEAST_HEADINGS, LEAST_SCENES = 50, 30


@dataclass(frozen=True, kw_only=True)
class ReliabilityBin:
    """Headings whose stated probability lies in one bin.

    Attributes
    ----------
    above, to : float
        Edges of the bin; the lower one, unless it is 0, belongs to the bin before.
    headings, scenes : int
        How many; and of how many scenes.
    stated : float
        Mean of the stated probabilities; NaN without headings.
    exceeding : int
        Headings where truth exceeds a limit.
    observed : float
        Their share; NaN without headings.
    low, high : float
        Bounds of the share, as those of a needless ask: whole scenes resampled, or exact over
        scenes where no heading or every heading exceeds.
    interval : str
        What kind of bounds.
    inside : bool or None
        The stated mean lies within the bounds; None without headings.
    enough : bool
        The bin holds at least ``LEAST_HEADINGS`` of ``LEAST_SCENES``.
    not_bounded, not_bounded_exceeding : int
        Headings with such a probability, and in none of the above, whose unseen ground could exceed
        a limit; and those of them where truth exceeds: at least the stated share should.
    """

    above: float
    to: float
    headings: int
    scenes: int
    stated: float
    exceeding: int
    observed: float
    low: float
    high: float
    interval: str
    inside: bool | None
    enough: bool
    not_bounded: int
    not_bounded_exceeding: int


@dataclass(frozen=True, kw_only=True)
class Reliability:
    """The bins of one sensor.

    Attributes
    ----------
    basis : str
        At one limit, or at all limits pooled: a heading counts once per limit.
    sensor : str
        As in ``HeadingRow``; the strip is each heading's own.
    limit_m, look_ahead_m : float
        Of basis ``one limit``; ``all limits`` share the look-ahead. [m]
    bins : tuple of ReliabilityBin
        In order.
    not_stated, not_bounded, not_known : int
        Headings left out: no probability was stated; unseen ground could exceed a limit; truth
        cannot be said.
    """

    basis: Basis
    sensor: str
    limit_m: float
    look_ahead_m: float
    bins: tuple[ReliabilityBin, ...]
    not_stated: int
    not_bounded: int
    not_known: int


def reliability(
    cuts: Cuts, plan: Plan, limit_m: float, look_ahead_m: float
) -> tuple[Reliability, ...]:
    """Stated against observed, for each basis and sensor.

    Raises
    ------
    ValueError
        A stated probability that is none.
    """
    return tuple(
        _of(_pooled(cuts, sensor, look_ahead_m,
                    (limit_m,) if basis == "one limit" else plan.limits_m),
            basis, sensor, limit_m, look_ahead_m)
        for basis in BASES for sensor in plan.sensors)


def _pooled(
    cuts: Cuts, sensor: Sensor, look_ahead_m: float, limits_m: Sequence[float]
) -> ByScene:
    found: dict[str, list[HeadingRow]] = {}
    for limit_m in limits_m:
        for pair, rows in cuts.get(Setting("own", sensor, look_ahead_m, limit_m), {}).items():
            found.setdefault(pair, []).extend(rows)
    return found


def _of(
    scenes: ByScene, basis: Basis, sensor: Sensor, limit_m: float, look_ahead_m: float
) -> Reliability:
    rows = [row for found in scenes.values() for row in found]
    stated = [row for row in rows if not math.isnan(row.probability)]
    bounded = [row for row in stated if row.bounded]
    for row in stated:
        if not 0 <= row.probability <= 1:
            raise ValueError(f"a stated probability is from 0 to 1, got {row.probability}")
    usable = {pair: [row for row in found if row.exceeds is not None
                     and not math.isnan(row.probability)] for pair, found in scenes.items()}
    return Reliability(
        basis=basis, sensor=sensor, limit_m=limit_m, look_ahead_m=look_ahead_m,
        bins=tuple(_bin(usable, above, to)
                   for above, to in pairwise(EDGES)),
        not_stated=len(rows) - len(stated), not_bounded=len(stated) - len(bounded),
        not_known=sum(row.exceeds is None for row in bounded))


def _bin(scenes: ByScene, above: float, to: float) -> ReliabilityBin:
    inside = [[row for row in rows if above < row.probability <= to
               or row.probability == above == 0.0] for rows in scenes.values()]
    held = [[row for row in rows if row.bounded] for rows in inside]
    rows = [row for found in held for row in found]
    others = [row for found in inside for row in found if not row.bounded]
    exceeding = [sum(bool(row.exceeds) for row in found) for found in held]
    rate = scene_rate(exceeding, [len(found) for found in held])
    stated = float(np.mean([row.probability for row in rows])) if rows else math.nan
    return ReliabilityBin(
        above=above, to=to, headings=len(rows), scenes=rate.scenes, stated=stated,
        exceeding=sum(exceeding), observed=sum(exceeding) / len(rows) if rows else math.nan,
        low=rate.low, high=rate.high, interval=rate.interval,
        inside=rate.low <= stated <= rate.high if rows else None,
        enough=len(rows) >= LEAST_HEADINGS and rate.scenes >= LEAST_SCENES,
        not_bounded=len(others),
        not_bounded_exceeding=sum(bool(row.exceeds) for row in others))
