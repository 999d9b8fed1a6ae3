"""The manifest of a campaign, schema ``hazcam-manifest/1``: one row for each pair.

CSV (RFC 4180, UTF-8) with a header, or JSON Lines, with the same flat keys in both. A row names a
``sidecar``, or the pictures themselves with rig and rover; paths are relative to the manifest. An
empty cell, or null, is a value that is not known. A row that says nothing at all is passed over.

Nothing is lost: a row that cannot be used becomes a ``BadRow`` that says why. Of several rows with
one id, the first has it, whatever else may be wrong with that row: mending it changes no other.

Pure: from text to records; ``campaign/manifest/io.py`` reads the files.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, get_args

from hazcam.campaign.manifest.text import (
    COLUMNS,
    ONBOARD,
    SCHEMA,
    WALKED,
    WINDOW,
    RawRow,
    raw_rows,
)
from hazcam.campaign.record import (
    BadRow,
    CampaignPair,
    Manifest,
    Outcome,
    PairFailure,
    Walked,
)
from hazcam.errors import HazcamError, PairError
from hazcam.imagery import Sidecar
from hazcam.imagery.naming import id_of, is_id, named
from hazcam.imagery.sidecar import SIDECAR_SUFFIX, sidecar_of
from hazcam.imagery.values import shown

ReadSidecar = Callable[[Path], Sidecar]
# By the id in small letters, since some systems know one folder by both: the id, and where it is
# first.
_Taken = dict[str, tuple[str, str]]

_PLAIN = tuple(c for c in COLUMNS
               if c not in {"schema", "sidecar", *WINDOW, *ONBOARD, *WALKED})
_OF_SIDECAR = frozenset({"schema", "id", "sidecar", *WALKED})
_OF_PICTURES = ("id", "rig", "rover")


@dataclass(frozen=True, kw_only=True)
class _Base:
    """Where rows come from: the manifest or folder, what paths start from, who reads sidecars."""

    path: Path
    folder: Path
    read: ReadSidecar


def parse_manifest(text: str, path: Path, read_sidecar: ReadSidecar) -> Manifest:
    """Turn the text of a manifest into a record.

    Parameters
    ----------
    text : str
        CSV, or JSON Lines where the name ends in ``.jsonl``.
    path : Path
        Where it stands: its paths are relative to that folder, and messages name the bare file.
    read_sidecar : callable
        From the path of a sidecar to the ``Sidecar``; raises HazcamError.

    Returns
    -------
    Manifest
        With the rows that cannot be used in ``bad``. The pictures are not looked at.

    Raises
    ------
    PairError
        It is no manifest at all: empty, a header with unknown or doubled columns, no row of the
        schema.
    """
    return manifest_of(raw_rows(text, path), path, read_sidecar)


def manifest_of(
    rows: Iterable[RawRow], path: Path, read_sidecar: ReadSidecar, *, folder: Path | None = None
) -> Manifest:
    """Check rows, each on its own and their ids together.

    Parameters
    ----------
    rows : iterable of RawRow
        In their order.
    path : Path
        The manifest, or the folder that was looked through.
    read_sidecar : callable
        As in ``parse_manifest``.
    folder : Path, optional
        Where relative paths start; by default where ``path`` stands.
    """
    base = _Base(path=path, folder=path.parent if folder is None else folder, read=read_sidecar)
    first: _Taken = {}
    pairs: list[CampaignPair] = []
    refused: list[tuple[int, RawRow, str | None, HazcamError]] = []
    for place, row in enumerate(rows):
        identifier = _own_id(row)
        try:
            pair = _pair(row, place, base)
            identifier = pair.id
            _refuse_doubled(identifier, row, first)
            pairs.append(pair)
        except HazcamError as error:
            free = identifier if identifier and identifier.lower() not in first else None
            refused.append((place, row, free, error))
        if identifier is not None:
            first.setdefault(identifier.lower(), (identifier, row.where))
    bad = tuple(_bad(place, row, own or _free_id(_by_files(row, base), first), error)
                for place, row, own, error in refused)
    return Manifest(path=path, pairs=tuple(pairs), bad=bad)


def _free_id(name: str, taken: _Taken) -> str:
    """``name``, with ``_`` behind it as long as a row has that id; taken by what it returns."""
    while name.lower() in taken:
        name += "_"
    taken[name.lower()] = name, name
    return name


def refused_pair(pair: CampaignPair, error: HazcamError) -> BadRow:
    """The bad row of a pair whose files turn out to be of no use."""
    return BadRow(place=pair.place, digest=pair.digest, pair=pair,
                  failure=_failure(pair.id, pair.where, error))


def inputs_digest(about: Sidecar, from_file: bool, folder: Path, *files: str) -> str:
    """SHA-256 of what assessing goes by: see ``CampaignPair.digest``.

    Parameters
    ----------
    about : Sidecar
    from_file : bool
        The sidecar is a file of its own: only such a one can name the pair before.
    folder : Path
        Where the paths of the manifest start.
    *files : str
        Digests of rig and rover as read.
    """
    def from_folder(path: Path | None) -> str | None:
        return None if path is None else as_named(str(path), folder)

    previous = about.details.get("previous")
    return _sha256({
        "left": from_folder(about.left), "right": from_folder(about.right),
        "rig": from_folder(about.rig), "from_file": from_file,
        "attitude": None if about.attitude is None else asdict(about.attitude),
        "window": None if about.window is None else asdict(about.window),
        "binning": about.binning,
        # It is named as seen from the sidecar.
        "previous": None if previous is None else [from_folder(about.path.parent), previous],
        # What was assumed, and that two times lie apart, is written into the record.
        "notes": about.notes,
        "files": files,
    })


def as_named(path: str, folder: Path) -> str:
    """A path as seen from where the manifest is; one that is named in full elsewhere, in full.

    So it is the same from wherever the command is given, and where a campaign is moved.

    Examples
    --------
    >>> as_named("field/day/../rig.yaml", Path("field")), as_named("/rigs/a.yaml", Path("field"))
    ('rig.yaml', '/rigs/a.yaml')
    """
    starts = () if folder == Path() else (f"{folder}{os.sep}",)
    for start in (*starts, f"{folder.absolute()}{os.sep}"):
        if path.startswith(start):
            path = path.removeprefix(start)
            break
    return Path(os.path.normpath(path)).as_posix()


def _sha256(values: Mapping[str, Any]) -> str:
    text = json.dumps(values, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest()


def _by_files(row: RawRow, base: _Base) -> str:
    """What a row is called that gives no id: by what it names, which editing does not move."""
    sidecar = row.given.get("sidecar")
    if isinstance(sidecar, str):
        try:
            return base.read(base.folder / sidecar).id
        except HazcamError:
            return id_of(Path(sidecar).name.removesuffix(SIDECAR_SUFFIX))
    for path in (row.given.get("left"), row.given.get("right")):
        if isinstance(path, str):
            told = named(Path(path).name)
            return id_of(Path(path).stem if told is None else told.pair)
    return row.name


def _own_id(row: RawRow) -> str | None:
    """The id that the row gives, if it can be used."""
    given = row.given.get("id")
    return given if isinstance(given, str) and is_id(given) else None


def _bad(place: int, row: RawRow, identifier: str, error: HazcamError) -> BadRow:
    return BadRow(place=place, digest=_sha256(row.given),
                  failure=_failure(identifier, row.where, error))


def _failure(identifier: str, where: str, error: HazcamError) -> PairFailure:
    place = error.where if error.where.startswith(where) else f"{where}: {error.where}"
    return PairFailure(id=identifier, kind="bad row", where=place, found=error.found,
                       expected=error.expected, remedy=error.remedy)


def _refuse_doubled(identifier: str, row: RawRow, first: _Taken) -> None:
    other, where = first.get(identifier.lower(), (None, ""))
    if other == identifier:
        raise PairError(f"{row.where}: id", f"{identifier!r} is taken already by {where}",
                        "each id once in a campaign",
                        "give one of the two pairs another id, or remove the row that is a copy")
    if other is not None:
        raise PairError(f"{row.where}: id", f"{identifier!r} is {other!r} of {where} but for "
                        "capitals", "ids that differ in more: some systems have one folder for "
                        "both", "give one of the two pairs another id")


# --- one row -------------------------------------------------------------------------------------


def _pair(row: RawRow, place: int, base: _Base) -> CampaignPair:
    if row.error is not None:
        raise row.error
    given = row.given
    _check_schema(given, row.where)
    sidecar = (_sidecar_named(given, row.where, base) if "sidecar" in given
               else _sidecar_made(given, row.where, base))
    walked, bad_label = _label(given, row.where)
    from_file = "sidecar" in given
    return CampaignPair(id=sidecar.id, place=place, where=row.where, sidecar=sidecar,
                        from_file=from_file, walked=walked, given=given, bad_label=bad_label,
                        digest=inputs_digest(sidecar, from_file, base.folder))


def _check_schema(given: Mapping[str, Any], where: str) -> None:
    if "schema" not in given:
        raise PairError(f"{where}: schema", "missing", SCHEMA, f"write {SCHEMA} into each row")
    if given["schema"] != SCHEMA:
        raise PairError(f"{where}: schema", f"found {given['schema']!r}", SCHEMA,
                        "write the row in the schema of this version")


def _label(given: Mapping[str, Any], where: str) -> tuple[Walked | None, str]:
    """The label, and what is wrong with one that is none: no reason not to assess the pair."""
    try:
        return _walked(given, where), ""
    except PairError as error:
        return None, f"{error.where}: {error.found}; expected: {error.expected}; " \
                     f"remedy: {error.remedy}"


def _walked(given: Mapping[str, Any], where: str) -> Walked | None:
    there = [key for key in WALKED if key in given]
    if not there:
        return None
    if len(there) == 1:
        lacking = next(key for key in WALKED if key not in given)
        raise PairError(where, f"{there[0]} without {lacking}", "both or neither",
                        f"give {lacking} as well, or leave out {there[0]}")
    heading, outcome = (given[key] for key in WALKED)
    if isinstance(heading, bool) or not isinstance(heading, float) or not -180 <= heading <= 180:
        raise PairError(f"{where}: {WALKED[0]}", f"found {shown(heading)}",
                        "an angle between -180 and 180 degrees, positive to the left",
                        "write a number of degrees, with a point and without unit")
    outcomes = get_args(Outcome)
    if outcome not in outcomes:
        raise PairError(f"{where}: {WALKED[1]}", f"found {shown(outcome)}", ", ".join(outcomes),
                        "give one of these; free words go into `note`")
    return Walked(heading_deg=heading, outcome=outcome)


def _sidecar_named(given: Mapping[str, Any], where: str, base: _Base) -> Sidecar:
    """What the file says that a row names."""
    name = given["sidecar"]
    if not isinstance(name, str):
        raise PairError(f"{where}: sidecar", f"found {name!r}", "the name of a sidecar",
                        "write the path of NAME.pair.json as a text")
    more = [key for key in given if key not in _OF_SIDECAR]
    if more:
        raise PairError(where, f"a sidecar, and {', '.join(more)} beside it",
                        f"beside a sidecar only {', '.join(sorted(_OF_SIDECAR - {'sidecar'}))}",
                        "write these values into the sidecar, or leave the sidecar out")
    path = base.folder / name
    try:
        sidecar = base.read(path)
    except HazcamError as error:
        raise _named_as_given(error, path, name, where) from error
    if given.get("id", sidecar.id) != sidecar.id:
        raise PairError(f"{where}: id", f"{given['id']!r}, but {name} is of the pair "
                        f"{sidecar.id!r}", "the id of the sidecar, or none",
                        "check that the row names the right sidecar; then leave out the id")
    return sidecar


def _named_as_given(error: HazcamError, path: Path, name: str, where: str) -> PairError:
    """The error of a sidecar, by its name as the row has it."""
    place = error.where.replace(str(path), name)
    # The place in a manifest is the file itself where a folder was looked through.
    return PairError(place if where == name else f"{where}: {place}", error.found,
                     error.expected, error.remedy)


def _sidecar_made(given: Mapping[str, Any], where: str, base: _Base) -> Sidecar:
    """A sidecar of the values of a row."""
    missing = [key for key in _OF_PICTURES if key not in given]
    if "left" not in given and "right" not in given:
        missing = ["left, right (one of them at least) or sidecar", *missing]
    if missing:
        raise PairError(where, f"missing: {'; '.join(missing)}",
                        "a sidecar, or left and right with id, rig and rover",
                        "fill in what is missing")
    values: dict[str, Any] = {"left": None, "right": None,
                              **{key: given[key] for key in _PLAIN if key in given},
                              "schema": "hazcam-pair/1"}
    for name, columns in (("window", WINDOW), ("onboard", ONBOARD)):
        part = {c.removeprefix(f"{name}_"): given[c] for c in columns if c in given}
        if part:
            values[name] = part
    try:
        return sidecar_of(values, base.path, where=where, folder=base.folder)
    except PairError as error:
        place = re.sub(r": (window|onboard): ", r": \1_", error.where)
        raise PairError(place, error.found, error.expected, error.remedy) from error
