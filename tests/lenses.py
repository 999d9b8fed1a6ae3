"""Rigs with each lens model, made up like those of the demonstration: for tests and benchmarks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hazcam.calibration import LensModel, StereoRig
from hazcam.calibration.checks import check_rig
from hazcam.scene.rigs import demonstration_rigs

# Focal length as a share of that of dunlin-em-raw, and both distortions in OpenCV's order.
_LENSES: dict[LensModel, tuple[float, tuple[float, ...], tuple[float, ...]]] = {
    "brown": (1.0, (-0.251, 0.083, 0.0006, -0.0004, 0.0), (-0.246, 0.079, -0.0005, 0.0003, 0.0)),
    "rational": (0.9, (0.25, 0.02, 0.0006, -0.0004, 0.0, 0.55, 0.06, 0.001),
                 (0.27, 0.02, -0.0005, 0.0003, 0.0, 0.56, 0.06, 0.001)),
    "fisheye": (0.65, (-0.02, 0.004, -0.002, 0.0003), (-0.025, 0.006, -0.003, 0.0004)),
}


def rig_with(model: LensModel) -> StereoRig:
    """The cameras of dunlin-em-raw with another lens: 64, 70 and 100 degrees wide."""
    raw = demonstration_rigs()["dunlin-em-raw"]
    share, D1, D2 = _LENSES[model]
    scale = np.array([[share, 1, 1], [1, share, 1], [1, 1, 1]])
    return check_rig(replace(raw, name=f"{model}-lens", K1=raw.K1 * scale, K2=raw.K2 * scale,
                             D1=np.array(D1), D2=np.array(D2), model=model))
