"""RigSolution: a solved rig, and all that tells how good it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from hazcam.calibration.bundle import Corners
from hazcam.calibration.coverage import Coverage
from hazcam.calibration.flatness import Flatness
from hazcam.calibration.held_out import HeldOut
from hazcam.calibration.rig import LensModel, StereoRig
from hazcam.calibration.target import Target
from hazcam.calibration.views import Fate
from hazcam.frames import Floats


@dataclass(frozen=True, kw_only=True)
class ViewReport:
    """What became of one view.

    Attributes
    ----------
    id, left_name, right_name : str
    fate : Fate
    reason : str
        Why it was not used, or not wholly; empty for a used pair.
    points : tuple of int
        Points found in the left and in the right picture.
    rms_px : tuple of float
        Residual of the left and of the right picture; NaN where it was not used. [px]
    held_out_px : float
        Residual by the rig that was solved without this view. [px] NaN where it was not used.
    distance_m : float
        From the left camera to the middle of the target. [m]
    tilt_deg : float
        Angle between the target's normal and the optical axis of the left camera. [deg]
    """

    id: str
    left_name: str
    right_name: str
    fate: Fate
    reason: str
    points: tuple[int, int]
    rms_px: tuple[float, float]
    held_out_px: float
    distance_m: float
    tilt_deg: float


@dataclass(frozen=True, kw_only=True)
class ModelScore:
    """How well one lens model foretells views that it was not fitted to.

    Attributes
    ----------
    model : str
    parameters : int
        Of the rig.
    fitted_px, held_out_px : float
        Residual of the views that all models used, fitted and left out. [px] NaN if not solved.
    why : str
        Why it was chosen or not, in words.
    """

    model: LensModel
    parameters: int
    fitted_px: float
    held_out_px: float
    why: str


@dataclass(frozen=True, kw_only=True)
class ParameterSigma:
    """One number of the rig and what is known of it.

    Attributes
    ----------
    name : str
    unit : str
    value : float
    chance : float
        One standard deviation from the noise of the corners and the spread between views.
    method : float or None
        What the choice of the corner method adds, and a target that is bowed; None where there is
        no other method.
    """

    name: str
    unit: str
    value: float
    chance: float
    method: float | None

    @property
    def sigma(self) -> float:
        """Both together."""
        return float((self.chance**2 + (self.method or 0.0) ** 2) ** 0.5)


@dataclass(frozen=True, kw_only=True, eq=False)
class RigSolution:
    """A solved rig.

    Attributes
    ----------
    rig : StereoRig
        With covariance and provenance, not mounted.
    target : Target
    views : tuple of ViewReport
        In the order given.
    models : tuple of ModelScore
        The lens models that were compared; one where it was prescribed.
    choice : {"held-out error", "prescribed"}
        How the model was chosen.
    parameters : tuple of ParameterSigma
    corner_px : tuple of float
        Noise of a corner, left and right, as the residuals show it. [px]
    rms_px : float
        Residual over both cameras. [px]
    held_out : HeldOut
    spread_between_views : float
        Factor on the variances; see ``held_out.spread_between_views``.
    flatness : Flatness
        How far the target is from a plane.
    corners : Corners
        Of the views that were used.
    residuals_px : ndarray of shape (M, 2)
        Seen by the rig minus found. [px]
    used : tuple of str
        Their ids, by the number in ``corners.view``.
    coverage : Coverage
    advice : tuple of str
        What to photograph next, the most useful first, in words.
    verdict : str
        Is it good enough to rely on, in words.
    """

    rig: StereoRig
    target: Target
    views: tuple[ViewReport, ...]
    models: tuple[ModelScore, ...]
    choice: Literal["held-out error", "prescribed"]
    parameters: tuple[ParameterSigma, ...]
    corner_px: tuple[float, float]
    rms_px: float
    held_out: HeldOut
    spread_between_views: float
    flatness: Flatness
    corners: Corners
    residuals_px: Floats
    used: tuple[str, ...]
    coverage: Coverage
    advice: tuple[str, ...]
    verdict: str
