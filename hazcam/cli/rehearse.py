"""``hazcam rehearse``: the whole chain on scenes whose truth is known, scored by both mistakes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from os import cpu_count
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

import hazcam
from hazcam.calibration import StereoRig, read_rig
from hazcam.calibration.io import write_rig
from hazcam.cli import options, scene_options
from hazcam.cli.errors import user_errors
from hazcam.cli.progress import saying_what_is_compiled, with_progress
from hazcam.cli.scene import drawn, render_set
from hazcam.errors import HazcamError
from hazcam.imagery import find_sidecars, read_sidecar
from hazcam.report.record import Record
from hazcam.report.rehearsal_page import rehearsal_page
from hazcam.report.rehearsal_record import rehearsal_record
from hazcam.report.rehearsal_text import rehearsal_text
from hazcam.rover import RoverProfile, read_rover
from hazcam.scene.io import TruthError, check_writable, read_seed, truth_path
from hazcam.scene.mixtures import MIXTURES
from hazcam.scene.rehearsal.compare import Comparison, compare, unlike
from hazcam.scene.rehearsal.files import (
    read_record,
    read_rows,
    write_page,
    write_record,
    write_rows,
)
from hazcam.scene.rehearsal.ledger import (
    Run,
    append_run,
    block_of_set,
    code_digest,
    commit_of,
    is_fresh,
    is_report_block,
    set_digest,
)
from hazcam.scene.rehearsal.record import Plan, SceneScore, Sensor
from hazcam.scene.rehearsal.run import score_set
from hazcam.scene.rehearsal.score import score_pair
from hazcam.scene.rehearsal.tables import Summary, summarise
from hazcam.scene.rigs import moved_rig
from hazcam.warm import warm_up

_LEDGER = Path("tests/benchmarks/ledger.csv")
_OF_PACKAGE = Path(hazcam.__file__).parents[1] / _LEDGER  # in a clone
_Other = tuple[list[SceneScore], Record]
_ABOVE_0 = click.FloatRange(0, min_open=True)


@click.command()
@scene_options.rendering(required=False)
@click.option("--set", "given_set", type=click.Path(path_type=Path), metavar="DIR",
              help="Score a rendered set with its truth instead of rendering one.")
@click.option("--mixture", "mixtures", multiple=True, type=click.Choice(list(MIXTURES)),
              metavar="NAME",
              help=f"{', '.join(MIXTURES)}; may be given several times.  [default: all]")
@click.option("--count", type=click.IntRange(1), default=3, show_default=True, metavar="N",
              help="Scenes of each mixture.")
@scene_options.drawing
@click.option("--mount-height-m", type=_ABOVE_0, callback=options.finite, metavar="M",
              help="Move the cameras of the rig to this height, to try another mount.")
@click.option("--baseline-m", type=_ABOVE_0, callback=options.finite, metavar="M",
              help="Move the cameras of the rig so far apart, to try another baseline.")
@click.option("--limits-m", callback=scene_options.parse_lengths, default="0.04,0.06,0.08",
              show_default=True, metavar="M,M,...",
              help="Step, drop and belly limits, set together.")
@click.option("--look-aheads-m", callback=scene_options.parse_lengths, default="0.6,1.0,1.5",
              show_default=True, metavar="M,M,...", help="Look-aheads, from the nose.")
@click.option("--confidence", callback=options.finite, type=click.FloatRange(0.5, 1, max_open=True),
              default=0.99, show_default=True, metavar="P",
              help="With which a demand must lie under its limit, one-sided.")
@options.matcher
@click.option("--depth", type=click.Choice(["matched", "truth", "both"]), default="both",
              show_default=True,
              help="Disparities as the matcher finds them, those of the rendered depth (the ideal "
                   "sensor: what no matcher can better), or one beside the other.")
@click.option("--against", type=click.Path(path_type=Path), metavar="DIR",
              help="Compare with another rehearsal of the same scenes, pair by pair.")
@click.option("--ledger", type=click.Path(path_type=Path), metavar="FILE",
              help="Where a run of a report block is noted.  [default: "
                   f"{_LEDGER} of the clone that hazcam runs from, or below the current folder, "
                   "where there is one; else DIR/ledger.csv, which cannot tell what is fresh]")
@click.option("-o", "--output", type=options.OutputFolder(), required=True, metavar="DIR",
              help="Write rehearsal.html, rehearsal.json and rows.csv to DIR; scenes and scores "
                   "are kept in DIR/scenes and DIR/scores.")
def rehearse(output: Path, **given: Any) -> None:
    """Rehearse verdicts on rendered scenes and count both mistakes.

    Each scene is rendered through the rig, assessed, and judged heading by heading against its
    truth: `blocked` (something of at least 1.15 times a limit is in the way), `free` (every true
    demand is at most 0.70 of its limit), or neither. A false go is `go` into what is blocked; a
    needless ask is `ask-ground` where it is free.

    An interrupted run goes on where it stopped. With --set or the same options nothing is
    rendered twice. Figures to be quoted come from a report block (--seed-block report-N) that was
    never run before; the ledger tells. A run that is stopped before its end is not noted there.

    Exit status: 0 done, whatever the figures; 1 an input failed, or a scene could not be scored
    (the others are); 2 wrong usage; 130 interrupted. A pair that cannot be assessed is scored: as
    `ask-ground` in every heading.
    """
    _check_usage(given)
    with user_errors():
        other = _other(given["against"])
        check_writable(output)
        folder = given["given_set"] or _render(output, given)
        sidecars = find_sidecars(folder)
        block = block_of_set(list(_seeds(sidecars)), folder.resolve().name)
        ledger, fresh = _ledger(given, output, block)
        rover = read_rover(given["rover"] or _rover_of(sidecars))
        plan = _plan(given)
        with saying_what_is_compiled():
            warm_up()  # once here, not once in each process
        scores = list(with_progress(
            score_set(sidecars, plan, rover, output, given["workers"] or cpu_count() or 1,
                      score_pair),
            len(sidecars), "scoring"))
        scored = _scored(folder, sidecars, scores)
        summary = summarise(scores, plan)
        run = _run(block, fresh, read_rig(read_sidecar(scored).rig), rover, scores)
        comparison, uncompared = _compared(scores, rehearsal_record(run, summary), other)
        _write(output, run, summary, scores, rover, sidecars, comparison, given["against"])
        if is_report_block(block):
            append_run(ledger, run, summary)
        click.echo(rehearsal_text(run, summary, comparison), nl=False)
        click.echo(f"results are in {output}; open {output / 'rehearsal.html'}", err=True)
        _raise_failures(folder, summary, uncompared)


def _check_usage(given: dict[str, Any]) -> None:
    if given["given_set"] is None:
        lacking = [f"--{name}" for name in ("rig", "rover") if given[name] is None]
        if lacking:
            raise click.UsageError(f"rendering needs {' and '.join(lacking)}; or give --set DIR")
        return
    asked = click.get_current_context().get_parameter_source
    drawn_by = {"rig": "--rig", "mixtures": "--mixture", "count": "--count",
                "seed_block": "--seed-block", "sun": "--sun", "exact": "--exact",
                "camera": "--camera", "mount_height_m": "--mount-height-m",
                "baseline_m": "--baseline-m"}
    unused = [option for name, option in drawn_by.items()
              if asked(name) == ParameterSource.COMMANDLINE]
    if unused:
        raise click.UsageError(f"{' and '.join(unused)} would change what is rendered; a set "
                               "that is there (--set) is taken as it is")


def _render(output: Path, given: dict[str, Any]) -> Path:
    """Draw and render what is not there yet; returns the folder of the set."""
    rig = _rig(output, given)
    names = given["mixtures"] or tuple(MIXTURES)
    drawing = {name: given[name] for name in ("seed_block", "sun", "exact", "camera")}
    scenes = [drawn(name, index, **drawing) for index in range(given["count"]) for name in names]
    folder = output / "scenes"
    render_set(scenes, folder, rig=rig, rover=given["rover"], workers=given["workers"])
    _refuse_others(folder, {scene.id for scene in scenes})
    return folder


def _refuse_others(folder: Path, wanted: set[str]) -> None:
    """A set is what was asked for, not what an earlier call left in its folder."""
    there = {path.name.removesuffix(".pair.json") for path in find_sidecars(folder)}
    if there > wanted:
        raise HazcamError(
            str(folder), f"holds {len(there - wanted)} scenes of another call "
            f"({sorted(there - wanted)[0]}, ...)", "only the scenes that were asked for",
            "give another folder with -o, or score all that is there with --set")


def _rig(output: Path, given: dict[str, Any]) -> Path:
    """The rig file; one with moved cameras is written to the output folder."""
    if given["mount_height_m"] is None and given["baseline_m"] is None:
        return Path(given["rig"])
    rig = read_rig(given["rig"])
    if rig.mount is None:
        raise HazcamError(str(given["rig"]), "the rig has no mount on a rover",
                          "where the cameras are", "add mount_R and mount_t to the rig file")
    moved = moved_rig(rig, height_m=given["mount_height_m"], baseline_m=given["baseline_m"])
    output.mkdir(parents=True, exist_ok=True)
    path = output / f"{moved.name}.yaml"
    write_rig(moved, path)
    return path


def _plan(given: dict[str, Any]) -> Plan:
    sensors: dict[str, tuple[Sensor, ...]] = {
        "matched": ("matched",), "truth": ("ideal",), "both": ("matched", "ideal")}
    return Plan(limits_m=given["limits_m"], look_aheads_m=given["look_aheads_m"],
                confidence=given["confidence"], sensors=sensors[given["depth"]],
                matcher=given["matcher"])


# --- block and ledger -----------------------------------------------------------------------------


def _seeds(sidecars: Sequence[Path]) -> Iterator[tuple[int, ...]]:
    """Seeds of the scenes; one without a truth will fail, and belongs to no block."""
    for path in sidecars:
        try:
            yield read_seed(truth_path(path))
        except TruthError:
            continue  # scoring says what is wrong with it


def _ledger(given: dict[str, Any], output: Path, block: str) -> tuple[Path, bool]:
    """The ledger, and whether it tells that the block is fresh; found out before any work."""
    shared = next((path for path in (_OF_PACKAGE, _LEDGER) if path.is_file()), None)
    ledger = given["ledger"] or shared or output / "ledger.csv"
    if not is_report_block(block):
        return ledger, False
    check_writable(ledger.parent)
    new = is_fresh(ledger, block)
    # the one that lies with these results knows of no other run
    return ledger, new and (given["ledger"] is not None or shared is not None)


def _run(
    block: str, fresh: bool, rig: StereoRig, rover: RoverProfile, scores: Sequence[SceneScore]
) -> Run:
    return Run(
        date=datetime.now(UTC).isoformat(timespec="seconds"), commit=commit_of(),
        hazcam=hazcam.__version__, code_digest=code_digest(), block=block,
        set_digest=set_digest(scores), rig=rig.name, rig_digest=rig.digest, rover=rover.name,
        rover_digest=rover.digest, fresh=fresh)


# --- what failed ----------------------------------------------------------------------------------


def _rover_of(sidecars: Sequence[Path]) -> str:
    """The rover of the first sidecar that can be read; the error of the first if none can."""
    for path in sidecars:
        try:
            return read_sidecar(path).rover
        except HazcamError:
            continue  # scoring says what is wrong with it
    return read_sidecar(sidecars[0]).rover


def _scored(folder: Path, sidecars: Sequence[Path], scores: Sequence[SceneScore]) -> Path:
    """The first sidecar that could be scored."""
    for path, score in zip(sidecars, scores, strict=True):
        if score.rows:
            return path
    first = scores[0]
    raise HazcamError(str(folder), f"no scene could be scored; {first.pair}: {first.failure}",
                      "rendered scenes with their truth", "mend what the reason names")


def _other(folder: Path | None) -> _Other | None:
    return None if folder is None else (read_rows(folder / "rows.csv"), read_record(folder))


def _compared(
    scores: Sequence[SceneScore], record: Record, other: _Other | None
) -> tuple[Comparison | None, HazcamError | None]:
    """The comparison, or why there is none: what was scored is written in any case."""
    if other is None:
        return None, None
    rows, other_record = other
    try:
        return compare(scores, rows, unlike(record, other_record)), None
    except HazcamError as error:
        return None, error


def _raise_failures(folder: Path, summary: Summary, uncompared: HazcamError | None) -> None:
    failed = [failure for failure in summary.failures if not failure.scored]
    if not failed:
        if uncompared is not None:
            raise uncompared
        return
    if uncompared is not None:
        click.echo(f"not compared: {uncompared}", err=True)
    raise HazcamError(
        str(folder), f"{len(failed)} of {summary.scenes} scenes could not be scored: "
        + "; ".join(f"{failure.pair}: {failure.reason}" for failure in failed),
        "rendered scenes with their truth", "see each reason; what is scored is kept")


def _write(
    output: Path, run: Run, summary: Summary, scores: Sequence[SceneScore], rover: RoverProfile,
    sidecars: Sequence[Path], comparison: Comparison | None, against: Path | None,
) -> None:
    write_rows(output, scores)
    write_record(output, rehearsal_record(run, summary, comparison))
    by_name = {path.name.removesuffix(".pair.json"): path for path in sidecars}
    write_page(output, rehearsal_page(run, summary, scores, rover=rover, sidecars=by_name,
                                      comparison=comparison, against=str(against or "")))
