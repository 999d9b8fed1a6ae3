"""From the rows of a manifest, good and bad, to rows of the tables ``pairs`` and ``failures``."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hazcam.campaign.record import BadRow, CampaignPair, Manifest, PairFailure, Row, Value
from hazcam.campaign.store.schema import PAIRS

Seen = list[int] | None
"""Size of a picture in bytes and its time of change in ns; None where it is missing."""
_DETAILS = ("taken_at", "site", "exposure_s", "gain", "sun_elevation_deg", "note")


def manifest_folder(manifest: Manifest) -> Path:
    """What the paths in a run are relative to."""
    return manifest.path if manifest.path.is_dir() else manifest.path.parent


def pair_row(pair: CampaignPair, manifest: Manifest, files: Mapping[str, Seen]) -> Row:
    """What a manifest says of a pair, paths relative to its folder; and its ``files_seen``."""
    folder = manifest_folder(manifest)
    said, walked = pair.sidecar, pair.walked
    details: Mapping[str, Any] = said.details
    onboard = details.get("onboard", {})
    is_file = Path(said.rover).name != said.rover or said.rover.endswith(".toml")
    return {
        "pair": pair.id, "place": pair.place, "row_digest": pair.digest,
        "manifest": manifest.path.name, "source": pair.where,
        "sidecar": _relative(said.path, folder) if pair.from_file else None,
        "left_file": _relative(said.left, folder), "right_file": _relative(said.right, folder),
        "rig_file": _relative(said.rig, folder),
        "rover": _relative(Path(said.rover), folder) if is_file else said.rover,
        "roll_deg": None if said.attitude is None else said.attitude.roll_deg,
        "pitch_deg": None if said.attitude is None else said.attitude.pitch_deg,
        "onboard_verdict": onboard.get("verdict"), "onboard_value_m": onboard.get("value_m"),
        "walked_heading_deg": None if walked is None else walked.heading_deg,
        "walked_outcome": None if walked is None else walked.outcome,
        "given": json.dumps(dict(pair.given), ensure_ascii=False, sort_keys=True),
        "files": json.dumps(files),
        **{key: details.get(key) for key in _DETAILS},
    }


def files_seen(pair: CampaignPair) -> dict[str, Seen]:
    """Size in bytes and time of change in ns of each picture as it is now; None: not there."""
    return {"left": _seen(pair.sidecar.left), "right": _seen(pair.sidecar.right)}


def _seen(path: Path | None) -> Seen:
    try:
        about = None if path is None else path.stat()
    except OSError:
        return None
    return None if about is None else [about.st_size, about.st_mtime_ns]


def bad_row(bad: BadRow, manifest: Manifest) -> Row:
    """What is known of a row that cannot be used."""
    known: dict[str, Value] = {
        "pair": bad.failure.id, "place": bad.place, "row_digest": bad.digest,
        "manifest": manifest.path.name, "source": bad.failure.where}
    said = {} if bad.pair is None else pair_row(bad.pair, manifest, files_seen(bad.pair))
    return {**dict.fromkeys(c.name for c in PAIRS.columns if c.null), **said, **known}


def failure_row(failure: PairFailure) -> Row:
    """Why a pair has no assessment."""
    return {"pair": failure.id, "kind": failure.kind, "place": failure.where,
            "found": failure.found, "expected": failure.expected, "remedy": failure.remedy}


def _relative(path: Path | None, folder: Path) -> str | None:
    if path is None:
        return None
    return Path(os.path.relpath(path, folder)).as_posix()
