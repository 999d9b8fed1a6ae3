"""What the covariance of a solved rig leaves open of ranges and heights, as maps of the picture."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from hazcam.calibration.effect import PointSigma
from hazcam.calibration.solution import RigSolution
from hazcam.frames import Floats
from hazcam.report.calibration_record import effects_of, largest_at
from hazcam.report.calibration_text import in_mm
from hazcam.report.drawing import BLACK, BLUE, WHITE, cased_line, png

_FONT_PT = 10.0
_WIDE_IN = 12.0
_UNSEEN_GREY = "#C4C4C4"
# Levels are even in their logarithm: sigma grows steeply where the lens is extrapolated.
_STEPS = ((1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0), (1.0, 1.5, 2.0, 3.0, 5.0, 7.0),
          (1.0, 2.0, 5.0), (1.0,))
_MOST_LEVELS = 6
_LIGHTEST, _DARKEST = np.array([1.0, 1.0, 1.0]), np.array([0.55, 0.76, 0.89])


def effect_figure(solution: RigSolution) -> bytes:
    """PNG: sigma of range (above) and of height (below) over the left picture, by distance."""
    effects = effects_of(solution)
    width, height = solution.rig.size
    row_in = (_WIDE_IN / len(effects) - 0.6) * height / width + 0.75
    figure = Figure(figsize=(_WIDE_IN, 2 * row_in + 0.4), facecolor=WHITE, layout="constrained")
    panels = figure.subplots(2, len(effects), squeeze=False, sharex=True, sharey=True)
    for column, sigma in enumerate(effects):
        for axes, word, values in zip(panels[:, column], ("range", "height"),
                                      (sigma.range_sigma_m, sigma.height_sigma_m), strict=True):
            _draw_map(axes, sigma, 1e3 * values)
            axes.set_title(_title(word, sigma.distance_m, values), fontsize=_FONT_PT + 0.5)
            axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5), aspect="equal")
    for axes in panels[-1]:
        axes.set_xlabel("column in the left picture [px]", fontsize=_FONT_PT)
    for axes in panels[:, 0]:
        axes.set_ylabel("row [px]", fontsize=_FONT_PT)
    figure.legend(handles=[
        Line2D([], [], color=BLUE, lw=1.4, label="one sigma [mm]"),
        Line2D([], [], color=BLACK, marker="X", ls="", ms=9, mec=WHITE, label="largest"),
        Patch(facecolor=_UNSEEN_GREY, edgecolor=BLACK, hatch="//",
              label="not seen by the right camera at that distance"),
    ], loc="outside lower center", ncol=3, frameon=False, fontsize=_FONT_PT)
    return png(figure)


def _title(word: str, distance_m: float, sigma_m: Floats) -> str:
    if not np.isfinite(sigma_m).any():
        return f"{word} at {distance_m:g} m: nothing seen by both"
    return (f"{word} at {distance_m:g} m: median {in_mm(float(np.nanmedian(sigma_m)))} mm, "
            f"largest {in_mm(float(np.nanmax(sigma_m)))} mm")


def _draw_map(axes: Axes, sigma: PointSigma, sigma_mm: Floats) -> None:
    columns, rows = sigma.columns_px, sigma.rows_px
    axes.set_facecolor(_UNSEEN_GREY)
    axes.add_patch(_everywhere(axes))
    place = largest_at(sigma_mm)
    if place is None:
        return
    shown = np.ma.masked_invalid(sigma_mm)
    levels = contour_levels(sigma_mm)
    shades = [tuple(_LIGHTEST + part * (_DARKEST - _LIGHTEST))
              for part in np.linspace(0, 1, len(levels) + 1)]
    bounds = [-1.0, *levels, 2 * float(shown.max()) + 1]
    # Below the smooth bands, which end where a neighbour is not known: each point's own cell.
    axes.pcolormesh(columns, rows, shown, shading="nearest", cmap=ListedColormap(shades), zorder=1,
                    norm=BoundaryNorm(bounds, len(shades)))
    axes.contourf(columns, rows, shown, levels=bounds, colors=shades, zorder=1)
    if levels:
        drawn = axes.contour(columns, rows, shown, levels=levels, colors=BLUE, linewidths=1.2,
                             zorder=2)
        texts = axes.clabel(drawn, fmt="%g", fontsize=_FONT_PT - 1, colors=BLACK, inline=False)
        for text in texts:
            text.set_path_effects([*cased_line(2.5)])
    axes.plot(columns[place[1]], rows[place[0]], marker="X", ms=10, color=BLACK, mec=WHITE,
              mew=1.0, zorder=4, clip_on=False, path_effects=cased_line(2.0))


def _everywhere(axes: Axes) -> Patch:
    """The hatch that shows where nothing is drawn over it."""
    return Rectangle((0, 0), 1, 1, transform=axes.transAxes, facecolor=_UNSEEN_GREY,
                     edgecolor="#505050", hatch="//", lw=0, zorder=0)


def contour_levels(values: Floats) -> list[float]:
    """Round values within those that are known: as many as can be told apart.

    Examples
    --------
    >>> contour_levels(np.array([0.9, 2.7])), contour_levels(np.array([np.nan]))
    ([1.0, 1.2, 1.5, 2.0, 2.5], [])
    """
    known = values[np.isfinite(values) & (values > 0)]
    if not known.size:
        return []
    low, high = float(known.min()), float(known.max())
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    sets = [[float(f"{step}e{power}") for power in powers for step in steps
             if low < float(f"{step}e{power}") < high] for steps in _STEPS]
    return next((levels for levels in sets if len(levels) <= _MOST_LEVELS), sets[-1])
