"""A print-ready sheet of a calibration target, as PDF and SVG: vectors of exact size. Pure.

Everything is drawn in millimetres on the page, x to the right, y down. The pattern is one path, so
that no hairlines show where black cells touch. No clock: the same target gives the same bytes.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path

from hazcam.calibration.target import Target, marker_bits
from hazcam.errors import TargetError
from hazcam.frames import Floats

Paper = Literal["a4", "a3"]
# ISO 216: long and short side. [mm]
PAPERS_MM: dict[Paper, tuple[float, float]] = {"a4": (297.0, 210.0), "a3": (420.0, 297.0)}
# Most printers leave less than this blank; it is also the white rim of the pattern.
MARGIN_MM = 10.0
# Below the pattern: a white gap, the ruler, and the words.
STRIP_MM = 15.0
RULER_MM = 100.0
_TICK_MM = 10.0
_MM_PER_INCH = 25.4
_FONT_PT = 6.5
_LINE_MM = 2.6
_SIGN_MM = 1.35  # width of a sign of this font, generously
# Letters are dark spots, too: black ones beside circles keep the grid from being found at times.
_INK, _INK_BY_CIRCLES = "black", "0.65"
_WORDS_X_MM = MARGIN_MM + RULER_MM + 8.0
_ROUNDING = 1e-6


@dataclass(frozen=True, kw_only=True)
class TargetSheet:
    """The files of a sheet.

    Attributes
    ----------
    pdf, svg : bytes
        One page each, of the size of the paper.
    """

    pdf: bytes
    svg: bytes


def target_sheet(target: Target, paper: Paper) -> TargetSheet:
    """Draw a target on a sheet of paper.

    Parameters
    ----------
    target : Target
    paper : {"a4", "a3"}
        Lying or standing, as the pattern needs it.

    Raises
    ------
    TargetError
        The pattern does not fit with a margin of 10 mm; says the largest pitch that does.
    """
    figure = sheet_figure(target, paper)
    # Names inside the SVG are random without a salt.
    with mpl.rc_context({"svg.hashsalt": "hazcam", "svg.fonttype": "path"}):
        svg = _saved(figure, "svg", {"Date": None, "Creator": None})
    return TargetSheet(
        pdf=_saved(figure, "pdf", {"CreationDate": None, "Creator": None, "Producer": None}),
        svg=svg,
    )


def _saved(figure: Figure, form: str, metadata: dict[str, None]) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format=form, metadata=metadata)
    return stream.getvalue()


def solve_options(target: Target) -> str:
    """The options of ``hazcam calibrate solve`` that read this target."""
    words = [f"--board {target.kind} --points {target.columns}x{target.rows} "
             f"--pitch-mm {_number(1000 * target.pitch_m)}"]
    if target.marker_m is not None:
        words.append(f"--marker-mm {_number(1000 * target.marker_m)} "
                     f"--dictionary {target.dictionary}")
    return " ".join(words)


def _number(value: float) -> str:
    return f"{value:.10g}"


# --- where things are on the page -----------------------------------------------------------------


def pattern_size_mm(target: Target) -> tuple[float, float]:
    """Width and height of what is black of a target. [mm]"""
    if target.has_squares:
        across, down = target.squares
        return 1000 * target.pitch_m * across, 1000 * target.pitch_m * down
    low, high = target.points_m[:, :2].min(axis=0), target.points_m[:, :2].max(axis=0)
    width, height = 1000 * (high - low + target.circle_diameter_m)
    return float(width), float(height)


def page_size_mm(target: Target, paper: Paper) -> tuple[float, float]:
    """Width and height of the page: of the two ways to lay it, one on which the pattern fits.

    Raises
    ------
    TargetError
        It fits neither way.
    """
    width, height = pattern_size_mm(target)
    lying, standing = PAPERS_MM[paper], PAPERS_MM[paper][::-1]
    pages = (lying, standing) if width >= height else (standing, lying)
    for page in pages:
        if _fits(target, page):
            return page
    share = max(_share(target, page) for page in pages)
    largest = math.floor(10 * share * 1000 * target.pitch_m + _ROUNDING) / 10
    on = [name for name in PAPERS_MM
          if any(_fits(target, page) for page in (PAPERS_MM[name], PAPERS_MM[name][::-1]))]
    larger = f", or take --paper {on[0]}" if on else ""
    raise TargetError(
        f"target: {target.text}", f"{width:g} x {height:g} mm",
        f"a pattern that fits on {paper.upper()} with a margin of {MARGIN_MM:g} mm and "
        f"{STRIP_MM:g} mm for the ruler",
        f"the largest pitch that fits is {largest:g} mm: give that or less{larger}",
    )


def _share(target: Target, page: tuple[float, float]) -> float:
    """How much larger the pattern could be on this page."""
    width, height = pattern_size_mm(target)
    return min((page[0] - 2 * MARGIN_MM) / width, (page[1] - 2 * MARGIN_MM - STRIP_MM) / height)


def _fits(target: Target, page: tuple[float, float]) -> bool:
    return _share(target, page) >= 1 - _ROUNDING


def first_point_mm(target: Target, paper: Paper) -> tuple[float, float]:
    """Where point 0 is on the page, from its upper left corner. [mm]"""
    page, size = page_size_mm(target, paper), pattern_size_mm(target)
    inset = 1000 * (target.pitch_m if target.has_squares else target.circle_diameter_m / 2)
    return ((page[0] - size[0]) / 2 + inset,
            MARGIN_MM + (page[1] - 2 * MARGIN_MM - STRIP_MM - size[1]) / 2 + inset)


# --- drawing --------------------------------------------------------------------------------------


def sheet_figure(target: Target, paper: Paper) -> Figure:
    """The sheet as a figure of the size of the page."""
    width, height = page_size_mm(target, paper)
    figure = Figure(figsize=(width / _MM_PER_INCH, height / _MM_PER_INCH), facecolor="white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(0.0, width), ylim=(height, 0.0))
    axes.set_axis_off()
    _fill(axes, _pattern(target, np.array(first_point_mm(target, paper))), "pattern")
    below = height - MARGIN_MM - STRIP_MM + 3.0
    _draw_ruler(axes, target, below)
    _draw_words(axes, target, width, below)
    return figure


def _fill(axes: Axes, path: Path, name: str) -> None:
    # Not snapped to pixels: what is written is where things are.
    axes.add_artist(PathPatch(path, facecolor="black", edgecolor="none", linewidth=0.0, gid=name,
                              snap=False, clip_on=False))


def _pattern(target: Target, first_mm: Floats) -> Path:
    if not target.has_squares:
        centres = first_mm + 1000 * target.points_m[:, :2]
        radius = 500 * target.circle_diameter_m
        return Path.make_compound_path(*(Path.circle(tuple(c), radius) for c in centres))
    side = 1000 * target.pitch_m
    across, down = target.squares
    corner = first_mm - side
    black = [(*(corner + side * np.array([x, y])), side)
             for y in range(down) for x in range(across) if (x + y) % 2 == 0]
    if target.marker_m is not None:
        black += _marker_cells(target, corner)
    return _squares_path(black)


def _marker_cells(target: Target, corner_mm: Floats) -> list[tuple[float, float, float]]:
    """Upper left corner and side of each black cell of all markers."""
    assert target.marker_m is not None  # asked for a ChArUco board only
    side, marker = 1000 * target.pitch_m, 1000 * target.marker_m
    cells = []
    for place, white in marker_bits(target).items():
        start, cell = corner_mm + side * np.array(place) + (side - marker) / 2, marker / len(white)
        cells += [(start[0] + cell * j, start[1] + cell * i, cell)
                  for i, j in np.argwhere(~white)]
    return cells


def _squares_path(squares: Sequence[tuple[float, float, float]]) -> Path:
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]], dtype=float)
    codes = [Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY]
    return Path(np.concatenate([np.array([x, y]) + side * corners for x, y, side in squares]),
                codes * len(squares))


def _draw_ruler(axes: Axes, target: Target, top_mm: float) -> None:
    """Bar of 100 mm with a tick every 10 mm, and what it is for."""
    thick = 0.2
    ticks = [(MARGIN_MM + place, 3.0 if place % 50 == 0 else 2.0)
             for place in np.arange(0.0, RULER_MM + _TICK_MM / 2, _TICK_MM)]
    bars = [_bar(MARGIN_MM, top_mm, RULER_MM, thick)]
    # The middle of a tick is its place.
    bars += [_bar(x - thick / 2, top_mm, thick, length) for x, length in ticks]
    _fill(axes, Path.make_compound_path(*bars), "ruler")
    for x, _ in ticks:
        axes.text(x, top_mm + 3.4, f"{x - MARGIN_MM:g}", ha="center", va="top",
                  size=_FONT_PT,
                  color=_ink(target))
    said = ("measure: 100 mm. If it is not, print at 100 %, or give the "
            f"{_measured(target)} as --pitch-mm")
    _write(axes, MARGIN_MM, top_mm + 6.6, [said], RULER_MM, _ink(target))


def _measured(target: Target) -> str:
    """What is measured on the sheet to find the pitch."""
    return {"circles": "measured distance of neighbouring circles",
            "circles-asymmetric": "measured distance of neighbouring rows",
            }.get(target.kind, "measured square")


def _ink(target: Target) -> str:
    return _INK if target.has_squares else _INK_BY_CIRCLES


def _write(
    axes: Axes, x_mm: float, top_mm: float, said: Sequence[str], width_mm: float, ink: str
) -> None:
    """Texts below each other, each wrapped to the width."""
    signs = int(width_mm / _SIGN_MM)
    lines = [line for text in said for line in textwrap.wrap(text, signs, break_on_hyphens=False)]
    for i, line in enumerate(lines):
        axes.text(x_mm, top_mm + i * _LINE_MM, line, va="top", size=_FONT_PT, color=ink)


def _bar(x: float, y: float, width: float, height: float) -> Path:
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]], dtype=float)
    return Path(np.array([x, y]) + corners * (width, height),
                [Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY])


def _draw_words(axes: Axes, target: Target, page_width_mm: float, top_mm: float) -> None:
    said = [target.text, f"hazcam calibrate solve {solve_options(target)}"]
    if target.half_turn_alike:
        # Which end is up, the pattern does not say: both pictures of a pair must show the same.
        said.insert(0, "hold this arrow up: upside down it looks the same")
        _draw_arrow(axes, _WORDS_X_MM - 3.5, top_mm)
    _write(axes, _WORDS_X_MM, top_mm, said, page_width_mm - MARGIN_MM - _WORDS_X_MM,
           _ink(target))


def _draw_arrow(axes: Axes, x_mm: float, top_mm: float) -> None:
    arrow = np.array([[x, top_mm + y] for x, y in ((x_mm, 0), (x_mm + 1.5, 3), (x_mm - 1.5, 3),
                                                   (x_mm, 0))])
    _fill(axes, Path(arrow, [Path.MOVETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY]), "up")
