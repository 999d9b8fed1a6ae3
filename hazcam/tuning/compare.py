"""Walked against simulated trials of the same conditions: are they of one curve?

Two curves are held against one by their likelihood ratio, which has two degrees of freedom (D. R.
Cox and D. V. Hinkley, Theoretical Statistics, 1974, section 9.3). Where the outcomes of either
allow no finite curve, both sides carry the sum of the penalties of the two groups, so that the one
curve stays a case of the two (G. Heinze and M. Schemper, Stat. Med. 21, 2002, pp. 2409-2419). The
difference of the halfway demands has its variance from both covariances by the delta method.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.stats import chi2, norm

from hazcam.frames import Floats
from hazcam.statistics import Interval
from hazcam.tuning.curve import NoCurve, SuccessCurve, data_of, why_none
from hazcam.tuning.fit import CurveFit, fit_curve, likeliest_curve
from hazcam.tuning.likelihood import LINKS, Link, Responses, objective, scaled, together
from hazcam.tuning.record import Conditions, TrialGroup
from hazcam.tuning.words import bare, chance, measure

CONFIDENCE = 0.95
"""Of the interval of the difference; p values below 1 less this are a difference."""


@dataclass(frozen=True, kw_only=True)
class CurveComparison:
    """Two curves against one.

    Attributes
    ----------
    conditions : Conditions
        Of both groups.
    link : str
        The likelier of the two for the two curves together.
    walked, simulated : CurveFit
        Each fitted to its own trials alone.
    statistic : float
        Twice by how much two curves are likelier than one.
    p_value : float
        By chi-square with two degrees of freedom, which holds for many trials.
    penalised : bool
        Whether Jeffreys' penalty was added, since outcomes allow no finite curve.
    difference : float
        Halfway demand of the simulated trials less that of the walked ones. [unit of the demand]
    interval : Interval
        Of the difference, normal, at ``CONFIDENCE``.
    """

    conditions: Conditions
    link: Link
    walked: CurveFit
    simulated: CurveFit
    statistic: float
    p_value: float
    penalised: bool
    difference: float
    interval: Interval

    @property
    def differ(self) -> bool:
        """Whether one curve for both is unlikely."""
        return self.p_value < 1 - CONFIDENCE

    @property
    def higher(self) -> str:
        """Which climbs higher halfway, ``walked`` or ``simulated``; empty where it is not known."""
        if self.interval.low > 0:
            return "simulated"
        return "walked" if self.interval.high < 0 else ""


@dataclass(frozen=True, kw_only=True)
class NoComparison:
    """Why walked and simulated trials of the same conditions cannot be compared."""

    conditions: Conditions
    reason: str


def compare_groups(walked: TrialGroup, simulated: TrialGroup) -> CurveComparison | NoComparison:
    """Hold walked against simulated trials, neither with any weight in the other.

    Parameters
    ----------
    walked, simulated : TrialGroup
        Of the same conditions.
    """
    if walked.conditions != simulated.conditions:
        raise ValueError("only trials of the same conditions can be compared")
    for word, group in (("walked", walked), ("simulated", simulated)):
        if reason := why_none(group):
            return NoComparison(conditions=walked.conditions,
                                reason=f"the {word} trials alone give no curve: {reason}")
    data = data_of(walked), data_of(simulated)
    fits = {link: _fits(data, link) for link in LINKS}
    link = max(LINKS, key=lambda name: sum(fit.log_likelihood for fit in fits[name]))
    for word, fit in zip(("walked", "simulated"), fits[link], strict=True):
        if fit.slope >= 0:
            return NoComparison(conditions=walked.conditions, reason=f"the fitted chance to climb "
                                f"of the {word} trials rises with the demand")
    return _compared(walked.conditions, data, fits[link])


def comparisons_of(
    curves: Sequence[SuccessCurve | NoCurve],
) -> tuple[CurveComparison | NoComparison, ...]:
    """Compare the walked and the simulated trials of the same conditions, where there are both."""
    simulated = {c.group.conditions: c.group for c in curves if c.group.simulated}
    return tuple(compare_groups(c.group, simulated[c.group.conditions]) for c in curves
                 if not c.group.simulated and c.group.conditions in simulated)


def _fits(data: tuple[Responses, Responses], link: Link) -> tuple[CurveFit, CurveFit]:
    """A curve for each; with the penalty for both where either, or one for both, needs it."""
    penalised = any(likeliest_curve(of, link).penalised for of in (*data, together(*data)))
    walked, simulated = (fit_curve(of, link, penalised=penalised) for of in data)
    return walked, simulated


def _compared(
    conditions: Conditions, data: tuple[Responses, Responses], fits: tuple[CurveFit, CurveFit],
) -> CurveComparison:
    walked, simulated = fits
    two = sum(_level(fit.link, fit.intercept, fit.slope, (of,), fit.penalised)
              for fit, of in zip(fits, data, strict=True))
    # At least 0 but for the last digits of the two maxima.
    statistic = max(2 * (two - _level_of_one(data, walked.link, walked.penalised)), 0.0)
    difference = simulated.demand_at(0.5) - walked.demand_at(0.5)
    reach = float(norm.ppf((1 + CONFIDENCE) / 2)) * math.sqrt(sum(map(_halfway_variance, fits)))
    return CurveComparison(
        conditions=conditions, link=walked.link, walked=walked, simulated=simulated,
        statistic=statistic, p_value=float(chi2.sf(statistic, 2)), penalised=walked.penalised,
        difference=difference, interval=Interval(difference - reach, difference + reach))


def _level(
    link: Link, intercept: float, slope: float, data: Sequence[Responses], penalised: bool
) -> float:
    """(Penalised) log-likelihood of one curve for some groups."""
    return sum(float(objective(link, intercept, slope, of, penalised=penalised)) for of in data)


def _level_of_one(data: tuple[Responses, Responses], link: Link, penalised: bool) -> float:
    """Greatest (penalised) log-likelihood of one curve for both groups."""
    both = together(*data)
    start = fit_curve(both, link, penalised=penalised)
    if not penalised:
        return start.log_likelihood
    # The penalty of the pooled trials is not the sum of the two: from there, in the scaled demand.
    _, centre, scale = scaled(both)

    def lacks(at: Floats) -> float:
        slope = float(at[1]) / scale
        return -_level(link, float(at[0]) - slope * centre, slope, data, penalised)

    first = np.array([start.intercept + start.slope * centre, start.slope * scale])
    return -float(minimize(lacks, first, method="Nelder-Mead",
                           options={"xatol": 1e-6, "fatol": 1e-9}).fun)


def _halfway_variance(fit: CurveFit) -> float:
    """Of -intercept / slope, by the delta method."""
    gradient = np.array([-1 / fit.slope, fit.intercept / fit.slope**2])
    return float(gradient @ fit.covariance @ gradient)


# --- words ---------------------------------------------------------------------------------------


def comparison_text(found: CurveComparison | NoComparison) -> str:
    """What a comparison says, in sentences."""
    if isinstance(found, NoComparison):
        return f"walked and simulated trials are not compared: {found.reason}"
    verdict = ("walked and simulated trials are not of one curve" if found.differ else
               "no sign that walked and simulated trials are of two curves")
    how = (f"likelihood ratio {found.statistic:.2f} at 2 degrees of freedom, "
           f"{chance(found.p_value)}")
    penalised = ("; outcomes of one of them allow no finite curve, so that both curves carry "
                 "Jeffreys' penalty, and the interval is a rough one" if found.penalised else "")
    return f"{verdict} ({how}); {_which(found)}{_steepness(found)}{penalised}"


def _which(found: CurveComparison) -> str:
    unit = found.conditions.unit
    low, high = sorted(abs(end) for end in found.interval)
    if not found.higher:
        return (f"which climbs higher is not known: halfway the simulated ones lie "
                f"{_signed(found.difference, unit)} from the walked ones, with 95 % confidence "
                f"{_signed(found.interval.low, unit)} to {_signed(found.interval.high, unit)}")
    other = {"walked": "simulated", "simulated": "walked"}[found.higher]
    meaning = ("the simulation promises more than the rover does" if found.higher == "simulated"
               else "the rover does more than the simulation promises")
    return (f"the {found.higher} ones climb higher than the {other} ones, halfway by "
            f"{measure(abs(found.difference), unit)} (with 95 % confidence {bare(low, unit)} to "
            f"{measure(high, unit)}): {meaning}")


def _signed(value: float, unit: str) -> str:
    return f"{'+' if value > 0 else ''}{measure(value, unit)}"


def _steepness(found: CurveComparison) -> str:
    """How the curves differ where the halfway demands do not show it."""
    if not found.differ or found.higher:
        return ""
    widths = [fit.demand_at(0.25) - fit.demand_at(0.75) for fit in (found.walked, found.simulated)]
    unit = found.conditions.unit
    return (f"; from a chance of 75 % to one of 25 % it takes {measure(widths[0], unit)} walked, "
            f"{measure(widths[1], unit)} simulated")


__all__ = ["CONFIDENCE", "CurveComparison", "NoComparison", "compare_groups", "comparison_text",
           "comparisons_of"]
