"""Tables of raw values, printed as Markdown and kept as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

Cell = str | float | int | None


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table of the report.

    Attributes
    ----------
    title, note : str
        What it shows, and how it was measured.
    columns : dict of str to str
        Format of the numbers of each column, by its header ("" for words).
    rows : list of tuple
        Raw values, one a column; None is printed as "-".
    """

    title: str
    note: str
    columns: dict[str, str]
    rows: list[tuple[Cell, ...]]

    def __post_init__(self) -> None:
        wrong = [row for row in self.rows if len(row) != len(self.columns)]
        if wrong:
            raise ValueError(f"a row of '{self.title}' has {len(wrong[0])} cells for "
                             f"{len(self.columns)} columns: {wrong[0]}")

    def markdown(self) -> str:
        """Title, note and table."""
        lines = [f"### {self.title}", "", self.note, "", "| " + " | ".join(self.columns) + " |",
                 "|" + "---|" * len(self.columns)]
        for row in self.rows:
            cells = (_shown(c, form) for c, form in zip(row, self.columns.values(), strict=True))
            lines.append("| " + " | ".join(cells) + " |")
        return "\n".join(lines) + "\n"

    def record(self) -> dict[str, Any]:
        """The same for JSON: one object a row."""
        rows = [{name: None if cell != cell else cell  # JSON has no NaN
                 for name, cell in zip(self.columns, row, strict=True)} for row in self.rows]
        return {"title": self.title, "note": self.note, "rows": rows}


def _shown(cell: Cell, form: str) -> str:
    if cell is None or cell != cell:
        return "-"
    return cell if isinstance(cell, str) else format(cell, form)
