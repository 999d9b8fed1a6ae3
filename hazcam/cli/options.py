"""Options that commands share, and the kinds of value that they take."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, get_args

import click
import numba

from hazcam.errors import RoverError
from hazcam.rover import LIMIT_UNITS, shipped_rovers
from hazcam.rover.limits import check_limit
from hazcam.settings import MATCHERS, NearStrip

F = TypeVar("F", bound=Callable[..., Any])

MAX_HEADINGS = 721  # every half degree of the circle


class OutputFolder(click.Path):
    """A folder for results; the empty text is no name for the current one."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> Any:
        """As ``click.Path``, but refuse the empty text."""
        if value == "":
            self.fail("the name of the folder is empty; '.' is the current folder", param, ctx)
        return super().convert(value, param, ctx)


def parse_headings(
    ctx: click.Context, param: click.Parameter, text: str | None
) -> tuple[float, ...] | None:
    """``FROM:TO:STEP``, both ends included, or a comma list; in degrees, positive to the left."""
    if text is None:
        return None
    try:
        headings = _range(text) if ":" in text else tuple(map(float, text.split(",")))
    except ValueError:
        raise click.BadParameter(
            f"{text!r} is neither FROM:TO:STEP with FROM below TO and STEP above 0, nor a comma "
            "list of degrees", ctx, param,
        ) from None
    if len(headings) > MAX_HEADINGS:
        raise click.BadParameter(f"{text!r} names more than {MAX_HEADINGS} headings", ctx, param)
    if any(not -180 <= h <= 180 for h in headings):
        raise click.BadParameter("headings lie between -180 and 180 degrees", ctx, param)
    if len(set(headings)) < len(headings):
        raise click.BadParameter(f"{text!r} names a heading twice", ctx, param)
    return headings


def _range(text: str) -> tuple[float, ...]:
    start, stop, step = map(float, text.split(":"))
    if not (step > 0 and start <= stop and math.isfinite(stop - start)):
        raise ValueError(text)
    # A thousandth of a step of grace, for ends that are no exact multiple in binary. One more
    # than are allowed are enough to be refused, however many are asked for.
    count = math.floor(min((stop - start) / step + 1e-3, MAX_HEADINGS)) + 1
    return tuple(round(start + i * step, 9) for i in range(count))


def parse_limits(
    ctx: click.Context, param: click.Parameter, texts: tuple[str, ...]
) -> dict[str, float]:
    """``NAME=VALUE`` each."""
    limits = {}
    for text in texts:
        name, _, number = text.partition("=")
        try:
            limits[name] = check_limit(name, float(number), "--limit")
        except ValueError:
            raise click.BadParameter(
                f"{text!r} is not NAME=VALUE, for example step=0.06", ctx, param
            ) from None
        except RoverError as error:
            raise click.BadParameter(
                f"{error.found}; expected: {error.expected}", ctx, param
            ) from error
    return limits


def finite(
    ctx: click.Context, param: click.Parameter, value: float | None
) -> float | None:
    """Refuse what a range lets pass: not a number, and infinity."""
    if value is not None and not math.isfinite(value):
        raise click.BadParameter(f"{value} is not a finite number", ctx, param)
    return value


def no_more_than_cores(
    ctx: click.Context, param: click.Parameter, value: int | None
) -> int | None:
    """Refuse more threads than numba has, which are as many as there are cores."""
    cores = numba.config.NUMBA_NUM_THREADS
    if value is not None and value > cores:
        raise click.BadParameter(
            f"{value} threads are more than the {cores} core{'' if cores == 1 else 's'} that "
            "hazcam may use here", ctx, param)
    return value


FILE = click.Path(path_type=Path)
_TILT = click.FloatRange(-90, 90, min_open=True, max_open=True)
_TILT_BOUND = click.FloatRange(0, 45)
_FROM_0 = click.FloatRange(0)
_ABOVE_0 = click.FloatRange(0, min_open=True)
_CONFIDENCE = click.FloatRange(0.5, 1, max_open=True)
_LIMITS = ", ".join(f"{name} [{unit}]" for name, unit in LIMIT_UNITS.items())


def together(*options: Callable[[F], F]) -> Callable[[F], F]:
    """Make one decorator of several options; help lists them in this order."""
    def decorate(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


def rig_and_rover(*, required: bool = False) -> Callable[[F], F]:
    """Rig with its mount, and rover."""
    return together(
        click.option("--rig", type=FILE, required=required, metavar="FILE",
                     help="Calibration of the two cameras (YAML), or the left one's camera_info."),
        click.option("--rig-right", type=FILE, metavar="FILE",
                     help="camera_info of the right camera, where --rig is the left one's."),
        click.option("--mount", type=FILE, metavar="FILE",
                     help="YAML with mount_R and mount_t (left camera to rover frame), where the "
                          "rig has none or another one is meant."),
        click.option("--rover", required=required, metavar="NAME|FILE",
                     help=f"{', '.join(shipped_rovers())}, or a rover file (TOML)."),
    )


def inputs(function: F) -> F:
    """Rig, mount, rover and attitude; each wins over the sidecar."""
    return together(
        rig_and_rover(),
        click.option("--roll-deg", callback=finite, type=_TILT, metavar="DEG",
                     help="Roll of the rover, positive = left side up; with --pitch-deg. The "
                          "rover is first rolled, then pitched: R_level_rover = Ry(pitch) "
                          "Rx(roll)."),
        click.option("--pitch-deg", callback=finite, type=_TILT, metavar="DEG",
                     help="Pitch of the rover, positive = nose down; with --roll-deg."),
    )(function)


def matcher(function: F) -> F:
    """Who matches."""
    return click.option(
        "--matcher", type=click.Choice(list(MATCHERS)), default=next(iter(MATCHERS)),
        show_default=True,
        help="census: the matcher of hazcam; sgbm: OpenCV's semi-global block matcher, for "
             "reference.")(function)


def refine(function: F) -> F:
    """Is the rig mended for the pair?"""
    return click.option(
        "--refine", is_flag=True,
        help="Take the turn of the right camera since its calibration, as the pair itself shows "
             "it, out of the rig for this pair; refused where pitch, vergence or roll is not known "
             "to 0.02 degrees. Every output says which. The rig file is not "
             "changed.")(function)


def threads(function: F) -> F:
    """How many cores may work."""
    return click.option(
        "--threads", type=click.IntRange(1), callback=no_more_than_cores, metavar="N",
        help="Threads; the result is the same for any number. Give 1 where several hazcam run "
             "at once.  [default: one for each core]")(function)


def headings(function: F) -> F:
    """Which headings to judge."""
    return _headings("-45:45:5")(function)


def _headings(default: str | None) -> Callable[[F], F]:
    return click.option(
        "--headings", callback=parse_headings, default=default, show_default=default is not None,
        metavar="FROM:TO:STEP",
        help="Headings in degrees, positive to the left; or a comma list; at most "
             f"{MAX_HEADINGS}.{_as_assessed(default)}")


def _as_assessed(default: object) -> str:
    """What the help says where the default is in a store."""
    return "  [default: as assessed]" if default is None else ""


def judging(function: F) -> F:
    """How far to judge, against which limits, and how an unknown attitude counts."""
    return together(
        _against(look_ahead_m=1.0, near_strip="assume", confidence=0.99),
        click.option("--tilt-bound-deg", callback=finite, type=_TILT_BOUND, default=10.0,
                     show_default=True, metavar="DEG",
                     help="How far roll and pitch may each be from zero where they are not known."),
        click.option("--assume-level", is_flag=True,
                     help="Take an attitude that is not known as exactly level; every output "
                          "says so."),
    )(function)


def judging_again(function: F) -> F:
    """As ``headings`` and ``judging``, for a store: what is not given is as it was assessed."""
    return together(
        click.option("--rover", metavar="NAME|FILE",
                     help=f"{', '.join(shipped_rovers())}, or a rover file (TOML), with its own "
                          "margin and limits.  [default: as assessed]"),
        _headings(None),
        _against(look_ahead_m=None, near_strip=None, confidence=None),
    )(function)


def _against(
    *, look_ahead_m: float | None, near_strip: NearStrip | None, confidence: float | None
) -> Callable[[F], F]:
    """How far to judge, and against what; a default of None is in a store."""
    return together(
        click.option("--look-ahead-m", callback=finite, type=_ABOVE_0, default=look_ahead_m,
                     show_default=look_ahead_m is not None, metavar="M",
                     help="How far each heading must be clear, from the nose."
                          f"{_as_assessed(look_ahead_m)}"),
        click.option("--margin-m", callback=finite, type=_FROM_0, metavar="M",
                     help="Kept free on each side of the body.  [default: the rover's]"),
        click.option("--near-strip", type=click.Choice(get_args(NearStrip)), default=near_strip,
                     show_default=near_strip is not None,
                     help="What of the ground near the rover neither this pair nor the previous "
                          "one (`previous` in the sidecar) saw: assume it clear, as far as "
                          "--near-strip-max-m says; or ask, so that no heading is go over it."
                          f"{_as_assessed(near_strip)}"),
        click.option("--near-strip-max-m", callback=finite, type=_FROM_0, metavar="M",
                     help="Ground out of view may be assumed clear up to here, from the nose.  "
                          "[default: the strip straight ahead]"),
        click.option("--limit", "limits", multiple=True, callback=parse_limits,
                     metavar="NAME=VALUE",
                     help=f"Set a limit: {_LIMITS}. May be given several times."),
        click.option("--confidence", callback=finite, type=_CONFIDENCE, default=confidence,
                     show_default=confidence is not None, metavar="P",
                     help="With which a demand must lie under its limit, one-sided."
                          f"{_as_assessed(confidence)}"),
    )


def check_near_strip(strip_m: float | None, look_ahead_m: float) -> None:
    """Refuse a strip that is assumed clear as far as is judged.

    Raises
    ------
    click.UsageError
        Nothing would be left to judge.
    """
    if strip_m is not None and strip_m > look_ahead_m:
        raise click.UsageError(f"--near-strip-max-m {strip_m:g} is more than --look-ahead-m "
                               f"{look_ahead_m:g}: nothing would be left to judge; give less, or "
                               "look farther ahead")
