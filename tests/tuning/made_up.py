"""Made-up trials, as tests of curves want them."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence

import numpy as np
from scipy.special import expit

from hazcam.campaign.record import Outcome
from hazcam.frames import Floats
from hazcam.rover.profile import LimitName
from hazcam.tuning.record import Conditions, Trial, TrialGroup, TrialTable
from hazcam.tuning.table import write_trials_text

FAILURES: tuple[Outcome, ...] = ("stuck", "slipped", "tipped", "belly-hung")
FIRST_DAY = datetime.date(2031, 5, 12)


def conditions(kind: LimitName = "step", ground: str = "black sand") -> Conditions:
    return Conditions(rover="dunlin-em", gait="tripod", ground=ground, gravity_mps2=9.81, kind=kind)


def group_of(
    demand: Sequence[float] | Floats, climbed: Sequence[bool] | Sequence[int], *,
    sigma: float = 0.0, simulated: bool = False, days: int = 3, kind: LimitName = "step",
    ground: str = "black sand",
) -> TrialGroup:
    """A trial for each demand; each fourth failure has an outcome of its own."""
    word = "s" if simulated else "w"
    return TrialGroup(
        conditions=conditions(kind, ground), simulated=simulated, trials=tuple(
            Trial(id=f"{word}-{ground}-{kind}-{n:03d}", conditions=conditions(kind, ground),
                  date=FIRST_DAY + datetime.timedelta(days=n % days), demand=float(value),
                  sigma=sigma, outcome="climbed" if up else FAILURES[n % 4], simulated=simulated,
                  note="", where=f"made-up: line {n + 2}")
            for n, (value, up) in enumerate(zip(demand, climbed, strict=True))))


def drawn(
    seed: int, count: int = 40, *, half: float = 0.046, scale: float = 0.003,
    span: tuple[float, float] = (0.028, 0.064), simulated: bool = False, sigma: float = 0.0,
    kind: LimitName = "step",
) -> TrialGroup:
    """Trials at even demands, from a logistic curve."""
    demand = np.linspace(*span, count)
    up = np.random.default_rng(seed).random(count) < expit((half - demand) / scale)
    return group_of(demand, [bool(u) for u in up], simulated=simulated, sigma=sigma, kind=kind)


def table_of(*groups: TrialGroup) -> TrialTable:
    trials = tuple(trial for group in groups for trial in group.trials)
    return TrialTable(name="made-up.csv", digest="0" * 64, trials=trials)


def csv_of(groups: Iterable[TrialGroup]) -> bytes:
    return write_trials_text(trial for group in groups for trial in group.trials).encode()
