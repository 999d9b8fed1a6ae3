"""What a picture file says of itself before its pixels: size and EXIF.

References
----------
CIPA DC-008, "Exchangeable image file format for digital still cameras: Exif," for the tags.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from PIL import ExifTags, Image
from PIL.TiffImagePlugin import TiffImageFile

_TIFF_SIZE = (ExifTags.Base.ImageWidth, ExifTags.Base.ImageLength)
# EXIF 2.3, tag Orientation: how to turn the pixels clockwise so that they stand upright.
_TURNED = {2: "mirrored", 3: "rotated by 180°", 4: "mirrored and rotated by 180°",
           5: "mirrored and rotated by 270°", 6: "rotated by 90°",
           7: "mirrored and rotated by 90°", 8: "rotated by 270°"}


@dataclass(frozen=True, kw_only=True)
class PictureHeader:
    """What a picture file says before its pixels.

    Attributes
    ----------
    size : tuple of int
        (width, height) of the pixels as sent, whatever the orientation says. [px]
    turned : str
        How the orientation tag wants the picture shown: ``rotated by 90°``; empty for as sent.
    taken_at : str or None
        DateTimeOriginal with its fraction and offset from UTC as far as stated, ISO 8601.
    exposure_s : float or None
        ExposureTime. [s]
    """

    size: tuple[int, int]
    turned: str = ""
    taken_at: str | None = None
    exposure_s: float | None = None


def read_header(path: Path) -> PictureHeader | None:
    """Size and EXIF of a picture, without decoding it; None for what is no picture."""
    try:
        with Image.open(path) as picture:
            exif = picture.getexif()
            taken = exif.get_ifd(ExifTags.IFD.Exif)
            return PictureHeader(
                size=_size(picture), turned=_TURNED.get(exif.get(ExifTags.Base.Orientation, 1), ""),
                taken_at=_moment(taken),
                exposure_s=_seconds(taken.get(ExifTags.Base.ExposureTime)))
    # A broken header fails in many ways; the pixels are judged where they are read.
    except (OSError, ValueError, SyntaxError, TypeError, KeyError, Image.DecompressionBombError):
        return None


def _size(picture: Image.Image) -> tuple[int, int]:
    """(width, height) as stored; Pillow turns that of a TIFF as its orientation says. [px]"""
    if isinstance(picture, TiffImageFile):
        return picture.tag_v2[_TIFF_SIZE[0]], picture.tag_v2[_TIFF_SIZE[1]]
    return picture.size


def _moment(taken: dict[int, Any]) -> str | None:
    text = re.fullmatch(r"(\d{4}):(\d\d):(\d\d) (\d\d:\d\d:\d\d)\0*",
                        str(taken.get(ExifTags.Base.DateTimeOriginal, "")))
    if text is None:
        return None
    year, month, day, time = text.groups()
    fraction = re.match(r"\d{1,6}", str(taken.get(ExifTags.Base.SubsecTimeOriginal, "")).strip())
    offset = re.match(r"[+-]\d\d:\d\d", str(taken.get(ExifTags.Base.OffsetTimeOriginal, "")))
    # Python 3.11 reads fractions of any length up to six digits.
    moment = (f"{year}-{month}-{day}T{time}{'.' + fraction[0] if fraction else ''}"
              f"{offset[0] if offset else ''}")
    try:
        datetime.fromisoformat(moment)
    except ValueError:  # a clock that was never set: 0000:00:00
        return None
    return moment


def _seconds(value: Any) -> float | None:
    try:
        seconds = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return seconds if math.isfinite(seconds) and seconds > 0 else None
