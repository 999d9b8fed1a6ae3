"""What the covariance of a solved rig leaves open of ranges and heights, as maps of the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import BoundaryNorm, Colormap, LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from hazcam.calibration.effect import PointSigma
from hazcam.calibration.solution import RigSolution
from hazcam.frames import Floats
from hazcam.report.calibration_panels import FONT_PT, WIDTH_IN, finished
from hazcam.report.calibration_record import effects_of, largest_at
from hazcam.report.calibration_text import in_mm
from hazcam.report.drawing import BLACK, BLUE, WHITE, cased_line

# Widths of the row's numbers, of the colour key with its own, and of its bar; gaps of the maps.
_LEFT_IN, _KEY_IN, _BAR_IN, _GAP_IN = 0.7, 1.0, 0.18, 0.18
_ABOVE_IN, _BELOW_IN = 0.36, 0.85
_UNSEEN_EDGE = "#8C8C8C"
# Levels are even in their logarithm: sigma grows steeply where the lens is extrapolated.
_STEPS, _COARSE_STEPS = (1, 2, 5), (1,)
_MOST_LEVELS = 16
# Heights on the optical axis are known all but exactly: such few points set no level.
_LOW_SHARE = 0.02
# From light to dark; white is for what is not seen.
_SHADES = ("#D9EBF6", "#6DB3DE", BLUE, "#004B75", "#00121D")
# Shares of the picture's width: labels from the frame and from each other, the X from the frame.
_LABEL_RIM, _LABEL_GAP, _MARK_RIM = 0.06, 0.17, 0.03


def effect_figure(solution: RigSolution) -> bytes:
    """PNG: sigma of range (above) and of height (below) over the left picture, by distance.

    One set of levels holds for all maps, so one colour is the same length everywhere.
    """
    effects = effects_of(solution)
    kinds = (("range", [e.range_sigma_m for e in effects]),
             ("height", [e.height_sigma_m for e in effects]))
    levels = sigma_levels(1e3 * np.stack([values for _, kind in kinds for values in kind]))
    width, height = solution.rig.size
    figure, panels, keys = _frames(len(effects), height / width)
    for row, key, (word, kind) in zip(panels, keys, kinds, strict=True):
        for axes, sigma, values in zip(row, effects, kind, strict=True):
            axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5), aspect="equal",
                     title=_title(word, sigma.distance_m, values))
            _draw_map(axes, sigma, 1e3 * values, levels)
        row[0].set_ylabel("row [px]")
        _draw_key(figure, key, word, levels)
    for axes in panels[-1]:
        axes.set_xlabel("column in the left picture [px]")
    figure.legend(handles=[
        Line2D([], [], color=BLACK, marker="X", ls="", ms=9, mec=WHITE, label="largest"),
        Patch(facecolor=WHITE, edgecolor=_UNSEEN_EDGE, hatch="//",
              label="white: not seen by the right camera at that distance"),
    ], loc="lower center", ncol=2, frameon=False, fontsize=FONT_PT)
    return finished(figure)


def _frames(count: int, height_by_width: float) -> tuple[Figure, Sequence[Sequence[Axes]],
                                                         Sequence[Axes]]:
    """Two rows of so many maps, and a colour key beside each row; all at fixed places."""
    wide_in = (WIDTH_IN - _LEFT_IN - _KEY_IN - count * _GAP_IN) / count
    map_in = wide_in * height_by_width
    high_in = _BELOW_IN + 2 * (map_in + _ABOVE_IN)
    figure = Figure(figsize=(WIDTH_IN, high_in), facecolor=WHITE)

    def place(left_in: float, row: int, width_in: float) -> Axes:
        bottom_in = _BELOW_IN + (1 - row) * (map_in + _ABOVE_IN)
        return figure.add_axes((left_in / WIDTH_IN, bottom_in / high_in, width_in / WIDTH_IN,
                                map_in / high_in))

    panels = [[place(_LEFT_IN + i * (wide_in + _GAP_IN), row, wide_in) for i in range(count)]
              for row in range(2)]
    for axes in (axes for row in panels for axes in row[1:]):
        axes.tick_params(labelleft=False)
    for axes in panels[0]:
        axes.tick_params(labelbottom=False)
    return figure, panels, [place(WIDTH_IN - _KEY_IN, row, _BAR_IN) for row in range(2)]


def _title(word: str, distance_m: float, sigma_m: Floats) -> str:
    if not np.isfinite(sigma_m).any():
        return f"{word} at {distance_m:g} m: nothing seen by both"
    return (f"{word} at {distance_m:g} m: median {in_mm(float(np.nanmedian(sigma_m)))} mm, "
            f"largest {in_mm(float(np.nanmax(sigma_m)))} mm")


# --- levels and colours ---------------------------------------------------------------------------


def sigma_levels(values: Floats) -> list[float]:
    """Round levels, even in their logarithm, that span what is known but for the very lowest.

    Examples
    --------
    >>> sigma_levels(np.array([1.1, 9.0])), sigma_levels(np.array([np.nan]))
    ([1.0, 2.0, 5.0, 10.0], [])
    """
    known = values[np.isfinite(values) & (values > 0)]
    if not known.size:
        return []
    low, high = float(np.quantile(known, _LOW_SHARE)), float(known.max())
    powers = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 2)
    found: list[float] = []
    for steps in (_STEPS, _COARSE_STEPS):
        every = [float(f"{step}e{power}") for power in powers for step in steps]
        below, above = [v for v in every if v <= low][-1], next(v for v in every if v >= high)
        # Two at the least, or there is nothing between them.
        above = above if above > below else every[every.index(below) + 1]
        found = [v for v in every if below <= v <= above]
        if len(found) <= _MOST_LEVELS:
            break
    return found


def _colours(levels: Sequence[float]) -> tuple[Colormap, BoundaryNorm]:
    """A shade for each band between levels, and the lightest for what lies below the lowest."""
    bands = len(levels)
    return (LinearSegmentedColormap.from_list("sigma", _SHADES, N=bands),
            BoundaryNorm(levels, bands, extend="min"))


def _draw_key(figure: Figure, key: Axes, word: str, levels: Sequence[float]) -> None:
    if not levels:
        key.set_axis_off()
        return
    cmap, norm = _colours(levels)
    bar = figure.colorbar(ScalarMappable(norm, cmap), cax=key, ticks=list(levels), format="%g",
                          spacing="uniform")
    bar.ax.set_ylabel(f"one sigma of {word} [mm]")


# --- one map --------------------------------------------------------------------------------------


def _draw_map(axes: Axes, sigma: PointSigma, sigma_mm: Floats, levels: Sequence[float]) -> None:
    columns, rows = sigma.columns_px, sigma.rows_px
    axes.add_patch(_everywhere(axes))
    place = largest_at(sigma_mm)
    if place is None:
        return
    shown = np.ma.masked_invalid(sigma_mm)
    cmap, norm = _colours(levels)
    # Below the smooth bands, which end where a neighbour is not known: each point's own cell.
    axes.pcolormesh(columns, rows, shown, shading="nearest", cmap=cmap, norm=norm, zorder=1)
    axes.contourf(columns, rows, shown, levels=levels, cmap=cmap, norm=norm, extend="min", zorder=1)
    mark = inside(np.array([columns[place[1]], rows[place[0]]]), axes, _MARK_RIM)
    axes.plot(*mark, marker="X", ms=10, color=BLACK, mec=WHITE, mew=1.2, zorder=4)
    if shown.min() < levels[-1]:
        drawn = axes.contour(columns, rows, shown, levels=levels, colors=WHITE, linewidths=0.9,
                             zorder=2)
        _label(axes, levels, drawn.allsegs, mark)


def inside(place: Floats, axes: Axes, rim: float) -> Floats:
    """A place, or the nearest one that is a share of the picture's width inside its frame."""
    frame = np.array([sorted(axes.get_xlim()), sorted(axes.get_ylim())])
    margin = rim * (frame[0, 1] - frame[0, 0])
    return np.asarray(np.clip(place, frame[:, 0] + margin, frame[:, 1] - margin))


def _label(
    axes: Axes, levels: Sequence[float], lines: Sequence[Sequence[Floats]], mark: Floats
) -> None:
    """One label for each level, where it is farthest from the others; none where it is crowded."""
    width = abs(float(np.subtract(*axes.get_xlim())))
    taken = [mark]
    by_length = sorted(zip(levels, lines, strict=True), key=lambda one: -sum(map(len, one[1])))
    for level, parts in by_length:
        points = np.concatenate([*parts, np.empty((0, 2))])
        points = points[[np.array_equal(p, inside(p, axes, _LABEL_RIM)) for p in points]]
        if not len(points):
            continue
        gaps = np.min([np.linalg.norm(points - one, axis=1) for one in taken], axis=0)
        best = int(gaps.argmax())
        if gaps[best] < _LABEL_GAP * width:
            continue
        taken.append(points[best])
        axes.text(points[best, 0], points[best, 1], f"{level:g}", ha="center", va="center",
                  fontsize=FONT_PT, color=BLACK, zorder=3, path_effects=[*cased_line(3.0)])


def _everywhere(axes: Axes) -> Patch:
    """The hatch that shows where nothing is drawn over it."""
    return Rectangle((0, 0), 1, 1, transform=axes.transAxes, facecolor=WHITE,
                     edgecolor=_UNSEEN_EDGE, hatch="//", lw=0, zorder=0)
