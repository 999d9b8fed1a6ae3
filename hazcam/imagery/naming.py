"""Which picture is whose: the side and the pair that the name of a file tells.

Pure: from names to names; no folder is looked into.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

Side = Literal["left", "right"]

_SUFFIXES = frozenset({".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".webp", ".pgm", ".jp2"})
_WORD = re.compile(r"^(?P<before>.*?)(?P<side>left|right)(?P<behind>.*)$", re.IGNORECASE)
_LETTER = re.compile(r"^(?P<before>.+[._-])(?P<side>[lr])$", re.IGNORECASE)
# What stands for the part that differs from pair to pair; either word may be used.
_PLACE = re.compile(r"\{(?:stem|id)\}")


@dataclass(frozen=True, kw_only=True)
class NamedPicture:
    """What the name of a picture tells.

    Attributes
    ----------
    pair : str
        What left and right picture of a pair share; as in the name, so not always fit for an id.
    side : {"left", "right"}
    path : str
        As seen from the folder, with ``/``.
    """

    pair: str
    side: Side
    path: str


def is_picture(path: Path) -> bool:
    """Does the name say that it is a picture?"""
    return path.suffix.lower() in _SUFFIXES


def is_pattern(pattern: str) -> bool:
    """Two different names, each with ``{stem}`` or ``{id}`` once.

    Examples
    --------
    >>> is_pattern("{stem}_L.png {stem}_R.png"), is_pattern("{stem}.png")
    (True, False)
    """
    names = pattern.split()
    return len(set(names)) == len(names) == 2 and all(
        len(_PLACE.findall(name)) == 1 for name in names)


def looks_deeper(pattern: str | None) -> bool:
    """Does a pattern name folders, so that those within the folder are to be looked into?"""
    return pattern is not None and "/" in pattern


def named(path: str, pattern: str | None = None) -> NamedPicture | None:
    """Pair and side that the name of a picture tells.

    Parameters
    ----------
    path : str
        As seen from the folder, with ``/``.
    pattern : str or None
        Names of left and right picture with ``{stem}`` where they differ from pair to pair:
        ``{stem}_L.png {stem}_R.png``. None goes by the words left and right, or the endings _L and
        _R, in the names.

    Returns
    -------
    NamedPicture or None
        None for a name that tells no side, or a file that is no picture.

    Examples
    --------
    >>> named("beach-1.left.png")
    NamedPicture(pair='beach-1', side='left', path='beach-1.left.png')
    """
    if not is_picture(Path(path)):
        return None
    if pattern is not None:
        return _by_pattern(path, pattern)
    stem = Path(path).stem
    match = _WORD.match(stem) or _LETTER.match(stem)
    if match is None:
        return None
    parts = match.groupdict()
    pair = (parts["before"] + parts.get("behind", "")).strip("._- ") or "pair"
    side: Side = "left" if parts["side"].lower().startswith("l") else "right"
    return NamedPicture(pair=pair, side=side, path=path)


def id_of(name: str) -> str:
    """``name`` with ``_`` for each sign that the id of a pair cannot have.

    Examples
    --------
    >>> id_of("day 1/beach")
    'day_1_beach'
    """
    return re.sub(r"[^A-Za-z0-9._-]", "_", name).lstrip(".") or "pair"


def _by_pattern(path: str, pattern: str) -> NamedPicture | None:
    left, right = (_form(name) for name in pattern.split())
    if match := left.fullmatch(path):
        return NamedPicture(pair=match["pair"], side="left", path=path)
    if match := right.fullmatch(path):
        return NamedPicture(pair=match["pair"], side="right", path=path)
    return None


def _form(name: str) -> re.Pattern[str]:
    before, behind = _PLACE.split(name)
    return re.compile(f"{re.escape(before)}(?P<pair>.+){re.escape(behind)}")
