"""Drift of a rig as a record (schema ``hazcam-drift/1``) and as CSV. Pure.

- Angles are in deg, lengths in m, pixels in px. A turn is that of the right camera about its own
  axes since the calibration: pitch, vergence, roll (``senses`` says which way is positive).
- ``sigma_deg`` is of all that is not known; ``calibration_sigma_deg`` is what of it the covariance
  of the rig leaves open, ``added_sigma_deg`` the rest. ``covariance_deg2`` is of the whole.
- ``limit`` is ``within``, ``beyond`` or ``not known``.
- ``sides`` are the pairs before and since a step; there is none unless the camera moved.
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
from hazcam.drift import BASELINE_SIGMA_DEG, NAMES, DriftEstimate
from hazcam.drift_campaign import CampaignDrift, PairDrift, pool, sides_of_step
from hazcam.drift_effect import (
    LIMIT_AT_M,
    MAX_DRIFT_HEIGHT_M,
    DriftEffects,
    drift_effects,
    ground_effect,
)
from hazcam.drift_mending import step_words
from hazcam.epipolar import MAX_EPIPOLAR_OFFSET_PX
from hazcam.frames import Floats
from hazcam.refinement import MAX_REFINE_SIGMA_DEG
from hazcam.report.record import Record, plain
from hazcam.report.refined_record import SCALE_WORDS, baseline_words, parts_words
from hazcam.versions import versions

SCHEMA = "hazcam-drift/1"
CSV_SCHEMA = "hazcam-drift-csv/1"

VERGENCE_NOTE = (
    "the sigma of the vergence is the larger one: a turn about the vertical shifts every disparity "
    "by about {shift:.1f} px per degree, but the rows by {off:.1f} px per degree only (root mean "
    "square over the picture)")
SENSES = {"pitch": "looks lower", "vergence": "turned inward, to the left camera",
          "roll": "turned anticlockwise as seen from behind"}
"""What the right camera did where its angle is positive."""

_LEAST = 1e-12  # probabilities below this are said to be so

_COLUMNS = ("pair", "taken_at", *(f"{n}_{w}" for n in NAMES for w in ("deg", "sigma_deg")),
            "count", "spread_px", "rows_off_px", "height_1m_m", "height_1m_sigma_m",
            "limit", "left_out")


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
        "baseline_sigma_assumed_deg": BASELINE_SIGMA_DEG, "senses": SENSES,
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
    effects = drift_effects(rig, drift.turn_deg, drift.covariance[:3, :3])
    return {
        "id": pair.id, "taken_at": pair.taken_at, "left_out": left_out,
        **_turn(drift.turn_deg, drift.covariance[:3, :3], drift.calibration_covariance[:3, :3]),
        "baseline_deg": drift.baseline_deg.tolist(),
        "baseline_sigma_deg": np.sqrt(np.diag(drift.covariance)[3:]).tolist(),
        "count": drift.count, "sought": drift.sought, "inliers": drift.inliers,
        "spread_px": drift.spread_px, **_effects(effects),
        "notes": [*pair.notes, *_why_not_known(rig, drift, effects)],
    }


def _why_not_known(rig: StereoRig, drift: DriftEstimate, effects: DriftEffects) -> list[str]:
    """Why it is not known to be within the limit, and what would help."""
    if effects.limit != "not known":
        return []
    if not np.isfinite(effects.at_limit.height_sigma_m):
        return [f"not known: the cameras do not both see the ground at {LIMIT_AT_M:g} m"]
    calibration = drift.calibration_covariance[:3, :3]
    alone = ground_effect(rig, drift.turn_deg, calibration, LIMIT_AT_M).height_sigma_m
    if 2 * alone**2 > effects.at_limit.height_sigma_m**2:
        return [f"not known: the calibration itself leaves {1000 * alone:.1f} mm of the ground "
                "open (one sigma), which no pair lowers: calibrate with more views (hazcam "
                "calibrate solve)"]
    return ["not known: this pair leaves too much open: take pairs of textured ground that fills "
            "the pictures"]


def _turn(turn_deg: Floats, covariance: Floats, calibration: Floats) -> Record:
    parts = {"sigma_deg": covariance, "calibration_sigma_deg": calibration,
             "added_sigma_deg": covariance - calibration}
    return {"turn_deg": dict(zip(NAMES, turn_deg.tolist(), strict=True)),
            **{key: dict(zip(NAMES, np.sqrt(np.diag(part)).tolist(), strict=True))
               for key, part in parts.items()},
            "covariance_deg2": covariance.tolist()}


def _effects(effects: DriftEffects) -> Record:
    return {"limit": effects.limit, "rows_off_px": effects.row_offset_px,
            "height_m": effects.at_limit.height_m,
            "height_sigma_m": effects.at_limit.height_sigma_m,
            "ground": [asdict(e) for e in effects.ground],
            "effects": [asdict(e) for e in effects.whole]}


def _together(rig: StereoRig, found: CampaignDrift) -> Record:
    return {**_turn(found.turn_deg, found.covariance, found.calibration_covariance),
            **_effects(drift_effects(rig, found.turn_deg, found.covariance))}


def _combined(rig: StereoRig, found: CampaignDrift) -> Record:
    test = {"pairs": len(found.kept), "left_out": sum(found.left_out),
            "chi_squared": found.chi_squared, "freedom": found.freedom,
            "spread_deg": dict(zip(NAMES, found.spread_deg.tolist(), strict=True)),
            "probability": found.probability, "scattered": found.scattered, "moved": found.moved,
            "step": _step(found), "text": _constancy(found),
            "sides": [_side(rig, side) for side in sides_of_step(found, rig)]}
    together = _together(rig, found)
    return {**test, **(dict.fromkeys(together) if found.moved else together)}


def _step(found: CampaignDrift) -> Record | None:
    if not found.moved or found.step is None:
        return None
    before, since = found.pairs[found.step - 1 : found.step + 1]
    return {"last_before": before.id, "first_since": since.id}


def _side(rig: StereoRig, side: CampaignDrift) -> Record:
    """Of the pairs on one side of a step; of its last one alone where they do not agree either."""
    if side.moved:
        last = pool(side.pairs[-1:], rig)
        return {"text": f"{side.pairs[-1].id} alone (the pairs with it do not agree either)",
                "pairs": [side.pairs[-1].id], **_together(rig, last)}
    ids = [pair.id for pair in side.kept]
    text = ids[0] if len(ids) == 1 else f"{ids[0]} to {ids[-1]} ({len(ids)} pairs)"
    return {"text": text, "pairs": ids, **_together(rig, side)}


def _constancy(found: CampaignDrift) -> str:
    if found.freedom == 0:
        return "one pair: whether the camera stayed as it was is not tested"
    scatter = ", ".join(f"{name} {spread:.3f}°" for name, spread
                        in zip(NAMES, found.spread_deg, strict=True))
    chance = f"{found.probability:.2g}" if found.probability > _LEAST else f"below {_LEAST:g}"
    numbers = (f"between pairs {scatter}; chi-squared {found.chi_squared:.1f} at "
               f"{found.freedom} degrees of freedom, by chance with probability {chance}")
    if found.moved:
        return (f"the camera moved within the campaign, most {step_words(found)} ({numbers}): the "
                "pairs are not pooled")
    if found.scattered:
        return (f"the pairs scatter more than their sigmas explain ({numbers}; the "
                f"largest step is {step_words(found)}); what is left in "
                "each when their mean is taken out keeps the limit, so they are pooled, with a "
                "sigma that is wider by the scatter")
    return f"no sign that the camera moved within the campaign ({numbers})"


def _notes(rig: StereoRig, found: CampaignDrift) -> list[str]:
    f = float(rig.K1[0, 0])
    per_deg = np.radians(1.0)
    # Of x y / f over the picture: the half sides over the root of 3, each.
    crossed = rig.size[0] * rig.size[1] / (12 * f)
    notes = ["the right camera, where positive: " + "; ".join(
                 f"{name}: {sense}" for name, sense in SENSES.items()),
             SCALE_WORDS,
             VERGENCE_NOTE.format(shift=f * per_deg, off=crossed * per_deg),
             "the direction of the baseline is taken to be as calibrated within "
             f"{BASELINE_SIGMA_DEG:g}° (one sigma)"]
    parts = parts_words(found.calibration_covariance)
    notes.append(f"{parts}: the same in all pairs, so more pairs do not lower it" if parts else
                 "the rig states no covariance: what the calibration leaves open is not in the "
                 "sigmas")
    baseline = baseline_words(found.baseline_deg)
    return [*notes, *([baseline] if baseline else []), *_left_out(found)]


def _left_out(found: CampaignDrift) -> list[str]:
    if not any(found.left_out):
        return []
    names = ", ".join(p.id for p, out in zip(found.pairs, found.left_out, strict=True) if out)
    return [f"not pooled, far from the others: {names}"]


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
    return [pair["id"], pair["taken_at"], *angles, pair["count"], pair["spread_px"],
            pair["rows_off_px"], pair["height_m"], pair["height_sigma_m"], pair["limit"],
            "yes" if pair["left_out"] else "no"]
