"""A scene's exact disparities as a PointMap: the stages after matching, without its errors."""

from __future__ import annotations

import numpy as np

from hazcam.depth import PointMap, triangulate
from hazcam.disparity import Blank, DisparityMap
from hazcam.frames import view_from
from hazcam.imagery import Intake, NoiseModel, pair_from_arrays
from hazcam.rectification import rectify
from tests.synthetic import LEVEL, Scene, ideal_rig, true_depth


def exact_points(scene: Scene, sigma_px: float = 0.05) -> PointMap:
    """Points of every pixel of the scene, each said to be known to ``sigma_px``."""
    rig = ideal_rig()
    width, height = rig.size
    grey = np.zeros((height, width), dtype=np.uint8)  # nobody looks at it
    rectified = rectify(pair_from_arrays(grey, grey), rig,
                        Intake(left_state=grey, right_state=grey, noise=NoiseModel(read_grey=0.0)))
    camera, depth = rectified.camera, true_depth(scene, rig)
    disparity = (camera.focal_px * camera.baseline_m / depth).astype(np.float32)
    known = np.isfinite(disparity) & (disparity > 1)
    disparity[~known] = np.nan
    assert rig.mount is not None
    return triangulate(
        DisparityMap(
            disparity_px=disparity, sigma_px=np.where(known, sigma_px, np.nan).astype(np.float32),
            blank=np.where(known, Blank.MATCHED, Blank.OUT_OF_RANGE).astype(np.uint8),
            matcher="exact",
        ),
        rectified, view_from(rig.mount, LEVEL, unknown_tilt_deg=0.0, scale_sigma=0.0),
    )
