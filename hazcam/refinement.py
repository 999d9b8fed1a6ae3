"""Refinement: the pair assessed with the turn of the right camera taken out of the calibration.

Only for this pair, and only where the pair itself shows all three angles well enough. The
calibration file stays what it is. The direction of the baseline is left as calibrated, and its
length, the scale of all depths, is not observable.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hazcam.calibration import StereoRig
from hazcam.drift import NAMES, DriftEstimate, NoDrift, find_drift, turned
from hazcam.drift_effect import LIMIT_AT_M, GroundEffect, ground_effect
from hazcam.frames import View
from hazcam.imagery import Intake, StereoPair

# Vergence shifts every disparity by f per radian: 0.02 degrees are 0.2 px, which is 1 mm of height
# of the ground at 1 m (cameras 0.17 m up, 0.10 m apart), an eighth of what an attitude known to 0.5
# degrees leaves open.
MAX_REFINE_SIGMA_DEG = 0.02


@dataclass(frozen=True, kw_only=True, eq=False)
class Refinement:
    """What came of refining the rig on a pair.

    Attributes
    ----------
    rig : StereoRig
        What the pair is assessed with; as calibrated where ``refused``.
    view : View
        For the assessment: what the turn's own sigma leaves open is in it.
    drift : DriftEstimate or None
        None where none could be found.
    effect : GroundEffect or None
        What the drift does to ground at 1 m if it is left in.
    refused : str
        Why the pair is assessed with the rig as calibrated; empty where it was refined.
    """

    rig: StereoRig
    view: View
    drift: DriftEstimate | None
    effect: GroundEffect | None
    refused: str

    @property
    def used(self) -> bool:
        """Is the pair assessed with the refined rig?"""
        return not self.refused


def refine_on(pair: StereoPair, rig: StereoRig, intake: Intake, view: View) -> Refinement:
    """Take the turn of the right camera, as the pair shows it, out of the rig.

    What the sigma of the turn leaves open is an error that all points share: it joins
    ``scale_sigma`` by what it does to the range of ground at 1 m, and ``tilt_sigma_deg`` by what it
    does to its height (that grows with the distance, as a tilt does).

    Parameters
    ----------
    pair : StereoPair
        With both pictures.
    rig : StereoRig
        Moved and scaled to the pair's window and binning.
    intake : Intake
        Of the pair.
    view : View
        With the rig as calibrated.
    """
    found = find_drift(pair, rig, intake, view)
    if isinstance(found, NoDrift):
        return Refinement(rig=rig, view=view, drift=None, effect=None, refused=found.reason)
    covariance = found.covariance[:3, :3]
    effect = ground_effect(rig, found.turn_deg, covariance, LIMIT_AT_M)
    refused = refusal(found)
    if not np.isfinite(effect.range_sigma_m):
        refused = (f"the cameras do not both see the ground at {LIMIT_AT_M:g} m: what the turn "
                   "leaves open of it is not known")
    if refused:
        return Refinement(rig=rig, view=view, drift=found, effect=effect, refused=refused)
    mended = turned(rig, found.turn_deg)
    left = ground_effect(mended, np.zeros(3), covariance, LIMIT_AT_M)
    return Refinement(rig=mended, view=_widened(view, left), drift=found, effect=effect, refused="")


def refusal(found: DriftEstimate) -> str:
    """Why the rig is not to be refined by this drift; empty where it may be."""
    wide = [f"{name} to {sigma:.3f}°" for name, sigma in zip(NAMES, found.sigma_deg, strict=True)
            if sigma > MAX_REFINE_SIGMA_DEG]
    if not wide:
        return ""
    return (f"{found.count} features leave {' and '.join(wide)} (one sigma, limit "
            f"{MAX_REFINE_SIGMA_DEG:.2f}°)")


def _widened(view: View, left: GroundEffect) -> View:
    """The view with what is left open of ground at 1 m."""
    far = float(np.hypot(left.distance_m, view.T_rover_camera.t[2]))
    tilt = float(np.degrees(left.height_sigma_m / left.distance_m))
    return replace(view, scale_sigma=float(np.hypot(view.scale_sigma, left.range_sigma_m / far)),
                   tilt_sigma_deg=float(np.hypot(view.tilt_sigma_deg, tilt)))
