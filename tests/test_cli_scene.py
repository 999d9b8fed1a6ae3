"""``hazcam scene``: what is written, what is left alone, and what a user is told."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hazcam import rover as rovers
from hazcam.calibration import write_rig
from hazcam.cli import main
from hazcam.scene.description import Departure
from hazcam.scene.io import read_scene, write_scene
from hazcam.scene.mixtures import MIXTURES, draw_scene
from tests.scene.props import coarsen, describe, tiny_rig


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["scene", *(str(a) for a in arguments)])


def words(result: Result) -> str:
    """What it said, without line breaks and frames."""
    return " ".join(result.output.replace("│", " ").split())


# --- new ------------------------------------------------------------------------------------------


def test_new_writes_what_the_mixture_draws(tmp_path: Path) -> None:
    result = run("new", "rocks", "--count", "2", "--first", "3", "-o", tmp_path / "out")
    assert result.exit_code == 0, result.output
    paths = [tmp_path / "out" / f"tune-rocks-{i:03d}.scene.toml" for i in (3, 4)]
    assert result.stdout.split() == [str(p) for p in paths]
    for i, path in zip((3, 4), paths, strict=True):
        assert read_scene(path) == draw_scene("rocks", "tune", i)


def test_new_of_all_mixtures(tmp_path: Path) -> None:
    result = run("new", "all", "--seed-block", "report-7", "-o", tmp_path)
    assert result.exit_code == 0, result.output
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(
        f"report-7-{name}-000.scene.toml" for name in MIXTURES)


def test_new_with_sun_and_exact(tmp_path: Path) -> None:
    assert run("new", "shadow", "--sun", "4", "--exact", "-o", tmp_path).exit_code == 0
    scene = read_scene(tmp_path / "tune-shadow-000.scene.toml")
    assert scene.light.sun_elevation_deg == pytest.approx(4)
    assert scene.departure == Departure()
    assert scene == draw_scene("shadow", "tune", 0, sun_deg=(4.0, 4.0), exact=True)


def test_camera_values_win_over_what_is_drawn(tmp_path: Path) -> None:
    assert run("new", "benign", "-o", tmp_path, "--camera", "veil=0.2,0", "--camera",
               "read_noise=2", "--camera", "lost_blocks=3").exit_code == 0
    drawn = draw_scene("benign", "tune", 0)
    scene = read_scene(tmp_path / f"{drawn.id}.scene.toml")
    assert scene.camera == replace(drawn.camera, veil=(0.2, 0.0), read_noise=2.0, lost_blocks=3)
    assert scene.ground == drawn.ground


def test_one_number_is_for_both_lenses(tmp_path: Path) -> None:
    assert run("new", "benign", "-o", tmp_path, "--camera", "veil=0.2").exit_code == 0
    assert read_scene(tmp_path / "tune-benign-000.scene.toml").camera.veil == (0.2, 0.2)


def test_an_edited_description_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "tune-benign-000.scene.toml"
    assert run("new", "benign", "-o", tmp_path).exit_code == 0
    edited = path.read_text(encoding="utf-8").replace("black beach", "my beach", 1)
    path.write_text(edited.replace("slag heap", "my beach", 1), encoding="utf-8")
    edited = path.read_text(encoding="utf-8")
    result = run("new", "benign", "-o", tmp_path)
    assert result.exit_code == 1
    assert "is there already and says something else" in words(result)
    assert path.read_text(encoding="utf-8") == edited


@pytest.mark.parametrize(("given", "other", "value"), [
    ("jpeg_quality", "jpeg2000_ratio", 60), ("jpeg2000_ratio", "jpeg_quality", 8)])
def test_asked_for_compression_takes_the_place_of_the_drawn_one(
    tmp_path: Path, given: str, other: str, value: int
) -> None:
    drawn = [draw_scene("rocks", "tune", i).camera for i in range(12)]
    assert any(getattr(camera, other) is not None for camera in drawn)
    result = run("new", "rocks", "--count", "12", "-o", tmp_path, "--camera", f"{given}={value}")
    assert result.exit_code == 0, result.output
    cameras = [read_scene(path).camera for path in tmp_path.iterdir()]
    assert {getattr(camera, given) for camera in cameras} == {value}
    assert {getattr(camera, other) for camera in cameras} == {None}


@pytest.mark.parametrize(("value", "message"), [
    ("jpg_quality=60", "did you mean jpeg_quality"), ("veil=0.2,0.1,0", "a list of 2"),
    ("veil=2,0", "veil is from 0 to 0.95"), ("jpeg_quality=0", "jpeg_quality is from 1 to 100"),
    ("jpeg_quality=60.5", "a whole number"), ("read_noise=nan", "a finite number"),
])
def test_camera_value_that_cannot_be(tmp_path: Path, value: str, message: str) -> None:
    result = run("new", "benign", "-o", tmp_path, "--camera", value)
    assert result.exit_code == 1
    assert message in words(result)
    assert "--camera" in result.output
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("value", ["jpeg_quality", "jpeg_quality=", "veil=a,b"])
def test_camera_value_that_is_none(tmp_path: Path, value: str) -> None:
    result = run("new", "benign", "-o", tmp_path, "--camera", value)
    assert result.exit_code == 2
    assert "is not NAME=VALUE" in words(result)


def test_both_compressions_at_once(tmp_path: Path) -> None:
    result = run("new", "benign", "-o", tmp_path, "--camera", "jpeg_quality=60", "--camera",
                 "jpeg2000_ratio=8")
    assert result.exit_code == 1
    assert "not as both" in words(result)


@pytest.mark.parametrize(("span", "message"), [
    ("50:3", "from above 0 to 90 degrees"), ("0:10", "from above 0 to 90 degrees"),
    ("3:91", "from above 0 to 90 degrees"), ("nan:5", "from above 0 to 90 degrees"),
    ("low", "is not LOW:HIGH"), ("3:", None), (":5", "is not LOW:HIGH"),
])
def test_span_of_the_sun(tmp_path: Path, span: str, message: str | None) -> None:
    result = run("new", "benign", "--sun", span, "-o", tmp_path)
    assert result.exit_code == (0 if message is None else 2)
    assert message is None or message in words(result)


@pytest.mark.parametrize("block", ["report-0", "sample", ""])
def test_block_that_is_none(tmp_path: Path, block: str) -> None:
    result = run("new", "benign", "--seed-block", block, "-o", tmp_path)
    assert result.exit_code == 2
    assert "is not tune, or report-N" in words(result)


@pytest.mark.parametrize("arguments", [("new", "nothing"), ("new",), ("new", "pit", "--count", "0"),
                                       ("new", "pit", "--first", "-1"), ("new", "pit", "-o", "")])
def test_wrong_usage_of_new(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    more = () if "-o" in arguments else ("-o", str(tmp_path))
    assert run(*arguments, *more).exit_code == 2


def test_new_into_a_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = run("new", "benign", "-o", tmp_path / "file")
    assert result.exit_code == 1
    assert "cannot be written" in result.output
    assert "Traceback" not in result.output


def test_help_lists_every_mixture_as_it_is() -> None:
    said = words(run("new", "--help"))
    for name, mixture in MIXTURES.items():
        assert f"{name} {mixture.summary}" in said
    assert run("--help").exit_code == run("render", "--help").exit_code == 0


# --- render ---------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A tiny rig and two plain scenes, rendered in few triangles."""
    coarsen(monkeypatch)
    write_rig(tiny_rig(), tmp_path / "rig.yaml")
    for name in ("a", "b"):
        write_scene(describe(id=name), tmp_path / "scenes")
    return tmp_path


def render(folder: Path, *scenes: Path, rig: str = "rig.yaml", rover: str = "dunlin-em",
           to: str = "set") -> Result:
    return run("render", *scenes, "--rig", folder / rig, "--rover", rover, "--workers", "1",
               "-o", folder / to)


def test_a_broken_description_does_not_cost_the_others(folder: Path) -> None:
    (folder / "scenes" / "c.scene.toml").write_text("schema = ", encoding="utf-8")
    result = render(folder, folder / "scenes")
    assert result.exit_code == 1
    assert "1 of 3 scenes failed" in words(result)
    assert "broken TOML" in words(result)
    assert (folder / "set" / "a.pair.json").is_file()
    assert (folder / "set" / "b.pair.json").is_file()


def test_render_of_a_folder_and_again(folder: Path) -> None:
    result = render(folder, folder / "scenes")
    assert result.exit_code == 0, result.output
    names = {p.name for p in (folder / "set").iterdir()}
    for scene in ("a", "b"):
        assert {f"{scene}.{end}" for end in (
            "left.png", "right.png", "pair.json", "truth.json", "elevation.png", "visible.png",
            "inverse-depth.png", "shared.png", "scene.toml")} <= names
    assert len(names) == 18
    record = json.loads((folder / "set" / "a.pair.json").read_text())
    assert (record["rig"], record["rover"]) == ("../rig.yaml", "dunlin-em")

    before = {p: p.stat().st_mtime_ns for p in (folder / "set").iterdir()}
    again = render(folder, folder / "scenes")
    assert again.exit_code == 0
    assert {p: p.stat().st_mtime_ns for p in (folder / "set").iterdir()} == before


def test_rendered_pair_can_be_assessed(folder: Path) -> None:
    assert render(folder, folder / "scenes" / "a.scene.toml").exit_code == 0
    result = CliRunner().invoke(main, ["assess", str(folder / "set" / "a.pair.json")])
    assert result.exit_code == 0, result.output
    assert "straight ahead" in result.stdout


def test_rover_file_is_named_as_seen_from_the_set(folder: Path) -> None:
    shipped = Path(rovers.__file__).parent / "dunlin-em.toml"
    (folder / "mine.toml").write_text(shipped.read_text())
    result = render(folder, folder / "scenes" / "a.scene.toml", rover=str(folder / "mine.toml"))
    assert result.exit_code == 0, result.output
    assert json.loads((folder / "set" / "a.pair.json").read_text())["rover"] == "../mine.toml"


def test_failing_scene_is_said_and_the_others_are_rendered(folder: Path) -> None:
    bad = describe(id="bad", camera=replace(describe().camera, lost_blocks=100))
    write_scene(bad, folder / "scenes")
    result = render(folder, folder / "scenes")
    assert result.exit_code == 1
    assert "1 of 3 scenes failed: bad: 100 lost blocks in a picture of 15" in words(result)
    assert (folder / "set" / "b.pair.json").is_file()


def test_two_scenes_of_one_name(folder: Path) -> None:
    result = render(folder, folder / "scenes", folder / "scenes" / "a.scene.toml")
    assert result.exit_code == 1
    assert "more than one has the id a" in words(result)


def test_render_into_a_place_that_cannot_be_written(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Said once, before the first scene is rendered, not once for each."""
    (folder / "file").write_text("")
    monkeypatch.setattr("hazcam.cli.scene.render_scenes", None)
    result = render(folder, folder / "scenes", to="file/set")
    assert result.exit_code == 1
    assert "cannot be written" in words(result)
    assert "scenes failed" not in words(result)


def test_rig_without_a_mount(folder: Path) -> None:
    write_rig(replace(tiny_rig(), mount=None), folder / "bare.yaml")
    result = render(folder, folder / "scenes", rig="bare.yaml")
    assert result.exit_code == 1
    assert "bare.yaml" in result.output
    assert "mount_R and mount_t" in words(result)


@pytest.mark.parametrize(("what", "message"), [
    ({"rig": "none.yaml"}, "none.yaml"), ({"rover": "heron"}, "heron")])
def test_rig_or_rover_that_is_not_there(folder: Path, what: dict[str, str], message: str) -> None:
    result = render(folder, folder / "scenes", **what)
    assert result.exit_code == 1
    assert message in result.output
    assert "Traceback" not in result.output


def test_missing_scene(folder: Path) -> None:
    result = render(folder, folder / "none.scene.toml")
    assert result.exit_code == 1
    assert "none.scene.toml: cannot be read" in words(result)


def test_folder_without_scenes(folder: Path) -> None:
    (folder / "empty").mkdir()
    result = render(folder, folder / "empty")
    assert result.exit_code == 1
    assert "holds no scene description" in words(result)


def test_broken_scene_names_its_key(folder: Path) -> None:
    path = folder / "scenes" / "a.scene.toml"
    path.write_text(path.read_text().replace("samples = 4", 'samples = "many"'))
    result = render(folder, path)
    assert result.exit_code == 1
    assert "a.scene.toml, samples: found 'many'" in words(result)


@pytest.mark.parametrize("missing", ["--rig", "--rover", "-o", "SCENE"])
def test_render_needs_its_options(folder: Path, missing: str) -> None:
    given = {"--rig": str(folder / "rig.yaml"), "--rover": "dunlin-em", "-o": str(folder / "set")}
    scenes = [] if missing == "SCENE" else [str(folder / "scenes")]
    pairs = [part for name, value in given.items() if name != missing for part in (name, value)]
    assert run("render", *scenes, *pairs).exit_code == 2


# --- imports --------------------------------------------------------------------------------------


def test_nothing_loads_the_renderer_before_it_is_needed() -> None:
    code = ("import sys, hazcam, hazcam.scene, hazcam.cli.assess, hazcam.cli.scene; "
            "sys.exit(', '.join({'mitsuba', 'drjit', 'tomli_w'} & set(sys.modules)) or 0)")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
