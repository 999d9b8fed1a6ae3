"""Which pictures of a target belong together: from a folder, or from a list."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import click

from hazcam.errors import CalibrationError, listed
from hazcam.imagery import read_picture
from hazcam.imagery.naming import is_pattern, looks_deeper, named
from hazcam.imagery.pair import Picture

_LOSSY = frozenset({".jpg", ".jpeg", ".webp", ".jp2"})


@dataclass(frozen=True, kw_only=True)
class ViewFiles:
    """The pictures of one view; None for a side that was not photographed."""

    id: str
    left: Path | None
    right: Path | None


@dataclass(frozen=True, kw_only=True, eq=False)
class ViewPictures:
    """The same, read: pictures by path, all of one size.

    Attributes
    ----------
    files : tuple of ViewFiles
    pictures : dict of Path to ndarray
    size : tuple of int
        (width, height). [px]
    lossy : bool
        Some are compressed with loss: their noise is not the camera's.
    base : Path
        The folder that names are told from.
    """

    files: tuple[ViewFiles, ...]
    pictures: dict[Path, Picture]
    size: tuple[int, int]
    lossy: bool
    base: Path

    def name(self, path: Path | None) -> str:
        """Name of a picture, different for each; empty for none."""
        if path is None:
            return ""
        return path.relative_to(self.base).as_posix() if self.base in path.parents else str(path)


def find_views(source: Path, pattern: str | None, *, singles: bool) -> tuple[ViewFiles, ...]:
    """The views of a folder or of a list.

    Parameters
    ----------
    source : Path
        A folder, or a CSV file with the header ``left,right``, paths relative to it, an empty
        cell for a view of one camera.
    pattern : str or None
        For a folder: names of left and right picture with ``{stem}`` or ``{id}``,
        for example ``{stem}_L.jpg {stem}_R.jpg``. None goes by the words left and right, or the
        endings _L and _R, in the names.
    singles : bool
        Take pictures without a partner as views of one camera.

    Raises
    ------
    CalibrationError
        Nothing is there, or pictures lack their partner.
    """
    if source.is_dir():
        sides = _sides_of_folder(source, pattern)
        views = _paired(sides)
        _refuse_none(views, source, pattern)
        if not singles:
            _refuse_lone(views, source)
        return views
    return _views_of_list(source)


def read_views(views: Iterable[ViewFiles], source: Path) -> ViewPictures:
    """Read the pictures.

    Raises
    ------
    ImageError
        A picture that cannot be read.
    CalibrationError
        Pictures of different sizes.
    """
    files = tuple(views)
    paths = [p for view in files for p in (view.left, view.right) if p is not None]
    pictures = {path: read_picture(path)[0] for path in paths}
    sizes = Counter(p.shape for p in pictures.values())
    if len(sizes) > 1:
        usual = sizes.most_common(1)[0][0]
        others = [f"{path.name} ({p.shape[1]} x {p.shape[0]})" for path, p in pictures.items()
                  if p.shape != usual]
        raise CalibrationError(
            str(source), f"pictures of different sizes: most are {usual[1]} x {usual[0]} px, but "
            f"{listed(others)}", "one size for all pictures of both cameras",
            "leave the others out (--pair chooses by name), or calibrate them on their own",
        )
    height, width = next(iter(sizes))
    return ViewPictures(files=files, pictures=pictures, size=(width, height),
                        lossy=any(path.suffix.lower() in _LOSSY for path in paths),
                        base=source if source.is_dir() else source.parent)


def _sides_of_folder(folder: Path, pattern: str | None) -> dict[str, dict[str, Path]]:
    """Id to side to picture."""
    found: dict[str, dict[str, Path]] = {}
    places = folder.rglob("*") if looks_deeper(pattern) else folder.iterdir()
    for path in sorted(places):
        picture = named(path.relative_to(folder).as_posix(), pattern)
        if picture is not None:
            found.setdefault(picture.pair, {})[picture.side] = path
    return found


def _checked_pattern(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    if value is not None and not is_pattern(value):
        raise click.BadParameter(f"{value!r} is not two names with {{id}} or {{stem}} in each, "
                                 "for example '{stem}_L.png {stem}_R.png'")
    return value


# How the pictures of a folder are paired, for the commands that take a folder of them.
pair_pattern = click.option(
    "--pair", "pattern", callback=_checked_pattern, metavar="'LEFT RIGHT'",
    help="Names of the two pictures of a pair with {stem}, or {id}, where they differ from pair to "
         "pair: '{stem}_L.png {stem}_R.png', or 'left/{stem}.png right/{stem}.png' where each "
         "camera has a folder. By default the words left and right, or _L and _R at the end, "
         "tell.")


def _paired(sides: dict[str, dict[str, Path]]) -> tuple[ViewFiles, ...]:
    return tuple(ViewFiles(id=name, left=found.get("left"), right=found.get("right"))
                 for name, found in sorted(sides.items()))


def _refuse_none(views: tuple[ViewFiles, ...], folder: Path, pattern: str | None) -> None:
    if any(v.left is not None and v.right is not None for v in views):
        return
    how = ("with left and right, or _L and _R, in their names" if pattern is None
           else f"named {pattern}")
    left, right = (sum(getattr(v, side) is not None for v in views) for side in ("left", "right"))
    found = f"holds {left} left and {right} right pictures" if left or right else "holds nothing"
    raise CalibrationError(
        str(folder), f"{found} {how}, and no pair", "pairs of pictures",
        "check the folder, or name the pictures by --pair '{stem}_L.png {stem}_R.png'; with a "
        "folder for each camera 'left/{stem}.png right/{stem}.png'",
    )


def _refuse_lone(views: tuple[ViewFiles, ...], folder: Path) -> None:
    left = [v.left.name for v in views if v.left is not None and v.right is None]
    right = [v.right.name for v in views if v.right is not None and v.left is None]
    if not left and not right:
        return
    lone = " and ".join(f"{len(names)} {side} without a {other} ({listed(names)})"
                        for names, side, other in ((left, "left", "right"),
                                                   (right, "right", "left")) if names)
    raise CalibrationError(
        str(folder), f"left and right pictures differ in number: {lone}",
        "a partner for each picture",
        "add the missing ones, or give --singles to use lone pictures for their own camera",
    )


def _views_of_list(path: Path) -> tuple[ViewFiles, ...]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            header, rows = reader.fieldnames or [], list(reader)
    except FileNotFoundError as error:
        raise CalibrationError(str(path), "does not exist", "a folder, or a list of pairs (CSV)",
                               "check the path") from error
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise CalibrationError(str(path), f"cannot be read as a list: {error}",
                               "CSV text with the header left,right",
                               "give a folder, or write the list again") from error
    if not rows or set(header) != {"left", "right"}:
        found = (f"the columns {', '.join(header)}" if header and set(header) != {"left", "right"}
                 else "no rows")
        raise CalibrationError(str(path), found, "CSV with the header left,right, one view a row",
                               "write the header; leave a cell empty for a view of one camera")
    views: list[ViewFiles] = []
    for number, row in enumerate(rows, start=2):
        left, right = (path.parent / cell.strip() if (cell := row[side] or "").strip() else None
                       for side in ("left", "right"))
        if left is None and right is None:
            raise CalibrationError(f"{path}: line {number}", "two empty cells",
                                   "one picture at least", "remove the line")
        views.append(ViewFiles(id=_free_name((left or right or path).stem, views), left=left,
                               right=right))
    return tuple(views)


def _free_name(name: str, views: list[ViewFiles]) -> str:
    """The name, numbered where a view has it already."""
    taken = sum(v.id.partition(" (")[0] == name for v in views)
    return f"{name} ({taken + 1})" if taken else name
