"""Triangle meshes of the proving ground: the mesh record, spheres and true 3-D rocks.

A rock starts as a finely divided sphere. Its kind decides the shape: ``rounded`` is an ellipsoid
with smooth lumps, ``angular`` the body cut out by random planes (broken slag), ``slab`` the same
cut flat, ``overhanging`` the same on a narrow foot. Fine relief and a mottled albedo are evaluated
in three dimensions, so that nothing is stretched on steep sides.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats, read_only

Indices = NDArray[np.int64]
RockKind = Literal["rounded", "angular", "slab", "overhanging"]
ROCK_KINDS: tuple[RockKind, ...] = ("rounded", "angular", "slab", "overhanging")


@dataclass(frozen=True, kw_only=True, eq=False)
class Mesh:
    """A triangle mesh in the level frame.

    Attributes
    ----------
    vertices_m : ndarray of shape (N, 3), float64
        Corners. [m]
    faces : ndarray of shape (M, 3), int64
        Corners of each triangle, anticlockwise seen from outside.
    normals : ndarray of shape (N, 3), float64
        Unit shading normals.
    albedo : ndarray of shape (N,), float64, or None
        Diffuse reflectance per corner; None where a texture gives it.
    uv : ndarray of shape (N, 2), float64, or None
        Texture coordinates, in periods of the texture.
    """

    vertices_m: Floats
    faces: Indices
    normals: Floats
    albedo: Floats | None = None
    uv: Floats | None = None

    def __post_init__(self) -> None:
        count = len(self.vertices_m)
        if self.vertices_m.shape != (count, 3) or self.normals.shape != (count, 3):
            raise ValueError("vertices_m and normals of a mesh are of shape (N, 3)")
        if self.faces.ndim != 2 or self.faces.shape[1] != 3:
            raise ValueError("faces of a mesh are of shape (M, 3)")
        if self.faces.size and int(self.faces.max()) >= count:
            raise ValueError("a face names a corner that the mesh does not have")
        for name in ("vertices_m", "faces", "normals", "albedo", "uv"):
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, read_only(value))


def vertex_normals(vertices: Floats, faces: Indices) -> Floats:
    """Area-weighted unit normals of shape (N, 3)."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    face = np.cross(b - a, c - a)
    total = np.zeros_like(vertices)
    for axis in range(3):
        for corner in range(3):
            total[:, axis] += np.bincount(
                faces[:, corner], weights=face[:, axis], minlength=len(vertices)
            )
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.asarray(total / np.maximum(length, 1e-30))


def mesh_from(vertices: Floats, faces: Indices, albedo: float | Floats) -> Mesh:
    """Build a mesh with its own shading normals and an albedo (one, or one per corner)."""
    values = np.broadcast_to(np.asarray(albedo, dtype=np.float64), len(vertices))
    return Mesh(vertices_m=vertices, faces=faces, normals=vertex_normals(vertices, faces),
                albedo=values)


def merge(meshes: list[Mesh]) -> Mesh:
    """Join meshes that carry an albedo into one."""
    starts = np.cumsum([0] + [len(m.vertices_m) for m in meshes[:-1]])
    return Mesh(
        vertices_m=np.concatenate([m.vertices_m for m in meshes]),
        faces=np.concatenate([m.faces + s for m, s in zip(meshes, starts, strict=True)]),
        normals=np.concatenate([m.normals for m in meshes]),
        albedo=np.concatenate([m.albedo for m in meshes if m.albedo is not None]),
    )


@lru_cache(maxsize=8)
def unit_sphere(level: int) -> tuple[Floats, Indices]:
    """Unit sphere: an icosahedron divided ``level`` times, ``10 * 4**level + 2`` corners.

    Examples
    --------
    >>> vertices, faces = unit_sphere(2)
    >>> len(vertices), len(faces)
    (162, 320)
    """
    if level == 0:
        return _icosahedron()
    vertices, faces = unit_sphere(level - 1)
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    unique, inverse = np.unique(edges, axis=0, return_inverse=True)
    middle = vertices[unique].mean(axis=1)
    middle /= np.linalg.norm(middle, axis=1, keepdims=True)
    ab, bc, ca = (inverse.reshape(3, -1) + len(vertices))
    a, b, c = faces.T
    quads = [(a, ab, ca), (b, bc, ab), (c, ca, bc), (ab, bc, ca)]
    return np.concatenate([vertices, middle]), np.concatenate([np.stack(q, 1) for q in quads])


def _icosahedron() -> tuple[Floats, Indices]:
    g = (1 + 5**0.5) / 2
    corners = [(-1, g, 0), (1, g, 0), (-1, -g, 0), (1, -g, 0), (0, -1, g), (0, 1, g),
               (0, -1, -g), (0, 1, -g), (g, 0, -1), (g, 0, 1), (-g, 0, -1), (-g, 0, 1)]
    faces = [(0, 11, 5), (0, 5, 1), (0, 1, 7), (0, 7, 10), (0, 10, 11), (1, 5, 9), (5, 11, 4),
             (11, 10, 2), (10, 7, 6), (7, 1, 8), (3, 9, 4), (3, 4, 2), (3, 2, 6), (3, 6, 8),
             (3, 8, 9), (4, 9, 5), (2, 4, 11), (6, 2, 10), (8, 6, 7), (9, 8, 1)]
    vertices = np.array(corners, dtype=np.float64)
    return vertices / np.linalg.norm(vertices[0]), np.array(faces, dtype=np.int64)


def waves_3d(
    points: Floats, rng: np.random.Generator, wavelength: float, count: int = 12
) -> Floats:
    """Sum of ``count`` plane waves of about one wavelength, unit variance, shape (N,)."""
    direction = rng.normal(size=(count, 3))
    k = direction / np.linalg.norm(direction, axis=1, keepdims=True) * 2 * np.pi
    k /= wavelength * rng.uniform(0.7, 1.4, size=(count, 1))
    waves = np.cos(points @ k.T + rng.uniform(0, 2 * np.pi, size=count))
    return np.asarray(waves.sum(axis=1) * np.sqrt(2 / count))


def box(centre_m: Floats, size_m: Floats, albedo: float) -> Mesh:
    """Axis-aligned box with sharp edges (corners are not shared between its sides)."""
    vertices: list[Floats] = []
    faces: list[list[int]] = []
    for axis in range(3):
        for sign in (-1.0, 1.0):
            u, v = (axis + 1) % 3, (axis + 2) % 3
            side = np.zeros((4, 3))
            side[:, axis] = sign
            side[:, u] = [-1, 1, 1, -1]
            side[:, v] = [-1, -1, 1, 1]
            start = 4 * len(vertices)
            turn = [(0, 1, 2), (0, 2, 3)] if sign > 0 else [(0, 2, 1), (0, 3, 2)]
            faces += [[start + k for k in t] for t in turn]
            vertices.append(side)
    corners = np.concatenate(vertices) * np.asarray(size_m) / 2 + np.asarray(centre_m)
    return mesh_from(corners, np.array(faces, dtype=np.int64), albedo)


def sphere(centre_m: Floats, radius_m: float, albedo: float, level: int = 4) -> Mesh:
    """Sphere of one albedo."""
    vertices, faces = unit_sphere(level)
    return mesh_from(vertices * radius_m + np.asarray(centre_m), faces, albedo)


def rock_shape(kind: RockKind, rng: np.random.Generator, level: int) -> tuple[Floats, Indices]:
    """Corners and faces of a rock about its own centre, about one unit in radius."""
    directions, faces = unit_sphere(level)
    if kind == "rounded":
        radius = 1 + 0.10 * waves_3d(directions, rng, 1.9) + 0.025 * waves_3d(directions, rng, 0.8)
        stretch = np.array([1.0, rng.uniform(0.7, 0.95), rng.uniform(0.6, 0.85)])
    else:
        radius = _cut_by_planes(directions, rng, 11 if kind == "slab" else 16)
        flat = rng.uniform(0.30, 0.42) if kind == "slab" else rng.uniform(0.7, 0.95)
        stretch = np.array([1.0, rng.uniform(0.7, 0.95), flat])
    vertices = directions * radius[:, None] * stretch
    relief = np.asarray(sum(gain * waves_3d(vertices, rng, size, 24) for gain, size in
                            ((0.008, 0.5), (0.005, 0.22), (0.003, 0.10), (0.002, 0.05))))
    vertices = vertices * (1 + relief)[:, None]
    if kind == "overhanging":
        narrow = np.interp(vertices[:, 2], [-0.5, 0.4], [0.45, 1.05])
        vertices = vertices * np.stack([narrow, narrow, np.ones_like(narrow)], axis=1)
    return vertices @ _random_turn(rng, 60.0 if kind == "rounded" else 14.0).T, faces


def _cut_by_planes(directions: Floats, rng: np.random.Generator, count: int) -> Floats:
    """Distance to the nearest of ``count`` random planes along each direction."""
    normals = rng.normal(size=(count, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    normals = np.concatenate([normals, [[0, 0, 1.0], [0, 0, -1.0]]])
    reach = directions @ normals.T / rng.uniform(0.62, 1.0, size=len(normals))
    # a high power mean is a slightly worn edge instead of a knife edge; where no plane cuts, the
    # body ends at 1.3
    total = np.sum(np.maximum(reach, 0.0) ** 28, axis=1) + 1.3**-28
    return np.asarray(1 / total ** (1 / 28))


def _random_turn(rng: np.random.Generator, tilt_deg: float) -> Floats:
    yaw = rng.uniform(0, 2 * np.pi)
    axis = np.array([np.cos(yaw), np.sin(yaw), 0.0])
    tilt = np.radians(rng.uniform(-tilt_deg, tilt_deg))
    spin = rng.uniform(0, 2 * np.pi)
    cross = np.array([[0, 0, axis[1]], [0, 0, -axis[0]], [-axis[1], axis[0], 0.0]])
    lean = np.eye(3) + np.sin(tilt) * cross + (1 - np.cos(tilt)) * cross @ cross
    c, s = np.cos(spin), np.sin(spin)
    return np.asarray(lean @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]))


def rock_albedo(vertices_m: Floats, rng: np.random.Generator) -> Floats:
    """Mottled basalt: 1 to 30 mm patches about a random mean of 0.12 to 0.20."""
    contrast = sum(
        gain * waves_3d(vertices_m, rng, size, 10)
        for gain, size in ((0.07, 0.030), (0.08, 0.010), (0.12, 0.004), (0.12, 0.002))
    )
    return np.clip(rng.uniform(0.12, 0.20) * (1 + np.asarray(contrast)), 0.03, 0.6)
