"""Flatness: is the target a plane, and what does it do to the rig if it is not.

A board that is bowed errs alike in all views, so that neither left-out views nor the spread between
views show it. It is asked for itself: the height over the plane, ``z = a x² + b x y + c y²`` about
the middle, is estimated beside the solution from how the corners of all views are off together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from hazcam.calibration.bundle import (
    Bundle,
    Corners,
    Linearised,
    newton_step,
    reduce_poses,
    solve_scaled,
)
from hazcam.calibration.target import Target
from hazcam.frames import Floats

# 99.9 % of chi-squared at 3 degrees of freedom.
_IT_IS_THERE = float(2 * special.gammainccinv(1.5, 0.001))


@dataclass(frozen=True, kw_only=True, eq=False)
class Flatness:
    """How far the target is from a plane.

    Attributes
    ----------
    bow_m : float
        Largest height over the plane through its middle, of all points. [m]
    sigma_m : float
        One standard deviation of the height at that point. [m]
    significant : bool
        Is it there, at 99.9 %?
    move : ndarray of shape (P,)
        By what the numbers of the rig would move if the target were taken as bowed so.
    """

    bow_m: float
    sigma_m: float
    significant: bool
    move: Floats


def flatness_of(
    bundle: Bundle, corners: Corners, problem: Linearised, target: Target, spread: float
) -> Flatness:
    """Estimate the bow of the target in one step of Newton's method from the solution.

    Parameters
    ----------
    bundle, corners, problem
        The solution, and the problem about it in units of the noise.
    target : Target
    spread : float
        Factor on the variances for the spread between views.
    """
    middle = target.points_m[:, :2].mean(axis=0)
    reach = np.abs(target.points_m[:, :2] - middle).max()
    x, y = ((corners.points_m[:, :2] - middle) / reach).T
    forms = np.stack([x * x, x * y, y * y], axis=1)
    normal = bundle.poses_R[corners.view][:, :, 2]
    by_height = (problem.J_pose[:, :, 3:] @ normal[:, :, None])  # by z, as by a shift along it
    P = bundle.shared
    rows = np.concatenate([problem.rows[:, :, :P], by_height * forms[:, None, :],
                           problem.rows[:, :, P:]], axis=2)
    bowed = replace(problem, rows=rows, J_prior=np.pad(problem.J_prior, ((0, 0), (0, 3))))
    step, _ = newton_step(bowed)
    covariance = spread * solve_scaled(reduce_poses(bowed).whole, np.eye(P + 3))[P:, P:]
    bow = step[P:]
    return _flatness(target, middle, reach, bow, covariance, step[:P])


def _flatness(
    target: Target, middle: Floats, reach: float, bow: Floats, covariance: Floats, move: Floats
) -> Flatness:
    x, y = ((target.points_m[:, :2] - middle) / reach).T
    forms = np.stack([x * x, x * y, y * y], axis=1)
    heights = forms @ bow
    highest = int(np.abs(heights).argmax())
    sigma = np.sqrt(forms[highest] @ covariance @ forms[highest])
    return Flatness(
        bow_m=float(abs(heights[highest])), sigma_m=float(sigma), move=move,
        significant=bool(bow @ np.linalg.solve(covariance, bow) > _IT_IS_THERE))
