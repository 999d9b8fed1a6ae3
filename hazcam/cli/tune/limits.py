"""``hazcam tune limits``: the limit to set, from trials and the demands of a run."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import click

from hazcam.campaign import Run, open_run
from hazcam.cli import options
from hazcam.cli.errors import user_errors
from hazcam.cli.tune.options import conditions, height_climbed, simulated_weight
from hazcam.errors import TrialsError
from hazcam.report.record import to_json
from hazcam.report.tune_limits_page import limits_study_page
from hazcam.report.tune_limits_record import limits_study_record
from hazcam.report.tune_limits_text import limits_study_text
from hazcam.report.write import prepare_folder, write_files
from hazcam.rover import LIMIT_UNITS
from hazcam.rover.profile import LimitName
from hazcam.tuning.curve import NoCurve, SuccessCurve, curve_of
from hazcam.tuning.curve_study import check_has_prior
from hazcam.tuning.io import read_trials
from hazcam.tuning.record import TrialGroup, TrialTable
from hazcam.tuning.study import Aims, LimitStudy, digest_of_run, study_limit


def _finite_both(
    ctx: click.Context, param: click.Parameter, values: tuple[float, float] | None
) -> tuple[float, float] | None:
    for value in values or ():
        options.finite(ctx, param, value)
    return values


@click.command()
@click.argument("run_folder", type=options.FILE, metavar="RUN")
@click.option("--trials", type=options.FILE, required=True, metavar="FILE",
              help="Trials of the rover (CSV, schema hazcam-trials/1).")
@click.option("--risk", type=click.FloatRange(0, 0.5, min_open=True, max_open=True), required=True,
              callback=options.finite, metavar="P",
              help="Most of the headings beyond what the legs climb that may be judged go: the "
                   "bound of the false-go rate.")
@click.option("--costs", type=click.FloatRange(0), nargs=2, callback=_finite_both,
              metavar="FALSE_GO ASK",
              help="What a false go and a needless ask cost, in one unit of yours: with them the "
                   "cheapest limit is shown beside the recommended one.")
@click.option("--and", "second", type=click.Choice(tuple(LIMIT_UNITS)),
              help="Sweep this limit too, both together. Without trials of its kind the legs are "
                   "taken to manage what it is today.")
@conditions
@height_climbed
@simulated_weight
@click.option("--pictures", type=options.FILE, metavar="FOLDER",
              help="The folder of the run's manifest: the pairs nearest the limit are assessed "
                   "again with a drifted rig and other camera heights (some seconds a pair).")
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write limits.json (schema hazcam-tuning/1) and limits.html to DIR.")
@click.option("--json", "as_json", is_flag=True, help="Print the full record instead of the text.")
def limits(
    run_folder: Path, trials: Path, risk: float, costs: tuple[float, float] | None,
    second: LimitName | None, pictures: Path | None, output: Path | None, as_json: bool,
    **given: Any,
) -> None:
    """Choose a limit by both mistakes on a run.

    RUN is the folder of a run (`hazcam batch -o`). The trials say which demand the legs climb with
    --reliability, at --confidence; ground beyond that is what a go would be false on. For every
    value of the limit, from the stored demands: the false-go rate, the needless-ask rate and the
    distance between asks, counted over sites. Recommended is the greatest limit whose false-go
    bound is at most --risk, and never more than the trials show. With it: which pairs get another
    verdict, the same choice counted on sites left out, how it moves with every setting and without
    each site and day, and the rover's own stop rule where the pairs say what it reported.

    `hazcam tune apply` writes the limit into a rover file.

    Exit status: 0 a limit is recommended; 1 none can be, which is told, or an input failed; 2 wrong
    usage.
    """
    with user_errors(), open_run(run_folder) as run:
        table = read_trials(trials)
        if output is not None:
            prepare_folder(output)
        study = _study(run, table, trials, Aims(
            reliability=given["reliability"], confidence=given["confidence"], risk=risk,
            costs=costs), second, pictures, given)
        record = limits_study_record(
            study, trials=table, run_name=run_folder.resolve().name, run_digest=digest_of_run(run),
            run_pairs=len(run.ids()))
        if output is not None:
            write_files(output, {"limits.html": limits_study_page(record, study, run.overlay),
                                 "limits.json": to_json(record)})
        click.echo(to_json(record) if as_json else limits_study_text(record), nl=False)
        if output is not None:
            click.echo(f"results are in {output}", err=True)
    if study.recommendation.value is None:
        click.echo("no limit can be recommended", err=True)
        raise click.exceptions.Exit(1)


def _study(
    run: Run, table: TrialTable, path: Path, aims: Aims, second: LimitName | None,
    pictures: Path | None, given: dict[str, Any],
) -> LimitStudy:
    weight = given["simulated_weight"] or 0.0
    which = {name: given[name] for name in ("rover", "gait", "ground", "gravity_mps2")}
    group = table.chosen(kind=given["kind"], **which)
    kind = group.conditions.kind
    if second == kind:
        raise click.UsageError(f"--and {second}: that is the limit itself; name another one")
    if weight > 0:
        check_has_prior(table, group.conditions)
    curve = _curve(table, group, aims, weight)
    if isinstance(curve, NoCurve):
        raise TrialsError(
            f"{path}: {group.conditions.text}", curve.reason, "trials that give a success curve",
            "`hazcam tune curve` says what they show without one, `hazcam tune next` what to try")
    other = None if second is None else (second, _of_kind(table, group, second, aims, weight))
    return study_limit(run, curve, aims, made_on=datetime.datetime.now(datetime.UTC).date(),
                       second=other, pictures=pictures)


def _curve(
    table: TrialTable, group: TrialGroup, aims: Aims, weight: float
) -> SuccessCurve | NoCurve:
    simulated = (g for g in table.groups() if g.simulated and g.conditions == group.conditions)
    prior = next(simulated, None) if weight > 0 else None
    return curve_of(group, reliability=aims.reliability, confidence=aims.confidence, prior=prior,
                    prior_weight=weight if prior is not None else 0.0)


def _of_kind(
    table: TrialTable, group: TrialGroup, kind: LimitName, aims: Aims, weight: float
) -> SuccessCurve | None:
    """The curve of another kind under the same conditions; None where there are no such trials."""
    wanted = group.conditions._replace(kind=kind)
    found = [g for g in table.groups() if not g.simulated and g.conditions == wanted]
    if not found:
        return None
    curve = _curve(table, found[0], aims, weight)
    if isinstance(curve, NoCurve):
        raise TrialsError(f"{table.name}: {wanted.text}", curve.reason,
                          "trials that give a success curve", "leave out --and, or add trials")
    return curve
