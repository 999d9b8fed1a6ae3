"""The gist of demands: never another verdict than ``decide`` gives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from hazcam.rover import read_rover
from hazcam.rover.profile import LIMIT_UNITS, Limits
from hazcam.verdict import Cause, HeadingDemand, decide
from hazcam.verdict.chance import NODES, WEIGHTS
from hazcam.verdict.gist import ASK, CLOSE, GO, UNDECIDED, join_gists, judge_gists, pack_gist
from hazcam.verdict.kernels_terms import leading_terms, upper_envelope
from hazcam.verdict.record import MEASURED, TurnDemand, UnseenRuns
from tests.conftest import Assess
from tests.synthetic import Box, Scene

LIMITS = read_rover("dunlin-em").limits
HEIGHTS = ("step", "drop", "belly", "contact")
N = 60
CAUSE = Cause(kind="rig not checked", at_m=0.0, demand=None, sigma=None, limit=None, unit="",
              text="")


def limits_with(**values: float) -> Limits:
    return replace(LIMITS, **{name: replace(getattr(LIMITS, name), value=value)
                              for name, value in values.items()})


def scaled(**shares: float) -> Limits:
    return limits_with(**{n: s * getattr(LIMITS, n).value for n, s in shares.items()})


def runs_of(rng: np.random.Generator, count: int) -> UnseenRuns:
    """Runs about as long as the legs bridge, in groups; some explained, some blank."""
    gap_m = LIMITS.gap.value
    length = rng.uniform(0.2, 1.6, count) * gap_m
    explained = np.where(rng.random(count) < 0.7, rng.uniform(0.3, 1, count), 0.0) * length
    bare = (length - explained) * (rng.random(count) < 0.6)
    return UnseenRuns(
        at_m=rng.uniform(0, 1, count), length_m=length, sigma_m=rng.uniform(0, 0.01, count),
        explained_m=explained, unexplained_m=bare, blank_m=bare * rng.random(count),
        sunk_m=rng.uniform(0, 0.02, count), fall=rng.uniform(0.1, 0.6, count),
        ground_sd_m=np.where(rng.random(count) < 0.2, np.nan, rng.uniform(0, 0.01, count)),
        group=rng.integers(0, max(count // 2, 1), count), line_m=0.01)


def a_demand(seed: int, **changes: Any) -> HeadingDemand:
    """A heading that limits near those of the rover decide, now one way and now the other."""
    rng = np.random.default_rng(seed)
    values, sigma = {}, {}
    for name in MEASURED:
        limit = getattr(LIMITS, {"contact": "belly"}.get(name, name)).value
        value = limit * rng.uniform(0.1, 0.9) * rng.beta(1, 4, N)
        value[rng.random(N) < 0.1] = np.nan
        values[name] = value
        sigma[name] = np.where(np.isnan(value), np.nan, limit * rng.uniform(0.01, 0.15, N))
    values["slope"] = np.nan_to_num(values["slope"])
    sigma["slope"] = np.nan_to_num(sigma["slope"], nan=1.0)
    hidden = np.where(rng.random(N) < 0.2, rng.uniform(0, 0.5) * LIMITS.step.value, 0.0)
    turn = None
    if rng.random() < 0.5:
        height, drop, tall, side = rng.uniform(0, 0.9, 4)
        turn = TurnDemand(step_m=height * LIMITS.step.value, drop_m=drop * LIMITS.drop.value,
                          sigma_m=float(rng.uniform(0, 0.01)), hidden_m=tall * LIMITS.step.value,
                          unseen_m=side * LIMITS.gap.value)
    zeros = np.zeros(N)
    fields: dict[str, Any] = {
        "heading_deg": 5.0, "station_m": np.arange(N) / 50, **values, "pitch": zeros, "lean": zeros,
        "sigma": sigma, "tilt_sigma_deg": float(rng.uniform(0, 1)),
        "scale_sigma": float(rng.uniform(0, 0.02)),
        "tilt_bound_deg": float(rng.choice([0.0, 0.0, 2.0])), "runs": runs_of(rng, 8 * (seed % 2)),
        "hidden_m": hidden, "outside": zeros.astype(bool),
        "unseen_state": zeros.astype(np.uint8), "unseen_blank": zeros.astype(np.uint8),
        "seen_share": np.ones(N), "strip_m": 0.1, "assumed_m": 0.1, "turn": turn,
        "turn_radius_m": 0.2, "turn_assumed": True, "look_ahead_m": 1.2,
        "seen_m2": float(rng.uniform(1, 4)), "hollows_m": (0.03,) * int(rng.integers(3))}
    return HeadingDemand(**{**fields, **changes})


def quiet(**changes: Any) -> HeadingDemand:
    """A heading without any demand to speak of, but for what is given."""
    calm = {name: np.zeros(N) for name in MEASURED}
    sigma = {name: np.full(N, 1e-4) for name in MEASURED} | changes.pop("sigma", {})
    base = a_demand(0, **calm, sigma=sigma, turn=None, hidden_m=np.zeros(N), tilt_bound_deg=0.0)
    return replace(base, **changes)


def judged(demand: HeadingDemand, limits: Limits, confidence: float, *causes: Cause) -> int:
    return int(judge_gists(join_gists([pack_gist([demand], causes)]), limits, confidence)[0])


def agrees(demand: HeadingDemand, limits: Limits, confidence: float) -> bool:
    """The same verdict; True where the gist leaves it open too, which is counted elsewhere."""
    found = judged(demand, limits, confidence)
    says = decide(demand, limits, confidence).verdict
    return found == UNDECIDED or (found == GO) == (says == "go")


shares = st.floats(0.3, 3.0)


@settings(max_examples=120, deadline=None)
@given(seed=st.integers(0, 10**6), confidence=st.floats(0.5, 0.999),
       share=st.tuples(*[shares] * len(LIMIT_UNITS)))
def test_a_gist_says_what_decide_says(
    seed: int, confidence: float, share: tuple[float, ...]
) -> None:
    assert agrees(a_demand(seed), scaled(**dict(zip(LIMIT_UNITS, share, strict=True))), confidence)


def flip(goes: Callable[[float], bool]) -> tuple[float, float]:
    """Shares of a limit, close to each other, between which a verdict flips; equal if never."""
    low, high = 0.05, 4.0
    if goes(low) == goes(high):
        return high, high
    while high - low > 1e-7:
        middle = (low + high) / 2
        low, high = (middle, high) if goes(middle) == goes(low) else (low, middle)
    return low, high


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), name=st.sampled_from(sorted(LIMIT_UNITS)),
       confidence=st.sampled_from([0.5, 0.8, 0.95, 0.99, 0.999]))
@example(seed=3, name="gap", confidence=0.99)
def test_a_gist_flips_at_the_same_limit(seed: int, name: str, confidence: float) -> None:
    """All other limits being wide, each term of the sum shows at the seventh digit."""
    demand, wide = a_demand(seed), dict.fromkeys(LIMIT_UNITS, 3.0)
    gists = join_gists([pack_gist([demand], ())])

    def limits(share: float) -> Limits:
        return scaled(**{**wide, name: share})

    for share in flip(lambda s: judge_gists(gists, limits(s), confidence)[0] == GO):
        assert agrees(demand, limits(share), confidence), share


def test_such_demands_go_and_ask_and_flip() -> None:
    """Else the two tests above would show little."""
    says = [judged(a_demand(seed), scaled(**dict.fromkeys(LIMIT_UNITS, s)), 0.95)
            for seed in range(150) for s in (0.8, 2.0)]
    assert min(says.count(GO), says.count(ASK)) > 60
    assert says.count(UNDECIDED) == 0


# --- each branch of decide ------------------------------------------------------------------------


def test_a_quiet_heading_goes() -> None:
    assert judged(quiet(), LIMITS, 0.999) == GO


@pytest.mark.parametrize("changes", [
    {"seen_share": np.zeros(N)}, {"assumed_m": 1.2}, {"outside": np.arange(N) == 40},
    {"slope": np.where(np.arange(N) == 30, np.nan, 0.0)},
    {"turn": TurnDemand(step_m=0, drop_m=0, sigma_m=0.001, hidden_m=0, unseen_m=0),
     "turn_assumed": False},
])
def test_what_asks_whatever_the_limits_keeps_nothing(changes: dict[str, Any]) -> None:
    demand, wide = quiet(**changes), scaled(**dict.fromkeys(LIMIT_UNITS, 4.0))
    assert decide(demand, wide, 0.5).verdict == "ask-ground"
    gists = join_gists([pack_gist([demand], ())])
    assert judge_gists(gists, wide, 0.5).tolist() == [ASK]
    assert len(gists.headings) == len(gists.terms) == len(gists.fronts) == len(gists.runs) == 0


def test_no_slope_below_what_is_assumed_clear_does_not_matter() -> None:
    demand = quiet(slope=np.where(np.arange(N) < 4, np.nan, 0.0))
    assert judged(demand, LIMITS, 0.99) == GO
    assert agrees(demand, LIMITS, 0.99)


def test_what_speaks_against_the_pair_asks() -> None:
    assert judged(quiet(), LIMITS, 0.5, CAUSE) == ASK


@pytest.mark.parametrize("name", MEASURED)
def test_each_demand_is_compared_by_itself(name: str) -> None:
    """Just under and just over its limit, hardly uncertain, at a single station."""
    limit = {"contact": "belly"}.get(name, name)
    for share, expected in ((0.98, GO), (1.02, ASK)):
        value = np.zeros(N)
        value[33] = share * getattr(LIMITS, limit).value
        demand = quiet(**{name: value}, scale_sigma=1e-5, tilt_sigma_deg=1e-5)
        assert judged(demand, scaled(**{n: 4.0 for n in LIMIT_UNITS if n != limit}), 0.99) \
            == expected
        assert agrees(demand, LIMITS, 0.99)


@pytest.mark.parametrize(("name", "factor"), [("slope", np.sqrt(2)), ("tip", np.sqrt(2)),
                                              ("roll", 1.0)])
def test_an_unknown_tilt_adds_to_angles(name: str, factor: float) -> None:
    for share, expected in ((0.98, GO), (1.02, ASK)):
        bound = share * getattr(LIMITS, name).value / factor
        demand = quiet(tilt_bound_deg=bound, tilt_sigma_deg=1e-5)
        others = {n: 9.0 for n in LIMIT_UNITS if n != name}
        assert judged(demand, scaled(**others), 0.99) == expected
        assert agrees(demand, scaled(**others), 0.99)


@pytest.mark.parametrize("bound", [0.0, 1.0])
def test_the_comparison_counts_where_the_quadrature_is_coarse(bound: float) -> None:
    """An error that all stations share, and no other: 1.9 % by its 15 nodes, 2.3 % in truth."""
    slope = np.where(np.arange(N) == 20, LIMITS.slope.value - 2.0 - np.sqrt(2) * bound, 0.0)
    demand = quiet(slope=slope, sigma={"slope": np.full(N, 1.0)}, tilt_sigma_deg=1.0,
                   tilt_bound_deg=bound)
    assert WEIGHTS[NODES > 2.0].sum() < 0.02
    assert judged(demand, scaled(tip=3.0, roll=3.0), 0.98) == ASK
    assert agrees(demand, scaled(tip=3.0, roll=3.0), 0.98)
    assert judged(demand, scaled(tip=3.0, roll=3.0), 0.97) == GO


def test_a_lower_demand_counts_where_it_is_less_certain() -> None:
    """As above; a higher one that is surer does not stand for it."""
    at, limit = np.arange(N), LIMITS.slope.value
    slope = np.select([at == 20, at == 40], [limit - 2.0, limit - 1.9], 0.0)
    demand = quiet(slope=slope, sigma={"slope": np.where(at == 20, 1.0, 0.01)}, tilt_sigma_deg=1.0)
    others = scaled(tip=3.0, roll=3.0)
    assert judged(demand, others, 0.98) == ASK
    assert agrees(demand, others, 0.98)
    assert judged(demand, others, 0.97) == GO


def test_heights_and_angles_count_together_on_the_shortest_way() -> None:
    """All of it is one foothold, and one body length."""
    sigma = {"step": np.full(N, 0.001), "slope": np.full(N, 1.0)}
    step, slope = np.full(N, LIMITS.step.value - 0.0025), np.full(N, LIMITS.slope.value - 2.5)
    both, high, steep = (
        shortened(quiet(sigma=sigma, scale_sigma=0.0, tilt_sigma_deg=0.0, **demands), 3)
        for demands in ({"step": step, "slope": slope}, {"step": step}, {"slope": slope}))
    others = scaled(tip=3.0, roll=3.0, belly=3.0)
    assert [judged(d, others, 0.99) for d in (both, high, steep)] == [ASK, GO, GO]
    assert all(agrees(d, others, 0.99) for d in (both, high, steep))


def shortened(demand: HeadingDemand, n: int) -> HeadingDemand:
    """Its first stations."""
    cut: dict[str, Any] = {name: value[:n] for name, value in vars(demand).items()
                           if isinstance(value, np.ndarray)}
    return replace(demand, **cut, sigma={name: s[:n] for name, s in demand.sigma.items()})


def test_many_demands_together_ask_where_none_does_alone() -> None:
    value = np.full(N, 0.9 * LIMITS.step.value)
    sigma = {"step": np.full(N, 0.04 * LIMITS.step.value)}
    many = quiet(step=value, sigma=sigma, scale_sigma=0.0)
    one = quiet(step=np.where(np.arange(N) == 20, value, 0.0), sigma=sigma, scale_sigma=0.0)
    assert (judged(one, LIMITS, 0.99), judged(many, LIMITS, 0.99)) == (GO, ASK)
    assert agrees(one, LIMITS, 0.99)
    assert agrees(many, LIMITS, 0.99)


TURNS = {"step_m": "step", "drop_m": "drop", "hidden_m": "step", "unseen_m": "gap"}


@pytest.mark.parametrize(("field", "limit"), TURNS.items())
def test_the_turn_in_place(field: str, limit: str) -> None:
    calm = dict.fromkeys(("step_m", "drop_m", "hidden_m", "unseen_m"), 0.0)
    for share, expected in ((0.97, GO), (1.03, ASK)):
        turn = TurnDemand(**{**calm, field: share * getattr(LIMITS, limit).value}, sigma_m=1e-4)
        demand = quiet(turn=turn)
        wide = scaled(**{n: 4.0 for n in LIMIT_UNITS if n not in (limit, "belly")},
                      belly=4.0 if limit != "belly" else 1.0)
        assert judged(demand, wide, 0.99) == expected
        assert agrees(demand, wide, 0.99)


def test_the_turn_and_the_way_together() -> None:
    """Each by itself would do."""
    turn = TurnDemand(step_m=0.9 * LIMITS.step.value, drop_m=0, sigma_m=0.04 * LIMITS.step.value,
                      hidden_m=0, unseen_m=0)
    value = np.where(np.arange(N) == 20, 0.9 * LIMITS.step.value, 0.0)
    sigma = {"step": np.full(N, 0.041 * LIMITS.step.value)}
    way = quiet(step=value, sigma=sigma, scale_sigma=0.0)
    both = replace(way, turn=turn)
    wide = scaled(belly=3.0)
    assert [judged(d, wide, 0.99) for d in (way, quiet(turn=turn), both)] == [GO, GO, ASK]
    assert agrees(both, wide, 0.99)


def test_hidden_things_but_not_those_outside() -> None:
    tall = np.where(np.arange(N) == 20, 1.01 * LIMITS.step.value, 0.0)
    assert judged(quiet(hidden_m=tall), scaled(belly=4.0), 0.5) == ASK
    assert judged(quiet(hidden_m=0.98 * tall), scaled(belly=4.0), 0.5) == GO
    assert judged(quiet(hidden_m=tall + np.inf), LIMITS, 0.5) == ASK


def one_run(**changes: float) -> UnseenRuns:
    gap_m = LIMITS.gap.value
    values = {"at_m": 0.5, "length_m": 1.3 * gap_m, "sigma_m": 0.002, "explained_m": 1.2 * gap_m,
              "unexplained_m": 0.1 * gap_m, "blank_m": 0.0, "sunk_m": 0.0, "fall": 0.3,
              "ground_sd_m": 0.004} | changes
    return UnseenRuns(**{k: np.array([v]) for k, v in values.items()},
                      group=np.zeros(1, dtype=np.int64), line_m=0.01)


@pytest.mark.parametrize(("changes", "expected"), [
    ({}, GO),                                                     # explained
    ({"explained_m": 0.0}, ASK),                                  # alone and longer
    ({"explained_m": 0.0, "length_m": 0.98 * LIMITS.gap.value, "sigma_m": 1e-5}, GO),
    ({"explained_m": 0.0, "length_m": 0.98 * LIMITS.gap.value, "sigma_m": 0.02}, ASK),
    ({"blank_m": 0.4 * LIMITS.gap.value}, ASK),                   # black behind a rim
    ({"blank_m": 0.3 * LIMITS.gap.value}, GO),
    ({"unexplained_m": 0.8 * LIMITS.gap.value}, ASK),
    ({"unexplained_m": 0.7 * LIMITS.gap.value}, GO),
])
def test_unseen_runs(changes: dict[str, float], expected: int) -> None:
    demand = quiet(runs=one_run(**changes), seen_m2=40.0, hollows_m=())
    assert judged(demand, LIMITS, 0.9) == expected
    assert agrees(demand, LIMITS, 0.9)


def test_a_hole_may_hide_behind_what_is_seen() -> None:
    """The fewer square metres are seen without one, and the more hollows, the likelier."""
    runs = one_run(length_m=4 * LIMITS.gap.value, sunk_m=0.008)
    wide, rare = (quiet(runs=runs, seen_m2=m2, hollows_m=()) for m2 in (1e4, 0.01))
    hollow = quiet(runs=runs, seen_m2=1e4, hollows_m=(0.05,) * 10**6)
    assert [judged(d, LIMITS, 0.99) for d in (wide, rare, hollow)] == [GO, ASK, ASK]
    nothing_seen = quiet(runs=runs, seen_m2=0.0, hollows_m=())
    assert judged(nothing_seen, LIMITS, 0.5) == ASK
    for demand in (wide, rare, hollow, nothing_seen):
        assert agrees(demand, LIMITS, 0.99)


@pytest.mark.parametrize("gap_m", [LIMITS.gap.value, 0.3])
@pytest.mark.parametrize("changes", [
    {}, {"sunk_m": 0.012}, {"ground_sd_m": 0.0005}, {"ground_sd_m": 0.2, "sunk_m": 0.02},
    {"ground_sd_m": np.nan, "sunk_m": 0.005}, {"fall": 0.5, "ground_sd_m": 0.2, "sunk_m": 0.03}])
def test_what_sight_lines_tell_of_a_hole(gap_m: float, changes: dict[str, float]) -> None:
    """The ground that must be seen without a hole for ``go`` is the same to the fifth digit."""
    runs = one_run(**{"length_m": 2 * gap_m, "explained_m": 2 * gap_m, **changes})
    limits = limits_with(gap=gap_m)

    def heading(m2: float) -> HeadingDemand:
        return quiet(runs=runs, seen_m2=m2, hollows_m=())

    least, most = 1e-6, 1e9
    while most / least > 1 + 1e-5:
        middle = (least * most) ** 0.5
        goes = decide(heading(middle), limits, 0.9).verdict == "go"
        least, most = (least, middle) if goes else (middle, most)
    assert [judged(heading(m2), limits, 0.9) for m2 in (least, most)] == [ASK, GO]


# --- what a gist leaves open ----------------------------------------------------------------------


def test_what_lies_on_the_limit_is_left_to_decide() -> None:
    value = np.where(np.arange(N) == 20, LIMITS.step.value, 0.0)
    demand = quiet(step=value, sigma={"step": np.full(N, 1e-6)}, scale_sigma=0.0)
    at = judged(demand, scaled(belly=4.0), 0.5)
    off = judged(demand, limits_with(step=LIMITS.step.value - 10 * CLOSE, belly=1.0), 0.5)
    assert (at, off) == (UNDECIDED, ASK)


@pytest.mark.parametrize("changes", [
    {"step": np.where(np.arange(N) == 9, np.inf, 0.0)}, {"scale_sigma": 0.5},
    {"sigma": {name: np.full(N, -1e-4) for name in MEASURED}}, {"tilt_bound_deg": -1.0},
    {"runs": one_run(fall=0.0)},
])
def test_what_no_picture_gives_is_left_to_decide(changes: dict[str, Any]) -> None:
    assert judged(quiet(**changes), LIMITS, 0.99) == UNDECIDED


# --- the terms that are kept ----------------------------------------------------------------------


@settings(deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(0, 40))
def test_the_upper_envelope_holds_every_greatest_line(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    value, sigma = rng.normal(size=n).round(1), rng.uniform(0, 1, n).round(1)
    value[rng.random(n) < 0.2] = np.nan
    chosen = np.empty(n, dtype=np.int64)
    kept = chosen[:upper_envelope(value, sigma, -3.0, 5.0, chosen)]
    known = ~np.isnan(value)
    assert (kept.size > 0) == bool(known.any())
    assert len(set(kept.tolist())) == len(kept)
    for s in np.linspace(-3, 5, 41) if known.any() else ():
        assert np.max(value[kept] + s * sigma[kept]) == pytest.approx(
            np.max((value + s * sigma)[known]), abs=1e-12)


@settings(deadline=None)  # the first call compiles for these records
@given(seed=st.integers(0, 10**6), stations=st.integers(1, 9))
def test_the_leading_terms_give_the_chance_of_each_block(seed: int, stations: int) -> None:
    rng = np.random.default_rng(seed)
    value, own = rng.uniform(0, 0.05, (2, 30)), rng.uniform(0.001, 0.02, (2, 30))
    terms = np.zeros(value.size, dtype=[("value", "f8"), ("own", "f8"), ("block", "u2")])
    terms = terms[:leading_terms(value, own, stations, 8.0, terms)]
    for limit in rng.uniform(0, 0.1, 20):
        for first in range(0, 30, stations):
            z = ((value - limit) / own)[:, first:first + stations].max()
            block = terms[terms["block"] == first // stations]
            found = ((block["value"] - limit) / block["own"]).max(initial=-np.inf)
            ahead = ((terms["value"] - limit) / terms["own"]).max()
            # A block may be left out where another one is sure to be over, or neither is near.
            assert found == pytest.approx(z, abs=1e-9) or z < -8 or ahead > 8 or z > 8


# --- packed ---------------------------------------------------------------------------------------


def test_gists_are_joined_in_their_order() -> None:
    demands = [a_demand(seed) for seed in range(6)]
    blobs = [pack_gist(demands[:2], ()), pack_gist(demands[2:3], (CAUSE,)), pack_gist([], ()),
             pack_gist(demands[3:], ())]
    gists = join_gists(blobs)
    wide = scaled(**dict.fromkeys(LIMIT_UNITS, 2.0))
    assert gists.count.tolist() == [2, 1, 0, 3]
    assert gists.heading_deg.tolist() == [5.0] * 6
    alone = [judged(d, wide, 0.9) for d in demands]
    alone[2] = ASK
    assert judge_gists(gists, wide, 0.9).tolist() == alone
    assert {GO, ASK} <= set(alone)
    assert len(join_gists([]).kind) == 0


def of_pictures(assess: Assess) -> list[HeadingDemand]:
    """Flat ground, and a low box on the way; some headings reach out of view."""
    scenes = (Scene(), Scene(boxes=(Box(0.5, 0.6, -0.1, 0.1, 0.03),)))
    return [d for scene in scenes
            for d in assess(scene, headings_deg=(-10.0, 0.0, 10.0), look_ahead_m=0.6).demands]


def test_a_gist_is_small_and_the_same_again(assess: Assess) -> None:
    demands = of_pictures(assess)
    blob = pack_gist(demands, ())
    assert blob == pack_gist(demands, ())
    assert np.bincount(join_gists([blob]).kind).tolist() == [4, 2]
    assert len(blob) < 2 * 5_000
    assert join_gists([blob]).nbytes < len(blob)


def test_demands_of_pictures_are_judged_as_decide_does(assess: Assess) -> None:
    demands, counted = of_pictures(assess), []
    gists = join_gists([pack_gist(demands, ())])
    for share in (0.1, 0.3, 0.5, 1.0, 2.0):
        for confidence in (0.5, 0.9, 0.999):
            limits = scaled(**dict.fromkeys(LIMIT_UNITS, share))
            says = [decide(d, limits, confidence).verdict == "go" for d in demands]
            assert (judge_gists(gists, limits, confidence) == GO).tolist() == says
            counted.append(sum(says))
    assert set(counted) == {0, 1, 2}


@pytest.mark.parametrize(("data", "words"), [
    (b"", "found nothing"), (b"\x07" + bytes(40), "version 1 was expected, found version 7"),
    (pack_gist([quiet()], ())[:-1], "bytes was expected"), (b"\x01\x00", "29 bytes was expected"),
])
def test_what_is_no_gist_is_refused(data: bytes, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        join_gists([data])


def test_the_outermost_node_is_the_last() -> None:
    """The loops rely on it."""
    assert NODES[-1] == np.abs(NODES).max()
