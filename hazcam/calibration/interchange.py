"""From rigs to the texts of calibration files, and what each form cannot hold. Pure.

The form of our own holds all of a rig. camera_info files and those of OpenCV's stereo sample hold
the geometry alone: what they would lose is refused, unless it is given up by name.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal, get_args

import cv2
import numpy as np

from hazcam.calibration.checks import NOISE_KEYS
from hazcam.calibration.forms import CAMERA_MODELS, SCHEMA
from hazcam.calibration.rig import StereoRig
from hazcam.calibration.tree import Tree, storage_text
from hazcam.errors import RigError
from hazcam.frames import Floats

Form = Literal["rig", "camera-info", "opencv"]
FORMS: tuple[Form, ...] = get_args(Form)
Extra = Literal["covariance", "noise", "provenance"]
EXTRAS: tuple[Extra, ...] = get_args(Extra)

_BROWN = 5


def rig_text(rig: StereoRig, without: Collection[Extra] = ()) -> str:
    """All of a rig, but for what is to be left out: YAML of schema ``hazcam-rig/1``."""
    values: Tree = {
        "schema": SCHEMA, "image_width": rig.size[0], "image_height": rig.size[1],
        "model": rig.model, "K1": rig.K1, "D1": rig.D1.reshape(1, -1), "K2": rig.K2,
        "D2": rig.D2.reshape(1, -1), "R": rig.R, "T": rig.T.reshape(3, 1), **_mount_values(rig),
    }
    return storage_text(values | {name: value for name, value in _extras(rig).items()
                                  if name not in without})


def _extras(rig: StereoRig) -> dict[Extra, object]:
    """What the rig holds of ``EXTRAS``, as its own form has it."""
    noise = {key: float(getattr(rig, name)) for name, key in NOISE_KEYS.items()
             if getattr(rig, name) is not None}
    found: dict[Extra, object] = {"noise": noise} if noise else {}
    if rig.covariance is not None:
        found["covariance"] = np.asarray(rig.covariance, dtype=np.float64)
    return found | ({"provenance": rig.provenance} if rig.provenance else {})


def camera_info_texts(rig: StereoRig, without: Collection[Extra] = ()) -> dict[str, str]:
    """A rig as camera_info YAML of both cameras, and its mount as a third file.

    Parameters
    ----------
    rig : StereoRig
    without : collection of str
        What may be left out of ``EXTRAS``.

    Returns
    -------
    dict of str to str
        Texts of ``left.yaml``, ``right.yaml`` and, of a mounted rig, ``mount.yaml``.

    Raises
    ------
    RigError
        The rig holds what the form cannot, and it may not be left out.
    """
    _refuse_to_lose(rig, without, "camera_info files")
    found = rectification(rig)
    word = next(word for word, model in CAMERA_MODELS.items() if model == rig.model)
    sides = (("left", rig.K1, rig.D1, found["R1"], found["P1"]),
             ("right", rig.K2, rig.D2, found["R2"], found["P2"]))
    texts = {}
    for side, K, D, R, P in sides:
        # The form's plumb_bob has five coefficients.
        padded = np.pad(D, (0, max(0, _BROWN - D.size))) if rig.model == "brown" else D
        texts[f"{side}.yaml"] = "".join([
            f"image_width: {rig.size[0]}\nimage_height: {rig.size[1]}\ncamera_name: {side}\n",
            _block("camera_matrix", K), f"distortion_model: {word}\n",
            _block("distortion_coefficients", padded), _block("rectification_matrix", R),
            _block("projection_matrix", P)])
    return texts | _mount_file(rig)


def opencv_texts(rig: StereoRig, without: Collection[Extra] = ()) -> dict[str, str]:
    """A rig as OpenCV's stereo sample writes it, and its mount as a third file.

    Parameters
    ----------
    rig, without
        As for ``camera_info_texts``.

    Returns
    -------
    dict of str to str
        Texts of ``intrinsics.yml``, ``extrinsics.yml`` and, of a mounted rig, ``mount.yaml``.

    Raises
    ------
    RigError
        A fisheye rig, or one that holds what the form cannot.
    """
    if rig.model == "fisheye":
        raise RigError(rig.source or rig.name, "a fisheye: the files of OpenCV's stereo sample do "
                       "not say their lens model, and its four coefficients would be read as brown",
                       "a brown or rational rig", "convert it to camera-info or rig")
    _refuse_to_lose(rig, without, "the files of OpenCV's stereo sample")
    intrinsics = {"M1": rig.K1, "D1": rig.D1.reshape(1, -1), "M2": rig.K2,
                  "D2": rig.D2.reshape(1, -1)}
    extrinsics = {"R": rig.R, "T": rig.T.reshape(3, 1), **rectification(rig)}
    return {"intrinsics.yml": storage_text(intrinsics),
            "extrinsics.yml": storage_text(extrinsics)} | _mount_file(rig)


def rectification(rig: StereoRig) -> dict[str, Floats]:
    """R1, R2, P1, P2 and Q of a rig by Bouguet's method (``cv2.stereoRectify``).

    The rotations are turned by what cv2's leave of rounding, so that the right camera lies exactly
    along x and R and T come back from them.
    """
    find = cv2.fisheye.stereoRectify if rig.model == "fisheye" else cv2.stereoRectify
    found = find(rig.K1, rig.D1, rig.K2, rig.D2, rig.size, rig.R, rig.T.reshape(3, 1),
                 flags=cv2.CALIB_ZERO_DISPARITY)
    R1, _, P1, P2, Q = (np.array(values, dtype=np.float64) for values in found[:5])
    if not (np.isfinite(P1).all() and P1[0, 0] > 0):
        raise RigError(rig.source or rig.name, "OpenCV finds no rectified picture for this rig",
                       "a lens whose picture can be made flat", "convert it to the form rig")
    x = R1 @ (-rig.R.T @ rig.T) / rig.baseline_m
    R1 = _turn_to_x(x) @ R1
    P2[0, 3], P2[1, 3] = -P2[0, 0] * rig.baseline_m, 0.0
    return {"R1": R1, "R2": R1 @ rig.R.T, "P1": P1, "P2": P2, "Q": Q}


def _turn_to_x(x: Floats) -> Floats:
    """The smallest turn that takes a unit vector near the x axis onto it."""
    axis = np.array([0.0, x[2], -x[1]])  # x cross (1, 0, 0)
    cross = np.array([[0.0, -axis[2], axis[1]], [axis[2], 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    return np.asarray(np.eye(3) + cross + cross @ cross / (1 + x[0]))


def _refuse_to_lose(rig: StereoRig, without: Collection[Extra], form: str) -> None:
    held = _extras(rig)
    lost = [name for name in EXTRAS if name in held and name not in without]
    if lost:
        raise RigError(
            rig.source or rig.name, f"holds {', '.join(lost)}, which {form} cannot",
            "a rig with its geometry and mount alone",
            f"give up what is lost: {' '.join(f'--without {name}' for name in lost)}")


def _mount_values(rig: StereoRig) -> Tree:
    if rig.mount is None:
        return {}
    return {"mount_R": rig.mount.R, "mount_t": rig.mount.t.reshape(3, 1)}


def _mount_file(rig: StereoRig) -> dict[str, str]:
    return {"mount.yaml": storage_text(_mount_values(rig))} if rig.mount is not None else {}


def _block(key: str, values: Floats) -> str:
    """A matrix as camera_info files have it: plain maps, each number with all of its digits."""
    rows = np.atleast_2d(values)
    numbers = ", ".join(repr(float(value)) for value in rows.ravel())
    return f"{key}:\n  rows: {rows.shape[0]}\n  cols: {rows.shape[1]}\n  data: [{numbers}]\n"
