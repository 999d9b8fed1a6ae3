"""Solve a rig from views of a target: the stages in order, and how good the result is.

Views that show nothing new or do not belong together are set aside; each lens model in question is
adjusted, outlier views dropped; the model is chosen by what it foretells of views that it was not
fitted to; the covariance is that of the adjustment, widened by how much more the views disagree
than their corners' noise explains, and by what another corner method makes of the same pictures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from hazcam.calibration.advice import propose
from hazcam.calibration.bundle import Bundle, Corners, linearise, newton_step, solve_scaled
from hazcam.calibration.checks import check_baseline, check_distortion, check_rig, rig_digest
from hazcam.calibration.choice import chosen_of, scores_of
from hazcam.calibration.coverage import Coverage, coverage_of
from hazcam.calibration.fit import Fit, fit_rig
from hazcam.calibration.flatness import Flatness, flatness_of
from hazcam.calibration.held_out import hold_out, pulls, spread_between_views
from hazcam.calibration.rig import LensModel, StereoRig
from hazcam.calibration.solution import ParameterSigma, RigSolution, ViewReport
from hazcam.calibration.start import first_guess, with_model
from hazcam.calibration.target import Target
from hazcam.calibration.views import (
    MIN_PAIRS,
    Fate,
    TargetView,
    check_sides,
    corners_of,
    on_one_line,
    repeats,
    same_points,
    shares_points,
)
from hazcam.calibration.words import advice_texts, verdict_text
from hazcam.errors import CalibrationError, HazcamError, RigError
from hazcam.frames import Floats

# The simplest comes first: another one has to be better by more than chance.
MODELS: tuple[LensModel, ...] = ("brown", "fisheye", "rational")
# A focal length known no better than this makes all ranges worthless: what stands 30 cm ahead would
# be off by a centimetre.
LARGEST_FOCAL_SIGMA = 0.03
# Two lenses cannot stand nearer to each other.
SHORTEST_BASELINE_M = 0.005
# Views that face the camera within this angle tell nothing of the focal length.
_FACING_DEG = 10.0


def solve_rig(
    views: Sequence[TargetView], target: Target, size: tuple[int, int], *,
    model: LensModel | None = None, keep_outliers: bool = False, name: str = "rig",
    where: str = "the views",
) -> RigSolution:
    """Solve both cameras and how they stand to each other.

    Parameters
    ----------
    views : sequence of TargetView
        Pairs, and views of one camera alone.
    target : Target
    size : tuple of int
        (width, height) of all pictures. [px]
    model : str, optional
        Lens model of both cameras; None compares all and chooses by the held-out error.
    keep_outliers : bool
        Use views, too, that do not fit the others; they are named all the same.
    name : str
        Of the rig.
    where : str
        Where the views came from, for messages.

    Returns
    -------
    RigSolution
        The rig is not mounted, and states no noise of its pixels.

    Raises
    ------
    CalibrationError
        No calibration can come of the views, with the reason.
    RigError
        What came of them is no sane rig, for example with left and right swapped.
    """
    reasons: dict[str, str] = {}
    kept = _usable(views, target, size, reasons, where)
    fits, failures = _fits(kept, target, size, (model,) if model else MODELS, keep_outliers, where)
    scores = scores_of(fits, failures)
    chosen = fits[chosen_of(fits)]
    reasons |= chosen.outliers
    spread = spread_between_views(chosen.reduced)
    flatness = flatness_of(chosen.bundle, chosen.corners, chosen.problem, target, spread)
    rig, parameters = _rig_of(chosen, target, flatness, spread, name, where)
    rms_px = float(np.sqrt((chosen.residuals_px**2).sum(axis=1).mean()))
    held_out = hold_out(chosen.bundle, chosen.corners, target, chosen.held_out_px, chosen.steps)
    coverage = coverage_of(chosen.bundle, chosen.corners, target, size)
    proposals = propose(chosen.bundle, rig, chosen.reduced.whole / spread,
                        coverage.distance_m, target, chosen.noise_px * np.sqrt(spread))
    return RigSolution(
        rig=rig, target=target, views=_reports(views, reasons, chosen, coverage), models=scores,
        choice="prescribed" if model else "held-out error", parameters=parameters,
        corner_px=(float(chosen.noise_px[0]), float(chosen.noise_px[1])), rms_px=rms_px,
        held_out=held_out, spread_between_views=spread, flatness=flatness,
        corners=chosen.corners,
        residuals_px=chosen.residuals_px, used=tuple(v.id for v in chosen.views),
        coverage=coverage,
        advice=advice_texts(coverage, proposals, spread, _hardest(chosen), flatness,
                            chosen.outliers),
        verdict=verdict_text(rig, held_out, coverage),
    )


def _hardest(fit: Fit) -> str:
    """The view that disagrees most with the others."""
    pull, expected, _ = pulls(fit.reduced)
    return fit.views[int((pull / expected).argmax())].id


# --- which views ---------------------------------------------------------------------------------


def _usable(
    views: Sequence[TargetView], target: Target, size: tuple[int, int],
    reasons: dict[str, str], where: str,
) -> list[TargetView]:
    """The views that a solution can be made of; ``reasons`` takes why the others are not."""
    found = [v for v in views if v.left is not None or v.right is not None]
    reasons |= on_one_line(found)
    reasons |= repeats([v for v in found if v.id not in reasons])
    kept = [v for v in found if v.id not in reasons]
    pairs = [v for v in kept if v.is_pair and shares_points(v)]
    if len(pairs) < MIN_PAIRS:
        again = sum(reason.startswith("repeats") for reason in reasons.values())
        twice = f", {again} more repeat one of them" if again else ""
        left, right = (sum(getattr(v, side) is not None for v in views)
                       for side in ("left", "right"))
        raise CalibrationError(
            where, f"the target is found in both pictures of {len(pairs)} different "
            f"pair{'' if len(pairs) == 1 else 's'} of {len(views)}{twice}; in {left} left and "
            f"{right} right pictures",
            f"{MIN_PAIRS} different pairs at least, better 15 to 20",
            "take more pairs, with the target at another place and tilt in each",
        )
    reasons |= check_sides(pairs, target, size, where)
    return [v for v in kept if v.id not in reasons]


# --- which lens model ----------------------------------------------------------------------------


def _fits(
    views: Sequence[TargetView], target: Target, size: tuple[int, int],
    models: tuple[LensModel, ...], keep_outliers: bool, where: str,
) -> tuple[dict[LensModel, Fit], dict[LensModel, str]]:
    """A fit of each model that the views determine, and why not for the others."""
    fits: dict[LensModel, Fit] = {}
    failures: dict[LensModel, str] = {}
    first: HazcamError | None = None
    guess = first_guess(views, target, size)
    for model in models:
        # A lens that is solved already is a better start, if it knows the pose of every view.
        solved = fits.get("brown")
        known = guess if solved is None or solved.outliers else solved.bundle
        try:
            fit = fit_rig(with_model(known, model, size), views, target,
                          keep_outliers=keep_outliers, where=where)
            _check_observable(fit, where)
            _check_lens(fit, size, where)
            fits[model] = fit
        except (CalibrationError, RigError) as error:
            failures[model] = error.found
            first = first or error
    if first is not None and not fits:
        raise first
    return fits, failures


def _check_observable(fit: Fit, where: str) -> None:
    """Raise unless the views tell the focal lengths."""
    information = fit.reduced.whole
    variance = np.diag(solve_scaled(information, np.eye(len(information))))
    focal = fit.bundle.cameras[:, :2].ravel()
    with np.errstate(invalid="ignore"):
        share = np.sqrt(variance[[0, 1, 4, 5]]) / np.abs(focal)
    if np.all(share < LARGEST_FOCAL_SIGMA) and np.all(focal > 0):
        return
    tilt = np.degrees(np.arccos(np.clip(np.abs(fit.bundle.poses_R[:, 2, 2]), 0, 1)))
    known = (f"it is known to {100 * np.nanmax(share):.0f} % only" if np.isfinite(share).any()
             else "it is not known at all")
    facing = bool(np.median(tilt) < _FACING_DEG)
    raise CalibrationError(
        where, f"the focal length is not observable, {known}"
        + (f": the target faces the cameras in all views (tilted by {tilt.max():.0f}° at most)"
           if facing else ""),
        f"views that tell it to {100 * LARGEST_FOCAL_SIGMA:.0f} %: the target tilted by 20 to 45 "
        "degrees, in different directions",
        "take more views with the target tilted, also near enough to fill half of the picture",
    )


def _check_lens(fit: Fit, size: tuple[int, int], where: str) -> None:
    """Raise for distortion that turns back within the picture: a failed calibration."""
    rig = fit.bundle.as_rig("solved", None)
    for side, K, D in (("left", rig.K1, rig.D1), ("right", rig.K2, rig.D2)):
        check_distortion(K, D, size, rig.model, f"{where}: {side} camera, {rig.model} lens")


# --- the rig and its covariance ------------------------------------------------------------------


def _rig_of(
    fit: Fit, target: Target, flatness: Flatness, spread: float, name: str, where: str
) -> tuple[StereoRig, tuple[ParameterSigma, ...]]:
    """The rig with its covariance, and the table of its numbers."""
    _check_sides_are_not_exchanged(fit.bundle, where)
    check_baseline(fit.bundle.T, f"{where}: the solved rig")
    chance = spread * solve_scaled(fit.reduced.whole, np.eye(len(fit.reduced.whole)))
    method = _method_covariance(fit, target)
    if flatness.significant:
        bowed = np.outer(flatness.move, flatness.move)
        method = bowed if method is None else method + bowed
    covariance = chance if method is None else chance + method
    rig = check_rig(fit.bundle.as_rig(name, (covariance + covariance.T) / 2))
    return replace(rig, digest=rig_digest(rig)), _parameters(fit.bundle, chance, method)


def _check_sides_are_not_exchanged(bundle: Bundle, where: str) -> None:
    across_m = float(bundle.T[0])
    if across_m > 0 and across_m > np.abs(bundle.T[1:]).max():
        raise CalibrationError(
            where, "left and right pictures are swapped: by them the right camera stands "
            f"{1000 * across_m:.0f} mm to the left of the left one",
            "the left camera's pictures as left ones",
            "exchange the two names in --pair, or the columns of the list",
        )
    if np.linalg.norm(bundle.T) < SHORTEST_BASELINE_M:
        raise CalibrationError(
            where, f"the two cameras are {1000 * np.linalg.norm(bundle.T):.1f} mm apart",
            f"pictures by two cameras, {1000 * SHORTEST_BASELINE_M:.0f} mm apart at least",
            "check that left and right are not the same pictures, and that --pitch-mm is in mm",
        )


def _method_covariance(fit: Fit, target: Target) -> Floats | None:
    """Mean square of what the other corner methods move the numbers by; None without any.

    Less what they would move them by if they set corners elsewhere by chance alone: how much that
    is shows in what no rig explains of the difference between the two sets of corners.
    """
    methods = sorted(set.intersection(*(set(v.again) for v in fit.views)))
    if not methods:
        return None
    moves = [_moved_by(corners_of(fit.views, target, method), fit) for method in methods]
    return np.asarray(np.mean([np.outer(move, move) for move in moves], axis=0))


def _moved_by(others: Corners, fit: Fit) -> Floats:
    """What other corners of the same views move the numbers of the rig by, beyond chance (P,)."""
    corners = same_points(others, fit.corners)
    # The solution for the other corners is one step of Newton's method away.
    problem = linearise(fit.bundle, corners, fit.noise_px)
    move, poses = newton_step(problem)
    unexplained = (problem.residuals - fit.problem.residuals + problem.J_shared @ move
                   + (problem.J_pose @ poses[corners.view][..., None])[..., 0])
    freedom = unexplained.size - len(move) - 6 * len(fit.views)
    by_chance = len(move) * float((unexplained**2).sum()) / freedom
    observed = max(float(move @ fit.reduced.whole @ move), 1e-12)
    return np.asarray(move * np.sqrt(max(0.0, 1 - by_chance / observed)))


_LENS_NAMES: dict[LensModel, tuple[str, ...]] = {
    "brown": ("k1", "k2", "p1", "p2", "k3"),
    "rational": ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6"),
    "fisheye": ("k1", "k2", "k3", "k4"),
}


def _parameters(
    bundle: Bundle, chance: Floats, method: Floats | None
) -> tuple[ParameterSigma, ...]:
    names = [(f"{key} {side}", "px") for side in ("left", "right") for key in ("fx", "fy", "cx",
                                                                              "cy")]
    names += [(f"turn about {axis}", "deg") for axis in "xyz"]
    names += [(f"T {axis}", "mm") for axis in "xyz"]
    names += [(f"{key} {side}", "") for side in ("left", "right")
              for key in _LENS_NAMES[bundle.model]]
    turn = cv2.Rodrigues(bundle.R)[0].ravel()
    values = np.concatenate([bundle.cameras.ravel(), turn, bundle.T, bundle.distortion.ravel()])
    scale = np.array([{"px": 1.0, "deg": np.degrees(1.0), "mm": 1e3, "": 1.0}[u] for _, u in names])
    rows = [ParameterSigma(
        name=name, unit=unit, value=float(value * k), chance=float(np.sqrt(c) * k),
        method=None if method is None else float(np.sqrt(m) * k),
    ) for (name, unit), value, k, c, m in zip(
        names, values, scale, np.diag(chance),
        np.diag(chance if method is None else method), strict=True)]
    along = bundle.T / np.linalg.norm(bundle.T)
    baseline = ParameterSigma(
        name="baseline", unit="mm", value=1e3 * float(np.linalg.norm(bundle.T)),
        chance=1e3 * _along(chance, along),
        method=None if method is None else 1e3 * _along(method, along))
    return (*rows[:8], baseline, *rows[8:])


def _along(covariance: Floats, direction: Floats) -> float:
    return float(np.sqrt(direction @ covariance[11:14, 11:14] @ direction))


# --- what became of each view --------------------------------------------------------------------


def _reports(
    views: Sequence[TargetView], reasons: dict[str, str], fit: Fit, coverage: Coverage
) -> tuple[ViewReport, ...]:
    place = {view.id: i for i, view in enumerate(fit.views)}
    squares = (fit.residuals_px**2).sum(axis=1)
    reports = []
    for view in views:
        i = place.get(view.id)
        here = fit.corners.view == (-1 if i is None else i)
        rms = tuple(float(np.sqrt(squares[here & side].mean())) if (here & side).any()
                    else float("nan") for side in (~fit.corners.right, fit.corners.right))
        nothing = float("nan")
        fate, reason = _fate(view, reasons, used=i is not None)
        if view.id in fit.misread:
            reason = "; ".join(filter(None, [reason, _misread_text(fit.misread[view.id])]))
        reports.append(ViewReport(
            id=view.id, left_name=view.left_name, right_name=view.right_name, fate=fate,
            reason=reason, rms_px=(rms[0], rms[1]),
            points=(0 if view.left is None else len(view.left.ids),
                    0 if view.right is None else len(view.right.ids)),
            held_out_px=nothing if i is None else float(fit.held_out_px[i]),
            distance_m=nothing if i is None else float(coverage.distance_m[i]),
            tilt_deg=nothing if i is None else float(coverage.tilt_deg[i])))
    return tuple(reports)


def _misread_text(count: int) -> str:
    return f"{count} point{'' if count == 1 else 's'} far from where they must be, left out"


def _fate(
    view: TargetView, reasons: dict[str, str], *, used: bool
) -> tuple[Fate, str]:
    if view.id in reasons and not used:
        return Fate.DROPPED, reasons[view.id]
    if view.is_pair:
        return Fate.USED, reasons.get(view.id, "")
    missing = [f"{side} picture" for side, name, found in (
        ("left", view.left_name, view.left), ("right", view.right_name, view.right))
        if name and found is None]
    reason = f"target not found in the {' or the '.join(missing)}" if missing else ""
    if view.left is None and view.right is None:
        return Fate.NOT_FOUND, reason
    return (Fate.RIGHT_ONLY if view.left is None else Fate.LEFT_ONLY), reason
