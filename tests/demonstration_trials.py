"""The table of made-up trials that ships: ``python -m tests.demonstration_trials sample_pairs``.

Nobody walked them. They are drawn from a stated success curve, so that what is fitted to them can
be held against it. Ladder, repeats, days and seed were chosen before the first draw.
"""

from __future__ import annotations

import datetime
import sys
from pathlib import Path

import numpy as np
from scipy.special import expit

from hazcam.campaign.record import Outcome
from hazcam.tuning.record import Conditions, Trial
from hazcam.tuning.table import write_trials_text

NAME = "black-sand.trials.csv"
SEED = 36
CONDITIONS = Conditions(rover="dunlin-em", gait="tripod", ground="black sand", gravity_mps2=9.81,
                        kind="step")
HALF_M, SCALE_M = 0.046, 0.0030
"""Height climbed by one rover in two, and the scale of the logistic curve."""
LADDER_M = np.arange(28, 61, 4) / 1000
REPEATS, DAYS = 4, 3
SIGMA_M = 0.0015
FIRST_DAY = datetime.date(2031, 5, 12)
FAILURES: tuple[tuple[Outcome, float], ...] = (("stuck", 0.7), ("slipped", 0.2),
                                               ("belly-hung", 0.1))


def trials() -> list[Trial]:
    """All of them, in the order in which they would have been walked."""
    rng = np.random.default_rng(SEED)
    height_m = rng.permutation(np.repeat(LADDER_M, REPEATS))
    climbed = rng.random(len(height_m)) < expit((HALF_M - height_m) / SCALE_M)
    measured_m = height_m + rng.normal(0, SIGMA_M, len(height_m))
    failures = rng.choice(len(FAILURES), len(height_m), p=[share for _, share in FAILURES])
    a_day = len(height_m) // DAYS
    return [Trial(
        id=f"sand-{n + 1:02d}", date=FIRST_DAY + datetime.timedelta(days=n // a_day),
        conditions=CONDITIONS, demand=round(float(measured_m[n]), 4), sigma=SIGMA_M,
        outcome="climbed" if climbed[n] else FAILURES[failures[n]][0], simulated=False,
        note="made up", where=f"{NAME}: line {n + 2}") for n in range(len(height_m))]


def main(folder: Path) -> None:
    """Write the table into a folder."""
    (folder / NAME).write_bytes(write_trials_text(trials()).encode())


if __name__ == "__main__":
    main(Path(sys.argv[1]))
