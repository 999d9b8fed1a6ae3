"""OpenCV's chessboard pairs, solved by OpenCV directly: a rig that hazcam had no part in."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.calibration import StereoRig
from hazcam.frames import Floats

IDS = tuple(f"{i:02d}" for i in (*range(1, 10), *range(11, 15)))  # there is no pair 10
INNER_CORNERS = (9, 6)
SIZE = (640, 480)
# square_size of left_intrinsics.yml; the file's figure, not a measured truth. [m]
SQUARE_M = 0.025
_REFINE_UNTIL = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)


@dataclass(frozen=True, eq=False)
class Solved:
    """The pictures by id, the rig, the left camera at one focal length, and residuals [px]."""

    pictures: dict[str, tuple[NDArray[np.uint8], NDArray[np.uint8]]]
    rig: StereoRig
    K_left: Floats
    D_left: Floats
    rms_left_px: float
    rms_right_px: float
    rms_stereo_px: float


def corners_of(picture: NDArray[Any]) -> Floats | None:
    """Inner corners, row by row, shape (54, 2), or None. [px]"""
    grey = np.clip(np.rint(picture), 0, 255).astype(np.uint8)
    found, corners = cv2.findChessboardCorners(grey, INNER_CORNERS)
    if not found:
        return None
    refined = cv2.cornerSubPix(grey, corners, (11, 11), (-1, -1), _REFINE_UNTIL)
    # OpenCV 4 answers (54, 1, 2), OpenCV 5 (54, 2).
    return np.asarray(refined, dtype=np.float64).reshape(-1, 2)


def _read(folder: Path, side: str, number: str) -> NDArray[np.uint8]:
    return np.asarray(cv2.imread(str(folder / f"{side}{number}.jpg"), cv2.IMREAD_GRAYSCALE),
                      dtype=np.uint8)


def solve(folder: Path) -> Solved:
    """Calibrate each camera, then the two together with their intrinsics held."""
    pictures = {i: (_read(folder, "left", i), _read(folder, "right", i)) for i in IDS}
    board = np.zeros((54, 3), np.float32)
    board[:, :2] = np.mgrid[0:9, 0:6].T.reshape(-1, 2) * SQUARE_M
    boards = [board] * len(IDS)
    left, right = ([np.asarray(corners_of(pictures[i][side]), np.float32) for i in IDS]
                   for side in (0, 1))
    one_focal: Any = cv2.calibrateCamera(boards, left, SIZE, np.eye(3), np.zeros(5),
                                         flags=cv2.CALIB_FIX_ASPECT_RATIO)
    first: Any = cv2.calibrateCamera(boards, left, SIZE, np.eye(3), np.zeros(5))
    second: Any = cv2.calibrateCamera(boards, right, SIZE, np.eye(3), np.zeros(5))
    both: Any = cv2.stereoCalibrate(boards, left, right, first[1], first[2], second[1], second[2],
                                    SIZE, flags=cv2.CALIB_FIX_INTRINSIC)
    rig = StereoRig(name="opencv-chessboard", size=SIZE, K1=first[1], D1=first[2], K2=second[1],
                    D2=second[2], R=both[5], T=both[6], mount=None)
    return Solved(pictures=pictures, rig=rig, K_left=one_focal[1], D_left=one_focal[2].ravel(),
                  rms_left_px=one_focal[0], rms_right_px=second[0], rms_stereo_px=both[0])
