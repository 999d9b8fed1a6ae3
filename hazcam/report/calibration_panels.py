"""What the figures of a solved rig share: panels, frames of pictures, names of views, key."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from hazcam.calibration.solution import RigSolution
from hazcam.report.drawing import BLUE, ORANGE, WHITE, png

SIDES = ("left", "right")
# The left camera is plain, the right one hatched.
LOOKS: tuple[dict[str, Any], ...] = ({"facecolor": BLUE}, {"facecolor": ORANGE, "hatch": "//"})
FONT_PT = 10.0
# A wide screen shows this at its own size, one of 1500 px at three quarters of it.
WIDTH_IN = 17.0
# A mean or a median of fewer corners says little.
LEAST_CORNERS = 5
_SIGN_IN = 0.09
_NAME_IN = 0.17  # of a name that stands upright


def panels(count: int, height_in: float) -> tuple[Figure, Sequence[Axes]]:
    """A figure with so many panels side by side."""
    figure = Figure(figsize=(WIDTH_IN, height_in), facecolor=WHITE, layout="constrained")
    return figure, list(figure.subplots(1, count, squeeze=False)[0])


def picture_row_in(solution: RigSolution, count: int) -> float:
    """Height of a row of so many pictures side by side, with their axes. [inch]"""
    width, height = solution.rig.size
    return (WIDTH_IN / count - 0.6) * height / width + 0.7


def picture_axes(axes: Axes, solution: RigSolution, title: str) -> None:
    """Make a panel the frame of a picture."""
    width, height = solution.rig.size
    axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5), aspect="equal",
             xlabel="column [px]", ylabel="row [px]")
    axes.set_title(title, loc="left")


def name_views(axes: Axes, names: Sequence[str], width_in: float) -> None:
    """Names of views below an axis of that width: upright if long, some left out if many."""
    upright = max(map(len, names), default=0) * len(names) * _SIGN_IN > width_in
    step = math.ceil(len(names) * _NAME_IN / width_in)
    axes.set_xticks(range(0, len(names), max(step, 1)), names[:: max(step, 1)],
                    rotation=90 if upright else 0)


def legend_below(figure: Figure, handles: Sequence[Line2D | Patch]) -> None:
    """What the marks mean, in one row below all panels."""
    figure.legend(handles=handles, loc="outside lower center", ncol=len(handles), frameon=False,
                  fontsize=FONT_PT)


def finished(figure: Figure, grid: Literal["x", "y", "both"] | None = None) -> bytes:
    """The figure as PNG, with letters of one size and, where asked for, a grid."""
    for axes in figure.axes:
        for text in (axes.xaxis.label, axes.yaxis.label):
            text.set_fontsize(FONT_PT)
        for place in ("left", "center"):
            axes.set_title(axes.get_title(place), loc=place, fontsize=FONT_PT + 1)
        axes.tick_params(labelsize=FONT_PT - 0.5)
        if grid is not None:
            axes.grid(axis=grid, lw=0.4, color="#CCCCCC")
        axes.set_axisbelow(True)
    return png(figure)
