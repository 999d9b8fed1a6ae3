"""The tables of a rehearsal: both mistakes, counted over headings and over scenes.

Headings of one scene share its rocks, its light and its noise. The rate of the headings is given,
but the bound to quote is that over scenes: a scene counts once, whatever number of its headings
went wrong. Pure: no file, no clock.

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
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from hazcam.errors import HazcamError
from hazcam.scene.rehearsal.quality import QualityRow, quality_rows
from hazcam.scene.rehearsal.record import HeadingRow, Plan, SceneScore, Sensor, Strip
from hazcam.scene.rehearsal.worst import Case, false_go_cases, needless_cases
from hazcam.statistics import clopper_pearson, cluster_rate_interval

SENSORS: tuple[Sensor, ...] = ("matched", "ideal")
STRIPS: tuple[Strip, ...] = ("straight ahead", "own")
CONFIDENCE = 0.95
NO_MIXTURE = "no mixture"  # a scene that was described by hand
EXACT_ONE, EXACT_TWO = "exact, one-sided", "exact, two-sided"
RESAMPLED, OVER_SCENES = "scenes resampled, two-sided", "exact over scenes, two-sided"
UNKNOWN, ONE_SCENE = "no trial", "none: one scene"
FEW_SCENES = 20  # our own choice: percentile intervals of few clusters hold less than they say
# The limit and the look-ahead that breakdowns are shown at, or those of the plan nearest to them.
MIDDLE_LIMIT_M, MIDDLE_LOOK_AHEAD_M = 0.06, 1.0
_SEED = 6_1000  # of the resampling: the same scores give the same tables

Basis = Literal["one limit", "all limits"]
BASES: tuple[Basis, ...] = ("one limit", "all limits")
ByScene = Mapping[str, Sequence[HeadingRow]]
Key = Callable[[SceneScore, HeadingRow], str | None]


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


@dataclass(frozen=True, kw_only=True)
class BreakdownRow:
    """One group of a breakdown: ``scenes`` have headings in it.

    ``clear_ratio`` is the median of clear distance over true clear distance, as in ``MainRow``.
    """

    group: str
    basis: str
    sensor: str
    strip: str
    scenes: int
    rates: Rates
    clear_ratio: float


@dataclass(frozen=True, kw_only=True)
class Breakdown:
    """The same scenes, split by one property.

    Attributes
    ----------
    name, title : str
        Short name; what it is split by, in words.
    blocked_only : bool
        Of blocked headings only: it says nothing of needless asks.
    limit_m, look_ahead_m : float
        Of the rows of basis ``one limit``; those of ``all limits`` share the look-ahead. [m]
    rows : tuple of BreakdownRow
        By group, in order.
    """

    name: str
    title: str
    blocked_only: bool
    limit_m: float
    look_ahead_m: float
    rows: tuple[BreakdownRow, ...]


@dataclass(frozen=True, kw_only=True)
class Share:
    """``count`` of ``of`` mistakes fell to ``word``."""

    basis: str
    sensor: str
    strip: str
    word: str
    count: int
    of: int


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
    suns = [s.sun_elevation_deg for s in scores if s.sun_elevation_deg is not None]
    return Summary(
        plan=plan, scenes=len(scores), scored=sum(bool(s.rows) for s in scores),
        failures=tuple(Failure(pair=s.pair, reason=s.failure, scored=bool(s.rows))
                       for s in scores if s.failure or not s.rows),
        mixtures=_counted(s.mixture or NO_MIXTURE for s in scores),
        compressions=_counted(_compression_of(s) for s in scores),
        rigs=_counted(s.rig for s in scores),
        sun_deg=(min(suns), max(suns)) if suns else None, without_sun=len(scores) - len(suns),
        confidence=CONFIDENCE, limit_m=limit_m, look_ahead_m=look_ahead_m,
        rows=_main_rows(scores, plan),
        breakdowns=tuple(_breakdowns(scores, plan, limit_m, look_ahead_m)),
        causes=_shares(scores, limit_m, look_ahead_m,
                       lambda row: _decided(row) if row.is_needless_ask else None),
        kinds=_shares(scores, limit_m, look_ahead_m,
                      lambda row: row.blocking_kind if row.is_false_go else None),
        quality=quality_rows(scores),
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


# --- rates ----------------------------------------------------------------------------------------


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


def rates_of(by_scene: ByScene) -> Rates:
    """Both mistakes over the headings of some scenes."""
    went, blocked = _events(by_scene, lambda r: r.label == "blocked", lambda r: r.is_false_go)
    went_able, able = _events(
        by_scene, lambda r: r.label == "blocked" and r.can_go, lambda r: r.is_false_go)
    asked, free = _events(by_scene, lambda r: r.label == "free", lambda r: r.is_needless_ask)
    asked_seen, seen = _events(by_scene, lambda r: r.label == "free" and r.observable,
                               lambda r: r.is_needless_ask)
    return Rates(
        false_go=exact_rate(sum(went), sum(blocked), "one"),
        false_go_scenes=_scenes_with(went, blocked),
        false_go_can_go=exact_rate(sum(went_able), sum(able), "one"),
        false_go_can_go_scenes=_scenes_with(went_able, able),
        needless=exact_rate(sum(asked), sum(free), "two"),
        needless_scenes=scene_rate(asked, free),
        needless_observable=exact_rate(sum(asked_seen), sum(seen), "two"),
        needless_observable_scenes=scene_rate(asked_seen, seen),
    )


def _scenes_with(events: Sequence[int], trials: Sequence[int]) -> Rate:
    """Of the scenes with a trial, those with an event."""
    return exact_rate(sum(n > 0 for n in events), sum(n > 0 for n in trials), "one")


def _events(
    by_scene: ByScene, trial: Callable[[HeadingRow], bool], event: Callable[[HeadingRow], bool]
) -> tuple[list[int], list[int]]:
    """Events and trials of each scene."""
    tried = [[row for row in rows if trial(row)] for rows in by_scene.values()]
    return [sum(map(event, rows)) for rows in tried], [len(rows) for rows in tried]


# --- main table -----------------------------------------------------------------------------------


def _main_rows(scores: Sequence[SceneScore], plan: Plan) -> tuple[MainRow, ...]:
    cuts: dict[tuple[str, str, float, float], dict[str, list[HeadingRow]]] = {}
    for score in scores:
        for row in score.rows:
            setting = (row.strip, row.sensor, row.look_ahead_m, row.limit_m)
            cuts.setdefault(setting, {}).setdefault(score.pair, []).append(row)
    order = [(strip, sensor, look_ahead_m, limit_m) for strip in STRIPS for sensor in SENSORS
             for look_ahead_m in plan.look_aheads_m for limit_m in plan.limits_m]
    return tuple(_main_row(setting, cuts[setting]) for setting in order if setting in cuts)


def _main_row(setting: tuple[str, str, float, float], by_scene: ByScene) -> MainRow:
    strip, sensor, look_ahead_m, limit_m = setting
    rows = [row for rows in by_scene.values() for row in rows]
    in_strip = [row for row in rows if row.strip_only]
    return MainRow(
        sensor=sensor, strip=strip, limit_m=limit_m, look_ahead_m=look_ahead_m,
        rates=rates_of(by_scene), headings=len(rows),
        asks=sum(row.verdict == "ask-ground" for row in rows),
        borderline=sum(row.label == "borderline" for row in rows),
        strip_only=len(in_strip), strip_only_go=sum(row.verdict == "go" for row in in_strip),
        clear_ratio=_clear_ratio(by_scene),
    )


def _clear_ratio(by_scene: ByScene) -> float:
    ratios = [row.clear_m / row.true_clear_m for rows in by_scene.values() for row in rows
              if row.label != "borderline" and row.true_clear_m > 0 and math.isfinite(row.clear_m)]
    return float(np.median(ratios)) if ratios else math.nan


# --- breakdowns -----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Split:
    name: str
    title: str
    key: Key
    groups: tuple[str, ...] = ()  # shown in this order, others after them
    blocked_only: bool = False


def _breakdowns(
    scores: Sequence[SceneScore], plan: Plan, limit_m: float, look_ahead_m: float
) -> Iterable[Breakdown]:
    for split in _SPLITS:
        # nothing far away blocks within a short look-ahead
        look = max(plan.look_aheads_m) if split.name == "distance" else look_ahead_m
        rows = tuple(row for basis in BASES
                     for row in _split_rows(scores, split, plan.sensors, basis, limit_m, look))
        yield Breakdown(name=split.name, title=split.title, blocked_only=split.blocked_only,
                        limit_m=limit_m, look_ahead_m=look, rows=rows)


def _split_rows(
    scores: Sequence[SceneScore], split: _Split, sensors: Sequence[Sensor], basis: Basis,
    limit_m: float, look_ahead_m: float,
) -> Iterable[BreakdownRow]:
    found: dict[tuple[str, str, str], dict[str, list[HeadingRow]]] = {}
    for score in scores:
        for row in _based(score, basis, limit_m, look_ahead_m):
            group = split.key(score, row)
            if group is not None:
                cut = found.setdefault((group, row.sensor, row.strip), {})
                cut.setdefault(score.pair, []).append(row)
    others = sorted({group for group, _, _ in found} - set(split.groups))
    for group in (*split.groups, *others):
        for strip in STRIPS:
            for sensor in sensors:
                by_scene = found.get((group, sensor, strip), {})
                yield BreakdownRow(group=group, basis=basis, sensor=sensor, strip=strip,
                                   scenes=len(by_scene), rates=rates_of(by_scene),
                                   clear_ratio=_clear_ratio(by_scene))


def _based(
    score: SceneScore, basis: str, limit_m: float, look_ahead_m: float
) -> Iterable[HeadingRow]:
    return (row for row in score.rows if row.look_ahead_m == look_ahead_m
            and (basis == "all limits" or row.limit_m == limit_m))


def band(value: float, edges: Sequence[float], unit: str) -> str:
    """Words for the band that a value is in; its lower edge belongs to it.

    Examples
    --------
    >>> band(8.0, (3.0, 8.0, 20.0), "°"), band(25.0, (3.0, 8.0, 20.0), "°")
    ('8 to 20°', 'from 20°')
    """
    if math.isnan(value):
        return "not known"
    if value < edges[0]:
        return f"below {edges[0]:g}{unit}"
    above = [edge for edge in edges if edge > value]
    if not above:
        return f"from {edges[-1]:g}{unit}"
    return f"{edges[len(edges) - len(above) - 1]:g} to {above[0]:g}{unit}"


_SUN_EDGES_DEG = (3.0, 8.0, 20.0, 50.0)
_RATIO_EDGES = (1.15, 1.5, 2.0, 3.0)
_DISTANCE_EDGES_M = (0.0, 0.5, 1.0, 1.5)
_FAIR_JPEG = 75  # quality from which a JPEG counts as a mild one
_NO_HEIGHT = "slope, no height"


def _sun(score: SceneScore, _: HeadingRow) -> str:
    if score.sun_elevation_deg is None:
        return "no sun"
    return band(score.sun_elevation_deg, _SUN_EDGES_DEG, "°")


def _ratio(_: SceneScore, row: HeadingRow) -> str | None:
    if row.label != "blocked":
        return None
    return _NO_HEIGHT if row.blocking_kind == "slope" else band(row.ratio, _RATIO_EDGES, "")


def _distance(_: SceneScore, row: HeadingRow) -> str | None:
    return band(row.true_clear_m, _DISTANCE_EDGES_M, " m") if row.label == "blocked" else None


def _compression(score: SceneScore, _: HeadingRow) -> str:
    return _compression_of(score)


def _compression_of(score: SceneScore) -> str:
    kind, *amount = score.compression.split(" ")
    if kind != "jpeg":
        return kind
    fair = float(amount[0]) >= _FAIR_JPEG
    return f"jpeg, quality {'from' if fair else 'below'} {_FAIR_JPEG}"


def _bands(edges: Sequence[float], unit: str) -> tuple[str, ...]:
    return tuple(band(edge, edges, unit) for edge in edges)


_SPLITS = (
    _Split(name="mixture", title="mixture", key=lambda score, _: score.mixture or NO_MIXTURE),
    _Split(name="sun", title="elevation of the sun", key=_sun,
           groups=(*_bands(_SUN_EDGES_DEG, "°")[:-1], "no sun")),
    _Split(name="ratio", title="height or depth of what blocks, over its limit", key=_ratio,
           groups=(*_bands(_RATIO_EDGES, ""), _NO_HEIGHT), blocked_only=True),
    _Split(name="distance", title="distance of what blocks, from the nose", key=_distance,
           groups=_bands(_DISTANCE_EDGES_M, " m")[:-1], blocked_only=True),
    _Split(name="compression", title="compression of the pictures", key=_compression,
           groups=("none", f"jpeg, quality from {_FAIR_JPEG}", f"jpeg, quality below {_FAIR_JPEG}",
                   "jpeg2000")),
    _Split(name="rig", title="rig", key=lambda score, _: score.rig),
)


# --- causes ---------------------------------------------------------------------------------------


def _decided(row: HeadingRow) -> str:
    """Which demand decided, and in which state the ground there was."""
    return f"{row.cause} ({row.state})" if row.state and row.cause else row.cause


def _shares(
    scores: Sequence[SceneScore], limit_m: float, look_ahead_m: float,
    word_of: Callable[[HeadingRow], str | None],
) -> tuple[Share, ...]:
    """How often each word stands for a mistake; None is no mistake."""
    found: dict[tuple[str, str, str], Counter[str]] = defaultdict(Counter)
    for basis in BASES:
        for score in scores:
            for row in _based(score, basis, limit_m, look_ahead_m):
                word = word_of(row)
                if word is not None:
                    found[basis, row.strip, row.sensor][word or "not said"] += 1
    return tuple(
        Share(basis=basis, sensor=sensor, strip=strip, word=name, count=count,
              of=counts.total())
        for basis in BASES for strip in STRIPS for sensor in SENSORS
        for counts in [found[basis, strip, sensor]]
        for name, count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    )
