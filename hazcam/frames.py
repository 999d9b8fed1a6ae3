"""Poses, headings, and the camera, rover and level frames.

Frames
------
camera
    x right, y down, z forward; origin at the projection centre.
rover
    x forward, y left, z up; origin under the body centre in the plane of the feet in the
    nominal stance on a flat floor.
level
    The rover frame turned about its origin so that z is against gravity.

``R_level_rover = Ry(pitch) @ Rx(roll)``, right-handed: positive roll = left side up, positive
pitch = nose down. A heading is an angle about level z from the rover's x axis, positive to the
left. A pose ``T_target_source`` takes coordinates of the source frame to the target frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Optical axes (x right, y down, z forward) to body axes (x forward, y left, z up), as in ROS
# REP 103: https://www.ros.org/reps/rep-0103.html
R_BODY_OPTICAL: Floats = np.array([[0.0, 0.0, 1.0], [-1.0, 0.0, 0.0], [0.0, -1.0, 0.0]])
R_BODY_OPTICAL.setflags(write=False)


def read_only(values: ArrayLike, dtype: type | None = None) -> NDArray[np.generic]:
    """Return a C-contiguous copy that cannot be written to, for frozen records."""
    copy = np.array(values, dtype=dtype, order="C", copy=True)
    copy.setflags(write=False)
    return copy


def rotation_x(angle_deg: float) -> Floats:
    """Right-handed rotation about x by ``angle_deg`` degrees, shape (3, 3)."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


def rotation_y(angle_deg: float) -> Floats:
    """Right-handed rotation about y by ``angle_deg`` degrees, shape (3, 3)."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def level_from_rover(roll_deg: float, pitch_deg: float) -> Floats:
    """``R_level_rover``: positive roll = left side up, positive pitch = nose down.

    Examples
    --------
    >>> bool(level_from_rover(0.0, 10.0)[2, 0] < 0)  # the nose points below the horizon
    True
    >>> bool(level_from_rover(10.0, 0.0)[2, 1] > 0)  # the left side is up
    True
    """
    return rotation_y(pitch_deg) @ rotation_x(roll_deg)


@dataclass(frozen=True, kw_only=True, eq=False)
class Pose:
    """A rigid motion ``T_target_source``: ``p_target = R @ p_source + t``.

    Attributes
    ----------
    R : ndarray of shape (3, 3), float64
        Rotation, orthonormal with determinant +1.
    t : ndarray of shape (3,), float64
        Origin of the source frame in the target frame. [m]
    """

    R: Floats
    t: Floats

    def __post_init__(self) -> None:
        R = np.asarray(self.R, dtype=np.float64)
        t = np.asarray(self.t, dtype=np.float64).reshape(-1)
        if R.shape != (3, 3) or t.shape != (3,):
            raise ValueError(f"a pose needs R (3, 3) and t (3,), got {R.shape} and {t.shape}")
        if not np.allclose(R @ R.T, np.eye(3), atol=1e-6) or np.linalg.det(R) < 0:
            raise ValueError("R of a pose must be orthonormal with determinant +1")
        object.__setattr__(self, "R", read_only(R))
        object.__setattr__(self, "t", read_only(t))

    def apply(self, points: ArrayLike) -> Floats:
        """Take points of shape (..., 3) from the source frame to the target frame. [m]"""
        return np.asarray(points, dtype=np.float64) @ self.R.T + self.t

    def inverse(self) -> Pose:
        """``T_source_target``."""
        return Pose(R=self.R.T, t=-self.R.T @ self.t)

    def __matmul__(self, other: Pose) -> Pose:
        """``T_a_b @ T_b_c = T_a_c``."""
        return Pose(R=self.R @ other.R, t=self.R @ other.t + self.t)


@dataclass(frozen=True, kw_only=True)
class Attitude:
    """How the rover stands against gravity.

    Attributes
    ----------
    roll_deg, pitch_deg : float
        Signs and order of rotation as in the module's docstring. [deg]
    roll_sigma_deg, pitch_sigma_deg : float
        One standard deviation of each. [deg]
    """

    roll_deg: float
    pitch_deg: float
    roll_sigma_deg: float
    pitch_sigma_deg: float

    def __post_init__(self) -> None:
        values = (self.roll_deg, self.pitch_deg, self.roll_sigma_deg, self.pitch_sigma_deg)
        if not np.all(np.isfinite(values)):
            raise ValueError(f"an attitude needs finite angles, got {values}")
        if self.roll_sigma_deg < 0 or self.pitch_sigma_deg < 0:
            raise ValueError("the sigma of an angle cannot be negative")


@dataclass(frozen=True, kw_only=True, eq=False)
class View:
    """Where the left camera is, against the body and against gravity.

    Attributes
    ----------
    T_rover_camera : Pose
        Left camera (as built, before rectification) to rover frame.
    T_level_rover : Pose
        Rover to level frame; the identity where the attitude is not known.
    tilt_sigma_deg : float
        One standard deviation of the tilt against gravity about any horizontal axis. [deg]
    tilt_bound_deg : float
        What roll and pitch may each be off by beyond that; 0 where the attitude is known. [deg]
    scale_sigma : float
        One standard deviation of the scale of all ranges, as a share: what the focal length and
        the baseline leave open. It does not average out.
    """

    T_rover_camera: Pose
    T_level_rover: Pose
    tilt_sigma_deg: float
    tilt_bound_deg: float
    scale_sigma: float

    @property
    def T_level_camera(self) -> Pose:
        """Left camera to level frame."""
        return self.T_level_rover @ self.T_rover_camera


def view_from(
    mount: Pose, attitude: Attitude | None, *, unknown_tilt_deg: float, scale_sigma: float
) -> View:
    """Place the camera against body and gravity.

    Parameters
    ----------
    mount : Pose
        ``T_rover_camera`` of the left camera.
    attitude : Attitude or None
        None where the rover did not say: the rover frame then stands for the level frame.
    unknown_tilt_deg : float
        How far roll and pitch may each be from zero where the attitude is not known; 0 takes
        it as exactly level. [deg]
    scale_sigma : float
        See ``View``.
    """
    if attitude is None:
        R, sigma, bound = np.eye(3), 0.0, unknown_tilt_deg
    else:
        R = level_from_rover(attitude.roll_deg, attitude.pitch_deg)
        sigma, bound = max(attitude.roll_sigma_deg, attitude.pitch_sigma_deg), 0.0
    return View(T_rover_camera=mount, T_level_rover=Pose(R=R, t=np.zeros(3)),
                tilt_sigma_deg=sigma, tilt_bound_deg=bound, scale_sigma=scale_sigma)


def heading_text(heading_deg: float) -> str:
    """Say a heading in words, as every text output does.

    Examples
    --------
    >>> heading_text(12.0), heading_text(-5.5), heading_text(0.0)
    ('12° left', '5.5° right', 'straight ahead')
    """
    if heading_deg == 0:
        return "straight ahead"
    return f"{abs(heading_deg):g}° {'left' if heading_deg > 0 else 'right'}"
