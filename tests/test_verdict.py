from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from hazcam.assess import Assessment, assess_pair
from hazcam.frames import Floats, Pose
from hazcam.imagery import Window, pair_from_arrays
from hazcam.rover import Limits, read_rover, with_limits
from hazcam.settings import Settings
from hazcam.terrain import CellState
from hazcam.verdict import (
    Cause,
    HeadingDemand,
    HeadingVerdict,
    decide,
    demand_along,
    near_strip_m,
    suggest,
)
from hazcam.verdict.swath import lay_swath
from tests.conftest import Assess, terrain_of
from tests.synthetic import LEVEL, Box, Scene, both, ideal_rig, mount_of, render

ROVER = read_rover("dunlin-em")
AHEAD = {"headings_deg": (0.0,)}
BOX = Scene(boxes=(Box(0.80, 0.90, -0.05, 0.05, 0.05),))


def kinds(found: Assessment, heading: float = 0.0) -> set[str]:
    verdict = next(v for v in found.verdicts if v.heading_deg == heading)
    return {c.kind for c in verdict.causes}


def limits(**values: float) -> Limits:
    return with_limits(ROVER, values).limits


def strip_bound_m(found: Assessment) -> float:
    """Bound of the near strip of an assessment that was made with both pictures."""
    assert found.near_strip_max_m is not None
    return found.near_strip_max_m


def demand(
    found: Assessment, heading: float = 0.0, *, near_strip_max_m: float | None = None
) -> HeadingDemand:
    bound = strip_bound_m(found) if near_strip_max_m is None else near_strip_max_m
    return demand_along(terrain_of(found), ROVER, heading, look_ahead_m=1.0,
                        near_strip_max_m=bound)


def test_flat_ground_is_go_straight_ahead(assess: Assess) -> None:
    verdict = assess(Scene(), **AHEAD).verdicts[0]
    assert verdict.verdict == "go"
    assert verdict.clear_m == pytest.approx(1.0)
    assert verdict.causes == ()


def test_a_box_higher_than_the_limit_stops_before_it(assess: Assess) -> None:
    """The nose is 0.155 m ahead of the origin: a face at x = 0.80 is 0.645 m from it."""
    found = assess(Scene(boxes=(Box(0.80, 0.90, -0.05, 0.05, 0.08),)), **AHEAD)
    step = next(c for c in found.verdicts[0].causes if c.kind == "step")
    assert step.at_m == pytest.approx(0.645, abs=0.02)
    assert step.demand == pytest.approx(0.08, abs=0.006)
    assert step.limit == 0.05
    assert found.verdicts[0].clear_m == pytest.approx(0.64, abs=0.03)


def test_a_box_beside_the_swath_is_none_of_its_business(assess: Assess) -> None:
    """The swath is 0.22 + 2 * 0.03 m wide: a box from y = 0.18 on lies beside it."""
    found = assess(Scene(boxes=(Box(0.80, 0.90, 0.18, 0.30, 0.08),)), **AHEAD)
    assert found.verdicts[0].verdict == "go"


def test_a_pit_is_not_go_though_its_floor_is_never_seen(assess: Assess) -> None:
    found = assess(Scene(boxes=(Box(0.7, 0.95, -0.12, 0.12, -0.20),)), **AHEAD)
    assert "unseen run" in kinds(found)
    run = next(c for c in found.verdicts[0].causes if c.kind == "unseen run")
    assert run.at_m == pytest.approx(0.545, abs=0.03)
    assert "hidden" in run.text


def test_a_step_up_is_a_step_not_a_slope(assess: Assess) -> None:
    """5 cm in a 20 cm window fits as a slope of some 20 degrees: it must be found as a step."""
    found = assess(Scene(boxes=(Box(0.8, 3.0, -2.0, 2.0, 0.05),)), **AHEAD)
    profile = demand(found)
    at = int(np.argmin(np.abs(profile.station_m - (0.8 - ROVER.body.nose_m))))
    assert profile.step[at - 1: at + 3].max() == pytest.approx(0.05, abs=0.005)
    away = profile.step[(profile.station_m > 0.85) & (profile.station_m < 0.95)]
    assert away.max() < 0.01


def test_a_ditch_no_longer_than_the_legs_bridge_does_no_harm(assess: Assess) -> None:
    """The gap limit is hip spacing - foot length = 0.09 m; what is hidden counts as ditch."""
    narrow = assess(Scene(boxes=(Box(0.80, 0.86, -0.4, 0.4, -0.20),)), **AHEAD)
    wide = assess(Scene(boxes=(Box(0.80, 0.92, -0.4, 0.4, -0.20),)), **AHEAD)
    assert "unseen run" not in kinds(narrow)
    assert "unseen run" in kinds(wide)


def test_two_ditches_closer_than_the_legs_count_as_one(assess: Assess) -> None:
    near = (Box(0.75, 0.81, -0.4, 0.4, -0.2), Box(0.90, 0.96, -0.4, 0.4, -0.2))
    apart = (Box(0.55, 0.61, -0.4, 0.4, -0.2), Box(0.90, 0.96, -0.4, 0.4, -0.2))
    assert "unseen run" in kinds(assess(Scene(boxes=near), **AHEAD))
    assert "unseen run" not in kinds(assess(Scene(boxes=apart), **AHEAD))


def test_black_ground_is_not_go(assess: Assess) -> None:
    found = assess(Scene(black_x=(0.7, 0.9)), **AHEAD)
    run = next(c for c in found.verdicts[0].causes if c.kind == "unseen run")
    assert run.demand == pytest.approx(0.19, abs=0.03)
    assert "too dark" in run.text


def test_a_heading_with_no_seen_ground_is_ask_ground(assess: Assess) -> None:
    found = assess(Scene(), headings_deg=(90.0,))
    assert found.verdicts[0].verdict == "ask-ground"
    assert kinds(found, 90.0) == {"no ground seen"}


def test_the_near_strip_follows_from_geometry_alone(assess: Assess) -> None:
    """It does not move when the pictures change, and grows with the heading."""
    a = terrain_of(assess(Scene(), **AHEAD))
    b = terrain_of(assess(Scene(black_x=(0.4, 0.6)), **AHEAD))
    strips = [near_strip_m(a, ROVER, h, 1.0) for h in (0.0, 10.0, 20.0)]
    assert strips == [near_strip_m(b, ROVER, h, 1.0) for h in (0.0, 10.0, 20.0)]
    assert strips[0] < strips[1] < strips[2] == float("inf")


def test_the_near_strip_is_where_the_swath_enters_both_pictures(assess: Assess) -> None:
    """Hand-worked from the right edge of the swath, y = -0.14.

    It enters the left picture where its bearing from the left camera is 32 degrees less the rim
    of 12 px; straight down the middle the depth along the axis is Z = (y_left - y) / tan. From x
    ahead and 18 degrees of pitch Z = (x - 0.17) cos 18 + 0.17 sin 18.
    """
    found = assess(Scene(), **AHEAD)
    across = 0.05 + 0.14
    half_width_px, focal_px = 319.5 - 12, 320 / np.tan(np.radians(32))
    depth = across * focal_px / half_width_px
    c, s = np.cos(np.radians(18)), np.sin(np.radians(18))
    x = 0.17 + (depth - 0.17 * s) / c
    expected = x - ROVER.body.nose_m
    assert near_strip_m(terrain_of(found), ROVER, 0.0, 1.0) == pytest.approx(expected, abs=0.02)


def test_no_more_than_the_bound_is_assumed(assess: Assess) -> None:
    found = assess(Scene(), **AHEAD)
    none = demand(found, near_strip_max_m=0.0)
    verdict = decide(none, ROVER.limits, 0.99)
    assert verdict.verdict == "ask-ground"
    assert {c.kind for c in verdict.causes} >= {"outside view"}
    assert verdict.assumed_m == 0.0


def test_a_turn_that_sweeps_more_than_may_be_assumed_is_said(assess: Assess) -> None:
    found = assess(Scene(), **AHEAD)
    turned = demand(found, 10.0, near_strip_max_m=0.01)
    assert not turned.turn_assumed
    causes = decide(turned, ROVER.limits, 0.99).causes
    assert any("circle of 0.22 m that the turn sweeps" in c.text for c in causes)


@pytest.mark.parametrize("x", [0.50, 0.55, 0.70, 0.90])
def test_a_ledge_down_demands_its_drop(assess: Assess, x: float) -> None:
    """Its foot is hidden for h (x - 0.17) / H; the first ground seen again tells its depth.

    A tenth of the depth is left for the rise of the ground between two picture rows.
    """
    found = assess(Scene(boxes=(Box(x, 6.0, -4.0, 4.0, -0.05),)), **AHEAD)
    assert np.nanmax(demand(found).drop) == pytest.approx(0.05, abs=0.007)
    assert {"drop", "unseen run"} & kinds(found)


@pytest.mark.parametrize("heading", [0.0, 5.0, 20.0])
@pytest.mark.parametrize("nose_m", [0.15, 0.155])
def test_a_swath_looks_at_every_one_of_its_cells(
    assess: Assess, heading: float, nose_m: float
) -> None:
    """Cells whose centre lies in the swath, by brute force over the grid."""
    terrain = terrain_of(assess(Scene(), **AHEAD))
    rover = replace(ROVER, body=replace(ROVER.body, nose_m=nose_m))
    swath = lay_swath(terrain, rover, heading, 1.0)
    looked_at = np.zeros(terrain.spec.shape, dtype=bool)
    looked_at.flat[swath.cell[swath.inside]] = True
    c, s = np.cos(np.radians(heading)), np.sin(np.radians(heading))
    x, y = np.meshgrid(terrain.spec.x_m, terrain.spec.y_m, indexing="ij")
    along, across = x * c + y * s - nose_m, -x * s + y * c
    inside = (along >= 0) & (along <= 1.0) & (np.abs(across) <= rover.swath_m / 2)
    assert inside.sum() > 2500
    assert np.all(looked_at[inside])


def test_two_ditches_a_little_nearer_than_the_legs_count_as_one(assess: Assess) -> None:
    """0.145 m of ground between two holes; hip spacing + foot length is 0.15 m."""
    pits = (Box(0.65, 0.71, -0.4, 0.4, -0.2), Box(0.855, 0.915, -0.4, 0.4, -0.2))
    assert "unseen run" in kinds(assess(Scene(boxes=pits), **AHEAD))


@pytest.mark.parametrize("top", [150, 153, 154, 156])
def test_a_hole_at_the_end_of_the_look_ahead_keeps_its_length(top: int) -> None:
    """The picture's upper rim cuts it: what is out of view beyond is not ground."""
    left, right = both(render(Scene(boxes=(Box(1.13, 1.63, -0.4, 0.4, -0.2),))))
    window = Window(column=0, row=top, width=640, height=480 - top)
    pair = pair_from_arrays(left[top:], right[top:], attitude=LEVEL, window=window)
    found = assess_pair(pair, ideal_rig(), ROVER, Settings(headings_deg=(0.0,)))
    assert found.verdicts[0].verdict == "ask-ground"


@pytest.mark.parametrize("x", [0.60, 0.70, 0.704, 0.85, 0.953, 1.05])
def test_a_ditch_of_1_15_times_the_gap_is_never_go(assess: Assess, x: float) -> None:
    """At several distances and places within a cell: edges are a cell and a row uncertain."""
    found = assess(Scene(boxes=(Box(x, x + 1.15 * 0.09, -0.4, 0.4, -0.20),)), **AHEAD)
    assert "unseen run" in kinds(found)


@pytest.mark.parametrize("y", [0.085, 0.090, 0.096])
def test_a_slit_as_wide_as_a_foot_under_a_track_is_not_go(assess: Assess, y: float) -> None:
    """3.4 cm wide, 25 cm long, 20 cm deep: smoothing must not close it unnoticed."""
    found = assess(Scene(boxes=(Box(0.70, 0.95, y, y + 0.034, -0.20),)), **AHEAD)
    assert found.verdicts[0].verdict == "ask-ground"


def test_a_step_up_is_no_drop_on_the_way_up(assess: Assess) -> None:
    """At its foot the local ground may lie half way up: at most half the step, never all of it."""
    found = assess(Scene(boxes=(Box(0.8, 3.0, -2.0, 2.0, 0.05),)), **AHEAD)
    before_the_top = demand(found).station_m < 0.80
    assert np.nanmax(demand(found).drop[before_the_top]) < 0.05 / 2 + 0.004


def test_a_post_in_the_circle_of_the_turn_is_judged() -> None:
    """A high camera that looks down sees part of the circle: what stands there counts."""
    rig = ideal_rig(pitch_deg=55.0)
    mount = Pose(R=mount_of(rig).R, t=np.array([-0.05, 0.05, 0.60]))
    rig = replace(rig, mount=mount)
    pair = render(Scene(boxes=(Box(0.08, 0.14, 0.12, 0.16, 0.15),)), rig)
    found = assess_pair(pair, rig, ROVER, Settings(
        headings_deg=(-20.0,), near_strip_max_m=0.1, look_ahead_m=0.3))
    assert any("circle" in c.text and c.kind == "step" for c in found.verdicts[0].causes)


def test_a_demand_refuses_a_value_without_a_sigma(assess: Assess) -> None:
    profile = demand(assess(BOX, **AHEAD))
    unsure = dict(profile.sigma) | {"step": np.full(profile.step.shape, np.nan)}
    with pytest.raises(ValueError, match="step of a HeadingDemand has a value without a sigma"):
        replace(profile, sigma=unsure)


def test_assuming_all_of_the_look_ahead_is_not_go(assess: Assess) -> None:
    found = assess(Scene(), **AHEAD)
    verdict = decide(demand(found, 30.0, near_strip_max_m=5.0), ROVER.limits, 0.99)
    assert verdict.verdict == "ask-ground"
    assert "all of the look-ahead would be assumed" in verdict.causes[0].text


def test_an_unknown_attitude_asks_and_says_why() -> None:
    pair = render(Scene(), attitude=None)
    unknown = assess_pair(pair, ideal_rig(), ROVER, Settings(headings_deg=(0.0,)))
    assert {c.kind for c in unknown.verdicts[0].causes} == {"attitude unknown"}
    level = assess_pair(pair, ideal_rig(), ROVER,
                        Settings(assume_level=True, headings_deg=(0.0,)))
    assert level.verdicts[0].verdict == "go"


def test_an_unknown_tilt_counts_before_the_slope_that_is_steep_by_itself() -> None:
    """A 20 degree ramp from 0.7 m: near it the slope is too steep; tilt alone may be, before it."""
    pair = render(Scene(slope_x=float(np.tan(np.radians(20))), from_x=0.7), attitude=None)
    rover = with_limits(ROVER, {"roll": 40.0})  # so that the slope speaks alone
    found = assess_pair(pair, ideal_rig(), rover, Settings(headings_deg=(0.0,)))
    tilt, slope = (next(c for c in found.verdicts[0].causes if c.kind == kind)
                   for kind in ("attitude unknown", "slope"))
    assert tilt.at_m < slope.at_m - 0.05
    assert found.verdicts[0].clear_m == pytest.approx(tilt.at_m)


@given(st.floats(0.02, 0.10), st.floats(1.0, 2.0), st.floats(0.5, 0.99))
@hypothesis_settings(max_examples=40, deadline=None)
def test_a_higher_limit_or_lower_confidence_never_turns_go_into_ask(
    assess: Assess, limit: float, factor: float, less: float
) -> None:
    profile = demand(assess(BOX, **AHEAD))
    low = limits(step=limit, drop=limit, belly=limit)
    high = limits(step=limit * factor, drop=limit * factor, belly=limit * factor)
    if decide(profile, low, 0.99).verdict == "go":
        assert decide(profile, high, 0.99).verdict == "go"
        assert decide(profile, low, less).verdict == "go"
    assert decide(profile, high, 0.99).clear_m >= decide(profile, low, 0.99).clear_m - 1e-12


@pytest.mark.parametrize("seed", range(12))
def test_turning_seen_cells_blank_never_turns_ask_into_go(assess: Assess, seed: int) -> None:
    """Ground references held fixed, any cells: less seen is never more allowed."""
    found = assess(BOX, **AHEAD)
    rng = np.random.default_rng(seed)
    terrain = terrain_of(found)
    row, column = rng.integers(30, 120), rng.integers(130, 170)
    size = rng.integers(2, 40, 2)
    lost = np.zeros(terrain.spec.shape, dtype=bool)
    lost[row:row + size[0], column:column + size[1]] = True
    lost &= terrain.state == CellState.SEEN

    def without(layer: Floats) -> Floats:
        return np.where(lost, np.nan, layer)

    blanked = replace(
        terrain, state=np.where(lost, CellState.BLANK, terrain.state).astype(np.uint8),
        mean_m=without(terrain.mean_m), highest_m=without(terrain.highest_m),
        lowest_m=without(terrain.lowest_m), sigma_m=without(terrain.sigma_m))
    for value in (0.03, 0.045, 0.06, 0.10):
        limit = limits(step=value, drop=value, belly=value)
        before, after = (
            decide(demand_along(t, ROVER, 0.0, look_ahead_m=1.0,
                                near_strip_max_m=strip_bound_m(found)), limit, 0.99)
            for t in (terrain, blanked)
        )
        if before.verdict == "ask-ground":
            assert after.verdict == "ask-ground"


def verdict_of(heading: float, clear: float, *causes: Cause) -> HeadingVerdict:
    return HeadingVerdict(heading_deg=heading, verdict="ask-ground" if causes else "go",
                          clear_m=clear, assumed_m=0.0, causes=causes,
                          probability=0.0, bounded=True)


CAUSE = Cause(kind="step", at_m=0.4, demand=0.08, sigma=0.002, limit=0.05, unit="m",
              text="step 0.080")


def test_the_suggestion_is_the_least_turn() -> None:
    found = suggest([verdict_of(-20, 1.0), verdict_of(0, 0.4, CAUSE), verdict_of(10, 1.0)])
    assert found.heading_deg == 10
    assert found.text == "turn 10° left: clear for 1.00 m"


def test_the_suggestion_holds_when_nothing_is_clear() -> None:
    found = suggest([verdict_of(-20, 0.2, CAUSE), verdict_of(0, 0.4, CAUSE)])
    assert found.heading_deg is None
    assert "hold" in found.text
    assert "straight ahead" in found.text
    assert "step 0.080" in found.text


def test_the_suggestion_does_not_prefer_ground_that_is_only_assumed() -> None:
    """25 degrees are clear for longer, but all of it assumed; straight ahead something is seen."""
    aside = HeadingVerdict(heading_deg=25.0, verdict="ask-ground", clear_m=0.5, assumed_m=0.5,
                           causes=(CAUSE,), probability=0.0, bounded=True)
    ahead = HeadingVerdict(heading_deg=0.0, verdict="ask-ground", clear_m=0.45, assumed_m=0.3,
                           causes=(CAUSE,), probability=0.0, bounded=True)
    assert "straight ahead, clear for 0.45 m (the first 0.30 m assumed)" in suggest(
        [aside, ahead]).text
    assert "no heading is clear beyond what is assumed; 25° left" in suggest([aside]).text


def test_a_suggestion_needs_a_verdict() -> None:
    with pytest.raises(ValueError, match="at least one"):
        suggest([])
