"""Rendering sets: what is there is left alone, what changed is rendered, what fails is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hazcam.calibration import write_rig
from hazcam.errors import HazcamError
from hazcam.imagery import read_pair
from hazcam.scene import shoot
from hazcam.scene.build import build
from hazcam.scene.description import RockPlan, SceneDescription
from hazcam.scene.effects import Effects
from hazcam.scene.features import Ledge
from hazcam.scene.io import read_depth, read_scene, read_truth
from hazcam.scene.shoot import Outcome, Rendering, render_scenes
from tests.scene.props import FLAT, ROVER, describe, tiny_rig

pytestmark = pytest.mark.usefixtures("coarse")

ROCK = replace(FLAT, rocks=(RockPlan(x_m=0.8, y_m=0.0, height_m=0.08),))


def how(folder: Path) -> Rendering:
    rig_file = folder / "rig.yaml"
    write_rig(tiny_rig(), rig_file)
    return Rendering(rig=tiny_rig(), rig_file=rig_file, rover=ROVER, rover_name="dunlin-em",
                     folder=folder / "set")


def shot(folder: Path, *descriptions: SceneDescription) -> list[Outcome]:
    return list(render_scenes(list(descriptions), how(folder), workers=1))


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in (folder / "set").iterdir()}


def test_pair_and_truth_belong_together(tmp_path: Path) -> None:
    description = describe(id="one", ground=ROCK)
    outcome, = shot(tmp_path, description)
    assert outcome.failure == ""
    assert outcome.seconds > 0
    folder = tmp_path / "set"
    assert read_scene(folder / "one.scene.toml") == description
    pair = read_pair(folder / "one.pair.json")
    assert pair.left is not None
    assert pair.left.shape == (60, 80)
    assert pair.left.std() > 5
    truth, depth = read_truth(folder / "one.truth.json"), read_depth(folder / "one.truth.json")
    assert [o.kind for o in truth.objects] == ["rock"]
    assert truth.objects[0].height_m == pytest.approx(0.08, abs=1e-5)
    assert depth.depth_m.shape == (60, 80)
    scene = build(description, ROVER)
    assert truth.pitch_deg == pytest.approx(scene.pitch_deg)
    np.testing.assert_allclose(truth.cameras[0].T_level_camera.t,
                               scene.cameras(tiny_rig())[0].T_level_camera.t)


def test_same_scene_is_left_alone_and_a_changed_one_is_not(tmp_path: Path) -> None:
    first = describe(id="one")
    assert shot(tmp_path, first)[0].seconds > 0
    before = contents(tmp_path)
    assert shot(tmp_path, first) == [Outcome(scene_id="one", seconds=0.0)]
    assert contents(tmp_path) == before
    assert shot(tmp_path, replace(first, ground=ROCK))[0].seconds > 0
    after = contents(tmp_path)
    assert set(after) == set(before)
    for name in ("one.left.png", "one.truth.json", "one.elevation.png", "one.scene.toml"):
        assert after[name] != before[name], name


def test_a_pair_whose_picture_is_gone_is_rendered_again(tmp_path: Path) -> None:
    shot(tmp_path, describe(id="one"))
    picture = tmp_path / "set" / "one.left.png"
    before = picture.read_bytes()
    picture.unlink()
    assert shot(tmp_path, describe(id="one"))[0].seconds > 0
    assert picture.read_bytes() == before


def test_a_feature_beyond_the_map_is_no_object(tmp_path: Path) -> None:
    far = replace(FLAT, ledges=(Ledge(at_m=4.0, height_m=0.1),))
    outcome, = shot(tmp_path, describe(id="far", ground=far))
    assert outcome.failure == ""
    assert read_truth(tmp_path / "set" / "far.truth.json").objects == ()


def test_same_scene_gives_the_same_files(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        shot(tmp_path / name, describe(ground=ROCK))
    first = contents(tmp_path / "a")
    assert len(first) == 9
    assert first == contents(tmp_path / "b")


def test_interrupted_set_goes_on_where_it_stopped(tmp_path: Path) -> None:
    scenes = [describe(id=name) for name in ("a", "b")]
    outcomes = render_scenes(scenes, how(tmp_path), workers=1)
    assert next(outcomes).scene_id == "a"
    outcomes.close()  # type: ignore[attr-defined]  # a generator
    assert not (tmp_path / "set" / "b.pair.json").exists()
    seconds = {o.scene_id: o.seconds for o in shot(tmp_path, *scenes)}
    assert seconds["a"] == 0
    assert seconds["b"] > 0


def test_scene_that_fails_does_not_stop_the_rest(tmp_path: Path) -> None:
    broken = describe(id="broken", camera=Effects(lost_blocks=16))  # 80 x 60 px have 15
    outcomes = {o.scene_id: o for o in shot(tmp_path, broken, describe(id="sound"))}
    assert "16 lost blocks in a picture of 15 blocks" in outcomes["broken"].failure
    assert outcomes["sound"].failure == ""
    assert (tmp_path / "set" / "sound.pair.json").is_file()
    assert not (tmp_path / "set" / "broken.pair.json").exists()


def test_folder_that_cannot_be_written_is_a_failure_of_its_scene(tmp_path: Path) -> None:
    (tmp_path / "set").write_text("")
    outcome, = shot(tmp_path, describe())
    assert "cannot be written" in outcome.failure


def test_missing_renderer_is_said_before_anything_is_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing() -> None:
        raise HazcamError("hazcam.scene", "no renderer", "one", "install it")

    monkeypatch.setattr(shoot, "load_mitsuba", missing)
    with pytest.raises(HazcamError, match="no renderer"):
        shot(tmp_path, describe())
    assert not (tmp_path / "set").exists()


def test_no_scene_is_no_work(tmp_path: Path) -> None:
    assert shot(tmp_path) == []
