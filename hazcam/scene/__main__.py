"""Render a set of scenes: ``python -m hazcam.scene SET -o DIR``.

``SET`` is ``sample`` (the ten pairs of ``sample_pairs/``), ``tune`` (24 scenes for tuning) or
``rigs`` (the rig files of ``calibration/``, nothing is rendered). A pair that is already complete
in ``DIR`` is skipped, so that an interrupted run goes on where it stopped; the same recipe gives
the same pixels.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from hazcam.calibration.io import write_rig
from hazcam.errors import HazcamError
from hazcam.scene.build import build, light_up, take_pair, truth_of
from hazcam.scene.io import is_complete, write_pair
from hazcam.scene.rigs import demonstration_rigs
from hazcam.scene.sets import Recipe, recipes


def render_pair(recipe: Recipe, folder: Path, rigs_folder: Path) -> None:
    """Render one pair with its truth and write it."""
    scene = build(recipe)
    stage = light_up(scene)
    shot = take_pair(scene, stage, demonstration_rigs()[recipe.rig])
    write_pair(folder, recipe, shot, truth_of(scene, stage), rigs_folder / f"{recipe.rig}.yaml")


def main(arguments: list[str] | None = None) -> int:
    """Run the module call; returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m hazcam.scene", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("set", choices=["sample", "tune", "rigs"])
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="DIR")
    parser.add_argument("--rigs", type=Path, default=Path("calibration"), metavar="DIR",
                        help="where the rig files are that the sidecars name")
    options = parser.parse_args(arguments)
    try:
        _run(options.set, options.output, options.rigs)
    except HazcamError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


def _run(name: str, folder: Path, rigs_folder: Path) -> None:
    if name == "rigs":
        for rig in demonstration_rigs().values():
            write_rig(rig, folder / f"{rig.name}.yaml")
            print(folder / f"{rig.name}.yaml")
        return
    for recipe in recipes("sample" if name == "sample" else "tune"):
        start = time.perf_counter()
        if is_complete(folder, recipe):
            print(f"{recipe.id}: already there")
            continue
        render_pair(recipe, folder, rigs_folder)
        print(f"{recipe.id}: {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    sys.exit(main())
