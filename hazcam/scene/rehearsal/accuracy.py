"""What the chain measured on one scene against the truth: disparities, heights, rocks."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.assess import Assessment
from hazcam.frames import Floats
from hazcam.scene.rehearsal.record import NO_ERRORS, Errors, HeightErrors
from hazcam.scene.truth import SEES_LEFT, SEES_RIGHT, Elevation, SceneTruth, TruthObject
from hazcam.terrain import GridSpec, Obstacle, TerrainMap

SAMPLE_PIXELS = 20_000
SAMPLE_SEED = 20260703
FARTHEST_M = 3.0
LEAST_ROCK_M = 0.02
# An obstacle belongs to a rock whose outline, wider by this, it overlaps: two cells of the terrain.
_BESIDE_M = 0.02


def disparity_errors(assessment: Assessment, true_px: Floats) -> Errors:
    """Disparity errors of a sample of the pixels whose true disparity is known. [px]

    Parameters
    ----------
    assessment : Assessment
        Of the pair.
    true_px : ndarray of shape (H, W)
        From ``true_disparity``, on the same rectified picture; NaN where unknown. [px]

    Returns
    -------
    Errors
        Of at most ``SAMPLE_PIXELS`` pixels nearer than ``FARTHEST_M``, always the same ones of a
        scene; error and sigma NaN where nothing was matched.

    Raises
    ------
    ValueError
        The true disparities are not of the picture's size.
    """
    found, points = assessment.disparity, assessment.points
    if found is None or points is None:
        return NO_ERRORS
    if true_px.shape != found.disparity_px.shape:
        raise ValueError(f"true disparities are {true_px.shape}, the picture is "
                         f"{found.disparity_px.shape}")
    pose, camera = points.T_level_camera, points.camera
    rows, columns = np.indices(true_px.shape)
    depth = camera.depth_m(true_px)
    ahead = (camera.rays(columns, rows) @ pose.R[0]) * depth  # x forward, from the camera
    with np.errstate(invalid="ignore"):
        known = np.flatnonzero((ahead > 0) & (ahead < FARTHEST_M))
    if known.size > SAMPLE_PIXELS:
        rng = np.random.default_rng(SAMPLE_SEED)
        known = np.sort(rng.choice(known, SAMPLE_PIXELS, replace=False))
    estimate = found.disparity_px.ravel()[known].astype(np.float64)
    return _errors(estimate - true_px.ravel()[known], found.sigma_px.ravel()[known],
                   ahead.ravel()[known])


def elevation_errors(terrain: TerrainMap, truth: SceneTruth) -> Errors:
    """Errors of the highest surface in each seen cell where the truth is known. [m]

    Attitude, mount height and baseline are those that the rover believes in: what they are off by
    is in the errors. The sigma is all that is stated: of the cell, of the tilt, of the scale.
    """
    true = highest_in_cells(truth.elevation, terrain.spec)
    both = np.isfinite(terrain.highest_m) & np.isfinite(true)
    x, y = np.meshgrid(terrain.spec.x_m, terrain.spec.y_m, indexing="ij")
    # a tilt turns the ground about the origin, a scale moves it along the rays from the camera
    view = terrain.view
    tilt = np.radians(view.tilt_sigma_deg) * np.hypot(x, y)
    scale = view.scale_sigma * (view.T_level_camera.t[2] - terrain.highest_m)
    sigma = np.sqrt(terrain.sigma_m**2 + tilt**2 + scale**2)
    return _errors((terrain.highest_m - true)[both], sigma[both], x[both] - terrain.camera_x_m)


def highest_in_cells(elevation: Elevation, spec: GridSpec) -> Floats:
    """Highest true height in the footprint of each terrain cell; NaN where there is none. [m]"""
    rows, columns = spec.cells(*elevation.centres_m())
    inside = ((rows >= 0) & (rows < spec.shape[0]) & (columns >= 0)
              & (columns < spec.shape[1]) & np.isfinite(elevation.z_m))
    highest = np.full(spec.shape, -np.inf)
    np.maximum.at(highest, (rows[inside], columns[inside]), elevation.z_m[inside])
    return np.where(np.isfinite(highest), highest, np.nan)


def obstacle_errors(terrain: TerrainMap, truth: SceneTruth) -> HeightErrors:
    """Height errors of the rocks that were found. [m]

    What is compared: the greatest height of the obstacle above the local ground, as the terrain
    states it, with that of the rock above the undisturbed ground under its highest corner. Of a
    rock that is half in the sand, both are of what sticks out. The ground itself is rough: what it
    rises by within a rock's outline is in the error.

    A rock counts if it is ``LEAST_ROCK_M`` high, both cameras see part of it, and an obstacle
    overlaps its outline. One obstacle is one rock: of several that it covers, the highest, for that
    is the one whose height it states.
    """
    raised = [o for o in terrain.obstacles if o.height_m > 0]
    free, rows = set(range(len(raised))), []
    for rock in sorted(_rocks_seen(truth), key=_height, reverse=True):
        shared = {i: _overlap_m2(rock.outline_m, raised[i], terrain.spec.cell_m)
                  for i in free}
        best = max(shared, key=shared.__getitem__, default=None)
        if best is None or shared[best] == 0:
            continue
        free.difference_update(i for i, area in shared.items() if area > 0)
        rows.append((raised[best].height_m - _height(rock), raised[best].sigma_m,
                     float(rock.outline_m[:, 0].mean()) - terrain.camera_x_m, _height(rock)))
    error, sigma, range_m, true_m = np.array(rows, dtype=np.float32).reshape(-1, 4).T
    return HeightErrors(error=error, sigma=sigma, range_m=range_m, true_m=true_m)


def _rocks_seen(truth: SceneTruth) -> list[TruthObject]:
    return [item for item in truth.objects
            if item.kind == "rock" and _height(item) >= LEAST_ROCK_M
            and _seen_by_both(item.outline_m, truth.elevation)]


def _height(rock: TruthObject) -> float:
    return rock.height_m or 0.0


def _seen_by_both(outline_m: Floats, elevation: Elevation) -> bool:
    if elevation.visible is None:
        return False
    where = elevation.rows_cols(outline_m[:, 0], outline_m[:, 1])
    mask: NDArray[np.uint8] = np.zeros(elevation.z_m.shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.rint(where[::-1].T).astype(np.int32)], 1)
    return bool(np.any(elevation.visible[mask > 0] == SEES_LEFT + SEES_RIGHT))


def _overlap_m2(outline_m: Floats, obstacle: Obstacle, cell_m: float) -> float:
    """Area that the widened outline of a rock and the cells of an obstacle share. [m²]"""
    wide = _widened(outline_m, _BESIDE_M)
    # an obstacle's outline runs through the middles of its cells: one in a row has no area
    cells = _widened(np.array(obstacle.outline_m), cell_m / 2)
    if np.any(wide.min(axis=0) > cells.max(axis=0)) or np.any(cells.min(axis=0) > wide.max(axis=0)):
        return 0.0
    return float(cv2.intersectConvexConvex(wide, cells)[0])


def _widened(outline_m: Floats, by_m: float) -> NDArray[np.float32]:
    """Convex outline of all within a distance of an outline's corners, to 8 directions. [m]"""
    turns = np.arange(8) * np.pi / 4
    ring = by_m * np.column_stack([np.cos(turns), np.sin(turns)])
    corners = (outline_m[:, None] + ring).reshape(-1, 2)
    return np.asarray(cv2.convexHull(corners.astype(np.float32)), dtype=np.float32).reshape(-1, 2)


def _errors(error: Floats, sigma: NDArray[np.floating], range_m: Floats) -> Errors:
    return Errors(error=np.asarray(error, dtype=np.float32),
                  sigma=np.asarray(sigma, dtype=np.float32),
                  range_m=np.asarray(range_m, dtype=np.float32))
