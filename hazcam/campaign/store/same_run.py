"""Whether a run can be gone on with: its records must all be made in the same way."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from hazcam.campaign.record import CampaignPair, Manifest
from hazcam.campaign.store.pair_rows import Seen, files_seen, pair_row
from hazcam.errors import OutputError, listed

_OTHER = "give another folder with -o"


@dataclass(frozen=True, kw_only=True)
class Named:
    """What a run holds of the inputs of a pair that was assessed.

    Attributes
    ----------
    digest : str
        ``CampaignPair.digest``.
    files : mapping of str to str or None
        Its pictures by ``left`` and ``right``, relative to the manifest.
    seen : mapping of str to Seen
        ``files_seen`` of them.
    """

    digest: str
    files: Mapping[str, str | None]
    seen: Mapping[str, Seen]


def check_about(folder: Path, stored: Mapping[str, str], asked: Mapping[str, str]) -> None:
    """Refuse to go on with other versions or options than a run was begun with.

    Raises
    ------
    OutputError
        Naming what differs, as it was and as it is.
    """
    old, new = stored.get("hazcam"), asked.get("hazcam")
    if old != new:
        raise OutputError(str(folder), f"was begun by hazcam {old}; this is hazcam {new}",
                          "all records of a run made by one version",
                          f"go on with hazcam {old}, or {_OTHER}")
    changed = _differences(stored, asked, "versions")
    if changed:
        raise OutputError(str(folder), f"was begun with other libraries: {', '.join(changed)}",
                          "all records of a run made with the same libraries",
                          f"go on where those are installed, or {_OTHER}")
    changed = _differences(stored, asked, "options")
    if changed:
        raise OutputError(str(folder), f"was begun with other options: {', '.join(changed)}",
                          "all records of a run made with the same options",
                          f"give the options that it was begun with, or {_OTHER}")


def check_names(folder: Path, before: Mapping[str, Named], manifest: Manifest) -> None:
    """Refuse a manifest that names the assessed pictures as seen from another folder.

    A row is known by the paths that it names, as seen from the manifest: so a campaign can be
    moved. Its other inputs are those of ``check_rows``.

    Parameters
    ----------
    folder : Path
        The run, for the message.
    before : mapping of str to Named
        By id of each pair that was assessed.
    manifest : Manifest
        As it is now.

    Raises
    ------
    OutputError
        With such a path, as it was and as it is.
    """
    changed = [p for p in manifest.pairs if p.id in before and before[p.id].digest != p.digest]
    moved = [found for pair in changed
             if (found := _moved(before[pair.id], pair, manifest)) is not None]
    if moved and len(moved) == len(changed):
        was, now = moved[0]
        files = "the files of a pair" if len(moved) == 1 else f"the files of {len(moved)} pairs"
        raise OutputError(
            str(manifest.path), f"names {files} assessed in {folder} as seen from another folder: "
            f"{now} instead of {was}", "paths as seen from where the run was begun",
            "write the manifest into the folder of the one that the run was begun from (or into "
            "the folder that was given instead of one), or add to that manifest what is new; or "
            f"{_OTHER}")


def _moved(before: Named, pair: CampaignPair, manifest: Manifest) -> tuple[str, str] | None:
    """A picture of a pair as it was named and as it is, if it is likely the same one."""
    row, seen = pair_row(pair, manifest, {}), files_seen(pair)
    for side in ("left", "right"):
        was, now = before.files[side], row[f"{side}_file"]
        size, size_before = seen[side], before.seen[side]
        if was is None or now is None or size is None or size_before is None:
            continue
        # A copy of the campaign has other times of change.
        if was != now and size[0] == size_before[0] and _ends_alike(was, str(now)):
            return was, str(now)
    return None


def _ends_alike(one: str, other: str) -> bool:
    """Whether one of two paths may be the other from a folder above or below it."""
    a, b = ([part for part in PurePosixPath(path).parts if part != ".."] for path in (one, other))
    most = min(len(a), len(b))
    return a[-most:] == b[-most:]


def check_rows(folder: Path, assessed: Mapping[str, str], manifest: Manifest) -> None:
    """Refuse a manifest that gives an assessed pair other inputs than when it was assessed.

    Labels, site and note are no inputs: the run takes them over as they are now. The pictures are
    those of ``check_pictures``.

    Parameters
    ----------
    folder : Path
        The run, for the message.
    assessed : mapping of str to str
        ``CampaignPair.digest`` by id of the pair.
    manifest : Manifest
        As it is now.

    Raises
    ------
    OutputError
        Naming the pairs; of rows that are bad now, what is wrong with the first.
    """
    bad = [b.failure for b in manifest.bad if assessed.get(b.failure.id, b.digest) != b.digest]
    if bad:
        first, rows = bad[0], "a row" if len(bad) == 1 else f"{len(bad)} rows"
        raise OutputError(
            str(manifest.path), f"has {rows} now that cannot be used, of pairs assessed in "
            f"{folder} ({listed([b.id for b in bad])}). {first.where}: {first.found}",
            first.expected, f"{first.remedy}; or put back what was changed")
    digests = {p.id: p.digest for p in manifest.pairs}
    changed = [id_ for id_, digest in digests.items() if assessed.get(id_, digest) != digest]
    if changed:
        rows = "row" if len(changed) == 1 else "rows"
        raise OutputError(
            str(manifest.path), f"says something else now of {len(changed)} {rows} assessed in "
            f"{folder}, by the row itself, or its sidecar, rig or rover: {listed(changed)}",
            "files, attitude, window, binning, pair before, rig and rover as they were when the "
            "pairs were assessed (labels and notes may change)",
            "put back what was changed, give a changed row another id (the sidecar too, which has "
            f"its own), or {_OTHER}")


def check_pictures(folder: Path, other: Mapping[str, str], manifest: Manifest) -> None:
    """Refuse pictures that are not those that were assessed.

    Parameters
    ----------
    folder : Path
        The run, for the message.
    other : mapping of str to str
        By id of a pair, what is other about its pictures.
    manifest : Manifest
        As it is now.

    Raises
    ------
    OutputError
        Naming the pairs.
    """
    if other:
        pairs = "pair" if len(other) == 1 else "pairs"
        told = [f"{id_} ({what})" for id_, what in other.items()]
        raise OutputError(
            str(manifest.path), f"the pictures of {len(other)} {pairs} are not those assessed in "
            f"{folder}: {listed(told)}", "the pictures as they were when the pairs were assessed",
            f"put them back, or begin a new run: {_OTHER}; the run that is there stays as it is")


def _differences(stored: Mapping[str, str], asked: Mapping[str, str], name: str) -> list[str]:
    old, new = (_flat(json.loads(about.get(name, "{}"))) for about in (stored, asked))
    names = dict.fromkeys((*old, *new))
    return [f"{key} {_word(old.get(key))} -> {_word(new.get(key))}" for key in names
            if old.get(key) != new.get(key)]


def _flat(values: Mapping[str, Any], above: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in values.items():
        name = f"{above}{key}"
        flat |= _flat(value, f"{name}.") if isinstance(value, dict) else {name: value}
    return flat


def _word(value: Any) -> str:
    return "not given" if value is None else json.dumps(value, ensure_ascii=False)
