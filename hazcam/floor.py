"""FloorPlane: the plane of a flat floor in one pair, from its disparities.

A plane is linear in column, row and disparity: ``(d + offset) / (f B) = n·r / H``, with r the ray
of the pixel (z = 1), n the unit normal from the camera to the plane and H the distance. So the fit
is linear, in the unit in which the errors are even. No ground need be expected: the matcher is
given one range for the whole picture, and finds the plane to search about by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.calibration import StereoRig, noise_of, rig_for
from hazcam.calibration.mount import tilt_of
from hazcam.disparity import DisparityMap, Matcher
from hazcam.disparity.band import flat_band
from hazcam.errors import PairError
from hazcam.frames import Floats, read_only
from hazcam.imagery import StereoPair, check_pictures
from hazcam.rectification import RectifiedPair, rectify
from hazcam.robust import TUKEY, biweight

# A floor nearer to the camera than this along its axis is not searched for. [m]
NEAREST_M = 0.12
# Matches are taken from every so-manyeth row and column: neighbours share their window.
_EVERY_PX = 3
# Errors of matches, and a floor that is not quite flat, are alike within a patch: the fit's
# covariance takes patches as independent, so many across the picture.
PATCHES_ACROSS = 10
_COARSE_ROUNDS, _FINE_ROUNDS = 15, 20
# What all matches of a pair may be off by alike, and again by each slope at the rim (rendered
# floors under known cameras).
MATCHER_SIGMA_PX = 0.005
# Residuals are not smaller than this share of their stated sigma.
_LEAST_SCALE = 0.1
# Off the plane is what lies farther than this from it, in sigma and in pixels.
OFF_SIGMAS, OFF_PX = 4.0, 1.0
# Refused: less matched, more of it off the plane, patches that lie farther off as a whole. On
# rendered flat floors with noise less than 1 % are off, and patches by up to 0.26 px (rms);
# half a pixel of 100 px of disparity is 1 mm of floor under a camera 0.2 m up.
LEAST_MATCHED = 0.10
MOST_OFF = 0.10
MOST_BOW_PX = 0.5
# A patch counts with so many matches.
_PATCH_MATCHES = 30
# The plane of a floor under a camera that looks ahead.
_MOST_PITCH_DEG, _MOST_ROLL_DEG = 75.0, 45.0


@dataclass(frozen=True, kw_only=True, eq=False)
class FloorPlane:
    """The floor as one pair shows it.

    Attributes
    ----------
    pair_id, pair_digest : str
        Which pair.
    up : ndarray of shape (3,), float64
        Unit normal of the floor, upwards, in the left camera frame as built.
    height_m : float
        Of the left camera's projection centre above it. [m]
    covariance : ndarray of shape (3, 3), float64
        Of height [m], pitch and roll [deg], from the fit alone: what the calibration leaves open
        is not in it.
    matched : float
        Share of the left picture that was matched.
    off : float
        Share of the matches that lie off the plane: by more than ``OFF_PX`` and ``OFF_SIGMAS``.
    bow_px : float
        By how much patches of the picture lie off the plane as a whole, root mean square. [px]
    residual_px : float
        1.4826 times the median absolute residual. [px]
    residual_sigmas : float
        The same of the residuals in units of each match's stated sigma.
    """

    pair_id: str
    pair_digest: str
    up: Floats
    height_m: float
    covariance: Floats
    matched: float
    off: float
    bow_px: float
    residual_px: float
    residual_sigmas: float

    def __post_init__(self) -> None:
        if self.up.shape != (3,) or self.covariance.shape != (3, 3):
            raise ValueError("a FloorPlane has up (3,) and a covariance (3, 3)")
        for name in ("up", "covariance"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))

    @property
    def pitch_deg(self) -> float:
        """Of the optical axis below the horizon of the floor. [deg]"""
        return tilt_of(self.up)[1]

    @property
    def roll_deg(self) -> float:
        """Positive: left side up. [deg]"""
        return tilt_of(self.up)[0]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Matches:
    """Columns, rows, disparity with the offset of the centres, and its sigma [px]; all (N,)."""

    columns: Floats
    rows: Floats
    shifted: Floats
    sigma: Floats


def find_floor(pair: StereoPair, rig: StereoRig, matcher: Matcher) -> FloorPlane:
    """Match a pair of a flat floor and fit its plane.

    Parameters
    ----------
    pair : StereoPair
        With both pictures. Its attitude is not used.
    rig : StereoRig
        Of the whole sensor; a mount is not used.
    matcher : Matcher
        As in ``Settings``.

    Raises
    ------
    HazcamError
        Useless pictures, sizes that do not fit.
    PairError
        A picture is missing, too little was matched, or what is seen is not a flat floor.
    """
    if pair.left is None or pair.right is None:
        missing = "left" if pair.left is None else "right"
        raise PairError(pair.id, f"the {missing} picture is missing", "both pictures of a floor",
                        "give a pair with both")
    fitted = rig_for(pair.size, pair.window, pair.binning, rig, where=pair.left_name)
    intake = check_pictures(pair)
    rectified = rectify(pair, fitted, intake)
    camera = rectified.camera
    nearest_px = camera.focal_px * camera.baseline_m / NEAREST_M - camera.offset_px
    band = flat_band(camera, -camera.offset_px, min(nearest_px, camera.width - 1.0))
    return plane_of(pair, rectified, matcher.match(rectified, band, noise_of(intake, fitted)))


def plane_of(pair: StereoPair, rectified: RectifiedPair, disparity: DisparityMap) -> FloorPlane:
    """Fit the floor to the disparities of a pair; see ``find_floor``."""
    if disparity.matched_share < LEAST_MATCHED:
        raise PairError(
            pair.id, f"only {disparity.matched_share:.0%} of the picture could be matched",
            f"a textured floor over {LEAST_MATCHED:.0%} of the picture or more",
            "lay something with texture on the floor, give it more light, or check the rig")
    matches = _sample(disparity, rectified.camera.offset_px)
    rays = rectified.camera.rays(matches.columns, matches.rows)
    found = _robust_plane(rays, matches)
    residual = matches.shifted - rays @ found
    off = np.abs(residual) > np.maximum(OFF_SIGMAS * matches.sigma, OFF_PX)
    patch = _patches(matches, rectified.camera.width)
    bow_px = _bow_px(residual[~off], patch[~off])
    _refuse_what_is_no_plane(pair.id, float(off.mean()), bow_px)
    covariance = _covariance(rays, residual, matches.sigma, patch) + _shared(rectified)
    floor = FloorPlane(
        pair_id=pair.id, pair_digest=pair.digest,
        **_place(found, rectified),
        covariance=_of_place(found, covariance, rectified), matched=disparity.matched_share,
        off=float(off.mean()), bow_px=bow_px, residual_px=_spread(residual),
        residual_sigmas=_spread(residual / matches.sigma))
    _refuse_what_is_no_floor(floor)
    return floor


def _sample(disparity: DisparityMap, offset_px: float) -> _Matches:
    every = np.s_[::_EVERY_PX, ::_EVERY_PX]
    values, sigma = disparity.disparity_px[every], disparity.sigma_px[every]
    rows, columns = np.nonzero(np.isfinite(values))
    return _Matches(columns=_EVERY_PX * columns.astype(np.float64),
                    rows=_EVERY_PX * rows.astype(np.float64),
                    shifted=values[rows, columns].astype(np.float64) + offset_px,
                    sigma=sigma[rows, columns].astype(np.float64))


# --- the fit --------------------------------------------------------------------------------------


def _robust_plane(rays: Floats, matches: _Matches) -> Floats:
    """``f B n / H`` [px], shape (3,): the plane's disparity at a ray is its product with it.

    Iteratively reweighted least squares on residuals in units of their sigma: first towards the
    least absolute ones, then with Tukey's biweight at their own scale.
    """
    y, sigma = matches.shifted, matches.sigma
    found = _weighted(rays, y, 1 / sigma**2)
    for _ in range(_COARSE_ROUNDS):
        size = np.maximum(np.abs(y - rays @ found), _LEAST_SCALE * sigma)
        found = _weighted(rays, y, 1 / (sigma * size))
    for _ in range(_FINE_ROUNDS):
        scaled = (y - rays @ found) / sigma
        found = _weighted(rays, y, biweight(scaled / _scale(scaled)) / sigma**2)
    return found


def _weighted(X: Floats, y: Floats, weights: Floats) -> Floats:
    weighted = X.T * weights
    return np.asarray(np.linalg.solve(weighted @ X, weighted @ y))


def _covariance(rays: Floats, residual: Floats, sigma: Floats, patch: NDArray[np.int64]) -> Floats:
    """Of the coefficients, shape (3, 3): the errors of a patch may be alike, patches do not.

    ``A^-1 (sum over patches of g gᵀ) A^-1``, g the patch's sum of psi x (K.-Y. Liang and
    S. L. Zeger, "Longitudinal data analysis using generalized linear models," Biometrika 73(1):
    13-22, 1986), A the sum of psi' x xᵀ of the M-estimate.
    """
    u = residual / sigma
    scaled = u / _scale(u)
    slope = np.where(np.abs(scaled) < TUKEY,
                     (1 - (scaled / TUKEY) ** 2) * (1 - 5 * (scaled / TUKEY) ** 2), 0.0)
    score = rays * (residual * biweight(scaled) / sigma**2)[:, None]
    sums = np.stack([np.bincount(patch, score[:, i]) for i in range(3)], axis=1)
    A = np.linalg.inv((rays.T * (slope / sigma**2)) @ rays)
    count = np.unique(patch).size
    return np.asarray(A @ (sums.T @ sums) @ A * (count / max(count - 3, 1)))


def _shared(rectified: RectifiedPair) -> Floats:
    """Of the coefficients, shape (3, 3), from what all matches are off by alike."""
    camera = rectified.camera
    rim = np.array([camera.width, camera.height]) / (2 * camera.focal_px)
    return np.diag((MATCHER_SIGMA_PX / np.array([*rim, 1.0])) ** 2)


def _scale(scaled: Floats) -> float:
    """Of residuals in units of their stated sigma; exact data leave rounding only."""
    return max(_spread(scaled), _LEAST_SCALE)


def _spread(values: Floats) -> float:
    return 1.4826 * float(np.median(np.abs(values)))


def _patches(matches: _Matches, width: int) -> NDArray[np.int64]:
    """Number of the patch of each match, shape (N,)."""
    side = width / PATCHES_ACROSS
    return (matches.rows // side * (PATCHES_ACROSS + 1) + matches.columns // side).astype(np.int64)


def _bow_px(residual: Floats, patch: NDArray[np.int64]) -> float:
    """Root mean square of the mean residuals of patches. [px]"""
    counts, sums = np.bincount(patch), np.bincount(patch, residual)
    means = sums[counts >= _PATCH_MATCHES] / counts[counts >= _PATCH_MATCHES]
    return float(np.sqrt(np.mean(means**2))) if means.size else 0.0


# --- the place of the camera ----------------------------------------------------------------------


def _place(found: Floats, rectified: RectifiedPair) -> dict[str, Any]:
    """Height and up of the left camera as built."""
    size = float(np.linalg.norm(found))
    camera = rectified.camera
    return {"height_m": camera.focal_px * camera.baseline_m / size,
            "up": -rectified.T_camera_rectified.R @ (found / size)}


def _of_place(found: Floats, covariance: Floats, rectified: RectifiedPair) -> Floats:
    """Covariance of height, pitch and roll from that of the coefficients, shape (3, 3)."""
    def numbers(coefficients: Floats) -> Floats:
        place = _place(coefficients, rectified)
        roll, pitch = tilt_of(place["up"])
        return np.array([place["height_m"], pitch, roll])

    step = 1e-4 * float(np.linalg.norm(found))
    J = np.stack([(numbers(found + step * unit) - numbers(found - step * unit)) / (2 * step)
                  for unit in np.eye(3)], axis=1)
    return np.asarray(J @ covariance @ J.T)


# --- what is refused ------------------------------------------------------------------------------


def _refuse_what_is_no_plane(pair_id: str, off: float, bow_px: float) -> None:
    if off > MOST_OFF:
        found = f"{off:.0%} of the matches lie off the plane that fits best"
    elif bow_px > MOST_BOW_PX:
        found = (f"whole patches of the picture lie {bow_px:.2f} px (root mean square) off the "
                 "plane that fits best: a floor that bends, or a rig that has changed")
    else:
        return
    raise PairError(
        pair_id, f"not a flat floor: {found}",
        f"one plane: {MOST_OFF:.0%} of the matches off it at most, patches by {MOST_BOW_PX:g} px "
        "at most", "clear the floor, or take the pair on a flat one that fills the picture")


def _refuse_what_is_no_floor(floor: FloorPlane) -> None:
    if abs(floor.pitch_deg) <= _MOST_PITCH_DEG and abs(floor.roll_deg) <= _MOST_ROLL_DEG:
        return
    raise PairError(
        floor.pair_id, f"a plane, but not a floor: the camera would be pitched "
        f"{floor.pitch_deg:.0f}° and rolled {floor.roll_deg:.0f}° against it",
        f"a floor below a camera that looks ahead, pitched {_MOST_PITCH_DEG:g}° and rolled "
        f"{_MOST_ROLL_DEG:g}° at most", "turn away from the wall, or turn the pictures upright")
