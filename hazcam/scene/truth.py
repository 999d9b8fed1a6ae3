"""What is true about a scene: obstacles measured from their meshes, heights by ray casting.

Shares no code with the terrain mapping of hazcam. Everything is in the level frame: origin at the
rover's origin, x forward, y left, z up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from hazcam.frames import Floats, read_only
from hazcam.scene.meshes import Mesh
from hazcam.scene.render import Stage
from hazcam.scene.terrain import (
    Crater,
    Feature,
    Ground,
    Ledge,
    Pit,
    Ramp,
    exposed_corners,
)

ObjectKind = Literal["rock", "ledge", "pit", "crater", "ramp"]
MIN_OBJECT_M = 0.01


@dataclass(frozen=True, kw_only=True, eq=False)
class TruthObject:
    """One obstacle.

    Attributes
    ----------
    kind : str
        ``rock``, ``ledge``, ``pit``, ``crater`` or ``ramp``.
    outline_m : ndarray of shape (N, 2), float64
        Exposed footprint, x and y of its corners in order. [m]
    height_m, depth_m : float or None
        Exposed height above, or depth below, the undisturbed ground at the same place. [m]
    slope_deg : float or None
        Of a ramp. [deg]
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
    """

    z_m: Floats
    cell_m: float
    x_min_m: float
    y_min_m: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "z_m", read_only(self.z_m, np.float64))

    def rows_cols(self, x_m: Floats, y_m: Floats) -> Floats:
        """Fractional (row, col) of places, shape (2, ...); a cell centre is an integer."""
        return np.stack([(x_m - self.x_min_m) / self.cell_m - 0.5,
                         (y_m - self.y_min_m) / self.cell_m - 0.5])


@dataclass(frozen=True, kw_only=True, eq=False)
class SceneTruth:
    """All that is known about a scene.

    ``roll_deg`` and ``pitch_deg`` are the true attitude, signs as in :mod:`hazcam.frames`.
    """

    id: str
    roll_deg: float
    pitch_deg: float
    sun_elevation_deg: float
    sun_azimuth_deg: float
    seed: tuple[int, ...]
    objects: tuple[TruthObject, ...]
    elevation: Elevation


def feature_object(feature: Feature) -> TruthObject | None:
    """Truth of a feature of the ground; None for one that is no obstacle."""
    match feature:
        case Ledge(height_m=h):
            rise = {"height_m": h} if h > 0 else {"depth_m": -h}
            return TruthObject(kind="ledge", outline_m=feature.outline_m(), **rise)
        case Pit():
            return TruthObject(kind="pit", outline_m=feature.outline_m(), depth_m=feature.depth_m)
        case Crater():
            return TruthObject(kind="crater", outline_m=feature.outline_m(),
                               depth_m=feature.depth_m)
        case Ramp():
            return TruthObject(kind="ramp", outline_m=feature.outline_m(),
                               slope_deg=feature.slope_deg)
    return None


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


def cast_elevation(
    stage: Stage, *, x_m: tuple[float, float] = (-0.2, 2.5), y_m: tuple[float, float] = (-1.5, 1.5),
    cell_m: float = 0.01,
) -> Elevation:
    """Height of the highest surface of each cell: the highest of 2 x 2 rays cast straight down.

    The ground starts 0.2 m behind the rover's origin, where the swath of a heading far to the side
    begins.
    """
    top = 5.0
    step = cell_m / 2
    xs = np.arange(x_m[0] + step / 2, x_m[1], step)
    ys = np.arange(y_m[0] + step / 2, y_m[1], step)
    x, y = np.meshgrid(xs, ys, indexing="ij")
    origins = np.stack([x.ravel(), y.ravel(), np.full(x.size, top)], axis=1)
    z = (top - _distances_down(stage, origins)).reshape(len(xs) // 2, 2, len(ys) // 2, 2)
    return Elevation(z_m=z.max(axis=(1, 3)), cell_m=cell_m, x_min_m=x_m[0], y_min_m=y_m[0])


def _distances_down(stage: Stage, origins: Floats) -> Floats:
    """Distances straight down; a ray that slips between two triangles is cast 0.2 mm beside."""
    down = np.array([0.0, 0.0, -1.0])
    distance = stage.distances_m(origins, np.broadcast_to(down, origins.shape))
    slipped = np.flatnonzero(np.isnan(distance))
    beside = origins[slipped] + np.array([2e-4, 1.3e-4, 0.0])
    distance[slipped] = stage.distances_m(beside, np.broadcast_to(down, beside.shape))
    return distance
