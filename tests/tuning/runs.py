"""Runs of pairs that someone walked, with demands as a test wants them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from hazcam.assess import rig_causes
from hazcam.campaign.record import CampaignPair, Outcome, PairEntry, Walked
from hazcam.campaign.store.writer import Store
from hazcam.report import as_record
from hazcam.stored_npz import demands_bytes
from hazcam.verdict import HeadingDemand
from hazcam.verdict.gist import pack_gist
from tests.campaign.entries import ABOUT, make_campaign
from tests.folders import assessment
from tests.test_gist import N, quiet

HEADING_DEG = 5.0
"""Of all demands made here."""


def peak(
    values: Mapping[str, float], at: int = 30, sigma: float = 0.002, **changes: Any
) -> HeadingDemand:
    """A heading with nothing on it but a peak of some demands at a station of 2 cm spacing."""
    profiles: dict[str, Any] = {}
    sigmas: dict[str, Any] = {}
    for name, value in values.items():
        profiles[name], sigmas[name] = np.zeros(N), np.full(N, 1e-4)
        profiles[name][at], sigmas[name][at] = value, sigma
    return quiet(**{**profiles, **changes}, sigma=sigmas)


@dataclass(frozen=True, kw_only=True)
class Pair:
    """One pair of a run; ``demand`` None: assessed without stereo; ``others``: more headings."""

    outcome: Outcome = "climbed"
    demand: HeadingDemand | None = field(default_factory=lambda: peak({"step": 0.03}))
    others: tuple[HeadingDemand, ...] = ()
    heading_deg: float = HEADING_DEG
    walked: bool = True
    taken_at: str | None = "2031-05-04T09:30:00Z"
    site: str | None = "black sand"
    tried: bool = True
    rig_moved: bool = False


def write_run(folder: Path, pairs: Sequence[Pair], rovers: int = 2) -> Path:
    """A run of pairs ``pair-00000``, ``pair-00001``, ... in a folder, of so many rovers in turn."""
    made = make_campaign(folder.parent, pairs=len(pairs), rovers=rovers, failures=0, bad_rows=0)
    rows = tuple(_row(row, pair) for row, pair in zip(made.manifest.pairs, pairs, strict=True))
    with Store.open(folder, ABOUT) as store:
        store.add_pairs(replace(made.manifest, pairs=rows))
        for entry, pair in zip(made.entries, pairs, strict=True):
            if pair.tried:
                store.add(_entry(entry, pair))
        store.finish()
    return folder


def _row(row: CampaignPair, pair: Pair) -> CampaignPair:
    details = {key: value for key, value in
               (("taken_at", pair.taken_at), ("site", pair.site)) if value is not None}
    walked = Walked(heading_deg=pair.heading_deg, outcome=pair.outcome)
    return replace(row, sidecar=replace(row.sidecar, details=details),
                   walked=walked if pair.walked else None)


def _entry(entry: PairEntry, pair: Pair) -> PairEntry:
    if pair.demand is None:
        return entry
    a = replace(assessment(), demands=(pair.demand, *pair.others))
    if pair.rig_moved:
        assert a.epipolar is not None
        a = replace(a, epipolar=replace(a.epipolar, largest_px=9.0))
    causes = () if a.epipolar is None else rig_causes(a.epipolar)
    return replace(entry, rows={**entry.rows, "demands": [
        {"pair": entry.id, "npz": demands_bytes(a, json.loads(_record())),
         "gist": pack_gist(a.demands, causes)}]})


@lru_cache(maxsize=1)
def _record() -> str:
    return json.dumps(as_record(assessment(), inputs={}))
