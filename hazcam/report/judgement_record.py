"""A judgement from a store as a record of plain values: schema ``hazcam-judgement/1``.

As in ``hazcam.report.record``, so that the same table shows it. What was found out about the
pictures is what the store says of it; ``assessed`` holds the digests and versions of then. The
rig is not in the store: nothing is said of what lies beyond its card.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from hazcam import __version__
from hazcam.conditions import ground_outside_rehearsed
from hazcam.report.record import (
    Record,
    digest_of,
    heading_record,
    limits_record,
    near_strip_words,
    plain,
    rover_record,
    settings_record,
)
from hazcam.stored import Judgement, StoredTerrain
from hazcam.versions import versions

JUDGEMENT_SCHEMA = "hazcam-judgement/1"
_KEPT = ("pair", "attitude", "intake", "rig_check", "rig")


def judgement_record(judgement: Judgement, *, inputs: Mapping[str, Any]) -> Record:
    """The verdicts from a store as plain values ready for JSON.

    Parameters
    ----------
    judgement : Judgement
        From ``judge_demands`` or ``judge_terrain``.
    inputs : mapping
        Where the store is, and what options changed; kept as it is.
    """
    j, said = judgement, judgement.store.said
    # Who matched, and how, is as it was.
    settings = {**settings_record(j.settings), "matching": said["settings"]["matching"],
                "matcher": said["settings"]["matcher"]}
    strip = near_strip_words(j.near_strip_max_m, j.settings, j.demands,
                             said["near_strip"]["previous"])
    computed = {
        "headings": [heading_record(v, d, j.rover.limits, j.settings.confidence)
                     for v, d in zip(j.verdicts, j.demands, strict=True)],
        "suggestion": asdict(j.suggestion), "outside_rehearsed": _outside_rehearsed(j),
        "near_strip": strip, "limits": limits_record(j.rover), "rover": rover_record(j.rover),
        "judged_from": _judged_from(j),
    }
    return {
        "schema": JUDGEMENT_SCHEMA, "hazcam": __version__, "id": j.store.id, **plain(computed),
        **{key: said[key] for key in (*_KEPT, "refined") if key in said}, "settings": settings,
        "digests": {**said["digests"], "rover": j.rover.digest, "settings": digest_of(settings)},
        "assessed": {key: said[key] for key in ("hazcam", "digests", "versions")},
        "versions": versions(), "inputs": dict(inputs),
    }


def _outside_rehearsed(j: Judgement) -> list[str]:
    said: list[str] = j.store.said["outside_rehearsed"]
    if not isinstance(j.store, StoredTerrain):
        return said
    return [*said,
            *ground_outside_rehearsed(j.store.terrain, j.rover, j.settings.look_ahead_m)]


def _judged_from(j: Judgement) -> Record:
    kind = "ground" if isinstance(j.store, StoredTerrain) else "demands"
    return {"stored": kind, "assessed_for": j.store.rover.name,
            "text": f"the stored {kind} of an assessment for rover {j.store.rover.name}; no "
                    "picture was read"}
