"""A rehearsal as text: what was rehearsed, the main table, and what else must be told."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

from hazcam.report.rehearsal_page import headline
from hazcam.report.rehearsal_views import across_limits, by_setting, causes_by_setting
from hazcam.report.rehearsal_words import (
    inside_text,
    mark_text,
    number_text,
    share_or_dash,
    share_text,
    signed_text,
)
from hazcam.report.text import WIDTH
from hazcam.scene.rehearsal.compare import Comparison, Paired
from hazcam.scene.rehearsal.false_go import FalseGoRow
from hazcam.scene.rehearsal.heights import SIZES_M
from hazcam.scene.rehearsal.ledger import Run
from hazcam.scene.rehearsal.needless import CAUSE_GROUPS, NeedlessRow
from hazcam.scene.rehearsal.rates import ONE_SCENE, Rate, SceneRate
from hazcam.scene.rehearsal.reliability import ReliabilityBin
from hazcam.scene.rehearsal.tables import MainRow, Summary

_STRIPS = {"straight ahead": "default", "own": "own"}
_WORDS = ("strip", "sensor", "mistake", "group", "of scenes with", "limits", "stated mean")


def rehearsal_text(run: Run, summary: Summary, comparison: Comparison | None = None) -> str:
    """What was rehearsed, the headline, the tables and, if any, the comparison.

    The tables after the main one are of the first sensor of the plan and each heading's own strip;
    the record holds the others.
    """
    head = headline(run, summary)
    said = [head["what"], f"{head['title']}", *head["lines"], *_failed(summary)]
    parts = ["\n".join(textwrap.fill(text, WIDTH) for text in said), _printed(_main(summary)),
             *map(_printed, (_false_go(summary), _by_sun(summary), _causes(summary),
                             _clear(summary), _reliability(summary), _heights(summary)))]
    if comparison is not None:
        parts += [_unlike(comparison), _printed(_compared(comparison))]
    return "\n\n".join(parts) + "\n"


def _failed(summary: Summary) -> list[str]:
    return [f"{failure.pair} could not be assessed: {failure.reason}"
            for failure in summary.failures]


def _table(columns: Sequence[str], title: str = "") -> Table:
    """An empty table; words to the left, numbers to the right."""
    table = Table(box=None, pad_edge=False, header_style="", title=title)
    for name in columns:
        table.add_column(name, justify="left" if name in _WORDS else "right")
    return table


def _main(summary: Summary) -> Table:
    """Every setting; scenes are the count to quote, since headings of one are not independent."""
    table = _table(("strip", "sensor", "look-\nahead", "limit", "false-go\nscenes",
                    "below\n(95 %)", "go possible:\nscenes", "below\n(95 %)", "needless\nask",
                    "observable:\nneedless ask"))
    for row in summary.rows:
        table.add_row(*_cells(row))
    return table


def _cells(row: MainRow) -> list[str]:
    rates = row.rates
    return [_STRIPS[row.strip], row.sensor, f"{row.look_ahead_m:g} m", f"{100 * row.limit_m:g} cm",
            _count(rates.false_go_scenes), _below(rates.false_go_scenes),
            _count(rates.false_go_can_go_scenes), _below(rates.false_go_can_go_scenes),
            _share(rates.needless), _share(rates.needless_observable)]


def _count(rate: Rate) -> str:
    return f"{rate.count} of {rate.of}" if rate.of else "none there"


def _below(rate: Rate) -> str:
    return f"{rate.high:.1%}" if rate.of else "-"


def _share(rate: Rate) -> str:
    return f"{rate.rate:.0%} of {rate.of}" if rate.of else "none there"


# --- what else must be told -----------------------------------------------------------------------


def _false_go(summary: Summary) -> Table:
    table = _table(("group", "look-\nahead", "of scenes with", *_limits(summary)),
                   "Scenes with a false-go by the ground, own strip, and the exact one-sided bound")
    for line in _lines(summary.false_go_groups, summary):
        for name, words in (("can_go", "go possible"), ("blocked", "a blocked heading")):
            rates: list[Rate] = [getattr(cell, name) for cell in line["cells"]]
            table.add_row(line["group"], f"{line['look_ahead_m']:g} m", words,
                          *(f"{_count(rate)}, < {_below(rate)}" if rate.of else "none there"
                            for rate in rates))
    return table


def _by_sun(summary: Summary) -> Table:
    table = _table(("group", "look-\nahead", *_limits(summary)),
                   "Needless asks of observable free headings by the sun, own strip; scenes "
                   "resampled, * exact over scenes, † of few scenes")
    for line in _lines(summary.needless_by_sun, summary):
        table.add_row(line["group"], f"{line['look_ahead_m']:g} m",
                      *(_asked(cell) for cell in line["cells"]))
    return table


def _asked(row: NeedlessRow) -> str:
    scenes = row.observable_scenes
    if not row.observable.of or scenes.interval == ONE_SCENE:
        return _share(row.observable)
    return f"{_share(row.observable)} ({_bounds(scenes)})"


def _bounds(scenes: SceneRate | ReliabilityBin) -> str:
    return f"{100 * scenes.low:.0f} to {100 * scenes.high:.0f} %{mark_text(scenes)}"


def _limits(summary: Summary) -> list[str]:
    return [f"{100 * limit_m:g} cm" for limit_m in summary.plan.limits_m]


def _lines(
    rows: Sequence[FalseGoRow] | Sequence[NeedlessRow], summary: Summary
) -> list[dict[str, Any]]:
    return [line for line in across_limits(rows, summary)
            if line["sensor"] == summary.plan.sensors[0]]


def _causes(summary: Summary) -> Table:
    table = _table(("look-\nahead", "limit", "free", *(g.replace(" ", "\n", 1)
                                                      for g in CAUSE_GROUPS)),
                   "What speaks against free headings, share of all of them, own strip")
    for row in causes_by_setting(summary):
        if row.sensor == summary.plan.sensors[0]:
            table.add_row(f"{row.look_ahead_m:g} m", f"{100 * row.limit_m:g} cm", str(row.free),
                          *(f"{n / row.free:.1%}" if n else "none" for n in row.counts.values()))
    return table


def _clear(summary: Summary) -> Table:
    table = _table(("look-\nahead", "limit", "median", "over true"),
                   "Clear distance of free headings, own strip, from the nose")
    for row in by_setting(summary, "own"):
        if row.sensor == summary.plan.sensors[0]:
            table.add_row(f"{row.look_ahead_m:g} m", f"{100 * row.limit_m:g} cm",
                          number_text(row.free_clear_m, 2), number_text(row.free_clear_ratio, 2))
    return table


def _reliability(summary: Summary) -> Table:
    table = _table(("limits", "stated\n[%]", "head-\nings", "scenes", "mean\nstated", "observed",
                    "interval", "stated mean", "not\nbounded", "these\nexceed"),
                   "Stated probability of exceeding against truth, own strip, look-ahead "
                   f"{summary.look_ahead_m:g} m{_left_out(summary)}")
    for row in summary.reliability:
        if row.sensor == summary.plan.sensors[0]:
            name = f"{100 * row.limit_m:g} cm" if row.basis == "one limit" else "all"
            for place in row.bins:
                table.add_row(
                    name, f"{100 * place.above:g} to {100 * place.to:g}", str(place.headings),
                    str(place.scenes), share_or_dash(place.stated), share_or_dash(place.observed),
                    _bounds(place) if place.headings else "–", inside_text(place),
                    str(place.not_bounded),
                    share_text(place.not_bounded_exceeding, place.not_bounded))
    return table


def _left_out(summary: Summary) -> str:
    row = next(r for r in summary.reliability if r.basis == "all limits")
    return (f"; of all limits left out: {row.not_bounded} not bounded, {row.not_known} whose truth "
            f"is not known, {row.not_stated} without a stated probability")


def _heights(summary: Summary) -> Table:
    low, high = (100 * size for size in SIZES_M)
    table = _table(("sensor", "distance\nahead", "scenes", "rocks", "median\nabs. error", "bias",
                    "within\n1 sigma", "within\n2 sigma"),
                   f"Heights of rocks of {low:g} to {high:g} cm that were found, against truth")
    for row in summary.heights:
        table.add_row(row.sensor, f"{row.from_m:g} to {row.to_m:g} m", str(row.scenes),
                      str(row.rocks), f"{number_text(1000 * row.median_m, 1)} mm",
                      f"{signed_text(1000 * row.bias_m, 1)} mm", share_or_dash(row.within_1),
                      share_or_dash(row.within_2))
    return table


# --- comparison -----------------------------------------------------------------------------------


def _unlike(comparison: Comparison) -> str:
    found = "; ".join(f"{c.name} {c.this} here, {c.other} there" for c in comparison.conditions)
    return textwrap.fill(f"Not alike with the other rehearsal: {found or 'nothing'}.", WIDTH)


def _compared(comparison: Comparison) -> Table:
    table = _table(
        ("strip", "sensor", "look-\nahead", "limit", "mistake", "this\nonly", "other\nonly", "p",
         "difference of rates"),
        title=f"Against the other rehearsal, {comparison.scenes} scenes: scenes with any "
              "mistake in this one only and in the other only, exact McNemar p; rate of "
              "headings, this minus other")
    for row in comparison.rows:
        if row.headings:
            table.add_row(*_paired(row))
    return table


def _paired(row: Paired) -> list[str]:
    return [_STRIPS[row.strip], row.sensor, f"{row.look_ahead_m:g} m", f"{100 * row.limit_m:g} cm",
            row.mistake, str(row.only_this), str(row.only_other), f"{row.p:.3f}",
            f"{row.difference:+.1%} ({row.low:+.1%} to {row.high:+.1%})"]


def _printed(table: Table) -> str:
    """The table below its title, which may be wider than it."""
    title, table.title = str(table.title or ""), None
    stream = io.StringIO()
    Console(file=stream, width=WIDTH, color_system=None, legacy_windows=False).print(table)
    lines = (line.rstrip() for line in stream.getvalue().splitlines())
    return "\n".join([*textwrap.wrap(title, WIDTH), *lines])
