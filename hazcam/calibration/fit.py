"""Fit: one lens model adjusted to the views, those left out that do not fit the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from hazcam.calibration.bundle import (
    CONVERGED,
    Bundle,
    Corners,
    Linearised,
    Reduced,
    adjust,
    reduce_poses,
)
from hazcam.calibration.detect import Found
from hazcam.calibration.geometry import normalised, project_points
from hazcam.calibration.held_out import held_out_rms, pulls, steps_without
from hazcam.calibration.target import Target
from hazcam.calibration.views import MIN_PAIRS, TargetView, corners_of
from hazcam.errors import CalibrationError
from hazcam.frames import Floats

# A view whose residual is this many times the median of all does not fit the others. Rendered views
# through known rigs stay below 1.6 times.
_OUTLIER = 3.0
# Neither does one that pulls the rig this much harder than its corners' noise explains, and harder
# than most others do. Sound views stay below 6 and 7 (75 sets of 8, 12 and 20 with noise alone); a
# picture that is 0.5 px off, as of a target that moved, pulls by 40 and more.
_PULL, _PULL_OF_OTHERS = 10.0, 8.0
# A picture that fits alone this well, against the median of all views, is not to blame.
_FITS_ALONE = 2.0
# A corner whose residual is this many times the median was misread: chance gives 3 times. Where
# more than this share of a picture is, it is the view that does not fit.
_MISREAD, _MISREAD_SHARE = 8.0, 0.1
# Of a corner in a picture that is neither blurred nor hardly noisy.
_USUAL_NOISE_PX = 0.1
# Good enough to tell the noise, in degrees of freedom of some thousands.
_ROUGHLY = 10.0
# No sub-pixel method is better than this: a fit to exact corners is not weighed by its rounding.
_LEAST_NOISE_PX = 1e-4


@dataclass(frozen=True, kw_only=True, eq=False)
class Fit:
    """One lens model, adjusted.

    Attributes
    ----------
    bundle : Bundle
    views : tuple of TargetView
        Those that were used, as numbered in ``corners``.
    outliers : dict of str to str
        Views that do not fit the others, with the reason: left out, unless they were to be kept.
    corners : Corners
    misread : dict of str to int
        Corners left out of views that were used: they lie far from where they must.
    noise_px : ndarray of shape (2,)
        Noise of a corner, left and right, from the residuals. [px]
    problem : Linearised
        At the solution, in units of that noise.
    reduced : Reduced
        The same with the poses eliminated.
    steps : ndarray of shape (V, P)
        To the rig without each view.
    held_out_px : ndarray of shape (V,)
        Residual of each view by the rig without it. [px]
    """

    bundle: Bundle
    views: tuple[TargetView, ...]
    outliers: dict[str, str]
    corners: Corners
    misread: dict[str, int]
    noise_px: Floats
    problem: Linearised
    reduced: Reduced
    steps: Floats
    held_out_px: Floats

    @property
    def residuals_px(self) -> Floats:
        """Seen minus found, shape (M, 2). [px]"""
        return np.asarray(self.problem.residuals * self.noise_px[self.corners.right.astype(int)]
                          [:, None])


def fit_rig(
    start: Bundle, views: Sequence[TargetView], target: Target, *, keep_outliers: bool, where: str
) -> Fit:
    """Adjust a rig to views, and again without those that do not fit, the worst first.

    Parameters
    ----------
    start : Bundle
        Whence to begin, with a pose of the target for each view.
    views : sequence of TargetView
    target : Target
    keep_outliers : bool
        Name them, but use them.
    where : str
        Where the views came from, for messages.

    Raises
    ------
    CalibrationError
        Fewer than ``MIN_PAIRS`` pairs agree, or the numbers are not determined by the views.
    """
    kept, bad, bundle = list(views), [], start
    while True:
        now = _adjusted(bundle, corners_of(kept, target))
        if not keep_outliers:
            now = _without_misread(now)
        odd = _outlying(now.problem, now.corners)
        if keep_outliers or not odd:
            bad += [(kept[i], why) for i, why in odd.items()]
            return _finished(now, tuple(kept), bad, target, where)
        worst = next(iter(odd))
        bad.append((kept.pop(worst), odd[worst]))
        bundle = _without(now.bundle, worst)
        if sum(v.is_pair for v in kept) < MIN_PAIRS:
            raise CalibrationError(
                where, f"the views disagree: after leaving out {len(bad)} that fit the others "
                f"badly ({', '.join(v.id for v, _ in bad)}) fewer than {MIN_PAIRS} pairs are left",
                "views of one flat target by one rig", "look at the pictures, and take new ones",
            )


def _outlying(problem: Linearised, corners: Corners) -> dict[int, str]:
    """Views that do not fit the others, and why; the worst first."""
    rms = np.sqrt(problem.by_view((problem.residuals**2).sum(axis=1)) / np.bincount(corners.view))
    times = rms / np.median(rms)
    try:
        pull, expected, _ = pulls(reduce_poses(problem))
    except np.linalg.LinAlgError:
        pull, expected = np.zeros(len(rms)), np.ones(len(rms))  # nothing is determined: said later
    harder = pull / np.maximum(expected, 1e-12)
    of_others = harder / max(float(np.median(harder)), 1e-12)
    found = {i: f"its residual is {times[i]:.1f} times the median of the views"
             for i in map(int, np.flatnonzero(times > _OUTLIER))}
    for i in map(int, np.flatnonzero((harder > _PULL) & (of_others > _PULL_OF_OTHERS))):
        found.setdefault(i, f"it pulls the rig {np.sqrt(harder[i]):.0f} times as hard as the noise "
                            "of its corners explains")
    return dict(sorted(found.items(), key=lambda item: -harder[item[0]]))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Adjusted:
    """A bundle at its minimum, and the problem about it in units of the noise."""

    bundle: Bundle
    corners: Corners
    noise_px: Floats
    problem: Linearised


def _finished(
    now: _Adjusted, views: tuple[TargetView, ...], bad: list[tuple[TargetView, str]],
    target: Target, where: str,
) -> Fit:
    bundle, corners, noise_px, problem = now.bundle, now.corners, now.noise_px, now.problem
    try:
        reduced = reduce_poses(problem)
        steps = steps_without(reduced)
    except np.linalg.LinAlgError as error:
        raise CalibrationError(
            where, f"the views do not determine a {bundle.model} lens: some of its numbers cannot "
            "be told from others", "views over the whole picture, near and far, tilted both ways",
            "take more different views, or a lens model with fewer numbers",
        ) from error
    usual = float(np.sqrt((problem.residuals**2).sum() / len(corners.view)))
    outliers = {view.id: _why(view, odd, bundle, target, usual * noise_px)
                for view, odd in bad}
    return Fit(bundle=bundle, views=views, outliers=outliers, corners=corners,
               misread=_misread(views, corners), noise_px=noise_px,
               problem=problem, reduced=reduced, steps=steps,
               held_out_px=held_out_rms(problem, steps, noise_px[corners.right.astype(int)]))


def _without_misread(now: _Adjusted) -> _Adjusted:
    """Adjusted again without single corners that lie far off, where there are any."""
    squares = (now.problem.residuals**2).sum(axis=1)
    misread = squares > _MISREAD**2 * np.median(squares)
    picture = 2 * now.corners.view + now.corners.right
    share = np.bincount(picture, misread) / np.maximum(np.bincount(picture), 1)
    misread &= share[picture] <= _MISREAD_SHARE
    return _adjusted(now.bundle, now.corners.only(~misread)) if misread.any() else now


def _misread(views: tuple[TargetView, ...], corners: Corners) -> dict[str, int]:
    """How many of the found corners are missing, by view."""
    found = [sum(len(f.ids) for f in (v.left, v.right) if f is not None) for v in views]
    kept = np.bincount(corners.view, minlength=len(views))
    return {v.id: int(n - k) for v, n, k in zip(views, found, kept, strict=True) if n > k}


def _adjusted(bundle: Bundle, corners: Corners) -> _Adjusted:
    """Adjust with a usual noise, then with the noise that each camera shows."""
    noise_px = np.full(2, _USUAL_NOISE_PX)
    for until in (_ROUGHLY, CONVERGED):
        bundle, problem = adjust(bundle, corners, noise_px, until=until)
        found = np.maximum(_noise(bundle, problem, corners), _LEAST_NOISE_PX / noise_px)
        noise_px = noise_px * found
    unit = found[corners.right.astype(int)][:, None, None]
    return _Adjusted(bundle=bundle, corners=corners, noise_px=noise_px,
                     problem=replace(problem, rows=problem.rows / unit))


def _noise(bundle: Bundle, problem: Linearised, corners: Corners) -> Floats:
    """Noise of a corner of each camera along one axis, in the problem's units, by what is left."""
    squares = (problem.residuals**2).sum(axis=1)
    count = 2 * len(squares)
    unknowns = bundle.shared + 6 * len(bundle.poses_t)
    both = np.array([squares[corners.right == side].mean() / 2 for side in (False, True)])
    return np.asarray(np.sqrt(both * count / max(count - unknowns, 1)))


def _without(bundle: Bundle, view: int) -> Bundle:
    return replace(bundle, poses_R=np.delete(bundle.poses_R, view, axis=0),
                   poses_t=np.delete(bundle.poses_t, view, axis=0))


def _why(
    view: TargetView, text: str, bundle: Bundle, target: Target, usual_px: Floats
) -> str:
    """Which of its pictures is to blame: each is fitted alone."""
    sides = [(side, found) for side, found in enumerate((view.left, view.right))
             if found is not None]
    alone = {("left", "right")[side]: alone_px(bundle, side, found, target) / usual_px[side]
             for side, found in sides}
    blame = [name for name, value in alone.items() if value > _FITS_ALONE]
    if blame:
        return f"{text}: blurred, bent or misread in the {' and the '.join(blame)} picture"
    return (f"{text}, though each picture fits alone: the target or the rig moved between the two "
            "exposures")


def alone_px(bundle: Bundle, side: int, found: Found, target: Target) -> float:
    """Residual of one picture with the pose of the target fitted to it alone. [px]"""
    fx, fy, cx, cy = bundle.cameras[side]
    K, D = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]]), bundle.distortion[side]
    points = target.points_m[found.ids]
    _, turn, t = cv2.solvePnP(points, normalised(K, D, bundle.model, found.pixels), np.eye(3),
                              np.zeros(5))
    in_camera = points @ cv2.Rodrigues(turn)[0].T + np.asarray(t).ravel()
    apart = project_points(K, D, bundle.model, in_camera) - found.pixels
    return float(np.sqrt((apart**2).sum(axis=1).mean()))
