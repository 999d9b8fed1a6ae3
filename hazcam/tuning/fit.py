"""Fitting a success curve by maximum likelihood, penalised where the outcomes separate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from hazcam.frames import Floats, read_only
from hazcam.tuning.likelihood import (
    Link,
    Responses,
    chances,
    gradients,
    information,
    log_likelihood,
    penalty,
    quantile,
    spread_of_one,
)

_MOST_STEPS = 200
_CONVERGED = 1e-10  # of the step, in the scaled demand
_DERIVATIVE = 1e-5
_STEEPEST = 1e3  # per standard deviation of the demand: where an estimate is said to be infinite


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
        Add Jeffreys' penalty; without it the outcomes must not separate.

    Raises
    ------
    ValueError
        One demand only, or outcomes that separate and no penalty.
    """
    if np.ptp(data.mean) == 0:
        raise ValueError("a curve needs two different demands")
    if not penalised and separates(data):
        raise ValueError("these outcomes separate: no finite curve is the likeliest")
    centre, scale = float(data.mean.mean()), float(data.mean.std())
    scaled = replace(data, mean=(data.mean - centre) / scale, variance=data.variance / scale**2)
    at = _climb(scaled, link, _objective(scaled, link, penalised), penalised)
    slope = float(at[1]) / scale
    intercept = float(at[0]) - slope * centre
    aa, ab, bb = information(link, intercept, slope, data)
    level = float(log_likelihood(link, intercept, slope, data))
    share = float((data.weight * data.climbed).sum() / (data.weight * data.tried).sum())
    return CurveFit(
        link=link, intercept=intercept, slope=slope,
        covariance=np.linalg.inv(np.array([[aa, ab], [ab, bb]])), log_likelihood=level,
        null_log_likelihood=_outcomes(np.full(len(data.mean), share), data),
        deviance=2 * (_outcomes(data.climbed / data.tried, data) - level), penalised=penalised)


def _outcomes(chance: Floats, data: Responses) -> float:
    """Logarithm of the probability of the outcomes under given probabilities; 0 log 0 is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        up = np.where(data.climbed > 0, data.climbed * np.log(chance), 0.0)
        failed = data.tried - data.climbed
        down = np.where(failed > 0, failed * np.log1p(-chance), 0.0)
    return float((data.weight * (up + down)).sum())


def _objective(data: Responses, link: Link, penalised: bool) -> Callable[[Floats], float]:
    def value(at: Floats) -> float:
        found = float(log_likelihood(link, float(at[0]), float(at[1]), data))
        return found + float(penalty(link, float(at[0]), float(at[1]), data)) * penalised

    return value


def _score(data: Responses, link: Link, at: Floats, penalised: bool) -> Floats:
    """Gradient of what is climbed; of the penalty by central differences."""
    a, b = float(at[0]), float(at[1])
    p = chances(link, a, b, data)
    by_a, by_b = gradients(link, a, b, data)
    rest = data.weight * (data.climbed - data.tried * p) / spread_of_one(link, a, b, data)
    score = np.array([(rest * by_a).sum(), (rest * by_b).sum()])
    if penalised:
        for i, step in enumerate(np.eye(2) * _DERIVATIVE):
            ahead, behind = at + step, at - step
            score[i] += float(penalty(link, ahead[0], ahead[1], data)
                              - penalty(link, behind[0], behind[1], data)) / (2 * _DERIVATIVE)
    return score


def _climb(
    data: Responses, link: Link, value: Callable[[Floats], float], penalised: bool
) -> Floats:
    at = np.zeros(2)
    best = value(at)
    for _ in range(_MOST_STEPS):
        aa, ab, bb = information(link, float(at[0]), float(at[1]), data)
        step = np.linalg.solve(np.array([[aa, ab], [ab, bb]]),
                               _score(data, link, at, penalised))
        reach = float(np.abs(step).max())
        step *= min(1.0, 5.0 / reach) if reach > 0 else 1.0
        while value(at + step) < best and np.abs(step).max() > _CONVERGED:
            step = step / 2
        at = at + step
        best = value(at)
        if np.abs(step).max() <= _CONVERGED or abs(at[1]) > _STEEPEST:
            break
    return at
