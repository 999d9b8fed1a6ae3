"""Headings of made-up ground, as if a limit had been swept over a run."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.special import expit, ndtr

from hazcam.campaign.record import Outcome
from hazcam.frames import Floats
from hazcam.tuning.curve import SuccessCurve, curve_of
from hazcam.tuning.headings import RunHeadings, Walk
from hazcam.tuning.record import Conditions, Trial, TrialGroup
from hazcam.tuning.sweep import RunSweep
from hazcam.tuning.tradeoff import Headings

CONDITIONS = Conditions(rover="dunlin-em", gait="tripod", ground="black sand", gravity_mps2=9.81,
                        kind="step")
VALUES = np.round(np.arange(101) * 1e-3, 6)
"""Of the limit. [m]"""
HALF_M, SCALE_M = 0.045, 0.003
"""Of the legs: where half climb, and how fast that falls."""


def climbs(demand: Floats) -> Floats:
    """The true chance to climb."""
    return np.asarray(expit((HALF_M - demand) / SCALE_M))


def safe_m(reliability: float) -> float:
    """The demand that is climbed with it."""
    return float(HALF_M - SCALE_M * np.log(reliability / (1 - reliability)))


def trial(number: int | str, demand: float, outcome: Outcome, day: int = 1) -> Trial:
    return Trial(id=str(number), date=datetime.date(2031, 5, day), conditions=CONDITIONS,
                 demand=demand, sigma=0.0, outcome=outcome, simulated=False, note="", where="made")


def walked(seed: int, count: int = 40, ids: Sequence[str] = (), days: int = 4) -> TrialGroup:
    """Trials of the legs, the demands known exactly, in turn on each of some days."""
    rng = np.random.default_rng(seed)
    demand = rng.uniform(0.02, 0.065, count)
    outcome = np.where(rng.random(count) < climbs(demand), "climbed", "stuck")
    return TrialGroup(conditions=CONDITIONS, simulated=False, trials=tuple(
        trial(ids[i] if ids else i, float(demand[i]), outcome[i], 1 + i % days)
        for i in range(count)))


def curve(
    group: TrialGroup, *, reliability: float = 0.95, confidence: float = 0.95
) -> SuccessCurve:
    found = curve_of(group, reliability=reliability, confidence=confidence)
    assert isinstance(found, SuccessCurve)
    return found


def headings(
    least: Any, beyond: Any, cluster: Any, *, bound: Any = None, failing: Any = None
) -> Headings:
    """As given; the bound and the chance to fail are as ``beyond`` unless said."""
    chance = np.asarray(beyond, dtype=np.float64)
    return Headings(
        least=np.asarray(least, dtype=np.int64), beyond=chance, cluster=np.asarray(cluster),
        beyond_bound=chance if bound is None else np.asarray(bound, dtype=np.float64),
        failing=chance if failing is None else np.asarray(failing, dtype=np.float64))


def of_demands(
    demand: Floats, cluster: Any, *, height: float, low: float, sigma: float = 0.0,
    values: Floats = VALUES,
) -> Headings:
    """Headings that go where their demand, measured with sigma, is surely under the limit."""
    shown = demand + 2.33 * sigma
    return headings(
        np.searchsorted(values, shown), _above(demand, height, sigma), cluster,
        bound=_above(demand, low, sigma), failing=1 - climbs(demand))


def _above(demand: Floats, height: float, sigma: float) -> Floats:
    return np.asarray(demand > height, dtype=np.float64) if sigma == 0 else np.asarray(
        ndtr((demand - height) / sigma))


def run_headings(
    demand: Any, *, site: Sequence[str], height: float, low: float, each: int = 1,
    day: Sequence[str] = (), sigma: float = 0.0, today: float = 0.05,
    outcomes: dict[int, Outcome] | None = None, beyond: Any = (0.0,),
) -> RunHeadings:
    """Headings of pairs ``p000``, ``p001``, ... with so many headings each, counted by site.

    ``chance`` is what is right for exact demands at each of ``beyond``.
    """
    given = np.asarray(demand, dtype=np.float64)
    n, pairs = len(given), len(given) // each
    pair = np.repeat(np.arange(pairs), each).astype(np.int32)
    asked = np.asarray(beyond, dtype=np.float64)
    sites, cluster = np.unique(np.asarray(site), return_inverse=True)
    made = of_demands(given, cluster[pair], height=height, low=low, sigma=sigma)
    ids = tuple(f"p{i:03d}" for i in range(pairs))
    walks = tuple(Walk(place=i, pair=ids[pair[i]], heading_deg=float(5 * (i % each)), outcome=o,
                       demand=float(given[i]))
                  for i, o in sorted((outcomes or {}).items()))
    over, bound, failing = (np.array(a) for a in (made.beyond, made.beyond_bound, made.failing))
    for walk in walks:
        for chance in (over, bound, failing):
            chance[walk.place] = max(chance[walk.place], walk.outcome != "climbed")
    sweep = RunSweep(
        rover="dunlin-em", name="step", values=VALUES.copy(), beyond=asked, other=None,
        others=np.zeros(0), ids=ids, pair=pair,
        heading_deg=np.array([5.0 * (i % each) for i in range(n)]),
        least=made.least.astype(np.int32),
        today=made.least <= np.searchsorted(VALUES, today),
        chance=(given[:, None] > asked).astype(np.float32),
        without_ground=0)
    days = np.array(day if len(day) else ["2031-05-04"] * pairs)
    return RunHeadings(
        sweep=sweep, beyond=over, beyond_bound=bound,
        failing=failing, cluster=cluster[pair], clusters=tuple(sites.tolist()), counted_by="site",
        day=days[pair], site=np.asarray(site)[pair], walks=walks, not_placed=(),
        look_ahead_m=1.0)
