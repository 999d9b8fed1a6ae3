"""Plots of a rehearsal: rates with their bounds, clear distances, errors against sigmas.

Blue and solid is the matched sensor, orange and hatched or hollow the ideal one; a word, a hatch
or a shape always stands beside the colour. No clock, no randomness.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, NullLocator, StrMethodFormatter

from hazcam.frames import Floats
from hazcam.report.drawing import BLACK, BLUE, ORANGE, PURPLE, WHITE, png
from hazcam.scene.rehearsal.breakdown import Breakdown, BreakdownRow
from hazcam.scene.rehearsal.quality import GAUSSIAN, QUANTITIES, SIGMAS, Quantity, pooled
from hazcam.scene.rehearsal.rates import Rate, SceneRate
from hazcam.scene.rehearsal.record import SENSORS, HeadingRow, SceneScore
from hazcam.scene.rehearsal.reliability import LEAST_HEADINGS, LEAST_SCENES, ReliabilityBin
from hazcam.scene.rehearsal.tables import MainRow, Summary

_FONT_PT = 10.0
_WIDE_IN, _LOW_IN = 8.6, 3.7
_COLOUR = {"matched": BLUE, "ideal": ORANGE}
_MARKER = {"matched": "o", "ideal": "s"}
_MOST_POINTS = 4000  # of a scatter: more only blacken the paper
_BINS = 12
_LEAST_IN_BIN = 5


def sun_plot(summary: Summary) -> bytes:
    """PNG: both mistakes by the elevation of the sun."""
    split = next(b for b in summary.breakdowns if b.name == "sun")
    figure, (left, right) = _panels(2)
    _rates_by_group(left, split, "own", "false-go scenes")
    left.set(title="scenes with a false-go, go possible\n(own strip), up to the one-sided bound")
    _rates_by_group(right, split, "own", "needless asks")
    right.set(title="needless asks of observable headings\n(own strip), two-sided interval")
    for axes in (left, right):
        axes.set(xlabel="elevation of the sun", ylabel="share [%]")
    _legend_below(figure, _sensor_key(summary.plan.sensors))
    return _finished(figure)


def _panels(count: int, height_in: float = _LOW_IN) -> tuple[Figure, Sequence[Axes]]:
    figure = Figure(figsize=(_WIDE_IN, height_in), facecolor=WHITE, layout="constrained")
    axes = figure.subplots(1, count, squeeze=False)[0]
    return figure, list(axes)


def _finished(figure: Figure) -> bytes:
    for axes in figure.axes:
        for text in (axes.xaxis.label, axes.yaxis.label, axes.title):
            text.set_fontsize(_FONT_PT)
        axes.tick_params(labelsize=_FONT_PT - 0.5)
        axes.grid(axis="y", lw=0.4, color="#CCCCCC")
        axes.set_axisbelow(True)
    return png(figure)


def _legend_below(figure: Figure, handles: Sequence[Line2D | Patch]) -> None:
    figure.legend(handles=handles, loc="outside lower center", ncol=4, fontsize=_FONT_PT - 1,
                  frameon=False)


def _sensor_key(sensors: Sequence[str]) -> list[Line2D]:
    return [Line2D([], [], ls="", marker=_MARKER[s], ms=7, color=_COLOUR[s], mec=BLACK,
                   label=f"{s} sensor") for s in sensors]


def _rates_by_group(axes: Axes, split: Breakdown, strip: str, what: str) -> None:
    groups = list(dict.fromkeys(row.group for row in split.rows))
    for sensor, shift in zip(SENSORS, (-0.13, 0.13), strict=True):
        rows = {row.group: row for row in split.rows if row.basis == "one limit"
                and row.strip == strip and row.sensor == sensor}
        for i, group in enumerate(groups):
            if group in rows:
                _point(axes, i + shift, _shown(rows[group], what), sensor)
    axes.set_xticks(range(len(groups)), groups)
    axes.set_xlim(-0.6, len(groups) - 0.4)
    axes.set_ylim(-3, 106)


Shown = tuple[float, float, float, int]  # rate, low, high, trials


def _shown(row: BreakdownRow, what: str) -> Shown:
    if what == "false-go scenes":
        rate = row.rates.false_go_can_go_scenes
        return rate.rate, rate.low, rate.high, rate.of
    return _with_scenes(row.rates.needless_observable, row.rates.needless_observable_scenes)


def _with_scenes(rate: Rate, scenes: SceneRate) -> Shown:
    return rate.rate, scenes.low, scenes.high, rate.of


def _point(axes: Axes, x: float, shown: Shown, sensor: str) -> None:
    rate, low, high, trials = shown
    if math.isnan(rate):
        axes.text(x, 1.0, "none", rotation=90, ha="center", va="bottom", fontsize=_FONT_PT - 2)
        return
    axes.plot([x, x], [100 * low, 100 * high], color=_COLOUR[sensor], lw=2.2, zorder=2)
    axes.plot([x - 0.06, x + 0.06], [100 * high] * 2, color=BLACK, lw=1.4, zorder=2)
    axes.plot(x, 100 * rate, marker=_MARKER[sensor], ms=7, color=_COLOUR[sensor], mec=BLACK,
              zorder=3)
    axes.text(x, 100 * high + 1.5, f"{trials}", ha="center", va="bottom", fontsize=_FONT_PT - 2)


def limit_plot(summary: Summary) -> bytes:
    """PNG: bound of scenes with a false-go against the limit, a line per look-ahead."""
    figure, panels = _panels(len(summary.plan.sensors))
    for axes, sensor in zip(panels, summary.plan.sensors, strict=True):
        for look_ahead_m, style in zip(summary.plan.look_aheads_m, _styles(), strict=False):
            rows = [row for limit_m in sorted(summary.plan.limits_m)
                    if (row := summary.row(sensor, "own", limit_m, look_ahead_m))]
            rows = [row for row in rows if row.rates.false_go_can_go_scenes.of]
            _limit_line(axes, rows, style)
        axes.set(title=f"{sensor} sensor, own strip", xlabel="limit [cm]",
                 ylabel="scenes with a false-go [%]")
        axes.set_xticks([100 * limit for limit in summary.plan.limits_m])
        axes.set_ylim(bottom=0)
        axes.margins(x=0.12)
    top = max(axes.get_ylim()[1] for axes in panels)
    for axes in panels:
        axes.set_ylim(top=min(1.05 * top, 103))
    _legend_below(figure, [
        Line2D([], [], mec=BLACK, ms=7, label=f"look-ahead {look_ahead_m:g} m", **style)
        for look_ahead_m, style in zip(summary.plan.look_aheads_m, _styles(), strict=False)])
    return _finished(figure)


def _styles() -> Sequence[Mapping[str, Any]]:
    looks = ((BLUE, "o", "-"), (ORANGE, "s", "--"), (PURPLE, "^", ":"), (BLACK, "D", "-."))
    return [{"color": colour, "marker": marker, "ls": line} for colour, marker, line in looks]


def _limit_line(axes: Axes, rows: Sequence[MainRow], style: Mapping[str, Any]) -> None:
    limits = [100 * row.limit_m for row in rows]
    axes.plot(limits, [100 * row.rates.false_go_can_go_scenes.high for row in rows], lw=1.6, ms=7,
              mec=BLACK, **style)
    axes.plot(limits, [100 * row.rates.false_go_can_go_scenes.rate for row in rows], ls="", ms=4,
              mec=BLACK, color=style["color"], marker=style["marker"])


def reliability_plot(summary: Summary) -> bytes:
    """PNG: observed shares against stated probabilities, evenly and with small ones stretched."""
    found = [r for r in summary.reliability if r.basis == "all limits"]
    figure = Figure(figsize=(_WIDE_IN, 8.0), facecolor=WHITE, layout="constrained")
    panels = figure.subplots(2, len(found), squeeze=False)
    for axes, row in zip(panels.T, found, strict=True):
        for which in axes:
            which.axline((0, 0), (100, 100), color=BLACK, lw=1.0, ls="--")
            for place in row.bins:
                _reliability_point(which, place, row.sensor)
            which.set(ylabel="truth exceeds a limit [% of headings]")
        axes[0].set(title=f"{row.sensor} sensor, own strip", xlim=(-4, 112), ylim=(-4, 106))
        _stretch(axes[1])
    few = Line2D([], [], ls="", marker="o", ms=7, color=WHITE, mec=BLACK,
                 label=f"hollow: fewer than {LEAST_HEADINGS} headings or {LEAST_SCENES} scenes")
    _legend_below(figure, [*_sensor_key([row.sensor for row in found]), few])
    return _finished(figure)


def _stretch(axes: Axes) -> None:
    """Even up to 1 %, each factor of ten as wide beyond."""
    axes.set(xscale="symlog", yscale="symlog", title="the same, small ones stretched",
             xlabel="stated probability, mean of a bin [%]")
    for axis, limits in ((axes.xaxis, axes.set_xlim), (axes.yaxis, axes.set_ylim)):
        axis.set_major_locator(FixedLocator([0, 1, 10, 100]))
        axis.set_major_formatter(StrMethodFormatter("{x:g}"))
        axis.set_minor_locator(NullLocator())
        limits(-0.15, 230)


def _reliability_point(axes: Axes, place: ReliabilityBin, sensor: str) -> None:
    if not place.headings:
        return
    x, y, colour = 100 * place.stated, 100 * place.observed, _COLOUR[sensor]
    axes.plot([x, x], [100 * place.low, 100 * place.high], color=colour, lw=2.2, zorder=2)
    axes.plot(x, y, marker=_MARKER[sensor], ms=7, mec=BLACK if place.enough else colour,
              color=colour if place.enough else WHITE, zorder=3)
    axes.annotate(f"{place.headings}", (x, y), (7, -3), textcoords="offset points", va="top",
                  fontsize=_FONT_PT - 2)


def clear_plot(summary: Summary, scores: Sequence[SceneScore]) -> bytes:
    """PNG: clear distance of the verdict against the true one, at the longest look-ahead."""
    look_ahead_m = max(summary.plan.look_aheads_m)
    figure, panels = _panels(len(summary.plan.sensors), 4.2)
    for axes, sensor in zip(panels, summary.plan.sensors, strict=True):
        rows = [row for score in scores for row in score.rows if row.sensor == sensor
                and row.strip == "own" and row.limit_m == summary.limit_m
                and row.look_ahead_m == look_ahead_m]
        for label, colour, marker in (("free", ORANGE, "s"), ("blocked", BLUE, "o")):
            _clear_points(axes, [row for row in rows if row.label == label], colour, marker, label)
        axes.plot([0, look_ahead_m], [0, look_ahead_m], color=BLACK, lw=1.0, ls="--")
        axes.text(0.06 * look_ahead_m, 0.97 * look_ahead_m, "above the line: too far", va="top",
                  fontsize=_FONT_PT - 1.5)
        axes.set(title=f"{sensor} sensor, own strip", xlabel="true clear distance [m]",
                 ylabel="clear distance by the verdict [m]",
                 xlim=(-0.04, 1.06 * look_ahead_m), ylim=(-0.04, 1.06 * look_ahead_m))
        axes.legend(fontsize=_FONT_PT - 1, frameon=True, loc="lower right")
    return _finished(figure)


def _clear_points(
    axes: Axes, rows: Sequence[HeadingRow], colour: str, marker: str, label: str
) -> None:
    step = max(1, -(-len(rows) // _MOST_POINTS))
    shown = rows[::step]
    axes.scatter([row.true_clear_m for row in shown], [row.clear_m for row in shown], s=16,
                 c=colour, marker=marker, alpha=0.45, lw=0.4, edgecolors=BLACK,
                 label=f"{label}, n = {len(rows)}")


def errors_plot(scores: Sequence[SceneScore]) -> bytes:
    """PNG: errors against distance, with their median, spread and the stated sigma."""
    figure, panels = _panels(len(QUANTITIES), 3.9)
    for axes, quantity in zip(panels, QUANTITIES, strict=True):
        _errors_panel(axes, scores, quantity)
    handles: list[Line2D | Patch] = [
        Line2D([], [], ls="", marker=".", color="#8C8C8C", label="one sample"),
        Line2D([], [], color=BLUE, marker="o", ms=5, label="median ± robust spread"),
        Patch(fc=ORANGE, alpha=0.35, ec=BLACK, ls="--", label="± median stated sigma"),
    ]
    _legend_below(figure, handles)
    return _finished(figure)


def _errors_panel(axes: Axes, scores: Sequence[SceneScore], quantity: Quantity) -> None:
    errors = pooled(scores, quantity)
    known = np.isfinite(errors.error)
    error, sigma, range_m = (a[known].astype(float)
                             for a in (errors.error, errors.sigma, errors.range_m))
    axes.set(title=f"{quantity.name}, n = {len(error)}", xlabel="distance ahead [m]",
             ylabel=f"error [{quantity.unit}]")
    if not len(error):
        axes.text(0.5, 0.5, "none", transform=axes.transAxes, ha="center")
        return
    step = max(1, len(error) // _MOST_POINTS)
    axes.plot(range_m[::step], error[::step], ".", ms=2, color="#8C8C8C", zorder=1)
    middle, bias, spread, stated = _binned(error, sigma, range_m)
    axes.fill_between(middle, -stated, stated, color=ORANGE, alpha=0.35, ec=BLACK, ls="--",
                      zorder=2)
    axes.errorbar(middle, bias, yerr=spread, color=BLUE, marker="o", ms=4, lw=1.4, capsize=3,
                  zorder=3)
    reach = max(4 * float(np.nanmax(np.concatenate([spread, stated]), initial=0.0)),
                1.2 * float(np.nanmax(np.abs(bias), initial=0.0)), quantity.gross[0] / 2)
    beyond = int((np.abs(error) > reach).sum())
    axes.set(ylim=(-reach, reach), xlim=(0.95 * range_m.min(), 1.03 * range_m.max()))
    if beyond:
        axes.text(0.97, 0.97, f"{beyond} beyond the picture", transform=axes.transAxes, ha="right",
                  va="top", fontsize=_FONT_PT - 2)


def _binned(
    error: Floats, sigma: Floats, range_m: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Middle, median, robust spread and median stated sigma of equal bands of distance."""
    edges = np.linspace(range_m.min(), range_m.max() + 1e-6, _BINS + 1)
    which = np.digitize(range_m, edges) - 1
    found = []
    for i in range(_BINS):
        inside = which == i
        if inside.sum() >= _LEAST_IN_BIN:
            bias = np.median(error[inside])
            told = sigma[inside][np.isfinite(sigma[inside])]
            found.append((edges[i:i + 2].mean(), bias,
                          1.4826 * np.median(np.abs(error[inside] - bias)),
                          np.median(told) if told.size else np.nan))
    columns = np.array(found).reshape(-1, 4).T
    return columns[0], columns[1], columns[2], columns[3]


def within_plot(summary: Summary) -> bytes:
    """PNG: share of the errors within 1, 2, 3 stated sigma beside that of a Gaussian."""
    figure, (axes,) = _panels(1, 3.4)
    rows = {row.quantity: row for row in reversed(summary.quality)}  # the first spans all bands
    hatches = ("", "//", "..")
    colours = (BLUE, ORANGE, PURPLE)
    for i, gaussian in enumerate(GAUSSIAN):
        for j, quantity in enumerate(QUANTITIES):
            share = rows[quantity.name].within[i]
            place = i + 0.27 * (j - 1)
            if math.isnan(share):
                axes.text(place, 1, "none", rotation=90, ha="center", fontsize=_FONT_PT - 2)
                continue
            axes.bar(place, 100 * share, 0.25, color=colours[j], ec=BLACK, hatch=hatches[j])
            axes.text(place, 3, f"{100 * share:.0f}", ha="center", fontsize=_FONT_PT - 1.5,
                      bbox={"boxstyle": "square,pad=0.15", "fc": WHITE, "ec": "none"})
        axes.plot([i - 0.45, i + 0.45], [100 * gaussian] * 2, color=BLACK, lw=1.6, ls="--")
        axes.text(i + 0.46, 100 * gaussian, f"{100 * gaussian:.1f}", va="center",
                  fontsize=_FONT_PT - 1.5)
    axes.set_xticks(range(len(SIGMAS)), [f"within {k} sigma" for k in SIGMAS])
    axes.set(ylabel="share of errors [%]", ylim=(0, 108), xlim=(-0.55, len(SIGMAS) + 0.5))
    key: list[Patch | Line2D] = [
        Patch(fc=c, ec=BLACK, hatch=h, label=f"{q.name}, n = {rows[q.name].measured}")
        for c, h, q in zip(colours, hatches, QUANTITIES, strict=True)]
    key.append(Line2D([], [], color=BLACK, ls="--", label="Gaussian"))
    axes.legend(handles=key, fontsize=_FONT_PT - 1, frameon=False, loc="center right")
    return _finished(figure)


def causes_plot(summary: Summary) -> bytes:
    """PNG: what decided the needless asks, matched and ideal, default and own strip."""
    shares = [share for share in summary.causes if share.basis == "one limit"]
    words = list(dict.fromkeys(s.word for s in sorted(shares, key=lambda s: -s.count)))
    figure, panels = _panels(2, 1.6 + 0.42 * max(len(words), 1))
    for axes, (strip, name) in zip(panels, (("straight ahead", "default strip"),
                                            ("own", "own strip")), strict=True):
        for sensor, shift, hatch in (("matched", -0.19, ""), ("ideal", 0.19, "//")):
            counts = {s.word: s.count for s in shares if (s.strip, s.sensor) == (strip, sensor)}
            for i, word in enumerate(words):
                axes.barh(i + shift, counts.get(word, 0), 0.36, color=_COLOUR[sensor], ec=BLACK,
                          hatch=hatch)
                axes.text(counts.get(word, 0), i + shift, f" {counts.get(word, 0) or 'none'}",
                          va="center", fontsize=_FONT_PT - 1.5)
        axes.set_yticks(range(len(words)), words)
        axes.invert_yaxis()
        axes.margins(x=0.16)
        axes.set(title=name, xlabel="needless asks (free headings)")
        if not words:
            axes.text(0.5, 0.5, "none", transform=axes.transAxes, ha="center")
    key = [Patch(fc=_COLOUR[s], ec=BLACK, hatch=h, label=f"{s} sensor")
           for s, h in zip(SENSORS, ("", "//"), strict=True)]
    _legend_below(figure, key)
    return _finished(figure)
