"""What came of ``--refine`` on a pair, as a record of plain values and in words. Pure."""

from __future__ import annotations

from typing import Any

import numpy as np

from hazcam.assess import Assessment
from hazcam.drift import BASELINE_SIGMA_DEG, NAMES, DriftEstimate
from hazcam.frames import Floats
from hazcam.refinement import MAX_REFINE_SIGMA_DEG, NO_TURN, Refinement

SCALE_WORDS = "the length of the baseline, the scale of all depths, shows in no picture"
REMEDY = "estimate the drift over several pairs: hazcam calibrate drift FOLDER --rig-out FILE"


def refined_record(a: Assessment) -> dict[str, Any]:
    """Under ``refined``, what came of refining; nothing where it was not asked for."""
    if not a.settings.refine:
        return {}
    record: dict[str, Any] = {
        "used": False, "limit_sigma_deg": MAX_REFINE_SIGMA_DEG, "turn_deg": None,
        "sigma_deg": None, "calibration_sigma_deg": None, "baseline_deg": None,
        "count": 0, "sought": 0, "effect_at_1m": None,
        "before": {"rig": a.rig.digest}, "after": None,
        "text": f"not refined: it takes both pictures; {REMEDY}",
    }
    if a.refined is None:
        return {"refined": record}
    return {"refined": record | _found(a.refined)}


def _found(refined: Refinement) -> dict[str, Any]:
    found, effect = refined.drift, refined.effect
    record: dict[str, Any] = {"used": refined.used, "text": refined_text(refined)}
    if found is not None and effect is not None:
        record |= {
            "turn_deg": found.turn_deg.tolist(), "sigma_deg": found.sigma_deg.tolist(),
            "calibration_sigma_deg": np.sqrt(np.diag(found.calibration_covariance)[:3]).tolist(),
            "baseline_deg": found.baseline_deg.tolist(), "count": found.count,
            "sought": found.sought,
            "effect_at_1m": {"height_m": effect.height_m, "height_sigma_m": effect.height_sigma_m,
                             "range_m": effect.range_m, "range_sigma_m": effect.range_sigma_m}}
    if refined.used:
        rig = refined.rig
        record["after"] = {"rig": rig.digest, "R": rig.R.tolist(), "T": rig.T.tolist(),
                           "scale_sigma": refined.view.scale_sigma,
                           "tilt_sigma_deg": refined.view.tilt_sigma_deg}
    return record


def refined_text(refined: Refinement) -> str:
    """The turn that was taken out, or why none was, in words."""
    if refined.refused == NO_TURN:
        return f"not refined: {NO_TURN}"
    if refined.refused or refined.drift is None or refined.effect is None:
        return (f"not refined: {refined.refused}; assessed with the rig as calibrated; remedy: "
                f"{REMEDY}")
    effect = refined.effect
    baseline = baseline_words(refined.drift.baseline_deg)
    unknown = "" if np.any(refined.drift.calibration_covariance) else (
        "; the rig states no covariance, so what its calibration leaves open is not in the sigmas")
    return (f"refined: the right camera has turned against the left one since the calibration by "
            f"{turn_words(refined.drift)}{unknown}; that is taken out for this pair (left in, "
            f"ground at "
            f"{effect.distance_m:g} m would be read {1000 * effect.height_m:+.1f} ± "
            f"{1000 * effect.height_sigma_m:.1f} mm off in height)"
            f"{'; ' + baseline if baseline else ''}; the calibration file is as it was; "
            f"{SCALE_WORDS}")


def turn_words(found: DriftEstimate) -> str:
    """The three angles with their sigma."""
    angles = ", ".join(f"{name} {turn:+.3f}° ± {sigma:.3f}°" for name, turn, sigma
                       in zip(NAMES, found.turn_deg, found.sigma_deg, strict=True))
    parts = parts_words(found.calibration_covariance)
    return f"{angles} ({parts})" if parts else angles


def parts_words(calibration_covariance: Floats) -> str:
    """What of the sigmas the calibration leaves open; empty where it states no covariance.

    Parameters
    ----------
    calibration_covariance : ndarray of shape (3, 3) or more
        [deg²]
    """
    if not np.any(calibration_covariance):
        return ""
    sigmas = np.sqrt(np.diag(calibration_covariance)[:3])
    return "of the sigmas the calibration's own part is " + ", ".join(f"{s:.3f}°" for s in sigmas)


def baseline_words(baseline_deg: Floats) -> str:
    """That the direction of the baseline changed too; empty within 2 of its prior sigmas.

    Parameters
    ----------
    baseline_deg : ndarray of shape (2,)
        As in ``DriftEstimate``.
    """
    if np.all(np.abs(baseline_deg) <= 2 * BASELINE_SIGMA_DEG):
        return ""
    down, forward = baseline_deg
    return (f"the direction of the baseline does not fit either (the right camera stands "
            f"{abs(down):.2f}° {'lower' if down > 0 else 'higher'} and {abs(forward):.2f}° farther "
            f"{'forward' if forward > 0 else 'back'} than calibrated, {BASELINE_SIGMA_DEG:g}° is "
            "expected): it is left as it is, and nearby rows stay off by it")
