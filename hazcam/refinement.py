"""Refinement: the pair assessed with the turn of the right camera taken out of the calibration.

Only for this pair, and only where the pair itself shows a turn, and all three angles of it, well
enough. The calibration file stays what it is. The direction of the baseline is left as calibrated,
and its length, the scale of all depths, is not observable.

A pair shows how one camera turned against the other, and not which of the two: it is taken out of
the right one. If it was the left one, heights tilt by as much, so the turn widens the tilt, too.

The sigma of a turn has two parts. What the pictures add (noise, tracker, direction of the baseline)
is what more or better pairs lower, and the limit ``MAX_REFINE_SIGMA_DEG`` is on that part. What the
covariance of the calibration leaves open is the same in all pairs: no number of them lowers it. It
is not the calibration's vergence as it was, either. Board pictures tie the vergence to the other
parameters, so that depths are known better than each of these; a turn told by rows cuts that tie.
An error of R itself is mended by it, but errors of focal lengths, principal points and distortion
are now read as a turn: on a rig solved from 18 rendered boards they leave the range at 1 m open by
6 to 7 mm, where the calibration alone left 2 mm. So that part stays in the significance of the
drift, in what the refined view and a mended rig leave open, and has a limit of its own: ground at 1
m has to be known to be within ``MAX_DRIFT_HEIGHT_M`` by 2 sigma of both parts together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hazcam.calibration import StereoRig
from hazcam.drift import NAMES, DriftEstimate, NoDrift, find_drift, turned
from hazcam.drift_effect import LIMIT_AT_M, MAX_DRIFT_HEIGHT_M, GroundEffect, ground_effect
from hazcam.frames import Floats, View
from hazcam.imagery import Intake, StereoPair

# Vergence shifts every disparity by f per radian: 0.02 degrees are 0.2 px, which is 1 mm of height
# of the ground at 1 m (cameras 0.17 m up, 0.10 m apart), an eighth of what an attitude known to 0.5
# degrees leaves open.
MAX_REFINE_SIGMA_DEG = 0.02
# A rig that turned farther was hit too hard for the rest of its calibration to be believed.
MAX_REFINE_TURN_DEG = 0.6
# 99.73 % of chi-squared at 3 degrees of freedom, three sigma: less than that is no turn.
_A_TURN_SHOWS = 14.16


NO_TURN = "no turn shows that is more than chance: the rig as calibrated fits the pair"


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
    if not _shows(found):
        return Refinement(rig=rig, view=view, drift=found, effect=effect, refused=NO_TURN)
    mended = turned(rig, found.turn_deg)
    left = ground_effect(mended, np.zeros(3), covariance, LIMIT_AT_M)
    wide = too_wide(found.added_sigma_deg)
    refused = (f"{found.count} features leave {wide}" if wide
               else _too_far(found) or left_too_open(left))
    if refused:
        return Refinement(rig=rig, view=view, drift=found, effect=effect, refused=refused)
    return Refinement(rig=mended, view=_widened(view, left, found), drift=found, effect=effect,
                      refused="")


def _shows(found: DriftEstimate) -> bool:
    """Does the pair show that anything turned?"""
    turn, covariance = found.turn_deg, found.covariance[:3, :3]
    return bool(turn @ np.linalg.solve(covariance, turn) > _A_TURN_SHOWS)


def _too_far(found: DriftEstimate) -> str:
    """Why so large a turn is not taken out; empty where it is."""
    farthest = float(np.linalg.norm(found.turn_deg))
    if farthest <= MAX_REFINE_TURN_DEG:
        return ""
    return (f"a turn of {farthest:.2f}° is beyond {MAX_REFINE_TURN_DEG:g}°: what turned a camera "
            "so far moved more than that; calibrate anew")


def too_wide(added_sigma_deg: Floats) -> str:
    """Which angles the pictures leave too open for the rig to be mended; empty where none.

    Parameters
    ----------
    added_sigma_deg : ndarray of shape (3,)
        Without the calibration's part. [deg]
    """
    wide = [f"{name} to {sigma:.3f}°" for name, sigma in zip(NAMES, added_sigma_deg, strict=True)
            if not sigma <= MAX_REFINE_SIGMA_DEG]
    if not wide:
        return ""
    return (f"{' and '.join(wide)} (one sigma, without the calibration's own part; limit "
            f"{MAX_REFINE_SIGMA_DEG:.2f}°)")


def left_too_open(left: GroundEffect) -> str:
    """Why ground at 1 m, as the mended rig reads it, is not known well enough; empty where it is.

    Parameters
    ----------
    left : GroundEffect
        Of no turn with the whole covariance, by the mended rig.
    """
    if not np.isfinite(left.height_sigma_m):
        return (f"the cameras do not both see the ground at {LIMIT_AT_M:g} m: what the turn "
                "leaves open of it is not known")
    if left.can_tell:
        return ""
    return (f"the turn leaves the height of ground at {LIMIT_AT_M:g} m open by "
            f"{1000 * left.height_sigma_m:.1f} mm (one sigma, limit "
            f"{1000 * MAX_DRIFT_HEIGHT_M / 2:g} mm), and most of that is what the calibration "
            "itself leaves open, which no pairs lower: calibrate with more views")


def _widened(view: View, left: GroundEffect, found: DriftEstimate) -> View:
    """The view with what is left open of ground at 1 m, and of which camera it was that turned."""
    far = float(np.hypot(left.distance_m, view.T_rover_camera.t[2]))
    tilt = float(np.degrees(left.height_sigma_m / left.distance_m))
    # Any share of the turn may be the left camera's, 0 to 1 alike: 1 / sqrt(3) of it as a sigma.
    other = float(np.hypot(found.turn_deg[0], found.turn_deg[2]) / np.sqrt(3))
    tilt = float(np.hypot(tilt, other))
    return replace(view, scale_sigma=float(np.hypot(view.scale_sigma, left.range_sigma_m / far)),
                   tilt_sigma_deg=float(np.hypot(view.tilt_sigma_deg, tilt)))
