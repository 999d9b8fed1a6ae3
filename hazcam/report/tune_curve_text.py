"""The success curves as text, from their record, and the words that the page shares. Pure."""

from __future__ import annotations

import math
import textwrap

from hazcam.report.record import Record, counted
from hazcam.report.text import WIDTH, labelled, plain_table, rendered
from hazcam.report.tune_curve_record import by_conditions
from hazcam.tuning.words import bare, chance, measure, of_hundred, percent

_UNLIKELY = 0.05  # p value below which something is told as found: common practice, no source
# What would tell more where there is no curve, by what the trials are.
_TRY_GREATER = "try greater demands, a little more each time, until some fail; then repeat between"
_TRY_SMALLER = "try smaller demands, until some climb; then repeat between"
_TRY_BOTH = ("make trials at several demands, from one that is surely climbed to one that is not, "
             "and repeat between")


def tune_curve_text(record: Record) -> str:
    """Of each group what was tried, what the curve says, how it fits, and what is against it."""
    parts = [_labelled(_head(record))]
    for groups in by_conditions(record["groups"]):
        parts += [_group_text(record, group) for group in groups]
        parts += [labelled("compared", one["text"]) for one in record["comparisons"]
                  if one["conditions"] == groups[0]["conditions"]]
    return "\n\n".join([*parts, labelled("caution", f"{record['caution']}.")]) + "\n"


def _head(record: Record) -> list[tuple[str, str]]:
    table = record["table"]
    return [("trials", f"{counted(table['trials'], 'trial')} of {table['name']} "
                       f"({table['digest'][:12]})"),
            ("asked for", asked_words(record)),
            *([("prior", weight_words(record))] if weight_words(record) else [])]


def _labelled(rows: list[tuple[str, str]]) -> str:
    return "\n".join(labelled(label, text) for label, text in rows)


def _group_text(record: Record, group: Record) -> str:
    title = conditions_words(group)
    parts = [f"{textwrap.fill(title, WIDTH)}\n{'-' * min(len(title), WIDTH)}",
             _labelled(group_rows(record, group))]
    if group["state"] == "curve":
        parts[1:1] = [_bounds_table(group)]
    if group["warnings"]:
        parts.append("\n".join(labelled("" if i else "warnings", f"{i + 1}. {text}")
                               for i, text in enumerate(group["warnings"])))
    return "\n\n".join(parts)


# --- words ---------------------------------------------------------------------------------------


def asked_words(record: Record) -> str:
    """The height climbed that was asked for."""
    options = record["options"]
    return (f"the demand that is climbed in {of_hundred(options['reliability'])} trials, at "
            f"{percent(options['confidence'])} confidence (one-sided)")


def weight_words(record: Record) -> str:
    """That simulated trials are counted in; empty where not."""
    weight = record["options"]["simulated_weight"]
    return "" if weight is None else (
        f"simulated trials are counted in with the walked ones of their conditions, each with "
        f"weight {weight:g}")


def conditions_words(group: Record) -> str:
    """Kind, rover, gait, ground and gravity; walked or simulated."""
    return f"{group['conditions']['text']}; {'simulated' if group['simulated'] else 'walked'}"


def outcomes_words(group: Record) -> str:
    """How many trials, with which outcomes, between which demands, on which days."""
    unit, tried, days = group["conditions"]["unit"], group["tried"], group["days"]
    count = len(group["trials"])
    counts = ", ".join(f"{number} {word}" for word, number in group["outcomes"].items())
    span = measure(tried["least"], unit) if tried["least"] == tried["greatest"] else (
        f"{bare(tried['least'], unit)} to {measure(tried['greatest'], unit)}")
    when = days[0] if len(days) == 1 else f"{len(days)} days from {days[0]} to {days[-1]}"
    return f"{counted(count, 'trial')} ({counts}), {span}, {when}"


def group_rows(record: Record, group: Record) -> list[tuple[str, str]]:
    """What is said of a group beside its table: label and text."""
    rows = [("tried", outcomes_words(group))]
    if group["prior"] is not None:
        prior = group["prior"]
        rows.append(("prior", f"{counted(prior['trials'], 'simulated trial')} counted in, each "
                              f"with weight {prior['weight']:g}"))
    if group["state"] == "curve":
        return [*rows, ("fit", fit_words(group)), ("goodness", goodness_words(group))]
    return [*rows, ("no curve", group["reason"]), ("without one", without_words(record, group)),
            ("try next", next_words(group))]


def fit_words(group: Record) -> str:
    """Which curve is likelier, how it was fitted and bounded, and whether the demand matters."""
    fits, link = group["fits"], group["link"]
    other = next(name for name in fits if name != link)
    apart = fits[link]["log_likelihood"] - fits[other]["log_likelihood"]
    how = "maximum penalised likelihood (Jeffreys)" if fits[link]["penalised"] \
        else "maximum likelihood"
    p = fits[link]["p_no_slope"]
    matters = "the" if p < _UNLIKELY else "no sign that the"
    return (f"{how}; {link} is likelier than {other} by {apart:.2f} in log-likelihood; estimates "
            f"are of the {link}, the band too; bounds by profile likelihood, with and without "
            f"Jeffreys' penalty, the wider; {matters} demand matters (likelihood ratio of the "
            f"slope, {chance(p)})")


def goodness_words(group: Record) -> str:
    """Whether the trials look like the curve."""
    found = group["goodness"]
    if found["p_value"] is None:
        return "too few trials to tell whether they are unlike the curve"
    looks = ("no sign that the trials are unlike the curve" if found["p_value"] >= _UNLIKELY else
             "the trials do not look like the curve")
    return (f"{looks} (Pearson's X^2 {found['statistic']:.2f} over {len(found['lots'])} lots, "
            f"{chance(found['p_value'])})")


def without_words(record: Record, group: Record) -> str:
    """What the trials show at one demand, without any curve."""
    support, unit, count = group["support"], group["conditions"]["unit"], len(group["trials"])
    told = (f"at {measure(support['at'], unit)}, the least tried, or up to "
            f"{measure(support['near'], unit)} above, {support['climbed']} of {support['tried']} "
            f"climbed: by these alone a chance "
            f"of at least {_whole(support['chance_at_least'])} at "
            f"{percent(record['options']['confidence'])} confidence")
    if group["outcomes"].get("climbed", 0) < count or support["tried"] == count:
        return told
    return (f"{told}; if a greater {group['conditions']['kind']} is never climbed more often, all "
            f"{count} count: at least {_whole(support['chance_at_least_if_falling'])}")


def _whole(share: float) -> str:
    """A lower bound in whole per cent, rounded down."""
    return percent(math.floor(100 * share) / 100)


def next_words(group: Record) -> str:
    """What would tell more where there is no curve."""
    climbed, count = group["outcomes"].get("climbed", 0), len(group["trials"])
    if climbed == count:
        return _TRY_GREATER
    return _TRY_SMALLER if climbed == 0 else _TRY_BOTH


def interval_words(found: Record, unit: str) -> str:
    """An interval from bound to bound, or which bound it has."""
    low, high = found["low"], found["high"]
    if low is None and high is None:
        return "not bounded on either side"
    if low is None:
        return f"up to {measure(high, unit)}, no lower bound"
    if high is None:
        return f"{measure(low, unit)} on, no upper bound"
    return f"{bare(low, unit)} to {measure(high, unit)}"


def answer_words(group: Record) -> str:
    """The height climbed in short, or that there is none."""
    kind, unit = group["conditions"]["kind"], group["conditions"]["unit"]
    if group["state"] != "curve":
        return f"no {kind} can be stated: there is no curve"
    found = group["climbed"]
    asked = (f"in at least {of_hundred(found['reliability'])} trials, at "
             f"{percent(found['confidence'])} confidence")
    prior = "" if group["prior"] is None else ", with simulated trials counted in"
    if found["low"] is None or found["low"] <= 0:
        return f"no {kind} above 0 is shown to be climbed {asked}{prior}"
    who = " by the simulation" if group["simulated"] else ""
    return f"a {kind} of {measure(found['low'], unit)} is climbed{who} {asked}{prior}"


def bound_rows(group: Record) -> list[tuple[str, str, str]]:
    """Halfway and the height climbed: what, estimate, and bound or interval."""
    unit, found, halfway = group["conditions"]["unit"], group["climbed"], group["halfway"]
    confidence = percent(found["confidence"])

    def bound(of: Record) -> str:
        low = of["low"]
        told = ("no lower bound" if low is None else
                measure(low, unit) if low > 0 else "none above 0")
        return f"{told} at {confidence} confidence"

    known = found["low"] is not None and found["low"] > 0
    both = ": the lower of both" if known else ""
    return [
        ("climbed in 50 of 100", measure(halfway["estimate"], unit),
         f"{interval_words(halfway, unit)} (95 % interval)"),
        (f"climbed in {of_hundred(found['reliability'])}", measure(found["estimate"], unit),
         f"{bound(found)}{both}"),
        *((f"  by the {link}", measure(of["estimate"], unit), bound(of))
          for link, of in found["by_link"].items())]


def _bounds_table(group: Record) -> str:
    table = plain_table([group["conditions"]["kind"], "estimate", "bound"], {1})
    for row in bound_rows(group):
        table.add_row(*row)
    return rendered(table)
