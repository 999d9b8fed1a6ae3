"""What is not known of a success curve: curves that the trials allow, each with its weight.

Where trials are to be placed by a curve, one wrong fit would place them all wrongly. So the curves
are laid out on a grid, and each is weighted by how likely the outcomes are under it times Jeffreys'
prior, the same penalty that the bounds carry (J. G. Ibrahim and P. W. Laud, J. Am. Stat. Assoc. 86,
1991, pp. 981-986: with it the posterior of a logistic curve is proper). Only curves that fall with
the demand are laid out. The two links share the weight by their greatest likelihoods: they have as
many parameters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats, read_only
from hazcam.tuning.curve import SuccessCurve, data_of
from hazcam.tuning.likelihood import LINKS, Link, Responses, objective, scaled

# In standard deviations of the demands: where half climb, and slopes from nearly none to a step.
_HALFWAY = np.linspace(-8.0, 8.0, 65)
_LOG_SLOPE = np.linspace(np.log(0.05), np.log(200.0), 42)
_FINE = 21  # points a side of the grid that is kept
_FORGOTTEN = 1e-3  # of the greatest weight


@dataclass(frozen=True, kw_only=True, eq=False)
class PossibleCurves:
    """Curves of one link that the trials allow.

    Attributes
    ----------
    link : str
        ``logit`` or ``probit``.
    intercept, slope : ndarray of shape (n, 1)
        Of each curve; the slope is below 0.
    weight : ndarray of shape (n,)
        Above 0. Those of both links together sum to 1.
    """

    link: Link
    intercept: Floats
    slope: Floats
    weight: Floats

    def __post_init__(self) -> None:
        if not (self.intercept.shape == self.slope.shape == (len(self.weight), 1)):
            raise ValueError("intercepts and slopes are of shape (n, 1), weights (n,)")
        if not ((self.slope < 0).all() and (self.weight > 0).all()):
            raise ValueError("possible curves fall with the demand and weigh something")
        for name in ("intercept", "slope", "weight"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def possible_curves(curve: SuccessCurve) -> tuple[PossibleCurves, ...]:
    """The curves that the trials of a fitted group allow, by link."""
    data = data_of(curve.group, curve.prior, curve.prior_weight)
    greatest = {link: curve.fits[link].log_likelihood for link in LINKS}
    likeliness = {link: float(np.exp(greatest[link] - max(greatest.values()))) for link in LINKS}
    total = sum(likeliness.values())
    return tuple(_of_link(data, link, likeliness[link] / total) for link in LINKS)


def _of_link(data: Responses, link: Link, share: float) -> PossibleCurves:
    standard, centre, scale = scaled(data)
    halfway, log_slope = _HALFWAY, _LOG_SLOPE
    coarse = _weights(standard, link, halfway, log_slope) > _FORGOTTEN
    halfway = _within(halfway, np.any(coarse, axis=1))
    log_slope = _within(log_slope, np.any(coarse, axis=0))
    weight = _weights(standard, link, halfway, log_slope)
    kept = weight > _FORGOTTEN
    at, steep = np.meshgrid(halfway, np.exp(log_slope), indexing="ij")
    slope = -steep[kept] / scale
    return PossibleCurves(link=link, slope=slope[:, None],
                          intercept=(-slope * (centre + scale * at[kept]))[:, None],
                          weight=share * weight[kept] / weight[kept].sum())


def _within(values: Floats, kept: NDArray[np.bool_]) -> Floats:
    """A finer grid over the values that are kept and the next one on each side."""
    places = np.flatnonzero(kept)
    first, last = max(places[0] - 1, 0), min(places[-1] + 1, len(values) - 1)
    return np.linspace(values[first], values[last], _FINE)


def _weights(data: Responses, link: Link, halfway: Floats, log_slope: Floats) -> Floats:
    """Posterior density by halfway height and logarithm of the slope; the greatest is 1."""
    slope = -np.exp(log_slope)[None, :, None]
    intercept = -slope * halfway[:, None, None]
    # The prior is one of intercept and slope: |slope| for each of the two that stand for them.
    level = objective(link, intercept, slope, data, penalised=True) + 2 * log_slope
    return np.asarray(np.exp(level - level.max()))


__all__ = ["PossibleCurves", "possible_curves"]
