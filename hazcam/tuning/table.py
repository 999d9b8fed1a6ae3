"""A table of trials, schema ``hazcam-trials/1``: one row for each trial.

CSV (RFC 4180, UTF-8) with a header. The columns ``schema`` and ``note`` may be left out; every cell
of the others is filled, since nothing is assumed for what is not known. A row that says nothing at
all is passed over. From a table with a bad row nothing is read: a limit chosen from part of the
trials would be another limit.

Pure: from text to records; ``tuning/io.py`` reads the files.
"""

from __future__ import annotations

import csv
import hashlib
import io
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from hazcam.errors import TrialsError, listed
from hazcam.rover.profile import LIMIT_UNITS
from hazcam.tuning import cells
from hazcam.tuning.other_file import other_file
from hazcam.tuning.record import Conditions, Trial, TrialTable
from hazcam.tuning.units import angles_in_radians, columns_in_mm, told_of_mm

SCHEMA = "hazcam-trials/1"
COLUMNS = ("schema", "trial_id", "date", "rover", "gait", "ground", "gravity_mps2", "kind",
           "demand", "sigma", "outcome", "simulated", "note")
"""All columns, in the order in which they are written."""
REQUIRED = tuple(c for c in COLUMNS if c not in {"schema", "note"})
WHAT = f"a table of trials (CSV, schema {SCHEMA})"

_NAMES = ("rover", "gait", "ground")
_CHECKS = {"trial_id": cells.words, "date": cells.day, **dict.fromkeys(_NAMES, cells.words),
           "gravity_mps2": cells.gravity, "kind": cells.kind, "outcome": cells.outcome,
           "simulated": cells.simulated}
_COPY = f"the header to copy: {','.join(COLUMNS)}"
_TOLD = 8  # problems that are spelled out
# Gravities closer than this share are one, written twice: it differs by 0.5 % over the Earth.
_ONE_GRAVITY = 0.01


@dataclass(frozen=True, kw_only=True)
class _Row:
    """A row as written: its line, its trimmed cells by column, or why it cannot be read."""

    line: int
    cells: Mapping[str, str]
    error: TrialsError | None = None


_Problems = list[tuple[int, TrialsError]]
"""What is wrong, each with the line it is told at, 0 for what is wrong throughout; ``where`` names
line and column."""
_EMPTY = {"sigma": ("one standard deviation of the measured demand; 0: it is known exactly",
                    f"take {cells.SIGMA_FROM_READINGS}; or remove the row where it cannot be "
                    "known: nothing is assumed")}
"""What is expected in an empty cell, and the remedy, where more can be said than of any."""


def parse_trials(text: str, name: str) -> TrialTable:
    """Turn the text of a table into a record.

    Parameters
    ----------
    text : str
        CSV with a header.
    name : str
        Of the file, as it was given, for messages.

    Raises
    ------
    TrialsError
        It is no table of trials; or some rows cannot be used, all of which are told.
    """
    _refuse_other_file(text, name)
    rows = list(_rows(text, name))
    if not rows:
        raise TrialsError(name, "holds a header and no trial", "a row for each trial",
                          "write a row for each trial, the failed ones too")
    problems: _Problems = []
    in_mm = columns_in_mm([row.cells for row in rows])
    trials = [_trial(row, name, problems, in_mm) for row in rows]
    problems += [*_doubled(rows), *_alike(rows), *_gravities(rows), *_units(rows, in_mm)]
    if problems:
        raise _refusal(name, problems)
    return TrialTable(name=name, digest=hashlib.sha256(text.encode()).hexdigest(),
                      trials=tuple(trial for trial in trials if trial is not None))


def write_trials_text(trials: Iterable[Trial]) -> str:
    """Text of a table that reads back as the same trials."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for t in trials:
        c = t.conditions
        writer.writerow((SCHEMA, t.id, t.date.isoformat(), c.rover, c.gait, c.ground,
                         c.gravity_mps2, c.kind, t.demand, t.sigma, t.outcome,
                         "yes" if t.simulated else "no", t.note))
    return text.getvalue()


# --- rows ----------------------------------------------------------------------------------------


def _rows(text: str, name: str) -> Iterator[_Row]:
    """The rows that say anything, after the header was checked."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    header: list[str] | None = None
    for line, last, found, error in _lines(reader):
        given = [cell.strip() for cell in found]
        if error is None and not any(given):
            continue
        if header is None:
            if error is not None:
                raise TrialsError(f"{name}: line {line}", f"the header cannot be read: {error}",
                                  WHAT, f"mend the first line; {_COPY}")
            header = given
            _check_header(header, f"{name}: line {line}")
        else:
            yield _row(line, last, header, given, error)


def _lines(reader: Any) -> Iterator[tuple[int, int, list[str], csv.Error | None]]:
    """First and last line of each row, its cells, and what is wrong with it as CSV."""
    while True:
        first = reader.line_num + 1
        try:
            found, error = next(reader), None
        except StopIteration:
            return
        except csv.Error as caught:
            found, error = [], caught
        yield first, reader.line_num, found, error


def _row(
    line: int, last: int, header: Sequence[str], given: Sequence[str], error: csv.Error | None
) -> _Row:
    over = f", and goes on to line {last}" if last > line else ""
    if error is not None:
        return _Row(line=line, cells={}, error=TrialsError(
            f"line {line}", f"broken CSV: {error}{over}", "cells by RFC 4180",
            "close each quote, and double a quote that belongs to a text"))
    if len(given) != len(header):
        return _Row(line=line, cells={}, error=TrialsError(
            f"line {line}", f"{len(given)} cells{over}", f"{len(header)}, one for each column",
            "put text that holds a comma into quotes, and write a comma for each cell that is left "
            "empty"))
    return _Row(line=line, cells=dict(zip(header, given, strict=True)))


def _check_header(header: Sequence[str], where: str) -> None:
    twice = [column for column, count in Counter(header).items() if count > 1]
    if twice:
        raise TrialsError(where, f"the column {twice[0]!r} is there {header.count(twice[0])} times",
                          "each column once", "remove one")
    unknown = [column for column in header if column not in COLUMNS]
    missing = [column for column in REQUIRED if column not in header]
    if not unknown and not missing:
        return
    other = next((sign for sign in (";", "\t") if sign in header[0]), None)
    if other is not None:
        raise TrialsError(where, f"columns separated by {other!r}", "commas (RFC 4180)",
                          "export it again with commas, and decimal points in numbers")
    found = [_counted(what, columns) for what, columns in
             (("unknown", [repr(c) for c in unknown]), ("missing", missing)) if columns]
    raise TrialsError(where, "; ".join(found), f"the columns {', '.join(COLUMNS)} (schema and note "
                      "may be left out)", f"{_header_remedy(unknown, missing)}{_COPY}")


def _counted(what: str, columns: Sequence[str]) -> str:
    return f"{what} column{'s' if len(columns) > 1 else ''}: {', '.join(columns)}"


def _header_remedy(unknown: Sequence[str], missing: Sequence[str]) -> str:
    """Which of the missing columns an unknown one may be."""
    meant = [f"{column!r}{hint}" for column in unknown
             if (hint := cells.perhaps(column, missing or COLUMNS))]
    if meant:
        return f"rename {listed(meant)}; "
    return "remove the unknown ones; free words go into `note`; " if unknown else ""


# --- one trial -----------------------------------------------------------------------------------


def _trial(row: _Row, name: str, problems: _Problems, in_mm: Sequence[str]) -> Trial | None:
    """The trial of a row; None where something is wrong, which is added to the problems.

    Lengths of columns that are ``in_mm`` throughout are not told row by row.
    """
    if row.error is not None:
        problems.append((row.line, row.error))
        return None
    before, found = len(problems), dict[str, Any]()

    def check(column: str, checked: Any, *more: Any) -> None:
        where = f"line {row.line}: {column}"
        try:
            found[column] = checked(where, _filled(where, column, row.cells[column]), *more)
        except TrialsError as error:
            problems.append((row.line, error))

    for column, checked in _CHECKS.items():
        check(column, checked)
    unit = LIMIT_UNITS.get(found.get("kind", ""))
    for column, measured in (("demand", cells.demand), ("sigma", cells.sigma)):
        check(column, measured, None if unit == "m" and column in in_mm else unit)
    if row.cells.get("note"):
        check("note", cells.words)
    if "schema" in row.cells:
        check("schema", _schema)
    if len(problems) > before:
        return None
    return Trial(
        id=found["trial_id"], date=found["date"], outcome=found["outcome"], demand=found["demand"],
        sigma=found["sigma"], simulated=found["simulated"], note=found.get("note", ""),
        where=f"{name}: line {row.line}", conditions=Conditions(
            rover=found["rover"], gait=found["gait"], ground=found["ground"],
            gravity_mps2=found["gravity_mps2"], kind=found["kind"]))


def _filled(where: str, column: str, cell: str) -> str:
    if not cell:
        raise TrialsError(where, "is empty", *_EMPTY.get(column, (
            "what was the case in this trial", "fill it in, or remove the row where it cannot be "
            "known: nothing is assumed")))
    return cell


def _schema(where: str, cell: str) -> str:
    if cell != SCHEMA:
        raise TrialsError(where, f"found {cell!r}", SCHEMA,
                          "write the row in the schema of this version")
    return cell


# --- the rows together ---------------------------------------------------------------------------


def _doubled(rows: Iterable[_Row]) -> Iterator[tuple[int, TrialsError]]:
    first: dict[str, int] = {}
    for row in rows:
        id_ = row.cells.get("trial_id")
        if id_ and first.setdefault(id_, row.line) != row.line:
            yield row.line, TrialsError(
                f"line {row.line}: trial_id", f"{id_!r} is taken already by line {first[id_]}",
                "each id once", "give one of the two trials another id, or remove the row that is "
                "a copy")


def _alike(rows: Iterable[_Row]) -> Iterator[tuple[int, TrialsError]]:
    """Names that differ only in capitals or spaces: they would make two groups unnoticed."""
    first: dict[tuple[str, str], dict[str, int]] = defaultdict(dict)
    for row in rows:
        for column in _NAMES:
            name = row.cells.get(column, "")
            spellings = first[column, folded(name)]
            if not name or name in spellings:
                continue
            spellings[name] = row.line
            other, line = next(iter(spellings.items()))
            if other != name:
                yield row.line, TrialsError(
                    f"line {row.line}: {column}", f"{name!r} is {other!r} of line {line} but for "
                    "capitals or spaces", "one spelling of one thing",
                    "write it as there: trials under two names are not fitted together")


def folded(name: str) -> str:
    """What names have in common that differ only in capitals or spaces.

    Examples
    --------
    >>> folded("Black  sand") == folded("black sand")
    True
    """
    return "".join(unicodedata.normalize("NFKC", name).casefold().split())


def _gravities(rows: Iterable[_Row]) -> Iterator[tuple[int, TrialsError]]:
    """Gravities that are likely one, written with more digits or fewer."""
    first: dict[float, int] = {}
    for row in rows:
        try:
            found = cells.gravity("", row.cells.get("gravity_mps2", ""))
        except TrialsError:  # told with its row
            continue
        near = [g for g in first if g != found and abs(found - g) < _ONE_GRAVITY * g]
        if near and found not in first:
            yield row.line, TrialsError(
                f"line {row.line}: gravity_mps2", f"{found:g}, but {near[0]:g} in line "
                f"{first[near[0]]}", f"one number, or numbers more than {100 * _ONE_GRAVITY:g} % "
                "apart", "write it as there: trials under two gravities are not fitted together")
        first.setdefault(found, row.line)


def _units(rows: Sequence[_Row], in_mm: Sequence[str]) -> Iterator[tuple[int, TrialsError]]:
    """What is in another unit throughout."""
    found = [row.cells for row in rows]
    if in_mm:
        yield 0, told_of_mm(found, in_mm)
    for error in angles_in_radians(found):
        yield 0, error


def _refusal(name: str, problems: _Problems) -> TrialsError:
    """One error for all bad rows."""
    problems = sorted(problems, key=lambda problem: problem[0])
    nothing = ("nothing is read from a table with a bad row: a limit chosen from part of the "
               "trials would be another limit")
    if len(problems) == 1:
        error = problems[0][1]
        return TrialsError(f"{name}: {error.where}", error.found, error.expected,
                           f"{error.remedy}; {nothing}")
    lines = list(dict.fromkeys(line for line, _ in problems if line))
    told = [f"\n  {e.where}: {e.found}; expected: {e.expected}; remedy: {e.remedy}"
            for _, e in problems[:_TOLD]]
    more = len(problems) - _TOLD
    if more > 0:
        rest = list(dict.fromkeys(str(line) for line, _ in problems[_TOLD:]))
        told.append(f"\n  and {more} more, in line{'s' if len(rest) > 1 else ''} "
                    f"{listed(rest, most=20)}")
    counted = "a row" if len(lines) == 1 else f"{len(lines)} rows"
    what = [*(["a whole column"] if problems[0][0] == 0 else []), *([counted] if lines else [])]
    return TrialsError(name, f"{' and '.join(what)} that cannot be used:{''.join(told)}",
                       "every row complete and plausible", f"mend them all; {nothing}")


def _refuse_other_file(text: str, name: str) -> None:
    """Refuse what was given by mistake, by what it is."""
    if not text.strip():
        raise TrialsError(name, "is empty", WHAT, f"write a row for each trial; {_COPY}")
    if (other := other_file(text)) is not None:
        found, remedy = other
        raise TrialsError(name, found, WHAT, remedy)


__all__ = ["COLUMNS", "REQUIRED", "SCHEMA", "WHAT", "folded", "parse_trials", "write_trials_text"]
