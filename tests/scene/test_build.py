"""From a description to a scene: the rover on its ground, gravel, its lamp, its body, the pair."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hazcam.frames import Pose, level_from_rover
from hazcam.scene.build import (
    EFFECTS,
    RELIEF,
    build,
    lamp_on,
    light_up,
    rover_mesh,
    stream,
    take_pair,
)
from hazcam.scene.description import Departure, Gallery, Gravel, GroundPlan, RockPlan
from hazcam.scene.effects import Effects
from hazcam.scene.ground import stance
from hazcam.scene.rigs import demonstration_rigs
from tests.scene.props import FLAT, LEVEL, ROVER, describe, tiny_rig

RIG = demonstration_rigs()["dunlin-em"]


def test_rover_stands_on_the_ground_at_the_origin() -> None:
    scene = build(describe(ground=replace(FLAT, undulation=1.3, slope_deg=3.0)), ROVER)
    height, roll, pitch = stance(scene.ground, ROVER)
    assert height == pytest.approx(0, abs=1e-9)
    assert (scene.roll_deg, scene.pitch_deg) == pytest.approx((roll, pitch))
    assert 0.5 < np.hypot(roll, pitch) < 8
    up = scene.T_level_rover.R[:, 2]
    np.testing.assert_allclose(up, level_from_rover(roll, pitch)[:, 2])


def test_same_description_same_scene() -> None:
    plan = GroundPlan(gravel=Gravel(count=5), rocks=(RockPlan(x_m=1, y_m=0, height_m=0.05),))
    first, again = (build(describe(ground=plan), ROVER) for _ in range(2))
    x, y = np.meshgrid(np.linspace(0, 2, 20), np.linspace(-1, 1, 20))
    np.testing.assert_array_equal(first.ground.height_m(x, y), again.ground.height_m(x, y))
    for one, other in zip((*first.rocks, *first.gravel), (*again.rocks, *again.gravel),
                          strict=True):
        np.testing.assert_array_equal(one.vertices_m, other.vertices_m)
    another = build(describe(ground=plan, seed=(1, 3)), ROVER)
    assert np.abs(first.ground.height_m(x, y) - another.ground.height_m(x, y)).max() > 0.001


def test_streams_are_each_scenes_own() -> None:
    draws = {(seed, which): stream(describe(seed=seed), which).random()
             for seed in ((1, 2), (1, 3), (2, 2)) for which in (RELIEF, EFFECTS)}
    assert len(set(draws.values())) == 6


def test_gravel_is_small_and_keeps_off_the_rocks() -> None:
    rock = RockPlan(x_m=1.0, y_m=0.0, height_m=0.2, kind="slab")
    plan = replace(FLAT, gravel=Gravel(count=200, low_m=0.003, high_m=0.009), rocks=(rock,))
    scene = build(describe(ground=plan), ROVER)
    assert 150 < len(scene.gravel) <= 200
    tops = np.array([stone.vertices_m[:, 2].max() for stone in scene.gravel])
    assert 0.003 <= tops.min() < 0.004
    assert 0.006 < tops.max() <= 0.009
    assert np.median(tops) < 0.0055, "small ones most often"
    middles = np.array([stone.vertices_m.mean(axis=0) for stone in scene.gravel])
    assert middles[:, 0].min() > 0.29
    assert np.hypot(middles[:, 0] - 1.0, middles[:, 1]).min() > 0.29


def test_sand_lies_against_a_rock() -> None:
    plan = replace(FLAT, rocks=(RockPlan(x_m=1.0, y_m=0.0, height_m=0.10),))
    ground = build(describe(ground=plan), ROVER).ground
    bank = ground.height_m(np.array([1.0, 0.6]), np.zeros(2))
    assert bank == pytest.approx([0.005, 0.0], abs=1e-6)
    assert ground.undisturbed_m(np.array([1.0]), np.zeros(1)) == pytest.approx(0.0, abs=1e-9)


def test_horizon_has_stones_but_a_gallery_has_none() -> None:
    far = build(describe(), ROVER).far
    assert len(far) == 16
    assert min(m.vertices_m[:, 0].min() for m in far) > 2.5
    tunnel = replace(FLAT, gallery=Gallery(width_m=1.2, height_m=0.9))
    assert build(describe(ground=tunnel), ROVER).far == ()


def test_lamp_is_between_the_cameras_and_above_them() -> None:
    lamp = lamp_on(RIG)
    np.testing.assert_allclose(lamp.t, [0.17, 0.0, 0.20], atol=1e-12)
    down = np.radians(8)
    np.testing.assert_allclose(lamp.R[:, 2], [np.cos(down), 0, -np.sin(down)], atol=1e-12)


def test_bare_rig_has_no_lamp() -> None:
    with pytest.raises(ValueError, match="without a mount"):
        lamp_on(replace(RIG, mount=None))


def test_body_of_the_rover_is_behind_its_cameras() -> None:
    v = rover_mesh(ROVER, LEVEL, 0.17).vertices_m
    body, legs = ROVER.body, ROVER.legs
    assert v[:, 0].max() == pytest.approx(0.15)  # 2 cm behind the cameras, which are 0.17 ahead
    assert v[:, 0].min() == pytest.approx(body.nose_m - body.length_m)
    assert v[:, 1].max() == pytest.approx(max(body.width_m, legs.track_m + legs.foot_width_m) / 2)
    assert (v[:, 2].min(), v[:, 2].max()) == pytest.approx((0.0, body.underside_m + 0.08))
    left_side_up = rover_mesh(ROVER, Pose(R=level_from_rover(20, 0), t=np.zeros(3)), 0.17)
    at = left_side_up.vertices_m
    assert at[at[:, 1] > 0.05, 2].max() > at[at[:, 1] < -0.05, 2].max()


def test_rover_states_what_it_believes(coarse: None) -> None:
    departure = Departure(roll_deg=0.7, pitch_deg=-0.4)
    description = describe(departure=departure, camera=Effects(gain_right=0.8, read_noise=0.0))
    scene, rig = build(description, ROVER), tiny_rig()
    shot = take_pair(scene, light_up(scene, ROVER, rig), scene.cameras(rig))
    assert scene.roll_deg - shot.stated_roll_deg == pytest.approx(0.7)
    assert scene.pitch_deg - shot.stated_pitch_deg == pytest.approx(-0.4)
    left, right = shot.pictures.left, shot.pictures.right
    assert left.shape == right.shape == (60, 80)
    ground = left[30:].mean()
    assert 70 < ground < 180
    assert right[30:].mean() == pytest.approx(0.8 * ground, rel=0.1)


def test_cameras_are_where_they_really_are() -> None:
    scene = build(describe(departure=Departure(height_m=-0.01, baseline_share=0.05)), ROVER)
    left, right = (camera.T_level_camera.t for camera in scene.cameras(RIG))
    assert left[2] == pytest.approx(0.16, abs=1e-9)
    assert np.linalg.norm(left - right) == pytest.approx(0.105)
