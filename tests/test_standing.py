"""The settled rover along a heading, on maps made by hand, against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam.frames import Floats, Pose, level_from_rover
from hazcam.rover import foot_places_m, read_rover, tip_angle_deg, with_limits
from hazcam.terrain import CellState, GridSpec, TerrainMap, TerrainSettings, map_terrain
from hazcam.terrain.ground import window_planes
from hazcam.verdict import HeadingDemand, decide, demand_along
from tests.published.exact import exact_points
from tests.synthetic import Scene

ROVER = read_rover("dunlin-em")
BODY, LEGS = ROVER.body, ROVER.legs
SPEC = GridSpec(cell_m=0.01, ahead_m=1.6, side_m=0.4)
LEVEL_TIP_DEG = tip_angle_deg(BODY, LEGS)
UNTIL_M = 1.0
STOOD = ("tip", "contact", "pitch", "lean")
Found = dict[str, Floats]


def atan_deg(rise: float, run: float) -> float:
    return math.degrees(math.atan2(rise, run))


@pytest.fixture(scope="module")
def base() -> TerrainMap:
    """A map whose ground the tests replace."""
    points = exact_points(Scene())
    return map_terrain(points, points.common_view, TerrainSettings(grid=SPEC))


def places(spec: GridSpec = SPEC) -> tuple[Floats, Floats]:
    x, y = np.meshgrid(spec.x_m, spec.y_m, indexing="ij")
    return x, y


def ground(base: TerrainMap, z_m: Floats, *, sigma_m: float = 0.0) -> TerrainMap:
    """A map that sees a surface everywhere; its local ground is the level of the feet."""
    level = np.zeros(z_m.shape)
    return replace(
        base, state=np.full(z_m.shape, CellState.SEEN, dtype=np.uint8), mean_m=z_m, highest_m=z_m,
        lowest_m=z_m, sigma_m=level + sigma_m, ground_m=level, ground_sigma_m=level,
        roughness_m=level, slope_x=level, slope_y=level, slope_sigma=level + 0.001,
        behind=np.zeros(z_m.shape, dtype=bool), sunk_m=level,
        sensor_view=np.ones(z_m.shape, dtype=bool), obstacles=())


def unseen(terrain: TerrainMap, lost: NDArray[np.bool_], state: CellState) -> TerrainMap:
    nan: dict[str, Any] = {name: np.where(lost, np.nan, getattr(terrain, name))
                           for name in ("mean_m", "highest_m", "lowest_m", "sigma_m")}
    return replace(terrain, state=np.where(lost, state, terrain.state).astype(np.uint8), **nan)


def demand_on(
    terrain: TerrainMap, heading_deg: float = 0.0, look_ahead_m: float = UNTIL_M
) -> HeadingDemand:
    return demand_along(terrain, ROVER, heading_deg, look_ahead_m=look_ahead_m,
                        near_strip_max_m=0.0)


def stood(terrain: TerrainMap, heading_deg: float = 0.0) -> tuple[Found, Found, Floats]:
    """What is found, its sigma, and the stations at which the nose stands."""
    demand = demand_on(terrain, heading_deg)
    at = np.isfinite(demand.tip)
    return ({name: getattr(demand, name)[at] for name in STOOD},
            {name: demand.sigma[name][at] for name in ("tip", "contact")}, demand.station_m[at])


def feet_from_m(place_m: float, at: Floats) -> Floats:
    """Where the feet of a pair are, ahead of the rover origin, as the nose stands at stations."""
    return at + place_m  # the nose is as far ahead of the origin as the station 0 is


# --- planes ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("heading_deg", [0.0, 10.0, -10.0])
def test_on_the_level_it_stands_level(base: TerrainMap, heading_deg: float) -> None:
    found, sigma, _ = stood(ground(base, np.zeros(SPEC.shape)), heading_deg)
    for name in STOOD:
        np.testing.assert_allclose(found[name], 0.0, atol=1e-9)
    # No stance is known better than that.
    np.testing.assert_allclose(sigma["tip"], math.hypot(0.5, base.view.tilt_sigma_deg))
    np.testing.assert_allclose(sigma["contact"], 0.001)


def test_it_stands_at_each_foot_length_from_where_all_feet_are_past_the_nose(
    base: TerrainMap
) -> None:
    """The hind feet are hip spacing + nose behind the nose; the last stance is past the end."""
    _, _, at = stood(ground(base, np.zeros(SPEC.shape)))
    np.testing.assert_allclose(np.diff(at), LEGS.foot_length_m)
    first = LEGS.hip_spacing_m + BODY.nose_m
    assert first <= at[0] < first + LEGS.foot_length_m
    assert UNTIL_M <= at[-1] < UNTIL_M + LEGS.foot_length_m


@pytest.mark.parametrize(("along", "across"), [
    (0.1, 0.0), (-0.2, 0.0), (0.0, 0.15), (0.0, -0.1), (0.12, -0.08)])
def test_on_a_plane_it_leans_as_the_plane(base: TerrainMap, along: float, across: float) -> None:
    """R = Ry(pitch) Rx(roll) takes z to the normal (-a, -b, 1).

    So pitch = -atan(a) and roll = atan(b / sqrt(1 + a²)). The soles stand on the highest of their
    cells and a place is a cell: two cells of rise under the body.
    """
    x, y = places()
    found, _, _ = stood(ground(base, along * x + across * y))
    np.testing.assert_allclose(found["pitch"], -atan_deg(along, 1.0), atol=1e-9)
    np.testing.assert_allclose(found["lean"], atan_deg(across, math.hypot(1.0, along)), atol=1e-9)
    assert np.abs(found["contact"]).max() <= 2 * SPEC.cell_m * math.hypot(along, across)


@pytest.mark.parametrize("across", [0.1, -0.1])
def test_on_a_slope_it_loses_what_the_slope_takes_from_its_tripods(
    base: TerrainMap, across: float
) -> None:
    """By brute force over the edges of both tripods: McGhee and Frank's margin as an angle.

    From an edge d away, of outward normal n, the mass at height h is atan(d / h) from overturning
    on the level, and atan(-n . slope) less on a slope.
    """
    feet = foot_places_m(LEGS)
    left = math.inf
    for tripod in ((0, 3, 4), (1, 2, 5)):
        for i in range(3):
            a, b, c = (feet[tripod[(i + k) % 3]] for k in range(3))
            outwards = np.array([b[1] - a[1], a[0] - b[0]]) / math.dist(a, b)
            outwards *= -np.sign(outwards @ (c - a))
            left = min(left, math.atan2(outwards @ a, BODY.com_height_m)
                       + math.atan(outwards @ [0.0, across]))
    found, _, _ = stood(ground(base, across * places()[1]))
    np.testing.assert_allclose(found["tip"], LEVEL_TIP_DEG - math.degrees(left), atol=1e-9)
    assert 0 < found["tip"][0] < atan_deg(abs(across), 1.0)


def test_15_degrees_nose_up_on_a_slope_of_15_degrees_is_15_degrees(base: TerrainMap) -> None:
    """The plane of its feet goes on: seen ground and the strip that is out of view are one slope.

    Against gravity all of it pitches by -15 degrees, and nothing of it reaches the body.
    """
    slope = math.tan(math.radians(15.0))
    x, _ = places()
    up = Pose(R=level_from_rover(0.0, -15.0), t=np.zeros(3))
    whole = ground(replace(base, view=replace(base.view, T_level_rover=up)), slope * x)
    for terrain in (whole, unseen(whole, x < 0.6, CellState.OUTSIDE)):
        found, _, _ = stood(terrain)
        np.testing.assert_allclose(found["pitch"], -15.0, atol=1e-9)
        np.testing.assert_allclose(found["lean"], 0.0, atol=1e-9)
        assert np.nanmax(np.abs(found["contact"])) <= 2 * SPEC.cell_m * slope


# --- single things --------------------------------------------------------------------------------


ROCK_M, ROCK_FROM_M, ROCK_TO_M = 0.03, 0.80, 0.84


@pytest.mark.parametrize("side", [1, -1])
def test_a_rock_under_one_foot_after_the_other(base: TerrainMap, side: int) -> None:
    """A flat rock under one foot track, shorter than the legs are apart; closed form for each foot.

    Under the front foot the tripod with it falls from it to the hind foot: pitch -atan(h / 2
    spacings). Under the middle foot its tripod leans about the feet of the other side: roll
    atan(h / track), no pitch. Under the hind foot as under the front foot, nose down.
    """
    x, y = places()
    on_rock = (x > ROCK_FROM_M) & (x < ROCK_TO_M) & (side * y > 0.08) & (side * y < 0.12)
    found, _, at = stood(ground(base, np.where(on_rock, ROCK_M, 0.0)))
    pitch, roll = atan_deg(ROCK_M, 2 * LEGS.hip_spacing_m), atan_deg(ROCK_M, LEGS.track_m)
    under_none = np.ones(at.size, dtype=bool)
    reach_m = LEGS.foot_length_m / 2
    for place, expected in ((LEGS.hip_spacing_m, -pitch), (0.0, 0.0), (-LEGS.hip_spacing_m, pitch)):
        foot = feet_from_m(place, at)
        # A cell at each end is left for where a sole of whole cells begins.
        under = (foot > ROCK_FROM_M - reach_m + 0.01) & (foot < ROCK_TO_M + reach_m - 0.01)
        under_none &= (foot < ROCK_FROM_M - reach_m - 0.01) | (foot > ROCK_TO_M + reach_m + 0.01)
        assert under.any()
        np.testing.assert_allclose(found["pitch"][under], expected, atol=1e-9)
        lean = side * found["lean"][under]
        assert np.all((lean > 1.0) & (lean <= roll + 1e-9))
        if place == 0.0:
            np.testing.assert_allclose(lean, roll, atol=1e-9)
    assert under_none.sum() > 10
    for name in ("pitch", "lean", "tip"):
        np.testing.assert_allclose(found[name][under_none], 0.0, atol=1e-9)


@pytest.mark.parametrize(("height_m", "kinds"), [(0.030, set()), (0.049, {"contact"}),
                                                 (0.060, {"contact"})])
def test_a_flat_topped_ridge_higher_than_the_clearance_grounds_the_belly(
    base: TerrainMap, height_m: float, kinds: set[str]
) -> None:
    """Between two pairs of feet that stand level it is as high above the soles as it is.

    It grounds a belly of 5 cm if it is higher; the limit keeps 1 cm of it.
    """
    x, _ = places()
    terrain = ground(base, np.where((x > 0.80) & (x < 0.85), height_m, 0.0), sigma_m=0.0005)
    found, _, at = stood(terrain)
    reach_m = LEGS.foot_length_m / 2 + 0.01
    between = (feet_from_m(LEGS.hip_spacing_m, at) > 0.85 + reach_m) & (
        feet_from_m(0.0, at) < 0.80 - reach_m)
    assert between.any()
    np.testing.assert_allclose(found["contact"][between], height_m, atol=1e-9)
    assert np.all((found["contact"][between] > BODY.underside_m) == (height_m > BODY.underside_m))
    causes = decide(demand_on(terrain), ROVER.limits, 0.99).causes
    assert {c.kind for c in causes} & {"contact"} == kinds
    grounded = [c for c in causes if c.kind == "contact"]
    assert all(c.demand is not None and c.demand > ROVER.limits.belly.value - 0.003
               for c in grounded)


def test_a_wall_that_the_nose_meets_first_counts_as_contact(base: TerrainMap) -> None:
    """The nose is 2 cm ahead of the soles of the front feet, which are still on the level."""
    x, _ = places()
    _, _, at = stood(ground(base, np.zeros(SPEC.shape)))
    nose = at[10] + BODY.nose_m
    found, _, _ = stood(ground(base, np.where(x > nose - SPEC.cell_m / 2, 0.2, 0.0)))
    np.testing.assert_allclose(found["contact"][:11], [*[0.0] * 10, 0.2], atol=1e-9)
    np.testing.assert_allclose(found["pitch"][:11], 0.0, atol=1e-9)


def test_a_step_in_a_body_window_is_a_step_and_not_a_slope_of_20_degrees() -> None:
    """A step h in a window W fits as a slope of 1.5 h / W, RMS h / 4: 5 cm in 20 cm.

    Closed form: 20.556 degrees and 12.5 mm; of n cells within 1/n² of it. A rover that climbs 25
    degrees is stopped by the step alone, and it is a step for a foothold behind its edge only.
    """
    cells, step_m, window_m = 21, 0.05, 0.20
    spec = GridSpec(cell_m=window_m / cells, ahead_m=1.6, side_m=0.4)
    points = exact_points(Scene())
    flat = map_terrain(points, points.common_view, TerrainSettings(grid=spec))
    edge_m = 90 * spec.cell_m
    z = np.where(places(spec)[0] > edge_m, step_m, 0.0)
    planes = window_planes(z, np.ones(z.shape), spec.cell_m, window_m)
    middle = np.unravel_index(np.nanargmax(planes.slope_x), z.shape)
    assert planes.rms_m[middle] == pytest.approx(step_m / 4, rel=1 / cells**2)
    inner = np.nan_to_num(planes.slope_x)
    terrain = replace(ground(flat, z, sigma_m=0.0005), ground_m=z, slope_x=inner)
    demand = demand_on(terrain)
    steepest = float(np.nanmax(demand.slope))
    assert steepest == pytest.approx(20.556, rel=1 / cells**2)
    assert steepest == pytest.approx(atan_deg(1.5 * step_m, window_m), rel=1 / cells**2)
    nose_at_edge_m = edge_m - BODY.nose_m
    foothold_m = 2 * LEGS.foot_length_m
    behind = (demand.station_m > nose_at_edge_m) & (
        demand.station_m < nose_at_edge_m + foothold_m - spec.cell_m)
    away = (demand.station_m < nose_at_edge_m - spec.cell_m) | (
        demand.station_m > nose_at_edge_m + foothold_m + spec.cell_m)
    np.testing.assert_allclose(demand.step[behind], step_m, atol=1e-9)
    np.testing.assert_allclose(demand.step[away], 0.0, atol=1e-9)
    climber = with_limits(ROVER, {"slope": 25.0, "roll": 25.0, "tip": 25.0, "step": 0.045})
    kinds = {c.kind for c in decide(demand, climber.limits, 0.99).causes}
    assert "step" in kinds
    assert not kinds & {"slope", "roll"}


# --- what is not known ----------------------------------------------------------------------------


@pytest.mark.parametrize("sigma_m", [0.002, 0.006])
def test_errors_of_the_ground_tilt_it_from_one_bound_to_the_other(
    base: TerrainMap, sigma_m: float
) -> None:
    """Steepest along it rests on high middle feet and a low end, across on one high side.

    Two sigma over the distance of the hips, and over the track.
    """
    found, sigma, _ = stood(ground(base, np.zeros(SPEC.shape), sigma_m=sigma_m))
    np.testing.assert_allclose(np.abs(found["pitch"]),
                               atan_deg(2 * sigma_m, LEGS.hip_spacing_m), atol=1e-9)
    np.testing.assert_allclose(np.abs(found["lean"]), atan_deg(2 * sigma_m, LEGS.track_m),
                               atol=1e-9)
    np.testing.assert_allclose(found["tip"], 0.0, atol=1e-9)  # the value is that of the middle
    np.testing.assert_allclose(sigma["contact"], sigma_m, atol=1e-9)
    assert np.all(sigma["tip"] > math.hypot(0.5, base.view.tilt_sigma_deg) + 0.1)


@pytest.mark.parametrize("sigma_m", [0.0, 0.006])
@pytest.mark.parametrize("tilt_sigma_deg", [0.3, 2.0])
def test_the_tilt_of_the_view_adds_to_what_a_stance_is_known_by(
    base: TerrainMap, sigma_m: float, tilt_sigma_deg: float
) -> None:
    """In squares, to its own; contact is against the feet, whatever the tilt."""
    level = ground(base, np.zeros(SPEC.shape), sigma_m=sigma_m)
    own, tilted = (stood(replace(level, view=replace(base.view, tilt_sigma_deg=sigma)))[1]
                   for sigma in (0.0, tilt_sigma_deg))
    np.testing.assert_allclose(tilted["tip"], np.hypot(own["tip"], tilt_sigma_deg))
    np.testing.assert_allclose(tilted["contact"], own["contact"])


def test_on_unseen_ground_it_stands_on_the_local_ground(base: TerrainMap) -> None:
    """Up or down by what the seen ground strays from it: 3 mm and 4 mm are 5 mm."""
    x, _ = places()
    slope = 0.1
    terrain = ground(base, slope * x)
    terrain = replace(terrain, ground_m=slope * x, ground_sigma_m=np.full(SPEC.shape, 0.003),
                      roughness_m=np.full(SPEC.shape, 0.004))
    lost = x > 0.7
    for state in (CellState.BLANK, CellState.HIDDEN):
        found, sigma, at = stood(unseen(terrain, lost, state))
        there = feet_from_m(-LEGS.hip_spacing_m, at) > 0.75
        tilt_deg = atan_deg(slope * LEGS.hip_spacing_m + 2 * 0.005, LEGS.hip_spacing_m)
        np.testing.assert_allclose(found["pitch"][there], -tilt_deg, atol=1e-9)
        np.testing.assert_allclose(sigma["contact"][there], 0.005, atol=1e-9)
        assert np.all(np.isfinite(found["tip"]))
        np.testing.assert_allclose(sigma["contact"][at < 0.4], 0.001)


@pytest.mark.parametrize("ridge_m", [0.03, -0.02])
def test_contact_is_the_greatest_of_the_parts_that_are_known(
    base: TerrainMap, ridge_m: float
) -> None:
    """A ridge under the belly, or a furrow, and nothing seen ahead of the front feet."""
    x, _ = places()
    z = np.where((x > 0.80) & (x < 0.85), ridge_m, 0.0)
    of_all, _, at = stood(ground(base, z))
    front = feet_from_m(LEGS.hip_spacing_m, at)
    reach_m = LEGS.foot_length_m / 2 + 0.01
    stance = int(np.flatnonzero(front > 0.85 + reach_m)[0])
    lost = x > front[stance] - LEGS.foot_length_m / 2
    found, _, _ = stood(unseen(ground(base, z), lost, CellState.BLANK))
    expected = max(ridge_m, 0.0)
    assert of_all["contact"][stance] == pytest.approx(expected, abs=1e-9)
    assert found["contact"][stance] == pytest.approx(expected, abs=1e-9)
    nothing = np.ones(SPEC.shape, dtype=bool)
    found, _, _ = stood(unseen(ground(base, z), nothing, CellState.BLANK))
    assert np.isnan(found["contact"]).all()


def test_where_the_ground_under_a_foot_is_not_known_nothing_is(base: TerrainMap) -> None:
    x, _ = places()
    lost = (x > 0.9) & (x < 0.93)
    terrain = unseen(ground(base, np.zeros(SPEC.shape)), lost, CellState.BLANK)
    terrain = replace(terrain, ground_m=np.where(lost, np.nan, 0.0))
    _, _, at = stood(terrain)
    _, _, of_all = stood(ground(base, np.zeros(SPEC.shape)))
    missing = np.setdiff1d(of_all, at)
    feet = np.array([feet_from_m(p, missing) for p in np.unique(foot_places_m(LEGS)[:, 0])])
    nearest = np.abs(feet - 0.915).min(axis=0)
    assert missing.size >= 2
    assert nearest.max() < LEGS.foot_length_m / 2 + 0.015 + 0.01


def test_no_stance_has_room_in_a_short_way(base: TerrainMap) -> None:
    """All feet ahead of the nose take 0.275 m: nothing is said of 0.2 m."""
    terrain = ground(base, np.zeros(SPEC.shape))
    demand = demand_on(terrain, look_ahead_m=0.2)
    assert all(np.isnan(getattr(demand, name)).all() for name in STOOD)
    assert all(np.isnan(demand.sigma[name]).all() for name in ("tip", "contact"))
