"""Rigs in other forms and back: exact, for any rig; and what no form can hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from hazcam.calibration import LensModel, StereoRig, read_mount, read_rig, write_rig
from hazcam.calibration.interchange import camera_info_texts, opencv_texts, rectification
from hazcam.calibration.io import write_forms
from hazcam.calibration.mount import MountAngles, mount_rotation
from hazcam.errors import OutputError, RigError
from hazcam.frames import Floats, Pose
from tests.rigs import DISTORTION, a_covariance, a_rig

MODELS = list(DISTORTION)
Texts = Callable[[StereoRig], dict[str, str]]


@st.composite
def rigs(draw: st.DrawFn, models: tuple[LensModel, ...] = ("brown", "rational", "fisheye")
         ) -> StereoRig:
    """Rigs of any model, turned and shifted by up to some degrees and per cent."""
    model = draw(st.sampled_from(models))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    turn = draw(st.sampled_from([0.0, 1e-9, 1e-6, 1e-3, 0.05])) * rng.normal(size=3)
    shift = draw(st.sampled_from([0.0, 2e-4])) * rng.normal(size=3)
    T = shift - [rng.uniform(0.02, 0.5), 0.0, 0.0]
    D1, D2 = (np.array(D) * rng.uniform(0.9, 1.0) for D in DISTORTION[model])
    K = [np.array([[rng.uniform(480, 540), 0, rng.uniform(300, 340)],
                   [0, rng.uniform(480, 540), rng.uniform(220, 260)], [0, 0, 1]]) for _ in range(2)]
    angles = MountAngles(roll_deg=rng.uniform(-9, 9), pitch_deg=rng.uniform(0, 60),
                         yaw_deg=rng.uniform(-20, 20))
    return a_rig(model, K1=K[0], K2=K[1], D1=D1, D2=D2, R=Rotation.from_rotvec(turn).as_matrix(),
                 T=T, mount=Pose(R=mount_rotation(angles), t=rng.uniform(0.05, 0.5, 3)))


def back(texts: dict[str, str], size: tuple[int, int] | None = None) -> StereoRig:
    with TemporaryDirectory() as folder:
        write_forms(texts, folder)
        left, right, mount = (Path(folder) / name for name in texts)
        return read_rig(left, right, mount=mount, size=size)


def assert_same(a: StereoRig, b: StereoRig) -> None:
    assert (a.size, a.model) == (b.size, b.model)
    assert a.mount is not None
    assert b.mount is not None
    for first, second in ((a.K1, b.K1), (a.K2, b.K2), (a.D1, b.D1), (a.D2, b.D2), (a.R, b.R),
                          (a.T, b.T), (a.mount.R, b.mount.R), (a.mount.t, b.mount.t)):
        np.testing.assert_allclose(first, second, rtol=0, atol=1e-12)


@given(rig=rigs())
@settings(max_examples=60, deadline=None)
def test_camera_info_and_back(rig: StereoRig) -> None:
    assert_same(back(camera_info_texts(rig)), rig)


@given(rig=rigs(models=("brown", "rational")))
@settings(max_examples=40, deadline=None)
def test_opencv_and_back(rig: StereoRig) -> None:
    assert_same(back(opencv_texts(rig), rig.size), rig)


@given(rig=rigs(), known=st.booleans())
@settings(max_examples=30, deadline=None)
def test_the_own_form_and_back(rig: StereoRig, known: bool) -> None:
    rig = replace(rig, covariance=a_covariance(rig, distortion=True) if known else None,
                  read_noise=1.5, provenance={"made": "here"})
    with TemporaryDirectory() as folder:
        write_rig(rig, Path(folder) / "a.yaml")
        found = read_rig(Path(folder) / "a.yaml")
    assert_same(found, rig)
    assert found.provenance == rig.provenance
    if known:
        np.testing.assert_array_equal(found.covariance, rig.covariance)


@pytest.mark.parametrize("model", MODELS)
def test_the_rectification_is_cv2s_but_for_rounding(model: LensModel) -> None:
    rig = a_rig(model)
    found = rectification(rig)
    find = cv2.fisheye.stereoRectify if model == "fisheye" else cv2.stereoRectify
    theirs = find(rig.K1, rig.D1, rig.K2, rig.D2, rig.size, rig.R, rig.T.reshape(3, 1),
                  flags=cv2.CALIB_ZERO_DISPARITY)
    for name, value in zip(("R1", "R2", "P1", "P2", "Q"), theirs[:5], strict=True):
        np.testing.assert_allclose(found[name], value, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(found["R2"] @ rig.T, [-rig.baseline_m, 0, 0], atol=1e-15)


def test_opencv_itself_reads_what_is_written(tmp_path: Path) -> None:
    rig = a_rig()
    write_forms(camera_info_texts(rig) | opencv_texts(rig), tmp_path)
    intrinsics, extrinsics, left, mount = (
        cv2.FileStorage(str(tmp_path / name), cv2.FILE_STORAGE_READ)
        for name in ("intrinsics.yml", "extrinsics.yml", "left.yaml", "mount.yaml"))
    np.testing.assert_array_equal(intrinsics.getNode("M2").mat(), rig.K2)
    np.testing.assert_array_equal(intrinsics.getNode("D1").mat(), rig.D1.reshape(1, -1))
    assert extrinsics.getNode("T").mat().shape == (3, 1)
    assert extrinsics.getNode("Q").mat().shape == (4, 4)
    assert left.getNode("camera_matrix").getNode("data").at(0).real() == rig.K1[0, 0]
    assert left.getNode("distortion_model").string() == "plumb_bob"
    assert rig.mount is not None
    np.testing.assert_array_equal(mount.getNode("mount_R").mat(), rig.mount.R)
    np.testing.assert_array_equal(read_mount(tmp_path / "mount.yaml").t, rig.mount.t)


def test_a_bare_rig_has_no_mount_file(tmp_path: Path) -> None:
    rig = a_rig(mount=None)
    assert set(camera_info_texts(rig)) == {"left.yaml", "right.yaml"}
    write_forms(opencv_texts(rig), tmp_path)
    found = read_rig(tmp_path / "intrinsics.yml", tmp_path / "extrinsics.yml", bare=True,
                     size=(640, 480))
    assert found.mount is None
    with pytest.raises(RigError, match=r"do not say where the camera stands(.|\n)*--mount FILE"):
        read_rig(tmp_path / "intrinsics.yml", tmp_path / "extrinsics.yml", size=(640, 480))


def test_four_coefficients_become_five_in_camera_info() -> None:
    rig = a_rig(D1=np.array([-0.2, 0.1, 0, 0]), D2=np.array([-0.2, 0.1, 0, 0]))
    assert back(camera_info_texts(rig)).D1.tolist() == [-0.2, 0.1, 0, 0, 0]
    assert back(opencv_texts(rig), rig.size).D1.tolist() == [-0.2, 0.1, 0, 0]


# --- what cannot be represented -------------------------------------------------------------------


@pytest.mark.parametrize("texts", [camera_info_texts, opencv_texts])
def test_what_would_be_lost_is_named(texts: Texts) -> None:
    rig = a_rig(noise_gain=0.01, provenance={"made": "here"})
    rig = replace(rig, covariance=a_covariance(rig, distortion=False))
    with pytest.raises(RigError, match=r"mast: holds covariance, noise, provenance, which .* cannot"
                                       r"(.|\n)*--without covariance --without noise --without"):
        texts(rig)
    with pytest.raises(RigError, match=r"holds noise, which(.|\n)*is lost: --without noise$"):
        texts(replace(rig, covariance=None, provenance={}))
    assert len(camera_info_texts(rig, ("covariance", "noise", "provenance"))) == 3


def test_a_fisheye_has_no_mark_in_opencvs_files() -> None:
    with pytest.raises(RigError, match=r"a fisheye: .* do not say their lens model"):
        opencv_texts(a_rig("fisheye"))


def changed(folder: Path, file: str, **values: Floats) -> tuple[Path, Path]:
    """OpenCV's files of a rig with some matrices replaced."""
    write_forms(opencv_texts(a_rig("rational", mount=None)), folder)
    names = {"intrinsics.yml": ("M1", "D1", "M2", "D2"), "extrinsics.yml": ("R", "T")}
    source = cv2.FileStorage(str(folder / file), cv2.FILE_STORAGE_READ)
    kept = {name: source.getNode(name).mat() for name in names[file]}
    storage = cv2.FileStorage(str(folder / file), cv2.FILE_STORAGE_WRITE)
    for name, value in (kept | values).items():
        storage.write(name, value)
    storage.release()
    return folder / "intrinsics.yml", folder / "extrinsics.yml"


def test_longer_models_are_read_where_the_rest_is_zero(tmp_path: Path) -> None:
    for count in (12, 14):
        D = np.zeros((1, count))
        D[0, :8] = a_rig("rational").D1
        files = changed(tmp_path, "intrinsics.yml", D1=D, D2=D)
        found = read_rig(*files, bare=True, size=(640, 480))
        assert found.model == "rational"
        assert found.D1.tolist() == a_rig("rational").D1.tolist()
        D[0, 9] = 1e-3
        with pytest.raises(RigError, match=f"{count} distortion coefficients, of which those .*8th "
                                           r"\(thin prism, tilted sensor\) are not 0"):
            read_rig(*changed(tmp_path, "intrinsics.yml", D2=D), bare=True, size=(640, 480))


SKEWED = np.array([[500.0, 2.5, 320], [0, 500, 240], [0, 0, 1]])


@pytest.mark.parametrize(("file", "values", "words"), [
    ("intrinsics.yml", {"M2": SKEWED}, "M2: a skew of 2.5 px"),
    ("intrinsics.yml", {"D2": np.zeros((1, 5))}, "8 and 5 distortion coefficients"),
    ("intrinsics.yml", {"Z": SKEWED}, "unknown key: Z"),
    ("extrinsics.yml", {"T": np.array([[-3.345], [0], [0]])},
     "in the unit of the board's squares"),
    ("extrinsics.yml", {"R": 2 * np.eye(3)}, "R: is not a rotation"),
])
def test_opencvs_files_that_cannot_be_read(
    tmp_path: Path, file: str, values: dict[str, Floats], words: str
) -> None:
    with pytest.raises(RigError, match=words):
        read_rig(*changed(tmp_path, file, **values), bare=True, size=(640, 480))


def test_opencvs_files_need_each_other_and_a_size(tmp_path: Path) -> None:
    files = changed(tmp_path, "extrinsics.yml")
    with pytest.raises(RigError, match=r"hold no picture size(.|\n)*--size WIDTHxHEIGHT"):
        read_rig(*files, bare=True)
    with pytest.raises(RigError, match=r"stereo sample alone(.|\n)*extrinsics"):
        read_rig(files[0], bare=True)


def test_a_size_for_files_that_state_theirs(tmp_path: Path) -> None:
    write_rig(a_rig(), tmp_path / "a.yaml")
    with pytest.raises(RigError, match="640 x 480 px is given for a file that states its own"):
        read_rig(tmp_path / "a.yaml", size=(640, 480))


def test_the_published_intrinsics_are_read_and_refused_as_they_must(
    tmp_path: Path, opencv_doc: Path
) -> None:
    """OpenCV's own file of the old header; its left k1 of +0.296 belongs to another run.

    It turns back within the picture, which no lens does.
    """
    extrinsics = changed(tmp_path, "extrinsics.yml")[1]
    with pytest.raises(RigError, match="D1: the radial distortion turns back"):
        read_rig(opencv_doc / "intrinsics.yml", extrinsics, bare=True, size=(640, 480))


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("", "utf-8")
    with pytest.raises(OutputError, match="taken: cannot be made"):
        write_forms({"a": ""}, tmp_path / "taken")
