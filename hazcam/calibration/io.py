"""Reading and writing calibration files: rigs in each form, and mounts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from hazcam.calibration.checks import check_rig, rig_digest
from hazcam.calibration.forms import (
    MOUNT_KEYS,
    is_extrinsics,
    is_intrinsics,
    mount_of_tree,
    refuse_whole_rig,
    rig_of_cameras,
    rig_of_opencv,
    rig_of_storage,
)
from hazcam.calibration.interchange import rig_text
from hazcam.calibration.rig import StereoRig
from hazcam.calibration.tree import Tree, check_keys, parse
from hazcam.errors import OutputError, RigError
from hazcam.frames import Pose
from hazcam.imagery.signatures import picture_format


def _read_text(path: Path) -> str:
    what = "a calibration in YAML"
    try:
        if path.is_dir():
            raise RigError(str(path), "is a folder", what, "give the file itself")
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise RigError(str(path), "does not exist", what, "check the path") from error
    except OSError as error:
        raise RigError(str(path), f"cannot be read: {error.strerror}", what,
                       "check the path and its permissions") from error
    except UnicodeDecodeError as error:
        form = picture_format(error.object)
        found = (f"cannot be read as text: {error}" if form is None
                 else f"is a {form} picture, not a rig or mount file")
        raise RigError(str(path), found, what, "give a YAML file") from error
    if not text.strip():
        raise RigError(str(path), "is empty", what, "write the calibration again")
    return text


def _tree_of(path: Path) -> Tree:
    return parse(_read_text(path), path)


def _rig_of_files(
    path: Path, right: Path | None, mount: Pose | None, bare: bool, size: tuple[int, int] | None
) -> StereoRig:
    tree = _tree_of(path)
    if is_extrinsics(tree):
        raise _extrinsics_first(path, right)
    if is_intrinsics(tree):
        if right is None:
            raise RigError(str(path), "is the intrinsics file of OpenCV's stereo sample alone",
                           "its extrinsics file (R, T) as well", "give it as the right file")
        return rig_of_opencv(path, tree, right, _tree_of(right), size, mount, bare)
    if size is not None:
        raise RigError(str(path), f"a picture size of {size[0]} x {size[1]} px is given for a file "
                       "that states its own", "a size for OpenCV's intrinsics and extrinsics only",
                       "leave it out")
    if right is not None:
        right_tree = _tree_of(right)
        for place, camera in ((right, right_tree), (path, tree)):
            refuse_whole_rig(camera, place, "the camera_info file of one camera")
        return rig_of_cameras(path, tree, right, right_tree, mount, bare)
    if "K1" not in tree and "camera_matrix" in tree:
        raise RigError(
            str(path), "is the calibration of one camera", "a rig, or the files of both cameras",
            "give the camera_info file of the right camera as well",
        )
    return rig_of_storage(tree, path, mount, bare)


def _extrinsics_first(path: Path, right: Path | None) -> RigError:
    if right is not None and is_intrinsics(_tree_of(right)):
        return RigError(f"{path}, {right}", "the extrinsics come first: the two files are in each "
                        "other's place", "the intrinsics (M1 D1 M2 D2), then the extrinsics (R T)",
                        f"give them as {right} {path}")
    return RigError(str(path), "is the extrinsics file of OpenCV's stereo sample",
                    "its intrinsics file (M1 D1 M2 D2) first, then this one",
                    "give the intrinsics file before it")


def read_mount(path: str | Path) -> Pose:
    """Read ``T_rover_camera`` of the left camera from a YAML file with mount_R and mount_t.

    Raises
    ------
    RigError
        A file that cannot be read, other keys, a matrix that is no rotation, a camera at or below
        the feet, not looking ahead, or placed in another unit.
    """
    path = Path(path)
    tree = _tree_of(path)
    refuse_whole_rig(tree, path, "a mount file: mount_R and mount_t")
    check_keys(tree, path, MOUNT_KEYS, ("schema",))
    return mount_of_tree(tree, path)


def read_rig(
    path: str | Path, right: str | Path | None = None, *, mount: str | Path | None = None,
    bare: bool = False, size: tuple[int, int] | None = None,
) -> StereoRig:
    """Read a stereo rig and check it.

    Parameters
    ----------
    path : str or Path
        OpenCV FileStorage YAML of schema ``hazcam-rig/1``; or, with ``right``, the camera_info YAML
        of the left camera, or the ``intrinsics.yml`` of OpenCV's stereo sample.
    right : str or Path, optional
        The camera_info YAML of the right camera, or the sample's ``extrinsics.yml``.
    mount : str or Path, optional
        YAML with mount_R and mount_t; wins over the rig's own. camera_info files need it, unless
        ``bare``.
    bare : bool
        Take a rig that was not mounted yet, too.
    size : tuple of int, optional
        (width, height) of the pictures, which the files of OpenCV's sample do not hold. [px]

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
    rig = check_rig(_rig_of_files(Path(path), None if right is None else Path(right), pose, bare,
                                  size))
    return replace(rig, digest=rig_digest(rig))


def rig_of_text(text: str, where: str) -> StereoRig:
    """The rig of a text that ``interchange.rig_text`` made; ``where`` names it in messages.

    Raises
    ------
    RigError
        As ``read_rig``.
    """
    path = Path(where)
    rig = check_rig(rig_of_storage(parse(text, path), path, None, bare=False))
    return replace(rig, digest=rig_digest(rig))


def write_rig(rig: StereoRig, path: str | Path) -> None:
    """Write a rig as OpenCV FileStorage YAML of schema ``hazcam-rig/1``.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    _write(Path(path), rig_text(rig))


def write_forms(texts: Mapping[str, str], folder: str | Path) -> None:
    """Write the files of another form, as ``interchange`` makes them, into a folder.

    Raises
    ------
    OutputError
        The folder cannot be made, or a file cannot be written.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(str(folder), f"cannot be made: {error.strerror}", "a folder",
                          "choose another place") from error
    for name, text in texts.items():
        _write(folder / name, text)


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise OutputError(str(path), f"cannot be written: {error.strerror}", "a writable place",
                          "create the folder, or choose another place") from error
