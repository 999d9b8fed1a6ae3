"""What a campaign keeps of an assessment: rows of the tables of a run, ready to be written."""

from __future__ import annotations

import json
import time
import zlib
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from hazcam import __version__
from hazcam.assess import Assessment, rig_causes
from hazcam.calibration import StereoRig
from hazcam.calibration.interchange import rig_text
from hazcam.campaign.record import PairEntry, Row, Value
from hazcam.disparity import DisparityMap
from hazcam.disparity.record import Blank
from hazcam.drift import DriftEstimate, NoDrift
from hazcam.imagery.quality import picture_quality
from hazcam.imagery.spots import pair_spots
from hazcam.report.record import Record, as_record, limits_record, rover_record, to_json_line
from hazcam.report.small_overlay import small_overlay
from hazcam.rover import RoverProfile
from hazcam.stored_npz import demands_bytes, terrain_bytes
from hazcam.verdict import Cause
from hazcam.verdict.gist import pack_gist

# Records compress to a seventh at any level; the lowest is the fastest.
_LEVEL = 1


def entry_of(
    assessment: Assessment, rig: StereoRig, inputs: Mapping[str, Any], *,
    drift: DriftEstimate | NoDrift | None, timings: Mapping[str, float],
) -> PairEntry:
    """Everything that is kept of an assessment.

    Parameters
    ----------
    assessment : Assessment
        From ``assess_pair``.
    rig : StereoRig
        As calibrated, with its mount.
    inputs : mapping
        As for ``as_record``.
    drift : DriftEstimate or NoDrift or None
        None where it was not asked for.
    timings : mapping of str to float
        What was measured before, by columns of the table ``timings``. [s]
    """
    begun = time.perf_counter()
    record = as_record(assessment, inputs=inputs)
    id_ = assessment.pair.id
    rows: dict[str, list[Row]] = {
        "rigs": [_rig(rig)], "rovers": [_rover(assessment.rover)],
        "settings": [{"digest": record["digests"]["settings"],
                      "json": _json(record["settings"])}],
        "assessments": [_assessment(assessment, rig, record)],
        "headings": [_heading(id_, heading) for heading in record["headings"]],
        **_picture_rows(assessment),
        "drifts": [] if drift is None else [_drift(id_, rig, drift)],
        "records": [{"pair": id_, "json": zlib.compress(to_json_line(record).encode(), _LEVEL)}],
        "overlays": [{"pair": id_, "jpeg": small_overlay(assessment)}],
    }
    evidence_s = time.perf_counter() - begun
    begun = time.perf_counter()
    rows |= _packed(assessment, record)
    return PairEntry(id=id_, rows=rows, timings={
        **timings, "evidence_s": evidence_s, "pack_s": time.perf_counter() - begun})


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True)


def _known(value: float | None) -> float | None:
    """NULL for what is not known, or has no bound."""
    return None if value is None or not np.isfinite(value) else float(value)


def _rig(rig: StereoRig) -> Row:
    return {"digest": rig.digest, "name": rig.name, "width_px": rig.size[0],
            "height_px": rig.size[1], "baseline_m": rig.baseline_m, "yaml": rig_text(rig)}


def _rover(rover: RoverProfile) -> Row:
    return {"digest": rover.digest, "name": rover.name,
            "json": _json({"rover": rover_record(rover), "limits": limits_record(rover)})}


def _assessment(a: Assessment, rig: StereoRig, record: Record) -> Row:
    against = _against_the_pair(a)
    ahead = next((h for h in record["headings"] if h["heading_deg"] == 0), None)
    going = sum(h["verdict"] == "go" for h in record["headings"])
    suggestion, check = record["suggestion"], record["rig_check"]
    return {
        "pair": a.pair.id, "rig": rig.digest, "rover": a.rover.digest,
        "settings": record["digests"]["settings"], "pictures": a.pair.digest,
        "hazcam": __version__,
        "usable": int(against is None), "unusable_because": against or "",
        "headings": len(record["headings"]), "headings_go": going,
        "verdict": "go" if going else "ask-ground",
        "verdict_ahead": "" if ahead is None else ahead["verdict"],
        "go_heading_deg": suggestion["heading_deg"], "clear_m": suggestion["clear_m"],
        "cause_ahead": ahead["causes"][0]["kind"] if ahead and ahead["causes"] else "",
        "suggestion": suggestion["text"],
        "seen_share": None if a.terrain is None else a.terrain.state_shares()["seen"],
        "matched_share": None if a.disparity is None else _matched_share(a.disparity),
        "rows_off_px": check["largest_px"], "rows_off_sigma_px": check["largest_sigma_px"],
        "rows_spread_px": check["spread_px"], "features": check["count"],
        "outside_rehearsed": "; ".join(record["outside_rehearsed"]),
        "notes": "; ".join([*record["pair"]["notes"], *record["intake"]["notes"]]),
    }


def _matched_share(disparity: DisparityMap) -> float:
    return float(np.mean(disparity.blank == Blank.MATCHED))


def _against_the_pair(a: Assessment) -> str | None:
    """What speaks against all of it, whatever the ground; None where nothing does."""
    causes: tuple[Cause, ...] = a.verdicts[0].causes[:1]
    if a.epipolar is not None:
        causes = rig_causes(a.epipolar)
    return causes[0].kind if causes else None


def _heading(id_: str, heading: Record) -> Row:
    first: Record = heading["causes"][0] if heading["causes"] else {}
    return {
        "pair": id_, "heading_deg": heading["heading_deg"], "verdict": heading["verdict"],
        "clear_m": heading["clear_m"], "assumed_m": heading["assumed_m"],
        "probability": heading["probability"], "bounded": int(heading["bounded"]),
        "cause": first.get("kind", ""), "cause_reason": first.get("reason", ""),
        "cause_at_m": first.get("at_m"), "cause_demand": first.get("demand"),
        "cause_sigma": first.get("sigma"), "cause_limit": first.get("limit"),
        "cause_unit": first.get("unit", ""),
    }


def _picture_rows(a: Assessment) -> dict[str, list[Row]]:
    pictures: list[Row] = []
    spots: list[Row] = []
    for side, quality in picture_quality(a.pair, a.intake).items():
        measured: dict[str, Value] = {k: _known(v) for k, v in asdict(quality).items()}
        pictures.append({"pair": a.pair.id, "side": side, **measured})
    for side, found in pair_spots(a.pair, a.intake).items():
        spots += [{"pair": a.pair.id, "side": side, "number": number, **asdict(spot)}
                  for number, spot in enumerate(found)]
    return {"pictures": pictures, "spots": spots}


def _drift(id_: str, rig: StereoRig, drift: DriftEstimate | NoDrift) -> Row:
    row: dict[str, Value] = {"pair": id_, "rig": rig.digest, "reason": "", "json": ""}
    if isinstance(drift, NoDrift):
        return {**row, "reason": drift.reason}
    for name, turn, sigma in zip(("pitch", "vergence", "roll"), drift.turn_deg.tolist(),
                                 drift.sigma_deg.tolist(), strict=True):
        row |= {f"{name}_deg": turn, f"{name}_sigma_deg": sigma}
    whole = {k: v.tolist() if isinstance(v, np.ndarray) else v for k, v in vars(drift).items()}
    return {**row, "json": _json(whole)}


def _packed(a: Assessment, record: Record) -> dict[str, list[Row]]:
    """What the pair can be judged from again; nothing where there was no stereo."""
    if a.terrain is None:
        return {}
    causes = () if a.epipolar is None else rig_causes(a.epipolar)
    return {
        "demands": [{"pair": a.pair.id, "npz": demands_bytes(a, record),
                     "gist": pack_gist(a.demands, causes)}],
        "terrains": [{"pair": a.pair.id, "npz": terrain_bytes(a, a.terrain, record)}],
    }
