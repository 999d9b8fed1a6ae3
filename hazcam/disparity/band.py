"""SearchBand: which disparities each pixel may have, from the geometry of the rover.

What stands above the ground has more disparity than the ground in its row, a pit's floor less.
So the band around the ground runs from the ground lowered by the deepest drop of interest to
the ground raised by the tallest obstacle of interest, or from the ground falling to the ground
rising by the steepest slope of interest, whichever is wider.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Pose, View, read_only
from hazcam.rectification import RectifiedCamera

_MAX_SLOPE_DEG = 35.0


@dataclass(frozen=True, kw_only=True)
class MatchSettings:
    """What the search must hold.

    Attributes
    ----------
    tallest_m : float
        Tallest obstacle of interest above the plane of the feet. [m]
    deepest_m : float
        Deepest drop of interest below it. [m]
    slope_deg : float
        Steepest rise or fall of the ground as a whole against the plane of the feet. [deg]
    """

    tallest_m: float = 0.12
    deepest_m: float = 0.20
    slope_deg: float = 8.0


@dataclass(frozen=True, kw_only=True, eq=False)
class SearchBand:
    """The disparities to search, per pixel of the rectified left picture.

    Attributes
    ----------
    expected_px : ndarray of shape (H, W), float32
        Disparity of the expected surface, about which a matcher may warp. [px]
    low_px, high_px : ndarray of shape (H, W), float32
        Least and greatest disparity of interest. [px] ``low <= expected <= high``.
    """

    expected_px: NDArray[np.float32]
    low_px: NDArray[np.float32]
    high_px: NDArray[np.float32]

    def __post_init__(self) -> None:
        if not (self.expected_px.shape == self.low_px.shape == self.high_px.shape):
            raise ValueError("the arrays of a SearchBand differ in shape")
        if not all(np.isfinite(values).all()
                   for values in (self.expected_px, self.low_px, self.high_px)):
            raise ValueError("a SearchBand is finite everywhere")
        if np.any(self.low_px > self.expected_px) or np.any(self.expected_px > self.high_px):
            raise ValueError("a SearchBand needs low <= expected <= high")
        for name in ("expected_px", "low_px", "high_px"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float32))

    @property
    def is_flat(self) -> bool:
        """Is no ground expected: one disparity everywhere?"""
        return bool(np.ptp(self.expected_px) == 0)


def flat_band(camera: RectifiedCamera, low_px: float, high_px: float) -> SearchBand:
    """One range for all pixels, for pictures with no expected ground."""
    shape = (camera.height, camera.width)
    low = np.full(shape, low_px, dtype=np.float32)
    return SearchBand(expected_px=low, low_px=low,
                      high_px=np.full(shape, high_px, dtype=np.float32))


def ground_band(
    camera: RectifiedCamera, T_camera_rectified: Pose, view: View, settings: MatchSettings
) -> SearchBand:
    """The band about the plane of the feet.

    The slope of interest is widened by three sigma of the attitude: a foot that sank tilts the
    plane of the feet against the ground ahead. Points farther than infinity are not searched.
    """
    pose = view.T_rover_camera @ T_camera_rectified
    x, y, height = (float(v) for v in pose.t)
    # No plane of interest rises to the camera: it would see neither its top nor its ground.
    slope = min(settings.slope_deg + 3 * view.tilt_sigma_deg, _MAX_SLOPE_DEG)
    rise = min(float(np.tan(np.radians(slope))), 0.5 * height / max(abs(x), abs(y), 1e-6))
    above = min(settings.tallest_m, 0.8 * height)
    expected = (0.0, 0.0, 0.0)
    sloping = [(0.0, rise, 0.0), (0.0, -rise, 0.0), (0.0, 0.0, rise), (0.0, 0.0, -rise)]
    planes_high = [(above, 0.0, 0.0), *sloping]
    planes_low = [(-settings.deepest_m, 0.0, 0.0), *sloping]
    rows, columns = np.ogrid[0 : camera.height, 0 : camera.width]

    def disparity(plane: tuple[float, float, float]) -> NDArray[np.float64]:
        # Above the plane's horizon nothing nearer than infinity belongs to it.
        return np.maximum(camera.plane_disparity(pose, plane, columns, rows), -camera.offset_px)

    ground = disparity(expected)
    highest = np.maximum.reduce([ground, *map(disparity, planes_high)])
    lowest = np.minimum.reduce([ground, *map(disparity, planes_low)])
    return SearchBand(
        expected_px=ground.astype(np.float32), low_px=lowest.astype(np.float32),
        high_px=np.maximum(np.minimum(highest, camera.width), ground).astype(np.float32),
    )
