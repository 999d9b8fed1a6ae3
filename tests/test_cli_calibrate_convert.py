"""``hazcam calibrate convert`` from the outside."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from hazcam.calibration import read_rig, write_rig
from hazcam.cli import main
from tests.rigs import a_covariance, a_rig


def convert(*words: object) -> Result:
    return CliRunner().invoke(main, ["calibrate", "convert", *map(str, words)])


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    write_rig(a_rig(), tmp_path / "rig.yaml")
    return tmp_path / "rig.yaml"


@pytest.mark.parametrize(("form", "files", "size"), [
    ("camera-info", ("left.yaml", "right.yaml"), ()),
    ("opencv", ("intrinsics.yml", "extrinsics.yml"), ("--size", "640x480")),
])
def test_there_and_back(
    rig: Path, tmp_path: Path, form: str, files: tuple[str, str], size: tuple[str, ...]
) -> None:
    out = tmp_path / "out"
    there = convert(rig, "--to", form, "-o", out)
    assert there.exit_code == 0, there.stderr
    assert sorted(p.name for p in out.iterdir()) == sorted([*files, "mount.yaml"])
    assert f"written: {out / files[0]}" in there.stderr
    assert ("--size 640x480" in there.stderr) == bool(size)
    again = convert(out / files[0], out / files[1], "--mount", out / "mount.yaml", *size,
                    "--to", "rig", "-o", tmp_path / "back.yaml")
    assert again.exit_code == 0, again.stderr
    before, after = read_rig(rig), read_rig(tmp_path / "back.yaml")
    for name in ("K1", "D1", "K2", "D2", "R", "T"):
        np.testing.assert_allclose(getattr(before, name), getattr(after, name), atol=1e-12)
    assert before.mount is not None
    assert after.mount is not None
    np.testing.assert_array_equal(before.mount.R, after.mount.R)


def test_a_bare_rig(tmp_path: Path) -> None:
    write_rig(a_rig(mount=None), tmp_path / "bare.yaml")
    result = convert(tmp_path / "bare.yaml", "--to", "camera-info", "-o", tmp_path / "out")
    assert result.exit_code == 0
    assert "the rig has no mount" in result.stderr


def test_what_would_be_lost_must_be_given_up(tmp_path: Path) -> None:
    held = a_rig(read_noise=1.0)
    write_rig(replace(held, covariance=a_covariance(held, distortion=True)), tmp_path / "a.yaml")
    words = (tmp_path / "a.yaml", "--to", "camera-info", "-o", tmp_path / "out")
    refused = convert(*words)
    assert refused.exit_code == 1
    assert "holds covariance, noise, which camera_info files cannot" in refused.stderr
    assert not (tmp_path / "out").exists()
    assert convert(*words, "--without", "covariance").exit_code == 1
    assert convert(*words, "--without", "covariance", "--without", "noise").exit_code == 0


def test_nothing_is_overwritten_without_force(rig: Path) -> None:
    result = convert(rig, "--to", "rig", "-o", rig)
    assert result.exit_code == 1
    assert "is there already" in result.stderr
    assert "--force" in result.stderr
    assert convert(rig, "--to", "rig", "-o", rig, "--force").exit_code == 0
    assert read_rig(rig).digest == a_rig().digest


def test_a_fisheye_to_opencv(tmp_path: Path) -> None:
    write_rig(a_rig("fisheye"), tmp_path / "a.yaml")
    result = convert(tmp_path / "a.yaml", "--to", "opencv", "-o", tmp_path / "out")
    assert result.exit_code == 1
    assert "a fisheye" in result.stderr
    assert "remedy:" in result.stderr


def test_a_rig_file_may_do_without_extras(tmp_path: Path) -> None:
    held = a_rig(read_noise=1.0, provenance={"made": "here"})
    write_rig(replace(held, covariance=a_covariance(held, distortion=True)), tmp_path / "a.yaml")
    result = convert(tmp_path / "a.yaml", "--to", "rig", "--without", "covariance", "--without",
                     "provenance", "-o", tmp_path / "b.yaml")
    assert result.exit_code == 0, result.stderr
    found = read_rig(tmp_path / "b.yaml")
    assert (found.covariance, found.provenance, found.read_noise) == (None, {}, 1.0)


@pytest.fixture
def opencv(tmp_path: Path, rig: Path) -> Path:
    """The files of a rig of 640 x 480 px, with principal points near (320, 240)."""
    assert convert(rig, "--to", "opencv", "-o", tmp_path / "cv").exit_code == 0
    return tmp_path / "cv"


@pytest.mark.parametrize(("size", "said"), [
    ("1280x960", "principal points about (320, 240) px, for pictures of 1280 x 960 px"),
    ("320x240", "about 641 x 479 px"),
    ("480x640", "width and height are exchanged: give --size 640x480"),
])
def test_a_size_that_the_principal_points_speak_against(
    opencv: Path, tmp_path: Path, size: str, said: str
) -> None:
    words = (opencv / "intrinsics.yml", opencv / "extrinsics.yml", "--to", "rig", "-o",
             tmp_path / "back.yaml")
    result = convert(*words, "--size", size)
    assert result.exit_code == 1
    assert said in result.stderr
    assert not (tmp_path / "back.yaml").exists()
    # a sensor's window may well lie off its middle by a tenth
    assert convert(*words, "--size", "800x600").exit_code == 0


def test_extrinsics_before_intrinsics(opencv: Path, tmp_path: Path) -> None:
    words = ("--size", "640x480", "--to", "rig", "-o", tmp_path / "back.yaml")
    result = convert(opencv / "extrinsics.yml", opencv / "intrinsics.yml", *words)
    assert result.exit_code == 1
    assert "the extrinsics come first: the two files are in each other's place" in result.stderr
    result = convert(opencv / "extrinsics.yml", *words)
    assert result.exit_code == 1
    assert "give the intrinsics file before it" in result.stderr


def test_a_mount_that_lies_beside_is_named(opencv: Path, tmp_path: Path) -> None:
    words = (opencv / "intrinsics.yml", opencv / "extrinsics.yml", "--size", "640x480", "--to",
             "rig", "-o", tmp_path / "back.yaml", "--force")
    result = convert(*words)
    assert result.exit_code == 0
    assert f"no mount; {opencv / 'mount.yaml'} lies beside it: give --mount" in result.stderr
    assert "note" not in convert(*words, "--mount", opencv / "mount.yaml").stderr
    (opencv / "mount.yaml").unlink()
    assert "`hazcam calibrate mount` measures it" in convert(*words).stderr


@pytest.mark.parametrize(("words", "said"), [
    (("a", "-o", "b"), "Missing option '--to'"), (("a", "--to", "rig"), "Missing option '-o'"),
    (("a", "--to", "rig", "-o", "b", "--size", "640"), "'640' is not WIDTHxHEIGHT"),
    (("a", "--to", "rig", "-o", ""), "is empty"),
])
def test_wrong_usage(words: tuple[str, ...], said: str) -> None:
    result = convert(*words)
    assert result.exit_code == 2
    assert said in result.stderr
