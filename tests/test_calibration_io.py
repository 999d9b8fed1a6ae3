"""Reading and writing rigs: round trips, both kinds of file, and each error in the user's words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from hazcam.calibration.checks import rig_digest
from hazcam.calibration.io import read_mount, read_rig, write_rig
from hazcam.calibration.rig import StereoRig
from hazcam.errors import OutputError, RigError
from hazcam.frames import R_BODY_OPTICAL, Pose, rotation_x, rotation_y

ROOT = Path(__file__).parents[1]
K = np.array([[512.0, 0, 319.5], [0, 510.0, 239.5], [0, 0, 1]])
D = np.array([-0.1, 0.02, 0.001, -0.0005, 0.003])
MOUNT = Pose(R=rotation_y(18) @ R_BODY_OPTICAL, t=np.array([0.17, 0.05, 0.17]))


def a_rig(**changes: Any) -> StereoRig:
    values: dict[str, Any] = {
        "name": "mast", "size": (640, 480), "K1": K, "D1": D, "K2": K + np.diag([3.0, 2, 0]),
        "D2": 0.9 * D, "R": rotation_x(0.3) @ rotation_y(-0.2),
        "T": np.array([-0.1, 0.0004, -0.0007]), "mount": MOUNT,
    }
    return StereoRig(**(values | changes))


def matrix(values: Any) -> str:
    """Write a matrix as OpenCV's FileStorage does."""
    array = np.atleast_2d(np.asarray(values, dtype=float))
    numbers = ", ".join(".Nan" if np.isnan(v) else repr(float(v)) for v in array.ravel())
    return (f"!!opencv-matrix\n   rows: {array.shape[0]}\n   cols: {array.shape[1]}\n   dt: d\n"
            f"   data: [ {numbers} ]")


ENTRIES: dict[str, str] = {
    "image_width": "640", "image_height": "480", "K1": matrix(K), "D1": matrix(D),
    "K2": matrix(K), "D2": matrix(D), "R": matrix(np.eye(3)),
    "T": matrix([[-0.1], [0], [0]]), "mount_R": matrix(MOUNT.R), "mount_t": matrix(MOUNT.t),
}


def write_entries(
    path: Path, changes: dict[str, str] | None = None, drop: Sequence[str] = (),
    header: str = "%YAML:1.0",
) -> Path:
    entries = {k: v for k, v in {**ENTRIES, **(changes or {})}.items() if k not in drop}
    body = "".join(f"{key}: {value}\n" for key, value in entries.items())
    path.write_text(f"{header}\n---\n{body}")
    return path


def write_camera_info(path: Path, **changes: Any) -> Path:
    """One camera in the layout of the robotics community's camera_info files."""
    values: dict[str, Any] = {
        "model": "plumb_bob", "K": K, "D": D, "R": np.eye(3), "P": np.hstack([K, np.zeros((3, 1))]),
        "width": 640,
    } | changes

    def block(key: str, array: Any) -> str:
        array = np.atleast_2d(array)
        return (f"{key}:\n  rows: {array.shape[0]}\n  cols: {array.shape[1]}\n"
                f"  data: {[float(v) for v in array.ravel()]}\n")

    path.write_text(
        f"image_width: {values['width']}\nimage_height: 480\ncamera_name: {path.stem}\n"
        + block("camera_matrix", values["K"])
        + f"distortion_model: {values['model']}\n"
        + block("distortion_coefficients", values["D"])
        + block("rectification_matrix", values["R"])
        + block("projection_matrix", values["P"])
    )
    return path


def write_mount(path: Path, **changes: str) -> Path:
    entries = {"mount_R": ENTRIES["mount_R"], "mount_t": ENTRIES["mount_t"]} | changes
    path.write_text("%YAML:1.0\n---\n" + "".join(f"{k}: {v}\n" for k, v in entries.items()))
    return path


def assert_same(a: StereoRig, b: StereoRig) -> None:
    assert (a.size, a.model, a.read_noise, a.noise_gain, a.provenance) == (
        b.size, b.model, b.read_noise, b.noise_gain, b.provenance)
    for key in ("K1", "D1", "K2", "D2", "R", "T"):
        np.testing.assert_array_equal(getattr(a, key), getattr(b, key))
    assert a.mount is not None
    assert b.mount is not None
    np.testing.assert_array_equal(a.mount.R, b.mount.R)
    np.testing.assert_array_equal(a.mount.t, b.mount.t)


# --- what comes in ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"model": "fisheye", "D1": np.zeros(4), "D2": np.array([0.01, 0, 0, 0])},
        {"model": "rational", "D1": np.zeros(8), "D2": np.array([0.1, 0, 0, 0, 0, 0.1, 0, 0])},
        {"read_noise": 1.25, "noise_gain": 0.0125},
        {"noise_gain": 0.0},
        {"read_noise": 1.25, "covariance": np.diag(np.arange(1.0, 15.0))},
        {"provenance": {"made": 'by hand: "é" # 1', "views": 13, "rms": [0.1, 0.2],
                        "board": {"square_m": 0.025}}},
    ],
)
def test_a_written_rig_reads_back_to_the_bit(tmp_path: Path, changes: dict[str, Any]) -> None:
    rig = a_rig(**changes)
    write_rig(rig, tmp_path / "mast.yaml")
    back = read_rig(tmp_path / "mast.yaml")
    assert_same(rig, back)
    assert back.name == "mast"
    assert back.digest == rig_digest(rig)
    if rig.covariance is not None:
        np.testing.assert_array_equal(back.covariance, rig.covariance)


def test_opencv_reads_what_is_written(tmp_path: Path) -> None:
    write_rig(a_rig(), tmp_path / "mast.yaml")
    storage = cv2.FileStorage(str(tmp_path / "mast.yaml"), cv2.FILE_STORAGE_READ)
    np.testing.assert_array_equal(storage.getNode("K1").mat(), K)
    assert storage.getNode("T").mat().shape == (3, 1)  # as cv2.stereoRectify wants it


@pytest.mark.parametrize("header", ["%YAML:1.0", "%YAML 1.2", "# a comment"])
def test_headers(tmp_path: Path, header: str) -> None:
    rig = read_rig(write_entries(tmp_path / "a.yaml", header=header))
    assert (rig.model, rig.size) == ("brown", (640, 480))
    assert rig.baseline_m == pytest.approx(0.1)


def test_the_matrices_of_opencvs_own_sample_file_are_read(
    tmp_path: Path, opencv_doc: Path
) -> None:
    """OpenCV's chessboard sample: fx 535.9157, k1 -0.266373 in left_intrinsics.yml."""
    source = opencv_doc / "left_intrinsics.yml"
    text = source.read_text()

    def block(key: str) -> str:
        found = re.search(rf"^{key}: (!!opencv-matrix\n(?: +.*\n)+)", text, re.MULTILINE)
        assert found
        return found[1].rstrip()

    K_text, D_text = block("camera_matrix"), block("distortion_coefficients")
    entries = {"K1": K_text, "K2": K_text, "D1": D_text, "D2": D_text}
    rig = read_rig(write_entries(tmp_path / "a.yaml", entries))
    assert rig.K1[0, 0] == pytest.approx(535.915734, abs=1e-6)
    assert rig.D1[0] == pytest.approx(-0.266373, abs=1e-6)
    assert rig.D1.shape == (5,)


def test_opencvs_own_sample_file_is_no_rig(opencv_doc: Path) -> None:
    source = opencv_doc / "left_intrinsics.yml"
    with pytest.raises(RigError, match="calibration of one camera"):
        read_rig(source)


def test_few_digits_are_made_orthonormal(tmp_path: Path) -> None:
    rough = {"R": matrix(np.round(rotation_y(1.3), 4)), "mount_R": matrix(np.round(MOUNT.R, 4))}
    rig = read_rig(write_entries(tmp_path / "a.yaml", rough))
    np.testing.assert_allclose(rig.R @ rig.R.T, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(rig.R, rotation_y(1.3), atol=1e-4)
    write_rig(rig, tmp_path / "b.yaml")
    assert read_rig(tmp_path / "b.yaml").digest == rig.digest


def test_the_digest_is_of_the_numbers_alone(tmp_path: Path) -> None:
    first = read_rig(write_entries(tmp_path / "a.yaml"))
    noted = read_rig(write_entries(tmp_path / "b.yaml", {"provenance": "{ by: me }"}))
    moved = read_rig(write_entries(tmp_path / "c.yaml", {"T": matrix([-0.1001, 0, 0])}))
    assert first.digest == noted.digest != moved.digest
    assert rig_digest(replace(first, T=np.array([-0.1, -0.0, 0.0]))) == first.digest


def test_a_noise_gain_is_in_the_digest_and_rigs_without_one_keep_theirs() -> None:
    """The digest of the shipped rig as it was before rigs had a noise gain."""
    rig = read_rig(ROOT / "calibration" / "dunlin-em-raw.yaml")
    assert rig.digest == "dd6aad651740bf034b5cea036428ec690d871a7d9f3e28a017b20014e1d727c6"
    assert rig_digest(replace(rig, noise_gain=0.0)) != rig.digest


def test_a_mount_file_wins(tmp_path: Path) -> None:
    mount = write_mount(tmp_path / "m.yaml", mount_t=matrix([0.2, 0, 0.3]))
    rig = read_rig(write_entries(tmp_path / "a.yaml"), mount=mount)
    assert rig.mount is not None
    assert rig.mount.t.tolist() == [0.2, 0, 0.3]


def test_two_camera_info_files_give_the_rig_they_were_made_from(tmp_path: Path) -> None:
    """cv2.stereoRectify makes R1, R2, P1, P2 of a known rig; reading them gives R and T back."""
    rig = a_rig()
    out = cv2.stereoRectify(rig.K1, rig.D1, rig.K2, rig.D2, rig.size, rig.R, rig.T.reshape(3, 1))
    R1, R2, P1, P2 = (np.asarray(out[i]) for i in range(4))
    left = write_camera_info(tmp_path / "l.yaml", K=rig.K1, D=rig.D1, R=R1, P=P1)
    right = write_camera_info(tmp_path / "r.yaml", K=rig.K2, D=rig.D2, R=R2, P=P2)
    back = read_rig(left, right, mount=write_mount(tmp_path / "m.yaml"))
    np.testing.assert_allclose(back.R, rig.R, atol=1e-12)
    np.testing.assert_allclose(back.T, rig.T, atol=1e-12)
    np.testing.assert_array_equal(back.K2, rig.K2)
    np.testing.assert_array_equal(back.D2, rig.D2)
    assert back.digest


@pytest.mark.parametrize(
    ("word", "model", "count"),
    [
        ("plumb_bob", "brown", 5), ("rational_polynomial", "rational", 8),
        ("equidistant", "fisheye", 4),
    ],
)
def test_camera_info_models(tmp_path: Path, word: str, model: str, count: int) -> None:
    P = np.hstack([K, np.array([[-51.2], [0], [0]])])
    left = write_camera_info(tmp_path / "l.yaml", model=word, D=np.zeros(count))
    right = write_camera_info(tmp_path / "r.yaml", model=word, D=np.zeros(count), P=P)
    rig = read_rig(left, right, mount=write_mount(tmp_path / "m.yaml"))
    assert rig.model == model
    assert rig.T.tolist() == [pytest.approx(-0.1), 0, 0]


# --- wrong camera_info files ------------------------------------------------------------------


def camera_pair(tmp_path: Path, left: dict[str, Any], right: dict[str, Any]) -> tuple[Path, Path]:
    P = np.hstack([K, np.array([[-51.2], [0], [0]])])
    return (write_camera_info(tmp_path / "l.yaml", **left),
            write_camera_info(tmp_path / "r.yaml", **({"P": P} | right)))


def test_camera_info_without_a_mount(tmp_path: Path) -> None:
    with pytest.raises(RigError, match="--mount FILE"):
        read_rig(*camera_pair(tmp_path, {}, {}))


def test_one_camera_info_alone(tmp_path: Path) -> None:
    with pytest.raises(RigError, match=r"one camera(.|\n)*right camera as well"):
        read_rig(camera_pair(tmp_path, {}, {})[0])


def test_right_camera_info_without_its_baseline_term(tmp_path: Path) -> None:
    pair = camera_pair(tmp_path, {}, {"P": np.hstack([K, np.zeros((3, 1))])})
    with pytest.raises(RigError, match=r"r\.yaml: projection_matrix: has no baseline term"):
        read_rig(*pair)


def test_camera_info_files_swapped(tmp_path: Path) -> None:
    left, right = camera_pair(tmp_path, {}, {})
    with pytest.raises(RigError, match=r"the two are swapped(.|\n)*swap the two files"):
        read_rig(right, left)


@pytest.mark.parametrize(
    ("left", "right", "words"),
    [
        ({"K": np.zeros((3, 3))}, {}, "not calibrated"),
        ({"width": 800}, {}, r"differ in image size: \(800, 480\) and \(640, 480\)"),
        ({"model": "equidistant", "D": np.zeros(4)}, {}, "differ in distortion model"),
        ({"model": "cubic"}, {}, "unknown distortion_model 'cubic'\n.*plumb_bob or"),
        ({"R": 2 * np.eye(3)}, {}, "rectification_matrix: is not a rotation"),
        ({}, {"P": np.zeros((3, 4))}, "projection_matrix: a focal length of 0"),
        ({}, {"P": np.eye(3)}, "projection_matrix: a matrix of 3 x 3\n.*3 x 4"),
    ],
)
def test_camera_info_errors(
    tmp_path: Path, left: dict[str, Any], right: dict[str, Any], words: str
) -> None:
    pair = camera_pair(tmp_path, left, right)
    with pytest.raises(RigError, match=words):
        read_rig(*pair, mount=write_mount(tmp_path / "m.yaml"))


# --- wrong files --------------------------------------------------------------------------------


def test_a_missing_rig_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(RigError, match=r"no\.yaml: does not exist"):
        read_rig(tmp_path / "no.yaml")
    with pytest.raises(RigError, match="is a folder"):
        read_rig(tmp_path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("hello", "broken YAML near line 1"),
        ("%YAML:1.0\n---\nK1: [1, 2\nK2: : :\n", "broken YAML near line"),
        ("# nothing\n", "holds no keys"),
        ("a: 1\na: 2\n", "the key a is given twice"),
    ],
)
def test_broken_rig_files(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "a.yaml"
    path.write_text(text)
    with pytest.raises(RigError, match=words):
        read_rig(path)


def test_a_picture_for_a_rig(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "a.png"), np.zeros((4, 4), np.uint8))
    for read in (read_rig, read_mount):
        with pytest.raises(RigError, match=r"a\.png: is a PNG picture, not a rig or mount file"):
            read(tmp_path / "a.png")
    (tmp_path / "b.yaml").write_bytes(b"K1: \xe9")
    with pytest.raises(RigError, match=r"b\.yaml: cannot be read as text"):
        read_rig(tmp_path / "b.yaml")


def test_a_yaml_file_of_something_else_is_no_rig(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text("colour: red\nimage_width: 640\n")
    with pytest.raises(RigError, match="no rig: the keys K1, D1, K2, D2, R, T are missing"):
        read_rig(tmp_path / "a.yaml")


def test_a_whole_rig_in_the_place_of_a_part(tmp_path: Path) -> None:
    whole = write_entries(tmp_path / "whole.yaml")
    camera = camera_pair(tmp_path, {}, {})[0]
    for files in ((camera, whole), (whole, camera)):
        with pytest.raises(RigError, match=r"whole\.yaml: is a whole rig(.|\n)*as --rig alone"):
            read_rig(*files, mount=write_mount(tmp_path / "m.yaml"))
    with pytest.raises(RigError, match=r"is a whole rig.*\n.*a mount file"):
        read_mount(whole)


def test_a_rig_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write_rig(a_rig(), tmp_path / "no" / "a.yaml")


# --- wrong values -------------------------------------------------------------------------------

NOT_A_NUMBER = K.copy()
NOT_A_NUMBER[0, 0] = np.nan
MIRROR = np.diag([1.0, 1.0, -1.0])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"schema": "hazcam-rig/9"}, "unknown schema 'hazcam-rig/9'\n.*hazcam-rig/1"),
        ({"model": "cubic"}, "unknown model 'cubic'\n.*brown or rational or fisheye"),
        ({"focal": "3", "zoom": "2"}, "unknown keys: focal, zoom\n.*the known keys: image_width"),
        ({"image_width": "0"}, "image_width: found 0"),
        ({"image_height": "tall"}, "image_height: found 'tall'\n.*whole number above 0"),
        ({"K1": "seven"}, "K1: found 'seven'\n.*a matrix of numbers"),
        ({"K1": matrix(NOT_A_NUMBER)}, "K1: holds NaN"),
        ({"K1": "!!opencv-matrix\n   rows: 0\n   cols: 0\n   dt: d\n   data: [ ]"},
         "K1: is an empty matrix"),
        ({"K1": "!!opencv-matrix\n   rows: 3\n   cols: 3\n   dt: d\n   data: [ 1, 2 ]"},
         "K1: 2 numbers for a matrix of 3 x 3"),
        ({"D1": "!!opencv-matrix\n   rows: 1\n   cols: 4\n   dt: d\n   data: [ 0, 0, none, 0 ]"},
         "D1: found the word 'none' in a matrix"),
        ({"K2": matrix(np.eye(2))}, "K2: a matrix of 2 x 2\n.*3 x 3"),
        ({"K1": matrix(np.diag([0.0, 0, 1]))}, "K1: a focal length of 0: the camera is not calib"),
        ({"K1": matrix(K.T)}, "K1: is not a camera matrix"),
        ({"K2": matrix(-K)}, "K2: is not a camera matrix"),
        ({"D1": matrix([0.1, 0.2])}, "D1: 2 distortion coefficients\n.*4 or 5"),
        ({"D1": matrix(np.eye(2))}, "D1: a matrix of 2 x 2\n.*one row or column"),
        ({"model": "fisheye"}, "D1: 5 distortion coefficients\n.*4 of them for .* 'fisheye'"),
        ({"D2": matrix([-0.6, 0, 0, 0, 0])}, "D2: the radial distortion turns back at"),
        ({"R": matrix(2 * np.eye(3))}, "R: is not a rotation"),
        ({"R": matrix(MIRROR)}, r"R: is a mirror \(determinant -1\)"),
        ({"T": matrix([0, 0, 0])}, "T: a baseline of 0"),
        ({"T": matrix([-100.0, 0.4, 0])}, "baseline of 100(.|\n)*millimetres: divide it by 1000"),
        ({"T": matrix([-10.0, 0, 0])}, "baseline of 10 m(.|\n)*centimetres: divide it by 100"),
        ({"T": matrix([0.1, 0, 0])}, "swapped: T.0. = 0.1 puts the right one to the left"),
        ({"T": matrix([-0.01, -0.1, 0])}, "stacked, one above the other"),
        ({"T": matrix([-0.01, 0, 0.1])}, "one camera is behind the other"),
        ({"T": matrix([-0.1, 0])}, "T: a matrix of 1 x 2"),
        ({"mount_R": matrix(0.9 * MOUNT.R)}, "mount_R: is not a rotation"),
        ({"mount_R": matrix(np.eye(3))}, "mount_R: does not look ahead(.|\n)*transpose it"),
        ({"mount_t": matrix([0.17, 0.05, 0])}, "mount_t: puts the camera at a height of 0 m"),
        ({"mount_t": matrix([170, 50, 0.17])},
         "mount_t: puts the camera 170 m from(.|\n)*170 is likely millimetres: divide by 1000"),
        ({"mount_t": matrix([0.17, -5, 0.17])}, "5 is likely centimetres: divide by 100"),
        ({"mount_t": matrix([0.17, 0.05, 170])}, "170 is likely millimetres"),
        ({"K1": "[[1, 2], [3]]"}, "K1: found .*\n.*!!opencv-matrix with rows, cols, dt, data"),
        ({"K1": "[[1, 2], [3, x]]"}, "K1: found .*'x'"),
        ({"noise": "{ grain: 2 }"}, "noise: found .*grain"),
        ({"noise": "{ read_noise_grey: low }"}, "read_noise_grey: found 'low'"),
        ({"noise": "{ read_noise_grey: -1. }"},
         "noise.read_noise_grey: found -1\n.*from 0 to 50\n.*one standard deviation without light"),
        ({"noise": "{ read_noise_grey: 60. }"}, "read_noise_grey: found 60"),
        ({"noise": "{ noise_gain_grey: -0.01 }"}, "noise_gain_grey: found -0.01"),
        ({"noise": "{ read_noise_grey: 1., noise_gain_grey: 12. }"},
         "noise.noise_gain_grey: found 12\n.*from 0 to 10\n.*variance per grey level(.|\n)*n bits"),
        ({"noise": "{ noise_gain_grey: .Nan }"}, "noise_gain_grey: found nan\n.*a finite number"),
        ({"noise": "{ noise_gain_grey: high }"}, "noise_gain_grey: found 'high'"),
        ({"noise": "{ noise_gain_grey: 0.01, grain: 2 }"},
         "noise: found .*grain.*\n.*read_noise_grey and noise_gain_grey, or one of them"),
        ({"covariance": matrix(np.eye(3))}, "covariance: a matrix of 3 x 3\n.*14 x 14"),
        ({"covariance": matrix(-np.eye(14))}, "covariance: is not a covariance matrix"),
        ({"covariance": matrix(np.diag([1.0] * 11 + [-1e-10, 1e-6, 1e-6]))},
         "covariance: is not a covariance matrix"),
    ],
)
def test_rig_errors(tmp_path: Path, changes: dict[str, str], words: str) -> None:
    with pytest.raises(RigError, match=words) as caught:
        read_rig(write_entries(tmp_path / "mast.yaml", changes))
    assert "mast.yaml" in str(caught.value)


@pytest.mark.parametrize("key", ["image_width", "K1", "D2", "R", "T"])
def test_a_missing_key_is_named(tmp_path: Path, key: str) -> None:
    with pytest.raises(RigError, match=f"missing key: {key}"):
        read_rig(write_entries(tmp_path / "a.yaml", drop=[key]))


def test_a_rig_without_a_mount(tmp_path: Path) -> None:
    path = write_entries(tmp_path / "a.yaml", drop=["mount_R", "mount_t"])
    with pytest.raises(RigError, match=r"mount_R, mount_t(.|\n)*--mount FILE"):
        read_rig(path)
    assert read_rig(path, mount=write_mount(tmp_path / "m.yaml")).mount is not None


def test_mount_files(tmp_path: Path) -> None:
    mount = read_mount(write_mount(tmp_path / "m.yaml"))
    np.testing.assert_allclose(mount.R, MOUNT.R, atol=1e-15)
    with pytest.raises(RigError, match="unknown key: T"):
        read_mount(write_mount(tmp_path / "m.yaml", T=matrix([1, 2, 3])))
    (tmp_path / "m.yaml").write_text("mount_t: [0.1, 0, 0.2]\n")
    with pytest.raises(RigError, match="missing key: mount_R"):
        read_mount(tmp_path / "m.yaml")


def test_a_mount_file_in_millimetres(tmp_path: Path) -> None:
    path = write_mount(tmp_path / "m.yaml", mount_t=matrix([170, 50, 0.17]))
    with pytest.raises(RigError, match=r"m\.yaml: mount_t(.|\n)*millimetres: divide by 1000"):
        read_mount(path)


def test_a_mount_file_with_rows_of_numbers(tmp_path: Path) -> None:
    rows = {"mount_R": str(MOUNT.R.tolist()), "mount_t": str(MOUNT.t.tolist())}
    mount = read_mount(write_mount(tmp_path / "m.yaml", **rows))
    np.testing.assert_array_equal(mount.R, MOUNT.R)
    np.testing.assert_array_equal(mount.t, MOUNT.t)


def test_windows_line_ends(tmp_path: Path) -> None:
    path = write_entries(tmp_path / "a.yaml")
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    assert read_rig(path).size == (640, 480)
