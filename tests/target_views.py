"""Views of a target as the solver takes them, without pictures: exact corners and seeded noise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from hazcam.calibration import StereoRig
from hazcam.calibration.detect import Found
from hazcam.calibration.geometry import project
from hazcam.calibration.target import Target
from hazcam.calibration.views import TargetView
from hazcam.frames import Floats, Pose
from tests.boards import random_views

CHESSBOARD = Target(kind="chessboard", columns=9, rows=6, pitch_m=0.025)


def views_through(
    rig: StereoRig, count: int = 12, *, seed: int = 0, noise_px: float = 0.1,
    target: Target = CHESSBOARD, most_tilt_deg: float = 45.0,
) -> list[TargetView]:
    """Random views that both cameras of a rig see wholly."""
    poses = random_views(target, rig, count, seed, most_tilt_deg=most_tilt_deg)
    return views_at(rig, poses, seed=seed, noise_px=noise_px, target=target)


def views_at(
    rig: StereoRig, poses: Sequence[Pose], *, seed: int = 0, noise_px: float = 0.1,
    target: Target = CHESSBOARD,
) -> list[TargetView]:
    """Views of a target at poses in the left camera frame."""
    rng = np.random.default_rng([seed, 77])
    views = []
    for i, pose in enumerate(poses):
        left, right = project(rig, pose.apply(target.points_m))
        views.append(TargetView(
            id=f"{i:02d}", left=noisy(left, noise_px, rng), right=noisy(right, noise_px, rng),
            left_name=f"left{i:02d}.png", right_name=f"right{i:02d}.png"))
    return views


def noisy(pixels: Floats, noise_px: float, rng: np.random.Generator) -> Found:
    return Found(ids=np.arange(len(pixels)),
                 pixels=pixels + noise_px * rng.standard_normal(pixels.shape))
