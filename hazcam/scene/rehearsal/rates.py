"""Rates of both mistakes, counted over headings and over scenes, with their bounds. Pure.

Headings of one scene share its rocks, its light and its noise. The rate of the headings is given,
but the bound to quote is that over scenes: a scene counts once, whatever number of its headings
went wrong.

Intervals
---------
- False-go: exact, one-sided upper bound at ``CONFIDENCE``, of headings and of scenes.
- Needless ask: exact, two-sided, of headings; and of the pooled rate with whole scenes resampled.
  Where no heading or every heading asks, resampling gives no bound: the exact two-sided one over
  scenes stands there instead, and the interval says so. Of one scene alone there is no interval;
  of fewer than ``FEW_SCENES`` it is too narrow.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from hazcam.scene.rehearsal.record import (
    STRIPS,
    HeadingRow,
    Plan,
    SceneScore,
    Sensor,
    Strip,
)
from hazcam.statistics import clopper_pearson, cluster_rate_interval

CONFIDENCE = 0.95
EXACT_ONE, EXACT_TWO = "exact, one-sided", "exact, two-sided"
RESAMPLED, OVER_SCENES = "scenes resampled, two-sided", "exact over scenes, two-sided"
UNKNOWN, ONE_SCENE = "no trial", "none: one scene"
FEW_SCENES = 20  # our own choice: percentile intervals of few clusters hold less than they say
_SEED = 6_1000  # of the resampling: the same scores give the same tables

Basis = Literal["one limit", "all limits"]
BASES: tuple[Basis, ...] = ("one limit", "all limits")
ByScene = Mapping[str, Sequence[HeadingRow]]


class Setting(NamedTuple):
    """What a row was scored at, as in ``HeadingRow``."""

    strip: Strip
    sensor: Sensor
    look_ahead_m: float
    limit_m: float


Cuts = Mapping[Setting, ByScene]


def cut_by_setting(scores: Iterable[SceneScore]) -> Cuts:
    """The rows of each setting, by scene."""
    cuts: dict[Setting, dict[str, list[HeadingRow]]] = {}
    for score in scores:
        for row in score.rows:
            setting = Setting(row.strip, row.sensor, row.look_ahead_m, row.limit_m)
            cuts.setdefault(setting, {}).setdefault(score.pair, []).append(row)
    return cuts


def settings_of(plan: Plan) -> Iterator[Setting]:
    """All settings of a plan, in the order of the tables."""
    for strip in STRIPS:
        for sensor in plan.sensors:
            for look_ahead_m in plan.look_aheads_m:
                for limit_m in plan.limits_m:
                    yield Setting(strip, sensor, look_ahead_m, limit_m)


@dataclass(frozen=True, kw_only=True)
class Rate:
    """How often something happened.

    Attributes
    ----------
    count, of : int
        Events and trials.
    rate : float
        NaN without trials.
    low, high : float
        Bounds at ``CONFIDENCE``; 0 and 1 without trials.
    interval : str
        What kind of bounds.
    """

    count: int
    of: int
    rate: float
    low: float
    high: float
    interval: str


@dataclass(frozen=True, kw_only=True)
class SceneRate:
    """A rate of headings, seen by scene.

    Attributes
    ----------
    scenes : int
        Scenes with at least one trial.
    mean : float
        Mean over those scenes of the rate within each; NaN without any.
    low, high : float
        Bounds at ``CONFIDENCE`` of the pooled rate; 0 and 1 where nothing bounds it.
    interval : str
        What kind of bounds.
    """

    scenes: int
    mean: float
    low: float
    high: float
    interval: str


@dataclass(frozen=True, kw_only=True)
class Rates:
    """Both mistakes.

    Attributes
    ----------
    false_go : Rate
        Of the blocked headings, those that went.
    false_go_scenes : Rate
        Of the scenes with a blocked heading, those with any that went.
    false_go_can_go, false_go_can_go_scenes : Rate
        The same of the blocked headings where nothing but the ground speaks against ``go``. A
        heading that can never be ``go`` says nothing of false-gos: this is the one to quote.
    needless : Rate
        Of the free headings, those that asked.
    needless_scenes : SceneRate
        The same by scene.
    needless_observable : Rate
        Of the free headings that both cameras see, those that asked.
    needless_observable_scenes : SceneRate
        The same by scene.
    """

    false_go: Rate
    false_go_scenes: Rate
    false_go_can_go: Rate
    false_go_can_go_scenes: Rate
    needless: Rate
    needless_scenes: SceneRate
    needless_observable: Rate
    needless_observable_scenes: SceneRate


def exact_rate(count: int, of: int, sided: Literal["one", "two"]) -> Rate:
    """A rate with its Clopper-Pearson bounds at ``CONFIDENCE``."""
    bounds = clopper_pearson(count, of, confidence=CONFIDENCE, sided=sided)
    return Rate(count=count, of=of, rate=count / of if of else math.nan, low=bounds.low,
                high=bounds.high,
                interval=UNKNOWN if not of else EXACT_ONE if sided == "one" else EXACT_TWO)


def scene_rate(events: Sequence[int], trials: Sequence[int]) -> SceneRate:
    """A rate of headings by scene, from the counts of each scene."""
    tried = [(e, t) for e, t in zip(events, trials, strict=True) if t]
    if not tried:
        return SceneRate(scenes=0, mean=math.nan, low=0.0, high=1.0, interval=UNKNOWN)
    happened, of = np.array(tried).T
    mean = float(np.mean(happened / of))
    alike = happened.sum() in (0, of.sum())
    if len(tried) == 1 and not alike:
        return SceneRate(scenes=1, mean=mean, low=0.0, high=1.0, interval=ONE_SCENE)
    if alike:
        bounds = clopper_pearson(len(tried) if happened.sum() else 0, len(tried),
                                 confidence=CONFIDENCE, sided="two")
    else:
        bounds = cluster_rate_interval(happened, of, seed=_SEED, confidence=CONFIDENCE)
    return SceneRate(scenes=len(tried), mean=mean, low=bounds.low, high=bounds.high,
                     interval=OVER_SCENES if alike else RESAMPLED)


def rates_of(scenes: ByScene) -> Rates:
    """Both mistakes over the headings of some scenes."""
    went, blocked = count_events(scenes, lambda r: r.label == "blocked", lambda r: r.is_false_go)
    went_able, able = count_events(
        scenes, lambda r: r.label == "blocked" and r.can_go, lambda r: r.is_false_go)
    asked, free = count_events(scenes, lambda r: r.label == "free", lambda r: r.is_needless_ask)
    asked_seen, seen = count_events(scenes, lambda r: r.label == "free" and r.observable,
                               lambda r: r.is_needless_ask)
    return Rates(
        false_go=exact_rate(sum(went), sum(blocked), "one"),
        false_go_scenes=scenes_with(went, blocked),
        false_go_can_go=exact_rate(sum(went_able), sum(able), "one"),
        false_go_can_go_scenes=scenes_with(went_able, able),
        needless=exact_rate(sum(asked), sum(free), "two"),
        needless_scenes=scene_rate(asked, free),
        needless_observable=exact_rate(sum(asked_seen), sum(seen), "two"),
        needless_observable_scenes=scene_rate(asked_seen, seen),
    )


def scenes_with(events: Sequence[int], trials: Sequence[int]) -> Rate:
    """Of the scenes with a trial, those with an event; one-sided."""
    return exact_rate(sum(n > 0 for n in events), sum(n > 0 for n in trials), "one")


def count_events(
    scenes: ByScene, trial: Callable[[HeadingRow], bool], event: Callable[[HeadingRow], bool]
) -> tuple[list[int], list[int]]:
    """Events and trials of each scene."""
    tried = [[row for row in rows if trial(row)] for rows in scenes.values()]
    return [sum(map(event, rows)) for rows in tried], [len(rows) for rows in tried]
