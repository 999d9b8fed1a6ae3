"""Breakdowns of both mistakes by what scenes or headings differ in, and what decided them. Pure."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from hazcam.scene.rehearsal.rates import BASES, Basis, ByScene, Rates, rates_of
from hazcam.scene.rehearsal.record import SENSORS, STRIPS, HeadingRow, Plan, SceneScore, Sensor

NO_MIXTURE = "no mixture"  # a scene that was described by hand
Key = Callable[[SceneScore, HeadingRow], str | None]


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
class _Split:
    name: str
    title: str
    key: Key
    groups: tuple[str, ...] = ()  # shown in this order, others after them
    blocked_only: bool = False


def breakdowns(
    scores: Sequence[SceneScore], plan: Plan, limit_m: float, look_ahead_m: float
) -> Iterable[Breakdown]:
    """Scenes by mixture, sun, what blocks and how far away, compression and rig."""
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
                                   clear_ratio=clear_ratio(by_scene))


def clear_ratio(by_scene: ByScene) -> float:
    """Median of clear over true clear distance of the headings that have one; NaN without any."""
    ratios = [row.clear_m / row.true_clear_m for rows in by_scene.values() for row in rows
              if row.label != "borderline" and row.true_clear_m > 0 and math.isfinite(row.clear_m)]
    return float(np.median(ratios)) if ratios else math.nan


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
    return compression_of(score)


def compression_of(score: SceneScore) -> str:
    """The class of compression that a scene is in."""
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


def deciding_causes(
    scores: Sequence[SceneScore], limit_m: float, look_ahead_m: float
) -> tuple[Share, ...]:
    """What decided the needless asks, and in which state the ground there was."""
    def word(row: HeadingRow) -> str | None:
        if not row.is_needless_ask:
            return None
        return f"{row.cause} ({row.state})" if row.state and row.cause else row.cause
    return _shares(scores, limit_m, look_ahead_m, word)


def blocking_kinds(
    scores: Sequence[SceneScore], limit_m: float, look_ahead_m: float
) -> tuple[Share, ...]:
    """What blocked where it went nevertheless."""
    return _shares(scores, limit_m, look_ahead_m,
                   lambda row: row.blocking_kind if row.is_false_go else None)


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
