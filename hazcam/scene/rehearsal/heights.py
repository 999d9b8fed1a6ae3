"""Heights of rocks against truth, near and far. Pure.

Compared are the greatest height of an obstacle above the local ground, as the terrain states it,
and that of its rock above the undisturbed ground (see
:func:`hazcam.scene.rehearsal.accuracy.obstacle_errors`), of the rocks that were found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hazcam.scene.rehearsal.record import HeightErrors, SceneScore, Sensor

BANDS_M = ((0.3, 1.0), (1.0, 1.5))
SIZES_M = (0.02, 0.12)  # true heights
_ATTRIBUTES: dict[Sensor, str] = {
    "matched": "obstacle_height", "ideal": "ideal_obstacle_height"}


@dataclass(frozen=True, kw_only=True)
class HeightRow:
    """Rocks of ``SIZES_M`` in one band of distance.

    Attributes
    ----------
    sensor : str
        As in ``HeadingRow``.
    from_m, to_m : float
        Of the middle of the rock's outline ahead of the cameras. [m]
    scenes, rocks : int
        How many; all of a scene share what its attitude and mount are off by.
    median_m, bias_m : float
        Median of the absolute errors, and of the errors (estimate minus truth). [m] NaN without
        rocks.
    within_1, within_2 : float
        Share of the rocks whose error is at most one, and two, stated standard deviations. NaN
        without rocks.
    """

    sensor: str
    from_m: float
    to_m: float
    scenes: int
    rocks: int
    median_m: float
    bias_m: float
    within_1: float
    within_2: float


def height_rows(scores: Sequence[SceneScore]) -> tuple[HeightRow, ...]:
    """Each sensor by distance."""
    return tuple(_row([getattr(score, attribute) for score in scores], sensor, band)
                 for sensor, attribute in _ATTRIBUTES.items() for band in BANDS_M)


def _row(
    found: Sequence[HeightErrors], sensor: Sensor, band: tuple[float, float]
) -> HeightRow:
    held = [_inside(heights, band) for heights in found]
    error, sigma = (
        np.concatenate([np.empty(0), *(getattr(heights, name)[inside].astype(float)
                                       for heights, inside in zip(found, held, strict=True))])
        for name in ("error", "sigma"))
    none = not len(error)
    return HeightRow(
        sensor=sensor, from_m=band[0], to_m=band[1], scenes=sum(bool(h.any()) for h in held),
        rocks=len(error), median_m=math.nan if none else float(np.median(np.abs(error))),
        bias_m=math.nan if none else float(np.median(error)),
        within_1=math.nan if none else float(np.mean(np.abs(error) <= sigma)),
        within_2=math.nan if none else float(np.mean(np.abs(error) <= 2 * sigma)))


def _inside(heights: HeightErrors, band: tuple[float, float]) -> NDArray[np.bool_]:
    # as stored, so that an edge is the same number on both sides
    near, far, low, high = np.array([*band, *SIZES_M], dtype=np.float32)
    return np.asarray((heights.range_m >= near) & (heights.range_m < far)
                      & (heights.true_m >= low) & (heights.true_m <= high))
