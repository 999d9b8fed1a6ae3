"""``hazcam calibrate drift``: how far the right camera turned since the calibration."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import click

from hazcam import report
from hazcam.calibration import StereoRig, read_rig, rig_digest, write_rig
from hazcam.cli import options
from hazcam.cli.calibrate.output import check_rig_file
from hazcam.cli.calibrate.pictures import ViewFiles, find_views, pair_pattern
from hazcam.cli.errors import user_errors
from hazcam.drift_campaign import PairDrift, drift_of, pool
from hazcam.drift_mending import mended_rig
from hazcam.errors import HazcamError, PairError
from hazcam.imagery import StereoPair, find_sidecars, read_pair, read_sidecar
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
@pair_pattern
@click.option("--json", "as_json", is_flag=True, help="Print the full record instead of the table.")
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write drift.json, drift.txt, drift.csv and drift.png (drift against time) to "
                   "DIR.")
@click.option("--rig-out", type=options.FILE, metavar="FILE",
              help="Write the rig with the turn of all pairs taken out; refused where the camera "
                   "moved within the campaign, or the pairs leave an angle open by more than 0.02 "
                   "degrees.")
@click.option("--force", is_flag=True, help="Overwrite the file of --rig-out if it is there.")
def drift(
    paths: tuple[Path, ...], rig: Path, rig_right: Path | None, mount: Path | None,
    pattern: str | None, as_json: bool, output: Path | None, rig_out: Path | None, force: bool,
) -> None:
    """Estimate how far the right camera turned since the calibration, from pairs of any scene.

    Pitch, vergence and roll of the right camera with their sigma, what they do to depth and height
    at 0.5, 1, 1.5 and 2 m, and whether the drift is beyond its limit; for a folder also the drift
    against time, whether it stayed as it was, and all pairs together. FOLDER holds sidecars
    *.pair.json; or, without any, the two pictures of each pair. The rig of the sidecars is not
    used: a note says where it is another one. The length of the baseline, the scale of all depths,
    shows in no picture.

    Exit status: 0 done, whatever the drift; 1 an input failed (the other pairs of a folder are
    still used), or --rig-out is refused; 2 wrong usage; 130 interrupted.
    """
    if len(paths) > 2:
        raise click.UsageError("give LEFT and RIGHT, one PAIR.json, or one FOLDER")
    with user_errors():
        check_rig_file(rig_out, force)
        calibrated = read_rig(rig, rig_right, mount=mount)
        drifts, failures = _drifts(_sources(paths, pattern), calibrated)
        found = pool(drifts, calibrated)
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


@dataclass(frozen=True, kw_only=True)
class _Source:
    """What reads a pair, by the name that messages call it by; its sidecar, if it has one."""

    name: str
    read: Callable[[], StereoPair]
    sidecar: Path | None = None


def _sources(paths: tuple[Path, ...], pattern: str | None) -> list[_Source]:
    if len(paths) == 2:
        return [_Source(name=" ".join(p.name for p in paths), read=partial(read_pair, *paths))]
    path = paths[0]
    if not path.exists():
        raise PairError(str(path), "does not exist", "a folder with sidecars *.pair.json or with "
                        "pictures, the sidecar of a pair, or the two pictures of one",
                        "check the path")
    if not path.is_dir():
        return [_Source(name=path.name, read=partial(read_pair, path), sidecar=path)]
    if pattern is None and any(path.glob("*.pair.json")):
        return [_Source(name=p.name, read=partial(read_pair, p), sidecar=p)
                for p in find_sidecars(path)]
    return [_Source(name=view.id, read=partial(_read_view, view))
            for view in find_views(path, pattern, singles=True)]


def _read_view(view: ViewFiles) -> StereoPair:
    if view.left is None or view.right is None:
        there = view.left or view.right
        raise PairError(str(there), "has no partner", "the two pictures of a pair",
                        "add the missing one, or take this one away")
    return replace(read_pair(view.left, view.right), id=view.id)


def _drifts(
    sources: list[_Source], rig: StereoRig
) -> tuple[list[PairDrift], dict[str, str]]:
    """The drift of each pair, and why others have none; an only pair raises its own error."""
    drifts: list[PairDrift] = []
    failures: dict[str, str] = {}
    for i, source in enumerate(sources, start=1):
        if len(sources) > 1:
            click.echo(f"[{i}/{len(sources)}] {source.name}", err=True)
        try:
            drifts.append(_drift(source, rig))
        except HazcamError as error:
            if len(sources) == 1:
                raise
            failures[source.name] = str(error)
    if not drifts:
        reasons = "\n".join(f"{name}: {reason}" for name, reason in failures.items())
        raise PairError("the pairs", f"none of the {len(failures)} shows the drift:\n{reasons}",
                        "pairs of textured ground", "take other pairs")
    return drifts, failures


def _drift(source: _Source, rig: StereoRig) -> PairDrift:
    """The drift of a pair; what is said of it, or why there is none, names another rig."""
    pair = source.read()
    other = _other_rig(source.sidecar, rig)
    try:
        found = drift_of(pair, rig)
    except HazcamError as error:
        if not other:
            raise
        raise type(error)(error.where, f"{error.found} ({other})", error.expected,
                          error.remedy) from error
    return replace(found, notes=(other,)) if other else found


def _other_rig(sidecar: Path | None, rig: StereoRig) -> str:
    """That the sidecar names a rig with other cameras; empty where not, or where none can be read.

    How the rig is mounted does not matter: --mount may give another one.
    """
    if sidecar is None:
        return ""
    named = read_sidecar(sidecar).rig
    try:
        cameras = replace(read_rig(named, bare=True), mount=None)
    except HazcamError:
        return ""
    if rig_digest(cameras) == rig_digest(replace(rig, mount=None)):
        return ""
    return f"its sidecar names {named.name}, which is not the rig of --rig"
