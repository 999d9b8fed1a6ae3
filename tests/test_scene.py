"""The proving ground: cameras, light, terrain, truth and judge, each against what must be so."""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from hazcam.calibration.io import read_rig
from hazcam.calibration.rig import StereoRig
from hazcam.errors import HazcamError, OutputError
from hazcam.frames import Floats, Pose, level_from_rover
from hazcam.rover.profile import Limit, Limits
from hazcam.scene import __main__ as module_call
from hazcam.scene.build import Shot, build
from hazcam.scene.camera import Camera, Sensor, cameras_of, expose, exposure_gain, rays_of
from hazcam.scene.io import TruthError, encode_elevation, is_complete, read_truth, write_pair
from hazcam.scene.judge import HeadingLabel, label_heading
from hazcam.scene.light import Light
from hazcam.scene.meshes import ROCK_KINDS, Mesh, RockKind, box, merge, mesh_from, sphere
from hazcam.scene.render import Stage, load_mitsuba
from hazcam.scene.rigs import demonstration_rigs
from hazcam.scene.sets import recipes
from hazcam.scene.terrain import (
    Crater,
    Feature,
    Ground,
    Ledge,
    Pit,
    Ramp,
    Relief,
    RockPlan,
    draw_relief,
    ground_mesh,
    make_rock,
    stance,
)
from hazcam.scene.texture import sand_texture
from hazcam.scene.truth import (
    Elevation,
    SceneTruth,
    TruthObject,
    cast_elevation,
    feature_object,
    rock_object,
)

ROOT = Path(__file__).parents[1]
FLAT_RELIEF = Relief(waves=np.empty((0, 4)), lattices=())
SKY_ONLY = Light(sun_elevation_deg=45, sun_azimuth_deg=0, sun=1.0, sky_fraction=0.5)


def small(rig: StereoRig, factor: int) -> StereoRig:
    """Return the same rig with pictures ``factor`` times smaller; a pixel centre is an integer."""
    def shrink(K: Floats) -> Floats:
        K = K / factor
        K[:2, 2] += 0.5 / factor - 0.5
        K[2, 2] = 1.0
        return K
    return replace(rig, size=(rig.size[0] // factor, rig.size[1] // factor),
                   K1=shrink(rig.K1), K2=shrink(rig.K2))


def plane(height_m: float = 0.0, slope: float = 0.0, albedo: float = 0.1) -> Mesh:
    """Return a large plane z = height + slope * x."""
    corners = np.array([[-9, -9, 0], [9, -9, 0], [9, 9, 0], [-9, 9, 0]], dtype=np.float64)
    corners[:, 2] = height_m + slope * corners[:, 0]
    return mesh_from(corners, np.array([[0, 1, 2], [0, 2, 3]]), albedo)


# --- cameras --------------------------------------------------------------------------------------

PLACES_LEVEL_M = np.array([
    [0.50, 0.00, 0.02], [0.62, 0.20, 0.05], [0.70, -0.22, 0.00], [0.85, 0.05, 0.10],
    [1.00, -0.30, 0.03], [1.05, 0.33, 0.12],
])


def dark_spots(picture: NDArray[np.float32]) -> Floats:
    """Centroids (u, v) of what is darker than an even background, by their missing light."""
    missing = np.median(picture) - picture.astype(np.float64)
    spots, count = ndimage.label(missing > 0.2 * missing.max())
    wide = ndimage.grey_dilation(spots, size=(5, 5))
    centres = ndimage.center_of_mass(np.maximum(missing, 0), wide, range(1, count + 1))
    return np.array(centres)[:, ::-1]


@pytest.mark.parametrize("name", ["dunlin-em", "dunlin-em-raw"])
def test_spheres_triangulate_to_where_they_stand(name: str) -> None:
    rig = small(demonstration_rigs()[name], 2)
    body = Pose(R=level_from_rover(2.0, -3.0), t=np.zeros(3))
    cameras = cameras_of(rig, body)
    stage = Stage([merge([sphere(p, 0.010, 0.05) for p in PLACES_LEVEL_M])], SKY_ONLY)
    rays = []
    for k, camera in enumerate(cameras):
        spots = dark_spots(stage.radiance(camera, samples=64, seed=k))
        assert len(spots) == len(PLACES_LEVEL_M)
        # each sphere takes the spot nearest to OpenCV's own projection of its centre
        in_camera = camera.T_level_camera.inverse().apply(PLACES_LEVEL_M)
        seen = cv2.projectPoints(in_camera, np.zeros(3), np.zeros(3), camera.K, camera.D)[0]
        nearest = np.linalg.norm(spots[None] - seen, axis=2).argmin(axis=1)
        assert len(set(nearest.tolist())) == len(PLACES_LEVEL_M)
        rays.append(rays_of(camera, spots[nearest]).T)
    left, right = np.eye(3, 4), np.column_stack([rig.R, rig.T])
    homogeneous = cv2.triangulatePoints(left, right, rays[0], rays[1])
    found = cameras[0].T_level_camera.apply((homogeneous[:3] / homogeneous[3]).T)
    distance = np.linalg.norm(PLACES_LEVEL_M - cameras[0].T_level_camera.t, axis=1)
    assert np.all(np.linalg.norm(found - PLACES_LEVEL_M, axis=1) < 0.001 + 0.001 * distance)


@pytest.mark.parametrize("name", ["dunlin-em", "dunlin-em-raw"])
def test_true_depth_of_a_plane(name: str) -> None:
    camera = cameras_of(small(demonstration_rigs()[name], 8), Pose(R=np.eye(3), t=np.zeros(3)))[1]
    depth = Stage([plane(slope=0.1)], SKY_ONLY).depth_m(camera)
    u, v = np.meshgrid(np.arange(80.0), np.arange(60.0))
    rays = np.column_stack([rays_of(camera, np.stack([u, v], -1).reshape(-1, 2)), np.ones(4800)])
    pose = camera.T_level_camera
    directions = rays @ pose.R.T
    # z0 + d z' = 0.1 (x0 + d x')
    expected = (0.1 * pose.t[0] - pose.t[2]) / (directions[:, 2] - 0.1 * directions[:, 0])
    hit = np.isfinite(depth.ravel())
    assert hit.mean() > 0.6
    np.testing.assert_allclose(depth.ravel()[hit], expected[hit], rtol=1e-4)
    assert np.all(np.isnan(depth[0])), "the top of the picture is sky"


def test_right_camera_stands_where_the_rig_says() -> None:
    left, right = cameras_of(demonstration_rigs()["dunlin-em"], Pose(R=np.eye(3), t=np.zeros(3)))
    np.testing.assert_allclose(left.T_level_camera.t, [0.17, 0.05, 0.17], atol=1e-12)
    np.testing.assert_allclose(right.T_level_camera.t, [0.17, -0.05, 0.17], atol=1e-12)


def test_bare_rig_is_a_programmers_mistake() -> None:
    rig = replace(demonstration_rigs()["dunlin-em"], mount=None)
    with pytest.raises(ValueError, match="without a mount"):
        cameras_of(rig, Pose(R=np.eye(3), t=np.zeros(3)))


def test_noise_at_mid_grey() -> None:
    grey = np.full((400, 400), 118.0, dtype=np.float32)
    noisy = expose(grey, 1.0, Sensor(), np.random.default_rng(1)).astype(np.float64)
    # shot and read noise, and what rounding to whole grey levels adds
    expected = np.sqrt(0.0092 * 118 + 0.6**2 + 1 / 12)
    assert noisy.std() == pytest.approx(expected, rel=0.02)
    assert noisy.mean() == pytest.approx(118.0, abs=0.02)


def test_exposure_spares_the_bright_part() -> None:
    even = np.full((30, 30), 0.02, dtype=np.float32)
    assert exposure_gain(even, even) * 0.02 == pytest.approx(105.0)
    split = even.copy()
    split[:, :6] = 0.10
    assert exposure_gain(split, split) * 0.10 == pytest.approx(240.0)


@pytest.mark.parametrize("name", ["dunlin-em", "dunlin-em-raw", "dunlin-fm"])
def test_shipped_rig_files_hold_the_rigs_that_render(name: str) -> None:
    made, read = demonstration_rigs()[name], read_rig(ROOT / "calibration" / f"{name}.yaml")
    for key in ("K1", "D1", "K2", "D2", "R", "T"):
        np.testing.assert_allclose(getattr(read, key), getattr(made, key), rtol=1e-14, atol=1e-15)
    assert made.mount is not None
    assert read.mount is not None
    np.testing.assert_allclose(read.mount.R, made.mount.R, atol=1e-14)
    np.testing.assert_allclose(read.mount.t, made.mount.t, atol=1e-14)
    assert read.read_noise == made.read_noise
    assert "not measured" in read.provenance["origin"]


# --- light ----------------------------------------------------------------------------------------


def looking_down(height_m: float, f_px: float, size: tuple[int, int]) -> Camera:
    """Return a camera high above the origin, picture x to the level x axis."""
    R = np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]])
    K = np.array([[f_px, 0, (size[0] - 1) / 2], [0, f_px, (size[1] - 1) / 2], [0, 0, 1]])
    return Camera(K=K, D=np.zeros(5), size=size,
                  T_level_camera=Pose(R=R, t=np.array([0, 0, height_m])))


@pytest.mark.parametrize("elevation_deg", [10.0, 35.0])
def test_shadow_of_a_box_is_h_over_tan_elevation(elevation_deg: float) -> None:
    height = 0.05
    block = box(np.array([-0.1, 0, height / 2]), np.array([0.2, 0.2, height]), 0.1)
    light = Light(sun_elevation_deg=elevation_deg, sun_azimuth_deg=180, sky_fraction=0.1)
    camera = looking_down(1.0, 500.0, (400, 21))
    row = Stage([plane(), block], light).radiance(camera, samples=64, seed=0)[10]
    middle = (row.min() + row[-1]) / 2
    edges = np.flatnonzero(np.diff((row > middle).astype(int)) == 1)
    assert len(edges) == 1, "the sun stands behind the box: one shadow, ahead of it"
    k = int(edges[0])
    tip_px = k + (middle - row[k]) / (row[k + 1] - row[k])
    tip_m = (tip_px - camera.K[0, 2]) / camera.K[0, 0]
    assert tip_m == pytest.approx(height / np.tan(np.radians(elevation_deg)), abs=0.0015)


def test_sunlit_plane_has_lamberts_radiance() -> None:
    light = Light(sun_elevation_deg=30, sun_azimuth_deg=40, sun=2.0, sky_fraction=0.1)
    seen = Stage([plane(albedo=0.2)], light).radiance(looking_down(1, 50, (16, 16)), samples=4,
                                                      seed=0)
    # albedo / pi * irradiance; sun 2 sin(30 deg), sky a tenth of that
    np.testing.assert_allclose(seen, 0.2 / np.pi * 1.1, rtol=1e-3)


def test_sun_below_the_horizon_is_refused() -> None:
    with pytest.raises(ValueError, match="sun elevation"):
        Light(sun_elevation_deg=0, sun_azimuth_deg=0)


def test_same_seed_same_pixels() -> None:
    axes = (np.arange(0.2, 1.5, 0.02), np.arange(-0.6, 0.6, 0.02))

    def take(seed: int) -> NDArray[np.uint8]:
        rng = np.random.default_rng(seed)
        ground = Ground(relief=draw_relief(rng, undulation=1, roughness=1))
        rock = make_rock(RockPlan(x_m=0.7, y_m=0.0, height_m=0.06, seed=seed), ground)
        texture = sand_texture(rng, size_px=256, period_m=3.0)
        stage = Stage([ground_mesh(ground, axes), rock],
                      Light(sun_elevation_deg=20, sun_azimuth_deg=90), texture)
        camera = cameras_of(small(demonstration_rigs()["dunlin-em"], 8),
                            Pose(R=np.eye(3), t=np.zeros(3)))[0]
        seen = stage.radiance(camera, samples=4, seed=seed)
        return expose(seen, exposure_gain(seen, seen), Sensor(), rng)

    first = take(3)
    assert first.std() > 5
    np.testing.assert_array_equal(first, take(3))
    assert np.any(first != take(4))


# --- terrain and truth ----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ROCK_KINDS)
def test_rock_shows_its_height_above_the_undisturbed_ground(kind: RockKind) -> None:
    rng = np.random.default_rng(5)
    ground = Ground(relief=draw_relief(rng, undulation=2, roughness=1))
    rock = make_rock(RockPlan(x_m=0.5, y_m=0.1, height_m=0.04, kind=kind, seed=3), ground)
    truth = rock_object(rock, ground)
    assert truth is not None
    assert truth.height_m == pytest.approx(0.04, abs=1e-9)
    axes = (np.arange(0.3, 0.7, 0.004), np.arange(-0.1, 0.3, 0.004))
    stage = Stage([ground_mesh(ground, axes), rock], SKY_ONLY, np.full((8, 8), 0.1, np.float32))
    cast = cast_elevation(stage, x_m=(0.4, 0.6), y_m=(0.0, 0.2), cell_m=0.005)
    x, y = np.meshgrid(np.arange(0.4025, 0.6, 0.005), np.arange(0.0025, 0.2, 0.005), indexing="ij")
    above = cast.z_m - ground.undisturbed_m(x, y)
    # the highest of the rays misses the very top by at most what a steep top hides between them
    assert 0.036 < above.max() <= 0.0405
    row, col = np.unravel_index(above.argmax(), above.shape)
    where = (float(x[row, col]), float(y[row, col]))
    assert cv2.pointPolygonTest(truth.outline_m.astype(np.float32), where, True) > -0.003


def test_rock_that_hardly_shows_is_no_object() -> None:
    ground = Ground(relief=FLAT_RELIEF)
    rock = make_rock(RockPlan(x_m=1, y_m=0, height_m=0.0095, seed=1), ground)
    assert rock_object(rock, ground) is None


@pytest.mark.parametrize(("feature", "inside", "change"), [
    (Ledge(at_m=0.8, height_m=0.07), (0.9, 0.0), 0.07),
    (Ledge(at_m=0.8, height_m=-0.05), (0.9, 0.0), -0.05),
    (Pit(x_m=0.8, y_m=0.1, radius_m=0.12, depth_m=0.11), (0.8, 0.1), -0.11),
    (Crater(x_m=0.8, y_m=0.1, radius_m=0.12, depth_m=0.06), (0.8, 0.1), -0.06),
    (Ramp(at_m=0.7, slope_deg=20.0, run_m=0.8), (1.1, 0.0), 0.4 * np.tan(np.radians(20))),
])
def test_feature_changes_the_ground_by_what_its_truth_says(
    feature: Feature, inside: tuple[float, float], change: float
) -> None:
    x, y = (np.array([v]) for v in inside)
    assert feature.offset_m(x, y)[0] == pytest.approx(change, abs=1e-4)
    assert feature.offset_m(np.array([0.2]), np.array([0.0]))[0] == pytest.approx(0, abs=1e-4)
    truth = feature_object(feature)
    assert truth is not None
    stated = truth.height_m or truth.depth_m
    if stated is not None:
        assert stated == pytest.approx(abs(change))
    else:
        assert truth.slope_deg == 20.0


@pytest.mark.parametrize(("slope_deg", "roll_deg", "pitch_deg"), [(5.0, 0.0, -5.0),
                                                                  (-4.0, 0.0, 4.0)])
def test_rover_on_a_slope_pitches_with_it(
    slope_deg: float, roll_deg: float, pitch_deg: float
) -> None:
    # ground that rises ahead lifts the nose: negative pitch
    ground = Ground(relief=FLAT_RELIEF, features=(Ramp(at_m=-1, slope_deg=slope_deg, run_m=2),))
    height, roll, pitch = stance(ground)
    assert roll == pytest.approx(roll_deg, abs=1e-6)
    assert pitch == pytest.approx(pitch_deg, abs=1e-3)
    assert height == pytest.approx(np.tan(np.radians(slope_deg)), abs=1e-4)


def test_rover_on_ground_that_rises_to_the_left_rolls_left_side_up() -> None:
    ground = Ground(relief=FLAT_RELIEF,
                    features=(Ramp(at_m=0, slope_deg=3, run_m=9, yaw_deg=90),
                              Ramp(at_m=0, slope_deg=-3, run_m=9, yaw_deg=-90)))
    _, roll, pitch = stance(ground)
    assert roll > 1
    assert roll == pytest.approx(3.0, abs=0.1)
    assert pitch == pytest.approx(0, abs=1e-6)


def test_texture_has_contrast_at_every_scale_and_no_seam() -> None:
    texture = sand_texture(np.random.default_rng(2), size_px=1024, period_m=0.5)
    assert 0.08 < texture.mean() < 0.15
    for blotch_px in (1, 4, 16, 64, 256):
        coarse = texture.reshape(1024 // blotch_px, blotch_px, -1, blotch_px).mean(axis=(1, 3))
        assert coarse.std() / coarse.mean() > 0.04, blotch_px
    smooth = ndimage.uniform_filter(texture, 8, mode="wrap")
    jump = np.abs(smooth[0] - smooth[-1]).mean()
    assert jump < 1.5 * np.abs(np.diff(smooth, axis=0)).mean()


# --- recipes --------------------------------------------------------------------------------------


def test_sets_share_no_seed_and_no_name() -> None:
    sample, tune = recipes("sample"), recipes("tune")
    assert (len(sample), len(tune)) == (10, 24)
    every = [*sample, *tune]
    assert len({r.seed for r in every}) == len({r.id for r in every}) == 34
    assert {r.seed[0] for r in sample}.isdisjoint(r.seed[0] for r in tune)
    suns = sorted(r.light.sun_elevation_deg for r in sample)
    assert suns == [3, 6, 10, 15, 20, 25, 30, 35, 40, 50]
    assert sum(r.rig == "dunlin-em-raw" for r in sample) == 2
    assert sum(r.rig == "dunlin-em-raw" for r in tune) == 4
    assert sum(r.jpeg_quality is not None for r in sample) == 2


def test_rover_stands_on_the_ground_at_the_origin() -> None:
    recipe = replace(recipes("sample")[4], gravel_count=3)
    scene = build(recipe)
    height, roll, pitch = stance(scene.ground)
    assert height == pytest.approx(0, abs=1e-9)
    assert scene.roll_deg == pytest.approx(roll)
    assert scene.pitch_deg == pytest.approx(pitch)
    assert 0.01 < np.hypot(roll, pitch) < 5


# --- judge ----------------------------------------------------------------------------------------


def limits(height_m: float = 0.06, slope_deg: float = 25.0, roll_deg: float = 20.0) -> Limits:
    values = {"step": height_m, "drop": height_m, "gap": 0.06, "belly": height_m,
              "slope": slope_deg, "roll": roll_deg}
    return Limits(**{name: Limit(value=v, source="test") for name, v in values.items()})


def square(x: float, y: float, half: float) -> Floats:
    return np.array([[x - half, y - half], [x + half, y - half], [x + half, y + half],
                     [x - half, y + half]])


def truth_with(*objects: TruthObject, slope: float = 0.0, across: float = 0.0,
               unknown: bool = False) -> SceneTruth:
    x, y = np.meshgrid(np.arange(-0.195, 2.5, 0.01), np.arange(-1.495, 1.5, 0.01), indexing="ij")
    z = slope * x + across * y
    if unknown:
        z[100] = np.nan
    return SceneTruth(
        id="made", roll_deg=0, pitch_deg=0, sun_elevation_deg=30, sun_azimuth_deg=0, seed=(0, 0),
        objects=objects, elevation=Elevation(z_m=z, cell_m=0.01, x_min_m=-0.2, y_min_m=-1.5),
    )


def label(truth: SceneTruth, heading_deg: float = 0.0, wanted: Limits | None = None
          ) -> HeadingLabel:
    return label_heading(truth, heading_deg=heading_deg, body_width_m=0.22, margin_m=0.03,
                         nose_m=0.155, strip_m=0.20, look_ahead_m=1.0, limits=wanted or limits())


def rock(x: float, y: float, height: float, half: float = 0.03) -> TruthObject:
    return TruthObject(kind="rock", outline_m=square(x, y, half), height_m=height)


def test_flat_ground_is_free() -> None:
    found = label(truth_with())
    assert found.label == "free"
    assert (found.step_m, found.drop_m) == (0, 0)
    assert found.slope_deg == pytest.approx(0, abs=1e-9)
    assert found.clear_m == 1.0


def test_rock_in_the_swath_blocks_where_it_begins() -> None:
    found = label(truth_with(rock(0.80, 0.05, 0.07)))
    assert found.label == "blocked"
    assert found.clear_m == pytest.approx(0.80 - 0.03 - 0.155)
    assert found.step_m == 0.07
    assert found.reasons == ("rock 0.070 m high",)


@pytest.mark.parametrize(("height_m", "expected"), [
    (0.0689, "borderline"), (0.0691, "blocked"), (0.0421, "borderline"), (0.0419, "free"),
])
def test_shares_of_the_limit(height_m: float, expected: str) -> None:
    assert label(truth_with(rock(0.8, 0.0, height_m))).label == expected


@pytest.mark.parametrize(("y_m", "expected"), [
    (0.110 + 0.029, "blocked"),  # cuts the body's edge by 1 mm
    (0.110 + 0.031, "borderline"),  # only the margin
    (0.150 + 0.029, "borderline"),  # only the guard beyond the margin
    (0.150 + 0.031, "free"),
    (-0.150 - 0.031, "free"),
])
def test_rock_at_the_side(y_m: float, expected: str) -> None:
    assert label(truth_with(rock(0.8, y_m, 0.08))).label == expected


def test_rock_inside_the_near_strip_does_not_block_but_is_not_free() -> None:
    assert label(truth_with(rock(0.155 + 0.16, 0.0, 0.08))).label == "borderline"


def test_rock_beyond_the_look_ahead_is_free() -> None:
    assert label(truth_with(rock(0.155 + 1.0 + 0.05, 0.0, 0.08))).label == "free"


def test_heading_turns_to_the_left() -> None:
    at = 0.9 * np.array([np.cos(np.radians(30)), np.sin(np.radians(30))])
    truth = truth_with(rock(at[0], at[1], 0.08))
    assert [label(truth, h).label for h in (30, -30)] == ["blocked", "free"]


def test_pit_is_judged_against_the_drop_limit() -> None:
    pit = TruthObject(kind="pit", outline_m=square(0.7, 0.0, 0.1), depth_m=0.09)
    found = label(truth_with(pit))
    assert (found.label, found.drop_m, found.step_m) == ("blocked", 0.09, 0.0)
    deeper = replace(limits(), drop=Limit(value=0.15, source="test"))
    assert label(truth_with(pit), wanted=deeper).label == "free"


def test_height_is_judged_against_the_lower_of_step_and_belly() -> None:
    low = replace(limits(0.10), belly=Limit(value=0.04, source="test"))
    assert label(truth_with(rock(0.8, 0, 0.05)), wanted=low).label == "blocked"
    assert label(truth_with(rock(0.8, 0, 0.05)), wanted=limits(0.10)).label == "free"


def test_plane_of_twenty_degrees() -> None:
    tilted = truth_with(slope=np.tan(np.radians(20)))
    found = label(tilted)
    assert found.slope_deg == pytest.approx(20.0, abs=1e-6)
    assert found.roll_deg == pytest.approx(0.0, abs=1e-6)
    assert found.step_m == pytest.approx(0.0, abs=1e-9), "a slope is not a step"
    assert found.label == "borderline"
    assert label(tilted, wanted=limits(slope_deg=19.9)).label == "blocked"
    assert label(tilted, wanted=limits(slope_deg=29.0)).label == "free"


def test_slope_across_the_heading_is_roll() -> None:
    leaning = truth_with(across=np.tan(np.radians(12)))
    assert label(leaning).roll_deg == pytest.approx(12.0, abs=1e-6)
    assert label(leaning, wanted=limits(roll_deg=11.9)).label == "blocked"
    # seen at right angles the same ground is a slope ahead
    assert label(leaning, 90.0).roll_deg == pytest.approx(0.0, abs=1e-6)


def test_ledge_in_the_elevation_alone_is_a_step_not_a_slope() -> None:
    truth = truth_with()
    z = np.array(truth.elevation.z_m)
    z[100:] += 0.05
    ledge = replace(truth, elevation=replace(truth.elevation, z_m=z))
    found = label(ledge)
    assert found.step_m == pytest.approx(0.05, abs=1e-6)
    assert found.label == "borderline"


def test_unknown_truth_is_never_free() -> None:
    found = label(truth_with(unknown=True))
    assert found.label == "borderline"
    assert np.isnan(found.step_m)


# --- files and the module call --------------------------------------------------------------------


def written(folder: Path) -> Path:
    """Write a small made-up pair; returns its truth file."""
    recipe = recipes("sample")[0]
    grey = np.full((6, 8), 90, dtype=np.uint8)
    shot = Shot(left=grey, right=grey, gain=100.0, stated_roll_deg=1.0, stated_pitch_deg=-2.0)
    pit = TruthObject(kind="pit", outline_m=square(0.7, 0.0, 0.1), depth_m=0.09)
    truth = replace(truth_with(rock(0.8, 0.05, 0.07), pit, unknown=True), id=recipe.id)
    write_pair(folder, recipe, shot, truth, folder / "rig.yaml")
    return folder / f"{recipe.id}.truth.json"


def test_truth_survives_the_file(tmp_path: Path) -> None:
    read = read_truth(written(tmp_path))
    assert [o.kind for o in read.objects] == ["rock", "pit"]
    assert (read.objects[0].height_m, read.objects[1].depth_m) == (0.07, 0.09)
    assert np.all(np.isnan(read.elevation.z_m[100]))
    assert np.isnan(read.elevation.z_m).sum() == 300
    known = np.isfinite(read.elevation.z_m)
    np.testing.assert_allclose(read.elevation.z_m[known], 0.0, atol=5e-5)
    assert is_complete(tmp_path, recipes("sample")[0])
    assert json.loads((tmp_path / "clear-sand.pair.json").read_text())["rig"] == "rig.yaml"


def test_height_that_the_picture_cannot_hold() -> None:
    grid = Elevation(z_m=np.full((2, 2), 4.0), cell_m=0.01, x_min_m=0, y_min_m=0)
    with pytest.raises(ValueError, match="outside what the elevation picture can hold"):
        encode_elevation(grid)


def test_missing_truth(tmp_path: Path) -> None:
    with pytest.raises(TruthError, match="cannot be read"):
        read_truth(tmp_path / "none.truth.json")


def test_truth_of_another_schema(tmp_path: Path) -> None:
    path = written(tmp_path)
    path.write_text(path.read_text().replace("hazcam-truth/1", "other/9"))
    with pytest.raises(TruthError, match="schema 'other/9'"):
        read_truth(path)


def test_elevation_that_is_no_16_bit_picture(tmp_path: Path) -> None:
    path = written(tmp_path)
    (tmp_path / "clear-sand.elevation.png").write_bytes(b"not a picture")
    with pytest.raises(TruthError, match="is not a 16-bit grey picture"):
        read_truth(path)


def test_output_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        written(tmp_path / "file")


def test_complete_pairs_are_skipped(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    missing = recipes("sample")[3].id
    for recipe in recipes("sample"):
        if recipe.id != missing:
            (tmp_path / f"{recipe.id}.pair.json").write_text("{}")
    drawn: list[str] = []
    monkeypatch.setattr(module_call, "render_pair", lambda recipe, *_: drawn.append(recipe.id))
    assert module_call.main(["sample", "-o", str(tmp_path)]) == 0
    assert drawn == [missing]
    assert capsys.readouterr().out.count("already there") == 9


def test_missing_renderer_says_how_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(name: str) -> None:
        raise ImportError(f"No module named {name!r}")

    monkeypatch.setattr(importlib, "import_module", absent)
    with pytest.raises(HazcamError, match=r'pip install "hazcam\[scene\]"'):
        load_mitsuba()


def test_a_renderer_that_does_not_load_names_the_system_library(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen on a bare Debian 12: without libatomic1 the import ends in a NameError."""
    def broken(name: str) -> None:
        raise NameError("name '_drjit_ext' is not defined")

    monkeypatch.setattr(importlib, "import_module", broken)
    with pytest.raises(HazcamError, match="apt-get install libatomic1"):
        load_mitsuba()


def test_importing_the_room_does_not_import_the_renderer() -> None:
    code = ("import sys, hazcam, hazcam.scene, hazcam.scene.build, hazcam.scene.__main__; "
            "sys.exit('mitsuba' in sys.modules)")
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
