"""A first guess of both cameras and of the poses of the target, for the adjustment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import ArrayLike

from hazcam.calibration.bundle import DISTORTION_COUNT, Bundle
from hazcam.calibration.detect import Found
from hazcam.calibration.rig import LensModel
from hazcam.calibration.target import Target
from hazcam.calibration.views import TargetView
from hazcam.frames import Floats

# Focal lengths beyond these shares of the width are no guess: views that all face the camera.
_LEAST_FOCAL, _MOST_FOCAL = 0.2, 8.0
_USUAL_FOCAL = 0.8


def first_guess(
    views: Sequence[TargetView], target: Target, size: tuple[int, int]
) -> Bundle:
    """Pinhole cameras, and each pose from one picture.

    Parameters
    ----------
    views : sequence of TargetView
        Each with the target found in one picture at least, some of them in both.
    target : Target
    size : tuple of int
        (width, height). [px]
    """
    K = [_camera_matrix([v.left if side == 0 else v.right for v in views], target, size)
         for side in (0, 1)]
    poses = [[None if found is None else _pose(found, target, K[side])
              for side, found in enumerate((v.left, v.right))] for v in views]
    R, T = _between(poses)
    in_left = [left if left is not None else _seen_by_left(right, R, T) for left, right in poses]
    cameras = np.array([[k[0, 0], k[1, 1], k[0, 2], k[1, 2]] for k in K])
    return Bundle(size=size, model="brown", cameras=cameras, distortion=np.zeros((2, 5)), R=R, T=T,
                  poses_R=np.array([p[0] for p in in_left]),
                  poses_t=np.array([p[1] for p in in_left]))


def with_model(bundle: Bundle, model: LensModel, size: tuple[int, int]) -> Bundle:
    """The same cameras, all but, in the words of another lens model; from Brown-Conrady."""
    if model == bundle.model:
        return bundle
    lens = np.zeros((2, DISTORTION_COUNT[model]))
    if model == "rational":
        lens[:, :5] = bundle.distortion
    else:
        lens = np.stack([_as_fisheye(camera, D, size) for camera, D
                         in zip(bundle.cameras, bundle.distortion, strict=True)])
    return replace(bundle, model=model, distortion=lens)


def _as_fisheye(camera: Floats, D: Floats, size: tuple[int, int]) -> Floats:
    """Fisheye coefficients with the same radial distortion over the picture, by least squares."""
    k1, k2, k3 = D[[0, 1, 4]]
    reach = np.arctan(np.hypot(size[0] / camera[0], size[1] / camera[1]) / 2)
    angle = np.linspace(0.05, 1.0, 40) * reach
    r = np.tan(angle)
    radius = r * (1 + r**2 * (k1 + r**2 * (k2 + r**2 * k3)))
    powers = angle[:, None] ** np.array([3, 5, 7, 9])
    return np.asarray(np.linalg.lstsq(powers, radius - angle)[0])


def _camera_matrix(
    found: Sequence[Found | None], target: Target, size: tuple[int, int]
) -> Floats:
    seen = [f for f in found if f is not None]
    K = cv2.initCameraMatrix2D([target.points_m[f.ids].astype(np.float32) for f in seen],
                               [f.pixels.astype(np.float32) for f in seen], size)
    focal = np.sqrt(K[0, 0] * K[1, 1])
    if not _LEAST_FOCAL * size[0] < focal < _MOST_FOCAL * size[0]:
        focal = _USUAL_FOCAL * size[0]
    return np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1.0]])


_Pose = tuple[Floats, Floats]


def _pose(found: Found, target: Target, K: Floats) -> _Pose:
    _, turn, t = cv2.solvePnP(target.points_m[found.ids], found.pixels, K, np.zeros(5))
    return _matrix(turn), np.asarray(t, dtype=np.float64).ravel()


def _between(poses: Sequence[Sequence[_Pose | None]]) -> _Pose:
    """Left to right camera: the median over the pairs."""
    turns, shifts = [], []
    for left, right in poses:
        if left is not None and right is not None:
            R = right[0] @ left[0].T
            turns.append(cv2.Rodrigues(R)[0].ravel())
            shifts.append(right[1] - R @ left[1])
    return _matrix(np.median(turns, axis=0)), np.asarray(np.median(shifts, axis=0))


def _matrix(turn: ArrayLike) -> Floats:
    return np.asarray(cv2.Rodrigues(np.asarray(turn))[0], dtype=np.float64)


def _seen_by_left(right: _Pose | None, R: Floats, T: Floats) -> _Pose:
    assert right is not None  # a view has one picture at least
    return R.T @ right[0], R.T @ (right[1] - T)
