"""``hazcam tune apply``: the recommended limit, in a rover file that says where it comes from."""

from __future__ import annotations

from pathlib import Path

import click

from hazcam.cli import options
from hazcam.cli.calibrate.output import check_new_file
from hazcam.cli.errors import user_errors
from hazcam.errors import OutputError
from hazcam.report.tune_apply_text import applied_text
from hazcam.rover import read_rover, write_rover
from hazcam.tuning.apply import apply_result
from hazcam.tuning.io import read_result


@click.command()
@click.argument("result", type=options.FILE, metavar="RESULT")
@click.option("--rover", required=True, metavar="NAME|FILE",
              help="The rover of the trials, with the limit that it has today.")
@click.option("-o", "--output", type=options.FILE, required=True, metavar="FILE",
              help="The new rover file, FILE.toml.")
@click.option("--force", is_flag=True, help="Overwrite the file if it is there.")
def apply(result: Path, rover: str, output: Path, force: bool) -> None:
    """Write a recommended limit into a rover file.

    RESULT is the folder that `hazcam tune limits -o` wrote, or the limits.json in it. The new file
    is the one of --rover with its comments; the limit in it says which trials and which run it
    rests on, whether the run shows that the risk is met, and what it was. `hazcam assess` shows
    that. The rover must be the one that the run was assessed for, in all of its numbers. Printed
    too: why this limit, and what is to be said against the success curve of the trials.

    Exit status: 0 written; 1 an input failed, nothing is written; 2 wrong usage.
    """
    with user_errors():
        _check_output(output, force)
        found, before = read_result(result), read_rover(rover)
        after = apply_result(found, before)
        write_rover(after, output)
        click.echo(applied_text(before, after, found, str(output)), nl=False)


def _check_output(output: Path, force: bool) -> None:
    """Refuse what cannot become a rover file that --rover takes."""
    if output.suffix != ".toml":
        raise OutputError(str(output), "has no name that --rover takes as a file",
                          "a name that ends in .toml", f"write to {output}.toml")
    check_new_file(output, force, "rover", "rover.toml")
