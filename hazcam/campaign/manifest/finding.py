"""What is odd about the pictures of a folder, before anything is assessed: named, never mended.

Pure: from what is known of the files to findings; ``campaign/manifest/inspect.py`` reads them.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal, get_args

from hazcam.errors import listed
from hazcam.imagery.header import PictureHeader
from hazcam.imagery.naming import NamedPicture
from hazcam.imagery.sidecar import SAME_MOMENT_S
from hazcam.verdict.record import Verdict

Kind = Literal[
    "hidden file", "lone picture", "side not told", "side by side", "same bytes", "different sizes",
    "frames slipped", "exchanged", "not of one moment", "unequal exposure", "rotated by EXIF",
    "attitude not stated", "onboard verdict not known", "label dropped", "cannot be looked at",
    "cannot be used",
]
KINDS: tuple[Kind, ...] = get_args(Kind)
"""In the order in which they are told."""

# Exposure times that two pictures state are alike within this share: a camera rounds what it
# states, to the nearest of 1/50, 1/60, ... at worst; common practice, no source.
_SAME_EXPOSURE = 0.1
# Two pictures in one file are as high as one and twice as wide; by this share either way, for a
# seam or a border between them.
_TWICE = 0.03
# Two pictures of 4:3 side by side are 2.67 times as wide as high, two of 1:1 twice; hardly any
# sensor is wider than 16:9 (1.78).
_WIDE = 1.95


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something odd.

    Attributes
    ----------
    kind : str
        One of ``KINDS``.
    where : str
        The picture, pair or run of pairs.
    text : str
        What is odd, in words.
    """

    kind: Kind
    where: str
    text: str


@dataclass(frozen=True, kw_only=True)
class Use:
    """That a row uses a file as one of its pictures.

    Attributes
    ----------
    pair : str
        Id of the pair.
    side : str
        ``left`` or ``right``.
    path : str
        As the row has it, for messages.
    digest : str
        Of the bytes; a digest of another kind where no other file has as many.
    """

    pair: str
    side: str
    path: str
    digest: str


def unpaired(pictures: Iterable[NamedPicture], others: Iterable[str]) -> list[Finding]:
    """Lone left and right pictures, and pictures whose names tell no side."""
    pictures = list(pictures)
    there = {(p.pair, p.side) for p in pictures}
    found: list[Finding] = []
    for picture in pictures:
        other = "right" if picture.side == "left" else "left"
        if (picture.pair, other) not in there:
            found.append(Finding(kind="lone picture", where=picture.path,
                                 text=f"a {picture.side} picture without a {other} one; its row "
                                      "leaves the other empty"))
    found.extend(Finding(kind="side not told", where=path,
                         text="its name tells neither left nor right; it is in no row (--pair "
                              "says how pictures are named)") for path in others)
    return found


def hidden_files(names: Sequence[str]) -> list[Finding]:
    """That hidden files are named as pictures or sidecars; they are in no row."""
    if not names:
        return []
    count = "1 hidden file is" if len(names) == 1 else f"{len(names)} hidden files are"
    return [Finding(kind="hidden file", where=listed(names),
                    text=f"{count} passed over: a name with a point in front is no picture that a "
                         "rover sent")]


def onboard_words(verdicts: Iterable[str | None]) -> list[Finding]:
    """That onboard verdicts are in words that cannot be compared; None for none stated."""
    known = get_args(Verdict)
    words = Counter(verdict for verdict in verdicts if verdict is not None
                    and verdict.strip().casefold() not in known)
    if not words:
        return []
    count = f"{words.total()} pair{'' if words.total() == 1 else 's'}"
    told = listed([f"{word!r} ({number})" for word, number in words.most_common()])
    return [Finding(kind="onboard verdict not known", where=count,
                    text=f"found {told}; only {' and '.join(known)} can be compared with what "
                         "`hazcam batch` finds")]


def no_attitude(pairs: Sequence[str]) -> list[Finding]:
    """That pairs state neither roll nor pitch, and what follows; by their ids."""
    if not pairs:
        return []
    count = "1 pair states" if len(pairs) == 1 else f"{len(pairs)} pairs state"
    return [Finding(kind="attitude not stated", where=listed(pairs),
                    text=f"{count} neither roll_deg nor pitch_deg: `hazcam batch` judges slopes "
                         "for any tilt within --tilt-bound-deg, so that most headings become "
                         "ask-ground; give both angles where the rover knows them")]


def same_bytes(uses: Iterable[Use]) -> list[Finding]:
    """Files that are used twice, and files that are copies of each other."""
    by_digest: dict[str, list[Use]] = defaultdict(list)
    for use in uses:
        by_digest[use.digest].append(use)
    return [Finding(kind="same bytes", where=group[0].path, text=_shared(group))
            for group in by_digest.values() if len(group) > 1]


def _shared(group: Sequence[Use]) -> str:
    files = list(dict.fromkeys(use.path for use in group))
    pairs = list(dict.fromkeys(use.pair for use in group))
    what = ("is used more than once" if len(files) == 1
            else f"has the same bytes as {listed(files[1:])}")
    if len(pairs) == 1:
        return f"{what}: left and right of {pairs[0]} are one picture"
    return f"{what}: {listed([f'{use.side} of {use.pair}' for use in group])}"


def turned(headers: Mapping[str, PictureHeader | None]) -> list[Finding]:
    """Pictures whose EXIF wants them shown otherwise than as sent."""
    return [Finding(kind="rotated by EXIF", where=path,
                    text=f"EXIF says {header.turned}: not applied; the calibration belongs to the "
                         "pixels as sent")
            for path, header in headers.items() if header is not None and header.turned]


def side_by_side(
    headers: Mapping[str, PictureHeader | None], rig_size: tuple[int, int] | None
) -> list[Finding]:
    """Files that seem to hold both pictures.

    Parameters
    ----------
    headers : mapping of str to PictureHeader or None
        By path.
    rig_size : tuple of int or None
        (width, height) of the calibrated picture. [px] None: the most usual size tells.
    """
    sizes = Counter(h.size for h in headers.values() if h is not None)
    usual = rig_size or (sizes.most_common(1)[0][0] if sizes else None)
    found: list[Finding] = []
    for path, header in headers.items():
        if header is None or usual is None:
            continue
        width, height = header.size
        twice = (abs(width / (2 * usual[0]) - 1) < _TWICE
                 and abs(height / usual[1] - 1) < _TWICE)
        if twice or (rig_size is None and width > _WIDE * height):
            found.append(Finding(
                kind="side by side", where=path,
                text=f"{width} x {height} px, as wide as two pictures beside each other: "
                     "--side-by-side DIR splits such files"))
    return found


def differing(
    pair: str, left: PictureHeader | None, right: PictureHeader | None
) -> list[Finding]:
    """What the headers of the two pictures of a pair do not agree on."""
    if left is None or right is None:
        return []
    found: list[Finding] = []
    if left.size != right.size:
        sizes = " and ".join(f"{w} x {h}" for w, h in (left.size, right.size))
        found.append(Finding(kind="different sizes", where=pair,
                             text=f"left and right picture are {sizes} px"))
    if left.exposure_s is not None and right.exposure_s is not None and abs(
            math.log(left.exposure_s / right.exposure_s)) > math.log1p(_SAME_EXPOSURE):
        found.append(Finding(kind="unequal exposure", where=pair,
                             text=f"EXIF states {left.exposure_s:g} s for the left picture, "
                                  f"{right.exposure_s:g} s for the right one"))
    apart_s = moments_apart_s(left.taken_at, right.taken_at)
    if apart_s is not None and apart_s > resolution_s(left.taken_at, right.taken_at):
        found.append(Finding(kind="not of one moment", where=pair,
                             text=f"EXIF states times {apart_s:g} s apart"))
    return found


def stated_apart(pair: str, details: Mapping[str, Any]) -> list[Finding]:
    """That the times that a row or sidecar states for the two pictures differ."""
    apart_s = moments_apart_s(details.get("taken_at"), details.get("taken_at_right"))
    if apart_s is None or apart_s <= SAME_MOMENT_S:
        return []
    return [Finding(kind="not of one moment", where=pair,
                    text=f"taken_at and taken_at_right are {apart_s:g} s apart")]


def moments_apart_s(left: str | None, right: str | None) -> float | None:
    """Time between two pictures; None where it cannot be told. [s]"""
    if left is None or right is None:
        return None
    first, second = datetime.fromisoformat(left), datetime.fromisoformat(right)
    if (first.tzinfo is None) != (second.tzinfo is None):
        return None
    return abs((second - first).total_seconds())


def resolution_s(*moments: str | None) -> float:
    """How far apart two stated times of one moment may be: a clock of whole seconds may turn."""
    return SAME_MOMENT_S if all(m is not None and "." in m for m in moments) else 1.0
