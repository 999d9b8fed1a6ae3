"""A limit that was chosen as a record (schema ``hazcam-tuning/1``, kind ``limits``). Pure.

- Limits, demands and their errors are in ``limit.unit``, m or deg; distances in m.
- ``trade_off`` holds columns, one entry for each of ``values``. Of a rate ``low`` and ``high`` are
  one-sided bounds at the confidence each, ``of`` how many headings it could happen to (expected),
  ``clusters`` how many sites, days or pairs of one size those are worth. ``false_go`` is of ground
  beyond the likeliest height climbed, ``false_go_bound`` of ground beyond the one at the
  confidence. ``bound`` is the greater of their upper bounds; null where the run holds no such
  ground.
- ``null`` stands for what is not known or does not exist, with a state beside it: of a rate
  ``counted`` or ``nothing to count``; a distance between asks is ``null`` where it never asks.
- ``flips`` are the headings with another verdict than today, the riskiest first.
- ``walked`` in ``at`` counts the walked headings of the run that are go, and of those the ones on
  which the rover did not climb; ``low`` and ``high`` as of a rate.
- ``limit.risk_shown``: whether the bound of the false-go rate shows that the risk is met; not of a
  run that is silent, nor of too few sites. ``limit.rover_numbers`` are those of the rover that the
  run was assessed for, ``rover_digest`` is theirs.
- ``limit.cheapest`` is null where no costs are given.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import asdict
from functools import partial
from typing import Any

import numpy as np

from hazcam import __version__
from hazcam.errors import listed
from hazcam.report.record import Record, counted, plain
from hazcam.report.tune_curve_record import tune_curve_record
from hazcam.report.tune_limits_beside import onboard_record, rig_record, two_record
from hazcam.report.tune_limits_words import (
    counted_words,
    reason_words,
    rests_words,
    sites_needed,
)
from hazcam.rover.limits import rover_numbers
from hazcam.tuning.compare import comparisons_of
from hazcam.tuning.curve import SuccessCurve, curve_of
from hazcam.tuning.curve_study import CurveStudy
from hazcam.tuning.headings import FEW_CLUSTERS
from hazcam.tuning.recommend import LEAST_BEYOND, bound_of
from hazcam.tuning.record import TrialTable
from hazcam.tuning.result import KIND, SCHEMA
from hazcam.tuning.sensitivity import rests_on
from hazcam.tuning.split import CountedRate
from hazcam.tuning.study import LimitStudy
from hazcam.tuning.tradeoff import Rate
from hazcam.tuning.words import measure
from hazcam.versions import versions

RATES = ("false_go", "false_go_bound", "needless", "failures")
"""Of a trade-off, by the names of their attributes."""
CAUTION = (
    "the limit holds for its conditions: this rover, gait, ground and gravity, and obstacles like "
    "those that were tried. It says nothing of ground that this limit does not decide, nor of what "
    "no picture shows. The team decides")


def limits_study_record(
    study: LimitStudy, *, trials: TrialTable, run_name: str, run_digest: str, run_pairs: int
) -> Record:
    """A limit and all that speaks for and against it, as plain values ready for JSON.

    Parameters
    ----------
    study : LimitStudy
        From ``study_limit``.
    trials : TrialTable
        That its curve is of.
    run_name, run_digest : str
        Folder and digest of the run.
    run_pairs : int
        Pairs in it, 1 or more.
    """
    group = study.curve.group
    rests = rests_on(study.moves, study.recommendation.value)
    record: Record = plain({
        "schema": SCHEMA, "kind": KIND, "hazcam": __version__,
        "made_on": study.made_on.isoformat(),
        "conditions": {**group.conditions._asdict(), "simulated": group.simulated,
                       "text": group.conditions.text},
        "limit": _limit(study),
        "inputs": {
            "trials": {"name": trials.file_name, "digest": trials.digest,
                       "count": len(group.trials)},
            "run": {"name": run_name, "digest": run_digest, "pairs": run_pairs},
            "settings": _settings(study)},
        "at": _at(study), "counted": _counted(study), "headings": _headings(study),
        "curve": _curve(study.curve, trials), "trade_off": _trade_off(study),
        "flips": [{**asdict(flip), "state": "no value" if math.isinf(flip.least) else "value"}
                  for flip in study.flips],
        "held_out": _held_out(study),
        "sensitivity": {
            "moves": [{**asdict(move), "state": "none" if move.value is None else "limit"}
                      for move in study.moves],
            "rests_on": [asdict(move) for move in rests], "text": rests_words(rests, study)},
        "onboard": onboard_record(study), "rig": rig_record(study), "two": two_record(study),
        "cautions": _cautions(study, trials), "versions": versions()})
    return record


def _limit(study: LimitStudy) -> Record:
    chosen, trade = study.recommendation, study.trade
    return {
        "name": study.name, "unit": study.unit,
        "today": {rover: {"value": limit.value, "source": limit.source}
                  for rover, limit in study.today.items()},
        "recommended": chosen.value, "basis": chosen.basis, "silent": chosen.silent,
        "risk_shown": chosen.shown,
        "cheapest": trade.values[trade.cheapest] if trade.cheapest >= 0 else None,
        "reason": reason_words(study),
        "rover_digest": study.rover.digest, "rover_numbers": rover_numbers(study.rover)}


def _settings(study: LimitStudy) -> Record:
    aims = study.aims
    return {"reliability": aims.reliability, "confidence": aims.confidence, "risk": aims.risk,
            "costs": None if aims.costs is None else
            {"false_go": aims.costs[0], "needless_ask": aims.costs[1]},
            "simulated_weight": None if study.curve.prior is None else study.curve.prior_weight,
            "second": None if study.two is None else study.two.other}


def _curve(curve: SuccessCurve, trials: TrialTable) -> Record:
    """The group of ``tune curve``, with its warnings."""
    asked = partial(curve_of, reliability=curve.climbed.reliability,
                    confidence=curve.climbed.confidence)
    prior = curve.prior
    whole = tune_curve_record(CurveStudy(
        table=trials, **asked.keywords, simulated_weight=curve.prior_weight or None,
        curves=(curve,),
        without_prior={} if prior is None else {curve.group.conditions: asked(curve.group)},
        comparisons=() if prior is None else comparisons_of((curve, asked(prior)))))
    found: Record = whole["groups"][0]
    return found


# --- both mistakes --------------------------------------------------------------------------------


def _trade_off(study: LimitStudy) -> Record:
    trade = study.trade
    mean, low, high = trade.go_m.T
    return {
        "values": trade.values.tolist(),
        **{name: _rate(getattr(trade, name)) for name in RATES},
        "bound": bound_of(trade).tolist(),
        "go_share": trade.go_share.tolist(),
        "between_asks_m": {"mean": mean.tolist(), "low": low.tolist(), "high": high.tolist()},
        "cost": None if trade.cost is None else trade.cost.tolist()}


def _rate(rate: Rate) -> Record:
    return {"rate": rate.rate.tolist(), "low": rate.low.tolist(), "high": rate.high.tolist(),
            "of": rate.of, "clusters": rate.clusters, "state": _state(rate.of)}


def _state(of: float) -> str:
    return "counted" if of >= LEAST_BEYOND else "nothing to count"


def _at(study: LimitStudy) -> list[Record]:
    """Both mistakes at the limits that are told of: today's, the recommended, the cheapest."""
    chosen, values = study.recommendation, study.trade.values
    (today,) = study.today.values()
    places = [("today", int(np.argmin(np.abs(values - today.value)))),
              ("recommended", chosen.place), ("cheapest", study.trade.cheapest)]
    return [_at_place(study, name, place) for name, place in places if place >= 0]


def _at_place(study: LimitStudy, name: str, place: int) -> Record:
    trade = study.trade
    mean, low, high = trade.go_m[place]
    return {
        "name": name, "value": trade.values[place], "go_share": trade.go_share[place],
        "goes": round(float(np.nan_to_num(trade.go_share[place])) * trade.headings),
        **{which: _rate_at(getattr(trade, which), place) for which in RATES},
        "bound": bound_of(trade)[place],
        "between_asks_m": {"mean": mean, "low": low, "high": high,
                           "state": "never asked" if math.isinf(mean) else "asked"},
        "cost": None if trade.cost is None else trade.cost[place],
        "walked": asdict(study.walked(place))}


def _rate_at(rate: Rate, place: int) -> Record:
    value = rate.rate[place]
    return {"rate": value, "low": rate.low[place], "high": rate.high[place], "of": rate.of,
            "clusters": rate.clusters, "state": _state(0.0 if np.isnan(value) else rate.of)}


def _counted(study: LimitStudy) -> Record:
    headings = study.headings
    present = np.unique(headings.cluster[headings.counted])
    return {"by": headings.counted_by, "clusters": len(present),
            "names": [headings.clusters[i] for i in present], "few": len(present) < FEW_CLUSTERS,
            "text": counted_words(study),
            "sites_needed": sites_needed(study.aims.risk, study.aims.confidence)}


def _headings(study: LimitStudy) -> Record:
    headings = study.headings
    of_rover, counted_ = len(headings.counted), int(headings.counted.sum())
    walks = headings.walks
    used = [walk for walk in walks if headings.counted[walk.place]]
    return {"of_rover": of_rover, "decided": counted_,
            "asking_whatever": of_rover - counted_,
            "pairs_without_stereo": headings.sweep.without_ground,
            "outcomes": {"known": len(walks), "used": len(used),
                         "not_placed": list(headings.not_placed),
                         "words": dict(sorted(Counter(w.outcome for w in used).items()))},
            "look_ahead_m": headings.look_ahead_m}


def _held_out(study: LimitStudy) -> Record:
    split = study.split
    return {"folds": split.folds, "left_out": split.left_out,
            "state": "split" if split.folds else "one only, nothing to split",
            "chosen": list(split.chosen), "refitted": split.refitted,
            "false_go": _held(split.false_go),
            "false_go_bound": _held(split.false_go_bound), "needless": _held(split.needless)}


def _held(rate: CountedRate) -> Record:
    return {**asdict(rate), "state": _state(0.0 if math.isnan(rate.rate) else rate.of)}


# --- what is to be kept in mind -------------------------------------------------------------------


def _cautions(study: LimitStudy, trials: TrialTable) -> list[str]:
    """Sentences, the worst first."""
    return [text for text in (_no_headings(study), _surprises(study),
                              _not_placed(study), _more_go(study),
                              _not_pooled(study, trials), _undecided(study), CAUTION) if text]


def _no_headings(study: LimitStudy) -> str:
    return "" if study.trade.headings else (
        "this limit decides no heading of the run: nothing but the trials speaks for it")


def _surprises(study: LimitStudy) -> str:
    """Walks that failed where the trials show it climbed: the label, or another demand."""
    low, unit = study.curve.climbed.low, study.unit
    found = [f"{walk.pair} ({walk.outcome} at {measure(walk.demand, unit)})"
             for walk in study.headings.walks if walk.outcome != "climbed" and walk.demand <= low]
    return "" if not found else (
        f"the rover failed where the trials show that it climbs {measure(low, unit)}: "
        f"{listed(found)}. What stopped it there, another demand or an error in the label? Such "
        "walks count as beyond all the same")


def _not_placed(study: LimitStudy) -> str:
    pairs = study.headings.not_placed
    return "" if not pairs else (
        f"{counted(len(pairs), 'walked pair')} {'names' if len(pairs) == 1 else 'name'} a heading "
        f"that was not judged, and what came of it counts nowhere: {listed(pairs)}")


def _more_go(study: LimitStudy) -> str:
    """A limit above today's makes go of what asks now."""
    count = sum(flip.to_go for flip in study.flips)
    return "" if not count else (
        f"{counted(count, 'heading')} that {'asks' if count == 1 else 'ask'} today would go with "
        "the recommended limit: look at each before it is used")


def _not_pooled(study: LimitStudy, trials: TrialTable) -> str:
    conditions = study.curve.group.conditions
    count = sum(t.simulated and t.conditions == conditions for t in trials.trials)
    return "" if not count or study.curve.prior is not None else (
        f"{counted(count, 'simulated trial')} of these conditions {'is' if count == 1 else 'are'} "
        "not counted in: `hazcam tune curve` compares them with the walked ones, "
        "--simulated-weight counts them as a prior")


def _undecided(study: LimitStudy) -> str:
    found: dict[str, Any] = _headings(study)
    ask = found["asking_whatever"]
    return "" if not ask else (
        f"{ask} of {found['of_rover']} headings ask whatever this limit is, for other limits or "
        "ground not seen, and count in neither mistake; those limits and the confidence of the "
        "verdicts stay as assessed")


__all__ = ["CAUTION", "RATES", "limits_study_record"]
