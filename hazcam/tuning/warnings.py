"""What is to be said against a success curve, in plain sentences, the worst first.

None of it changes a number. Where the trials cannot bear one, the sentence says how many more
would.
"""

from __future__ import annotations

import math

import numpy as np

from hazcam.tuning.compare import CurveComparison, NoComparison
from hazcam.tuning.curve import NoCurve, SuccessCurve
from hazcam.tuning.record import TrialGroup
from hazcam.tuning.support import Support
from hazcam.tuning.words import bare, chance, measure, of_hundred, percent

# Shares and levels beyond which something is said: our own choice.
_LINKS_APART = 0.10
_UNLIKELY = 0.05


def warnings_of(
    curve: SuccessCurve | NoCurve, *, reliability: float, confidence: float,
    without_prior: SuccessCurve | NoCurve | None = None,
    comparison: CurveComparison | NoComparison | None = None,
) -> tuple[str, ...]:
    """What is to be said against a curve, or against what trials show without one.

    Parameters
    ----------
    curve : SuccessCurve or NoCurve
        Of a group of trials.
    reliability, confidence : float
        Of the height climbed that was asked for.
    without_prior : SuccessCurve or NoCurve, optional
        Of the same trials where no simulated ones are counted in; for a curve that has a prior.
    comparison : CurveComparison or NoComparison, optional
        Of the trials with those of the prior; where they differ, that is said first.

    Returns
    -------
    tuple of str
        Sentences without capital and full stop, the worst first.
    """
    asked = f"{of_hundred(reliability)} at {percent(confidence)} confidence"
    if isinstance(curve, NoCurve):
        found = [_unsupported(curve.support, asked, curve.group.conditions.unit)]
    else:
        found = [*_of_height(curve, asked), *_of_shape(curve)]
    prior = _of_prior(curve, without_prior, comparison)
    contradicted = isinstance(comparison, CurveComparison) and comparison.differ
    found += _of_trials(curve.group)
    found.insert(0 if contradicted else len(found), prior)
    return tuple(text for text in found if text)


def _of_height(curve: SuccessCurve, asked: str) -> list[str]:
    """What the height climbed rests on."""
    low, unit = curve.climbed.low, curve.group.conditions.unit
    kind = curve.group.conditions.kind
    if low <= 0:
        bound = ("there is no lower bound" if math.isinf(low) else
                 f"the bound is {measure(low, unit)}")
        return [f"no {kind} above 0 can be shown to be climbed in {asked}: {bound}; "
                f"{_needed(curve.support, asked, unit)}", _separated(curve)]
    rests = ("" if curve.support.more == 0 else "the number rests on the shape of the curve: "
             f"{_needed(curve.support, asked, unit)}")
    return [_extrapolated(curve), _separated(curve), rests]


def _unsupported(support: Support, asked: str, unit: str) -> str:
    if support.more == 0:
        return ""
    return f"{measure(support.at, unit)} is not shown either: {_needed(support, asked, unit)}"


def _needed(support: Support, asked: str, unit: str) -> str:
    made = ("none was" if support.tried == 0 else
            "1 was" if support.tried == 1 else f"{support.tried} were")
    climbed = "" if support.tried == 0 else f", {support.climbed} climbed"
    more = "" if support.more == 0 else f": {support.more} more, all climbed, would show it"
    return (f"without the curve {asked} takes {support.alone} trials at "
            f"{measure(support.at, unit)}, all climbed; {made} made there or up to "
            f"{measure(support.near, unit)} above{climbed}{more}")


def _extrapolated(curve: SuccessCurve) -> str:
    low, least, unit = curve.climbed.low, _least_tried(curve), curve.group.conditions.unit
    if low >= least:
        return ""
    return (f"the bound lies below the least {curve.group.conditions.kind} tried: it is "
            f"extrapolated from {bare(least, unit)} to {measure(low, unit)}, where nothing was "
            "tried")


def _least_tried(curve: SuccessCurve) -> float:
    tried = [curve.group.demand.min()]
    if curve.prior is not None:
        tried.append(curve.prior.demand.min())
    return float(min(tried))


def _separated(curve: SuccessCurve) -> str:
    if not curve.fit.penalised:
        return ""
    group, unit = curve.group, curve.group.conditions.unit
    most, least = group.demand[group.climbed].max(), group.demand[~group.climbed].min()
    if most < least:
        found = (f"the outcomes separate: all climbed up to {measure(most, unit)}, none from "
                 f"{measure(least, unit)} on")
    elif most == least:
        at = group.climbed[group.demand == most]
        found = (f"the outcomes mix at {measure(most, unit)} only, where {at.sum()} of {len(at)} "
                 "climbed: all below did, none above")
    else:
        found = "the outcomes mix no more than the errors of the demands explain"
    return (f"{found}; how steeply the chance to climb falls is not known, and the fit is "
            "penalised (Jeffreys), so that it is not infinitely steep")


def _of_shape(curve: SuccessCurve) -> list[str]:
    """Whether the curve is the right one."""
    return [_links_apart(curve), _unlike(curve), _errors(curve)]


def _links_apart(curve: SuccessCurve) -> str:
    unit = curve.group.conditions.unit
    lows = {name: interval.low for name, interval in curve.climbed.by_link.items()}
    least, most = sorted(lows.values())
    if math.isinf(most) or most - least <= _LINKS_APART * abs(most):
        return ""
    told = ", ".join(f"{name} {'none' if math.isinf(low) else measure(low, unit)}"
                     for name, low in lows.items())
    return (f"the bound depends on the form of the curve by more than {percent(_LINKS_APART)} "
            f"({told}); the lower is used")


def _unlike(curve: SuccessCurve) -> str:
    p = curve.goodness.p_value
    if math.isnan(p) or p >= _UNLIKELY:
        return ""
    counted_in = "" if curve.prior is None else " with the simulated ones counted in"
    return (f"the trials do not look like the curve{counted_in} ({chance(p)}): the bounds do not "
            "hold; look for what else differed between trials, such as the day or the place")


def _errors(curve: SuccessCurve) -> str:
    unit = curve.group.conditions.unit
    sigma = float(np.median(curve.group.sigma))
    width = curve.fit.demand_at(0.25) - curve.fit.demand_at(0.75)
    if sigma < width:
        return ""
    return (f"the demands were measured with an error as large as the transition (median sigma "
            f"{measure(sigma, unit)}; from a chance of 75 % to one of 25 % it is "
            f"{measure(width, unit)}): measure them better rather than make more trials")


def _of_trials(group: TrialGroup) -> list[str]:
    """Where the trials come from."""
    count = len(group.trials)
    days = {trial.date for trial in group.trials}
    of_one_day = "" if group.simulated or len(days) > 1 or count == 1 else (
        f"all trials were made on one day, {next(iter(days)).isoformat()}: how much days differ is "
        "not known")
    simulated = "" if not group.simulated else (
        f"{'the trial was' if count == 1 else f'all {count} trials were'} simulated: they say what "
        "the simulation climbs, not what the rover does")
    return [of_one_day, simulated]


def _of_prior(
    curve: SuccessCurve | NoCurve, without: SuccessCurve | NoCurve | None,
    comparison: CurveComparison | NoComparison | None,
) -> str:
    if isinstance(curve, NoCurve) or curve.prior is None:
        return ""
    compared = (
        "; whether they are of one curve with the walked ones could not be tested"
        if not isinstance(comparison, CurveComparison) else
        f", and they are not of one curve with the walked ones ({chance(comparison.p_value)})"
        if comparison.differ else "")
    return (f"{len(curve.prior.trials)} simulated trials are counted in as a prior, each with "
            f"weight {curve.prior_weight:g}: the bounds hold only as far as the simulation is "
            f"right{compared}{_height_without(without)}")


def _height_without(without: SuccessCurve | NoCurve | None) -> str:
    if without is None:
        return ""
    if isinstance(without, NoCurve):
        return "; without them there is no curve"
    low, unit = without.climbed.low, without.group.conditions.unit
    return ("; without them no height above 0 can be shown" if low <= 0 else
            f"; without them the height climbed is {measure(low, unit)}")


__all__ = ["warnings_of"]
