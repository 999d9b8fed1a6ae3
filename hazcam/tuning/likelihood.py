"""How likely the outcomes of trials are under a success curve; the demand's own error counted in.

*The curve.* P(climbed) = F(intercept + slope * demand), F the standard logistic or normal
distribution (D. R. Cox, The Analysis of Binary Data, 1970; D. J. Finney, Probit Analysis, 1971).

*The demand's own error.* A trial tells of its true demand, which was measured with an error. True
demands are taken as normal about their mean, with the spread that the measured ones have beyond
their errors; of a trial the true demand is then normal about ``mean``, with ``variance``
(regression calibration: R. J. Carroll et al., Measurement Error in Nonlinear Models, 2nd ed. 2006,
chapter 4), and the probability is integrated over it. For the normal F that has a closed form. A
logistic variate is a normal one of standard deviation 2 K, K of Kolmogorov's distribution (D. F.
Andrews and C. L. Mallows, J. R. Stat. Soc. B 36, 1974, pp. 99-102), so that the logistic F is a sum
of normal ones, and the integral has the same closed form term by term.

*The penalty.* Half the logarithm of the determinant of the expected information: Jeffreys' prior,
for the logistic curve Firth's penalty (D. Firth, Biometrika 80, 1993, pp. 27-38); finite estimates
where the outcomes separate (I. Kosmidis and D. Firth, Biometrika 108, 2021, pp. 71-82).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit, log_ndtr, logit, ndtr, ndtri
from scipy.stats import kstwobign

from hazcam.frames import Floats

Link = Literal["logit", "probit"]
LINKS: tuple[Link, ...] = ("logit", "probit")

_TINY = 1e-300  # no trial is less likely than that: keeps logarithms finite
_ROOT_2_PI = float(np.sqrt(2 * np.pi))


class _Mixture(NamedTuple):
    """F as a sum of normal distributions about 0: standard deviations and weights."""

    sd: Floats
    weight: Floats


def _logistic_mixture() -> _Mixture:
    """Gauss-Legendre quadrature over Kolmogorov's density; good to 1e-6 of the logistic F."""
    low, high = 0.18, 3.8  # outside lies less than 1e-12 of it
    nodes, weights = np.polynomial.legendre.leggauss(24)
    k = low + (high - low) * (nodes + 1) / 2
    weight = weights * kstwobign.pdf(k)
    return _Mixture(2 * k, weight / weight.sum())


_MIXTURES: dict[Link, _Mixture] = {
    "probit": _Mixture(np.ones(1), np.ones(1)), "logit": _logistic_mixture()}


@dataclass(frozen=True, kw_only=True, eq=False)
class Responses:
    """What the trials of a group say, ready to be fitted.

    Attributes
    ----------
    mean, variance : ndarray of shape (n,)
        Of the true demand of each, given the measured one. [unit, unit^2]
    climbed, tried : ndarray of shape (n,)
        How many of how many trials at that demand climbed, each counted with ``weight``.
    weight : ndarray of shape (n,)
        How much each counts: 1, or less for those that only serve as a prior.
    """

    mean: Floats
    variance: Floats
    climbed: Floats
    tried: Floats
    weight: Floats


def responses(
    demand: Floats, sigma: Floats, climbed: NDArray[np.generic], *,
    tried: NDArray[np.generic] | None = None, weight: float = 1.0,
) -> Responses:
    """Take measured demands to what is known of the true ones.

    Parameters
    ----------
    demand, sigma : ndarray of shape (n,)
        Measured, and one standard deviation of it.
    climbed : ndarray of shape (n,)
        How many climbed; of single trials, whether.
    tried : ndarray of shape (n,), optional
        Of how many; by default 1 each.
    weight : float
        How much each counts.
    """
    count = np.ones(len(demand)) if tried is None else np.asarray(tried, dtype=float)
    centre = np.average(demand, weights=count)
    error = np.average(sigma**2, weights=count)
    spread = max(float(np.average((demand - centre) ** 2, weights=count) - error), 0.0)
    share = np.ones(len(demand))
    np.divide(spread, spread + sigma**2, out=share, where=sigma > 0)
    return Responses(mean=centre + share * (demand - centre), variance=share * sigma**2,
                     climbed=np.asarray(climbed, dtype=float), tried=count,
                     weight=np.full(len(demand), float(weight)))


def together(first: Responses, second: Responses) -> Responses:
    """The responses of both."""
    return Responses(**{name: np.concatenate([getattr(first, name), getattr(second, name)])
                        for name in ("mean", "variance", "climbed", "tried", "weight")})


def quantile(link: Link, probability: float) -> float:
    """F^-1: where the curve has a probability, on its own scale."""
    return float(logit(probability) if link == "logit" else ndtri(probability))


def chances(
    link: Link, intercept: Floats | float, slope: Floats | float, data: Responses
) -> Floats:
    """P(climbed) of each trial, (..., n), for intercepts and slopes of shape (..., 1) or 1."""
    eta = intercept + slope * data.mean
    if not data.variance.any():
        return np.asarray(expit(eta) if link == "logit" else ndtr(eta))
    mixture = _MIXTURES[link]
    sd = np.sqrt(mixture.sd**2 + (slope**2 * data.variance)[..., None])
    return np.asarray(ndtr(eta[..., None] / sd) @ mixture.weight)


def log_likelihood(
    link: Link, intercept: Floats | float, slope: Floats | float, data: Responses
) -> Floats:
    """Logarithm of the probability of the outcomes, shape (...)."""
    eta = intercept + slope * data.mean
    if data.variance.any():
        up = np.log(np.maximum(chances(link, intercept, slope, data), _TINY))
        down = np.log(np.maximum(chances(link, -intercept, -slope, data), _TINY))
    else:
        log_f = log_expit if link == "logit" else log_ndtr
        up, down = log_f(eta), log_f(-eta)
    each = data.climbed * up + (data.tried - data.climbed) * down
    return np.asarray((data.weight * each).sum(axis=-1))


def gradients(
    link: Link, intercept: Floats | float, slope: Floats | float, data: Responses
) -> tuple[Floats, Floats]:
    """Derivatives of P(climbed) with respect to intercept and slope, each (..., n)."""
    eta = intercept + slope * data.mean
    if not data.variance.any():
        density = (expit(eta) * expit(-eta) if link == "logit"
                   else np.exp(-0.5 * eta**2) / _ROOT_2_PI)
        return np.asarray(density), np.asarray(density * data.mean)
    mixture = _MIXTURES[link]
    variance = mixture.sd**2 + (slope**2 * data.variance)[..., None]
    density = np.exp(-0.5 * eta[..., None] ** 2 / variance) / np.sqrt(variance) / _ROOT_2_PI
    by_intercept = density @ mixture.weight
    turned = (density / variance) @ mixture.weight
    return by_intercept, by_intercept * data.mean - turned * eta * slope * data.variance


def spread_of_one(
    link: Link, intercept: Floats | float, slope: Floats | float, data: Responses
) -> Floats:
    """Variance P(climbed) * P(failed) of one outcome each, shape (..., n); never 0."""
    # Both as they are: 1 - P is 0 to rounding far out, where P(failed) is not.
    up = chances(link, intercept, slope, data)
    return np.maximum(up * chances(link, -intercept, -slope, data), _TINY)


def information(
    link: Link, intercept: Floats | float, slope: Floats | float, data: Responses
) -> tuple[Floats, Floats, Floats]:
    """Expected information of both: elements (0, 0), (0, 1) and (1, 1), each (...)."""
    a, b = gradients(link, intercept, slope, data)
    w = data.weight * data.tried / spread_of_one(link, intercept, slope, data)
    return (np.asarray((w * a * a).sum(axis=-1)), np.asarray((w * a * b).sum(axis=-1)),
            np.asarray((w * b * b).sum(axis=-1)))


def penalty(
    link: Link, intercept: Floats | float, slope: Floats | float, data: Responses
) -> Floats:
    """Half the logarithm of the determinant of the expected information, shape (...)."""
    aa, ab, bb = information(link, intercept, slope, data)
    return np.asarray(0.5 * np.log(np.maximum(aa * bb - ab * ab, _TINY)))
