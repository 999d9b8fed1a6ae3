"""Figure of what a solved rig leaves over of the corners it was fitted to, as arrows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.quiver import Quiver
from numpy.typing import NDArray

from hazcam.calibration.coverage import CELLS
from hazcam.calibration.solution import RigSolution
from hazcam.frames import Floats
from hazcam.report.calibration_panels import (
    FONT_PT,
    LEAST_CORNERS,
    SIDES,
    finished,
    legend_below,
    panels,
    picture_axes,
    picture_row_in,
)
from hazcam.report.drawing import BLUE

# An arrow as long as this share of the picture's width is an ordinary residual; the longest mean.
_ARROW_SHARE, _LONGEST_MEAN_SHARE = 0.02, 0.12
_KEY_SHARE = 0.1
_STANDARD_ERRORS = 3.0
_GREY = "#767676"
_CHANCE_COLOUR = "#8C8C8C"
_CHANCE_LOOK = {"color": _CHANCE_COLOUR, "width": 0.003}
_BEYOND_LOOK = {"color": BLUE, "width": 0.009}


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


def residuals_figure(solution: RigSolution) -> bytes:
    """PNG: the residual of each corner, and apart from that the mean of each cell, enlarged."""
    corners, residuals = solution.corners, solution.residuals_px
    sides = (~corners.right, corners.right)
    means = [cell_means(corners.pixels[here], residuals[here], solution.rig.size)
             for here in sides]
    width = solution.rig.size[0]
    usual = _quantile(np.linalg.norm(residuals, axis=1), 0.5)
    longest = _quantile(np.concatenate([np.linalg.norm(m.means_px, axis=1) for m in means]), 1.0)
    figure, axes = panels(4, picture_row_in(solution, 4) + 0.45)
    for i, (side, here, mean) in enumerate(zip(SIDES, sides, means, strict=True)):
        picture_axes(axes[i], solution, f"{side}: each corner")
        _arrows(axes[i], corners.pixels[here], residuals[here], width,
                _ARROW_SHARE * width / usual, {"color": _GREY, "width": 0.0025})
        picture_axes(axes[2 + i], solution, f"{side}: mean of each cell")
        _draw_means(axes[2 + i], mean, width, _LONGEST_MEAN_SHARE * width / longest)
    legend_below(figure, [
        Line2D([], [], color=_GREY, lw=1.0, label="residual of a corner"),
        Line2D([], [], color=BLUE, lw=3.5, label="mean of a cell, more than chance gives"),
        Line2D([], [], color=_CHANCE_COLOUR, lw=1.2,
               label="mean of a cell, no more than chance gives")])
    return finished(figure)


def _quantile(lengths_px: Floats, share: float) -> float:
    """Of lengths, 1 where there are none that differ from 0."""
    return (float(np.quantile(lengths_px, share)) if lengths_px.size else 0.0) or 1.0


def cell_means(pixels: Floats, residuals_px: Floats, size: tuple[int, int]) -> CellMeans:
    """Means over the cells that coverage is counted in."""
    place = np.clip(((pixels + 0.5) / size * CELLS).astype(int), 0, np.array(CELLS) - 1)
    cell = place[:, 1] * CELLS[0] + place[:, 0]
    found = [np.flatnonzero(cell == i) for i in np.unique(cell)]
    found = [members for members in found if len(members) >= LEAST_CORNERS]
    places, means = (np.array([v[members].mean(axis=0) for members in found]).reshape(-1, 2)
                     for v in (pixels, residuals_px))
    errors = np.array([np.linalg.norm(residuals_px[members].std(axis=0, ddof=1))
                       / math.sqrt(len(members)) for members in found])
    return CellMeans(places_px=places, means_px=means,
                     beyond_chance=np.linalg.norm(means, axis=1) > _STANDARD_ERRORS * errors)


def _draw_means(axes: Axes, means: CellMeans, width: int, factor: float) -> None:
    for beyond, look in ((False, _CHANCE_LOOK), (True, _BEYOND_LOOK)):
        shown = means.beyond_chance == beyond
        if shown.any():
            _arrows(axes, means.places_px[shown], means.means_px[shown], width, factor, look)


def _arrows(
    axes: Axes, pixels: Floats, residuals_px: Floats, width: int, factor: float,
    look: dict[str, Any],
) -> None:
    lengths = factor * residuals_px
    drawn = axes.quiver(pixels[:, 0], pixels[:, 1], lengths[:, 0], lengths[:, 1], angles="xy",
                        scale_units="xy", scale=1, headwidth=3.5, headlength=4, headaxislength=3.5,
                        **look)
    _draw_key(axes, drawn, rounded_down(_KEY_SHARE * width / factor), factor)


def _draw_key(axes: Axes, arrows: Quiver, length_px: float, factor: float) -> None:
    """An arrow of known length, beside the title."""
    axes.quiverkey(arrows, 0.8, 1.045, factor * length_px, f" {length_px:g} px", labelpos="E",
                   coordinates="axes", angle=0, fontproperties={"size": FONT_PT})


def rounded_down(length: float) -> float:
    """1, 2 or 5 times a power of ten, the largest up to a length.

    Examples
    --------
    >>> [rounded_down(length) for length in (0.34, 5.0, 99.0)]
    [0.2, 5.0, 50.0]
    """
    power = math.floor(math.log10(length))
    # The power below, too: the logarithm of what is just less than 10 is rounded to 1.
    steps = [float(f"{m}e{p}") for p in (power - 1, power) for m in (1, 2, 5)]
    return max(step for step in steps if step <= length)
