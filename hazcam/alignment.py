"""VerticalOffset: how far the right picture lies off its rows, fitted and taken out.

The offset is modelled on the plane of the right picture, for that is what moved against the left
one: a camera that nodded (a), turned about its optical axis (b) or changed its focal length (c).
Rows are those of the rectified left picture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from hazcam.frames import Floats, read_only
from hazcam.rectification import RectifiedCamera, RectifiedPair
from hazcam.robust import LEAST_SCALE_PX, TUKEY, biweight, effective_variance, scale_of
from hazcam.tracks import Tracks

_COARSE_STEPS, _FINE_STEPS = 10, 50
# What the tracker and the model may be off by, alike for all features (rendered scenes with cameras
# turned by known angles): at the centre, and by each slope at the rim.
TRACKER_SIGMA_PX = 0.015
# Neighbouring features err alike: sums over patches of 50 px scatter, in variance, this much more
# than those of independent features would (median of 27 rendered scenes).
NEIGHBOURS = 1.5
# 99.9 % of chi-squared at 2 and 3 degrees of freedom: slopes, and an offset at all, that are there.
_SLOPES_ARE_THERE = 13.82
_OFFSET_IS_THERE = 16.27


@dataclass(frozen=True, kw_only=True, eq=False)
class VerticalOffset:
    """Row where a point is found in the right picture, minus the row where it should be.

    ``dy(x, y) = a + b (x - x0) + c (y - y0)``, (x, y) the column where it is found in the right
    picture and the row where it should be.

    Attributes
    ----------
    a_px, b, c : float
        At the centre [px], per column and per row [px/px]; b = c = 0 in a constant model.
    covariance : ndarray of shape (3, 3), float64
        Of (a, b, c), also in a constant model: slopes that cannot be told from 0 are left out, but
        not known to be 0. There it is that of an affine fit, and what was left out on top.
    centre_px : tuple of float
        ``(x0, y0)``: principal point of the right picture. [px]
    model : str
        ``affine``, or ``constant`` where the slopes cannot be told from 0.
    inliers : int
        Features that the fit did not leave out.
    spread_px : float
        1.4826 times the median absolute residual of all features. [px]
    """

    a_px: float
    b: float
    c: float
    covariance: Floats
    centre_px: tuple[float, float]
    model: Literal["affine", "constant"]
    inliers: int
    spread_px: float

    def __post_init__(self) -> None:
        if self.covariance.shape != (3, 3):
            raise ValueError(f"the covariance of (a, b, c) is (3, 3), not {self.covariance.shape}")
        object.__setattr__(self, "covariance", read_only(self.covariance, np.float64))

    def at(self, columns: ArrayLike, rows: ArrayLike) -> Floats:
        """Offset at pixels of the right picture, broadcast. [px]"""
        x0, y0 = self.centre_px
        x, y = np.asarray(columns, dtype=np.float64), np.asarray(rows, dtype=np.float64)
        return np.asarray(self.a_px + self.b * (x - x0) + self.c * (y - y0))

    def sigma_at(self, columns: ArrayLike, rows: ArrayLike) -> Floats:
        """One standard deviation of the offset at pixels of the right picture, broadcast. [px]"""
        X = _design(columns, rows, self.centre_px)
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", X, self.covariance, X)))

    @property
    def significant(self) -> bool:
        """Is there an offset at all, at 99.9 %?"""
        p = np.array([self.a_px, self.b, self.c])
        return bool(p @ np.linalg.solve(self.covariance, p) > _OFFSET_IS_THERE)


def fit_vertical_offset(tracks: Tracks, camera: RectifiedCamera) -> VerticalOffset | None:
    """Fit the offset to the tracks, robustly.

    Iteratively reweighted least squares: first towards the least absolute residuals, then with
    Tukey's biweight at the scale of the median absolute residual. Slopes are kept where they can
    be told from 0 at 99.9 %; otherwise a constant is fitted.

    Parameters
    ----------
    tracks : Tracks
        Features in both pictures.
    camera : RectifiedCamera
        Of the pictures.

    Returns
    -------
    VerticalOffset or None
        None where three features on no line, which an affine fit takes, are missing.
    """
    centre = (camera.cx + camera.offset_px, camera.cy)
    X = _design(tracks.columns, tracks.rows, centre)
    if tracks.count <= 3 or np.linalg.matrix_rank(X) < 3:
        return None
    found, covariance = _robust_fit(X, tracks.offsets_px)
    reach = np.array([1.0, camera.width / 2, camera.height / 2])
    covariance = NEIGHBOURS * covariance + np.diag((TRACKER_SIGMA_PX / reach) ** 2)
    model: Literal["affine", "constant"] = "affine"
    if found[1:] @ np.linalg.solve(covariance[1:, 1:], found[1:]) < _SLOPES_ARE_THERE:
        model = "constant"
        affine, found = found, np.array([_robust_fit(X[:, :1], tracks.offsets_px)[0][0], 0.0, 0.0])
        covariance += np.outer(affine - found, affine - found)
    residuals = tracks.offsets_px - X @ found
    return VerticalOffset(
        a_px=float(found[0]), b=float(found[1]), c=float(found[2]), covariance=covariance,
        centre_px=centre, model=model, spread_px=scale_of(residuals),
        inliers=int((np.abs(residuals) < TUKEY * scale_of(residuals)).sum()),
    )


def _design(columns: ArrayLike, rows: ArrayLike, centre: tuple[float, float]) -> Floats:
    x, y = np.asarray(columns, dtype=np.float64), np.asarray(rows, dtype=np.float64)
    return np.stack(np.broadcast_arrays(1.0, x - centre[0], y - centre[1]), axis=-1)


def _robust_fit(X: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Parameters (P,) and their covariance (P, P)."""
    unit = np.abs(X).max(axis=0)  # slopes are per pixel, and small: solve in units of their reach
    X = X / unit
    found = np.zeros(X.shape[1])
    found[0] = np.median(y)
    for _ in range(_COARSE_STEPS):
        found = _weighted(X, y, 1 / np.maximum(np.abs(y - X @ found), LEAST_SCALE_PX))
    for _ in range(_FINE_STEPS):
        residuals = y - X @ found
        before, found = found, _weighted(X, y, biweight(residuals / scale_of(residuals)))
        if np.abs(found - before).max() < 1e-6:
            break
    variance = effective_variance(y - X @ found, X.shape[1])
    covariance = variance * np.linalg.inv(X.T @ X) / np.outer(unit, unit)
    return found / unit, covariance


def _weighted(X: Floats, y: Floats, weights: Floats) -> Floats:
    return np.asarray(np.linalg.lstsq(X * np.sqrt(weights)[:, None], y * np.sqrt(weights))[0])


def align(rectified: RectifiedPair, offset: VerticalOffset) -> RectifiedPair:
    """Move the right picture back onto its rows, by bicubic interpolation.

    The slope along the rows, b, is taken for what can cause it: a turn of the right camera about
    its optical axis. It is turned back as a whole, so columns move by ``b (y - y0)`` too; else the
    disparities of near and far ground would be off, either way. What is not corrected: a camera
    that turned sideways (vergence) adds nearly the same to all disparities and shows next to
    nothing in the rows; and what a nod does to columns, ``a x y / f²``, is small.

    Parameters
    ----------
    rectified : RectifiedPair
        The pictures.
    offset : VerticalOffset
        What to take out.

    Returns
    -------
    RectifiedPair
        The right picture, its states (nearest pixel) and its valid area moved; what came from
        outside of the picture is not valid. The left picture is untouched.
    """
    height, width = rectified.right.shape
    rows, columns = np.ogrid[:height, :width]
    x = (columns - offset.b * (rows - offset.centre_px[1])).astype(np.float32)
    y = (rows + offset.at(columns, rows)).astype(np.float32)
    inside = (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)

    def moved(picture: NDArray[Any], how: int) -> NDArray[Any]:
        return np.asarray(cv2.remap(picture, x, y, how, borderMode=cv2.BORDER_REPLICATE))

    valid = moved(rectified.view.valid_right.astype(np.uint8), cv2.INTER_NEAREST) > 0
    return replace(
        rectified, right=moved(rectified.right, cv2.INTER_CUBIC),
        state_right=moved(rectified.state_right, cv2.INTER_NEAREST),
        view=replace(rectified.view, valid_right=valid & inside), resampled=True,
    )
