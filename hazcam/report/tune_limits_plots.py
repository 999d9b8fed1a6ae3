"""Plots of a limit that was chosen. No clock, no randomness.

Lines differ by their dashes, points by their shapes, areas by their hatches, so that nothing hangs
on colour: false go is orange and dashed, needless ask blue and solid.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, PercentFormatter

from hazcam.frames import Floats
from hazcam.report.drawing import BLACK, BLUE, ORANGE, PURPLE, WHITE, cased_line, png
from hazcam.report.record import Record
from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.words import measure, percent

_FONT_PT = 10.5
_WIDTH_IN = 9.0
_GREY, _LIGHT = "#767676", "#D8D8D8"
_BINS = 60
_NAME_SIGNS = 34
_CASED = cased_line(3.0)
# Least limits by the chance to fail: at most, hatch, colour, words.
_RISKS = ((0.05, "", _LIGHT, "fails in less than 5 %"), (0.5, "///", BLUE, "fails in 5 to 50 %"),
          (np.inf, "xxx", ORANGE, "fails in more than 50 %"))
_MARKS = {"today": ((0, (1, 1.5)), "v"), "recommended": ("-", "o"),
          "cheapest": ((0, (5, 2)), "s")}


# --- both mistakes over the limit -----------------------------------------------------------------


def trade_off_plot(record: Record, headings: RunHeadings) -> bytes:
    """PNG: both rates with their bounds over the limit, and where headings begin to go.

    Parameters
    ----------
    record : dict
        From ``limits_study_record``.
    headings : RunHeadings
        Of the same study.
    """
    figure = Figure(figsize=(_WIDTH_IN, 6.6), facecolor=WHITE, layout="constrained")
    rates, counts = figure.subplots(2, 1, sharex=True, height_ratios=(3.2, 1.3))
    trade = record["trade_off"]
    drawn = False
    for name, colour, dash, hatch, words in (
            ("needless", BLUE, "-", "", "needless ask"),
            ("false_go", ORANGE, (0, (1, 1)), "\\\\\\",
             "false go: ground beyond the likeliest height climbed"),
            ("false_go_bound", ORANGE, (0, (5, 2)), "///",
             "false go: ground beyond that height at the confidence")):
        if trade[name]["state"] == "counted":
            _rate(rates, trade["values"], trade[name], colour, dash, hatch, words)
            drawn = drawn or name.startswith("false_go")
    _risk(rates, record)
    rates.set_ylim(-0.03, 1.03)
    rates.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol=" %"))
    rates.set_ylabel("rate, with one-sided bounds")
    if not drawn:
        note(rates, "no ground beyond the height climbed: nothing is said of false go")
    _least_limits(counts, headings)
    counts.set_xlabel(of_limit(record))
    rates.set_xlim(*_shown(record, headings))
    _mark_limits(rates, record, named=True)
    _mark_limits(counts, record, named=False)
    return finished(figure)


def _rate(
    axes: Axes, values: Sequence[float], rate: Record, colour: str, dash: object, hatch: str,
    words: str,
) -> None:
    low, middle, high = (floats(rate[name]) for name in ("low", "rate", "high"))
    axes.fill_between(values, low, high, step="post", hatch=hatch, linewidth=0.0,
                      facecolor="none" if hatch else (colour, 0.2), edgecolor=(colour, 0.35))
    axes.step(values, middle, where="post", color=colour, linestyle=dash,
              linewidth=2.4, label=words, zorder=4,
              path_effects=cased_line(4.2, BLACK if hatch else WHITE))


def _risk(axes: Axes, record: Record) -> None:
    risk = record["inputs"]["settings"]["risk"]
    axes.axhline(risk, color=PURPLE, linewidth=1.4, linestyle="-.", zorder=3,
                 label=f"risk {percent(risk)}: most that false go may be")


def _mark_limits(axes: Axes, record: Record, *, named: bool) -> None:
    """Today's, the recommended and the cheapest limit."""
    unit = record["limit"]["unit"]
    for one in record["at"]:
        dash, shape = _MARKS[one["name"]]
        axes.axvline(one["value"], color=BLACK, linestyle=dash, linewidth=1.3, zorder=5,
                     label=f"{one['name']}: {measure(one['value'], unit)}" if named else None,
                     marker=shape, markevery=[1], markersize=7, markerfacecolor=WHITE,
                     clip_on=False)


def _least_limits(axes: Axes, headings: RunHeadings) -> None:
    """How many headings begin to go at which value, by how likely they fail."""
    counted = headings.counted
    least = headings.sweep.values[headings.sweep.least[counted]]
    failing = headings.failing[counted]
    axes.set_ylabel("headings that\ngo from here")
    axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
    if not len(least):
        note(axes, "this limit decides no heading of the run")
        return
    edges = np.linspace(0.0, max(float(least.max()) * 1.0001, 1e-6), _BINS + 1)
    bottom, above = np.zeros(_BINS), -np.inf
    for most, hatch, colour, words in _RISKS:
        some = (failing >= above) & (failing < most)
        above = most
        counts = np.histogram(least[some], edges)[0].astype(np.float64)
        axes.bar(edges[:-1], counts, width=np.diff(edges), align="edge", bottom=bottom,
                 facecolor=colour, edgecolor=BLACK, linewidth=0.4, hatch=hatch,
                 label=f"headings: {words}" if some.any() else None)
        bottom += counts
    axes.set_ylim(0.0, 1.2 * float(bottom.max()))


def _shown(record: Record, headings: RunHeadings) -> tuple[float, float]:
    """From 0 to a little more than where anything happens."""
    sweep, counted = headings.sweep, headings.counted
    ends = [one["value"] for one in record["at"]] + [record["curve"]["climbed"]["estimate"]]
    ends += [float(sweep.values[sweep.least[counted]].max())] if counted.any() else []
    return 0.0, 1.06 * max(ends)


# --- distance between asks, and cost --------------------------------------------------------------


def between_asks_plot(record: Record) -> bytes:
    """PNG: distance walked between asks over the limit with its bounds, and the cost if given."""
    trade = record["trade_off"]
    costs = trade["cost"] is not None
    figure = Figure(figsize=(_WIDTH_IN, 5.4 if costs else 3.2), facecolor=WHITE,
                    layout="constrained")
    panels = figure.subplots(1 + costs, 1, sharex=True, squeeze=False)[:, 0]
    values, found = trade["values"], {name: floats(column) for name, column in
                                      trade["between_asks_m"].items()}
    panels[0].fill_between(values, found["low"], found["high"], step="post", facecolor=_LIGHT)
    panels[0].step(values, found["mean"], where="post", color=BLUE, linewidth=2.2,
                   label="distance between asks, straight ahead")
    panels[0].set_ylabel("between asks [m]")
    _scale(panels[0], found)
    if not np.isfinite(found["mean"]).any():
        note(panels[0], "straight ahead it never asks")
    if costs:
        panels[1].step(values, floats(trade["cost"]), where="post", color=PURPLE, linewidth=2.2,
                       linestyle=(0, (5, 2)), label="expected cost of a heading")
        panels[1].set_ylabel("cost of a heading")
        panels[1].set_ylim(bottom=0.0)
    panels[-1].set_xlabel(of_limit(record))
    ends = [one["value"] for one in record["at"]] + [record["curve"]["climbed"]["estimate"]]
    panels[0].set_xlim(0.0, 1.25 * max(ends))
    for i, axes in enumerate(panels):
        _mark_limits(axes, record, named=i == 0)
    return finished(figure)


def _scale(axes: Axes, found: dict[str, Floats]) -> None:
    """As high as the mean needs, not the open bounds."""
    known = found["mean"][np.isfinite(found["mean"])]
    axes.set_ylim(0.0, max(2.2 * float(known.max()) if len(known) else 1.0, 0.1))


# --- how it moves ---------------------------------------------------------------------------------


def moves_plot(record: Record) -> bytes:
    """PNG: the recommended limit by setting and by what is left out, one row each.

    What changes nothing when it is left out shares a row.
    """
    groups = [rows for rows in (_group(record, what) for what in dict.fromkeys(
        move["what"] for move in record["sensitivity"]["moves"])) if rows]
    rig = [(move["name"], move["value"]) for move in (record["rig"] or {"moves": []})["moves"]
           if move["state"] == "moved"]
    groups += [rig] if rig else []
    rows = [row for group in groups for row in group]
    figure = Figure(figsize=(_WIDTH_IN, 1.3 + 0.235 * len(rows)), facecolor=WHITE,
                    layout="constrained")
    axes = figure.subplots()
    for place, (_, value) in enumerate(rows):
        if value is None:
            axes.annotate("none", (0.0, place), xytext=(3, 0), textcoords="offset points",
                          va="center", fontsize=_FONT_PT - 1)
        else:
            axes.plot([value], [place], "o", color=BLUE, markersize=6.5, markeredgecolor=BLACK,
                      markeredgewidth=0.7, zorder=6)
    for end in np.cumsum([len(group) for group in groups])[:-1]:
        axes.axhline(float(end) - 0.5, color=_GREY, linewidth=0.7)
    axes.set_yticks(range(len(rows)), [name for name, _ in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(0.0, 1.15 * max([value for _, value in rows if value is not None]
                                  + [one["value"] for one in record["at"]]))
    _mark_limits(axes, {**record, "at": [one for one in record["at"]
                                         if one["name"] != "cheapest"]}, named=True)
    axes.set_xlabel(f"recommended {of_limit(record)}")
    return finished(figure, grid="x")


def _group(record: Record, what: str) -> list[tuple[str, float | None]]:
    """Rows of a setting, or of one sort of what is left out: name and limit."""
    moves = [move for move in record["sensitivity"]["moves"] if move["what"] == what]
    if not what.startswith("without"):
        return [(f"{what} {percent(float(move['setting']))}", move["value"]) for move in moves]
    chosen = record["limit"]["recommended"]
    changed = [(f"{what} {textwrap.shorten(move['setting'], _NAME_SIGNS, placeholder=' ...')}",
                move["value"]) for move in moves if move["value"] != chosen]
    same = len(moves) - len(changed)
    one = what.removeprefix("without ").removesuffix(" of")
    told = (f"without {'any other' if changed else 'any'} {one.removesuffix('s')}"
            f"{' day' if one == 'trials' else ''} ({same} in turn)")
    return changed + ([(told, chosen)] if same else [])


# --- shared ---------------------------------------------------------------------------------------


def floats(column: Sequence[object]) -> Floats:
    """Null is not a number."""
    return np.array(column, dtype=np.float64)


def of_limit(record: Record) -> str:
    """The limit as an axis has it."""
    return f"{record['limit']['name']} limit [{record['limit']['unit']}]"


def note(axes: Axes, words: str) -> None:
    """Words across a panel."""
    axes.text(0.5, 0.6, words, transform=axes.transAxes, ha="center", va="center",
              fontsize=_FONT_PT, zorder=9, bbox={"fc": WHITE, "ec": _GREY, "pad": 4})


def finished(figure: Figure, grid: str | None = "y") -> bytes:
    """Sizes of text, a grid, one legend below with each label once."""
    handles: dict[str, Artist] = {}
    for axes in figure.axes:
        for text in (axes.xaxis.label, axes.yaxis.label, axes.title):
            text.set_fontsize(_FONT_PT)
        axes.tick_params(labelsize=_FONT_PT - 1)
        if grid is not None:
            axes.grid(axis="both" if grid == "both" else "x" if grid == "x" else "y", lw=0.4,
                      color="#CCCCCC")
        axes.set_axisbelow(True)
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            handles.setdefault(str(label), handle)
    if handles:
        figure.legend(list(handles.values()), list(handles), fontsize=_FONT_PT - 1, ncol=2,
                      frameon=False, loc="outside lower center", handlelength=2.8)
    return png(figure)


__all__ = ["between_asks_plot", "finished", "floats", "moves_plot", "note", "of_limit",
           "trade_off_plot"]
