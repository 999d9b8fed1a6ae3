"""One probability over the way, against closed forms, quadrature and laws; demands made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import gamma, norm

from hazcam.frames import Floats
from hazcam.rover import LIMIT_UNITS, Limits, read_rover, with_limits
from hazcam.verdict import HeadingDemand, decide
from hazcam.verdict.chance import (
    ANGLES,
    BLANK_SHARE,
    HEIGHTS,
    UNEXPLAINED_SHARE,
    at_station,
    exceeding,
    groups_of,
    hole_density_m2,
    hole_hidden,
    limit_of,
)
from hazcam.verdict.margin import margin_of
from hazcam.verdict.record import MEASURED, UnseenRuns

ROVER = read_rover("dunlin-em")
LIMITS = ROVER.limits
GAP_M, STEP_M = LIMITS.gap.value, LIMITS.step.value
STATIONS, CELL_M, LINE_M = 120, 0.01, 0.005
# Two stations of one foothold (6 cm), and one that lies in another.
HERE, BESIDE, FAR = 12, 17, 60
seeds = st.integers(0, 2**32 - 1)
law = settings(max_examples=60, deadline=None, derandomize=True)
# The same numbers in another order of operations: rounding alone.
close = pytest.approx


def demand_of(
    stations: dict[str, dict[int, tuple[float, float]]] | None = None, **other: Any
) -> HeadingDemand:
    """A demand with value and sigma at some stations of some of what is measured."""
    unknown = np.full(STATIONS, np.nan)
    values, sigma = {n: unknown.copy() for n in MEASURED}, {n: unknown.copy() for n in MEASURED}
    for name, places in (stations or {}).items():
        for i, (value, own) in places.items():
            values[name][i], sigma[name][i] = value, own
    zeros = np.zeros(STATIONS)
    fields: dict[str, Any] = {
        "heading_deg": 0.0, "station_m": np.arange(STATIONS) * CELL_M, **values, "pitch": unknown,
        "lean": unknown, "sigma": sigma, "tilt_sigma_deg": 0.0, "scale_sigma": 0.0,
        "tilt_bound_deg": 0.0, "runs": runs_of(), "hidden_m": zeros,
        "outside": np.zeros(STATIONS, dtype=bool),
        "unseen_state": np.zeros(STATIONS, dtype=np.uint8),
        "unseen_blank": np.zeros(STATIONS, dtype=np.uint8), "seen_share": zeros + 1.0,
        "strip_m": 0.0, "assumed_m": 0.0, "turn": None, "turn_radius_m": 0.0, "turn_assumed": True,
        "look_ahead_m": 1.0, "seen_m2": 1.0, "hollows_m": (),
    }
    return HeadingDemand(**fields | other)


def runs_of(*runs: dict[str, float]) -> UnseenRuns:
    """Runs that are wholly explained, but for what is given of each."""
    plain = {"at_m": 0.5, "length_m": 0.2, "sigma_m": 0.005, "explained_m": 0.1,
             "unexplained_m": 0.0, "blank_m": 0.0, "sunk_m": 0.0, "fall": 0.25,
             "ground_sd_m": 0.004}
    columns = {name: np.array([run.get(name, value) for run in runs], dtype=np.float64)
               for name, value in plain.items()}
    group = np.array([run.get("group", i) for i, run in enumerate(runs)], dtype=np.int64)
    return UnseenRuns(**columns, group=group, line_m=LINE_M)


def above(share: float, sigma: float, limit: float = STEP_M) -> tuple[float, float]:
    """A value that exceeds the limit with a probability, and its sigma."""
    return limit - sigma * float(norm.isf(share)), sigma


def total(demand: HeadingDemand, limits: Limits = LIMITS) -> float:
    return float(exceeding(demand, limits)[-1])


# --- what was measured ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", MEASURED)
def test_one_station_alone_is_the_normal_tail(name: str) -> None:
    """Where its sigma is its own, and nothing before it."""
    limit = limit_of(LIMITS, name)
    value, sigma = 0.9 * limit, 0.07 * limit
    chance = exceeding(demand_of({name: {HERE: (value, sigma)}}), LIMITS)
    expected = norm.sf((limit - value) / sigma)
    assert chance[HERE:] == close(np.full(STATIONS - HERE, expected))
    assert not chance[:HERE].any()
    assert at_station(demand_of({name: {HERE: (value, sigma)}}), name, limit)[HERE] == close(
        expected)


def test_stations_of_one_foothold_count_once_and_others_as_independent() -> None:
    p, q = 0.03, 0.02
    one, less, other = above(p, 0.002), above(q, 0.002), above(q, 0.001)
    assert total(demand_of({"step": {HERE: one, BESIDE: less}})) == close(p)
    assert total(demand_of({"step": {HERE: less, BESIDE: one}})) == close(p)
    assert total(demand_of({"step": {HERE: one, FAR: other}})) == close(1 - (1 - p) * (1 - q))
    # Another height at the same foothold: the same ground.
    for place in (HERE, BESIDE):
        assert total(demand_of({"step": {HERE: one}, "drop": {place: less}})) == close(p)


def test_stations_of_one_body_length_count_once_for_angles() -> None:
    p = 0.03
    steep = above(p, 1.0, LIMITS.slope.value)
    assert total(demand_of({"slope": {2: steep, 28: steep}})) == close(p)
    assert total(demand_of({"slope": {2: steep, 32: steep}})) == close(1 - (1 - p) ** 2)


def test_heights_and_angles_are_independent() -> None:
    p, q = 0.03, 0.02
    demand = demand_of({"step": {HERE: above(p, 0.002)},
                        "roll": {HERE: above(q, 1.0, LIMITS.roll.value)}})
    assert total(demand) == close(1 - (1 - p) * (1 - q))


@pytest.mark.parametrize("apart", range(1, 6))
def test_stations_nearer_than_a_foothold_lie_between_once_and_twice(apart: int) -> None:
    """Wherever the foothold that counts once begins."""
    p = 0.1
    for first in range(12, 18):
        at = above(p, 0.002)
        found = total(demand_of({"step": {first: at, first + apart: at}}))
        assert p - 1e-12 <= found <= 1 - (1 - p) ** 2 + 1e-12


@pytest.mark.parametrize("spacing_m", [0.005, 0.02])
def test_a_foothold_is_a_length_not_a_count(spacing_m: float) -> None:
    """0 and 5 cm are one foothold, 0 and 8 cm are two, at any distance of the stations."""
    p, at = 0.03, above(0.03, 0.002)
    station = np.arange(STATIONS) * spacing_m
    for metres, expected in ((0.04, p), (0.08, 1 - (1 - p) ** 2)):
        demand = demand_of({"step": {0: at, round(metres / spacing_m): at}}, station_m=station)
        assert total(demand) == close(expected)


def union_by_quadrature(z: Floats, shared: float) -> float:
    """That one of some unit normal errors, of which a part is one, exceeds its z."""
    own = np.sqrt(1 - shared**2)

    def given_shared(t: float) -> float:
        return float(norm.pdf(t) * (1 - np.prod(norm.cdf((z - t * shared) / own))))

    return quad(given_shared, -9, 9, limit=200, points=(z / shared).tolist())[0]


@pytest.mark.parametrize("ratio", [0.3, 0.7, 1.0])
@pytest.mark.parametrize("z", [0.0, 1.0, 2.0, 3.0])
def test_what_stations_share_is_integrated_out(ratio: float, z: float) -> None:
    """Three stations apart, by adaptive quadrature.

    Fifteen nodes integrate what is smooth over their spacing of 0.8: up to as much shared as own
    error the difference is below 1 % of the probability; for more it grows, and nothing is said.
    """
    shared = ratio / np.hypot(1, ratio)
    demand = demand_of(
        {"slope": {i: (LIMITS.slope.value - z - extra, 1.0) for i, extra in
                   ((5, 0.0), (50, 0.3), (90, 0.0))}}, tilt_sigma_deg=shared)
    expected = union_by_quadrature(np.array([z, z + 0.3, z]), shared)
    assert total(demand) == close(expected, rel=0.01)


def test_the_scale_that_all_heights_share_is_integrated_out() -> None:
    """A share of the height itself: 4 cm that may be 3 % off together, 1.2 mm own error."""
    value, own, scale = 0.04, 0.0012, 0.03
    sigma = float(np.hypot(own, scale * value))
    limits = with_limits(ROVER, {"step": value + 2 * sigma}).limits
    at = dict.fromkeys((5, 50, 90), (value, sigma))
    expected = union_by_quadrature(np.full(3, 2.0), scale * value / sigma)
    assert total(demand_of({"step": at}, scale_sigma=scale), limits) == close(expected, rel=0.01)


def test_the_more_is_shared_the_less_do_stations_add() -> None:
    """From independent to one error: between 1 - (1 - p)³ and p."""
    p = 0.05
    steep = above(p, 1.0, LIMITS.slope.value)
    places = {"slope": {5: steep, 50: steep, 90: steep}}
    found = [total(demand_of(places, tilt_sigma_deg=shared)) for shared in (0.0, 0.3, 0.5, 0.7)]
    assert found[0] == close(1 - (1 - p) ** 3)
    assert np.all(np.diff(found) < -1e-4)
    assert found[-1] > p


def test_wholly_shared_errors_are_no_more_than_the_worst_alone() -> None:
    """Whatever the nodes make of a step: many stations with one error are as likely as one."""
    worst, others = above(0.05, 1.0, LIMITS.slope.value), above(0.04, 1.0, LIMITS.slope.value)
    alone = total(demand_of({"slope": {5: worst}}, tilt_sigma_deg=1.0))
    all_of_them = total(demand_of({"slope": {5: worst, 50: others, 90: others}},
                                  tilt_sigma_deg=1.0))
    assert all_of_them == close(alone, rel=1e-9)


def test_an_unknown_tilt_is_added_in_the_worst_direction() -> None:
    """Of both angles at once to the slope, of one to the roll."""
    bound = 3.0
    for name, extra in (("slope", np.sqrt(2) * bound), ("roll", bound)):
        limit = limit_of(LIMITS, name)
        demand = demand_of({name: {HERE: (limit - extra - 1.0, 1.0)}}, tilt_bound_deg=bound)
        assert total(demand) == close(norm.sf(1.0))


def test_what_is_not_known_adds_nothing() -> None:
    assert not exceeding(demand_of(), LIMITS).any()


@law
@given(seed=seeds)
def test_each_station_more_never_lowers_the_probability(seed: int) -> None:
    chance = exceeding(random_demand(seed), LIMITS)
    assert np.all(np.diff(chance) >= -1e-12)
    assert np.all((chance >= 0) & (chance <= 1))


@law
@given(seed=seeds, name=st.sampled_from(sorted(LIMIT_UNITS)), more=st.floats(0.0, 1.0))
def test_a_higher_limit_never_raises_the_probability(seed: int, name: str, more: float) -> None:
    demand = random_demand(seed)
    higher = with_limits(ROVER, {name: (1 + more) * getattr(LIMITS, name).value}).limits
    assert np.all(exceeding(demand, higher) <= exceeding(demand, LIMITS) + 1e-12)
    # A run that is a hole by itself has no probability: with more that the legs bridge it may.
    before, after = (groups_of(demand, limits.gap.value).explained for limits in (LIMITS, higher))
    assert np.all(before <= after)
    if np.array_equal(before, after):
        assert np.all(hole_hidden(demand, higher) <= hole_hidden(demand, LIMITS) + 1e-12)


# --- what was not seen ----------------------------------------------------------------------------


@pytest.mark.parametrize(("count", "area_m2"), [(0, 0.5), (1, 2.0), (4, 1.3)])
def test_the_density_of_holes_is_the_mean_of_jeffreys_posterior(count: int, area_m2: float) -> None:
    """A Poisson rate under the prior Gamma(1/2, rate 0): after n in A it is Gamma(n + 1/2, A).

    Every hollow counts, of whatever depth is seen: a millimetre and more than any drop.
    """
    hollows = (0.001, 0.02, 0.2, 0.9)[:count]
    demand = demand_of(seen_m2=area_m2, hollows_m=hollows)
    assert hole_density_m2(demand) == close(gamma(count + 0.5, scale=1 / area_m2).mean())


def test_a_hole_behind_what_is_seen_lies_there_by_chance() -> None:
    """Without evidence 1 - exp(-density x room): room is where its near end would have to lie."""
    length, begins = 0.25, 40
    demand = demand_of(runs=runs_of({"at_m": begins * CELL_M, "length_m": length}), seen_m2=0.8)
    room_m2 = (length - GAP_M) * LINE_M
    expected = 1 - np.exp(-0.5 / 0.8 * room_m2)
    found = hole_hidden(demand, LIMITS)
    assert found[begins:] == close(np.full(STATIONS - begins, expected))
    assert not found[:begins].any()


def test_rooms_of_several_runs_add_up() -> None:
    """Two lines side by side and a run further on; one that the legs bridge has no room."""
    runs = runs_of({"at_m": 0.3, "length_m": 0.2}, {"at_m": 0.3, "length_m": 0.15},
                   {"at_m": 0.8, "length_m": 0.3}, {"at_m": 0.9, "length_m": 0.08})
    room_m2 = np.cumsum([0.2 + 0.15 - 2 * GAP_M, 0.3 - GAP_M]) * LINE_M
    found = hole_hidden(demand_of(runs=runs), LIMITS)
    assert found[[30, 80, 119]] == close(1 - np.exp(-0.5 * room_m2[[0, 1, 1]]))


def test_without_a_run_there_is_no_hidden_hole() -> None:
    assert not hole_hidden(demand_of(), LIMITS).any()
    assert not hole_hidden(demand_of(seen_m2=0.0), LIMITS).any()


def test_where_nothing_near_is_seen_a_run_holds_a_hole_for_certain() -> None:
    """But one that the legs bridge has no room for it even then."""
    found = hole_hidden(demand_of(runs=runs_of({"at_m": 0.5}), seen_m2=0.0), LIMITS)
    assert not found[:50].any()
    assert np.all(found[50:] == 1.0)
    short = runs_of({"length_m": GAP_M})
    assert not hole_hidden(demand_of(runs=short, seen_m2=0.0), LIMITS).any()


def test_low_ground_is_evidence_of_a_hole_and_level_ground_none_against_it() -> None:
    """Up to 0.4 m of hole spread what is seen evenly over 0.4 m x fall; without one it is normal.

    1 / (0.4 x 0.25 x pdf) at 4 mm of standard deviation: above 1 from 2.6 deviations on.
    """
    sunk = np.array([0.0, 0.004, 0.008, 0.012, 0.014, 0.016])
    found = np.array([hole_hidden(demand_of(runs=runs_of({"sunk_m": s})), LIMITS)[-1]
                      for s in sunk])
    ratio = np.maximum(1 / (0.4 * 0.25 * norm.pdf(sunk, scale=0.004)), 1.0)
    assert ratio[2] == 1.0
    assert ratio[-1] > 100
    assert found == close(1 - np.exp(-0.5 * ratio * (0.2 - GAP_M) * LINE_M))


@law
@given(seed=seeds)
def test_lower_ground_never_lowers_the_probability(seed: int) -> None:
    rng = np.random.default_rng(seed)
    run = {"length_m": rng.uniform(0.05, 0.5), "fall": rng.uniform(0.1, 0.6),
           "ground_sd_m": rng.uniform(0.0, 0.03)}
    found = [hole_hidden(demand_of(runs=runs_of(run | {"sunk_m": s})), LIMITS)[-1]
             for s in np.linspace(0.0, 0.1, 8)]
    assert np.all(np.diff(found) >= 0)
    assert (found[-1] > found[0]) == (run["length_m"] > GAP_M)


@pytest.mark.parametrize("sunk_m", [0.0, 0.01, 0.05])
def test_an_unknown_spread_of_the_ground_is_the_least_spread(sunk_m: float) -> None:
    """2 mm, with which low ground is the strongest evidence; never no probability, nor none."""
    runs = runs_of({"sunk_m": sunk_m, "ground_sd_m": np.nan})
    found = hole_hidden(demand_of(runs=runs), LIMITS)[-1]
    ratio = max(1 / (0.4 * 0.25 * max(norm.pdf(sunk_m, scale=0.002), 1e-12)), 1.0)
    assert found == close(1 - np.exp(-0.5 * ratio * (0.2 - GAP_M) * LINE_M))
    assert found > 0


def judged(*runs: dict[str, float], gap_m: float = GAP_M, confidence: float = 0.6) -> list[str]:
    """Kinds of the causes; at the plain confidence the chance of a hidden hole is none."""
    limits = with_limits(ROVER, {"gap": gap_m}).limits
    found = decide(demand_of(runs=runs_of(*runs), **sloped()), limits, confidence)
    return [cause.kind for cause in found.causes]


@pytest.mark.parametrize(("share", "is_blank"), [(UNEXPLAINED_SHARE, 0), (BLANK_SHARE, 1)])
def test_a_run_that_is_mostly_unexplained_is_a_hole_by_itself(share: float, is_blank: int) -> None:
    """Three quarters of what the legs bridge behind nothing, or a third of it black."""
    for of_it, explained in ((0.99, True), (1.01, False)):
        bare_m = of_it * share * GAP_M
        run = {"length_m": 0.3, "unexplained_m": bare_m, "blank_m": is_blank * bare_m}
        demand = demand_of(runs=runs_of(run))
        assert groups_of(demand, GAP_M).explained.tolist() == [explained]
        assert (hole_hidden(demand, LIMITS)[-1] > 0) == explained
        assert judged(run) == ([] if explained else ["unseen run"])


@pytest.mark.parametrize(("length_m", "explained"), [
    (GAP_M - 1e-6, True), (GAP_M + 1e-6, False)])
def test_black_ground_counts_in_a_run_that_the_legs_do_not_bridge(
    length_m: float, explained: bool
) -> None:
    """Half of the gap is black, behind a rim that hides as much."""
    run = {"length_m": length_m, "explained_m": GAP_M / 2, "unexplained_m": GAP_M / 2,
           "blank_m": GAP_M / 2}
    other = {"length_m": 0.3, "at_m": 0.7, "group": 0}  # its group is longer than the gap
    demand = demand_of(runs=runs_of(run | {"group": 0}, other))
    assert groups_of(demand, GAP_M).explained.tolist() == [explained]


def test_a_group_is_explained_only_if_something_hides_a_part_of_it() -> None:
    """One run of it, if the others are surely shorter than the gap; the next group is apart."""
    bare = {"length_m": GAP_M - 0.02, "explained_m": 0.0, "unexplained_m": 0.05, "group": 0}
    hidden = {"at_m": 0.7, "length_m": 0.05, "explained_m": 0.01}
    for group, expected in ((0, [True]), (1, [False, True])):
        demand = demand_of(runs=runs_of(bare, hidden | {"group": group}))
        assert groups_of(demand, GAP_M).explained.tolist() == expected


@pytest.mark.parametrize("blank", [0.0, 1.0])
@pytest.mark.parametrize("cells", [3, 6])
def test_what_nothing_hides_asks_as_soon_as_it_may_be_longer_than_the_legs_bridge(
    cells: int, blank: float
) -> None:
    """Six cells of 1 cm at 0.98 m, where a picture row is 12 mm: a cell and 1.5 rows more.

    Then 2.326 standard deviations of half a cell and half a row; behind something it is go.
    """
    row_m = 0.012
    length_m = (cells + 1) * CELL_M + 1.5 * row_m
    run = {"at_m": 0.98, "length_m": length_m, "sigma_m": float(np.hypot(CELL_M, row_m)) / 2,
           "explained_m": 0.0, "unexplained_m": cells * CELL_M, "blank_m": blank * cells * CELL_M}
    worst_m = length_m + float(norm.ppf(0.99)) * run["sigma_m"]
    assert judged(run, gap_m=worst_m - 1e-6, confidence=0.99) == ["unseen run"]
    assert judged(run, gap_m=worst_m + 1e-6, confidence=0.99) == []
    hidden = run | {"explained_m": cells * CELL_M, "unexplained_m": 0.0, "blank_m": 0.0}
    assert judged(hidden, gap_m=worst_m - 1e-6, confidence=0.99) == []


def test_a_run_that_nothing_hides_asks_though_a_hidden_one_is_near() -> None:
    """By itself it may be longer than the legs bridge; a run hidden beside it explains no more."""
    bare = {"at_m": 0.60, "length_m": 0.08, "sigma_m": 0.007, "explained_m": 0.0,
            "unexplained_m": 0.05, "blank_m": 0.05}
    hidden = {"at_m": 0.50, "length_m": 0.07, "sigma_m": 0.006, "explained_m": 0.05}
    both = runs_of({**hidden, "group": 0}, {**bare, "group": 0})
    assert groups_of(demand_of(runs=both), 0.09).explained.tolist() == [False]
    shorter = runs_of({**hidden, "group": 0}, {**bare, "length_m": 0.06, "group": 0})
    assert groups_of(demand_of(runs=shorter), 0.09).explained.tolist() == [True]


def test_the_runs_of_a_group_are_taken_together() -> None:
    """From the first begin to the last end, with what is unexplained in all of them."""
    first = {"at_m": 0.40, "length_m": 0.05, "unexplained_m": 0.6 * UNEXPLAINED_SHARE * GAP_M,
             "sigma_m": 0.004, "group": 0}
    after = first | {"at_m": 0.50, "length_m": 0.06, "sigma_m": 0.005}
    alone = first | {"at_m": 0.90, "length_m": 0.07, "group": 1}
    groups = groups_of(demand_of(runs=runs_of(first, after, alone)), GAP_M)
    assert groups.at_m == close([0.40, 0.90])
    assert groups.length_m == close([0.16, 0.07])
    assert groups.sigma_m == close([0.005, 0.004])
    assert groups.explained.tolist() == [False, True]


# --- the decision ---------------------------------------------------------------------------------


def sloped() -> dict[str, Any]:
    """A known, level slope at every station: without it no heading is go."""
    level = np.zeros(STATIONS)
    unknown = np.full(STATIONS, np.nan)
    sigma = dict.fromkeys(MEASURED, unknown) | {"slope": level + 0.5}
    return {"slope": level, "sigma": sigma}


def random_demand(seed: int) -> HeadingDemand:
    """Of demands about their limits, some of them unknown, with up to three runs."""
    rng = np.random.default_rng(seed)
    level = rng.uniform(0.3, 0.9)
    values: dict[str, Any] = {}
    sigma = {}
    for name in MEASURED:
        limit = limit_of(LIMITS, name)
        value = limit * (level + 0.08 * rng.standard_normal(STATIONS))
        if name != "slope":
            value[rng.random(STATIONS) < 0.3] = np.nan
        values[name] = np.abs(value)
        sigma[name] = np.where(np.isfinite(value), limit * rng.uniform(0.005, 0.05, STATIONS),
                               np.nan)
    runs = [{"at_m": rng.uniform(0, 1), "length_m": rng.uniform(0.03, 0.4),
             "sigma_m": rng.uniform(0.003, 0.01), "explained_m": rng.choice([0, 0.05, 0.1]),
             "unexplained_m": (bare := rng.choice([0, 0.02, 0.05, 0.09])),
             "blank_m": bare * rng.choice([0, 0.5, 1]),
             "sunk_m": rng.choice([0, 0.003, 0.02]), "fall": rng.uniform(0.1, 0.5),
             "ground_sd_m": rng.uniform(0.0, 0.02)} for _ in range(rng.integers(0, 4))]
    deep = tuple(rng.uniform(0.02, 0.1, rng.integers(0, 3)).tolist())
    return demand_of(sigma=sigma, runs=runs_of(*runs), seen_m2=float(rng.uniform(0.3, 2.0)),
                     hollows_m=deep, tilt_sigma_deg=float(rng.uniform(0, 0.2)),
                     scale_sigma=float(rng.uniform(0, 0.004)), **values)


def chance_in_all(demand: HeadingDemand) -> float:
    measured, hidden = exceeding(demand, LIMITS)[-1], hole_hidden(demand, LIMITS)[-1]
    return float(1 - (1 - measured) * (1 - hidden))


@pytest.mark.parametrize(("confidence", "verdict"), [(0.9399, "go"), (0.9401, "ask-ground")])
def test_go_is_given_up_to_the_allowed_probability_and_no_further(
    confidence: float, verdict: str
) -> None:
    """Three independent demands of 2 %, each of them within its limit at 94 %: together 5.9 %.

    1 - 0.98³ = 0.0588; with a run that holds a hole by 1 - exp(-x) it is made 0.06 exactly.
    """
    odds = float(np.log(0.98**3 / 0.94))
    length = GAP_M + odds / 0.5 / LINE_M
    at = above(0.02, 0.001)
    plain = demand_of({"step": dict.fromkeys((10, 50, 90), at)})
    level = sloped()
    demand = demand_of(runs=runs_of({"at_m": 0.2, "length_m": length}), step=plain.step,
                       slope=level["slope"], sigma=level["sigma"] | {"step": plain.sigma["step"]})
    found = decide(demand, LIMITS, confidence)
    assert found.probability == close(0.06)
    assert found.verdict == verdict
    assert len(found.causes) == (verdict != "go")
    assert all("in all 6.0 %" in cause.text for cause in found.causes)


@law
@given(seed=seeds, confidence=st.floats(0.5, 0.999))
def test_go_needs_the_probability_and_states_it(seed: int, confidence: float) -> None:
    demand = random_demand(seed)
    found = decide(demand, LIMITS, confidence)
    assert found.probability == close(chance_in_all(demand), abs=1e-12)
    if found.verdict == "go":
        assert found.probability <= 1 - confidence
    if found.probability > 1 - confidence:
        assert found.verdict == "ask-ground"


@settings(max_examples=200, deadline=None, derandomize=True)
@given(seed=seeds, more=st.lists(st.floats(0.0, 1.0), min_size=7, max_size=7),
       confidence=st.floats(0.6, 0.99), less=st.floats(0.0, 1.0))
def test_a_higher_limit_or_lower_confidence_never_turns_go_into_ask(
    seed: int, more: list[float], confidence: float, less: float
) -> None:
    """Any limits higher, by up to twice.

    The probability may rise with them: a run that is too long to be explained has none.
    """
    demand = random_demand(seed)
    higher = with_limits(ROVER, {
        name: (1 + share) * getattr(LIMITS, name).value
        for name, share in zip(sorted(LIMIT_UNITS), more, strict=True)}).limits
    lower = 0.5 + (confidence - 0.5) * less
    before = decide(demand, LIMITS, confidence)
    for after in (decide(demand, higher, confidence), decide(demand, LIMITS, lower)):
        if before.verdict == "go":
            assert after.verdict == "go"


def test_the_demands_of_the_laws_come_out_both_ways() -> None:
    """With and without runs: else the laws about go would say nothing."""
    found = [(demand.runs.at_m.size > 0, decide(demand, LIMITS, 0.9).verdict)
             for demand in map(random_demand, range(60))]
    for case in ((True, "go"), (True, "ask-ground"), (False, "go"), (False, "ask-ground")):
        assert found.count(case) >= 2


@law
@given(seed=seeds, share=st.floats(0.0, 1.0))
def test_unknown_demands_never_make_the_probability_unknown(seed: int, share: float) -> None:
    demand, rng = random_demand(seed), np.random.default_rng(seed)
    lost = {name: rng.random(STATIONS) < share for name in MEASURED}
    values: dict[str, Any] = {name: np.where(lost[name], np.nan, getattr(demand, name))
                              for name in MEASURED}
    fewer = replace(demand, **values, sigma={
        name: np.where(lost[name], np.nan, demand.sigma[name]) for name in MEASURED})
    for limits in (LIMITS, with_limits(ROVER, {"step": 0.0, "gap": 0.0}).limits):  # no room at all
        found = decide(fewer, limits, 0.99)
        assert 0 <= found.probability <= 1
        assert np.isfinite(exceeding(fewer, limits)).all()
        assert np.isfinite(hole_hidden(fewer, limits)).all()
    assert np.all(exceeding(fewer, LIMITS) <= exceeding(demand, LIMITS) + 1e-12)


def test_the_clear_way_ends_where_the_probability_passes_though_a_cause_follows() -> None:
    """Three demands of 2 % pass 5 % at the third, 0.90 m; a run that nothing hides is at 1.0 m."""
    plain = demand_of({"step": dict.fromkeys((10, 50, 90), above(0.02, 0.001))})
    level = sloped()
    bare = {"at_m": 1.0, "explained_m": 0.0, "unexplained_m": 0.2}
    demand = demand_of(runs=runs_of(bare), step=plain.step, slope=level["slope"],
                       sigma=level["sigma"] | {"step": plain.sigma["step"]})
    found = decide(demand, LIMITS, 0.95)
    assert [cause.kind for cause in found.causes] == ["step", "unseen run"]
    assert (found.clear_m, found.causes[1].at_m) == close((0.90, 1.0))
    assert "in all 5.9 %" in found.causes[0].text
    # At 93 % what is measured passes, and the way is clear up to the run.
    assert decide(demand, LIMITS, 0.93).clear_m == close(1.0)


def test_where_no_ground_is_seen_there_is_no_probability() -> None:
    unseen = demand_of(seen_share=np.zeros(STATIONS))
    found = decide(unseen, LIMITS, 0.99)
    assert np.isnan(found.probability)
    assert [cause.kind for cause in found.causes] == ["no ground seen"]
    little = np.zeros(STATIONS)
    little[7] = 0.01
    assert decide(demand_of(seen_share=little), LIMITS, 0.99).probability == 0.0


@pytest.mark.parametrize(("step_m", "belly_m", "lower"), [
    (0.03, 0.06, "step"), (0.06, 0.03, "belly")])
def test_the_margin_of_a_hidden_obstacle_is_of_the_lower_of_step_and_belly(
    step_m: float, belly_m: float, lower: str
) -> None:
    """Something of 4.5 cm could hide: go from that on, to a fifth of a percent."""
    height_m = 0.045
    limits = with_limits(ROVER, {"step": step_m, "belly": belly_m}).limits
    hidden = np.zeros(STATIONS)
    hidden[40] = height_m
    demand = demand_of(hidden_m=hidden, **sloped())
    verdict = decide(demand, limits, 0.99)
    assert [cause.kind for cause in verdict.causes] == ["hidden obstacle"]
    margin = margin_of(demand, limits, 0.99, verdict)
    assert margin is not None
    assert margin.limit == lower
    assert margin.value == 0.03
    assert height_m <= margin.at <= height_m + 0.002 * margin.value


def test_what_is_measured_is_all_compared() -> None:
    assert set(HEIGHTS) | set(ANGLES) == set(MEASURED)
    assert not set(HEIGHTS) & set(ANGLES)
