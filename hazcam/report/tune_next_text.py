"""The trials to make next, as a record (schema ``hazcam-next-trials/1``) and as text. Pure.

- Demands are in the unit of the kind: m or deg.
- ``null`` stands for what is not known: the forecast and the narrowing where there is no curve.
- A bound of 0 stands for none above 0.
- ``simulated`` counts the simulated trials under the same conditions, which are not counted in.
"""

from __future__ import annotations

from typing import Any

from hazcam import __version__
from hazcam.report.record import Record, counted, plain
from hazcam.report.text import labelled, plain_table, rendered
from hazcam.tuning.forecast import Forecast
from hazcam.tuning.next_trials import TrialPlan, free_ids
from hazcam.tuning.record import TrialTable
from hazcam.tuning.words import measure, of_hundred, percent

SCHEMA = "hazcam-next-trials/1"
LIKELY = 0.8
"""The chance with which a bound is said to be reached at least: our choice."""
_MOST_TOLD = 10  # outcomes that are spelled out


def next_record(
    table: TrialTable, plan: TrialPlan, *, reliability: float, confidence: float
) -> Record:
    """The plan as plain values ready for JSON; the trials in the order in which to make them.

    The order is drawn with a seed from the digest of the table: the same table gives the same card,
    one with new trials another order.
    """
    seed = int(table.digest[:8], 16) % 10_000
    order = plan.order(seed)
    ids = free_ids(table, plan.group, len(order))
    support = plan.support
    computed: dict[str, Any] = {
        "table": table.file_name, "conditions": plan.group.conditions._asdict(),
        "unit": plan.group.conditions.unit, "made": len(plan.group.trials),
        "simulated": sum(trial.simulated and trial.conditions == plan.group.conditions
                         for trial in table.trials),
        "reliability": reliability, "confidence": confidence,
        "rule": plan.rule, "reason": plan.reason, "sigma": plan.sigma,
        "tolerance": 2 * plan.sigma, "stepwise": plan.stepwise,
        "seed": None if plan.stepwise else seed,
        "trials": [{"trial_id": id_, "demand": demand}
                   for id_, demand in zip(ids, order, strict=True)],
        "narrowing": plan.narrowing, "forecast": _forecast(plan.forecast),
        "counted_alone": {"at": support.at, "near": support.near, "tried": support.tried,
                          "climbed": support.climbed, "more": support.more},
    }
    return {"schema": SCHEMA, "hazcam": __version__, **plain(computed),
            "digests": {"table": table.digest}}


def _forecast(forecast: Forecast | None) -> Record | None:
    if forecast is None:
        return None
    return {
        "now": forecast.now, "mean": forecast.mean, "likely": LIKELY,
        "at_least": forecast.at_least(LIKELY), "chance_above_now":
        forecast.chance_above(forecast.now), "drawn": forecast.drawn,
        "demands": forecast.demands, "tried": forecast.tried,
        "outcomes": [{"climbed": one.climbed, "chance": one.chance, "low": one.low}
                     for one in forecast.outcomes]}


def next_text(record: Record) -> str:
    """Which trials, in which order, why, and what they would make of the bound."""
    lines = [labelled(label, text) for label, text in [
        ("trials", f"{record['table']}: {counted(record['made'], 'trial')}, {conditions(record)}"
                   f"{not_counted(record)}"),
        ("next", planned(record)), ("why", record["reason"]),
        ("order", ", ".join(f"{t['trial_id']} {built(t['demand'], record['unit'])}"
                            for t in record["trials"]) + f"; {order(record)}"),
        ("forecast", forecast(record)), ("by counting", counted_alone(record)),
    ]]
    return "\n".join(lines) + "\n" + _outcomes(record)


def conditions(record: Record) -> str:
    """Under which the trials were made, and are to be made."""
    c = record["conditions"]
    return (f"kind {c['kind']}: rover {c['rover']}, gait {c['gait']}, on {c['ground']}, "
            f"{c['gravity_mps2']:g} m/s^2")


def not_counted(record: Record) -> str:
    """That simulated trials are left aside; empty where there are none."""
    count = record["simulated"]
    return (f"; {counted(count, 'simulated trial')} {'is' if count == 1 else 'are'} not counted"
            if count else "")


def planned(record: Record) -> str:
    """How many trials of which demand, and how closely to build them."""
    demands = sorted(trial["demand"] for trial in record["trials"])
    each = ", ".join(f"{demands.count(d)} x {built(d, record['unit'])}"
                     for d in dict.fromkeys(demands))
    return f"{each}; {closeness(record)}"


def closeness(record: Record) -> str:
    """How closely a demand is to be built, and that it is measured all the same."""
    if record["tolerance"] == 0:
        return "build them as closely as can be, and measure what was built"
    return (f"build them to within {built(record['tolerance'], record['unit'])}, and measure what "
            f"was built, to {built(record['sigma'], record['unit'])} (one standard deviation)")


def built(value: float, unit: str) -> str:
    """A demand that is built, or how closely: a round number, as it is.

    Examples
    --------
    >>> built(0.039, "m"), built(15.0, "deg")
    ('0.039 m', '15 deg')
    """
    return f"{value:.4g} {unit}"


def order(record: Record) -> str:
    """How the order came about."""
    if record["stepwise"]:
        return "from the lowest up, ended by the first failure"
    if len({trial["demand"] for trial in record["trials"]}) == 1:
        return "all alike"
    return f"shuffled with seed {record['seed']}, so that no drift of the day follows the demand"


def forecast(record: Record) -> str:
    """What the trials would make of the bound, in a sentence or two."""
    found, unit = record["forecast"], record["unit"]
    if found is None:
        return ("none: without a curve nothing says how likely each outcome is. Plan again when "
                "they are made")
    these = "this trial" if len(record["trials"]) == 1 else "these trials"
    asked = f"{of_hundred(record['reliability'])} at {percent(record['confidence'])} confidence"
    above, average = _chance(found["chance_above_now"]), measure(found["mean"], unit)
    drawn = "; by outcomes that were drawn, since there are too many" if found["drawn"] else ""
    if found["now"] > 0:
        said = (f"the bound is {measure(found['now'], unit)} today ({asked}); with {these} "
                f"{average} on average, above today's with a chance of {above}")
    elif found["mean"] == 0:
        return (f"no bound above 0 today ({asked}), and none after {these}, whatever comes of "
                "them: it takes more")
    else:
        said = (f"no bound above 0 today ({asked}); with {these} there is one with a chance of "
                f"{above}, on average {average} where none counts as 0")
    if found["at_least"] > 0:
        said += f", at least {measure(found['at_least'], unit)} with {percent(found['likely'])}"
    said += drawn
    return f"{said}. On average it would not rise" if found["mean"] <= found["now"] else said


def counted_alone(record: Record) -> str:
    """What it would take without the curve."""
    found, unit = record["counted_alone"], record["unit"]
    tried = found["tried"]
    there = f"at {measure(found['at'], unit)} or up to {measure(found['near'], unit)} above"
    here = (f"of {counted(tried, 'trial')} {there}, {found['climbed']} climbed" if tried else
            f"no trial was made {there}")
    asked = f"{of_hundred(record['reliability'])} at {percent(record['confidence'])} confidence"
    if found["more"] == 0:
        return f"{here}: that shows {asked} without the curve"
    told = (f"{here}; without the curve it takes {found['more']} {'more ' if tried else ''}there, "
            f"all climbed, for {asked}")
    if record["rule"] != "higher":
        return told
    return (f"{told}. That is another plan: it would show {measure(found['at'], unit)} and nothing "
            "above. The trials planned here look for where it ends to climb, as a curve needs it")


def _outcomes(record: Record) -> str:
    """Each outcome, its chance and the bound that it would give; where they are not many."""
    found, unit = record["forecast"], record["unit"]
    if found is None or found["mean"] == 0 or len(found["outcomes"]) > _MOST_TOLD:
        return ""
    heads = [f"climbed of\n{n} at {measure(d, unit)}"
             for d, n in zip(found["demands"], found["tried"], strict=True)]
    table = plain_table([*heads, "chance", f"bound\n[{unit}]"], set(range(len(heads) + 2)))
    for one in sorted(found["outcomes"], key=lambda one: (-one["low"], -one["chance"])):
        low = measure(one["low"], unit).removesuffix(f" {unit}") if one["low"] > 0 else "none"
        table.add_row(*map(str, one["climbed"]), _chance(one["chance"]), low)
    return f"\n{rendered(table)}\n"


def _chance(share: float) -> str:
    """A chance in whole per cent."""
    return percent(round(share, 2)) if share >= 0.005 else "below 1 %"


__all__ = ["LIKELY", "SCHEMA", "built", "closeness", "conditions", "counted_alone", "forecast",
           "next_record", "next_text", "not_counted", "order", "planned"]
