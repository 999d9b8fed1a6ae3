"""Light of the proving ground, and how the ground reflects it.

The sun is a disc of 0.5 degrees; the sky, where there is one, is even; a lamp sits beside the
cameras. ``regolith`` is a surface of Lommel and Seeliger's law with an opposition surge: near low
sun it is less dark than Lambert's, and it brightens where the sun stands behind the camera.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from hazcam.frames import Floats

Reflectance = Literal["regolith", "lambert"]

SUN_DIAMETER_DEG = 0.5
# Opposition surge: how much brighter at phase 0, and its half width as a tangent.
SURGE, SURGE_WIDTH = 0.8, 0.07
# Where light and sight both graze, the law would outshine Lambert's without bound, and a pixel on
# the edge of a stone holds more than one slant: the sum of the cosines is not taken as less.
_GRAZING = 0.2


@dataclass(frozen=True, kw_only=True)
class Light:
    """Sun, sky and lamp.

    Attributes
    ----------
    sun_elevation_deg : float
        Above the horizon. [deg]
    sun_azimuth_deg : float
        Where the sun stands, from the rover's x axis, positive to the left (level frame). [deg]
    sun : float
        Irradiance on a surface square to the sun; 0: no sun.
    sky : float
        Irradiance of open level ground from the even sky; 0: a black sky.
    lamp : float
        Irradiance from the lamp, square to it, 1 m away; 0: no lamp.
    """

    sun_elevation_deg: float = 30.0
    sun_azimuth_deg: float = 120.0
    sun: float = 1.0
    sky: float = 0.0
    lamp: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.sun_elevation_deg <= 90:
            raise ValueError(f"sun elevation must be in (0, 90] deg, got {self.sun_elevation_deg}")
        if min(self.sun, self.sky, self.lamp) < 0 or self.sun + self.sky + self.lamp <= 0:
            raise ValueError("sun, sky and lamp are 0 or more, and one of them is above 0")

    @property
    def to_sun(self) -> Floats:
        """Unit vector from the ground to the sun, level frame."""
        el, az = np.radians(self.sun_elevation_deg), np.radians(self.sun_azimuth_deg)
        return np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])


def lommel_seeliger(cos_in: Floats, cos_out: Floats) -> Floats:
    """Brightness of a dark, porous surface, ``mu0 / (mu0 + mu)``, without its phase function.

    ``cos_in`` and ``cos_out`` are the cosines of incidence and emission (B. Hapke, Theory of
    Reflectance and Emittance Spectroscopy, 2nd ed. 2012, ch. 8, from memory).

    Examples
    --------
    >>> f"{lommel_seeliger(np.array(0.5), np.array(1.0)):.4f}"
    '0.3333'
    """
    return np.asarray(cos_in / (cos_in + cos_out))


def opposition_surge(phase_rad: Floats) -> Floats:
    """Factor of at least 1 by which grains hide their own shadows at a low phase angle.

    Form ``1 + B0 / (1 + tan(g/2) / h)`` (Hapke 1986, Icarus 67:264, from memory).
    """
    return np.asarray(1 + SURGE / (1 + np.tan(phase_rad / 2) / SURGE_WIDTH))


def regolith_over_lambert(normal: Floats, to_light: Floats, to_camera: Floats) -> Floats:
    """By how much a regolith surface outshines Lambert's of the same albedo, shape (...).

    All arguments are unit vectors of shape (..., 3). Lambert's cosine of incidence is divided out,
    so that the factor stays finite where the light grazes.
    """
    cos_in = np.clip(np.sum(normal * to_light, axis=-1), 0.0, 1.0)
    cos_out = np.clip(np.sum(normal * to_camera, axis=-1), 0.0, 1.0)
    phase = np.arccos(np.clip(np.sum(to_light * to_camera, axis=-1), -1.0, 1.0))
    return np.asarray(opposition_surge(phase) / np.maximum(cos_in + cos_out, _GRAZING))
