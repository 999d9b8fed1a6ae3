"""``hazcam batch``: assess all pairs of a campaign, and keep what was found in one store."""

from __future__ import annotations

import os
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import click

from hazcam import __version__
from hazcam.campaign.manifest.io import read_manifest
from hazcam.campaign.manifest.pictures import digest_of_pictures
from hazcam.campaign.record import BadRow, Manifest, PairFailure
from hazcam.campaign.store.pair_rows import manifest_folder
from hazcam.campaign.store.reader import open_run
from hazcam.campaign.store.take_in import TakenIn
from hazcam.campaign.store.writer import Ending, Store
from hazcam.campaign.summary.summary import READ, summarise
from hazcam.campaign.work.executors import Workforce, dask_cluster, local_pool
from hazcam.campaign.work.runner import answers, work_off
from hazcam.cli import options
from hazcam.cli.calibrate.pictures import pair_pattern
from hazcam.cli.errors import status_of, termination_like_ctrl_c, user_errors
from hazcam.cli.job import settings_of_options
from hazcam.cli.progress import counting
from hazcam.cli.work import Assess, assess_campaign_pair
from hazcam.errors import PairError, listed
from hazcam.report.campaign_text import campaign_text
from hazcam.report.record import settings_record, to_json_line
from hazcam.versions import versions


@click.command()
@click.argument("manifest", type=click.Path(path_type=Path), metavar="MANIFEST | FOLDER")
@click.option("-o", "--output", type=options.OutputFolder(), required=True, metavar="RUN",
              help="Folder of the run; made if it is not there. Where it holds a part of this run, "
                   "the command goes on with it.")
@pair_pattern
@click.option("--rig", type=options.FILE, metavar="FILE",
              help="Calibration, for a FOLDER of pictures without sidecars.")
@click.option("--rover", metavar="NAME|FILE",
              help="Rover, for a FOLDER of pictures without sidecars.")
@options.headings
@options.judging
@options.matcher
@options.refine
@click.option("--workers", type=click.IntRange(1), metavar="N",
              help="Processes on this machine, each of one thread.  [default: one for each core]")
@click.option("--cluster", metavar="tcp://HOST:PORT",
              help="Hand the pairs to the workers of a running Dask scheduler instead; they must "
                   "see the files under the same paths.")
@click.option("--time-limit-s", type=click.FloatRange(min=0, min_open=True), default=120.0,
              show_default=True, callback=options.finite, metavar="S",
              help="A pair that takes longer is recorded as failed.")
@click.option("--drift-every", type=click.IntRange(0), default=10, show_default=True, metavar="N",
              help="Estimate the turn of the right camera on every Nth pair of each rig, for drift "
                   "over time; it takes nearly as long as assessing. 0: on none.")
@click.option("--retry-failed", is_flag=True,
              help="Try the pairs again that failed before.")
@click.option("--strict", is_flag=True,
              help="Stop before anything is done where a row of the manifest is bad.")
def batch(
    manifest: Path, output: Path, pattern: str | None, rig: Path | None, rover: str | None,
    workers: int | None, cluster: str | None, time_limit_s: float, drift_every: int,
    retry_failed: bool, strict: bool, **given: Any,
) -> None:
    """Assess all pairs of a campaign, and keep what was found in one store.

    MANIFEST is a CSV or JSON Lines file of schema hazcam-manifest/1 (see `hazcam manifest`); or a
    folder with sidecars *.pair.json, or with pictures, which --pair, --rig and --rover then
    describe. Bad rows are listed first and recorded as failures; the rest is assessed.

    However it is interrupted (Ctrl-C, a killed process, power), the same command goes on where it
    was; each pair is recorded once. A pair that fails, takes too long or takes its process down is
    recorded with its reason. Results are in RUN/run.sqlite: see `hazcam report`, `hazcam export`,
    `hazcam judge` and `hazcam diff`.

    Exit status: 0 all pairs assessed, whatever the verdicts; 1 some failed, or the run cannot go
    on; 2 wrong usage; 130 interrupted; 143 ended by the system (SIGTERM).
    """
    if workers is not None and cluster is not None:
        raise click.UsageError("--workers is for this machine, --cluster has its own: give one")
    asked = {"limits": given["limits"], "margin_m": given["margin_m"],
             "settings": settings_of_options(given)}
    with user_errors(), termination_like_ctrl_c():
        found = read_manifest(manifest, pattern=pattern, rig=rig, rover=rover)
        if strict:
            _refuse_bad(found)
        about = {"hazcam": __version__, "versions": to_json_line(dict(versions())),
                 "options": _options(asked, drift_every), "manifest": found.path.name}
        # What may be refused comes before what takes long, and before anything is written.
        with _workforce(workers, cluster, found) as force, Store.open(output, about) as store:
            taken = store.add_pairs(found, digest_of_pictures)
            if retry_failed:
                store.forget_failures(pair.id for pair in found.pairs)
            _list_bad(found)
            todo = _todo(found, store, asked, drift_every)
            _work_off(store, todo, force, time_limit_s, len(found.bad))
            ending = store.finish()
        with open_run(output) as run:
            summary = summarise({name: run.table(name, columns=columns)
                                 for name, columns in READ.items()}, run.record)
    click.echo(campaign_text(summary), nl=False)
    click.echo(f"results are in {output}; `hazcam report {output}` makes the page", err=True)
    _tell_ending(ending, taken)
    if summary.all.failed or taken.kept or ending.untried:
        raise click.exceptions.Exit(1)


def _tell_ending(ending: Ending, taken: TakenIn) -> None:
    """Say what the summary does not."""
    if taken.kept:
        click.echo(f"bad now, assessed before: {listed(taken.kept)}; what was found then is kept",
                   err=True)
    if taken.gone:
        click.echo(f"no longer in the manifest: {listed(taken.gone)}; what is recorded of them is "
                   "kept", err=True)
    if ending.untried:
        click.echo(f"not done: {ending.untried} pairs of the run were never tried and are not in "
                   "this manifest; give the one that has them again, or another folder with -o",
                   err=True)
    if not ending.whole:
        click.echo("another program has the run open: to copy it, copy run.sqlite-wal too, or "
                   "close that program and give the same command again", err=True)


def _options(asked: dict[str, Any], drift_every: int) -> str:
    return to_json_line({"settings": settings_record(asked["settings"]),
                         "limits": asked["limits"], "margin_m": asked["margin_m"],
                         "drift_every": drift_every})


def _workforce(
    workers: int | None, cluster: str | None, manifest: Manifest
) -> AbstractContextManager[Workforce]:
    if cluster is None:
        return local_pool(workers or os.cpu_count() or 1)
    return dask_cluster(cluster, manifest_folder(manifest))


def _refuse_bad(manifest: Manifest) -> None:
    if manifest.bad:
        _say_bad(manifest)
        raise PairError(str(manifest.path), f"{_count_bad(manifest)} are bad",
                        "rows that can all be used",
                        "mend or remove them, or leave --strict out")


def _list_bad(manifest: Manifest) -> None:
    """Say all that is wrong with the rows, before anything is assessed."""
    for pair in manifest.pairs:
        if pair.bad_label:
            click.echo(f"{pair.bad_label}; {pair.id} is assessed without the label", err=True)
    if manifest.bad:
        _say_bad(manifest)
        click.echo(f"{_count_bad(manifest)} of the manifest are bad and recorded as failures",
                   err=True)


def _say_bad(manifest: Manifest) -> None:
    for bad in manifest.bad:
        click.echo(_one_line(bad), err=True)


def _count_bad(manifest: Manifest) -> str:
    return f"{len(manifest.bad)} of {len(manifest.bad) + len(manifest.pairs)} rows"


def _one_line(bad: BadRow) -> str:
    failure = bad.failure
    return f"{failure.where}: {failure.found}; expected: {failure.expected}; " \
           f"remedy: {failure.remedy}"


def _todo(
    manifest: Manifest, store: Store, asked: dict[str, Any], drift_every: int
) -> list[Assess]:
    """What is not settled yet; which pairs show the drift follows from the manifest alone."""
    settled = store.settled()
    of_rig: dict[Path, int] = {}
    todo = []
    for pair in manifest.pairs:
        number = of_rig[pair.sidecar.rig] = of_rig.get(pair.sidecar.rig, -1) + 1
        if pair.id not in settled:
            todo.append(Assess(pair=pair, folder=manifest_folder(manifest), **asked,
                               with_drift=drift_every > 0 and number % drift_every == 0))
    return todo


def _work_off(
    store: Store, todo: list[Assess], force: Workforce, limit_s: float, bad: int
) -> None:
    """Record every answer as it comes; after Ctrl-C what was recorded stays."""
    with counting(len(todo), "assessing", failed=bad) as count:
        try:
            found = answers(iter(todo), assess_campaign_pair, force, limit_s)
            work_off(store, found, lambda a: count.add(failed=isinstance(a, PairFailure)))
        except KeyboardInterrupt as error:
            click.echo(f"interrupted after {count.done} of {len(todo)} pairs; the same command "
                       "goes on", err=True)
            raise click.exceptions.Exit(status_of(error)) from error
