"""Plots of what is studied beside a limit: the rule on board, a second limit. No clock."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

from hazcam.frames import Floats
from hazcam.report.drawing import BLACK, BLUE, ORANGE, PURPLE, WHITE, cased_line
from hazcam.report.record import Record
from hazcam.report.tune_limits_plots import finished, floats, note, of_limit
from hazcam.tuning.words import measure

_FONT_PT = 10.5
_WIDTH_IN = 9.0
_GREY, _LIGHT = "#767676", "#D8D8D8"
_CASED = cased_line(3.0)


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
    return finished(figure, grid="both")


def _reported(axes: Axes, found: Record) -> None:
    reports, rule = found["reports"], found["rule"]
    demand, sigma, reported = (floats(reports[name]) for name in ("demand", "sigma", "reported"))
    ids = np.array(reports["pairs"])
    gross = np.isin(ids, [pair for name in ("missed", "overstated")
                          for pair in (rule[name]["pairs"] if rule else [])])
    axes.errorbar(demand[~gross], reported[~gross], xerr=sigma[~gross], fmt="o", color=BLUE,
                  ecolor=_GREY, elinewidth=0.8, markersize=4.5, label="pair, ± one sigma")
    if gross.any():
        axes.plot(demand[gross], reported[gross], "X", color=ORANGE, markeredgecolor=BLACK,
                  markersize=8, label="missed or overstated")
    unsaid = floats([one["demand"] for one in reports["silent"] if one["missed"]])
    if unsaid.size:
        axes.plot(unsaid, np.full(len(unsaid), 0.02), "X", color=WHITE, markeredgecolor=ORANGE,
                  markersize=8, transform=axes.get_xaxis_transform(), label="missed, no value")
    if rule:
        x = np.linspace(0.0, max(float(demand.max()), rule["most_demand_m"]), 50)
        line = rule["offset_m"] + rule["gain"] * x
        axes.fill_between(x, line - rule["tau_m"], line + rule["tau_m"], facecolor=_LIGHT,
                          zorder=0, label="its noise, ± one sigma")
        axes.plot(x, line, color=BLACK, linewidth=1.8, zorder=5, path_effects=_CASED,
                  label="line fitted")
    axes.set(xlabel="measured straight ahead [m]", ylabel="reported on board [m]")
    axes.set_xlim(left=0.0)
    if not rule:
        axes.set_title("no line could be fitted", loc="left", fontsize=_FONT_PT)


def _thresholds(axes: Axes, found: Record) -> None:
    drawn = False
    for name, colour, dash, words in (
            ("needless", BLUE, "-", "needless stop"),
            ("false_go", ORANGE, (0, (5, 2)), "false go of the rule")):
        rate = floats(found[name])
        if np.isfinite(rate).any():
            axes.plot(found["thresholds"], rate, color=colour, linestyle=dash, linewidth=2.2,
                      label=words)
            drawn = True
    if found["threshold"] is not None:
        axes.axvline(found["threshold"], color=BLACK, linewidth=1.3,
                     label=f"to set at the most: {measure(found['threshold'], 'm')}")
    axes.set(xlabel="threshold on board [m]", ylabel="rate expected on this ground")
    axes.set_ylim(-0.03, 1.03)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol=" %"))
    if not drawn:
        note(axes, "no rate is known")


# --- two limits -----------------------------------------------------------------------------------


def two_limits_plot(record: Record) -> bytes | None:
    """PNG: false go and needless asks over two limits; None where no second was named.

    False go by its bound; where too few sites hold ground beyond for any, by the rate.
    """
    two = record["two"]
    if two is None:
        return None
    figure = Figure(figsize=(_WIDTH_IN, 4.4), facecolor=WHITE, layout="constrained")
    false_go = ("false_go", "false-go rate [%]") if not two["risk_shown"] else (
        "bound", "bound of the false-go rate [%]")
    for axes, (name, title) in zip(figure.subplots(1, 2, sharey=True),
                                   (false_go, ("needless", "needless asks [%]")), strict=True):
        told = name == "needless" or not two["silent"]
        _map(axes, two, 100 * floats(two[name]).T if told else np.array([np.nan]), title)
        _mark_two(axes, two)
        axes.set_xlabel(of_limit(record))
    figure.axes[0].set_ylabel(f"{two['other']} limit [{two['other_unit']}]")
    return finished(figure, grid=None)


def _map(axes: Axes, two: Record, shares: Floats, title: str) -> None:
    levels = [0, 1, 2, 5, 10, 20, 50, 80, 100]
    axes.set_title(title, loc="left", fontsize=_FONT_PT)
    axes.set_xlim(two["values"][0], two["values"][-1])
    axes.set_ylim(two["others"][0], two["others"][-1])
    if not np.isfinite(shares).any():
        note(axes, "nothing to count")
        return
    shown = np.ma.masked_invalid(shares)
    axes.contourf(two["values"], two["others"], shown, levels=levels, cmap="Greys", vmin=0,
                  vmax=160)
    lines = axes.contour(two["values"], two["others"], shown, levels=levels[1:-1], colors=BLACK,
                         linewidths=0.8)
    for text in axes.clabel(lines, fontsize=_FONT_PT - 2, fmt="%g"):
        text.set_path_effects([*_CASED])


def _mark_two(axes: Axes, two: Record) -> None:
    """Today's and the best, and what the legs manage."""
    step, other = two["height"], two["other_height"]
    if step is not None and other is not None:
        axes.plot([step, step, 0.0], [0.0, other, other], color=PURPLE, linestyle="-.",
                  linewidth=1.8, label="what the legs are taken to manage")
    axes.plot(*two["today"], "v", color=WHITE, markersize=10, markeredgecolor=BLACK,
              markeredgewidth=1.4, label="today", zorder=6, clip_on=False)
    if two["best"] is not None:
        axes.plot(*two["best"], "o", color=BLUE, markersize=10, markeredgecolor=WHITE,
                  label="fewest needless asks within the risk", zorder=6,
                  clip_on=False)


__all__ = ["onboard_plot", "two_limits_plot"]
