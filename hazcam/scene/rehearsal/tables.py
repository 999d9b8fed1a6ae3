"""The tables of a rehearsal, from the scores of all scenes: what its JSON and its page show. Pure.

How rates are counted and bounded is told in :mod:`hazcam.scene.rehearsal.rates`.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from hazcam.errors import HazcamError
from hazcam.scene.rehearsal.breakdown import (
    NO_MIXTURE,
    Breakdown,
    Share,
    blocking_kinds,
    breakdowns,
    clear_ratio,
    compression_of,
    deciding_causes,
)
from hazcam.scene.rehearsal.false_go import FalseGoRow, false_go_rows
from hazcam.scene.rehearsal.heights import HeightRow, height_rows
from hazcam.scene.rehearsal.needless import CausesRow, NeedlessRow, cause_rows, needless_rows
from hazcam.scene.rehearsal.quality import QualityRow, quality_rows
from hazcam.scene.rehearsal.rates import (
    CONFIDENCE,
    ByScene,
    Cuts,
    Rates,
    Setting,
    cut_by_setting,
    rates_of,
    settings_of,
)
from hazcam.scene.rehearsal.record import Plan, SceneScore
from hazcam.scene.rehearsal.reliability import Reliability, reliability
from hazcam.scene.rehearsal.worst import Case, false_go_cases, needless_cases

# The limit and the look-ahead that breakdowns are shown at, or those of the plan nearest to them.
MIDDLE_LIMIT_M, MIDDLE_LOOK_AHEAD_M = 0.06, 1.0


@dataclass(frozen=True, kw_only=True)
class MainRow:
    """One setting of the main table.

    Attributes
    ----------
    sensor, strip, limit_m, look_ahead_m
        As in ``HeadingRow``.
    rates : Rates
        Both mistakes.
    headings, asks, borderline : int
        All headings, those that asked, those that are not scored.
    strip_only, strip_only_go : int
        Headings with something that would block, but wholly inside the strip; those that went.
    clear_ratio : float
        Median of clear distance over true clear distance of the scored headings that have one.
        NaN without any.
    free_clear_m, free_clear_ratio : float
        Of the free headings: median of the clear distance, from the nose [m], and of its ratio to
        the true one, which is the look-ahead. NaN without any.
    """

    sensor: str
    strip: str
    limit_m: float
    look_ahead_m: float
    rates: Rates
    headings: int
    asks: int
    borderline: int
    strip_only: int
    strip_only_go: int
    clear_ratio: float
    free_clear_m: float
    free_clear_ratio: float


@dataclass(frozen=True, kw_only=True)
class Failure:
    """A pair that could not be assessed; if not ``scored``, it is in no table either."""

    pair: str
    reason: str
    scored: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class Summary:
    """All that the JSON and the page of a rehearsal show.

    Attributes
    ----------
    plan : Plan
        What was scored.
    scenes : int
        All scenes of the set.
    scored : int
        Those with a verdict, or a failure that counts as one, in every heading.
    failures : tuple of Failure
        Pairs that could not be assessed.
    mixtures, compressions, rigs : mapping of str to int
        Scenes of each.
    sun_deg : tuple of float, or None
        Lowest and highest sun; None if it shines nowhere. [deg]
    without_sun : int
        Scenes that no sun shines on.
    confidence : float
        Of all bounds.
    limit_m, look_ahead_m : float
        Setting of the headline and of the breakdowns. [m]
    rows : tuple of MainRow
        By strip, sensor, look-ahead and limit.
    breakdowns : tuple of Breakdown
        By mixture, sun, ratio, distance, compression and rig.
    causes : tuple of Share
        What decided the needless asks, most frequent first.
    kinds : tuple of Share
        What blocked where it went nevertheless, most frequent first.
    quality : tuple of QualityRow
        Errors of disparity, elevation and obstacle height against truth.
    false_go_groups : tuple of FalseGoRow
        Scenes with a false-go by mixture, at each setting.
    needless_by_sun : tuple of NeedlessRow
        Needless asks of observable headings by the sun, at each setting.
    free_causes : tuple of CausesRow
        What speaks against all free headings, at each setting.
    reliability : tuple of Reliability
        Stated probabilities against what truth exceeds.
    heights : tuple of HeightRow
        Heights of rocks against truth, near and far.
    false_go_cases, needless_cases : tuple of Case
        The worst of each mistake.
    """

    plan: Plan
    scenes: int
    scored: int
    failures: tuple[Failure, ...]
    mixtures: Mapping[str, int]
    compressions: Mapping[str, int]
    rigs: Mapping[str, int]
    sun_deg: tuple[float, float] | None
    without_sun: int
    confidence: float
    limit_m: float
    look_ahead_m: float
    rows: tuple[MainRow, ...]
    breakdowns: tuple[Breakdown, ...]
    causes: tuple[Share, ...]
    kinds: tuple[Share, ...]
    quality: tuple[QualityRow, ...]
    false_go_groups: tuple[FalseGoRow, ...]
    needless_by_sun: tuple[NeedlessRow, ...]
    free_causes: tuple[CausesRow, ...]
    reliability: tuple[Reliability, ...]
    heights: tuple[HeightRow, ...]
    false_go_cases: tuple[Case, ...]
    needless_cases: tuple[Case, ...]

    def row(
        self, sensor: str, strip: str, limit_m: float | None = None,
        look_ahead_m: float | None = None,
    ) -> MainRow | None:
        """The row of a setting, by default that of the headline; None if it was not scored."""
        wanted = (sensor, strip, self.limit_m if limit_m is None else limit_m,
                  self.look_ahead_m if look_ahead_m is None else look_ahead_m)
        return next((r for r in self.rows
                     if (r.sensor, r.strip, r.limit_m, r.look_ahead_m) == wanted), None)


def summarise(scores: Sequence[SceneScore], plan: Plan) -> Summary:
    """Count both mistakes over a set of scenes.

    Parameters
    ----------
    scores : sequence of SceneScore
        Of all scenes, those that failed too.
    plan : Plan
        What was scored.

    Raises
    ------
    HazcamError
        No scene, a scene given twice, or two versions of one mixture: their figures are never
        pooled.
    """
    _check(scores)
    limit_m = _nearest(plan.limits_m, MIDDLE_LIMIT_M)
    look_ahead_m = _nearest(plan.look_aheads_m, MIDDLE_LOOK_AHEAD_M)
    cuts = cut_by_setting(scores)
    suns = [s.sun_elevation_deg for s in scores if s.sun_elevation_deg is not None]
    return Summary(
        plan=plan, scenes=len(scores), scored=sum(bool(s.rows) for s in scores),
        failures=tuple(Failure(pair=s.pair, reason=s.failure, scored=bool(s.rows))
                       for s in scores if s.failure or not s.rows),
        mixtures=_counted(s.mixture or NO_MIXTURE for s in scores),
        compressions=_counted(compression_of(s) for s in scores),
        rigs=_counted(s.rig for s in scores),
        sun_deg=(min(suns), max(suns)) if suns else None, without_sun=len(scores) - len(suns),
        confidence=CONFIDENCE, limit_m=limit_m, look_ahead_m=look_ahead_m,
        rows=tuple(_main_row(setting, cuts) for setting in settings_of(plan) if setting in cuts),
        breakdowns=tuple(breakdowns(scores, plan, limit_m, look_ahead_m)),
        causes=deciding_causes(scores, limit_m, look_ahead_m),
        kinds=blocking_kinds(scores, limit_m, look_ahead_m),
        quality=quality_rows(scores), false_go_groups=false_go_rows(scores, cuts, plan),
        needless_by_sun=needless_rows(scores, cuts, plan), free_causes=cause_rows(cuts, plan),
        reliability=reliability(cuts, plan, limit_m, look_ahead_m), heights=height_rows(scores),
        false_go_cases=false_go_cases(scores), needless_cases=needless_cases(scores),
    )


def check_versions(mixtures: Iterable[str], where: str) -> None:
    """Refuse two versions of one mixture.

    Raises
    ------
    HazcamError
        Names both.
    """
    versions: dict[str, set[str]] = defaultdict(set)
    for label in mixtures:
        versions[label.partition("/")[0]].add(label)
    for labels in versions.values():
        if len(labels) > 1:
            raise HazcamError(
                where, f"two versions of one mixture: {' and '.join(sorted(labels))}",
                "one version of each mixture: figures of different versions are never compared",
                "render the older scenes again, or rehearse each set by itself")


def _check(scores: Sequence[SceneScore]) -> None:
    if not scores:
        raise HazcamError("the rehearsal", "no scene", "at least one scored scene",
                          "give a set that holds rendered scenes")
    twice = [pair for pair, n in Counter(s.pair for s in scores).items() if n > 1]
    if twice:
        raise HazcamError("the rehearsal", f"scored twice: {', '.join(sorted(twice))}",
                          "each scene once", "give each rendered set once")
    check_versions((s.mixture for s in scores), "the rehearsal")


def _nearest(values: Sequence[float], wanted: float) -> float:
    return min(values, key=lambda v: (abs(v - wanted), v))


def _counted(words: Iterable[str]) -> dict[str, int]:
    return dict(sorted(Counter(words).items()))


# --- main table -----------------------------------------------------------------------------------


def _main_row(setting: Setting, cuts: Cuts) -> MainRow:
    scenes = cuts[setting]
    rows = [row for found in scenes.values() for row in found]
    in_strip = [row for row in rows if row.strip_only]
    free = {pair: [row for row in found if row.label == "free"]
            for pair, found in scenes.items()}
    return MainRow(
        **setting._asdict(), rates=rates_of(scenes), headings=len(rows),
        asks=sum(row.verdict == "ask-ground" for row in rows),
        borderline=sum(row.label == "borderline" for row in rows),
        strip_only=len(in_strip), strip_only_go=sum(row.verdict == "go" for row in in_strip),
        clear_ratio=clear_ratio(scenes), free_clear_m=_clear_m(free),
        free_clear_ratio=clear_ratio(free),
    )


def _clear_m(scenes: ByScene) -> float:
    lengths = [row.clear_m for rows in scenes.values() for row in rows
               if math.isfinite(row.clear_m)]
    return float(np.median(lengths)) if lengths else math.nan
