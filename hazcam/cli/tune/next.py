"""``hazcam tune next``: the trials to make next, as text and as a card to take along."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from hazcam.cli import options
from hazcam.cli.calibrate.output import check_new_file
from hazcam.cli.errors import user_errors
from hazcam.cli.tune.options import conditions, height_climbed
from hazcam.report.record import to_json
from hazcam.report.trial_card import trial_card
from hazcam.report.tune_next_text import next_record, next_text
from hazcam.report.write import write_files
from hazcam.tuning.curve import curve_of
from hazcam.tuning.io import read_trials
from hazcam.tuning.next_trials import next_trials

MOST = 60  # about what plain counting takes; a card of more is a campaign


@click.command()
@click.argument("trials", type=options.FILE, metavar="TRIALS")
@click.option("-n", "--count", type=click.IntRange(1, MOST), default=3, show_default=True,
              metavar="N", help="How many trials.")
@conditions
@height_climbed
@click.option("--json", "as_json", is_flag=True, help="Print the full record instead of the text.")
@click.option("-o", "--output", type=options.FILE, metavar="FILE",
              help="Write a card to print and fill in, NAME.html.")
@click.option("--force", is_flag=True, help="Overwrite the card if it is there.")
def next(  # noqa: A001 - the name of the command, under which the group looks for it
    trials: Path, count: int, reliability: float, confidence: float, as_json: bool,
    output: Path | None, force: bool, **which: Any,
) -> None:
    """Plan the trials that would tell most.

    TRIALS is a table of trials (schema hazcam-trials/1); its simulated ones do not count. With a
    success curve the demands are chosen by what they are expected to tell of the height that is
    climbed with --reliability, and a forecast says what they would make of its bound. Where the
    trials give no curve a rule says where to go on. The order is shuffled with a seed that is
    printed.

    Exit status: 0 done; 1 an input failed, or the card is there already; 2 wrong usage.
    """
    if output is not None and output.suffix.lower() != ".html":
        raise click.UsageError(f"-o {output}: the card is a NAME.html")
    with user_errors():
        check_new_file(output, force, "card", "card.html")
        table = read_trials(trials)
        curve = curve_of(table.chosen(**which), reliability=reliability, confidence=confidence)
        record = next_record(table, next_trials(curve, count), reliability=reliability,
                             confidence=confidence)
        if output is not None:
            write_files(output.parent, {output.name: trial_card(record)})
    click.echo(to_json(record) if as_json else next_text(record), nl=False)
    if output is not None:
        click.echo(f"the card is in {output}", err=True)
