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

from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_expit, log_ndtr, logit, ndtr, ndtri
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
    """Gauss-Legendre quadrature of Kolmogorov's density over log K: within 2e-7 of the logistic F.

    Far out it is within 0.1 % of P(failed) where that is 1e-4 or more.
    """
    low, high = np.log(0.2), np.log(3.5)  # outside lies less than 1e-10 of it
    nodes, shares = np.polynomial.legendre.leggauss(16)
    k = np.exp(low + (high - low) * (nodes + 1) / 2)
    weight = shares * k * kstwobign.pdf(k)
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


class Scaled(NamedTuple):
    """Responses whose demands have mean 0 and standard deviation 1, and what they had."""

    data: Responses
    centre: float
    scale: float


def scaled(data: Responses) -> Scaled:
    """Take demands to where searches over curves are equally wide whatever the unit."""
    centre, scale = float(data.mean.mean()), float(data.mean.std())
    return Scaled(replace(data, mean=(data.mean - centre) / scale,
                          variance=data.variance / scale**2), centre, scale)


def quantile(link: Link, probability: float) -> float:
    """F^-1: where the curve has a probability, on its own scale."""
    return float(logit(probability) if link == "logit" else ndtri(probability))


class Outlook(NamedTuple):
    """What a curve expects of each trial, each (..., n).

    ``up`` and ``down`` are P(climbed) and P(failed), both as they are: 1 - P is 0 to rounding far
    out, where P(failed) is not. Then their logarithms, and the derivatives of P(climbed).
    """

    up: Floats
    down: Floats
    log_up: Floats
    log_down: Floats
    by_intercept: Floats
    by_slope: Floats


def outlook(
    link: Link, intercept: Floats | float, slope: Floats | float, data: Responses
) -> Outlook:
    """Of each trial, for intercepts and slopes of shape (..., 1) or 1."""
    eta = np.asarray(intercept + slope * data.mean)
    if data.variance.any():
        return _outlook_of_means(_MIXTURES[link], eta, slope, data)
    if link == "logit":
        log_up = np.asarray(log_expit(eta))
        log_down = log_up - eta
        up, down = np.exp(log_up), np.exp(log_down)
        density = up * down
    else:
        log_up, log_down = np.asarray(log_ndtr(eta)), np.asarray(log_ndtr(-eta))
        up, down = np.exp(log_up), np.exp(log_down)
        density = np.exp(-0.5 * eta**2) / _ROOT_2_PI
    return Outlook(up, down, log_up, log_down, density, density * data.mean)


def _outlook_of_means(
    mixture: _Mixture, eta: Floats, slope: Floats | float, data: Responses
) -> Outlook:
    """Of trials whose true demand is spread about a mean."""
    sd = np.sqrt(mixture.sd**2 + (slope**2 * data.variance)[..., None])
    z = np.abs(eta)[..., None] / sd
    less = np.maximum(ndtr(-z) @ mixture.weight, _TINY)
    up, down = np.where(eta < 0, less, 1 - less), np.where(eta < 0, 1 - less, less)
    density = np.exp(-0.5 * z**2) / sd / _ROOT_2_PI
    turned = (density / sd**2) @ mixture.weight
    by_intercept = density @ mixture.weight
    return Outlook(up, down, np.log(up), np.log(down), by_intercept,
                   by_intercept * data.mean - turned * eta * slope * data.variance)


def log_likelihood(expected: Outlook, data: Responses) -> Floats:
    """Logarithm of the probability of the outcomes, shape (...)."""
    failed = data.tried - data.climbed
    each = data.climbed * expected.log_up + failed * expected.log_down
    return np.asarray((data.weight * each).sum(axis=-1))


def weights(expected: Outlook, data: Responses) -> Floats:
    """How much each tells, (..., n): its count by the variance of one outcome, which is never 0."""
    counted: Floats = data.weight * data.tried
    return counted / np.maximum(expected.up * expected.down, _TINY)


def information(expected: Outlook, data: Responses) -> Floats:
    """Expected information of intercept and slope, shape (..., 2, 2)."""
    by = np.stack([expected.by_intercept, expected.by_slope], axis=-2)
    return (by * weights(expected, data)[..., None, :]) @ np.swapaxes(by, -1, -2)


def penalty(expected: Outlook, data: Responses) -> Floats:
    """Half the logarithm of the determinant of the expected information, shape (...)."""
    a, b = expected.by_intercept, expected.by_slope
    w = weights(expected, data)
    aa = np.maximum((w * a * a).sum(axis=-1), _TINY)
    # As a product, not as the difference of two: where a curve is steep they are equal to rounding.
    rest = b - a * ((w * a * b).sum(axis=-1) / aa)[..., None]
    return np.asarray(0.5 * (np.log(aa) + np.log(np.maximum((w * rest**2).sum(axis=-1), _TINY))))


def objective(
    link: Link, intercept: Floats | float, slope: Floats | float, data: Responses, *,
    penalised: bool,
) -> Floats:
    """Log-likelihood, with the penalty if there is one, shape (...)."""
    expected = outlook(link, intercept, slope, data)
    found = log_likelihood(expected, data)
    return found + penalty(expected, data) if penalised else found
