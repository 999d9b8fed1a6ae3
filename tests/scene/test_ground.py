"""Relief, features, rocks, stance and texture: each shows what its fields say."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from hazcam.frames import Floats
from hazcam.scene.description import Gallery, Gravel, GroundPlan, RockPlan
from hazcam.scene.features import Crater, Ditch, Feature, Ledge, Pit, Ramp, Ripples, Wall
from hazcam.scene.ground import (
    bare_ground,
    ceiling_mesh,
    draw_relief,
    exposed_corners,
    ground_axes,
    ground_mesh,
    make_rock,
    stance,
)
from hazcam.scene.meshes import ROCK_KINDS, RockKind, rock_shape, unit_sphere
from hazcam.scene.texture import ground_texture
from tests.scene.props import FLAT, ROVER, flat_ground, near_mesh


def height_at(feature: Feature, x_m: float, y_m: float = 0.0) -> float:
    return float(feature.offset_m(np.array([x_m]), np.array([y_m]))[0])


# --- relief ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("slope_deg", "azimuth_deg", "rise_x", "rise_y"), [
    (10.0, 0.0, 0.17633, 0.0), (10.0, 90.0, 0.0, 0.17633), (10.0, 180.0, -0.17633, 0.0)])
def test_regional_slope(slope_deg: float, azimuth_deg: float, rise_x: float, rise_y: float) -> None:
    made = flat_ground(slope_deg=slope_deg, slope_azimuth_deg=azimuth_deg)
    z = made.height_m(np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    np.testing.assert_allclose(z, [0, rise_x, rise_y], atol=1e-5)


def spread(**fields: Any) -> Floats:
    """(undulation, fine relief): spread of the heights, and of their second differences. [m]"""
    relief = draw_relief(np.random.default_rng(3), replace(FLAT, **fields))
    x, y = np.meshgrid(np.arange(0, 2, 0.01), np.arange(-1, 1, 0.01), indexing="ij")
    z = relief.height_m(x, y)
    return np.array([z.std(), np.diff(z, 2, axis=0).std()])


def skewness(values: Floats) -> float:
    v = values.ravel() - values.mean()
    return float((v**3).mean() / (v**2).mean() ** 1.5)


def test_undulation_and_roughness_scale_the_relief() -> None:
    np.testing.assert_allclose(spread(undulation=2.0), 2 * spread(undulation=1.0))
    np.testing.assert_allclose(spread(roughness=2.0), 2 * spread(roughness=1.0))
    assert spread()[0] == 0
    # undulation is what is long, roughness what is short
    assert spread(undulation=1.0)[0] > 5 * spread(roughness=1.0)[0]
    assert spread(undulation=1.0)[1] < spread(roughness=1.0)[1]


def test_lava_is_folded_and_rougher_than_sand() -> None:
    assert spread(roughness=1.0, surface="lava")[0] > 3 * spread(roughness=1.0)[0]
    assert spread(roughness=1.0, surface="lava")[1] > 1.2 * spread(roughness=1.0)[1]
    relief = draw_relief(np.random.default_rng(3), replace(FLAT, roughness=1.0, surface="lava"))
    x, y = np.meshgrid(np.arange(0, 4, 0.005), np.arange(-2, 2, 0.005), indexing="ij")
    folds = replace(relief, lattices=()).height_m(x, y)
    assert folds.min() >= 0
    assert skewness(np.diff(folds, 2, axis=0)) > 1, "creases point down, tops are round"


def test_relief_reaches_from_30_cm_to_3_m() -> None:
    relief = draw_relief(np.random.default_rng(3), GroundPlan())
    wavelength = 2 * np.pi / np.hypot(relief.waves[:, 0], relief.waves[:, 1])
    assert wavelength.min() < 0.30
    assert np.count_nonzero((wavelength > 0.3) & (wavelength < 3)) > 10


@pytest.mark.parametrize(("x_m", "spacing_m"), [(0.5, 0.003), (1.2, 0.004), (2.0, 0.006)])
def test_mesh_is_fine_where_the_rover_may_walk(x_m: float, spacing_m: float) -> None:
    xs, ys = ground_axes()
    for axis in (xs[xs > 0.265], ys):  # the ground that a camera can see
        assert np.all(np.diff(axis) > 1e-6)
    k = int(np.searchsorted(xs, x_m))
    assert xs[k + 1] - xs[k] == pytest.approx(spacing_m, abs=1e-9)
    assert xs[-1] > 50
    assert ys[-1] == -ys[0] > 50


def test_mesh_is_the_heights_and_faces_up() -> None:
    made = flat_ground(ledges=(Ledge(at_m=0.8, height_m=0.07),), slope_deg=5.0)
    mesh = near_mesh(made)
    x, y, z = mesh.vertices_m.T
    np.testing.assert_array_equal(z, made.height_m(x, y))
    a, b, c = (mesh.vertices_m[mesh.faces[:, k]] for k in range(3))
    assert np.all(np.cross(b - a, c - a)[:, 2] > 0)
    assert np.all(mesh.normals[:, 2] > 0)
    np.testing.assert_allclose(np.linalg.norm(mesh.normals, axis=1), 1.0)


# --- features -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("feature", "inside", "change"), [
    (Ledge(at_m=0.8, height_m=0.07), (0.9, 0.0), 0.07),
    (Ledge(at_m=0.8, height_m=-0.05), (0.9, 0.0), -0.05),
    (Pit(x_m=0.8, y_m=0.1, radius_m=0.12, depth_m=0.11), (0.8, 0.1), -0.11),
    (Crater(x_m=0.8, y_m=0.1, diameter_m=0.24, depth_ratio=0.2), (0.8, 0.1), -0.8 * 0.048),
    (Ditch(at_m=0.8, width_m=0.10, depth_m=0.06), (0.85, 0.3), -0.06),
    (Wall(at_m=0.8, height_m=0.5), (0.9, 0.2), 0.5),
    (Ramp(at_m=0.7, slope_deg=20.0, run_m=0.8), (1.1, 0.0), 0.4 * np.tan(np.radians(20))),
])
def test_feature_changes_the_ground_where_it_is_and_not_before(
    feature: Feature, inside: tuple[float, float], change: float
) -> None:
    assert height_at(feature, *inside) == pytest.approx(change, abs=1e-4)
    assert abs(height_at(feature, 0.2)) < 5e-4


def test_edge_of_a_ledge_is_where_it_says() -> None:
    ledge = Ledge(at_m=0.8, height_m=0.06, yaw_deg=30.0, wall_m=0.01)
    for y in (-0.4, 0.0, 0.4):
        edge = 0.8 + y * np.tan(np.radians(30))
        assert height_at(ledge, edge - 0.03, y) == 0
        assert height_at(ledge, edge + 0.03, y) == pytest.approx(0.06)


def test_bent_ledge_leaves_one_side_free() -> None:
    ledge = Ledge(at_m=0.8, height_m=0.06, bend_from_m=0.1, bend_side=-1)
    assert height_at(ledge, 1.2, 0.5) == pytest.approx(0.06)
    assert height_at(ledge, 1.2, -0.6) == 0  # 4 * 0.5^2 = 1 m farther


def test_ditch_is_as_wide_as_it_says() -> None:
    ditch = Ditch(at_m=0.8, width_m=0.10, depth_m=0.06, wall_m=0.004)
    x = np.arange(0.7, 1.0, 0.001)
    low = ditch.offset_m(x, np.zeros_like(x)) < -0.03
    assert np.count_nonzero(low) * 0.001 == pytest.approx(0.10, abs=0.006)
    assert np.diff(low.astype(int)).tolist().count(1) == 1
    assert height_at(ditch, 0.95) == 0, "the ground beyond it is as high as before"


def test_pit_is_round_about_its_radius() -> None:
    pit = Pit(x_m=1.0, y_m=0.2, radius_m=0.15, depth_m=0.1)
    angle = np.linspace(0, 2 * np.pi, 60)
    assert 0.13 < pit.rim_m(angle).min() < 0.15 < pit.rim_m(angle).max() < 0.17
    # deep as close as 4 cm to the rim, untouched beyond it
    assert height_at(pit, 1.0 + 0.10, 0.2) == pytest.approx(-0.1)
    assert height_at(pit, 1.0 + 0.18, 0.2) == 0


def test_ramp_climbs_at_its_angle_along_its_yaw_and_is_level_beyond() -> None:
    ramp = Ramp(at_m=0.7, slope_deg=15.0, run_m=0.6, yaw_deg=40.0)
    way = np.array([np.cos(np.radians(40)), np.sin(np.radians(40))])
    low, high, top, far = (height_at(ramp, 0.7 + d * way[0], d * way[1])
                           for d in (0.1, 0.5, 0.8, 1.2))
    assert np.degrees(np.arctan((high - low) / 0.4)) == pytest.approx(15.0, abs=0.01)
    assert top == pytest.approx(far, abs=1e-6) == pytest.approx(0.6 * np.tan(np.radians(15)))


def test_wall_is_steep_and_uneven() -> None:
    wall = Wall(at_m=0.8, height_m=0.5, seed=3)
    y = np.arange(-1, 1, 0.02)
    x = np.arange(0.70, 0.95, 0.001)
    z = wall.offset_m(x[:, None], y[None, :])
    half_way = x[np.argmax(z > 0.25, axis=0)]
    assert 0.003 < half_way.std() < 0.03
    assert half_way.mean() == pytest.approx(0.82, abs=0.01)
    assert np.all(z[0] == 0)
    assert np.all(z[-1] == pytest.approx(0.5))


def test_ripples_are_as_high_and_long_as_they_say() -> None:
    ripples = Ripples(wavelength_m=0.10, height_m=0.008, yaw_deg=0.0)
    x, y = np.meshgrid(np.arange(0, 1, 0.002), np.arange(-0.5, 0.5, 0.01), indexing="ij")
    z = ripples.offset_m(x, y)
    # from trough exp(-1.6) to crest 1: 0.80 of the height that it is given
    assert np.ptp(z) == pytest.approx(0.0064, abs=2e-4)
    crests = (np.diff(np.sign(np.diff(z, axis=0)), axis=0) < 0).sum(axis=0)
    assert crests.mean() == pytest.approx(10, abs=1.5)


@pytest.mark.parametrize(("make", "name"), [
    (lambda: Ledge(at_m=1, height_m=0.1, wall_m=0), "wall_m"),
    (lambda: Pit(x_m=1, y_m=0, radius_m=0, depth_m=0.1), "radius_m"),
    (lambda: Pit(x_m=1, y_m=0, radius_m=0.1, depth_m=-0.1), "depth_m"),
    (lambda: Crater(x_m=1, y_m=0, diameter_m=0.3, depth_ratio=0), "depth_ratio"),
    (lambda: Ditch(at_m=1, width_m=0, depth_m=0.1), "width_m"),
    (lambda: Ramp(at_m=1, slope_deg=10, run_m=0), "run_m"),
    (lambda: Wall(at_m=1, height_m=0), "height_m"),
    (lambda: Ripples(wavelength_m=0, height_m=0.01, yaw_deg=0), "wavelength_m"),
    (lambda: Gallery(width_m=0, height_m=1), "width_m"),
    (lambda: RockPlan(x_m=1, y_m=0, height_m=0), "height_m above 0"),
    (lambda: RockPlan(x_m=1, y_m=0, height_m=0.1, buried=1.0), "buried by 0 to 1"),
    (lambda: Gravel(count=-1), "gravel has a count"),
    (lambda: Gravel(low_m=0.01, high_m=0.005), "low_m <= high_m"),
    (lambda: GroundPlan(slope_deg=45), "slope_deg is from 0 to 45"),
])
def test_size_that_cannot_be(make: Any, name: str) -> None:
    with pytest.raises(ValueError, match=name):
        make()


# --- gallery --------------------------------------------------------------------------------------


def test_gallery_has_two_walls_and_a_floor() -> None:
    made = flat_ground(gallery=Gallery(width_m=1.2, height_m=0.9))
    x = np.arange(0.2, 2.0, 0.1)
    for side in (-1.0, 1.0):
        assert np.all(made.height_m(x, np.full_like(x, side * 0.75)) > 0.9)
        assert np.all(made.height_m(x, np.full_like(x, side * 0.48)) == 0)


def test_ceiling_hangs_over_the_floor_and_faces_down() -> None:
    mesh = ceiling_mesh(np.random.default_rng(0), 1.2, 0.9)
    assert 0.9 <= mesh.vertices_m[:, 2].min() < 0.93
    assert mesh.vertices_m[:, 2].max() < 1.5
    assert np.all(mesh.normals[:, 2] < 0)
    assert np.ptp(mesh.vertices_m[:, 1]) == pytest.approx(2.4)


# --- rocks ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ROCK_KINDS)
def test_rock_shows_its_height_above_the_undisturbed_ground(kind: RockKind) -> None:
    made = bare_ground(np.random.default_rng(5), GroundPlan(undulation=2.0, slope_deg=8.0))
    v = make_rock(RockPlan(x_m=0.5, y_m=0.1, height_m=0.04, kind=kind, seed=3), made).vertices_m
    above = v[:, 2] - made.undisturbed_m(v[:, 0], v[:, 1])
    assert above.max() == pytest.approx(0.04, abs=1e-9)
    assert above.min() < -0.005, "it sits in the sand"
    assert np.hypot(*(v[:, :2].mean(axis=0) - [0.5, 0.1])) < 0.02


@pytest.mark.parametrize("buried", [0.1, 0.5])
def test_buried_share_is_below_the_ground(buried: float) -> None:
    v = make_rock(RockPlan(x_m=0.8, y_m=0, height_m=0.06, buried=buried, seed=2),
                  flat_ground()).vertices_m
    assert -v[:, 2].min() / np.ptp(v[:, 2]) == pytest.approx(buried, abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_overhanging_rock_is_wider_above_than_at_its_foot(seed: int) -> None:
    def width(kind: RockKind, low: float, high: float) -> float:
        plan = RockPlan(x_m=0.8, y_m=0, height_m=0.1, kind=kind, buried=0.15, seed=seed)
        v = make_rock(plan, flat_ground()).vertices_m
        band = v[(v[:, 2] > low) & (v[:, 2] < high)]
        return float(np.ptp(band[:, 1]))

    assert width("overhanging", 0.05, 0.09) > 1.15 * width("overhanging", 0.0, 0.02)
    assert width("overhanging", 0.0, 0.02) < width("angular", 0.0, 0.02)


def test_slab_is_flatter_than_the_others() -> None:
    def flatness(kind: RockKind) -> float:
        v = rock_shape(kind, np.random.default_rng(1), 3)[0]
        return float(np.ptp(v[:, 2]) / np.ptp(v[:, 0]))

    assert flatness("slab") < 0.75 * min(flatness("angular"), flatness("rounded"))


def test_rounded_rock_is_smoother_than_an_angular_one() -> None:
    def bend(kind: RockKind) -> float:
        v, faces = rock_shape(kind, np.random.default_rng(1), 3)
        a, b, c = (v[faces[:, k]] for k in range(3))
        normal = np.cross(b - a, c - a)
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        beside = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
        order = np.lexsort(np.sort(beside, axis=1).T)
        face = np.tile(np.arange(len(faces)), 3)[order].reshape(-1, 2)
        turn = np.arccos(np.clip(np.sum(normal[face[:, 0]] * normal[face[:, 1]], axis=1), -1, 1))
        return float(np.percentile(turn, 98))

    assert bend("angular") > 1.5 * bend("rounded")


def test_same_seed_same_rock_another_seed_another_one() -> None:
    plan = RockPlan(x_m=0.8, y_m=0, height_m=0.06, seed=1)
    first, again, other = (make_rock(p, flat_ground()) for p in (plan, plan, replace(plan, seed=2)))
    np.testing.assert_array_equal(first.vertices_m, again.vertices_m)
    assert np.abs(first.vertices_m - other.vertices_m).max() > 0.005


def test_exposed_corners_are_those_above_the_sand() -> None:
    made = flat_ground()
    rock = make_rock(RockPlan(x_m=0.8, y_m=0, height_m=0.06, buried=0.4), made)
    out = exposed_corners(rock, made)
    assert len(out) == np.count_nonzero(rock.vertices_m[:, 2] > 0)
    assert 0.3 < len(out) / len(rock.vertices_m) < 0.9


def test_sphere_is_closed() -> None:
    vertices, faces = unit_sphere(3)
    np.testing.assert_allclose(np.linalg.norm(vertices, axis=1), 1.0)
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    assert np.all(np.unique(edges, axis=0, return_counts=True)[1] == 2)
    assert len(vertices) - len(edges) // 2 + len(faces) == 2  # Euler


# --- stance ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("slope_deg", "azimuth_deg", "roll_deg", "pitch_deg"), [
    (5.0, 0.0, 0.0, -5.0),  # ground that rises ahead lifts the nose: negative pitch
    (4.0, 180.0, 0.0, 4.0),
    (3.0, 90.0, 3.0, 0.0),  # rises to the left: left side up, positive roll
    (3.0, -90.0, -3.0, 0.0),
])
def test_rover_stands_as_the_slope_does(
    slope_deg: float, azimuth_deg: float, roll_deg: float, pitch_deg: float
) -> None:
    made = flat_ground(slope_deg=slope_deg, slope_azimuth_deg=azimuth_deg)
    height, roll, pitch = stance(made, ROVER)
    assert (roll, pitch) == pytest.approx((roll_deg, pitch_deg), abs=1e-6)
    assert height == pytest.approx(0, abs=1e-9)


def test_stance_takes_the_ground_under_the_body() -> None:
    step = flat_ground(ledges=(Ledge(at_m=0.35, height_m=0.10),))
    assert stance(step, ROVER) == pytest.approx((0, 0, 0), abs=1e-9)
    step = flat_ground(ledges=(Ledge(at_m=-1.0, height_m=0.10),))
    assert stance(step, ROVER) == pytest.approx((0.10, 0, 0), abs=1e-9)


# --- texture --------------------------------------------------------------------------------------


def test_texture_has_contrast_at_every_scale_and_no_seam() -> None:
    texture = ground_texture(np.random.default_rng(2), size_px=1024, period_m=0.5)
    assert 0.08 < texture.mean() < 0.15
    for blotch_px in (1, 4, 16, 64, 256):
        coarse = texture.reshape(1024 // blotch_px, blotch_px, -1, blotch_px).mean(axis=(1, 3))
        assert coarse.std() / coarse.mean() > 0.04, blotch_px
    smooth = ndimage.uniform_filter(texture, 8, mode="wrap")
    jump = np.abs(smooth[0] - smooth[-1]).mean()
    assert jump < 1.5 * np.abs(np.diff(smooth, axis=0)).mean()


def test_mesh_repeats_the_texture_every_2_m() -> None:
    mesh = ground_mesh(flat_ground(), (np.array([0.0, 2.0]), np.array([0.0, 2.0])))
    assert mesh.uv is not None
    np.testing.assert_allclose(np.ptp(mesh.uv, axis=0), 1.0)
