"""``hazcam diff``: which verdicts differ between two runs, and why."""

from __future__ import annotations

from pathlib import Path

import click

from hazcam.campaign import Run, open_run
from hazcam.campaign.difference.compare import RunDifference, compare_runs
from hazcam.cli import options
from hazcam.cli.errors import user_errors
from hazcam.errors import HazcamError
from hazcam.report.campaign_diff import RunSide, diff_record, diff_text
from hazcam.report.record import to_json


@click.command()
@click.argument("run_a", type=options.FILE, metavar="RUN_A")
@click.argument("run_b", type=options.FILE, metavar="RUN_B")
@click.option("--json", "as_json", is_flag=True, help="Print the full record instead of the table.")
def diff(run_a: Path, run_b: Path, as_json: bool) -> None:
    """Say which verdicts differ between two runs of the same pairs, and why.

    RUN_A and RUN_B are what `hazcam batch -o` wrote with two settings, rovers, rigs or versions.
    Pairs are compared by their id; those whose pictures are others are named and left out. Told
    are, in this order: headings that were ask-ground and are go now, those that were go, other
    first causes, and clear distances that moved by more than 0.05 m; each with what explains it:
    what the runs were told otherwise of the pair (attitude, window, ...), a limit, another setting,
    the rig check, or what was measured and seen.

    Exit status: 0 compared, whatever differs; 1 an input failed, or the runs have no pair in
    common; 2 wrong usage; 130 interrupted.
    """
    with user_errors(), open_run(run_a) as a, open_run(run_b) as b:
        if a.file.samefile(b.file):
            raise HazcamError(f"{run_a}, {run_b}", "the same run twice", "two runs",
                              "give the folder of the other run")
        found = compare_runs(a, b)
        _check_common(found, run_a, run_b)
        record = diff_record(found, _side(run_a, a), _side(run_b, b))
    click.echo(to_json(record) if as_json else diff_text(record), nl=False)


def _side(path: Path, run: Run) -> RunSide:
    return RunSide(name=str(path), hazcam=run.about.get("hazcam", "unknown"), done=run.done)


def _check_common(found: RunDifference, run_a: Path, run_b: Path) -> None:
    if found.in_common:
        return
    shown = (ids[0] if ids else "none" for ids in (found.only_a, found.only_b))
    raise HazcamError(f"{run_a}, {run_b}", "no id of a pair is in both (first ones: "
                      f"{', '.join(shown)})", "two runs of the same pairs",
                      "give runs of one manifest, or of two that share ids")
