"""``hazcam tune``: the climb limits, from trials and the demands of a run; one command a file."""

from __future__ import annotations

import click

from hazcam.cli.lazy import LazyGroup

_COMMANDS = ("trials", "curve", "limits", "next", "apply")


@click.group(cls=LazyGroup, package="hazcam.cli.tune", commands=_COMMANDS)
def tune() -> None:
    """Choose a climb limit from trials, judged by both mistakes.

    In the order of the work: take the trials from the pairs of a run that were walked, or write
    their table by hand; fit how likely the legs climb; choose the limit on the demands of a run;
    plan the next trials; write the limit into a rover file.
    """
