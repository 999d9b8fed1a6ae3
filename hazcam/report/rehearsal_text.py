"""A rehearsal as text: what was rehearsed, and the main table."""

from __future__ import annotations

import io
import textwrap

from rich.console import Console
from rich.table import Table

from hazcam.report.rehearsal_page import headline
from hazcam.report.text import WIDTH
from hazcam.scene.rehearsal.compare import Comparison, Paired
from hazcam.scene.rehearsal.ledger import Run
from hazcam.scene.rehearsal.tables import MainRow, Rate, Summary

_STRIPS = {"straight ahead": "default", "own": "own"}


def rehearsal_text(run: Run, summary: Summary, comparison: Comparison | None = None) -> str:
    """What was rehearsed, the headline, the main table and, if any, the comparison."""
    head = headline(run, summary)
    said = [head["what"], f"{head['title']}", *head["lines"], *_failed(summary)]
    parts = ["\n".join(textwrap.fill(text, WIDTH) for text in said), _printed(_main(summary))]
    if comparison is not None:
        parts += [_unlike(comparison), _printed(_compared(comparison))]
    return "\n\n".join(parts) + "\n"


def _failed(summary: Summary) -> list[str]:
    return [f"{failure.pair} could not be assessed: {failure.reason}"
            for failure in summary.failures]


def _main(summary: Summary) -> Table:
    """Every setting; scenes are the count to quote, since headings of one are not independent."""
    table = Table(box=None, pad_edge=False, header_style="")
    for name in ("strip", "sensor", "look-\nahead", "limit", "false-go\nscenes",
                 "below\n(95 %)", "go possible:\nscenes", "below\n(95 %)", "needless\nask",
                 "observable:\nneedless ask"):
        left = name in ("strip", "sensor")
        table.add_column(name, justify="left" if left else "right")
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


def _unlike(comparison: Comparison) -> str:
    found = "; ".join(f"{c.name} {c.this} here, {c.other} there" for c in comparison.conditions)
    return textwrap.fill(f"Not alike with the other rehearsal: {found or 'nothing'}.", WIDTH)


def _compared(comparison: Comparison) -> Table:
    table = Table(box=None, pad_edge=False, header_style="",
                  title=f"Against the other rehearsal, {comparison.scenes} scenes: scenes with any "
                        "mistake in this one only and in the other only, exact McNemar p; rate of "
                        "headings, this minus other",
                  title_justify="left", title_style="")
    for name in ("strip", "sensor", "look-\nahead", "limit", "mistake", "this\nonly",
                 "other\nonly", "p", "difference of rates"):
        left = name in ("strip", "sensor", "mistake")
        table.add_column(name, justify="left" if left else "right")
    for row in comparison.rows:
        if row.headings:
            table.add_row(*_paired(row))
    return table


def _paired(row: Paired) -> list[str]:
    return [_STRIPS[row.strip], row.sensor, f"{row.look_ahead_m:g} m", f"{100 * row.limit_m:g} cm",
            row.mistake, str(row.only_this), str(row.only_other), f"{row.p:.3f}",
            f"{row.difference:+.1%} ({row.low:+.1%} to {row.high:+.1%})"]


def _printed(table: Table) -> str:
    stream = io.StringIO()
    Console(file=stream, width=WIDTH, color_system=None, legacy_windows=False).print(table)
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines())
