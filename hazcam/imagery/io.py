"""Reading pictures, pairs and their sidecars."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.errors import HazcamError, ImageError, PairError
from hazcam.imagery.arrays import pair_from_arrays, to_grey
from hazcam.imagery.naming import id_of
from hazcam.imagery.pair import Picture, StereoPair
from hazcam.imagery.sidecar import SIGMA_NOTE, Sidecar, attitude_from, parse_sidecar
from hazcam.imagery.signatures import picture_format
from hazcam.imagery.tiff import without_orientation

_SIGNATURE_BYTES = 16
_FORMATS = "a PNG, JPEG, TIFF, BMP, WebP, PGM or JPEG 2000 picture"


def _read_bytes(path: Path, kind: type[HazcamError], what: str, count: int = -1) -> bytes:
    """Read a file, or its first bytes; a missing, unreadable or empty one and a folder raise."""
    try:
        if path.is_dir():
            raise kind(str(path), "is a folder", what, "give the file itself")
        with path.open("rb") as file:
            data = file.read(count)
    except FileNotFoundError as error:
        raise kind(str(path), "does not exist", what, "check the path") from error
    except OSError as error:
        raise kind(
            str(path), f"cannot be read: {error.strerror}", what,
            "check the path and its permissions",
        ) from error
    if not data:
        raise kind(str(path), "is empty (0 bytes)", what, "fetch the file again")
    return data


def _is_cut_short(data: bytes, form: str) -> bool:
    """Whether the end mark of a PNG or JPEG is missing.

    Looked for before decoding: a JPEG may decode without its end, and the PNG decoder prints a
    message of its own. In a JPEG an embedded preview has an end mark too: only one behind the last
    start of scan counts.
    """
    if form == "PNG":
        return b"IEND\xaeB\x60\x82" not in data
    if form == "JPEG":
        return data.rfind(b"\xff\xd9") < data.rfind(b"\xff\xda")
    return False


def _form_of(path: Path, data: bytes) -> str:
    form = picture_format(data)
    if form is None:
        raise ImageError(
            str(path), f"not an image (it starts with {data[:8]!r})", _FORMATS,
            "give the picture itself, or convert it to PNG",
        )
    return form


def check_picture(path: Path) -> str:
    """Format of a picture by its first bytes, without decoding it.

    Raises
    ------
    ImageError
        A missing, unreadable or empty file, a folder, no picture.
    """
    return _form_of(path, _read_bytes(path, ImageError, _FORMATS, _SIGNATURE_BYTES))


def _truncated(path: Path, form: str, size: int) -> NoReturn:
    raise ImageError(
        str(path), f"truncated or damaged {form} file ({size} bytes)",
        "a picture with all of its data", "fetch the file again",
    )


def _decode(data: bytes) -> NDArray[Any] | None:
    try:
        return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:
        return None


def read_picture(path: str | Path) -> tuple[Picture, tuple[str, ...]]:
    """Read one picture as grey.

    Parameters
    ----------
    path : str or Path
        A file that OpenCV decodes. Orientation tags are not applied: the calibration belongs to
        the pixels as sent.

    Returns
    -------
    picture : ndarray of shape (H, W), uint8 or uint16
        Grey values; 16-bit files stay at 16 bit.
    notes : tuple of str
        What was converted ("colour converted to grey").

    Raises
    ------
    ImageError
        A missing or empty file, a folder, no picture, a truncated picture, an unknown depth.
    """
    return to_grey(decode_picture(Path(path)), order="bgr")


def decode_picture(path: Path) -> NDArray[Any]:
    """Pixels of a picture as they are stored.

    Returns
    -------
    ndarray of shape (H, W), (H, W, 3) or (H, W, 4), uint8 or uint16
        Grey, or colours in the order blue, green, red, and alpha.

    Raises
    ------
    ImageError
        As ``read_picture``.
    """
    data = _read_bytes(path, ImageError, _FORMATS)
    form = _form_of(path, data)
    if form == "TIFF":
        data = without_orientation(data)
    pixels = None if _is_cut_short(data, form) else _decode(data)
    if pixels is None:
        _truncated(path, form, len(data))
    if pixels.dtype not in (np.uint8, np.uint16):
        raise ImageError(
            str(path), f"pixels of type {pixels.dtype}", "8-bit or 16-bit grey or colour",
            "convert it to an 8-bit or 16-bit PNG",
        )
    return pixels


def read_sidecar(path: str | Path) -> Sidecar:
    """Read a sidecar of schema ``hazcam-pair/1``.

    Raises
    ------
    PairError
        A missing or empty file, a folder, a picture, broken JSON, an unknown, missing or doubled
        key, a value of the wrong kind, roll without pitch.
    """
    path = Path(path)
    data = _read_bytes(path, PairError, "the sidecar of a pair (JSON)")
    form = picture_format(data)
    if form is not None:
        raise PairError(
            str(path), f"is a single picture ({form}), not a sidecar",
            "a sidecar NAME.pair.json, or two pictures: left and right",
            "give the other picture as well",
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise PairError(
            str(path), f"is not UTF-8 text (byte {error.start})",
            "the sidecar of a pair (JSON)", "give a sidecar, or two pictures",
        ) from error
    return parse_sidecar(text, path)


def find_sidecars(folder: str | Path) -> list[Path]:
    """Sorted paths of the sidecars ``*.pair.json`` in a folder; PairError if there is none."""
    folder = Path(folder)
    if not folder.is_dir():
        raise PairError(
            str(folder), "is not a folder", "a folder with sidecars *.pair.json", "check the path"
        )
    paths = sorted(folder.glob("*.pair.json"))
    if not paths:
        raise PairError(
            str(folder), "holds no *.pair.json", "a sidecar NAME.pair.json for each pair",
            "write a sidecar for each pair, or give the two pictures of one pair",
        )
    return paths


def _read_side(
    path: Path | None, side: str
) -> tuple[Picture | None, tuple[str, ...]]:
    """One picture of a sidecar; None and a note where it is not there.

    The note has the bare name: it goes into the results, where a path of this machine is no use.
    """
    if path is None:
        return None, (f"{side} picture missing: the sidecar gives none",)
    if not path.exists():
        return None, (f"{side} picture missing: {path.name} does not exist",)
    picture, notes = read_picture(path)
    return picture, tuple(f"{side}: {note}" for note in notes)


def pair_of_sidecar(sidecar: Sidecar) -> StereoPair:
    """Read the pictures that a sidecar names; a missing one is None, with a note.

    Raises
    ------
    ImageError
        A picture that cannot be read.
    PairError
        Both are missing, or they are of two sizes.
    """
    left, left_notes = _read_side(sidecar.left, "left")
    right, right_notes = _read_side(sidecar.right, "right")
    if left is None and right is None:
        raise PairError(
            str(sidecar.path), f"both pictures are missing ({left_notes[0]}; {right_notes[0]})",
            "at least one picture", "put the pictures where the sidecar says",
        )
    return pair_from_arrays(
        left, right,
        id=sidecar.id, attitude=sidecar.attitude, window=sidecar.window, binning=sidecar.binning,
        details=sidecar.details,
        notes=(*sidecar.notes, *left_notes, *right_notes),
        left_name=str(sidecar.left or "left picture"),
        right_name=str(sidecar.right or "right picture"),
    )


def _id_from(left: Path) -> str:
    """Name of the left picture without the word for its side; other signs become ``_``."""
    stem = re.sub(r"(?:^|[ ._-])(?:left|L)$|(?<=[a-z0-9])Left$", "", left.stem)
    return id_of(stem or left.resolve().parent.name)


def _pair_of_pictures(left_path: Path, right_path: Path) -> StereoPair:
    left, left_notes = read_picture(left_path)
    right, right_notes = read_picture(right_path)
    notes = [*(f"left: {note}" for note in left_notes), *(f"right: {note}" for note in right_notes)]
    return pair_from_arrays(
        left, right, id=_id_from(left_path), notes=tuple(notes),
        left_name=str(left_path), right_name=str(right_path),
    )


def read_pair(
    left_or_sidecar: str | Path,
    right: str | Path | None = None,
    *,
    roll_deg: float | None = None,
    pitch_deg: float | None = None,
) -> StereoPair:
    """Read a pair: from its sidecar, or from two pictures.

    Parameters
    ----------
    left_or_sidecar : str or Path
        A sidecar (JSON, schema ``hazcam-pair/1``), or the left picture.
    right : str or Path, optional
        The right picture, when the first is the left picture.
    roll_deg, pitch_deg : float, optional
        Attitude of the rover, both or neither: positive roll = left side up, positive pitch = nose
        down. [deg] They win over the sidecar's. Their sigma is ``ATTITUDE_SIGMA_DEG``.

    Returns
    -------
    StereoPair
        From a sidecar, a picture that is not there is None, with a note that names it.

    Raises
    ------
    ImageError
        A picture that cannot be read.
    PairError
        A sidecar that cannot be used, pictures of two sizes, both missing, roll without pitch.

    Examples
    --------
    >>> read_pair("nowhere.pair.json")
    Traceback (most recent call last):
    ...
    hazcam.errors.PairError: nowhere.pair.json: does not exist
      expected: the sidecar of a pair (JSON)
      remedy: check the path
    """
    attitude, notes = attitude_from("the attitude given", roll_deg, pitch_deg)
    if right is None:
        pair = pair_of_sidecar(read_sidecar(left_or_sidecar))
    else:
        pair = _pair_of_pictures(Path(left_or_sidecar), Path(right))
    if attitude is None:
        return pair
    kept = tuple(note for note in pair.notes if note != SIGMA_NOTE)
    return replace(pair, attitude=attitude, notes=(*kept, *notes))
