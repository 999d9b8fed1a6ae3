"""What a rig that was solved without a view says of that view: the numbers to trust.

A fit always looks well on what it was fitted to. Each view is therefore left out in turn, the rig
is moved to where it would be without it (one step of Newton's method from the solution, which is
all but there already), the pose of the target is found anew from the view itself, and what is left
over is the held-out error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from hazcam.calibration.bundle import Bundle, Corners, Linearised, Reduced, solve_scaled
from hazcam.calibration.geometry import rectified_directions, triangulate_pixels
from hazcam.calibration.target import Target
from hazcam.frames import Floats

# The sigmas are widened where chance would give so large a spread between views this often only.
_CHANCE = 0.05


@dataclass(frozen=True, kw_only=True, eq=False)
class HeldOut:
    """Held-out errors of a solved rig.

    Attributes
    ----------
    rms_px : ndarray of shape (V,)
        Reprojection error of each view, left out. [px]
    epipolar_px : ndarray of shape (N,)
        Row in the right picture minus row in the left one, after rectification, of each corner
        that both pictures hold, in pixels of the mean focal length. [px]
    epipolar_view : ndarray of shape (N,), int
        Its view.
    edges : ndarray of shape (E,)
        Distances of neighbouring points of the target, triangulated, over the true ones.
    edges_view : ndarray of shape (E,), int
        Their view.
    """

    rms_px: Floats
    epipolar_px: Floats
    epipolar_view: NDArray[np.int64]
    edges: Floats
    edges_view: NDArray[np.int64]

    @property
    def rms_all_px(self) -> float:
        """Root mean square over the views. [px]"""
        return float(np.sqrt((self.rms_px**2).mean()))


def steps_without(reduced: Reduced) -> Floats:
    """Step of the rig's parameters when each view is left out, shape (V, P)."""
    return np.stack([solve_scaled(reduced.whole - one, gradient) for one, gradient
                     in zip(reduced.information, reduced.gradient, strict=True)])


def held_out_rms(problem: Linearised, steps: Floats, noise_px: Floats) -> Floats:
    """Reprojection error of each view under the rig without it, its own pose fitted. [px]

    Parameters
    ----------
    problem : Linearised
        At the solution.
    steps : ndarray of shape (V, P)
        From ``steps_without``.
    noise_px : ndarray of shape (M,)
        Unit of the residuals of each corner. [px]
    """
    last = np.append(problem.first[1:], len(problem.residuals))
    found = []
    for first, end, step in zip(problem.first, last, steps, strict=True):
        here = slice(first, end)
        P = problem.J_shared.shape[2]
        moved = (problem.residuals[here].reshape(-1)
                 + problem.J_shared[here].reshape(-1, P) @ step)
        J = problem.J_pose[here].reshape(-1, 6)
        left = moved - J @ np.linalg.lstsq(J, moved)[0]
        in_px = left * np.repeat(noise_px[here], 2)
        found.append(np.sqrt((in_px**2).sum() / (end - first)))
    return np.array(found)


def hold_out(
    bundle: Bundle, corners: Corners, target: Target, rms_px: Floats, steps: Floats
) -> HeldOut:
    """Epipolar errors and edges of the target, each view by the rig without it."""
    offsets, views, edges = [], [], []
    for v, step in enumerate(steps):
        ids, left, right = shared_points(corners, v)
        if len(ids) == 0:
            continue
        rig = bundle.moved(step).as_rig("without one view", None)
        a, b = rectified_directions(rig, left, right)
        offsets.append((b[:, 1] - a[:, 1]) * bundle.cameras[:, :2].mean())
        views.append(np.full(len(ids), v))
        edges.append(_edges(triangulate_pixels(rig, left, right), ids, target))
    counts = [len(e) for e in edges]
    return HeldOut(rms_px=rms_px, epipolar_px=np.concatenate(offsets),
                   epipolar_view=np.concatenate(views), edges=np.concatenate(edges),
                   edges_view=np.repeat([v[0] for v in views], counts))


def shared_points(corners: Corners, view: int) -> tuple[Floats, Floats, Floats]:
    """Points of one view that both pictures hold: ids, pixels left and right."""
    here = corners.view == view
    left, right = here & ~corners.right, here & corners.right
    ids, i, j = np.intersect1d(corners.ids[left], corners.ids[right], return_indices=True)
    return ids, corners.pixels[left][i], corners.pixels[right][j]


def _edges(points_m: Floats, ids: Floats, target: Target) -> Floats:
    """Measured over true distance of points that are neighbours in a row or column.

    Along the direction that the target has: the plain distance of two points that are off by chance
    is too long on average.
    """
    place = np.full(target.count, -1)
    place[ids] = np.arange(len(ids))
    number = np.arange(target.count).reshape(target.rows, target.columns)
    first = np.concatenate([number[:, :-1].ravel(), number[:-1].ravel()])
    second = np.concatenate([number[:, 1:].ravel(), number[1:].ravel()])
    both = (place[first] >= 0) & (place[second] >= 0)
    first, second = first[both], second[both]
    there = target.points_m[ids]
    u, _, vt = np.linalg.svd((points_m - points_m.mean(axis=0)).T @ (there - there.mean(axis=0)))
    R = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt  # target to camera (Kabsch)
    true = (target.points_m[first] - target.points_m[second]) @ R.T
    measured = points_m[place[first]] - points_m[place[second]]
    return np.asarray((measured * true).sum(axis=1) / (true**2).sum(axis=1))


def spread_between_views(reduced: Reduced) -> float:
    """How much more the views disagree, in variance, than independent corner errors make them.

    1 where they do not, within chance. A lens model that does not fit, blur, or two exposures at
    different moments err alike over a view, so that counting corners as independent makes sigmas
    too small; the covariance is multiplied by this. What errs alike in all views does not show
    here: see ``flatness.py`` for a target that is bowed.

    References
    ----------
    R. M. Bell and D. F. McCaffrey, "Bias reduction in standard errors for linear regression with
    multi-stage samples," Survey Methodology, vol. 28, 2002, for scores of clusters (from memory).
    """
    pull, expected, squares = pulls(reduced)
    # As a scaled chi-squared (Satterthwaite): mean `expected`, variance 2 `squares`.
    freedom = expected.sum() ** 2 / squares.sum()
    factor = float(pull.sum() / expected.sum())
    # Of chi-squared over its mean; the inverse of scipy.stats costs an import of 0.7 s.
    limit = 2 * special.gammainccinv(freedom / 2, _CHANCE) / freedom
    return factor if factor > limit else 1.0


def pulls(reduced: Reduced) -> tuple[Floats, Floats, Floats]:
    """How hard each view pulls the rig away from where the others have it.

    Returns
    -------
    pull : ndarray of shape (V,)
        Square of the pull in sigmas of the rig.
    expected : ndarray of shape (V,)
        Its mean if corners err independently.
    squares : ndarray of shape (V,)
        Half of its variance then.
    """
    whole = reduced.whole
    pull, expected, squares = [], [], []
    for one, gradient in zip(reduced.information, reduced.gradient, strict=True):
        share = solve_scaled(whole, one)
        left = share - share @ share
        pull.append(float(gradient @ solve_scaled(whole, gradient)))
        expected.append(float(np.trace(left)))
        squares.append(float(np.trace(left @ left)))
    return np.array(pull), np.array(expected), np.array(squares)
