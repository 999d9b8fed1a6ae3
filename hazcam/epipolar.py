"""EpipolarResidual: do features lie on their row, or did the rig move since its calibration?"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.errors import PairError
from hazcam.frames import Floats, View
from hazcam.rectification import RectifiedPair

# Vertical offset that the matcher stands: beyond half a pixel its gross errors multiply
# (our own measurement on public pairs), so a verdict is not to rest on it.
MAX_EPIPOLAR_MEDIAN_PX = 0.5
# Spread of the vertical offsets; tracking noise alone stays near 0.2 px, a roll of 0.2 degrees
# between the cameras passes 0.6 px.
MAX_EPIPOLAR_SPREAD_PX = 0.6
MIN_EPIPOLAR_FEATURES = 30

_TRACK_WINDOW_PX = (21, 21)
_TRACK_LEVELS = 3
_MAX_FEATURES = 600
_MAX_ROUND_TRIP_PX = 0.5


@dataclass(frozen=True, kw_only=True)
class EpipolarResidual:
    """Vertical offset of features between the rectified pictures: is the rig still itself?

    Attributes
    ----------
    median_px, spread_px : float
        Median, and 1.4826 times the median absolute deviation. [px] NaN without features.
    count : int
        Features tracked from left to right and back.
    """

    median_px: float
    spread_px: float
    count: int

    @property
    def checked(self) -> bool:
        """Were there enough features to say anything?"""
        return self.count >= MIN_EPIPOLAR_FEATURES

    @property
    def matches_calibration(self) -> bool:
        """True only where enough features lie near enough to their row."""
        return (self.checked and abs(self.median_px) <= MAX_EPIPOLAR_MEDIAN_PX
                and self.spread_px <= MAX_EPIPOLAR_SPREAD_PX)


def check_epipolar(rectified: RectifiedPair, view: View, *, name: str = "pair") -> EpipolarResidual:
    """Track features from left to right and measure their vertical offset.

    Each feature starts where a flat floor under the feet would put it, is tracked by pyramidal
    Lucas-Kanade and back again, and counts if it returns.

    Raises
    ------
    PairError
        If hardly any feature is found to the left of its place, as in a stereo pair, but many
        to the right of it: the pictures are swapped.

    References
    ----------
    J.-Y. Bouguet, "Pyramidal implementation of the Lucas Kanade feature tracker," Intel, 2000.
    """
    offsets = _tracked_offsets(rectified.left, rectified.right, rectified, view)
    if offsets.size < MIN_EPIPOLAR_FEATURES:
        swapped = _tracked_offsets(rectified.right, rectified.left, rectified, view)
        if swapped.size >= 3 * max(MIN_EPIPOLAR_FEATURES, offsets.size):
            raise PairError(
                name, f"{offsets.size} features match as given, {swapped.size} with the pictures "
                "exchanged", "the first picture from the left camera, the second from the right",
                "exchange the two pictures",
            )
    if offsets.size == 0:
        return EpipolarResidual(median_px=float("nan"), spread_px=float("nan"), count=0)
    median = float(np.median(offsets))
    spread = float(1.4826 * np.median(np.abs(offsets - median)))
    return EpipolarResidual(median_px=median, spread_px=spread, count=int(offsets.size))


def _tracked_offsets(
    first: NDArray[np.float32], second: NDArray[np.float32], rectified: RectifiedPair, view: View
) -> Floats:
    """Vertical offsets of the features of ``first`` found again in ``second``, shape (N,). [px]"""
    camera = rectified.camera
    first_8, second_8 = (np.clip(np.rint(p), 0, 255).astype(np.uint8) for p in (first, second))
    mask = (rectified.view.valid_left & (rectified.state_left == 0)).astype(np.uint8)
    found = cv2.goodFeaturesToTrack(first_8, _MAX_FEATURES, 0.01, 8, mask=mask)
    if found is None:
        return np.empty(0)
    start = np.asarray(found, dtype=np.float32).reshape(-1, 2)
    pose = view.T_rover_camera @ rectified.T_camera_rectified
    floor = camera.plane_disparity(pose, (0.0, 0.0, 0.0), start[:, 0], start[:, 1])
    guess = start - np.column_stack([np.clip(floor, 0, None), np.zeros(len(start))])
    guess = guess.astype(np.float32)
    there, ok_there = _track(first_8, second_8, start, guess)
    back, ok_back = _track(second_8, first_8, there, start)
    returned = np.hypot(*(back - start).T) < _MAX_ROUND_TRIP_PX
    ahead = there[:, 0] < start[:, 0] + camera.offset_px + 1  # a point in front has d > -offset
    inside = (there[:, 0] >= 0) & (there[:, 0] <= camera.width - 1)
    kept = ok_there & ok_back & returned & ahead & inside
    return np.asarray(there[kept, 1] - start[kept, 1], dtype=np.float64)


def _track(
    first: NDArray[np.uint8], second: NDArray[np.uint8], start: NDArray[np.float32],
    guess: NDArray[np.float32],
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    points, status, _ = cv2.calcOpticalFlowPyrLK(
        first, second, start.reshape(-1, 1, 2), guess.reshape(-1, 1, 2).copy(),
        winSize=_TRACK_WINDOW_PX, maxLevel=_TRACK_LEVELS, flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
    )
    found = np.asarray(points, dtype=np.float32).reshape(-1, 2)
    return found, np.asarray(status).reshape(-1) > 0
