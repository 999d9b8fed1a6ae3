"""Contact sheet of the views of a target: both pictures of each, and the points found in them."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from hazcam.calibration.solution import RigSolution, ViewReport
from hazcam.calibration.views import Fate
from hazcam.frames import Floats
from hazcam.imagery.pair import Picture
from hazcam.report.drawing import BLACK, ORANGE, WHITE, png

_FONT_PT = 9.0
_WIDE_IN, _PER_ROW = 17.0, 4
_GAP_IN, _TOP_IN, _LINE_IN = 0.1, 0.22, 0.15
_PICTURE_PX = 260
_LINE_SIGNS, _MOST_LINES = 66, 4


def contact_sheet(solution: RigSolution, pictures: Mapping[str, Picture]) -> bytes:
    """PNG: every view with the points that were found, and why it was not used.

    Parameters
    ----------
    solution : RigSolution
        Holds the points of the views that were used.
    pictures : mapping of str to ndarray of shape (H, W), uint8
        Grey, by the names in ``ViewReport``; one that is not there is said to be missing.
    """
    views, used = solution.views, {view: i for i, view in enumerate(solution.used)}
    tile_in = (_WIDE_IN - _GAP_IN) / _PER_ROW
    width, height = solution.rig.size
    picture_in = (tile_in - _GAP_IN) / 2
    lines = max(len(_below(view)) for view in views)
    row_in = _TOP_IN + picture_in * height / width + _LINE_IN * lines + _GAP_IN
    high_in = row_in * math.ceil(len(views) / _PER_ROW)
    figure = Figure(figsize=(_WIDE_IN, high_in), facecolor=WHITE)
    for i, view in enumerate(views):
        left_in = _GAP_IN + tile_in * (i % _PER_ROW)
        top_in = high_in - row_in * (i // _PER_ROW)
        _write_words(figure, view, left_in, top_in, picture_in * height / width)
        for side, name in enumerate((view.left_name, view.right_name)):
            axes = figure.add_axes((
                (left_in + side * picture_in) / _WIDE_IN,
                (top_in - _TOP_IN - picture_in * height / width) / high_in,
                (picture_in - 0.03) / _WIDE_IN, picture_in * height / width / high_in))
            points = _points(solution, used.get(view.id), side)
            _draw_picture(axes, pictures.get(name), solution.rig.size)
            _draw_points(axes, points)
            _draw_word(axes, _word(view, side, name in pictures), solution.rig.size)
    return png(figure)


def _points(solution: RigSolution, number: int | None, side: int) -> Floats:
    """Points of one picture of a view that was used; none of any other."""
    corners = solution.corners
    here = (corners.view == (-1 if number is None else number)) & (corners.right == bool(side))
    return np.asarray(corners.pixels[here])


def _draw_picture(axes: Axes, picture: Picture | None, size: tuple[int, int]) -> None:
    width, height = size
    axes.set_xticks([])
    axes.set_yticks([])
    if picture is not None:
        small = (_PICTURE_PX, round(_PICTURE_PX * height / width))
        axes.imshow(cv2.resize(picture, small, interpolation=cv2.INTER_AREA), cmap="gray", vmin=0,
                    vmax=np.iinfo(picture.dtype).max, aspect="auto",
                    extent=(-0.5, width - 0.5, height - 0.5, -0.5))
    axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5))


def _draw_points(axes: Axes, points: Floats) -> None:
    if not len(points):
        return
    axes.plot(points[:, 0], points[:, 1], ls="", marker="o", ms=3.0, color=ORANGE, mec=BLACK,
              mew=0.5)
    # Point 0 apart: a target that was ordered from its other end shows here.
    axes.plot(*points[0], marker="s", ms=5.5, color=WHITE, mec=BLACK, mew=1.2)


def _word(view: ViewReport, side: int, shown: bool) -> str:
    """What is wrong with one picture, in a word or two."""
    if not (view.left_name, view.right_name)[side]:
        return "no picture"
    if view.points[side] == 0:
        return "target not found"
    if view.fate is Fate.DROPPED:
        return "dropped"
    return "" if shown else "picture not given"


def _draw_word(axes: Axes, word: str, size: tuple[int, int]) -> None:
    if not word:
        return
    for spine in axes.spines.values():
        spine.set(linewidth=2.0, linestyle=(0, (4, 2)))
    axes.text(size[0] / 2, size[1] / 2, word, ha="center", va="center", fontsize=_FONT_PT + 2,
              fontweight="bold", zorder=5,
              bbox={"boxstyle": "square,pad=0.3", "fc": WHITE, "ec": BLACK})


def _write_words(
    figure: Figure, view: ViewReport, left_in: float, top_in: float, picture_in: float
) -> None:
    wide_in, high_in = figure.get_size_inches()
    x = left_in / wide_in
    figure.text(x, (top_in - 0.04) / high_in, f"{view.id}: {view.fate.value}", va="top",
                fontsize=_FONT_PT + 0.5, fontweight="bold")
    figure.text(x, (top_in - _TOP_IN - picture_in - 0.03) / high_in, "\n".join(_below(view)),
                va="top", fontsize=_FONT_PT, linespacing=1.1)


def _below(view: ViewReport) -> list[str]:
    """Lines below the pictures of a view: why it was not used, or how well it fits."""
    if view.reason:
        return textwrap.wrap(view.reason, _LINE_SIGNS, max_lines=_MOST_LINES, placeholder=" ...")
    left, right = view.rms_px
    return [f"rms {left:.2f} px left, {right:.2f} px right"]
