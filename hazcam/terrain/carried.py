"""Obstacles of the previous pair, in the present level frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hazcam.frames import Floats
from hazcam.imagery.previous import PlanarMove
from hazcam.terrain.record import Obstacle


def moved_obstacle(obstacle: Obstacle, move: PlanarMove) -> Obstacle:
    """An obstacle of the previous level frame in the present one; its height stays."""
    x, y = move.to_present(obstacle.x_m, obstacle.y_m)
    outline = np.column_stack(move.to_present(*np.array(obstacle.outline_m).T))
    nearest = _nearest(outline)
    return replace(
        obstacle, x_m=float(x), y_m=float(y), distance_m=float(np.hypot(*nearest)),
        bearing_deg=float(np.degrees(np.arctan2(nearest[1], nearest[0]))),
        outline_m=tuple((round(float(px), 4), round(float(py), 4)) for px, py in outline))


def _nearest(outline: Floats) -> Floats:
    """The place on the edges of an outline, shape (n, 2), that is nearest to the origin. [m]"""
    start, along = outline, np.roll(outline, -1, axis=0) - outline
    length2 = np.maximum((along**2).sum(axis=1), 1e-12)
    share = np.clip(-(start * along).sum(axis=1) / length2, 0.0, 1.0)
    feet = start + share[:, None] * along
    return np.asarray(feet[np.argmin(np.hypot(*feet.T))])
