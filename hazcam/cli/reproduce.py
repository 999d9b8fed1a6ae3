"""``hazcam reproduce``: rerun an assessment from its record and compare."""

from __future__ import annotations

from pathlib import Path

import click

from hazcam import report
from hazcam.cli.errors import user_errors
from hazcam.cli.job import job_of_record

_INPUTS = {"pair": "the pictures", "rig": "the rig", "rover": "the rover",
           "settings": "the settings"}


@click.command()
@click.argument("path", type=click.Path(path_type=Path), metavar="ASSESSMENT.json")
def reproduce(path: Path) -> None:
    """Rerun an assessment and list any difference.

    The inputs are looked up from the folder of ASSESSMENT.json, as recorded there. Numbers may
    differ by 1e-6 of their value between platforms or package versions.

    Exit status: 0 reproduced, to the byte or with the same verdicts and numbers; 1 a difference, or
    an input that cannot be used; 2 wrong usage.
    """
    with user_errors():
        recorded, text = report.read_record(path)
        job = job_of_record(recorded, path.parent, str(path))
        rerun = report.as_record(job.run(), inputs=recorded["inputs"])
    if text in (report.to_json(rerun), report.to_json_line(rerun) + "\n"):
        click.echo(f"{rerun['id']}: reproduced to the byte")
        return
    changed = [words for name, words in _INPUTS.items()
               if rerun["digests"][name] != recorded["digests"][name]]
    differences = report.same_record(recorded, rerun)
    for words in changed:
        click.echo(f"changed since: {words}")
    for name, now in rerun["versions"].items():
        then = recorded["versions"].get(name)
        if then != now:
            click.echo(f"version of {name}: {then} recorded, {now} now")
    if not differences:
        click.echo(f"{rerun['id']}: same verdicts, numbers within 1e-6")
        return
    click.echo(f"{rerun['id']}: {len(differences)} differences (recorded, then now)")
    for difference in differences:
        click.echo(f"  {difference}")
    raise click.exceptions.Exit(1)
