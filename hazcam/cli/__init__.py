"""The commands. Nothing here loads OpenCV before a command is asked for."""

from __future__ import annotations

import click

import hazcam
from hazcam.cli.lazy import LazyGroup

_COMMANDS = ("assess", "manifest", "batch", "judge", "reproduce", "rig", "calibrate", "scene",
             "section", "rehearse", "tune", "report", "diff", "export", "warm-up")


@click.group(cls=LazyGroup, package="hazcam.cli", commands=_COMMANDS,
             context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(hazcam.__version__, prog_name="hazcam", message="%(prog)s %(version)s")
def main() -> None:
    """Judge from a stereo pair whether a small six-legged rover may walk on.

    Exit status: 0 done, whatever the verdict; 1 an input failed (the other pairs of a folder are
    still done); 2 wrong usage; 130 interrupted.
    """
