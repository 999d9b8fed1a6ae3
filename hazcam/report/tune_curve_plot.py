"""Plot of a success curve with every trial. No clock, no randomness.

What climbed is above the curve and what failed below it, each trial at its measured demand with one
sigma to each side, stacked where they would overprint. Every outcome has a shape of its own;
simulated trials are hollow. Lines differ by their dashes, so that nothing hangs on colour.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy.special import expit, logit, ndtr

from hazcam.frames import Floats
from hazcam.report.drawing import BLACK, BLUE, ORANGE, PURPLE, WHITE, cased_line, png
from hazcam.report.record import Record
from hazcam.report.tune_curve_text import answer_words
from hazcam.tuning.words import measure, of_hundred, percent

_FONT_PT = 10.5
_WIDTH_IN = 9.0
_CURVE_IN, _NO_CURVE_IN = 3.4, 0.5  # from a chance of 0 to one of 1
_LEVEL_IN, _MOST_STRIP_IN = 0.14, 1.6
_MARKER_PT, _OF_LEVEL = 6.5, 0.9  # where levels are close, markers are smaller
_GAP_IN = 0.16  # from the curve to the nearest trials
_AROUND_IN = 1.0  # title and labels
_MARGIN = 0.04  # of the demands shown, on each side
_APART = 0.0135  # of the width: how near two markers of one level may be
_ROOM = 0.3  # of the width: what the words beside the height climbed take
_BAND, _GREY = "#DADADA", "#767676"
_SHAPES = {"climbed": ("o", BLUE), "stuck": ("s", ORANGE), "tipped": ("^", ORANGE),
           "belly-hung": ("D", ORANGE), "slipped": ("v", ORANGE)}
_DASHES = {"logit": "-", "probit": (0, (5, 2))}
_TITLE_SIGNS = 108


def tune_curve_figure(groups: Sequence[Record]) -> Figure:
    """Groups of the same conditions from the record, walked trials above simulated ones.

    Each with its trials, the curve of both links with the band of the likelier, the shares observed
    lot by lot, and the height climbed. Where there are two, each panel shows the other's curve too.
    """
    shown = _shown(groups)
    strips = [_Strips(group, (shown[1] - shown[0]) * _APART) for group in groups]
    heights = [strip.height_in + _AROUND_IN for strip in strips]
    figure = Figure(figsize=(_WIDTH_IN, sum(heights) + 0.5), facecolor=WHITE, layout="constrained")
    panels = figure.subplots(len(groups), 1, squeeze=False, height_ratios=heights)[:, 0]
    for axes, group, strip in zip(panels, groups, strips, strict=True):
        axes.set_xlim(*shown)
        _axes(axes, group, strip)
        if group["state"] == "curve":
            _curve(axes, group)
            _lots(axes, group)
            _height(axes, group)
        for other in groups:
            if other is not group and other["state"] == "curve":
                _other(axes, other)
        _trials(axes, group, strip)
    handles, labels = _legend(panels)
    figure.legend(handles, labels, fontsize=_FONT_PT - 1, frameon=False, ncol=3,
                  loc="outside lower center", handlelength=2.6, columnspacing=1.4)
    return figure


def tune_curve_plot(groups: Sequence[Record]) -> bytes:
    """The figure as PNG."""
    return png(tune_curve_figure(groups))


# --- where things are ----------------------------------------------------------------------------


class _Strips:
    """Where the trials of a group are drawn, above 1 and below 0 of the axis of chances.

    Attributes
    ----------
    places : ndarray of shape (n,)
        Of each trial, along that axis.
    marker_pt : float
        Size of a marker.
    ends : tuple of float
        Of the axis.
    height_in : float
        Of the panel. [inch]
    """

    def __init__(self, group: Record, apart: float) -> None:
        unit_in = _CURVE_IN if group["state"] == "curve" else _NO_CURVE_IN
        demand = np.array([trial["demand"] for trial in group["trials"]])
        climbed = np.array([trial["outcome"] == "climbed" for trial in group["trials"]])
        self.places, self.marker_pt = np.zeros(len(demand)), _MARKER_PT
        ends = {}
        for which, start, way in ((climbed, 1.0, 1.0), (~climbed, 0.0, -1.0)):
            levels = stacked(demand[which], apart)
            most = int(levels.max()) if len(levels) else 0
            step_in = min(_LEVEL_IN, _MOST_STRIP_IN / max(most, 1))
            self.marker_pt = min(self.marker_pt, 72 * _OF_LEVEL * step_in)
            self.places[which] = start + way * (_GAP_IN + step_in * levels) / unit_in
            ends[way] = start + way * (2 * _GAP_IN + step_in * most) / unit_in
        self.ends = ends[-1.0], ends[1.0]
        self.height_in = unit_in * (self.ends[1] - self.ends[0])


def stacked(demand: Floats, apart: float) -> Floats:
    """Level of each demand, shape (n,): the lowest where none is nearer than ``apart`` to it.

    Examples
    --------
    >>> stacked(np.array([3.0, 1.0, 1.2, 1.4]), 0.3).tolist()
    [0.0, 0.0, 1.0, 0.0]
    """
    last: list[float] = []
    found = np.zeros(len(demand))
    for i in np.argsort(demand, kind="stable"):
        level = next((k for k, x in enumerate(last) if demand[i] - x >= apart), len(last))
        last[level : level + 1] = [float(demand[i])]
        found[i] = level
    return found


def _shown(groups: Sequence[Record]) -> tuple[float, float]:
    """From which demand to which: all trials with their sigma, and what is marked; none below 0."""
    ends = [trial["demand"] + way * trial["sigma"] for group in groups
            for trial in group["trials"] for way in (-1, 1)]
    for group in groups:
        if group["state"] == "curve":
            marked = group["climbed"]["low"], group["climbed"]["estimate"]
            ends += [x for x in marked if x is not None and x > 0]
    low, high = min(ends), max(ends)
    # One demand, known exactly, has no width of its own.
    margin = _MARGIN * (high - low) or 0.1 * high or 0.01
    return max(low - margin, 0.0), high + margin


def _axes(axes: Axes, group: Record, strip: _Strips) -> None:
    axes.set_ylim(*strip.ends)
    ticks = np.arange(0, 1.01, 0.25) if group["state"] == "curve" else np.array([])
    axes.set_yticks(ticks, [percent(float(tick)) for tick in ticks])
    axes.tick_params(labelsize=_FONT_PT - 1)
    c = group["conditions"]
    axes.set_xlabel(f"{c['kind']} [{c['unit']}]", fontsize=_FONT_PT)
    for chance in (0, 1):
        axes.axhline(chance, color=_GREY, linewidth=0.8, zorder=1)
    middle = axes.get_yaxis_transform()
    if group["state"] == "curve":
        axes.set_ylabel("chance to climb", fontsize=_FONT_PT)
    else:
        axes.text(0.5, 0.5, "no curve", transform=middle, ha="center", va="center",
                  fontsize=_FONT_PT, color=_GREY)
    for place, word in (((1 + strip.ends[1]) / 2, "climbed"), (strip.ends[0] / 2, "failed")):
        axes.text(1.008, place, word, transform=middle, rotation=90, va="center",
                  fontsize=_FONT_PT - 1.5)
    title = f"{'Simulated' if group['simulated'] else 'Walked'}: {answer_words(group)}"
    axes.set_title(textwrap.fill(title, _TITLE_SIGNS, break_on_hyphens=False), loc="left",
                   fontsize=_FONT_PT, pad=5)


# --- what is drawn -------------------------------------------------------------------------------


def _chance(fit: Record, demand: Floats) -> Floats:
    eta = fit["intercept"] + fit["slope"] * demand
    return np.asarray(expit(eta) if fit["link"] == "logit" else ndtr(eta))


def _curve(axes: Axes, group: Record) -> None:
    """Both links, and the band of the likelier."""
    demand = np.linspace(*axes.get_xlim(), 400)
    for link, fit in group["fits"].items():
        axes.plot(demand, _chance(fit, demand), color=BLACK, linestyle=_DASHES[link], zorder=4,
                  linewidth=2.2 if link == group["link"] else 1.2, label=f"{link} curve")
    band = group["band"]
    known = np.array([point["probability"] for point in band])
    chance = np.linspace(known.min(), known.max(), 200)
    # Straight between its points on the logistic scale, where a curve is nearly straight too.
    low, high = (np.interp(logit(chance), logit(known),
                           [end if point[name] is None else point[name] for point in band])
                 for name, end in zip(("low", "high"), axes.get_xlim(), strict=True))
    axes.fill_betweenx(chance, low, high, color=_BAND, linewidth=0, zorder=0,
                       label="95 % interval of the thick one")


def _other(axes: Axes, other: Record) -> None:
    demand = np.linspace(*axes.get_xlim(), 400)
    axes.plot(demand, _chance(other["fits"][other["link"]], demand), color=_GREY, linewidth=1.8,
              linestyle=":", zorder=3, label="curve of the other panel")


def _lots(axes: Axes, group: Record) -> None:
    """Observed shares with their exact intervals."""
    for lot in group["goodness"]["lots"]:
        centre, share = (lot["least"] + lot["greatest"]) / 2, lot["share"]
        axes.errorbar(
            [centre], [share["observed"]], xerr=(lot["greatest"] - lot["least"]) / 2,
            yerr=[[share["observed"] - share["low"]], [share["high"] - share["observed"]]],
            fmt="P", markersize=6.5, markerfacecolor=WHITE, markeredgecolor=_GREY, ecolor=_GREY,
            elinewidth=1.0, capsize=2.5, zorder=2,
            label="share of a lot, 95 % interval")


def _height(axes: Axes, group: Record) -> None:
    """The height climbed: the bound, and the estimate."""
    found, unit = group["climbed"], group["conditions"]["unit"]
    at, low = found["reliability"], found["low"]
    axes.axhline(at, color=PURPLE, linewidth=0.8, linestyle=":", zorder=1)
    left, right = axes.get_xlim()
    none = low is None or low <= 0
    axes.plot([left if none else low, found["estimate"]], [at, at], color=PURPLE, linewidth=2.6,
              zorder=5, label=f"{of_hundred(at)}: bound to estimate")
    axes.plot([found["estimate"]], [at], marker="|", markersize=13, markeredgewidth=2.6,
              color=PURPLE, zorder=5)
    if not none:
        axes.plot([low, low], [0, at], color=PURPLE, linewidth=2.0, linestyle="-.", zorder=5)
    words = ("no bound above 0" if none else measure(low, unit)) + (
        f"\nat {percent(found['confidence'])} confidence")
    # On the side with room; low down, where the curve is farther to the right.
    place = left if none else low
    on_left = place - left > _ROOM * (right - left)
    axes.annotate(words, (place, 0.16), xytext=(-6 if on_left else 6, 0), va="center",
                  textcoords="offset points", ha="right" if on_left else "left",
                  fontsize=_FONT_PT, fontweight="bold", zorder=8,
                  path_effects=cased_line(3.0))


def _trials(axes: Axes, group: Record, strip: _Strips) -> None:
    trials, simulated = group["trials"], group["simulated"]
    demand = np.array([trial["demand"] for trial in trials])
    sigma = np.array([trial["sigma"] for trial in trials])
    axes.hlines(strip.places, demand - sigma, demand + sigma, color=_GREY, linewidth=0.9, zorder=6)
    for word, (shape, colour) in _SHAPES.items():
        which = np.array([trial["outcome"] == word for trial in trials])
        if which.any():
            axes.plot(demand[which], strip.places[which], linestyle="", marker=shape,
                      markersize=strip.marker_pt, color=WHITE if simulated else colour,
                      markeredgewidth=0.9, markeredgecolor=BLACK, zorder=7,
                      label=f"{word}{', simulated' if simulated else ''}")


def _legend(panels: Iterable[Axes]) -> tuple[list[Artist], list[str]]:
    """Each label once."""
    found: dict[str, Artist] = {}
    for axes in panels:
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            found.setdefault(label, handle)
    return list(found.values()), list(found)


__all__ = ["stacked", "tune_curve_figure", "tune_curve_plot"]
