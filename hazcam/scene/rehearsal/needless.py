"""Needless asks by the sun, and what speaks against free headings, at every setting. Pure.

Cause groups
------------
Every free heading that was asked about falls to one group, by the first cause of its verdict and
by what most of the ground there was that was not seen (see ``HeadingRow.state``):

- ``outside the picture``: not in both pictures and not assumed clear;
- ``shadow``: not seen because a picture is too dark there;
- ``hidden``: not seen because something stands before it;
- ``no match``: looked at and not matched for any other reason;
- ``spurious demand``: a demand that was measured, with nothing unseen before it;
- ``pair``: the pair or its rig as a whole could not be used;
- ``not told``: any other cause, or ground not seen of which most is seen 10 cm on.

A real demand is none of them: no true demand of a free heading is over 0.70 of its limit, so that
whatever is measured there beyond its limit is spurious.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hazcam.disparity.record import BLANK_WORDS, Blank
from hazcam.scene.rehearsal.rates import (
    Cuts,
    Rate,
    SceneRate,
    Setting,
    count_events,
    exact_rate,
    scene_rate,
    settings_of,
)
from hazcam.scene.rehearsal.record import NOT_ASSESSED, HeadingRow, Plan, SceneScore
from hazcam.verdict.record import MEASURED

LOW_SUN_DEG = 12.0  # shadows are as long as five times a height: below it they cover the ground
ALL, HIGH, LOW, NO_SUN = ("all scenes", f"from {LOW_SUN_DEG:g}°", f"below {LOW_SUN_DEG:g}°",
                          "no sun")

OUTSIDE, SHADOW, HIDDEN, NO_MATCH, SPURIOUS, PAIR, NOT_TOLD = CAUSE_GROUPS = (
    "outside the picture", "shadow", "hidden", "no match", "spurious demand", "pair", "not told")
_BLANK = "blank: "
_BY_STATE = {"outside": OUTSIDE, "hidden": HIDDEN, _BLANK + BLANK_WORDS[Blank.DARK]: SHADOW}
_UNSEEN = frozenset(("unseen run", "hidden obstacle", "slope unknown", "no ground seen"))
_OF_PAIR = frozenset((NOT_ASSESSED, "no stereo", "attitude unknown",
                      "rig no longer matches its calibration"))


@dataclass(frozen=True, kw_only=True)
class NeedlessRow:
    """Needless asks of one class of the sun at one setting.

    Attributes
    ----------
    group : str
        Elevation of the sun, or all scenes.
    sensor, strip, limit_m, look_ahead_m
        As in ``HeadingRow``.
    observable : Rate
        Of the free headings that both cameras see, those that asked.
    observable_scenes : SceneRate
        The same by scene.
    """

    group: str
    sensor: str
    strip: str
    limit_m: float
    look_ahead_m: float
    observable: Rate
    observable_scenes: SceneRate


@dataclass(frozen=True, kw_only=True)
class CausesRow:
    """What speaks against the free headings at one setting.

    Attributes
    ----------
    sensor, strip, limit_m, look_ahead_m
        As in ``HeadingRow``.
    free : int
        All free headings, those that went too.
    counts : mapping of str to int
        Of each group of ``CAUSE_GROUPS``: headings that were asked about because of it.
    """

    sensor: str
    strip: str
    limit_m: float
    look_ahead_m: float
    free: int
    counts: Mapping[str, int]


def needless_rows(
    scores: Sequence[SceneScore], cuts: Cuts, plan: Plan
) -> tuple[NeedlessRow, ...]:
    """All scenes, then those of each class of the sun; within it by setting."""
    suns = {score.pair: sun_class(score.sun_elevation_deg) for score in scores}
    return tuple(_row(group, setting, cuts, suns) for group in (ALL, HIGH, LOW, NO_SUN)
                 for setting in settings_of(plan))


def sun_class(elevation_deg: float | None) -> str:
    """Low, high or none."""
    if elevation_deg is None:
        return NO_SUN
    return HIGH if elevation_deg >= LOW_SUN_DEG else LOW


def _row(group: str, setting: Setting, cuts: Cuts, suns: Mapping[str, str]) -> NeedlessRow:
    scenes = {pair: rows for pair, rows in cuts.get(setting, {}).items()
              if group in (ALL, suns[pair])}
    asked, seen = count_events(scenes, lambda row: row.label == "free" and row.observable,
                               lambda row: row.is_needless_ask)
    return NeedlessRow(group=group, **setting._asdict(),
                       observable=exact_rate(sum(asked), sum(seen), "two"),
                       observable_scenes=scene_rate(asked, seen))


def cause_rows(cuts: Cuts, plan: Plan) -> tuple[CausesRow, ...]:
    """Each setting."""
    return tuple(_causes(setting, cuts) for setting in settings_of(plan))


def _causes(setting: Setting, cuts: Cuts) -> CausesRow:
    free = [row for rows in cuts.get(setting, {}).values() for row in rows if row.label == "free"]
    found = Counter(cause_group(row) for row in free if row.is_needless_ask)
    return CausesRow(**setting._asdict(), free=len(free),
                     counts={group: found[group] for group in CAUSE_GROUPS})


def cause_group(row: HeadingRow) -> str:
    """The group that what decided an ``ask-ground`` belongs to."""
    if row.cause in MEASURED:
        return SPURIOUS
    if row.cause == "outside view":
        return OUTSIDE
    if row.cause in _OF_PAIR:
        return PAIR
    if row.cause not in _UNSEEN:
        return NOT_TOLD
    return _BY_STATE.get(row.state, NO_MATCH if row.state.startswith(_BLANK) else NOT_TOLD)
