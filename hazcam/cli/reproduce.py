"""``hazcam reproduce``: rerun an assessment from its record and compare."""

from __future__ import annotations

import os
from pathlib import Path

import click

from hazcam import report
from hazcam.cli.errors import user_errors
from hazcam.cli.job import job_of_record
from hazcam.errors import HazcamError
from hazcam.report.record import counted

_INPUTS = {"left": "the left picture", "right": "the right picture", "rig": "the rig",
           "rover": "the rover", "settings": "the settings", "previous": "the previous pair"}


@click.command()
@click.argument("path", type=click.Path(path_type=Path), metavar="ASSESSMENT.json")
def reproduce(path: Path) -> None:
    """Rerun an assessment and list any difference.

    The inputs are looked up from the folder of ASSESSMENT.json, as recorded there. Numbers may
    differ by 1e-6 of their value between platforms or package versions. A folder of results that
    is moved needs its inputs moved along with it.

    Exit status: 0 reproduced, to the byte or with the same verdicts and numbers; 1 a difference, or
    an input that cannot be used; 2 wrong usage; 130 interrupted.
    """
    with user_errors():
        recorded, text = report.read_record(path)
        job = job_of_record(recorded, path.parent, str(path))
        _check_inputs(job.files(), path)
        rerun = report.as_record(job.run(), inputs=recorded["inputs"])
    if text in (report.to_json(rerun), report.to_json_line(rerun) + "\n"):
        click.echo(f"{rerun['id']}: reproduced to the byte")
        return
    changed = [words for name, words in _INPUTS.items()
               if rerun["digests"].get(name) != recorded["digests"].get(name)]
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
    count = counted(len(differences), "difference")
    click.echo(f"{rerun['id']}: {count} (recorded, then now)")
    for difference in differences:
        click.echo(f"  {difference}")
    raise click.exceptions.Exit(1)


def _check_inputs(files: list[Path], record: Path) -> None:
    """A record names its inputs by their place as seen from it: say so where one is gone."""
    for file in files:
        if not file.exists():
            raise HazcamError(
                os.path.normpath(file), "does not exist",
                f"the inputs where {record.name} names them, as seen from its folder",
                "move the inputs along with it, or put the folder back",
            )
