"""A group that loads a command when it is asked for, so that `--help` loads no OpenCV."""

from __future__ import annotations

from importlib import import_module
from typing import Any

import click

from hazcam.cli.errors import INTERRUPTED, cache_guard, opencv_guard


class LazyGroup(click.Group):
    """Finds the command ``a-b`` as ``a_b`` in the module ``a_b`` of its package.

    Parameters
    ----------
    package : str
        Where the modules are.
    commands : tuple of str
        Names of the commands, in the order in which they are listed.
    """

    def __init__(self, *args: Any, package: str, commands: tuple[str, ...], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._package = package
        self._commands = commands

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; Ctrl-C at any moment, while modules are loaded too, ends with 130."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt as error:
            click.echo("interrupted", err=True)
            raise click.exceptions.Exit(INTERRUPTED) from error

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names, in the order given."""
        return list(self._commands)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command, its module loaded now; None for an unknown name."""
        if cmd_name not in self._commands:
            return None
        name = cmd_name.replace("-", "_")
        with opencv_guard(), cache_guard():
            module = import_module(f"{self._package}.{name}")
        command = getattr(module, name)
        assert isinstance(command, click.Command)  # each file of this room holds one
        return command
