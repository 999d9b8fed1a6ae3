"""The work on one pair of a campaign: from its files to what is kept of it.

``assess_campaign_pair`` runs in other processes, here or at a worker of a cluster.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from hazcam.assess import Assessment, assess_pair
from hazcam.calibration import StereoRig, read_rig
from hazcam.campaign.manifest.io import as_seen_from
from hazcam.campaign.previous import read_previous
from hazcam.campaign.record import CampaignPair, PairEntry, PairFailure
from hazcam.drift import DriftEstimate, NoDrift
from hazcam.drift_campaign import drift_of
from hazcam.errors import HazcamError
from hazcam.imagery import pair_of_sidecar
from hazcam.report.entry import entry_of
from hazcam.rover import RoverProfile, read_rover, with_limits
from hazcam.settings import Settings


@dataclass(frozen=True, kw_only=True)
class Assess:
    """One pair to assess, as it goes to another process.

    Attributes
    ----------
    pair : CampaignPair
    folder : Path
        Of the manifest: failures name files as seen from there.
    limits : mapping of str to float
        Limits set by the user, in m or deg.
    margin_m : float or None
        Lateral margin set by the user. [m]
    settings : Settings
        How to assess.
    with_drift : bool
        Estimate the turn of the right camera, too.
    """

    pair: CampaignPair
    folder: Path
    limits: Mapping[str, float]
    margin_m: float | None
    settings: Settings
    with_drift: bool

    @property
    def id(self) -> str:
        """Of the pair."""
        return self.pair.id


def assess_campaign_pair(work: Assess) -> PairEntry | PairFailure:
    """Read a pair, assess it, and make of it what is kept; or say why not."""
    try:
        return _entry(work)
    except HazcamError as error:
        told = as_seen_from(error, work.pair, work.folder)
        return PairFailure(id=work.id, kind="failed", where=told.where, found=told.found,
                           expected=told.expected, remedy=told.remedy)


def _entry(work: Assess) -> PairEntry:
    begun = time.perf_counter()
    rig = _rig(work.pair.sidecar.rig)
    assessment = assess_work(work, rig)
    timings: dict[str, Any] = {"worker": f"{socket.gethostname()} {os.getpid()}",
                               "assess_s": time.perf_counter() - begun}
    drift: DriftEstimate | NoDrift | None = None
    if work.with_drift:
        begun = time.perf_counter()
        drift = _drift(assessment, rig)
        timings["drift_s"] = time.perf_counter() - begun
    return entry_of(assessment, rig, inputs_of(work), drift=drift, timings=timings)


def assess_work(work: Assess, rig: StereoRig) -> Assessment:
    """Assess the pair as ``hazcam assess`` does."""
    sidecar = work.pair.sidecar
    rover = _rover(sidecar.rover, tuple(work.limits.items()), work.margin_m)
    pair = replace(pair_of_sidecar(sidecar), id=work.id)
    previous = None
    if work.pair.from_file:
        previous, notes = read_previous(sidecar.path, rig, rover, work.settings)
        pair = replace(pair, notes=(*pair.notes, *notes))
    return assess_pair(pair, rig, rover, work.settings, previous)


def inputs_of(work: Assess) -> dict[str, Any]:
    """The files, relative to the manifest, and the options, for the record."""
    given = work.pair.given
    files = {name: given.get(name) for name in ("sidecar", "left", "right", "rig", "rover")}
    return {**files, "limits": dict(work.limits), "margin_m": work.margin_m}


def _drift(assessment: Assessment, rig: StereoRig) -> DriftEstimate | NoDrift:
    try:
        return drift_of(assessment.pair, rig).drift
    except HazcamError as error:
        return NoDrift(reason=error.found)


def _rig(path: Path) -> StereoRig:
    return _rig_as_of(path, _changed_ns(path))


def _rover(
    name: str, limits: tuple[tuple[str, float], ...], margin_m: float | None
) -> RoverProfile:
    return _rover_as_of(name, limits, margin_m, _changed_ns(Path(name)))


def _changed_ns(path: Path) -> int:
    """When a file was changed last; 0 where there is none (a shipped rover, a missing rig)."""
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


# Read once for all pairs of a process; anew where the file was changed.


@lru_cache(maxsize=32)
def _rig_as_of(path: Path, changed_ns: int) -> StereoRig:
    return read_rig(path)


@lru_cache(maxsize=32)
def _rover_as_of(
    name: str, limits: tuple[tuple[str, float], ...], margin_m: float | None, changed_ns: int
) -> RoverProfile:
    return with_limits(read_rover(name), dict(limits), margin_m=margin_m)
