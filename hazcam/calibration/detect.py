"""Where the points of a target are in a picture: finding, ordering, refining. Pure.

The order of the points is that of ``ordering.py``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.calibration.ordering import canonical_order, square_contrast
from hazcam.calibration.target import DICTIONARIES, FEWEST_POINTS, Target, charuco_board
from hazcam.frames import Floats, read_only
from hazcam.imagery.pair import Picture

FEWEST_FOUND = 6
# Without OpenCV's fast check: it takes longer than the detection where a board is there.
_CLASSIC = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
_REFINE_UNTIL = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-3)
# The window of the refinement, as a share of the spacing of neighbouring points, and its bounds.
WINDOW_SHARE = 0.3
_LEAST_WINDOW_PX, _MOST_WINDOW_PX = 3, 11
# A window that reaches the markers of a ChArUco board, or their blur, can be 1 px off; rendered
# boards: rms 0.058 px at 2 px, 0.04 px at 3 px where the markers are far enough.
_LEAST_MARKER_WINDOW_PX, _BLUR_PX = 2, 0.5
# A chessboard of unknown size has so many corners, and black and white are so many spreads apart:
# between circles, too, there are fields that a detector takes for squares.
_FEWEST_SURE, _CLEAR = 16, 3.0
# 4 pi area / perimeter²: 1 of a circle, 0.79 of a square.
_ROUND = 0.84
# Smaller circles than OpenCV's 25 px² and 10 px apart are good to 0.02 px still.
_LEAST_AREA_PX2, _LEAST_APART_PX = 10.0, 4.0
# Circles: a step along a line may differ from the next one by this share, more is a wrong circle.
_UNEVEN_SHARE = 0.3


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """Points of a target in one picture.

    Attributes
    ----------
    ids : ndarray of shape (N,), int64
        Which points, ascending: rows of ``Target.points_m``.
    pixels : ndarray of shape (N, 2), float64
        Column, row. [px]
    """

    ids: NDArray[np.int64]
    pixels: Floats

    def __post_init__(self) -> None:
        ids, pixels = np.asarray(self.ids), np.asarray(self.pixels)
        if ids.ndim != 1 or pixels.shape != (ids.size, 2):
            raise ValueError(f"ids (N,) and pixels (N, 2), got {ids.shape} and {pixels.shape}")
        if np.any(np.diff(ids) <= 0) or not np.isfinite(pixels).all():
            raise ValueError("ids rise, and pixels are finite")
        object.__setattr__(self, "ids", read_only(ids, np.int64))
        object.__setattr__(self, "pixels", read_only(pixels, np.float64))


def find_target(picture: Picture, target: Target) -> Found | None:
    """Find a target in a picture.

    Parameters
    ----------
    picture : ndarray of shape (H, W), uint8 or uint16
        Grey.
    target : Target
        What to look for. A ChArUco board may be seen in part; all others whole.

    Returns
    -------
    Found or None
        Before ``refine``. None where the target is not there, or where what is there is a part of
        a larger chessboard.
    """
    grey = eight_bit(picture)
    if target.kind == "charuco":
        return _find_charuco(grey, target)
    pixels = _find_chessboard(grey, target) if target.has_squares else _find_circles(grey, target)
    if pixels is None:
        return None
    grid = canonical_order(grey, pixels, target)
    return None if grid is None else Found(ids=np.arange(target.count),
                                           pixels=grid.reshape(-1, 2))


def refine(
    picture: Picture, found: Found, target: Target, half_window_px: int | None = None
) -> Found:
    """Corners to sub-pixel accuracy, from the gradients in a window around each.

    Parameters
    ----------
    picture : ndarray of shape (H, W), uint8 or uint16
        That the target was found in; all of its bits are used.
    found : Found
        From ``find_target``.
    target : Target
    half_window_px : int, optional
        The window is ``2 half_window_px + 1`` wide. None takes ``window_for``.

    Returns
    -------
    Found
        Circles come back as they are: their centres are those of the dark areas already.
    """
    if not target.has_squares:
        return found
    half = window_for(found, target) if half_window_px is None else half_window_px
    grey: Any = picture if picture.dtype == np.uint8 else picture.astype(np.float32)
    pixels = cv2.cornerSubPix(np.ascontiguousarray(grey), found.pixels.astype(np.float32),
                              (half, half), (-1, -1), _REFINE_UNTIL)
    return Found(ids=found.ids, pixels=np.asarray(pixels, np.float64).reshape(-1, 2))


def window_for(found: Found, target: Target, share: float = WINDOW_SHARE) -> int:
    """Half the window of the refinement that fits the spacing of the points in this picture. [px]

    Three tenths of the smallest spacing: its corners (1.4 times as far) then stay clear of the next
    corner, blurred and tilted as it may be; on a ChArUco board no farther than the markers of the
    squares around. Another ``share`` of the spacing gives the window of another corner method.
    """
    spacing = smallest_spacing_px(found, target)
    if not np.isfinite(spacing):
        return _LEAST_WINDOW_PX
    half = max(round(share * spacing), _LEAST_WINDOW_PX)
    if target.marker_m is not None:
        gap = (1 - target.marker_m / target.pitch_m) / 2 * spacing
        half = min(half, max(int(gap - _BLUR_PX), _LEAST_MARKER_WINDOW_PX))
    return min(half, _MOST_WINDOW_PX)


def smallest_spacing_px(found: Found, target: Target) -> float:
    """Smallest distance of two neighbours along rows and columns; NaN where there are none. [px]"""
    points = np.full((target.count, 2), np.nan)
    points[found.ids] = found.pixels
    grid = points.reshape(target.rows, target.columns, 2)
    distances = np.concatenate([np.linalg.norm(np.diff(grid, axis=axis), axis=2).ravel()
                                for axis in (0, 1)])
    known = distances[np.isfinite(distances)]
    return float(known.min()) if known.size else float("nan")


# --- the detectors --------------------------------------------------------------------------------


def eight_bit(picture: Picture) -> NDArray[np.uint8]:
    """Eight bits for the detectors; a 16-bit file often holds fewer bits: its maximum is 255."""
    if picture.dtype == np.uint8:
        return np.ascontiguousarray(picture, dtype=np.uint8)
    largest = max(int(picture.max()), 1)
    return cv2.convertScaleAbs(picture, alpha=255.0 / largest).astype(np.uint8, copy=False)


def _find_chessboard(grey: NDArray[np.uint8], target: Target) -> Floats | None:
    size = (target.columns, target.rows)
    is_there, corners = cv2.findChessboardCorners(grey, size, flags=_CLASSIC)
    if not is_there:
        # Many times slower, but sees through blur and bad light. It draws random numbers, from a
        # generator of this thread: the same ones for each picture.
        cv2.setRNGSeed(0)
        is_there, corners = cv2.findChessboardCornersSB(grey, size)
    return np.asarray(corners, np.float64).reshape(-1, 2) if is_there else None


def _find_circles(grey: NDArray[np.uint8], target: Target) -> Floats | None:
    kind = (cv2.CALIB_CB_ASYMMETRIC_GRID if target.kind == "circles-asymmetric"
            else cv2.CALIB_CB_SYMMETRIC_GRID)
    look = cv2.SimpleBlobDetector.Params()
    look.minArea, look.minDistBetweenBlobs = _LEAST_AREA_PX2, _LEAST_APART_PX
    spots = cv2.SimpleBlobDetector.create(look)
    size = (target.columns, target.rows)
    for flags in (kind | cv2.CALIB_CB_CLUSTERING, kind):
        is_there, centres = cv2.findCirclesGrid(grey, size, flags=flags, blobDetector=spots)
        if is_there:
            pixels = np.asarray(centres, np.float64).reshape(-1, 2)
            if _is_even(pixels.reshape(target.rows, target.columns, 2)):
                return pixels
    return None


def _is_even(grid: Floats) -> bool:
    """Whether the steps along rows and columns change little from one to the next.

    OpenCV at times answers one circle twice, or a wrong one. Every second row, because those of an
    asymmetric grid are shifted.
    """
    for lines in (grid, grid[::2].swapaxes(0, 1), grid[1::2].swapaxes(0, 1)):
        steps = np.diff(lines, axis=1)
        change = np.linalg.norm(np.diff(steps, axis=1), axis=2)
        if np.any(change > _UNEVEN_SHARE * np.linalg.norm(steps[:, 1:], axis=2)):
            return False
    return True


def _find_charuco(grey: NDArray[np.uint8], target: Target) -> Found | None:
    detector = cv2.aruco.CharucoDetector(charuco_board(target))
    pixels, unsorted, _, _ = detector.detectBoard(grey)
    if unsorted is None or len(unsorted) < FEWEST_FOUND:
        return None
    order = np.argsort(np.ravel(unsorted))
    ids = np.ravel(unsorted)[order].astype(np.int64)
    places = target.points_m[ids, :2]
    if np.linalg.matrix_rank(places - places.mean(axis=0), tol=target.pitch_m / 10) < 2:
        return None
    return Found(ids=ids, pixels=np.asarray(pixels, np.float64).reshape(-1, 2)[order])


# --- what else may be there -----------------------------------------------------------------------


def what_else_is_there(picture: Picture, target: Target) -> str | None:
    """Say what is in a picture in which the target was not found, for the error about it.

    Parameters
    ----------
    picture : ndarray of shape (H, W), uint8 or uint16
    target : Target
        What was looked for.

    Returns
    -------
    str or None
        For example ``a chessboard of 8 x 6 inner corners is there``; None where nothing is known.
    """
    grey = eight_bit(picture)
    return next(_others(grey, target), None)


def _others(grey: NDArray[np.uint8], target: Target) -> Iterator[str]:
    """Findings, the most telling first; each is looked for only when it is asked for."""
    if target.kind == "charuco" and find_target(grey[:, ::-1], target) is not None:
        yield "the target is there in a mirrored picture: undo the mirror"
    if target.kind in ("charuco", "circles-asymmetric"):
        yield from _exchanged(grey, target)
    yield from _markers(grey)
    if not target.has_squares:
        yield from _spots(grey, target)
    yield from _chessboard(grey)
    if target.has_squares:
        yield from _spots(grey, target)


def _exchanged(grey: NDArray[np.uint8], target: Target) -> Iterator[str]:
    """Columns and rows in the other order; a plain chessboard does not mind them."""
    if target.kind == "circles-asymmetric" and target.columns % 2 == 0:
        return
    other = replace(target, columns=target.rows, rows=target.columns)
    if find_target(grey, other) is not None:
        yield (f"{_a(other)} of {other.columns} x {other.rows} points is there: columns and rows "
               "are exchanged")


def _markers(grey: NDArray[np.uint8]) -> Iterator[str]:
    for bits in (4, 5, 6, 7):
        # A larger one of the same bits begins with these, and takes four times as long.
        dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARIES[f"{bits}x{bits}_250"])
        _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
        # One alone may be chance.
        if ids is not None and len(ids) > 1:
            yield (f"{len(ids)} ChArUco markers of {bits} x {bits} bits are there, with numbers "
                   f"from {int(ids.min())} to {int(ids.max())}")


def _chessboard(grey: NDArray[np.uint8]) -> Iterator[str]:
    cv2.setRNGSeed(0)
    is_there, corners, meta = cv2.findChessboardCornersSBWithMeta(grey, (3, 3),
                                                                  cv2.CALIB_CB_LARGER)
    if not is_there:
        return
    rows, columns = np.asarray(meta).shape[:2]
    grid = np.asarray(corners, np.float64).reshape(rows, columns, 2)
    contrast, spread = square_contrast(grey, grid)
    if rows * columns >= _FEWEST_SURE and abs(contrast) > _CLEAR * spread:
        # The board may hang on its side: the longer side first.
        yield (f"a chessboard of {max(rows, columns)} x {min(rows, columns)} inner corners is "
               "there")


def _spots(grey: NDArray[np.uint8], target: Target) -> Iterator[str]:
    look = cv2.SimpleBlobDetector.Params()
    look.filterByCircularity, look.minCircularity = True, _ROUND
    spots = len(cv2.SimpleBlobDetector.create(look).detect(grey))
    if spots >= FEWEST_POINTS**2:
        wanted = "" if target.has_squares else f", where the target has {target.count} circles"
        yield f"{spots} round dark spots are there{wanted}"


def _a(target: Target) -> str:
    return "a ChArUco board" if target.kind == "charuco" else "a grid of circles"
