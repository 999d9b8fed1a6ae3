"""Tables in another unit than the schema's, from the first row to the last: told once.

What is beyond all plausible demands in one row is told there (``cells``). Angles in radians are
plausible degrees each for itself; only together they are not.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from hazcam.errors import TrialsError
from hazcam.rover.profile import LIMIT_UNITS
from hazcam.tuning import cells

Cells = Mapping[str, str]
"""The cells of a row by their columns; empty where the row cannot be read."""
_SEVERAL = 2  # rows that make a habit
_FLAT_DEG = 1.0  # trials of no more than that tell nothing of a limit


def columns_in_mm(rows: Sequence[Cells]) -> tuple[str, ...]:
    """Which of the columns ``demand`` and ``sigma`` hold lengths in mm, or cm, in all rows.

    Parameters
    ----------
    rows : sequence of mapping
        All rows of a table.
    """
    lengths = [row for row in rows if LIMIT_UNITS.get(row.get("kind", "")) == "m"]
    demands, sigmas = (_above_0(lengths, column) for column in ("demand", "sigma"))
    sigma = ("sigma",) if any(s > cells.MOST_SIGMA["m"] for s in sigmas) else ()
    if len(demands) >= _SEVERAL and min(demands) > cells.MOST_DEMAND["m"]:
        return ("demand", *sigma)
    all_sigmas = len(sigmas) >= _SEVERAL and min(sigmas) > cells.MOST_SIGMA["m"]
    return sigma if all_sigmas else ()


def told_of_mm(rows: Sequence[Cells], columns: Sequence[str]) -> TrialsError:
    """The error of ``columns_in_mm``, where it finds any."""
    lengths = [row for row in rows if LIMIT_UNITS.get(row.get("kind", "")) == "m"]
    found = _above_0(lengths, columns[0])
    most = {"demand": cells.MOST_DEMAND["m"], "sigma": cells.MOST_SIGMA["m"]}
    return TrialsError(
        _columns(columns), f"all {columns[0]}s of lengths look like mm: {_span(found)}",
        f"metres, {' and '.join(f'{c} at most {most[c]:g}' for c in columns)}",
        f"divide the {_columns(columns)} by 1000 (by 100 where they are in cm)")


def angles_in_radians(rows: Sequence[Cells]) -> Iterator[TrialsError]:
    """An error for each kind whose angles are all so small that they are likely in radians."""
    for kind in (kind for kind, unit in LIMIT_UNITS.items() if unit == "deg"):
        found = _above_0([row for row in rows if row.get("kind") == kind], "demand")
        if len(found) >= _SEVERAL and max(found) < _FLAT_DEG:
            yield TrialsError(
                f"column demand, kind {kind}", f"all look like radians: {_span(found)}",
                f"degrees: {max(found):g} rad is {math.degrees(max(found)):.3g} deg",
                "multiply demand and sigma of these rows by 57.3 (of a rise over its length take "
                f"atan); if they are degrees, add a trial of {_FLAT_DEG:g} deg or more: ground so "
                "flat tells nothing of a limit")


def _above_0(rows: Sequence[Cells], column: str) -> list[float]:
    """The numbers of a column but 0, which is 0 in any unit; other cells are told elsewhere."""
    found = []
    for row in rows:
        try:
            found.append(cells.number("", row.get(column, "")))
        except TrialsError:
            continue
    return [value for value in found if value > 0]


def _span(found: Sequence[float]) -> str:
    return f"{min(found):g} to {max(found):g}"


def _columns(columns: Sequence[str]) -> str:
    return f"column{'s' if len(columns) > 1 else ''} {' and '.join(columns)}"


__all__ = ["angles_in_radians", "columns_in_mm", "told_of_mm"]
