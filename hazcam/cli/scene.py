"""``hazcam scene``: draw scene descriptions, and render stereo pairs with their truth."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from hazcam.calibration import read_rig
from hazcam.cli import options, scene_options
from hazcam.cli.errors import user_errors
from hazcam.cli.progress import with_progress
from hazcam.errors import HazcamError
from hazcam.rover import read_rover
from hazcam.scene.description import SceneDescription
from hazcam.scene.effects import Effects
from hazcam.scene.io import check_writable, find_scenes, read_scene, write_scene
from hazcam.scene.mixtures import MIXTURES, draw_scene
from hazcam.scene.shoot import Rendering, render_scenes
from hazcam.scene.toml_form import from_table, to_table


@click.group()
def scene() -> None:
    """Scenes whose truth is known: draw descriptions, render pairs from them.

    Needs the extra `scene`.
    """


@scene.command()
@click.argument("mixture", type=click.Choice([*MIXTURES, "all"]), metavar="MIXTURE")
@scene_options.drawing
@click.option("--count", type=click.IntRange(1), default=1, show_default=True, metavar="N",
              help="Scenes of each mixture.")
@click.option("--first", type=click.IntRange(0), default=0, show_default=True, metavar="I",
              help="Index of the first one in its seed block.")
@click.option("-o", "--output", type=options.OutputFolder(), required=True, metavar="DIR",
              help="Write ID.scene.toml to DIR; a file that is there and says something else is "
                   "not overwritten.")
def new(mixture: str, count: int, first: int, output: Path, **drawing: Any) -> None:
    r"""Draw scene descriptions (TOML), complete and made to be edited.

    \b
    MIXTURE is one of
      benign    ripples, gravel and stones under 2.5 cm: nothing to stop for
      rocks     rocks by a size-frequency law, sparse to dense
      boulders  one to three rocks of 7 to 25 cm, and smaller ones
      ledge     a ledge up or down by 2 to 14 cm; now and then a wall
      pit       pits and ditches, 3 to 20 cm deep
      crater    up to three craters of 0.2 to 1 m, depth 0.06 to 0.22 of the diameter
      slope     ramps of 4 to 30 degrees, hillsides
      shadow    low sun, black shadows, and what may lie in them
      gallery   a tunnel lit by a lamp beside the cameras
      all       each of them

    The same description, rig and version of hazcam give the same pixels.
    """
    names = list(MIXTURES) if mixture == "all" else [mixture]
    with user_errors():
        for index in range(first, first + count):
            for name in names:
                click.echo(write_scene(drawn(name, index, **drawing), output))


def drawn(
    mixture: str, index: int, *, seed_block: str, sun: tuple[float, float], exact: bool,
    camera: dict[str, Any],
) -> SceneDescription:
    """Draw one scene as the options say."""
    description = draw_scene(mixture, seed_block, index, sun_deg=sun, exact=exact)
    if not camera:
        return description
    table = {**to_table(description.camera), **camera}
    for name in ("veil", "vignetting", "defocus_px", "specks"):
        if name in camera and not isinstance(camera[name], list):
            table[name] = [camera[name]] * 2  # one number is for both lenses
    for one, other in (("jpeg_quality", "jpeg2000_ratio"), ("jpeg2000_ratio", "jpeg_quality")):
        if one in camera and other not in camera:
            table.pop(other, None)  # a picture is sent in one way: the one that is asked for
    return replace(description, camera=from_table(Effects, table, "--camera"))


@scene.command()
@click.argument("scenes", nargs=-1, required=True, type=click.Path(path_type=Path),
                metavar="SCENE.toml | FOLDER...")
@scene_options.rendering()
@click.option("-o", "--output", type=options.OutputFolder(), required=True, metavar="DIR",
              help="Write pictures, sidecar and truth of each scene to DIR.")
def render(scenes: tuple[Path, ...], output: Path, **how: Any) -> None:
    """Render stereo pairs with their truth.

    For each scene DIR gets the two pictures, ID.pair.json (the sidecar), ID.truth.json with true
    cameras and obstacles, and as pictures the true elevation, what the cameras see of it, and the
    true depth of the left picture.

    A pair that is there already from the same description, rig, rover and renderer is left alone:
    an interrupted run goes on where it stopped.

    Exit status: 0 all there; 1 an input or a scene failed (the others are rendered).
    """
    with user_errors():
        paths = [found for path in scenes
                 for found in (find_scenes(path) if path.is_dir() else [path])]
        descriptions, broken = [], []
        for path in paths:
            try:
                descriptions.append(read_scene(path))
            except HazcamError as error:
                broken.append(str(error))
        render_set(descriptions, output, broken, **how)


def render_set(
    descriptions: list[SceneDescription], folder: Path, broken: Sequence[str] = (), *, rig: Path,
    rover: str, workers: int,
) -> None:
    """Render with a progress bar; say what failed (``broken`` before it began), and raise then."""
    twice = sorted(name for name, count in Counter(d.id for d in descriptions).items() if count > 1)
    if twice:
        raise HazcamError("scenes", f"more than one has the id {', '.join(twice)}",
                          "an id for each scene", "change the id in all but one of them")
    name = rover if not rover.endswith(".toml") else os.path.relpath(rover, folder)
    how = Rendering(rig=read_rig(rig), rig_file=rig, rover=read_rover(rover), rover_name=name,
                    folder=folder)
    check_writable(folder)
    failed = list(broken)
    outcomes = render_scenes(descriptions, how, workers)
    for outcome in with_progress(outcomes, len(descriptions), "rendering"):
        if outcome.failure:
            failed.append(f"{outcome.scene_id}: {outcome.failure}")
    if failed:
        count = len(descriptions) + len(broken)
        raise HazcamError(str(folder), f"{len(failed)} of {count} scenes failed: "
                          + "; ".join(failed), "scenes that can be rendered", "see each reason")
