"""The attitude of a camera on the rover, as angles and as the rotation of a mount.

``mount_R = Rz(yaw) Ry(pitch) Rx(roll) R_BODY_OPTICAL``: positive pitch = optical axis below the
horizon of a level rover, positive roll = left side up, positive yaw = looking to the left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hazcam.frames import R_BODY_OPTICAL, Floats, level_from_rover


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
