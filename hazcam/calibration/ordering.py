"""In which order the points of a whole target come, whichever detector found them. Pure.

Points are numbered as ``Target`` numbers them, always right-handed in the picture (x along
a row, y down the columns, as seen from the printed side). Where the colours tell the two ends of
a chessboard apart, the black corner square is beside point 0, whichever of OpenCV's detectors
found the board; they do not agree on that by themselves. Where a pattern looks the same from the
other end (``Target.half_turn_alike``), the end that lies to the upper left comes first, so that
the two pictures of a pair agree; only a picture that hangs about 45 degrees askew from the other
can break this.

A mirrored chessboard or symmetric grid of circles is such a pattern again: only a ChArUco board
shows that a picture is mirrored.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from hazcam.calibration.target import Target
from hazcam.frames import Floats

# A board goes on where the squares beyond its edge differ by this share of the inner contrast.
_GOES_ON_SHARE = 0.25
# Where the second square outside is looked at, in squares from the outermost corners: on its near
# half, because outermost squares are often cut.
_OUTSIDE = -1.3


def canonical_order(grey: NDArray[np.uint8], pixels: Floats, target: Target) -> Floats | None:
    """The points as a grid (rows, columns, 2), in the order that the module's docstring gives.

    None where what was found has not the squares of a chessboard, or is a part of a larger board.
    """
    grid = pixels.reshape(target.rows, target.columns, 2)
    if target.kind == "circles-asymmetric":
        return grid  # only one order fits the pattern, and OpenCV gives it
    across, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    if across[0] * down[1] - across[1] * down[0] < 0:
        grid = grid[:, ::-1]
    turns = [0, 1, 2, 3] if target.columns == target.rows else [0, 2]
    if target.kind == "chessboard":
        contrast, spread = square_contrast(grey, grid)
        if abs(contrast) < spread or _goes_on(grey, grid, contrast):
            return None
        turns = [t for t in turns if contrast * _colour_sign(target, t) > 0] or turns
    elif _circles_go_on(grey, grid):
        return None
    return min((np.rot90(grid, turn) for turn in turns), key=lambda g: float(g[0, 0].sum()))


def _colour_sign(target: Target, turn: int) -> int:
    """-1 if so many quarter turns put a corner square of the other colour beside point 0."""
    steps = (0, target.columns, target.columns + target.rows, target.columns)[turn]
    return -1 if steps % 2 else 1


def square_contrast(grey: NDArray[np.uint8], grid: Floats) -> tuple[float, float]:
    """White less black, above 0 if the corner square beside point 0 is black; spread of a colour.

    [grey levels]
    """
    values = _at(grey, (grid[:-1, :-1] + grid[1:, :-1] + grid[:-1, 1:] + grid[1:, 1:]) / 4)
    odd = np.indices(values.shape).sum(axis=0) % 2 == 1
    white, black = values[odd], values[~odd]
    return float(white.mean() - black.mean()), float(white.std() + black.std()) / 2


def _at(grey: NDArray[np.uint8], pixels: Floats) -> Floats:
    """Grey level at the nearest pixel; NaN outside the picture."""
    column, row = np.rint(pixels).astype(int).T
    height, width = grey.shape
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    values = grey[np.where(inside, row, 0), np.where(inside, column, 0)]
    return np.where(inside, values, np.nan).T


def _goes_on(grey: NDArray[np.uint8], grid: Floats, contrast: float) -> bool:
    """Whether squares alternate beyond the outermost ones on any side.

    OpenCV's classic detector also answers a part of a larger board, and which part it is differs
    from picture to picture.
    """
    return any(_side_goes_on(grey, np.rot90(grid, turn)) > _GOES_ON_SHARE * abs(contrast)
               for turn in range(4))


def _side_goes_on(grey: NDArray[np.uint8], grid: Floats) -> float:
    """The least step along the second row of squares outside, in the sense of a board's colours.

    Above 0 if each step has the sign that it would have on a board that goes on. [grey levels]
    """
    outside = _extrapolated(grid, _OUTSIDE)
    # The first row of squares inside has the colours of the second one outside.
    inside = (grid[0] + grid[1]) / 2
    lines = np.stack([outside, inside])
    beyond, within = np.diff(_at(grey, (lines[:, :-1] + lines[:, 1:]) / 2), axis=1)
    return float(np.min(beyond * np.sign(within))) if np.isfinite(beyond).all() else 0.0


def _circles_go_on(grey: NDArray[np.uint8], grid: Floats) -> bool:
    """Whether a line of circles follows the outermost one on any side.

    There the picture is dark where circles would be, and bright midway between them.
    """
    def least_step(centres: Floats) -> float:
        dark, bright = _at(grey, centres), _at(grey, (centres[1:] + centres[:-1]) / 2)
        steps = np.minimum(bright - dark[1:], bright - dark[:-1])
        return float(steps.min()) if np.isfinite(steps).all() else 0.0

    contrast = float(np.median([least_step(line) for line in grid]))
    return any(least_step(_extrapolated(np.rot90(grid, turn), -1.0)) > _GOES_ON_SHARE * contrast
               for turn in range(4))


def _extrapolated(grid: Floats, place: float) -> Floats:
    """A line before the first one of a grid: by the parabola of least squares through five."""
    lines = grid[:5]
    return np.asarray(_weights(len(lines), place) @ lines.reshape(len(lines), -1)).reshape(-1, 2)


@cache
def _weights(count: int, place: float) -> Floats:
    places = np.vander(np.arange(count), 3, increasing=True)
    return np.asarray((place ** np.arange(3)) @ np.linalg.pinv(places))
