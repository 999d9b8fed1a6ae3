"""Figures: the overlay on the picture, the map from above, the depth map.

Colours are from the set of Okabe and Ito, which stays apart for colour-blind eyes (M. Okabe and
K. Ito, "Color universal design," 2008); each is doubled by a word, a line style or a hatch. No
clock and no global state: the same assessment gives the same bytes.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
import tifffile
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FuncFormatter, MultipleLocator
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull

from hazcam.assess import Assessment
from hazcam.depth import PointMap
from hazcam.frames import Floats
from hazcam.imagery import full_scale
from hazcam.report.record import attitude_record, missing_picture, near_strip_record
from hazcam.terrain import CellState, Obstacle, TerrainMap
from hazcam.verdict import HeadingVerdict

BLUE, ORANGE, PURPLE = "#0072B2", "#E69F00", "#CC79A7"
BLACK, WHITE = "#000000", "#FFFFFF"
# Grey and hatch of the ground that was not seen.
_UNSEEN = {
    CellState.HIDDEN: ("#8C8C8C", "\\\\\\\\", "hidden behind something seen"),
    CellState.BLANK: ("#C4C4C4", "....", "blank: looked at, no match"),
    CellState.OUTSIDE: ("#EFEFEF", "", "outside: not in both pictures"),
}
_DASHES = (0, (3.0, 1.2))
_DPI = 110
_WIDTH_IN = 9.0
_NEAREST_M = 0.05  # what is nearer to the lens than this is not drawn
_MOST_LABELS = 12
_SWATH_WORDS = "swath (body and margins) of the suggestion, or ahead"

Ground = tuple[Floats, Floats]  # x and y in the level frame [m]
Project = Callable[[ArrayLike, ArrayLike, ArrayLike], Floats]


# --- drawing that both pictures of the ground share ---------------------------------------------


def _png(figure: Figure) -> bytes:
    stream = io.BytesIO()
    # Without the name of the software, which carries its version.
    figure.set_canvas(FigureCanvasAgg(figure))
    figure.savefig(stream, format="png", dpi=_DPI, metadata={"Software": None})
    return stream.getvalue()


def _cased(width: float, colour: str = WHITE) -> list[withStroke]:
    return [withStroke(linewidth=width, foreground=colour)]


def _key_lines() -> list[Line2D | Patch]:
    """Legend of the headings and of what is drawn about them."""
    case = _cased(4.5)
    return [
        Line2D([], [], color=BLUE, lw=2.6, label="go: clear over the whole look-ahead",
               path_effects=case),
        Line2D([], [], color=ORANGE, lw=2.2, ls=_DASHES, path_effects=_cased(3.6, BLACK),
               label="ask-ground (ask): up to the first cause"),
        Line2D([], [], color=WHITE, lw=1.0, path_effects=_cased(2.2, BLACK), label=_SWATH_WORDS),
        Line2D([], [], color=BLACK, marker="X", ls="", ms=8, mec=WHITE, label="first cause"),
        Line2D([], [], color="#404040", lw=0.8, ls=":", label="not clear, up to the look-ahead"),
        Line2D([], [], color=PURPLE, lw=1.8, ls="-.", path_effects=_cased(3.6),
               label="near strip: assumed clear up to here"),
        Patch(facecolor="none", edgecolor=BLACK, lw=1.4,
              label="stands out of the ground: height, or depth (-)"),
    ]


def _draw_heading(axes: Axes, assessment: Assessment, verdict: HeadingVerdict,
                  to_axes: Callable[[Ground], Floats], width: float) -> None:
    """A line from the nose to where the heading is clear, and the first cause."""
    along = _along(assessment, verdict.heading_deg)
    clear = to_axes(along(np.linspace(0.0, verdict.clear_m, 80)))
    if verdict.verdict == "go":
        axes.plot(clear[:, 0], clear[:, 1], color=BLUE, lw=width, zorder=5,
                  path_effects=_cased(width + 1.8), solid_capstyle="butt")
        return
    look_ahead_m = assessment.settings.look_ahead_m
    rest = to_axes(along(np.linspace(verdict.clear_m, look_ahead_m, 80)))
    axes.plot(rest[:, 0], rest[:, 1], color="#404040", lw=0.7, ls=":", zorder=3,
              path_effects=_cased(1.5))
    axes.plot(clear[:, 0], clear[:, 1], color=ORANGE, lw=width, ls=_DASHES, zorder=4,
              path_effects=_cased(width + 1.2, BLACK))
    place = to_axes(along([verdict.causes[0].at_m]))[0]
    axes.plot(*place, marker="X", ms=4 + width, color=BLACK, mec=WHITE, mew=0.7, zorder=7)


def _draw_swath(axes: Axes, assessment: Assessment, to_axes: Callable[[Ground], Floats]) -> None:
    """Both edges of the swath of the suggested heading; of the one straight ahead for "hold"."""
    heading = assessment.suggestion.heading_deg or 0.0
    for side in (-0.5, 0.5):
        edge = to_axes(_along(assessment, heading, side * assessment.rover.swath_m)(
            np.linspace(0.0, assessment.settings.look_ahead_m, 80)))
        axes.plot(edge[:, 0], edge[:, 1], color=WHITE, lw=1.0, zorder=4,
                  path_effects=_cased(2.2, BLACK))


def _tag(axes: Axes, place: Floats, verdict: HeadingVerdict, *, bold: bool,
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


def _apart(places: Floats, gap: float) -> list[int]:
    """Indices, in order, of the places that keep ``gap`` from those before them."""
    kept: list[int] = []
    for i, place in enumerate(places):
        if np.all(np.isfinite(place)) and all(
            np.hypot(*(place - places[k])) >= gap for k in kept
        ):
            kept.append(i)
    return kept


def _by_weight(assessment: Assessment) -> list[HeadingVerdict]:
    """The headings, those first that matter most: the suggested, straight ahead, then the rest."""
    chosen = assessment.suggestion.heading_deg
    return sorted(assessment.verdicts,
                  key=lambda v: (v.heading_deg != chosen, v.heading_deg != 0, -v.heading_deg))


def _is_bold(assessment: Assessment, verdict: HeadingVerdict) -> bool:
    return verdict.heading_deg in (assessment.suggestion.heading_deg, 0.0)


def _tallest(obstacles: Iterable[Obstacle]) -> list[Obstacle]:
    return sorted(obstacles, key=lambda o: -abs(o.height_m))


def _height_tag(axes: Axes, place: Floats, obstacle: Obstacle) -> None:
    axes.text(place[0], place[1], f"{100 * obstacle.height_m:+.0f} cm", fontsize=8, ha="center",
              va="center", zorder=11, color=BLACK, path_effects=_cased(2.4))


def _title(assessment: Assessment) -> str:
    return textwrap.fill(f"{assessment.pair.id} – {assessment.suggestion.text}", 96)


def _title_in(assessment: Assessment) -> float:
    """Height that the title takes. [inch]"""
    return 0.14 + 0.18 * (_title(assessment).count("\n") + 1)


def _captions(figure: Figure, assessment: Assessment) -> None:
    """Suggestion above; what was assumed below."""
    figure.text(0.01, 1 - 0.06 / figure.get_figheight(), _title(assessment), fontsize=10,
                fontweight="bold", va="top")
    lines = [f"attitude {attitude_record(assessment)['text']}",
             near_strip_record(assessment)["text"]]
    figure.text(0.01, 0.06 / figure.get_figheight(),
                "\n".join(textwrap.fill(t, 150) for t in lines), fontsize=7.5, va="bottom",
                color="#333333")


def _along(
    assessment: Assessment, heading_deg: float, offset_m: float = 0.0
) -> Callable[[ArrayLike], Ground]:
    """From distances from the nose to places, ``offset_m`` to the left of the heading. [m]"""
    angle, nose_m = np.radians(heading_deg), assessment.rover.body.nose_m

    def places(distance_m: ArrayLike) -> Ground:
        reach = nose_m + np.asarray(distance_m, dtype=np.float64)
        return (reach * np.cos(angle) - offset_m * np.sin(angle),
                reach * np.sin(angle) + offset_m * np.cos(angle))

    return places


def _arc(assessment: Assessment, distance_m: float) -> Ground:
    """Places at a distance from the nose, over the headings that are judged. [m]"""
    widest = min(max(abs(h) for h in assessment.settings.headings_deg) + 5, 90.0)
    angle = np.radians(np.linspace(-widest, widest, 181))
    reach = assessment.rover.body.nose_m + distance_m
    return reach * np.cos(angle), reach * np.sin(angle)


# --- the overlay ----------------------------------------------------------------------------------


def overlay_figure(assessment: Assessment) -> bytes:
    """PNG: headings, causes and obstacles on the rectified left picture.

    With one picture missing: the other one, as sent, with the words "no stereo".
    """
    if assessment.rectified is None or assessment.terrain is None:
        return _single_picture(assessment)
    picture = assessment.rectified.left
    figure, axes = _picture_axes(picture, _title_in(assessment), below_in=1.6)
    terrain = assessment.terrain
    project = _projection(assessment)
    _draw_strip_in_picture(axes, assessment, project)
    for obstacle in terrain.obstacles:
        outline = _silhouette(obstacle, terrain, project)
        if outline is not None:
            axes.add_patch(Polygon(outline, fill=False, ec=BLACK, lw=1.2, zorder=6,
                                   path_effects=_cased(2.6)))
    _tag_obstacles_in_picture(axes, terrain, project, picture.shape)
    _draw_headings_in_picture(axes, assessment, project, picture.shape)
    figure.legend(handles=_key_lines(), loc="lower center", ncol=2, fontsize=8, frameon=False,
                  bbox_to_anchor=(0.5, 0.42 / figure.get_figheight()))
    _captions(figure, assessment)
    return _png(figure)


def _picture_axes(
    picture: NDArray[Any], above_in: float, below_in: float
) -> tuple[Figure, Axes]:
    height, width = picture.shape
    side_in = 0.05
    shown_in = (_WIDTH_IN - 2 * side_in) * height / width
    total = shown_in + above_in + below_in
    figure = Figure(figsize=(_WIDTH_IN, total), dpi=_DPI, facecolor=WHITE)
    axes = figure.add_axes((side_in / _WIDTH_IN, below_in / total,
                            1 - 2 * side_in / _WIDTH_IN, shown_in / total))
    known = picture[np.isfinite(picture)]
    # Black sand is dark: spread the greys that are there, so that a person sees the ground.
    low, high = np.percentile(known, [0.5, 99.5])
    axes.imshow(picture, cmap="gray", vmin=low, vmax=max(high, low + 1), interpolation="bilinear")
    axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5), xticks=[], yticks=[])
    return figure, axes


def _projection(assessment: Assessment) -> Project:
    """From places in the level frame to pixels of the rectified left picture, (N, 2)."""
    assert assessment.points is not None
    camera = assessment.points.camera
    T_camera_level = assessment.points.T_level_camera.inverse()

    def project(x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Floats:
        p = T_camera_level.apply(np.stack(np.broadcast_arrays(x, y, z), axis=-1))
        depth = np.where(p[..., 2] > _NEAREST_M, p[..., 2], np.nan)
        pixel = camera.focal_px * p[..., :2] / depth[..., None]
        return np.asarray(pixel + np.array([camera.cx, camera.cy]))

    return project


def _ground_m(terrain: TerrainMap, x: ArrayLike, y: ArrayLike) -> Floats:
    """Elevation to draw a ground mark at: local ground, else the plane, else the feet. [m]"""
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    far = terrain.planes[0].elevation_m(x, y) if terrain.planes else np.zeros(x.shape)
    rows, columns = terrain.spec.cells(x, y)
    height, width = terrain.spec.shape
    inside = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    local = terrain.ground_m[np.where(inside, rows, 0), np.where(inside, columns, 0)]
    return np.where(inside & np.isfinite(local), local, far)


def _to_picture(terrain: TerrainMap, project: Project) -> Callable[[Ground], Floats]:
    """From places on the ground to pixels, (N, 2)."""
    return lambda ground: project(*ground, _ground_m(terrain, *ground))


def _draw_headings_in_picture(
    axes: Axes, assessment: Assessment, project: Project, shape: tuple[int, ...]
) -> None:
    """Each heading as it runs over the ground, tagged where it enters at the lower rim."""
    assert assessment.terrain is not None
    ordered, look = _by_weight(assessment), assessment.settings.look_ahead_m
    entries = np.full((len(ordered), 2), np.nan)
    to_picture = _to_picture(assessment.terrain, project)
    _draw_swath(axes, assessment, to_picture)
    for i, verdict in enumerate(ordered):
        width = 3.6 if _is_bold(assessment, verdict) else 2.0
        _draw_heading(axes, assessment, verdict, to_picture, width)
        line = _along(assessment, verdict.heading_deg)(np.linspace(0.0, look, 400))
        entries[i, 0] = _entry_column(to_picture(line), shape)
    entries[:, 1] = shape[0] + 0.012 * shape[0]
    for i in _apart(entries, 0.055 * shape[1]):
        _tag(axes, entries[i], ordered[i], bold=_is_bold(assessment, ordered[i]), anchor="top")


def _entry_column(pixels: Floats, shape: tuple[int, ...]) -> float:
    """Column where a line comes in over the lower rim; NaN if it does not."""
    inside = (np.abs(pixels - [shape[1] / 2, shape[0] / 2]) < [shape[1] / 2, shape[0] / 2]).all(1)
    first = int(np.argmax(inside))
    low = pixels[first, 1] > 0.95 * shape[0]
    near_rim = inside.any() and low and 0.02 < pixels[first, 0] / shape[1] < 0.98
    return float(pixels[first, 0]) if near_rim else float("nan")


def _draw_strip_in_picture(axes: Axes, assessment: Assessment, project: Project) -> None:
    if not assessment.near_strip_max_m:
        return
    assert assessment.terrain is not None
    x, y = _arc(assessment, assessment.near_strip_max_m)
    arc = project(x, y, _ground_m(assessment.terrain, x, y))
    arc = arc[np.isfinite(arc).all(axis=1)]
    axes.plot(arc[:, 0], arc[:, 1], color=PURPLE, lw=1.8, ls="-.", zorder=4,
              path_effects=_cased(3.4))


def _silhouette(obstacle: Obstacle, terrain: TerrainMap, project: Project) -> Floats | None:
    """Outline in the picture of the upright prism over an obstacle's cells, (N, 2)."""
    x, y = np.array(obstacle.outline_m).T
    ground = _ground_m(terrain, x, y)
    levels = (ground, ground + max(obstacle.height_m, 0.0))
    pixels = np.concatenate([project(x, y, z) for z in levels])
    pixels = pixels[np.isfinite(pixels).all(axis=1)]
    if len(pixels) < 3 or np.any(np.ptp(pixels, axis=0) < 1):
        return None
    return np.asarray(pixels[ConvexHull(pixels).vertices])


def _tag_obstacles_in_picture(
    axes: Axes, terrain: TerrainMap, project: Project, shape: tuple[int, ...]
) -> None:
    tallest = _tallest(terrain.obstacles)
    if not tallest:
        return
    places = np.array([_tag_place(o, terrain, project) for o in tallest])
    drawn = np.array([_silhouette(o, terrain, project) is not None for o in tallest])
    inside = ((places >= [0.03 * shape[1], 0.02 * shape[0]])
              & (places <= [0.97 * shape[1], 0.98 * shape[0]])).all(axis=1)
    places[~(inside & drawn)] = np.nan
    for i in _apart(places, 0.07 * shape[1])[:_MOST_LABELS]:
        _height_tag(axes, places[i], tallest[i])


def _tag_place(obstacle: Obstacle, terrain: TerrainMap, project: Project) -> Floats:
    ground = _ground_m(terrain, obstacle.x_m, obstacle.y_m)
    return project(obstacle.x_m, obstacle.y_m, ground + max(obstacle.height_m, 0.0) / 2)


def _single_picture(assessment: Assessment) -> bytes:
    pair = assessment.pair
    picture = pair.left if pair.left is not None else pair.right
    assert picture is not None  # a pair has at least one
    figure, axes = _picture_axes(picture * (255.0 / full_scale(pair)), _title_in(assessment),
                                 below_in=0.45)
    there = "left" if pair.right is None else "right"
    axes.text(0.5, 0.5, f"no stereo\nthe {missing_picture(pair)} picture is missing",
              transform=axes.transAxes, ha="center", va="center", fontsize=22,
              bbox={"boxstyle": "square,pad=0.5", "fc": WHITE, "ec": BLACK})
    axes.text(0.01, 0.02, f"{there} picture as sent", transform=axes.transAxes, fontsize=9,
              path_effects=_cased(2.4))
    _captions(figure, assessment)
    return _png(figure)


# --- the map from above ---------------------------------------------------------------------------


def map_figure(assessment: Assessment, terrain: TerrainMap) -> bytes:
    """PNG: the ground from above, ahead is up, left is left."""
    body, look = assessment.rover.body, assessment.settings.look_ahead_m
    reach = min(body.nose_m + look + 0.35, terrain.spec.ahead_m)
    widest = min(max(abs(h) for h in assessment.settings.headings_deg), 90.0)
    side = min(max((body.nose_m + look) * np.sin(np.radians(widest)) + 0.25, 0.6),
               terrain.spec.side_m)
    back = body.length_m - body.nose_m + 0.05
    shown_in = 7.0
    height_in = shown_in * (reach + back) / (2 * side)
    total = height_in + 2.1 + 0.36 + _title_in(assessment)
    figure = Figure(figsize=(_WIDTH_IN, total), dpi=_DPI, facecolor=WHITE)
    axes = figure.add_axes((0.75 / _WIDTH_IN, 2.1 / total, shown_in / _WIDTH_IN,
                            height_in / total))
    bar = figure.add_axes(((0.9 + shown_in) / _WIDTH_IN, 2.1 / total, 0.2 / _WIDTH_IN,
                           height_in / total))
    image = _draw_elevation(axes, terrain, reach, side)
    figure.colorbar(image, cax=bar, extend="both").set_label(
        "elevation above the plane of the feet [m]")
    axes.set(xlim=(side, -side), ylim=(-back, reach), facecolor=_UNSEEN[CellState.OUTSIDE][0],
             xlabel="left  ←  from the rover origin [m]  →  right",
             ylabel="ahead of the rover origin [m]")
    axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{abs(v):g}"))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MultipleLocator(0.25))
    _draw_rover(axes, assessment)
    _draw_ground_marks(axes, assessment, terrain, reach, side)
    figure.legend(handles=_map_key(look), loc="lower center", ncol=2, fontsize=8, frameon=False,
                  bbox_to_anchor=(0.5, 0.42 / total))
    _captions(figure, assessment)
    return _png(figure)


def _map_key(look_ahead_m: float) -> list[Line2D | Patch]:
    unseen = [Patch(facecolor=grey, hatch=hatch, edgecolor="#505050", lw=0.6, label=words)
              for grey, hatch, words in _UNSEEN.values()]
    arc = Line2D([], [], color=BLACK, lw=1.0, path_effects=_cased(2.2),
                 label=f"look-ahead: {look_ahead_m:.2f} m from the nose")
    return [*_key_lines(), arc, *unseen,
            Patch(facecolor="#303030", edgecolor=WHITE, label="rover body, to scale; nose up")]


def _draw_elevation(
    axes: Axes, terrain: TerrainMap, reach: float, side: float
) -> AxesImage:
    """Elevation where seen; grey and hatch where not, by state."""
    spec = terrain.spec
    extent = (spec.side_m, -spec.side_m, 0.0, spec.ahead_m)
    x, y = np.meshgrid(spec.x_m, spec.y_m, indexing="ij")
    near = terrain.mean_m[(x < reach) & (np.abs(y) < side) & np.isfinite(terrain.mean_m)]
    low, high = np.percentile(near, [1, 99]) if near.size else (0.0, 0.0)
    middle, half = (low + high) / 2, max(high - low, 0.06) / 2
    for state, (grey, hatch, _) in _UNSEEN.items():
        mask = terrain.state == state
        if not mask.any():
            continue
        tint = np.where(mask[..., None], _rgba(grey), 0.0)
        axes.imshow(tint[:, ::-1], extent=extent, origin="lower", interpolation="nearest")
        if hatch:
            fill = axes.contourf(spec.y_m, spec.x_m, mask.astype(float), levels=[0.5, 1.5],
                                 colors="none", hatches=[hatch])
            fill.set(edgecolor="#505050", linewidth=0.0)
    return axes.imshow(terrain.mean_m[:, ::-1], extent=extent, origin="lower", cmap="viridis",
                       vmin=middle - half, vmax=middle + half, interpolation="nearest")


def _rgba(colour: str) -> Floats:
    return np.array([*(int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)), 1.0])


def _draw_rover(axes: Axes, assessment: Assessment) -> None:
    body = assessment.rover.body
    half, rear, shoulder = body.width_m / 2, body.nose_m - body.length_m, body.nose_m * 0.7
    corners = [(half, rear), (half, shoulder), (half * 0.55, body.nose_m),
               (-half * 0.55, body.nose_m), (-half, shoulder), (-half, rear)]
    axes.add_patch(Polygon(corners, fc="#303030", ec=WHITE, lw=1.2, zorder=6))
    axes.plot(0, 0, marker="+", color=WHITE, ms=9, zorder=7)
    axes.text(0, rear / 2, "origin", color=WHITE, fontsize=7, ha="center", va="center", zorder=7)


def _draw_ground_marks(
    axes: Axes, assessment: Assessment, terrain: TerrainMap, reach: float, side: float
) -> None:
    """Look-ahead, near strip, obstacles and headings on the map."""
    x, y = _arc(assessment, assessment.settings.look_ahead_m)
    axes.plot(y, x, color=BLACK, lw=1.0, zorder=3, path_effects=_cased(2.2))
    if assessment.near_strip_max_m:
        x, y = _arc(assessment, assessment.near_strip_max_m)
        axes.plot(y, x, color=PURPLE, lw=1.8, ls="-.", zorder=5, path_effects=_cased(3.0))
    shown = [o for o in _tallest(terrain.obstacles) if o.x_m < reach and abs(o.y_m) < side]
    for obstacle in shown:
        axes.add_patch(Polygon(np.array(obstacle.outline_m)[:, ::-1], fill=False, ec=BLACK,
                               lw=1.2, zorder=10, path_effects=_cased(2.6)))
    _draw_headings_on_map(axes, assessment, reach, side)
    taken = np.empty((0, 2))
    for obstacle in shown[:_MOST_LABELS]:
        place = _free_place(obstacle, taken, 0.09 * side)
        if place is not None:
            _height_tag(axes, place, obstacle)
            taken = np.vstack([taken, place])


def _free_place(obstacle: Obstacle, taken: Floats, gap: float) -> Floats | None:
    """Where the height of an obstacle can be written: middle, far or near end; None if nowhere."""
    outline = np.array(obstacle.outline_m)[:, ::-1]
    ends = (outline[np.argmax(outline[:, 1])], outline[np.argmin(outline[:, 1])])
    for place in (np.array([obstacle.y_m, obstacle.x_m]), *ends):
        if np.all(np.hypot(*(taken - place).T) >= gap):
            return place
    return None


def _draw_headings_on_map(
    axes: Axes, assessment: Assessment, reach: float, side: float
) -> None:
    """Each heading as a ray, tagged where it leaves the map, clear of the ground."""
    ordered, look = _by_weight(assessment), assessment.settings.look_ahead_m
    rim = np.array([_rim(v.heading_deg, reach, 0.95 * side) for v in ordered])
    _draw_swath(axes, assessment, _to_map)
    for verdict in ordered:
        _draw_heading(axes, assessment, verdict, _to_map,
                      3.2 if _is_bold(assessment, verdict) else 1.4)
    for i in _apart(rim, 0.115 * side):
        end = _to_map(_along(assessment, ordered[i].heading_deg)(look))
        axes.plot(*np.array([end, rim[i]]).T, color="#606060", lw=0.5, zorder=3)
        above = rim[i, 1] >= reach
        place = rim[i] + np.array([0.0, 0.012 * side if above else 0.0])
        _tag(axes, place, ordered[i], bold=_is_bold(assessment, ordered[i]),
             anchor="bottom" if above else "center")


def _rim(heading_deg: float, reach: float, side: float) -> Floats:
    """Where a heading leaves the map, on its axes; NaN behind the rover."""
    sine, cosine = np.sin(np.radians(heading_deg)), np.cos(np.radians(heading_deg))
    if cosine < 1e-9:
        return np.full(2, np.nan)
    across = np.clip(reach * sine / cosine, -side, side)
    ahead = reach if abs(across) < side else side * cosine / abs(sine)
    return np.array([across, ahead])


def _to_map(ground: Ground) -> Floats:
    """From places on the ground to the map's axes, (N, 2)."""
    return np.stack([ground[1], ground[0]], axis=-1)


# --- depth ----------------------------------------------------------------------------------------


def depth_tiff(points: PointMap) -> bytes:
    """Depth as float32 TIFF: metres along the optical axis; NaN where it is not known."""
    stream = io.BytesIO()
    tifffile.imwrite(
        stream, points.depth_m, photometric="minisblack", compression="zlib", software=False,
        metadata=None, description="depth along the optical axis of the rectified left camera; "
        "unit: metre; NaN: not known",
    )
    return stream.getvalue()


def depth_picture(points: PointMap) -> bytes:
    """PNG: the depth map in colours; hatched where it is not known."""
    depth = points.depth_m
    height, width = depth.shape
    known = np.isfinite(depth)
    shown_in = 7.9 * height / width
    total = shown_in + 0.5
    figure = Figure(figsize=(_WIDTH_IN, total), dpi=_DPI, facecolor=WHITE)
    axes = figure.add_axes((0.05 / _WIDTH_IN, 0.42 / total, 7.9 / _WIDTH_IN, shown_in / total))
    axes.set(xticks=[], yticks=[], facecolor="#EFEFEF")
    low, high = np.percentile(depth[known], [0, 95]) if known.any() else (0.1, 1.0)
    if not known.all():
        axes.contourf((~known).astype(float), levels=[0.5, 1.5], colors="none",
                      hatches=["...."]).set(edgecolor="#505050", linewidth=0.0)
    image = axes.imshow(depth, cmap="cividis", norm=LogNorm(low, max(high, 1.2 * low)),
                        interpolation="nearest")
    bar_axes = figure.add_axes((8.05 / _WIDTH_IN, 0.42 / total, 0.18 / _WIDTH_IN,
                                shown_in / total))
    bar = figure.colorbar(image, cax=bar_axes, extend="max", label="depth [m], logarithmic",
                          ticks=[0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 5, 10, 20, 50],
                          format="%g")
    bar.minorticks_off()
    figure.legend(handles=[Patch(facecolor="#EFEFEF", hatch="....", edgecolor="#505050", lw=0.6,
                                 label="depth not known")],
                  loc="lower left", fontsize=8, frameon=False)
    return _png(figure)
