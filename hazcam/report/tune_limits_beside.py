"""What is studied beside a limit, as records: the rule on board, the rig, a second limit. Pure."""

from __future__ import annotations

import math

import numpy as np

from hazcam.frames import Floats
from hazcam.report.record import Record, counted
from hazcam.report.tune_limits_words import share_words
from hazcam.rover.profile import LIMIT_UNITS
from hazcam.tuning.onboard_rule import NoOnboardRule, NoThreshold, OnboardRule
from hazcam.tuning.onboard_study import OnboardStudy
from hazcam.tuning.rig_study import RigMove
from hazcam.tuning.study import LimitStudy
from hazcam.tuning.two_limits import TwoLimits
from hazcam.tuning.words import bare, measure, percent

_MOST_ROWS = 101  # of the map of two limits that are kept
_ERRORS = 2.0  # standard errors below which a move is none: common practice, no source
_GROUND_ONLY = "only the ground's limit is tuned, not the rule on board"


# --- the rule on board ----------------------------------------------------------------------------


def onboard_record(study: LimitStudy) -> Record:
    """The rule on board: values reported, the line through them, mistakes over thresholds [m]."""
    found, rule = study.onboard, study.onboard.rule
    reports = found.reports
    known = not isinstance(rule, NoOnboardRule)
    return {
        "state": "known" if known else "not known",
        "reason": rule.reason if isinstance(rule, NoOnboardRule) else None,
        "reports": {
            "pairs": list(reports.pairs), "sites": list(reports.sites),
            "reported": reports.reported.tolist(), "demand": reports.demand.tolist(),
            "sigma": reports.sigma.tolist(),
            "silent": [{**one._asdict(), "missed": one.pair in _missed(rule)}
                       for one in reports.silent],
            "left_out": [{"pair": pair, "reason": why} for pair, why in reports.left_out]},
        "rule": None if isinstance(rule, NoOnboardRule) else _rule(rule),
        "thresholds": found.thresholds.tolist() if found.mistakes is not None else None,
        "false_go": None if found.mistakes is None else found.mistakes.false_go.tolist(),
        "needless": None if found.mistakes is None else found.mistakes.needless.tolist(),
        **_threshold(study), "text": onboard_words(study)}


def _missed(rule: OnboardRule | NoOnboardRule) -> tuple[str, ...]:
    return rule.missed.pairs if isinstance(rule, OnboardRule) else ()


def _rule(rule: OnboardRule) -> Record:
    return {
        "offset_m": rule.offset_m, "gain": rule.gain, "tau_m": rule.tau_m,
        "gain_interval": list(rule.gain_interval), "tau_least_m": rule.tau_least_m,
        "tau_most_m": rule.tau_most_m, "covariance": rule.covariance.tolist(),
        "least_demand_m": rule.least_demand_m, "most_demand_m": rule.most_demand_m,
        "pairs": rule.pairs,
        **{name: {"pairs": list(gross.pairs), "tried": gross.tried, "share": gross.share,
                  "low": gross.interval.low, "high": gross.interval.high}
           for name, gross in (("missed", rule.missed), ("overstated", rule.overstated))}}


def _threshold(study: LimitStudy) -> Record:
    """The threshold to set, with the mistakes at it; or why none can be named."""
    found = study.onboard
    threshold = found.threshold
    none = {"threshold": None, "at_threshold": None}
    if isinstance(threshold, NoThreshold):
        return {**none, "threshold_state": "none", "threshold_reason": threshold.reason}
    if threshold is None:
        reason = found.rule.reason if isinstance(found.rule, NoOnboardRule) else (
            "no height is shown to be climbed")
        return {**none, "threshold_state": "not known", "threshold_reason": reason}
    nowhere = isinstance(found.rule, OnboardRule) and threshold <= found.rule.offset_m
    return {"threshold": threshold, "at_threshold": _at_threshold(found, threshold),
            "threshold_state": "stops everywhere" if nowhere else "known",
            "threshold_reason": "it is no more than what is reported of flat ground"
            if nowhere else None}


def _at_threshold(found: OnboardStudy, threshold: float) -> Record:
    """Both mistakes at the greatest threshold tried that is no greater."""
    assert found.mistakes is not None  # there is a threshold
    place = max(int(np.searchsorted(found.thresholds, threshold, side="right")) - 1, 0)
    return {"tried": found.thresholds[place], "beyond": float(found.mistakes.beyond.sum()),
            "false_go": found.mistakes.false_go[place], "needless": found.mistakes.needless[place]}


def onboard_words(study: LimitStudy) -> str:
    """The rule on board and its threshold, or why it is not known."""
    rule = study.onboard.rule
    if isinstance(rule, NoOnboardRule):
        return f"not known: {rule.reason}{_silent_words(study)}; {_GROUND_ONLY}"
    low, high = rule.gain_interval
    missed = (f"; missed {len(rule.missed.pairs)} of {rule.missed.tried} that would have shown"
              + (f", overstated {len(rule.overstated.pairs)} of {rule.overstated.tried}"
                 if rule.overstated.pairs else "") + _silent_words(study))
    return (f"it reports {measure(rule.offset_m, 'm')} plus {rule.gain:.2f} ({low:.2f} to "
            f"{high:.2f}) times the {rule.kind}, with a noise of {measure(rule.tau_m, 'm')} "
            f"({bare(rule.tau_least_m, 'm')} to {measure(rule.tau_most_m, 'm')}), by "
            f"{counted(rule.pairs, 'pair')} of {bare(rule.least_demand_m, 'm')} to "
            f"{measure(rule.most_demand_m, 'm')}{missed}. {_threshold_words(study, rule)}")


def _silent_words(study: LimitStudy) -> str:
    """How many pairs carry no value, and what that counts as; empty where all carry one."""
    silent, rule = study.onboard.reports.silent, study.onboard.rule
    if not silent:
        return ""
    told = f"; {counted(len(silent), 'pair')} with no value"
    if isinstance(rule, NoOnboardRule):
        return told
    missed = sum(one.pair in rule.missed.pairs for one in silent)
    stopped = sum(one.stopped for one in silent)
    asked = f", {stopped} with a verdict ask-ground not" if stopped else ""
    return (f"{told}: {missed} of them, whose {rule.kind} would have shown, count as "
            f"missed{asked}")


def _threshold_words(study: LimitStudy, rule: OnboardRule) -> str:
    told, height = _threshold(study), study.curve.climbed.low
    if told["threshold"] is None:
        return f"No threshold can be named: {told['threshold_reason']}"
    if told["threshold_state"] == "stops everywhere":
        return (f"The threshold that the risk allows, {measure(told['threshold'], 'm')}, is no "
                "more than what it reports of flat ground: it would stop everywhere")
    at = told["at_threshold"]
    beyond = "nothing beyond it among these pairs" if math.isnan(at["false_go"]) or (
        at["beyond"] < 0.5) else f"false go {share_words(at['false_go'])}"
    far = ("" if rule.least_demand_m <= height <= rule.most_demand_m else
           "; that height lies outside the demands it was fitted to, where its line is a guess")
    return (f"Set at {measure(told['threshold'], 'm')} at the most it stops before "
            f"{measure(height, 'm')} but for {percent(study.aims.risk)}, at 95 % confidence; on "
            f"the ground of these pairs, as fitted: {beyond}, needless stop "
            f"{share_words(at['needless'])}{far}")


# --- the rig --------------------------------------------------------------------------------------


def rig_record(study: LimitStudy) -> Record | None:
    """How the limit moves with a changed rig; None where no pictures were given."""
    rig = study.rig
    if rig is None:
        return None
    return {
        "pairs": rig.pairs, "not_known": list(rig.not_known),
        "left_out": [{"pair": one.id, "change": None if one.change is None else one.change.name,
                      "reason": one.reason} for one in rig.left_out],
        "moves": [_rig_move(move, rig.pairs, study.unit) for move in rig.moves]}


def _rig_move(move: RigMove, pairs: int, unit: str) -> Record:
    """``told``: whether the median stands out of the scatter over pairs, and of the step.

    Headings of a pair see the same ground, so that pairs are what is counted.
    """
    shift = move.shift
    floor = max(_ERRORS * shift.scatter / math.sqrt(max(pairs, 1)), shift.step)
    told = not math.isnan(shift.median) and abs(shift.median) > floor
    return {"name": move.name, "source": move.source, "value": move.value if told else None,
            "median": shift.median, "scatter": shift.scatter, "step": shift.step,
            "headings": shift.headings, "lost": shift.lost, "won": shift.won,
            "state": "not known" if math.isnan(shift.median) else
            "moved" if told else "no move to be told",
            "text": _rig_words(move, unit, told=told)}


def _rig_words(move: RigMove, unit: str, *, told: bool) -> str:
    shift = move.shift
    if math.isnan(shift.median):
        return f"not known: {shift.reason}"
    half, scatter = shift.median / 2, shift.scatter / 2
    found = (f"{'+' if half >= 0 else '-'}{measure(abs(half), unit)}, over which "
             f"{counted(shift.headings, 'heading')} scatter by {measure(scatter, unit)}")
    if not told:
        return f"no move to be told from the scatter ({found})"
    assert move.value is not None  # the median is known
    return f"{measure(move.value, unit)} ({found})"


# --- a second limit -------------------------------------------------------------------------------


def two_record(study: LimitStudy) -> Record | None:
    """Both mistakes over two limits, rows by ``values``, columns by ``others``, rows thinned."""
    two = study.two
    if two is None:
        return None
    kept = np.unique(np.linspace(0, len(two.values) - 1, _MOST_ROWS).astype(int))
    return {
        "name": two.name, "other": two.other, "other_unit": LIMIT_UNITS[two.other],
        "today": list(two.today), "silent": two.silent, "risk_shown": two.shown,
        "confidence": two.confidence,
        "values": two.values[kept].tolist(), "others": two.others.tolist(),
        "false_go": two.false_go[kept].tolist(),
        "bound": two.bound[kept].tolist(), "needless": two.needless[kept].tolist(),
        "height": two.height, "other_height": two.other_height, "from_trials": two.from_trials,
        "best": None if two.best is None else list(two.best), "text": two_words(study, two)}


def two_words(study: LimitStudy, two: TwoLimits) -> str:
    """The best of both, and what it means."""
    unit, other_unit = study.unit, LIMIT_UNITS[two.other]
    legs = (f"; of {two.other} there are no trials: the legs are taken to manage what the limit is "
            f"today, {measure(two.other_height, other_unit)}" if not two.from_trials else "")
    if two.best is None:
        return f"no pair of {two.name} and {two.other} is named: {_why_no_pair(study, two)}{legs}"
    false_go, bound, needless = (_at(two, grid) for grid in
                                 (two.false_go, two.bound, two.needless))
    if math.isnan(bound) or two.silent:
        says = "the run says nothing of false go"
    elif not two.shown and not math.isnan(false_go):
        says = (f"false-go rate {share_words(false_go)}, its bound {share_words(bound)}"
                f"{_at_confidence(two)} by too few sites to show the risk")
    else:
        says = f"bound of the false-go rate {share_words(bound)}{_at_confidence(two)}"
    asks = f", needless asks {share_words(needless)}"
    return (f"{two.name} {measure(two.best[0], unit)} with {two.other} "
            f"{measure(two.best[1], other_unit)}: {says}{asks}; the lowest of those that ask as "
            f"little{legs}")


def _why_no_pair(study: LimitStudy, two: TwoLimits) -> str:
    for name, height in ((two.name, two.height), (two.other, two.other_height)):
        if not height > 0:
            return f"the trials show no {name} above 0 that is climbed"
    if np.isnan(two.needless).all():
        return "they decide no heading of the run"
    return ("with none that the trials and the run bear within a risk of "
            f"{percent(study.aims.risk)} does any heading go")


def _at_confidence(two: TwoLimits) -> str:
    """The confidence of a bound, which holds for all that were tried together."""
    return f" (at {100 * two.confidence:.4g} % confidence, as many pairs are tried)"


def _at(two: TwoLimits, grid: Floats) -> float:
    """Of a map of both limits what is at the best."""
    assert two.best is not None
    return float(grid[_place(two.values, two.best[0]), _place(two.others, two.best[1])])


def _place(values: Floats, value: float) -> int:
    return int(np.argmin(np.abs(values - value)))


__all__ = ["onboard_record", "onboard_words", "rig_record", "two_record", "two_words"]
