"""Both mistakes at every value of a limit: rates by brute force, bounds by what they promise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit, logit
from scipy.stats import t as student

from hazcam.frames import Floats
from hazcam.statistics import clopper_pearson
from hazcam.tuning.tradeoff import Headings, Rate, TradeOff, rate_of, trade_off
from tests.tuning.ground import headings

V = 12
VALUES = np.linspace(0.0, 0.11, V)


def some(seed: int, n: int = 60, clusters: int = 7) -> Headings:
    """Headings with any chances, of sites of any size; some go with no value."""
    rng = np.random.default_rng(seed)
    over = rng.random(n) ** 3
    return headings(rng.integers(0, V + 1, n), over, rng.integers(0, clusters, n),
                    bound=np.maximum(over, rng.random(n) ** 2), failing=rng.random(n))


def traded(
    of: Headings, ahead: Headings | None = None, costs: tuple[float, float] | None = None,
    confidence: float = 0.95,
) -> TradeOff:
    return trade_off(of, of if ahead is None else ahead, VALUES, look_ahead_m=1.5,
                     confidence=confidence, costs=costs)


def counted(events: list[Floats], trials: list[Floats], confidence: float = 0.95) -> Rate:
    """A rate at one value: of each site the chances of what happened, and of all that could."""
    count = [len(t) for t in trials]
    happened, could = np.concatenate(events), np.concatenate(trials)
    return rate_of(happened, could, np.repeat(np.arange(len(count)), count),
                   np.zeros(sum(count), dtype=np.int64), 1, confidence, up=True)


def whole(happened: list[int], of: list[int], confidence: float = 0.95) -> Rate:
    """The same of counts."""
    return counted([np.r_[np.ones(a), np.zeros(n - a)] for a, n in zip(happened, of, strict=True)],
                   [np.ones(n) for n in of], confidence)


# --- rates ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_rates_by_brute_force(seed: int) -> None:
    of = some(seed)
    found = traded(of, costs=(50.0, 2.0))
    n = len(of.least)
    for i in range(V):
        go = [bool(of.least[k] <= i) for k in range(n)]
        false = sum(of.beyond[k] for k in range(n) if go[k])
        bound = sum(of.beyond_bound[k] for k in range(n) if go[k])
        asked = sum(1 - of.beyond[k] for k in range(n) if not go[k])
        fails = sum(of.failing[k] for k in range(n) if go[k])
        climbs = sum(1 - of.failing[k] for k in range(n) if not go[k])
        assert found.false_go.rate[i] == pytest.approx(false / sum(of.beyond))
        assert found.false_go_bound.rate[i] == pytest.approx(bound / sum(of.beyond_bound))
        assert found.needless.rate[i] == pytest.approx(asked / sum(1 - of.beyond), abs=1e-12)
        assert found.go_share[i] == pytest.approx(sum(go) / n)
        assert found.cost is not None
        assert found.cost[i] == pytest.approx((50.0 * fails + 2.0 * climbs) / n)
        assert found.failures.rate[i] == pytest.approx(fails / sum(go))
    assert found.headings == n
    assert (found.false_go.of, found.needless.of) == pytest.approx(
        (of.beyond.sum(), (1 - of.beyond).sum()))


def test_many_sites_are_summed_as_few_at_a_time() -> None:
    """More than are held at once; with each heading a site of its own."""
    of = some(4, n=900)
    alone = replace(of, cluster=np.random.default_rng(0).permutation(900))
    one, other = traded(of), traded(alone)
    for name in ("false_go", "false_go_bound", "needless", "failures"):
        assert getattr(one, name).rate == pytest.approx(getattr(other, name).rate)
    assert other.failures.clusters == pytest.approx(np.sum(of.least < V))
    assert 6 < one.failures.clusters <= 7


def test_without_costs_or_headings_there_is_nothing() -> None:
    assert traded(some(0)).cost is None
    empty = some(0).of(np.zeros(60, dtype=bool))
    found = traded(empty)
    for rate in (found.false_go, found.needless, found.failures):
        assert np.isnan([rate.rate, rate.low, rate.high]).all()
        assert np.isnan(rate.least_high)
    assert (found.headings, found.false_go.of, found.false_go.clusters) == (0, 0.0, 0.0)
    assert np.isnan(found.go_m).all()
    assert found.cheapest == -1


def test_no_ground_beyond_is_no_rate_of_0() -> None:
    found = traded(headings([0, 3, V], [0.0, 0.0, 0.0], [0, 1, 2]))
    assert np.isnan(found.false_go.rate).all()
    assert found.needless.rate[0] == pytest.approx(2 / 3)


def test_distance_between_asks() -> None:
    """Of 4 pairs 1 asks: three look-aheads for each ask; never asked: no end."""
    ahead = headings([0, 0, 0, 5], [0.0] * 4, [0, 1, 2, 3])
    distance = traded(some(0), ahead).go_m
    assert distance.shape == (V, 3)
    assert distance[0, 0] == pytest.approx(3 * 1.5)
    assert np.isinf(distance[5:, 0]).all()
    assert (distance[:, 1] <= distance[:, 0]).all()
    assert (distance[:5, 2] >= distance[:5, 0]).all()
    # Of 4 sites without an ask the exact bound is 1 - 0.05 ** (1 / 4) of them.
    exact = clopper_pearson(0, 4).high
    assert distance[-1, 1] == pytest.approx(1.5 * (1 - exact) / exact)


def test_chances_that_are_not_known_are_refused() -> None:
    with pytest.raises(ValueError, match="beyond of Headings is not known of all"):
        headings([0, 1], [np.nan, 0.5], [0, 1])
    with pytest.raises(ValueError, match="failing of Headings is"):
        headings([0, 1], [0.1, 0.5], [0, 1], failing=[0.1])


# --- bounds ---------------------------------------------------------------------------------------


def test_sites_of_one_size_are_a_sample_of_their_rates() -> None:
    """Mean and standard error of the sites' own rates, with Student's t on the logit scale."""
    happened = [3, 5, 2, 6, 4, 4, 1, 7]
    found = whole(happened, [10] * 8)
    share = np.array(happened) / 10
    error = share.std(ddof=1) / np.sqrt(8) / (share.mean() * (1 - share.mean()))
    reach = student.ppf(0.95, 7) * error
    assert found.rate[0] == pytest.approx(share.mean())
    assert found.clusters == pytest.approx(8)
    assert found.low[0] == pytest.approx(expit(logit(share.mean()) - reach))
    assert found.high[0] == pytest.approx(expit(logit(share.mean()) + reach))


def test_a_ratio_worked_out_by_hand() -> None:
    """2 of 4, 2 of 5, 1 of 3: rate 5/12; residuals 1/3, -1/12, -1/4, their squares 13/72.

    The sites are worth 144 / 50 = 2.88 of one size. Over what each site holds the squares are
    1/36 + 1/720 + 1/48 = 1/20, which the smallest site has most of: the greater variance.
    """
    found = whole([2, 2, 1], [4, 5, 3])
    variance = (1 / 20) / 12 / 2.88 * 2.88 / 1.88
    assert variance > (13 / 72) / 144 * 2.88 / 1.88
    reach = student.ppf(0.95, 1.88) * np.sqrt(variance) / (5 / 12 * 7 / 12)
    assert found.clusters == pytest.approx(2.88)
    assert found.rate[0] == pytest.approx(5 / 12)
    assert found.low[0] == pytest.approx(expit(logit(5 / 12) - reach))
    exact = 1 - 0.05 ** (1 / 2.88)
    assert expit(logit(5 / 12) + reach) < exact
    assert found.high[0] == pytest.approx(exact)


def test_a_ratio_that_the_larger_sites_scatter() -> None:
    """3 of 4, 1 of 5, 1 of 3: residuals 4/3, -13/12, -1/4, their squares 434/144.

    Over what each site holds they are 4/9 + 169/720 + 1/48 = 7/10: the smaller variance.
    """
    found = whole([3, 1, 1], [4, 5, 3], confidence=0.8)
    variance = (434 / 144) / 144 * 2.88 / 1.88
    assert variance > (7 / 10) / 12 / 2.88 * 2.88 / 1.88
    reach = student.ppf(0.8, 1.88) * np.sqrt(variance) / (5 / 12 * 7 / 12)
    assert found.high[0] == pytest.approx(expit(logit(5 / 12) + reach))


@pytest.mark.parametrize("count", [2, 10, 59])
def test_exact_where_nothing_or_all_happened(count: int) -> None:
    """Clopper and Pearson over the sites, however many headings each holds."""
    none, everything = (whole([n * 4] * count, [4] * count) for n in (0, 1))
    exact = clopper_pearson(0, count).high
    assert (none.low[0], none.high[0]) == (0.0, pytest.approx(exact))
    assert (everything.low[0], everything.high[0]) == (pytest.approx(1 - exact), 1.0)
    assert none.least_high == pytest.approx(exact)


def test_a_chance_of_a_millionth_bounds_no_better_than_none() -> None:
    """A chance is never quite 0: what 15 sites do not show is still not excluded."""
    tiny = [np.full(4, 1e-6 * (1 + n % 3)) for n in range(15)]
    found = counted(tiny, [np.ones(4)] * 15)
    assert found.rate[0] == pytest.approx(2e-6)
    assert found.high[0] == pytest.approx(clopper_pearson(0, 15).high)
    assert found.low[0] < found.rate[0]


def test_sites_that_hold_next_to_nothing_do_not_count() -> None:
    """Two sites hold the ground beyond; the chances of the other 28 are tails of a Gaussian."""
    happened, possible = [np.array([0.5]), np.array([0.0])], [np.array([1.0]), np.array([1.0])]
    alone = counted(happened, possible)
    among = counted([*happened, *[np.zeros(1)] * 28], [*possible, *[np.full(1, 1e-9)] * 28])
    assert among.clusters == pytest.approx(2)
    for name in ("rate", "low", "high"):
        assert getattr(among, name)[0] == pytest.approx(getattr(alone, name)[0], rel=1e-6)
    assert alone.high[0] > 0.9


def test_sites_are_worth_no_more_than_the_headings_expected_there() -> None:
    """Of 500 sites of flat ground half a heading is expected to be beyond: no bound of 0.6 %."""
    flat = counted([np.zeros(1)] * 500, [np.full(1, 0.001)] * 500)
    assert flat.clusters == pytest.approx(0.5)
    assert flat.high[0] == pytest.approx(1 - 0.05**2)
    spread = counted([np.zeros(20)] * 30, [np.full(20, 0.1)] * 30)
    assert (spread.of, spread.clusters) == pytest.approx((60, 30))
    needless = counted([np.zeros(4)] * 8, [np.full(4, 0.999)] * 8)
    assert needless.clusters == pytest.approx(8)


@given(st.lists(st.floats(0.01, 5), min_size=1, max_size=90), st.floats(0.6, 0.99))
@settings(max_examples=60, deadline=None)
def test_none_is_bounded_by_the_least_bound_itself(sites: list[float], confidence: float) -> None:
    """Not by a number next to it: a limit is held against it."""
    found = counted([np.zeros(1)] * len(sites), [np.full(1, of) for of in sites], confidence)
    assert found.high[0] == found.least_high


def test_what_is_less_likely_than_the_confidence_leaves_is_none() -> None:
    """Also of a single site, of which nothing else bounds a rate between 0 and 1."""
    for sites in (1, 2, 40):
        found = counted([np.full(1, 1e-6)] * sites, [np.ones(1)] * sites)
        assert found.high[0] == found.least_high == pytest.approx(1 - 0.05 ** (1 / sites))


def test_one_site_says_nothing_between() -> None:
    found = whole([2], [4])
    assert (found.rate[0], found.low[0], found.high[0]) == (0.5, 0.0, 1.0)


def test_failures_of_the_goes_are_bounded_as_a_rate_of_them() -> None:
    """Where all go, the rate of failures among them is that of all."""
    of = some(5)
    of = replace(of, least=np.minimum(of.least, V - 1))
    n = len(of.least)
    found, all_ = traded(of).failures, rate_of(
        of.failing, np.ones(n), of.cluster, of.least, V, 0.95, up=True)
    for name in ("rate", "low", "high"):
        assert getattr(found, name)[-1] == pytest.approx(getattr(all_, name)[-1])


# Sites differ as a beta distribution says: much and little, about a rate of 30 %; and rarely, but
# then half of their headings fail, of which 15 sites often show none. Of 400 campaigns a one-sided
# 95 % bound holds in at least 93 %: less by two of its standard errors of 1.1 %.
@pytest.mark.parametrize("spread", ["much", "little", "rare"])
def test_coverage_over_sites(spread: str) -> None:
    rng, campaigns, sites = np.random.default_rng(20), 400, 15
    held = np.zeros(2)
    true = 0.025 if spread == "rare" else 0.3
    for _ in range(campaigns):
        if spread == "rare":
            share = np.where(rng.random(sites) < 0.05, 0.5, 1e-9)
        else:
            size = 2.0 if spread == "much" else 40.0
            share = rng.beta(true * size, (1 - true) * size, sites)
        count = rng.poisson(12, sites) + 1
        chances = [np.full(n, p) if spread == "rare" else (rng.random(n) < p).astype(np.float64)
                   for n, p in zip(count, share, strict=True)]
        found = counted(chances, [np.ones(n) for n in count])
        held += found.high[0] >= true, found.low[0] <= true
    assert (held / campaigns >= 0.93).all()
    if spread != "rare":
        assert (held / campaigns <= 0.98).all()


def test_coverage_over_sites_of_very_different_size() -> None:
    """Where sites that hold little went wrong, their number says little of the large ones."""
    campaigns, sites, true, low = 400, 150, 0.055, 0
    for seed in range(campaigns):
        rng = np.random.default_rng(seed)
        size = np.maximum(1, np.round(3 * np.exp(rng.standard_normal(sites)))).astype(int)
        wrong = (rng.random(sites) < true) * size
        low += whole(wrong.tolist(), size.tolist()).high[0] < true
    assert low / campaigns <= 0.05


# --- laws -----------------------------------------------------------------------------------------


@given(st.integers(0, 10_000), st.integers(1, 80), st.integers(1, 9),
       st.floats(0.6, 0.99))
@settings(max_examples=60, deadline=None)
def test_a_greater_limit_is_never_safer_nor_asks_more(
    seed: int, n: int, clusters: int, confidence: float
) -> None:
    found = traded(some(seed, n, clusters), confidence=confidence)
    for rate, sign in ((found.false_go, 1), (found.false_go_bound, 1), (found.needless, -1)):
        assert (sign * np.diff(rate.rate) >= -1e-12).all()
        assert (rate.low <= rate.rate + 1e-12).all()
        assert (rate.rate <= rate.high + 1e-12).all()
        assert (rate.high >= rate.least_high).all()
        assert rate.clusters <= clusters + 1e-9
    assert (np.diff(found.go_share) >= 0).all()
    ahead = found.go_m[:, 0][np.isfinite(found.go_m[:, 0])]
    assert (np.diff(ahead) >= -1e-12).all()


@given(st.integers(0, 10_000), st.integers(2, 9))
@settings(max_examples=30, deadline=None)
def test_more_headings_of_the_same_sites_are_no_more_sites(seed: int, times: int) -> None:
    """Each heading seen several times: the rates and all bounds stay.

    On each site one heading at least is beyond, and one within.
    """
    of, sure = some(seed), headings([3] * 14, [0.0, 1.0] * 7, [*range(7)] * 2)
    of = Headings(**{name: np.r_[getattr(of, name), getattr(sure, name)] for name in vars(of)})
    again = Headings(**{name: np.tile(getattr(of, name), times) for name in
                        ("least", "beyond", "beyond_bound", "failing", "cluster")})
    one, other = traded(of), traded(again)
    for name in ("false_go", "false_go_bound", "needless", "failures"):
        for part in ("rate", "low", "high"):
            assert getattr(getattr(other, name), part) == pytest.approx(
                getattr(getattr(one, name), part), nan_ok=True, abs=1e-7)


def test_only_the_ratio_of_the_costs_moves_the_cheapest() -> None:
    of = some(6)
    cheap = [int(np.argmin(traded(of, costs=costs).cost)) for costs in  # type: ignore[arg-type]
             ((1.0, 1.0), (20.0, 20.0), (1.0, 0.0), (0.0, 1.0))]
    assert cheap[0] == cheap[1]
    assert cheap[2] == 0  # asking is free: nothing may go
    assert cheap[3] == V - 1
    assert traded(of, costs=(1.0, 1.0)).cheapest == cheap[0]
