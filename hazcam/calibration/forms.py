"""From the trees of calibration files to rigs: the three forms that a rig comes in. Pure.

- ``hazcam-rig/1``: all of a rig in one file.
- camera_info: one file for each camera, with its rectification; no mount, noise, covariance.
- What OpenCV's stereo sample writes: ``intrinsics.yml`` (M1 D1 M2 D2) and ``extrinsics.yml`` (R T,
  and R1 R2 P1 P2 Q, which follow from the rest); no picture size, no lens model.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from hazcam.calibration.checks import (
    LONGEST_BASELINE_M,
    NOISE_KEYS,
    check_camera_matrix,
    check_mount,
    nearest_rotation,
)
from hazcam.calibration.rig import LensModel, StereoRig
from hazcam.calibration.tree import (
    Tree,
    array_at,
    check_keys,
    rows_as_matrix,
    whole_at,
    word_at,
)
from hazcam.errors import RigError
from hazcam.frames import Floats, Pose

SCHEMA = "hazcam-rig/1"
MOUNT_KEYS = ("mount_R", "mount_t")
CAMERA_MODELS: dict[str, LensModel] = {
    "plumb_bob": "brown", "rational_polynomial": "rational", "equidistant": "fisheye",
}

_MATRICES = ("K1", "D1", "K2", "D2", "R", "T")
_REQUIRED = ("image_width", "image_height", *_MATRICES)
_OPTIONAL = ("schema", "model", "noise", "covariance", "provenance")
_CAMERA_REQUIRED = (
    "image_width", "image_height", "camera_matrix", "distortion_model",
    "distortion_coefficients", "rectification_matrix", "projection_matrix",
)
_INTRINSICS = ("M1", "D1", "M2", "D2")
_EXTRINSICS, _FOLLOWING = ("R", "T"), ("R1", "R2", "P1", "P2", "Q")
_LENS_MODELS: tuple[LensModel, ...] = ("brown", "rational", "fisheye")
# A principal point lies in the middle of the picture within this share of its size, a window of the
# sensor included; a size of half or of twice the calibrated one puts it at the rim or at a quarter.
_MOST_OFF_MIDDLE = 0.2
# With both sizes exchanged a point this near to the middle tells that they are.
_NEAR_MIDDLE = 0.1
# What follows the coefficients of the rational model in OpenCV's order.
_RATIONAL, _LONGER = 8, (12, 14)


def _noise(tree: Tree, path: Path) -> dict[str, float]:
    """What the entry ``noise`` says, by the rig's names; empty where there is none."""
    if "noise" not in tree:
        return {}
    noise = tree["noise"]
    if not isinstance(noise, dict) or not noise or not set(noise) <= set(NOISE_KEYS.values()):
        raise RigError(f"{path}: noise", f"found {noise!r}",
                       f"a map with the keys {' and '.join(NOISE_KEYS.values())}, or one of them",
                       "correct the entry")
    for key, value in noise.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RigError(f"{path}: noise.{key}", f"found {value!r}", "a finite number",
                           "give it in grey levels of an 8-bit picture")
    return {name: float(noise[key]) for name, key in NOISE_KEYS.items() if key in noise}


# --- hazcam-rig/1 ---------------------------------------------------------------------------------


def mount_of_tree(tree: Tree, path: Path) -> Pose:
    """``T_rover_camera`` of a tree that holds mount_R and mount_t."""
    return check_mount(
        array_at(tree, "mount_R", path, (3, 3)), array_at(tree, "mount_t", path, (3,)), str(path)
    )


def _mount_of_rig(tree: Tree, path: Path, mount: Pose | None, bare: bool) -> Pose | None:
    if mount is not None:
        return mount
    lacking = [key for key in MOUNT_KEYS if key not in tree]
    if bare and len(lacking) == len(MOUNT_KEYS):
        return None
    if lacking:
        raise _no_mount(str(path), f"does not say where the camera stands ({', '.join(lacking)})")
    return mount_of_tree(tree, path)


def _no_mount(where: str, found: str) -> RigError:
    return RigError(
        where, found, "mount_R and mount_t (left camera to rover frame)",
        "measure it with `hazcam calibrate mount`, or give `--mount FILE`: a YAML file with "
        "mount_R and mount_t",
    )


def _covariance(tree: Tree, path: Path) -> Floats | None:
    """As stored, of any size: what size is right depends on the lens model, ``check_rig`` knows."""
    if "covariance" not in tree:
        return None
    value = rows_as_matrix(tree["covariance"])
    count = len(value) if isinstance(value, np.ndarray) else 0
    return array_at(tree, "covariance", path, (count, count))


def rig_of_storage(tree: Tree, path: Path, mount: Pose | None, bare: bool) -> StereoRig:
    """A rig of a file of schema ``hazcam-rig/1``."""
    if not set(_MATRICES) & set(tree):
        raise RigError(str(path), f"no rig: the keys {', '.join(_MATRICES)} are missing",
                       "a rig file", "give the calibration of the two cameras")
    check_keys(tree, path, _REQUIRED, (*MOUNT_KEYS, *_OPTIONAL))
    word_at(tree, "schema", path, (SCHEMA,), SCHEMA)
    model = word_at(tree, "model", path, _LENS_MODELS, "brown")
    provenance = tree.get("provenance", {})
    if not isinstance(provenance, dict):
        provenance = {"text": provenance}
    noise = _noise(tree, path)
    return StereoRig(
        name=path.stem,
        size=(whole_at(tree, "image_width", path), whole_at(tree, "image_height", path)),
        K1=array_at(tree, "K1", path, (3, 3)), D1=array_at(tree, "D1", path, None),
        K2=array_at(tree, "K2", path, (3, 3)), D2=array_at(tree, "D2", path, None),
        R=nearest_rotation(array_at(tree, "R", path, (3, 3)), f"{path}: R"),
        T=array_at(tree, "T", path, (3,)),
        mount=_mount_of_rig(tree, path, mount, bare),
        model=next(name for name in _LENS_MODELS if name == model),
        read_noise=noise.get("read_noise"), noise_gain=noise.get("noise_gain"),
        covariance=_covariance(tree, path),
        provenance=provenance,
        source=str(path),
    )


# --- camera_info ----------------------------------------------------------------------------------


def _camera(path: Path, tree: Tree) -> Tree:
    """One camera_info file: size, K, D, model, R (to the rectified camera), P."""
    check_keys(tree, path, _CAMERA_REQUIRED, ("camera_name",))
    model = word_at(tree, "distortion_model", path, tuple(CAMERA_MODELS), "")
    K = _camera_matrix(tree, "camera_matrix", path)
    P = array_at(tree, "projection_matrix", path, (3, 4))
    if P[0, 0] <= 0:
        raise RigError(f"{path}: projection_matrix", f"a focal length of {P[0, 0]:g}",
                       "a focal length above 0", "calibrate the two cameras together")
    R = array_at(tree, "rectification_matrix", path, (3, 3))
    return {
        "size": (whole_at(tree, "image_width", path), whole_at(tree, "image_height", path)),
        "K": K, "D": _coefficients(tree, "distortion_coefficients", path),
        "model": CAMERA_MODELS[model], "P": P,
        "R": nearest_rotation(R, f"{path}: rectification_matrix"),
    }


def _check_baseline_term(left: Tree, right: Tree, left_path: Path, right_path: Path) -> None:
    if np.any(right["P"][:2, 3] != 0):
        return
    if np.any(left["P"][:2, 3] != 0):
        raise RigError(
            f"{left_path}, {right_path}", "the baseline term is in the first file: the two are "
            "swapped", "the left camera first", "swap the two files",
        )
    raise RigError(
        f"{right_path}: projection_matrix", "has no baseline term (fourth number is 0)",
        "-f B, focal length in pixels times baseline in metres, in the right camera's file",
        "calibrate the two cameras together, not one by one",
    )


def rig_of_cameras(
    left_path: Path, left_tree: Tree, right_path: Path, right_tree: Tree, mount: Pose | None,
    bare: bool,
) -> StereoRig:
    """A rig of the camera_info files of its two cameras."""
    left, right = _camera(left_path, left_tree), _camera(right_path, right_tree)
    _check_baseline_term(left, right, left_path, right_path)
    for key, word in (("size", "image size"), ("model", "distortion model")):
        if left[key] != right[key]:
            raise RigError(f"{left_path}, {right_path}",
                           f"differ in {word}: {left[key]} and {right[key]}",
                           f"one {word} for both cameras", "calibrate the two cameras together")
    if mount is None and not bare:
        raise _no_mount(str(left_path), "camera_info files do not say where the camera stands")
    P = right["P"]
    # x_rect = R1 x_left in the left, R2 x_right = x_rect + (P[0,3], P[1,3], 0) / f in the right.
    shift = np.array([P[0, 3] / P[0, 0], P[1, 3] / P[0, 0], 0.0])
    return StereoRig(
        name=left_path.stem, size=left["size"], K1=left["K"], D1=left["D"], K2=right["K"],
        D2=right["D"], R=right["R"].T @ left["R"], T=right["R"].T @ shift, mount=mount,
        model=left["model"], source=f"{left_path}, {right_path}",
    )


# --- what OpenCV's stereo sample writes -----------------------------------------------------------


def is_intrinsics(tree: Tree) -> bool:
    """Is it the ``intrinsics.yml`` of OpenCV's stereo sample?"""
    return set(_INTRINSICS) <= set(tree)


def is_extrinsics(tree: Tree) -> bool:
    """Is it the ``extrinsics.yml`` of OpenCV's stereo sample?"""
    return set(_EXTRINSICS) <= set(tree) <= {*_EXTRINSICS, *_FOLLOWING}


def rig_of_opencv(
    left_path: Path, intrinsics: Tree, right_path: Path, extrinsics: Tree,
    size: tuple[int, int] | None, mount: Pose | None, bare: bool,
) -> StereoRig:
    """A rig of the two files of OpenCV's stereo sample, for pictures of the size given."""
    check_keys(intrinsics, left_path, _INTRINSICS, ())
    check_keys(extrinsics, right_path, _EXTRINSICS, _FOLLOWING)
    if size is None:
        raise RigError(str(left_path), "the files of OpenCV's stereo sample hold no picture size",
                       "a rig that says what pictures it belongs to",
                       "make one: `hazcam calibrate convert ... --size WIDTHxHEIGHT`")
    if mount is None and not bare:
        raise _no_mount(str(left_path), "OpenCV's files do not say where the camera stands")
    K1, K2 = (_camera_matrix(intrinsics, key, left_path) for key in ("M1", "M2"))
    _check_size(size, K1, K2, left_path)
    D1, D2 = (_coefficients(intrinsics, key, left_path) for key in ("D1", "D2"))
    model = _model_of(D1, D2, left_path)
    T = array_at(extrinsics, "T", right_path, (3,))
    if np.linalg.norm(T) > LONGEST_BASELINE_M:
        raise RigError(
            f"{right_path}: T", f"a baseline of {np.linalg.norm(T):g}", "metres",
            "OpenCV's sample writes T in the unit of the board's squares: multiply it by the side "
            "of a square in metres, or divide millimetres by 1000")
    return StereoRig(
        name=left_path.stem, size=size, K1=K1, D1=D1, K2=K2, D2=D2,
        R=nearest_rotation(array_at(extrinsics, "R", right_path, (3, 3)), f"{right_path}: R"), T=T,
        mount=mount, model=model, source=f"{left_path}, {right_path}")


def _check_size(size: tuple[int, int], K1: Floats, K2: Floats, path: Path) -> None:
    """Raise RigError for a picture size that the principal points speak against."""
    points = np.array([K1[:2, 2], K2[:2, 2]])

    def off_middle(width_height: tuple[int, int]) -> float:
        return float(np.abs(points / width_height - 0.5).max())

    width, height = size
    turned = off_middle(size) > _NEAR_MIDDLE > off_middle((height, width))
    if off_middle(size) <= _MOST_OFF_MIDDLE and not turned:
        return
    (cx, cy), likely = points.mean(axis=0), 2 * points.mean(axis=0)
    raise RigError(
        str(path), f"principal points about ({cx:.0f}, {cy:.0f}) px, for pictures of {width} x "
        f"{height} px", f"a picture size with them near its middle: about {likely[0]:.0f} x "
        f"{likely[1]:.0f} px",
        f"width and height are exchanged: give --size {height}x{width}" if turned else
        "give the size of the pictures that were calibrated with, by --size WIDTHxHEIGHT")


def _model_of(D1: Floats, D2: Floats, path: Path) -> LensModel:
    """OpenCV's files name no lens model: the number of coefficients tells brown from rational."""
    if D1.size != D2.size:
        raise RigError(f"{path}: D1, D2", f"{D1.size} and {D2.size} distortion coefficients",
                       "as many for both cameras", "calibrate both cameras with one lens model")
    return "rational" if D1.size == _RATIONAL else "brown"


# --- what other forms may hold and a rig may not --------------------------------------------------


def _camera_matrix(tree: Tree, key: str, path: Path) -> Floats:
    K = array_at(tree, key, path, (3, 3))
    if K[0, 1] != 0 and K[1, 0] == 0:
        raise RigError(f"{path}: {key}", f"a skew of {K[0, 1]:g} px: no rig here holds one",
                       "[[fx, 0, cx], [0, fy, cy], [0, 0, 1]]",
                       "calibrate with OpenCV's model, which has no skew")
    check_camera_matrix(K, f"{path}: {key}")
    return K


def _coefficients(tree: Tree, key: str, path: Path) -> Floats:
    """Distortion coefficients; of the longer rational models those that are 0 are dropped."""
    D = array_at(tree, key, path, None)
    if D.size not in _LONGER:
        return D
    if np.any(D[_RATIONAL:] != 0):
        raise RigError(
            f"{path}: {key}", f"{D.size} distortion coefficients, of which those beyond the "
            f"{_RATIONAL}th (thin prism, tilted sensor) are not 0",
            "the models brown (5), rational (8) or fisheye (4)",
            "calibrate again without thin prism and tilt")
    return D[:_RATIONAL]


# --- files in each other's place ------------------------------------------------------------------


def refuse_whole_rig(tree: Tree, path: Path, expected: str) -> None:
    """Raise RigError for a file of both cameras in the place of another."""
    if "K1" in tree:
        raise RigError(str(path), "is a whole rig, of both cameras", expected,
                       "give it as --rig alone")
