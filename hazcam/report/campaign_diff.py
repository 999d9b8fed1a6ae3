"""What differs between two runs, as a record (schema ``hazcam-diff/1``) and as text. Pure."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from rich.table import Table

from hazcam import __version__
from hazcam.campaign.difference.compare import (
    CLEAR_MOVED_M,
    KINDS,
    HeadingChange,
    PairCounts,
    RunDifference,
)
from hazcam.campaign.difference.why import HeadingState
from hazcam.frames import heading_text
from hazcam.report.record import Record, counted, plain
from hazcam.report.text import WIDTH, rendered

DIFF_SCHEMA = "hazcam-diff/1"
_SHOWN_IDS, _SHOWN_CHANGES = 8, 20
_TITLES = {
    "ask to go": "ask-ground in A, go in B: look at these first",
    "go to ask": "go in A, ask-ground in B",
    "other cause": "ask-ground in both, another first cause",
    "clear distance": "the same cause, or go in both, at another distance",
}


@dataclass(frozen=True, kw_only=True)
class RunSide:
    """What is said of each run itself: its name as given, the version that made it, is it done?"""

    name: str
    hazcam: str
    done: bool


def diff_record(found: RunDifference, a: RunSide, b: RunSide) -> Record:
    """The differences as plain values; every heading that changed is in ``changes``."""
    record = {
        "a": asdict(a), "b": asdict(b), "inputs": [asdict(d) for d in found.inputs],
        "pair_inputs": [asdict(d) for d in found.pair_inputs],
        "pairs": {
            "compared": len(found.compared), "only_a": found.only_a, "only_b": found.only_b,
            "not_tried_a": found.not_tried_a, "not_tried_b": found.not_tried_b,
            "failed_a": found.failed_a, "failed_b": found.failed_b,
            "failed_both": found.failed_both, "other_pictures": found.other_pictures},
        "verdicts": {"any_heading": _counts(found.any_heading), "ahead": _counts(found.ahead)},
        "headings": {
            "compared": found.headings, "only_a": found.headings_only_a,
            "only_b": found.headings_only_b, "pairs": found.pairs_other_headings,
            "clear_moved_m": CLEAR_MOVED_M,
            "changed": {kind: sum(c.kind == kind for c in found.changes) for kind in KINDS}},
        "reasons": [asdict(r) for r in found.reasons],
        "places": [asdict(p) for p in found.places],
        "changes": [_change(c) for c in found.changes],
    }
    return {"schema": DIFF_SCHEMA, "hazcam": __version__, **plain(record)}


def _counts(counts: PairCounts) -> Record:
    return {**asdict(counts), "probability": counts.probability}


def _change(change: HeadingChange) -> Record:
    return {"pair": change.pair, "heading_deg": change.heading_deg, "kind": change.kind,
            "why": change.why, "rover": change.rover, "site": change.site,
            "a": _state(change.a), "b": _state(change.b)}


def _state(state: HeadingState) -> Record:
    return {**vars(state), "text": _state_text(state)}


def _state_text(state: HeadingState) -> str:
    """The verdict with its first cause, as far as that has numbers."""
    if not state.cause:
        return f"{state.verdict}, clear to {state.clear_m:.2f} m"
    text = f"{state.verdict}: {state.first}"
    if math.isfinite(state.demand):
        digits = 3 if state.unit == "m" else 1
        sigma = f" ± {state.sigma:.{digits}f}" if math.isfinite(state.sigma) else ""
        text += f" {state.demand:.{digits}f}{sigma} {state.unit}"
        if math.isfinite(state.limit):
            text += f", limit {state.limit:.{digits}f} {state.unit},"
    return f"{text} at {state.at_m:.2f} m" if math.isfinite(state.at_m) else text


# --- text -----------------------------------------------------------------------------------------


def diff_text(record: Record) -> str:
    """What was compared, with what it was made, how many changed, why, and which."""
    parts = [_head(record), *_lists(record["pairs"]),
             _inputs(record["inputs"], record["pair_inputs"])]
    if record["pairs"]["compared"]:
        parts += [_verdicts(record["verdicts"], record["headings"]["pairs"]),
                  _summary(record["headings"])]
        if record["changes"]:
            parts += [_reasons(record["reasons"]), _places(record["places"])]
        parts += [_changes(kind, changes) for kind in KINDS
                  if (changes := [c for c in record["changes"] if c["kind"] == kind])]
    return "\n\n".join(parts) + "\n"


def _filled(text: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent="  ", break_long_words=False,
                         break_on_hyphens=False)


def _head(record: Record) -> str:
    lines = []
    for letter in ("a", "b"):
        side = record[letter]
        done = "" if side["done"] else "; NOT FINISHED: pairs that it has not tried are left out"
        lines.append(_filled(f"{letter.upper()}: {side['name']} (hazcam {side['hazcam']}){done}"))
    compared = record["pairs"]["compared"]
    lines.append(_filled(f"{counted(compared, 'pair')} compared, of the same pictures"))
    return "\n".join(lines)


def _lists(pairs: Record) -> list[str]:
    """The pairs that are not compared, and why."""
    words = {"other_pictures": "other pictures under the same id", "only_a": "only in A",
             "only_b": "only in B", "not_tried_a": "not tried yet in A",
             "not_tried_b": "not tried yet in B", "failed_both": "failed in both"}
    lines = [_filled(f"{text}: {_ids(pairs[name])}") for name, text in words.items() if pairs[name]]
    for name, text in (("failed_a", "failed in A only"), ("failed_b", "failed in B only")):
        failed = list(pairs[name].items())
        lines += [_filled(f"{text}: {id_} ({reason})") for id_, reason in failed[:_SHOWN_IDS]]
        if len(failed) > _SHOWN_IDS:
            lines.append(f"{text}: and {len(failed) - _SHOWN_IDS} more")
    return ["Not compared\n" + "\n".join(lines)] if lines else []


def _ids(ids: Sequence[str]) -> str:
    more = len(ids) - _SHOWN_IDS
    return f"{len(ids)}: " + ", ".join(ids[:_SHOWN_IDS]) + (f" and {more} more" if more > 0 else "")


def _inputs(differences: Sequence[Record], of_pairs: Sequence[Record]) -> str:
    parts = ["Made with the same version, options, settings, rovers and rigs."]
    if differences:
        table = _table(["made with", "A", "B"])
        for row in differences:
            table.add_row(row["name"], _value(row["a"]), _value(row["b"]))
        parts = [rendered(table)]
    parts += [f"{row['name']} differs in {row['pairs']} of {counted(row['of'], 'pair')} "
              f"{row['among']}"
              for row in of_pairs]
    return "\n".join(parts)


def _value(value: Any) -> str:
    if value is None:
        return "-"
    text = str(value)
    return text[:12] if len(text) == 64 else text  # a digest is told by its beginning


def _verdicts(verdicts: Record, other_headings: int) -> str:
    table = _table(["verdict of pairs", "go in\nboth", "ask in\nboth", "ask in A,\ngo in B",
                    "go in A,\nask in B", "sign test"], right=range(1, 6))
    for name, text in (("any_heading", "any heading go"), ("ahead", "straight ahead")):
        row = verdicts[name]
        table.add_row(text, *(str(row[key]) for key in
                              ("both_go", "both_ask", "ask_to_go", "go_to_ask")),
                      f"{row['probability']:.2g}")
    differ = _filled("any heading: of those that both judged; in "
                     f"{counted(other_headings, 'pair')} one judged others, too") + "\n"
    return rendered(table) + "\n" + (differ if other_headings else "") + _filled(
        "sign test: how likely so uneven a split or more, if a pair changes either way as likely; "
        "exact, two-sided, and too low where pairs show the same place")


def _summary(headings: Record) -> str:
    changed = headings["changed"]
    text = (f"Of {counted(headings['compared'], 'heading')} that both judged: "
            f"{changed['ask to go']} from ask-ground to go, {changed['go to ask']} from go to "
            f"ask-ground, {changed['other cause']} with another first cause, "
            f"{changed['clear distance']} clear for more than {headings['clear_moved_m']:g} m "
            "more or less.")
    if headings["only_a"] or headings["only_b"]:
        text += (f" Judged by one only: {headings['only_a']} headings in A, {headings['only_b']} "
                 "in B.")
    return _filled(text)


def _reasons(reasons: Sequence[Record]) -> str:
    table = _table(["change", "why", "headings", "pairs"], right=(2, 3))
    for r in reasons:
        table.add_row(r["kind"], r["why"], str(r["headings"]), str(r["pairs"]))
    return rendered(table)


def _places(places: Sequence[Record]) -> str:
    """Headings by rover and site."""
    table = _table(["rover", "site", *(kind.replace(" to ", "\nto ").replace(" d", "\nd")
                                       .replace(" c", "\nc") for kind in KINDS), "pairs"],
                   right=range(2, 7))
    for p in places:
        table.add_row(p["rover"], p["site"] or "-", *(str(p["headings"][k]) for k in KINDS),
                      str(p["pairs"]))
    return rendered(table)


def _changes(kind: str, changes: Sequence[Record]) -> str:
    table = _table(["pair", "heading", "A", "B", "why"])
    for c in changes[:_SHOWN_CHANGES]:
        table.add_row(c["pair"], heading_text(c["heading_deg"]), c["a"]["text"], c["b"]["text"],
                      c["why"])
    more = len(changes) - _SHOWN_CHANGES
    title = f"{_TITLES[kind]} ({counted(len(changes), 'heading')})"
    end = f"\nand {more} more: see --json" if more > 0 else ""
    return f"{title}\n{rendered(table)}{end}"


def _table(headers: Sequence[str], right: Sequence[int] = ()) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for i, header in enumerate(headers):
        table.add_column(header, justify="right" if i in right else "left")
    return table
