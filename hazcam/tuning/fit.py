"""Fitting a success curve by maximum likelihood, penalised where the outcomes separate."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from hazcam.frames import Floats, read_only
from hazcam.tuning.likelihood import (
    Link,
    Responses,
    information,
    log_likelihood,
    objective,
    outlook,
    penalty,
    quantile,
    scaled,
    weights,
)

_MOST_STEPS = 200
_CONVERGED = 1e-10  # of the step, in the scaled demand
_ROUNDING = 1e-10  # of what is climbed: a step that loses no more is none downhill
_DERIVATIVE = 1e-5
_STEEPEST = 1e3  # per standard deviation of the demand: where an estimate is said to be infinite


class InfiniteSlopeError(ValueError):
    """The steeper a curve, the likelier are the outcomes: no finite one is the likeliest."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveFit:
    """A curve P(climbed) = F(intercept + slope * demand).

    Attributes
    ----------
    link : str
        ``logit`` or ``probit``: the distribution F.
    intercept, slope : float
        Estimates; the slope per unit of the demand.
    covariance : ndarray of shape (2, 2)
        Of both, the inverse of the expected information.
    log_likelihood : float
        Of the outcomes at the estimates, without any penalty.
    null_log_likelihood : float
        Of the outcomes where the demand does not matter.
    deviance : float
        Twice by how much a model with a probability of its own for each row would be likelier.
    penalised : bool
        Whether Jeffreys' penalty was added.
    """

    link: Link
    intercept: float
    slope: float
    covariance: Floats
    log_likelihood: float
    null_log_likelihood: float
    deviance: float
    penalised: bool

    def __post_init__(self) -> None:
        object.__setattr__(self, "covariance", read_only(self.covariance))

    @property
    def p_no_slope(self) -> float:
        """Chance of outcomes that speak as much for a slope, were there none: likelihood ratio.

        By chi-square with one degree of freedom; too large, if anything, of a penalised curve.
        """
        return float(chi2.sf(2 * max(self.log_likelihood - self.null_log_likelihood, 0.0), 1))

    def demand_at(self, probability: float) -> float:
        """The demand that is climbed with a probability. [unit of the demand]"""
        return (quantile(self.link, probability) - self.intercept) / self.slope


def separates(data: Responses) -> bool:
    """Whether some demand parts the outcomes, so that no finite curve is the likeliest.

    Also where all climbed or all failed.
    """
    climbed, failed = data.mean[data.climbed > 0], data.mean[data.climbed < data.tried]
    if climbed.size == 0 or failed.size == 0:
        return True
    return bool(climbed.max() <= failed.min() or failed.max() <= climbed.min())


def fit_curve(data: Responses, link: Link, *, penalised: bool) -> CurveFit:
    """Fit by Fisher's scoring, with step halving.

    Parameters
    ----------
    data : Responses
        At least two different demands.
    link : str
        ``logit`` or ``probit``.
    penalised : bool
        Add Jeffreys' penalty.

    Raises
    ------
    ValueError
        One demand only.
    InfiniteSlopeError
        No penalty, and outcomes that separate, or that part no worse than the errors of the demands
        explain.
    """
    if np.ptp(data.mean) == 0:
        raise ValueError("a curve needs two different demands")
    if not penalised and separates(data):
        raise InfiniteSlopeError("these outcomes separate: no finite curve is the likeliest")
    standard, centre, scale = scaled(data)
    at = _climb(standard, link, penalised)
    if abs(at[1]) > _STEEPEST:
        raise InfiniteSlopeError("the errors of the demands explain how these outcomes mix: no "
                                 "finite curve is the likeliest")
    slope = float(at[1]) / scale
    intercept = float(at[0]) - slope * centre
    expected = outlook(link, intercept, slope, data)
    level = float(log_likelihood(expected, data))
    share = float((data.weight * data.climbed).sum() / (data.weight * data.tried).sum())
    return CurveFit(
        link=link, intercept=intercept, slope=slope,
        covariance=np.asarray(np.linalg.inv(information(expected, data)), dtype=np.float64),
        log_likelihood=level,
        null_log_likelihood=_outcomes(np.full(len(data.mean), share), data),
        deviance=2 * (_outcomes(data.climbed / data.tried, data) - level), penalised=penalised)


def likeliest_curve(data: Responses, link: Link) -> CurveFit:
    """The curve of greatest likelihood; with Jeffreys' penalty where no finite one has it."""
    if not separates(data):
        with contextlib.suppress(InfiniteSlopeError):
            return fit_curve(data, link, penalised=False)
    return fit_curve(data, link, penalised=True)


def _outcomes(chance: Floats, data: Responses) -> float:
    """Logarithm of the probability of the outcomes under given probabilities; 0 log 0 is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        up = np.where(data.climbed > 0, data.climbed * np.log(chance), 0.0)
        failed = data.tried - data.climbed
        down = np.where(failed > 0, failed * np.log1p(-chance), 0.0)
    return float((data.weight * (up + down)).sum())


def _score(data: Responses, link: Link, at: Floats, penalised: bool) -> tuple[Floats, Floats]:
    """Gradient of what is climbed, of the penalty by central differences; and the information."""
    expected = outlook(link, at[0], at[1], data)
    rest = weights(expected, data) * (data.climbed / data.tried - expected.up)
    score = np.array([(rest * expected.by_intercept).sum(), (rest * expected.by_slope).sum()])
    if penalised:
        steps = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]]) * _DERIVATIVE
        a, b = (at + steps).T[..., None]
        around = penalty(outlook(link, a, b, data), data)
        score += (around[::2] - around[1::2]) / (2 * _DERIVATIVE)
    return score, information(expected, data)


def _climb(data: Responses, link: Link, penalised: bool) -> Floats:
    def value(at: Floats) -> float:
        return float(objective(link, at[0], at[1], data, penalised=penalised))

    at = np.zeros(2)
    best = value(at)
    for _ in range(_MOST_STEPS):
        score, known = _score(data, link, at, penalised)
        step = np.linalg.solve(known, score)
        reach = float(np.abs(step).max())
        most = 5.0 + float(np.abs(at).max())
        step *= min(1.0, most / reach) if reach > 0 else 1.0
        while (found := value(at + step)) < best - _ROUNDING and np.abs(step).max() > _CONVERGED:
            step = step / 2
        at, best = at + step, found
        if np.abs(step).max() <= _CONVERGED or abs(at[1]) > _STEEPEST:
            break
    return at
