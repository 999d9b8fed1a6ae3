"""What a change of the mount alone does to where ground is read to lie.

A point of flat ground is seen by the cameras as the mount has it and placed on the rover by the
mount as it is believed to be; the cameras themselves are taken to be right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hazcam.calibration.effect import CHANGE_GRID, LengthChange, length_change
from hazcam.calibration.geometry import normalised
from hazcam.calibration.mount import MountAngles, mount_numbers, mount_rotation, mount_sigmas
from hazcam.calibration.rig import StereoRig
from hazcam.frames import Floats, Pose

# What heights depend on, in the order of the derivatives, and the step of these. [m, deg, deg]
_MOVING = ("height", "pitch", "roll")
_STEP = 1e-3


@dataclass(frozen=True, kw_only=True)
class MountEffect:
    """What a change of the mount alone does to flat ground at one distance.

    Attributes
    ----------
    distance_m : float
        From the left camera. [m]
    height : LengthChange
        Of the ground, as read less as it is; NaN where the camera stands higher than the distance.
    place : LengthChange
        How far the ground is moved along the horizontal, an amount; no sigma is taken.
    """

    distance_m: float
    height: LengthChange
    place: LengthChange


def effect_of_mount(
    believed: StereoRig, true: StereoRig, distances_m: Sequence[float], *, same_cameras: bool
) -> tuple[MountEffect, ...]:
    """What comes of placing ground with the mount of another rig; none where one has no mount.

    The ground lies at each distance across the width of the left picture of ``true``.

    Parameters
    ----------
    believed : StereoRig
        Whose mount is read with.
    true : StereoRig
        Whose mount is as it is.
    distances_m : sequence of float
        From the left camera. [m]
    same_cameras : bool
        What the calibration leaves open of both mounts is alike, and is not in the sigma.
    """
    if believed.mount is None or true.mount is None:
        return ()
    width, height = true.size
    pixels = np.column_stack([np.linspace(0, width - 1, CHANGE_GRID[0]),
                              np.full(CHANGE_GRID[0], (height - 1) / 2)])
    rays = np.column_stack([normalised(true.K1, true.D1, true.model, pixels), np.ones(len(pixels))])
    ahead = rays @ true.mount.R.T
    azimuth = np.arctan2(ahead[:, 1], ahead[:, 0])
    found = []
    for distance in distances_m:
        ground = _ground(true.mount, azimuth, distance)
        seen = true.mount.inverse().apply(ground)
        off = believed.mount.apply(seen) - ground
        sigma = _sigma_of_both(believed, true, seen, same_cameras)
        found.append(MountEffect(
            distance_m=distance, height=length_change(off[:, 2], sigma, pixels, true.size),
            place=length_change(np.hypot(off[:, 0], off[:, 1]), None, pixels, true.size)))
    return tuple(found)


def _ground(mount: Pose, azimuth: Floats, distance_m: float) -> Floats:
    """Points of the plane of the feet at a distance from the camera, rover frame (N, 3). [m]"""
    along = distance_m**2 - mount.t[2] ** 2
    reach = np.sqrt(along) if along > 0 else np.nan
    return np.column_stack([mount.t[0] + reach * np.cos(azimuth),
                            mount.t[1] + reach * np.sin(azimuth), np.zeros_like(azimuth)])


def _sigma_of_both(a: StereoRig, b: StereoRig, seen: Floats, own: bool) -> Floats | None:
    """Sigma of the change of the height of points in the left camera frame, shape (N,). [m]"""
    variance = np.zeros(len(seen))
    for rig in (a, b):
        assert rig.mount is not None
        sigmas = mount_sigmas(rig.mount, rig.provenance, own=own)
        numbers = mount_numbers(rig.mount)
        for name in _MOVING:
            sigma = sigmas[name]
            if sigma is None:
                return None
            high, low = (_height(numbers | {name: numbers[name] + sign * _STEP}, seen)
                         for sign in (1, -1))
            variance += (sigma * (high - low) / (2 * _STEP)) ** 2
    return np.asarray(np.sqrt(variance))


def _height(numbers: dict[str, float], seen: Floats) -> Floats:
    """Over the plane of the feet, by the numbers of a mount, shape (N,). [m]"""
    R = mount_rotation(MountAngles(roll_deg=numbers["roll"], pitch_deg=numbers["pitch"],
                                   yaw_deg=numbers["yaw"]))
    return np.asarray(seen @ R[2] + numbers["height"])
