"""Coverage: which part of the pictures, of the distances and of the tilts the views hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hazcam.calibration.bundle import Bundle, Corners
from hazcam.calibration.target import Target
from hazcam.frames import Floats

# Cells that the picture is counted in, across and down.
CELLS = (8, 6)


@dataclass(frozen=True, kw_only=True, eq=False)
class Coverage:
    """What the views that were used cover.

    Attributes
    ----------
    left, right : ndarray of shape (6, 8), int
        Corners in each cell of the picture.
    distance_m : ndarray of shape (V,)
        From the left camera to the middle of the target. [m]
    tilt_deg : ndarray of shape (V,)
        Angle between the target's normal and the optical axis of the left camera. [deg]
    """

    left: NDArray[np.int64]
    right: NDArray[np.int64]
    distance_m: Floats
    tilt_deg: Floats

    @property
    def share(self) -> float:
        """Share of the cells of both pictures that hold a corner."""
        cells = np.stack([self.left, self.right])
        return float((cells > 0).mean())


def coverage_of(
    bundle: Bundle, corners: Corners, target: Target, size: tuple[int, int]
) -> Coverage:
    """Count the corners by cell, and measure how the target was held."""
    left, right = (_cells(corners.pixels[corners.right == side], size) for side in (False, True))
    middle = target.points_m.mean(axis=0)
    places = bundle.poses_R @ middle + bundle.poses_t
    tilt = np.degrees(np.arccos(np.clip(np.abs(bundle.poses_R[:, 2, 2]), 0, 1)))
    return Coverage(left=left, right=right, distance_m=np.linalg.norm(places, axis=1),
                    tilt_deg=tilt)


def _cells(pixels: Floats, size: tuple[int, int]) -> NDArray[np.int64]:
    place = np.clip(((pixels + 0.5) / size * CELLS).astype(int), 0, np.array(CELLS) - 1)
    counts = np.zeros(CELLS[::-1], dtype=np.int64)
    np.add.at(counts, (place[:, 1], place[:, 0]), 1)
    return counts
