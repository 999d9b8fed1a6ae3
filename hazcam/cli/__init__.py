"""The commands. Nothing here loads OpenCV before a command is asked for."""

from __future__ import annotations

from importlib import import_module

import click

import hazcam
from hazcam.cli.errors import cache_guard, opencv_guard

_COMMANDS = ("assess", "judge", "reproduce", "rig", "scene", "section", "rehearse", "warm-up")


class _Commands(click.Group):
    """Loads a command when it is asked for: its module carries its name, ``_`` for ``-``."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        name = cmd_name.replace("-", "_")
        with opencv_guard(), cache_guard():
            module = import_module(f"hazcam.cli.{name}")
        command = getattr(module, name)
        assert isinstance(command, click.Command)  # each file of this room holds one
        return command


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(hazcam.__version__, prog_name="hazcam", message="%(prog)s %(version)s")
def main() -> None:
    """Judge from a stereo pair whether a small six-legged rover may walk on.

    Exit status: 0 done, whatever the verdict; 1 an input failed (the other pairs of a folder are
    still done); 2 wrong usage; 130 interrupted.
    """
