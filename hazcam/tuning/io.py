"""Reading tables of trials, and the limit that tuning recommends."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

from hazcam.errors import HazcamError, TrialsError
from hazcam.imagery.signatures import picture_format
from hazcam.tuning.record import TrialTable
from hazcam.tuning.result import WHAT as WHAT_RESULT
from hazcam.tuning.result import TuningResult, result_of
from hazcam.tuning.table import WHAT, parse_trials

# What else is found beside a table, by its first bytes.
_OTHERS = {b"SQLite format 3": ("is a run", "`hazcam tune trials RUN` takes the trials from a run"),
           b"PK": ("is a spreadsheet or another zip file", "save the sheet as CSV, in UTF-8")}


def read_trials(path: Path) -> TrialTable:
    """Read a table of trials.

    Raises
    ------
    TrialsError
        It is not there, cannot be read, is no table of trials, or has a bad row.
    """
    data = _read(path)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _no_text(path, error) from error
    return replace(parse_trials(text, str(path)), digest=hashlib.sha256(data).hexdigest())


def _read(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise TrialsError(str(path), "is a folder", WHAT, "give the file itself; of a run, "
                              "`hazcam tune trials RUN` takes the trials")
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise TrialsError(str(path), "does not exist", WHAT, "check the path") from error
    except OSError as error:
        raise TrialsError(str(path), f"cannot be read: {error.strerror}", WHAT,
                          "check the path and its permissions") from error
    for start, (found, remedy) in _OTHERS.items():
        if data.startswith(start):
            raise TrialsError(str(path), found, WHAT, remedy)
    return data


def _no_text(path: Path, error: UnicodeDecodeError) -> TrialsError:
    form = picture_format(error.object)
    if form is not None:
        return TrialsError(str(path), f"is a {form} picture", WHAT, "give the table of trials")
    line = error.object.count(b"\n", 0, error.start) + 1
    return TrialsError(str(path), f"is not UTF-8 text (line {line}, byte {error.start})", WHAT,
                       "save it again as CSV in UTF-8")


def read_result(path: Path) -> TuningResult:
    """Read the limit that ``hazcam tune limits -o DIR`` recommended.

    Parameters
    ----------
    path : Path
        The folder DIR, or the ``limits.json`` in it.

    Raises
    ------
    HazcamError
        It is not there, cannot be read, or is no such record.
    """
    file = path / "limits.json" if path.is_dir() else path
    try:
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise HazcamError(str(file), "does not exist", WHAT_RESULT,
                          "check the path, or run `hazcam tune limits` first") from error
    except OSError as error:
        raise HazcamError(str(file), f"cannot be read: {error.strerror}", WHAT_RESULT,
                          "check the path and its permissions") from error
    except UnicodeDecodeError as error:
        raise HazcamError(str(file), "is no UTF-8 text", WHAT_RESULT,
                          "give the limits.json itself") from error
    return result_of(text, str(file))


__all__ = ["read_result", "read_trials"]
