"""SceneDescription: everything that a scene is made from, in one frozen record.

It is complete: the same description, rig and version of hazcam give the same pixels. What is drawn
at random is either written out (each rock, ledge, pit) or follows from ``seed`` alone (relief,
texture, gravel, noise). The file form (schema ``hazcam-scene/1``, TOML) has one table per record
below; :mod:`hazcam.scene.toml_form` converts.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

from hazcam.scene.effects import Effects
from hazcam.scene.features import (
    Crater,
    Ditch,
    Feature,
    Ledge,
    Pit,
    Ramp,
    Ripples,
    Wall,
    require_above_0,
)
from hazcam.scene.light import Light, Reflectance
from hazcam.scene.meshes import RockKind

Surface = Literal["sand", "lava"]


@dataclass(frozen=True, kw_only=True)
class RockPlan:
    """Where a rock is to stand, how high it shows and how deep it sits.

    Attributes
    ----------
    x_m, y_m : float
        Middle of the rock, level frame. [m]
    height_m : float
        From the undisturbed ground to its highest point. [m]
    kind : str
        ``angular``, ``rounded``, ``slab`` or ``overhanging``.
    buried : float
        Share of its extent that is in the ground, 0 to 1 (excluded).
    seed : int
        Of its shape and albedo.
    """

    x_m: float
    y_m: float
    height_m: float
    kind: RockKind = "angular"
    buried: float = 0.35
    seed: int = 0

    def __post_init__(self) -> None:
        if self.height_m <= 0 or not 0 <= self.buried < 1:
            raise ValueError("a rock has a height_m above 0 and is buried by 0 to 1 (excluded), "
                             f"got {self.height_m:g} and {self.buried:g}")
        if self.seed < 0:
            raise ValueError(f"seed is 0 or more, got {self.seed}")


@dataclass(frozen=True, kw_only=True)
class Gravel:
    """Small stones strewn from 0.3 to 2.5 m ahead, small ones most often.

    ``low_m`` and ``high_m`` bound the exposed height. [m]
    """

    count: int = 300
    low_m: float = 0.002
    high_m: float = 0.008

    def __post_init__(self) -> None:
        if not (0 <= self.count <= 5000 and 0 < self.low_m <= self.high_m):
            raise ValueError("gravel has a count of 0 to 5000 and sizes 0 < low_m <= high_m, got "
                             f"{self.count}, {self.low_m:g} and {self.high_m:g}")


@dataclass(frozen=True, kw_only=True)
class Gallery:
    """A tunnel along the x axis: two rough walls ``width_m`` apart and a ceiling. [m]"""

    width_m: float
    height_m: float

    def __post_init__(self) -> None:
        require_above_0(self, "width_m", "height_m")


@dataclass(frozen=True, kw_only=True)
class GroundPlan:
    """The ground and what is on it, level frame.

    Attributes
    ----------
    surface : str
        ``sand`` or ``lava`` (folded, cracked and rough).
    undulation, roughness : float
        Of the undisturbed ground; 1 is a walked-on beach, 0 is flat.
    slope_deg, slope_azimuth_deg : float
        Regional slope, and where it rises to (from the x axis, positive to the left). [deg]
    gravel : Gravel
        Small stones.
    gallery : Gallery or None
        None under the open sky.
    ripples, ledges, pits, craters, ditches, ramps, walls : tuple
        What raises or lowers the ground.
    rocks : tuple of RockPlan
        Bodies on it.
    """

    surface: Surface = "sand"
    undulation: float = 1.3
    roughness: float = 1.0
    slope_deg: float = 0.0
    slope_azimuth_deg: float = 0.0
    gravel: Gravel = field(default_factory=Gravel)
    gallery: Gallery | None = None
    ripples: tuple[Ripples, ...] = ()
    ledges: tuple[Ledge, ...] = ()
    pits: tuple[Pit, ...] = ()
    craters: tuple[Crater, ...] = ()
    ditches: tuple[Ditch, ...] = ()
    ramps: tuple[Ramp, ...] = ()
    walls: tuple[Wall, ...] = ()
    rocks: tuple[RockPlan, ...] = ()

    def __post_init__(self) -> None:
        if not 0 <= self.slope_deg < 45:
            raise ValueError(f"slope_deg is from 0 to 45 (excluded), got {self.slope_deg:g}")

    @property
    def features(self) -> tuple[Feature, ...]:
        """All that raises or lowers the ground."""
        return (*self.ripples, *self.ledges, *self.pits, *self.craters, *self.ditches,
                *self.ramps, *self.walls)


@dataclass(frozen=True, kw_only=True)
class Departure:
    """By how much what is differs from what the rover and its rig file say.

    Attributes
    ----------
    roll_deg, pitch_deg : float
        True minus stated attitude. [deg]
    height_m : float
        True height of the cameras minus that of the mount: feet sink, legs wear. [m]
    baseline_share : float
        True baseline over calibrated baseline, minus 1.
    drift_deg : tuple of float
        Rotation vector that takes directions in the right camera as calibrated to directions in
        the one as it is. [deg]
    """

    roll_deg: float = 0.0
    pitch_deg: float = 0.0
    height_m: float = 0.0
    baseline_share: float = 0.0
    drift_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, kw_only=True)
class SceneDescription:
    """A scene.

    Attributes
    ----------
    id : str
        Name of the pair.
    seed : tuple of int
        Of all that is not written out; its first number is that of the seed block.
    mixture : str
        ``NAME/VERSION`` of the mixture that drew it; empty for a scene made by hand.
    light : Light
        Sun, sky and lamp.
    reflectance : str
        ``regolith`` or ``lambert``.
    ground : GroundPlan
        What is there.
    rover_shadow : bool
        The rover throws its own shadow.
    camera : Effects
        What lens, sensor and downlink do to the pictures.
    departure : Departure
        What is against what is believed.
    samples : int
        Rays per pixel of the sun.
    site, note : str
        For the sidecar.
    """

    id: str
    seed: tuple[int, ...]
    mixture: str = ""
    light: Light
    reflectance: Reflectance = "regolith"
    ground: GroundPlan = field(default_factory=GroundPlan)
    rover_shadow: bool = True
    camera: Effects = field(default_factory=Effects)
    departure: Departure = field(default_factory=Departure)
    samples: int = 16
    site: str = "black beach"
    note: str = ""

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[\w.+-]+", self.id):
            raise ValueError("the id of a scene is a name of letters, digits, '-', '_', '.' and "
                             f"'+', got {self.id!r}")
        if not self.seed or min(self.seed) < 0:
            raise ValueError("the seed of a scene is a list of numbers of 0 or more")
        if self.samples < 4:
            raise ValueError(f"samples is 4 or more, got {self.samples}")
