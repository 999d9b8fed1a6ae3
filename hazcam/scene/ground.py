"""The ground of the proving ground as heights at any (x, y), and as a mesh.

The undisturbed ground is a regional slope, plane waves (undulation) and lattice noise (roughness).
Features (:mod:`hazcam.scene.features`) are added to it. All functions are pure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from hazcam.frames import Floats
from hazcam.rover.profile import RoverProfile
from hazcam.scene.description import GroundPlan, RockPlan, Surface
from hazcam.scene.features import Feature, GalleryWalls
from hazcam.scene.meshes import Mesh, mesh_from, rock_albedo, rock_shape

TEXTURE_PERIOD_M = 2.0
# Texture coordinates lean with the height, so that steep walls are not painted with streaks.
_LEAN = (0.8, 0.6)


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Relief:
    """The undisturbed ground: undulation of 0.25 to 4 m, roughness of 1 to 8 cm, slope.

    Attributes
    ----------
    waves : ndarray of shape (N, 4), float64
        (kx, ky, amplitude, phase) of each plane wave.
    lattices : tuple of (float, ndarray)
        Spacing [m] and periodic table of heights [m].
    ropes : tuple of (float, ndarray)
        As ``lattices``, of which the absolute value counts: folds with sharp creases, as lava has.
    gradient : tuple of float
        Regional slope along x and y.
    """

    waves: Floats
    lattices: tuple[tuple[float, Floats], ...]
    ropes: tuple[tuple[float, Floats], ...] = ()
    gradient: tuple[float, float] = (0.0, 0.0)

    def height_m(self, x: Floats, y: Floats) -> Floats:
        """Height at (x, y). [m]"""
        x, y = np.broadcast_arrays(x, y)
        total = self.gradient[0] * x + self.gradient[1] * y
        for kx, ky, amplitude, phase in self.waves:
            total += amplitude * np.cos(kx * x + ky * y + phase)
        for spacing, table in self.lattices:
            total += _lattice(x, y, spacing, table)
        for spacing, table in self.ropes:
            total += np.abs(_lattice(x, y, spacing, table))
        return np.asarray(total)


def _lattice(x: Floats, y: Floats, spacing: float, table: Floats) -> NDArray[np.float64]:
    grid = np.stack([x / spacing, y / spacing])
    return np.asarray(map_coordinates(table, grid, order=3, mode="grid-wrap", prefilter=False))


# (spacing, rms) of the lattice noise. [m]
_SAND = ((0.04, 0.0011), (0.018, 0.0007), (0.009, 0.0004), (0.005, 0.00022))
_LAVA_ROPES = ((0.11, 0.0110), (0.045, 0.0035))


def draw_relief(rng: np.random.Generator, plan: GroundPlan) -> Relief:
    """Draw the undisturbed ground of a plan."""
    waves = []
    for wavelength in np.geomspace(0.25, 4.0, 22):
        angle, k = rng.uniform(0, 2 * np.pi), 2 * np.pi / wavelength
        amplitude = plan.undulation * 0.0016 * wavelength**0.9
        waves.append((k * np.cos(angle), k * np.sin(angle), amplitude, rng.uniform(0, 2 * np.pi)))
    for wavelength in (9.0, 14.0, 23.0):  # far ground, so that the horizon is not a ruled line
        angle, k = rng.uniform(0, 2 * np.pi), 2 * np.pi / wavelength
        amplitude = plan.undulation * 0.0012 * wavelength
        waves.append((k * np.cos(angle), k * np.sin(angle), amplitude, rng.uniform(0, 2 * np.pi)))
    rise, to = np.tan(np.radians(plan.slope_deg)), np.radians(plan.slope_azimuth_deg)
    return Relief(waves=np.array(waves), lattices=_tables(rng, _SAND, plan.roughness),
                  ropes=_tables(rng, _ropes_of(plan.surface), plan.roughness),
                  gradient=(float(rise * np.cos(to)), float(rise * np.sin(to))))


def _ropes_of(surface: Surface) -> tuple[tuple[float, float], ...]:
    return _LAVA_ROPES if surface == "lava" else ()


def _tables(
    rng: np.random.Generator, bands: tuple[tuple[float, float], ...], roughness: float
) -> tuple[tuple[float, Floats], ...]:
    """Periodic tables of heights; 1.6 is what the spline takes off the spread of white noise."""
    return tuple((spacing, roughness * rms * 1.6 * rng.normal(size=(512, 512)))
                 for spacing, rms in bands)


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """Undisturbed ground, features on it, banks of sand around the rocks.

    ``base_m`` is taken off everywhere, so that the rover's origin is at height 0.
    """

    relief: Relief
    features: tuple[Feature, ...] = ()
    drifts: tuple[Drift, ...] = ()
    base_m: float = 0.0

    def before_m(self, x: Floats, y: Floats) -> Floats:
        """Height without any feature: what depths and heights of features are taken from. [m]"""
        return self.relief.height_m(x, y) - self.base_m

    def undisturbed_m(self, x: Floats, y: Floats) -> Floats:
        """Height of the ground on which rocks stand: ledges and ramps, no sand banks. [m]"""
        total = self.before_m(x, y)
        for part in self.features:
            total = total + part.offset_m(x, y)
        return np.asarray(total)

    def height_m(self, x: Floats, y: Floats) -> Floats:
        """Height of the surface. [m]"""
        total = self.undisturbed_m(x, y)
        for drift in self.drifts:
            total = total + drift.offset_m(x, y)
        return np.asarray(total)


def bare_ground(rng: np.random.Generator, plan: GroundPlan) -> Ground:
    """The ground of a plan without its rocks."""
    walls = () if plan.gallery is None else (
        GalleryWalls(width_m=plan.gallery.width_m, height_m=plan.gallery.height_m + 0.1),)
    return Ground(relief=draw_relief(rng, plan), features=(*plan.features, *walls))


def stance(ground: Ground, rover: RoverProfile) -> tuple[float, float, float]:
    """Height under the origin [m], roll and pitch [deg] of the plane under the rover.

    Least squares over the body's footprint.
    """
    half = (rover.body.length_m / 2, rover.body.width_m / 2)
    x, y = np.meshgrid(np.linspace(-half[0], half[0], 63), np.linspace(-half[1], half[1], 45))
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
    """The ground as one mesh with texture coordinates."""
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


def make_rock(plan: RockPlan, ground: Ground) -> Mesh:
    """The rock of a plan, standing in the sand.

    It is scaled and set down so that its highest point above the undisturbed ground right below
    that point is ``height_m``.
    """
    rng = np.random.default_rng([plan.seed, 7])
    # as fine as the nearest picture of it can show
    seen_m = plan.height_m / max(plan.x_m, 0.7)
    level = int(np.clip(np.round(3 + np.log2(seen_m / 0.008) * 0.75), 2, 6))
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


def ceiling_mesh(rng: np.random.Generator, width_m: float, height_m: float) -> Mesh:
    """The ceiling of a gallery: uneven rock over its whole width, from 1 m behind to 12 m ahead."""
    xs, ys = np.linspace(-1.0, 12.0, 400), np.linspace(-width_m, width_m, 80)
    x, y = np.meshgrid(xs, ys, indexing="ij")
    z = height_m + 0.10 * np.abs(_lattice(x, y, 0.25, rng.normal(size=(64, 64))))
    index = np.arange(x.size).reshape(x.shape)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    # seen from below: the other way round than the ground
    faces = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, c, b), (a, d, c))])
    vertices = np.stack([x, y, z], -1).reshape(-1, 3)
    return mesh_from(vertices, faces, rock_albedo(vertices, rng))
