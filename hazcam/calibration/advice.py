"""What to photograph next: the view that would lower the uncertainty of ranges the most.

Every candidate is a placing of the target that both cameras would see whole. What it would say of
the rig follows from the geometry alone, before it is taken (optimal design of experiments; the
criterion is the mean variance of what is asked for, here of the range at 1 m: "I-optimal").
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hazcam.calibration.bundle import Bundle, Corners, linearise, reduce_poses, solve_scaled
from hazcam.calibration.effect import derivatives, place_words
from hazcam.calibration.geometry import normalised, project, triangulate_pixels
from hazcam.calibration.rig import StereoRig
from hazcam.calibration.target import Target
from hazcam.frames import Floats, rotation_x, rotation_y

AT_M = 1.0
_GRID = (7, 5)
_PLACES = (0.2, 0.5, 0.8)  # shares of the picture at which the middle of the target is tried
_TILTS = ((0.0, 0.0), (35.0, 0.0), (-35.0, 0.0), (0.0, 35.0), (0.0, -35.0))
# Nearer views than this share of the nearest, or farther than this share of the farthest that were
# taken, are not asked for: who photographed knows how much room there is.
_NEARER, _FARTHER = 0.7, 1.5
_ADVISED = 3
# A view that lowers the sigma by less than this share is not worth a walk.
_WORTH = 0.02


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """A placing of the target, and what it would be good for.

    Attributes
    ----------
    place : str
        Of its middle in the left picture, in words.
    distance_m : float
        From the left camera. [m]
    tilt : str
        How it is held, in words.
    before_m, after_m : float
        Root mean square sigma of ranges at 1 m over the picture, by chance alone. [m]
    """

    place: str
    distance_m: float
    tilt: str
    before_m: float
    after_m: float


def propose(
    bundle: Bundle, rig: StereoRig, information: Floats, distances_m: Floats, target: Target,
    noise_px: Floats,
) -> tuple[Proposal, ...]:
    """The views that would help most, the best first; each on top of those before it.

    Parameters
    ----------
    bundle, rig
        The solution.
    information : ndarray of shape (P, P)
        Inverse covariance of the rig.
    distances_m : ndarray of shape (V,)
        At which the target was held. [m]
    target : Target
    noise_px : ndarray of shape (2,)
        Noise of a corner. [px]
    """
    J = _range_derivatives(rig, len(information))
    poses = _seen_whole(rig, target, _candidates(rig, target, distances_m))
    if not poses:
        return ()
    gains = _informations(bundle, target, poses, noise_px)
    found: list[Proposal] = []
    before = _rms(J, information)
    for _ in range(_ADVISED):
        after = [_rms(J, information + gain) for gain in gains]
        best = int(np.argmin(after))
        if after[best] > (1 - _WORTH) * before:
            break
        found.append(_proposal(rig, target, poses[best], before, after[best]))
        information, before = information + gains[best], after[best]
    return tuple(found)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Pose:
    R: Floats
    t: Floats
    tilt: tuple[float, float]


def _candidates(rig: StereoRig, target: Target, distances_m: Floats) -> list[_Pose]:
    middle = target.points_m.mean(axis=0)
    pixels = np.array([[x, y] for x in _PLACES for y in _PLACES]) * rig.size
    rays = np.column_stack([normalised(rig.K1, rig.D1, rig.model, pixels), np.ones(len(pixels))])
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    turns = [(tilt, turned_by(tilt)) for tilt in _TILTS]
    return [_Pose(R=R, t=distance * ray - R @ middle, tilt=tilt)
            for distance in (_NEARER * distances_m.min(), _FARTHER * distances_m.max())
            for ray in rays for tilt, R in turns]


def _seen_whole(rig: StereoRig, target: Target, poses: Sequence[_Pose]) -> list[_Pose]:
    """Those at which all points are in both pictures."""
    points = np.stack([target.points_m @ pose.R.T + pose.t for pose in poses])
    left, right = project(rig, points.reshape(-1, 3))
    inside = np.all((left > 0) & (right > 0) & (left < np.array(rig.size) - 1.0)
                    & (right < np.array(rig.size) - 1.0), axis=1) & (points[..., 2].ravel() > 0)
    whole = inside.reshape(len(poses), -1).all(axis=1)
    return [pose for pose, seen in zip(poses, whole, strict=True) if seen]


def _informations(
    bundle: Bundle, target: Target, poses: Sequence[_Pose], noise_px: Floats
) -> Floats:
    """What each pose would say of the rig, shape (N, P, P)."""
    n, count = len(poses), target.count
    corners = Corners(
        view=np.repeat(np.arange(n), 2 * count), right=np.tile(np.repeat([False, True], count), n),
        ids=np.tile(np.arange(count), 2 * n), points_m=np.tile(target.points_m, (2 * n, 1)),
        pixels=np.zeros((2 * n * count, 2)))
    there = replace(bundle, poses_R=np.stack([p.R for p in poses]),
                    poses_t=np.stack([p.t for p in poses]))
    return reduce_poses(linearise(there, corners, noise_px)).information


def _range_derivatives(rig: StereoRig, count: int) -> Floats:
    """Derivatives of the range at ``AT_M`` over the picture by the rig's numbers, (N, P)."""
    columns, rows = (np.linspace(0, n - 1, k) for n, k in zip(rig.size, _GRID, strict=True))
    pixels = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    rays = np.column_stack([normalised(rig.K1, rig.D1, rig.model, pixels), np.ones(len(pixels))])
    points = AT_M * rays / np.linalg.norm(rays, axis=1, keepdims=True)
    left, right = project(rig, points)
    inside = np.all((right >= 0) & (right <= np.array(rig.size) - 1.0), axis=1)
    left, right = left[inside], right[inside]
    return derivatives(
        rig, lambda r: np.linalg.norm(triangulate_pixels(r, left, right), axis=1), count)


def _rms(J: Floats, information: Floats) -> float:
    covariance = solve_scaled(information, np.eye(len(information)))
    return float(np.sqrt(np.einsum("np,pq,nq->n", J, covariance, J).mean()))


def _proposal(
    rig: StereoRig, target: Target, pose: _Pose, before_m: float, after_m: float
) -> Proposal:
    place = pose.R @ target.points_m.mean(axis=0) + pose.t
    pixel = project(rig, place[None])[0][0]
    return Proposal(place=place_words(pixel, rig.size), distance_m=float(np.linalg.norm(place)),
                    tilt=tilt_words(*pose.tilt), before_m=before_m, after_m=after_m)


def turned_by(tilt_deg: tuple[float, float]) -> Floats:
    """Target to camera, tilted about the vertical and the horizontal from facing it."""
    return rotation_y(tilt_deg[0]) @ rotation_x(tilt_deg[1])


def tilt_words(about_vertical: float, about_horizontal: float) -> str:
    """Which edge is nearer then."""
    if about_vertical:
        side = "right" if about_vertical > 0 else "left"
        return f"its {side} edge turned {abs(about_vertical):.0f}° towards the cameras"
    if about_horizontal:
        edge = "lower" if about_horizontal < 0 else "upper"
        return f"its {edge} edge turned {abs(about_horizontal):.0f}° towards the cameras"
    return "facing the cameras"
