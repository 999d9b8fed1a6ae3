"""``hazcam assess``: judge each heading ahead of one pair, or of each pair of a folder."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import click

from hazcam import report
from hazcam.cli import options
from hazcam.cli.errors import INTERRUPTED, user_errors
from hazcam.cli.job import Job, common_of_options, job_of_paths
from hazcam.cli.progress import saying_what_is_compiled
from hazcam.cli.threads import limited_threads
from hazcam.errors import HazcamError, PairError
from hazcam.imagery import find_sidecars, read_sidecar


@click.command()
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path),
                metavar="LEFT RIGHT | PAIR.json | FOLDER")
@options.inputs
@options.headings
@options.judging
@options.matcher
@options.refine
@options.threads
@click.option("--json", "as_json", is_flag=True,
              help="Print the full record instead of the table; for a folder one line per pair.")
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write assessment.json, overlay.png, map.png, depth.tiff, page.html, and "
                   "terrain.npz and demands.npz for `hazcam judge`, to DIR/ID, for a folder also "
                   "DIR/index.html. ID is the sidecar's; for two pictures it follows from the "
                   "name of LEFT.")
def assess(
    paths: tuple[Path, ...], threads: int | None, as_json: bool, output: Path | None,
    **given: Any,
) -> None:
    """Judge each heading ahead of one stereo pair.

    Give two pictures with --rig and --rover; or the pair's sidecar (PAIR.json); or a folder with
    several *.pair.json: each is assessed, with a summary at the end. Options win over the
    sidecar.

    Without roll and pitch the attitude is unknown within --tilt-bound-deg, and slopes are judged
    so; --assume-level takes it as level instead.

    Exit status: 0 assessed, whatever the verdict; 1 an input failed (the other pairs of a folder
    are still done); 2 wrong usage; 130 interrupted (Ctrl-C): the results of a folder's pairs that
    are done are kept, with their index.html.
    """
    common = common_of_options(paths, given)
    with user_errors(), limited_threads(threads), saying_what_is_compiled():
        if output is not None:
            report.prepare_folder(output)
        if len(paths) == 1 and paths[0].is_dir():
            _assess_folder(paths[0], common, as_json, output)
        else:
            record = _assess_one(job_of_paths(paths, common), output)
            click.echo(report.to_json(record) if as_json else report.as_text(record), nl=False)
            if output is not None:
                click.echo(f"results are in {output / record['id']}", err=True)


def _assess_one(job: Job, output: Path | None) -> report.Record:
    """Assess and, where asked for, write; the record has its files as seen from its place."""
    assessment = job.run()
    if output is None:
        return report.as_record(assessment, inputs=job.inputs(Path.cwd()))
    folder = output / assessment.pair.id
    return report.write_assessment(assessment, folder, job.inputs(folder))


def _assess_folder(
    folder: Path, common: dict[str, Any], as_json: bool, output: Path | None
) -> None:
    """Assess every pair, list what failed, and exit with status 1 if any did.

    After Ctrl-C what is done is listed all the same, and the exit status is 130.
    """
    paths = find_sidecars(folder)
    _refuse_doubles(paths)
    records: list[report.Record] = []
    failures: dict[str, str] = {}
    try:
        for i, path in enumerate(paths, start=1):
            click.echo(f"[{i}/{len(paths)}] {path.name}", err=True)
            record = _record_or_failure(path, common, output, failures)
            if record is not None:
                records.append(record)
                click.echo(report.to_json_line(record) if as_json else report.as_text(record))
    except KeyboardInterrupt:
        click.echo(err=True)  # the terminal has echoed ^C
    done = len(records) + len(failures)
    not_begun = [path.name for path in paths[done:]]
    click.echo(report.summary_text(records, failures, not_begun), err=as_json, nl=False)
    if output is not None:
        report.write_index(output, records, failures, not_begun)
    _say_where(output, done, len(paths))
    if not_begun:
        raise click.exceptions.Exit(INTERRUPTED)
    if failures:
        raise click.exceptions.Exit(1)


def _record_or_failure(
    path: Path, common: dict[str, Any], output: Path | None, failures: dict[str, str]
) -> report.Record | None:
    """Assess one pair of a folder; where it fails, note why."""
    try:
        return _assess_one(job_of_paths((path,), common), output)
    except HazcamError as error:
        failures[path.name] = str(error)
    except Exception as error:  # a fault of ours in one pair must not cost the others
        failures[path.name] = f"fault in hazcam, please report it: {error!r}"
    return None


def _say_where(output: Path | None, done: int, count: int) -> None:
    if done < count:
        where = f"; the results so far are in {output}" if output is not None else ""
        click.echo(f"interrupted after {done} of {count} pairs{where}", err=True)
    elif output is not None:
        click.echo(f"results are in {output}; open {output / 'index.html'}", err=True)


def _refuse_doubles(paths: list[Path]) -> None:
    """Two pairs of one id would write to one folder."""
    ids = {}
    for path in paths:
        try:
            ids[path.name] = read_sidecar(path).id
        except HazcamError:
            continue  # it is listed as failed in its turn
    name, count = Counter(ids.values()).most_common(1)[0] if ids else ("", 0)
    if count > 1:
        same = ", ".join(file for file, id_ in ids.items() if id_ == name)
        raise PairError(same, f"have the same id {name!r}", "an id for each pair",
                        "change the id in one of them")
