"""``hazcam calibrate solve``: both cameras of a rig from pictures of a target."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

import hazcam
from hazcam import report
from hazcam.calibration.checks import rig_digest
from hazcam.calibration.detect import eight_bit, what_else_is_there
from hazcam.calibration.noise import typical_noise
from hazcam.calibration.observe import observe_all
from hazcam.calibration.rig import LensModel
from hazcam.calibration.solution import RigSolution
from hazcam.calibration.solve import MODELS, solve_rig
from hazcam.calibration.target import Target
from hazcam.calibration.views import TargetView
from hazcam.cli import options
from hazcam.cli.calibrate.options import target_of, target_options
from hazcam.cli.calibrate.pictures import (
    ViewPictures,
    find_views,
    pair_pattern,
    read_views,
)
from hazcam.cli.errors import user_errors
from hazcam.cli.job import relative_to
from hazcam.errors import CalibrationError
from hazcam.imagery.arrays import check_id, pair_digest

_ASKED = 4  # pictures that are searched for what else may be there


@click.command()
@click.argument("source", type=click.Path(path_type=Path), metavar="FOLDER | LIST.csv")
@target_options
@pair_pattern
@click.option("--singles", is_flag=True,
              help="Pictures without a partner are used for their own camera.")
@click.option("--model", type=click.Choice(MODELS),
              help="Lens model: Brown-Conrady with 5 numbers, fisheye with 4, or rational with 8. "
                   "By default the one that foretells left-out views best.")
@click.option("--half-window-px", type=click.IntRange(2, 30), metavar="PX",
              help="Half of the window in which corners are refined. By default it follows from "
                   "the spacing of the corners in each picture.")
@click.option("--keep-outliers", is_flag=True,
              help="Use views, too, that do not fit the others, to repeat a calibration that did.")
@click.option("--name", metavar="NAME", default="rig", show_default=True,
              help="Of the rig and of its file.")
@click.option("-o", "--output", type=options.OutputFolder(), metavar="DIR",
              help="Write NAME.yaml (the rig), calibration.json and calibration.html to DIR. "
                   "Without it nothing is written.")
@click.option("--json", "as_json", is_flag=True, help="Print the full record instead of the text.")
def solve(
    source: Path, pattern: str | None, singles: bool, model: LensModel | None,
    half_window_px: int | None, keep_outliers: bool, name: str, output: Path | None,
    as_json: bool, **given: Any,
) -> None:
    """Solve both cameras of a rig, and how they stand to each other, from pictures of a target.

    Give a folder with pairs of pictures, or a CSV list with the header left,right: 5 different
    pairs at least, better 15 to 20, with the target near and far, tilted both ways, and in every
    corner of both pictures. How good the result is, is told by views that were left out in turn:
    how far corners lie off their rows, and how long the edges of the target come out. Says of each
    view what became of it, of each number how well it is known, and what to photograph next.

    The baseline, and with it all ranges, is as right as --pitch-mm: measure the printed squares.

    Exit status: 0 solved, however good; 1 no calibration comes of the pictures; 2 wrong usage.
    """
    target = target_of(given)
    with user_errors():
        check_id(name, "--name")
        views = read_views(find_views(source, pattern, singles=singles), source)
        observed = _observed(views, target, half_window_px)
        _refuse_nothing_found(observed, views, target, source)
        found = solve_rig(observed, target, views.size, model=model,
                          name=name, where=str(source), keep_outliers=keep_outliers)
        found = _with_noise_and_provenance(found, views, source, half_window_px)
        inputs = {"source": relative_to(source, output or Path.cwd()), "pair": pattern,
                  "singles": singles, "model": model, "half_window_px": half_window_px,
                  "keep_outliers": keep_outliers, "pictures_digest": _digest(views)}
        record = (report.calibration_record(found, inputs=inputs) if output is None else
                  report.write_calibration(found, _by_name(views), output, inputs))
    click.echo(report.to_json(record) if as_json else report.calibration_text(record), nl=False)
    if output is not None:
        click.echo(f"the rig is {output / f'{name}.yaml'}; open {output / 'calibration.html'}",
                   err=True)


def _observed(
    views: ViewPictures, target: Target, half_window_px: int | None
) -> list[TargetView]:
    """The target in every picture, by all corner methods."""
    paths = list(views.pictures)
    found = dict(zip(paths, observe_all(list(views.pictures.values()), target, half_window_px),
                     strict=True))
    observed = []
    for files in views.files:
        left, right = (None if path is None else found[path] for path in (files.left, files.right))
        methods = {m for one in (left, right) if one is not None for m in one.again}
        observed.append(TargetView(
            id=files.id, left=None if left is None else left.found,
            right=None if right is None else right.found,
            left_name=views.name(files.left), right_name=views.name(files.right),
            again={m: (None if left is None else left.again.get(m),
                       None if right is None else right.again.get(m)) for m in methods}))
    return observed


def _refuse_nothing_found(
    observed: list[TargetView], views: ViewPictures, target: Target, source: Path
) -> None:
    """Where no picture shows the target, say what the first ones show instead."""
    if any(v.left is not None or v.right is not None for v in observed):
        return
    seen = [what for picture in list(views.pictures.values())[:_ASKED]
            if (what := what_else_is_there(picture, target)) is not None]
    raise CalibrationError(
        str(source), f"the target is found in none of {len(views.pictures)} pictures"
        + (f"; {seen[0]}" if seen else ""), target.text,
        "correct --board, --points and --pitch-mm, or check focus and light of the pictures",
    )


def _with_noise_and_provenance(
    found: RigSolution, views: ViewPictures, source: Path, half_window_px: int | None
) -> RigSolution:
    """The rig with the noise of its pixels, where the pictures tell it, and where it came from."""
    noise = None if views.lossy else typical_noise(list(views.pictures.values()))
    epipolar = found.held_out.epipolar_px
    provenance = {
        "origin": f"hazcam {hazcam.__version__} calibrate solve, from {source.name}",
        "target": found.target.text, "lens_model": f"{found.rig.model}, {found.choice}",
        "corner_window": ("by the spacing of the corners" if half_window_px is None
                          else f"half window of {half_window_px} px"),
        "pictures_digest": _digest(views),
        "views_used": len(found.used), "views_given": len(found.views),
        "held_out_row_offset_px": float(abs(epipolar).mean()),
        "held_out_edge_bias": float(found.held_out.edges.mean() - 1),
        "noise": ("not stated: compressed pictures hide it" if noise is None
                  else "typical of the target pictures"),
        "verdict": found.verdict,
    }
    rig = replace(found.rig, provenance=provenance,
                  read_noise=None if noise is None else noise.read_grey,
                  noise_gain=None if noise is None else noise.gain_grey)
    return replace(found, rig=replace(rig, digest=rig_digest(rig)))


def _digest(views: ViewPictures) -> str:
    """SHA-256 over the pictures of all views, in their order."""
    digest = hashlib.sha256()
    for files in views.files:
        pair = (None if path is None else views.pictures[path]
                for path in (files.left, files.right))
        digest.update(pair_digest(*pair).encode())
    return digest.hexdigest()


def _by_name(views: ViewPictures) -> dict[str, Any]:
    return {views.name(path): eight_bit(picture) for path, picture in views.pictures.items()}
