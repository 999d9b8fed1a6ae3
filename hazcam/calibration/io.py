"""Reading and writing rigs: OpenCV FileStorage YAML, and pairs of camera_info YAML files."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from hazcam.calibration.checks import (
    NOISE_KEYS,
    check_camera_matrix,
    check_mount,
    check_rig,
    nearest_rotation,
    rig_digest,
)
from hazcam.calibration.rig import LensModel, StereoRig
from hazcam.errors import OutputError, RigError
from hazcam.frames import Floats, Pose
from hazcam.imagery.signatures import picture_format

SCHEMA = "hazcam-rig/1"

_MATRICES = ("K1", "D1", "K2", "D2", "R", "T")
_REQUIRED = ("image_width", "image_height", *_MATRICES)
_MOUNT = ("mount_R", "mount_t")
_OPTIONAL = ("schema", "model", "noise", "covariance", "provenance")
_CAMERA_REQUIRED = (
    "image_width", "image_height", "camera_matrix", "distortion_model",
    "distortion_coefficients", "rectification_matrix", "projection_matrix",
)
_CAMERA_MODELS: dict[str, LensModel] = {
    "plumb_bob": "brown", "rational_polynomial": "rational", "equidistant": "fisheye",
}
_MATRIX_FORM = ("a matrix of numbers: rows as in [[1, 0, 0], [0, 1, 0], [0, 0, 1]], "
                "or an !!opencv-matrix with rows, cols, dt, data")
_LENS_MODELS: tuple[LensModel, ...] = ("brown", "rational", "fisheye")

Tree = dict[str, Any]


# --- from a file to a tree of numbers, texts and arrays ---------------------------------------


def _read_text(path: Path) -> str:
    what = "a calibration in YAML"
    if path.is_dir():
        raise RigError(str(path), "is a folder", what, "give the file itself")
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise RigError(str(path), "does not exist", what, "check the path") from error
    except OSError as error:
        raise RigError(str(path), f"cannot be read: {error.strerror}", what,
                       "check its permissions") from error
    except UnicodeDecodeError as error:
        form = picture_format(error.object)
        found = (f"cannot be read as text: {error}" if form is None
                 else f"is a {form} picture, not a rig or mount file")
        raise RigError(str(path), found, what, "give a YAML file") from error
    if not text.strip():
        raise RigError(str(path), "is empty", what, "write the calibration again")
    return text


def _parse(text: str, path: Path) -> Tree:
    """YAML text to a tree; OpenCV's parser reads both kinds of file."""
    flags = cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY
    try:
        storage = cv2.FileStorage(text, flags)
    except (cv2.error, SystemError) as error:
        # A SystemError wraps the cv2.error that says, in brackets, in which line it stopped.
        line = re.search(r"\((\d+)\): ([^\n']*)", str(error.__cause__ or error))
        found = f"near line {line[1]}: {line[2]}" if line else "unreadable"
        raise RigError(str(path), f"broken YAML {found}", "OpenCV FileStorage or camera_info YAML",
                       "mend the text there, or write the calibration again") from error
    tree = _tree(storage.root(), str(path))
    if not isinstance(tree, dict) or not tree:
        raise RigError(str(path), "holds no keys", "the keys of a calibration",
                       "write the calibration again")
    return tree


def _tree(node: cv2.FileNode, where: str) -> Any:
    if node.isMap():
        return _map_of(node, where)
    if node.isSeq():
        return [_tree(node.at(i), f"{where}[{i}]") for i in range(node.size())]
    if node.isInt():
        return int(node.real())
    if node.isReal():
        return float(node.real())
    return node.string() if node.isString() else None


def _map_of(node: cv2.FileNode, where: str) -> Any:
    keys = list(node.keys())
    double = next((key for key in keys if keys.count(key) > 1), None)
    if double is not None:
        raise RigError(where, f"the key {double} is given twice", "each key once",
                       "remove one of the two")
    tree = {key: _tree(node.getNode(key), f"{where}: {key}") for key in keys}
    is_matrix = "data" in tree and ({"rows", "cols"} <= set(tree) or "sizes" in tree)
    return _matrix_of(tree, where) if is_matrix else tree


def _matrix_of(tree: Tree, where: str) -> Floats:
    """Numbers of a matrix, from the map that either kind of file writes it as."""
    shape = tree.get("sizes") or [tree.get("rows"), tree.get("cols")]
    data = tree["data"] if isinstance(tree["data"], list) else [tree["data"]]
    word = next((v for v in (*shape, *data) if not isinstance(v, int | float)), None)
    if word is not None:
        raise RigError(where, f"found the word {word!r} in a matrix", "numbers",
                       "correct the entry")
    if len(data) != np.prod(shape):
        raise RigError(where, f"{len(data)} numbers for a matrix of "
                       f"{' x '.join(str(n) for n in shape)}", "one number for each entry",
                       "copy the matrix again")
    return np.array(data, dtype=np.float64).reshape([int(n) for n in shape])


# --- single values, checked ---------------------------------------------------------------------


def _check_keys(
    tree: Tree, path: Path, required: tuple[str, ...], optional: tuple[str, ...]
) -> None:
    unknown = sorted(set(tree) - set(required) - set(optional))
    if unknown:
        raise RigError(str(path), f"unknown key{'s' if len(unknown) > 1 else ''}: "
                       f"{', '.join(unknown)}",
                       f"the known keys: {', '.join((*required, *optional))}",
                       "remove or rename it; free words go into `provenance`")
    missing = [key for key in required if key not in tree]
    if missing:
        raise RigError(str(path), f"missing key{'s' if len(missing) > 1 else ''}: "
                       f"{', '.join(missing)}", f"the keys {', '.join(required)}",
                       "write the calibration again, with them")


def _rows_as_matrix(value: Any) -> Any:
    """Turn a row, or rows of one length, of numbers into an array; else return it as it is."""
    if not isinstance(value, list):
        return value
    rows = value if value and all(isinstance(row, list) for row in value) else [value]
    plain = all(isinstance(v, int | float) for row in rows for v in row)
    if not plain or len({len(row) for row in rows}) > 1:
        return value
    return np.array(value, dtype=np.float64)


def _array(tree: Tree, key: str, path: Path, shape: tuple[int, ...] | None) -> Floats:
    """Return a finite matrix of ``shape``; None for one row or column of any length."""
    value, where = _rows_as_matrix(tree[key]), f"{path}: {key}"
    if not isinstance(value, np.ndarray):
        raise RigError(where, f"found {value!r}", _MATRIX_FORM, "correct the value")
    if value.size == 0:
        raise RigError(where, "is an empty matrix", "numbers", "calibrate again: it did not finish")
    if not np.isfinite(value).all():
        raise RigError(where, "holds NaN or infinity", "finite numbers",
                       "calibrate again: it did not converge")
    flat_ok = sum(n > 1 for n in value.shape) <= 1
    if shape is None or len(shape) == 1:
        good = flat_ok and (shape is None or value.size == shape[0])
        value = value.reshape(-1) if good else value
    else:
        good = value.shape == shape
    if not good:
        wanted = "one row or column" if shape is None else " x ".join(str(n) for n in shape)
        raise RigError(where, f"a matrix of {' x '.join(str(n) for n in value.shape)}", wanted,
                       "copy the matrix again")
    return np.asarray(value, dtype=np.float64)


def _whole(tree: Tree, key: str, path: Path) -> int:
    value = tree[key]
    if not isinstance(value, int) or value <= 0:
        raise RigError(f"{path}: {key}", f"found {value!r}", "a whole number above 0",
                       "give the size of the calibrated pictures in pixels")
    return value


def _word(tree: Tree, key: str, path: Path, known: tuple[str, ...], default: str) -> str:
    value = tree.get(key, default)
    if value not in known:
        raise RigError(f"{path}: {key}", f"unknown {key} {value!r}", " or ".join(known),
                       "correct the value, or write the calibration again with this version")
    return str(value)


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


# --- the two kinds of file ------------------------------------------------------------------------


def _mount_in(tree: Tree, path: Path) -> Pose:
    return check_mount(
        _array(tree, "mount_R", path, (3, 3)), _array(tree, "mount_t", path, (3,)), str(path)
    )


def _mount_of_rig(tree: Tree, path: Path, mount: Pose | None, bare: bool) -> Pose | None:
    if mount is not None:
        return mount
    lacking = [key for key in _MOUNT if key not in tree]
    if bare and len(lacking) == len(_MOUNT):
        return None
    if lacking:
        raise _no_mount(str(path), f"does not say where the camera stands ({', '.join(lacking)})")
    return _mount_in(tree, path)


def _no_mount(where: str, found: str) -> RigError:
    return RigError(
        where, found, "mount_R and mount_t (left camera to rover frame)",
        "give `--mount FILE`: a YAML file with mount_R and mount_t",
    )


def _covariance(tree: Tree, path: Path) -> Floats | None:
    """As stored, of any size: what size is right depends on the lens model, ``check_rig`` knows."""
    if "covariance" not in tree:
        return None
    value = _rows_as_matrix(tree["covariance"])
    count = len(value) if isinstance(value, np.ndarray) else 0
    return _array(tree, "covariance", path, (count, count))


def _rig_of_storage(tree: Tree, path: Path, mount: Pose | None, bare: bool) -> StereoRig:
    if not set(_MATRICES) & set(tree):
        raise RigError(str(path), f"no rig: the keys {', '.join(_MATRICES)} are missing",
                       "a rig file", "give the calibration of the two cameras")
    _check_keys(tree, path, _REQUIRED, (*_MOUNT, *_OPTIONAL))
    _word(tree, "schema", path, (SCHEMA,), SCHEMA)
    model = _word(tree, "model", path, _LENS_MODELS, "brown")
    provenance = tree.get("provenance", {})
    if not isinstance(provenance, dict):
        provenance = {"text": provenance}
    noise = _noise(tree, path)
    return StereoRig(
        name=path.stem,
        size=(_whole(tree, "image_width", path), _whole(tree, "image_height", path)),
        K1=_array(tree, "K1", path, (3, 3)), D1=_array(tree, "D1", path, None),
        K2=_array(tree, "K2", path, (3, 3)), D2=_array(tree, "D2", path, None),
        R=nearest_rotation(_array(tree, "R", path, (3, 3)), f"{path}: R"),
        T=_array(tree, "T", path, (3,)),
        mount=_mount_of_rig(tree, path, mount, bare),
        model=next(name for name in _LENS_MODELS if name == model),
        read_noise=noise.get("read_noise"), noise_gain=noise.get("noise_gain"),
        covariance=_covariance(tree, path),
        provenance=provenance,
        source=str(path),
    )


def _camera(path: Path, tree: Tree) -> Tree:
    """One camera_info file: size, K, D, model, R (to the rectified camera), P."""
    _check_keys(tree, path, _CAMERA_REQUIRED, ("camera_name",))
    model = _word(tree, "distortion_model", path, tuple(_CAMERA_MODELS), "")
    K = _array(tree, "camera_matrix", path, (3, 3))
    check_camera_matrix(K, f"{path}: camera_matrix")
    P = _array(tree, "projection_matrix", path, (3, 4))
    if P[0, 0] <= 0:
        raise RigError(f"{path}: projection_matrix", f"a focal length of {P[0, 0]:g}",
                       "a focal length above 0", "calibrate the two cameras together")
    R = _array(tree, "rectification_matrix", path, (3, 3))
    return {
        "size": (_whole(tree, "image_width", path), _whole(tree, "image_height", path)),
        "K": K, "D": _array(tree, "distortion_coefficients", path, None),
        "model": _CAMERA_MODELS[model], "P": P,
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


def _rig_of_cameras(
    left_path: Path, left_tree: Tree, right_path: Path, right_tree: Tree, mount: Pose | None,
    bare: bool,
) -> StereoRig:
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


def _refuse_whole_rig(tree: Tree, path: Path, expected: str) -> None:
    if "K1" in tree:
        raise RigError(str(path), "is a whole rig, of both cameras", expected,
                       "give it as --rig alone")


def _rig_of_files(
    path: Path, right: Path | None, mount: Pose | None, bare: bool
) -> StereoRig:
    tree = _parse(_read_text(path), path)
    if right is not None:
        right_tree = _parse(_read_text(right), right)
        for place, camera in ((right, right_tree), (path, tree)):
            _refuse_whole_rig(camera, place, "the camera_info file of one camera")
        return _rig_of_cameras(path, tree, right, right_tree, mount, bare)
    if "K1" not in tree and "camera_matrix" in tree:
        raise RigError(
            str(path), "is the calibration of one camera", "a rig, or the files of both cameras",
            "give the camera_info file of the right camera as well",
        )
    return _rig_of_storage(tree, path, mount, bare)


def read_mount(path: str | Path) -> Pose:
    """Read ``T_rover_camera`` of the left camera from a YAML file with mount_R and mount_t.

    Raises
    ------
    RigError
        A file that cannot be read, other keys, a matrix that is no rotation, a camera at or below
        the feet, not looking ahead, or placed in another unit.
    """
    path = Path(path)
    tree = _parse(_read_text(path), path)
    _refuse_whole_rig(tree, path, "a mount file: mount_R and mount_t")
    _check_keys(tree, path, _MOUNT, ("schema",))
    return _mount_in(tree, path)


def read_rig(
    path: str | Path, right: str | Path | None = None, *, mount: str | Path | None = None,
    bare: bool = False,
) -> StereoRig:
    """Read a stereo rig and check it.

    Parameters
    ----------
    path : str or Path
        OpenCV FileStorage YAML of schema ``hazcam-rig/1``; or, with ``right``, the camera_info YAML
        of the left camera.
    right : str or Path, optional
        The camera_info YAML of the right camera.
    mount : str or Path, optional
        YAML with mount_R and mount_t; wins over the rig's own. camera_info files need it, unless
        ``bare``.
    bare : bool
        Take a rig that was not mounted yet, too.

    Returns
    -------
    StereoRig
        Rotations written with few digits are made orthonormal.

    Raises
    ------
    RigError
        Whatever is wrong, with the file and the key. See ``checks.check_rig``.
    """
    pose = None if mount is None else read_mount(mount)
    rig = check_rig(_rig_of_files(Path(path), None if right is None else Path(right), pose, bare))
    return replace(rig, digest=rig_digest(rig))


# --- writing --------------------------------------------------------------------------------------


def _write_value(storage: cv2.FileStorage, key: str, value: Any) -> None:
    if isinstance(value, dict | list | tuple):
        is_map = isinstance(value, dict)
        storage.startWriteStruct(key, cv2.FileNode_MAP if is_map else cv2.FileNode_SEQ)
        for name, entry in value.items() if isinstance(value, dict) else (("", v) for v in value):
            _write_value(storage, name, entry)
        storage.endWriteStruct()
    elif isinstance(value, bool) or not isinstance(value, int | float | np.ndarray):
        storage.write(key, str(value))
    else:
        storage.write(key, value)


def _values_of(rig: StereoRig) -> Tree:
    values: Tree = {
        "schema": SCHEMA, "image_width": rig.size[0], "image_height": rig.size[1],
        "model": rig.model, "K1": rig.K1, "D1": rig.D1.reshape(1, -1), "K2": rig.K2,
        "D2": rig.D2.reshape(1, -1), "R": rig.R, "T": rig.T.reshape(3, 1),
    }
    if rig.mount is not None:
        values |= {"mount_R": rig.mount.R, "mount_t": rig.mount.t.reshape(3, 1)}
    noise = {key: float(getattr(rig, name)) for name, key in NOISE_KEYS.items()
             if getattr(rig, name) is not None}
    values |= {"noise": noise} if noise else {}
    if rig.covariance is not None:
        values["covariance"] = np.asarray(rig.covariance, dtype=np.float64)
    return values | ({"provenance": rig.provenance} if rig.provenance else {})


def write_rig(rig: StereoRig, path: str | Path) -> None:
    """Write a rig as OpenCV FileStorage YAML of schema ``hazcam-rig/1``.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    storage = cv2.FileStorage(".yaml", cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
    for key, value in _values_of(rig).items():
        _write_value(storage, key, value)
    try:
        Path(path).write_text(storage.releaseAndGetString(), encoding="utf-8")
    except OSError as error:
        raise OutputError(str(path), f"cannot be written: {error.strerror}", "a writable place",
                          "create the folder, or choose another place") from error
