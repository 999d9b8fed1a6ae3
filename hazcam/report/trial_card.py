"""A card of trials to make: one file to print on A4, black on white, and to fill in by hand."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from typing import NamedTuple

from jinja2 import Environment, PackageLoader, StrictUndefined

from hazcam.report.record import Record
from hazcam.report.tune_next_text import built, closeness, forecast, not_counted, order
from hazcam.rover.profile import LimitName
from hazcam.tuning.cells import OUTCOMES, SIGMA_OF_RANGE
from hazcam.tuning.table import COLUMNS
from hazcam.tuning.table import SCHEMA as TRIALS_SCHEMA

_PAGES = Environment(
    loader=PackageLoader("hazcam", "report"), autoescape=True, undefined=StrictUndefined,
    trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
)
_NUMBER_AND_UNIT = re.compile(r"(\d) (m|deg|%)(?!\w)")
_BLANK = {"date": "____-__-__", "demand": "______", "sigma": "______", "outcome": "________",
          "simulated": "no", "note": "________"}


class _Obstacle(NamedTuple):
    """What is built for a kind of demand, what of it is measured, and how."""

    name: str
    build: str
    measure: str


_OBSTACLES: dict[LimitName, _Obstacle] = {
    "step": _Obstacle(
        "height of the step",
        "A straight, firm edge across the whole way of the rover; level ground before and behind.",
        "upright, from the ground in front of the edge to its top, at the left foot's track, in "
        "the middle and at the right foot's track"),
    "drop": _Obstacle(
        "depth of the drop",
        "A straight, firm edge down across the whole way of the rover; level ground before and "
        "behind.",
        "upright, from the top of the edge to the ground below it, at the left foot's track, in "
        "the middle and at the right foot's track"),
    "gap": _Obstacle(
        "length of the gap",
        "Two firm edges of one height across the whole way of the rover, and between them deeper "
        "than a leg reaches.",
        "level, from edge to edge along the way, at the left foot's track, in the middle and at "
        "the right foot's track"),
    "belly": _Obstacle(
        "height of the thing under the body",
        "A firm thing between the tracks of the feet, fixed so that it cannot be pushed away.",
        "upright, from the level of the feet beside it to its top, at its front, middle and back"),
    "slope": _Obstacle(
        "slope",
        "An even plane, larger than the rover by its length all round; ground that stays as it is "
        "when walked on.",
        "with a level, against gravity, along the steepest way, at the bottom, in the middle and "
        "at the top of where the rover walks"),
    "roll": _Obstacle(
        "slope across the heading",
        "An even plane, larger than the rover by its length all round, walked along its contour.",
        "with a level, against gravity, across the heading, where the rover begins, half way and "
        "where it ends"),
    "tip": _Obstacle(
        "angle by which the stance is nearer to overturning",
        "Firm blocks under the feet that make the rover stand so.",
        "from the heights of the places of the feet, measured upright, three times each"),
}


def trial_card(record: Record) -> str:
    """The card of a plan.

    Parameters
    ----------
    record : dict
        From ``next_record``.
    """
    unit = record["unit"]
    rows = [{**trial, "planned": whole(built(trial["demand"], unit)),
             "in_mm": f"{1000 * trial['demand']:g} mm" if unit == "m" else ""}
            for trial in record["trials"]]
    return _PAGES.get_template("trial_card.html").render(
        record=record, rows=rows, outcomes=OUTCOMES, unit=unit,
        obstacle=_OBSTACLES[record["conditions"]["kind"]], closeness=whole(closeness(record)),
        order=order(record), reason=whole(record["reason"]), forecast=whole(forecast(record)),
        lines=csv_lines(record)[:2], not_counted=not_counted(record),
        sigma_of_range=f"{SIGMA_OF_RANGE:g}")


def whole(text: str) -> str:
    """The text with each number kept on one line with its unit."""
    return _NUMBER_AND_UNIT.sub("\\1\N{NO-BREAK SPACE}\\2", text)


def csv_lines(record: Record) -> list[str]:
    """Header of the table, and a line for each trial with what is known filled in."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for trial in record["trials"]:
        known: Mapping[str, object] = {
            **_BLANK, **record["conditions"], "schema": TRIALS_SCHEMA,
            "trial_id": trial["trial_id"]}
        writer.writerow([known[column] for column in COLUMNS])
    return text.getvalue().splitlines()


__all__ = ["csv_lines", "trial_card"]
