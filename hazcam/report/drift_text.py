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
    shown = [("", combined)] if not combined["moved"] else [
        (f"{side['text']}:", side) for side in combined["sides"]]
    parts.append(_filled(
        "What reading with the calibration does to depth and height [mm]: flat ground at a "
        "distance along it, the largest over 30° to each side, ± one sigma; and over all that both "
        "cameras see as far from the left one as that ground is."))
    parts += [f"{name}\n{_effects_table(row)}" if name else _effects_table(row)
              for name, row in shown]
    parts += ["\n".join(_filled(f"note: {note}") for note in _notes(record))]
    parts += [f"failed: {name}\n{textwrap.indent(reason, '  ')}"
              for name, reason in record["failures"].items()]
    return "\n\n".join(parts) + "\n"


def _notes(record: Record) -> list[str]:
    """What is to be said of all pairs, then of some: once each, with their names."""
    of_pairs: dict[str, list[str]] = {}
    for pair in record["pairs"]:
        for note in pair["notes"]:
            of_pairs.setdefault(note, []).append(pair["id"])
    every = len(record["pairs"])
    named = {note: "every pair" if len(ids) == every > 1 else ", ".join(ids)
             for note, ids in of_pairs.items()}
    return [*record["notes"], *(f"{names}: {note}" for note, names in named.items())]


def _filled(text: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent="  ")


def _pairs_table(record: Record) -> str:
    table = _table(["pair", *(f"{name} [°]" for name in NAMES), "rows\noff\n[px]",
                    f"ground at\n{record['limits']['at_m']:g} m\n[mm]", "limit"])
    rows = [(pair["id"] + (" (left out)" if pair["left_out"] else ""), pair)
            for pair in record["pairs"]]
    if len(rows) > 1 and not record["combined"]["moved"]:
        rows.append((f"all {record['combined']['pairs']}", record["combined"]))
    for name, row in rows:
        table.add_row(
            name, *(f"{row['turn_deg'][n]:+.3f} ± {row['sigma_deg'][n]:.3f}" for n in NAMES),
            _px(row["rows_off_px"]), _with_sigma(row["height_m"], row["height_sigma_m"]),
            row["limit"])
    return rendered(table)


def _effects_table(row: Record) -> str:
    table = _table(["distance", "ground:\nheight", "ground:\nrange", "all: largest\nheight",
                    "all: largest\nrange", "rows off\n[px]"])
    for ground, whole in zip(row["ground"], row["effects"], strict=True):
        table.add_row(
            f"{ground['distance_m']:g} m",
            _with_sigma(ground["height_m"], ground["height_sigma_m"]),
            _with_sigma(ground["range_m"], ground["range_sigma_m"]),
            _mm(whole["height"]["largest_m"]), _mm(whole["range"]["largest_m"]),
            _px(whole["row_offset_px"]))
    return rendered(table)


def _with_sigma(value_m: float | None, sigma_m: float | None) -> str:
    return "not seen" if value_m is None or sigma_m is None else (
        f"{_mm(value_m)} ± {1000 * sigma_m:.1f}")


def _px(value_px: float | None) -> str:
    return "-" if value_px is None else f"{value_px:+.2f}"


def _mm(value_m: float | None) -> str:
    return "-" if value_m is None else f"{1000 * value_m:+.1f}"


def _table(headers: list[str]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for i, header in enumerate(headers):
        table.add_column(header, justify="left" if i in (0, len(headers)) else "right",
                         no_wrap=i > 0)
    return table
