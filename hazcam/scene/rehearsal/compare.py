"""Two settings, rigs or versions of the code on the same scenes, heading by heading. Pure.

Only headings that both scored, with the same label, are compared. Scenes are counted by whether
anything went wrong in them, and the exact test of McNemar asks whether those that differ fall
evenly; rates of headings are compared by resampling whole scenes.

Taken on trust: that scenes of one name are one scene. Versions of mixtures and labels, heading by
heading, are compared; descriptions are not, since the digest of a pair holds its rig as well, and
another rig is a fair thing to compare.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from hazcam.errors import HazcamError
from hazcam.scene.rehearsal.rates import CONFIDENCE, Setting
from hazcam.scene.rehearsal.record import SENSORS, STRIPS, HeadingRow, SceneScore
from hazcam.scene.rehearsal.tables import check_versions
from hazcam.statistics import cluster_rate_difference, mcnemar_exact

Mistake = Literal["false-go", "needless ask"]
_LABELS: Mapping[Mistake, str] = {"false-go": "blocked", "needless ask": "free"}
_SEED = 7_1000  # of the resampling
_NAMED = 6  # scenes named in a message
_NOT_RECORDED = "not recorded"
# What two rehearsals may have been run with: each by its place in rehearsal.json, the digest that
# tells apart what has one name beside it.
_CONDITIONS: Mapping[str, tuple[str, ...]] = {
    "matcher": ("summary.plan.matcher",), "rig": ("run.rig", "run.rig_digest"),
    "rover": ("run.rover", "run.rover_digest"), "confidence": ("summary.plan.confidence",),
    "hazcam": ("run.hazcam", "run.code_digest"),
}
_DIGITS = 8  # of a digest in a message


Pair = tuple[HeadingRow, HeadingRow]


@dataclass(frozen=True, kw_only=True)
class Paired:
    """One mistake at one setting, in this set and in the other.

    Attributes
    ----------
    sensor, strip, limit_m, look_ahead_m
        As in ``HeadingRow``.
    mistake : str
        ``false-go`` or ``needless ask``.
    scenes : int
        Scenes with a heading where it could happen: ``both + only_this + only_other + neither``.
    both, only_this, only_other, neither : int
        Scenes with any such mistake in both sets, in one of them, in none.
    p : float
        Exact McNemar, two-sided, of ``only_this`` against ``only_other``.
    headings, this_count, other_count : int
        Headings where it could happen; where it did in this set, and in the other.
    difference, low, high : float
        Rate of headings of this set minus that of the other, with scenes resampled; NaN without
        headings.
    """

    sensor: str
    strip: str
    limit_m: float
    look_ahead_m: float
    mistake: Mistake
    scenes: int
    both: int
    only_this: int
    only_other: int
    neither: int
    p: float
    headings: int
    this_count: int
    other_count: int
    difference: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Condition:
    """What this set and the other were not run alike with: ``name``, and its value in each."""

    name: str
    this: str
    other: str


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """One set against another.

    Attributes
    ----------
    scenes : int
        Scenes that both scored.
    scenes_failed : int
        Scenes left out because neither set scored them. Rows that were read from a file do not
        name scenes that failed: those of this set count.
    compared : int
        Headings (at a limit, look-ahead, strip and sensor) with one label in both.
    labels_differ : int
        Headings left out because their labels differ.
    only_this, only_other : int
        Headings left out because only one of the sets scored them.
    confidence : float
        Of the intervals.
    rows : tuple of Paired
        By strip, sensor, look-ahead, limit and mistake.
    conditions : tuple of Condition
        What the sets were not run alike with.
    """

    scenes: int
    scenes_failed: int
    compared: int
    labels_differ: int
    only_this: int
    only_other: int
    confidence: float
    rows: tuple[Paired, ...]
    conditions: tuple[Condition, ...] = ()


def unlike(this: Mapping[str, Any], other: Mapping[str, Any]) -> tuple[Condition, ...]:
    """What two rehearsals were not run alike with, from their records.

    Parameters
    ----------
    this, other : mapping
        rehearsal.json of each. What one does not hold, as an older one may not, is said to be not
        recorded.
    """
    found = []
    for name, places in _CONDITIONS.items():
        ours, theirs = ([_at(record, place) for place in places] for record in (this, other))
        if ours != theirs:
            found.append(Condition(name=name, this=_told(ours), other=_told(theirs)))
    return tuple(found)


def _at(record: Any, place: str) -> str:
    for key in place.split("."):
        if not isinstance(record, Mapping) or key not in record:
            return _NOT_RECORDED
        record = record[key]
    return str(record)


def _told(values: Sequence[str]) -> str:
    """A name with the first digits of its digest, if it has one."""
    name, *digests = values
    return " ".join([name, *(f"({d[:_DIGITS]})" for d in digests if d != _NOT_RECORDED)])


def compare(
    this: Sequence[SceneScore], other: Sequence[SceneScore],
    conditions: tuple[Condition, ...] = (),
) -> Comparison:
    """Compare two sets of scores of the same scenes, as told by their names.

    Parameters
    ----------
    this, other : sequence of SceneScore
        The sets.
    conditions : tuple of Condition
        From :func:`unlike`: handed on.

    Raises
    ------
    HazcamError
        Scenes that only one of them scored, other versions of a mixture, or nothing in common.
    """
    ours, theirs = ({s.pair: s for s in scores if s.rows} for scores in (this, other))
    _check_scenes(ours, theirs)
    check_versions((s.mixture for s in (*this, *other)), "the comparison")
    cuts: dict[Setting, dict[str, list[Pair]]] = {}
    compared = differ = only_this = only_other = 0
    for name, score in ours.items():
        rows_a, rows_b = _by_key(score), _by_key(theirs[name])
        common = [(row, rows_b[key]) for key, row in rows_a.items() if key in rows_b]
        agreed = [(a, b) for a, b in common if a.label == b.label]
        compared, differ = compared + len(agreed), differ + len(common) - len(agreed)
        only_this += len(rows_a) - len(common)
        only_other += len(rows_b) - len(common)
        for a, b in agreed:
            setting = Setting(a.strip, a.sensor, a.look_ahead_m, a.limit_m)
            cuts.setdefault(setting, {}).setdefault(name, []).append((a, b))
    if not compared:
        raise HazcamError("the comparison", "no heading that both sets scored with one label",
                          "limits, look-aheads and headings in common",
                          "rehearse both with the same limits and look-aheads")
    rows = tuple(_paired(setting, mistake, list(cuts[setting].values()))
                 for setting in sorted(cuts, key=_order) for mistake in _LABELS)
    return Comparison(scenes=len(ours), scenes_failed=_failed(this, other), compared=compared,
                      labels_differ=differ, only_this=only_this, only_other=only_other,
                      confidence=CONFIDENCE, rows=rows, conditions=conditions)


def _failed(this: Sequence[SceneScore], other: Sequence[SceneScore]) -> int:
    scored = {s.pair for s in (*this, *other) if s.rows}
    return len({s.pair for s in (*this, *other)} - scored)


def _order(setting: Setting) -> tuple[int, int, float, float]:
    return (STRIPS.index(setting.strip), SENSORS.index(setting.sensor), setting.look_ahead_m,
            setting.limit_m)


def _check_scenes(ours: Mapping[str, SceneScore], theirs: Mapping[str, SceneScore]) -> None:
    lacking = [f"only in {where}: {_names(sorted(names))}"
               for where, names in (("this set", ours.keys() - theirs.keys()),
                                    ("the other", theirs.keys() - ours.keys())) if names]
    if lacking:
        raise HazcamError("the comparison", f"scored scenes differ; {'; '.join(lacking)}",
                          "the same scenes in both sets",
                          "rehearse the scenes that one lacks, or compare sets of one seed block")


def _names(names: Sequence[str]) -> str:
    more = len(names) - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {more} more" if more > 0 else "")


def _by_key(score: SceneScore) -> dict[tuple[str, str, float, float, float], HeadingRow]:
    return {(r.strip, r.sensor, r.look_ahead_m, r.limit_m, r.heading_deg): r for r in score.rows}


def _paired(setting: Setting, mistake: Mistake, scenes: Sequence[Sequence[Pair]]) -> Paired:
    wrong: Callable[[HeadingRow], bool] = (
        (lambda row: row.is_false_go) if mistake == "false-go" else
        (lambda row: row.is_needless_ask))
    tried = [[p for p in pairs if p[0].label == _LABELS[mistake]] for pairs in scenes]
    tried = [pairs for pairs in tried if pairs]
    trials = [len(pairs) for pairs in tried]
    a = [sum(wrong(this) for this, _ in pairs) for pairs in tried]
    b = [sum(wrong(other) for _, other in pairs) for pairs in tried]
    both, only_a, only_b = (
        sum(bool(x) == in_a and bool(y) == in_b for x, y in zip(a, b, strict=True))
        for in_a, in_b in ((True, True), (True, False), (False, True)))
    n = sum(trials)
    bounds = cluster_rate_difference(a, trials, b, trials, seed=_SEED, confidence=CONFIDENCE)
    return Paired(
        **setting._asdict(), mistake=mistake, scenes=len(tried), both=both, only_this=only_a,
        only_other=only_b, neither=len(tried) - both - only_a - only_b,
        p=mcnemar_exact(only_a, only_b), headings=n, this_count=sum(a), other_count=sum(b),
        difference=(sum(a) - sum(b)) / n if n else math.nan, low=bounds.low, high=bounds.high,
    )
