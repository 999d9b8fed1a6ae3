"""Scenes with a false-go, by what the ground of their mixtures is like, at every setting. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from hazcam.scene.rehearsal.rates import (
    Cuts,
    Rate,
    Setting,
    count_events,
    scenes_with,
    settings_of,
)
from hazcam.scene.rehearsal.record import Plan, SceneScore

# Where a false-go costs most: what is lower than it looks, and what is not seen at all.
GROUPS: Mapping[str, tuple[str, ...]] = {
    "pit and crater": ("pit", "crater"), "ledge": ("ledge",), "shadow": ("shadow",)}
ALL = "all scenes"


@dataclass(frozen=True, kw_only=True)
class FalseGoRow:
    """Scenes of one group with a false-go at one setting.

    Attributes
    ----------
    group : str
        Of mixtures, or all scenes.
    sensor, strip, limit_m, look_ahead_m
        As in ``HeadingRow``.
    blocked : Rate
        Of the scenes with a blocked heading, those with any that went.
    can_go : Rate
        The same of the blocked headings where nothing but the ground speaks against ``go``.
    """

    group: str
    sensor: str
    strip: str
    limit_m: float
    look_ahead_m: float
    blocked: Rate
    can_go: Rate


def false_go_rows(
    scores: Sequence[SceneScore], cuts: Cuts, plan: Plan
) -> tuple[FalseGoRow, ...]:
    """All scenes, then each group that the set has scenes of; within it by setting."""
    kinds = {score.pair: score.mixture.partition("/")[0] for score in scores}
    members = {ALL: set(kinds)} | {
        group: {pair for pair, kind in kinds.items() if kind in mixtures}
        for group, mixtures in GROUPS.items()}
    return tuple(_row(group, setting, cuts, pairs)
                 for group, pairs in members.items() if pairs
                 for setting in settings_of(plan))


def _row(group: str, setting: Setting, cuts: Cuts, pairs: set[str]) -> FalseGoRow:
    scenes = {pair: rows for pair, rows in cuts.get(setting, {}).items() if pair in pairs}
    blocked, can_go = (
        scenes_with(*count_events(scenes, trial, lambda row: row.is_false_go))
        for trial in (lambda row: row.label == "blocked",
                      lambda row: row.label == "blocked" and row.can_go))
    return FalseGoRow(group=group, **setting._asdict(), blocked=blocked, can_go=can_go)
