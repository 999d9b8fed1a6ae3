"""What a drift does to the ground as it is read, and whether that is beyond the limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from hazcam.calibration import StereoRig
from hazcam.calibration.effect import DistanceEffect, effect_of_change
from hazcam.calibration.geometry import project, triangulate_pixels
from hazcam.drift import turned
from hazcam.epipolar import MAX_EPIPOLAR_OFFSET_PX
from hazcam.errors import RigError
from hazcam.frames import Floats, Pose

# Ground that is read this much too high or too low is half of what an attitude known to 0.5 degrees
# leaves open at 1 m. It is also what the rig check bears: a camera that turned sideways by its
# limit of 1 px reads the ground ahead 4 to 5 mm off.
MAX_DRIFT_HEIGHT_M = 0.005
LIMIT_AT_M = 1.0
# An effect of so many sigma is there.
SIGNIFICANT = 3.0

DISTANCES_M = (0.5, 1.0, 1.5, 2.0)

LimitState = Literal["within", "beyond", "not known"]

_AZIMUTHS_DEG = np.linspace(-30.0, 30.0, 13)
_STEP_DEG = 0.01


@dataclass(frozen=True, kw_only=True)
class GroundEffect:
    """How flat ground at one distance is misread with the calibration that does not know the turn.

    Attributes
    ----------
    distance_m : float
        Along the ground from below the left camera. [m]
    height_m, range_m : float
        The largest that is read too high, and too far, over 30 degrees to each side; with its sign.
        [m] NaN where the cameras do not see it.
    height_sigma_m, range_sigma_m : float
        What the sigma of the turn leaves open of them. [m]
    """

    distance_m: float
    height_m: float
    height_sigma_m: float
    range_m: float
    range_sigma_m: float

    @property
    def limit(self) -> LimitState:
        """Is the height misread by more than ``MAX_DRIFT_HEIGHT_M``?

        ``beyond``: by more, and by 3 sigma at that; ``within``: by less, were it 2 sigma more;
        else it is not known.
        """
        off = abs(self.height_m)
        if off > MAX_DRIFT_HEIGHT_M and off > SIGNIFICANT * self.height_sigma_m:
            return "beyond"
        return "within" if off + 2 * self.height_sigma_m <= MAX_DRIFT_HEIGHT_M else "not known"

    @property
    def can_tell(self) -> bool:
        """Would no height misread at all be known to be within the limit?"""
        return 2 * self.height_sigma_m <= MAX_DRIFT_HEIGHT_M


@dataclass(frozen=True, kw_only=True, eq=False)
class DriftEffects:
    """What a drift does at ``DISTANCES_M``.

    Attributes
    ----------
    whole : tuple of DistanceEffect
        Over all that both cameras see as far from the left camera as that ground is: seen from
        above, that is farther than along the ground.
    ground : tuple of GroundEffect
        Of flat ground.
    """

    whole: tuple[DistanceEffect, ...]
    ground: tuple[GroundEffect, ...]

    @property
    def limit(self) -> LimitState:
        """Is the drift within its limit?

        ``beyond`` where ground at 1 m is misread by too much, or rows lie farther off than the rig
        check bears (they are known much better than that); else as of the ground.
        """
        if abs(self.row_offset_px) > MAX_EPIPOLAR_OFFSET_PX:
            return "beyond"
        return self.at_limit.limit

    @property
    def at_limit(self) -> GroundEffect:
        """Of ground at ``LIMIT_AT_M``."""
        return self.ground[DISTANCES_M.index(LIMIT_AT_M)]

    @property
    def row_offset_px(self) -> float:
        """The largest by which rows lie off, about as far away, with its sign. [px]"""
        return self.whole[DISTANCES_M.index(LIMIT_AT_M)].row_offset_px

    @property
    def tolerable(self) -> bool:
        """Do rows and ground at 1 m keep the limit, the ground within one sigma?

        Less than ``within`` asks: for what is left in one pair of many, not for what is believed.
        """
        ground = self.at_limit
        return (abs(self.row_offset_px) <= MAX_EPIPOLAR_OFFSET_PX
                and abs(ground.height_m) <= MAX_DRIFT_HEIGHT_M + ground.height_sigma_m)


def drift_effects(rig: StereoRig, turn_deg: Floats, covariance: Floats) -> DriftEffects:
    """What reading the pictures of a turned rig with its calibration does.

    Parameters
    ----------
    rig : StereoRig
        As calibrated, with its mount.
    turn_deg, covariance : ndarray of shape (3,) and (3, 3)
        Of the right camera. [deg, deg²]
    """
    above = float(_mount_of(rig).t[2])
    return DriftEffects(
        whole=effect_of_change(rig, turned(rig, turn_deg),
                               [float(np.hypot(d, above)) for d in DISTANCES_M]),
        ground=tuple(ground_effect(rig, turn_deg, covariance, d) for d in DISTANCES_M))


def ground_effect(
    rig: StereoRig, turn_deg: Floats, covariance: Floats, distance_m: float
) -> GroundEffect:
    """What reading the pictures of a turned rig with its calibration does to flat ground.

    Parameters
    ----------
    rig : StereoRig
        As calibrated, with its mount.
    turn_deg, covariance : ndarray of shape (3,) and (3, 3)
        Of the right camera. [deg, deg²]
    distance_m : float
        See ``GroundEffect``.
    """
    points, up = _ground(rig, distance_m)

    def misread(turn: Floats) -> Floats:
        return _misread(rig, turn, points, up)

    found = misread(turn_deg)
    steps = _STEP_DEG * np.eye(3)
    J = np.stack([misread(turn_deg + step) - misread(turn_deg - step) for step in steps],
                 axis=-1) / (2 * _STEP_DEG)
    sigma = np.sqrt(np.einsum("nki,ij,nkj->nk", J, covariance, J))
    if not np.isfinite(found).all(axis=1).any():
        nothing = float("nan")
        return GroundEffect(distance_m=distance_m, height_m=nothing, height_sigma_m=nothing,
                            range_m=nothing, range_sigma_m=nothing)
    height, far = (int(np.nanargmax(np.abs(found[:, k]) + sigma[:, k])) for k in range(2))
    return GroundEffect(
        distance_m=distance_m, height_m=float(found[height, 0]), range_m=float(found[far, 1]),
        height_sigma_m=float(sigma[height, 0]), range_sigma_m=float(sigma[far, 1]))


def _ground(rig: StereoRig, distance_m: float) -> tuple[Floats, Floats]:
    """Points of the plane of the feet (N, 3), and up; left camera frame. [m]"""
    mount, angle = _mount_of(rig), np.radians(_AZIMUTHS_DEG)
    on_rover = np.column_stack([mount.t[0] + distance_m * np.cos(angle),
                                mount.t[1] + distance_m * np.sin(angle), np.zeros_like(angle)])
    return mount.inverse().apply(on_rover), mount.R[2]


def _mount_of(rig: StereoRig) -> Pose:
    if rig.mount is None:
        raise RigError(rig.source or rig.name, "the rig has no mount on a rover",
                       "the pose of the left camera, to know where the ground is",
                       "mount it with `hazcam calibrate mount`, or give --mount FILE")
    return rig.mount


def _misread(rig: StereoRig, turn_deg: Floats, points: Floats, up: Floats) -> Floats:
    """Height and range as read less the true ones (N, 2); NaN where not both cameras see. [m]"""
    left, right = project(turned(rig, turn_deg), points)
    read = triangulate_pixels(rig, left, right)
    size = np.array(rig.size) - 1.0
    seen = np.all((left >= 0) & (left <= size) & (right >= 0) & (right <= size), axis=1)
    off = np.column_stack([(read - points) @ up,
                           np.linalg.norm(read, axis=1) - np.linalg.norm(points, axis=1)])
    return np.where(seen[:, None], off, np.nan)
