"""Reading a campaign: its manifest, or the folder that stands for one, and what each row names."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from hazcam.calibration import read_rig
from hazcam.campaign.manifest.folder import look_into, rows_of_folder
from hazcam.campaign.manifest.rows import (
    as_named,
    inputs_digest,
    manifest_of,
    parse_manifest,
    refused_pair,
)
from hazcam.campaign.record import CampaignPair, Manifest
from hazcam.errors import HazcamError, PairError
from hazcam.imagery import read_sidecar
from hazcam.imagery.io import check_picture
from hazcam.rover import read_rover

T = TypeVar("T")

_WHAT = ("a manifest (.csv, .jsonl), a folder with sidecars *.pair.json, or a folder with the two "
         "pictures of each pair")


def read_manifest(
    source: Path, *, pattern: str | None = None, rig: Path | None = None, rover: str | None = None
) -> Manifest:
    """Read a manifest, or look through a folder, and check what each row names.

    The pictures are looked at but not decoded: each is there (one of the two may be missing), is a
    file that starts as a picture; rig and rover can be read.

    Parameters
    ----------
    source : Path
        A manifest (``.csv``, ``.jsonl``); a folder with sidecars ``*.pair.json``, within its
        folders too; or a folder with the two pictures of each pair.
    pattern : str, optional
        How the pictures of a folder are named, see ``imagery.naming.named``; sidecars do not count
        then.
    rig, rover : Path and str, optional
        For a folder of pictures, which says neither; other sources have their own.

    Returns
    -------
    Manifest
        Every row, with those that cannot be used in ``bad``.

    Raises
    ------
    PairError
        There is no manifest, or nothing in the folder; a folder of pictures without rig and rover.
    """
    if not _exists(source):
        raise PairError(str(source), "does not exist", _WHAT, "check the path")
    if not source.is_dir():
        found = parse_manifest(_read_text(source), source, read_sidecar)
        return checked(found, source.parent)
    rows = rows_of_folder(look_into(source, pattern), source, rig, rover)
    return checked(manifest_of(rows, source, read_sidecar, folder=source), source)


def checked(manifest: Manifest, folder: Path) -> Manifest:
    """The manifest with the pairs in ``bad`` whose files cannot be used.

    The digest of each pair then covers rig and rover as read.

    Parameters
    ----------
    manifest : Manifest
        From ``parse_manifest`` or ``manifest_of``.
    folder : Path
        Where its paths start: messages leave it out.
    """
    rigs = _Once(lambda name: read_rig(Path(name)).digest)
    rovers = _Once(lambda name: read_rover(name).digest)
    good: list[CampaignPair] = []
    bad = list(manifest.bad)
    for pair in manifest.pairs:
        try:
            files = rigs.digest(str(pair.sidecar.rig)), rovers.digest(pair.sidecar.rover)
            # Before the pictures: that those of an assessed pair are gone changes no digest.
            pair = replace(pair, digest=inputs_digest(pair.sidecar, pair.from_file, folder, *files))
            _check_pictures(pair)
        except HazcamError as error:
            bad.append(refused_pair(pair, as_seen_from(error, pair, folder)))
        else:
            good.append(pair)
    return Manifest(path=manifest.path, pairs=tuple(good),
                    bad=tuple(sorted(bad, key=lambda row: row.place)))


class _Once:
    """What reads a file once, however many rows name it; an error is raised for each of them."""

    def __init__(self, read: Callable[[str], str]) -> None:
        self._read = read
        self._known: dict[str, str | HazcamError] = {}

    def digest(self, name: str) -> str:
        """Digest of what was read; raises what reading raised."""
        if name not in self._known:
            try:
                self._known[name] = self._read(name)
            except HazcamError as error:
                self._known[name] = error
        known = self._known[name]
        if isinstance(known, HazcamError):
            raise known
        return known


def _read_text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise PairError(str(path), f"cannot be read: {error.strerror}", _WHAT,
                        "check its permissions") from error
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise PairError(str(path), f"is not UTF-8 text (line {line}, byte {error.start})", _WHAT,
                        "save it again as UTF-8") from error


def _check_pictures(pair: CampaignPair) -> None:
    """Refuse pictures that are no pictures; one of the two may be missing, as for ``read_pair``."""
    sides = {"left": pair.sidecar.left, "right": pair.sidecar.right}
    there = 0
    for path in sides.values():
        if path is not None and _exists(path):
            check_picture(path)
            there += 1
    if not there:
        missing = "; ".join(f"{side}: none given" if path is None else f"{side}: {path} does not "
                            "exist" for side, path in sides.items())
        raise PairError(pair.where, f"both pictures are missing ({missing})",
                        "at least one picture", "put the pictures there, or correct the paths")


def _exists(path: Path) -> bool:
    try:
        return path.exists()
    except OSError as error:  # for example a name longer than the system allows
        raise PairError(str(path), f"cannot be looked up: {error.strerror}", "the path of a file",
                        "correct the path") from error


def as_seen_from(error: HazcamError, pair: CampaignPair, folder: Path) -> HazcamError:
    """The error with its paths as the manifest has them: a path of this machine is no use later."""
    prefix = "" if folder == Path() else f"{folder}{os.sep}"
    about = pair.sidecar
    paths = {str(path) for path in (about.left, about.right, about.rig) if path is not None}
    if Path(about.rover).name != about.rover:
        paths.add(about.rover)
    ways = [*(rf"{re.escape(path)}(?!\w)" for path in sorted(paths, key=len, reverse=True)),
            *([re.escape(prefix)] if prefix else [])]
    # Only where a path begins: within one, "./" ends "../" too.
    path = re.compile(rf"(?<![\w./\\-])(?:{'|'.join(ways)})")

    def shorter(match: re.Match[str]) -> str:
        return "" if match[0] == prefix else as_named(match[0], folder)

    where, found = (path.sub(shorter, text) for text in (error.where, error.found))
    return HazcamError(where, found, error.expected, error.remedy)
