"""Features of the ground: what raises or lowers it, each a pure function of (x, y).

Heights are added to the undisturbed ground, so that each obstacle can be measured against the
ground as it was before. Level frame, SI units.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from hazcam.frames import Floats


def smoothstep(t: Floats) -> Floats:
    """Rise from 0 to 1 with flat ends, for t from 0 to 1."""
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t * t * (3 - 2 * t))


def require_above_0(record: object, *names: str) -> None:
    """Raise ValueError unless each of these sizes of a record is above 0."""
    for name in names:
        if not getattr(record, name) > 0:
            raise ValueError(f"{name} is above 0, got {getattr(record, name):g}")


class Feature(Protocol):
    """Something that raises or lowers the undisturbed ground."""

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        ...


@dataclass(frozen=True, kw_only=True)
class Ledge:
    """An edge across the way: the ground beyond it is higher (or lower) by ``height_m``.

    ``at_m`` is where the edge crosses y = 0, ``yaw_deg`` how far it is turned from square-on;
    beyond ``bend_from_m`` (towards ``bend_side``: +1 left, -1 right) it curves away from the rover.
    """

    at_m: float
    height_m: float
    yaw_deg: float = 0.0
    bend_from_m: float = 9.0
    bend_side: int = 1
    wall_m: float = 0.010
    wobble: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        require_above_0(self, "wall_m")

    def edge_x(self, y: Floats) -> Floats:
        """Where the middle of the wall is, along x, at each y. [m]"""
        w = self.wobble
        wave = 0.008 * np.sin(9 * y + w[0]) + 0.004 * np.sin(23 * y + w[1])
        wave = wave + 0.002 * np.sin(61 * y + w[2])
        past = np.maximum(self.bend_side * y - self.bend_from_m, 0.0)
        lean = np.tan(np.radians(self.yaw_deg)) * y
        return np.asarray(self.at_m + lean + wave + 4.0 * past**2)

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        return self.height_m * smoothstep((x - self.edge_x(y)) / self.wall_m + 0.5)

    def outline_m(self) -> Floats:
        """Band of the wall, (N, 2), inside the mapped ground. [m]"""
        y = np.linspace(-1.5, 1.5, 151)
        edge = self.edge_x(y)
        half = self.wall_m / 2 + 0.002
        keep = edge < 2.5
        near = np.stack([edge[keep] - half, y[keep]], axis=1)
        far = np.stack([edge[keep] + half, y[keep]], axis=1)
        return np.concatenate([near, far[::-1]])


@dataclass(frozen=True, kw_only=True)
class Pit:
    """A hole with steep walls and a flat floor ``depth_m`` below the undisturbed ground."""

    x_m: float
    y_m: float
    radius_m: float
    depth_m: float
    wall_m: float = 0.020
    phase: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        require_above_0(self, "radius_m", "depth_m", "wall_m")

    def rim_m(self, angle: Floats) -> Floats:
        """Radius of the rim in each direction. [m]"""
        wave = 0.08 * np.sin(2 * angle + self.phase[0]) + 0.05 * np.sin(5 * angle + self.phase[1])
        return np.asarray(self.radius_m * (1 + wave))

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        dx, dy = x - self.x_m, y - self.y_m
        inside = self.rim_m(np.arctan2(dy, dx)) - np.hypot(dx, dy)
        return -self.depth_m * smoothstep(inside / self.wall_m)

    def outline_m(self) -> Floats:
        """The rim, (N, 2). [m]"""
        return _ring(self.x_m, self.y_m, self.rim_m)


@dataclass(frozen=True, kw_only=True)
class Crater:
    """A parabolic bowl with a raised rim.

    ``depth_ratio`` is depth over diameter, both from rim crest to rim crest; fresh ones have about
    0.2 (Pike 1974, Geophys. Res. Lett. 1:291), worn ones 0.1 and less. The slope at the rim is
    ``atan(4 depth_ratio)``. The rim stands a fifth of the depth above the ground around and falls
    off with the third power of the distance (common practice, no source).
    """

    x_m: float
    y_m: float
    diameter_m: float
    depth_ratio: float

    def __post_init__(self) -> None:
        require_above_0(self, "diameter_m", "depth_ratio")

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        r = np.hypot(x - self.x_m, y - self.y_m) / (self.diameter_m / 2)
        depth = self.depth_ratio * self.diameter_m
        bowl = depth * (r**2 - 0.8)
        return np.asarray(np.where(r < 1, bowl, 0.2 * depth / np.maximum(r, 1.0) ** 3))

    def outline_m(self) -> Floats:
        """The rim's crest, (N, 2). [m]"""
        return _ring(self.x_m, self.y_m, lambda angle: np.full_like(angle, self.diameter_m / 2))


@dataclass(frozen=True, kw_only=True)
class Ditch:
    """A trench across the way: ``width_m`` from rim to rim along x, ``depth_m`` deep.

    ``at_m`` is where its nearer rim crosses y = 0, ``yaw_deg`` how far it is turned from square-on.
    """

    at_m: float
    width_m: float
    depth_m: float
    yaw_deg: float = 0.0
    wall_m: float = 0.010
    wobble: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        require_above_0(self, "width_m", "depth_m", "wall_m")

    def _inside_m(self, x: Floats, y: Floats) -> Floats:
        """Distance from the nearer rim to the inside, negative outside. [m]"""
        w = self.wobble
        wave = 0.006 * np.sin(11 * y + w[0]) + 0.003 * np.sin(31 * y + w[1])
        along = x - self.at_m - np.tan(np.radians(self.yaw_deg)) * y - wave
        return np.asarray(self.width_m / 2 - np.abs(along - self.width_m / 2))

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        return -self.depth_m * smoothstep(self._inside_m(x, y) / self.wall_m)

    def outline_m(self) -> Floats:
        """Band between the rims, (4, 2), inside the mapped ground. [m]"""
        lean = np.tan(np.radians(self.yaw_deg))
        corners = [(self.at_m + far + lean * y, y)
                   for far, y in ((0.0, -1.5), (0.0, 1.5), (self.width_m, 1.5),
                                  (self.width_m, -1.5))]
        return np.asarray([(float(np.clip(x, -0.5, 2.5)), y) for x, y in corners])


@dataclass(frozen=True, kw_only=True)
class Ramp:
    """A slope of ``slope_deg`` from ``at_m`` on, ``run_m`` long up the slope, level beyond.

    ``run_m`` is measured horizontally, square to the foot of the ramp.
    """

    at_m: float
    slope_deg: float
    run_m: float
    yaw_deg: float = 0.0

    def __post_init__(self) -> None:
        require_above_0(self, "run_m")
        if abs(self.yaw_deg) > 80 or not 0 < self.slope_deg < 80:
            raise ValueError("a ramp has a slope of 0 to 80 degrees (excluded) and a yaw of at "
                             f"most 80, got {self.slope_deg:g} and {self.yaw_deg:g}")

    def along_m(self, x: Floats, y: Floats) -> Floats:
        """Distance up the ramp from its foot, horizontally. [m]"""
        c, s = np.cos(np.radians(self.yaw_deg)), np.sin(np.radians(self.yaw_deg))
        return np.asarray((x - self.at_m) * c + y * s)

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        # the toe and the crest are rounded over about 2 cm, as loose sand lies
        d, soft = self.along_m(x, y), 0.006
        rise = _soft_positive(d, soft) - _soft_positive(d - self.run_m, soft)
        return np.asarray(np.tan(np.radians(self.slope_deg)) * rise)

    def outline_m(self) -> Floats:
        """The sloping part inside the mapped ground, (4, 2). [m]"""
        c, s = np.cos(np.radians(self.yaw_deg)), np.sin(np.radians(self.yaw_deg))
        corners = [((d - y * s) / c + self.at_m, y)
                   for d, y in ((0, -1.5), (0, 1.5), (self.run_m, 1.5), (self.run_m, -1.5))]
        return np.asarray([(min(x, 2.5), y) for x, y in corners])


@dataclass(frozen=True, kw_only=True)
class Wall:
    """A rough wall across the way, turned by ``yaw_deg`` from square-on."""

    at_m: float
    height_m: float
    yaw_deg: float = 0.0
    seed: int = 0

    def __post_init__(self) -> None:
        require_above_0(self, "height_m")
        if self.seed < 0:
            raise ValueError(f"seed is 0 or more, got {self.seed}")

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        along = x - self.at_m - np.tan(np.radians(self.yaw_deg)) * y
        return self.height_m * _rough_rise(along, y, self.seed)

    def outline_m(self) -> Floats:
        """The foot of the wall and 5 cm behind it, (4, 2). [m]"""
        lean = np.tan(np.radians(self.yaw_deg))
        corners = [(self.at_m + far + lean * y, y)
                   for far, y in ((0.0, -1.5), (0.0, 1.5), (0.05, 1.5), (0.05, -1.5))]
        return np.asarray([(float(np.clip(x, -0.5, 2.5)), y) for x, y in corners])


@dataclass(frozen=True, kw_only=True)
class GalleryWalls:
    """The two walls of a tunnel along the x axis, ``width_m`` apart."""

    width_m: float
    height_m: float

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        sway = 0.05 * np.sin(1.7 * x + 0.4)
        sides = [_rough_rise(side * (y - sway) - self.width_m / 2, x, seed)
                 for side, seed in ((1.0, 1), (-1.0, 2))]
        return self.height_m * np.maximum(*sides)


@dataclass(frozen=True, kw_only=True)
class Ripples:
    """Wind or wave ripples; from trough to crest they reach 0.8 of ``height_m``."""

    wavelength_m: float
    height_m: float
    yaw_deg: float
    phase: float = 0.0

    def __post_init__(self) -> None:
        require_above_0(self, "wavelength_m", "height_m")

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        c, s = np.cos(np.radians(self.yaw_deg)), np.sin(np.radians(self.yaw_deg))
        along, across = x * c + y * s, -x * s + y * c
        bend = 0.30 * np.sin(2 * np.pi * across / 0.55 + self.phase)
        bend = bend + 0.12 * np.sin(2 * np.pi * (across + 0.6 * along) / 0.31)
        wave = np.cos(2 * np.pi * along / self.wavelength_m + 2 * np.pi * bend * 0.5)
        fade = np.exp(-((np.hypot(x, y) / 6.0) ** 2))
        # sharp crests, round troughs
        return np.asarray(self.height_m * (np.exp(0.8 * (wave - 1)) - 0.5) * fade)


def _soft_positive(d: Floats, soft: float) -> Floats:
    """``max(d, 0)`` with a rounded corner: ``soft * log(1 + exp(d / soft))``."""
    return np.asarray(np.maximum(d, 0.0) + soft * np.log1p(np.exp(-np.abs(d) / soft)))


def _ring(x_m: float, y_m: float, radius: Callable[[Floats], Floats]) -> Floats:
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    r = radius(angle)
    return np.stack([x_m + r * np.cos(angle), y_m + r * np.sin(angle)], axis=1)


def _rough_rise(beyond: Floats, beside: Floats, seed: int) -> Floats:
    """Rise from 0 to 1 over 4 cm behind a line that is uneven by about 2 cm."""
    phase = np.random.default_rng([seed, 5]).uniform(0, 2 * np.pi, 4)
    uneven = sum(0.012 / (k + 1) * np.sin((7.0 * 2.3**k) * beside + phase[k]) for k in range(4))
    return smoothstep((beyond - uneven) / 0.04)
