"""The assessment as a record of plain values: schema ``hazcam-assessment/1``.

Text, page and JSON all show this one record; none of them computes anything. Pure: no file, no
clock, no absolute path.

- Lengths are in m, angles in deg, disparities in px; a name carries its unit.
- ``null`` stands for what is not known or has no bound. A cause whose demand nothing bounds has
  ``"demand": null`` beside a limit, and its ``text`` says so. NaN and infinity never appear.
- Computed numbers keep ``DIGITS`` significant digits, so that on one platform with the same
  package versions a record is reproduced to the byte. ``inputs`` and ``settings`` keep all
  digits: the record is rerun from them.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import PurePath
from typing import Any

import numpy as np

from hazcam import __version__
from hazcam.alignment import VerticalOffset
from hazcam.assess import Assessment
from hazcam.conditions import outside_rehearsed
from hazcam.disparity import DisparityMap
from hazcam.epipolar import (
    LEAST_CORRECTED_PX,
    MAX_EPIPOLAR_OFFSET_PX,
    MAX_EPIPOLAR_SIGMA_PX,
    MAX_EPIPOLAR_SPREAD_PX,
    MIN_EPIPOLAR_FEATURES,
    MIN_EPIPOLAR_SHARE,
    EpipolarResidual,
)
from hazcam.frames import heading_text
from hazcam.imagery import StereoPair, pair_digest
from hazcam.report.refined_record import refined_record
from hazcam.rig_card import rig_card
from hazcam.rover import LIMIT_UNITS, Limit, Limits, RoverProfile
from hazcam.settings import Settings
from hazcam.terrain import TerrainMap
from hazcam.verdict import Cause, HeadingDemand, HeadingVerdict, margin_of
from hazcam.versions import versions

SCHEMA = "hazcam-assessment/1"
DIGITS = 9
RELATIVE_TOLERANCE = 1e-6
# A residual of rounding about zero is no difference: a nanometre, a billionth of a degree.
_ABSOLUTE_TOLERANCE = 1e-9

Record = dict[str, Any]

# What may differ between two runs that agree: the places of the inputs and the versions; texts
# only repeat the numbers, rounded.
_NOT_COMPARED = frozenset({"inputs", "versions", "hazcam", "text"})


def as_record(assessment: Assessment, *, inputs: Mapping[str, Any]) -> Record:
    """All that was found out about a pair, as plain values ready for JSON.

    Parameters
    ----------
    assessment : Assessment
        From ``assess_pair``.
    inputs : mapping
        Where the inputs are (paths relative to where the record is kept) and what options
        changed them; kept as it is.
    """
    a = assessment
    settings = settings_record(a.settings)
    computed = {
        "headings": _headings(a), "suggestion": asdict(a.suggestion), "pair": _pair(a.pair),
        "attitude": attitude_record(a), "outside_rehearsed": list(outside_rehearsed(a)),
        "near_strip": near_strip_record(a),
        "intake": {"noise": asdict(a.intake.noise), "shares": a.intake.shares,
                   "notes": list(a.intake.notes)},
        "rig_check": _rig_check(a.epipolar, refined=a.refined is not None and a.refined.used),
        "disparity": _disparity(a.disparity),
        **_terrain(a.terrain), "limits": limits_record(a.rover), "rover": rover_record(a.rover),
        "rig": _rig(a), **refined_record(a),
    }
    return {
        "schema": SCHEMA, "hazcam": __version__, "id": a.pair.id, **plain(computed),
        "settings": settings,
        "digests": {"pair": a.pair.digest, **_picture_digests(a.pair), "rig": a.rig.digest,
                    "rover": a.rover.digest, "settings": digest_of(settings),
                    **_previous_digest(a)},
        "versions": versions(), "inputs": dict(inputs),
    }


def plain(value: Any) -> Any:
    """Plain values of ``DIGITS`` significant digits; None for NaN and infinity.

    Examples
    --------
    >>> plain({"a": (1 / 3, float("nan")), "b": -0.0})
    {'a': [0.333333333, None], 'b': 0.0}
    """
    if isinstance(value, Mapping):
        return {key: plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        # Adding 0 turns -0 into 0.
        return float(f"{value:.{DIGITS}g}") + 0.0 if math.isfinite(value) else None
    return value


def to_json(record: Record) -> str:
    """The record as indented JSON; the same record gives the same bytes."""
    return json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def to_json_line(record: Record) -> str:
    """The record as one line of JSON, for JSON Lines."""
    return json.dumps(record, ensure_ascii=False, allow_nan=False)


def same_record(a: Record, b: Record) -> list[str]:
    """What differs between two records of one pair; empty where they agree.

    Numbers may differ by ``RELATIVE_TOLERANCE``; the places of the inputs, the versions, and
    texts (they repeat the numbers) are not compared.
    """
    return _differences(a, b, "")


def _differences(a: Any, b: Any, where: str) -> list[str]:
    if isinstance(a, dict) and isinstance(b, dict):
        found = []
        for key in dict.fromkeys((*a, *b)):
            if key in _NOT_COMPARED:
                continue
            place = f"{where}.{key}" if where else key
            if key in a and key in b:
                found += _differences(a[key], b[key], place)
            else:
                found.append(f"{place}: only in the {'first' if key in a else 'second'}")
        return found
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        pairs = enumerate(zip(a, b, strict=True))
        return [d for i, (x, y) in pairs for d in _differences(x, y, f"{where}[{i}]")]
    if isinstance(a, list) and isinstance(b, list):
        return [f"{where}: {len(a)} entries, then {len(b)}"]
    return [] if _same_value(a, b) else [f"{where}: {a!r}, then {b!r}"]


def _same_value(a: Any, b: Any) -> bool:
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (a, b))
    if numbers:
        return math.isclose(a, b, rel_tol=RELATIVE_TOLERANCE, abs_tol=_ABSOLUTE_TOLERANCE)
    return bool(a == b)


def settings_record(settings: Settings) -> Record:
    """The settings as plain values, each number with all of its digits."""
    return {
        "headings_deg": list(settings.headings_deg), "look_ahead_m": settings.look_ahead_m,
        "confidence": settings.confidence, "tilt_bound_deg": settings.tilt_bound_deg,
        "assume_level": settings.assume_level, "near_strip": settings.near_strip,
        "near_strip_max_m": settings.near_strip_max_m,
        "matching": asdict(settings.matching), "matcher": settings.matcher.name,
        "terrain": asdict(settings.terrain),
        # Only where it was asked for: other records keep their digests.
        **({"refine": True} if settings.refine else {}),
    }


def _picture_digests(pair: StereoPair) -> Record:
    """A digest for each picture, so that the changed one can be named; None for a missing one."""
    return {"left": None if pair.left is None else pair_digest(pair.left, None),
            "right": None if pair.right is None else pair_digest(None, pair.right)}


def _previous_digest(a: Assessment) -> Record:
    """Of the previous pair with its rig, where its ground was offered."""
    if a.carried is None:
        return {}
    before = a.carried.previous
    return {"previous": digest_of({"pair": before.pair_digest, "rig": before.rig_digest})}


def digest_of(values: Record) -> str:
    """SHA-256 of plain values as canonical JSON."""
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()


def _headings(a: Assessment) -> list[Record]:
    demands: dict[float, HeadingDemand] = {d.heading_deg: d for d in a.demands}
    card = rig_card(a.rig, a.rover)
    return [{**heading_record(v, demands.get(v.heading_deg), a.rover.limits, a.settings.confidence),
             "beyond_rig": card.outside(v.heading_deg, a.settings.look_ahead_m)}
            for v in a.verdicts]


def heading_record(
    verdict: HeadingVerdict, demand: HeadingDemand | None, limits: Limits, confidence: float
) -> Record:
    """The answer for one heading, with how far it is from flipping."""
    margin = None if demand is None else margin_of(demand, limits, confidence, verdict)
    return {**_heading(verdict, demand),
            "margin": None if margin is None else {**asdict(margin), "text": margin.text}}


def _heading(verdict: HeadingVerdict, demand: HeadingDemand | None) -> Record:
    return {
        "heading_deg": verdict.heading_deg, "verdict": verdict.verdict,
        "clear_m": verdict.clear_m, "assumed_m": verdict.assumed_m,
        "probability": verdict.probability, "bounded": verdict.bounded,
        "strip_m": None if demand is None else demand.strip_m,
        "seen_before_m": None if demand is None else demand.seen_before_m,
        "causes": [_cause(c) for c in verdict.causes],
    }


def _cause(cause: Cause) -> Record:
    return {"kind": cause.kind, "at_m": cause.at_m, "demand": cause.demand, "sigma": cause.sigma,
            "limit": cause.limit, "unit": cause.unit, "reason": cause.reason, "text": cause.text}


def missing_picture(pair: StereoPair) -> str | None:
    """``left`` or ``right`` for the picture that is not there."""
    if pair.left is None:
        return "left"
    return "right" if pair.right is None else None


def _pair(pair: StereoPair) -> Record:
    return {
        "size_px": list(pair.size), "missing": missing_picture(pair),
        "attitude": None if pair.attitude is None else asdict(pair.attitude),
        "window": None if pair.window is None else asdict(pair.window), "binning": pair.binning,
        "details": pair.details, "notes": [_without_folders(n, pair) for n in pair.notes],
        "digest": pair.digest,
    }


def _without_folders(note: str, pair: StereoPair) -> str:
    """A note with the bare names of the pictures: where they lie is no finding."""
    for name in (pair.left_name, pair.right_name):
        note = note.replace(name, PurePath(name).name)
    return note


def attitude_record(a: Assessment) -> Record:
    """How the rover stands, or what was assumed about it."""
    bound = a.settings.tilt_bound_deg
    if a.pair.attitude is not None:
        at = a.pair.attitude
        text = (f"stated: roll {_signed(at.roll_deg, 1)}° ± {at.roll_sigma_deg:.1f}° (positive: "
                f"left side up), pitch {_signed(at.pitch_deg, 1)}° ± {at.pitch_sigma_deg:.1f}° "
                "(positive: nose down)")
        idle = "; --assume-level has no effect" if a.settings.assume_level else ""
        return {"status": "stated", "bound_deg": None, "text": text + idle}
    if a.settings.assume_level:
        text = "not stated: assumed exactly level, because --assume-level was given"
        return {"status": "assumed level", "bound_deg": 0.0, "text": text}
    text = f"not stated: roll and pitch are taken as unknown within ±{bound:g}° and judged so"
    return {"status": "unknown", "bound_deg": bound, "text": text}


def counted(count: int, thing: str) -> str:
    """A count with its noun.

    Examples
    --------
    >>> counted(1, "pair"), counted(0, "pair")
    ('1 pair', '0 pairs')
    """
    return f"{count} {thing}{'' if count == 1 else 's'}"


def _signed(value: float, digits: int) -> str:
    """A number with its sign; no sign where it rounds to 0."""
    rounded = round(value, digits)
    return f"{rounded:+.{digits}f}" if rounded else f"{0.0:.{digits}f}"


def near_strip_record(a: Assessment) -> Record:
    """How far ground out of view was assumed clear, and what the previous pair saw of it."""
    return near_strip_words(a.near_strip_max_m, a.settings, a.demands, _previous(a))


def near_strip_words(
    max_m: float | None, settings: Settings, demands: Sequence[HeadingDemand],
    previous: Record | None,
) -> Record:
    """As ``near_strip_record``, from what it follows from.

    Parameters
    ----------
    max_m : float or None
        Ground out of view is assumed clear up to here, from the nose [m]; None without stereo.
    settings, demands
        As of an assessment.
    previous : dict or None
        What came of the previous pair.
    """
    carried = previous is not None and previous["used"]
    if max_m is None:
        text = "nothing is assumed clear: there is no stereo"
    elif settings.near_strip == "ask":
        text = "nothing out of view is assumed clear (--near-strip ask)"
    elif max_m == 0:
        text = "nothing out of view is assumed clear"
    else:
        source = ("set by --near-strip-max-m" if settings.near_strip_max_m is not None
                  else "the strip straight ahead, from rig, mount and rover alone")
        unseen = "that neither pair saw" if carried else "out of view of the cameras"
        text = f"ground {unseen} is assumed clear up to {max_m:.2f} m from the nose ({source})"
    if carried:
        text += f"; {_seen_before(demands)}"
    return {"max_m": max_m, "text": text, "previous": previous}


def _previous(a: Assessment) -> Record | None:
    """What came of the previous pair; None where its ground was not offered."""
    carried = a.carried
    if carried is None:
        return None
    return {"id": carried.previous.id, "used": not carried.refused, "cells": carried.cells,
            "offset_m": carried.offset_m, "offset_sigma_m": carried.offset_sigma_m,
            "tilt_deg": carried.tilt_deg,
            "spread_m": carried.spread_m, "overlap_m2": carried.overlap_m2, "text": carried.text}


def _seen_before(demands: Sequence[HeadingDemand]) -> str:
    """What the previous pair saw of the near strip, on the heading nearest to straight ahead."""
    demand = min(demands, key=lambda d: abs(d.heading_deg))
    return (f"of the strip {heading_text(demand.heading_deg)} the previous pair saw "
            f"{demand.seen_before_m:.2f} m, {demand.assumed_m:.2f} m are assumed")


def _rig_check(check: EpipolarResidual | None, *, refined: bool = False) -> Record:
    record: Record = {
        "checked": False, "matches_calibration": None, "corrected": False, "median_px": None,
        "largest_px": None, "largest_sigma_px": None, "spread_px": None, "offset": None,
        "count": 0, "sought": 0, "inliers": 0,
        "limits": {"largest_px": MAX_EPIPOLAR_OFFSET_PX, "spread_px": MAX_EPIPOLAR_SPREAD_PX,
                   "largest_sigma_px": MAX_EPIPOLAR_SIGMA_PX, "least_count": MIN_EPIPOLAR_FEATURES,
                   "least_share": MIN_EPIPOLAR_SHARE, "least_corrected_px": LEAST_CORRECTED_PX},
        "text": "not checked: it takes both pictures",
    }
    if check is None:
        return record
    record |= {"checked": check.checked, "corrected": check.corrected,
               "median_px": check.median_px, "largest_px": check.largest_px,
               "largest_sigma_px": check.largest_sigma_px, "spread_px": check.spread_px,
               "count": check.count, "sought": check.sought}
    if check.offset is not None:
        record |= {"offset": _offset(check.offset), "inliers": check.offset.inliers}
    few = check.count < max(MIN_EPIPOLAR_FEATURES, MIN_EPIPOLAR_SHARE * check.sought)
    if not check.checked and not few:
        record["text"] = (f"not checked: the {check.count} features tracked between the pictures "
                          "cover too little of them: somewhere the offset is known to "
                          f"{check.largest_sigma_px:.2f} px only (limit "
                          f"{MAX_EPIPOLAR_SIGMA_PX:.2f} px)")
        return record
    if not check.checked or check.offset is None:
        verb = "was" if check.count == 1 else "were"
        needed = max(MIN_EPIPOLAR_FEATURES, math.ceil(MIN_EPIPOLAR_SHARE * check.sought))
        record["text"] = (f"not checked: {counted(check.count, 'feature')} {verb} tracked between "
                          f"the pictures, {needed} are needed; are these two "
                          "pictures of the same moment?")
        return record
    record["matches_calibration"] = check.matches_calibration
    word = "matches" if check.matches_calibration else "no longer matches"
    rig, what = ("the refined rig", "the pictures") if refined else ("the rig", "its calibration")
    record["text"] = (
        f"{rig} {word} {what}: by {check.offset.inliers} of {check.count} features the "
        f"rows of the right picture lie at most {check.largest_px:.2f} ± "
        f"{check.largest_sigma_px:.2f} px off anywhere (limit {MAX_EPIPOLAR_OFFSET_PX:.2f} px), "
        f"features spread {check.spread_px:.2f} px about that (limit "
        f"{MAX_EPIPOLAR_SPREAD_PX:.2f} px); lower by {_offset_words(check.offset)}, "
        f"{_what_was_done(check)}"
    )
    return record


def _what_was_done(check: EpipolarResidual) -> str:
    if check.corrected:
        return "corrected before matching"
    if not check.matches_calibration:
        return "too much to correct: calibrate again, or see that rig file, window and pictures " \
               "belong together"
    return "too little to correct"


def _offset(offset: VerticalOffset) -> Record:
    sigma_a_px, sigma_b, sigma_c = np.sqrt(np.diag(offset.covariance)).tolist()
    return {"model": offset.model, "centre_px": list(offset.centre_px),
            "a_px": offset.a_px, "b": offset.b, "c": offset.c,
            "sigma_a_px": sigma_a_px, "sigma_b": sigma_b, "sigma_c": sigma_c}


def _offset_words(offset: VerticalOffset) -> str:
    a = f"{_signed(offset.a_px, 2)} px"
    if offset.model == "constant":
        return f"{a} everywhere"
    return (f"{a} at the centre, {_signed(100 * offset.b, 2)} px per 100 columns, "
            f"{_signed(100 * offset.c, 2)} px per 100 rows")


def _disparity(disparity: DisparityMap | None) -> Record | None:
    if disparity is None:
        return None
    return {"matcher": disparity.matcher, "shares": disparity.blank_shares()}


def _terrain(terrain: TerrainMap | None) -> Record:
    if terrain is None:
        return {"terrain": None, "planes": [], "obstacles": []}
    return {
        "terrain": {"grid": asdict(terrain.spec), "shares": terrain.state_shares()},
        "planes": [{**asdict(p), "slope_deg": p.slope_deg} for p in terrain.planes],
        "obstacles": [asdict(o) for o in terrain.obstacles],
    }


def limits_record(rover: RoverProfile) -> Record:
    """The limits with unit and source; what it was before with those that say so."""
    return {name: _limit(getattr(rover.limits, name), unit) for name, unit in LIMIT_UNITS.items()}


def _limit(limit: Limit, unit: str) -> Record:
    record: Record = {"value": limit.value, "unit": unit, "source": limit.source}
    if limit.was is not None:
        record["was"] = {"value": limit.was.value, "source": limit.was.source}
    return record


def rover_record(rover: RoverProfile) -> Record:
    """Name, body, legs and margin of a rover."""
    return {"name": rover.name, "body": asdict(rover.body), "legs": asdict(rover.legs),
            "margin_m": rover.margin_m, "swath_m": rover.swath_m}


def _rig(a: Assessment) -> Record:
    rig = a.rig
    focal_px = float(rig.K1[0, 0]) if a.rectified is None else a.rectified.camera.focal_px
    return {
        "name": rig.name, "size_px": list(rig.size), "model": rig.model,
        "baseline_m": rig.baseline_m, "focal_px": focal_px,
        "resampled": None if a.rectified is None else a.rectified.resampled,
        "noise": {"read_grey": rig.read_noise, "gain_grey": rig.noise_gain},
        "scale_sigma": a.view.scale_sigma,
        "camera_height_m": float(a.view.T_rover_camera.t[2]),
    }
