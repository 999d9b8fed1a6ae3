"""The success curves of trials as a record (schema ``hazcam-tuning/1``, kind ``curve``). Pure.

- Demands are in the unit of their group, m or deg; so are sigmas, bounds and differences.
- ``groups`` are the trials of one kind under the same conditions, all walked or all simulated; each
  trial is there. ``state`` is ``curve``, or ``no curve`` with its ``reason``.
- ``null`` stands for what is not known, with a state beside it: of an interval ``bounded``,
  ``no lower bound``, ``no upper bound`` or ``no bound``; of a p value ``known`` or
  ``too few trials``.
- ``low`` of ``climbed`` is the height climbed with the reliability, at the confidence, one-sided;
  the interval of everything else is two-sided at 95 %.
- ``p_no_slope`` of a fit tests by the likelihood ratio, against ``null_log_likelihood``, whether
  the demand matters at all; ``deviance`` is against a chance of its own for each trial.
- ``chance_at_least`` of ``support`` is a lower bound by the trials at a demand alone, and
  ``chance_at_least_if_falling`` by all trials there and at greater demands.
- ``warnings`` are sentences, the worst first.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from hazcam import __version__
from hazcam.report.record import Record, plain
from hazcam.statistics import Interval, clopper_pearson
from hazcam.tuning.cells import OUTCOMES
from hazcam.tuning.compare import CurveComparison, NoComparison, comparison_text
from hazcam.tuning.curve import BandPoint, NoCurve, SuccessCurve
from hazcam.tuning.curve_study import CurveStudy
from hazcam.tuning.fit import CurveFit
from hazcam.tuning.goodness import Goodness, Lot
from hazcam.tuning.record import Conditions, TrialGroup
from hazcam.tuning.result import SCHEMA
from hazcam.versions import versions

KIND = "curve"
CAUTION = (
    "a curve holds for its conditions only: this rover, gait, ground and gravity, and obstacles "
    "like those that were tried. Other ground, another gait or gravity, or a worn foot, is another "
    "curve. The team decides")

_STATES = {(True, True): "bounded", (False, True): "no lower bound",
           (True, False): "no upper bound", (False, False): "no bound"}


def tune_curve_record(study: CurveStudy) -> Record:
    """The curves as plain values ready for JSON.

    Parameters
    ----------
    study : CurveStudy
        From ``curve_study``.
    """
    record: Record = plain({
        "schema": SCHEMA, "kind": KIND, "hazcam": __version__,
        "table": {"name": study.table.file_name, "digest": study.table.digest,
                  "trials": len(study.table.trials)},
        "options": {"reliability": study.reliability, "confidence": study.confidence,
                    "simulated_weight": study.simulated_weight},
        "groups": [_group(study, curve) for curve in study.curves],
        "comparisons": [_comparison(found) for found in study.comparisons],
        "caution": CAUTION, "versions": versions()})
    return record


def _group(study: CurveStudy, curve: SuccessCurve | NoCurve) -> Record:
    group = curve.group
    return {
        "conditions": _conditions(group.conditions), "simulated": group.simulated,
        **_tried(group), **_found(curve), "support": _support(curve, study.confidence),
        "prior": _prior(study, curve), "warnings": list(study.warnings(curve)),
        "trials": [{"id": t.id, "date": t.date.isoformat(), "demand": t.demand, "sigma": t.sigma,
                    "outcome": t.outcome, "note": t.note} for t in group.trials]}


def _conditions(conditions: Conditions) -> Record:
    return {**conditions._asdict(), "unit": conditions.unit, "text": conditions.text}


def _tried(group: TrialGroup) -> Record:
    outcomes = Counter(trial.outcome for trial in group.trials)
    return {"outcomes": {word: outcomes[word] for word in OUTCOMES if outcomes[word]},
            "tried": {"least": float(group.demand.min()), "greatest": float(group.demand.max())},
            "days": sorted({trial.date.isoformat() for trial in group.trials})}


def _found(curve: SuccessCurve | NoCurve) -> Record:
    """The curve; the same keys, with null, where there is none."""
    if isinstance(curve, NoCurve):
        return {"state": "no curve", "reason": curve.reason, **dict.fromkeys(
            ("link", "fits", "halfway", "climbed", "band", "goodness"))}
    climbed = curve.climbed
    return {
        "state": "curve", "reason": None, "link": curve.link,
        "fits": {link: _fit(fit) for link, fit in curve.fits.items()},
        "halfway": _point(curve.halfway),
        "climbed": {"reliability": climbed.reliability, "confidence": climbed.confidence,
                    "estimate": climbed.estimate, **_interval(climbed.interval),
                    "by_link": {link: {
                        "estimate": curve.fits[link].demand_at(climbed.reliability),
                        **_interval(found)} for link, found in climbed.by_link.items()}},
        "band": [_point(point) for point in curve.band], "goodness": _goodness(curve.goodness)}


def _fit(fit: CurveFit) -> Record:
    return {**asdict(fit), "covariance": fit.covariance.tolist(), "p_no_slope": fit.p_no_slope}


def _interval(interval: Interval) -> Record:
    low, high = interval
    return {"low": low, "high": high, "state": _STATES[math.isfinite(low), math.isfinite(high)]}


def _point(point: BandPoint) -> Record:
    return {"probability": point.probability, "estimate": point.estimate,
            **_interval(point.interval)}


def _goodness(goodness: Goodness) -> Record:
    known = math.isfinite(goodness.p_value)
    return {"statistic": goodness.statistic, "p_value": goodness.p_value,
            "p_state": "known" if known else "too few trials",
            "lots": [_lot(lot) for lot in goodness.lots]}


def _lot(lot: Lot) -> Record:
    """With the observed share and its exact interval."""
    exact = clopper_pearson(lot.climbed, lot.tried, sided="two")
    return {**asdict(lot), "share": {"observed": lot.climbed / lot.tried, **exact._asdict()}}


def _support(curve: SuccessCurve | NoCurve, confidence: float) -> Record:
    """With the chance to climb that the trials there show by themselves.

    And, if a greater demand is never climbed more often, by those at greater demands too.
    """
    support, group = curve.support, curve.group
    failed = support.tried - support.climbed
    above = group.climbed[group.demand >= support.at]
    return {**asdict(support),
            "chance_at_least": _at_least(failed, support.tried, confidence),
            "chance_at_least_if_falling": _at_least(int((~above).sum()), len(above), confidence)}


def _at_least(failed: int, tried: int, confidence: float) -> float:
    return 1 - clopper_pearson(failed, tried, confidence=confidence).high


def _prior(study: CurveStudy, curve: SuccessCurve | NoCurve) -> Record | None:
    if isinstance(curve, NoCurve) or curve.prior is None:
        return None
    return {"trials": len(curve.prior.trials), "weight": curve.prior_weight,
            "without": _found(study.without_prior[curve.group.conditions])}


def _comparison(found: CurveComparison | NoComparison) -> Record:
    told = {"conditions": _conditions(found.conditions), "text": comparison_text(found)}
    keys = ("link", "walked", "simulated", "statistic", "p_value", "penalised", "difference",
            "interval", "differ", "higher")
    if isinstance(found, NoComparison):
        return {**told, "state": "not compared", "reason": found.reason, **dict.fromkeys(keys)}
    return {**told, "state": "compared", "reason": None,
            **{key: getattr(found, key) for key in keys}, "walked": _fit(found.walked),
            "simulated": _fit(found.simulated), "interval": _interval(found.interval),
            "higher": found.higher or "not known"}


def by_conditions(groups: Sequence[Record]) -> list[list[Record]]:
    """The groups of a record that are of the same conditions together, in its order."""
    found: dict[tuple[Any, ...], list[Record]] = {}
    for group in groups:
        found.setdefault(tuple(group["conditions"].values()), []).append(group)
    return list(found.values())


__all__ = ["CAUTION", "KIND", "by_conditions", "tune_curve_record"]
