"""Tables of a run made by hand: only what a test is about is given, the rest is not known."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.store.schema import TABLES
from hazcam.campaign.summary.summary import READ

_UNKNOWN: dict[str, Any] = {"text": "", "real": np.nan, "integer": 0}
_DTYPES = {"text": "U200", "real": "f8", "integer": "i8"}


def table(name: str, *rows: Mapping[str, Any]) -> NDArray[Any]:
    """A table in the order of its key."""
    columns = TABLES[name].plain
    unknown = [set(row) - {c.name for c in columns} for row in rows]
    assert not any(unknown), unknown
    array = np.array([tuple(row.get(c.name, _UNKNOWN[c.kind]) for c in columns) for row in rows],
                     dtype=[(c.name, _DTYPES[c.kind]) for c in columns])
    return np.sort(array, order=list(TABLES[name].key))


def tables(**rows: list[dict[str, Any]]) -> dict[str, NDArray[Any]]:
    """All tables that a summary reads; what is not given is empty, rigs and rovers are there."""
    given: dict[str, list[dict[str, Any]]] = {
        "rigs": [{"digest": "rig", "name": "bench", "width_px": 640, "height_px": 480}],
        "rovers": [{"digest": "em", "name": "dunlin-em"}, {"digest": "fm", "name": "dunlin-fm"}],
        **rows}
    return {name: table(name, *given.get(name, [])) for name in READ}


def pair(id_: str, **more: Any) -> dict[str, Any]:
    return {"pair": id_, "rover": "dunlin-em", "roll_deg": 0.0, "pitch_deg": 0.0, **more}


def assessment(id_: str, ahead: str = "ask-ground", go: int = 0, **more: Any) -> dict[str, Any]:
    return {"pair": id_, "rig": "rig", "rover": "em", "settings": "s", "hazcam": "0.1.0",
            "usable": 1, "headings": 3, "headings_go": go, "verdict_ahead": ahead,
            "verdict": "go" if go else "ask-ground", **more}


def heading(id_: str, deg: float = 0.0, cause: str = "", **more: Any) -> dict[str, Any]:
    """Go, or ask-ground for a cause."""
    return {"pair": id_, "heading_deg": deg, "verdict": "ask-ground" if cause else "go",
            "cause": cause, "clear_m": 0.5 if cause else 1.0, "bounded": 1, **more}
