"""Pictures that hold both halves of a pair beside each other, split into two files each."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.manifest.folder import entries
from hazcam.errors import ImageError, OutputError, PairError
from hazcam.imagery.header import PictureHeader, read_header
from hazcam.imagery.io import decode_picture
from hazcam.imagery.naming import NamedPicture, is_hidden, is_picture


@dataclass(frozen=True, kw_only=True)
class Halves:
    """A file with both pictures, and where each goes.

    Attributes
    ----------
    path : Path
        With both.
    header : PictureHeader or None
        Of it: the halves have no EXIF of their own.
    left, right : NamedPicture
        As seen from the folder that they go to: ``NAME.left.png``, ``NAME.right.png``.
    """

    path: Path
    header: PictureHeader | None
    left: NamedPicture
    right: NamedPicture


def files_of_halves(folder: Path) -> list[Halves]:
    """The pictures of a folder, each of which holds two.

    Raises
    ------
    PairError
        There is none, or two differ only in their ending.
    ImageError
        One has an odd width.
    """
    paths = [path for path in entries(folder) if is_picture(path) and not is_hidden(path.name)]
    if not paths:
        raise PairError(str(folder), "holds no picture", "pictures that hold left and right half",
                        "check the folder")
    first: dict[str, Path] = {}
    for path in paths:
        if first.setdefault(path.stem, path) != path:
            raise PairError(str(path), f"has the name of {first[path.stem].name}",
                            "one file of a name: both would be split into the same two",
                            "rename one of the two")
    return [_halves(path) for path in paths]


def split(files: Iterable[Halves], into: Path) -> Iterator[Path]:
    """Write the two halves of each file as PNG, of the depth and colours that it has.

    Parameters
    ----------
    files : iterable of Halves
    into : Path
        Folder of the halves; made if it is not there.

    Yields
    ------
    Path
        Each file after it has been split.

    Raises
    ------
    ImageError
        A picture that cannot be read, or of odd width.
    OutputError
        The halves cannot be written.
    """
    for file in files:
        pixels = decode_picture(file.path)
        _refuse_odd(file.path, pixels.shape[1])
        middle = pixels.shape[1] // 2
        _write(into / file.left.path, pixels[:, :middle])
        _write(into / file.right.path, pixels[:, middle:])
        yield file.path


def _halves(path: Path) -> Halves:
    header = read_header(path)
    if header is not None:  # before anything is written
        _refuse_odd(path, header.size[0])
    return Halves(
        path=path, header=header,
        left=NamedPicture(pair=path.stem, side="left", path=f"{path.stem}.left.png"),
        right=NamedPicture(pair=path.stem, side="right", path=f"{path.stem}.right.png"))


def _refuse_odd(path: Path, width: int) -> None:
    if width % 2:
        raise ImageError(str(path), f"is {width} px wide, an odd number",
                         "two halves of one width",
                         "take it out of the folder, or split it by hand where its middle is")


def _write(path: Path, pixels: NDArray[Any]) -> None:
    done, data = cv2.imencode(".png", np.ascontiguousarray(pixels))
    if not done:
        raise ImageError(str(path), "cannot be encoded as PNG", "8-bit or 16-bit pixels",
                         "convert the picture first")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data.tobytes())
    except OSError as error:
        raise OutputError(str(path), f"cannot be written: {error.strerror}",
                          "a folder with room that can be written to",
                          "choose another folder for --side-by-side") from error
