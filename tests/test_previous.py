"""Ground carried over from the previous pair: synthetic maps with a known move between them."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hazcam.assess import Assessment, assess_pair, previous_ground
from hazcam.errors import PairError
from hazcam.frames import Floats, Pose, level_from_rover
from hazcam.imagery import PlanarMove, previous_of
from hazcam.imagery.sidecar import parse_sidecar
from hazcam.rover import read_rover
from hazcam.settings import Settings
from hazcam.terrain import (
    CarriedOver,
    CellState,
    GridSpec,
    Obstacle,
    PreviousGround,
    TerrainMap,
    carry_over,
)
from hazcam.terrain.previous import MAX_SPREAD_M
from hazcam.terrain.tie import fit_tie
from hazcam.verdict import decide, demand_along, near_strip_m
from tests.conftest import terrain_of
from tests.synthetic import Scene, ideal_rig, render

ROVER = read_rover("dunlin-em")
MOVE = PlanarMove(x_m=0.40, y_m=0.05, z_m=0.03, heading_deg=10.0,
                  sigma_x_m=0.0, sigma_y_m=0.0, sigma_heading_deg=0.0)
SPEC = GridSpec(cell_m=0.01, ahead_m=1.6, side_m=0.6)
CELL_DIAGONAL_M = SPEC.cell_m * math.sqrt(2)
LAYERS = tuple(f.name for f in fields(TerrainMap) if f.name not in
               ("spec", "planes", "obstacles", "view", "row_angle"))
Surface = Callable[[Floats, Floats], Floats]
SLOPE = (0.10, -0.04)


def ramp(x: Floats, y: Floats) -> Floats:
    return SLOPE[0] * x + SLOPE[1] * y


@pytest.fixture(scope="module")
def flat() -> Assessment:
    """Flat ground, from pictures."""
    return assess_pair(render(Scene()), ideal_rig(), ROVER, Settings(
        headings_deg=(0.0,), terrain=replace(Settings().terrain, grid=SPEC)))


@pytest.fixture(scope="module")
def base(flat: Assessment) -> TerrainMap:
    """Its map; the tests replace its ground."""
    return terrain_of(flat)


def with_ground(
    base: TerrainMap, surface: Surface, seen: NDArray[np.bool_], *,
    slope: tuple[float, float] = (0.0, 0.0), sigma_m: float = 0.002, tilt_sigma_deg: float = 0.0,
) -> TerrainMap:
    """A map that sees a surface where ``seen``; all else is outside the pictures."""
    x, y = places()
    z = np.where(seen, surface(x, y), np.nan)
    sigma = np.where(seen, sigma_m, np.nan)
    state = np.where(seen, CellState.SEEN, CellState.OUTSIDE).astype(np.uint8)
    return replace(
        base, state=state, mean_m=z, highest_m=z, lowest_m=z, sigma_m=sigma, ground_m=z,
        ground_sigma_m=sigma, slope_x=np.where(seen, slope[0], np.nan),
        slope_y=np.where(seen, slope[1], np.nan), slope_sigma=np.where(seen, 0.01, np.nan),
        behind=np.zeros(SPEC.shape, dtype=bool), roughness_m=np.where(seen, 0.001, np.nan),
        view=replace(base.view, tilt_sigma_deg=tilt_sigma_deg))


def places() -> tuple[Floats, Floats]:
    x, y = np.meshgrid(SPEC.x_m, SPEC.y_m, indexing="ij")
    return x, y


def beyond(x_m: float) -> NDArray[np.bool_]:
    return places()[0] > x_m


def offered(terrain: TerrainMap, move: PlanarMove = MOVE) -> PreviousGround:
    return PreviousGround(id="before", terrain=terrain, move=move, pair_digest="p",
                          rig_digest="r")


def moved(surface: Surface, move: PlanarMove = MOVE) -> Surface:
    """The same surface in the present level frame."""
    def here(x: Floats, y: Floats) -> Floats:
        return surface(*move.to_previous(x, y)) - move.z_m

    return here


def carried(
    base: TerrainMap, surface: Surface, move: PlanarMove = MOVE, **ground: Any
) -> CarriedOver:
    """A surface seen beyond 0.45 m from both places."""
    before = with_ground(base, surface, beyond(0.45), **ground)
    now = with_ground(base, moved(surface, move), beyond(0.45))
    return carry_over(now, offered(before, move))


def rock_at(x_m: float, y_m: float, height_m: float = 0.08, half_m: float = 0.03) -> Surface:
    """A square rock on the ramp."""
    def surface(x: Floats, y: Floats) -> Floats:
        on = (np.abs(x - x_m) < half_m) & (np.abs(y - y_m) < half_m)
        return ramp(x, y) + np.where(on, height_m, 0.0)

    return surface


# --- where things come out ------------------------------------------------------------------------


def test_a_ramp_comes_out_at_its_place_and_height(base: TerrainMap) -> None:
    found = carried(base, ramp, slope=SLOPE)
    assert not found.refused
    filled = found.terrain.from_previous
    x, y = places()
    expected = moved(ramp)(x, y)[filled]
    # The nearest previous cell is half a diagonal away at most.
    worst = math.hypot(*SLOPE) * CELL_DIAGONAL_M / 2
    assert np.abs(found.terrain.mean_m[filled] - expected).max() <= worst + 1e-4
    assert np.abs(found.terrain.mean_m[filled] - expected).max() > worst / 2  # and is not exact
    # All ground before 0.45 m that the previous pair saw, and no more.
    previous_x, previous_y = MOVE.to_previous(x, y)
    inside = (x < 0.45) & (previous_x > 0.46) & (np.abs(previous_y) < SPEC.side_m - 0.01)
    assert filled[inside].all()
    assert not filled[previous_x < 0.44].any()
    assert found.offset_m == pytest.approx(-MOVE.z_m, abs=5e-4)


def test_a_rock_in_the_strip_comes_out_at_its_cells(base: TerrainMap) -> None:
    """A rock 0.25 m ahead and 0.06 m left of the present origin, 8 cm high."""
    place = MOVE.to_previous(0.25, 0.06)
    terrain = carried(base, rock_at(*map(float, place)), slope=SLOPE).terrain
    x, y = places()
    above = terrain.highest_m - moved(ramp)(x, y)
    stands = terrain.from_previous & (above > 0.06)
    assert above[SPEC.cells(0.25, 0.06)] == pytest.approx(0.08, abs=0.004)
    distance = np.hypot(x - 0.25, y - 0.06)
    assert stands[distance < 0.03].all()
    # Corner of the rock, and the cell more that a turned grid needs.
    assert distance[stands].max() < 0.03 * math.sqrt(2) + 2 * CELL_DIAGONAL_M


def test_obstacles_move_with_the_ground_they_stand_on(base: TerrainMap) -> None:
    """A rock 6 x 6 cm in the strip, and one on ground that this pair sees itself."""
    def rock(x_m: float, y_m: float) -> Obstacle:
        corners = [(x_m + dx, y_m + dy) for dx, dy in
                   ((-0.03, -0.03), (0.03, -0.03), (0.03, 0.03), (-0.03, 0.03))]
        outline = tuple((float(x), float(y)) for x, y in
                        (MOVE.to_previous(*corner) for corner in corners))
        x, y = (float(v) for v in MOVE.to_previous(x_m, y_m))
        return Obstacle(x_m=x, y_m=y, height_m=0.08, sigma_m=0.003, distance_m=9.0,
                        bearing_deg=0.0, outline_m=outline, cells=36, unseen_share=0.0)

    rocks = (rock(0.30, 0.0), rock(0.80, 0.0))
    before = replace(with_ground(base, ramp, beyond(0.45), slope=SLOPE), obstacles=rocks)
    now = replace(with_ground(base, moved(ramp), beyond(0.45)), obstacles=())
    found = carry_over(now, offered(before)).terrain.obstacles
    assert len(found) == 1
    assert (found[0].x_m, found[0].y_m) == pytest.approx((0.30, 0.0))
    # Its nearest place is the middle of its near side, no corner of it.
    assert (found[0].distance_m, found[0].bearing_deg) == pytest.approx((0.27, 0.0), abs=1e-3)
    assert (found[0].height_m, found[0].cells) == (0.08, 36)


def test_slopes_turn_with_the_heading(base: TerrainMap) -> None:
    """A slope of direction a in the previous frame has direction a - heading here."""
    terrain = carried(base, ramp, slope=SLOPE).terrain
    filled, angle = terrain.from_previous, math.atan2(SLOPE[1], SLOPE[0]) - math.radians(10.0)
    steep = math.hypot(*SLOPE)
    assert terrain.slope_x[filled] == pytest.approx(steep * math.cos(angle), abs=1e-9)
    assert terrain.slope_y[filled] == pytest.approx(steep * math.sin(angle), abs=1e-9)


@pytest.mark.parametrize("heading_deg", [-90.0, -37.0, 0.0, 20.0, 45.0])
def test_a_spike_of_one_cell_is_never_lost_between_two_grids(
    base: TerrainMap, heading_deg: float
) -> None:
    move = replace(MOVE, heading_deg=heading_deg)
    place = move.to_previous(0.30, 0.0)
    row, column = (int(i) for i in SPEC.cells(*place))
    before = with_ground(base, ramp, np.ones(SPEC.shape, dtype=bool), slope=SLOPE)
    highest = before.highest_m.copy()
    highest[row, column] += 0.10
    now = with_ground(base, moved(ramp, move), beyond(0.45))
    terrain = carry_over(now, offered(replace(before, highest_m=highest), move)).terrain
    above = (terrain.highest_m - terrain.mean_m)[terrain.from_previous]
    assert above.max() > 0.09
    assert np.count_nonzero(above > 0.09) < 20


def test_what_stands_may_stand_two_sigma_of_the_move_aside(base: TerrainMap) -> None:
    move = replace(MOVE, sigma_x_m=0.03, sigma_y_m=0.01)
    place = move.to_previous(0.25, 0.06)
    terrain = carried(base, rock_at(*map(float, place)), move, slope=SLOPE).terrain
    x, y = places()
    above = terrain.highest_m - moved(ramp)(x, y)
    stands = terrain.from_previous & (above > 0.06)
    distance = np.hypot(x - 0.25, y - 0.06)
    assert stands[terrain.from_previous & (distance < 0.03 + 2 * 0.03)].all()
    assert distance[stands].max() < 0.03 * math.sqrt(2) + 2 * 0.03 + 2 * CELL_DIAGONAL_M
    # The mean is no extreme: it stays where it is.
    raised = terrain.from_previous & (terrain.mean_m - moved(ramp)(x, y) > 0.06)
    assert distance[raised].max() < 0.03 * math.sqrt(2) + CELL_DIAGONAL_M


def test_a_pit_grows_as_a_rock_does(base: TerrainMap) -> None:
    move = replace(MOVE, sigma_x_m=0.02, sigma_y_m=0.02)
    place = move.to_previous(0.25, 0.0)
    pit = rock_at(float(place[0]), float(place[1]), height_m=-0.08)
    terrain = carried(base, pit, move, slope=SLOPE).terrain
    x, y = places()
    deep = moved(ramp)(x, y) - terrain.lowest_m > 0.06
    assert deep[np.hypot(x - 0.25, y) < 0.03 + 2 * 0.02].all()


# --- sigma and tie --------------------------------------------------------------------------------


def test_the_sigma_holds_slope_times_move_beside_its_own(base: TerrainMap) -> None:
    """sqrt(own^2 + tie^2 + (slope sigma_move)^2), the tie next to exact here."""
    move = replace(MOVE, sigma_x_m=0.02, sigma_heading_deg=2.0)
    still = carried(base, ramp, slope=SLOPE).terrain
    terrain = carried(base, ramp, move, slope=SLOPE).terrain
    filled = terrain.from_previous
    x, y = places()
    reach = np.hypot(x, y)[filled].max()
    moved_m = math.hypot(0.02, math.radians(2.0) * reach)
    expected = np.hypot(0.002, math.hypot(*SLOPE) * moved_m)
    assert terrain.sigma_m[filled] == pytest.approx(expected, rel=0.02)
    assert still.sigma_m[filled] == pytest.approx(0.002, rel=0.02)


def test_offset_and_tilt_are_found_beside_outliers(base: TerrainMap) -> None:
    """The maps are tilted 0.6 degrees against each other; an eighth of the cells is 5 cm off."""
    tilt = math.tan(math.radians(0.6))
    rng = np.random.default_rng(4)
    noise = 0.002 * rng.standard_normal(SPEC.shape)
    noise[rng.random(SPEC.shape) < 0.125] += 0.05
    before = with_ground(base, lambda x, y: ramp(x, y) + noise, beyond(0.45), slope=SLOPE,
                         tilt_sigma_deg=0.5)
    now = with_ground(base, lambda x, y: moved(ramp)(x, y) + tilt * x, beyond(0.45),
                      tilt_sigma_deg=0.5)
    found = carry_over(now, offered(before))
    assert found.tilt_deg == pytest.approx(0.6, abs=0.05)
    filled = found.terrain.from_previous
    x, y = places()
    true = moved(ramp)(x, y) + tilt * x
    assert np.median(np.abs(found.terrain.mean_m - true)[filled]) < 0.003


def test_the_sigma_of_the_tie_is_right() -> None:
    """Errors alike over 5 cm: at 0.4 m before the common ground the tie is off by its sigma.

    Of 300 draws the root mean square of error over sigma is 1 within four of its own standard
    errors, 1 / sqrt(2 n).
    """
    rng = np.random.default_rng(7)
    x, y = np.meshgrid(0.005 + 0.01 * np.arange(60), 0.005 + 0.01 * np.arange(40), indexing="ij")
    cells = np.stack([x.ravel(), y.ravel()], axis=-1)
    scores = []
    for _ in range(300):
        tilt = rng.normal(0.0, 0.01, 2)
        patches = np.kron(rng.normal(0.0, 0.003, (12, 8)), np.ones((5, 5)))
        tie = fit_tie(cells, 0.02 + cells @ tilt + patches.ravel(), 0.01, 0.01)
        at = -0.4, 0.2
        scores.append((float(tie.at(*at)) - 0.02 - np.dot(at, tilt)) / float(tie.sigma_at(*at)))
    assert np.sqrt(np.mean(np.square(scores))) == pytest.approx(1.0, abs=4 / math.sqrt(2 * 300))


# --- refusals -------------------------------------------------------------------------------------


def refused(terrain: TerrainMap, previous: PreviousGround) -> str:
    found = carry_over(terrain, previous)
    assert found.terrain is terrain
    assert found.cells == 0
    assert found.text == f"before not used: {found.refused}"
    return found.refused


def test_too_little_common_ground_is_refused(base: TerrainMap) -> None:
    x, _ = places()
    before = with_ground(base, ramp, (x > 0.45) & (x < 0.87), slope=SLOPE)
    now = with_ground(base, moved(ramp), beyond(0.45))
    assert "seen by both pairs within 0.5 m of it, 0.05 m² are needed" in refused(
        now, offered(before, replace(MOVE, heading_deg=0.0)))


def test_maps_that_do_not_fit_are_refused(base: TerrainMap) -> None:
    """Waves of 4 cm, and a move that is told 15 cm too short."""
    def waves(x: Floats, y: Floats) -> Floats:
        return 0.04 * np.sin(2 * np.pi * x / 0.3)

    before = with_ground(base, waves, beyond(0.45))
    now = with_ground(base, moved(waves), beyond(0.45))
    right = carry_over(now, offered(before))
    assert not right.refused
    assert right.spread_m < MAX_SPREAD_M
    wrong = replace(MOVE, x_m=MOVE.x_m - 0.15)
    assert "is the pose right?" in refused(now, offered(before, wrong))


@pytest.mark.parametrize("which", ["previous", "present"])
def test_an_unknown_attitude_is_refused(base: TerrainMap, which: str) -> None:
    before = with_ground(base, ramp, beyond(0.45), slope=SLOPE)
    now = with_ground(base, moved(ramp), beyond(0.45))
    unknown = replace(base.view, tilt_bound_deg=10.0)
    if which == "previous":
        before = replace(before, view=unknown)
    else:
        now = replace(now, view=unknown)
    assert refused(now, offered(before)) == f"the attitude of the {which} pair is not known"


def test_a_stated_height_that_is_not_so_is_refused(base: TerrainMap) -> None:
    before = with_ground(base, ramp, beyond(0.45), slope=SLOPE)
    now = with_ground(base, moved(ramp), beyond(0.45))
    assert not carry_over(now, offered(before, replace(MOVE, sigma_z_m=0.005))).refused
    wrong = replace(MOVE, z_m=0.06, sigma_z_m=0.005)
    assert "stands +0.030 m higher than before, the stated pose says +0.060 m" in refused(
        now, offered(before, wrong))
    # Without its sigma the stated height says nothing.
    assert not carry_over(now, offered(before, replace(wrong, sigma_z_m=None))).refused


def test_nothing_new_is_said(base: TerrainMap) -> None:
    both = with_ground(base, ramp, beyond(0.45), slope=SLOPE)
    still = PlanarMove(x_m=0.0, y_m=0.0, z_m=0.0, heading_deg=0.0, sigma_x_m=0.0, sigma_y_m=0.0,
                       sigma_heading_deg=0.0)
    assert refused(both, offered(both, still)) == "it saw no ground that is out of view now"


# --- what is never changed ------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), x_m=st.floats(-0.2, 0.6), y_m=st.floats(-0.3, 0.3),
       heading_deg=st.floats(-180, 180))
def test_only_cells_out_of_view_are_changed(
    base: TerrainMap, seed: int, x_m: float, y_m: float, heading_deg: float
) -> None:
    rng = np.random.default_rng(seed)
    move = replace(MOVE, x_m=x_m, y_m=y_m, heading_deg=heading_deg, sigma_x_m=0.02)
    before = with_ground(base, ramp, rng.random(SPEC.shape) < 0.9, slope=SLOPE)
    state = rng.choice(4, size=SPEC.shape).astype(np.uint8)
    now = with_ground(base, moved(ramp, move), state == CellState.SEEN)
    now = replace(now, state=state, behind=state == CellState.HIDDEN)
    after = carry_over(now, offered(before, move)).terrain
    filled = after.from_previous
    assert np.all(state[filled] == CellState.OUTSIDE)
    assert np.all(after.state[filled] == CellState.SEEN)
    for name in LAYERS:
        same = getattr(after, name)[~filled]
        if name != "from_previous":
            assert np.array_equal(same, getattr(now, name)[~filled], equal_nan=True), name


def test_most_of_what_is_out_of_view_is_changed_there(base: TerrainMap) -> None:
    """So that the property above speaks of something."""
    found = carried(base, ramp, slope=SLOPE)
    assert np.count_nonzero(found.terrain.from_previous) == found.cells > 3000


def test_a_map_refuses_ground_of_the_previous_pair_that_is_not_seen(base: TerrainMap) -> None:
    assert not base.from_previous.any()
    with pytest.raises(ValueError, match="that the previous pair saw is SEEN"):
        replace(base, from_previous=base.state == CellState.OUTSIDE)
    with pytest.raises(ValueError, match="from_previous of a TerrainMap"):
        replace(base, from_previous=np.zeros((3, 3), dtype=bool))


# --- what is assumed ------------------------------------------------------------------------------


def strip_of(terrain: TerrainMap, seen_from_m: float) -> Any:
    """The demand straight ahead; the previous pair saw from there on, ahead of the origin."""
    before = with_ground(terrain, lambda x, y: 0.0 * x, beyond(seen_from_m))
    still = PlanarMove(x_m=0.0, y_m=0.0, z_m=0.0, heading_deg=0.0, sigma_x_m=0.0, sigma_y_m=0.0,
                       sigma_heading_deg=0.0)
    after = carry_over(replace(terrain, view=before.view), offered(before, still)).terrain
    return demand_along(after, ROVER, 0.0, look_ahead_m=0.6, near_strip_max_m=0.5)


def test_what_the_previous_pair_saw_is_not_assumed(base: TerrainMap) -> None:
    strip = near_strip_m(base, ROVER, 0.0, 0.6)
    alone = demand_along(base, ROVER, 0.0, look_ahead_m=0.6, near_strip_max_m=0.5)
    assert (alone.strip_m, alone.assumed_m, alone.seen_before_m) == (strip, strip, 0.0)
    part = strip_of(base, ROVER.body.nose_m + 0.10)
    assert part.strip_m == strip  # from rig and rover alone, whatever was seen
    assert part.assumed_m == pytest.approx(0.10, abs=0.011)
    assert part.seen_before_m == pytest.approx(strip - part.assumed_m)
    whole = strip_of(base, 0.0)
    assert (whole.assumed_m, whole.seen_before_m) == (0.0, strip)
    assert not whole.outside.any()


@pytest.mark.parametrize("state", [CellState.BLANK, CellState.HIDDEN, CellState.OUTSIDE])
def test_what_the_previous_pair_looked_at_and_did_not_see_is_not_assumed(
    base: TerrainMap, state: CellState
) -> None:
    """Stations 4 to 7 cm ahead, in the strip; what was out of its view may be assumed."""
    nose_m = ROVER.body.nose_m
    x, _ = places()
    missed = (x > nose_m + 0.036) & (x < nose_m + 0.076)
    before = with_ground(base, lambda x, y: 0.0 * x, beyond(nose_m) & ~missed)
    before = replace(before, state=np.where(missed, state, before.state).astype(np.uint8))
    still = PlanarMove(x_m=0.0, y_m=0.0, z_m=0.0, heading_deg=0.0, sigma_x_m=0.0, sigma_y_m=0.0,
                       sigma_heading_deg=0.0)
    after = carry_over(replace(base, view=before.view), offered(before, still))
    assert not after.refused
    demand = demand_along(after.terrain, ROVER, 0.0, look_ahead_m=0.6, near_strip_max_m=0.5)
    assert near_strip_m(base, ROVER, 0.0, 0.6) > 0.09
    out = demand.station_m[demand.outside]
    kinds = [c.kind for c in decide(demand, ROVER.limits, 0.99).causes]
    if state == CellState.OUTSIDE:
        assert (out.size, "outside view" in kinds) == (0, False)
        assert demand.assumed_m == pytest.approx(0.08, abs=0.011)
    else:
        assert out == pytest.approx([0.04, 0.05, 0.06, 0.07])
        assert "outside view" in kinds
        assert demand.assumed_m == pytest.approx(0.0, abs=0.011)


def test_a_strip_that_the_previous_pair_saw_nothing_of_is_not_assumed(base: TerrainMap) -> None:
    """It looked at all of it in vain: there is nothing to carry over, and nothing to assume."""
    before = with_ground(base, lambda x, y: 0.0 * x, base.state != CellState.OUTSIDE)
    before = replace(before, state=np.where(
        before.state != CellState.SEEN, CellState.BLANK, before.state).astype(np.uint8))
    still = PlanarMove(x_m=0.0, y_m=0.0, z_m=0.0, heading_deg=0.0, sigma_x_m=0.0, sigma_y_m=0.0,
                       sigma_heading_deg=0.0)
    after = carry_over(replace(base, view=before.view), offered(before, still))
    assert after.refused
    demand = demand_along(after.terrain, ROVER, 0.0, look_ahead_m=0.6, near_strip_max_m=0.5)
    assert demand.outside[0]
    assert decide(demand, ROVER.limits, 0.99).verdict == "ask-ground"


def test_the_ground_of_an_assessment_can_be_offered(flat: Assessment) -> None:
    ground = previous_ground(flat, MOVE)
    assert (ground.id, ground.pair_digest) == (flat.pair.id, flat.pair.digest)
    with pytest.raises(PairError, match="a picture is missing"):
        previous_ground(replace(flat, terrain=None, epipolar=None), MOVE)
    assert flat.epipolar is not None
    with pytest.raises(PairError, match="only 3 features were tracked"):
        previous_ground(replace(flat, epipolar=replace(flat.epipolar, count=3, sought=3)), MOVE)


# --- the sidecar ----------------------------------------------------------------------------------


def named(**changes: Any) -> Any:
    previous = {"pair": "dune-0", "pose": np.eye(4).tolist(), "sigma": [0.01, 0.02, 0.5]} | changes
    text = json.dumps({"schema": "hazcam-pair/1", "id": "dune-1", "left": "l.png",
                       "right": "r.png", "rig": "rig.yaml", "rover": "dunlin-em",
                       "previous": previous})
    return previous_of(parse_sidecar(text, Path("walk/dune-1.pair.json")))


@pytest.mark.parametrize(("pair", "path"), [
    ("dune-0", "walk/dune-0.pair.json"), ("../a/b.json", "walk/../a/b.json")])
def test_the_previous_pair_is_named_by_its_id_or_its_sidecar(pair: str, path: str) -> None:
    assert named(pair=pair).path == Path(path)


def test_a_tilted_pose_gives_its_heading() -> None:
    """A rover that has turned 30 degrees left and then stands rolled and pitched."""
    c, s = math.cos(math.radians(30)), math.sin(math.radians(30))
    turned = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turned @ level_from_rover(6.0, -9.0), (0.3, 0.1, 0.02)
    move = named(pose=pose.tolist(), sigma=[0.01, 0.02, 0.5, 0.004]).move
    assert move.heading_deg == pytest.approx(30.0)
    assert (move.x_m, move.y_m, move.z_m) == (0.3, 0.1, 0.02)
    assert (move.sigma_x_m, move.sigma_heading_deg, move.sigma_z_m) == (0.01, 0.5, 0.004)


@given(x=st.floats(-2, 2), y=st.floats(-2, 2), heading_deg=st.floats(-180, 180))
def test_a_move_is_the_pose_that_it_came_from(x: float, y: float, heading_deg: float) -> None:
    angle = math.radians(heading_deg)
    R = np.array([[math.cos(angle), -math.sin(angle), 0], [math.sin(angle), math.cos(angle), 0],
                  [0, 0, 1]])
    move = replace(MOVE, heading_deg=heading_deg)
    expected = Pose(R=R, t=np.array([MOVE.x_m, MOVE.y_m, 0.0])).apply([x, y, 0.0])
    assert move.to_previous(x, y) == pytest.approx(tuple(expected[:2]), abs=1e-9)
    assert move.to_present(*expected[:2]) == pytest.approx((x, y), abs=1e-9)
    turned = move.turned_to_present(*(R @ [x, y, 0.0])[:2])
    assert turned == pytest.approx((x, y), abs=1e-9)


@pytest.mark.parametrize("sigma", [0.01, [0.01], [0.01, 0.02], [0.01, 0.02, 0.5, 0.01, 0.1]])
def test_a_sigma_that_does_not_say_what_it_is_gives_no_move(sigma: Any) -> None:
    assert named(sigma=sigma).move is None


SHEARED = [[1, 0.5, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]
CAMERA = [[1, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]]
TRANSPOSED = [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0.4, 0, 0, 1]]


@pytest.mark.parametrize(("changes", "words"), [
    ({"pose": SHEARED}, r"previous: pose: the upper left 3 x 3 of .* is no rotation"),
    ({"pose": TRANSPOSED}, r"pose: its last row is \[0\.4, 0\.0, 0\.0, 1\.0\](.|\n)*last column"),
    ({"pose": CAMERA}, "pose: its z axis is not up(.|\n)*not of a camera"),
    ({"pair": "dune-1"}, "previous: pair: 'dune-1' is this pair itself"),
])
def test_a_wrong_previous_is_answered_with_what_is_meant(
    changes: dict[str, Any], words: str
) -> None:
    with pytest.raises(PairError, match=words) as caught:
        named(**changes)
    assert "dune-1.pair.json" in str(caught.value)


def test_a_sidecar_without_a_previous_pair() -> None:
    text = json.dumps({"schema": "hazcam-pair/1", "id": "a", "left": "l.png", "right": "r.png",
                       "rig": "rig.yaml", "rover": "dunlin-em"})
    assert previous_of(parse_sidecar(text, Path("a.pair.json"))) is None


@pytest.mark.parametrize("changes", [{"x_m": math.nan}, {"sigma_y_m": -0.1},
                                     {"sigma_z_m": math.inf}])
def test_a_move_refuses_nonsense(changes: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="PlanarMove"):
        replace(MOVE, **changes)
