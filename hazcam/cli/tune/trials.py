"""``hazcam tune trials``: the table of trials, from the pairs of a run that were walked."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import click

from hazcam.campaign import open_run
from hazcam.cli import options
from hazcam.cli.calibrate.output import check_new_file
from hazcam.cli.errors import user_errors
from hazcam.cli.progress import saying_what_is_compiled
from hazcam.errors import OutputError
from hazcam.rover import LIMIT_UNITS
from hazcam.rover.profile import LimitName
from hazcam.tuning.cells import GRAVITY_MPS2, OUTCOMES
from hazcam.tuning.labelled import LabelledTrials, trials_of_run
from hazcam.tuning.table import write_trials_text


@click.command()
@click.argument("run", type=click.Path(path_type=Path), metavar="RUN")
@click.option("--kind", type=click.Choice(tuple(LIMIT_UNITS)), required=True,
              help="Of the demand, by the limit that it is held against. A gap is not measured in "
                   "a run: write such trials by hand.")
@click.option("--gait", required=True, metavar="WORDS", help="The gait that was walked.")
@click.option("--gravity", "gravity_mps2", callback=options.finite, required=True,
              type=click.FloatRange(*GRAVITY_MPS2), metavar="MPS2",
              help="What pulled, or stood for it, in m/s^2: 9.81 on Earth.")
@click.option("--ground", metavar="WORDS",
              help="What was walked on.  [default: the site of each pair, if all have one]")
@click.option("-o", "--output", type=options.FILE, required=True, metavar="FILE",
              help="The table, NAME.csv.")
@click.option("--force", is_flag=True, help="Overwrite the table if it is there.")
def trials(
    run: Path, kind: LimitName, gait: str, gravity_mps2: float, ground: str | None, output: Path,
    force: bool,
) -> None:
    """Take trials from the walked pairs of a run.

    Written is a table of trials (schema hazcam-trials/1).

    A pair was walked where its manifest says so (walked_heading_deg, walked_outcome). Its demand is
    the greatest one of the kind over the look-ahead of that heading, as the pair was assessed.
    Pairs whose demand is not known, for example since something taller could hide, are left out
    and told. Failures count whatever caused them; the note of each trial says what was nearest its
    limit.

    Exit status: 0 written, whatever is left out; 1 no pair makes a trial, an input failed, or the
    table is there already; 2 wrong usage.
    """
    if output.suffix.lower() != ".csv":
        raise click.UsageError(f"-o {output}: the table is a NAME.csv")
    with user_errors(), saying_what_is_compiled(), open_run(run) as opened:
        check_new_file(output, force, "table", "trials.csv")
        found = trials_of_run(opened, kind=kind, gait=gait, ground=ground,
                              gravity_mps2=gravity_mps2)
        _write(output, write_trials_text(found.trials))
        click.echo(_text(found, kind, output), nl=False)


def _write(output: Path, text: str) -> None:
    try:
        output.write_bytes(text.encode())
    except OSError as error:
        raise OutputError(str(output), f"cannot be written: {error.strerror}",
                          "a folder with room that can be written to", "choose another") from error


def _text(found: LabelledTrials, kind: LimitName, output: Path) -> str:
    """How many trials, of what, and what was left out."""
    count = len(found.trials)
    lines = [f"{count} trial{'' if count == 1 else 's'} of kind {kind} ("
             f"{_outcomes([trial.outcome for trial in found.trials])}): {output}"]
    if found.assumed_m > 0:
        lines.append(f"ground out of view is taken as clear up to {found.assumed_m:.2f} m from the "
                     "nose, as it was assessed")
    lines.append("each demand is the greatest of many stations, as verdicts take it, and so errs "
                 "upwards: keep these trials in a table of their own, apart from obstacles that "
                 "were measured otherwise")
    if found.left_out:
        lines.append(f"left out, though walked ({_outcomes([o.outcome for o in found.left_out])}):")
        lines += [f"  {one.pair} ({one.outcome}): {one.why}" for one in found.left_out]
    return "".join(f"{line}\n" for line in lines)


def _outcomes(found: list[str]) -> str:
    counts = Counter(found)
    return ", ".join(f"{counts[word]} {word}" for word in OUTCOMES if counts[word])
