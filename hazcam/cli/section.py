"""``hazcam section``: the ground along one heading, with its limits and the rover to scale."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from hazcam import report
from hazcam.cli import options
from hazcam.cli.errors import user_errors
from hazcam.cli.job import common_of_options, job_of_paths
from hazcam.cli.progress import saying_what_is_compiled
from hazcam.cli.threads import limited_threads


def _half_circle(ctx: click.Context, param: click.Parameter, value: float) -> float:
    """Refuse what is no heading; name the one that points the same way."""
    options.finite(ctx, param, value)
    if not -180 <= value <= 180:
        same = (value + 180) % 360 - 180
        raise click.BadParameter(
            f"{value:g} is not between -180 and 180 degrees (positive to the left): write "
            f"{same:g}, which points the same way", ctx, param)
    return value


@click.command()
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path),
                metavar="LEFT RIGHT | PAIR.json")
@click.option("--heading", "heading_deg", type=float, required=True, callback=_half_circle,
              metavar="DEG", help="Which heading to cut along, in degrees, positive to the left.")
@options.inputs
@options.judging
@options.matcher
@options.refine
@options.threads
@click.option("--json", "as_json", is_flag=True,
              help="Print the record with its numbers instead of the words.")
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write section-HEADING.png and section-HEADING.json to DIR/ID, for example "
                   "section-10-left.png; the record has the numbers of the figure.")
def section(
    paths: tuple[Path, ...], heading_deg: float, threads: int | None, as_json: bool,
    output: Path | None, **given: Any,
) -> None:
    """Show the ground along one heading of one stereo pair.

    Give two pictures with --rig and --rover, or the pair's sidecar (PAIR.json); options as for
    `hazcam assess`. The figure shows the surface that was measured with its band, how high
    anything could be where nothing was seen, the limits about the local ground, and the rover
    to scale with its nose at the first cause.

    Exit status: 0 done, whatever the verdict; 1 an input failed; 2 wrong usage; 130 interrupted.
    """
    if any(path.is_dir() for path in paths):
        raise click.UsageError("a folder may hold many pairs: give LEFT and RIGHT, or one "
                               "PAIR.json")
    common = common_of_options(paths, {**given, "headings": (heading_deg,)})
    with user_errors(), limited_threads(threads), saying_what_is_compiled():
        if output is not None:
            report.prepare_folder(output)
        job = job_of_paths(paths, common)
        assessment = job.run()
        cut = report.section_along(assessment, heading_deg)
        folder = Path.cwd() if output is None else output / assessment.pair.id
        inputs = job.inputs(folder)
        record = (report.section_record(assessment, cut, inputs=inputs) if output is None
                  else report.write_section(assessment, cut, folder, inputs))
        click.echo(report.to_json(record) if as_json else report.section_text(record), nl=False)
        if output is not None:
            click.echo(f"results are in {folder}", err=True)
