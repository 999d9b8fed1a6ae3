"""A limit that was chosen as text, from its record, and the words that the page shares. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from hazcam.frames import heading_text
from hazcam.report.record import Record, counted
from hazcam.report.text import labelled, plain_table, rendered
from hazcam.report.tune_curve_text import conditions_words, outcomes_words
from hazcam.report.tune_limits_words import share_words, sites_words
from hazcam.tuning.words import bare, measure, percent

MOST_FLIPS = 10
_SAME = 1e-6  # share of a cost that is no difference
_Row = tuple[str, str, list[tuple[str, str]]]
_SETTINGS = ("reliability", "confidence", "risk")


def limits_study_text(record: Record) -> str:
    """The answer, what bears it, both mistakes, what flips, and how the limit moves.

    Parameters
    ----------
    record : dict
        From ``limits_study_record``.
    """
    parts = [_labelled(answer_rows(record)), _labelled(_warnings(record)),
             _mistakes_table(record), _labelled(mistake_rows(record)), _flips(record),
             _moves_table(record), _labelled(beside_rows(record)),
             _numbered("cautions", record["cautions"])]
    return "\n\n".join(part for part in parts if part) + "\n"


def _labelled(rows: Sequence[tuple[str, str]]) -> str:
    return "\n".join(labelled(label, text) for label, text in rows)


def _numbered(label: str, texts: Sequence[str]) -> str:
    return "\n".join(labelled("" if i else label, f"{i + 1}. {text}")
                     for i, text in enumerate(texts))


def _warnings(record: Record) -> list[tuple[str, str]]:
    return [("" if i else "warnings", f"{i + 1}. {text}")
            for i, text in enumerate(record["curve"]["warnings"])]


# --- the answer -----------------------------------------------------------------------------------


def answer_words(record: Record) -> str:
    """The limit, or that there is none."""
    limit = record["limit"]
    if limit["recommended"] is None:
        return f"no {limit['name']} limit can be recommended"
    found = f"set the {limit['name']} limit to {measure(limit['recommended'], limit['unit'])}"
    if not limit["risk_shown"]:
        risk = percent(record["inputs"]["settings"]["risk"])
        found += f" (that the risk of {risk} is met is not shown)"
    at = next(one for one in record["at"] if one["name"] == "recommended")
    if record["headings"]["decided"] and not at["goes"]:
        return f"{found}, with which no heading goes that hangs on it"
    return found


def answer_rows(record: Record) -> list[tuple[str, str]]:
    """The limit, why, what it is today, what it was chosen from: label and text."""
    inputs, limit = record["inputs"], record["limit"]
    trials, run = inputs["trials"], inputs["run"]
    return [
        ("answer", answer_words(record)), ("because", limit["reason"]),
        ("today", today_words(record)),
        *([("cheapest", cheapest_words(record))] if limit["cheapest"] is not None else []),
        ("trials", f"{outcomes_words(record['curve'])}; {conditions_words(record['curve'])}; "
                   f"{trials['name']} ({trials['digest'][:12]})"),
        ("run", f"{run['name']} ({run['digest'][:12]}), {counted(run['pairs'], 'pair')}; "
                f"{headings_words(record)}; {record['counted']['text']}")]


def today_words(record: Record) -> str:
    """What the limit is today, and where that comes from."""
    unit = record["limit"]["unit"]
    return "; ".join(f"{measure(limit['value'], unit)} for {rover} ({limit['source']})"
                     for rover, limit in record["limit"]["today"].items())


def cheapest_words(record: Record) -> str:
    """The cheapest limit, and at which costs."""
    limit, costs = record["limit"], record["inputs"]["settings"]["costs"]
    found = (f"{measure(limit['cheapest'], limit['unit'])}, with a false go at "
             f"{costs['false_go']:g} and a needless ask at {costs['needless_ask']:g}")
    recommended = limit["recommended"]
    if recommended is None or limit["cheapest"] == recommended:
        return found
    if limit["cheapest"] > recommended:
        return f"{found}; more than the recommended one: by cost alone, without the risk held"
    cost = {one["name"]: one["cost"] for one in record["at"]}
    return found if cost["recommended"] - cost["cheapest"] > _SAME * cost["recommended"] else (
        f"{found}; the lowest of several, the recommended one costs no more on this run")


def headings_words(record: Record) -> str:
    """How many headings were counted, and how many outcomes are known."""
    found = record["headings"]
    known = found["outcomes"]
    words = ", ".join(f"{count} {word}" for word, count in known["words"].items())
    outcomes = ("no outcome of a walk" if not known["known"] else
                f"{counted(known['used'], 'outcome')} of walks used ({words})" if known["used"]
                else f"{counted(known['known'], 'outcome')} of walks, on none of them")
    return f"{found['decided']} of {found['of_rover']} headings hang on this limit; {outcomes}"


# --- both mistakes --------------------------------------------------------------------------------


def _mistakes_table(record: Record) -> str:
    unit, at = record["limit"]["unit"], record["at"]
    table = plain_table(["", *(f"{one['name']}\n{measure(one['value'], unit)}" for one in at), ""],
                        set(range(1, len(at) + 1)))
    for label, of, cells in mistake_cells(record):
        table.add_row(f"{label}\n  {of}" if of else label,
                      *("\n".join(filter(None, cell)) for cell in cells), "")
    return rendered(table)


def mistake_cells(record: Record) -> list[_Row]:
    """Rows of both mistakes: label, of how much, and for each limit the value and its bounds."""
    at, by = record["at"], record["counted"]["by"]
    likeliest, sure = _beyond_words(record)
    rows: list[_Row] = [
        (f"go, of {counted(record['headings']['decided'], 'heading')}", "",
         [(f"{one['goes']}", "") for one in at]),
        _rate_row(at, "false_go", likeliest, by),
        _rate_row(at, "false_go_bound", sure, by),
        _rate_row(at, "needless", "needless ask", by),
        ("failures among goes", "expected by the curve", [_failed(one) for one in at]),
        *_walked_row(record),
        ("between asks", f"with {record['headings']['look_ahead_m']:g} m a go",
         [_between(one["between_asks_m"]) for one in at])]
    if at and at[0]["cost"] is not None:
        rows.append(("cost of a heading", "", [(f"{one['cost']:.3g}", "") for one in at]))
    return rows


def _walked_row(record: Record) -> list[_Row]:
    """What came of walks that are go; no row where no outcome of one is known."""
    if not record["headings"]["outcomes"]["used"]:
        return []
    return [("failed, of walked goes", "as labelled; bounds over walks", [
        (f"{one['failed']} of {one['go']}", bounds_words(one)) if one["go"] else ("none walked", "")
        for one in (at["walked"] for at in record["at"])])]


def _beyond_words(record: Record) -> tuple[str, str]:
    """What false go is of: ground beyond the likeliest height climbed, and beyond the sure one."""
    climbed, unit = record["curve"]["climbed"], record["limit"]["unit"]
    heights = (climbed["estimate"], climbed["low"])
    first, second = ("any" if height is None or height <= 0 else measure(height, unit)
                     for height in heights)
    return f"false go beyond {first}", f"false go beyond {second}"


def _rate_row(at: Sequence[Record], name: str, label: str, by: str) -> _Row:
    of, clusters = at[0][name]["of"], at[0][name]["clusters"]
    told = "of none" if not clusters else (
        f"of {'below 0.1' if of < 0.05 else f'{of:.1f}'} headings, {sites_words(clusters, by)}")
    return label, told, [rate_cell(one[name]) for one in at]


def rate_cell(rate: Record) -> tuple[str, str]:
    """A rate and its bounds; that there is nothing to count."""
    if rate["state"] != "counted":
        return "nothing to count", ""
    return share_words(rate['rate']), bounds_words(rate)


def bounds_words(rate: Record) -> str:
    """Its bounds in per cent."""
    return f"({share_words(rate['low']).removesuffix(' %')} to {share_words(rate['high'])})"


def _failed(one: Record) -> tuple[str, str]:
    rate = one["failures"]
    if rate["state"] != "counted":
        return "nothing goes", ""
    expected, low, high = (_count(rate[name] * one["goes"]) for name in ("rate", "low", "high"))
    return f"{expected} of {one['goes']}", f"({low} to {high})"


def _count(expected: float) -> str:
    if expected >= 10:
        return f"{expected:.0f}"
    return f"{expected:.2g}" if expected >= 0.005 else "0.00"


def _between(found: Record) -> tuple[str, str]:
    if found["state"] == "never asked":
        return "never asks", "" if found["low"] is None else f"({found['low']:.2f} m or more)"
    high = "open" if found["high"] is None else f"{found['high']:.2f} m"
    return f"{found['mean']:.2f} m", f"({found['low']:.2f} to {high})"


def mistake_rows(record: Record) -> list[tuple[str, str]]:
    """What the brackets are, and the same choice on ground left out: label and text."""
    confidence = percent(record["inputs"]["settings"]["confidence"])
    return [("in brackets", f"one-sided bounds at {confidence} confidence each, over "
                            f"{record['counted']['by']}s; between asks straight ahead, where any "
                            "limit or unseen ground asks"),
            ("held out", held_out_words(record))]


def held_out_words(record: Record) -> str:
    """Which split was used, and the rates on what was left out.

    Which ground is beyond is the judge of the choice, and takes all trials.
    """
    split, unit = record["held_out"], record["limit"]["unit"]
    if not split["folds"]:
        return ("not possible: the headings counted are of one "
                f"{record['counted']['by']}, and there is no other to count on"
                if record["headings"]["decided"] else "nothing to count")
    rates = ", ".join(f"{label} {_held(split[name], record)}" for name, label in
                      zip(("false_go", "false_go_bound", "needless"),
                          (*_beyond_words(record), "needless ask"), strict=True))
    refitted = ""
    if split["refitted"]:
        refitted = (f"; {counted(split['refitted'], 'trial')} of these pairs left out of the curve "
                    "with them")
    elif record["headings"]["outcomes"]["known"]:
        refitted = "; no trial was recognised as a walk of this run"
    return (f"chosen without {split['left_out']}, counted on what was left out, "
            f"{split['folds']} times: limits {range_words(split['chosen'], unit)}; "
            f"{rates}{refitted}. Which ground is beyond is said by all trials")


def _held(rate: Record, record: Record) -> str:
    if rate["state"] != "counted":
        return "nothing to count"
    return (f"{share_words(rate['rate'])} {bounds_words(rate)} of {rate['of']:.1f} headings, "
            f"{sites_words(rate['clusters'], record['counted']['by'])}")


def range_words(values: Sequence[float | None], unit: str) -> str:
    """From the least to the greatest; how often there is none."""
    known = [value for value in values if value is not None]
    none = len(values) - len(known)
    if not known:
        return "none"
    span = measure(known[0], unit) if min(known) == max(known) else (
        f"{bare(min(known), unit)} to {measure(max(known), unit)}")
    return span + (f", none {none} times" if none > 1 else ", none once" if none else "")


# --- what flips -----------------------------------------------------------------------------------


def flips_words(record: Record) -> str:
    """How many headings get another verdict, of how many pairs."""
    flips = record["flips"]
    if record["limit"]["recommended"] is None:
        return "nothing is recommended, nothing flips"
    if not flips:
        return "no heading gets another verdict than today"
    to_go = sum(flip["to_go"] for flip in flips)
    pairs = len({flip["pair"] for flip in flips})
    parts = [f"{counted(count, 'heading')} from {way}" for count, way in (
        (to_go, "ask-ground to go"), (len(flips) - to_go, "go to ask-ground")) if count]
    return f"{', '.join(parts)}, in {counted(pairs, 'pair')}"


def flip_cells(flip: Record, unit: str) -> tuple[str, str, str, str, str, str]:
    """Pair, heading, verdict then, chance to fail, least limit, what came of it."""
    return (flip["pair"], heading_text(flip["heading_deg"]),
            "go" if flip["to_go"] else "ask-ground", failing_words(flip),
            "none" if flip["least"] is None else measure(flip["least"], unit),
            flip["walked"] or "not walked")


def failing_words(flip: Record) -> str:
    """The chance that the rover would not climb it."""
    if flip["failing"] is None:
        return "not known"
    if flip["walked"] not in ("", "climbed"):
        return "failed"
    return share_words(flip["failing"]) if flip["failing"] >= 5e-5 else "below 0.01 %"


def _flips(record: Record) -> str:
    head = labelled("flips", flips_words(record))
    flips, unit = record["flips"], record["limit"]["unit"]
    if not flips:
        return head
    table = plain_table(["pair", "heading", "then", "chance\nto fail", "goes\nfrom", "walked"],
                        {3, 4})
    for flip in flips[:MOST_FLIPS]:
        table.add_row(*flip_cells(flip, unit))
    more = len(flips) - MOST_FLIPS
    rest = f"\n({more} more)" if more > 0 else ""
    return f"{head}, the riskiest first:\n{rendered(table)}{rest}"


# --- how it moves ---------------------------------------------------------------------------------


def _moves_table(record: Record) -> str:
    """The settings in a row each, and what it rests on."""
    unit, moves = record["limit"]["unit"], record["sensitivity"]["moves"]
    rows = [("it moves" if i == 0 else "", text)
            for i, text in enumerate(setting_words(moves, unit))]
    rows += [("", text) for text in without_words(moves, unit)]
    if record["sensitivity"]["text"]:
        rows.append(("data", record["sensitivity"]["text"]))
    return _labelled(rows)


def setting_words(moves: Sequence[Record], unit: str) -> list[str]:
    """The limit under each other value of a setting."""
    found = []
    for name in _SETTINGS:
        some = [move for move in moves if move["what"] == name]
        told = ", ".join(f"{value_words(move, unit)} at {percent(float(move['setting']))}"
                         for move in some)
        shown = [percent(float(move["setting"])) for move in some if move["shown"]]
        risks = "" if name != "risk" else (
            f"; shown by the run: {', '.join(shown) if shown else 'none of these'}")
        found += [f"{name}: {told} [{unit}]{risks}"] if some else []
    return found


def value_words(move: Record, unit: str) -> str:
    """A limit as a number, or that there is none."""
    return "none" if move["value"] is None else bare(move["value"], unit)


def without_words(moves: Sequence[Record], unit: str) -> list[str]:
    """From where to where it moves without one day or site."""
    words = {"without trials of": "without one day of trials", "without site": "without one site",
             "without day": "without one day of the run"}
    return [f"{text}: {range_words([m['value'] for m in some], unit)} ({len(some)} left out in "
            "turn)" for what, text in words.items()
            if (some := [move for move in moves if move["what"] == what])]


def beside_rows(record: Record) -> list[tuple[str, str]]:
    """The rule on board, the rig, a second limit: label and text."""
    rows = [("rule on board", record["onboard"]["text"]), *_numbered_rows("rig", rig_words(record))]
    if record["two"] is not None:
        rows.append(("two limits", record["two"]["text"]))
    return rows


def _numbered_rows(label: str, texts: Sequence[str]) -> list[tuple[str, str]]:
    return [("" if i else label, text) for i, text in enumerate(texts)]


def rig_words(record: Record) -> list[str]:
    """How the limit moves with each change of the rig; why it is not known."""
    rig = record["rig"]
    if rig is None:
        return ["not tried: it takes the pictures (--pictures) and a recommended limit"]
    found = [f"{move['name']} ({move['source']}): {move['text']}" for move in rig["moves"]]
    found += [f"not known: {text}" for text in rig["not_known"]]
    head = f"{counted(rig['pairs'], 'pair')} assessed again"
    if rig["left_out"]:
        pairs = {one["pair"] for one in rig["left_out"]}
        head += f", {len(pairs)} not or not with every change: {rig['left_out'][0]['reason']}"
    return [head, *found]


__all__ = ["MOST_FLIPS", "answer_rows", "answer_words", "beside_rows", "failing_words",
           "flip_cells", "flips_words", "held_out_words", "limits_study_text", "mistake_cells",
           "mistake_rows", "rate_cell", "rig_words", "setting_words", "today_words",
           "without_words"]
