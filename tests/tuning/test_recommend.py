"""The recommended limit: never above the height climbed, nor what the run allows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.frames import Floats
from hazcam.tuning.curve import height_climbed
from hazcam.tuning.recommend import Recommendation, bound_of, recommend, within_risk
from hazcam.tuning.tradeoff import FalseGo, Headings, TradeOff, false_go_of, rate_of, trade_off
from tests.tuning.ground import (
    HALF_M,
    SCALE_M,
    VALUES,
    climbs,
    headings,
    of_demands,
    safe_m,
    walked,
)

V = len(VALUES)


def traded(
    of: Headings, costs: tuple[float, float] | None = None, values: Floats = VALUES,
    confidence: float = 0.95,
) -> TradeOff:
    return trade_off(of, of, values, look_ahead_m=1.0, confidence=confidence, costs=costs)


def beyond_at(places: list[int], sites: int, within: int = 1) -> TradeOff:
    """On each site a heading within that goes at once, and one beyond that goes from a place on.

    Beyond the sites that a place is given for, it never goes.
    """
    least = [*places, *[V] * (sites - len(places))]
    return traded(headings([0] * sites * within + least, [0.0] * sites * within + [1.0] * sites,
                           [*range(sites)] * (within + 1)))


# --- what ends it ---------------------------------------------------------------------------------


def test_ended_by_the_height_climbed() -> None:
    found = recommend(beyond_at([60] * 50, sites=100), 0.0414, 0.05)
    assert found == Recommendation(value=0.041, place=41, basis="trials", silent=False,
                                   shown=True)


def test_ended_by_the_run() -> None:
    """Of 100 sites 30 go wrong from 20 mm on: no more than 19 mm."""
    trade = beyond_at([20] * 30, sites=100)
    found = recommend(trade, 0.0414, 0.05)
    assert (found.value, found.place, found.basis) == (0.019, 19, "run")
    bound = bound_of(trade)
    assert bound[19] <= 0.05 < bound[20]
    assert recommend(trade, 0.0414, 0.5).basis == "trials"


def test_a_value_that_is_the_height_itself() -> None:
    assert recommend(beyond_at([], sites=100), 0.041, 0.05).value == 0.041
    assert recommend(beyond_at([], sites=100), 0.041 - 1e-6, 0.05).value == 0.040


def test_more_than_was_swept_is_not_recommended() -> None:
    assert recommend(beyond_at([], sites=100), 0.3, 0.05).value == VALUES[-1]


@pytest.mark.parametrize("height", [-np.inf, -0.01, 0.0, 0.0004])
def test_nothing_where_the_trials_show_no_height(height: float) -> None:
    """Nor less than the first value above 0: a limit of 0 is none."""
    found = recommend(beyond_at([], sites=100), height, 0.05)
    assert (found.value, found.place, found.basis) == (None, -1, "none")


def test_nothing_where_the_run_forbids_every_value() -> None:
    for place in (0, 1):
        found = recommend(beyond_at([place] * 30, sites=100), 0.04, 0.05)
        assert (found.value, found.place, found.basis) == (None, -1, "run")


def test_a_silent_run_leaves_it_to_the_trials() -> None:
    """Less than one heading beyond is expected in all of it."""
    trade = traded(headings([0] * 40, [0.024] * 40, np.arange(40)))
    found = recommend(trade, 0.03, 0.001)
    assert (found.value, found.silent, found.shown) == (0.03, True, False)
    assert np.isnan(bound_of(trade)).all()
    none = recommend(traded(headings([], [], np.zeros(0, dtype=int)), (5.0, 1.0)), 0.03, 0.05)
    assert (none.value, none.silent, none.shown) == (0.03, True, False)


def test_few_sites_cannot_show_a_small_risk() -> None:
    """5 % at 95 % confidence take 59 sites with ground beyond; of fewer none may go wrong."""
    for sites, shown in ((1, False), (58, False), (59, True)):
        found = recommend(beyond_at([], sites), 0.04, 0.05)
        assert (found.value, found.shown, found.basis) == (0.04, shown, "trials")
    for sites in (20, 58, 59):
        found = recommend(beyond_at([20, 20], sites), 0.05, 0.05)
        assert (found.place, found.basis) == (19, "run")


@pytest.mark.parametrize("wrong", [[], [20], [20, 25, 30], [5] * 6])
def test_more_sites_that_go_well_never_lower_the_limit(wrong: list[int]) -> None:
    """Whether or not they are enough to show the risk."""
    places = [recommend(beyond_at(wrong, sites), 0.05, 0.05).place for sites in
              (6, 20, 40, 57, 58, 59, 60, 80, 120, 200, 400)]
    assert places == sorted(places)
    assert places[-1] == 50


@pytest.mark.parametrize("sites", [5, 20, 40, 100])
def test_the_bound_that_the_run_can_show_is_exceeded_as_rarely_as_it_says(sites: int) -> None:
    """Legs that climb everything, so that the run alone ends the limit.

    The true rate at place k is (k + 1) / 1000. Of few sites it is above the risk more often, as
    often as none of them shows it: that the risk is met is then not said to be shown. Two standard
    errors of 1000 campaigns are 1.4 % of 5 %, and 3 % of 36 %.
    """
    campaigns, risk, rng = 1000, 0.05, np.random.default_rng(0)
    above_bound, above_risk, values = 0, 0, np.linspace(0, 0.0999, 1000)
    for _ in range(campaigns):
        least = rng.integers(0, 1000, sites)
        rate = rate_of(np.ones(sites), np.ones(sites), np.arange(sites), least, 1000, 0.95, up=True)
        found = recommend(FalseGo(values=values, false_go=rate, false_go_bound=rate), np.inf, risk)
        assert found.shown == (sites >= 59)
        true = (found.place + 1) / 1000
        above_bound += true > max(risk, rate.least_high) + 1e-9
        above_risk += true > risk + 1e-9
    assert above_bound / campaigns <= 0.064
    if sites < 59:
        assert above_risk / campaigns == pytest.approx((1 - risk) ** sites, abs=0.04)


def test_exact_ground_is_no_worse_than_ground_measured_well() -> None:
    """A rate of exactly 0 and one of a millionth are bounded alike."""
    sites = np.arange(30)
    exact, well = (traded(headings([10] * 30 + [V] * 30, [chance] * 30 + [1.0] * 30,
                                   [*sites, *sites])) for chance in (0.0, 1e-7))
    for risk in (0.05, 0.2):
        assert recommend(exact, 0.04, risk) == recommend(well, 0.04, risk)


def test_either_height_may_end_it() -> None:
    """Few headings are beyond the likeliest height, many beyond its bound, and those go early."""
    chance, bound = [0.0] * 100 + [1.0] * 100, [1.0] * 200
    trade = traded(headings([15] * 100 + [V] * 100, chance, [*range(100)] * 2, bound=bound))
    assert trade.false_go.high[99] < 0.05 < trade.false_go_bound.high[15]
    assert recommend(trade, 0.04, 0.05).place == 14


def test_it_ends_before_the_first_bound_that_is_too_high() -> None:
    """From 20 mm on one big site goes wrong; at 40 mm many small ones: bounded better, no safer."""
    beyond, sites = [20] * 30 + [40] * 20, [0] * 30 + [*range(1, 21)]
    rest = [V] * 1500
    trade = traded(headings([*beyond, *rest], [1.0] * 1550,
                            [*sites, *[5 + i % 150 for i in range(1500)]]))
    risk = 0.09
    assert trade.false_go.high[40] < risk < trade.false_go.high[20]
    assert within_risk(trade, risk).tolist() == [True] * 20 + [False] * (V - 20)
    assert recommend(trade, 0.06, risk).place == 19


# --- costs ----------------------------------------------------------------------------------------


def test_the_cheapest_is_shown_beside_and_may_lie_above() -> None:
    """Failures cost little: walking into everything is the cheapest; ties go to the lowest."""
    of = headings([10, 30, 50], [0.0, 0.0, 1.0], [0, 1, 2], failing=[0.0, 0.1, 0.9])
    trade = traded(of, (0.01, 1.0))
    assert (trade.cheapest, recommend(trade, 0.06, 0.05).place) == (50, 49)
    assert traded(of, (1.0, 1.0)).cheapest == 30
    assert traded(of, (1000.0, 1.0)).cheapest == 10


# --- laws -----------------------------------------------------------------------------------------


def any_ground(seed: int) -> tuple[TradeOff, float]:
    rng = np.random.default_rng(seed)
    n, sites = int(rng.integers(20, 600)), int(rng.integers(1, 150))
    demand, height = rng.gamma(2, 0.02, n), float(rng.uniform(0.02, 0.07))
    low = height - float(rng.uniform(0, 0.02))
    sigma = float(rng.choice([0.0, 0.001, 0.005]))
    of = of_demands(demand - rng.uniform(0, 0.01), rng.integers(0, sites, n), height=height,
                    low=low, sigma=sigma)
    return traded(of), low


@given(st.integers(0, 10_000), st.sampled_from([0.01, 0.05, 0.2]))
@settings(max_examples=80, deadline=None)
def test_at_most_the_height_and_the_risk(seed: int, risk: float) -> None:
    trade, low = any_ground(seed)
    found = recommend(trade, low, risk)
    if found.value is None:
        assert found.basis == "run" or low < VALUES[1]
        return
    assert found.value == trade.values[found.place] <= low + 1e-9
    for rate in (trade.false_go, trade.false_go_bound):
        if rate.of >= 1:
            assert rate.high[found.place] <= max(risk, rate.least_high)
            assert rate.least_high <= risk or not found.shown
    if found.basis == "trials":
        assert found.place + 1 == V or trade.values[found.place + 1] > low


@given(st.integers(0, 10_000), st.sampled_from([0.01, 0.05, 0.1]), st.floats(1.0, 8.0))
@settings(max_examples=50, deadline=None)
def test_trials_that_show_more_and_headings_that_never_fail(
    seed: int, risk: float, times: float
) -> None:
    """A greater height never lowers it; neither does ground whose false goes are forgotten."""
    trade, low = any_ground(seed)
    assert recommend(trade, low * times, risk).place >= recommend(trade, low, risk).place
    none = traded(headings([0], [0.0], [0]))
    assert recommend(none, low, risk).place >= recommend(trade, low, risk).place


def test_rarely_above_what_is_truly_safe() -> None:
    """Trials and ground of a known curve: above the true safe limit in at most 7 % of campaigns.

    The bound is one-sided at 95 %. The run never raises the limit, so that with it the share is at
    most that of the trials alone; and of the ground that truly is beyond, hardly any is go.
    """
    campaigns, above, wrong = 60, 0, []
    for seed in range(campaigns):
        rng = np.random.default_rng(1000 + seed)
        climbed = height_climbed(walked(seed), reliability=0.95, confidence=0.95)
        assert climbed is not None
        sites = np.repeat(np.arange(70), 4)
        demand = rng.gamma(3, 0.015, 280) + rng.normal(0, 0.005, 70)[sites].clip(-0.004)
        of = of_demands(demand.clip(0), sites, height=climbed.estimate, low=climbed.low)
        found = recommend(traded(of), climbed.low, 0.05)
        if found.value is None:
            continue
        above += found.value > safe_m(0.95)
        wrong.append(float(np.mean(demand[demand > safe_m(0.95)] <= found.value)))
    assert len(wrong) > 40
    assert above / campaigns <= 0.07
    assert np.mean(wrong) <= 0.05
    assert climbs(np.array([HALF_M]))[0] == 0.5
    assert safe_m(0.95) == pytest.approx(HALF_M - 2.944 * SCALE_M, abs=1e-5)


def test_few_sites_bear_no_false_go_at_all() -> None:
    """Ten sites of twenty headings beyond, of which two each are go from 0.05 on."""
    least = np.tile(np.r_[[500, 500], np.full(18, 900)], 10)
    beyond = np.ones(len(least))
    headings = Headings(least=least, beyond=beyond, beyond_bound=beyond, failing=beyond,
                        cluster=np.repeat(np.arange(10), 20))
    found = false_go_of(headings, np.arange(1001) / 1e4, 0.95)
    chosen = recommend(found, 0.08, 0.05)
    assert (chosen.value, chosen.basis, chosen.shown) == (0.0499, "run", False)


def test_what_a_single_site_bears_as_none_is_still_within_the_risk() -> None:
    """One site of a hundred headings beyond, of which three are go from 0.05 on."""
    least = np.r_[np.full(3, 500), np.full(97, 900)]
    beyond = np.ones(len(least))
    headings = Headings(least=least, beyond=beyond, beyond_bound=beyond, failing=beyond,
                        cluster=np.zeros(len(least), dtype=np.int64))
    found = false_go_of(headings, np.arange(1001) / 1e4, 0.95)
    assert [recommend(found, 0.08, risk).value for risk in (0.01, 0.05)] == [0.0499, 0.08]
