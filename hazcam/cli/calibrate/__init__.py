"""``hazcam calibrate``: the calibration through the life of the rig; one command a file."""

from __future__ import annotations

import click

from hazcam.cli.lazy import LazyGroup

_COMMANDS = ("target", "solve", "mount", "compare", "drift", "convert")


@click.group(cls=LazyGroup, package="hazcam.cli.calibrate", commands=_COMMANDS)
def calibrate() -> None:
    """Calibrate a rig, mount it on the rover, and notice when it moved.

    In the order of a rig's life: print a target, solve the rig from pictures of it, mount it from
    pictures of a floor, compare it with the calibration before, watch its drift in the pictures
    of a campaign.
    """
