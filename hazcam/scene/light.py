"""Light of the proving ground: a low or high sun with hard shadows, and a little sky."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hazcam.frames import Floats


@dataclass(frozen=True, kw_only=True)
class Light:
    """Sun and sky.

    Attributes
    ----------
    sun_elevation_deg : float
        Above the horizon. [deg]
    sun_azimuth_deg : float
        Where the sun stands, from the rover's x axis, positive to the left (level frame). [deg]
    sun : float
        Irradiance on a surface square to the sun.
    sky_fraction : float
        Irradiance of level ground from the sky, as a fraction of that from the sun.
    """

    sun_elevation_deg: float
    sun_azimuth_deg: float
    sun: float = 1.0
    sky_fraction: float = 0.12

    def __post_init__(self) -> None:
        if not 0 < self.sun_elevation_deg <= 90:
            raise ValueError(f"sun elevation must be in (0, 90] deg, got {self.sun_elevation_deg}")

    @property
    def to_sun(self) -> Floats:
        """Unit vector from the ground to the sun, level frame."""
        el, az = np.radians(self.sun_elevation_deg), np.radians(self.sun_azimuth_deg)
        return np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])

    @property
    def sky_radiance(self) -> float:
        """Radiance of the even sky that gives ``sky_fraction``."""
        level_sun = self.sun * np.sin(np.radians(self.sun_elevation_deg))
        return float(self.sky_fraction * level_sun / np.pi)
