"""Options that commands of ``hazcam tune`` share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from hazcam.cli.options import finite, together
from hazcam.rover import LIMIT_UNITS
from hazcam.tuning.cells import GRAVITY_MPS2

F = TypeVar("F", bound=Callable[..., Any])

_SHARE = click.FloatRange(0.5, 1, min_open=True, max_open=True)


def height_climbed(function: F) -> F:
    """Which height climbed is asked for."""
    return together(
        click.option("--reliability", type=_SHARE, callback=finite, default=0.95,
                     show_default=True, metavar="P",
                     help="With which the height is to be climbed."),
        click.option("--confidence", type=_SHARE, callback=finite, default=0.95,
                     show_default=True, metavar="P",
                     help="Of the bound of that height, one-sided."),
    )(function)


def simulated_weight(function: F) -> F:
    """Whether simulated trials count with the walked ones."""
    return click.option(
        "--simulated-weight", callback=finite, metavar="W",
        type=click.FloatRange(0, 1, min_open=True),
        help="Count each simulated trial as W of a walked one of the same conditions, as a prior: "
             "above 0, at most 1. Every output says so. The bounds then hold only as far as the "
             "simulation is right.  [default: not counted in]")(function)


def conditions(function: F) -> F:
    """Which trials of a table are meant; what they are given goes to ``TrialTable.chosen``."""
    return together(
        click.option("--kind", type=click.Choice(tuple(LIMIT_UNITS)),
                     help="Take the trials of this kind. Needed, like the next four, where the "
                          "table has walked trials under several conditions."),
        click.option("--rover", metavar="NAME", help="Those of this rover."),
        click.option("--gait", metavar="WORDS", help="Those of this gait."),
        click.option("--ground", metavar="WORDS", help="Those on this ground."),
        click.option("--gravity", "gravity_mps2", callback=finite,
                     type=click.FloatRange(*GRAVITY_MPS2), metavar="MPS2",
                     help="Those under this gravity, in m/s^2."),
    )(function)
