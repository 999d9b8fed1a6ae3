"""The cross-section of one heading as a figure: why it is clear, or why it is not.

Above, to scale: the whole swath with the rover standing at its first cause. Below, with the heights
exaggerated as stated: the three lanes of the swath, each cell as wide as it is, a gap where nothing
was seen. What was not seen is hatched up to its ceiling and down out of the picture, because how
deep it reaches is not bounded.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Arc, Patch, Polygon
from matplotlib.ticker import MultipleLocator
from matplotlib.transforms import Affine2D

from hazcam.assess import Assessment
from hazcam.frames import heading_text
from hazcam.report.drawing import (
    BLACK,
    BLUE,
    CAPTION_LINE_IN,
    DPI,
    FONT_PT,
    PURPLE,
    TITLE_PT,
    UNSEEN,
    UNSEEN_EDGE,
    WHITE,
    WIDTH_IN,
    cased_line,
    legend_in,
    png,
)
from hazcam.report.record import attitude_record, near_strip_record
from hazcam.rover import RoverProfile
from hazcam.terrain import CellState
from hazcam.verdict import CrossSection, Lane
from hazcam.verdict.record import Profile

_LEFT_IN, _RIGHT_IN = 0.8, 1.2
_GAP_IN = 0.16
_MOST_IN = 1.95  # the tallest that a panel may be
_EXAGGERATIONS = (5, 4, 3, 2, 1)
_PAD_M = 0.015
_MARK_EVERY_M = 0.05
_SURFACE = "#9CC4DE"  # a light tint of the blue of the measured line
_BAND = "#4A9CCB"
_LIMIT_DASHES = {"step": (0, (6, 2)), "belly": (0, (6, 2, 1, 2)), "drop": (0, (6, 2))}
_BEFORE = (0, (1.5, 1.5))
_TITLE_SIGNS, _LINE_SIGNS = 74, 112


@dataclass(frozen=True, kw_only=True)
class _Panel:
    """What a panel shows: heights [m], their exaggeration, and its own height [inch]."""

    low_m: float
    high_m: float
    exaggeration: int
    height_in: float


def section_figure(assessment: Assessment, section: CrossSection) -> bytes:
    """PNG: the ground along one heading, its limits, and the rover to scale.

    Parameters
    ----------
    assessment : Assessment
        That the section was cut from: for the names and what was assumed.
    section : CrossSection
        From ``cross_section``.
    """
    rover = assessment.rover
    start, stop = -rover.body.length_m - 0.03, float(section.station_m[-1]) + 0.03
    per_m = (WIDTH_IN - _LEFT_IN - _RIGHT_IN) / (stop - start)
    whole = _panel(section, per_m, (1,), _rover_range_m(rover, section))
    shared = _panel(section, per_m, _EXAGGERATIONS, ())
    figure, panels = _page(assessment, section, [whole, shared, shared, shared])
    for axes in panels:
        axes.set_xlim(start, stop)
    _draw_swath(panels[0], section, whole, rover)
    for axes, lane in zip(panels[1:], section.lanes, strict=True):
        _draw_lane(axes, section, lane, shared)
    panels[-1].set_xlabel("along the heading from the nose [m]", fontsize=FONT_PT)
    return png(figure)


def _panel(
    section: CrossSection, per_m: float, exaggerations: tuple[int, ...],
    rover_m: tuple[float, ...],
) -> _Panel:
    """Heights that show what was seen and the limits, as much exaggerated as there is room for."""
    step, drop = section.limits.step.value, section.limits.drop.value
    lows = [np.fmin.reduce(np.fmin(lane.lowest_m, lane.ground_m - drop), initial=-drop)
            for lane in section.lanes]
    highs = [np.fmax.reduce(np.fmax(lane.highest_m, lane.ground_m + step), initial=step)
             for lane in section.lanes]
    low, high = min(*lows, *rover_m) - _PAD_M, max(*highs, *rover_m) + _PAD_M
    chosen = next((e for e in exaggerations if (high - low) * per_m * e <= _MOST_IN),
                  exaggerations[-1])
    # What is too tall even so is cut at the top and marked there.
    high = min(high, low + 1.6 * _MOST_IN / per_m)
    return _Panel(low_m=low, high_m=high, exaggeration=chosen,
                  height_in=(high - low) * per_m * chosen)


def _page(
    assessment: Assessment, section: CrossSection, panels: list[_Panel]
) -> tuple[Figure, list[Axes]]:
    """Title, one axes for each panel, legend and captions, from the top to the bottom."""
    title, reason = _title(assessment, section), _reason(section)
    captions = _captions(assessment, section)
    keys = _key(section, panels)
    title_in = 0.12 + 0.22 * (title.count("\n") + 1) + CAPTION_LINE_IN * (reason.count("\n") + 1)
    captions_in = 0.12 + CAPTION_LINE_IN * (captions.count("\n") + 1)
    below = captions_in + legend_in(len(keys)) + 0.5
    total = below + title_in + 0.08 + sum(p.height_in + _GAP_IN for p in panels)
    figure = Figure(figsize=(WIDTH_IN, total), dpi=DPI, facecolor=WHITE)
    figure.text(0.01, 1 - 0.08 / total, title, fontsize=TITLE_PT, fontweight="bold", va="top")
    figure.text(0.01, 1 - (0.12 + 0.22 * (title.count("\n") + 1)) / total, reason,
                fontsize=FONT_PT, va="top")
    figure.text(0.01, 0.06 / total, captions, fontsize=FONT_PT, va="bottom", color="#333333")
    figure.legend(handles=keys, loc="lower center", ncol=2, fontsize=FONT_PT, frameon=False,
                  bbox_to_anchor=(0.5, captions_in / total), borderpad=0.2, handleheight=1.0)
    drawn, top = [], total - title_in - 0.08
    for panel in panels:
        bottom = top - panel.height_in
        axes = figure.add_axes((_LEFT_IN / WIDTH_IN, bottom / total,
                                (WIDTH_IN - _LEFT_IN - _RIGHT_IN) / WIDTH_IN,
                                panel.height_in / total))
        axes.set_ylim(panel.low_m, panel.high_m)
        axes.tick_params(labelsize=FONT_PT, labelbottom=False)
        axes.xaxis.set_major_locator(MultipleLocator(0.1))
        axes.yaxis.set_major_locator(MultipleLocator(0.05 if panel.height_in < 2.2 else 0.1))
        axes.set_ylabel("height [m]", fontsize=FONT_PT)
        drawn.append(axes)
        top = bottom - _GAP_IN
    drawn[-1].tick_params(labelbottom=True)
    return figure, drawn


def _title(assessment: Assessment, section: CrossSection) -> str:
    return textwrap.fill(f"{assessment.pair.id}, {heading_text(section.heading_deg)}: "
                         f"{section.verdict.verdict}", _TITLE_SIGNS)


def _reason(section: CrossSection) -> str:
    """How far it is clear, and what comes then."""
    verdict = section.verdict
    assumed = f" (the first {verdict.assumed_m:.2f} m assumed)" if verdict.assumed_m > 0 else ""
    more = f" (and {len(verdict.causes) - 1} more)" if len(verdict.causes) > 1 else ""
    then = (f"first cause: {verdict.causes[0].text}{more}" if verdict.causes
            else "nothing speaks against it within the look-ahead")
    return textwrap.fill(f"clear for {verdict.clear_m:.2f} m from the nose{assumed}; {then}",
                         _LINE_SIGNS)


def _captions(assessment: Assessment, section: CrossSection) -> str:
    standing = section.standing
    where = ("with its nose at the first cause" if section.verdict.causes
             else "with its nose at the end of the look-ahead")
    ground = ("the local ground under its hips" if standing.on_ground else
              "the plane of its feet: the local ground is not known under all hips")
    lines = ("heights are against gravity, from the rover origin; the rover is to scale, "
             f"{where}, on {ground}; its body is drawn from the underside to the hips",
             f"attitude {attitude_record(assessment)['text']}",
             near_strip_record(assessment)["text"])
    return "\n".join(textwrap.fill(line, _LINE_SIGNS + 6) for line in lines)


def _key(section: CrossSection, panels: list[_Panel]) -> list[Line2D | Patch]:
    """Legend of what there is."""
    states = {int(s) for lane in section.lanes for s in np.unique(lane.unseen_state)}
    found: list[Line2D | Patch] = [
        Patch(facecolor=grey, hatch=hatch, edgecolor=UNSEEN_EDGE[state], lw=0.6,
              label=f"up to its ceiling, {words}")
        for state, (grey, hatch, words) in UNSEEN.items() if state in states]
    lowest_top_m = min(p.high_m for p in panels)
    if any(np.any(lane.ceiling_m > lowest_top_m) for lane in section.lanes):
        found.append(Line2D([], [], color=BLACK, marker="$\\uparrow$", ls="", ms=9,
                             label="higher than shown, or nothing bounds it"))
    if any(np.any(lane.from_previous) for lane in section.lanes):
        found.append(Line2D([], [], color=BLUE, lw=1.8, ls=_BEFORE,
                             label="measured on the previous pair alone"))
    if section.assumed_m > 0:
        found.append(Line2D([], [], color=PURPLE, lw=1.8, ls="-.",
                             label="near strip: what is out of view is assumed clear"))
    return [
        Line2D([], [], color=BLUE, lw=1.8, label="measured along the line of the lane"),
        Patch(facecolor=_BAND, label="± two standard deviations of it"),
        Patch(facecolor=_SURFACE, label="lowest to highest that was seen across"),
        Line2D([], [], color="#404040", lw=1.2, ls=":", label="local ground"),
        Line2D([], [], color=BLACK, lw=1.2, ls=_LIMIT_DASHES["step"],
               label="limits about the local ground, named beside"),
        *found,
        Line2D([], [], color=BLACK, marker="X", ls="-", lw=0.8, ms=8, mec=WHITE,
               label="first cause" if section.verdict.causes else "end of the look-ahead"),
    ]


def _edges(section: CrossSection, first: int = 0, last: int | None = None) -> Profile:
    """Edges of the cells of some stations. [m]"""
    station = section.station_m[first:last]
    return np.append(station - section.cell_m / 2, station[-1] + section.cell_m / 2)


def _runs(values: np.ndarray) -> Iterator[tuple[int, int]]:
    """First and last + 1 of each run of equal values."""
    breaks = np.nonzero(np.diff(values))[0] + 1
    yield from zip([0, *breaks.tolist()], [*breaks.tolist(), values.size], strict=True)


def _draw_swath(axes: Axes, section: CrossSection, panel: _Panel, rover: RoverProfile) -> None:
    """All three lanes over each other, and the rover, to scale."""
    for lane in section.lanes:
        _draw_unseen(axes, section, lane, panel)
    axes.stairs(section.highest_m, _edges(section), baseline=section.lowest_m, fill=True,
                color=_SURFACE, zorder=3)
    axes.stairs(section.highest_m, _edges(section), baseline=None, color=BLUE, lw=1.2, zorder=3)
    _draw_references(axes, section, section.lanes[1], panel)
    _draw_rover(axes, section, rover)
    axes.text(0.008, 0.05, "whole swath, to scale", transform=axes.transAxes, fontsize=FONT_PT,
              va="bottom", zorder=12)


def _draw_lane(axes: Axes, section: CrossSection, lane: Lane, panel: _Panel) -> None:
    """One lane: its line, what its whole width holds, and what it is compared with."""
    edges = _edges(section)
    _draw_unseen(axes, section, lane, panel)
    axes.stairs(lane.highest_m, edges, baseline=lane.lowest_m, fill=True, color=_SURFACE, zorder=3)
    axes.stairs(lane.mean_m + 2 * lane.sigma_m, edges, baseline=lane.mean_m - 2 * lane.sigma_m,
                fill=True, color=_BAND, zorder=4)
    axes.stairs(lane.mean_m, edges, baseline=None, color=BLUE, lw=1.6, zorder=5)
    before = np.where(lane.from_previous, lane.mean_m, np.nan)
    axes.stairs(before, edges, baseline=None, color=WHITE, lw=1.6, ls=_BEFORE, zorder=5)
    _draw_references(axes, section, lane, panel)
    right, left = lane.offset_m
    times = f"heights × {panel.exaggeration}" if panel.exaggeration > 1 else "to scale"
    axes.text(0.008, 0.95, f"{lane.name}\n{_across(right, left)}\n{times}",
              transform=axes.transAxes, fontsize=FONT_PT, va="top", linespacing=1.35, zorder=12)


def _across(right_m: float, left_m: float) -> str:
    """Where a lane lies across the heading, in words."""
    if right_m < 0 < left_m:
        return f"{left_m:.2f} m to either side"
    side = "left" if left_m > 0 else "right"
    near, far = sorted((abs(right_m), abs(left_m)))
    return f"{near:.2f} to {far:.2f} m {side}"


def _draw_unseen(axes: Axes, section: CrossSection, lane: Lane, panel: _Panel) -> None:
    """Hatch what was not seen, up to its ceiling and down out of the picture."""
    for first, last in _runs(lane.unseen_state):
        state = CellState(int(lane.unseen_state[first]))
        if state == CellState.SEEN:
            continue
        grey, hatch, _ = UNSEEN[state]
        top = np.clip(lane.ceiling_m[first:last], panel.low_m, panel.high_m)
        axes.stairs(top, _edges(section, first, last), baseline=panel.low_m, fill=True, fc=grey,
                    ec=UNSEEN_EDGE[state], hatch=hatch, lw=0.0, zorder=1)
        axes.stairs(top, _edges(section, first, last), baseline=None, lw=1.0,
                    color=UNSEEN_EDGE[state], zorder=2)
    cut = np.nonzero(lane.ceiling_m > panel.high_m)[0]
    # At the same stations in every lane, so that they lie on each other in the whole swath.
    regular = cut[cut % max(round(_MARK_EVERY_M / section.cell_m), 1) == 0]
    marked = regular if regular.size else cut[:1]
    mark_m = panel.high_m - 0.09 * (panel.high_m - panel.low_m)
    axes.plot(section.station_m[marked], np.full(marked.size, mark_m), ls="", ms=9,
              marker="$\\uparrow$", color=BLACK, zorder=10, path_effects=cased_line(2))


def _draw_references(axes: Axes, section: CrossSection, lane: Lane, panel: _Panel) -> None:
    """Local ground, limits about it, the near strip and the first cause."""
    edges, assumed_m, limits = _edges(section), section.assumed_m, section.limits
    axes.stairs(lane.ground_m, edges, baseline=None, color="#404040", lw=1.2, ls=":", zorder=6)
    step, belly = limits.step.value, limits.belly.value
    # The two upper limits lie close together: the labels of both keep away from the other.
    for name, signed, anchor in (("step", step, "bottom" if step >= belly else "top"),
                                 ("belly", belly, "top" if step >= belly else "bottom"),
                                 ("drop", -limits.drop.value, "center")):
        axes.stairs(lane.ground_m + signed, edges, baseline=None, color=BLACK, lw=1.2,
                    ls=_LIMIT_DASHES[name], zorder=7, path_effects=cased_line(2.2))
        known = np.nonzero(np.isfinite(lane.ground_m))[0]
        if known.size:
            axes.annotate(f"{name} {abs(signed):.3f} m",
                          (1.01, lane.ground_m[known[-1]] + signed), annotation_clip=False,
                          xycoords=("axes fraction", "data"), fontsize=FONT_PT, va=anchor)
    if assumed_m > 0:
        axes.axvspan(0.0, assumed_m, color=PURPLE, alpha=0.13, lw=0, zorder=0)
        axes.axvline(assumed_m, color=PURPLE, lw=1.8, ls="-.", zorder=8,
                     path_effects=cased_line(3.2))
    axes.axvline(0.0, color="#808080", lw=0.6, zorder=0)
    at = section.standing.nose_m
    axes.axvline(at, color=BLACK, lw=0.8, zorder=8)
    axes.plot([at], [panel.low_m + 0.07 * (panel.high_m - panel.low_m)], marker="X", ms=9,
              color=BLACK, mec=WHITE, zorder=11)


def _rover_range_m(rover: RoverProfile, section: CrossSection) -> tuple[float, float]:
    """Lowest and highest point of the rover as it is drawn. [m]"""
    slope = abs(math.tan(math.radians(section.standing.pitch_deg)))
    height, lean = section.standing.height_m, slope * rover.body.length_m / 2
    return height - lean, height + lean + rover.legs.length_m


def _draw_rover(axes: Axes, section: CrossSection, rover: RoverProfile) -> None:
    """From its side, as it would stand there."""
    standing = section.standing
    turn = (Affine2D().rotate_deg(-standing.pitch_deg)
            .translate(standing.nose_m - rover.body.nose_m, standing.height_m))
    axes.add_patch(Polygon(turn.transform(_body(rover)), closed=True, fc="#E6E6E6", ec=BLACK,
                           lw=1.4, zorder=9))
    legs, per_side = rover.legs, rover.legs.count // 2
    for i in range(per_side):
        along = (i - (per_side - 1) / 2) * legs.hip_spacing_m
        centre = turn.transform((along, legs.length_m / 2))
        # The C hangs from the hip, its back to the front, its tip on the ground below the hip.
        axes.add_patch(Arc(tuple(centre), legs.length_m, legs.length_m, angle=-standing.pitch_deg,
                           theta1=-legs.arc_deg / 2, theta2=legs.arc_deg / 2, ec=BLACK, lw=2.4,
                           zorder=10))


def _body(rover: RoverProfile) -> np.ndarray:
    """Corners of the body from its side, from the body centre on the plane of the feet. [m]"""
    body = rover.body
    back, top = body.nose_m - body.length_m, max(rover.legs.length_m, body.underside_m)
    return np.array([(back, body.underside_m), (body.nose_m, body.underside_m),
                     (body.nose_m, top), (back, top)])
