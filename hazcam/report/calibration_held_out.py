"""Figure of the held-out errors of a solved rig: row offsets, and edges of the target."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from hazcam.calibration.solution import RigSolution
from hazcam.frames import Floats
from hazcam.report.calibration_bend import Bend, bend_along, shared_pixels
from hazcam.report.calibration_panels import (
    FONT_PT,
    WIDTH_IN,
    finished,
    legend_below,
    name_views,
)
from hazcam.report.calibration_record import edges_by_view
from hazcam.report.drawing import BLACK, BLUE, PURPLE, WHITE, cased_line

_HIGH_IN = 7.6
# Row offsets are shown up to this many times what 99 % stay below; those beyond stand at the rim.
_SHOWN = 1.6
_BINS = 40
_FEW = 3  # numbers of those at the rim, up to which each is given


def held_out_figure(solution: RigSolution) -> bytes:
    """PNG: row offsets over the picture and as a histogram; edges of the target by view."""
    figure = Figure(figsize=(WIDTH_IN, _HIGH_IN), facecolor=WHITE, layout="constrained")
    (columns, rows), (counts, edges) = figure.subplots(2, 2)
    offset, pixels = solution.held_out.epipolar_px, shared_pixels(solution)
    most = _SHOWN * float(np.quantile(np.abs(offset), 0.99))
    for axes, i, word in ((columns, 0, "column"), (rows, 1, "row")):
        _draw_offsets(axes, pixels[:, i], offset, most)
        _draw_medians(axes, bend_along(solution, i))
        axes.set(title=f"row offset against the {word}", xlabel=f"{word} in the left picture [px]",
                 ylabel="row offset [px]", xlim=(-0.5, solution.rig.size[i] - 0.5))
    _draw_histogram(counts, offset, most)
    _draw_edges(edges, solution)
    beyond = [Line2D([], [], ls="", marker="^", ms=6, color=BLUE, mec=BLACK,
                     label="farther off than is drawn")] if (np.abs(offset) > most).any() else []
    legend_below(figure, [
        Line2D([], [], ls="", marker=".", color=BLUE, label="corner, held out"), *beyond,
        Line2D([], [], color=BLACK, lw=2.0, marker="s", ms=5,
               label="median of the corners in an eighth of the picture's width or height"),
        Line2D([], [], color=PURPLE, marker="D", ms=5, mec=BLACK, lw=1.6,
               label="edges of a view: bias, and one spread to both sides")])
    return finished(figure, "both")


def _draw_offsets(axes: Axes, place_px: Floats, offset_px: Floats, most_px: float) -> None:
    beyond = np.abs(offset_px) > most_px
    axes.plot(place_px[~beyond], offset_px[~beyond], ls="", marker=".", ms=2.5, color=BLUE)
    for up in (True, False):
        there = beyond & ((offset_px > 0) == up)
        axes.plot(place_px[there], np.full(there.sum(), math.copysign(most_px, 1 if up else -1)),
                  ls="", marker="^" if up else "v", ms=6, color=BLUE, mec=BLACK)
    axes.set_ylim(-1.12 * most_px, 1.12 * most_px)
    axes.axhline(0, color=BLACK, lw=0.8)
    _note_beyond(axes, offset_px[beyond], most_px)


def _draw_medians(axes: Axes, bend: Bend) -> None:
    axes.plot(bend.places_px, bend.medians_px, color=BLACK, lw=2.0, marker="s", ms=5,
              path_effects=cased_line(3.6))


def _note_beyond(axes: Axes, offset_px: Floats, most_px: float) -> None:
    """Once for all that are farther off, so that no numbers are printed over each other."""
    if not offset_px.size:
        return
    axes.annotate(beyond_words(offset_px, most_px), (0, 1), (6, -6), xycoords="axes fraction",
                  textcoords="offset points", ha="left", va="top", fontsize=FONT_PT - 0.5, zorder=6,
                  bbox={"boxstyle": "square,pad=0.25", "fc": WHITE, "ec": BLACK, "lw": 0.6})


def beyond_words(offset_px: Floats, most_px: float) -> str:
    """How many row offsets lie beyond what is drawn, and how far.

    Examples
    --------
    >>> beyond_words(np.array([25.0, -1.0]), 0.4)
    '2 corners beyond 0.4 px: -1.00, +25.00 px'
    """
    count, ordered = len(offset_px), np.sort(offset_px)
    far = (", ".join(f"{o:+.2f}" for o in ordered) if count <= _FEW else
           f"from {ordered[0]:+.2f} to {ordered[-1]:+.2f}")
    return f"{count} {'corner' if count == 1 else 'corners'} beyond {most_px:.2g} px: {far} px"


def _draw_histogram(axes: Axes, offset_px: Floats, most_px: float) -> None:
    axes.hist(offset_px, bins=_BINS, range=(-most_px, most_px), color=BLUE, edgecolor=WHITE,
              lw=0.3)
    _note_beyond(axes, offset_px[np.abs(offset_px) > most_px], most_px)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    mean, rms = float(np.abs(offset_px).mean()), float(np.sqrt((offset_px**2).mean()))
    axes.set(title=f"row offset: mean amount {mean:.3f} px, rms {rms:.3f} px",
             xlabel="row offset [px]", ylabel="corners", xlim=(-most_px, most_px))


def _draw_edges(axes: Axes, solution: RigSolution) -> None:
    pitch_mm = 1e3 * solution.target.pitch_m
    found = [(view, 100 * (edges - 1)) for view, edges
             in zip(solution.used, edges_by_view(solution), strict=True) if edges.size]
    axes.errorbar(range(len(found)), [e.mean() for _, e in found], [e.std() for _, e in found],
                  ls="", marker="D", ms=5, color=PURPLE, mec=BLACK, elinewidth=1.6, capsize=3)
    axes.axhline(0, color=BLACK, lw=0.8)
    name_views(axes, [view for view, _ in found], WIDTH_IN / 2 - 0.8)
    axes.set(title=f"length of the target's edges ({pitch_mm:g} mm as given), measured less given",
             xlabel="view, held out", ylabel="of the edge [%]")
