"""The worst stances on bounds of the ground, against the stance itself and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.frames import Floats
from hazcam.rover import (
    WorstStances,
    read_rover,
    settle,
    settle_on_tripods,
    tip_angle_deg,
    worst_stances,
)

ROVER = read_rover("dunlin-em")
BODY, LEGS = ROVER.body, ROVER.legs
SPACING = LEGS.hip_spacing_m
FRONT_LEFT, HIND_RIGHT = 0, 5
# What is worked out in closed form differs by rounding alone.
close = pytest.approx
seeds = st.integers(0, 2**32 - 1)
# The first example may have to wait for the compiler.
law = settings(max_examples=50, deadline=None, derandomize=True)


def atan_deg(rise: float, run: float) -> float:
    return math.degrees(math.atan2(rise, run))


def rough(seed: int, spread_m: float = 0.02) -> Floats:
    return np.random.default_rng(seed).normal(0.0, spread_m, (20, 6))


NAMES = ("pitch_least_deg", "pitch_most_deg", "roll_least_deg", "roll_most_deg",
         "overturn_margin_deg")
# Which sense is the more severe.
SENSE = (-1, 1, -1, 1, -1)


@law
@given(seeds)
def test_with_equal_bounds_all_cases_are_the_stance(seed: int) -> None:
    ground = rough(seed)
    worst = worst_stances(BODY, LEGS, ground, ground)
    stances = [settle(BODY, LEGS, ground)]
    tripods = settle_on_tripods(BODY, LEGS, ground)
    stances += [tripods.left, tripods.right]
    for name, of, best in (
        ("pitch_least_deg", "pitch_deg", np.min), ("pitch_most_deg", "pitch_deg", np.max),
        ("roll_least_deg", "roll_deg", np.min), ("roll_most_deg", "roll_deg", np.max),
        ("overturn_margin_deg", "overturn_margin_deg", np.min),
    ):
        expected = best([getattr(stance, of) for stance in stances], axis=0)
        assert getattr(worst, name) == close(expected, abs=1e-12)


@law
@given(seeds, st.floats(0.001, 0.03), st.floats(0.001, 0.03))
def test_wider_bounds_about_a_ground_are_never_less_severe(
    seed: int, by_m: float, more_m: float
) -> None:
    """On uneven ground, of half the width of the bounds at most."""
    ground = rough(seed, by_m / 3)
    inner = worst_stances(BODY, LEGS, ground, ground)
    outer = worst_stances(BODY, LEGS, ground - by_m, ground + by_m)
    outermost = worst_stances(BODY, LEGS, ground - by_m - more_m, ground + by_m + more_m)
    for name, sense in zip(NAMES, SENSE, strict=True):
        steps = np.diff([getattr(each, name) for each in (inner, outer, outermost)], axis=0)
        assert (sense * steps).min() > -1e-9


@law
@given(seeds)
def test_no_ground_within_the_bounds_overturns_sooner(seed: int) -> None:
    """Any heights between the bounds of a level floor, against the cases that are tried."""
    rng = np.random.default_rng(seed)
    low, high = np.full((1, 6), -0.02), np.full((1, 6), 0.03)
    between = np.where(rng.random((200, 6)) < 0.5, rng.uniform(low, high, (200, 6)),
                       rng.choice([-0.02, 0.03], (200, 6)))
    worst = worst_stances(BODY, LEGS, low, high)
    tripods = settle_on_tripods(BODY, LEGS, between)
    for stance in (settle(BODY, LEGS, between), tripods.left, tripods.right):
        assert stance.overturn_margin_deg.min() >= worst.overturn_margin_deg[0] - 1e-9
        assert stance.pitch_deg.max() <= worst.pitch_most_deg[0] + 1e-9
        assert stance.pitch_deg.min() >= worst.pitch_least_deg[0] - 1e-9
        assert stance.roll_deg.max() <= worst.roll_most_deg[0] + 1e-9
        assert stance.roll_deg.min() >= worst.roll_least_deg[0] - 1e-9


def test_worst_cases_of_a_level_band() -> None:
    """By hand: middle high and one end low; a tripod's side high, its other foot low."""
    low, high = np.full((1, 6), -0.01), np.full((1, 6), 0.02)
    worst = worst_stances(BODY, LEGS, low, high)
    assert worst.pitch_most_deg == close([atan_deg(0.03, SPACING)])
    assert worst.pitch_least_deg == close([-atan_deg(0.03, SPACING)])
    assert worst.roll_most_deg == close([atan_deg(0.03, LEGS.track_m)])
    assert worst.roll_least_deg == close([-atan_deg(0.03, LEGS.track_m)])
    # A tripod about the edge from an end foot to the middle one of the other side: the third foot
    # is four times as far from that edge as the origin is. Feet move sideways with tilt: second
    # order, neglected by both.
    edge_m = SPACING * LEGS.track_m / 2 / math.hypot(SPACING, LEGS.track_m)
    assert worst.overturn_margin_deg == close(
        [tip_angle_deg(BODY, LEGS) - atan_deg(0.03, 4 * edge_m)], abs=1e-3)


def test_a_foot_without_a_floor_leaves_no_margin() -> None:
    low, high = np.full((2, 6), -0.01), np.full((2, 6), 0.01)
    low[1, FRONT_LEFT] = -np.inf
    worst = worst_stances(BODY, LEGS, low, high)
    assert worst.overturn_margin_deg[0] > 0
    assert worst.overturn_margin_deg[1] <= 0
    assert np.isfinite(worst.pitch_most_deg).all()


def test_an_unknown_bound_makes_all_extremes_unknown() -> None:
    low, high = np.zeros((2, 6)), np.zeros((2, 6))
    low[0, FRONT_LEFT], high[1, HIND_RIGHT] = np.nan, np.inf
    worst = worst_stances(BODY, LEGS, low, high)
    for name in NAMES:
        assert np.isnan(getattr(worst, name)).all()


def test_bounds_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match=r"low_m needs the shape \(N, 6\)"):
        worst_stances(BODY, LEGS, np.zeros(6), np.zeros((1, 6)))
    with pytest.raises(ValueError, match="a low_m is above its high_m"):
        worst_stances(BODY, LEGS, np.ones((1, 6)), np.zeros((1, 6)))
    with pytest.raises(ValueError, match="one shape"):
        WorstStances(**dict(zip(NAMES, map(np.zeros, (2, 2, 2, 2, 3)), strict=True)))
