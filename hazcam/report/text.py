"""The record as text: plain, of a fixed width, the same on every terminal."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

from hazcam.frames import heading_text
from hazcam.report.record import Record, counted

WIDTH = 100
_LABEL_WIDTH = 14
_DETAIL_LABELS = {
    "taken_at": "taken at", "taken_at_right": "right one taken at", "exposure_s": "exposure",
    "sun_elevation_deg": "sun", "previous": "follows", "onboard": "rover said",
}


def as_text(record: Record) -> str:
    """The assessment of one pair: suggestion, what it rests on, and a table of the headings."""
    lines = [labelled(label, text)
             for label, text in [*statements(record), *limit_statements(record)]]
    return "\n".join([*lines, "", _headings_table(record)]) + "\n"


def statements(record: Record) -> list[tuple[str, str]]:
    """What every output says beside the table: label and text, in order."""
    rover, rig = record["rover"]["name"], record["rig"]["name"]
    missing = record["pair"]["missing"]
    found = [
        ("pair", f"{record['id']} (rover {rover}, rig {rig})"),
        ("suggestion", record["suggestion"]["text"]),
        ("attitude", record["attitude"]["text"]),
        ("near strip", record["near_strip"]["text"]),
        ("rig check", record["rig_check"]["text"]),
    ]
    if "refined" in record:
        found.append(("refined", record["refined"]["text"]))
    previous = record["near_strip"]["previous"]
    if previous is not None:
        found.insert(4, ("previous pair", previous["text"]))
    if missing is not None:
        found.insert(1, ("no stereo", f"the {missing} picture is missing"))
    if "judged_from" in record:
        found.insert(1, ("judged from", record["judged_from"]["text"]))
    if record["outside_rehearsed"]:
        found.append(("not rehearsed", "; ".join(record["outside_rehearsed"])
                      + ": the rates of mistakes that are stated do not hold for this pair"))
    notes = [*record["pair"]["notes"], *record["intake"]["notes"]]
    return found + [("note", note) for note in notes]


def limit_statements(record: Record) -> list[tuple[str, str]]:
    """Where the limits come from that are not derived: label and text, one for each source."""
    found: dict[str, list[str]] = {}
    for name, limit in record["limits"].items():
        if not limit["source"].startswith("derived"):
            found.setdefault(limit["source"], []).append(_limit(name, limit))
    return [("limits" if len(limits) > 1 else "limit", f"{', '.join(limits)}, {source}")
            for source, limits in found.items()]


def _limit(name: str, limit: Record) -> str:
    was = f" (was {limit['was']['value']:.4g} {limit['unit']}, {limit['was']['source']})" \
        if "was" in limit else ""
    return f"{name} {limit['value']:.4g} {limit['unit']}{was}"


def heading_rows(record: Record) -> list[Record]:
    """The headings from left to right, each with its words for a table."""
    rows = sorted(record["headings"], key=lambda h: -h["heading_deg"])
    return [{**row, "name": heading_text(row["heading_deg"]), "chance": chance_text(row),
             "reason": row["causes"][0]["text"] if row["causes"] else "",
             "flip": row["margin"]["text"] if row["margin"] else ""} for row in rows]


def chance_text(row: Record) -> str:
    """Probability of exceeding a limit, in per cent; at least that where not all is known."""
    if row["probability"] is None:
        return "not known"
    percent = 100 * row["probability"]
    if not row["bounded"] and percent < 0.05:
        return "not known"
    digits = f"{percent:.1f}" if 0.05 <= percent < 99.95 else ("0" if percent < 1 else "100")
    return f"{digits} %" if row["bounded"] else f"≥ {digits} %"


def detail_rows(record: Record) -> list[tuple[str, str]]:
    """What else the sidecar says: label and text with unit, in its order."""
    details = record["pair"]["details"]
    return [(_DETAIL_LABELS.get(key, key), _detail(key, value)) for key, value in details.items()]


def _detail(key: str, value: Any) -> str:
    if key == "exposure_s":
        return f"{value:g} s"
    if key == "sun_elevation_deg":
        return f"{value:g}° above the horizon"
    if key == "previous":
        return f"pair {value['pair']}"
    if key == "onboard":
        at = f" at {value['value_m']:g} m" if "value_m" in value else ""
        return f"{value['verdict']}{at}"
    return str(value)


def labelled(label: str, text: str) -> str:
    """A statement: the label, and the text beside it, wrapped."""
    return textwrap.fill(text, WIDTH, initial_indent=label.ljust(_LABEL_WIDTH),
                         subsequent_indent=" " * _LABEL_WIDTH, break_long_words=False,
                         break_on_hyphens=False)  # a name of a file stays whole


def _headings_table(record: Record) -> str:
    table = plain_table(["heading", "verdict", "clear from\nthe nose", "of it\nassumed",
                         "chance over\na limit", "what limits it first; or its margin"], {2, 3, 4})
    for row in heading_rows(record):
        table.add_row(row["name"], row["verdict"], f"{row['clear_m']:.2f} m",
                      f"{row['assumed_m']:.2f} m", row["chance"], row["reason"] or row["flip"])
    return rendered(table)


def summary_text(
    records: Sequence[Record], failures: Mapping[str, str], not_begun: Sequence[str] = ()
) -> str:
    """One row per pair of a folder, the pairs that failed with their reason, and how many did.

    ``not_begun`` are the pairs that an interrupted run left out.
    """
    lines = []
    if records:
        table = plain_table(["pair", "straight\nahead", "clear\n(assumed)", "headings\nthat go",
                             "suggestion"], {2, 3})
        for record in records:
            table.add_row(record["id"], *summary_cells(record), record["suggestion"]["text"])
        lines.append(rendered(table))
    for name, reason in failures.items():
        lines.append(textwrap.indent(f"failed: {name}\n{textwrap.indent(reason, '  ')}", ""))
    return "\n".join([*lines, count_text(len(records), failures, not_begun)]) + "\n"


def count_text(assessed: int, failures: Mapping[str, str], not_begun: Sequence[str]) -> str:
    """How many pairs of a folder were assessed, failed, and were left out."""
    total = counted(assessed + len(failures) + len(not_begun), "pair")
    left_out = f", {len(not_begun)} not begun (interrupted)" if not_begun else ""
    return f"{assessed} of {total} assessed, {len(failures)} failed{left_out}"


def summary_cells(record: Record) -> tuple[str, str, str]:
    """Straight ahead the verdict and how far it is clear; how many headings are ``go``."""
    ahead = next((h for h in record["headings"] if h["heading_deg"] == 0), None)
    going = sum(h["verdict"] == "go" for h in record["headings"])
    share = f"{going} of {len(record['headings'])}"
    if ahead is None:
        return "not judged", "", share
    return ahead["verdict"], f"{ahead['clear_m']:.2f} ({ahead['assumed_m']:.2f}) m", share


def plain_table(headers: Sequence[str], right: set[int]) -> Table:
    """A table without rules; the columns of ``right`` are aligned to the right."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for i, header in enumerate(headers):
        last = i == len(headers) - 1
        table.add_column(header, justify="right" if i in right else "left", no_wrap=not last)
    return table


def rendered(table: Table) -> str:
    """The table as plain text, whatever the terminal."""
    stream = io.StringIO()
    console = Console(file=stream, width=WIDTH, color_system=None, force_terminal=False,
                      emoji=False, markup=False, highlight=False, legacy_windows=False,
                      _environ={})
    console.print(table)
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines())
