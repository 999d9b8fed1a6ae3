"""The difference in height of two maps of one ground: an offset and a tilt, robustly fitted."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from hazcam.frames import Floats

# Errors of a map are alike over about this distance (our estimate): such a square of ground counts
# as one measurement.
_ALIKE_M = 0.05
_MAD_TO_SIGMA = 1.4826  # of a normal distribution: 1 / Phi^-1(3/4)
_CUT = 3.0  # robust sigmas, beyond which a common cell does not count
_ROUNDS = 3
_LEAST_SPREAD_M = 0.0005  # two maps that agree better than this do so by chance


@dataclass(frozen=True, kw_only=True, eq=False)
class Tie:
    """Present less previous elevation: ``offset + slope . (place - centre)``.

    Attributes
    ----------
    centre_m : ndarray of shape (2,)
        Middle of the common ground, present level frame. [m]
    parameters : ndarray of shape (3,)
        Offset at the centre [m]; rise over run along x and y.
    covariance : ndarray of shape (3, 3)
        Of the parameters.
    spread_m : float
        What the maps differ by about it, robustly, one standard deviation. [m]
    overlap_m2 : float
        Common ground. [m²]
    """

    centre_m: Floats
    parameters: Floats
    covariance: Floats
    spread_m: float
    overlap_m2: float

    def at(self, x_m: ArrayLike, y_m: ArrayLike) -> Floats:
        """What is added to a previous elevation. [m]"""
        return np.asarray(self._terms(x_m, y_m) @ self.parameters)

    def sigma_at(self, x_m: ArrayLike, y_m: ArrayLike) -> Floats:
        """One standard deviation of it. [m]"""
        terms = self._terms(x_m, y_m)
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", terms, self.covariance, terms)))

    def _terms(self, x_m: ArrayLike, y_m: ArrayLike) -> Floats:
        x, y = np.asarray(x_m) - self.centre_m[0], np.asarray(y_m) - self.centre_m[1]
        return np.stack([np.ones(x.shape), x, y], axis=-1)


def fit_tie(places_m: Floats, difference_m: Floats, cell_m: float, tilt_sigma: float) -> Tie:
    """Offset and tilt from common cells.

    Starts at the median; cells beyond ``_CUT`` robust sigmas are left out of the least squares.

    Parameters
    ----------
    places_m : ndarray of shape (n, 2)
        x and y of the common cells, present level frame. [m]
    difference_m : ndarray of shape (n,)
        Present less previous elevation. [m]
    cell_m : float
        Side of a cell. [m]
    tilt_sigma : float
        Of the tilt between the two level frames about each axis, before the fit: it is drawn to
        zero by so much. 0 fits the offset alone. [rad]
    """
    centre = places_m.mean(axis=0)
    terms = np.column_stack([np.ones(len(places_m)), (places_m - centre) * tilt_sigma])
    found = np.array([np.median(difference_m), 0.0, 0.0])
    alike = max((_ALIKE_M / cell_m) ** 2, 1.0)
    for _ in range(_ROUNDS):
        residual = difference_m - terms @ found
        spread = _MAD_TO_SIGMA * float(np.median(np.abs(residual)))
        variance = max(spread, _LEAST_SPREAD_M) ** 2 * alike
        kept = np.abs(residual) <= _CUT * math.sqrt(variance / alike)
        information = terms[kept].T @ terms[kept] / variance + np.diag([0.0, 1.0, 1.0])
        covariance = np.linalg.inv(information)
        found = covariance @ terms[kept].T @ difference_m[kept] / variance
    scale = np.array([1.0, tilt_sigma, tilt_sigma])
    return Tie(centre_m=centre, parameters=found * scale,
               covariance=covariance * np.outer(scale, scale), spread_m=spread,
               overlap_m2=len(places_m) * cell_m**2)
