"""Render many scenes: one pair per process at a time, what is there already is left alone."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

from hazcam.calibration import StereoRig
from hazcam.errors import HazcamError
from hazcam.rover import RoverProfile
from hazcam.scene.build import build, light_up, take_pair
from hazcam.scene.description import SceneDescription
from hazcam.scene.io import is_rendered, pair_digest, write_pair, write_scene
from hazcam.scene.render import load_mitsuba
from hazcam.scene.truth import cast_depth, truth_of


@dataclass(frozen=True, kw_only=True, eq=False)
class Rendering:
    """What a set is rendered with.

    Attributes
    ----------
    rig, rig_file : StereoRig, Path
        The cameras, and the file that sidecars name.
    rover, rover_name : RoverProfile, str
        The rover, and what sidecars call it: a shipped name or a path as seen from ``folder``.
    folder : Path
        Where the pairs go.
    """

    rig: StereoRig
    rig_file: Path
    rover: RoverProfile
    rover_name: str
    folder: Path


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of one scene: rendered in ``seconds``, there already (0 s), or failed."""

    scene_id: str
    seconds: float
    failure: str = ""


def render_scene(description: SceneDescription, how: Rendering) -> Outcome:
    """Render one pair with its truth, unless the very pair is in the folder."""
    start = time.perf_counter()
    digest = pair_digest(description, how.rig, how.rover)
    if is_rendered(how.folder, description.id, digest):
        return Outcome(scene_id=description.id, seconds=0.0)
    load_mitsuba()
    scene = build(description, how.rover)
    stage = light_up(scene, how.rover, how.rig)
    cameras = scene.cameras(how.rig)
    shot = take_pair(scene, stage, cameras)
    write_scene(description, how.folder, overwrite=True)
    write_pair(how.folder, description, shot, truth_of(scene, stage, cameras, digest),
               cast_depth(stage, cameras), how.rig_file, how.rover_name)
    return Outcome(scene_id=description.id, seconds=time.perf_counter() - start)


def _render_or_say(description: SceneDescription, how: Rendering) -> Outcome:
    try:
        return render_scene(description, how)
    except Exception as error:  # a fault in one scene must not cost the others
        plain = isinstance(error, (HazcamError, ValueError))
        reason = str(error) if plain else repr(error)
        return Outcome(scene_id=description.id, seconds=0.0, failure=reason)


def _one_thread() -> None:
    """Leave the other cores to the other processes."""
    load_mitsuba()
    import drjit

    drjit.set_thread_count(1)


def render_scenes(
    descriptions: list[SceneDescription], how: Rendering, workers: int
) -> Iterator[Outcome]:
    """Render a set, yielding each outcome as it comes; ``workers`` of 0 means all cores."""
    load_mitsuba()  # say at once what is missing, not once per process
    count = min(workers or os.cpu_count() or 1, len(descriptions))
    if count <= 1:
        yield from (_render_or_say(d, how) for d in descriptions)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=context, initializer=_one_thread) as pool:
        try:
            futures = [pool.submit(_render_or_say, d, how) for d in descriptions]
            for future in as_completed(futures):
                yield future.result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
