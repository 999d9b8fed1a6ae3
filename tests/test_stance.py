"""The settled stance and its margins, against closed forms and laws."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from hazcam.frames import Floats, level_from_rover
from hazcam.rover import (
    foot_places_m,
    read_rover,
    settle,
    settle_on_tripods,
    tip_angle_deg,
    tripod_feet,
)

ROVER = read_rover("dunlin-em")
BODY, LEGS = ROVER.body, ROVER.legs
FEET = foot_places_m(LEGS)
HALF_TRACK, SPACING, COM = LEGS.track_m / 2, LEGS.hip_spacing_m, BODY.com_height_m
FRONT_LEFT, FRONT_RIGHT, MIDDLE_LEFT, MIDDLE_RIGHT, HIND_LEFT, HIND_RIGHT = range(6)
# What is worked out in closed form differs by rounding alone.
close = pytest.approx


def feet(**heights_m: float) -> Floats:
    """One stance on a floor at 0 with some feet elsewhere. [m]"""
    ground = np.zeros((1, 6))
    for name, height_m in heights_m.items():
        ground[0, globals()[name.upper()]] = height_m
    return ground


def plane(slope_x: float, slope_y: float, offset_m: float = 0.0) -> Floats:
    return (offset_m + FEET @ [slope_x, slope_y])[None]


def atan_deg(rise: float, run: float) -> float:
    return math.degrees(math.atan2(rise, run))


def rough(seed: int, spread_m: float = 0.02, count: int = 20) -> Floats:
    return np.random.default_rng(seed).normal(0.0, spread_m, (count, 6))


seeds = st.integers(0, 2**32 - 1)
# The first example may have to wait for the compiler.
law = settings(max_examples=50, deadline=None, derandomize=True)


# --- planes ---

def test_nose_up_on_a_slope_reads_the_slope() -> None:
    stance = settle(BODY, LEGS, plane(math.tan(math.radians(15)), 0.0, 0.4))
    assert stance.pitch_deg == close([-15.0])
    assert stance.roll_deg == close([0.0])
    assert stance.height_m == close([0.4])
    assert stance.touching.all()
    assert stance.hanging_m == close(np.zeros((1, 6)), abs=1e-12)


@law
@given(st.floats(-0.4, 0.4), st.floats(-0.4, 0.4))
def test_the_soles_lie_in_the_plane(slope_x: float, slope_y: float) -> None:
    """Closed form: the soles' normal, turned to the level frame, is that of the plane."""
    stance = settle(BODY, LEGS, plane(slope_x, slope_y))
    normal = level_from_rover(stance.roll_deg[0], stance.pitch_deg[0])[:, 2]
    assert -normal[:2] / normal[2] == close([slope_x, slope_y], abs=1e-9)
    assert stance.touching.all()


@pytest.mark.parametrize("tilt_deg", [0.0, 10.0, 25.0, 40.0])
def test_the_margin_across_a_slope_is_the_tip_angle_less_the_slope(tilt_deg: float) -> None:
    """Static tip angle atan(d / h), d from the centre of mass to the lower feet."""
    stance = settle(BODY, LEGS, plane(0.0, math.tan(math.radians(tilt_deg))))
    assert stance.roll_deg == close([tilt_deg])
    assert stance.tip_margin_deg == close([atan_deg(HALF_TRACK, COM) - tilt_deg])
    assert stance.overturn_margin_deg == close(stance.tip_margin_deg)


def test_a_slope_steeper_than_the_tip_angle_leaves_less_than_nothing() -> None:
    stance = settle(BODY, LEGS, plane(0.0, math.tan(math.radians(60.0))))
    assert stance.roll_deg == close([60.0])
    assert stance.tip_margin_deg == close([atan_deg(HALF_TRACK, COM) - 60.0])
    assert stance.tip_margin_deg[0] < 0


# --- tripods ---

@pytest.mark.parametrize(("spacing_m", "track_m", "expected_deg"), [
    # Feet at (±0.15, 0.105), (0, -0.105): edges at 0.105, 0.06103, 0.06103 m, hand-worked from
    # McGhee and Frank 1968 to the digits quoted; the second likewise, edge at 0.05145 m.
    (0.15, 0.21, 34.1416), (0.12, 0.20, 29.755),
])
def test_tip_angle_of_the_tripods_on_the_flat(
    spacing_m: float, track_m: float, expected_deg: float
) -> None:
    legs = replace(LEGS, hip_spacing_m=spacing_m, track_m=track_m)
    stances = settle_on_tripods(BODY, legs, np.zeros((2, 6)))
    assert stances.tip_margin_deg == close([expected_deg] * 2, abs=5e-4)
    assert stances.tip_margin_deg == close([tip_angle_deg(BODY, legs)] * 2)


def test_a_tripod_stands_on_its_own_three_feet() -> None:
    """Left tripod on a plane of any tilt; what the feet in the air would meet does not count."""
    left, right = tripod_feet(LEGS)
    assert left.tolist() == [FRONT_LEFT, MIDDLE_RIGHT, HIND_LEFT]
    ground = plane(0.1, -0.2, 0.3)
    ground[0, right] = [9.0, np.nan, -np.inf]
    stances = settle_on_tripods(BODY, LEGS, ground)
    whole = settle(BODY, LEGS, plane(0.1, -0.2, 0.3))
    assert stances.left.touching.tolist() == [[True] * 3]
    for name in ("pitch_deg", "roll_deg", "height_m"):
        assert getattr(stances.left, name) == close(getattr(whole, name))
    assert np.isnan(stances.right.pitch_deg)
    assert np.isnan(stances.tip_margin_deg)


def test_the_worse_of_the_tripods_counts() -> None:
    """Left side up: it tips more easily over the single foot on the right than over two."""
    stances = settle_on_tripods(BODY, LEGS, plane(0.0, math.tan(math.radians(10.0))))
    margins = [stances.left.tip_margin_deg[0], stances.right.tip_margin_deg[0]]
    assert margins[0] != close(margins[1], abs=1.0)
    assert stances.tip_margin_deg == close([min(margins)])


def test_a_tripod_without_ground_under_a_foot_has_no_rest() -> None:
    stances = settle_on_tripods(BODY, LEGS, feet(middle_left=-np.inf))
    assert stances.right.tip_margin_deg == [0.0]
    assert np.isnan(stances.right.height_m)
    assert stances.left.tip_margin_deg == close([tip_angle_deg(BODY, LEGS)])


def test_eight_legs_walk_on_fours() -> None:
    legs = replace(LEGS, count=8, hip_spacing_m=0.08)
    stances = settle_on_tripods(BODY, legs, np.zeros((1, 8)))
    assert stances.left.touching.tolist() == [[True] * 4]
    assert stances.tip_margin_deg == close([tip_angle_deg(BODY, legs)])


# --- rocks, ledges, ditches ---

def test_a_rock_under_one_front_foot() -> None:
    """By hand, for h = 30 mm under the front left foot.

    The plate on posts folds along the diagonal from the rock to the hind right foot, over the
    origin. It may rest on either half: nose up by atan(h / 2 spacing), or left side up by
    atan(h / track). The track is shorter, so this is steeper and the centre of mass lower; the
    right feet and the rock carry, the other left feet hang by h (hind) and h too (middle), as the
    plane is level along x. It is the edge on the diagonal that the body could rock about, and that
    along the right feet that it could turn over about.
    """
    h = 0.03
    stance = settle(BODY, LEGS, feet(front_left=h))
    roll = math.atan(h / LEGS.track_m)
    assert stance.roll_deg == close([math.degrees(roll)])
    assert stance.pitch_deg == close([0.0], abs=1e-12)
    assert stance.height_m == close([h / 2])
    assert stance.touching.tolist() == [[True, True, False, True, False, True]]
    assert stance.hanging_m == close(np.array([[0, 0, h, 0, h, 0]]), abs=1e-12)
    across = SPACING / math.hypot(SPACING, HALF_TRACK)
    assert stance.tip_margin_deg == close([atan_deg(math.tan(roll) * across, 1.0)])
    assert stance.overturn_margin_deg == close(
        [atan_deg(HALF_TRACK, COM) - math.degrees(roll)])


def test_front_feet_on_a_ledge() -> None:
    """The body spans from the ledge to the hind feet; the middle ones hang half the ledge."""
    h = 0.04
    stance = settle(BODY, LEGS, feet(front_left=h, front_right=h))
    assert stance.pitch_deg == close([-atan_deg(h, 2 * SPACING)])
    assert stance.roll_deg == close([0.0])
    assert stance.height_m == close([h / 2])
    assert stance.hanging_m == close(np.array([[0, 0, h / 2, h / 2, 0, 0]]), abs=1e-12)


def test_front_and_middle_feet_on_a_ledge() -> None:
    """Tilted back, the centre of mass is behind the middle feet: the front ones lift by h."""
    h = 0.04
    stance = settle(BODY, LEGS, feet(front_left=h, front_right=h, middle_left=h, middle_right=h))
    assert stance.pitch_deg == close([-atan_deg(h, SPACING)])
    assert stance.height_m == close([h])
    assert stance.hanging_m == close(np.array([[h, h, 0, 0, 0, 0]]), abs=1e-12)


@pytest.mark.parametrize("depth_m", [0.002, 0.2, np.inf])
def test_middle_feet_hang_over_a_ditch(depth_m: float) -> None:
    stance = settle(BODY, LEGS, feet(middle_left=-depth_m, middle_right=-depth_m))
    assert stance.pitch_deg == close([0.0])
    assert stance.hanging_m == close(np.array([[0, 0, depth_m, depth_m, 0, 0]]))
    assert stance.touching.tolist() == [[True, True, False, False, True, True]]
    assert stance.tip_margin_deg == close([atan_deg(HALF_TRACK, COM)])


def test_front_feet_over_a_ditch_leave_no_margin() -> None:
    """Closed form: with legs at -a, 0, +a the centre of mass is over the middle feet."""
    stance = settle(BODY, LEGS, feet(front_left=-np.inf, front_right=-np.inf))
    assert stance.pitch_deg == close([0.0])
    assert stance.tip_margin_deg == close([0.0], abs=1e-9)
    assert stance.overturn_margin_deg == close([0.0], abs=1e-9)
    assert np.isposinf(stance.hanging_m[0, :2]).all()


def test_the_hind_feet_catch_a_body_that_only_rocks() -> None:
    """On the middle ridge 1 mm above front and hind: it rocks at once, but is far from over."""
    h = 0.001
    stance = settle(BODY, LEGS, feet(middle_left=h, middle_right=h))
    tilt_deg = atan_deg(h, SPACING)
    assert np.abs(stance.pitch_deg) == close([tilt_deg])
    assert stance.tip_margin_deg == close([tilt_deg])
    assert stance.overturn_margin_deg == close(
        [atan_deg(HALF_TRACK, COM)], abs=2 * tilt_deg)


@pytest.mark.parametrize("lost", [[0, 2, 4], [0, 1, 2, 3], range(6)])
def test_without_a_triangle_of_feet_on_ground_there_is_no_rest(lost: list[int]) -> None:
    ground = np.zeros((1, 6))
    ground[0, lost] = -np.inf
    stance = settle(BODY, LEGS, ground)
    assert stance.tip_margin_deg == [0.0]
    assert stance.overturn_margin_deg == [0.0]
    assert np.isnan([stance.pitch_deg, stance.roll_deg, stance.height_m]).all()
    assert not stance.touching.any()


@pytest.mark.parametrize("unknown", [np.nan, np.inf])
def test_an_unknown_height_makes_that_stance_unknown_and_no_other(unknown: float) -> None:
    ground = np.zeros((2, 6))
    ground[1, MIDDLE_LEFT] = unknown
    stance = settle(BODY, LEGS, ground)
    for name in ("pitch_deg", "roll_deg", "height_m", "tip_margin_deg", "overturn_margin_deg"):
        assert np.isnan(getattr(stance, name)).tolist() == [False, True]
    assert np.isnan(stance.hanging_m[1]).all()
    assert not stance.touching[1].any()


# --- laws ---

@law
@given(seeds)
def test_it_rests_on_feet_that_hold_its_weight(seed: int) -> None:
    """No foot in the ground, three or more on it, the vertical of the centre of mass between.

    Independent of the loop: turned by the matrix of ``frames``, and the touching feet hold the
    point if it is a mean of them with weights of 0 or more (scipy's linear programming).
    """
    ground = rough(seed, count=5)
    stance = settle(BODY, LEGS, ground)
    for n in np.flatnonzero(stance.tip_margin_deg > 0):
        R = level_from_rover(stance.roll_deg[n], stance.pitch_deg[n])
        slopes = -R[:2, 2] / R[2, 2]
        above = stance.height_m[n] + FEET @ slopes - ground[n]
        assert above == close(stance.hanging_m[n], abs=1e-9)
        assert above.min() == close(0.0, abs=1e-9)
        down = R.T @ [0.0, 0.0, -1.0]
        under = -COM * down[:2] / down[2]
        on = FEET[stance.touching[n]]
        weights = linprog(np.zeros(len(on)), A_eq=np.vstack([on.T, np.ones(len(on))]),
                          b_eq=[*under, 1.0])
        assert len(on) >= 3
        assert weights.success


@law
@given(seeds)
def test_with_its_mass_in_the_soles_it_sinks_as_low_as_the_posts_let_it(seed: int) -> None:
    """Another library: the lowest origin of a plane on or above all posts, by scipy's linprog."""
    flat = replace(BODY, com_height_m=1e-12)
    ground = rough(seed, count=5)
    lowest = [linprog([1, 0, 0], A_ub=-np.column_stack([np.ones(6), FEET]), b_ub=-posts,
                      bounds=[(None, None)] * 3).fun for posts in ground]
    # The solver keeps its constraints to 1e-7.
    assert settle(flat, LEGS, ground).height_m == close(lowest, abs=1e-6)


@law
@given(seeds)
def test_mirror_left_and_right(seed: int) -> None:
    ground = rough(seed)
    there = settle(BODY, LEGS, ground)
    here = settle(BODY, LEGS, ground[:, [1, 0, 3, 2, 5, 4]])
    assert here.roll_deg == close(-there.roll_deg, abs=1e-9)
    for name in ("pitch_deg", "height_m", "tip_margin_deg", "overturn_margin_deg"):
        assert getattr(here, name) == close(getattr(there, name), abs=1e-9)
    assert (here.touching == there.touching[:, [1, 0, 3, 2, 5, 4]]).all()


@law
@given(seeds)
def test_mirror_front_and_hind(seed: int) -> None:
    ground = rough(seed)
    there = settle(BODY, LEGS, ground)
    here = settle(BODY, LEGS, ground[:, [4, 5, 2, 3, 0, 1]])
    assert here.pitch_deg == close(-there.pitch_deg, abs=1e-9)
    for name in ("roll_deg", "height_m", "tip_margin_deg", "overturn_margin_deg"):
        assert getattr(here, name) == close(getattr(there, name), abs=1e-9)


@law
@given(seeds, st.floats(-5.0, 5.0))
def test_higher_ground_lifts_the_stance_and_changes_nothing_else(seed: int, by_m: float) -> None:
    ground = rough(seed)
    there, here = settle(BODY, LEGS, ground), settle(BODY, LEGS, ground + by_m)
    assert here.height_m == close(there.height_m + by_m, abs=1e-9)
    for name in ("pitch_deg", "roll_deg", "tip_margin_deg", "overturn_margin_deg", "hanging_m"):
        assert getattr(here, name) == close(getattr(there, name), abs=1e-7)


@law
@given(seeds)
def test_it_rocks_before_it_turns_over(seed: int) -> None:
    stance = settle(BODY, LEGS, rough(seed))
    assert (stance.overturn_margin_deg >= stance.tip_margin_deg - 1e-9).all()


@law
@given(seeds)
def test_rough_ground_takes_little_of_the_overturn_margin(seed: int) -> None:
    """With heights of 2 mm it rocks at a degree or so, but is no nearer to turning over."""
    stance = settle(BODY, LEGS, np.clip(rough(seed, 0.002), -0.004, 0.004))
    # At the outer edges: as far out as on the flat, tilted by 8 mm on half the track at most.
    lost_deg = atan_deg(0.008, HALF_TRACK)
    flat_deg = atan_deg(HALF_TRACK, COM)
    assert stance.overturn_margin_deg == close(np.full(20, flat_deg), abs=lost_deg)
    assert stance.tip_margin_deg.min() < flat_deg / 2


@pytest.mark.parametrize("depth_m", [0.1, 0.2, np.inf])
def test_a_foot_over_a_pit_saves_nothing(depth_m: float) -> None:
    """Front right foot over a pit: it turns over about front left and middle right.

    Closed form: that edge is as far from the origin as those of a tripod; a foot that would land
    only where the body is past saving counts as little as one that finds no ground.
    """
    stance = settle(BODY, LEGS, feet(front_right=-depth_m))
    assert stance.pitch_deg == close([0.0])
    assert stance.tip_margin_deg == close([tip_angle_deg(BODY, LEGS)])
    assert stance.overturn_margin_deg == close([tip_angle_deg(BODY, LEGS)])


@law
@given(seeds)
def test_a_bottomless_pit_is_as_a_deep_one(seed: int) -> None:
    ground = rough(seed, 0.001)
    ground[:, FRONT_RIGHT] = -5.0
    deep = settle(BODY, LEGS, ground)
    ground[:, FRONT_RIGHT] = -np.inf
    bottomless = settle(BODY, LEGS, ground)
    for name in ("pitch_deg", "roll_deg", "height_m", "tip_margin_deg", "overturn_margin_deg"):
        assert getattr(deep, name) == close(getattr(bottomless, name))


# --- refusals ---

def test_heights_of_other_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match=r"feet_m needs the shape \(N, 6\)"):
        settle(BODY, LEGS, np.zeros(6))
    with pytest.raises(ValueError, match=r"feet_m needs the shape \(N, 6\)"):
        settle_on_tripods(BODY, LEGS, np.zeros((1, 3)))


def test_a_stance_refuses_arrays_of_other_shapes_and_cannot_be_written() -> None:
    stance = settle(BODY, LEGS, np.zeros((2, 6)))
    with pytest.raises(ValueError, match="roll_deg of a stance"):
        replace(stance, roll_deg=np.zeros(3))
    with pytest.raises(ValueError, match="read-only"):
        stance.pitch_deg[0] = 1.0
