"""Does a pair with less to see ever get more allowed?

    python -m tests.benchmarks.blanking --set DIR [--seeds N]

DIR holds rendered pairs (`hazcam rehearse -o DIR` keeps them in DIR/scenes). In each pair seeded
regions of the left picture are set to black, as lost data is: squares as large in the picture as
the smallest obstacle that matters, 4 cm, is at the ground there, or up to four times as large.
References (local ground, planes) are fitted anew. Counted are the headings, at limits of 4, 6 and
8 cm and a look-ahead of 1 m with their own strip, that asked before and are `go` after, each with
what it asked about before. Seeds and places depend on the name of the pair alone.
"""

from __future__ import annotations

import argparse
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hazcam import pair_from_arrays, read_pair, read_rig, read_rover
from hazcam.assess import Assessment, assess_pair, rig_causes
from hazcam.errors import HazcamError
from hazcam.imagery import StereoPair, read_sidecar
from hazcam.rover import with_limits
from hazcam.settings import Settings
from hazcam.verdict import HeadingVerdict, decide

LIMITS_M = (0.04, 0.06, 0.08)
SMALLEST_M = 0.04
_HEADINGS = tuple(float(h) for h in range(-15, 16, 5))
Verdicts = dict[tuple[float, float], HeadingVerdict]


class Flip(NamedTuple):
    """A heading that asked before a region was blanked and is `go` after."""

    pair: str
    seed: int
    heading_deg: float
    limit_m: float
    asked_about: str


def verdicts_of(found: Assessment) -> Verdicts:
    """By heading and limit."""
    causes = () if found.epipolar is None else rig_causes(found.epipolar)
    limits = {m: with_limits(found.rover, dict.fromkeys(("step", "drop", "belly"), m)).limits
              for m in LIMITS_M}
    return {(d.heading_deg, m): decide(d, limits[m], 0.99, pair_causes=causes)
            for d in found.demands for m in LIMITS_M}


def blanked(pair: StereoPair, found: Assessment, rng: np.random.Generator) -> StereoPair | None:
    """The pair with one region of its left picture black; None where no ground is in view."""
    if pair.left is None or found.points is None:
        return None
    depth = found.points.depth_m
    rows, columns = np.nonzero(np.isfinite(depth) & (depth < 1.6))
    if not rows.size:
        return None
    i = int(rng.integers(rows.size))
    side = int(np.ceil(found.points.camera.focal_px * SMALLEST_M / depth[rows[i], columns[i]]
                       * rng.uniform(1.0, 4.0)))
    left: NDArray[np.generic] = pair.left.copy()
    top, first = max(rows[i] - side // 2, 0), max(columns[i] - side // 2, 0)
    left[top:top + side, first:first + side] = 0
    return pair_from_arrays(left, pair.right, id=pair.id, attitude=pair.attitude,
                            window=pair.window, binning=pair.binning)


def flips_of(sidecar: Path, seeds: int) -> Iterator[tuple[int, list[Flip]]]:
    """Headings that asked, and those of them that flipped, for each seed of a pair."""
    about = read_sidecar(sidecar)
    pair, rig, rover = read_pair(sidecar), read_rig(about.rig), read_rover(about.rover)
    settings = Settings(headings_deg=_HEADINGS, near_strip_max_m=1.0)
    found = assess_pair(pair, rig, rover, settings)
    before = verdicts_of(found)
    for seed in range(seeds):
        less = blanked(pair, found, np.random.default_rng([zlib.crc32(pair.id.encode()), seed]))
        if less is None:
            continue
        after = verdicts_of(assess_pair(less, rig, rover, settings))
        asked = [key for key, v in before.items() if v.verdict == "ask-ground"]
        yield len(asked), [Flip(pair.id, seed, *key, before[key].causes[0].text)
                           for key in asked if after[key].verdict == "go"]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", type=Path, required=True, help="folder of a rehearsal")
    parser.add_argument("--seeds", type=int, default=4, help="regions per pair")
    args = parser.parse_args()
    folder = args.set / "scenes" if (args.set / "scenes").is_dir() else args.set
    asked, flips, failed = 0, list[Flip](), 0
    for sidecar in sorted(folder.glob("*.pair.json")):
        try:
            for count, found in flips_of(sidecar, args.seeds):
                asked += count
                flips += found
        except HazcamError:
            failed += 1  # a pair that cannot be assessed asks, blanked or not
    for flip in flips:
        print(f"{flip.pair}, region {flip.seed}, {flip.heading_deg:+g} deg, "
              f"{100 * flip.limit_m:g} cm: {flip.asked_about}")
    share = 100 * len(flips) / max(asked, 1)
    print(f"{len(flips)} of {asked} asks turned into go ({share:.3f} %); "
          f"{failed} pairs could not be assessed")


if __name__ == "__main__":
    main()
