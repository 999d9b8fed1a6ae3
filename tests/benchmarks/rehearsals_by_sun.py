"""Rehearsals of the same scenes in one table, by the sun's elevation.

    python -m tests.benchmarks.rehearsals_by_sun DIR DIR ...

Each DIR is the output of ``hazcam rehearse``. Matched sensor, each heading's own near strip assumed
clear: share of the ground within 1.5 m that has a disparity, errors of the heights of rocks, scenes
with a false-go (any limit and look-ahead) of those where `go` is possible, and needless asks of the
free headings that both cameras see, at the limit of 6 cm.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import numpy as np

from tests.benchmarks.matching.ground import SUNS, sun_class
from tests.benchmarks.matching.scores import MAD_SCALE
from tests.benchmarks.matching.tables import Cell, Table

FARTHEST_M, LIMIT_M = 1.5, 0.06
LOOK_AHEADS_M = (0.6, 1.0)
_ALL = "all"
Row = dict[str, str]


def rows_of(folder: Path) -> list[Row]:
    """Rows of the matched sensor with each heading's own strip."""
    with (folder / "rows.csv").open(newline="") as file:
        return [r for r in csv.DictReader(file)
                if r["sensor"] == "matched" and r["strip"] == "own"]


def sun_of(row: Row) -> str:
    """One of ``SUNS``."""
    return sun_class(float(row["sun_elevation_deg"]) if row["sun_elevation_deg"] else None)


def errors_of(folder: Path, pairs: set[str]) -> tuple[float, int, float, float]:
    """Share of ground with a disparity [%]; rocks, their bias and spread [cm]."""
    known = asked = 0
    heights: list[float] = []
    for pair in sorted(pairs):
        with np.load(folder / "scores" / f"{pair}.npz") as kept:
            near = kept["disparity.range_m"] < FARTHEST_M
            known += int(np.isfinite(kept["disparity.error"][near]).sum())
            asked += int(near.sum())
            heights += kept["obstacle_height.error"].tolist()
    found = 100 * np.array(heights)
    bias = float(np.median(found)) if found.size else float("nan")
    spread = MAD_SCALE * float(np.median(np.abs(found - bias))) if found.size else float("nan")
    return (100 * known / asked if asked else float("nan")), found.size, bias, spread


def mistakes_of(rows: list[Row]) -> tuple[str, ...]:
    """Scenes with a false-go of those where one is possible; needless asks by look-ahead."""
    wrong = {r["pair"] for r in rows if r["label"] == "blocked" and r["verdict"] == "go"}
    possible = {r["pair"] for r in rows if r["label"] == "blocked" and r["can_go"] == "yes"}
    shown = [f"{len(wrong)} of {len(possible)}"]
    for look_ahead_m in LOOK_AHEADS_M:
        free = [r for r in rows if r["label"] == "free" and r["observable"] == "yes"
                and float(r["look_ahead_m"]) == look_ahead_m
                and abs(float(r["limit_m"]) - LIMIT_M) < 1e-6]
        asks = sum(r["verdict"] != "go" for r in free)
        shown.append(f"{asks} of {len(free)} ({asks / len(free):.0%})" if free else "-")
    return tuple(shown)


def table(folders: list[Path]) -> Table:
    """One row for each class of sun and rehearsal."""
    loaded = {folder: rows_of(folder) for folder in folders}
    cells: list[tuple[Cell, ...]] = []
    for sun in (*SUNS[1:], SUNS[0], _ALL):
        for folder, rows in loaded.items():
            inside = [r for r in rows if sun in (_ALL, sun_of(r))]
            pairs = {r["pair"] for r in inside}
            cells.append((sun, folder.name, len(pairs), *errors_of(folder, pairs),
                          *mistakes_of(inside)))
    return Table(
        title="Rehearsals by the sun's elevation",
        note="Own strip, matched sensor; needless asks of free headings in view at 6 cm.",
        columns={"sun": "", "rehearsal": "", "scenes": "d",
                 f"ground within {FARTHEST_M:g} m with a disparity %": ".0f", "rocks": "d",
                 "height bias cm": "+.2f", "spread cm": ".2f", "false-go scenes": "",
                 **{f"needless asks, {m:g} m": "" for m in LOOK_AHEADS_M}}, rows=cells)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path, metavar="DIR")
    print(table(parser.parse_args().folders).markdown())


if __name__ == "__main__":
    main()
