"""``hazcam calibrate drift``: how far the right camera turned since the calibration."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import click

from hazcam import report
from hazcam.calibration import StereoRig, read_rig, write_rig
from hazcam.cli import options
from hazcam.cli.errors import user_errors
from hazcam.drift_campaign import PairDrift, drift_of, mended_rig, pool
from hazcam.errors import HazcamError, OutputError, PairError
from hazcam.imagery import StereoPair, find_sidecars, read_pair
from hazcam.report.drift_plot import drift_plot
from hazcam.report.drift_record import drift_csv, drift_record
from hazcam.report.drift_text import drift_text


@click.command()
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path),
                metavar="LEFT RIGHT | PAIR.json | FOLDER")
@click.option("--rig", type=options.FILE, required=True, metavar="FILE",
              help="Calibration of the two cameras (YAML) with its mount, or the left one's "
                   "camera_info.")
@click.option("--rig-right", type=options.FILE, metavar="FILE",
              help="camera_info of the right camera, where --rig is the left one's.")
@click.option("--mount", type=options.FILE, metavar="FILE",
              help="YAML with mount_R and mount_t (left camera to rover frame), where the rig has "
                   "none or another one is meant.")
@click.option("--json", "as_json", is_flag=True, help="Print the full record instead of the table.")
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write drift.json, drift.txt, drift.csv and drift.png (drift against time) to "
                   "DIR.")
@click.option("--rig-out", type=options.FILE, metavar="FILE",
              help="Write the rig with the turn of all pairs taken out; refused where the camera "
                   "moved within the campaign, or an angle is not known to 0.02 degrees.")
@click.option("--force", is_flag=True, help="Overwrite the file of --rig-out if it is there.")
def drift(
    paths: tuple[Path, ...], rig: Path, rig_right: Path | None, mount: Path | None, as_json: bool,
    output: Path | None, rig_out: Path | None, force: bool,
) -> None:
    """Estimate how far the right camera turned since the calibration, from pairs of any scene.

    Pitch, vergence and roll of the right camera with their sigma, what they do to depth and height
    at 0.5, 1, 1.5 and 2 m, and whether the limit on drift is passed; for a folder also the drift
    against time, whether it stayed as it was, and all pairs together. The rig of the sidecars is
    not used. The length of the baseline, the scale of all depths, shows in no picture.

    Exit status: 0 done, whatever the drift; 1 an input failed (the other pairs of a folder are
    still used), or --rig-out is refused; 2 wrong usage; 130 interrupted.
    """
    if len(paths) > 2:
        raise click.UsageError("give LEFT and RIGHT, one PAIR.json, or one FOLDER")
    with user_errors():
        _refuse_to_overwrite(rig_out, force)
        calibrated = read_rig(rig, rig_right, mount=mount)
        drifts, failures = _drifts(_readers(paths), calibrated)
        found = pool(drifts)
        record = drift_record(calibrated, found, failures)
        if output is not None:
            report.write_files(output, {"drift.txt": drift_text(record), "drift.csv":
                                        drift_csv(record), "drift.png": drift_plot(record),
                                        "drift.json": report.to_json(record)})
        click.echo(report.to_json(record) if as_json else drift_text(record), nl=False)
        if output is not None:
            click.echo(f"results are in {output}", err=True)
        if rig_out is not None:
            write_rig(mended_rig(calibrated, found), rig_out)
            click.echo(f"the rig with the turn taken out is in {rig_out}", err=True)
    if failures:
        raise click.exceptions.Exit(1)


def _refuse_to_overwrite(path: Path | None, force: bool) -> None:
    if path is not None and path.exists() and not force:
        raise OutputError(str(path), "is there already", "a new file",
                          "give another name, or --force to overwrite it")


def _readers(paths: tuple[Path, ...]) -> dict[str, Callable[[], StereoPair]]:
    """What reads each pair, by the name that messages call it by."""
    if len(paths) == 1 and paths[0].is_dir():
        return {path.name: partial(read_pair, path) for path in find_sidecars(paths[0])}
    return {" ".join(path.name for path in paths): partial(read_pair, *paths)}


def _drifts(
    readers: dict[str, Callable[[], StereoPair]], rig: StereoRig
) -> tuple[list[PairDrift], dict[str, str]]:
    """The drift of each pair, and why others have none; an only pair raises its own error."""
    drifts: list[PairDrift] = []
    failures: dict[str, str] = {}
    for i, (name, read) in enumerate(readers.items(), start=1):
        if len(readers) > 1:
            click.echo(f"[{i}/{len(readers)}] {name}", err=True)
        try:
            drifts.append(drift_of(read(), rig))
        except HazcamError as error:
            if len(readers) == 1:
                raise
            failures[name] = str(error)
    if not drifts:
        reasons = "\n".join(f"{name}: {reason}" for name, reason in failures.items())
        raise PairError("the pairs", f"none of the {len(failures)} shows the drift:\n{reasons}",
                        "pairs of textured ground", "take other pairs")
    return drifts, failures
