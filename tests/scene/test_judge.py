"""The judge of the proving ground, on heights and outlines made by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hazcam.frames import Floats, Pose
from hazcam.rover import read_rover
from hazcam.rover.profile import Limit, Limits
from hazcam.scene.camera import Camera
from hazcam.scene.judge import HeadingLabel, label_way
from hazcam.scene.truth import Elevation, ObjectKind, SceneTruth, TruthObject
from hazcam.scene.way import survey_way

ROVER = read_rover("dunlin-em")  # 0.22 m wide, margins of 0.03 m, nose at 0.155 m
NOSE = ROVER.body.nose_m
CELL = 0.005
STRIP = 0.20
EYE = Camera(K=np.eye(3), D=np.zeros(5), size=(1, 1),  # the judge looks through no camera
             T_level_camera=Pose(R=np.eye(3), t=np.zeros(3)))

Surface = Callable[[Floats, Floats], Floats]


def limits(height_m: float = 0.06, *, gap_m: float = 0.09, slope_deg: float = 25.0,
           roll_deg: float = 20.0) -> Limits:
    def limit(value: float) -> Limit:
        return Limit(value=value, source="test")
    return Limits(step=limit(height_m), drop=limit(height_m), gap=limit(gap_m),
                  belly=limit(height_m), slope=limit(slope_deg), roll=limit(roll_deg),
                  tip=limit(20.0))  # no demand of the truth is held against it


def flat(x: Floats, y: Floats) -> Floats:
    return np.zeros(x.shape)


def between(at: Floats, low: float, high: float) -> NDArray[np.bool_]:
    return (at > low) & (at < high)


def truth_of(surface: Surface = flat, *objects: TruthObject, reach_m: float = 2.0) -> SceneTruth:
    """A surface of (s, y): s from the nose of a rover that heads straight ahead."""
    x = np.arange(-0.3, NOSE + reach_m, CELL) + CELL / 2
    y = np.arange(-1.2, 1.2 - CELL / 2, CELL) + CELL / 2
    z = np.asarray(surface(*np.meshgrid(x - NOSE, y, indexing="ij")))
    return SceneTruth(
        id="made", mixture="", digest="", roll_deg=0, pitch_deg=0, sun_elevation_deg=30,
        sun_azimuth_deg=0, compression="none", seed=(0, 0), cameras=(EYE, EYE), objects=objects,
        elevation=Elevation(z_m=z, cell_m=CELL, x_min_m=-0.3, y_min_m=-1.2),
    )


def label(truth: SceneTruth, heading_deg: float = 0.0, wanted: Limits | None = None, *,
          strip_m: float = STRIP, look_ahead_m: float = 1.0) -> HeadingLabel:
    way = survey_way(truth, heading_deg=heading_deg, rover=ROVER, reach_m=1.0)
    return label_way(way, strip_m=strip_m, look_ahead_m=look_ahead_m, limits=wanted or limits())


def square(s: float, y: float, half: float) -> Floats:
    x = s + NOSE
    return np.array([[x - half, y - half], [x + half, y - half], [x + half, y + half],
                     [x - half, y + half]])


def rock(s: float, y: float, height: float, half: float = 0.03) -> TruthObject:
    return TruthObject(kind="rock", outline_m=square(s, y, half), height_m=height)


def band(kind: ObjectKind, low: float, high: float) -> TruthObject:
    """An object across the whole way."""
    near, far = low + NOSE, high + NOSE
    corners = np.array([[near, -1.0], [far, -1.0], [far, 1.0], [near, 1.0]])
    return TruthObject(kind=kind, outline_m=corners, depth_m=0.1)


def trench(low: float, high: float, depth: float = 0.12) -> Surface:
    return lambda s, y: np.where(between(s, low, high), -depth, 0.0)


def ledge(at: float, height: float) -> Surface:
    return lambda s, y: np.where(s > at, height, 0.0)


def test_flat_ground_is_free() -> None:
    found = label(truth_of())
    assert found == HeadingLabel(
        heading_deg=0.0, label="free", step_m=0.0, drop_m=0.0, gap_m=0.0, slope_deg=0.0,
        roll_deg=0.0, clear_m=1.0, reasons=(), blocking_kind=None, ratio=0.0, at_m=None,
        strip_only=False, observable_share=None, exceeds=False)


def test_survey_that_ends_before_the_look_ahead() -> None:
    with pytest.raises(ValueError, match=r"surveyed to 1 m, not to the look-ahead of 1\.5 m"):
        label(truth_of(), look_ahead_m=1.5)


# --- rocks, by their outline ----------------------------------------------------------------------


def test_rock_in_the_swath_blocks_where_it_begins() -> None:
    found = label(truth_of(flat, rock(0.65, 0.05, 0.09)))
    assert (found.label, found.blocking_kind) == ("blocked", "rock")
    assert found.clear_m == pytest.approx(0.62)
    assert found.step_m == 0.09
    assert found.ratio == pytest.approx(1.5)
    assert found.at_m == pytest.approx(0.62)
    assert found.reasons == ("rock 0.090 m high",)


@pytest.mark.parametrize(("height_m", "expected"), [
    (0.0689, "borderline"), (0.0691, "blocked"), (0.0421, "borderline"), (0.0419, "free"),
])
def test_shares_of_the_limit(height_m: float, expected: str) -> None:
    assert label(truth_of(flat, rock(0.65, 0.0, height_m))).label == expected


@pytest.mark.parametrize(("y_m", "expected"), [
    (0.110 + 0.029, "blocked"),  # cuts the body's edge by 1 mm
    (0.110 + 0.031, "borderline"),  # only the margin
    (0.150 + 0.029, "borderline"),  # only the guard beyond the margin
    (0.150 + 0.031, "free"),
    (-0.110 - 0.029, "blocked"),
    (-0.150 - 0.031, "free"),
])
def test_rock_at_the_side(y_m: float, expected: str) -> None:
    assert label(truth_of(flat, rock(0.65, y_m, 0.08))).label == expected


def test_rock_wider_than_the_way_blocks_though_no_corner_is_in_it() -> None:
    assert label(truth_of(flat, rock(0.65, 0.0, 0.08, half=0.4))).clear_m == pytest.approx(0.25)


@pytest.mark.parametrize(("s_m", "expected", "strip_only"), [
    (STRIP - 0.031, "borderline", True), (STRIP - 0.029, "blocked", False),
    (1.0 + 0.029, "blocked", False), (1.0 + 0.031, "borderline", False),
    (1.0 + 0.041, "free", False),
])
def test_rock_at_either_end(s_m: float, expected: str, strip_only: bool) -> None:
    found = label(truth_of(flat, rock(s_m, 0.0, 0.08)))
    assert (found.label, found.strip_only) == (expected, strip_only)
    if s_m < STRIP and expected == "blocked":
        assert found.clear_m == STRIP


def test_rock_that_touches_the_side_from_without_is_not_in_the_way() -> None:
    outline = np.array([[0.7, 0.15], [0.8, 0.15], [0.8, 0.30], [0.7, 0.30]])
    beside = TruthObject(kind="rock", outline_m=outline, height_m=0.08)
    assert label(truth_of(flat, beside)).label == "free"


def test_rock_behind_the_nose_is_free_and_one_at_it_begins_there() -> None:
    assert label(truth_of(flat, rock(-0.1, 0.0, 0.08))).label == "free"
    at_nose = label(truth_of(flat, rock(-0.01, 0.0, 0.05)))
    assert (at_nose.label, at_nose.at_m) == ("borderline", 0.0)


def test_what_is_no_rock_is_judged_by_the_elevation_alone() -> None:
    ledge_on_paper = TruthObject(kind="ledge", outline_m=square(0.6, 0, 0.3), height_m=0.2)
    assert label(truth_of(flat, ledge_on_paper)).label == "free"


def test_heading_turns_to_the_left() -> None:
    at = 0.9 * np.array([np.cos(np.radians(30)), np.sin(np.radians(30))])
    truth = truth_of(flat, rock(at[0] - NOSE, at[1], 0.08))
    assert [label(truth, h).label for h in (30, -30)] == ["blocked", "free"]


def test_height_is_judged_against_the_lower_of_step_and_belly() -> None:
    low = replace(limits(0.10), belly=Limit(value=0.04, source="test"))
    assert label(truth_of(flat, rock(0.65, 0, 0.05)), wanted=low).label == "blocked"
    assert label(truth_of(flat, rock(0.65, 0, 0.05)), wanted=limits(0.10)).label == "free"


def test_limit_of_zero_bears_nothing() -> None:
    assert label(truth_of(), wanted=limits(0.0)).label == "free"
    found = label(truth_of(ledge(0.5, 0.01)), wanted=limits(0.0))
    assert (found.label, found.ratio) == ("blocked", np.inf)


# --- rises and falls, in the elevation ------------------------------------------------------------


@pytest.mark.parametrize(("height_m", "expected"), [
    (0.0691, "blocked"), (0.0689, "borderline"), (0.0421, "borderline"), (0.0419, "free"),
])
@pytest.mark.parametrize("sign", [1, -1])
def test_ledge_by_its_height(height_m: float, expected: str, sign: int) -> None:
    found = label(truth_of(ledge(0.50, sign * height_m)))
    assert found.label == expected
    assert (found.step_m, found.drop_m)[sign < 0] == pytest.approx(height_m, abs=1e-6)
    assert (found.step_m, found.drop_m)[sign > 0] == pytest.approx(0.0, abs=1e-6)
    assert found.at_m == pytest.approx(0.50, abs=0.006)
    assert found.ratio == pytest.approx(height_m / 0.06, abs=1e-4)


@pytest.mark.parametrize(("height_m", "kind"), [(0.09, "rise"), (-0.09, "fall")])
def test_ledge_blocks_where_it_stands_and_is_named(height_m: float, kind: str) -> None:
    found = label(truth_of(ledge(0.50, height_m), band("ledge", 0.50, 2.0)))
    assert found.blocking_kind == kind
    assert found.clear_m == pytest.approx(0.50, abs=0.006)
    assert (found.gap_m > 0.8) == (height_m < 0), "low ground without a far bank goes on"
    assert found.reasons == (f"{kind} of 0.090 m (ledge)",)


def test_ledge_aslant_blocks_where_the_body_first_meets_it() -> None:
    found = label(truth_of(lambda s, y: np.where(s > 0.5 + np.tan(np.radians(60)) * y, 0.09, 0.0)))
    assert found.label == "blocked"
    assert found.clear_m == pytest.approx(0.5 - np.tan(np.radians(60)) * 0.11, abs=0.02)


def test_ledge_beside_the_body_is_borderline() -> None:
    """In the margin only, it neither blocks nor leaves the way free."""
    found = label(truth_of(lambda s, y: np.where(between(s, 0.5, 0.8) & (y > 0.125), 0.09, 0.0)))
    assert found.label == "borderline"


def test_low_ledge_on_a_slope_is_measured_from_the_slope() -> None:
    found = label(truth_of(lambda s, y: np.tan(np.radians(10)) * s + ledge(0.5, 0.03)(s, y)))
    assert found.step_m == pytest.approx(0.03, abs=1e-3)
    assert found.drop_m == pytest.approx(0.0, abs=1e-3)


def test_steep_bank_within_a_foothold_is_a_step() -> None:
    """0.09 m up in 0.05 m: no body-size plane fits; the slope beside it leaks by less than 1 mm."""
    found = label(truth_of(lambda s, y: np.clip((s - 0.5) / 0.05, 0, 1) * 0.09))
    assert (found.label, found.blocking_kind) == ("blocked", "rise")
    assert found.step_m == pytest.approx(0.09, abs=1e-3)


def test_one_lane_of_noise_does_not_block() -> None:
    def spike(width: float, height: float) -> SceneTruth:
        return truth_of(lambda s, y: np.where(
            between(s, 0.5, 0.52) & between(y, -0.003, width), height, 0.0))
    for height in (0.5, -0.5):
        assert label(spike(0.006, height), wanted=limits(gap_m=0.01)).label == "borderline"
        assert label(spike(0.013, height), wanted=limits(gap_m=0.01)).label == "blocked"


@pytest.mark.parametrize("side", [1, -1])
def test_noise_in_the_outermost_lane_of_the_body_does_not_block(side: int) -> None:
    truth = truth_of(lambda s, y: np.where(
        between(s, 0.5, 0.52) & between(side * y, 0.105, 0.115), 0.2, 0.0))
    found = label(truth)
    assert found.label == "borderline"
    assert found.step_m == pytest.approx(0.2)


# --- the gap rule ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("width_m", "expected"), [
    (0.05, "free"), (0.08, "borderline"), (0.10, "borderline"), (0.12, "blocked"),
])  # 0.70 and 1.15 of 0.09 m: 0.063 and 0.104 m
def test_trench_by_its_width(width_m: float, expected: str) -> None:
    found = label(truth_of(trench(0.5, 0.5 + width_m)))
    assert found.label == expected
    assert found.gap_m == pytest.approx(width_m, abs=0.006)
    assert found.blocking_kind == ("fall" if expected == "blocked" else None)
    if expected == "free":
        assert (found.step_m, found.drop_m, found.ratio) == (0.0, 0.0, 0.0)
    else:
        assert found.drop_m == pytest.approx(0.12, abs=1e-6)


def test_wider_gap_limit_bridges_the_same_trench() -> None:
    truth = truth_of(trench(0.5, 0.62))
    assert label(truth).label == "blocked"
    assert label(truth, wanted=limits(gap_m=0.19)).label == "free"


def test_pit_narrower_than_the_body_blocks() -> None:
    pit = truth_of(lambda s, y: np.where((np.abs(s - 0.6) < 0.1) & (np.abs(y - 0.08) < 0.05),
                                         -0.09, 0.0),
                   TruthObject(kind="pit", outline_m=square(0.6, 0.08, 0.1), depth_m=0.09))
    found = label(pit)
    assert (found.label, found.blocking_kind) == ("blocked", "fall")
    assert found.reasons[0] == "fall of 0.090 m (pit)"
    assert found.clear_m == pytest.approx(0.5, abs=0.006)
    assert found.drop_m == pytest.approx(0.09, abs=1e-6)
    assert found.gap_m == pytest.approx(0.2, abs=0.006)


def test_pit_that_no_camera_sees_blocks_all_the_same() -> None:
    open_pit = truth_of(trench(0.5, 0.7))
    hidden = seen_where(open_pit, lambda s, y: np.where(between(s, 0.45, 0.8), 0, 3))
    assert label(hidden).label == label(open_pit).label == "blocked"


def test_shallow_trench_is_free_however_wide() -> None:
    found = label(truth_of(trench(0.4, 0.8, depth=0.04)))
    assert (found.label, found.gap_m) == ("free", 0.0)


@pytest.mark.parametrize(("land_m", "expected"), [(0.08, "blocked"), (0.20, "free")])
def test_trenches_closer_than_two_legs_count_as_one(land_m: float, expected: str) -> None:
    """Leg spacing + foot length is 0.15 m."""
    second = 0.45 + land_m
    truth = truth_of(lambda s, y: trench(0.4, 0.45)(s, y) + trench(second, second + 0.05)(s, y))
    found = label(truth)
    assert found.label == expected
    assert found.gap_m == pytest.approx(0.10 + land_m if land_m < 0.15 else 0.05, abs=0.011)


@pytest.mark.parametrize(("width_m", "land_m", "blocked_at_m"), [
    (0.95 * 0.09, 0.03, 0.5), (0.95 * 0.09, 0.06, 0.5), (0.95 * 0.09, 0.10, 0.5),
    (0.95 * 0.09, 0.20, None),  # two legs stand between them
    (0.02, 0.04, None),  # 0.08 m in all
])
def test_joined_gaps_block_from_the_first_lip_on(
    width_m: float, land_m: float, blocked_at_m: float | None
) -> None:
    second = 0.5 + width_m + land_m
    truth = truth_of(lambda s, y: trench(0.5, 0.5 + width_m)(s, y)
                     + trench(second, second + width_m)(s, y))
    found = label(truth)
    assert (found.label == "blocked") == (blocked_at_m is not None)
    assert found.clear_m == pytest.approx(blocked_at_m or 1.0, abs=0.006)


def test_joined_gaps_begun_in_the_strip_count_by_what_is_left_of_them() -> None:
    def slits(at: float) -> SceneTruth:
        return truth_of(lambda s, y: trench(at, at + 0.08)(s, y)
                        + trench(at + 0.13, at + 0.21)(s, y))
    found = label(slits(0.10))
    assert found.label == "blocked"
    assert found.clear_m == pytest.approx(STRIP)
    assert found.reasons[0].endswith("of gaps that are one")
    only = label(slits(0.03), strip_m=0.30)
    assert (only.label, only.strip_only) == ("borderline", True)


@pytest.mark.parametrize(("pillar_m", "reason"), [
    (0.02, "fall of 0.120 m"), (0.04, "fall of 0.135 m of gaps that are one")])
def test_pillar_shorter_than_a_foot_bears_nothing(pillar_m: float, reason: str) -> None:
    """A foot is 0.03 m long: on the longer pillar one foot stands, and the gap is two."""
    truth = truth_of(lambda s, y: np.where(
        between(s, 0.4, 0.5 + pillar_m) & ~between(s, 0.45, 0.45 + pillar_m), -0.12, 0.0))
    assert label(truth).reasons[0] == reason


def test_trench_that_begins_before_the_look_ahead_is_followed_beyond() -> None:
    assert label(truth_of(trench(0.98, 1.03))).label == "free"
    assert label(truth_of(trench(0.98, 1.20))).label == "blocked"
    assert label(truth_of(trench(1.25, 1.40))).label == "free"


# --- slopes ---------------------------------------------------------------------------------------


def test_plane_of_twenty_degrees() -> None:
    tilted = truth_of(lambda s, y: np.tan(np.radians(20)) * s)
    found = label(tilted)
    assert found.slope_deg == pytest.approx(20.0, abs=1e-6)
    assert found.roll_deg == pytest.approx(0.0, abs=1e-6)
    assert found.step_m == pytest.approx(0.0, abs=1e-9), "a slope is not a step"
    assert found.label == "borderline"
    steep = label(tilted, wanted=limits(slope_deg=19.9))
    assert (steep.label, steep.blocking_kind) == ("blocked", "slope")
    assert steep.clear_m == pytest.approx(STRIP)
    assert label(tilted, wanted=limits(slope_deg=29.0)).label == "free"


def test_slope_across_the_heading_is_roll() -> None:
    leaning = truth_of(lambda s, y: np.tan(np.radians(12)) * y)
    assert label(leaning).roll_deg == pytest.approx(12.0, abs=1e-6)
    assert label(leaning, wanted=limits(roll_deg=11.9)).label == "blocked"
    # aslant it is a slope along, and less of a roll
    expected = np.degrees(np.arctan(np.tan(np.radians(12)) * np.cos(np.radians(30))))
    assert label(leaning, 30.0).roll_deg == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("slope_deg", "expected"), [(5.0, "free"), (25.0, "blocked")])
def test_ramp(slope_deg: float, expected: str) -> None:
    truth = truth_of(lambda s, y: np.tan(np.radians(slope_deg)) * np.clip(s - 0.3, 0, 0.5),
                     band("ramp", 0.3, 0.8))
    found = label(truth, wanted=limits(slope_deg=20.0))
    assert found.label == expected
    assert found.slope_deg == pytest.approx(slope_deg, abs=1e-6)
    if expected == "blocked":
        assert found.blocking_kind == "slope"
        assert "(ramp)" in found.reasons[0]
        assert 0.2 <= found.clear_m <= 0.3, "where a body that is on it for most part begins"


def test_slope_that_the_body_meets_at_the_look_ahead_is_not_free() -> None:
    """Its front half would stand three quarters on it."""
    truth = truth_of(lambda s, y: np.tan(np.radians(25)) * np.maximum(s - 1.0, 0.0))
    assert label(truth).label == "borderline"
    assert label(truth, look_ahead_m=0.8).label == "free"


def test_broad_crater_is_a_slope_not_a_drop() -> None:
    """A bowl 1 m wide and 0.1 m deep, its steepest wall 22 degrees."""
    def bowl(s: Floats, y: Floats) -> Floats:
        r = np.hypot(s - 0.7, y)
        return -0.1 * np.maximum(1 - (r / 0.5) ** 2, 0.0)
    crater = truth_of(bowl, TruthObject(kind="crater", outline_m=square(0.7, 0, 0.5), depth_m=0.1))
    found = label(crater)
    assert (found.label, found.gap_m) == ("free", 0.0)
    assert found.drop_m < 0.025
    # mean slope of the outer 0.3 m of the wall, across its middle
    assert found.slope_deg == pytest.approx(15.0, abs=1.5)
    steep = label(crater, wanted=limits(slope_deg=12.0))
    assert (steep.label, steep.blocking_kind) == ("blocked", "slope")


@pytest.mark.parametrize(("strip_m", "look_ahead_m"), [(0.31, 0.6), (0.2, 0.6), (0.45, 0.6)])
def test_slope_blocks_though_no_whole_body_lies_on_the_way(
    strip_m: float, look_ahead_m: float
) -> None:
    tilted = truth_of(lambda s, y: np.tan(np.radians(20)) * s)
    found = label(tilted, wanted=limits(slope_deg=15.0), strip_m=strip_m,
                  look_ahead_m=look_ahead_m)
    assert (found.label, found.blocking_kind) == ("blocked", "slope")
    assert found.clear_m == pytest.approx(strip_m)


def test_slope_counts_where_the_middle_of_the_body_is_on_the_way() -> None:
    def ramp(low: float, high: float) -> SceneTruth:
        return truth_of(lambda s, y: np.tan(np.radians(20)) * np.clip(s, low, high))
    wanted = limits(slope_deg=15.0)
    assert label(ramp(0.35, 0.9), wanted=wanted, look_ahead_m=0.6).label == "blocked"
    assert label(ramp(0.60, 0.9), wanted=wanted, look_ahead_m=0.6).label == "borderline"
    # a plane that ends in the strip is passed with it
    passed = label(ramp(-0.2, 0.31), wanted=wanted, strip_m=0.36)
    assert (passed.label, passed.strip_only) == ("borderline", True)
    assert not label(ramp(0.10, 0.40), wanted=wanted, strip_m=0.26).strip_only


# --- steep ground that is no plane ----------------------------------------------------------------

EM = {"slope_deg": ROVER.limits.slope.value, "roll_deg": ROVER.limits.roll.value}  # 14.9, 9.9 deg


def bank(up: float, height: float = 0.15) -> Surface:
    """45 degrees steep."""
    return lambda s, y: up * np.clip(s - 0.5, 0, height)


def stairs(up: float, run: float) -> Surface:
    return lambda s, y: up * 0.04 * np.clip(np.floor((s - 0.5) / run + 1), 0, 20)


def crater(s: Floats, y: Floats) -> Floats:
    """A bowl 0.6 m wide, 0.13 m deep, from 0.5 m on."""
    return -0.13 * np.maximum(1 - (np.hypot(s - 0.8, y) / 0.3) ** 2, 0.0)


@pytest.mark.parametrize("surface", [
    bank(1), bank(-1), stairs(1, 0.065), stairs(1, 0.10), stairs(-1, 0.08), crater])
def test_steep_ground_that_is_no_plane_blocks_where_it_begins(surface: Surface) -> None:
    """None of it is a step or a drop: at most 0.06 m within a foothold, or 0.04 m a stair."""
    found = label(truth_of(surface), wanted=limits(0.06, slope_deg=13.0), look_ahead_m=1.0)
    assert (found.label, found.blocking_kind) == ("blocked", "slope")
    assert found.clear_m == pytest.approx(0.5, abs=0.04)


def test_steep_ground_counts_beyond_the_strip_and_inside_the_look_ahead_only() -> None:
    wanted = limits(0.06, slope_deg=13.0)
    assert label(truth_of(bank(1)), wanted=wanted, strip_m=0.31, look_ahead_m=0.6
                 ).label == "blocked"
    assert label(truth_of(bank(1)), wanted=wanted, look_ahead_m=0.5).label == "borderline"
    climbed = label(truth_of(bank(1)), wanted=wanted, strip_m=0.65)
    assert (climbed.label, climbed.strip_only) == ("borderline", True)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("height_m", [0.045, 0.068])
def test_one_ledge_within_the_limits_is_no_steep_ground(height_m: float, sign: int) -> None:
    """Up to 1.15 of 0.06 m; a plane through 0.068 m is 19 degrees steep."""
    for wanted in (limits(0.06, **EM), limits(0.06, slope_deg=9.0, roll_deg=5.0)):
        assert label(truth_of(ledge(0.5, sign * height_m)), wanted=wanted).label == "borderline"
        along = truth_of(lambda s, y: np.where((s > 0.5) & (y > 0), sign * height_m, 0.0))
        assert label(along, wanted=wanted).label == "borderline"


def test_one_rock_within_the_limits_is_no_steep_ground() -> None:
    for half in (0.03, 0.06, 0.1):
        for y_m in (0.0, 0.06, 0.11):
            shape = truth_of(lambda s, y, half=half, y_m=y_m: np.where(  # type: ignore[misc]
                (np.abs(s - 0.6) < half) & (np.abs(y - y_m) < half), 0.05, 0.0),
                rock(0.6, y_m, 0.05, half))
            assert label(shape, wanted=limits(0.06, **EM)).label == "borderline"


def test_bridged_trench_is_no_steep_ground() -> None:
    assert label(truth_of(trench(0.5, 0.55, depth=0.3)), wanted=limits(0.06, slope_deg=5.0)
                 ).label == "free"


@pytest.mark.parametrize("side", [1, -1])
def test_uneven_roll_blocks(side: int) -> None:
    """Three steps of 0.04 m across the body: 0.12 m in 0.22 m, and no plane fits."""
    def terraces(s: Floats, y: Floats) -> Floats:
        return np.where(s > 0.5, 0.04 * np.clip(np.floor(side * y / 0.07 + 0.5), -2, 2), 0.0)
    found = label(truth_of(terraces), wanted=limits(0.06, **EM))
    assert (found.label, found.blocking_kind) == ("blocked", "slope")
    assert found.clear_m == pytest.approx(0.5, abs=0.006)


# --- what runs along with the heading -------------------------------------------------------------


def rib(height: float, half: float = 0.03, begins: float = -1.0, y_m: float = 0.0) -> Surface:
    return lambda s, y: np.where((np.abs(y - y_m) < half) & (s > begins), height, 0.0)


@pytest.mark.parametrize("y_m", [0.0, 0.06, -0.06])
@pytest.mark.parametrize("begins", [-1.0, 0.1])
def test_rib_under_the_belly_blocks_though_it_begins_nowhere_on_the_way(
    begins: float, y_m: float
) -> None:
    found = label(truth_of(rib(0.15, begins=begins, y_m=y_m)), wanted=limits(0.06))
    assert (found.label, found.blocking_kind, found.strip_only) == ("blocked", "rise", False)
    assert found.clear_m == STRIP
    assert found.reasons[0] == "rise of 0.150 m across"


@pytest.mark.parametrize(("height_m", "expected"), [
    (0.0691, "blocked"), (0.0689, "borderline"), (0.0421, "borderline"), (0.0419, "free")])
@pytest.mark.parametrize("surface", [
    lambda height: rib(height), lambda height: rib(-height),
    lambda height: lambda s, y: np.where(y > 0.004, height, 0.0)])
def test_rib_trench_or_ledge_along_the_heading_by_its_height(
    surface: Callable[[float], Surface], height_m: float, expected: str
) -> None:
    wanted = limits(0.06, slope_deg=60.0, roll_deg=60.0)
    assert label(truth_of(surface(height_m)), wanted=wanted).label == expected


def test_ledge_along_the_heading_in_the_margin_is_borderline() -> None:
    assert label(truth_of(lambda s, y: np.where(y > 0.125, 0.09, 0.0))).label == "borderline"
    assert label(truth_of(lambda s, y: np.where(y > 0.165, 0.09, 0.0))).label == "free"


def test_ridge_with_gentle_flanks_touches_the_belly() -> None:
    """0.06 m in 0.1 m to either side: less than the belly limit within a foothold."""
    ridge = truth_of(lambda s, y: np.maximum(0.06 - 0.6 * np.abs(y), 0.0))
    low = replace(limits(0.2), belly=Limit(value=0.045, source="test"))
    found = label(ridge, wanted=low)
    assert (found.label, found.reasons) == ("blocked", ("rise of 0.053 m under the belly",))
    assert label(ridge, wanted=limits(0.2)).label == "free"


def test_rib_that_ends_with_the_strip_is_passed_with_it() -> None:
    found = label(truth_of(lambda s, y: np.where(
        (np.abs(y) < 0.03) & between(s, 0.02, STRIP - 0.01), 0.15, 0.0)))
    assert (found.label, found.strip_only) == ("borderline", True)


def test_slope_across_is_no_ledge() -> None:
    """Of 35 degrees: 0.042 m within a foothold."""
    leaning = truth_of(lambda s, y: np.tan(np.radians(35)) * y)
    assert label(leaning, wanted=limits(0.03, slope_deg=60.0, roll_deg=60.0)).label == "free"


# --- the turn in place ----------------------------------------------------------------------------


def corner_block(height: float, kind: ObjectKind | None, x: float = 0.12) -> SceneTruth:
    """Beside the nose, ahead of the left corner: swept by a turn, and on no way to the right.

    The circle has a radius of hypot(0.155, 0.11) = 0.19 m.
    """
    item = TruthObject(kind="rock", outline_m=square(x - NOSE, 0.13, 0.02), height_m=height)
    if kind == "rock":
        return truth_of(flat, item)
    return truth_of(lambda s, y: np.where(
        (np.abs(s + NOSE - x) < 0.02) & (np.abs(y - 0.13) < 0.02), height, 0.0))


@pytest.mark.parametrize("kind", ["rock", None])
def test_turn_past_something_high_is_not_free_nor_blocked(kind: ObjectKind | None) -> None:
    for height, expected in ((0.15, "borderline"), (0.047, "borderline"), (0.037, "free")):
        found = label(corner_block(height, kind), -30.0)
        assert (found.label, found.reasons) == (expected, ())
    assert label(corner_block(0.15, kind, x=0.18), -30.0).label == "free", "beyond the circle"


def test_heading_of_zero_needs_no_turn() -> None:
    behind = truth_of(flat, rock(-0.28, 0.12, 0.15))
    assert [label(behind, h).label for h in (0.0, -20.0)] == ["free", "borderline"]


def test_unknown_ground_in_the_turn_is_not_free() -> None:
    truth = truth_of(lambda s, y: np.where(s < -0.28, np.nan, 0.0))
    assert [label(truth, h).label for h in (0.0, 10.0)] == ["free", "borderline"]


# --- the near strip -------------------------------------------------------------------------------


@pytest.mark.parametrize(("surface", "strip_only", "clear_m"), [
    (ledge(0.10, 0.09), True, 1.0),  # climbed already
    (ledge(STRIP - 0.01, 0.09), True, 1.0),
    (ledge(STRIP + 0.01, 0.09), False, STRIP + 0.01),
    (ledge(0.10, -0.09), False, STRIP),  # the low ground goes on
    (trench(0.02, 0.18), True, 1.0),
    (trench(0.10, 0.30), False, STRIP),
    (trench(0.12, 0.17), False, 1.0),  # bridged, wherever it is
    (lambda s, y: np.where(between(s, 0.05, STRIP - 0.01), 0.09, 0.0), True, 1.0),  # as a rock
    (lambda s, y: np.clip((s - 0.19) / 0.03, 0, 1) * 0.09, False, STRIP + 0.01),  # across its end
])
def test_what_begins_in_the_strip(surface: Surface, strip_only: bool, clear_m: float) -> None:
    found = label(truth_of(surface))
    assert found.strip_only == strip_only
    assert found.clear_m == pytest.approx(clear_m, abs=0.011)
    assert (found.label == "blocked") == (clear_m < 1)
    assert found.label != "free" or not strip_only


def test_fall_begun_in_the_strip_has_its_full_depth() -> None:
    found = label(truth_of(ledge(0.10, -0.09)))
    assert found.reasons == ("fall of 0.090 m",)
    assert found.ratio == pytest.approx(1.5)


def test_strip_that_swallows_the_look_ahead() -> None:
    found = label(truth_of(ledge(0.5, 0.09)), strip_m=1.2)
    assert (found.label, found.strip_only) == ("borderline", True)
    assert not label(truth_of(ledge(1.1, 0.09)), strip_m=1.2).strip_only


# --- what is not known, what is seen --------------------------------------------------------------


def test_unknown_ground_is_never_free() -> None:
    found = label(truth_of(lambda s, y: np.where(between(s, 0.5, 0.53), np.nan, 0.0)))
    assert found.label == "borderline"
    assert np.isnan([found.step_m, found.drop_m, found.slope_deg, found.ratio]).all()
    assert found.at_m is None


def test_unknown_ground_is_no_bank() -> None:
    truth = truth_of(lambda s, y: np.where(s > 0.55, np.nan, trench(0.50, 0.55)(s, y)))
    assert label(truth).blocking_kind == "fall"


def test_unknown_ground_beyond_the_look_ahead_does_no_harm() -> None:
    truth = truth_of(lambda s, y: np.where(s > 1.35, np.nan, 0.0))
    assert label(truth).label == "free"


def test_rise_into_a_wall_counts_as_far_as_it_is_measured() -> None:
    """A wall with a talus before it; its inside is unknown."""
    def wall(height: float) -> Surface:
        return lambda s, y: np.where(s > 0.62, np.nan, np.where(s > 0.60, height, 0.0))
    found = label(truth_of(wall(0.09), band("wall", 0.60, 2.0)))
    assert (found.label, found.reasons) == ("blocked", ("rise of 0.090 m (wall)",))
    assert found.ratio == pytest.approx(1.5)
    assert label(truth_of(wall(0.03))).label == "borderline"


def seen_where(truth: SceneTruth, bits: Callable[[Floats, Floats], NDArray[np.int_]]) -> SceneTruth:
    grid = truth.elevation
    x = grid.x_min_m + (np.arange(grid.z_m.shape[0]) + 0.5) * CELL
    y = grid.y_min_m + (np.arange(grid.z_m.shape[1]) + 0.5) * CELL
    visible = bits(*np.meshgrid(x - NOSE, y, indexing="ij")).astype(np.uint8)
    return replace(truth, elevation=replace(grid, visible=visible))


def test_observable_share() -> None:
    truth = seen_where(truth_of(), lambda s, y: np.where(s < 0.6, 3, np.where(y > 0, 1, 2)))
    assert label(truth).observable_share == pytest.approx(0.5)  # 0.2 to 0.6 of 0.2 to 1.0 m
    assert label(truth, look_ahead_m=0.6).observable_share == 1.0
    left = seen_where(truth_of(), lambda s, y: np.where(y > 0, 3, 1))
    assert label(left).observable_share == pytest.approx(0.5)
    assert label(left, strip_m=1.0).observable_share is None
    # margins count, the ground beside them does not
    inner = seen_where(truth_of(), lambda s, y: np.where(np.abs(y) < 0.11, 3, 0))
    assert label(inner).observable_share == pytest.approx(0.22 / 0.28, abs=0.01)
    outer = seen_where(truth_of(), lambda s, y: np.where(np.abs(y) < 0.14, 3, 0))
    assert label(outer).observable_share == 1.0


# --- what must hold on any ground -----------------------------------------------------------------

BLOCKS = st.lists(st.tuples(
    st.integers(0, 120), st.integers(1, 40),  # begins, length [cm]
    st.integers(-30, 30), st.integers(1, 40),  # right edge, width [cm]
    st.integers(-90, 90)), max_size=3)  # height [mm]
# no multiple of a millimetre is 0.70 or 1.15 of any of these
HEIGHTS = st.sampled_from([0.0403, 0.0507, 0.0603, 0.0811])
Blocks = list[tuple[int, int, int, int, int]]


def blocky(blocks: Blocks, slope: float, mirrored: bool = False, raised_m: float = 0.0
           ) -> SceneTruth:
    side = -1 if mirrored else 1

    def surface(s: Floats, y: Floats) -> Floats:
        z = slope * s + slope / 2 * side * y + raised_m
        for begins, length, right, width, height in blocks:
            z += np.where(between(s, begins / 100, (begins + length) / 100)
                          & between(side * y, right / 100, (right + width) / 100),
                          height / 1000, 0.0)
        return z
    return truth_of(surface, rock(0.5, side * 0.12, 0.047), reach_m=1.5)


def quick(truth: SceneTruth, heading_deg: float, wanted: Limits) -> HeadingLabel:
    way = survey_way(truth, heading_deg=heading_deg, rover=ROVER, reach_m=0.7)
    return label_way(way, strip_m=STRIP, look_ahead_m=0.7, limits=wanted)


ORDER = {"blocked": 0, "borderline": 1, "free": 2}


@settings(max_examples=60, deadline=None, derandomize=True)
@given(blocks=BLOCKS, slope=st.sampled_from([-0.2, 0.0, 0.09]), height=HEIGHTS,
       more=st.floats(1.0, 2.0), gap=st.floats(0.02, 0.15), wider=st.floats(1.0, 2.0))
def test_higher_limits_never_make_a_label_worse(
    blocks: Blocks, slope: float, height: float, more: float, gap: float, wider: float
) -> None:
    truth = blocky(blocks, slope)
    low = quick(truth, 0.0, limits(height, gap_m=gap, slope_deg=15))
    high = quick(truth, 0.0, limits(height * more, gap_m=gap * wider, slope_deg=15 * more))
    assert ORDER[high.label] >= ORDER[low.label]
    assert high.clear_m >= low.clear_m


@settings(max_examples=30, deadline=None, derandomize=True)
@given(blocks=BLOCKS, slope=st.sampled_from([-0.2, 0.0, 0.09]), height=HEIGHTS,
       heading=st.sampled_from([0.0, 7.0, 20.0]))
def test_mirrored_scene_has_the_mirrored_label(
    blocks: Blocks, slope: float, height: float, heading: float
) -> None:
    here = quick(blocky(blocks, slope), heading, limits(height))
    there = quick(blocky(blocks, slope, mirrored=True), -heading, limits(height))
    assert (there.label, there.blocking_kind, there.strip_only) == (
        here.label, here.blocking_kind, here.strip_only)
    for name in ("step_m", "drop_m", "gap_m", "slope_deg", "roll_deg", "clear_m", "ratio"):
        assert getattr(there, name) == pytest.approx(getattr(here, name), abs=1e-9)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(blocks=BLOCKS, slope=st.sampled_from([-0.2, 0.0, 0.09]), height=HEIGHTS,
       raised=st.integers(-5, 5))
def test_raising_all_ground_changes_nothing(
    blocks: Blocks, slope: float, height: float, raised: int
) -> None:
    here = quick(blocky(blocks, slope), 0.0, limits(height))
    there = quick(blocky(blocks, slope, raised_m=raised), 0.0, limits(height))
    assert (there.label, there.reasons) == (here.label, here.reasons)
    assert there.step_m == pytest.approx(here.step_m, abs=1e-9)
    assert there.drop_m == pytest.approx(here.drop_m, abs=1e-9)
