"""Which picture is whose: the side and the pair that the name of a file tells.

Pure: from names to names; no folder is looked into.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

Side = Literal["left", "right"]

_SUFFIXES = frozenset({".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".webp", ".pgm", ".jp2"})
# The word stands between separators, digits or the ends, or a change to a capital sets it off
# (imgLeft, leftImg): a side within another word (bright, cleft) is none.
_WORD = re.compile(r"(?:(?<![A-Za-z])|(?<=[a-z])(?=[A-Z]))(?:(?i:left|right))"
                   r"(?:(?![A-Za-z])|(?<=[a-z])(?=[A-Z]))")
_LETTER = re.compile(r"(?<=.[._-])[lr]$", re.IGNORECASE)
_SEPARATORS = ("_", "-", ".", " ")
LONGEST_ID = 100
"""Characters of an id at most: file names of 255 are made of it, in folders of other names."""
# Not a leading "-", which commands take for an option, nor a "." at an end, which is hidden or,
# on Windows, dropped.
_ID = re.compile(r"[A-Za-z0-9_](?:[A-Za-z0-9._-]*[A-Za-z0-9_-])?")
# Names of Windows that no file may have, whatever its ending.
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{i}" for port in ("com", "lpt")
                                                    for i in range(10))})
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


def is_hidden(path: str) -> bool:
    """Is a file hidden, or in a hidden folder? Systems keep such beside pictures, named as they.

    Parameters
    ----------
    path : str
        As seen from the folder, with ``/``.

    Examples
    --------
    >>> is_hidden("day-1/._IMG_0010_L.png"), is_hidden("IMG_0010_L.png")
    (True, False)
    """
    return any(part.startswith(".") for part in path.split("/"))


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
        ``{stem}_L.png {stem}_R.png``. None goes by the last word left or right in the name, set off
        by separators, digits or a capital, or else by the ending _L or _R.

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
    words = [match.span() for match in _WORD.finditer(stem)]
    letter = _LETTER.search(stem)
    if not words and letter is None:
        return None
    first, last = words[-1] if words or letter is None else letter.span()
    side: Side = "left" if stem[first] in "lL" else "right"
    return NamedPicture(pair=_without(stem, first, last), side=side, path=path)


def _without(stem: str, first: int, last: int) -> str:
    """What is left of a name without its side and, at an end, the separator beside it."""
    before, behind = stem[:first], stem[last:]
    if not behind and before[-1:] in _SEPARATORS:
        before = before[:-1]
    elif not before and behind[:1] in _SEPARATORS:
        behind = behind[1:]
    return before + behind or "pair"


def is_id(name: str) -> bool:
    """Whether ``name`` can be the id of a pair: that of a folder, on every system.

    Examples
    --------
    >>> is_id("beach-1"), is_id("nul.1"), is_id("-1")
    (True, False, False)
    """
    return (len(name) <= LONGEST_ID and _ID.fullmatch(name) is not None
            and name.partition(".")[0].lower() not in _DEVICES)


def id_of(name: str) -> str:
    """The id for a pair of this name: ``_`` for each sign that it cannot have.

    A name that is too long is cut off, with a checksum of the whole.

    Examples
    --------
    >>> id_of("day 1/beach")
    'day_1_beach'
    """
    made = re.sub(r"[^A-Za-z0-9._-]", "_", name).strip(".") or "pair"
    if made.startswith("-"):
        made = f"_{made[1:]}"
    if made.partition(".")[0].lower() in _DEVICES:
        made = f"_{made}"
    if len(made) > LONGEST_ID:
        made = f"{made[:LONGEST_ID - 9]}_{hashlib.sha256(made.encode()).hexdigest()[:8]}"
    return made


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
