"""Runs of many pairs, made up without assessing: plausible rows, the same for the same seed."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from hazcam.calibration import StereoRig, rig_digest
from hazcam.calibration.interchange import rig_text
from hazcam.campaign.record import (
    BadRow,
    CampaignPair,
    Manifest,
    PairEntry,
    PairFailure,
    Row,
    Value,
    Walked,
)
from hazcam.campaign.store.writer import Store
from hazcam.frames import Attitude
from hazcam.imagery import Sidecar
from hazcam.report.record import limits_record, rover_record
from hazcam.rover import RoverProfile, read_rover, with_limits

HEADINGS = (-45.0, -30.0, -15.0, 0.0, 15.0, 30.0, 45.0)
SITES = ("slag heap", "black sand", "furrows")
CAUSES = (("step", 0.06, "m"), ("slope", 20.0, "deg"), ("unseen run", 0.05, "m"))
FIRST_DAY = datetime(2031, 5, 4, 9, 30, tzinfo=UTC)
ABOUT = {"hazcam": "0.1.0", "versions": json.dumps({"numpy": "2.3.1", "opencv": "5.0.0"}),
         "options": json.dumps({"settings": {"look_ahead_m": 1.0}, "limits": {}, "margin_m": None}),
         "manifest": "manifest.csv"}
_SETTINGS: Row = {"digest": hashlib.sha256(b"settings").hexdigest(),
                  "json": json.dumps({"look_ahead_m": 1.0, "confidence": 0.95})}


@dataclass(frozen=True)
class MadeUp:
    """What a made-up campaign consists of: its manifest, and what comes of each pair."""

    manifest: Manifest
    entries: tuple[PairEntry, ...]
    failures: tuple[PairFailure, ...]


def make_run(
    folder: Path, pairs: int = 50, seed: int = 0, rovers: int = 2, days: int = 3,
    failures: int = 3, bad_rows: int = 2,
) -> MadeUp:
    """Write a finished run; of the pairs, ``failures`` failed, and as many rows more are bad."""
    made = make_campaign(folder.parent, pairs, seed, rovers, days, failures, bad_rows)
    with Store.open(folder, ABOUT) as store:
        store.add_pairs(made.manifest)
        write(store, made)
        store.finish()
    return made


def write(store: Store, made: MadeUp) -> None:
    for entry in made.entries:
        store.add(entry)
    for failure in made.failures:
        store.fail(failure, {"finished_at": "2031-06-01T00:00:00+00:00", "tries": 1})


def make_campaign(
    folder: Path, pairs: int = 50, seed: int = 0, rovers: int = 2, days: int = 3,
    failures: int = 3, bad_rows: int = 2,
) -> MadeUp:
    """The manifest, as if it stood in ``folder``, and an entry or a failure for each pair."""
    rng = np.random.default_rng(seed)
    rows = tuple(_campaign_pair(folder, place, pairs, rovers, days, rng) for place in range(pairs))
    bad = tuple(_bad_row(pairs + n) for n in range(bad_rows))
    failed = {rows[n].id for n in rng.choice(pairs, failures, replace=False)}
    return MadeUp(
        manifest=Manifest(path=folder / "manifest.csv", pairs=rows, bad=bad),
        entries=tuple(make_entry(p, rng) for p in rows if p.id not in failed),
        failures=tuple(_failure(p.id) for p in rows if p.id in failed))


def _campaign_pair(
    folder: Path, place: int, pairs: int, rovers: int, days: int, rng: np.random.Generator
) -> CampaignPair:
    number = place % rovers
    id_ = f"pair-{place:05d}"
    day, within = divmod(place * days, pairs)
    taken = FIRST_DAY + timedelta(days=day, hours=8 * within / pairs)
    details: dict[str, object] = {
        "taken_at": taken.isoformat(timespec="seconds"), "site": SITES[day % len(SITES)],
        "exposure_s": round(float(rng.uniform(0.002, 0.02)), 5)}
    if rng.random() < 0.5:
        details["onboard"] = {"verdict": str(rng.choice(["go", "stop"])),
                              "value_m": round(float(rng.uniform(0, 0.1)), 3)}
    sidecar = Sidecar(
        path=folder / "manifest.csv", id=id_, left=folder / f"day-{day}/{id_}_L.png",
        right=folder / f"day-{day}/{id_}_R.png", rig=folder / f"rig-{number}.yaml",
        rover=_rover(number).name, details=details,
        attitude=Attitude(roll_deg=float(rng.normal(0, 3)), pitch_deg=float(rng.normal(0, 3)),
                          roll_sigma_deg=0.5, pitch_sigma_deg=0.5))
    walked = Walked(heading_deg=0.0, outcome="climbed") if rng.random() < 0.1 else None
    given = {"id": id_, "left": f"day-{day}/{id_}_L.png", "right": f"day-{day}/{id_}_R.png"}
    return CampaignPair(id=id_, place=place, where=f"manifest.csv: line {place + 2}",
                        sidecar=sidecar, from_file=False, walked=walked, given=given,
                        digest=_digest(given))


def _bad_row(place: int) -> BadRow:
    line = f"line-{place + 2}"
    failure = PairFailure(
        id=line, kind="bad row", where=f"manifest.csv: line {place + 2}: rover", found="is empty",
        expected="a shipped rover, or a file", remedy="write the name of the rover there")
    return BadRow(place=place, failure=failure, digest=_digest(line))


def _failure(id_: str) -> PairFailure:
    return PairFailure(id=id_, kind="failed", where=f"{id_}_L.png", found="is empty (0 bytes)",
                       expected="a picture", remedy="fetch the file again")


def _digest(value: object) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True).encode()).hexdigest()


# --- what is kept of a pair -----------------------------------------------------------------------


def make_entry(pair: CampaignPair, rng: np.random.Generator) -> PairEntry:
    """Rows of all tables but demands and terrains, which only an assessment gives."""
    number = int(pair.sidecar.rig.stem.rpartition("-")[2])
    rig, rover = _rig(number), _rover(number)
    headings = [_heading(pair.id, heading, rng) for heading in HEADINGS]
    attitude = pair.sidecar.attitude
    record = {"schema": "hazcam-assessment/1", "id": pair.id, "hazcam": "0.1.0", "digests": {},
              "settings": json.loads(str(_SETTINGS["json"])),
              "pair": {"attitude": None if attitude is None else asdict(attitude), "window": None,
                       "binning": 1},
              "headings": [{**{k: v for k, v in h.items() if k != "pair"},
                            "causes": _causes(h)} for h in headings]}
    return PairEntry(id=pair.id, rows={
        "rigs": [_rig_row(rig)], "settings": [_SETTINGS],
        "rovers": [{"digest": rover.digest, "name": rover.name, "json": json.dumps(
            {"rover": rover_record(rover), "limits": limits_record(rover)})}],
        "assessments": [_assessment(pair, rig, rover, headings, rng)], "headings": headings,
        "pictures": [_picture(pair.id, side, rng) for side in ("left", "right")],
        "spots": [_spot(pair.id, number, rng)],
        "drifts": [_drift(pair, rig, rng)],
        "records": [{"pair": pair.id, "json": zlib.compress(json.dumps(record).encode())}],
        "overlays": [{"pair": pair.id, "jpeg": _overlay(int(rng.integers(8)))}],
    }, timings={
        "pair": pair.id, "finished_at": "2031-06-01T00:00:00.000+00:00", "worker": "bench 4711",
        "tries": 1, "assess_s": float(rng.uniform(0.4, 0.6)), "drift_s": 0.05,
        "evidence_s": 0.03, "pack_s": 0.02, "handed_s": float(rng.uniform(0.6, 0.8))})


@lru_cache
def _rover(number: int) -> RoverProfile:
    shipped = read_rover(("dunlin-em", "dunlin-fm")[number % 2])
    if number < 2:
        return shipped
    wider = with_limits(shipped, {}, margin_m=shipped.margin_m + 0.001 * number)
    return replace(wider, name=f"{shipped.name}-{number}")


@lru_cache
def _rig(number: int) -> StereoRig:
    from tests.synthetic import ideal_rig

    rig = replace(ideal_rig(), name=f"rig {number}",
                  T=np.array([-0.10 - 0.001 * number, 0.0, 0.0]))
    return replace(rig, digest=rig_digest(rig))


def _rig_row(rig: StereoRig) -> Row:
    return {"digest": rig.digest, "name": rig.name, "width_px": rig.size[0],
            "height_px": rig.size[1], "baseline_m": rig.baseline_m, "yaml": rig_text(rig)}


def _heading(id_: str, heading_deg: float, rng: np.random.Generator) -> Row:
    row: dict[str, Value] = {
        "pair": id_, "heading_deg": heading_deg, "verdict": "go", "clear_m": 1.0,
        "assumed_m": 0.12, "probability": float(rng.uniform(0, 0.02)), "bounded": 1, "cause": "",
        "cause_reason": "", "cause_at_m": None, "cause_demand": None, "cause_sigma": None,
        "cause_limit": None, "cause_unit": ""}
    if rng.random() < 0.4:
        return row
    cause, limit, unit = CAUSES[rng.integers(len(CAUSES))]
    at_m = float(rng.uniform(0.05, 0.95))
    return {**row, "verdict": "ask-ground", "clear_m": at_m, "assumed_m": min(0.12, at_m),
            "probability": float(rng.uniform(0.1, 1)), "cause": cause,
            "cause_reason": "hidden behind a rock" if cause == "unseen run" else "",
            "cause_at_m": at_m, "cause_demand": limit * float(rng.uniform(0.9, 2)),
            "cause_sigma": 0.1 * limit, "cause_limit": limit, "cause_unit": unit}


def _causes(heading: Row) -> list[dict[str, Value]]:
    """As a record has them: here the first one only."""
    if heading["verdict"] == "go":
        return []
    return [{"kind": heading["cause"], "reason": heading["cause_reason"],
             **{key: heading[f"cause_{key}"]
                for key in ("at_m", "demand", "sigma", "limit", "unit")}}]


def _assessment(
    pair: CampaignPair, rig: StereoRig, rover: RoverProfile, headings: Sequence[Row],
    rng: np.random.Generator,
) -> Row:
    usable = rng.random() > 0.05
    going = [float(str(h["heading_deg"])) for h in headings if h["verdict"] == "go"]
    ahead = next(h for h in headings if h["heading_deg"] == 0)
    best = min(going, key=abs, default=None)
    return {
        "pair": pair.id, "rig": rig.digest, "rover": rover.digest,
        "settings": _SETTINGS["digest"], "pictures": _digest(pair.id), "hazcam": "0.1.0",
        "usable": int(usable),
        "unusable_because": "" if usable else "rig no longer matches its calibration",
        "headings": len(headings), "headings_go": len(going),
        "verdict": "go" if going else "ask-ground", "verdict_ahead": ahead["verdict"],
        "go_heading_deg": best, "clear_m": ahead["clear_m"], "cause_ahead": ahead["cause"],
        "suggestion": "hold: no heading is go" if best is None else f"turn to {best:g} degrees",
        "seen_share": float(rng.uniform(0.3, 0.6)), "matched_share": float(rng.uniform(0.5, 0.9)),
        "rows_off_px": float(rng.uniform(0, 0.4)), "rows_off_sigma_px": 0.05,
        "rows_spread_px": float(rng.uniform(0.1, 0.2)), "features": int(rng.integers(100, 400)),
        "outside_rehearsed": "", "notes": "",
    }


def _picture(id_: str, side: str, rng: np.random.Generator) -> Row:
    return {"pair": id_, "side": side, "mean_grey": float(rng.uniform(40, 180)),
            "saturated": float(rng.uniform(0, 0.05)), "dark": float(rng.uniform(0, 0.1)),
            "lost": float(rng.choice([0.0, 0.0, 0.0, 0.02])), "blur": float(rng.uniform(0.2, 0.5)),
            "noise_grey": float(rng.uniform(1, 3))}


def _spot(id_: str, number: int, rng: np.random.Generator) -> Row:
    """A spot of dust that stays put on the left picture of each rig."""
    return {"pair": id_, "side": "left", "number": 0,
            "column_px": 200.0 + 50 * number + float(rng.normal(0, 1)),
            "row_px": 150.0 + float(rng.normal(0, 1)), "radius_px": 9.0,
            "depth": float(rng.uniform(0.1, 0.2))}


def _drift(pair: CampaignPair, rig: StereoRig, rng: np.random.Generator) -> Row:
    """A right camera that turns by a thousandth of a degree from pair to pair."""
    row: dict[str, Value] = {
        "pair": pair.id, "rig": rig.digest, "reason": "", "json": "", "pitch_deg": None,
        "vergence_deg": None, "roll_deg": None, "pitch_sigma_deg": None,
        "vergence_sigma_deg": None, "roll_sigma_deg": None}
    if rng.random() < 0.1:
        return {**row, "reason": "12 features were tracked, 20 are needed"}
    return {**row, "pitch_deg": 0.001 * pair.place + float(rng.normal(0, 0.004)),
            "vergence_deg": float(rng.normal(0, 0.05)), "roll_deg": float(rng.normal(0, 0.01)),
            "pitch_sigma_deg": 0.004, "vergence_sigma_deg": 0.05, "roll_sigma_deg": 0.01,
            "json": json.dumps({"count": 200})}


@lru_cache
def _overlay(kind: int) -> bytes:
    grey = np.random.default_rng(kind).integers(0, 255, (9, 12), dtype=np.uint8)
    picture = cv2.resize(grey, (480, 360), interpolation=cv2.INTER_CUBIC)
    return cv2.imencode(".jpg", picture)[1].tobytes()
