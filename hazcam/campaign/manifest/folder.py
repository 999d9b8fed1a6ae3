"""The rows that a folder stands for: of its sidecars, or of its pictures by their names."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

from hazcam.calibration import read_rig
from hazcam.campaign.manifest.finding import moments_apart_s, resolution_s
from hazcam.campaign.manifest.text import SCHEMA, RawRow
from hazcam.errors import PairError
from hazcam.imagery.header import PictureHeader, read_header
from hazcam.imagery.naming import (
    NamedPicture,
    id_of,
    is_hidden,
    is_picture,
    looks_deeper,
    named,
)
from hazcam.imagery.sidecar import SIDECAR_SUFFIX
from hazcam.imagery.values import Check, exposure, moment
from hazcam.rover import read_rover

ReadHeader = Callable[[Path], PictureHeader | None]


@dataclass(frozen=True, kw_only=True)
class FolderContents:
    """What a folder holds, names as seen from it, sorted.

    Attributes
    ----------
    folder : Path
    sidecars : tuple of str
        ``*.pair.json``, also of the folders in it; none where a pattern was given.
    pictures : tuple of NamedPicture
        Whose names tell their side; none where there are sidecars.
    others : tuple of str
        Other files with the ending of a picture.
    hidden : tuple of str
        Hidden files with the ending of a picture or sidecar, which are passed over.
    """

    folder: Path
    sidecars: tuple[str, ...]
    pictures: tuple[NamedPicture, ...]
    others: tuple[str, ...]
    hidden: tuple[str, ...] = ()


def look_into(folder: Path, pattern: str | None) -> FolderContents:
    """List a folder.

    Where it holds no picture itself, its folders are looked into for them.

    Parameters
    ----------
    folder : Path
    pattern : str or None
        How the pictures are named, see ``imagery.naming.named``, within each folder unless it
        names folders itself; sidecars do not count then.

    Raises
    ------
    PairError
        There is neither a sidecar nor a picture.
    """
    top = _names(folder, entries(folder))
    files = [name for name in _names(folder, folder.rglob("*"))
             if is_picture(Path(name)) or name.endswith(SIDECAR_SUFFIX)]
    hidden = tuple(name for name in files if is_hidden(name))
    files = [name for name in files if not is_hidden(name)]
    sidecars = tuple(name for name in files
                     if pattern is None and name.endswith(SIDECAR_SUFFIX))
    if sidecars:
        return FolderContents(folder=folder, sidecars=sidecars, pictures=(), others=(),
                              hidden=hidden)
    at_top = [name for name in files if name in set(top) and is_picture(Path(name))]
    told = {path: _told(path, pattern)
            for path in (at_top if at_top and not looks_deeper(pattern) else files)}
    pictures = tuple(picture for picture in told.values() if picture is not None)
    if not looks_deeper(pattern):
        pictures = _told_apart(pictures)
    others = tuple(path for path, picture in told.items()
                   if picture is None and is_picture(Path(path)))
    if not pictures and not others:
        raise PairError(str(folder), f"holds no sidecar *{SIDECAR_SUFFIX} and no picture",
                        "a folder of sidecars, or of pictures", "check the folder")
    return FolderContents(folder=folder, sidecars=(), pictures=pictures, others=others,
                          hidden=hidden)


def _told(path: str, pattern: str | None) -> NamedPicture | None:
    """What a name tells: of its folders too only where the pattern names some."""
    if looks_deeper(pattern):
        return named(path, pattern)
    told = named(PurePosixPath(path).name, pattern)
    return None if told is None else replace(told, path=path)


def _told_apart(pictures: tuple[NamedPicture, ...]) -> tuple[NamedPicture, ...]:
    """With the folder in the name of every pair, where one name is in more than one folder."""
    places = {(picture.pair, PurePosixPath(picture.path).parent) for picture in pictures}
    if len(places) == len({pair for pair, _ in places}):
        return pictures
    return tuple(replace(picture, pair=f"{PurePosixPath(picture.path).parent}/{picture.pair}")
                 for picture in pictures)


def entries(folder: Path) -> list[Path]:
    """What is in a folder, sorted; PairError where it may not be looked into."""
    try:
        return sorted(folder.iterdir())
    except OSError as error:
        raise PairError(str(folder), f"cannot be looked into: {error.strerror}", "a folder",
                        "check its permissions") from error


def rows_of_folder(
    contents: FolderContents, base: Path, rig: Path | None, rover: str | None
) -> list[RawRow]:
    """A row for each pair of a folder.

    Of two pictures for one side of a pair, the second gets a row of its own.

    Parameters
    ----------
    contents : FolderContents
    base : Path
        The folder that the paths of the rows are relative to.
    rig, rover : Path and str, or None
        Of pictures; sidecars have their own.

    Raises
    ------
    PairError
        Pictures without rig or rover, or no picture whose name tells its side.
    """
    folder = contents.folder
    if contents.sidecars:
        return [RawRow(where=name, name=id_of(name.removesuffix(SIDECAR_SUFFIX)),
                       given={"schema": SCHEMA, "sidecar": name})
                for name in (_from(base, folder / name) for name in contents.sidecars)]
    if not contents.pictures:
        raise PairError(str(folder), f"{_none_of(len(contents.others))} is named as a left "
                        "or a right one", "two pictures for each pair",
                        "say how they are named: --pair '{stem}_L.png {stem}_R.png'; or split "
                        "files that hold both: `hazcam manifest --side-by-side DIR`")
    return rows_of_pictures(contents.pictures, folder, base, rig, rover)


def rows_of_pictures(
    pictures: Sequence[NamedPicture], folder: Path, base: Path, rig: Path | None,
    rover: str | None, header_of: ReadHeader = read_header,
) -> list[RawRow]:
    """A row for each pair of named pictures, with time and exposure where their EXIF agrees.

    Parameters
    ----------
    pictures : sequence of NamedPicture
        In their order, as seen from ``folder``.
    folder, base, rig, rover
        As in ``rows_of_folder``.
    header_of : callable
        Where the EXIF of a picture comes from.
    """
    common = _common(folder, base, rig, rover)
    rows: list[dict[str, Any]] = []
    latest: dict[str, dict[str, Any]] = {}
    for picture in pictures:
        row = latest.get(picture.pair)
        if row is None or picture.side in row:
            row = {"schema": SCHEMA, "id": id_of(picture.pair), **common}
            latest[picture.pair] = row
            rows.append(row)
        row[picture.side] = _from(base, folder / picture.path)
    for row in rows:
        row.update(_stated([header_of(base / row[side]) for side in ("left", "right")
                            if side in row]))
    return [RawRow(where=row.get("left") or row["right"], given=row,
                   name=id_of(row.get("left") or row["right"])) for row in rows]


def _none_of(count: int) -> str:
    return "none of its pictures (there is one)" if count == 1 else f"none of its {count} pictures"


def relative(path: Path, base: Path) -> str:
    """``path`` as seen from ``base``, with ``/``."""
    return Path(os.path.relpath(path.resolve(), base.resolve())).as_posix()


def _names(folder: Path, paths: Any) -> tuple[str, ...]:
    return tuple(sorted(path.relative_to(folder).as_posix() for path in paths))


def _from(base: Path, path: Path) -> str:
    """As ``relative``, without asking the system where the path is simply below ``base``."""
    return path.relative_to(base).as_posix() if base in path.parents else relative(path, base)


def _common(
    folder: Path, base: Path, rig: Path | None, rover: str | None
) -> dict[str, str]:
    if rig is None or rover is None:
        lacking = " and ".join(name for name, value in (("rig", rig), ("rover", rover))
                               if value is None)
        raise PairError(str(folder), f"holds pictures without sidecars, and no {lacking} is given",
                        "rig and rover for a folder of pictures", "give --rig and --rover")
    # Once, and first: else a slip of the pen is told of every picture.
    read_rig(rig)
    read_rover(rover)
    is_file = rover.endswith(".toml") or "/" in rover or "\\" in rover
    return {"rig": relative(rig, base), "rover": relative(Path(rover), base) if is_file else rover}


def _stated(headers: Sequence[PictureHeader | None]) -> dict[str, Any]:
    """What all pictures of a pair state alike; nothing is made up."""
    known = [header for header in headers if header is not None]
    if not known or len(known) < len(headers):
        return {}
    stated: dict[str, Any] = {}
    times = [header.taken_at for header in known]
    apart_s = moments_apart_s(times[0], times[-1])
    if apart_s is not None and apart_s <= resolution_s(*times) and _passes(moment, times[0]):
        stated["taken_at"] = times[0]
    exposures = {header.exposure_s for header in known}
    if len(exposures) == 1 and None not in exposures and _passes(exposure, *exposures):
        stated["exposure_s"] = known[0].exposure_s
    return stated


def _passes(check: Check, value: Any) -> bool:
    """Whether a row may state it: the clock of a camera may never have been set."""
    try:
        check("EXIF", value)
    except PairError:
        return False
    return True
