"""Drift of a rig as a record (schema ``hazcam-drift/1``) and as CSV. Pure.

- Angles are in deg, lengths in m, pixels in px. A turn is that of the right camera about its own
  axes since the calibration: pitch, vergence, roll.
- ``null`` stands for what is not known.

drift.csv
---------
UTF-8. Lines that begin with ``#`` name the schema, the version of hazcam, the digest of the rig and
the digest of each pair; then one header line and a line per pair, in the order of the record. An
empty field is a number that is not known.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from hazcam import __version__
from hazcam.calibration import StereoRig
from hazcam.drift import BASELINE_SIGMA_DEG, NAMES
from hazcam.drift_campaign import CampaignDrift, PairDrift
from hazcam.drift_effect import (
    DISTANCES_M,
    LIMIT_AT_M,
    MAX_DRIFT_HEIGHT_M,
    DriftEffects,
    drift_effects,
)
from hazcam.epipolar import MAX_EPIPOLAR_OFFSET_PX
from hazcam.frames import Floats
from hazcam.refinement import MAX_REFINE_SIGMA_DEG
from hazcam.report.record import Record, plain, versions
from hazcam.report.refined_record import SCALE_WORDS

SCHEMA = "hazcam-drift/1"
CSV_SCHEMA = "hazcam-drift-csv/1"

VERGENCE_NOTE = (
    "the sigma of the vergence is the larger one: a turn about the vertical shifts every disparity "
    "by about {shift:.1f} px per degree, but the rows by {off:.1f} px per degree only (root mean "
    "square over the picture)")
_COLUMNS = ("pair", "taken_at", *(f"{n}_{w}" for n in NAMES for w in ("deg", "sigma_deg")),
            "count", "spread_px", "height_1m_m", "height_1m_sigma_m", "limit", "left_out")


def drift_record(
    rig: StereoRig, found: CampaignDrift, failures: Mapping[str, str]
) -> Record:
    """The drift as plain values ready for JSON.

    Parameters
    ----------
    rig : StereoRig
        As calibrated.
    found : CampaignDrift
        From ``pool``; of one pair, too.
    failures : mapping of str to str
        Why pairs have no drift, by name.
    """
    computed = {
        "rig": {"name": rig.name, "baseline_m": rig.baseline_m}, "order": _order(found),
        "limits": {"height_m": MAX_DRIFT_HEIGHT_M, "at_m": LIMIT_AT_M,
                   "rows_px": MAX_EPIPOLAR_OFFSET_PX, "refine_sigma_deg": MAX_REFINE_SIGMA_DEG},
        "baseline_sigma_assumed_deg": BASELINE_SIGMA_DEG,
        "pairs": [_pair(rig, pair, out)
                  for pair, out in zip(found.pairs, found.left_out, strict=True)],
        "combined": _combined(rig, found), "failures": dict(failures),
        "notes": _notes(rig, found),
    }
    return {"schema": SCHEMA, "hazcam": __version__, **plain(computed),
            "digests": {"rig": rig.digest, "pairs": {p.id: p.digest for p in found.pairs}},
            "versions": versions()}


def _order(found: CampaignDrift) -> Record:
    if found.by_time:
        return {"by": "time", "text": "in the order in which the pairs were taken"}
    return {"by": "name", "text": "in the order of their names: not every pair says when it was "
                                  "taken (taken_at in its sidecar)"}


def _pair(rig: StereoRig, pair: PairDrift, left_out: bool) -> Record:
    drift = pair.drift
    return {
        "id": pair.id, "taken_at": pair.taken_at, "left_out": left_out,
        **_turn(drift.turn_deg, drift.covariance[:3, :3]),
        "baseline_deg": drift.baseline_deg.tolist(),
        "baseline_sigma_deg": np.sqrt(np.diag(drift.covariance)[3:]).tolist(),
        "count": drift.count, "sought": drift.sought, "inliers": drift.inliers,
        "spread_px": drift.spread_px,
        **_effects(drift_effects(rig, drift.turn_deg, drift.covariance[:3, :3])),
    }


def _turn(turn_deg: Floats, covariance: Floats) -> Record:
    return {"turn_deg": dict(zip(NAMES, turn_deg.tolist(), strict=True)),
            "sigma_deg": dict(zip(NAMES, np.sqrt(np.diag(covariance)).tolist(), strict=True)),
            "covariance_deg2": covariance.tolist()}


def _effects(effects: DriftEffects) -> Record:
    return {"limit": effects.limit, "ground": [asdict(e) for e in effects.ground],
            "effects": [asdict(e) for e in effects.whole]}


def _combined(rig: StereoRig, found: CampaignDrift) -> Record:
    test = {"pairs": len(found.pairs) - sum(found.left_out), "left_out": sum(found.left_out),
            "chi_squared": found.chi_squared, "freedom": found.freedom,
            "spread_deg": dict(zip(NAMES, found.spread_deg.tolist(), strict=True)),
            "probability": found.probability, "moved": found.moved, "text": _constancy(found)}
    if found.moved:
        return {**test, "turn_deg": None, "sigma_deg": None, "covariance_deg2": None,
                "limit": None, "ground": None, "effects": None}
    return {**test, **_turn(found.turn_deg, found.covariance),
            **_effects(drift_effects(rig, found.turn_deg, found.covariance))}


def _constancy(found: CampaignDrift) -> str:
    if found.freedom == 0:
        return "one pair: whether the camera stayed as it was is not tested"
    scatter = ", ".join(f"{name} {spread:.3f}°" for name, spread
                        in zip(NAMES, found.spread_deg, strict=True))
    numbers = (f"the pairs scatter by {scatter}; chi-squared {found.chi_squared:.1f} at "
               f"{found.freedom} degrees of freedom, by chance with probability "
               f"{found.probability:.2g}")
    if found.moved:
        return f"the camera moved within the campaign ({numbers}): the pairs are not pooled"
    return f"no sign that the camera moved within the campaign ({numbers})"


def _notes(rig: StereoRig, found: CampaignDrift) -> list[str]:
    f = float(rig.K1[0, 0])
    per_deg = np.radians(1.0)
    # Of x y / f over the picture: the half sides over the root of 3, each.
    crossed = rig.size[0] * rig.size[1] / (12 * f)
    notes = [SCALE_WORDS,
             VERGENCE_NOTE.format(shift=f * per_deg, off=crossed * per_deg),
             f"the direction of the baseline is taken to have changed by {BASELINE_SIGMA_DEG:g}° "
             "at most (one sigma)"]
    if rig.covariance is None:
        notes.append("the rig states no covariance: what the calibration leaves open is not in the "
                     "sigmas")
    if any(found.left_out):
        names = ", ".join(p.id for p, out in zip(found.pairs, found.left_out, strict=True) if out)
        notes.append(f"not pooled, far from the others: {names}")
    return notes


def drift_csv(record: Record) -> str:
    """The pairs of a record as CSV."""
    stream = io.StringIO()
    stream.write(f"# schema: {CSV_SCHEMA}\n# hazcam: {record['hazcam']}\n"
                 f"# rig: {record['rig']['name']} {record['digests']['rig']}\n")
    stream.writelines(f"# pair: {name} {digest}\n"
                      for name, digest in record["digests"]["pairs"].items())
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(_COLUMNS)
    writer.writerows(_row(pair) for pair in record["pairs"])
    return stream.getvalue()


def _row(pair: Record) -> list[Any]:
    angles = [pair[key][name] for name in NAMES for key in ("turn_deg", "sigma_deg")]
    ground = pair["ground"][DISTANCES_M.index(LIMIT_AT_M)]
    return [pair["id"], pair["taken_at"], *angles, pair["count"], pair["spread_px"],
            ground["height_m"], ground["height_sigma_m"], pair["limit"],
            "yes" if pair["left_out"] else "no"]
