"""Words for a limit that was chosen: why it is no greater, and what it rests on. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby

from hazcam.report.record import counted
from hazcam.tuning.curve import SuccessCurve
from hazcam.tuning.headings import FEW_CLUSTERS
from hazcam.tuning.recommend import bears, bound_of, telling, within_risk
from hazcam.tuning.sensitivity import RESTS, Moved
from hazcam.tuning.study import LimitStudy
from hazcam.tuning.words import measure, percent

_MOST_NAMED = 6


def share_words(share: float) -> str:
    """A rate in per cent: one decimal, two below 1 % where they show more.

    Examples
    --------
    >>> share_words(0.0731), share_words(0.0012), share_words(1e-9), share_words(1.0)
    ('7.3 %', '0.12 %', '0.0 %', '100.0 %')
    """
    fine = f"{100 * share:.2f}"
    return f"{fine} %" if share < 0.00995 and fine != "0.00" else f"{100 * share:.1f} %"


def asked_words(curve: SuccessCurve) -> str:
    """With which reliability and confidence it is to be climbed."""
    climbed = curve.climbed
    return (f"climbed with {percent(climbed.reliability)} reliability at "
            f"{percent(climbed.confidence)} confidence")


def trials_words(curve: SuccessCurve) -> str:
    """How many trials, with those of a prior."""
    found = counted(len(curve.group.trials), "trial")
    if curve.prior is None:
        return found
    return (f"{found} and {len(curve.prior.trials)} simulated ones, each with weight "
            f"{curve.prior_weight:g}")


def reason_words(study: LimitStudy) -> str:
    """Why the recommended limit is what it is, or why there is none: one line."""
    chosen = study.recommendation
    if chosen.basis == "none":
        return (f"the trials show no {study.name} above 0 that is {asked_words(study.curve)}: "
                f"nothing can be recommended from {trials_words(study.curve)}")
    if chosen.value is None:
        return f"nothing can be recommended: {_ended_by_run(study)}"
    shown = measure(chosen.value, study.unit)
    if chosen.basis == "run":
        return f"{shown}: {_ended_by_run(study)}"
    return f"{shown}: {asked_words(study.curve)} by {trials_words(study.curve)}; {_run_says(study)}"


def _run_says(study: LimitStudy) -> str:
    """What the run adds where the trials alone end the limit."""
    chosen, risk = study.recommendation, study.aims.risk
    if not study.trade.headings:
        return "this limit decides no heading of the run, which says nothing of it"
    if chosen.silent:
        return ("the run holds no ground beyond that which this limit decides, so it says nothing "
                "of false go")
    bound = share_words(float(bound_of(study.trade)[chosen.place]))
    if chosen.shown:
        return (f"on the run the bound of the false-go rate, {bound}, is within the risk of "
                f"{percent(risk)}")
    rate = share_words(max(float(one.rate[chosen.place]) for one in telling(study.trade)))
    return (f"on the run the false-go rate is {rate} and its bound, {bound}, as low as so few "
            f"sites can show{_not_shown(study)}")


def _ended_by_run(study: LimitStudy) -> str:
    """The first value at which the run forbids more."""
    trade, risk = study.trade, study.aims.risk
    first = int(within_risk(trade, risk).sum())
    at = measure(float(trade.values[first]), study.unit)
    more = "more" if study.recommendation.value is not None else "the least value already"
    over = [rate for rate in telling(trade) if not bears(rate, risk)[first]]
    worst, bound = (share_words(max(float(getattr(rate, name)[first]) for rate in over))
                    for name in ("rate", "high"))
    if all(rate.least_high <= risk for rate in over):
        return (f"at {more}, the bound of the false-go rate, {bound} at {at}, would exceed the "
                f"risk of {percent(risk)}{_not_shown(study)}")
    return (f"at {more}, {at}, the run shows false go (its rate {worst}, at most "
            f"{bound}), of which so few sites bear none{_not_shown(study)}")


def _not_shown(study: LimitStudy) -> str:
    """That no bound can be as low as the risk on so few sites; else empty."""
    if study.recommendation.shown:
        return ""
    aims, by = study.aims, study.headings.counted_by
    worth = min(rate.clusters for rate in telling(study.trade))
    return (f". That the risk is met is not shown: its ground beyond is "
            f"{sites_words(worth, by)}, and it takes "
            f"{sites_needed(aims.risk, aims.confidence)} without a single false go to bound the "
            f"rate by {percent(aims.risk)} at {percent(aims.confidence)} confidence")


def sites_words(worth: float, by: str) -> str:
    """How many sites of one size hold what is counted."""
    return f"worth {worth:.1f} {by}{'' if round(worth, 1) == 1 else 's'}"


def sites_needed(risk: float, confidence: float) -> int:
    """Sites with ground beyond, none with a false go, that bound the rate by the risk.

    The exact bound of none of n: 1 - (1 - confidence)^(1/n).

    Examples
    --------
    >>> sites_needed(0.05, 0.95), sites_needed(0.2, 0.95)
    (59, 14)
    """
    return math.ceil(math.log(1 - confidence) / math.log1p(-risk) - 1e-9)


def counted_words(study: LimitStudy) -> str:
    """What was counted, how many of them, and whether these are few."""
    by, held = study.headings.counted_by, _present(study)
    few = "" if held >= FEW_CLUSTERS else (
        f", which {'is' if held == 1 else 'are'} few (fewer than {FEW_CLUSTERS}): bounds hold less "
        "than they say")
    alone = "" if by != "pair" else (
        "; no pair says of which site or day it is, so pairs of one place are counted as if they "
        "were independent: bounds claim more than is known")
    return f"counted over {counted(held, by)}{few}{alone}"


def _present(study: LimitStudy) -> int:
    return len(set(study.headings.cluster[study.headings.counted].tolist()))


def rests_words(rests: Sequence[Moved], study: LimitStudy) -> str:
    """On which part of the data the recommendation rests; that it rests on none; or empty."""
    if study.recommendation.value is None:
        return ""
    parts = [_rests_on(what, list(some), study.unit)
             for what, some in groupby(rests, key=lambda one: one.what)]
    alone = _nothing_to_leave_out(study)
    if not parts:
        none = ("no day of trials, site or day, left out alone, moves it by more than "
                f"{percent(RESTS)}")
        return "; ".join([none, *alone] if len(alone) < 2 else alone)
    return "; ".join([*parts, *alone])


def _rests_on(what: str, moves: list[Moved], unit: str) -> str:
    kind = {"without trials of": "the trials of", "without site": "the site",
            "without day": "the day"}
    named = moves[:_MOST_NAMED]
    listed = ", ".join(f"{m.setting} (without: {moved_words(m, unit)})" for m in named)
    more = "" if len(moves) == len(named) else f" and {len(moves) - len(named)} more"
    return f"rests on {kind[what]} {listed}{more}"


def _nothing_to_leave_out(study: LimitStudy) -> list[str]:
    """What all the data are of, so that it cannot be left out."""
    found, dates = [], {trial.date for trial in study.curve.group.trials}
    if len(dates) == 1:
        found.append(f"all trials are of one day, {min(dates).isoformat()}: it rests on it")
    if _present(study) == 1:
        found.append(f"all headings counted are of one {study.headings.counted_by}: what the run "
                     "says rests on it")
    return found


def moved_words(move: Moved, unit: str) -> str:
    """The limit then, or that there is none."""
    return "none" if move.value is None else measure(move.value, unit)


__all__ = ["asked_words", "counted_words", "moved_words", "reason_words",
           "rests_words", "share_words", "sites_needed", "sites_words", "trials_words"]
