"""Plots of a campaign: verdicts by day, causes, and how pictures and rigs went. No clock.

Blue and solid is go or the left picture, orange and hatched or hollow ask-ground or the right one;
a word, a hatch or a shape always stands beside the colour. Many pairs are shown by medians with
their spread, never one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Patch
from matplotlib.ticker import MaxNLocator

from hazcam.campaign.summary.course import DAY_NOT_STATED, Course, Steps, day_of
from hazcam.campaign.summary.drift_course import ANGLES, RigDrift
from hazcam.campaign.summary.dust import DustSpot
from hazcam.campaign.summary.rig_days import RigDay
from hazcam.campaign.summary.summary import CampaignSummary, Sensor
from hazcam.campaign.summary.tally import Tally
from hazcam.frames import Floats
from hazcam.report.campaign_words import cause_text
from hazcam.report.drawing import BLACK, BLUE, ORANGE, WHITE, png
from hazcam.report.drift_record import SENSES

_FONT_PT = 10.0
_WIDE_IN = 8.6
_MOST_CAUSES = 12
_DAY_S = 86400.0
_GREY = "#8C8C8C"
_MARKER = {"left": "o", "right": "s"}
_QUALITY_LABELS = {
    "mean_grey": ("mean grey\n[of 255]", 1.0), "saturated": ("saturated\n[%]", 100.0),
    "dark": ("too dark\n[%]", 100.0), "blur": ("blur, 0 sharp\nto 1", 1.0),
    "lost": ("lost blocks\n[%]", 100.0)}


def days_plot(summary: CampaignSummary) -> bytes | None:
    """PNG: verdicts straight ahead by day; None where no pair states its day, or only far ones."""
    far = {day_of(when) for _, when in summary.far_times}
    stated = [t for t in summary.by_day if t.name not in {DAY_NOT_STATED, *far}]
    if not stated:
        return None
    figure = Figure(figsize=(_WIDE_IN, 3.4), facecolor=WHITE, layout="constrained")
    axes = figure.subplots()
    days = np.array([(date.fromisoformat(t.name) - date(1970, 1, 1)).days for t in stated])
    bottom = np.zeros(len(days))
    for _, counts, style in _parts(stated):
        axes.bar(days, counts, bottom=bottom, width=0.86, lw=0.4, edgecolor=BLACK, **style)
        bottom += counts
    axes.set_xlim(days.min() - 0.9, days.max() + 0.9)
    _dates(axes)
    axes.set(ylabel="pairs")
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    figure.legend(handles=[Patch(edgecolor=BLACK, lw=0.4, label=name, **style)
                           for name, counts, style in _parts(stated) if counts.any()],
                  loc="outside lower center", ncol=4, fontsize=_FONT_PT - 1, frameon=False)
    return _finished(figure)


def _parts(tallies: Sequence[Tally]) -> list[tuple[str, Floats, dict[str, Any]]]:
    """What a bar is made of, from below: name, counts, style."""
    def counts(name: str) -> Floats:
        return np.array([getattr(t, name) for t in tallies], dtype=np.float64)

    return [
        ("go straight ahead", counts("ahead_go"), {"facecolor": BLUE}),
        ("ask-ground straight ahead", counts("ahead_ask"), {"facecolor": ORANGE, "hatch": "///"}),
        ("not judged straight ahead", counts("ahead_not_judged"),
         {"facecolor": "#D8D8D8", "hatch": "..."}),
        ("failed", counts("failed"), {"facecolor": WHITE, "hatch": "xxx"}),
    ]


def causes_plot(summary: CampaignSummary) -> bytes | None:
    """PNG: first causes of ask-ground, straight ahead and over all headings."""
    shown = summary.causes[:_MOST_CAUSES]
    if not shown:
        return None
    figure = Figure(figsize=(_WIDE_IN, 1.1 + 0.32 * len(shown)), facecolor=WHITE,
                    layout="constrained")
    left, right = figure.subplots(1, 2, sharey=True)
    rows = np.arange(len(shown))
    for axes, counts, title in ((left, [c.ahead for c in shown], "straight ahead: pairs"),
                                (right, [c.headings for c in shown], "all headings")):
        axes.barh(rows, counts, height=0.66, facecolor=ORANGE, edgecolor=BLACK, lw=0.4,
                  hatch="///")
        for row, count in zip(rows, counts, strict=True):
            axes.annotate(f"{count}", (count, row), xytext=(4, 0), textcoords="offset points",
                          va="center", fontsize=_FONT_PT - 1)
        axes.set_xlim(0, 1.18 * max(*counts, 1))
        axes.set_title(title)
        axes.xaxis.set_major_locator(MaxNLocator(5, integer=True))
    left.set_yticks(rows, [cause_text(c.kind, c.reason) for c in shown])
    left.invert_yaxis()
    return _finished(figure, grid="x")


def quality_plot(courses: Sequence[Course], steps: Steps) -> bytes:
    """PNG: quality of the pictures of a rover, left and right, over the campaign."""
    figure = Figure(figsize=(_WIDE_IN, 7.2), facecolor=WHITE, layout="constrained")
    panels = figure.subplots(len(_QUALITY_LABELS), 1, sharex=True)
    for axes, (name, (label, factor)) in zip(panels, _QUALITY_LABELS.items(), strict=True):
        for course in courses:
            band = course.bands[name]
            _points(axes, _along(course, steps), factor * band.median,
                    factor * band.low, factor * band.high, course.side)
        axes.set_ylabel(label)
        axes.margins(y=0.15)
        if factor == 100.0:
            axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]), top=max(1.0, axes.get_ylim()[1]))
    _time_axis(panels[-1], steps)
    _legend(figure, [_key(c.side) for c in courses])
    return _finished(figure)


def drift_plot(drift: RigDrift, steps: Steps) -> bytes | None:
    """PNG: turn of the right camera of a rig over the campaign; None where nothing shows it."""
    if drift.course is None:
        return None
    figure = Figure(figsize=(_WIDE_IN, 1.0 + 1.75 * len(ANGLES)), facecolor=WHITE,
                    layout="constrained")
    panels = figure.subplots(len(ANGLES), 1, sharex=True)
    for axes, name in zip(panels, ANGLES, strict=True):
        _angle(axes, drift.course, name, steps)
    _time_axis(panels[-1], steps)
    sigma = Line2D([], [], color=BLACK, ls="", marker="_", ms=8,
                   label="median ± standard deviation of a single pair")
    _legend(figure, [_key(""), sigma])
    return _finished(figure)


def _angle(axes: Axes, course: Course, name: str, steps: Steps) -> None:
    band, sigma = course.bands[f"{name}_deg"], course.bands[f"{name}_sigma_deg"]
    along = _along(course, steps)
    for sign in (-1, 1):
        axes.plot(along, band.median + sign * sigma.median, color=BLACK, ls="", marker="_", ms=7)
    _points(axes, along, band.median, band.low, band.high, "")
    axes.axhline(0.0, color=_GREY, lw=0.8)
    axes.set_ylabel(f"{name} [°]")
    axes.set_title(f"positive: {SENSES[name]}", loc="left", fontsize=_FONT_PT)
    axes.margins(y=0.15)


def rows_plot(days: Sequence[RigDay]) -> bytes | None:
    """PNG: how far rows are off on each day with a rig on a rover; None where it is not known.

    The scale is that of the usual days: it reaches three times the upper quartile of their medians,
    at least 2 px. What lies beyond is marked at the rim, with its number.
    """
    shown = [d for d in days if d.known]
    if not shown:
        return None
    top_px = max(2.0, 3 * float(np.percentile([d.median_px for d in shown], 75,
                                              method="closest_observation")))
    figure = Figure(figsize=(_WIDE_IN, 3.2), facecolor=WHITE, layout="constrained")
    axes = figure.subplots()
    for at, d in enumerate(shown):
        axes.plot([at, at], np.minimum([d.low_px, d.high_px], top_px), color=BLUE, lw=1.4)
        axes.plot([at - 0.3, at + 0.3], np.minimum([d.first_px, d.last_px], top_px), color=BLACK,
                  lw=1.0, ls="--", marker="|", ms=7)
        axes.plot(at, min(d.median_px, top_px), "o", color=BLUE, ms=5)
        if max(d.high_px, d.first_px, d.last_px) > top_px:
            axes.plot(at, top_px, "^", color=BLACK, ms=8, mfc=WHITE, clip_on=False)
            axes.annotate(f"up to {d.high_px:.1f}", (at, top_px), xytext=(8, -4),
                          textcoords="offset points", fontsize=_FONT_PT, va="top")
    axes.set(xlim=(-0.6, len(shown) - 0.4), ylim=(0, top_px), ylabel="rows off [px]")
    every = -(-len(shown) // 12)
    axes.set_xticks(range(0, len(shown), every), [d.day for d in shown[::every]], rotation=20)
    _legend(figure, [_key(""), Line2D([], [], color=BLACK, ls="--", marker="|", ms=7,
                                      label="from the first third of the day to the last"),
                     Line2D([], [], color=BLACK, ls="", marker="^", ms=8, mfc=WHITE,
                            label="beyond the scale")])
    return _finished(figure)


def dust_plot(sensor: Sensor, spots: Sequence[DustSpot]) -> bytes:
    """PNG: where on each lens of a rig dark spots stay put, as large as they are."""
    sides = ("left", "right")
    each_in = _WIDE_IN / 2
    figure = Figure(figsize=(_WIDE_IN, 0.5 + each_in * sensor.height_px / sensor.width_px),
                    facecolor=WHITE, layout="constrained")
    for axes, side in zip(figure.subplots(1, 2), sides, strict=True):
        axes.set(xlim=(0, sensor.width_px), ylim=(sensor.height_px, 0), aspect="equal",
                 title=f"{side} camera", facecolor="#EDEDED")
        mine = [spot for spot in spots if spot.side == side]
        for number, spot in enumerate(mine, start=1):
            axes.add_patch(Circle((spot.column_px, spot.row_px), spot.radius_px, fc="#505050",
                                  ec=BLACK, lw=0.8))
            axes.annotate(f"{number}", (spot.column_px, spot.row_px), xytext=(7, 7),
                          textcoords="offset points", fontsize=_FONT_PT, fontweight="bold")
        if not mine:
            axes.text(0.5, 0.5, "none found", transform=axes.transAxes, ha="center",
                      fontsize=_FONT_PT)
    return _finished(figure, grid=None)


def _points(
    axes: Axes, along: Floats, median: Floats, low: Floats, high: Floats, side: str
) -> None:
    known = np.isfinite(median)
    spread = np.stack([median - low, high - median])[:, known]
    colour = ORANGE if side == "right" else BLUE
    axes.errorbar(along[known], median[known], yerr=spread, fmt=_MARKER.get(side, "o"),
                  color=BLACK if side == "right" else BLUE, ecolor=colour, elinewidth=1.4, ms=4.5,
                  mfc=WHITE if side == "right" else BLUE, mew=0.9)


def _key(side: str) -> Line2D:
    words = f"{side} picture: " if side else ""
    right = side == "right"
    return Line2D([], [], ls="-", lw=1.4, color=ORANGE if right else BLUE,
                  marker=_MARKER.get(side, "o"), ms=5, mec=BLACK if right else BLUE,
                  mfc=WHITE if right else BLUE, label=f"{words}median, 10 to 90 % of the pairs")


def _along(course: Course, steps: Steps) -> Floats:
    """Where the steps are along the axis: days as matplotlib counts them, or places.

    Left and right pictures are drawn beside each other.
    """
    at = course.at + {"left": -0.16, "right": 0.16}.get(course.side, 0.0) * np.diff(steps.edges)[0]
    return np.asarray(at / _DAY_S if steps.by_time else at)


def _time_axis(axes: Axes, steps: Steps) -> None:
    if not steps.by_time:
        axes.set_xlabel("place in the manifest: no pair says when it was taken")
        return
    _dates(axes)
    low, high = (steps.edges[[0, -1]] / _DAY_S).tolist()
    axes.set_xlim(low, high)
    axes.set_xlabel("universal time")


def _dates(axes: Axes) -> None:
    """The axis counts days since 1970, as matplotlib does."""
    # Neither is typed in matplotlib.
    locator = AutoDateLocator(minticks=1, maxticks=10)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(
        ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]


def _legend(figure: Figure, handles: Sequence[Line2D]) -> None:
    figure.legend(handles=list(handles), loc="outside lower center", ncol=2,
                  fontsize=_FONT_PT - 1, frameon=False)


def _finished(figure: Figure, grid: str | None = "y") -> bytes:
    for axes in figure.axes:
        for text in (axes.xaxis.label, axes.yaxis.label, axes.title):
            text.set_fontsize(_FONT_PT)
        axes.tick_params(labelsize=_FONT_PT - 0.5)
        if grid == "x":
            axes.grid(axis="x", lw=0.4, color="#CCCCCC")
        elif grid == "y":
            axes.grid(axis="y", lw=0.4, color="#CCCCCC")
        axes.set_axisbelow(True)
    return png(figure)
