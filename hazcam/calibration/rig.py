"""StereoRig: two cameras, how they see, how they stand to each other and on the rover."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from hazcam.frames import Floats, Pose, read_only

LensModel = Literal["brown", "rational", "fisheye"]


@dataclass(frozen=True, kw_only=True, eq=False)
class StereoRig:
    """A calibrated stereo rig.

    Attributes
    ----------
    name : str
        Name of the rig (its file's stem).
    size : tuple of int
        (width, height) of the calibrated pictures. [px]
    K1, K2 : ndarray of shape (3, 3), float64
        Camera matrices of the left and the right camera. [px]
    D1, D2 : ndarray of shape (n,), float64
        Distortion coefficients in OpenCV's order for ``model``.
    R : ndarray of shape (3, 3), float64
        ``x_right = R x_left + T``.
    T : ndarray of shape (3,), float64
        The same. [m] ``T[0] < 0`` for a right camera to the right of the left one.
    mount : Pose or None
        ``T_rover_camera`` of the left camera; None for a bare rig.
    model : str
        ``brown`` (k1 k2 p1 p2 k3), ``rational`` (up to 8 coefficients) or ``fisheye`` (4).
    read_noise : float or None
        Noise without light, one standard deviation, of a pixel of the file: rounding included.
        [grey levels of an 8-bit picture]
    noise_gain : float or None
        Variance of the noise per grey level of signal. [grey levels of an 8-bit picture]
    covariance : ndarray of shape (14, 14) or (14 + n1 + n2, 14 + n1 + n2), float64, or None
        Of (fx fy cx cy) left, (fx fy cx cy) right [px], rotation of R [rad], T [m], and where the
        distortion was solved with them D1, D2. The rotation is that of a small turn of the right
        camera about its own axes: ``R_true = Rodrigues(turn) R``.
    provenance : dict
        Where the calibration came from, as read.
    digest : str
        SHA-256 of the rig's numbers.
    source : str
        File that it was read from, for messages.
    """

    name: str
    size: tuple[int, int]
    K1: Floats
    D1: Floats
    K2: Floats
    D2: Floats
    R: Floats
    T: Floats
    mount: Pose | None
    model: LensModel = "brown"
    read_noise: float | None = None
    noise_gain: float | None = None
    covariance: Floats | None = None
    provenance: dict[str, Any] = field(default_factory=dict)
    digest: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        for name in ("K1", "D1", "K2", "D2", "R", "T"):
            value = np.asarray(getattr(self, name), dtype=np.float64)
            if name in ("D1", "D2", "T"):
                value = value.reshape(-1)
            object.__setattr__(self, name, read_only(value))
        if self.K1.shape != (3, 3) or self.K2.shape != (3, 3) or self.R.shape != (3, 3):
            raise ValueError("K1, K2 and R of a rig are of shape (3, 3)")
        if self.T.shape != (3,):
            raise ValueError("T of a rig is of shape (3,)")

    @property
    def baseline_m(self) -> float:
        """Distance between the two projection centres. [m]"""
        return float(np.linalg.norm(self.T))
