"""Pictures as arrays: grey conversion, the digest of a pair, a pair without files."""

from __future__ import annotations

import hashlib
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.errors import PairError
from hazcam.frames import Attitude
from hazcam.imagery.naming import LONGEST_ID, id_of, is_id
from hazcam.imagery.pair import Picture, StereoPair, Window

ChannelOrder = Literal["rgb", "bgr"]


def to_grey(
    pixels: NDArray[Any], *, order: ChannelOrder = "rgb"
) -> tuple[Picture, tuple[str, ...]]:
    """Turn a picture into one grey channel of its own depth.

    Parameters
    ----------
    pixels : ndarray of shape (H, W), (H, W, 1), (H, W, 3) or (H, W, 4), uint8 or uint16
        Grey, colour, or colour with alpha.
    order : {"rgb", "bgr"}
        Order of the colour channels.

    Returns
    -------
    picture : ndarray of shape (H, W), uint8 or uint16
        Luma of ITU-R BT.601, as ``cv2.cvtColor`` computes it; alpha is dropped.
    notes : tuple of str
        What was converted, in words.

    Raises
    ------
    ValueError
        Any other shape or dtype.
    """
    array = np.asarray(pixels)
    if array.dtype not in (np.uint8, np.uint16):
        raise ValueError(f"a picture is uint8 or uint16, got {array.dtype}")
    notes = ["16-bit picture kept at 16 bit"] if array.dtype == np.uint16 else []
    channels = array.shape[2] if array.ndim == 3 else 1
    if array.ndim not in (2, 3) or channels not in (1, 3, 4) or 0 in array.shape:
        raise ValueError(f"a picture is (H, W), (H, W, 3) or (H, W, 4), got {array.shape}")
    if channels == 4:
        notes.append("alpha channel dropped")
    if channels > 1:
        notes.append("colour converted to grey")
        code = cv2.COLOR_RGB2GRAY if order == "rgb" else cv2.COLOR_BGR2GRAY
        array = np.asarray(cv2.cvtColor(np.ascontiguousarray(array[:, :, :3]), code))
    return array.reshape(array.shape[:2]), tuple(notes)


def pair_digest(left: Picture | None, right: Picture | None) -> str:
    """SHA-256 over shape, dtype and pixels of both pictures; a missing one counts as such."""
    digest = hashlib.sha256()
    for picture in (left, right):
        if picture is None:
            digest.update(b"missing;")
            continue
        digest.update(f"{picture.shape} {picture.dtype.name};".encode())
        # Little-endian bytes, so that the digest is the same on every machine.
        digest.update(picture.astype(picture.dtype.newbyteorder("<"), order="C").tobytes())
    return digest.hexdigest()


def check_id(identifier: str, where: str) -> str:
    """Return ``identifier`` if it can name a folder on every system, else raise PairError."""
    if not is_id(identifier):
        raise PairError(
            f"{where}: id",
            f"{identifier[:LONGEST_ID]!r}{_more(identifier)} cannot name the folder of the results",
            f"at most {LONGEST_ID} letters, digits, '.', '_' and '-', beginning with neither '.' "
            "nor '-', not ending with '.', and no name of a device (con, nul, com1, ...)",
            f"give the pair another id: {id_of(identifier)}",
        )
    return identifier


def _more(identifier: str) -> str:
    return f"... ({len(identifier)} characters)" if len(identifier) > LONGEST_ID else ""


def _check_alike(left: Picture, right: Picture, left_name: str, right_name: str) -> None:
    if left.dtype != right.dtype:
        raise PairError(
            "the two pictures",
            f"differ in depth: {left_name} is {left.dtype}, {right_name} is {right.dtype}",
            "two pictures of one depth", "convert one, or fetch both in the same form",
        )
    if left.shape == right.shape:
        return
    sizes = [
        f"{name} is {p.shape[1]} x {p.shape[0]} px"
        for name, p in ((left_name, left), (right_name, right))
    ]
    raise PairError(
        "the two pictures",
        f"differ in size: {sizes[0]}, {sizes[1]}",
        "two pictures of one size",
        "give the two pictures of the same moment, both whole or both with the same window",
    )


def _grey_or_none(
    pixels: NDArray[Any] | None, side: str
) -> tuple[Picture | None, tuple[str, ...]]:
    if pixels is None:
        return None, ()
    picture, notes = to_grey(pixels)
    return picture, tuple(f"{side}: {note}" for note in notes)


def pair_from_arrays(
    left: NDArray[Any] | None,
    right: NDArray[Any] | None,
    *,
    id: str = "pair",  # noqa: A002 - the word of the sidecar
    attitude: Attitude | None = None,
    window: Window | None = None,
    binning: int = 1,
    details: dict[str, Any] | None = None,
    notes: tuple[str, ...] = (),
    left_name: str = "left picture",
    right_name: str = "right picture",
) -> StereoPair:
    """Build a StereoPair from pixels in memory, without touching a file.

    Parameters
    ----------
    left, right : ndarray of shape (H, W), (H, W, 3) or (H, W, 4), uint8 or uint16, or None
        As the cameras sent them, not rectified; colour in the order red, green, blue. None for a
        picture that is missing; at least one is there.
    id : str
        Name of the pair; the folder of its results.
    attitude, window, binning, details, notes, left_name, right_name
        As in StereoPair.

    Raises
    ------
    PairError
        The two differ in size or depth, or ``id`` cannot name a folder.
    ValueError
        No picture at all, or an array that is no picture.
    """
    grey_left, notes_left = _grey_or_none(left, "left")
    grey_right, notes_right = _grey_or_none(right, "right")
    if grey_left is not None and grey_right is not None:
        _check_alike(grey_left, grey_right, left_name, right_name)
    return StereoPair(
        id=check_id(id, "the pair"),
        left=grey_left,
        right=grey_right,
        digest=pair_digest(grey_left, grey_right),
        attitude=attitude,
        window=window,
        binning=binning,
        details=dict(details or {}),
        notes=tuple(dict.fromkeys((*notes, *notes_left, *notes_right))),
        left_name=left_name,
        right_name=right_name,
    )
