"""Drift: how far the right camera has turned since the calibration, from what a pair shows.

Since the calibration the right camera has turned by a small rotation ``w`` about its own axes, its
centre where it was: ``R_true = Rodrigues(w) R``, ``T_true = Rodrigues(w) T``. Besides, the
direction of the baseline may have changed a little: the right camera stands ``b_y`` (down) and
``b_z`` (forward) of the baseline's length from where it stood. In the axes of the rectified right
picture, with ``(x, y)`` the normalised place there and ``d / f`` the normalised disparity (the
baseline over the depth), a feature lies off its row by

    dy / f = - w_x (1 + y²) + w_z x + w_y x y - (b_y - y b_z) d / f

to first order: ``p -> p + w x p`` for the direction ``p = (x, y, 1)``, divided by its third part.
Pitch (about x) and roll (about z, the optical axis) show themselves by a pixel for a tenth of a
degree. Vergence (about y, the vertical) shifts every disparity by ``f (1 + x²)``, 9 px per degree
at f = 512 px, but the rows by ``f x y`` only, 0.9 px per degree as a root mean square over the
picture: its sigma is stated apart, and is the larger one. The length of the baseline is the scale
of all depths and shifts no row: no scene shows it.

The tracker errs alike for all features, by what varies slowly over the picture; such fields, up to
the second order in (x, y), are fitted along as unknowns of known sigma, so that what they may feign
is in the covariance of the turn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike

from hazcam.calibration import StereoRig, noise_of, rig_digest
from hazcam.calibration.effect import derivatives
from hazcam.calibration.geometry import project_points, rectified_directions
from hazcam.epipolar import MAX_EPIPOLAR_SPREAD_PX, MIN_EPIPOLAR_FEATURES
from hazcam.frames import Floats, View, read_only
from hazcam.imagery import Intake, StereoPair
from hazcam.rectification import RectifiedPair, rectify
from hazcam.robust import LEAST_SCALE_PX, biweight, effective_variance, scale_of
from hazcam.tracks import Tracks, track_features

NAMES = ("pitch", "vergence", "roll")
"""The turn about x, y and z of the right camera."""

# The bar between the cameras is stiffer than their feet: a camera that turned by 0.3 degrees about
# a foot 2 cm away has moved by 0.1 mm, which is 0.06 degrees of a baseline of 100 mm.
BASELINE_SIGMA_DEG = 0.06

# Sigma of the offset of a feature by how alike its surroundings are in the two pictures (54
# rendered scenes): a floor, and noise and shear, which lower the correlation as they raise it.
_FLOOR_PX, _NOISE_PX = 0.03, 0.3
# Neighbouring features err alike: the fit to many varies, in variance, this much more than that to
# independent ones would (the same scenes; 1.5 fits most, and this the few in hard noise too).
NEIGHBOURS = 2.0
# What errors that vary slowly over the picture may amount to: at the centre, and at the rim by each
# slope and each term of the second order. The same scenes asked for 0.01 px at the centre, and left
# the pitch of 4 % of 177 others (block report-4) more than 3 sigma off; this leaves 1 %.
CENTRE_SIGMA_PX, RIM_SIGMA_PX = 0.04, 0.02
# With fewer found, of those that had a likely counterpart, chance finds too many of them: the
# scatter then says too little about the error.
MIN_DRIFT_SHARE = 0.5

# Beyond this many of its sigmas the direction of the baseline says that the model is wrong.
_MOST_BASELINE_SIGMAS = 4.0

_COARSE_STEPS, _FINE_STEPS = 10, 50
_MOST_ROUNDS = 4
# A turn that is left is far below its sigma: linearisation and search range no longer matter.
_SETTLED = 0.1


@dataclass(frozen=True, kw_only=True, eq=False)
class DriftEstimate:
    """Turn of the right camera since the calibration.

    Attributes
    ----------
    turn_deg : ndarray of shape (3,), float64
        Rotation vector about the right camera's own axes: pitch, vergence, roll. [deg]
        ``R_now = Rodrigues(turn) R``.
    baseline_deg : ndarray of shape (2,), float64
        By what angle the right camera is seen lower, and farther forward, from the left one. [deg]
        ``BASELINE_SIGMA_DEG`` of it is assumed, so it is near 0 unless the scene says otherwise.
    covariance : ndarray of shape (5, 5), float64
        Of both, turn first. [deg²]
    noise_covariance, calibration_covariance : ndarray of shape (5, 5), float64
        Parts of it: the noise of the features, which is another in each pair; and what the
        covariance of the rig leaves open, the same in all pairs (zeros where the rig states none).
        The rest is the systematic error of the tracker and the direction of the baseline. [deg²]
    count, sought, inliers : int
        Features tracked, those that had a likely counterpart, and those that the fit did not leave
        out.
    spread_px : float
        1.4826 times the median absolute residual of all features. [px]
    """

    turn_deg: Floats
    baseline_deg: Floats
    covariance: Floats
    noise_covariance: Floats
    calibration_covariance: Floats
    count: int
    sought: int
    inliers: int
    spread_px: float

    def __post_init__(self) -> None:
        for name, shape in (("turn_deg", (3,)), ("baseline_deg", (2,)), ("covariance", (5, 5)),
                            ("noise_covariance", (5, 5)), ("calibration_covariance", (5, 5))):
            value = np.asarray(getattr(self, name), dtype=np.float64)
            if value.shape != shape:
                raise ValueError(f"{name} of a DriftEstimate is of shape {shape}, not "
                                 f"{value.shape}")
            object.__setattr__(self, name, read_only(value))

    @property
    def sigma_deg(self) -> Floats:
        """One standard deviation of pitch, vergence and roll. [deg]"""
        return np.asarray(np.sqrt(np.diag(self.covariance)[:3]))

    @property
    def added_sigma_deg(self) -> Floats:
        """The same without the calibration's part: what more or better pairs can lower. [deg]"""
        return np.asarray(np.sqrt(np.diag(self.covariance - self.calibration_covariance)[:3]))


@dataclass(frozen=True, kw_only=True)
class NoDrift:
    """Why no drift could be estimated; false as a truth value."""

    reason: str

    def __bool__(self) -> bool:
        return False


def turned(rig: StereoRig, turn_deg: ArrayLike) -> StereoRig:
    """The rig after its right camera turned about its own centre.

    Parameters
    ----------
    rig : StereoRig
    turn_deg : array_like of shape (3,)
        Rotation vector about the right camera's own axes. [deg]
    """
    turn = _rotation(turn_deg)
    moved = replace(rig, R=turn @ rig.R, T=turn @ rig.T)
    return replace(moved, digest=rig_digest(moved))


def find_drift(
    pair: StereoPair, rig: StereoRig, intake: Intake, view: View
) -> DriftEstimate | NoDrift:
    """Estimate the drift of a rig on one pair.

    Estimate, correct the rig, rectify and track again, until the turn that is left is far below its
    sigma.

    Parameters
    ----------
    pair : StereoPair
        With both pictures.
    rig : StereoRig
        Moved and scaled to the pair's window and binning.
    intake : Intake
        Of the pair.
    view : View
        Where the floor is expected.
    """
    noise, total, left = noise_of(intake, rig), np.eye(3), np.inf
    for _ in range(_MOST_ROUNDS):
        now = replace(rig, R=total @ rig.R, T=total @ rig.T)
        rectified = rectify(pair, now, intake, exact=True)
        tracks = track_features(rectified, view, noise)
        if _lacking(tracks):
            tracks = track_features(rectified, view, noise, far_off_rows=True)
        found = None
        if tracks.count >= MIN_EPIPOLAR_FEATURES:
            found = estimate_drift(rectified, tracks, now)
        if found is None:
            break
        total = _rotation(found.turn_deg) @ total
        left = float(np.max(np.abs(found.turn_deg) / found.sigma_deg))
        if left < _SETTLED:
            break
    reason = _lacking(tracks) or _doubtful(found, left)
    if found is None or reason:
        return NoDrift(reason=reason)
    return replace(found, turn_deg=np.degrees(cv2.Rodrigues(total)[0].ravel()))


def _lacking(tracks: Tracks) -> str:
    """What too few features there are, in words; empty where they are enough."""
    needed = max(MIN_EPIPOLAR_FEATURES, math.ceil(MIN_DRIFT_SHARE * tracks.sought))
    if tracks.count >= needed:
        return ""
    return (f"only {tracks.count} feature{'' if tracks.count == 1 else 's'} could be tracked "
            f"between the pictures, {needed} are needed")


def _doubtful(found: DriftEstimate | None, left: float) -> str:
    """Why the fit is not to be relied on, in words; empty where it is.

    ``left`` is the turn that the last round still found, in sigmas.
    """
    if found is None:
        return "the features tracked between the pictures cover too little of them"
    farthest = float(np.abs(found.baseline_deg).max())
    if farthest > _MOST_BASELINE_SIGMAS * BASELINE_SIGMA_DEG:
        return ("the rows do not lie as a turn of one camera would have them: the baseline would "
                f"have to have turned by {farthest:.2f}° as well (expected "
                f"{BASELINE_SIGMA_DEG:g}°); a focal length may have changed, or both cameras moved")
    if left > 1:
        return f"the estimate did not settle in {_MOST_ROUNDS} rounds"
    if found.spread_px <= MAX_EPIPOLAR_SPREAD_PX:
        return ""
    return (f"features spread {found.spread_px:.2f} px about the rows that a turned camera would "
            f"give (limit {MAX_EPIPOLAR_SPREAD_PX:.2f} px)")


def estimate_drift(
    rectified: RectifiedPair, tracks: Tracks, rig: StereoRig
) -> DriftEstimate | None:
    """Fit the turn of the right camera to how far features lie off their rows.

    Iteratively reweighted least squares, first towards the least absolute residuals, then with
    Tukey's biweight. The direction of the baseline and the systematic error of the tracker are
    unknowns of known sigma beside the turn, of which nothing is assumed. To first order in the
    turn: see ``find_drift`` for a large one.

    Parameters
    ----------
    rectified : RectifiedPair
        By ``rig``.
    tracks : Tracks
        Features of the two pictures.
    rig : StereoRig
        As believed, moved and scaled to the pair. Its covariance, if it has one, is propagated.

    Returns
    -------
    DriftEstimate or None
        None where the features are too few, or too much in one place, for three angles.
    """
    X, precision = _design(rectified, tracks)
    if tracks.count <= X.shape[1] or np.linalg.matrix_rank(X[:, :3]) < 3:
        return None
    spread = _relative_sigma(tracks.correlations)
    found, fit = _robust_fit(X / spread[:, None], tracks.offsets_px / spread, precision)
    residuals = tracks.offsets_px - X @ found
    calibration = _left_open(rectified, tracks, rig, fit.gain[:5] / spread)
    # From the axes of the rectified picture to the camera's own.
    axes = np.eye(5)
    axes[:3, :3] = rig.R @ rectified.T_camera_rectified.R

    def own(covariance: Floats) -> Floats:
        return np.asarray(np.degrees(np.degrees(axes @ covariance @ axes.T)))

    return DriftEstimate(
        turn_deg=np.degrees(axes[:3, :3] @ found[:3]), baseline_deg=np.degrees(found[3:5]),
        covariance=own(fit.covariance[:5, :5] + calibration),
        noise_covariance=own(fit.noise[:5, :5]), calibration_covariance=own(calibration),
        count=tracks.count, sought=tracks.sought, inliers=fit.inliers,
        spread_px=scale_of(residuals),
    )


def _relative_sigma(correlations: Floats) -> Floats:
    """Sigma of the offset of each feature (N,), in units of that of the median one."""
    sigma = np.hypot(_FLOOR_PX, _NOISE_PX * np.sqrt((1 - correlations) / correlations))
    return np.asarray(sigma / np.median(sigma))


def _design(rectified: RectifiedPair, tracks: Tracks) -> tuple[Floats, Floats]:
    """Offsets per unknown (N, P) [px/rad; px for the systematic error], and prior precision (P,).

    The unknowns: three angles, two of the baseline, six fields of systematic error.
    """
    camera = rectified.camera
    f = camera.focal_px
    x = (tracks.columns - camera.cx - camera.offset_px) / f
    y = (tracks.rows - camera.cy) / f
    disparity = tracks.disparities_px + camera.offset_px
    turn = np.stack([-f * (1 + y * y), f * x * y, f * x], axis=1)
    baseline = np.stack([-disparity, y * disparity], axis=1)
    u, v = x * f / (camera.width / 2), y * f / (camera.height / 2)
    fields = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    sigma = np.repeat([np.radians(BASELINE_SIGMA_DEG), CENTRE_SIGMA_PX, RIM_SIGMA_PX], [2, 1, 5])
    precision = np.concatenate([np.zeros(3), sigma**-2])
    return np.hstack([turn, baseline, fields]), precision


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fit:
    """Covariance (P, P), its part from noise, what an offset adds to each unknown (P, N)."""

    covariance: Floats
    noise: Floats
    gain: Floats
    inliers: int


def _robust_fit(X: Floats, y: Floats, precision: Floats) -> tuple[Floats, _Fit]:
    """Unknowns (P,), and how well they are known."""
    found = np.zeros(X.shape[1])
    weights = np.ones(len(y))
    for _ in range(_COARSE_STEPS):
        found, gain = _weighted(X, y, weights, precision)
        residuals = y - X @ found
        weights = 1 / (np.maximum(np.abs(residuals), LEAST_SCALE_PX) * scale_of(residuals))
    for _ in range(_FINE_STEPS):
        scale = scale_of(residuals)
        weights = biweight(residuals / scale) / (NEIGHBOURS * scale**2)
        before, (found, gain) = found, _weighted(X, y, weights, precision)
        residuals = y - X @ found
        if np.abs(X @ (found - before)).max() < 1e-6:
            break
    information = X.T @ X / (NEIGHBOURS * effective_variance(residuals, 3))
    covariance: Floats = np.linalg.inv(information + np.diag(precision)).astype(np.float64)
    return found, _Fit(covariance=covariance, noise=covariance @ information @ covariance,
                       gain=gain, inliers=int((weights > 0).sum()))


def _weighted(X: Floats, y: Floats, weights: Floats, precision: Floats) -> tuple[Floats, Floats]:
    """Least squares with priors about 0: the unknowns, and what an offset adds to each."""
    information = X.T @ (weights[:, None] * X) + np.diag(precision)
    gain: Floats = np.linalg.solve(information, X.T * weights).astype(np.float64)
    return gain @ y, gain


def _left_open(
    rectified: RectifiedPair, tracks: Tracks, rig: StereoRig, gain: Floats
) -> Floats:
    """Covariance of what the calibration's own error feigns; zeros where the rig states none."""
    if rig.covariance is None:
        return np.zeros((len(gain), len(gain)))
    left, right = _pixels(rectified, tracks, rig)

    def offsets(changed: StereoRig) -> Floats:
        in_left, in_right = rectified_directions(changed, left, right)
        return np.asarray(rectified.camera.focal_px * (in_right - in_left)[:, 1])

    feigned = gain @ derivatives(rig, offsets, len(rig.covariance))
    return np.asarray(feigned @ rig.covariance @ feigned.T)


def _pixels(
    rectified: RectifiedPair, tracks: Tracks, rig: StereoRig
) -> tuple[Floats, Floats]:
    """Where the features are in the two pictures as taken, each (N, 2). [px]"""
    camera = rectified.camera
    left = camera.rays(tracks.columns + tracks.disparities_px, tracks.rows)
    right = camera.rays(tracks.columns - camera.offset_px, tracks.rows + tracks.offsets_px)
    in_left = left @ rectified.T_camera_rectified.R.T
    in_right = right @ (rig.R @ rectified.T_camera_rectified.R).T
    return (project_points(rig.K1, rig.D1, rig.model, in_left),
            project_points(rig.K2, rig.D2, rig.model, in_right))


def _rotation(turn_deg: ArrayLike) -> Floats:
    return np.asarray(cv2.Rodrigues(np.radians(np.asarray(turn_deg, dtype=np.float64)))[0])
