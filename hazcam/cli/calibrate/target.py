"""``hazcam calibrate target``: a target to print."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from hazcam.cli import options
from hazcam.cli.calibrate.options import target_of, target_options
from hazcam.cli.errors import user_errors
from hazcam.report.target_sheet import PAPERS_MM, Paper, solve_options, target_sheet
from hazcam.report.write import write_files


@click.command()
@target_options
@click.option("--paper", type=click.Choice(list(PAPERS_MM)), default="a4", show_default=True,
              help="Size of the paper; lying or standing, as the target needs it.")
@click.option("-o", "--output", type=options.OutputFolder(), required=True, metavar="DIR",
              help="Write target.pdf and target.svg to DIR.")
def target(paper: Paper, output: Path, **given: Any) -> None:
    """Write a sheet of a calibration target to print, as PDF and SVG of exact size.

    Print it at 100 %, measure the ruler on the sheet, and glue the sheet to something flat. What
    is printed to standard output are the options that `hazcam calibrate solve` reads it with.

    Exit status: 0 done; 1 the target does not fit the paper, or the folder cannot be written to;
    2 wrong usage.
    """
    wanted = target_of(given)
    with user_errors():
        sheet = target_sheet(wanted, paper)
        write_files(output, {"target.pdf": sheet.pdf, "target.svg": sheet.svg})
    click.echo(wanted.text)
    click.echo(solve_options(wanted))
    click.echo(f"results are in {output}", err=True)
