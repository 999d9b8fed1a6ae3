"""LaidTarget: yaw and place of the left camera, from a target laid at a measured place.

The corners are triangulated in both pictures and put into the rover frame with the height, pitch
and roll that the floor shows; what is left between where they lie and where they were laid is a
turn about the vertical and a shift along the floor. How high and how tilted the target lies, and
how large it is, checks the floor and the scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hazcam.calibration import StereoRig, rig_for
from hazcam.calibration.detect import Found, find_target, refine
from hazcam.calibration.effect import derivatives
from hazcam.calibration.geometry import triangulate_pixels
from hazcam.calibration.mount import MountAngles, mount_rotation
from hazcam.calibration.target import Target
from hazcam.errors import PairError, TargetError
from hazcam.floor import FloorPlane
from hazcam.frames import Floats, read_only
from hazcam.imagery import StereoPair
from hazcam.mounting import Placement, floor_pixels, plane_read

# A target lies on the floor: no thicker than a board, no more tilted, and of its own size.
MOST_HEIGHT_M, MOST_TILT_DEG, MOST_SIZE_SHARE = 0.03, 3.0, 0.05
_FEWEST_CORNERS = 6

Ids = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class LaidAt:
    """Where a target was laid, measured in the rover frame.

    Attributes
    ----------
    x_m, y_m : float
        Of its first point, ahead and to the left of the rover's origin. [m]
    heading_deg : float
        Where its rows point, positive to the left; its columns run to the right of that. [deg]
    """

    x_m: float
    y_m: float
    heading_deg: float

    def places_m(self, target: Target) -> Floats:
        """Where the target's points lie in the rover frame: x, y, shape (count, 2). [m]"""
        c, s = np.cos(np.radians(self.heading_deg)), np.sin(np.radians(self.heading_deg))
        along, down = target.points_m[:, 0], target.points_m[:, 1]
        return np.column_stack([self.x_m + c * along + s * down, self.y_m + s * along - c * down])


@dataclass(frozen=True, kw_only=True, eq=False)
class LaidTarget:
    """The left camera as one pair of the laid target shows it.

    Attributes
    ----------
    pair_id : str
    values : ndarray of shape (3,)
        x, y [m] and yaw [deg] of the left camera in the rover frame.
    covariance : ndarray of shape (3, 3)
        Of them, from the corners alone.
    calibration_covariance : ndarray of shape (3, 3), or None
        What the rig's covariance leaves open; None where it states none.
    corners : int
        Points found in both pictures.
    residual_m : float
        Root mean square of what is left along the floor, x and y together. [m]
    height_m, tilt_deg : float
        Of the target's plane against the floor.
    size_share : float
        By what share the target is read too large.
    """

    pair_id: str
    values: Floats
    covariance: Floats
    calibration_covariance: Floats | None
    corners: int
    residual_m: float
    height_m: float
    tilt_deg: float
    size_share: float

    def __post_init__(self) -> None:
        for name in ("values", "covariance", "calibration_covariance"):
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, read_only(value, np.float64))


def check_can_be_laid(target: Target) -> Target:
    """Return a target that shows from which side it is seen.

    Raises
    ------
    TargetError
        As many rows as columns of points that look alike: turned by a quarter it looks the same,
        and nothing in a picture of a floor says which way it lies.
    """
    if target.kind != "charuco" and target.columns == target.rows:
        raise TargetError(
            f"--points: {target.columns}x{target.rows}", "turned by a quarter it looks the same",
            "rows and columns that differ in number, or a ChArUco board",
            "lay another target",
        )
    return target


def find_laid_target(
    pair: StereoPair, rig: StereoRig, floor: FloorPlane, target: Target, laid: LaidAt
) -> LaidTarget | None:
    """Yaw and place of the left camera from one pair; None where the target is not in both.

    Parameters
    ----------
    pair : StereoPair
        With both pictures.
    rig : StereoRig
        Of the whole sensor.
    floor : FloorPlane
        Of this pair.
    target : Target
    laid : LaidAt

    Raises
    ------
    PairError
        The target does not lie on the floor, is of another size, or lies the other way round.
    """
    fitted = rig_for(pair.size, pair.window, pair.binning, rig, where=pair.left_name)
    found = _in_both(pair, target)
    if found is None:
        return None
    ids, left, right = found
    numbers = np.array([floor.height_m, floor.pitch_deg, floor.roll_deg])
    points = _levelled(triangulate_pixels(fitted, left, right), numbers)
    ids = _ordered(ids, points, target, laid)
    places = laid.places_m(target)[ids]
    values, residual = _shift_and_turn(points[:, :2], places)
    one = LaidTarget(
        pair_id=pair.id, values=values, corners=len(ids),
        covariance=_covariance(points[:, :2], values, residual),
        calibration_covariance=_calibration_covariance(fitted, numbers, left, right, places),
        residual_m=float(np.sqrt(np.mean(residual**2))), **_lie(points, places))
    _refuse_what_does_not_fit(one)
    return one


def placement_from(found: Sequence[LaidTarget]) -> Placement:
    """Yaw and offsets from the pairs that show the target: their mean, and its sigma."""
    each = np.array([one.values for one in found])
    own = np.mean([np.diag(one.covariance) for one in found], axis=0)
    spread = each.var(axis=0, ddof=1) if len(found) > 1 else np.zeros(3)
    shared = found[0].calibration_covariance
    variance = np.maximum(own, spread) / len(found) + (0 if shared is None else np.diag(shared))
    x, y, yaw = each.mean(axis=0).tolist()
    x_sigma, y_sigma, yaw_sigma = np.sqrt(variance).tolist()
    source = (f"measured, from the target in {len(found)} pair{'' if len(found) == 1 else 's'}; "
              "how well its place was measured is not in the sigma")
    return Placement(x_m=x, y_m=y, yaw_deg=yaw, x_from=source, y_from="from the target",
                     yaw_from="from the target", x_sigma_m=x_sigma, y_sigma_m=y_sigma,
                     yaw_sigma_deg=yaw_sigma)


def _in_both(pair: StereoPair, target: Target) -> tuple[Ids, Floats, Floats] | None:
    """Ids and pixels of the points that both pictures show."""
    sides: list[Found] = []
    for picture in (pair.left, pair.right):
        found = None if picture is None else find_target(picture, target)
        if picture is None or found is None:
            return None
        sides.append(refine(picture, found, target))
    ids, first, second = np.intersect1d(sides[0].ids, sides[1].ids, return_indices=True)
    if len(ids) < _FEWEST_CORNERS:
        return None
    return ids.astype(np.int64), sides[0].pixels[first], sides[1].pixels[second]


def _levelled(points: Floats, numbers: Floats) -> Floats:
    """Points from the left camera frame to axes of the rover at yaw 0, under the camera. [m]"""
    height_m, pitch_deg, roll_deg = numbers
    R = mount_rotation(MountAngles(roll_deg=roll_deg, pitch_deg=pitch_deg, yaw_deg=0.0))
    return np.asarray(points @ R.T + [0.0, 0.0, height_m])


def _ordered(ids: Ids, points: Floats, target: Target, laid: LaidAt) -> Ids:
    """The ids, counted from the other end where the pattern looks the same and lies so."""
    places = laid.places_m(target)
    turned = target.count - 1 - ids
    looks = [abs(_shift_and_turn(points[:, :2], places[order])[0][2]) for order in (ids, turned)]
    return turned if target.half_turn_alike and looks[1] < looks[0] else ids


def _shift_and_turn(points: Floats, places: Floats) -> tuple[Floats, Floats]:
    """x, y [m] and turn [deg] that take points to places best, and what is left, shape (N, 2)."""
    p, q = points - points.mean(axis=0), places - places.mean(axis=0)
    angle = np.arctan2((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum(), (p * q).sum())
    c, s = np.cos(angle), np.sin(angle)
    turned = points @ np.array([[c, s], [-s, c]])
    shift = (places - turned).mean(axis=0)
    return np.array([*shift, np.degrees(angle)]), places - turned - shift


def _covariance(points: Floats, values: Floats, residual: Floats) -> Floats:
    """Of shift [m] and turn [deg] from what is left of the corners, shape (3, 3)."""
    c, s = np.cos(np.radians(values[2])), np.sin(np.radians(values[2]))
    turned = points @ np.array([[c, s], [-s, c]])
    J = np.zeros((len(points), 2, 3))
    J[:, 0, 0] = J[:, 1, 1] = 1.0
    J[:, :, 2] = np.radians(1.0) * np.column_stack([-turned[:, 1], turned[:, 0]])
    flat = J.reshape(-1, 3)
    variance = (residual**2).sum() / (residual.size - 3)
    return np.asarray(variance * np.linalg.inv(flat.T @ flat))


def _calibration_covariance(
    rig: StereoRig, numbers: Floats, left: Floats, right: Floats, places: Floats
) -> Floats | None:
    """What the rig's covariance leaves open: the floor and the corners are read with other rigs."""
    if rig.covariance is None:
        return None
    floor = floor_pixels(rig, numbers)

    def read(other: StereoRig) -> Floats:
        points = _levelled(triangulate_pixels(other, left, right), plane_read(other, *floor))
        return _shift_and_turn(points[:, :2], places)[0]

    J = derivatives(rig, read, len(rig.covariance))
    return np.asarray(J @ rig.covariance @ J.T)


def _lie(points: Floats, places: Floats) -> dict[str, float]:
    """How high and how tilted the target lies on the floor, and how large it is read."""
    design = np.column_stack([np.ones(len(points)), points[:, :2] - points[:, :2].mean(axis=0)])
    height, *slopes = np.linalg.lstsq(design, points[:, 2])[0]
    read, true = (np.sqrt(((v - v.mean(axis=0)) ** 2).sum()) for v in (points[:, :2], places))
    return {"height_m": float(height), "size_share": float(read / true - 1),
            "tilt_deg": float(np.degrees(np.arctan(np.hypot(*slopes))))}


def _refuse_what_does_not_fit(one: LaidTarget) -> None:
    yaw = one.values[2]
    if abs(yaw) > 90:
        raise PairError(
            one.pair_id, f"by the target the camera would look {abs(yaw):.0f}° aside of ahead",
            "a target whose first point and rows lie as they are said to",
            "check --target-heading-deg: rows point from the first point along it, columns to the "
            "right of that")
    if abs(one.size_share) > MOST_SIZE_SHARE:
        raise PairError(
            one.pair_id, f"the target is read {100 * one.size_share:+.1f} % too large",
            f"its own size within {100 * MOST_SIZE_SHARE:g} %",
            "check --pitch-mm; if it is right, the baseline of the rig is not")
    if abs(one.height_m) > MOST_HEIGHT_M or one.tilt_deg > MOST_TILT_DEG:
        raise PairError(
            one.pair_id, f"the target lies {1000 * one.height_m:.0f} mm above the floor, tilted by "
            f"{one.tilt_deg:.1f}°", f"a target flat on the floor: {1000 * MOST_HEIGHT_M:g} mm and "
            f"{MOST_TILT_DEG:g}° at most", "lay it flat on the floor")
