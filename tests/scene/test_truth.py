"""What is true: objects measured, the grid, who sees a cell, which pixels both cameras share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
import pytest

from hazcam.scene.build import build, light_up
from hazcam.scene.camera import cameras_of
from hazcam.scene.description import Gallery, RockPlan
from hazcam.scene.effects import Effects
from hazcam.scene.features import Crater, Ditch, Feature, Ledge, Pit, Ramp, Ripples, Wall
from hazcam.scene.ground import Ground, make_rock
from hazcam.scene.light import Light
from hazcam.scene.meshes import ROCK_KINDS, RockKind, box
from hazcam.scene.truth import (
    SEES_LEFT,
    SEES_RIGHT,
    Elevation,
    SceneTruth,
    TruthObject,
    cast_depth,
    cast_elevation,
    feature_object,
    rock_object,
    truth_of,
)
from tests.scene.props import (
    FLAT,
    LEVEL,
    ROVER,
    SKY,
    at,
    coarsen,
    describe,
    flat_ground,
    lit,
    near_mesh,
    pixel_of,
    plane,
    tiny_rig,
)

# --- objects --------------------------------------------------------------------------------------


def object_of(field: str, feature: Feature, **plan: Any) -> TruthObject:
    made: Ground = flat_ground(**{field: (feature,)}, **plan)
    elevation = cast_elevation(lit(SKY, near_mesh(made)), x_m=(0.3, 1.7), y_m=(-0.6, 0.6))
    found = feature_object(feature, made, elevation)
    assert found is not None
    return found


@pytest.mark.parametrize(("kind", "field", "feature", "change_m"), [
    ("ledge", "ledges", Ledge(at_m=0.8, height_m=0.07), 0.07),
    ("ledge", "ledges", Ledge(at_m=1.2, height_m=-0.05, yaw_deg=30), -0.05),
    ("pit", "pits", Pit(x_m=0.8, y_m=0.1, radius_m=0.12, depth_m=0.11), -0.11),
    ("crater", "craters", Crater(x_m=1.0, y_m=0.1, diameter_m=0.5, depth_ratio=0.1), -0.04),
    ("ditch", "ditches", Ditch(at_m=0.8, width_m=0.10, depth_m=0.06, yaw_deg=-20), -0.06),
    ("wall", "walls", Wall(at_m=1.0, height_m=0.5), 0.5),
])
def test_feature_is_measured_to_be_what_it_is(
    kind: str, field: str, feature: Feature, change_m: float
) -> None:
    found = object_of(field, feature)
    assert found.kind == kind
    measured = found.height_m if change_m > 0 else found.depth_m
    assert measured == pytest.approx(abs(change_m), abs=0.0015)
    assert (found.height_m is None) == (change_m < 0)
    assert (found.depth_m is None) == (change_m > 0)


def test_height_is_taken_from_the_ground_before_it() -> None:
    """On a hillside the far side of a pit is no part of its depth."""
    pit = Pit(x_m=0.8, y_m=0.1, radius_m=0.12, depth_m=0.11)
    assert object_of("pits", pit, slope_deg=12.0).depth_m == pytest.approx(0.11, abs=0.0015)


@pytest.mark.parametrize(("slope_deg", "yaw_deg"), [(8.0, 0.0), (20.0, 30.0), (30.0, -40.0)])
def test_ramp_is_measured_to_be_as_steep_as_it_is(slope_deg: float, yaw_deg: float) -> None:
    ramp = Ramp(at_m=0.9, slope_deg=slope_deg, run_m=0.8, yaw_deg=yaw_deg)
    assert object_of("ramps", ramp).slope_deg == pytest.approx(slope_deg, abs=0.3)


def test_ripples_are_no_obstacle() -> None:
    blank = Elevation(z_m=np.zeros((2, 2)), cell_m=0.005, x_min_m=0, y_min_m=0)
    ripples = Ripples(wavelength_m=0.1, height_m=0.01, yaw_deg=0)
    assert feature_object(ripples, flat_ground(), blank) is None


def test_pit_beyond_the_map_is_no_object() -> None:
    blank = Elevation(z_m=np.zeros((200, 200)), cell_m=0.005, x_min_m=0, y_min_m=-0.5)
    pit = Pit(x_m=5.0, y_m=0.0, radius_m=0.12, depth_m=0.11)
    assert feature_object(pit, flat_ground(), blank) is None


@pytest.mark.parametrize("kind", ROCK_KINDS)
def test_rock_is_as_high_in_the_elevation_as_its_truth_says(kind: RockKind) -> None:
    made = flat_ground(slope_deg=6.0)
    rock = make_rock(RockPlan(x_m=0.5, y_m=0.1, height_m=0.06, kind=kind, seed=3), made)
    truth = rock_object(rock, made)
    assert truth is not None
    assert truth.height_m == pytest.approx(0.06, abs=1e-9)
    cast = cast_elevation(lit(SKY, near_mesh(made), rock), x_m=(0.35, 0.65), y_m=(-0.05, 0.25))
    x, y = cast.centres_m()
    above = cast.z_m - made.undisturbed_m(x, y)
    # the highest of the rays misses the very top by what a steep top hides between them
    assert 0.0555 < above.max() <= 0.0605
    outline = truth.outline_m.astype(np.float32)
    high = np.argwhere(above > 0.005)
    inside = [cv2.pointPolygonTest(outline, (float(x[r, c]), float(y[r, c])), True)
              for r, c in high]
    assert min(inside) > -0.001, "all that stands out is inside the outline"
    assert max(inside) > 0.02


@pytest.mark.parametrize(("height_m", "is_object"), [(0.0095, False), (0.0105, True)])
def test_rock_under_1_cm_is_no_object(height_m: float, is_object: bool) -> None:
    made = flat_ground()
    rock = make_rock(RockPlan(x_m=1, y_m=0, height_m=height_m, seed=1), made)
    assert (rock_object(rock, made) is not None) == is_object


def test_outline_needs_three_corners() -> None:
    with pytest.raises(ValueError, match="at least 3 corners"):
        TruthObject(kind="rock", outline_m=np.zeros((2, 2)))


# --- grid and sight -------------------------------------------------------------------------------


def test_grid_is_of_5_mm_from_behind_the_rover_to_2_5_m_ahead() -> None:
    grid = cast_elevation(lit(SKY, plane(slope=0.1)))
    assert grid.cell_m == 0.005
    assert grid.z_m.shape == (540, 600)
    x, y = grid.centres_m()
    assert (x[0, 0], y[0, 0]) == pytest.approx((-0.1975, -1.4975))
    assert (x[-1, 0], y[0, -1]) == pytest.approx((2.4975, 1.4975))
    np.testing.assert_allclose(grid.z_m, 0.1 * x, atol=1e-5)
    assert grid.visible is None, "nobody looked"


BOX = box(np.array([0.85, 0.0, 0.10]), np.array([0.10, 0.20, 0.20]), 0.1)
RIG = tiny_rig()
CAMERAS = cameras_of(RIG, LEVEL)  # at (0.17, ±0.05, 0.17): the box is higher


@pytest.fixture(scope="module")
def seen() -> Elevation:
    return cast_elevation(lit(SKY, plane(), BOX), CAMERAS, x_m=(0.0, 2.0), y_m=(-0.8, 0.8))


@pytest.mark.parametrize(("x_m", "y_m", "by"), [
    (0.60, 0.0, SEES_LEFT | SEES_RIGHT),
    (1.60, 0.0, 0),  # behind the box
    # the left camera looks past the box's edge at y = 0.05 + 0.0794 (x - 0.17), the right one at
    # y = -0.05 + 0.238 (x - 0.17): 0.164 and 0.290 at x = 1.6
    (1.60, 0.20, SEES_LEFT), (1.60, 0.26, SEES_LEFT), (1.60, 0.33, SEES_LEFT | SEES_RIGHT),
    (1.60, 0.13, 0), (1.60, -0.20, SEES_RIGHT), (1.60, -0.33, SEES_LEFT | SEES_RIGHT),
    (0.85, 0.0, 0),  # its top is above the cameras
    (0.20, 0.0, 0),  # below the picture
    (0.60, 0.70, 0),  # beside it
])
def test_who_sees_a_cell(seen: Elevation, x_m: float, y_m: float, by: int) -> None:
    assert at(seen, seen.visible, x_m, y_m) == by


def test_top_of_the_box_is_in_the_elevation(seen: Elevation) -> None:
    assert at(seen, seen.z_m, 0.85, 0.0) == pytest.approx(0.20, abs=1e-5)
    assert at(seen, seen.z_m, 1.60, 0.0) == pytest.approx(0.0, abs=1e-5), "hidden, yet true"


def test_low_top_is_seen() -> None:
    low = box(np.array([0.85, 0.0, 0.05]), np.array([0.10, 0.20, 0.10]), 0.1)
    grid = cast_elevation(lit(SKY, plane(), low), CAMERAS, x_m=(0.8, 1.3), y_m=(-0.1, 0.1))
    assert at(grid, grid.visible, 0.85, 0.0) == 3
    # over the far edge at (0.9, 0.1) the ground is seen from 1.94 m on
    assert at(grid, grid.visible, 1.25, 0.0) == 0


def test_pixels_that_the_right_camera_shares() -> None:
    depth = cast_depth(lit(SKY, plane(), BOX), CAMERAS)
    left = CAMERAS[0]
    for place, shared in (((0.60, 0.0), True), ((1.60, 0.24), False), ((1.60, 0.36), True)):
        row, col = pixel_of(left, *place)
        expected = left.T_level_camera.inverse().apply([*place, 0.0])[2]
        assert depth.depth_m[row, col] == pytest.approx(expected, rel=0.03)
        assert depth.shared[row, col] == shared
    assert np.isnan(depth.depth_m[0]).all(), "sky"
    assert not depth.shared[0].any()
    # what lies left of the right camera's view
    assert not depth.shared[40, 0]
    assert depth.shared[40, 40]


# --- the whole truth ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def quick() -> Iterator[pytest.MonkeyPatch]:
    with pytest.MonkeyPatch.context() as patch:
        coarsen(patch)
        yield patch


def truth_for(**changes: Any) -> SceneTruth:
    scene = build(describe(**changes), ROVER)
    return truth_of(scene, light_up(scene, ROVER, RIG), scene.cameras(RIG), "digest")


@pytest.fixture(scope="module")
def gallery(quick: pytest.MonkeyPatch) -> SceneTruth:
    plan = describe(ground=FLAT).ground
    tunnel = Gallery(width_m=1.2, height_m=0.9)
    return truth_for(ground=type(plan)(undulation=0, roughness=0, gravel=plan.gravel,
                                       gallery=tunnel), light=Light(sun=0, lamp=1.0))


def test_elevation_in_a_gallery_is_of_the_floor(gallery: SceneTruth) -> None:
    for x, y in ((0.5, 0.0), (1.5, 0.3), (2.0, -0.3)):
        assert at(gallery.elevation, gallery.elevation.z_m, x, y) == pytest.approx(0, abs=1e-3)


def test_inside_of_a_wall_has_no_height(gallery: SceneTruth) -> None:
    for y in (-1.2, 1.2):
        assert np.isnan(at(gallery.elevation, gallery.elevation.z_m, 1.0, y))
        assert at(gallery.elevation, gallery.elevation.visible, 1.0, y) == 0


def test_no_sun_has_no_elevation(gallery: SceneTruth) -> None:
    assert gallery.sun_elevation_deg is None
    assert gallery.sun_azimuth_deg is None


def test_truth_carries_what_the_pair_was_made_with(quick: pytest.MonkeyPatch) -> None:
    rocks = (RockPlan(x_m=0.8, y_m=0.1, height_m=0.08), RockPlan(x_m=1.2, y_m=0, height_m=0.008))
    plan = type(FLAT)(undulation=0, roughness=0, gravel=FLAT.gravel, rocks=rocks,
                      pits=(Pit(x_m=1.5, y_m=-0.3, radius_m=0.2, depth_m=0.2),))
    truth = truth_for(ground=plan, mixture="rocks/1", camera=Effects(jpeg2000_ratio=8.0),
                      light=Light(sun_elevation_deg=12, sun_azimuth_deg=-70))
    assert (truth.id, truth.mixture, truth.digest) == ("made", "rocks/1", "digest")
    assert (truth.sun_elevation_deg, truth.sun_azimuth_deg) == (12, -70)
    assert truth.compression == "jpeg2000 8:1"
    assert truth.seed == (1, 2)
    assert (truth.roll_deg, truth.pitch_deg) == pytest.approx((0, 0), abs=1e-6)
    assert [o.kind for o in truth.objects] == ["pit", "rock"], "a rock of 8 mm is no object"
    np.testing.assert_array_equal(truth.cameras[1].K, RIG.K2)


@pytest.mark.parametrize(("effects", "said"), [
    (Effects(), "none"), (Effects(jpeg_quality=70), "jpeg 70"),
    (Effects(jpeg2000_ratio=6.5), "jpeg2000 6.5:1")])
def test_compression_is_said(quick: pytest.MonkeyPatch, effects: Effects, said: str) -> None:
    assert truth_for(camera=effects).compression == said
