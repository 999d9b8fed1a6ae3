"""Robust regression on offsets in pixels: weights and scale of an M-estimate.

References
----------
A. E. Beaton and J. W. Tukey, "The fitting of power series, meaning polynomials, illustrated on
band-spectroscopic data," Technometrics, vol. 16, no. 2, 1974, for the weights.
P. J. Huber, "Robust Statistics," Wiley, 1981, section 7.6, for the covariance (from memory).
"""

from __future__ import annotations

import numpy as np

from hazcam.frames import Floats

TUKEY = 4.685
"""Tukey's biweight at this many scales is 95 % efficient on normal errors."""


LEAST_SCALE_PX = 0.02
"""No tracker is better than this: exact data are not weighed by what rounding left."""


def biweight(scaled: Floats) -> Floats:
    """Tukey's weights of residuals that are given in units of their scale."""
    return np.asarray(np.clip(1 - (scaled / TUKEY) ** 2, 0, None) ** 2)


def scale_of(residuals: Floats) -> float:
    """1.4826 times the median absolute residual, ``LEAST_SCALE_PX`` at least. [px]"""
    return max(1.4826 * float(np.median(np.abs(residuals))), LEAST_SCALE_PX)


def effective_variance(residuals: Floats, parameters: int) -> float:
    """Variance of one observation as an M-estimate counts it.

    ``E[psi²] / E[psi']²`` with n - p for n: ``variance (X'X)^-1`` is the covariance of the
    estimate. [px²]
    """
    n = len(residuals)
    u = residuals / scale_of(residuals)
    psi = residuals * biweight(u)
    inside = np.abs(u) < TUKEY
    slope = np.where(inside, (1 - (u / TUKEY) ** 2) * (1 - 5 * (u / TUKEY) ** 2), 0.0)
    variance = (psi**2).sum() / (n - parameters) / slope.mean() ** 2
    return float(max(variance, LEAST_SCALE_PX**2 / n))
