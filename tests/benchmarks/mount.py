"""How well `calibrate mount` finds height, pitch and roll: random mounts over rendered floors.

``python -m tests.benchmarks.mount [--mounts 60] [--first 1000]``: for the shipped ideal and raw
rig, random heights, pitches, rolls, textures and noise; prints the errors and the share within 1,
2, 3 sigma.
Seeded: the same numbers for everyone. The sigmas were set on the mounts from 0 on: quote others.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from hazcam.calibration import read_rig
from hazcam.disparity import CensusMatcher
from hazcam.errors import PairError
from hazcam.floor import FloorPlane, find_floor
from hazcam.frames import Floats
from tests.floors import floor_pair, mounted

_ROOT = Path(__file__).parents[2]
_RIGS = ("dunlin-em", "dunlin-em-raw")
_NAMES = ("height", "pitch", "roll")
_UNITS = (("mm", 1000.0), ("deg", 1.0), ("deg", 1.0))


def one(rig_name: str, seed: int) -> tuple[Floats, Floats, FloorPlane]:
    """Errors and sigmas of (height [m], pitch [deg], roll [deg]) for one random mount."""
    rng = np.random.default_rng([seed, 77])
    true = np.array([rng.uniform(0.12, 0.40), rng.uniform(8.0, 40.0), rng.uniform(-8.0, 8.0)])
    rig = mounted(read_rig(_ROOT / "calibration" / f"{rig_name}.yaml"), height_m=true[0],
                  pitch_deg=true[1], roll_deg=true[2], yaw_deg=rng.uniform(-5, 5))
    pair = floor_pair(rig, seed=int(rng.integers(1, 5)), noise_grey=rng.uniform(0.5, 3.0))
    floor = find_floor(pair, rig, CensusMatcher())
    found = np.array([floor.height_m, floor.pitch_deg, floor.roll_deg])
    return found - true, np.sqrt(np.diag(floor.covariance)), floor


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mounts", type=int, default=60)
    parser.add_argument("--first", type=int, default=1000, help="number of the first mount")
    given = parser.parse_args()
    for rig_name in _RIGS:
        found, refused = [], 0
        for seed in range(given.first, given.first + given.mounts):
            try:
                found.append(one(rig_name, seed))
            except PairError as error:
                refused += 1
                print(f"{rig_name} {seed}: {error}")
        _print(rig_name, found, refused)


def _print(rig_name: str, found: list[tuple[Floats, Floats, FloorPlane]], refused: int) -> None:
    errors, sigmas = (np.array([row[i] for row in found]) for i in range(2))
    print(f"{rig_name}: {len(found)} mounts, {refused} refused; largest bow "
          f"{max(f.bow_px for _, _, f in found):.3f} px, most off "
          f"{max(f.off for _, _, f in found):.2%}")
    for i, (name, (unit, scale)) in enumerate(zip(_NAMES, _UNITS, strict=True)):
        ratio = np.abs(errors[:, i] / sigmas[:, i])
        within = ", ".join(f"{np.mean(ratio <= k):.0%} within {k}" for k in (1, 2, 3))
        print(f"  {name:7s} rms {scale * np.sqrt(np.mean(errors[:, i] ** 2)):.3f}, mean "
              f"{scale * errors[:, i].mean():+.3f}, largest "
              f"{scale * np.abs(errors[:, i]).max():.3f} {unit}; median sigma "
              f"{scale * np.median(sigmas[:, i]):.3f}; {within} sigma")


if __name__ == "__main__":
    main()
