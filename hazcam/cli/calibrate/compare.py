"""``hazcam calibrate compare``: what changed between two calibrations, and what that does."""

from __future__ import annotations

from pathlib import Path

import click

from hazcam import report
from hazcam.calibration import read_rig
from hazcam.calibration.compare import DISTANCES_M, compare_rigs
from hazcam.cli import options
from hazcam.cli.errors import user_errors
from hazcam.report.rig_comparison import rig_comparison_record, rig_comparison_text


@click.command()
@click.argument("a", type=options.FILE, metavar="A")
@click.argument("b", type=options.FILE, metavar="B")
@click.option("--json", "as_json", is_flag=True, help="Print the full record instead of the table.")
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write rig_comparison.json and rig_comparison.txt to DIR.")
def compare(a: Path, b: Path, as_json: bool, output: Path | None) -> None:
    """Say what changed from rig A to rig B, in sigmas, and what it does to depth and height.

    A and B are rig files (schema hazcam-rig/1) of one picture size, mounted or not. Each
    parameter's change is held against the covariances of both, and that of the mount against what
    `hazcam calibrate mount` wrote of it: what is significant is not known without them. Then points
    at 0.5, 1, 1.5 and 2 m are seen by B and read with A, as the pictures of a rig would be that is
    B by now and is believed to be A; what the change of the mount alone does to the ground at these
    distances is shown apart.

    Exit status: 0 compared, whatever changed; 1 an input failed; 2 wrong usage.
    """
    with user_errors():
        found = compare_rigs(read_rig(a, bare=True), read_rig(b, bare=True), DISTANCES_M)
        record, text = rig_comparison_record(found), rig_comparison_text(found)
        if output is not None:
            report.write_files(output, {"rig_comparison.txt": text,
                                        "rig_comparison.json": report.to_json(record)})
    click.echo(report.to_json(record) if as_json else text, nl=False)
    if output is not None:
        click.echo(f"results are in {output}", err=True)
