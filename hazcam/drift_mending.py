"""The rig with the turn of a campaign taken out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hazcam.calibration import StereoRig, rig_digest
from hazcam.drift import turned
from hazcam.drift_campaign import CampaignDrift, sides_of_step
from hazcam.drift_effect import LIMIT_AT_M, ground_effect
from hazcam.errors import RigError
from hazcam.frames import Floats
from hazcam.refinement import MAX_REFINE_SIGMA_DEG, left_too_open, too_wide


def mended_rig(rig: StereoRig, found: CampaignDrift) -> StereoRig:
    """The rig with the pooled turn taken out, its provenance saying from which pairs.

    See ``hazcam.refinement`` for what has to be known how well, and why.

    Parameters
    ----------
    rig : StereoRig
        As calibrated, with its mount.
    found : CampaignDrift
        By ``pool`` with this rig.

    Raises
    ------
    RigError
        The camera moved within the campaign, the pictures leave an angle open by more than
        ``MAX_REFINE_SIGMA_DEG``, or all together leaves too much of the ground at 1 m open.
    """
    where = rig.source or rig.name
    if found.moved:
        raise _moved(where, rig, found)
    wide = too_wide(found.added_sigma_deg)
    if wide:
        raise RigError(where, f"the pairs leave {wide}",
                       f"each to {MAX_REFINE_SIGMA_DEG:g} degrees",
                       "give more pairs of textured ground that fills the pictures, or calibrate "
                       "again")
    mended = turned(rig, found.turn_deg)
    open_ = left_too_open(ground_effect(mended, np.zeros(3), found.covariance, LIMIT_AT_M))
    if open_:
        raise RigError(where, open_, "a rig that tells the ground at 1 m",
                       "calibrate again with more views (`hazcam calibrate solve`)")
    said = {"turn_deg": found.turn_deg.tolist(), "sigma_deg": found.sigma_deg.tolist(),
            "spread_deg": None if found.freedom == 0 else found.spread_deg.tolist(),
            "pairs": [pair.id for pair in found.kept], "from_rig": rig.name,
            "from_digest": rig.digest}
    provenance = {**rig.provenance, "drift_taken_out": said}
    mended = replace(mended, provenance=provenance, covariance=_with_turn(rig, found))
    return replace(mended, digest=rig_digest(mended))


def _moved(where: str, rig: StereoRig, found: CampaignDrift) -> RigError:
    since = sides_of_step(found, rig)[1]
    first, again = since.pairs[0].id, since.moved
    remedy = "give the pairs since it last moved, or calibrate again"
    if not again:
        remedy = (f"give the pairs from {first} on ({len(since.pairs)} of {len(found.pairs)}), or "
                  "calibrate again")
    return RigError(where, f"the right camera moved within the campaign, most {step_words(found)}"
                    f"{', and again since' if again else ''}: no one turn mends it",
                    "pairs over which it stayed as it was", remedy)


def step_words(found: CampaignDrift) -> str:
    """Between which two pairs the step is; empty where there is none."""
    if found.step is None:
        return ""
    before, since = found.pairs[found.step - 1], found.pairs[found.step]
    when = "" if since.taken_at is None or not found.by_time else f" (taken {since.taken_at})"
    return f"between {before.id} and {since.id}{when}"


def _with_turn(rig: StereoRig, found: CampaignDrift) -> Floats | None:
    """The rig's covariance with what the drift leaves open on top; None stays None.

    T turns with R. What the calibration leaves open of the drift is not in it already: see
    ``hazcam.refinement``. It counts here as independent, which is a little more than it is.
    """
    if rig.covariance is None:
        return None
    x, y, z = rig.T
    # d(Rodrigues(w) T)/dw = -[T]x
    J = np.vstack([np.eye(3), [[0, z, -y], [-z, 0, x], [y, -x, 0]]])
    covariance = rig.covariance.copy()
    covariance[8:14, 8:14] += J @ np.radians(np.radians(found.covariance)) @ J.T
    return covariance
