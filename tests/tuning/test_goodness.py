"""Whether outcomes look like the curve that was fitted to them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kstest

from hazcam.tuning.curve import data_of
from hazcam.tuning.fit import likeliest_curve
from hazcam.tuning.goodness import Goodness, goodness_of
from hazcam.tuning.record import TrialGroup
from tests.tuning.made_up import drawn, group_of


def goodness(group: TrialGroup, prior: TrialGroup | None = None, weight: float = 0.0) -> Goodness:
    data = data_of(group, prior, weight)
    return goodness_of(data, likeliest_curve(data, "logit"), own=len(group.trials))


def bent(seed: int, count: int = 120) -> TrialGroup:
    """Half of what is low fails too, which no falling curve does."""
    rng = np.random.default_rng(seed)
    height = rng.uniform(0.02, 0.065, count)
    chance = np.where(height < 0.032, 0.45, np.where(height < 0.05, 1.0, 0.05))
    return group_of(height.tolist(), (rng.random(count) < chance).tolist())


def test_p_value_is_uniform_under_the_curve(monkeypatch: pytest.MonkeyPatch) -> None:
    """Forty campaigns of 60 trials: Kolmogorov and Smirnov's test, at 1 %."""
    monkeypatch.setattr("hazcam.tuning.goodness._DRAWS", 79)
    found = [goodness(drawn(seed, 60, scale=0.008)).p_value for seed in range(40)]
    assert kstest(found, "uniform").pvalue > 0.01
    assert min(found) < 0.25 < 0.75 < max(found)


@pytest.mark.parametrize("seed", range(3))
def test_p_value_is_small_where_the_truth_is_bent(seed: int) -> None:
    assert goodness(bent(seed)).p_value <= 0.01


def test_lots_hold_every_trial_once() -> None:
    group = drawn(1, 47)
    found = goodness(group)
    assert len(found.lots) == 7
    assert sum(lot.tried for lot in found.lots) == 47
    assert sum(lot.climbed for lot in found.lots) == group.climbed.sum()
    ends = [(lot.least, lot.greatest) for lot in found.lots]
    assert ends == sorted(ends)
    # the likeliest logistic curve expects as many as climbed (its first score equation)
    assert sum(lot.expected for lot in found.lots) == pytest.approx(group.climbed.sum(), abs=1e-6)


def test_statistic_by_hand() -> None:
    found = goodness(drawn(2, 24))
    data = data_of(drawn(2, 24))
    fit = likeliest_curve(data, "logit")
    order = np.argsort(data.mean)
    chance = 1 / (1 + np.exp(-(fit.intercept + fit.slope * data.mean[order])))
    lots = [slice(6 * i, 6 * i + 6) for i in range(4)]
    assert found.statistic == pytest.approx(sum(
        (data.climbed[order][lot].sum() - chance[lot].sum()) ** 2
        / (chance[lot] * (1 - chance[lot])).sum() for lot in lots), rel=1e-9)


def test_too_few_lots_tell_nothing() -> None:
    found = goodness(drawn(3, 17))
    assert len(found.lots) == 2
    assert np.isnan(found.p_value)


def test_separated_outcomes_look_like_their_curve() -> None:
    heights = np.linspace(0.02, 0.06, 24)
    assert goodness(group_of(heights.tolist(), (heights < 0.045).tolist())).p_value > 0.2


def test_same_trials_same_p_value() -> None:
    assert goodness(drawn(4)).p_value == goodness(drawn(4)).p_value


@pytest.mark.parametrize("weight", [0.3, 1.0])
def test_trials_of_the_prior_are_in_no_lot(weight: float) -> None:
    found = goodness(drawn(5, 24), drawn(6, 30, simulated=True), weight)
    assert sum(lot.tried for lot in found.lots) == 24
