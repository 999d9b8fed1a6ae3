"""Drawing that the overlay and the map share: headings, tags, captions, colours.

Colours are from the set of Okabe and Ito, which stays apart for colour-blind eyes (M. Okabe and
K. Ito, "Color universal design," 2008); each is doubled by a word, a line style or a hatch. No
clock and no global state: the same assessment gives the same bytes.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Iterable

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
from hazcam.terrain import CellState, Obstacle
from hazcam.verdict import HeadingVerdict

BLUE, ORANGE, PURPLE = "#0072B2", "#E69F00", "#CC79A7"
BLACK, WHITE = "#000000", "#FFFFFF"
# Grey and hatch of the ground that was not seen.
UNSEEN = {
    CellState.HIDDEN: ("#8C8C8C", "\\\\\\\\", "hidden behind something seen"),
    CellState.BLANK: ("#C4C4C4", "....", "blank: looked at, no match"),
    CellState.OUTSIDE: ("#EFEFEF", "", "outside: not in both pictures"),
}
_DASHES = (0, (3.0, 1.2))
DPI = 110
WIDTH_IN = 9.0
NEAREST_M = 0.05  # what is nearer to the lens than this is not drawn
MOST_LABELS = 12
_SWATH_WORDS = "swath (body and margins) of the suggestion, or ahead"

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
               label=_SWATH_WORDS),
        Line2D([], [], color=BLACK, marker="X", ls="", ms=8, mec=WHITE, label="first cause"),
        Line2D([], [], color="#404040", lw=0.8, ls=":", label="not clear, up to the look-ahead"),
        Line2D([], [], color=PURPLE, lw=1.8, ls="-.", path_effects=cased_line(3.6),
               label="near strip: assumed clear up to here"),
        Patch(facecolor="none", edgecolor=BLACK, lw=1.4,
              label="stands out of the ground: height, or depth (-)"),
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
        place[0], place[1], f"{abs(heading):g}°{side}\n{'go' if go else 'ask'}", fontsize=7.5,
        ha="center", va=anchor, zorder=9, color=WHITE if go else BLACK, linespacing=1.0,
        fontweight="bold" if bold else "normal",
        bbox={"boxstyle": "round,pad=0.22" if go else "square,pad=0.22", "lw": 0.6,
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
    axes.text(place[0], place[1], f"{100 * obstacle.height_m:+.0f} cm", fontsize=8, ha="center",
              va="center", zorder=11, color=BLACK, path_effects=cased_line(2.4))


def _title(assessment: Assessment) -> str:
    return textwrap.fill(f"{assessment.pair.id} – {assessment.suggestion.text}", 96)


def title_in(assessment: Assessment) -> float:
    """Height that the title takes. [inch]"""
    return 0.14 + 0.18 * (_title(assessment).count("\n") + 1)


def captions(figure: Figure, assessment: Assessment) -> None:
    """Suggestion above; what was assumed below."""
    figure.text(0.01, 1 - 0.06 / figure.get_figheight(), _title(assessment), fontsize=10,
                fontweight="bold", va="top")
    lines = [f"attitude {attitude_record(assessment)['text']}",
             near_strip_record(assessment)["text"]]
    figure.text(0.01, 0.06 / figure.get_figheight(),
                "\n".join(textwrap.fill(t, 150) for t in lines), fontsize=7.5, va="bottom",
                color="#333333")


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
