"""The cross-section of one heading as a record of plain values: schema ``hazcam-section/1``.

The same numbers as in the figure, station by station, as in ``hazcam.report.record``: ``null`` for
what is not known. Elevations are in the level frame, from the rover origin; stations along the
heading from the nose; offsets from the line of the heading, positive to the left. A ceiling is
``null`` where every cell across the lane is seen or assumed clear (``ceiling``: ``none unseen``)
and where nothing bounds what could hide (``unbounded``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.assess import Assessment
from hazcam.errors import HazcamError
from hazcam.frames import heading_text
from hazcam.report.record import Record, as_record, counted, missing_picture, plain
from hazcam.terrain import CellState
from hazcam.verdict import CrossSection, Lane, cross_section

SECTION_SCHEMA = "hazcam-section/1"
_SHARED = ("rover", "limits", "attitude", "near_strip", "settings", "digests", "versions",
           "inputs")


def section_along(assessment: Assessment, heading_deg: float) -> CrossSection:
    """Cut the ground along a heading that was judged.

    Raises
    ------
    HazcamError
        One picture is missing, so that there is no ground to cut; or the heading was not judged.
    """
    name = f"{assessment.pair.id}: section {heading_text(heading_deg)}"
    if assessment.terrain is None:
        raise HazcamError(name, f"no stereo: the {missing_picture(assessment.pair)} picture is "
                                "missing", "both pictures of the pair", "give the missing picture")
    demand = next((d for d in assessment.demands if d.heading_deg == heading_deg), None)
    verdict = next((v for v in assessment.verdicts if v.heading_deg == heading_deg), None)
    if demand is None or verdict is None:
        judged = ", ".join(f"{v.heading_deg:g}" for v in assessment.verdicts)
        raise HazcamError(name, "this heading was not judged", f"one of {judged} degrees",
                          "assess the pair with this heading")
    return cross_section(assessment.terrain, assessment.rover, demand, verdict,
                         assessment.rover.limits)


def section_record(
    assessment: Assessment, section: CrossSection, *, inputs: Mapping[str, Any]
) -> Record:
    """The section as plain values ready for JSON.

    Parameters
    ----------
    assessment : Assessment
        That the section was cut from.
    section : CrossSection
        From ``section_along``.
    inputs : mapping
        As for ``as_record``.
    """
    whole = as_record(assessment, inputs=inputs)
    [judged] = [found for found, verdict in zip(whole["headings"], assessment.verdicts, strict=True)
                if verdict.heading_deg == section.heading_deg]
    return {
        "schema": SECTION_SCHEMA, "hazcam": whole["hazcam"], "id": whole["id"], **judged,
        **plain({"cell_m": section.cell_m, "ground_assumed_m": section.assumed_m,
                 "station_m": section.station_m.tolist(),
                 "lanes": [_lane(lane) for lane in section.lanes],
                 "standing": asdict(section.standing)}),
        **{key: whole[key] for key in (*_SHARED, "refined") if key in whole},
    }


def _lane(lane: Lane) -> Record:
    profiles = ("mean_m", "sigma_m", "ground_m", "highest_m", "lowest_m", "ceiling_m")
    right, left = lane.offset_m
    return {
        "name": lane.name, "right_edge_m": right, "left_edge_m": left, "line_m": lane.line_m,
        "state": _words(lane.state), "from_previous": lane.from_previous.tolist(),
        **{name: getattr(lane, name).tolist() for name in profiles},
        "unseen_state": [None if word == "seen" else word for word in _words(lane.unseen_state)],
        "ceiling": [_bound(value) for value in lane.ceiling_m.tolist()],
        "assumed": lane.assumed.tolist(),
    }


def _words(states: NDArray[np.uint8]) -> list[str]:
    return [CellState(int(state)).name.lower() for state in states]


def _bound(ceiling_m: float) -> str:
    if np.isnan(ceiling_m):
        return "none unseen"
    return "bounded" if np.isfinite(ceiling_m) else "unbounded"


def section_text(record: Record) -> str:
    """The section in words: the verdict, its causes, and what was seen of each lane."""
    assumed = f" (the first {record['assumed_m']:.2f} m assumed)" if record["assumed_m"] else ""
    lines = [f"{record['id']}, {heading_text(record['heading_deg'])}: {record['verdict']}, clear "
             f"for {record['clear_m']:.2f} m from the nose{assumed}",
             *(f"  {cause['text']}" for cause in record["causes"]),
             *(f"{lane['name']}: {_seen_text(lane, record['station_m'])}"
               for lane in record["lanes"]),
             *([record["refined"]["text"]] if "refined" in record else [])]
    return "\n".join(lines) + "\n"


def _seen_text(lane: Record, station_m: list[float]) -> str:
    """At how many stations the line of a lane was seen, and where nothing bounds what hides."""
    text = f"{counted(lane['state'].count('seen'), 'cell')} of {len(station_m)} along its line seen"
    if "unbounded" not in lane["ceiling"]:
        return text
    at = station_m[lane["ceiling"].index("unbounded")]
    return f"{text}; at {at:.2f} m something of any height could hide across it"
