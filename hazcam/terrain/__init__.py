"""Terrain: the ground ahead in the level frame, from points with covariance.

The stages inside the room, in the order of the data: ``surface`` fuses the points into cells,
``ground`` finds the planes and the local ground, ``sight`` says what could be in the cells that
were not seen, ``obstacles`` makes objects of what stands out.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hazcam.depth import PointMap
from hazcam.rectification import CommonView
from hazcam.terrain.ground import (
    body_slopes,
    fit_plane,
    ground_planes,
    lean_on_planes,
    local_ground,
)
from hazcam.terrain.obstacles import find_obstacles
from hazcam.terrain.previous import CarriedOver, PreviousGround, carry_over
from hazcam.terrain.record import CellState, GridSpec, GroundPlane, Obstacle, TerrainMap
from hazcam.terrain.sight import classify, in_both_pictures, look_at, sight_bounds
from hazcam.terrain.surface import fuse

__all__ = ["CarriedOver", "CellState", "GridSpec", "GroundPlane", "Obstacle", "PreviousGround",
           "TerrainMap", "TerrainSettings", "carry_over", "fit_plane", "in_both_pictures",
           "map_terrain"]


@dataclass(frozen=True, kw_only=True)
class TerrainSettings:
    """How the ground is mapped.

    Attributes
    ----------
    grid : GridSpec
        The cells.
    body_window_m : float
        Side of the window whose plane is the body-size slope. [m]
    seed : int
        Of the random samples that find the ground planes.
    """

    grid: GridSpec = field(default_factory=GridSpec)
    body_window_m: float = 0.30
    seed: int = 20260101


def map_terrain(points: PointMap, sensor: CommonView, settings: TerrainSettings) -> TerrainMap:
    """Map the ground.

    Parameters
    ----------
    points : PointMap
        The surface point of each pixel.
    sensor : CommonView
        What the rig sees when the whole sensor is sent; ``points.common_view`` if it was.
    settings : TerrainSettings
        Grid, body window, seed.

    Returns
    -------
    TerrainMap
        With every cell ``seen``, ``hidden``, ``blank`` or ``outside``. Nothing is filled.
    """
    spec = settings.grid
    surface = fuse(points, spec)
    planes = ground_planes(spec, surface.mean_m, np.random.default_rng(settings.seed))
    local = local_ground(spec, surface.mean_m, surface.sigma_m, planes)
    ground = lean_on_planes(spec, local, planes)
    slope_x, slope_y, slope_sigma = body_slopes(
        spec, surface.mean_m, surface.sigma_m, settings.body_window_m
    )
    sight = sight_bounds(points, spec, ground.ground_m)
    in_view, sensor_view = (
        in_both_pictures(seen, points.T_rover_camera, spec.x_m[:, None], spec.y_m)
        for seen in (points.common_view, sensor))
    seen = np.isfinite(surface.mean_m)
    looks = look_at(points, spec, ground.ground_m)
    state = classify(seen, in_view, sight.behind, looks.blank, ground.ground_m)
    behind = sight.behind & ~seen
    sunk = np.where((state == CellState.HIDDEN) & ~behind, looks.sunk_m, 0.0)
    return TerrainMap(
        spec=spec, state=state, mean_m=surface.mean_m, highest_m=surface.highest_m,
        lowest_m=surface.lowest_m, sigma_m=surface.sigma_m, count=surface.count,
        ceiling_m=sight.ceiling_m, behind=behind, sunk_m=sunk, in_view=in_view,
        sensor_view=sensor_view, blank=looks.blank, ground_m=ground.ground_m,
        ground_sigma_m=ground.sigma_m, roughness_m=ground.roughness_m,
        slope_x=slope_x, slope_y=slope_y, slope_sigma=slope_sigma,
        planes=planes, obstacles=find_obstacles(spec, surface, ground), view=points.view,
        row_angle=1 / points.camera.focal_px,
    )
