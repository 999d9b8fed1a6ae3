"""What came of ``--refine`` on a pair, as a record of plain values and in words. Pure."""

from __future__ import annotations

from typing import Any

from hazcam.assess import Assessment
from hazcam.drift import NAMES, DriftEstimate
from hazcam.refinement import MAX_REFINE_SIGMA_DEG, Refinement

SCALE_WORDS = "the length of the baseline, the scale of all depths, shows in no picture"
REMEDY = "estimate the drift over several pairs: hazcam calibrate drift FOLDER --rig-out FILE"


def refined_record(a: Assessment) -> dict[str, Any]:
    """Under ``refined``, what came of refining; nothing where it was not asked for."""
    if not a.settings.refine:
        return {}
    record: dict[str, Any] = {
        "used": False, "limit_sigma_deg": MAX_REFINE_SIGMA_DEG, "turn_deg": None,
        "sigma_deg": None, "baseline_deg": None, "count": 0, "sought": 0, "effect_at_1m": None,
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
    if refined.refused or refined.drift is None or refined.effect is None:
        return (f"not refined: {refined.refused}; assessed with the rig as calibrated; remedy: "
                f"{REMEDY}")
    effect = refined.effect
    return (f"refined: the right camera has turned since the calibration by "
            f"{turn_words(refined.drift)}; that is taken out for this pair (left in, ground at "
            f"{effect.distance_m:g} m would be read {1000 * effect.height_m:+.1f} ± "
            f"{1000 * effect.height_sigma_m:.1f} mm off in height); the calibration file is as it "
            f"was; {SCALE_WORDS}")


def turn_words(found: DriftEstimate) -> str:
    """The three angles with their sigma."""
    return ", ".join(f"{name} {turn:+.3f}° ± {sigma:.3f}°" for name, turn, sigma
                     in zip(NAMES, found.turn_deg, found.sigma_deg, strict=True))
