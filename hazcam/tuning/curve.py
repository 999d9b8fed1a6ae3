"""The success curve of a group of trials: how likely each demand is climbed, and how surely."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hazcam.statistics import Interval
from hazcam.tuning.fit import CurveFit, likeliest_curve
from hazcam.tuning.goodness import Goodness, goodness_of
from hazcam.tuning.likelihood import LINKS, Link, Responses, responses, together
from hazcam.tuning.profile import height_interval
from hazcam.tuning.record import Conditions, TrialGroup
from hazcam.tuning.support import Support, support_of

FEWEST = 3
"""Trials below which no curve is fitted: a curve has two parameters."""
BAND = (0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95, 0.98)
"""Probabilities at which the band of a curve is worked out."""


@dataclass(frozen=True, kw_only=True)
class HeightClimbed:
    """The demand that is climbed with a reliability.

    Attributes
    ----------
    reliability : float
        Probability that it is climbed.
    confidence : float
        Of the one-sided bound ``low``; of both bounds together it is 2 * confidence - 1.
    estimate : float
        The likeliest. [unit of the demand]
    interval : Interval
        One-sided bounds, the wider of both links, with Jeffreys' penalty and without
        (:func:`hazcam.tuning.profile.height_interval`); infinite where there is none.
    by_link : dict of str to Interval
        The same for each link.
    """

    reliability: float
    confidence: float
    estimate: float
    interval: Interval
    by_link: dict[Link, Interval]

    @property
    def low(self) -> float:
        """The demand that is climbed with the reliability, at the confidence; -inf: none."""
        return self.interval.low


@dataclass(frozen=True, kw_only=True)
class BandPoint:
    """A point of the curve: the demand climbed with a probability, and its 95 % interval."""

    probability: float
    estimate: float
    interval: Interval


@dataclass(frozen=True, kw_only=True)
class SuccessCurve:
    """What the trials of a group say of the chance to climb.

    Attributes
    ----------
    group : TrialGroup
        The trials.
    fits : dict of str to CurveFit
        By link; penalised where no finite curve is the likeliest.
    link : str
        The likelier of the two.
    climbed : HeightClimbed
        With the reliability that was asked for.
    halfway : BandPoint
        Where half of the trials climb.
    band : tuple of BandPoint
        Along the likelier curve.
    goodness : Goodness
        Whether the trials look like the curve.
    support : Support
        What the trials can bear, without the curve and with it.
    prior : TrialGroup or None
        Simulated trials that were counted in, each with ``prior_weight``.
    prior_weight : float
        Between 0 and 1.
    """

    group: TrialGroup
    fits: dict[Link, CurveFit]
    link: Link
    climbed: HeightClimbed
    halfway: BandPoint
    band: tuple[BandPoint, ...]
    goodness: Goodness
    support: Support
    prior: TrialGroup | None = None
    prior_weight: float = 0.0

    @property
    def fit(self) -> CurveFit:
        """The likelier curve."""
        return self.fits[self.link]


@dataclass(frozen=True, kw_only=True)
class NoCurve:
    """Why the trials of a group give no curve, and what they show without one."""

    group: TrialGroup
    reason: str
    support: Support


def data_of(
    group: TrialGroup, prior: TrialGroup | None = None, prior_weight: float = 0.0
) -> Responses:
    """The responses of a group, with those of simulated trials at a weight, if there are any."""
    data = responses(group.demand, group.sigma, group.climbed)
    if prior is None or prior_weight == 0:
        return data
    return together(data, responses(prior.demand, prior.sigma, prior.climbed, weight=prior_weight))


def curve_of(
    group: TrialGroup, *, reliability: float, confidence: float,
    prior: TrialGroup | None = None, prior_weight: float = 0.0,
) -> SuccessCurve | NoCurve:
    """Fit a group of trials.

    Parameters
    ----------
    group : TrialGroup
        The trials, walked or simulated.
    reliability, confidence : float
        Of the height climbed that is asked for; both between 0.5 and 1.
    prior : TrialGroup, optional
        Simulated trials under the same conditions, counted in with ``prior_weight`` each (a power
        prior: J. G. Ibrahim and M.-H. Chen, Stat. Sci. 15, 2000, pp. 46-60). The bounds then hold
        only as far as the simulation is right.
    """
    reason = why_none(group)
    data = data_of(group, prior, prior_weight)
    fits = {} if reason else {link: likeliest_curve(data, link) for link in LINKS}
    if not reason and any(fit.slope >= 0 for fit in fits.values()):
        reason = ("the trials do not show that a greater demand is climbed less often: the fitted "
                  "chance to climb rises with the demand")
    if reason:
        return NoCurve(group=group, reason=reason,
                       support=support_of(group, None, reliability, confidence))
    link = max(LINKS, key=lambda name: fits[name].log_likelihood)
    climbed = _height_climbed(data, fits[link], reliability, confidence)
    points = {p: BandPoint(probability=p, estimate=fits[link].demand_at(p),
                           interval=height_interval(data, link, p, 0.95)) for p in BAND}
    return SuccessCurve(
        group=group, fits=fits, link=link, climbed=climbed, halfway=points[0.5],
        band=tuple(points.values()),
        goodness=goodness_of(data, fits[link], own=len(group.trials)),
        support=support_of(group, climbed.interval.low, reliability, confidence), prior=prior,
        prior_weight=prior_weight)


def curves_of(
    groups: tuple[TrialGroup, ...], *, reliability: float, confidence: float,
    prior_weight: float = 0.0,
) -> tuple[SuccessCurve | NoCurve, ...]:
    """A curve of each group; the simulated trials of the same conditions as prior of the walked."""
    simulated = {g.conditions: g for g in groups if g.simulated}

    def prior_of(conditions: Conditions) -> TrialGroup | None:
        return simulated.get(conditions) if prior_weight > 0 else None

    return tuple(curve_of(
        g, reliability=reliability, confidence=confidence,
        prior=None if g.simulated else prior_of(g.conditions), prior_weight=prior_weight)
        for g in groups)


def why_none(group: TrialGroup) -> str:
    """Why a group gives no curve, whatever would be fitted; empty where it may."""
    count, climbed = len(group.trials), int(group.climbed.sum())
    unit = group.conditions.unit
    if count < FEWEST:
        return f"{count} trial{'s' if count > 1 else ''}: a curve needs at least {FEWEST}"
    if climbed == count:
        return (f"all {count} trials climbed, up to {group.demand.max():g} {unit}: where it ends "
                "to climb is not known; try greater demands")
    if climbed == 0:
        return (f"none of the {count} trials climbed, down to {group.demand.min():g} {unit}: where "
                "it begins to climb is not known; try smaller demands")
    if np.ptp(group.demand) == 0:
        return f"all trials are of one demand, {group.demand[0]:g} {unit}: try others too"
    if np.ptp(data_of(group).mean) == 0:
        return ("the demands differ no more than the errors they were measured with: try demands "
                "farther apart, or measure them better")
    return ""


def height_climbed(
    group: TrialGroup, *, reliability: float, confidence: float,
    prior: TrialGroup | None = None, prior_weight: float = 0.0,
) -> HeightClimbed | None:
    """The height alone that ``curve_of`` gives; None where it gives no curve."""
    if why_none(group):
        return None
    data = data_of(group, prior, prior_weight)
    fits = {link: likeliest_curve(data, link) for link in LINKS}
    if any(fit.slope >= 0 for fit in fits.values()):
        return None
    likelier = max(fits.values(), key=lambda fit: fit.log_likelihood)
    return _height_climbed(data, likelier, reliability, confidence)


def _height_climbed(
    data: Responses, likelier: CurveFit, reliability: float, confidence: float
) -> HeightClimbed:
    by_link = {link: height_interval(data, link, reliability, 2 * confidence - 1) for link in LINKS}
    return HeightClimbed(
        reliability=reliability, confidence=confidence,
        estimate=likelier.demand_at(reliability), by_link=by_link,
        interval=Interval(min(i.low for i in by_link.values()),
                          max(i.high for i in by_link.values())))
