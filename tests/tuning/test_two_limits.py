"""Two limits together: each pair of values as if the other limit had been set in the rover."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hazcam.campaign import Run, open_run
from hazcam.frames import Floats
from hazcam.rover import read_rover
from hazcam.tuning import two_limits as two_limits_module
from hazcam.tuning.curve import SuccessCurve
from hazcam.tuning.tradeoff import FalseGo, Headings, false_go_of, rate_of
from hazcam.tuning.two_limits import (
    TwoLimits,
    allowed_pairs,
    best_of,
    shared_confidence,
    two_limits,
)
from tests.tuning.ground import curve, walked
from tests.tuning.runs import Pair, peak, write_run

BELLY = read_rover("dunlin-em").limits.belly.value
OTHERS = np.array([0.25, 0.5, 1.0, 1.5]) * BELLY
EACH = [(step, belly) for step in (0.01, 0.02, 0.03, 0.07) for belly in (0.2, 0.7, 1.3)]


def pairs(changes: dict[int, Pair] | None = None) -> list[Pair]:
    """Of one rover each step with each belly demand (in shares of its limit), a site each."""
    made = []
    for i, (step, belly) in enumerate(EACH):
        pair = Pair(demand=peak({"step": step, "belly": belly * BELLY}, sigma=1e-4), walked=False,
                    site=f"site {i:02d}")
        made += [(changes or {}).get(i, pair), Pair(walked=False, site="elsewhere")]
    return made


@pytest.fixture(scope="module")
def legs() -> SuccessCurve:
    return curve(walked(0, count=150))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_run(tmp_path_factory.mktemp("two") / "RUN", pairs())


@pytest.fixture
def run(folder: Path) -> Iterator[Run]:
    with open_run(folder) as opened:
        yield opened


def swept(
    run: Run, legs: SuccessCurve, others: Floats = OTHERS, belly: SuccessCurve | None = None,
    risk: float = 0.05,
) -> TwoLimits:
    return two_limits(run, legs, "belly", belly, (0.05, BELLY), others, risk=risk, confidence=0.95)


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[Headings]:
    """Takes up what is counted."""
    taken: list[Headings] = []

    def told(some: Headings, values: Floats, confidence: float) -> FalseGo:
        taken.append(some)
        return false_go_of(some, values, confidence)

    monkeypatch.setattr(two_limits_module, "false_go_of", told)
    return taken


def shares(chosen: Sequence[bool], of: Sequence[bool]) -> float:
    picked = [c for c, o in zip(chosen, of, strict=True) if o]
    return sum(picked) / len(picked)


def test_every_pair_of_values_by_brute_force(run: Run, legs: SuccessCurve) -> None:
    """A heading goes where both demands are under their limits; it is beyond where either is."""
    found = swept(run, legs)
    assert found.false_go.shape == found.needless.shape == found.bound.shape == (1001, 4)
    assert 0.031 < legs.climbed.low < legs.climbed.estimate < 0.06
    beyond = [step > 0.05 or belly > 1 for step, belly in EACH]
    for value in (0.005, 0.015, 0.025, 0.05, 0.09):
        i = round(value * 1e4)
        for j, share in enumerate((0.25, 0.5, 1.0, 1.5)):
            go = [step < value and belly < share for step, belly in EACH]
            assert found.false_go[i, j] == pytest.approx(shares(go, beyond), abs=1e-3)
            assert found.needless[i, j] == pytest.approx(
                shares([not g for g in go], [not b for b in beyond]), abs=1e-3)
    assert (found.name, found.other, found.from_trials) == ("step", "belly", False)
    assert (found.height, found.other_height) == (legs.climbed.low, BELLY)


def test_growing_either_limit_asks_less_and_is_no_safer(run: Run, legs: SuccessCurve) -> None:
    found = swept(run, legs)
    for axis in (0, 1):
        assert (np.diff(found.false_go, axis=axis) >= 0).all()
        assert (np.diff(found.needless, axis=axis) <= 0).all()


def test_the_best_has_the_fewest_needless_asks_within_both_heights(
    run: Run, legs: SuccessCurve
) -> None:
    """The lowest of them: just over the step of 30 mm, at today's belly limit."""
    found = swept(run, legs)
    assert found.best is not None
    assert found.best[1] == BELLY
    assert 0.03 < found.best[0] < 0.031
    assert found.best[0] <= legs.climbed.low


def test_no_more_than_the_second_height(run: Run, legs: SuccessCurve) -> None:
    """Where what is tried of the second limit is all above it, nothing is best."""
    assert swept(run, legs, others=np.array([1.1, 1.5]) * BELLY).best is None


def test_the_second_limit_with_trials_of_its_own(
    run: Run, legs: SuccessCurve, counted: list[Headings]
) -> None:
    """Legs that manage as much under the belly as they climb: then no belly demand is beyond."""
    conditions = legs.group.conditions._replace(kind="belly")
    own = curve(replace(legs.group, conditions=conditions, trials=tuple(
        replace(t, conditions=conditions) for t in legs.group.trials)))
    found = swept(run, legs, belly=own)
    assert (found.from_trials, found.other_height) == (True, own.climbed.low)
    over = [step > 0.05 or belly * BELLY > own.climbed.estimate for step, belly in EACH]
    assert counted[0].beyond == pytest.approx(np.array(over, dtype=float), abs=1e-3)


def test_a_failure_is_beyond_whichever_demand_stopped_it(
    tmp_path: Path, legs: SuccessCurve, counted: list[Headings]
) -> None:
    """A climb of what is beyond both makes it no less so."""
    stuck = Pair(demand=peak({"step": 0.01, "belly": 0.2 * BELLY}, sigma=1e-4), site="site 00",
                 outcome="stuck")
    over = Pair(demand=peak({"step": 0.07, "belly": 1.3 * BELLY}, sigma=1e-4), site="site 11")
    with open_run(write_run(tmp_path / "RUN", pairs({0: stuck, 11: over}))) as run:
        swept(run, legs)
    assert len(counted) == len(OTHERS)
    for some in counted:
        for name in ("beyond", "beyond_bound"):
            assert getattr(some, name)[0] == 1
            assert getattr(some, name)[11] > 0.99


# --- what the run allows --------------------------------------------------------------------------


def test_each_bound_is_so_sure_that_all_hold_together(run: Run, legs: SuccessCurve) -> None:
    """Of the values tried three are not above today's belly limit: 5 % are shared among them."""
    found = swept(run, legs)
    assert found.confidence == pytest.approx(1 - 0.05 / 3)
    worth = 5  # pairs beyond either, a site each, of 12
    assert sum(step > 0.05 or belly > 1 for step, belly in EACH) == worth + 1
    assert found.bound[0, 0] == pytest.approx(1 - (0.05 / 3) ** (1 / (worth + 1)), abs=2e-3)
    assert (found.shown, found.silent) == (False, False)
    assert swept(run, legs, risk=0.6).shown


def test_the_best_of_many_exceeds_the_risk_as_rarely_as_the_confidence_says() -> None:
    """Demands of both kinds are independent; the true rate at a pair of places is their product.

    Of 60 campaigns two standard errors are 5.6 %. By the confidence of one limit alone the risk is
    exceeded far more often.
    """
    campaigns, sites, ground, shape, risk = 60, 200, 2000, (100, 41), 0.05
    values, others = (np.arange(1, n + 1) / n for n in shape)
    above = dict.fromkeys((0.95, shared_confidence(0.95, shape[1])), 0)
    for seed in range(campaigns):
        rng = np.random.default_rng(seed)
        beyond, within = (np.stack([rng.integers(0, size, n) for size in shape])
                          for n in (sites, ground))
        gone = np.bincount(within[0] * shape[1] + within[1], minlength=shape[0] * shape[1])
        needless = 1 - gone.reshape(shape).cumsum(axis=0).cumsum(axis=1) / ground
        for confidence in above:
            rates = [rate_of(np.ones(sites), np.ones(sites), np.arange(sites), np.where(
                beyond[1] <= j, beyond[0], shape[0]), shape[0], confidence, up=True)
                for j in range(shape[1])]
            best = best_of(values, others, needless, allowed_pairs(
                [FalseGo(values=values, false_go=r, false_go_bound=r) for r in rates], risk))
            above[confidence] += best is not None and best[0] * best[1] > risk + 1e-9
    alone, shared = (count / campaigns for count in above.values())
    assert shared <= 0.05
    assert alone > 0.106
