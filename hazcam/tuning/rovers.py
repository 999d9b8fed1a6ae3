"""The rovers of a run: whose each pair is, and that one name stands for one rover."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from hazcam.campaign.store.reader import Run
from hazcam.errors import HazcamError, listed

_NO_NUMBER = ("name", "source", "unit", "was")  # they do not change what is judged


def rovers_of(run: Run) -> dict[str, str]:
    """Name of the rover of each pair that was assessed, by the id of the pair."""
    rovers = run.table("rovers", columns=("digest", "name"))
    names = dict(zip(rovers["digest"].tolist(), rovers["name"].tolist(), strict=True))
    return {str(row["pair"]): str(names[row["rover"]])
            for row in run.table("assessments", columns=("pair", "rover"))}


def refuse_namesakes(run: Run, name: str) -> None:
    """Check that all pairs of a rover were assessed for the same one.

    Parameters
    ----------
    run : Run
    name : str
        Of the rover.

    Raises
    ------
    HazcamError
        Several rovers (body, legs, margin or limits) have the name.
    """
    used = set(run.table("assessments", columns=("rover",))["rover"].tolist())
    found = [_flat(json.loads(str(row["json"]))) for row in run.table("rovers")
             if str(row["name"]) == name and row["digest"] in used]
    if len(found) < 2:
        return
    differing = [f"{key} ({', '.join(values)})" for key in found[0]
                 if len(values := sorted({f"{one.get(key)}" for one in found})) > 1]
    raise HazcamError(
        str(run.file), f"pairs of {len(found)} rovers that are all called {name}; they differ in "
        f"{listed(differing)}", "one rover, whose limit is set anew",
        "give the rovers names of their own, or assess them in runs of their own")


def _flat(given: Mapping[str, Any], before: str = "") -> dict[str, Any]:
    """Numbers by their dotted keys."""
    found: dict[str, Any] = {}
    for key, value in given.items():
        if key in _NO_NUMBER:
            continue
        if isinstance(value, Mapping):
            found |= _flat(value, f"{before}{key}.")
        else:
            found[f"{before}{key}"] = value
    return found


__all__ = ["refuse_namesakes", "rovers_of"]
