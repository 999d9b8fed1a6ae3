"""One worst case as a picture: the left view with the heading's swath, and the true heights."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.ticker import MultipleLocator
from numpy.typing import ArrayLike, NDArray

from hazcam.errors import HazcamError
from hazcam.frames import Floats
from hazcam.imagery.sidecar import parse_sidecar
from hazcam.report.drawing import BLACK, BLUE, ORANGE, WHITE, cased_line, png
from hazcam.rover.profile import RoverProfile
from hazcam.scene.camera import pixels_of
from hazcam.scene.io import TruthError, read_truth, truth_path
from hazcam.scene.rehearsal.worst import Case
from hazcam.scene.truth import Elevation, SceneTruth

_WIDTH_IN, _HEIGHT_IN = 8.6, 3.75
_FONT_PT = 9.5
_LEAST_SPAN_CM = 8.0  # of the colours: flat ground is not made to look rough
_DASHES = (0, (3.0, 1.2))


def case_picture(sidecar: Path, case: Case, rover: RoverProfile) -> bytes:
    """PNG of a case.

    Raises
    ------
    HazcamError
        The sidecar, the picture or the truth cannot be read.
    """
    truth = read_truth(truth_path(sidecar))
    return case_figure(_left_picture(sidecar), truth, case, rover)


def case_figure(
    picture: NDArray[Any], truth: SceneTruth, case: Case, rover: RoverProfile
) -> bytes:
    """PNG: on the left the picture with the swath, on the right the true heights from above."""
    figure = Figure(figsize=(_WIDTH_IN, _HEIGHT_IN), facecolor=WHITE)
    view = figure.add_axes((0.005, 0.08, 0.545, 0.91))
    ground = figure.add_axes((0.625, 0.135, 0.275, 0.84))
    bar = figure.add_axes((0.915, 0.135, 0.017, 0.84))
    _draw_view(view, picture, truth, case, rover)
    image = _draw_ground(ground, truth.elevation, case, rover)
    label = figure.colorbar(image, cax=bar, extend="both")
    label.set_label("true height [cm]", fontsize=_FONT_PT)
    bar.tick_params(labelsize=_FONT_PT)
    return png(figure)


def _left_picture(sidecar: Path) -> NDArray[Any]:
    try:
        text = sidecar.read_text(encoding="utf-8")
        left = parse_sidecar(text, sidecar).left
        data = None if left is None else np.frombuffer(left.read_bytes(), np.uint8)
    except (OSError, UnicodeDecodeError) as error:
        raise _no_picture(sidecar, f"cannot be read ({error})") from error
    image = None if data is None or not data.size else cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    if image is None:
        raise _no_picture(sidecar, "names no left picture that can be read")
    return image


def _no_picture(sidecar: Path, found: str) -> HazcamError:
    return TruthError(str(sidecar), found, "the sidecar of a rendered pair with its pictures",
                      "render the pair again with `hazcam scene render`")


def _colour(case: Case) -> str:
    return BLUE if case.mistake == "false-go" else ORANGE


def _along(case: Case, rover: RoverProfile, distance_m: ArrayLike, offset_m: float) -> Floats:
    """Places of a heading, ``offset_m`` to its left, (N, 2). [m]"""
    angle = np.radians(case.heading_deg)
    reach = rover.body.nose_m + np.asarray(distance_m, dtype=np.float64)
    return np.stack([reach * np.cos(angle) - offset_m * np.sin(angle),
                     reach * np.sin(angle) + offset_m * np.cos(angle)], axis=-1)


def _heights_m(elevation: Elevation, places: Floats) -> Floats:
    """Height of the cell that each place is in; NaN beyond the map. [m]"""
    rows, cols = np.rint(elevation.rows_cols(places[:, 0], places[:, 1])).astype(int)
    height, width = elevation.z_m.shape
    inside = (rows >= 0) & (rows < height) & (cols >= 0) & (cols < width)
    found = elevation.z_m[np.where(inside, rows, 0), np.where(inside, cols, 0)]
    return np.where(inside, found, np.nan)


def _draw_view(
    axes: Axes, picture: NDArray[Any], truth: SceneTruth, case: Case, rover: RoverProfile
) -> None:
    height, width = picture.shape
    low, high = np.percentile(picture, [0.5, 99.5])
    axes.imshow(picture, cmap="gray", vmin=low, vmax=max(high, low + 1), interpolation="bilinear")
    axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5), xticks=[], yticks=[])

    def to_picture(places: Floats) -> Floats:
        z = _heights_m(truth.elevation, places)
        return pixels_of(truth.cameras[0], np.column_stack([places, z]))[0]

    _draw_way(axes, case, rover, to_picture)
    axes.set_xlabel("left picture; lines lie on the true ground", fontsize=_FONT_PT, labelpad=3)


def _draw_way(axes: Axes, case: Case, rover: RoverProfile, to_axes: Any) -> None:
    """Edges of the swath, the way that the verdict called clear, and where truth is blocked."""
    whole = np.linspace(0.0, case.look_ahead_m, 160)
    for side in (-0.5, 0.5):
        edge = to_axes(_along(case, rover, whole, side * rover.swath_m))
        axes.plot(edge[:, 0], edge[:, 1], color=WHITE, lw=1.2, path_effects=cased_line(2.6, BLACK))
    clear = to_axes(_along(case, rover, np.linspace(0.0, case.clear_m, 160), 0.0))
    axes.plot(clear[:, 0], clear[:, 1], color=_colour(case), lw=2.6,
              ls="-" if case.mistake == "false-go" else _DASHES,
              path_effects=cased_line(4.4, WHITE if case.mistake == "false-go" else BLACK))
    if case.mistake == "false-go":
        across = np.linspace(-0.5, 0.5, 60) * rover.swath_m
        bar = to_axes(np.concatenate([_along(case, rover, [case.true_clear_m], float(offset))
                                      for offset in across]))
        axes.plot(bar[:, 0], bar[:, 1], color=BLACK, lw=2.2, path_effects=cased_line(4.2))
    else:
        place = to_axes(_along(case, rover, [case.clear_m], 0.0))[0]
        axes.plot(*place, marker="X", ms=8, color=BLACK, mec=WHITE, mew=0.8)


def _span_cm(elevation: Elevation) -> tuple[float, float]:
    """Heights of the first and the last colour: nearly all there are, and no narrow span. [cm]"""
    known = 100 * elevation.z_m[np.isfinite(elevation.z_m)]
    low, high = np.percentile(known, [1, 99]) if known.size else (0.0, 0.0)
    spare = max(_LEAST_SPAN_CM - (high - low), 0.0) / 2
    return float(low - spare), float(high + spare)


def _draw_ground(axes: Axes, elevation: Elevation, case: Case, rover: RoverProfile) -> Any:
    rows, cols = elevation.z_m.shape
    x_max = elevation.x_min_m + rows * elevation.cell_m
    y_max = elevation.y_min_m + cols * elevation.cell_m
    axes.set_facecolor("#8C8C8C")
    # rows run ahead (up), columns to the left: y is shown growing to the left
    low_cm, high_cm = _span_cm(elevation)
    image = axes.imshow(100 * elevation.z_m, cmap="cividis", origin="lower", vmin=low_cm,
                        vmax=high_cm,
                        extent=(elevation.y_min_m, y_max, elevation.x_min_m, x_max),
                        interpolation="nearest")
    reach = rover.body.nose_m + case.look_ahead_m + 0.15
    side = min(max(0.55 * reach, abs(np.sin(np.radians(case.heading_deg))) * reach + 0.3), 1.5)
    axes.set(xlim=(side, -side), ylim=(max(elevation.x_min_m, -0.1), min(reach, x_max)),
             xlabel="left ← [m] → right", ylabel="ahead of the rover origin [m]")
    axes.set_aspect("equal", adjustable="box")
    axes.xaxis.label.set_fontsize(_FONT_PT)
    axes.yaxis.label.set_fontsize(_FONT_PT)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MultipleLocator(0.5 if reach > 1 else 0.25))
    axes.xaxis.set_major_formatter(lambda v, _: f"{abs(v):g}")
    axes.tick_params(labelsize=_FONT_PT)
    body = rover.body
    half = body.width_m / 2
    axes.add_patch(Polygon([(-half, body.nose_m), (half, body.nose_m),
                            (half, body.nose_m - body.length_m),
                            (-half, body.nose_m - body.length_m)],
                           fc=WHITE, ec=BLACK, lw=1.0))
    _draw_way(axes, case, rover, lambda places: places[:, ::-1])
    return image
