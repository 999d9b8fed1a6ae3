"""The map from above: ahead is up, left is left."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon, Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, MultipleLocator

from hazcam.assess import Assessment
from hazcam.frames import Floats
from hazcam.report.drawing import (
    BLACK,
    DPI,
    FONT_PT,
    MOST_LABELS,
    PURPLE,
    UNSEEN,
    UNSEEN_EDGE,
    WHITE,
    WIDTH_IN,
    Ground,
    by_weight,
    captions,
    captions_in,
    cased_line,
    draw_heading,
    draw_swath,
    draw_tag,
    ground_along,
    ground_arc,
    height_tag,
    is_bold,
    keep_apart,
    key_lines,
    legend,
    legend_in,
    png,
    tallest_first,
    title_in,
)
from hazcam.terrain import CellState, Obstacle, TerrainMap

_SHOWN_IN = 7.0
_HEIGHT_TAG_IN = (0.58, 0.3)
_TAG_IN = (0.48, 0.42)  # width and height that a tag needs


def map_figure(assessment: Assessment, terrain: TerrainMap) -> bytes:
    """PNG: the ground from above, ahead is up, left is left."""
    body, look = assessment.rover.body, assessment.settings.look_ahead_m
    reach = min(body.nose_m + look + 0.35, terrain.spec.ahead_m)
    widest = min(max(abs(h) for h in assessment.settings.headings_deg), 90.0)
    side = min(max((body.nose_m + look) * np.sin(np.radians(widest)) + 0.25, 0.6),
               terrain.spec.side_m)
    back = body.length_m - body.nose_m + 0.05
    # Headings that leave by a side have their tags on a blank band there, clear of the ground.
    leaves_by_side = reach * np.sin(np.radians(widest)) > side * np.cos(np.radians(widest))
    band_in = _TAG_IN[0] + 0.1 if leaves_by_side else 0.0
    per_m = (_SHOWN_IN - 2 * band_in) / (2 * side)
    band = band_in / per_m
    figure, axes, bar = _map_axes(assessment, per_m * (reach + back), len(_map_key(look)))
    image = _draw_elevation(axes, terrain, reach, side)
    figure.colorbar(image, cax=bar, extend="both").set_label(
        "elevation above the plane of the feet [m]", fontsize=FONT_PT)
    axes.set(xlim=(side + band, -side - band), ylim=(-back, reach),
             xlabel="left  ←  from the rover origin [m]  →  right",
             ylabel="ahead of the rover origin [m]")
    axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{abs(v):g}"))
    axes.xaxis.set_major_locator(FixedLocator(_ticks(side)))
    axes.yaxis.set_major_locator(MultipleLocator(0.25))
    _draw_outside(axes, side, back, reach)
    _draw_rover(axes, assessment)
    _draw_ground_marks(axes, assessment, terrain, reach, side)
    _draw_headings_on_map(axes, assessment, reach, side, band, per_m)
    _tag_obstacles_on_map(axes, terrain, reach, side, per_m)
    legend(figure, assessment, _map_key(look))
    captions(figure, assessment)
    return png(figure)


def _map_axes(
    assessment: Assessment, height_in: float, entries: int
) -> tuple[Figure, Axes, Axes]:
    """Axes of the map and of its colour bar; tags above, legend and captions below."""
    below = captions_in(assessment) + legend_in(entries) + 0.55
    total = below + height_in + _TAG_IN[1] + 0.05 + title_in(assessment)
    figure = Figure(figsize=(WIDTH_IN, total), dpi=DPI, facecolor=WHITE)
    axes = figure.add_axes((0.75 / WIDTH_IN, below / total, _SHOWN_IN / WIDTH_IN,
                            height_in / total))
    bar = figure.add_axes(((0.87 + _SHOWN_IN) / WIDTH_IN, below / total, 0.18 / WIDTH_IN,
                           height_in / total))
    for each in (axes, bar):
        each.tick_params(labelsize=FONT_PT)
        each.xaxis.label.set_fontsize(FONT_PT)
        each.yaxis.label.set_fontsize(FONT_PT)
    return figure, axes, bar


def _ticks(side: float) -> list[float]:
    """Quarters of a metre across the map, not on the bands beside it."""
    most = int(side / 0.25)
    return [0.25 * i for i in range(-most, most + 1)]


def _draw_outside(axes: Axes, side: float, back: float, reach: float) -> None:
    """What no state covers was not in both pictures: hatched, so that it is no empty paper."""
    grey, hatch, _ = UNSEEN[CellState.OUTSIDE]
    axes.add_patch(Rectangle((-side, -back), 2 * side, reach + back, fc=grey, hatch=hatch,
                             ec=UNSEEN_EDGE[CellState.OUTSIDE], lw=0.0, zorder=-1))


def _map_key(look_ahead_m: float) -> list[Line2D | Patch]:
    unseen = [Patch(facecolor=grey, hatch=hatch, edgecolor=UNSEEN_EDGE[state], lw=0.6,
                    label=words)
              for state, (grey, hatch, words) in UNSEEN.items()]
    arc = Line2D([], [], color=BLACK, lw=1.0, path_effects=cased_line(2.2),
                 label=f"look-ahead: {look_ahead_m:.2f} m from the nose")
    return [*key_lines(), arc, *unseen,
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
    for state, (grey, hatch, _) in UNSEEN.items():
        mask = terrain.state == state
        if state == CellState.OUTSIDE or not mask.any():
            continue
        tint = np.where(mask[..., None], _rgba(grey), 0.0)
        axes.imshow(tint[:, ::-1], extent=extent, origin="lower", interpolation="nearest")
        fill = axes.contourf(spec.y_m, spec.x_m, mask.astype(float), levels=[0.5, 1.5],
                             colors="none", hatches=[hatch])
        fill.set(edgecolor=UNSEEN_EDGE[state], linewidth=0.0)
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
    axes.text(0, rear / 2, "origin", color=WHITE, fontsize=FONT_PT, ha="center", va="center",
              zorder=7)


def _draw_ground_marks(
    axes: Axes, assessment: Assessment, terrain: TerrainMap, reach: float, side: float
) -> None:
    """Look-ahead, near strip, obstacles and headings on the map."""
    x, y = ground_arc(assessment, assessment.settings.look_ahead_m)
    axes.plot(y, x, color=BLACK, lw=1.0, zorder=3, path_effects=cased_line(2.2))
    if assessment.near_strip_max_m:
        x, y = ground_arc(assessment, assessment.near_strip_max_m)
        axes.plot(y, x, color=PURPLE, lw=1.8, ls="-.", zorder=5, path_effects=cased_line(3.0))
    for obstacle in _obstacles_on_map(terrain, reach, side):
        axes.add_patch(Polygon(np.array(obstacle.outline_m)[:, ::-1], fill=False, ec=BLACK,
                               lw=1.2, zorder=10, path_effects=cased_line(2.6)))


def _obstacles_on_map(terrain: TerrainMap, reach: float, side: float) -> list[Obstacle]:
    return [o for o in tallest_first(terrain.obstacles) if o.x_m < reach and abs(o.y_m) < side]


def _tag_obstacles_on_map(
    axes: Axes, terrain: TerrainMap, reach: float, side: float, per_m: float
) -> None:
    """Heights, as many as there is room for."""
    taken = np.empty((0, 2))
    for obstacle in _obstacles_on_map(terrain, reach, side)[:MOST_LABELS]:
        place = _free_place(obstacle, taken, reach, per_m)
        if place is not None:
            height_tag(axes, place, obstacle)
            taken = np.vstack([taken, place])


def _free_place(
    obstacle: Obstacle, taken: Floats, reach: float, per_m: float
) -> Floats | None:
    """Where the height of an obstacle can be written: behind it, before it, on it, or nowhere."""
    outline = np.array(obstacle.outline_m)[:, ::-1]
    clear = np.array([0.0, 0.13 / per_m])
    far, near = outline[np.argmax(outline[:, 1])], outline[np.argmin(outline[:, 1])]
    for place in (far + clear, near - clear, np.array([obstacle.y_m, obstacle.x_m])):
        room = np.hypot(*((taken - place) * per_m / _HEIGHT_TAG_IN).T) >= 1.0
        if np.all(room) and place[1] + clear[1] < reach:
            return place
    return None


def _draw_headings_on_map(
    axes: Axes, assessment: Assessment, reach: float, side: float, band: float, per_m: float
) -> None:
    """Each heading as a ray, tagged where it leaves the map, clear of the ground."""
    ordered, look = by_weight(assessment), assessment.settings.look_ahead_m
    rim = np.array([_rim(v.heading_deg, reach, side) for v in ordered])
    draw_swath(axes, assessment, _to_map)
    for verdict in ordered:
        draw_heading(axes, assessment, verdict, _to_map,
                      3.2 if is_bold(assessment, verdict) else 1.4)
    above = rim[:, 1] >= reach
    out = np.where(above[:, None], [0.0, 0.05 / per_m], [0.5 * band, 0.0])
    places = rim + out * np.where(above[:, None], 1.0, np.sign(rim[:, :1]))
    # No tag at the corners, where one above and one beside would meet.
    places[above & (np.abs(rim[:, 0]) > side + band - 0.5 * _TAG_IN[0] / per_m)] = np.nan
    for i in keep_apart(places * per_m / _TAG_IN, 1.0):
        end = _to_map(ground_along(assessment, ordered[i].heading_deg)(look))
        axes.plot(*np.array([end, rim[i]]).T, color="#606060", lw=0.5, zorder=3)
        draw_tag(axes, places[i], ordered[i], bold=is_bold(assessment, ordered[i]),
                 anchor="bottom" if above[i] else "center")


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
