"""Options that say which target is meant, for the commands that print or read one."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import click

from hazcam.calibration.target import DEFAULT_DICTIONARY, DICTIONARIES, KINDS, Target
from hazcam.cli.options import finite, together
from hazcam.errors import TargetError

F = TypeVar("F", bound=Callable[..., Any])

_SMALLEST_MM, _LARGEST_MM = 1.0, 1000.0
# Which option a message about a field of Target is about.
_OPTIONS = {"kind": "--board", "columns": "--points", "rows": "--points", "pitch_m": "--pitch-mm",
            "marker_m": "--marker-mm", "dictionary": "--dictionary"}


def _points(
    ctx: click.Context, param: click.Parameter, text: str | None
) -> tuple[int, int] | None:
    if text is None:
        return None
    match = re.fullmatch(r"(\d{1,3})[xX](\d{1,3})", text.strip())
    if match is None:
        raise click.BadParameter(
            f"{text!r} is not COLUMNSxROWS, for example 9x6: inner corners of a chessboard or "
            "ChArUco board (one fewer than squares), circles of a grid", ctx, param)
    return int(match[1]), int(match[2])


def _length_mm(
    ctx: click.Context, param: click.Parameter, value: float | None
) -> float | None:
    finite(ctx, param, value)
    if value is None or _SMALLEST_MM <= value < _LARGEST_MM:
        return value
    hint = f"; if metres are meant, give {1000 * value:g}" if 0 < value < _SMALLEST_MM else ""
    raise click.BadParameter(
        f"{value:g} is not from {_SMALLEST_MM:g} to {_LARGEST_MM:g} millimetres{hint}", ctx, param)


def target_options(function: F) -> F:
    """Which target; what they are given is read by ``target_of``."""
    return _target_options(required=True)(function)


def optional_target_options(function: F) -> F:
    """The same, for commands that can do without a target."""
    return _target_options(required=False)(function)


def _target_options(*, required: bool) -> Callable[[F], F]:
    return together(
        click.option("--board", type=click.Choice(KINDS), required=required,
                     help="Kind of the target."),
        click.option("--points", callback=_points, required=required, metavar="COLUMNSxROWS",
                     help="The points that are found, across x down. Chessboard and ChArUco board: "
                          "inner corners, one fewer than squares. Asymmetric circles as OpenCV "
                          "counts them: circles in each row x rows, an odd number."),
        click.option("--pitch-mm", type=float, callback=_length_mm, required=required, metavar="MM",
                     help="Side of a square; distance of neighbouring circles of a grid. Of "
                          "asymmetric circles the distance of the rows: circles of a row are "
                          "twice as far apart. Measure it on the print: the baseline and all "
                          "ranges are as right as this."),
        click.option("--marker-mm", type=float, callback=_length_mm, metavar="MM",
                     help="Side of a ChArUco marker over its black border."),
        click.option("--dictionary", type=click.Choice(list(DICTIONARIES)), metavar="NAME",
                     help="OpenCV's dictionary of the ChArUco markers, 4x4_50 to 7x7_1000.  "
                          f"[default: {DEFAULT_DICTIONARY}]"),
    )


def target_of(given: Mapping[str, Any]) -> Target:
    """The target that the options describe.

    Parameters
    ----------
    given : mapping
        Values of the options of ``target_options``, by their names in Python.

    Raises
    ------
    click.UsageError
        Options that do not fit each other, or describe no target.
    """
    board, marker_mm, dictionary = given["board"], given["marker_mm"], given["dictionary"]
    if board == "charuco":
        if marker_mm is None:
            raise click.UsageError("--board charuco needs --marker-mm: measure a marker over its "
                                   "black border")
        dictionary = dictionary or DEFAULT_DICTIONARY
    elif marker_mm is not None or dictionary is not None:
        raise click.UsageError(f"--marker-mm and --dictionary belong to a ChArUco board: leave "
                               f"them out for --board {board}, or give --board charuco")
    columns, rows = given["points"]
    try:
        return Target(kind=board, columns=columns, rows=rows, pitch_m=given["pitch_mm"] / 1000,
                      marker_m=None if marker_mm is None else marker_mm / 1000,
                      dictionary=dictionary)
    except TargetError as error:
        option = _OPTIONS[error.where.removeprefix("target: ").partition(",")[0]]
        raise click.UsageError(f"{option}: {error.found}; expected: {error.expected}; "
                               f"{error.remedy}") from error
