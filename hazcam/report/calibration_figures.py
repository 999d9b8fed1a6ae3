"""Figures of a solved rig: coverage and views. No clock, no randomness.

The left camera is blue and plain, the right one orange and hatched; what was found held out is
purple or black. Words, hatches and shapes stand beside every colour.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from numpy.typing import NDArray

from hazcam.calibration.solution import RigSolution, ViewReport
from hazcam.calibration.views import Fate
from hazcam.report.calibration_panels import (
    FONT_PT,
    LOOKS,
    SIDES,
    WIDTH_IN,
    finished,
    legend_below,
    name_views,
    panels,
    picture_axes,
    picture_row_in,
)
from hazcam.report.drawing import BLACK, BLUE, PURPLE, WHITE

_EMPTY_GREY = "#DDDDDD"
_NOT_USED = (Fate.DROPPED, Fate.NOT_FOUND)


# --- coverage -------------------------------------------------------------------------------------


def coverage_figure(solution: RigSolution) -> bytes:
    """PNG: where corners lie in both pictures, by cell; distance and tilt of the views."""
    figure, parts = panels(3, picture_row_in(solution, 3) + 0.5)
    corners, coverage = solution.corners, solution.coverage
    for axes, side, here, cells in zip(parts, SIDES, (~corners.right, corners.right),
                                       (coverage.left, coverage.right), strict=False):
        picture_axes(axes, solution, f"{side} picture: {(cells > 0).sum()} of {cells.size} cells")
        _draw_cells(axes, cells, solution.rig.size)
        axes.plot(*corners.pixels[here].T, ls="", marker=".", ms=2.2, color=BLUE)
    _draw_poses(parts[2], solution)
    legend_below(figure, [
        Line2D([], [], ls="", marker=".", color=BLUE, label="corner"),
        Patch(facecolor=_EMPTY_GREY, edgecolor=BLACK, hatch="//",
              label="cell without a corner: the lens is extrapolated there"),
    ])
    return finished(figure)


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
    figure, (axes,) = panels(1, 4.2)
    views = solution.views
    for side, (shift, look) in enumerate(zip((-0.2, 0.2), LOOKS, strict=True)):
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
    name_views(axes, [v.id for v in views], WIDTH_IN - 1.0)
    legend_below(figure, [
        *(Patch(edgecolor=BLACK, label=f"{side} picture, fitted", **look)
          for side, look in zip(SIDES, LOOKS, strict=True)),
        Line2D([], [], ls="", marker="D", ms=6, color=PURPLE, mec=BLACK,
               label="both, by the rig without this view (held out)"),
        Line2D([], [], color=BLACK, lw=1.2, ls="--", label=f"median held out, {middle:.2f} px"),
        *([Patch(facecolor=WHITE, edgecolor="#6E6E6E", hatch="xx", label="not used")]
          if any(v.fate in _NOT_USED for v in views) else [])])
    return finished(figure, "y")


def _mark_unused(axes: Axes, i: int, view: ViewReport) -> None:
    if view.fate not in _NOT_USED:
        return
    axes.axvspan(i - 0.42, i + 0.42, facecolor=WHITE, edgecolor="#8C8C8C", hatch="xx", lw=0.7)
    axes.text(i, 0.5, view.fate.value, transform=axes.get_xaxis_transform(), rotation=90,
              ha="center", va="center", fontsize=FONT_PT,
              bbox={"boxstyle": "square,pad=0.2", "fc": WHITE, "ec": BLACK, "lw": 0.6})
