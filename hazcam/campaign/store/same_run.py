"""Whether a run can be gone on with: its records must all be made in the same way."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hazcam.campaign.record import Manifest
from hazcam.errors import OutputError

_SHOWN = 8  # so many ids are named before "and N more"
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
    """Refuse a manifest that says something else of a pair that was assessed.

    Parameters
    ----------
    folder : Path
        The run, for the message.
    assessed : mapping of str to str
        Digest of the row by id of the pair.
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
            f"{folder}: {_listed(changed)}", "the rows as they were when the pairs were assessed",
            f"give a changed row another id, put it back, or {_OTHER}")


def _listed(ids: list[str]) -> str:
    more = len(ids) - _SHOWN
    return ", ".join(ids[:_SHOWN]) + (f" and {more} more" if more > 0 else "")


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
