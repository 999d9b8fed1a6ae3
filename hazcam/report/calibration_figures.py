"""Figures of a solved rig: residuals, coverage, views, held-out errors. No clock, no randomness.

The left camera is blue and plain, the right one orange and hatched; what was found held out is
purple or black. Words, hatches and shapes stand beside every colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from numpy.typing import NDArray

from hazcam.calibration.coverage import CELLS
from hazcam.calibration.held_out import shared_points
from hazcam.calibration.solution import RigSolution, ViewReport
from hazcam.calibration.views import Fate
from hazcam.frames import Floats
from hazcam.report.calibration_record import edges_by_view
from hazcam.report.drawing import BLACK, BLUE, ORANGE, PURPLE, WHITE, cased_line, png

SIDES = ("left", "right")
FONT_PT = 10.0
WIDTH_IN = 12.0
_LOOKS: tuple[dict[str, Any], ...] = ({"facecolor": BLUE},
                                      {"facecolor": ORANGE, "hatch": "//"})
# An arrow as long as this share of the picture's width is an ordinary residual.
_ARROW_SHARE = 0.02
_MEAN_ARROW_SHARE = 0.05
_LEAST_IN_CELL = 5
_STANDARD_ERRORS = 3.0
_EMPTY_GREY, _RESIDUAL_GREY = "#DDDDDD", "#767676"
# Row offsets are shown up to this many times what 99 % stay below; those beyond stand at the rim.
_SHOWN = 1.6
_NOT_USED = (Fate.DROPPED, Fate.NOT_FOUND)


# --- residuals ------------------------------------------------------------------------------------


def residuals_figure(solution: RigSolution) -> bytes:
    """PNG: the residual of each corner, and the mean of each cell of the picture, enlarged."""
    corners, residuals = solution.corners, solution.residuals_px
    means = [cell_means(corners.pixels[here], residuals[here], solution.rig.size)
             for here in (~corners.right, corners.right)]
    width = solution.rig.size[0]
    factor = _round_factor(_ARROW_SHARE * width, np.linalg.norm(residuals, axis=1))
    mean_factor = _round_factor(_MEAN_ARROW_SHARE * width,
                                np.concatenate([np.linalg.norm(m.means_px, axis=1) for m in means]))
    figure, panels = _panels(2, _picture_row_in(solution, 2) + 0.45)
    for axes, side, here, mean in zip(panels, SIDES, (~corners.right, corners.right), means,
                                      strict=True):
        _picture_axes(axes, solution, f"{side} picture")
        _arrows(axes, corners.pixels[here], factor * residuals[here], color=_RESIDUAL_GREY,
                width=0.0016)
        _draw_means(axes, mean, mean_factor)
    _legend_below(figure, [
        Line2D([], [], color=_RESIDUAL_GREY, lw=1.0,
               label=f"residual of a corner, {factor:g} times as long"),
        Line2D([], [], color=BLUE, lw=3.0,
               label=f"mean of a cell, {mean_factor:g} times as long, more than chance makes"),
        Line2D([], [], color=BLACK, lw=1.2, label="the same, no more than chance makes")])
    return _finished(figure)


@dataclass(frozen=True, kw_only=True, eq=False)
class CellMeans:
    """Mean residuals of the cells of a picture that hold a few corners.

    Attributes
    ----------
    places_px, means_px : ndarray of shape (N, 2)
        Mean place of the corners and mean of their residuals. [px]
    beyond_chance : ndarray of shape (N,), bool
        The mean is longer than ``_STANDARD_ERRORS`` of its own.
    """

    places_px: Floats
    means_px: Floats
    beyond_chance: NDArray[np.bool_]


def _draw_means(axes: Axes, means: CellMeans, factor: float) -> None:
    for beyond, look in ((False, {"color": BLACK, "width": 0.0025}),
                         (True, {"color": BLUE, "width": 0.007})):
        shown = means.beyond_chance == beyond
        _arrows(axes, means.places_px[shown], factor * means.means_px[shown], **look)


def cell_means(pixels: Floats, residuals_px: Floats, size: tuple[int, int]) -> CellMeans:
    """Means over the cells that coverage is counted in."""
    place = np.clip(((pixels + 0.5) / size * CELLS).astype(int), 0, np.array(CELLS) - 1)
    cell = place[:, 1] * CELLS[0] + place[:, 0]
    found = [np.flatnonzero(cell == i) for i in np.unique(cell)]
    found = [members for members in found if len(members) >= _LEAST_IN_CELL]
    places, means = (np.array([v[members].mean(axis=0) for members in found]).reshape(-1, 2)
                     for v in (pixels, residuals_px))
    errors = np.array([np.linalg.norm(residuals_px[members].std(axis=0, ddof=1))
                       / math.sqrt(len(members)) for members in found])
    return CellMeans(places_px=places, means_px=means,
                     beyond_chance=np.linalg.norm(means, axis=1) > _STANDARD_ERRORS * errors)


def _round_factor(wanted_px: float, lengths_px: Floats) -> float:
    """1, 2 or 5 times a power of ten that makes the usual length about as long as is wanted."""
    usual = float(np.median(lengths_px)) if lengths_px.size else 0.0
    if usual <= 0:
        return 1.0
    factor = wanted_px / usual
    power = 10.0 ** math.floor(math.log10(factor))
    return max(m * power for m in (1, 2, 5) if m * power <= factor)


def _arrows(axes: Axes, pixels: Floats, lengths: Floats, **look: Any) -> None:
    axes.quiver(pixels[:, 0], pixels[:, 1], lengths[:, 0], lengths[:, 1], angles="xy",
                scale_units="xy", scale=1, headwidth=3.5, headlength=4, headaxislength=3.5, **look)


# --- coverage -------------------------------------------------------------------------------------


def coverage_figure(solution: RigSolution) -> bytes:
    """PNG: where corners lie in both pictures, by cell; distance and tilt of the views."""
    figure, panels = _panels(3, _picture_row_in(solution, 3) + 0.5)
    corners, coverage = solution.corners, solution.coverage
    for axes, side, here, cells in zip(panels, SIDES, (~corners.right, corners.right),
                                       (coverage.left, coverage.right), strict=False):
        _picture_axes(axes, solution, f"{side} picture: {(cells > 0).sum()} of {cells.size} cells")
        _draw_cells(axes, cells, solution.rig.size)
        axes.plot(*corners.pixels[here].T, ls="", marker=".", ms=2.2, color=BLUE)
    _draw_poses(panels[2], solution)
    _legend_below(figure, [
        Line2D([], [], ls="", marker=".", color=BLUE, label="corner"),
        Patch(facecolor=_EMPTY_GREY, edgecolor=BLACK, hatch="//",
              label="cell without a corner: the lens is extrapolated there"),
    ])
    return _finished(figure)


def _draw_cells(axes: Axes, cells: NDArray[np.int64], size: tuple[int, int]) -> None:
    rows, columns = cells.shape
    wide, high = size[0] / columns, size[1] / rows
    for row, column in np.argwhere(cells == 0):
        axes.add_patch(Rectangle((column * wide - 0.5, row * high - 0.5), wide, high, lw=0,
                                 facecolor=_EMPTY_GREY, edgecolor="#6E6E6E", hatch="//"))
    for column in range(1, columns):
        axes.axvline(column * wide - 0.5, color="#8C8C8C", lw=0.5)
    for row in range(1, rows):
        axes.axhline(row * high - 0.5, color="#8C8C8C", lw=0.5)


def _draw_poses(axes: Axes, solution: RigSolution) -> None:
    known = [v for v in solution.views if np.isfinite(v.distance_m)]
    axes.plot([v.tilt_deg for v in known], [v.distance_m for v in known], ls="", marker="o", ms=6,
              color=BLUE, mec=BLACK)
    for view in known:
        axes.annotate(view.id, (view.tilt_deg, view.distance_m), (4, 4), fontsize=FONT_PT - 2,
                      textcoords="offset points")
    axes.set(title="how the target was held", xlabel="tilt against the optical axis [°]",
             ylabel="distance of its middle [m]")
    axes.margins(0.15)
    axes.set_box_aspect(solution.rig.size[1] / solution.rig.size[0])
    axes.grid(lw=0.4, color="#CCCCCC")


# --- views ----------------------------------------------------------------------------------------


def views_figure(solution: RigSolution) -> bytes:
    """PNG: residuals of each view, fitted and held out; those not used are hatched."""
    figure, (axes,) = _panels(1, 3.9)
    views = solution.views
    for side, (shift, look) in enumerate(zip((-0.2, 0.2), _LOOKS, strict=True)):
        values = np.array([v.rms_px[side] for v in views])
        axes.bar(np.arange(len(views)) + shift, np.nan_to_num(values), 0.4, edgecolor=BLACK,
                 lw=0.7, **look)
    held = np.array([v.held_out_px for v in views])
    axes.plot(held, ls="", marker="D", ms=6, color=PURPLE, mec=BLACK)
    middle = float(np.nanmedian(held))
    axes.axhline(middle, color=BLACK, lw=1.2, ls="--")
    axes.set_ylim(0, 1.15 * np.nanmax([*held, *(r for v in views for r in v.rms_px)]))
    for i, view in enumerate(views):
        _mark_unused(axes, i, view)
    axes.set(ylabel="residual, rms [px]", xlabel="view", xlim=(-0.7, len(views) - 0.3))
    long = max(len(v.id) for v in views) * len(views) > 100
    axes.set_xticks(range(len(views)), [v.id for v in views], rotation=90 if long else 0)
    _legend_below(figure, [
        *(Patch(edgecolor=BLACK, label=f"{side} picture, fitted", **look)
          for side, look in zip(SIDES, _LOOKS, strict=True)),
        Line2D([], [], ls="", marker="D", ms=6, color=PURPLE, mec=BLACK,
               label="both, by the rig without this view (held out)"),
        Line2D([], [], color=BLACK, lw=1.2, ls="--", label=f"median held out, {middle:.2f} px"),
        *([Patch(facecolor=WHITE, edgecolor="#6E6E6E", hatch="xx", label="not used")]
          if any(v.fate in _NOT_USED for v in views) else [])])
    return _finished(figure, "y")


def _mark_unused(axes: Axes, i: int, view: ViewReport) -> None:
    if view.fate not in _NOT_USED:
        return
    axes.axvspan(i - 0.42, i + 0.42, facecolor=WHITE, edgecolor="#8C8C8C", hatch="xx", lw=0.7)
    axes.text(i, 0.5, view.fate.value, transform=axes.get_xaxis_transform(), rotation=90,
              ha="center", va="center", fontsize=FONT_PT,
              bbox={"boxstyle": "square,pad=0.2", "fc": WHITE, "ec": BLACK, "lw": 0.6})


# --- held out -------------------------------------------------------------------------------------


def held_out_figure(solution: RigSolution) -> bytes:
    """PNG: row offsets over the picture and as a histogram; edges of the target by view."""
    figure = Figure(figsize=(WIDTH_IN, 7.0), facecolor=WHITE, layout="constrained")
    (columns, rows), (counts, edges) = figure.subplots(2, 2)
    offset = solution.held_out.epipolar_px
    pixels = np.concatenate([shared_points(solution.corners, v)[1]
                             for v in range(len(solution.used))])
    for axes, i, word in ((columns, 0, "column"), (rows, 1, "row")):
        _draw_offsets(axes, pixels[:, i], offset, solution.rig.size[i])
        axes.set(title=f"row offset against the {word}", xlabel=f"{word} in the left picture [px]",
                 ylabel="row offset [px]")
    _draw_histogram(counts, offset)
    _draw_edges(edges, solution)
    _legend_below(figure, [
        Line2D([], [], ls="", marker=".", color=BLUE, label="corner, held out"),
        Line2D([], [], ls="", marker="^", ms=6, color=BLUE, mec=BLACK,
               label="farther off, by the number [px]"),
        Line2D([], [], color=BLACK, lw=2.0, marker="s", ms=5, label="median of an eighth"),
        Line2D([], [], color=PURPLE, marker="D", ms=5, mec=BLACK, lw=1.6,
               label="edges of a view: bias, and one spread to both sides")])
    return _finished(figure, "both")


def _draw_offsets(axes: Axes, place_px: Floats, offset_px: Floats, length_px: int) -> None:
    most = _SHOWN * float(np.quantile(np.abs(offset_px), 0.99))
    inside = np.abs(offset_px) <= most
    axes.plot(place_px[inside], offset_px[inside], ls="", marker=".", ms=2.5, color=BLUE)
    for x, y in zip(place_px[~inside], offset_px[~inside], strict=True):
        _mark_beyond(axes, x, y, most)
    axes.set_ylim(-1.12 * most, 1.12 * most)
    axes.axhline(0, color=BLACK, lw=0.8)
    part = np.clip((8 * (place_px + 0.5) / length_px).astype(int), 0, 7)
    there = [i for i in range(8) if (part == i).sum() >= _LEAST_IN_CELL]
    axes.plot([(i + 0.5) * length_px / 8 - 0.5 for i in there],
              [np.median(offset_px[part == i]) for i in there], color=BLACK, lw=2.0, marker="s",
              ms=5, path_effects=cased_line(3.6))
    axes.set_xlim(-0.5, length_px - 0.5)


def _mark_beyond(axes: Axes, place_px: float, offset_px: float, most_px: float) -> None:
    up, place = offset_px > 0, (place_px, math.copysign(most_px, offset_px))
    axes.plot(*place, marker="^" if up else "v", ms=6, color=BLUE, mec=BLACK)
    # Upright, so that neighbours keep out of each other's way.
    axes.annotate(f"{offset_px:+.1f}", place, (0, -5 if up else 5), rotation=90, ha="center",
                  va="top" if up else "bottom", textcoords="offset points", fontsize=FONT_PT - 1)


def _draw_histogram(axes: Axes, offset_px: Floats) -> None:
    axes.hist(offset_px, bins=60, color=BLUE, edgecolor=WHITE, lw=0.3)
    axes.set_yscale("symlog", linthresh=10)
    mean, rms = float(np.abs(offset_px).mean()), float(np.sqrt((offset_px**2).mean()))
    axes.set(title=f"row offset: mean amount {mean:.3f} px, rms {rms:.3f} px",
             xlabel="row offset [px]", ylabel="corners (even up to 10, then by tens)")


def _draw_edges(axes: Axes, solution: RigSolution) -> None:
    pitch_mm = 1e3 * solution.target.pitch_m
    found = [(view, 100 * (edges - 1)) for view, edges
             in zip(solution.used, edges_by_view(solution), strict=True) if edges.size]
    axes.errorbar(range(len(found)), [e.mean() for _, e in found], [e.std() for _, e in found],
                  ls="", marker="D", ms=5, color=PURPLE, mec=BLACK, elinewidth=1.6, capsize=3)
    axes.axhline(0, color=BLACK, lw=0.8)
    axes.set_xticks(range(len(found)), [view for view, _ in found],
                    rotation=90 if max(len(v) for v, _ in found) * len(found) > 45 else 0)
    axes.set(title=f"length of the target's edges ({pitch_mm:g} mm), measured less true",
             xlabel="view, held out", ylabel="of the edge [%]")


# --- frames of figures ----------------------------------------------------------------------------


def _panels(count: int, height_in: float) -> tuple[Figure, Sequence[Axes]]:
    figure = Figure(figsize=(WIDTH_IN, height_in), facecolor=WHITE, layout="constrained")
    return figure, list(figure.subplots(1, count, squeeze=False)[0])


def _picture_row_in(solution: RigSolution, count: int) -> float:
    """Height of a row of so many pictures side by side, with their axes. [inch]"""
    width, height = solution.rig.size
    return (WIDTH_IN / count - 0.6) * height / width + 0.7


def _picture_axes(axes: Axes, solution: RigSolution, title: str) -> None:
    width, height = solution.rig.size
    axes.set(title=title, xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5), aspect="equal",
             xlabel="column [px]", ylabel="row [px]")


def _legend_below(figure: Figure, handles: Sequence[Line2D | Patch]) -> None:
    figure.legend(handles=handles, loc="outside lower center", ncol=len(handles), frameon=False,
                  fontsize=FONT_PT)


def _finished(figure: Figure, grid: str = "") -> bytes:
    for axes in figure.axes:
        for text in (axes.xaxis.label, axes.yaxis.label):
            text.set_fontsize(FONT_PT)
        axes.title.set_fontsize(FONT_PT + 1)
        axes.tick_params(labelsize=FONT_PT - 0.5)
        if grid:
            axes.grid(axis=grid, lw=0.4, color="#CCCCCC")  # type: ignore[arg-type]
        axes.set_axisbelow(True)
    return png(figure)
