"""What the page of a rehearsal shows of its tables: chosen and put in order, nothing computed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from hazcam.scene.rehearsal.breakdown import Breakdown
from hazcam.scene.rehearsal.compare import Comparison, Paired
from hazcam.scene.rehearsal.false_go import FalseGoRow
from hazcam.scene.rehearsal.needless import CausesRow, NeedlessRow
from hazcam.scene.rehearsal.record import STRIPS
from hazcam.scene.rehearsal.tables import MainRow, Summary

Entry = dict[str, Any]


def by_setting(summary: Summary, strip: str) -> list[MainRow]:
    """Rows of a strip with the ideal sensor below the matched one."""
    rows = [row for row in summary.rows if row.strip == strip]
    return sorted(rows, key=lambda r: (r.look_ahead_m, r.limit_m, r.sensor == "ideal"))


def splits(summary: Summary) -> Iterable[Entry]:
    """Breakdowns with both strips beside each other; those of rare things over all limits."""
    for split in summary.breakdowns:
        basis = "all limits" if split.blocked_only else "one limit"
        yield {"title": split.title, "blocked_only": split.blocked_only, "basis": basis,
               "limit_m": split.limit_m, "look_ahead_m": split.look_ahead_m,
               "rows": _both_strips(split, basis)}


def _both_strips(split: Breakdown, basis: str) -> list[Entry]:
    rows = {(row.group, row.sensor, row.strip): row for row in split.rows if row.basis == basis}
    found = []
    for group, sensor in dict.fromkeys((group, sensor) for group, sensor, _ in rows):
        default, own = (rows[group, sensor, strip] for strip in STRIPS)
        found.append({"group": group, "sensor": sensor, "default": default.rates,
                      "own": own.rates, "scenes": max(default.scenes, own.scenes),
                      "clear_ratio": own.clear_ratio})
    return found


def compared(
    summary: Summary, comparison: Comparison | None, *, at_headline: bool
) -> list[Paired]:
    """Rows of a comparison at the setting of the headline, or all others."""
    setting = (summary.limit_m, summary.look_ahead_m)
    return [row for row in (comparison.rows if comparison else ())
            if ((row.limit_m, row.look_ahead_m) == setting) == at_headline]


def across_limits(
    rows: Sequence[FalseGoRow] | Sequence[NeedlessRow], summary: Summary
) -> list[Entry]:
    """A line for each group, look-ahead and sensor, with a cell for each limit; own strip."""
    lines: dict[tuple[str, float, str], dict[float, FalseGoRow | NeedlessRow]] = {}
    for row in rows:
        if row.strip == "own":
            lines.setdefault((row.group, row.look_ahead_m, row.sensor), {})[row.limit_m] = row
    order = sorted(lines, key=lambda key: (
        [row.group for row in rows].index(key[0]), key[1], key[2] == "ideal"))
    return [{"group": key[0], "look_ahead_m": key[1], "sensor": key[2],
             "cells": [lines[key][limit_m] for limit_m in summary.plan.limits_m]}
            for key in order]


def causes_by_setting(summary: Summary) -> list[CausesRow]:
    """Rows of the own strip, with the ideal sensor below the matched one."""
    rows = [row for row in summary.free_causes if row.strip == "own"]
    return sorted(rows, key=lambda r: (r.look_ahead_m, r.limit_m, r.sensor == "ideal"))
