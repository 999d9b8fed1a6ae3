"""``hazcam calibrate mount``: height, pitch and roll of the left camera, from a flat floor."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import click

from hazcam import report
from hazcam.calibration import StereoRig, read_rig, write_rig
from hazcam.calibration.checks import check_mount_length
from hazcam.calibration.target import Target
from hazcam.cli import options
from hazcam.cli.calibrate.options import optional_target_options, target_of
from hazcam.cli.calibrate.output import check_rig_file
from hazcam.cli.calibrate.pictures import ViewFiles, find_views, pair_pattern
from hazcam.cli.errors import user_errors
from hazcam.cli.progress import saying_what_is_compiled
from hazcam.cli.threads import limited_threads
from hazcam.errors import HazcamError, PairError, RigError
from hazcam.floor import FloorPlane, find_floor
from hazcam.imagery import StereoPair, find_sidecars, read_pair
from hazcam.imagery.naming import is_picture
from hazcam.laid_target import (
    LaidAt,
    LaidTarget,
    check_can_be_laid,
    find_laid_target,
    placement_from,
)
from hazcam.mounting import (
    DISAGREES,
    HeightCheck,
    check_height,
    combine,
    mounted_rig,
    placement_without_target,
)
from hazcam.report.mount import mount_record, mount_text
from hazcam.settings import MATCHERS, MatcherName

_LENGTH = click.FloatRange(0, min_open=True)
# A height that is known no better than to this share of it checks no baseline.
_MOST_SIGMA_SHARE = 0.1


def _metres(ctx: click.Context, param: click.Parameter, value: float | None) -> float | None:
    """A length about the rover, by the bounds that hold for a mount."""
    options.finite(ctx, param, value)
    if value is not None:
        try:
            check_mount_length(value, "", f"{value:g} m")
        except RigError as error:
            raise click.BadParameter(
                f"{error.found}; expected: {error.expected}; {error.remedy}", ctx, param) from error
    return value


@click.command()
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path),
                metavar="LEFT RIGHT | PAIR.json | FOLDER")
@pair_pattern
@click.option("--rig", type=options.FILE, required=True, metavar="FILE",
              help="Calibration of the two cameras (YAML), mounted or not, or the left one's "
                   "camera_info.")
@click.option("--rig-right", type=options.FILE, metavar="FILE",
              help="camera_info of the right camera, where --rig is the left one's.")
@click.option("--camera-x-m", type=float, callback=_metres, metavar="M",
              help="How far the left camera is ahead of the rover's origin, measured.  [default: "
                   "that of the rig's mount]")
@click.option("--camera-y-m", type=float, callback=_metres, metavar="M",
              help="How far it is to the left of it, measured.  [default: that of the rig's mount]")
@click.option("--measured-height-m", type=_LENGTH, callback=_metres, metavar="M",
              help="Height of the left camera's lens above the floor, measured by hand: checks the "
                   "length of the baseline, which no scene can show by itself.")
@click.option("--measured-height-sigma-m", type=_LENGTH, callback=_metres, metavar="M",
              help="One standard deviation of that measurement.")
@optional_target_options
@click.option("--target-x-m", type=float, callback=_metres, metavar="M",
              help="Where the first point of a target on the floor lies ahead of the rover's "
                   "origin, measured; gives yaw and offsets, with --board and its options.")
@click.option("--target-y-m", type=float, callback=_metres, metavar="M",
              help="Where it lies to the left of it, measured.")
@click.option("--target-heading-deg", type=click.FloatRange(-360, 360), callback=options.finite,
              metavar="DEG",
              help="Where the rows of the target point, positive to the left; its columns run to "
                   "the right of that.")
@options.matcher
@options.threads
@click.option("--json", "as_json", is_flag=True, help="Print the full record instead of the table.")
@click.option("-o", "--output", type=options.FILE, metavar="RIG_OUT.yaml",
              help="Write the rig with its mount. Without it nothing is written.")
@click.option("--force", is_flag=True,
              help="Overwrite RIG_OUT.yaml if it is there, and write it even if the measured "
                   "height disagrees.")
def mount(
    paths: tuple[Path, ...], pattern: str | None, rig: Path, rig_right: Path | None,
    measured_height_m: float | None, measured_height_sigma_m: float | None, matcher: MatcherName,
    threads: int | None, as_json: bool, output: Path | None, force: bool, **given: Any,
) -> None:
    """Measure how the left camera stands on the rover, from pairs of a flat floor.

    Let the rover stand in its nominal stance on a flat floor with texture, and take one or more
    pairs: better several, standing up anew before each. Height, pitch and roll come from the plane
    that the pairs show, each with its sigma. A FOLDER holds the pairs by their sidecars
    (*.pair.json) or, where there are none, as pictures with left and right, or _L and _R, in their
    names; --pair names them otherwise. The floor is the reference: an attitude in a sidecar is not
    used, and neither are its rig and rover.

    Height is proportional to the baseline of the rig, as all ranges are, and no scene can show the
    baseline by itself: measure the height by hand, and give --measured-height-m, to check it.
    Where it disagrees by more than 3 sigma, RIG_OUT.yaml is not written without --force.

    No floor shows the yaw or the offsets: they are those of the rig's mount, or --camera-x-m and
    --camera-y-m, with yaw 0 assumed where the rig has no mount. A target that lies flat on the
    floor at a place measured in the rover frame (--board, --target-x-m and so on) shows them: every
    pair with it in both pictures counts.

    Exit status: 0 done; 1 an input failed (the other pairs of a folder are still used), or the
    measured height disagrees and --force is not given; 2 wrong usage; 130 interrupted.
    """
    _check_usage(paths, pattern)
    _check_measured(measured_height_m, measured_height_sigma_m)
    laid = _laid_target(given)
    with user_errors(), limited_threads(threads), saying_what_is_compiled():
        check_rig_file(output, force)
        if laid is not None:
            check_can_be_laid(laid[0])
        readers = _readers(paths, pattern)
        bare = read_rig(rig, rig_right, bare=True)
        if laid is None:
            # Before the matching: a rig that lacks its offsets need not wait for it.
            placement = placement_without_target(bare, given["camera_x_m"], given["camera_y_m"])
        floors, targets, failures = _shown(readers, bare, matcher, laid)
        if laid is not None:
            placement = placement_from(targets)
        estimate = combine(floors, bare)
        check = None
        if measured_height_m is not None and measured_height_sigma_m is not None:
            check = check_height(estimate, measured_height_m, measured_height_sigma_m)
        mounted = mounted_rig(bare, estimate, placement, check)
        record = mount_record(bare, mounted, estimate, placement, check, failures, targets)
        refused = check is not None and not check.agrees and not force
        if output is not None and not refused:
            write_rig(mounted, output)
    click.echo(report.to_json(record) if as_json else mount_text(record), nl=False)
    if refused and check is not None:
        with user_errors():
            raise _disagrees(output, check)
    if output is not None:
        doubt = "" if check is None or check.agrees else (
            ", although the measured height disagrees (--force)")
        click.echo(f"the rig with its mount is in {output}{doubt}", err=True)
    if failures:
        raise click.exceptions.Exit(1)


def _disagrees(output: Path | None, check: HeightCheck) -> RigError:
    written = "" if output is None else "not written: "
    return RigError(
        str(output or "the mount"), f"{written}the measured height disagrees by "
        f"{check.sigmas:.1f} sigma", f"{DISAGREES:g} sigma at most",
        "measure the height again; if it stays so, calibrate the rig again"
        + ("" if output is None else ", or give --force to write the rig all the same"))


def _check_usage(paths: tuple[Path, ...], pattern: str | None) -> None:
    if len(paths) > 2:
        raise click.UsageError("give LEFT and RIGHT, one PAIR.json, or one FOLDER")
    if len(paths) == 1 and is_picture(paths[0]):
        raise click.UsageError(f"{paths[0]} is one picture: give LEFT and RIGHT, both pictures of "
                               "the pair")
    if pattern is not None and not paths[0].is_dir():
        raise click.UsageError("--pair names the pictures of a FOLDER: leave it out, or give one")


def _check_measured(height_m: float | None, sigma_m: float | None) -> None:
    if height_m is None and sigma_m is None:
        return
    if height_m is None or sigma_m is None:
        raise click.UsageError("give --measured-height-m and --measured-height-sigma-m together, "
                               "or neither")
    if sigma_m > _MOST_SIGMA_SHARE * height_m:
        raise click.UsageError(
            f"--measured-height-sigma-m: {sigma_m:g} m is {sigma_m / height_m:.0%} of the height "
            f"({height_m:g} m); expected: metres, {_MOST_SIGMA_SHARE:.0%} of the height at most; "
            "if millimetres are meant, divide by 1000, else measure better")


def _readers(
    paths: tuple[Path, ...], pattern: str | None
) -> dict[str, Callable[[], StereoPair]]:
    """What reads each pair, by the name that messages call it by."""
    if len(paths) == 2 or not paths[0].is_dir():
        return {" ".join(path.name for path in paths): partial(read_pair, *paths)}
    folder = paths[0]
    if pattern is None and any(folder.glob("*.pair.json")):
        return {path.name: partial(read_pair, path) for path in find_sidecars(folder)}
    return {view.id: partial(_pair_of, view) for view in find_views(folder, pattern, singles=True)}


def _pair_of(view: ViewFiles) -> StereoPair:
    if view.left is None or view.right is None:
        there = view.left or view.right
        side = "left" if view.left is None else "right"
        raise PairError(str(there), f"has no {side} picture beside it", "both pictures of a pair",
                        "add the missing one, or take this one away")
    return read_pair(view.left, view.right)


def _laid_target(given: dict[str, Any]) -> tuple[Target, LaidAt] | None:
    """Which target lies where; None where none is asked for."""
    place = ("target_x_m", "target_y_m", "target_heading_deg")
    needed = ("board", "points", "pitch_mm", *place)
    lacking = [name for name in needed if given[name] is None]
    if all(given[name] is None for name in (*needed, "marker_mm", "dictionary")):
        return None
    if lacking:
        names = ", ".join(f"--{name.replace('_', '-')}" for name in lacking)
        raise click.UsageError(f"a target on the floor needs {names} as well")
    if given["camera_x_m"] is not None or given["camera_y_m"] is not None:
        raise click.UsageError("the target measures --camera-x-m and --camera-y-m: leave them out, "
                               "or leave out the target")
    return target_of(given), LaidAt(x_m=given[place[0]], y_m=given[place[1]],
                                    heading_deg=given[place[2]])


def _shown(
    readers: dict[str, Callable[[], StereoPair]], rig: StereoRig, matcher: MatcherName,
    laid: tuple[Target, LaidAt] | None,
) -> tuple[list[FloorPlane], list[LaidTarget], dict[str, str]]:
    """Floors, targets, and why pairs show none; an only pair raises its own error."""
    floors: list[FloorPlane] = []
    targets: list[LaidTarget] = []
    failures: dict[str, str] = {}
    stages: Counter[str] = Counter()
    for i, (name, read) in enumerate(readers.items(), start=1):
        if len(readers) > 1:
            click.echo(f"[{i}/{len(readers)}] {name}", err=True)
        stage = "cannot be read"
        try:
            pair = read()
            stage = "no flat floor"
            floor = find_floor(pair, rig, MATCHERS[matcher]())
            stage = "a target that lies otherwise than it is said to"
            target = None if laid is None else find_laid_target(pair, rig, floor, *laid)
        except HazcamError as error:
            if len(readers) == 1:
                raise
            failures[name] = str(error)
            stages[stage] += 1
            continue
        floors.append(floor)
        targets += [] if target is None else [target]
    _check_floors(floors, failures, stages)
    _check_targets(targets, failures, laid)
    return floors, targets, failures


def _check_floors(
    floors: list[FloorPlane], failures: dict[str, str], stages: Counter[str]
) -> None:
    """Raise where no pair can be used; says in which stage how many failed."""
    if floors:
        return
    counts = ", ".join(f"{stage}: {count}" for stage, count in stages.items())
    again = set(stages) == {"no flat floor"}
    raise PairError(
        "the pairs", f"none of the {len(failures)} can be used ({counts}):\n{_reasons(failures)}",
        "a pair of a flat floor", "take the pairs again" if again else "mend what each is said to "
        "lack")


def _check_targets(
    targets: list[LaidTarget], failures: dict[str, str], laid: tuple[Target, LaidAt] | None
) -> None:
    if laid is None or targets:
        return
    reasons = _reasons(failures)
    raise PairError(
        "the pairs", f"none shows the target ({laid[0].text}) in both pictures"
        + (f":\n{reasons}" if reasons else ""), "the whole target in both pictures of a pair",
        "check --board and --points, or lay the target nearer to the middle of the view")


def _reasons(failures: dict[str, str]) -> str:
    return "\n".join(textwrap.indent(f"{name}: {reason}", "  ")
                     for name, reason in failures.items())
