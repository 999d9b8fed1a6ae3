"""The drift of a rig as text, from its record. Pure."""

from __future__ import annotations

import textwrap

from rich.table import Table

from hazcam.drift import NAMES
from hazcam.report.record import Record
from hazcam.report.text import WIDTH, rendered


def drift_text(record: Record) -> str:
    """A row for each pair and for all, what that does, and what it rests on."""
    limits, combined = record["limits"], record["combined"]
    head = (f"Drift of rig {record['rig']['name']}: turn of the right camera about its own axes "
            f"since the calibration, ± one sigma; {record['order']['text']}. Limit: flat ground at "
            f"{limits['at_m']:g} m read {1000 * limits['height_m']:g} mm too high or too low, at 3 "
            f"sigma, or rows {limits['rows_px']:g} px off.")
    parts = [textwrap.fill(head, WIDTH), _pairs_table(record)]
    if combined["freedom"] or combined["left_out"]:
        parts.append(_filled(combined["text"][:1].upper() + combined["text"][1:] + "."))
    shown = combined if not combined["moved"] else None
    if shown is not None:
        parts += [_filled("What reading with the calibration does to depth and height [mm]: flat "
                          "ground, the largest over 30° to each side, ± one sigma; and over all "
                          "that both cameras see at that distance from the left one."),
                  _effects_table(shown)]
    parts += ["\n".join(_filled(f"note: {note}") for note in record["notes"])]
    parts += [f"failed: {name}\n{textwrap.indent(reason, '  ')}"
              for name, reason in record["failures"].items()]
    return "\n\n".join(parts) + "\n"


def _filled(text: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent="  ")


def _pairs_table(record: Record) -> str:
    table = _table(["pair", *(f"{name} [°]" for name in NAMES), "ground at 1 m\n[mm]", "limit"])
    rows = [(pair["id"] + (" (left out)" if pair["left_out"] else ""), pair)
            for pair in record["pairs"]]
    if len(rows) > 1 and not record["combined"]["moved"]:
        rows.append((f"all {record['combined']['pairs']}", record["combined"]))
    for name, row in rows:
        ground = next(g for g in row["ground"] if g["distance_m"] == record["limits"]["at_m"])
        table.add_row(
            name, *(f"{row['turn_deg'][n]:+.3f} ± {row['sigma_deg'][n]:.3f}" for n in NAMES),
            _with_sigma(ground["height_m"], ground["height_sigma_m"]), row["limit"])
    return rendered(table)


def _effects_table(row: Record) -> str:
    table = _table(["distance", "ground:\nheight", "ground:\nrange", "all: largest\nheight",
                    "all: largest\nrange", "rows off\n[px]"])
    for ground, whole in zip(row["ground"], row["effects"], strict=True):
        offset = whole["row_offset_px"]
        table.add_row(
            f"{ground['distance_m']:g} m",
            _with_sigma(ground["height_m"], ground["height_sigma_m"]),
            _with_sigma(ground["range_m"], ground["range_sigma_m"]),
            _mm(whole["height"]["largest_m"]), _mm(whole["range"]["largest_m"]),
            "-" if offset is None else f"{offset:+.2f}")
    return rendered(table)


def _with_sigma(value_m: float | None, sigma_m: float | None) -> str:
    return "not seen" if value_m is None or sigma_m is None else (
        f"{_mm(value_m)} ± {1000 * sigma_m:.1f}")


def _mm(value_m: float | None) -> str:
    return "-" if value_m is None else f"{1000 * value_m:+.1f}"


def _table(headers: list[str]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for i, header in enumerate(headers):
        table.add_column(header, justify="left" if i in (0, len(headers)) else "right",
                         no_wrap=i > 0)
    return table
