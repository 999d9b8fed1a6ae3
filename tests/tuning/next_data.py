"""Trials for the tests of next trials, and a success curve that is known."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import numpy as np
from scipy.special import expit

from hazcam.campaign.record import Outcome
from hazcam.rover.profile import LimitName
from hazcam.tuning.curve import SuccessCurve, curve_of
from hazcam.tuning.likelihood import Link
from hazcam.tuning.record import Conditions, Trial, TrialGroup
from hazcam.tuning.uncertain_curve import PossibleCurves

STEP = Conditions(rover="dunlin-em", gait="tripod", ground="black sand", gravity_mps2=9.81,
                  kind="step")
HALF_M, SCALE_M = 0.046, 0.003
INTERCEPT, SLOPE = HALF_M / SCALE_M, -1 / SCALE_M


def trial(demand: float, climbed: bool, *, number: int = 1, sigma: float = 0.0,
          conditions: Conditions = STEP, simulated: bool = False, id_: str = "") -> Trial:
    outcome: Outcome = "climbed" if climbed else "stuck"
    return Trial(id=id_ or f"sand-{number:02d}", date=datetime.date(2031, 5, 12),
                 conditions=conditions, demand=demand, sigma=sigma, outcome=outcome,
                 simulated=simulated, note="", where=f"t.csv: line {number + 1}")


def group_of(rows: Sequence[tuple[float, bool]], sigma: float = 0.0,
             kind: LimitName = "step") -> TrialGroup:
    conditions = STEP._replace(kind=kind)
    return TrialGroup(conditions=conditions, simulated=False, trials=tuple(
        trial(demand, climbed, number=k + 1, sigma=sigma, conditions=conditions)
        for k, (demand, climbed) in enumerate(rows)))


def drawn_group(count: int, seed: int, sigma: float = 0.0015) -> TrialGroup:
    rng = np.random.default_rng(seed)
    height = rng.permutation(np.resize(np.arange(28, 65, 4) / 1000, count))
    climbed = rng.random(count) < expit((HALF_M - height) / SCALE_M)
    return group_of([(round(float(h), 4), bool(up)) for h, up in zip(
        np.maximum(height + rng.normal(0, sigma, count), 0.001), climbed, strict=True)], sigma)


def fitted(group: TrialGroup, reliability: float = 0.9, confidence: float = 0.9) -> SuccessCurve:
    found = curve_of(group, reliability=reliability, confidence=confidence)
    assert isinstance(found, SuccessCurve)
    return found


def known(link: Link = "logit") -> PossibleCurves:
    return PossibleCurves(link=link, intercept=np.array([[INTERCEPT]]), slope=np.array([[SLOPE]]),
                          weight=np.ones(1))
