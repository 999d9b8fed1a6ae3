"""What judging a run again changes: record of schema ``hazcam-run-judgement/1``, and text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from hazcam import __version__
from hazcam.campaign.judging import RunJudgement
from hazcam.frames import heading_text
from hazcam.report.record import Record
from hazcam.report.text import plain_table, rendered
from hazcam.versions import versions

RUN_JUDGEMENT_SCHEMA = "hazcam-run-judgement/1"
_MOST_SHOWN = 50


def run_judgement_record(found: RunJudgement, *, inputs: Mapping[str, Any]) -> Record:
    """A judgement of a run as plain values ready for JSON; all headings that flipped are in it.

    Parameters
    ----------
    found : RunJudgement
        From ``judge_run`` or ``against_before``.
    inputs : mapping
        Where the run is, and what options changed; kept as it is.
    """
    headings, flipped = found.headings, found.flipped
    return {
        "schema": RUN_JUDGEMENT_SCHEMA, "hazcam": __version__, "pairs": found.pairs,
        "without_ground": found.without_ground, "headings": len(headings),
        "headings_new": int(np.sum(headings["before"] == "")),
        "go_before": int(np.sum(headings["before"] == "go")),
        "go_after": int(np.sum(headings["after"] == "go")),
        "to_go": int(np.sum(flipped["after"] == "go")),
        "to_ask_ground": int(np.sum(flipped["after"] != "go")),
        "by_full_demands": found.undecided,
        "flipped": [dict(zip(flipped.dtype.names or (), row.item(), strict=True))
                    for row in flipped],
        "versions": versions(), "inputs": dict(inputs),
    }


def run_judgement_text(record: Record) -> str:
    """The same as ``hazcam judge`` prints it; of the headings that flipped, the first 50."""
    lines = [
        f"{_many(record['pairs'], 'pair')}, {_many(record['headings'], 'heading')}; no picture "
        "was read",
        f"go before {record['go_before']}, now {record['go_after']}",
        f"ask-ground -> go {record['to_go']}, go -> ask-ground {record['to_ask_ground']}"]
    if record["headings_new"]:
        lines.append(f"not judged before: {_many(record['headings_new'], 'heading')}")
    if record["without_ground"]:
        lines.append(f"{_many(record['without_ground'], 'pair')} without stereo: "
                     "ask-ground as before")
    flipped = record["flipped"]
    if flipped:
        lines += ["", _table(flipped[:_MOST_SHOWN])]
    if len(flipped) > _MOST_SHOWN:
        lines.append(f"and {len(flipped) - _MOST_SHOWN} more; --json prints all")
    return "\n".join(lines) + "\n"


def _table(flipped: list[dict[str, Any]]) -> str:
    table = plain_table(("pair", "heading", "before", "now"), right={1})
    for row in flipped:
        table.add_row(row["pair"], heading_text(row["heading_deg"]), row["before"], row["after"])
    return rendered(table)


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
