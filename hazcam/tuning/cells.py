"""The cells of a trials table: each check takes the place and the text, and returns the value.

What is not known is refused, never assumed: a trial whose ground nobody wrote down is no evidence
about any ground.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Sequence
from difflib import get_close_matches
from typing import NoReturn, cast, get_args

from hazcam.campaign.record import Outcome
from hazcam.errors import TrialsError
from hazcam.imagery.values import (
    BROKEN,
    DECIMAL,
    DECIMAL_COMMA,
    LONGEST_TEXT,
    YEARS,
    shown,
)
from hazcam.rover.profile import LIMIT_UNITS, LimitName

OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
# From asteroids that legs could walk on to beyond any planet with a surface: our own choice.
GRAVITY_MPS2 = (0.1, 30.0)
MOST_DEMAND = {"m": 1.0, "deg": 90.0}
"""A rover of some decimetres meets no more; a length above it was likely written in mm or cm."""
MOST_SIGMA = {"m": 0.1, "deg": 45.0}
"""Nothing is measured as badly as that: our own choice."""
SIGMA_OF_RANGE = 0.6
"""One standard deviation as a share of the range of three readings: 1 / 1.69, a factor of control
charts (E. S. Pearson, Biometrika 24, 1932, pp. 404-417)."""
SIGMA_FROM_READINGS = (f"{SIGMA_OF_RANGE:g} x (greatest reading - least) of three readings, and no "
                       "less than the smallest division that is read")

_WITH_UNIT = re.compile(r"(.*?)\s*(mm|cm|m|deg|°|m/s\^?2)")
_IN_METRES = {"mm": 1e-3, "cm": 1e-2}
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_YES = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}
_WORDS = {"rover": "name of the rover's profile", "gait": "name of the gait",
          "ground": "what it walked on", "trial_id": "name of the trial"}


def perhaps(word: str, known: Sequence[str]) -> str:
    """`` (did you mean X?)``, or nothing where no known word is near.

    Examples
    --------
    >>> perhaps("Climed", ["climbed", "stuck"])
    ' (did you mean climbed?)'
    """
    spelled = {name.lower(): name for name in known}
    near = get_close_matches(word.strip().lower(), spelled, n=1)
    return f" (did you mean {spelled[near[0]]}?)" if near else ""


def _wrong(where: str, cell: str, expected: str, remedy: str) -> NoReturn:
    raise TrialsError(where, f"found {shown(cell)}", expected, remedy)


def one_of(where: str, cell: str, known: Sequence[str]) -> str:
    """One of some words."""
    if cell not in known:
        _wrong(where, cell, f"one of {', '.join(known)}",
               f"write one of these{perhaps(cell, known)}")
    return cell


def outcome(where: str, cell: str) -> Outcome:
    """What came of a trial."""
    return cast(Outcome, one_of(where, cell, OUTCOMES))


def kind(where: str, cell: str) -> LimitName:
    """Of the demand, by the limit that it is held against."""
    return cast(LimitName, one_of(where, cell, tuple(LIMIT_UNITS)))


def words(where: str, cell: str) -> str:
    """A name, or free words."""
    if not cell.strip():
        _wrong(where, cell, _WORDS.get(where.rpartition(": ")[2], "some words"), "write it")
    if BROKEN.search(cell):
        _wrong(where, cell, "text without broken characters", "write the text again")
    if len(cell) > LONGEST_TEXT:
        raise TrialsError(where, f"is {len(cell)} characters long", f"at most {LONGEST_TEXT}",
                          "shorten it; if rows further down are in it, close the quote that it "
                          "begins with")
    return cell.strip()


def day(where: str, cell: str) -> datetime.date:
    """A date in ISO 8601."""
    remedy = "write year-month-day: 2031-05-04 (in a spreadsheet, as text: others are ambiguous)"
    try:
        found = datetime.date.fromisoformat(cell if _DATE.fullmatch(cell) else "")
    except ValueError:
        _wrong(where, cell, "a date in ISO 8601, for example 2031-05-04", remedy)
    if found.year not in YEARS:
        _wrong(where, cell, f"a year from {YEARS[0]} to {YEARS[-1]}", "correct the year")
    return found


def simulated(where: str, cell: str) -> bool:
    """``yes`` where a trial was computed."""
    if cell.lower() not in _YES:
        _wrong(where, cell, "yes or no (true, false, 1, 0)",
               "write yes where the trial was computed, no where a rover walked")
    return _YES[cell.lower()]


def gravity(where: str, value: str | float) -> float:
    """What pulls, or stands for it. [m/s^2]"""
    found = number(where, value) if isinstance(value, str) else value
    least, most = GRAVITY_MPS2
    if not least <= found <= most:
        _wrong(where, str(value), f"a number of m/s^2 from {least:g} to {most:g}",
               "write 9.81 on Earth, 1.62 on the Moon: in m/s^2, not in g")
    return found


def demand(where: str, cell: str, unit: str | None) -> float:
    """What was measured of the obstacle; ``unit`` None: of a kind that is not known."""
    return _measure(
        where, cell, unit, MOST_DEMAND,
        minus="write it without the minus: how deep a drop is, how steep a slope is, either way",
        angle="write degrees against gravity: atan(per cent / 100) for a slope in per cent")


def sigma(where: str, cell: str, unit: str | None) -> float:
    """One standard deviation of a demand."""
    return _measure(
        where, cell, unit, MOST_SIGMA,
        minus=f"write a spread, which has no sign: {SIGMA_FROM_READINGS}",
        angle="write one standard deviation in degrees, or remove the row: nothing is known of "
              "such an angle")


def _measure(
    where: str, cell: str, unit: str | None, most: dict[str, float], *, minus: str, angle: str
) -> float:
    """A number of a unit; ``minus`` and ``angle``: remedies of one below 0, of too great a one."""
    found = number(where, cell)
    if found < 0:
        _wrong(where, cell, "a number of 0 or more", minus)
    if unit == "m" and found > most[unit]:
        _wrong(where, cell, f"metres, at most {most[unit]:g}",
               f"likely millimetres or centimetres: write {found / 1000:.6g} for {found:g} mm, "
               f"{found / 100:.6g} for {found:g} cm")
    if unit == "deg" and found >= most[unit]:
        _wrong(where, cell, f"degrees below {most[unit]:g}", angle)
    return found


def number(where: str, cell: str) -> float:
    """A finite decimal number."""
    found = float(cell) if DECIMAL.fullmatch(cell) else math.nan
    if not math.isfinite(found):
        _wrong(where, cell, "a decimal number with a point, without unit", _number_remedy(cell))
    return found


def _number_remedy(cell: str) -> str:
    """How to write the number that was probably meant."""
    if comma := DECIMAL_COMMA.fullmatch(cell):
        return f"write a point for the comma: {comma[1]}.{comma[2]}"
    meant = _WITH_UNIT.fullmatch(cell)
    if meant and DECIMAL.fullmatch(meant[1]):
        value = float(meant[1]) * _IN_METRES.get(meant[2], 1.0)
        return f"write {value:.6g}: in m or deg (gravity in m/s^2), without the unit"
    if cell.lower().lstrip("+-") in {"nan", "inf", "infinity", "none", "null", "?", "-", "n/a"}:
        return "remove the row where it is not known: nothing is assumed for it"
    return "write digits with a point and nothing else"


__all__ = ["GRAVITY_MPS2", "MOST_DEMAND", "MOST_SIGMA", "OUTCOMES", "SIGMA_FROM_READINGS",
           "SIGMA_OF_RANGE", "day", "demand", "gravity", "kind", "number", "one_of", "outcome",
           "perhaps", "sigma", "simulated", "words"]
