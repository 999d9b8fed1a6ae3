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
# last one: a parameter one standard deviation away raises it by that whole, and the step after it
# would gain far less (convergence is quadratic).
CONVERGED = 1e-2


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
    """The problem about a state, in units of the noise.

    Attributes
    ----------
    rows : ndarray of shape (M, 2, P + 7)
        Of each corner along each axis: derivatives by the rig (P), by the pose of the target (6),
        and the residual, seen minus found.
    first : ndarray of shape (V,), int
        Where each view begins.
    prior : ndarray of shape (K,)
        What is known of the lenses beforehand, as residuals.
    J_prior : ndarray of shape (K, P)
    """

    rows: Floats
    first: NDArray[np.int64]
    prior: Floats
    J_prior: Floats

    @property
    def residuals(self) -> Floats:
        """Seen minus found, shape (M, 2)."""
        return self.rows[:, :, -1]

    @property
    def J_shared(self) -> Floats:
        """Derivatives by the rig, shape (M, 2, P)."""
        return self.rows[:, :, :-7]

    @property
    def J_pose(self) -> Floats:
        """Derivatives by the pose of the target, shape (M, 2, 6)."""
        return self.rows[:, :, -7:-1]

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
    turned = (bundle.poses_R[corners.view] @ corners.points_m[:, :, None])[:, :, 0]
    in_left = turned + bundle.poses_t[corners.view]
    rows = np.empty((len(corners.view), 2, bundle.shared + 7))
    for side, here in enumerate((np.flatnonzero(~corners.right), np.flatnonzero(corners.right))):
        rows[here] = _rows_of(bundle, side, turned[here], in_left[here],
                              corners.pixels[here]) / noise_px[side]
    first = np.flatnonzero(np.diff(corners.view, prepend=-1))
    prior, J_prior = _prior(bundle)
    return Linearised(rows=rows, first=first, prior=prior, J_prior=J_prior)


def _rows_of(
    bundle: Bundle, side: int, turned: Floats, in_left: Floats, found_px: Floats
) -> Floats:
    """The rows of one camera's corners, in pixels."""
    P, n = bundle.shared, bundle.distortion.shape[1]
    R, T = (np.eye(3), np.zeros(3)) if side == 0 else (bundle.R, bundle.T)
    rotated = in_left @ R.T
    pixels, J_point, J_camera, J_lens = _projected(bundle, side, rotated + T)
    J_left = J_point @ R
    rows = np.zeros((len(turned), 2, P + 7))
    rows[:, :, 4 * side:4 * side + 4] = J_camera
    rows[:, :, 14 + n * side:14 + n * (side + 1)] = J_lens
    if side == 1:
        rows[:, :, 8:11] = -J_point @ _cross(rotated)
        rows[:, :, 11:14] = J_point
    rows[:, :, P:P + 3] = -J_left @ _cross(turned)
    rows[:, :, P + 3:P + 6] = J_left
    rows[:, :, -1] = pixels - found_px
    return rows


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
    last = np.append(problem.first[1:], len(problem.rows))
    views = [problem.rows[a:b].reshape(-1, problem.rows.shape[2])
             for a, b in zip(problem.first, last, strict=True)]
    N = np.stack([rows.T @ rows for rows in views])
    P = N.shape[1] - 7
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


def adjust(
    bundle: Bundle, corners: Corners, noise_px: Floats, *, until: float = CONVERGED
) -> tuple[Bundle, Linearised]:
    """Minimise the cost from a start, by Levenberg and Marquardt's method.

    Parameters
    ----------
    bundle, corners, noise_px
        As for ``linearise``.
    until : float
        The last step is one that gains no more than this, in degrees of freedom.

    Returns
    -------
    bundle : Bundle
        At the minimum.
    problem : Linearised
        The problem about it.
    """
    problem, damping = linearise(bundle, corners, noise_px), 1e-4
    for _ in range(_MOST_STEPS):
        trial = _tried(bundle, problem, damping)
        after = None if trial is None else linearise(trial, corners, noise_px)
        if trial is None or after is None or not after.cost < problem.cost:
            damping *= 10
            if damping > _MOST_DAMPING:
                break
            continue
        gain = (1 - after.cost / problem.cost) * problem.residuals.size
        bundle, problem, damping = trial, after, max(damping / 20, _LEAST_DAMPING)
        if gain < until:
            break
    return bundle, problem


def _tried(bundle: Bundle, problem: Linearised, damping: float) -> Bundle | None:
    """One damped step on; None where it is not determined."""
    try:
        return bundle.moved(*newton_step(problem, damping))
    except np.linalg.LinAlgError:
        return None


def newton_step(problem: Linearised, damping: float = 0.0) -> tuple[Floats, Floats]:
    """Step of the rig's parameters (P,) and of the poses (V, 6).

    Parameters
    ----------
    problem : Linearised
    damping : float
        Marquardt's: a share of the diagonals that is added to them.

    Raises
    ------
    numpy.linalg.LinAlgError
        Where it is not determined.
    """
    reduced = reduce_poses(problem, damping)
    shared = -solve_scaled(reduced.whole, reduced.whole_gradient)
    rest = reduced.g_pose + np.einsum("vpk,p->vk", reduced.H_cross, shared)
    poses = -np.linalg.solve(reduced.H_pose, rest[..., None])[..., 0]
    return shared, poses
