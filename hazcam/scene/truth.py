"""What is true about a scene: obstacles measured from their meshes, heights by ray casting.

Shares no code with the terrain mapping of hazcam. Everything is in the level frame: origin at the
rover's origin, x forward, y left, z up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats, read_only
from hazcam.scene.build import Scene
from hazcam.scene.camera import Camera, pixel_grid, pixels_of, rays_of
from hazcam.scene.effects import Effects
from hazcam.scene.features import Crater, Ditch, Feature, Ledge, Pit, Ramp, Wall
from hazcam.scene.ground import Ground, exposed_corners
from hazcam.scene.meshes import Mesh
from hazcam.scene.render import Stage

ObjectKind = Literal["rock", "ledge", "pit", "crater", "ditch", "ramp", "wall"]
MIN_OBJECT_M = 0.01
CELL_M = 0.005
SEES_LEFT, SEES_RIGHT = 1, 2
# A sight line ends on the surface that it aims at if it gets within this of it.
_REACHED_M = 0.003


@dataclass(frozen=True, kw_only=True, eq=False)
class TruthObject:
    """One obstacle.

    Attributes
    ----------
    kind : str
        ``rock``, ``ledge``, ``pit``, ``crater``, ``ditch``, ``ramp`` or ``wall``.
    outline_m : ndarray of shape (N, 2), float64
        Exposed footprint, x and y of its corners in order. [m]
    height_m, depth_m : float or None
        Greatest height above, or depth below, the undisturbed ground, as measured. [m]
    slope_deg : float or None
        Of a ramp, as measured. [deg]
    """

    kind: ObjectKind
    outline_m: Floats
    height_m: float | None = None
    depth_m: float | None = None
    slope_deg: float | None = None

    def __post_init__(self) -> None:
        if self.outline_m.ndim != 2 or self.outline_m.shape[1:] != (2,) or len(self.outline_m) < 3:
            raise ValueError("an outline is of shape (N, 2) with at least 3 corners")
        object.__setattr__(self, "outline_m", read_only(self.outline_m))


@dataclass(frozen=True, kw_only=True, eq=False)
class Elevation:
    """True height of the highest surface.

    Attributes
    ----------
    z_m : ndarray of shape (rows, cols), float64
        Rows = x forward, cols = y left. [m] NaN where no surface was met.
    cell_m : float
        Side of a cell. [m]
    x_min_m, y_min_m : float
        Outer edge of the first row and of the first column. [m]
    visible : ndarray of shape (rows, cols), uint8, or None
        Sum of ``SEES_LEFT`` and ``SEES_RIGHT``: which camera sees the surface of the cell; None
        where that was not measured.
    """

    z_m: Floats
    cell_m: float
    x_min_m: float
    y_min_m: float
    visible: NDArray[np.uint8] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "z_m", read_only(self.z_m, np.float64))
        if self.visible is not None:
            if self.visible.shape != self.z_m.shape:
                raise ValueError("visible and z_m of an Elevation differ in shape")
            object.__setattr__(self, "visible", read_only(self.visible, np.uint8))

    def centres_m(self) -> tuple[Floats, Floats]:
        """Places x and y of the middle of each cell, both (rows, cols). [m]"""
        rows, cols = np.indices(self.z_m.shape)
        return (np.asarray(self.x_min_m + (rows + 0.5) * self.cell_m),
                np.asarray(self.y_min_m + (cols + 0.5) * self.cell_m))

    def rows_cols(self, x_m: Floats, y_m: Floats) -> Floats:
        """Fractional (row, col) of places, shape (2, ...); a cell centre is an integer."""
        return np.stack([(x_m - self.x_min_m) / self.cell_m - 0.5,
                         (y_m - self.y_min_m) / self.cell_m - 0.5])


@dataclass(frozen=True, kw_only=True, eq=False)
class TrueDepth:
    """What each pixel of the left picture shows.

    Attributes
    ----------
    depth_m : ndarray of shape (H, W), float64
        Along the optical axis of the left camera; NaN for sky. [m]
    shared : ndarray of shape (H, W), bool
        The right camera sees the same place.
    """

    depth_m: Floats
    shared: NDArray[np.bool_]

    def __post_init__(self) -> None:
        object.__setattr__(self, "depth_m", read_only(self.depth_m, np.float64))
        object.__setattr__(self, "shared", read_only(self.shared, np.bool_))


@dataclass(frozen=True, kw_only=True, eq=False)
class SceneTruth:
    """All that is known about a scene but its depth.

    Attributes
    ----------
    id, mixture, digest : str
        Name of the pair, ``NAME/VERSION`` of its mixture (or empty), SHA-256 of all that the pair
        was made from.
    roll_deg, pitch_deg : float
        True attitude, signs as in :mod:`hazcam.frames`. [deg]
    sun_elevation_deg, sun_azimuth_deg : float or None
        None where no sun shines. [deg]
    compression : str
        ``none``, ``jpeg QUALITY`` or ``jpeg2000 RATIO:1``.
    seed : tuple of int
        Of the scene; its first number is that of the seed block.
    cameras : tuple of Camera
        Left and right as they really are.
    objects : tuple of TruthObject
        Obstacles.
    elevation : Elevation
        Height of the ground.
    """

    id: str
    mixture: str
    digest: str
    roll_deg: float
    pitch_deg: float
    sun_elevation_deg: float | None
    sun_azimuth_deg: float | None
    compression: str
    seed: tuple[int, ...]
    cameras: tuple[Camera, Camera]
    objects: tuple[TruthObject, ...]
    elevation: Elevation


def truth_of(
    scene: Scene, stage: Stage, cameras: tuple[Camera, Camera], digest: str
) -> SceneTruth:
    """Measure what is true about the scene."""
    description = scene.description
    light, gallery = description.light, description.ground.gallery
    top = 5.0 if gallery is None else gallery.height_m - 0.02
    elevation = cast_elevation(stage, cameras, top_m=top)
    objects = [feature_object(f, scene.ground, elevation) for f in description.ground.features]
    objects += [rock_object(mesh, scene.ground) for mesh in (*scene.rocks, *scene.gravel)]
    sunlit = light.sun > 0
    return SceneTruth(
        id=description.id, mixture=description.mixture, digest=digest,
        roll_deg=scene.roll_deg, pitch_deg=scene.pitch_deg,
        sun_elevation_deg=light.sun_elevation_deg if sunlit else None,
        sun_azimuth_deg=light.sun_azimuth_deg if sunlit else None,
        compression=_compression(description.camera), seed=description.seed, cameras=cameras,
        objects=tuple(o for o in objects if o is not None), elevation=elevation,
    )


def _compression(effects: Effects) -> str:
    if effects.jpeg_quality is not None:
        return f"jpeg {effects.jpeg_quality}"
    if effects.jpeg2000_ratio is not None:
        return f"jpeg2000 {effects.jpeg2000_ratio:g}:1"
    return "none"


# --- objects --------------------------------------------------------------------------------------


def feature_object(feature: Feature, ground: Ground, elevation: Elevation) -> TruthObject | None:
    """Truth of a feature, measured on the elevation; None for one that is no obstacle."""
    match feature:
        case Ledge():
            return _measured("ledge", feature.outline_m(), ground, elevation, beyond_m=0.02)
        case Pit():
            return _measured("pit", feature.outline_m(), ground, elevation)
        case Crater():
            return _measured("crater", feature.outline_m(), ground, elevation)
        case Ditch():
            return _measured("ditch", feature.outline_m(), ground, elevation)
        case Wall():
            return _measured("wall", feature.outline_m(), ground, elevation)
        case Ramp():
            outline = feature.outline_m()
            return TruthObject(kind="ramp", outline_m=outline,
                               slope_deg=_slope_deg(outline, elevation))
    return None


def _inside(outline_m: Floats, elevation: Elevation, beyond_m: float = 0.0) -> NDArray[np.bool_]:
    """Cells inside an outline, widened by ``beyond_m``, (rows, cols)."""
    mask: NDArray[Any] = np.zeros(elevation.z_m.shape, dtype=np.uint8)
    if not len(outline_m):
        return mask.astype(bool)
    row_col = elevation.rows_cols(outline_m[:, 0], outline_m[:, 1])
    cv2.fillPoly(mask, [np.rint(row_col[::-1].T).astype(np.int32)], 1)
    reach = round(beyond_m / elevation.cell_m)
    if reach:
        mask = np.asarray(cv2.dilate(mask, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)))
    return mask.astype(bool)


def _measured(
    kind: ObjectKind, outline_m: Floats, ground: Ground, elevation: Elevation,
    beyond_m: float = 0.0,
) -> TruthObject | None:
    """Greatest rise or fall against the undisturbed ground, whichever is larger.

    The 98th percentile stands for the greatest: a pebble on a ledge is not the ledge. None for
    one that lies beyond the mapped ground.
    """
    inside = _inside(outline_m, elevation, beyond_m) & np.isfinite(elevation.z_m)
    x, y = (grid[inside] for grid in elevation.centres_m())
    change = elevation.z_m[inside] - ground.before_m(x, y)
    if not change.size:
        return None
    low, high = (float(v) for v in np.percentile(change, [2, 98]))
    if high >= -low:
        return TruthObject(kind=kind, outline_m=outline_m, height_m=high)
    return TruthObject(kind=kind, outline_m=outline_m, depth_m=-low)


def _slope_deg(outline_m: Floats, elevation: Elevation) -> float | None:
    """Slope of the least-squares plane inside an outline; None beyond the mapped ground. [deg]"""
    inside = _inside(outline_m, elevation) & np.isfinite(elevation.z_m)
    if inside.sum() < 100:
        return None
    x, y = (grid[inside] for grid in elevation.centres_m())
    A = np.stack([np.ones_like(x), x, y], axis=1)
    _, sx, sy = np.linalg.lstsq(A, elevation.z_m[inside], rcond=None)[0]
    return float(np.degrees(np.arctan(np.hypot(sx, sy))))


def rock_object(mesh: Mesh, ground: Ground) -> TruthObject | None:
    """Truth of a rock, from its mesh; None if less than 1 cm of it shows.

    The outline is the convex hull of what sticks out of the sand, seen from above.
    """
    out = exposed_corners(mesh, ground)
    if len(out) < 3:
        return None
    height = float(np.max(out[:, 2] - ground.undisturbed_m(out[:, 0], out[:, 1])))
    if height < MIN_OBJECT_M:
        return None
    hull = cv2.convexHull(out[:, :2].astype(np.float32)).reshape(-1, 2)
    return TruthObject(kind="rock", outline_m=hull.astype(np.float64), height_m=height)


# --- rays -----------------------------------------------------------------------------------------


def cast_elevation(
    stage: Stage, cameras: tuple[Camera, ...] = (), *, x_m: tuple[float, float] = (-0.2, 2.5),
    y_m: tuple[float, float] = (-1.5, 1.5), cell_m: float = CELL_M, top_m: float = 5.0,
) -> Elevation:
    """Height of the highest surface below ``top_m`` in the middle of each cell, and who sees it.

    The ground starts 0.2 m behind the rover's origin, where the swath of a heading far to the side
    begins.
    """
    rows, cols = round((x_m[1] - x_m[0]) / cell_m), round((y_m[1] - y_m[0]) / cell_m)
    blank = Elevation(z_m=np.full((rows, cols), np.nan), cell_m=cell_m, x_min_m=x_m[0],
                      y_min_m=y_m[0])
    x, y = blank.centres_m()
    origins = np.stack([x.ravel(), y.ravel(), np.full(x.size, top_m)], axis=1)
    z = (top_m - _distances_down(stage, origins)).reshape(x.shape)
    visible = np.zeros(z.shape, dtype=np.uint8)
    surface = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    for bit, camera in zip((SEES_LEFT, SEES_RIGHT), cameras, strict=False):
        visible += bit * _sees(stage, camera, surface).reshape(z.shape).astype(np.uint8)
    return Elevation(z_m=z, cell_m=cell_m, x_min_m=x_m[0], y_min_m=y_m[0],
                     visible=visible if cameras else None)


def _distances_down(stage: Stage, origins: Floats) -> Floats:
    """Distances straight down; a ray that slips between two triangles is cast 0.2 mm beside."""
    down = np.array([0.0, 0.0, -1.0])
    distance = stage.distances_m(origins, np.broadcast_to(down, origins.shape))
    slipped = np.flatnonzero(np.isnan(distance))
    beside = origins[slipped] + np.array([2e-4, 1.3e-4, 0.0])
    distance[slipped] = stage.distances_m(beside, np.broadcast_to(down, beside.shape))
    return distance


def _sees(stage: Stage, camera: Camera, places_m: Floats) -> NDArray[np.bool_]:
    """Whether a camera sees places of a surface, (N, 3) in the level frame."""
    pixels, _ = pixels_of(camera, places_m)
    width, height = camera.size
    u, v = pixels[:, 0], pixels[:, 1]
    # far off the axis a lens model may fold back into the picture: rays outside are cut first
    inside = _in_front(camera, places_m)
    inside &= (u > -0.5) & (u < width - 0.5) & (v > -0.5) & (v < height - 0.5)
    seen = np.zeros(len(places_m), dtype=bool)
    aim = places_m[inside] - camera.T_level_camera.t
    length = np.linalg.norm(aim, axis=1)
    origins = np.broadcast_to(camera.T_level_camera.t, aim.shape)
    reached = stage.distances_m(origins, aim / length[:, None])
    seen[inside] = np.abs(reached - length) < _REACHED_M
    return seen


def _in_front(camera: Camera, places_m: Floats) -> NDArray[np.bool_]:
    """Places inside the widest ray of the picture's rim, with 10 % to spare."""
    grid = pixel_grid(camera.size)
    rim = np.concatenate([grid[0], grid[-1], grid[:, 0], grid[:, -1]])
    widest = 1.1 * float(np.linalg.norm(rays_of(camera, rim), axis=1).max())
    inside = camera.T_level_camera.inverse().apply(places_m)
    return np.asarray((inside[:, 2] > 1e-3)
                      & (np.hypot(inside[:, 0], inside[:, 1]) < widest * inside[:, 2]))


def cast_depth(stage: Stage, cameras: tuple[Camera, Camera]) -> TrueDepth:
    """Depth of each pixel of the left picture, and whether the right camera sees its place."""
    left, right = cameras
    depth = stage.depth_m(left)
    rays = rays_of(left, pixel_grid(left.size).reshape(-1, 2))
    ray3 = np.column_stack([rays, np.ones(len(rays))])
    known = np.isfinite(depth).ravel()
    places = left.T_level_camera.apply(ray3[known] * depth.ravel()[known, None])
    shared = np.zeros(depth.size, dtype=bool)
    shared[known] = _sees(stage, right, places)
    return TrueDepth(depth_m=depth, shared=shared.reshape(depth.shape))
