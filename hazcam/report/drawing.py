"""Drawing that the overlay and the map share: headings, tags, captions, colours.

Colours are from the set of Okabe and Ito, which stays apart for colour-blind eyes (M. Okabe and
K. Ito, "Color universal design," 2008); each is doubled by a word, a line style or a hatch. No
clock and no global state: the same assessment gives the same bytes.
"""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Callable, Iterable, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from numpy.typing import ArrayLike

from hazcam.assess import Assessment
from hazcam.frames import Floats
from hazcam.report.record import attitude_record, near_strip_record
from hazcam.report.refined_record import refined_record
from hazcam.terrain import CellState, Obstacle
from hazcam.verdict import HeadingVerdict

BLUE, ORANGE, PURPLE = "#0072B2", "#E69F00", "#CC79A7"
BLACK, WHITE = "#000000", "#FFFFFF"
# Grey and hatch of the ground that was not seen.
UNSEEN = {
    CellState.HIDDEN: ("#8C8C8C", "\\\\\\\\", "hidden behind something seen"),
    CellState.BLANK: ("#C4C4C4", "....", "blank: looked at, no match"),
    CellState.OUTSIDE: ("#F4F4F4", "//", "outside: not in both pictures"),
}
UNSEEN_EDGE = {CellState.HIDDEN: "#505050", CellState.BLANK: "#505050",
               CellState.OUTSIDE: "#BDBDBD"}
_DASHES = (0, (3.0, 1.2))
DPI = 110
WIDTH_IN = 9.0
# A page of 1500 px shows two figures beside each other at 0.72 of their size: 11 px of text there.
FONT_PT, TITLE_PT = 10.5, 13.0
CAPTION_LINE_IN = 0.17
NEAREST_M = 0.05  # what is nearer to the lens than this is not drawn
MOST_LABELS = 12
_TAG_PAD = 0.2
_SUGGESTION_SIGNS = 64  # "go straight ahead: clear for 1.00 m (the first 0.31 m assumed)"

Ground = tuple[Floats, Floats]  # x and y in the level frame [m]
Project = Callable[[ArrayLike, ArrayLike, ArrayLike], Floats]


def png(figure: Figure) -> bytes:
    """The figure as PNG; the same figure gives the same bytes."""
    stream = io.BytesIO()
    # Without the name of the software, which carries its version.
    figure.set_canvas(FigureCanvasAgg(figure))
    figure.savefig(stream, format="png", dpi=DPI, metadata={"Software": None})
    return stream.getvalue()


def cased_line(width: float, colour: str = WHITE) -> list[withStroke]:
    """A casing about a line, so that it shows on any ground."""
    return [withStroke(linewidth=width, foreground=colour)]


def key_lines() -> list[Line2D | Patch]:
    """Legend of the headings and of what is drawn about them."""
    case = cased_line(4.5)
    return [
        Line2D([], [], color=BLUE, lw=2.6, label="go: clear over the whole look-ahead",
               path_effects=case),
        Line2D([], [], color=ORANGE, lw=2.2, ls=_DASHES, path_effects=cased_line(3.6, BLACK),
               label="ask-ground (ask): up to the first cause"),
        Line2D([], [], color=WHITE, lw=1.0, path_effects=cased_line(2.2, BLACK),
               label="swath: body and margins"),
        Line2D([], [], color=BLACK, marker="X", ls="", ms=8, mec=WHITE, label="first cause"),
        Line2D([], [], color="#404040", lw=0.8, ls=":", label="not clear, up to the look-ahead"),
        Line2D([], [], color=PURPLE, lw=1.8, ls="-.", path_effects=cased_line(3.6),
               label="near strip: assumed clear up to here"),
        Patch(facecolor="none", edgecolor=BLACK, lw=1.4,
              label="stands out: height, or depth (-)"),
    ]


def draw_heading(axes: Axes, assessment: Assessment, verdict: HeadingVerdict,
                  to_axes: Callable[[Ground], Floats], width: float) -> None:
    """A line from the nose to where the heading is clear, and the first cause."""
    along = ground_along(assessment, verdict.heading_deg)
    clear = to_axes(along(np.linspace(0.0, verdict.clear_m, 80)))
    if verdict.verdict == "go":
        axes.plot(clear[:, 0], clear[:, 1], color=BLUE, lw=width, zorder=5,
                  path_effects=cased_line(width + 1.8), solid_capstyle="butt")
        return
    look_ahead_m = assessment.settings.look_ahead_m
    rest = to_axes(along(np.linspace(verdict.clear_m, look_ahead_m, 80)))
    axes.plot(rest[:, 0], rest[:, 1], color="#404040", lw=0.7, ls=":", zorder=3,
              path_effects=cased_line(1.5))
    axes.plot(clear[:, 0], clear[:, 1], color=ORANGE, lw=width, ls=_DASHES, zorder=4,
              path_effects=cased_line(width + 1.2, BLACK))
    place = to_axes(along([verdict.causes[0].at_m]))[0]
    axes.plot(*place, marker="X", ms=4 + width, color=BLACK, mec=WHITE, mew=0.7, zorder=7)


def draw_swath(axes: Axes, assessment: Assessment, to_axes: Callable[[Ground], Floats]) -> None:
    """Both edges of the swath of the suggested heading; of the one straight ahead for "hold"."""
    heading = assessment.suggestion.heading_deg or 0.0
    for side in (-0.5, 0.5):
        edge = to_axes(ground_along(assessment, heading, side * assessment.rover.swath_m)(
            np.linspace(0.0, assessment.settings.look_ahead_m, 80)))
        axes.plot(edge[:, 0], edge[:, 1], color=WHITE, lw=1.0, zorder=4,
                  path_effects=cased_line(2.2, BLACK))


def draw_tag(axes: Axes, place: Floats, verdict: HeadingVerdict, *, bold: bool,
         anchor: str) -> None:
    """The heading and its verdict in words; ``anchor`` is the side of the tag at the place."""
    heading = verdict.heading_deg
    side = "" if heading == 0 else (" L" if heading > 0 else " R")
    go = verdict.verdict == "go"
    axes.text(
        place[0], place[1], f"{abs(heading):g}°{side}\n{'go' if go else 'ask'}", fontsize=FONT_PT,
        ha="center", va=anchor, zorder=9, color=WHITE if go else BLACK, linespacing=1.0,
        fontweight="bold" if bold else "normal",
        bbox={"boxstyle": f"{'round' if go else 'square'},pad={_TAG_PAD}", "lw": 0.6,
              "fc": BLUE if go else ORANGE, "ec": BLACK},
    )


def keep_apart(places: Floats, gap: float) -> list[int]:
    """Indices, in order, of the places that keep ``gap`` from those before them."""
    kept: list[int] = []
    for i, place in enumerate(places):
        if np.all(np.isfinite(place)) and all(
            np.hypot(*(place - places[k])) >= gap for k in kept
        ):
            kept.append(i)
    return kept


def by_weight(assessment: Assessment) -> list[HeadingVerdict]:
    """The headings, those first that matter most: the suggested, straight ahead, then the rest."""
    chosen = assessment.suggestion.heading_deg
    return sorted(assessment.verdicts,
                  key=lambda v: (v.heading_deg != chosen, v.heading_deg != 0, -v.heading_deg))


def is_bold(assessment: Assessment, verdict: HeadingVerdict) -> bool:
    """Straight ahead and the suggestion stand out."""
    return verdict.heading_deg in (assessment.suggestion.heading_deg, 0.0)


def tallest_first(obstacles: Iterable[Obstacle]) -> list[Obstacle]:
    """Greatest height or depth first, for the labels that there is room for."""
    return sorted(obstacles, key=lambda o: -abs(o.height_m))


def height_tag(axes: Axes, place: Floats, obstacle: Obstacle) -> None:
    """Write height, or depth with a minus, at a place. [cm]"""
    # On a plate of its own: a casing alone is lost on rock that is half in shadow.
    axes.text(place[0], place[1], f"{100 * obstacle.height_m:+.0f} cm", fontsize=FONT_PT,
              ha="center", va="center", zorder=11, color=BLACK,
              bbox={"boxstyle": "square,pad=0.1", "fc": WHITE, "ec": "none", "alpha": 0.85})


def title(assessment: Assessment) -> str:
    """Pair, verdict straight ahead and the suggestion in short; the reasons are in the text."""
    ahead = [f"{v.verdict} straight ahead" for v in assessment.verdicts
             if v.heading_deg == 0 and assessment.suggestion.heading_deg != 0]
    suggestion = textwrap.shorten(assessment.suggestion.text.split(";")[0], _SUGGESTION_SIGNS,
                                  placeholder=" ...")
    return f"{assessment.pair.id}: {'; '.join([*ahead, suggestion])}"


def _title(assessment: Assessment) -> str:
    return textwrap.fill(title(assessment), 74)


def title_in(assessment: Assessment) -> float:
    """Height that the title takes. [inch]"""
    return 0.14 + 0.22 * (_title(assessment).count("\n") + 1)


def _captions(assessment: Assessment) -> str:
    lines = (f"attitude {attitude_record(assessment)['text']}",
             near_strip_record(assessment)["text"],
             *(refined["text"] for refined in refined_record(assessment).values()))
    return "\n".join(textwrap.fill(line, 118) for line in lines)


def captions_in(assessment: Assessment) -> float:
    """Height that the lines at the bottom take. [inch]"""
    return 0.12 + CAPTION_LINE_IN * (_captions(assessment).count("\n") + 1)


def captions(figure: Figure, assessment: Assessment) -> None:
    """Verdict and suggestion above; what was assumed below."""
    figure.text(0.01, 1 - 0.08 / figure.get_figheight(), _title(assessment), fontsize=TITLE_PT,
                fontweight="bold", va="top")
    figure.text(0.01, 0.06 / figure.get_figheight(), _captions(assessment), fontsize=FONT_PT,
                va="bottom", color="#333333")


def legend(
    figure: Figure, assessment: Assessment, handles: Sequence[Line2D | Patch]
) -> None:
    """The legend, in two columns above the lines at the bottom."""
    figure.legend(handles=handles, loc="lower center", ncol=2, fontsize=FONT_PT, frameon=False,
                  bbox_to_anchor=(0.5, captions_in(assessment) / figure.get_figheight()),
                  borderpad=0.2, handleheight=1.0)


def legend_in(count: int) -> float:
    """Height that a legend of so many entries takes. [inch]"""
    return 0.1 + 0.222 * math.ceil(count / 2)


def ground_along(
    assessment: Assessment, heading_deg: float, offset_m: float = 0.0
) -> Callable[[ArrayLike], Ground]:
    """From distances from the nose to places, ``offset_m`` to the left of the heading. [m]"""
    angle, nose_m = np.radians(heading_deg), assessment.rover.body.nose_m

    def places(distance_m: ArrayLike) -> Ground:
        reach = nose_m + np.asarray(distance_m, dtype=np.float64)
        return (reach * np.cos(angle) - offset_m * np.sin(angle),
                reach * np.sin(angle) + offset_m * np.cos(angle))

    return places


def ground_arc(assessment: Assessment, distance_m: float) -> Ground:
    """Places at a distance from the nose, over the headings that are judged. [m]"""
    widest = min(max(abs(h) for h in assessment.settings.headings_deg) + 5, 90.0)
    angle = np.radians(np.linspace(-widest, widest, 181))
    reach = assessment.rover.body.nose_m + distance_m
    return reach * np.cos(angle), reach * np.sin(angle)
