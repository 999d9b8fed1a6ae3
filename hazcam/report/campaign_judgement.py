"""What judging a run again changes: record of schema ``hazcam-run-judgement/1``, and text."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam import __version__
from hazcam.campaign.judging import RunJudgement
from hazcam.frames import heading_text
from hazcam.report.judgement_terms import (
    Terms,
    TermsKey,
    nothing_differs,
    terms_record,
    terms_statements,
)
from hazcam.report.record import Record, counted
from hazcam.report.text import WIDTH, plain_table, rendered
from hazcam.versions import versions

RUN_JUDGEMENT_SCHEMA = "hazcam-run-judgement/1"
_MOST_SHOWN = 50
_LABEL_WIDTH = 10
_NOTHING_ASKED = ("nothing: no other rover, limit or setting was asked for, so no verdict can "
                  "change; see --rover, --limit and the other options of `hazcam judge --help`")
_NOTHING_OTHER = "nothing: what was asked for is what the pairs were assessed with"


def run_judgement_record(
    found: RunJudgement, assessed: NDArray[np.void],
    terms: Mapping[TermsKey, tuple[Terms, Terms]], *, inputs: Mapping[str, Any],
) -> Record:
    """A judgement of a run as plain values ready for JSON; all headings that flipped are in it.

    Parameters
    ----------
    found : RunJudgement
        From ``judge_run`` or ``against_before``.
    assessed : structured ndarray
        The table ``assessments`` of the run.
    terms : mapping
        By what pairs were judged, and are now; by the digests of their rover and settings.
    inputs : mapping
        Where the run is, and what options changed; kept as it is.
    """
    headings, flipped = found.headings, found.flipped
    judged = assessed[np.isin(assessed["pair"], np.unique(headings["pair"]))]
    counts = Counter(zip(judged["rover"].tolist(), judged["settings"].tolist(), strict=True))
    return {
        "schema": RUN_JUDGEMENT_SCHEMA, "hazcam": __version__, "pairs": found.pairs,
        "without_ground": found.without_ground, "headings": len(headings),
        "headings_new": int(np.sum(headings["before"] == "")),
        "go_before": int(np.sum(headings["before"] == "go")),
        "go_after": int(np.sum(headings["after"] == "go")),
        "to_go": int(np.sum(flipped["after"] == "go")),
        "to_ask_ground": int(np.sum(flipped["after"] != "go")),
        "go_pairs": _go_pairs(headings, judged), "by_full_demands": found.undecided,
        "terms": terms_record(terms, counts),
        "flipped": [dict(zip(flipped.dtype.names or (), row.item(), strict=True))
                    for row in flipped],
        "versions": versions(), "inputs": dict(inputs),
    }


def run_judgement_text(record: Record) -> str:
    """The same as ``hazcam judge`` prints it; of the headings that flipped, the first 50."""
    lines = [f"{counted(record['pairs'], 'pair')}, {counted(record['headings'], 'heading')}; no "
             "picture was read", *_terms_lines(record), "", _go_table(record), "",
             f"ask-ground -> go {record['to_go']}, go -> ask-ground {record['to_ask_ground']} "
             "(headings)"]
    if record["headings_new"]:
        lines.append(f"not judged before: {counted(record['headings_new'], 'heading')}")
    if record["without_ground"]:
        lines.append(f"{counted(record['without_ground'], 'pair')} without stereo: "
                     "ask-ground as before")
    flipped = record["flipped"]
    if flipped:
        lines += ["", _table(flipped[:_MOST_SHOWN])]
    if len(flipped) > _MOST_SHOWN:
        lines.append(f"and {len(flipped) - _MOST_SHOWN} more; --json prints all")
    return "\n".join(lines) + "\n"


def _go_pairs(headings: NDArray[np.void], judged: NDArray[np.void]) -> Record:
    """Pairs that go straight ahead, and by any heading; before, of the headings of then."""
    ahead = headings[headings["heading_deg"] == 0]
    going = headings["pair"][headings["after"] == "go"]
    return {
        "ahead": {"judged_before": int(np.sum(judged["verdict_ahead"] != "")),
                  "judged_after": len(ahead),
                  "go_before": int(np.sum(judged["verdict_ahead"] == "go")),
                  "go_after": int(np.sum(ahead["after"] == "go"))},
        "any": {"judged_before": len(judged), "judged_after": len(judged),
                "go_before": int(np.sum(judged["verdict"] == "go")),
                "go_after": len(np.unique(going))},
    }


def _terms_lines(record: Record) -> list[str]:
    found = terms_statements(record["terms"])
    if nothing_differs(record["terms"]):
        asked = record["inputs"]
        nothing = all(value in (None, {}) for name, value in asked.items() if name != "store")
        found.append(("differs", _NOTHING_ASKED if nothing else _NOTHING_OTHER))
    labels = [label for label, _ in found]
    return [textwrap.fill(text, WIDTH, subsequent_indent=" " * _LABEL_WIDTH,
                          initial_indent=("" if label in labels[:n] else label).ljust(_LABEL_WIDTH),
                          break_long_words=False)
            for n, (label, text) in enumerate(found)]


def _go_table(record: Record) -> str:
    table = plain_table(("go", "before", "now"), right={1, 2})
    for label, name in (("pairs, straight ahead", "ahead"), ("pairs, any heading", "any")):
        row = record["go_pairs"][name]
        table.add_row(label, *(
            f"{row[f'go_{when}']} of {row[f'judged_{when}']}" if row[f"judged_{when}"] else
            "not judged" for when in ("before", "after")))
    known = record["headings"] - record["headings_new"]
    table.add_row("headings", f"{record['go_before']} of {known}",
                  f"{record['go_after']} of {record['headings']}")
    return rendered(table)


def _table(flipped: list[dict[str, Any]]) -> str:
    table = plain_table(("pair", "heading", "before", "now"), right={1})
    for row in flipped:
        table.add_row(row["pair"], heading_text(row["heading_deg"]), row["before"], row["after"])
    return rendered(table)
