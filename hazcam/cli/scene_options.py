"""Options of the commands that draw and render scenes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from hazcam.cli.options import FILE, F, together
from hazcam.errors import HazcamError
from hazcam.rover import shipped_rovers
from hazcam.scene.mixtures import block_number


def parse_span(
    ctx: click.Context, param: click.Parameter, text: str
) -> tuple[float, float]:
    """``LOW:HIGH``, or one number for both; a sun's elevation in degrees."""
    low, _, high = text.partition(":")
    try:
        span = float(low), float(high or low)
    except ValueError:
        raise click.BadParameter(f"{text!r} is not LOW:HIGH, for example 3:50", ctx, param
                                 ) from None
    if not 0 < span[0] <= span[1] <= 90:
        raise click.BadParameter(f"{text!r}: the sun stands from above 0 to 90 degrees, LOW first",
                                 ctx, param)
    return span


def parse_block(ctx: click.Context, param: click.Parameter, text: str) -> str:
    """``tune`` or ``report-N``."""
    try:
        block_number(text)
    except HazcamError as error:
        raise click.BadParameter(f"{text!r} is not {error.expected}", ctx, param) from error
    return text


def parse_values(
    ctx: click.Context, param: click.Parameter, texts: tuple[str, ...]
) -> dict[str, Any]:
    """``NAME=VALUE`` each; a value is a number, or two with a comma for left and right."""
    values: dict[str, Any] = {}
    for text in texts:
        name, _, written = text.partition("=")
        try:
            numbers = [_number(part) for part in written.split(",")]
        except ValueError:
            raise click.BadParameter(
                f"{text!r} is not NAME=VALUE, for example jpeg_quality=60 or veil=0.2,0",
                ctx, param) from None
        values[name] = numbers[0] if len(numbers) == 1 else numbers
    return values


def parse_lengths(
    ctx: click.Context, param: click.Parameter, text: str
) -> tuple[float, ...]:
    """A comma list of lengths in metres, in rising order."""
    try:
        lengths = tuple(float(part) for part in text.split(","))
    except ValueError:
        raise click.BadParameter(f"{text!r} is not a comma list of metres", ctx, param) from None
    if not all(0 < v < 10 for v in lengths) or list(lengths) != sorted(set(lengths)):
        raise click.BadParameter(f"{text!r}: lengths are above 0 and under 10 m, each larger than "
                                 "the one before", ctx, param)
    return lengths


def _number(text: str) -> float | int:
    return int(text) if text.strip().lstrip("+-").isdigit() else float(text)


def drawing(function: F) -> F:
    """What is drawn."""
    return together(
        click.option("--seed-block", callback=parse_block, default="tune", show_default=True,
                     metavar="BLOCK",
                     help="tune, or report-N: blocks share no scene. Figures to be quoted come "
                          "from a report block that was never run before."),
        click.option("--sun", callback=parse_span, default="3:50", show_default=True,
                     metavar="LOW:HIGH",
                     help="Elevation of the sun in degrees, drawn evenly in its logarithm; one "
                          "number: that elevation. One scene in ten is overcast, "
                          "a gallery has a lamp."),
        click.option("--exact", is_flag=True,
                     help="What the rover believes is what is. By default the stated attitude is "
                          "off by 0.5 degrees, the mount's height by 3 mm, the baseline by 0.8 % "
                          "and the right camera by 0.01 degrees (each one sigma)."),
        click.option("--camera", multiple=True, callback=parse_values, metavar="NAME=VALUE",
                     help="Set an effect of lens, sensor or downlink instead of drawing it: "
                          "defocus_px, vignetting, veil, specks (LEFT,RIGHT, or one number "
                          "for both), motion_px, motion_deg, exposure, gain_right, read_noise, "
                          "shot_noise, jpeg_quality, jpeg2000_ratio, lost_blocks. May be "
                          "given several times."),
    )(function)


def rendering(*, required: bool = True) -> Callable[[F], F]:
    """What it is rendered with."""
    return lambda function: together(
        click.option("--rig", type=FILE, required=required, metavar="FILE",
                     help="Rig that takes the pictures (YAML, with its mount)."),
        click.option("--rover", required=required, metavar="NAME|FILE",
                     help=f"{', '.join(shipped_rovers())}, or a rover file (TOML)."),
        click.option("--workers", type=click.IntRange(0), default=0, metavar="N",
                     help="Processes.  [default: one for each core]"),
    )(function)
