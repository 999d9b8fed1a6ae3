"""``hazcam tune curve``: how likely each demand is climbed, by the trials."""

from __future__ import annotations

from pathlib import Path

import click

from hazcam.cli import options
from hazcam.cli.errors import user_errors
from hazcam.cli.tune.options import height_climbed, simulated_weight
from hazcam.report.record import to_json
from hazcam.report.tune_curve_page import tune_curve_page
from hazcam.report.tune_curve_record import tune_curve_record
from hazcam.report.tune_curve_text import tune_curve_text
from hazcam.report.write import prepare_folder, write_files
from hazcam.tuning.curve_study import curve_study
from hazcam.tuning.io import read_trials


@click.command()
@click.argument("trials", type=options.FILE, metavar="TRIALS")
@height_climbed
@simulated_weight
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write curve.json (schema hazcam-tuning/1) and curve.html to DIR.")
@click.option("--json", "as_json", is_flag=True, help="Print the full record instead of the text.")
def curve(
    trials: Path, reliability: float, confidence: float, simulated_weight: float | None,
    output: Path | None, as_json: bool,
) -> None:
    """Fit how likely each demand is climbed.

    TRIALS is a table of trials (CSV, schema hazcam-trials/1), as `hazcam tune trials` writes it.
    Trials of one kind of obstacle, rover, gait, ground and gravity are fitted together, walked and
    simulated ones apart. Logistic and probit curve by maximum likelihood (penalised where the
    outcomes separate), the error of the measured demands taken into account; bounds by profile
    likelihood, with and without Jeffreys' penalty, the widest of all. Told with it: whether the
    trials look like the curve, what the number rests on, and whether walked and simulated trials
    are of one curve.

    Exit status: 0 at least one group of trials gives a curve; 1 none does, which is told with what
    to try next, or an input failed; 2 wrong usage.
    """
    with user_errors():
        found = curve_study(read_trials(trials), reliability=reliability, confidence=confidence,
                            simulated_weight=simulated_weight)
        record = tune_curve_record(found)
        if output is not None:
            prepare_folder(output)  # before the figures, which take their time
            write_files(output, {"curve.html": tune_curve_page(record),
                                 "curve.json": to_json(record)})
        click.echo(to_json(record) if as_json else tune_curve_text(record), nl=False)
        if output is not None:
            click.echo(f"results are in {output}", err=True)
    if all(group["state"] != "curve" for group in record["groups"]):
        click.echo("no group of trials gives a curve", err=True)
        raise click.exceptions.Exit(1)
