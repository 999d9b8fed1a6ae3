"""The depth map: as numbers (TIFF) and as a picture."""

from __future__ import annotations

import io

import numpy as np
import tifffile
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from hazcam.depth import PointMap
from hazcam.report.drawing import (
    DPI,
    WHITE,
    WIDTH_IN,
    png,
)


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
    figure = Figure(figsize=(WIDTH_IN, total), dpi=DPI, facecolor=WHITE)
    axes = figure.add_axes((0.05 / WIDTH_IN, 0.42 / total, 7.9 / WIDTH_IN, shown_in / total))
    axes.set(xticks=[], yticks=[], facecolor="#EFEFEF")
    low, high = np.percentile(depth[known], [0, 95]) if known.any() else (0.1, 1.0)
    if not known.all():
        axes.contourf((~known).astype(float), levels=[0.5, 1.5], colors="none",
                      hatches=["...."]).set(edgecolor="#505050", linewidth=0.0)
    image = axes.imshow(depth, cmap="cividis", norm=LogNorm(low, max(high, 1.2 * low)),
                        interpolation="nearest")
    bar_axes = figure.add_axes((8.05 / WIDTH_IN, 0.42 / total, 0.18 / WIDTH_IN,
                                shown_in / total))
    bar = figure.colorbar(image, cax=bar_axes, extend="max", label="depth [m], logarithmic",
                          ticks=[0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 5, 10, 20, 50],
                          format="%g")
    bar.minorticks_off()
    figure.legend(handles=[Patch(facecolor="#EFEFEF", hatch="....", edgecolor="#505050", lw=0.6,
                                 label="depth not known")],
                  loc="lower left", fontsize=8, frameon=False)
    return png(figure)
