"""The attitude of a camera on the rover, as angles and as the rotation of a mount.

``mount_R = Rz(yaw) Ry(pitch) Rx(roll) R_BODY_OPTICAL``: positive pitch = optical axis below the
horizon of a level rover, positive roll = left side up, positive yaw = looking to the left.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from hazcam.frames import R_BODY_OPTICAL, Floats, Pose, level_from_rover

# The numbers of a mount and their units: place of the left camera in the rover frame, and angles.
NUMBERS = {"height": "m", "pitch": "deg", "roll": "deg", "yaw": "deg", "x": "m", "y": "m"}
# Numbers that differ by no more are the same, written and read again. [m, deg]
_SAME = 1e-6


@dataclass(frozen=True, kw_only=True)
class MountAngles:
    """Roll, pitch and yaw of the left camera against the rover; signs as in the module. [deg]"""

    roll_deg: float
    pitch_deg: float
    yaw_deg: float


def mount_angles(mount_R: Floats) -> MountAngles:
    """Angles of the rotation of a mount (left camera to rover frame).

    Examples
    --------
    >>> angles = mount_angles(mount_rotation(MountAngles(roll_deg=2, pitch_deg=18, yaw_deg=-3)))
    >>> f"{angles.roll_deg:.6f} {angles.pitch_deg:.6f} {angles.yaw_deg:.6f}"
    '2.000000 18.000000 -3.000000'
    """
    B = mount_R @ R_BODY_OPTICAL.T
    roll, pitch = tilt_of(mount_R[2])
    return MountAngles(roll_deg=roll, pitch_deg=pitch,
                       yaw_deg=float(np.degrees(np.arctan2(B[1, 0], B[0, 0]))))


def tilt_of(up: Floats) -> tuple[float, float]:
    """Roll and pitch of a camera from the rover's up in its frame, shape (3,). [deg]"""
    x, y, z = R_BODY_OPTICAL @ up
    return float(np.degrees(np.arctan2(y, z))), float(np.degrees(np.arctan2(-x, np.hypot(y, z))))


def mount_rotation(angles: MountAngles) -> Floats:
    """``mount_R`` of the angles, shape (3, 3)."""
    c, s = np.cos(np.radians(angles.yaw_deg)), np.sin(np.radians(angles.yaw_deg))
    turned = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return turned @ level_from_rover(angles.roll_deg, angles.pitch_deg) @ R_BODY_OPTICAL


def mount_numbers(mount: Pose) -> dict[str, float]:
    """Height, pitch, roll, yaw, x and y of a mount, in the units of ``NUMBERS``."""
    angles = mount_angles(mount.R)
    x, y, height = mount.t.tolist()
    return {"height": height, "pitch": angles.pitch_deg, "roll": angles.roll_deg,
            "yaw": angles.yaw_deg, "x": x, "y": y}


def mount_provenance(
    numbers: Mapping[str, float], sigmas: Mapping[str, float | None],
    own_sigmas: Mapping[str, float | None],
) -> dict[str, float]:
    """Numbers of a mount and what is known of their sigmas, by the keys of a rig file.

    Parameters
    ----------
    numbers, sigmas, own_sigmas : mapping
        By the names of ``NUMBERS``; a sigma of all that is open, and one without what the
        calibration leaves open. What is not known is None or left out.
    """
    found = {f"{name}_{NUMBERS[name]}": float(value) for name, value in numbers.items()}
    for word, known in (("sigma", sigmas), ("own_sigma", own_sigmas)):
        found |= {f"{name}_{word}_{NUMBERS[name]}": float(sigma)
                  for name, sigma in known.items() if sigma is not None}
    return found


def mount_sigmas(
    mount: Pose, provenance: Mapping[str, Any], *, own: bool = False
) -> dict[str, float | None]:
    """One standard deviation of each of ``mount_numbers``; None where it is not known.

    Parameters
    ----------
    mount : Pose
        ``T_rover_camera``.
    provenance : mapping
        Of the rig: below ``mount`` what ``mount_provenance`` wrote. A sigma counts where the number
        beside it is still that of the mount, which may have been replaced.
    own : bool
        Without what the calibration leaves open, where that is known apart: for mounts by one
        calibration, which is off by alike in both.
    """
    said = provenance.get("mount")
    said = said if isinstance(said, Mapping) else {}
    found: dict[str, float | None] = {}
    for name, value in mount_numbers(mount).items():
        stated, whole, alone = (_number(said.get(f"{name}{word}_{NUMBERS[name]}"))
                                for word in ("", "_sigma", "_own_sigma"))
        sigma = alone if own and alone is not None else whole
        holds = stated is not None and abs(stated - value) <= _SAME
        found[name] = sigma if holds and sigma is not None and sigma > 0 else None
    return found


def _number(value: object) -> float | None:
    """What a file gives as a finite number; provenance may hold anything."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None
