"""The overlay: headings, near strip and obstacles on the rectified left picture."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Polygon
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull, QhullError

from hazcam.assess import Assessment
from hazcam.disparity.record import Blank
from hazcam.frames import Floats
from hazcam.imagery import full_scale
from hazcam.report.drawing import (
    BLACK,
    DPI,
    FONT_PT,
    MOST_LABELS,
    NEAREST_M,
    PURPLE,
    WHITE,
    WIDTH_IN,
    Ground,
    Project,
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
from hazcam.report.record import missing_picture
from hazcam.terrain import Obstacle, TerrainMap

_TAG_ROOM_IN = 0.5  # below the picture, for the tags of the headings
_STEREO_KEY = (
    Patch(facecolor="#707070", edgecolor=WHITE, hatch="///", lw=0.0, label="not in both pictures"),
    Patch(facecolor="#707070", edgecolor=WHITE, hatch="...", lw=0.0, label="no match here"),
)


def overlay_figure(assessment: Assessment) -> bytes:
    """PNG: headings, causes and obstacles on the rectified left picture.

    With one picture missing: the other one, as sent, with the words "no stereo".
    """
    if assessment.rectified is None or assessment.terrain is None:
        return _single_picture(assessment)
    picture = assessment.rectified.left
    key = [*key_lines(), *_STEREO_KEY]
    figure, axes = _picture_axes(
        picture, title_in(assessment),
        below_in=_TAG_ROOM_IN + legend_in(len(key)) + captions_in(assessment))
    terrain = assessment.terrain
    project = projection(assessment)
    axes.imshow(_stereo_marks(assessment), interpolation="nearest", zorder=1)
    _draw_strip_in_picture(axes, assessment, project)
    for obstacle in terrain.obstacles:
        outline = silhouette(obstacle, terrain, project)
        if outline is not None:
            axes.add_patch(Polygon(outline, fill=False, ec=BLACK, lw=1.2, zorder=6,
                                   path_effects=cased_line(2.6)))
    _tag_obstacles_in_picture(axes, terrain, project, picture.shape)
    _draw_headings_in_picture(axes, assessment, project, picture.shape)
    legend(figure, assessment, key)
    captions(figure, assessment)
    return png(figure)


def _stereo_marks(assessment: Assessment) -> Floats:
    """What stereo does not know below the horizon, as patterns over the picture, (H, W, 4).

    Stripes where the right lens does not see the ground, dots where nothing was matched. Each is
    light with a dark shadow, so that it shows on sunlit rock and in shade.
    """
    assert assessment.points is not None
    blank = assessment.points.blank
    rows, columns = np.indices(blank.shape)
    scale = max(1, round(blank.shape[1] / 640))  # line width: one pixel of a small picture
    below = _below_horizon(assessment)
    along = (rows + columns) % (16 * scale)
    edge = below & (blank == Blank.EDGE)
    # Every other row of dots is moved by half a step.
    step = 8 * scale
    right = (columns + rows // step % 2 * step // 2) % step
    down = rows % step
    unmatched = below & (blank != Blank.EDGE) & (blank != Blank.MATCHED)
    marks = np.zeros((*blank.shape, 4))
    width = 2 * scale
    dark = edge & (along < 2 * width) | unmatched & (right <= width) & (down <= width)
    light = edge & (along < width) | unmatched & (right < width) & (down < width)
    marks[dark] = (0.0, 0.0, 0.0, 0.55)
    marks[light] = (1.0, 1.0, 1.0, 0.75)
    return marks


def _below_horizon(assessment: Assessment) -> NDArray[np.bool_]:
    """Pixels whose rays go down in the level frame: no ground is expected in the others."""
    assert assessment.points is not None
    camera, R = assessment.points.camera, assessment.points.T_level_camera.R
    rows, columns = np.indices((camera.height, camera.width))
    return np.asarray((camera.rays(columns, rows) @ R.T)[..., 2] < 0)


def _picture_axes(
    picture: NDArray[Any], above_in: float, below_in: float
) -> tuple[Figure, Axes]:
    height, width = picture.shape
    side_in = 0.05
    shown_in = (WIDTH_IN - 2 * side_in) * height / width
    total = shown_in + above_in + below_in
    figure = Figure(figsize=(WIDTH_IN, total), dpi=DPI, facecolor=WHITE)
    axes = figure.add_axes((side_in / WIDTH_IN, below_in / total,
                            1 - 2 * side_in / WIDTH_IN, shown_in / total))
    known = picture[np.isfinite(picture)]
    # Black sand is dark: spread the greys that are there, so that a person sees the ground.
    low, high = np.percentile(known, [0.5, 99.5])
    axes.imshow(picture, cmap="gray", vmin=low, vmax=max(high, low + 1), interpolation="bilinear")
    axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5), xticks=[], yticks=[])
    return figure, axes


def projection(assessment: Assessment) -> Project:
    """From places in the level frame to pixels of the rectified left picture, (N, 2)."""
    assert assessment.points is not None
    camera = assessment.points.camera
    T_camera_level = assessment.points.T_level_camera.inverse()

    def project(x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Floats:
        p = T_camera_level.apply(np.stack(np.broadcast_arrays(x, y, z), axis=-1))
        depth = np.where(p[..., 2] > NEAREST_M, p[..., 2], np.nan)
        pixel = camera.focal_px * p[..., :2] / depth[..., None]
        return np.asarray(pixel + np.array([camera.cx, camera.cy]))

    return project


def ground_m(terrain: TerrainMap, x: ArrayLike, y: ArrayLike) -> Floats:
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
    return lambda ground: project(*ground, ground_m(terrain, *ground))


def _draw_headings_in_picture(
    axes: Axes, assessment: Assessment, project: Project, shape: tuple[int, ...]
) -> None:
    """Each heading as it runs over the ground, tagged where it enters at the lower rim."""
    assert assessment.terrain is not None
    ordered, look = by_weight(assessment), assessment.settings.look_ahead_m
    entries = np.full((len(ordered), 2), np.nan)
    to_picture = _to_picture(assessment.terrain, project)
    draw_swath(axes, assessment, to_picture)
    for i, verdict in enumerate(ordered):
        width = 3.6 if is_bold(assessment, verdict) else 2.0
        draw_heading(axes, assessment, verdict, to_picture, width)
        line = ground_along(assessment, verdict.heading_deg)(np.linspace(0.0, look, 400))
        entries[i, 0] = _entry_column(to_picture(line), shape)
    entries[:, 1] = shape[0] + 0.012 * shape[0]
    for i in keep_apart(entries, 0.065 * shape[1]):
        draw_tag(axes, entries[i], ordered[i], bold=is_bold(assessment, ordered[i]), anchor="top")


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
    x, y = ground_arc(assessment, assessment.near_strip_max_m)
    arc = project(x, y, ground_m(assessment.terrain, x, y))
    arc = arc[np.isfinite(arc).all(axis=1)]
    axes.plot(arc[:, 0], arc[:, 1], color=PURPLE, lw=1.8, ls="-.", zorder=4,
              path_effects=cased_line(3.4))


def silhouette(obstacle: Obstacle, terrain: TerrainMap, project: Project) -> Floats | None:
    """Outline in the picture of the upright prism over an obstacle's cells, (N, 2)."""
    x, y = np.array(obstacle.outline_m).T
    ground = ground_m(terrain, x, y)
    levels = (ground, ground + max(obstacle.height_m, 0.0))
    pixels = np.concatenate([project(x, y, z) for z in levels])
    pixels = pixels[np.isfinite(pixels).all(axis=1)]
    if len(pixels) < 3 or np.any(np.ptp(pixels, axis=0) < 1):
        return None
    try:
        return np.asarray(pixels[ConvexHull(pixels).vertices])
    except QhullError:  # all on one line
        return None


def _tag_obstacles_in_picture(
    axes: Axes, terrain: TerrainMap, project: Project, shape: tuple[int, ...]
) -> None:
    tallest = tallest_first(terrain.obstacles)
    if not tallest:
        return
    places = np.array([_tag_place(o, terrain, project) for o in tallest])
    drawn = np.array([silhouette(o, terrain, project) is not None for o in tallest])
    inside = ((places >= [0.03 * shape[1], 0.02 * shape[0]])
              & (places <= [0.97 * shape[1], 0.98 * shape[0]])).all(axis=1)
    places[~(inside & drawn)] = np.nan
    for i in keep_apart(places, 0.065 * shape[1])[:MOST_LABELS]:
        height_tag(axes, places[i], tallest[i])


def _tag_place(obstacle: Obstacle, terrain: TerrainMap, project: Project) -> Floats:
    ground = ground_m(terrain, obstacle.x_m, obstacle.y_m)
    return project(obstacle.x_m, obstacle.y_m, ground + max(obstacle.height_m, 0.0) / 2)


def _single_picture(assessment: Assessment) -> bytes:
    pair = assessment.pair
    picture = pair.left if pair.left is not None else pair.right
    assert picture is not None  # a pair has at least one
    figure, axes = _picture_axes(picture * (255.0 / full_scale(pair)), title_in(assessment),
                                 below_in=captions_in(assessment) + 0.05)
    there = "left" if pair.right is None else "right"
    axes.text(0.5, 0.5, f"no stereo\nthe {missing_picture(pair)} picture is missing",
              transform=axes.transAxes, ha="center", va="center", fontsize=22,
              bbox={"boxstyle": "square,pad=0.5", "fc": WHITE, "ec": BLACK})
    axes.text(0.01, 0.02, f"{there} picture as sent", transform=axes.transAxes,
              fontsize=FONT_PT, bbox={"boxstyle": "square,pad=0.2", "fc": WHITE, "ec": "none"})
    captions(figure, assessment)
    return png(figure)
