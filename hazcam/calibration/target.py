"""Target: the printed pattern that a rig is calibrated with, and the points that are found on it.

The frame of a target, seen from its printed side: x to the right along a row, y down the columns,
z away from the viewer; the origin is point 0. Points count along a row first, as in OpenCV.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.errors import TargetError
from hazcam.frames import Floats, read_only

TargetKind = Literal["chessboard", "charuco", "circles", "circles-asymmetric"]
KINDS: tuple[TargetKind, ...] = get_args(TargetKind)

FEWEST_POINTS = 3
# No rover's target has larger squares: a larger number was written in another unit.
LARGEST_PITCH_M = 1.0
# Below this many metres of "pitch" the unit was rather cm than mm (1 to 10 cm either way).
_CM_BELOW = 10.0
# Our own choice for printed sheets: large circles are found better, and biased more.
_DIAMETER_PER_GAP = 0.5

# OpenCV's own dictionaries of square markers: bits a side, and how many markers.
DICTIONARIES: dict[str, int] = {
    f"{bits}x{bits}_{count}": getattr(cv2.aruco, f"DICT_{bits}X{bits}_{count}")
    for bits in (4, 5, 6, 7) for count in (50, 100, 250, 1000)
}
DEFAULT_DICTIONARY = "4x4_50"


@dataclass(frozen=True, kw_only=True)
class Target:
    """A calibration target.

    Attributes
    ----------
    kind : {"chessboard", "charuco", "circles", "circles-asymmetric"}
    columns, rows : int
        Of the points that are found, across and down. Chessboard and ChArUco: inner corners, one
        fewer than squares. Circles: circles. Asymmetric circles as OpenCV's ``findCirclesGrid``
        counts them: ``columns`` circles in each of ``rows`` rows.
    pitch_m : float
        Side of a square; distance of neighbouring circles along a row. Asymmetric circles: distance
        of neighbouring rows, by which every second row is also shifted to the right; circles of
        one row are twice as far apart. [m]
    marker_m : float or None
        Side of a ChArUco marker with its black border. [m]
    dictionary : str or None
        Of the ChArUco markers: a key of ``DICTIONARIES``.

    Raises
    ------
    TargetError
        A value that no such target has.
    """

    kind: TargetKind
    columns: int
    rows: int
    pitch_m: float
    marker_m: float | None = None
    dictionary: str | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise TargetError("target: kind", f"found {self.kind!r}", f"one of {', '.join(KINDS)}",
                              "correct the kind of the board")
        for name in ("columns", "rows"):
            _check_count(name, getattr(self, name))
        _check_pitch(self.pitch_m)
        if self.kind == "charuco":
            _check_markers(self)
            return
        if self.kind == "circles-asymmetric" and self.rows % 2 == 0:
            raise TargetError(
                "target: rows", f"found {self.rows} of an asymmetric grid of circles",
                "an odd number: an even one looks the same turned by 180 degrees, and OpenCV "
                "numbers its circles wrongly", "count the rows (points are columns x rows, for "
                "example 4x11), or print a grid with an odd number of rows",
            )
        if self.marker_m is not None or self.dictionary is not None:
            raise TargetError(
                "target: marker_m, dictionary", f"given for the kind {self.kind!r}",
                "markers only on a ChArUco board", "leave them out, or take the kind 'charuco'",
            )

    @property
    def count(self) -> int:
        """How many points are found on the whole target."""
        return self.columns * self.rows

    @property
    def squares(self) -> tuple[int, int]:
        """Squares across and down, of a chessboard or ChArUco board."""
        return self.columns + 1, self.rows + 1

    @property
    def has_squares(self) -> bool:
        """Whether the points are corners of squares; else they are centres of circles."""
        return self.kind in ("chessboard", "charuco")

    @cached_property
    def points_m(self) -> Floats:
        """All points in the frame of the target, shape (count, 3), z = 0. [m]"""
        row, column = (i.reshape(-1) for i in np.mgrid[0:self.rows, 0:self.columns])
        if self.kind == "circles-asymmetric":
            column = 2 * column + row % 2
        points = np.column_stack([column, row, np.zeros_like(row)]) * self.pitch_m
        return np.asarray(read_only(points, np.float64))

    @property
    def circle_diameter_m(self) -> float:
        """Diameter of the circles on our own sheets: half the distance of nearest centres. [m]"""
        gap = self.pitch_m * (math.sqrt(2.0) if self.kind == "circles-asymmetric" else 1.0)
        return _DIAMETER_PER_GAP * gap

    @property
    def half_turn_alike(self) -> bool:
        """Whether the pattern turned by 180 degrees looks the same, so that no picture tells."""
        if self.kind == "chessboard":
            return (self.columns + self.rows) % 2 == 0
        return self.kind == "circles"

    @property
    def text(self) -> str:
        """The target in one line."""
        size, pitch = f"{self.columns} x {self.rows}", f"{1000 * self.pitch_m:g} mm"
        if self.kind == "circles":
            return f"symmetric circle grid, {size} circles, {pitch} apart"
        if self.kind == "circles-asymmetric":
            return (f"asymmetric circle grid, {size} circles, rows {pitch} apart, circles of a row "
                    f"{2000 * self.pitch_m:g} mm apart")
        across, down = self.squares
        corners = f"{size} inner corners ({across} x {down} squares of {pitch})"
        if self.marker_m is None:
            return f"chessboard, {corners}"
        return (f"ChArUco board, {corners}, markers of {1000 * self.marker_m:g} mm, dictionary "
                f"{self.dictionary}")


def charuco_board(target: Target) -> cv2.aruco.CharucoBoard:
    """OpenCV's board of a ChArUco target; its upper left square is black."""
    if target.marker_m is None or target.dictionary is None:
        raise ValueError(f"a target of the kind {target.kind!r} has no markers")
    return cv2.aruco.CharucoBoard(target.squares, target.pitch_m, target.marker_m,
                                  _dictionary(target.dictionary))


def marker_bits(target: Target) -> dict[tuple[int, int], NDArray[np.bool_]]:
    """What the markers of a ChArUco board look like, by (column, row) of their squares.

    Each is square, True where white, with its black border of one bit; it stands in the middle of
    its white square.
    """
    if target.dictionary is None:
        raise ValueError(f"a target of the kind {target.kind!r} has no markers")
    dictionary = _dictionary(target.dictionary)
    side = dictionary.markerSize + 2
    across, down = target.squares
    white = [(x, y) for y in range(down) for x in range(across) if (x + y) % 2]
    return {place: np.asarray(dictionary.generateImageMarker(i, side)) > 0
            for i, place in enumerate(white)}


def _dictionary(name: str) -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(DICTIONARIES[name])


def _check_count(name: str, count: int) -> None:
    if count < FEWEST_POINTS:
        raise TargetError(
            f"target: {name}", f"found {count}", f"{FEWEST_POINTS} points or more each way",
            "count the inner corners (one fewer than squares), or the circles",
        )


def _check_pitch(pitch_m: float) -> None:
    if not (math.isfinite(pitch_m) and pitch_m > 0):
        raise TargetError("target: pitch_m", f"found {pitch_m:g} m", "a length above 0",
                          "measure the side of a square, or the distance of two circles")
    if pitch_m >= LARGEST_PITCH_M:
        unit, per_m = ("centimetres", 100) if pitch_m < _CM_BELOW else ("millimetres", 1000)
        raise TargetError(
            "target: pitch_m", f"found {pitch_m:g} m",
            f"metres, less than {LARGEST_PITCH_M:g} of them",
            f"the pitch is likely in {unit}: divide it by {per_m}",
        )


def _check_markers(target: Target) -> None:
    if target.marker_m is None or target.dictionary is None:
        raise TargetError("target: marker_m, dictionary", "missing for a ChArUco board",
                          "the side of a marker and the name of the dictionary",
                          "measure a marker over its black border")
    if not 0 < target.marker_m < target.pitch_m:
        raise TargetError(
            "target: marker_m", f"found {target.marker_m:g} m",
            f"more than 0 and less than the square of {target.pitch_m:g} m",
            "measure a marker over its black border, and the square around it",
        )
    if target.dictionary not in DICTIONARIES:
        raise TargetError("target: dictionary", f"found {target.dictionary!r}",
                          f"one of {', '.join(DICTIONARIES)}", "correct the name of the dictionary")
    across, down = target.squares
    needed, held = across * down // 2, int(target.dictionary.partition("_")[2])
    if needed > held:
        bits = target.dictionary.partition("_")[0]
        enough = [n for n in DICTIONARIES
                  if n.startswith(f"{bits}_") and int(n.partition("_")[2]) >= needed]
        raise TargetError(
            "target: dictionary", f"{target.dictionary} holds {held} markers",
            f"{needed} of them for {across} x {down} squares",
            f"take {enough[0]}, or fewer squares" if enough else "take fewer squares",
        )
