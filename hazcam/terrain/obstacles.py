"""Obstacles as objects: what stands above the local ground, or lies below it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from hazcam.terrain.ground import LocalGround
from hazcam.terrain.record import GridSpec, Obstacle
from hazcam.terrain.surface import Surface

# Least height that makes an object of a bump; also four sigma of the height.
_MIN_HEIGHT_M = 0.015
_MIN_SIGMAS = 4.0
_MIN_CELLS = 4
# What the matching window leaves of a top, in the mean over the tune scenes of the rehearsal.
_TOP_SIGMA_M = 0.001


def find_obstacles(
    spec: GridSpec, surface: Surface, ground: LocalGround
) -> tuple[Obstacle, ...]:
    """Connected cells that stand out of the local ground by more than 1.5 cm and four sigma.

    The sigma of a height holds how far the ground under the thing, which is not seen, strays from
    the local ground: as far as the seen ground about it.
    """
    sigma = np.sqrt(surface.sigma_m**2 + ground.sigma_m**2 + ground.roughness_m**2
                    + _TOP_SIGMA_M**2)
    least = np.maximum(_MIN_HEIGHT_M, _MIN_SIGMAS * np.hypot(surface.sigma_m, ground.sigma_m))
    seen = np.isfinite(surface.mean_m)
    above = surface.highest_m - ground.ground_m
    below = surface.lowest_m - ground.ground_m
    with np.errstate(invalid="ignore"):
        found = [*_objects(spec, above, above > least, sigma, seen),
                 *_objects(spec, below, below < -least, sigma, seen)]
    return tuple(sorted(found, key=lambda o: o.distance_m))


def _objects(
    spec: GridSpec, height: NDArray[np.float64], mask: NDArray[np.bool_],
    sigma: NDArray[np.float64], seen: NDArray[np.bool_],
) -> list[Obstacle]:
    labels, _ = ndimage.label(mask, structure=np.ones((3, 3)))
    objects = []
    for label, box in enumerate(ndimage.find_objects(labels), start=1):
        rows, columns = np.nonzero(labels[box] == label)
        if rows.size >= _MIN_CELLS:
            rows, columns = rows + box[0].start, columns + box[1].start
            objects.append(_one(spec, rows, columns, height, sigma, seen))
    return objects


def _one(
    spec: GridSpec, rows: NDArray[np.intp], columns: NDArray[np.intp],
    height: NDArray[np.float64], sigma: NDArray[np.float64], seen: NDArray[np.bool_],
) -> Obstacle:
    heights = height[rows, columns]
    peak = int(np.argmax(np.abs(heights)))
    x, y = spec.x_m[rows], spec.y_m[columns]
    distance = np.hypot(x, y)
    nearest = int(np.argmin(distance))
    hull = cv2.convexHull(np.column_stack([x, y]).astype(np.float32)).reshape(-1, 2)
    inside = np.zeros(seen.shape, dtype=np.uint8)
    corners = cv2.convexHull(np.column_stack([columns, rows]).astype(np.int32))
    cv2.fillConvexPoly(inside, corners, 1)
    return Obstacle(
        x_m=float(x.mean()), y_m=float(y.mean()), height_m=float(heights[peak]),
        sigma_m=float(sigma[rows[peak], columns[peak]]), distance_m=float(distance[nearest]),
        bearing_deg=float(np.degrees(np.arctan2(y[nearest], x[nearest]))),
        outline_m=tuple((round(float(px), 4), round(float(py), 4)) for px, py in hull),
        cells=int(rows.size), unseen_share=float(np.mean(~seen[inside > 0])),
    )
