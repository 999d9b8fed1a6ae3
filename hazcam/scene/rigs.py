"""The rigs of the demonstration rovers: made up, not measured, and said so in their files.

``python -m hazcam.scene.rigs DIR`` writes them to ``DIR``.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from hazcam.calibration.checks import rig_digest
from hazcam.calibration.io import write_rig
from hazcam.calibration.rig import StereoRig
from hazcam.frames import R_BODY_OPTICAL, Floats, Pose, rotation_x, rotation_y

SIZE = (640, 480)
READ_NOISE = 0.6


def _mount(height_m: float, pitch_deg: float, lean_deg: float = 0.0) -> Pose:
    R = rotation_y(pitch_deg) @ rotation_x(lean_deg) @ R_BODY_OPTICAL
    return Pose(R=R, t=np.array([0.17, 0.05, height_m]))


def _ideal(name: str, height_m: float) -> StereoRig:
    f = SIZE[0] / 2 / np.tan(np.radians(32.0))
    K = np.array([[f, 0, (SIZE[0] - 1) / 2], [0, f, (SIZE[1] - 1) / 2], [0, 0, 1]])
    return StereoRig(
        name=name, size=SIZE, K1=K, D1=np.zeros(5), K2=K, D2=np.zeros(5), R=np.eye(3),
        T=np.array([-0.10, 0.0, 0.0]), mount=_mount(height_m, 18.0), read_noise=READ_NOISE,
        provenance={"origin": "made for the rendered demonstration, not measured",
                    "camera": "ideal: 64 degrees wide, no distortion, axes parallel"},
    )


def _camera_matrix(fx: float, fy: float, cx: float, cy: float) -> Floats:
    return np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])


def _as_built() -> StereoRig:
    turn = np.radians(np.array([0.25, -0.35, 0.20]))
    return StereoRig(
        name="dunlin-em-raw", size=SIZE,
        K1=_camera_matrix(505.3, 504.6, 324.1, 236.2),
        D1=np.array([-0.251, 0.083, 0.0006, -0.0004, 0.0]),
        K2=_camera_matrix(509.8, 509.0, 316.7, 243.5),
        D2=np.array([-0.246, 0.079, -0.0005, 0.0003, 0.0]),
        R=np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64),
        T=np.array([-0.0994, 0.0006, -0.0004]), mount=_mount(0.17, 18.2, 0.15),
        read_noise=READ_NOISE,
        provenance={"origin": "made for the rendered demonstration, not measured",
                    "camera": "the cameras of dunlin-em as built: distorted, slightly turned"},
    )


def demonstration_rigs() -> dict[str, StereoRig]:
    """All rigs of the demonstration by name."""
    rigs = (_ideal("dunlin-em", 0.17), _as_built(), _ideal("dunlin-fm", 0.18))
    return {rig.name: rig for rig in rigs}


def moved_rig(
    rig: StereoRig, *, height_m: float | None = None, baseline_m: float | None = None
) -> StereoRig:
    """The same cameras at another height on the rover, or farther apart; None leaves as it is.

    Its name says both in millimetres.

    A longer baseline moves the right camera only: away from the left one, along their line.

    Raises
    ------
    ValueError
        For a rig without a mount, or a length that is not above 0.
    """
    if rig.mount is None:
        raise ValueError("a rig without a mount has no height on a rover")
    if min(v for v in (height_m, baseline_m, 1.0) if v is not None) <= 0:
        raise ValueError("height and baseline are above 0")
    t = np.array(rig.mount.t)
    t[2] = t[2] if height_m is None else height_m
    stretch = 1.0 if baseline_m is None else baseline_m / rig.baseline_m
    name = f"{rig.name}-{1000 * t[2]:.0f}-up-{1000 * rig.baseline_m * stretch:.0f}-apart"
    moved = replace(rig, name=name, mount=Pose(R=rig.mount.R, t=t),
                    T=rig.T * stretch,
                    provenance={**rig.provenance, "moved": f"{t[2]:.3f} m up, baseline "
                                f"{rig.baseline_m * stretch:.3f} m; from {rig.name}"})
    return replace(moved, digest=rig_digest(moved))


if __name__ == "__main__":
    for demonstration in demonstration_rigs().values():
        file = Path(sys.argv[1]) / f"{demonstration.name}.yaml"
        write_rig(demonstration, file)
        print(file)
