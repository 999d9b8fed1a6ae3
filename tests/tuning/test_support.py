"""What trials show without a curve."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from hazcam.tuning.support import shown, support_of, trials_needed
from tests.tuning.made_up import group_of


@given(st.floats(0.5, 0.99), st.floats(0.5, 0.99), st.integers(0, 5))
def test_fewest_trials_that_show_it(
    reliability: float, confidence: float, failures: int
) -> None:
    needed = trials_needed(reliability, confidence, failures)
    assert shown(needed, failures, reliability) >= confidence - 1e-9
    if needed > failures + 1:
        assert shown(needed - 1, failures, reliability) < confidence + 1e-9


@given(st.integers(1, 60), st.data(), st.floats(0.5, 0.99))
def test_what_is_shown_is_a_test_of_the_rate(
    tried: int, data: st.DataObject, reliability: float
) -> None:
    """1 less the p value of as many climbs or more, were the rate the reliability."""
    failed = data.draw(st.integers(0, tried))
    p = binomtest(tried - failed, tried, reliability, alternative="greater").pvalue
    assert shown(tried, failed, reliability) == pytest.approx(1 - p, abs=1e-12)


def test_exactly_as_many_as_the_power_says() -> None:
    """0.5^n reaches 1 - 0.9375 = 0.5^4 with the fourth trial, whatever the rounding."""
    assert trials_needed(0.5, 0.9375) == 4


def test_however_many_it_takes() -> None:
    """As 0.05 = R^n; with failures by the Poisson distribution: mean 9.1535 for 4 of them."""
    assert trials_needed(1 - 1e-6, 0.95) == pytest.approx(-math.log(0.05) * 1e6, rel=1e-5)
    assert trials_needed(1 - 1e-6, 0.95, 4) == pytest.approx(9.1535e6, rel=1e-4)


def test_without_trials_nothing_is_shown() -> None:
    assert shown(0, 0, 0.5) == 0.0


def test_trials_at_the_height_count_and_a_little_above() -> None:
    """From 40 mm to 5 % above: 40, 40, 41.5 and 41.9 mm, of which one failed."""
    group = group_of([0.030, 0.0399, 0.040, 0.040, 0.0415, 0.0419, 0.0421, 0.060],
                     [True, False, True, True, True, False, True, False])
    found = support_of(group, 0.040, 0.95, 0.95)
    assert (found.at, found.near) == pytest.approx((0.040, 0.002))
    assert (found.tried, found.climbed) == (4, 3)
    assert found.confidence == pytest.approx(1 - 0.95**4 - 4 * 0.05 * 0.95**3)
    assert found.more == trials_needed(0.95, 0.95, 1) - 4
    assert found.alone == 59


@pytest.mark.parametrize("sigma", [0.0, 0.001, 0.01])
def test_easier_trials_show_nothing_however_badly_they_were_measured(sigma: float) -> None:
    group = group_of([0.025] * 59 + [0.0439] * 59, [True] * 118, sigma=sigma)
    found = support_of(group, 0.044, 0.95, 0.95)
    assert (found.tried, found.confidence, found.more) == (0, 0.0, 59)
    assert found.near == pytest.approx(0.0022)


@given(st.lists(st.tuples(st.floats(0.02, 0.06), st.booleans()), min_size=1, max_size=30),
       st.floats(0.02, 0.06))
def test_which_trials_count_does_not_hang_on_what_came_of_them(
    made: list[tuple[float, bool]], height: float
) -> None:
    demand, up = zip(*made, strict=True)
    found, turned, all_up = (support_of(group_of(demand, outcomes), height, 0.95, 0.95)
                             for outcomes in (up, [not u for u in up], [True] * len(up)))
    assert found.tried == turned.tried == all_up.tried
    assert found.climbed + turned.climbed == found.tried
    assert found.confidence <= all_up.confidence


def test_more_all_climbed_would_do() -> None:
    group = group_of([0.040] * 20 + [0.060], [True] * 19 + [False, False])
    found = support_of(group, 0.040, 0.9, 0.9)
    assert shown(found.tried + found.more, 1, 0.9) >= 0.9
    assert shown(found.tried + found.more - 1, 1, 0.9) < 0.9


def test_nothing_more_where_it_is_shown() -> None:
    found = support_of(group_of([0.040] * 59, [True] * 59), 0.040, 0.95, 0.95)
    assert found.more == 0
    assert found.confidence == pytest.approx(1 - 0.95**59)


@pytest.mark.parametrize("height", [None, -math.inf, -0.01, 0.0])
def test_where_there_is_no_height_the_least_demand_is_looked_at(height: float | None) -> None:
    found = support_of(group_of([0.030, 0.020, 0.060], [True, True, False]), height, 0.95, 0.95)
    assert (found.at, found.tried, found.climbed, found.more) == (0.020, 1, 1, 58)
