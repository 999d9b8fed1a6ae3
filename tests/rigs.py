"""Rigs of each lens model for the tests of the calibration."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.calibration import LensModel, StereoRig, rig_digest
from hazcam.calibration.mount import MountAngles, mount_rotation
from hazcam.frames import Pose, rotation_x, rotation_y

DISTORTION: dict[LensModel, tuple[list[float], list[float]]] = {
    "brown": ([-0.25, 0.08, 6e-4, -4e-4, 0.0], [-0.24, 0.07, -5e-4, 3e-4, 1e-3]),
    "rational": ([0.3, 0.05, 4e-4, -3e-4, 0.01, 0.6, 0.12, 0.02],
                 [0.28, 0.06, -2e-4, 3e-4, 0.01, 0.57, 0.13, 0.02]),
    "fisheye": ([-0.02, 0.006, -0.002, 1e-4], [-0.018, 0.005, -0.001, 1e-4]),
}
MOUNT = Pose(R=mount_rotation(MountAngles(roll_deg=0.4, pitch_deg=18.0, yaw_deg=-0.6)),
             t=np.array([0.17, 0.05, 0.17]))


def a_rig(model: LensModel = "brown", **changes: Any) -> StereoRig:
    """640 x 480, 0.10 m apart, slightly turned, mounted."""
    D1, D2 = (np.array(D) for D in DISTORTION[model])
    values: dict[str, Any] = {
        "name": "mast", "size": (640, 480), "model": model,
        "K1": np.array([[505.0, 0, 324.0], [0, 504.0, 236.0], [0, 0, 1]]), "D1": D1,
        "K2": np.array([[509.0, 0, 317.0], [0, 508.0, 243.0], [0, 0, 1]]), "D2": D2,
        "R": rotation_x(0.25) @ rotation_y(-0.35), "T": np.array([-0.1, 0.0012, -0.0006]),
        "mount": MOUNT,
    }
    rig = StereoRig(**(values | changes))
    return replace(rig, digest=rig_digest(rig))


def a_covariance(rig: StereoRig, *, distortion: bool, seed: int = 1) -> NDArray[np.float64]:
    """Correlated, of the size that a good chessboard calibration has."""
    sigma = [0.5, 0.5, 0.6, 0.6] * 2 + [3e-4, 4e-4, 2e-4] + [1.5e-4, 1e-4, 2e-4]
    if distortion:
        sigma += [2e-4] * (rig.D1.size + rig.D2.size)
    n = len(sigma)
    root = np.random.default_rng(seed).normal(size=(n, 2 * n))
    spread = root @ root.T
    scale = np.array(sigma) / np.sqrt(np.diag(spread))
    return np.asarray(spread * np.outer(scale, scale))
