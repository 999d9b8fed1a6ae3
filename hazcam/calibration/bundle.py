"""Bundle: both cameras, how they stand to each other, and where the target was in each view.

All corners of all views of both cameras are adjusted together: least squares of the distance, in
pixels, between where a corner was found and where the cameras would see it. The poses of the target
are eliminated (Schur complement), so a step costs a system of the size of the rig alone, and what
a view says of the rig is at hand, which ``held_out.py`` lives on.

Parameters of the rig are in the order of ``StereoRig.covariance``: fx fy cx cy of the left, of the
right camera [px]; a small turn of the right camera about its own axes [rad]; T [m]; D1; D2.

References
----------
B. Triggs et al., "Bundle adjustment: a modern synthesis," Vision Algorithms, 2000.
D. W. Marquardt, "An algorithm for least-squares estimation of nonlinear parameters," J. SIAM, 1963.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag

from hazcam.calibration.lens_prior import lens_prior
from hazcam.calibration.rig import LensModel, StereoRig
from hazcam.frames import Floats, read_only

DISTORTION_COUNT: dict[LensModel, int] = {"brown": 5, "rational": 8, "fisheye": 4}
# fx fy cx cy of both cameras, turn and T.
SHARED_WITHOUT_DISTORTION = 14
_MOST_STEPS = 60
_LEAST_DAMPING, _MOST_DAMPING = 1e-10, 1e8
# A step that lowers the cost by less than this share of what one degree of freedom holds is the
# last one: a parameter one standard deviation away raises it by that whole.
_CONVERGED = 1e-4


@dataclass(frozen=True, kw_only=True, eq=False)
class Corners:
    """What was found, of both cameras, ordered by view.

    Attributes
    ----------
    view : ndarray of shape (M,), int
        Number of the view, ascending.
    right : ndarray of shape (M,), bool
        In the picture of the right camera.
    ids : ndarray of shape (M,), int
        Which point of the target.
    points_m : ndarray of shape (M, 3)
        The same in the target frame. [m]
    pixels : ndarray of shape (M, 2)
        Column, row. [px]
    """

    view: NDArray[np.int64]
    right: NDArray[np.bool_]
    ids: NDArray[np.int64]
    points_m: Floats
    pixels: Floats

    def __post_init__(self) -> None:
        if np.any(np.diff(self.view) < 0):
            raise ValueError("corners are ordered by view")
        for name in ("view", "right", "ids", "points_m", "pixels"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def only(self, kept: NDArray[np.bool_]) -> Corners:
        """Some of them; each view keeps one at least."""
        return Corners(view=self.view[kept], right=self.right[kept], ids=self.ids[kept],
                       points_m=self.points_m[kept], pixels=self.pixels[kept])


@dataclass(frozen=True, kw_only=True, eq=False)
class Bundle:
    """State of the adjustment.

    Attributes
    ----------
    size : tuple of int
        (width, height) of the pictures. [px]
    model : str
        Lens model of both cameras.
    cameras : ndarray of shape (2, 4)
        fx fy cx cy, left and right. [px]
    distortion : ndarray of shape (2, n)
        In OpenCV's order.
    R : ndarray of shape (3, 3)
    T : ndarray of shape (3,)
        ``x_right = R x_left + T``. [m]
    poses_R : ndarray of shape (V, 3, 3)
    poses_t : ndarray of shape (V, 3)
        Target to left camera. [m]
    """

    size: tuple[int, int]
    model: LensModel
    cameras: Floats
    distortion: Floats
    R: Floats
    T: Floats
    poses_R: Floats
    poses_t: Floats

    @property
    def shared(self) -> int:
        """Number of parameters of the rig."""
        return SHARED_WITHOUT_DISTORTION + self.distortion.size

    def moved(self, shared: Floats, poses: Floats | None = None) -> Bundle:
        """After a step of the rig's parameters (P,) and, where given, of the poses (V, 6)."""
        n = self.distortion.shape[1]
        if poses is None:
            poses = np.zeros((len(self.poses_t), 6))
        return replace(
            self, cameras=self.cameras + shared[:8].reshape(2, 4),
            distortion=self.distortion + shared[14:].reshape(2, n),
            R=_exponential(shared[None, 8:11])[0] @ self.R, T=self.T + shared[11:14],
            poses_R=_exponential(poses[:, :3]) @ self.poses_R,
            poses_t=self.poses_t + poses[:, 3:])

    def as_rig(self, name: str, covariance: Floats | None) -> StereoRig:
        """The rig, not mounted."""
        K1, K2 = (np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])
                  for fx, fy, cx, cy in self.cameras)
        D1, D2 = self.distortion
        return StereoRig(name=name, size=self.size, K1=K1, D1=D1, K2=K2, D2=D2, R=self.R, T=self.T,
                         mount=None, model=self.model, covariance=covariance)


@dataclass(frozen=True, kw_only=True, eq=False)
class Linearised:
    """The problem about a state: residuals and their derivatives, in units of the noise.

    Attributes
    ----------
    residuals : ndarray of shape (M, 2)
        Seen minus found, over the noise.
    J_shared : ndarray of shape (M, 2, P)
    J_pose : ndarray of shape (M, 2, 6)
    first : ndarray of shape (V,), int
        Where each view begins.
    prior : ndarray of shape (K,)
        What is known of the lenses beforehand, as residuals.
    J_prior : ndarray of shape (K, P)
    """

    residuals: Floats
    J_shared: Floats
    J_pose: Floats
    first: NDArray[np.int64]
    prior: Floats
    J_prior: Floats

    @property
    def cost(self) -> float:
        """Sum of squares, that of the prior in it."""
        return float((self.residuals**2).sum() + (self.prior**2).sum())

    def by_view(self, per_corner: Floats) -> Floats:
        """Sums over the corners of each view, shape (V, ...)."""
        return np.asarray(np.add.reduceat(per_corner, self.first, axis=0))


def linearise(bundle: Bundle, corners: Corners, noise_px: Floats) -> Linearised:
    """Residuals and derivatives.

    Parameters
    ----------
    bundle : Bundle
    corners : Corners
        Each view has at least one.
    noise_px : ndarray of shape (2,)
        Noise of a corner, left and right: their weight. [px]
    """
    turned = np.einsum("mij,mj->mi", bundle.poses_R[corners.view], corners.points_m)
    in_left = turned + bundle.poses_t[corners.view]
    count = len(corners.view)
    residuals = np.empty((count, 2))
    J_shared, J_pose = np.zeros((count, 2, bundle.shared)), np.empty((count, 2, 6))
    n = bundle.distortion.shape[1]
    for side, here in enumerate((~corners.right, corners.right)):
        R, T = (np.eye(3), np.zeros(3)) if side == 0 else (bundle.R, bundle.T)
        rotated = in_left[here] @ R.T
        pixels, J_point, J_camera, J_lens = _projected(bundle, side, rotated + T)
        residuals[here] = (pixels - corners.pixels[here]) / noise_px[side]
        J_left = J_point @ R
        J_pose[here, :, :3] = -J_left @ _cross(turned[here]) / noise_px[side]
        J_pose[here, :, 3:] = J_left / noise_px[side]
        J_shared[here, :, 4 * side:4 * side + 4] = J_camera / noise_px[side]
        J_shared[here, :, 14 + n * side:14 + n * (side + 1)] = J_lens / noise_px[side]
        if side == 1:
            J_shared[here, :, 8:11] = -J_point @ _cross(rotated) / noise_px[side]
            J_shared[here, :, 11:14] = J_point / noise_px[side]
    first = np.flatnonzero(np.diff(corners.view, prepend=-1))
    prior, J_prior = _prior(bundle)
    return Linearised(residuals=residuals, J_shared=J_shared, J_pose=J_pose, first=first,
                      prior=prior, J_prior=J_prior)


def _prior(bundle: Bundle) -> tuple[Floats, Floats]:
    found = [lens_prior(camera, D, bundle.model, bundle.size)
             for camera, D in zip(bundle.cameras, bundle.distortion, strict=True)]
    J = np.zeros((sum(len(r) for r, _ in found), bundle.shared))
    J[:, SHARED_WITHOUT_DISTORTION:] = block_diag(*(by_lens for _, by_lens in found))
    return np.concatenate([r for r, _ in found]), J


def _projected(bundle: Bundle, side: int, points: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Pixels, and derivatives by the point (M, 2, 3), by fx fy cx cy, and by the distortion."""
    fx, fy, cx, cy = bundle.cameras[side]
    K = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])
    still, D = np.zeros(3), bundle.distortion[side]
    if len(points) == 0:
        return np.empty((0, 2)), np.empty((0, 2, 3)), np.empty((0, 2, 4)), np.empty((0, 2, D.size))
    places = points.reshape(-1, 1, 3)
    if bundle.model == "fisheye":
        pixels, J = cv2.fisheye.projectPoints(places, still, still, K, D)
        columns = ((11, 14), (0, 4), (4, 8))  # f c k turn T skew
    else:
        pixels, J = cv2.projectPoints(places, still, still, K, D)
        columns = ((3, 6), (6, 10), (10, 10 + D.size))  # turn T f c k
    J = np.asarray(J, dtype=np.float64).reshape(len(points), 2, -1)
    by_point, by_camera, by_lens = (J[:, :, first:last] for first, last in columns)
    return np.asarray(pixels, np.float64).reshape(-1, 2), by_point, by_camera, by_lens


def _cross(vectors: Floats) -> Floats:
    """Matrices (M, 3, 3) that give the cross product with each vector (M, 3) from the left."""
    x, y, z = vectors.T
    zero = np.zeros_like(x)
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(-1, 3, 3)


def _exponential(turns: Floats) -> Floats:
    """Rotations (V, 3, 3) of rotation vectors (V, 3), by Rodrigues' formula."""
    angle = np.linalg.norm(turns, axis=1)[:, None, None]
    A = _cross(turns)
    safe = np.maximum(angle, 1e-12)
    return np.asarray(np.eye(3) + np.sin(safe) / safe * A
                      + (1 - np.cos(safe)) / safe**2 * (A @ A))


@dataclass(frozen=True, kw_only=True, eq=False)
class Reduced:
    """Normal equations with the poses eliminated, view by view.

    Attributes
    ----------
    information : ndarray of shape (V, P, P)
        What each view says of the rig: inverse covariance.
    gradient : ndarray of shape (V, P)
        Of half the cost, at the best pose of the view.
    whole, whole_gradient : ndarray of shape (P, P), (P,)
        Of all views and the prior.
    H_cross : ndarray of shape (V, P, 6)
    H_pose : ndarray of shape (V, 6, 6)
    g_pose : ndarray of shape (V, 6)
    """

    information: Floats
    gradient: Floats
    whole: Floats
    whole_gradient: Floats
    H_cross: Floats
    H_pose: Floats
    g_pose: Floats


def reduce_poses(problem: Linearised, damping: float = 0.0) -> Reduced:
    """Eliminate the pose of each view; ``damping`` scales the diagonals (Marquardt)."""
    J, Jp, r = problem.J_shared, problem.J_pose, problem.residuals
    last = np.append(problem.first[1:], len(r))
    rows = [slice(a, b) for a, b in zip(problem.first, last, strict=True)]
    P = J.shape[2]
    A = [np.concatenate([J[s], Jp[s], r[s, :, None]], axis=2).reshape(-1, P + 7) for s in rows]
    N = np.stack([a.T @ a for a in A])
    H_shared, H_cross, H_pose = N[:, :P, :P], N[:, :P, P:P + 6], N[:, P:P + 6, P:P + 6]
    g_shared, g_pose = N[:, :P, -1], N[:, P:P + 6, -1]
    if damping:
        H_shared = H_shared + damping * _diagonals(H_shared)
        H_pose = H_pose + damping * _diagonals(H_pose)
    through = np.linalg.solve(H_pose, H_cross.transpose(0, 2, 1))  # (V, 6, P)
    information = H_shared - H_cross @ through
    gradient = g_shared - np.einsum("vpk,vk->vp", H_cross,
                                    np.linalg.solve(H_pose, g_pose[..., None])[..., 0])
    return Reduced(
        information=information, gradient=gradient,
        whole=information.sum(axis=0) + problem.J_prior.T @ problem.J_prior,
        whole_gradient=gradient.sum(axis=0) + problem.J_prior.T @ problem.prior,
        H_cross=H_cross, H_pose=H_pose, g_pose=g_pose)


def _diagonals(matrices: Floats) -> Floats:
    return np.asarray(np.eye(matrices.shape[-1]) * matrices)


def solve_scaled(matrix: Floats, right: Floats) -> Floats:
    """Solve symmetric positive systems whose parameters are of very different size."""
    scale = 1 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix * np.outer(scale, scale)
    return np.asarray((scale * np.linalg.solve(scaled, (scale * right.T).T).T).T)


def adjust(bundle: Bundle, corners: Corners, noise_px: Floats) -> Bundle:
    """Minimise the cost from a start, by Levenberg and Marquardt's method."""
    problem, damping = linearise(bundle, corners, noise_px), 1e-4
    for _ in range(_MOST_STEPS):
        step = _step(problem, damping)
        trial = None if step is None else bundle.moved(*step)
        after = None if trial is None else linearise(trial, corners, noise_px)
        if trial is None or after is None or not after.cost < problem.cost:
            damping *= 10
            if damping > _MOST_DAMPING:
                break
            continue
        gain = (1 - after.cost / problem.cost) * problem.residuals.size
        bundle, problem, damping = trial, after, max(damping / 20, _LEAST_DAMPING)
        if gain < _CONVERGED:
            break
    return bundle


def _step(problem: Linearised, damping: float) -> tuple[Floats, Floats] | None:
    try:
        reduced = reduce_poses(problem, damping)
        shared = -solve_scaled(reduced.whole, reduced.whole_gradient)
    except np.linalg.LinAlgError:
        return None
    rest = reduced.g_pose + np.einsum("vpk,p->vk", reduced.H_cross, shared)
    poses = -np.linalg.solve(reduced.H_pose, rest[..., None])[..., 0]
    return shared, poses
