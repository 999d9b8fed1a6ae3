"""Peak memory of one match, to be run in a process of its own.

python -m tests.benchmarks.matching.memory WIDTH HEIGHT DISPARITIES

prints the peak before and after the match, in MB.
"""

from __future__ import annotations

import resource
import sys

import numpy as np

from tests.benchmarks.matching.matchers import OURS, call, prepared
from tests.benchmarks.matching.scenes import Picture

_SHIFT_PX = 20


def shifted_noise(width: int, height: int) -> tuple[Picture, Picture]:
    """A pair that takes no memory to make but its own."""
    right = np.random.default_rng(1).integers(20, 230, (height, width), dtype=np.uint8)
    return np.roll(right, _SHIFT_PX, axis=1), right


def peak_mb() -> float:
    """Peak resident memory of this process so far. [MB]"""
    per_mb = 2**20 if sys.platform == "darwin" else 2**10  # bytes there, kilobytes on Linux
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / per_mb


def main() -> None:
    """Match once and print."""
    width, height, disparities = (int(word) for word in sys.argv[1:])
    left, right = shifted_noise(width, height)
    given = prepared(left, right, disparities)
    before = peak_mb()
    call(OURS, *given)
    print(f"{before:.0f} {peak_mb():.0f}")


if __name__ == "__main__":
    main()
