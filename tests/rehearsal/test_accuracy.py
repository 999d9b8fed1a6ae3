"""Errors against the truth, on scenes whose truth is closed form."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from hazcam.assess import Assessment, assess_pair
from hazcam.frames import Floats
from hazcam.rover import read_rover
from hazcam.scene.rehearsal.accuracy import (
    FARTHEST_M,
    LEAST_ROCK_M,
    SAMPLE_PIXELS,
    disparity_errors,
    elevation_errors,
    highest_in_cells,
    obstacle_errors,
)
from hazcam.scene.rehearsal.record import NO_ERRORS
from hazcam.scene.truth import Elevation, SceneTruth
from hazcam.settings import Settings
from hazcam.terrain import GridSpec, TerrainMap
from tests.rehearsal.box_truth import depth_of, truth_of
from tests.rehearsal.ideal_matcher import IdealMatcher
from tests.synthetic import FOCAL_PX, Box, Scene, ideal_rig, render

ROCK = Box(0.80, 0.90, -0.10, 0.05, 0.06)
SCENE = Scene(boxes=(ROCK, Box(1.20, 1.30, -0.30, -0.15, 0.04)))
TRUTH = truth_of(SCENE)


@cache
def terrain(**how: bool) -> TerrainMap:
    found = assessment(**how).terrain
    assert found is not None
    return found


@cache
def assessment(*, ideal: bool = False) -> Assessment:
    settings = Settings(headings_deg=(0.0,))
    if ideal:
        matcher = IdealMatcher(depth=depth_of(SCENE), truth=TRUTH, rig=ideal_rig())
        settings = replace(settings, matcher=matcher)
    return assess_pair(render(SCENE), ideal_rig(), read_rover("dunlin-em"), settings)


@cache
def true_px() -> Floats:
    depth = depth_of(SCENE)
    return np.where(depth.shared, FOCAL_PX * 0.10 / depth.depth_m, np.nan)


def lifted(truth: SceneTruth, by_m: float) -> SceneTruth:
    grid = truth.elevation
    return replace(truth, elevation=replace(grid, z_m=grid.z_m + by_m))


def test_disparities_are_right_to_a_fraction_of_a_pixel() -> None:
    found = disparity_errors(assessment(), true_px())
    known = np.isfinite(found.error)
    assert len(found.error) == SAMPLE_PIXELS
    assert 0.8 < known.mean() < 1.0
    assert abs(float(np.median(found.error[known]))) < 0.05
    assert np.array_equal(known, np.isfinite(found.sigma))
    assert np.all((found.range_m > 0) & (found.range_m < FARTHEST_M))


def test_a_planted_bias_is_found() -> None:
    one, other = (disparity_errors(assessment(), true_px() + bias) for bias in (0.0, 0.5))
    biases = [float(np.nanmedian(errors.error)) for errors in (one, other)]
    assert biases[0] - biases[1] == pytest.approx(0.5, abs=0.02)


def test_the_sample_is_the_same_each_time() -> None:
    one, other = (disparity_errors(assessment(), true_px()) for _ in range(2))
    assert np.array_equal(one.error, other.error, equal_nan=True)


def test_the_range_of_a_disparity_is_ahead_of_the_camera_on_the_ground() -> None:
    """A pixel of the rock's face, 0.63 m ahead of a camera 0.17 m ahead of the origin."""
    only = np.full(true_px().shape, np.nan)
    depth = depth_of(SCENE)
    camera = TRUTH.cameras[0]
    face = camera.T_level_camera.inverse().apply([0.80, 0.0, 0.03])
    u, v = np.rint(face[:2] / face[2] * FOCAL_PX + (319.5, 239.5)).astype(int)
    only[v, u] = FOCAL_PX * 0.10 / depth.depth_m[v, u]
    found = disparity_errors(assessment(), only)
    assert found.range_m == pytest.approx([0.63], abs=0.002)


def test_true_disparities_of_another_size_are_refused() -> None:
    with pytest.raises(ValueError, match="true disparities are"):
        disparity_errors(assessment(), true_px()[1:])


def test_the_ideal_sensor_has_the_heights_of_the_truth() -> None:
    found = elevation_errors(terrain(ideal=True), TRUTH)
    assert len(found.error) > 10_000
    assert np.percentile(np.abs(found.error), 95) < 0.002


def test_a_planted_error_of_height_is_found() -> None:
    one, other = (elevation_errors(terrain(), truth) for truth in (TRUTH, lifted(TRUTH, 0.01)))
    assert np.allclose(one.error - other.error, 0.01, atol=1e-6)


def test_a_stated_tilt_is_in_the_sigma_of_a_height() -> None:
    """0.5 deg at 1.17 m from the origin are 10.2 mm; far more than a cell has of its own."""
    found = elevation_errors(terrain(ideal=True), TRUTH)
    at_1_m = found.sigma[np.abs(found.range_m - 1.0) < 0.02]
    assert np.min(at_1_m) == pytest.approx(np.radians(0.5) * 1.17, rel=0.05)


def test_the_highest_height_of_a_cell_is_taken_and_none_beyond_the_truth() -> None:
    z = np.arange(16.0).reshape(4, 4)
    z[3, 3] = np.nan
    grid = Elevation(z_m=z, cell_m=0.005, x_min_m=0.0, y_min_m=-0.01)
    found = highest_in_cells(grid, GridSpec(cell_m=0.01, ahead_m=0.03, side_m=0.01))
    assert np.array_equal(found, [[5.0, 7.0], [13.0, 14.0], [np.nan, np.nan]], equal_nan=True)


def test_the_heights_of_rocks_are_compared() -> None:
    found = obstacle_errors(terrain(ideal=True), TRUTH)
    assert len(found.error) == 2
    assert np.allclose(found.error, 0.0, atol=0.003)
    assert found.range_m == pytest.approx([0.68, 1.08], abs=0.005)
    assert found.true_m == pytest.approx([rock.height_m for rock in TRUTH.objects])
    assert np.all(found.sigma > 0)


def test_a_rock_of_another_true_height_has_an_error_of_the_difference() -> None:
    rock, far = TRUTH.objects
    taller = replace(TRUTH, objects=(replace(rock, height_m=0.09), far))
    one, other = (obstacle_errors(terrain(ideal=True), t) for t in (TRUTH, taller))
    assert np.allclose(one.error - other.error, [0.03, 0.0], atol=1e-6)


def test_only_rocks_that_are_high_enough_and_seen_count() -> None:
    rock, far = TRUTH.objects
    low = replace(TRUTH, objects=(replace(rock, height_m=LEAST_ROCK_M - 0.001), far))
    assert len(obstacle_errors(terrain(ideal=True), low).error) == 1
    grid = TRUTH.elevation
    dark = replace(TRUTH, elevation=replace(grid, visible=np.ones(grid.z_m.shape, np.uint8)))
    assert len(obstacle_errors(terrain(ideal=True), dark).error) == 0
    ledge = replace(TRUTH, objects=(replace(rock, kind="ledge"), far))
    assert len(obstacle_errors(terrain(ideal=True), ledge).error) == 1


def test_a_pebble_beside_a_rock_is_not_taken_for_it() -> None:
    """Both outlines touch one obstacle: its height is that of the higher."""
    rock, far = TRUTH.objects
    pebble = replace(rock, height_m=0.02, outline_m=rock.outline_m + np.array([0.0, 0.11]))
    beside = replace(TRUTH, objects=(pebble, rock, far))
    found = obstacle_errors(terrain(ideal=True), beside)
    assert len(found.error) == 2
    assert np.allclose(found.error, 0.0, atol=0.003)


def test_a_rock_that_was_moved_away_from_all_obstacles_is_not_found() -> None:
    rock, far = TRUTH.objects
    moved = replace(rock, outline_m=rock.outline_m + np.array([0.0, 0.30]))
    found = obstacle_errors(terrain(ideal=True), replace(TRUTH, objects=(moved, far)))
    assert len(found.error) == 1


def test_without_stereo_there_is_nothing_to_compare() -> None:
    left_only = replace(render(SCENE), right=None)
    found = assess_pair(left_only, ideal_rig(), read_rover("dunlin-em"),
                        Settings(headings_deg=(0.0,)))
    assert disparity_errors(found, true_px()) is NO_ERRORS
