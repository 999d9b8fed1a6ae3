"""What is known of a lens before any picture of a target was taken.

Corners of the target seldom reach the corners of the picture, and what lies beyond them is
extrapolated: a lens that was solved freely may turn back there, which no real one does. So two
things are added to the observations, both weak where corners were seen:

- the slope of the radius with the angle at the farthest corner of the picture. An equidistant
  fisheye has 1, a pinhole ``1 / cos²``; real lenses lie between the two, or not far from them;
- the size of coefficients that undo each other, or that the slope hardly bounds. As rational lens
  an equidistant fisheye has 0.78 0.07 over 1.11 0.24 (Pade's approximation of the arc tangent), a
  pinhole 0. As fisheye an orthographic lens has -1/6 1/120, a stereographic one 1/12 1/120 (series
  of sine and tangent), even a pinhole no more than 1/3 2/15 17/315 62/2835.
"""

from __future__ import annotations

import numpy as np

from hazcam.calibration.checks import radial_distortion
from hazcam.calibration.rig import LensModel
from hazcam.frames import Floats

_ANGLE = np.radians(np.linspace(1.0, 85.0, 169))
_STEP = 1e-5
# About as far beyond a pinhole and an equidistant fisheye as other projections lie.
_SLOPE_MARGIN = 0.2
_SIGMA: dict[LensModel, Floats] = {
    "rational": np.array([1.0, 0.3, np.inf, np.inf, 0.1, 1.0, 0.3, 0.1]),
    "fisheye": np.array([0.2, 0.1, 0.03, 0.015]),
}


def lens_prior(
    camera: Floats, D: Floats, model: LensModel, size: tuple[int, int]
) -> tuple[Floats, Floats]:
    """Residuals in units of their sigma (K,), and their derivatives by the distortion (K, n).

    Parameters
    ----------
    camera : ndarray of shape (4,)
        fx fy cx cy. [px]
    D : ndarray of shape (n,)
    model : str
    size : tuple of int
        (width, height). [px]
    """
    corners = np.array([[x, y] for x in (0.0, size[0] - 1.0) for y in (0.0, size[1] - 1.0)])
    farthest = float(np.linalg.norm((corners - camera[2:]) / camera[:2], axis=1).max())
    angle = _angle_of(farthest, D, model)
    steepest = 1 / np.cos(angle) ** 2
    middle, sigma = (1 + steepest) / 2, (steepest - 1) / 2 + _SLOPE_MARGIN
    # The lens itself, and beside it one with each coefficient changed: all at once.
    slopes = _slope(D[:, None] + _STEP * np.eye(len(D), len(D) + 1, k=1), model, angle)
    residuals = (slopes[:1] - middle) / sigma
    J = (slopes[None, 1:] - slopes[0]) / (_STEP * sigma)
    if model not in _SIGMA:
        return residuals, J
    return (np.concatenate([residuals, D / _SIGMA[model]]),
            np.concatenate([J, np.diag(1 / _SIGMA[model])]))


def _angle_of(radius: float, D: Floats, model: LensModel) -> float:
    """Angle to the axis at which a lens reaches a radius; where it is widest if it never does."""
    with np.errstate(all="ignore"):
        reached = np.nan_to_num(radial_distortion(D, model)(_ANGLE), nan=-1.0, posinf=-1.0)
    beyond = np.flatnonzero(reached >= radius)
    return float(_ANGLE[beyond[0] if beyond.size else int(reached.argmax())])


def _slope(D: Floats, model: LensModel, angle: float) -> Floats:
    """Change of the radius with the angle, of each column of coefficients. [1/rad]"""
    radius = radial_distortion(D, model)
    return (radius(np.array(angle + 1e-4)) - radius(np.array(angle - 1e-4))) / 2e-4
