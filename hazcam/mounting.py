"""MountEstimate: how the left camera stands on the rover, from pairs of a flat floor.

The rover stands on the floor in its nominal stance, so the plane of its feet is the floor: the
plane that the pairs show gives height, pitch and roll. No floor shows the yaw or where along the
rover the camera is, and none shows the length of the baseline: heights and ranges are proportional
to it. So a measured height is the check of the baseline.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from hazcam.calibration import StereoRig, rig_digest
from hazcam.calibration.checks import check_mount
from hazcam.calibration.effect import derivatives
from hazcam.calibration.geometry import (
    normalised,
    project,
    rectified_directions,
    rectifying_rotations,
)
from hazcam.calibration.mount import (
    MountAngles,
    mount_angles,
    mount_provenance,
    mount_rotation,
    mount_sigmas,
    tilt_of,
)
from hazcam.errors import RigError
from hazcam.floor import FloorPlane
from hazcam.frames import Floats, read_only

NAMES = ("height", "pitch", "roll")
# A measured height disagrees where it is so many sigma off.
DISAGREES = 3.0
# Left pixels at which the calibration's part is taken, and how far floor is counted. [m]
_GRID = (17, 13)
_FARTHEST_M = 5.0


@dataclass(frozen=True, kw_only=True, eq=False)
class MountEstimate:
    """Height, pitch and roll of the left camera; arrays are (height [m], pitch, roll [deg]).

    Attributes
    ----------
    floors : tuple of FloorPlane
        What each pair shows.
    values : ndarray of shape (3,)
        Mean over the pairs.
    own_sigma : ndarray of shape (3,)
        One standard deviation from the planes: the larger of what the fits state and the spread
        between the pairs, over the root of their number.
    spread : ndarray of shape (3,)
        Standard deviation between the pairs; NaN for one pair.
    calibration_sigma : ndarray of shape (3,), or None
        What the rig's covariance leaves open, alike for all pairs; None where it states none.
    """

    floors: tuple[FloorPlane, ...]
    values: Floats
    own_sigma: Floats
    spread: Floats
    calibration_sigma: Floats | None

    def __post_init__(self) -> None:
        if not self.floors:
            raise ValueError("a MountEstimate needs a floor")
        for name in ("values", "own_sigma", "spread", "calibration_sigma"):
            value = getattr(self, name)
            if value is None:
                continue
            if value.shape != (3,):
                raise ValueError(f"{name} of a MountEstimate is of shape (3,)")
            object.__setattr__(self, name, read_only(value, np.float64))

    @property
    def sigma(self) -> Floats:
        """All that is known to be open, shape (3,); without the calibration's part if unknown."""
        if self.calibration_sigma is None:
            return self.own_sigma
        return np.asarray(np.hypot(self.own_sigma, self.calibration_sigma))

    @property
    def height_m(self) -> float:
        """Of the left camera above the floor. [m]"""
        return float(self.values[0])

    @property
    def pitch_deg(self) -> float:
        """Of the optical axis below the horizon. [deg]"""
        return float(self.values[1])

    @property
    def roll_deg(self) -> float:
        """Positive: left side up. [deg]"""
        return float(self.values[2])


@dataclass(frozen=True, kw_only=True)
class HeightCheck:
    """The camera height by the pictures against a measured one: the check of the baseline.

    Attributes
    ----------
    measured_m, measured_sigma_m : float
        As given. [m]
    share : float
        Height by the pictures over the measured one, less 1: by what share the rig's baseline
        (or its focal length with it) is too long.
    sigma : float
        Of the share, from the measurement and the planes: the calibration is what is checked.
    """

    measured_m: float
    measured_sigma_m: float
    share: float
    sigma: float

    @property
    def agrees(self) -> bool:
        """Is the share within ``DISAGREES`` sigma of 0?"""
        return abs(self.share) <= DISAGREES * self.sigma

    @property
    def sigmas(self) -> float:
        """The share in its sigma, an amount."""
        return abs(self.share) / self.sigma

    @property
    def text(self) -> str:
        """The verdict in words."""
        # Adding 0 turns -0 into 0.
        found = f"{round(100 * self.share, 2) + 0.0:+.2f} % ± {100 * self.sigma:.2f} %"
        if self.agrees:
            return (f"agrees: by the pictures the camera stands {found} higher than measured; a "
                    f"baseline that is off by less than {100 * DISAGREES * self.sigma:.1f} % would "
                    "not show")
        return (f"disagrees by {self.sigmas:.1f} sigma: the baseline is off by {found} (or the "
                "focal length with it), unless the height was measured wrongly: do not trust "
                "ranges; measure again, and calibrate the rig again if it stays so")


@dataclass(frozen=True, kw_only=True)
class Placement:
    """What no floor shows: where along the rover the left camera is, and where it looks.

    Attributes
    ----------
    x_m, y_m : float
        Ahead and to the left of the rover's origin. [m]
    yaw_deg : float
        Positive: looking to the left. [deg]
    x_from, y_from, yaw_from : str
        Where each comes from, in words.
    x_sigma_m, y_sigma_m, yaw_sigma_deg : float or None
        One standard deviation; None where it is not known.
    """

    x_m: float
    y_m: float
    yaw_deg: float
    x_from: str
    y_from: str
    yaw_from: str
    x_sigma_m: float | None = None
    y_sigma_m: float | None = None
    yaw_sigma_deg: float | None = None


def placement_without_target(
    rig: StereoRig, x_m: float | None, y_m: float | None
) -> Placement:
    """Yaw and offsets of the rig's own mount, but for what is given.

    Raises
    ------
    RigError
        The rig has no mount, and an offset is not given.
    """
    own = None if rig.mount is None else rig.mount.t
    if own is None and (x_m is None or y_m is None):
        lacking = " and ".join(f"--camera-{axis}-m" for axis, value in (("x", x_m), ("y", y_m))
                               if value is None)
        raise RigError(
            rig.source or rig.name, "has no mount, so nothing says where along the rover the left "
            "camera is: no floor shows it", "its offsets ahead (x) and to the left (y)",
            f"measure and give {lacking}, or lay a target at a measured place")
    kept, measured = "kept from the rig's mount", "as given, measured"
    known = {} if rig.mount is None else mount_sigmas(rig.mount, rig.provenance)
    yaw = (0.0, "assumed 0: nothing shows it") if rig.mount is None else (
        mount_angles(rig.mount.R).yaw_deg, kept)
    x = (float(own[0]), kept) if x_m is None and own is not None else (float(x_m or 0), measured)
    y = (float(own[1]), kept) if y_m is None and own is not None else (float(y_m or 0), measured)
    return Placement(
        x_m=x[0], y_m=y[0], yaw_deg=yaw[0], x_from=x[1], y_from=y[1], yaw_from=yaw[1],
        x_sigma_m=known.get("x") if x_m is None else None,
        y_sigma_m=known.get("y") if y_m is None else None, yaw_sigma_deg=known.get("yaw"))


def combine(floors: Sequence[FloorPlane], rig: StereoRig) -> MountEstimate:
    """One mount from the floors of one or more pairs.

    Parameters
    ----------
    floors : sequence of FloorPlane
        Of pairs that this rig took.
    rig : StereoRig
        Of the whole sensor, for what its covariance leaves open.
    """
    each = np.array([[f.height_m, f.pitch_deg, f.roll_deg] for f in floors])
    stated = np.mean([np.diag(f.covariance) for f in floors], axis=0)
    count = len(floors)
    spread = each.std(axis=0, ddof=1) if count > 1 else np.full(3, np.nan)
    own = np.sqrt(np.fmax(stated, spread**2) / count)
    values = each.mean(axis=0)
    return MountEstimate(floors=tuple(floors), values=values, own_sigma=own, spread=spread,
                         calibration_sigma=_calibration_sigma(rig, values))


def mounted_rig(
    rig: StereoRig, estimate: MountEstimate, placement: Placement, check: HeightCheck | None
) -> StereoRig:
    """The rig with ``T_rover_camera`` of floor and placement, and where that comes from.

    Raises
    ------
    RigError
        A mount that no rig may have: see ``checks.check_mount``.
    """
    angles = MountAngles(roll_deg=estimate.roll_deg, pitch_deg=estimate.pitch_deg,
                         yaw_deg=placement.yaw_deg)
    pose = check_mount(mount_rotation(angles),
                       np.array([placement.x_m, placement.y_m, estimate.height_m]),
                       f"the mount found for {rig.source or rig.name}")
    mounted = replace(rig, mount=pose, provenance=rig.provenance | {
        "mount": provenance_of(estimate, placement, check)})
    return replace(mounted, digest=rig_digest(mounted))


def provenance_of(
    estimate: MountEstimate, placement: Placement, check: HeightCheck | None
) -> dict[str, Any]:
    """What of a mount was measured, what assumed, how sure, and how checked; for the rig file."""
    whole = estimate.calibration_sigma is not None
    placed = {"yaw": placement.yaw_sigma_deg, "x": placement.x_sigma_m, "y": placement.y_sigma_m}
    values, sigma, own = (dict(zip(NAMES, numbers.tolist(), strict=True))
                          for numbers in (estimate.values, estimate.sigma, estimate.own_sigma))
    known = mount_provenance(
        values | {"yaw": placement.yaw_deg, "x": placement.x_m, "y": placement.y_m},
        sigma | placed if whole else {}, own if whole else own | placed)
    calibration = ("in the sigmas" if estimate.calibration_sigma is not None
                   else "not known: the rig states no covariance")
    return {
        "height_pitch_roll": f"measured, from a flat floor in {len(estimate.floors)} pair"
                             f"{'' if len(estimate.floors) == 1 else 's'}",
        "calibration_part": calibration, "x": placement.x_from, "y": placement.y_from,
        "yaw": placement.yaw_from, **known, "height_check": _checked(check),
        "pairs": [f"{floor.pair_id} {floor.pair_digest}" for floor in estimate.floors],
    }


def _checked(check: HeightCheck | None) -> dict[str, Any]:
    if check is None:
        return {"result": "not made: no height was measured"}
    return {"result": "agrees" if check.agrees else "disagrees", "measured_m": check.measured_m,
            "measured_sigma_m": check.measured_sigma_m, "share": check.share,
            "share_sigma": check.sigma}


def check_height(
    estimate: MountEstimate, measured_m: float, measured_sigma_m: float
) -> HeightCheck:
    """Hold the height by the pictures against a measured one."""
    own = estimate.own_sigma[0] / estimate.height_m
    return HeightCheck(
        measured_m=measured_m, measured_sigma_m=measured_sigma_m,
        share=estimate.height_m / measured_m - 1,
        sigma=float(np.hypot(own, measured_sigma_m / measured_m)))


# --- what the calibration leaves open -------------------------------------------------------------


def _calibration_sigma(rig: StereoRig, values: Floats) -> Floats | None:
    """Sigma of height, pitch and roll from the rig's covariance, shape (3,).

    The pixels of points on the floor stay, the rig that they are read with changes, and the plane
    is fitted again as ``floor`` does.
    """
    if rig.covariance is None:
        return None
    left, right = floor_pixels(rig, values)
    J = derivatives(rig, lambda r: plane_read(r, left, right), len(rig.covariance))
    return np.asarray(np.sqrt(np.einsum("ni,ij,nj->n", J, rig.covariance, J)))


def floor_pixels(rig: StereoRig, values: Floats) -> tuple[Floats, Floats]:
    """Pixels in both pictures of floor that both see, over the left picture."""
    columns, rows = (np.linspace(0, n - 1, count)
                     for n, count in zip(rig.size, _GRID, strict=True))
    pixels = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    rays = np.column_stack([normalised(rig.K1, rig.D1, rig.model, pixels), np.ones(len(pixels))])
    up = mount_rotation(MountAngles(roll_deg=values[2], pitch_deg=values[1], yaw_deg=0.0))[2]
    falls = np.maximum(-(rays @ up), values[0] / _FARTHEST_M)
    on_floor = -(rays @ up) > values[0] / _FARTHEST_M
    left, right = project(rig, rays * (values[0] / falls)[:, None])
    seen = on_floor & np.all((right >= 0) & (right <= np.array(rig.size) - 1.0), axis=1)
    return left[seen], right[seen]


def plane_read(rig: StereoRig, left_px: Floats, right_px: Floats) -> Floats:
    """Height [m], pitch and roll [deg] of the plane through points as a rig reads them."""
    left, right = rectified_directions(rig, left_px, right_px)
    rays = np.column_stack([left, np.ones(len(left))])
    found = np.linalg.lstsq(rays, left[:, 0] - right[:, 0])[0]
    size = float(np.linalg.norm(found))
    roll, pitch = tilt_of(-rectifying_rotations(rig)[0].T @ (found / size))
    return np.array([rig.baseline_m / size, pitch, roll])
