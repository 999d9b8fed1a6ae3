"""The ground of the proving ground: undulating sand with ledges, pits, ramps and rocks on it.

The undisturbed ground is a sum of plane waves (undulation) and lattice noise (roughness). What is
added to it is a feature with a known height or depth, so that each obstacle is measured against
the ground as it was before. All functions are pure and take heights at any (x, y).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.ndimage import map_coordinates

from hazcam.frames import Floats
from hazcam.scene.meshes import Mesh, RockKind, mesh_from, rock_albedo, rock_shape

TEXTURE_PERIOD_M = 3.0
# Texture coordinates lean with the height, so that steep walls are not painted with streaks.
_LEAN = (0.8, 0.6)


def smoothstep(t: Floats) -> Floats:
    """Rise from 0 to 1 with flat ends, for t from 0 to 1."""
    t = np.clip(t, 0.0, 1.0)
    return np.asarray(t * t * (3 - 2 * t))


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
    wobble: tuple[float, ...] = (0.0, 0.0, 0.0)

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
    phase: tuple[float, ...] = (0.0, 0.0)

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
    """A bowl with steep sides and a low raised rim."""

    x_m: float
    y_m: float
    radius_m: float
    depth_m: float

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        r = np.hypot(x - self.x_m, y - self.y_m) / self.radius_m
        bowl = -self.depth_m * np.maximum(1 - r**4, 0.0)
        rim = 0.06 * self.depth_m * np.exp(-(((r - 1.0) / 0.25) ** 2))
        return np.asarray(bowl + rim)

    def outline_m(self) -> Floats:
        """The rim, (N, 2). [m]"""
        return _ring(self.x_m, self.y_m, lambda angle: np.full_like(angle, self.radius_m))


@dataclass(frozen=True, kw_only=True)
class Ramp:
    """A slope of ``slope_deg`` from ``at_m`` on, ``run_m`` long (along x), level beyond."""

    at_m: float
    slope_deg: float
    run_m: float
    yaw_deg: float = 0.0

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
class Ripples:
    """Wind or wave ripples, ``height_m`` from trough to crest."""

    wavelength_m: float
    height_m: float
    yaw_deg: float
    phase: float = 0.0

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


@dataclass(frozen=True, kw_only=True)
class Drift:
    """A low bank of sand around a rock."""

    x_m: float
    y_m: float
    radius_m: float
    height_m: float

    def offset_m(self, x: Floats, y: Floats) -> Floats:
        """Height added at (x, y). [m]"""
        r = np.hypot(x - self.x_m, y - self.y_m) / self.radius_m
        return np.asarray(self.height_m * np.exp(-((np.maximum(r - 0.8, 0.0) / 0.35) ** 2)))


def _soft_positive(d: Floats, soft: float) -> Floats:
    """``max(d, 0)`` with a rounded corner: ``soft * log(1 + exp(d / soft))``."""
    return np.asarray(np.maximum(d, 0.0) + soft * np.log1p(np.exp(-np.abs(d) / soft)))


def _ring(x_m: float, y_m: float, radius: Callable[[Floats], Floats]) -> Floats:
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    r = radius(angle)
    return np.stack([x_m + r * np.cos(angle), y_m + r * np.sin(angle)], axis=1)


@dataclass(frozen=True, kw_only=True, eq=False)
class Relief:
    """The undisturbed sand: undulation of 0.25 to 4 m, roughness of 1 to 8 cm.

    ``waves`` has a row (kx, ky, amplitude, phase) per plane wave; ``lattices`` pairs a spacing [m]
    with a periodic table of heights [m].
    """

    waves: Floats
    lattices: tuple[tuple[float, Floats], ...]

    def height_m(self, x: Floats, y: Floats) -> Floats:
        """Height at (x, y). [m]"""
        total = np.zeros(np.broadcast(x, y).shape)
        for kx, ky, amplitude, phase in self.waves:
            total += amplitude * np.cos(kx * x + ky * y + phase)
        for spacing, table in self.lattices:
            grid = np.stack(np.broadcast_arrays(x / spacing, y / spacing))
            total += map_coordinates(table, grid, order=3, mode="grid-wrap", prefilter=False)
        return total


def draw_relief(rng: np.random.Generator, *, undulation: float, roughness: float) -> Relief:
    """Draw undisturbed sand; 1.0 is a walked-on beach, 0.3 a wet one."""
    waves = []
    for wavelength in np.geomspace(0.25, 4.0, 22):
        angle, k = rng.uniform(0, 2 * np.pi), 2 * np.pi / wavelength
        amplitude = undulation * 0.0016 * wavelength**0.9
        waves.append((k * np.cos(angle), k * np.sin(angle), amplitude, rng.uniform(0, 2 * np.pi)))
    for wavelength in (9.0, 14.0, 23.0):  # the far beach, so that the horizon is not a ruled line
        angle, k = rng.uniform(0, 2 * np.pi), 2 * np.pi / wavelength
        amplitude = undulation * 0.0012 * wavelength
        waves.append((k * np.cos(angle), k * np.sin(angle), amplitude, rng.uniform(0, 2 * np.pi)))
    lattices = tuple(
        (spacing, roughness * rms * 1.6 * rng.normal(size=(512, 512)))
        for spacing, rms in ((0.04, 0.0011), (0.018, 0.0007), (0.009, 0.0004), (0.005, 0.00022))
    )
    return Relief(waves=np.array(waves), lattices=lattices)


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """Undisturbed sand, features on it, banks of sand around the rocks.

    ``base_m`` is taken off everywhere, so that the rover's origin is at height 0.
    """

    relief: Relief
    ripples: tuple[Ripples, ...] = ()
    features: tuple[Feature, ...] = ()
    drifts: tuple[Drift, ...] = ()
    base_m: float = 0.0

    def undisturbed_m(self, x: Floats, y: Floats) -> Floats:
        """Height of the ground on which obstacles stand: ledges and ramps, no sand banks. [m]"""
        total = self.relief.height_m(x, y) - self.base_m
        for part in (*self.ripples, *self.features):
            total = total + part.offset_m(x, y)
        return np.asarray(total)

    def height_m(self, x: Floats, y: Floats) -> Floats:
        """Height of the sand's surface. [m]"""
        total = self.undisturbed_m(x, y)
        for drift in self.drifts:
            total = total + drift.offset_m(x, y)
        return np.asarray(total)


def stance(ground: Ground) -> tuple[float, float, float]:
    """Height under the origin [m], roll and pitch [deg] of the plane under the rover's feet.

    Least squares over the body's footprint, 0.31 m by 0.22 m about the origin.
    """
    x, y = np.meshgrid(np.linspace(-0.155, 0.155, 63), np.linspace(-0.11, 0.11, 45))
    z = ground.height_m(x, y).ravel()
    A = np.stack([np.ones(x.size), x.ravel(), y.ravel()], axis=1)
    z0, sx, sy = np.linalg.lstsq(A, z, rcond=None)[0]
    normal = np.array([-sx, -sy, 1.0]) / np.sqrt(1 + sx**2 + sy**2)
    # third column of Ry(pitch) Rx(roll) = (sin p cos r, -sin r, cos p cos r)
    roll = np.degrees(np.arcsin(-normal[1]))
    pitch = np.degrees(np.arctan2(normal[0], normal[2]))
    return float(z0), float(roll), float(pitch)


def ground_axes() -> tuple[Floats, Floats]:
    """Grid lines along x and y: 3 to 6 mm where the rover may walk, coarser to the horizon. [m]"""
    x = np.concatenate([
        -np.geomspace(0.35, 60.0, 40)[::-1], np.arange(-0.34, 0.26, 0.01),
        np.arange(0.26, 1.0, 0.003), np.arange(1.0, 1.7, 0.004), np.arange(1.7, 2.6, 0.006),
        2.6 + np.cumsum(np.geomspace(0.006, 4.0, 170)),
    ])
    side = np.concatenate([
        np.arange(0.0, 0.6, 0.0035), np.arange(0.6, 1.6, 0.005),
        1.6 + np.cumsum(np.geomspace(0.006, 4.0, 110)),
    ])
    return x, np.concatenate([-side[:0:-1], side])


def ground_mesh(ground: Ground, axes: tuple[Floats, Floats] | None = None) -> Mesh:
    """The sand as one mesh with texture coordinates."""
    xs, ys = axes if axes is not None else ground_axes()
    x, y = np.meshgrid(xs, ys, indexing="ij")
    z = ground.height_m(x, y)
    zx, zy = np.gradient(z, xs, ys)
    normals = np.stack([-zx, -zy, np.ones_like(z)], axis=-1)
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    index = np.arange(x.size).reshape(x.shape)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    faces = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    uv = np.stack([x + _LEAN[0] * z, y + _LEAN[1] * z], axis=-1) / TEXTURE_PERIOD_M
    return Mesh(vertices_m=np.stack([x, y, z], -1).reshape(-1, 3), faces=faces,
                normals=normals.reshape(-1, 3), uv=uv.reshape(-1, 2))


@dataclass(frozen=True, kw_only=True)
class RockPlan:
    """Where a rock is to stand, how high it shows and how deep it sits."""

    x_m: float
    y_m: float
    height_m: float
    kind: RockKind = "angular"
    buried: float = 0.35
    seed: int = 0


def make_rock(plan: RockPlan, ground: Ground) -> Mesh:
    """The rock of a plan, standing in the sand.

    It is scaled and set down so that its highest point above the undisturbed ground right below
    that point is ``height_m``.
    """
    rng = np.random.default_rng([plan.seed, 7])
    level = int(np.clip(np.round(3 + np.log2(plan.height_m / 0.006) * 0.75), 2, 6))
    vertices, faces = rock_shape(plan.kind, rng, level)
    extent = float(np.ptp(vertices[:, 2]))
    vertices = vertices * plan.height_m / (extent * (1 - plan.buried))
    vertices = vertices + np.array([plan.x_m, plan.y_m, 0.0])
    stand = ground.undisturbed_m(vertices[:, 0], vertices[:, 1])
    vertices[:, 2] += plan.height_m - float(np.max(vertices[:, 2] - stand))
    return mesh_from(vertices, faces, rock_albedo(vertices, rng))


def exposed_radius_m(plan: RockPlan, ground: Ground) -> float:
    """Mean radius of the part of the rock that shows. [m]"""
    outline = exposed_corners(make_rock(plan, ground), ground)[:, :2]
    return float(np.mean(np.ptp(outline, axis=0)) / 2) if len(outline) else 0.0


def exposed_corners(mesh: Mesh, ground: Ground) -> Floats:
    """Corners of the mesh that stick out of the sand, (N, 3). [m]"""
    v = mesh.vertices_m
    return np.asarray(v[v[:, 2] > ground.height_m(v[:, 0], v[:, 1])])
