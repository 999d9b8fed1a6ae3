"""Plots of a limit that was chosen. No clock, no randomness.

Lines differ by their dashes, points by their shapes, areas by their hatches, so that nothing hangs
on colour: false go is orange and dashed, needless ask blue and solid.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
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
_CASED = cased_line(3.0)
# Least limits by the chance to fail: at most, hatch, colour, words.
_RISKS = ((0.05, "", _LIGHT, "fails in less than 5 %"), (0.5, "///", BLUE, "5 to 50 %"),
          (np.inf, "xxx", ORANGE, "more"))
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
            ("false_go", ORANGE, (0, (1, 1)), "", "false go, beyond the likeliest height"),
            ("false_go_bound", ORANGE, (0, (5, 2)), "////", "false go, beyond the height climbed")):
        if trade[name]["state"] == "counted":
            _rate(rates, trade["values"], trade[name], colour, dash, hatch, words)
            drawn = drawn or name.startswith("false_go")
    _risk(rates, record)
    rates.set_ylim(-0.03, 1.03)
    rates.yaxis.set_major_formatter(PercentFormatter(1.0))
    rates.set_ylabel("rate, with one-sided bounds")
    if not drawn:
        _note(rates, "no ground beyond the height climbed: nothing is said of false go")
    _least_limits(counts, headings)
    counts.set_xlabel(_of_limit(record))
    rates.set_xlim(*_shown(record, headings))
    _mark_limits(rates, record, named=True)
    _mark_limits(counts, record, named=False)
    return _finished(figure)


def _rate(
    axes: Axes, values: Sequence[float], rate: Record, colour: str, dash: object, hatch: str,
    words: str,
) -> None:
    low, middle, high = (_floats(rate[name]) for name in ("low", "rate", "high"))
    axes.fill_between(values, low, high, step="post", facecolor=colour, alpha=0.22, hatch=hatch,
                      edgecolor=colour, linewidth=0.0)
    axes.step(values, middle, where="post", color=BLACK if hatch else colour, linestyle=dash,
              linewidth=2.2, label=words, zorder=4)


def _risk(axes: Axes, record: Record) -> None:
    risk = record["inputs"]["settings"]["risk"]
    axes.axhline(risk, color=PURPLE, linewidth=1.4, linestyle="-.", zorder=3,
                 label=f"risk {percent(risk)}: most that the false-go bound may be")


def _mark_limits(axes: Axes, record: Record, *, named: bool) -> None:
    """Today's, the recommended and the cheapest limit."""
    unit = record["limit"]["unit"]
    for one in record["at"]:
        dash, shape = _MARKS[one["name"].partition(",")[0]]
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
        _note(axes, "this limit decides no heading of the run")
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
    values, found = trade["values"], {name: _floats(column) for name, column in
                                      trade["between_asks_m"].items()}
    panels[0].fill_between(values, found["low"], found["high"], step="post", facecolor=_LIGHT)
    panels[0].step(values, found["mean"], where="post", color=BLUE, linewidth=2.2,
                   label="distance between asks, straight ahead")
    panels[0].set_ylabel("between asks [m]")
    _scale(panels[0], found)
    if not np.isfinite(found["mean"]).any():
        _note(panels[0], "straight ahead it never asks")
    if costs:
        panels[1].step(values, _floats(trade["cost"]), where="post", color=PURPLE, linewidth=2.2,
                       linestyle=(0, (5, 2)), label="expected cost of a heading")
        panels[1].set_ylabel("cost of a heading")
        panels[1].set_ylim(bottom=0.0)
    panels[-1].set_xlabel(_of_limit(record))
    ends = [one["value"] for one in record["at"]] + [record["curve"]["climbed"]["estimate"]]
    panels[0].set_xlim(0.0, 1.25 * max(ends))
    for i, axes in enumerate(panels):
        _mark_limits(axes, record, named=i == 0)
    return _finished(figure)


def _scale(axes: Axes, found: dict[str, Floats]) -> None:
    """As high as the mean needs, not the open bounds."""
    known = found["mean"][np.isfinite(found["mean"])]
    axes.set_ylim(0.0, max(2.2 * float(known.max()) if len(known) else 1.0, 0.1))


# --- how it moves ---------------------------------------------------------------------------------


def moves_plot(record: Record) -> bytes:
    """PNG: the recommended limit by setting and by what is left out, one row each."""
    moves, unit = record["sensitivity"]["moves"], record["limit"]["unit"]
    rows = [(f"{move['what']} {_setting(move)}", move["value"], "o") for move in moves]
    rows += [(f"{move['name']}", move["value"], "D") for move in (record["rig"] or {}).get(
        "moves", []) if move["state"] == "moved"]
    figure = Figure(figsize=(_WIDTH_IN, 1.3 + 0.235 * len(rows)), facecolor=WHITE,
                    layout="constrained")
    axes = figure.subplots()
    at = np.arange(len(rows))
    for place, (_, value, shape) in zip(at, rows, strict=True):
        if value is None:
            axes.annotate("none", (0.0, place), xytext=(3, 0), textcoords="offset points",
                          va="center", fontsize=_FONT_PT - 1)
        else:
            axes.plot([value], [place], shape, color=BLUE, markersize=6.5, markeredgecolor=BLACK,
                      markeredgewidth=0.7, zorder=4)
    for place in (i for i in at[1:] if moves_differ(moves, i)):
        axes.axhline(place - 0.5, color=_GREY, linewidth=0.7)
    axes.set_yticks(at, [name for name, _, _ in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    known = [value for _, value, _ in rows if value is not None]
    axes.set_xlim(0.0, 1.15 * max([*known, record["at"][0]["value"]]))
    _mark_limits(axes, {**record, "at": [one for one in record["at"]
                                         if one["name"] != "cheapest"]}, named=True)
    axes.set_xlabel(f"recommended {record['limit']['name']} [{unit}]")
    return _finished(figure, grid="x")


def moves_differ(moves: Sequence[Record], place: int) -> bool:
    """Whether another group of rows begins at a place."""
    return place >= len(moves) or moves[place]["what"] != moves[place - 1]["what"]


def _setting(move: Record) -> str:
    if move["what"] in ("reliability", "confidence", "risk"):
        return percent(float(move["setting"]))
    return str(move["setting"])


# --- the rule on board ----------------------------------------------------------------------------


def onboard_plot(record: Record) -> bytes | None:
    """PNG: reported against measured demand, and both mistakes over thresholds; None without."""
    found = record["onboard"]
    if not found["reports"]["pairs"]:
        return None
    figure = Figure(figsize=(_WIDTH_IN, 4.3), facecolor=WHITE, layout="constrained")
    both = found["thresholds"] is not None
    panels = figure.subplots(1, 1 + both, squeeze=False)[0]
    _reported(panels[0], found)
    if both:
        _thresholds(panels[1], found)
    return _finished(figure, grid="both")


def _reported(axes: Axes, found: Record) -> None:
    reports, rule = found["reports"], found["rule"]
    demand, sigma, reported = (_floats(reports[name]) for name in ("demand", "sigma", "reported"))
    ids = np.array(reports["pairs"])
    gross = np.isin(ids, [pair for name in ("missed", "overstated")
                          for pair in (rule[name]["pairs"] if rule else [])])
    axes.errorbar(demand[~gross], reported[~gross], xerr=sigma[~gross], fmt="o", color=BLUE,
                  ecolor=_GREY, elinewidth=0.8, markersize=4.5, label="pair, ± one sigma")
    if gross.any():
        axes.plot(demand[gross], reported[gross], "X", color=ORANGE, markeredgecolor=BLACK,
                  markersize=8, label="missed or overstated")
    if rule:
        x = np.linspace(0.0, max(float(demand.max()), rule["most_demand_m"]), 50)
        line = rule["offset_m"] + rule["gain"] * x
        axes.fill_between(x, line - rule["tau_m"], line + rule["tau_m"], facecolor=_LIGHT,
                          zorder=0, label="its noise, ± one sigma")
        axes.plot(x, line, color=BLACK, linewidth=1.8, label="line fitted")
    axes.set(xlabel="measured straight ahead [m]", ylabel="reported on board [m]")
    axes.set_xlim(left=0.0)
    if not rule:
        axes.set_title("no line could be fitted", loc="left")


def _thresholds(axes: Axes, found: Record) -> None:
    drawn = False
    for name, colour, dash, words in (
            ("needless", BLUE, "-", "needless stop"),
            ("false_go", ORANGE, (0, (5, 2)), "false go of the rule")):
        rate = _floats(found[name])
        if np.isfinite(rate).any():
            axes.plot(found["thresholds"], rate, color=colour, linestyle=dash, linewidth=2.2,
                      label=words)
            drawn = True
    if found["threshold"] is not None:
        axes.axvline(found["threshold"], color=BLACK, linewidth=1.3,
                     label=f"to set at the most: {measure(found['threshold'], 'm')}")
    axes.set(xlabel="threshold on board [m]", ylabel="rate expected on this ground")
    axes.set_ylim(-0.03, 1.03)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0))
    if not drawn:
        _note(axes, "no rate is known")


# --- two limits -----------------------------------------------------------------------------------


def two_limits_plot(record: Record) -> bytes | None:
    """PNG: false-go bound and needless asks over two limits; None where no second was named."""
    two = record["two"]
    if two is None:
        return None
    figure = Figure(figsize=(_WIDTH_IN, 4.4), facecolor=WHITE, layout="constrained")
    for axes, name, title in zip(figure.subplots(1, 2, sharey=True), ("bound", "needless"),
                                 ("bound of the false-go rate [%]", "needless asks [%]"),
                                 strict=True):
        _map(axes, two, 100 * _floats(two[name]).T, title)
        _mark_two(axes, record, two)
        axes.set_xlabel(_of_limit(record))
    figure.axes[0].set_ylabel(f"{two['other']} limit [{two['other_unit']}]")
    return _finished(figure, grid=None)


def _map(axes: Axes, two: Record, shares: Floats, title: str) -> None:
    levels = [0, 1, 2, 5, 10, 20, 50, 80, 100]
    axes.set_title(title, loc="left")
    axes.set_xlim(two["values"][0], two["values"][-1])
    axes.set_ylim(two["others"][0], two["others"][-1])
    if not np.isfinite(shares).any():
        _note(axes, "nothing to count")
        return
    shown = np.ma.masked_invalid(shares)
    axes.contourf(two["values"], two["others"], shown, levels=levels, cmap="Greys", vmin=0,
                  vmax=160)
    lines = axes.contour(two["values"], two["others"], shown, levels=levels[1:-1], colors=BLACK,
                         linewidths=0.8)
    for text in axes.clabel(lines, fontsize=_FONT_PT - 2, fmt="%g"):
        text.set_path_effects([*_CASED])


def _mark_two(axes: Axes, record: Record, two: Record) -> None:
    """Today's and the best, and what the legs manage."""
    step, other = two["height"], two["other_height"]
    if step is not None and other is not None:
        axes.plot([step, step, 0.0], [0.0, other, other], color=PURPLE, linestyle="-.",
                  linewidth=1.8, label="what the legs are taken to manage")
    if two["other_today"] is not None:
        axes.plot([record["at"][0]["value"]], [two["other_today"]], "v", color=WHITE,
                  markersize=10, markeredgecolor=BLACK, markeredgewidth=1.4, label="today",
                  zorder=6, clip_on=False)
    if two["best"] is not None:
        axes.plot(*two["best"], "o", color=BLUE, markersize=10, markeredgecolor=WHITE,
                  label="fewest needless asks within the risk", zorder=6,
                  clip_on=False)


# --- shared ---------------------------------------------------------------------------------------


def _floats(column: Sequence[object]) -> Floats:
    """Null is not a number."""
    return np.array(column, dtype=np.float64)


def _of_limit(record: Record) -> str:
    return f"{record['limit']['name']} limit [{record['limit']['unit']}]"


def _note(axes: Axes, words: str) -> None:
    axes.text(0.5, 0.6, words, transform=axes.transAxes, ha="center", va="center",
              fontsize=_FONT_PT, zorder=9, bbox={"fc": WHITE, "ec": _GREY, "pad": 4})


def _finished(figure: Figure, grid: str | None = "y") -> bytes:
    """Sizes of text, a grid, one legend below with each label once."""
    handles = {}
    for axes in figure.axes:
        for text in (axes.xaxis.label, axes.yaxis.label, axes.title):
            text.set_fontsize(_FONT_PT)
        axes.tick_params(labelsize=_FONT_PT - 1)
        if grid is not None:
            axes.grid(axis="both" if grid == "both" else "x" if grid == "x" else "y", lw=0.4,
                      color="#CCCCCC")
        axes.set_axisbelow(True)
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            handles.setdefault(label, handle)
    if handles:
        figure.legend(list(handles.values()), list(handles), fontsize=_FONT_PT - 1, ncol=2,
                      frameon=False, loc="outside lower center", handlelength=2.8)
    return png(figure)


__all__ = ["between_asks_plot", "moves_plot", "onboard_plot", "trade_off_plot", "two_limits_plot"]
