"""Whether a run can be gone on with: its records must all be made in the same way."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hazcam.campaign.record import Manifest
from hazcam.errors import OutputError, listed

_OTHER = "give another folder with -o"


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
        Naming the pairs.
    """
    digests = {**{p.id: p.digest for p in manifest.pairs},
               **{b.failure.id: b.digest for b in manifest.bad}}
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
