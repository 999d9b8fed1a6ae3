"""Soft dark spots in a picture: what dust on a lens looks like, and much else does too.

Shadows of stones, pits and dark gravel look the same, so the spots of one picture say nothing
about its lens. Those of many pictures do: the ground moves on, dust stays put
(``campaign/summary/dust.py``). So that dust is among the spots of many pictures, they are chosen by
how much they stand out:

1. The logarithm of the grey level, so that a share of missing light is one number in sun and shade.
2. For each radius: the mean of the middle against the darkest of the same means at eight places
   around it. A spot is darker than *all eight*; an edge, or a shadow longer than wide, is not.
3. That step over its usual size in the surroundings; ripples and gravel lose weight.
4. Peaks, strongest first; none within the radius of a stronger one.

The numbers are ours, chosen on 54 rendered scenes of hard light with planted specks: a speck that
takes 60 % of the light is among the spots of 51 % of the pictures, one of 30 % in 27 %, one of 10 %
in 2 %, which is chance. Radius and depth tell spots apart, they do not measure them: a speck that
fades out evenly to its rim is found with 0.6 to 1.35 of its radius and about half of its depth. A
spot nearer to the rim of the picture than 1.3 radii is not found.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.imagery.intake import Intake, Mask, PixelState, full_scale
from hazcam.imagery.pair import Picture, StereoPair, Window

RADII_PX = (6, 10, 16, 24)
MOST_SPOTS = 40
LEAST_DEPTH = 0.03  # share of the light: less is texture anywhere
_SHRUNK_PX = 5  # a radius is searched in a picture shrunk until it is about this long
_MIDDLE, _AROUND, _USUAL = 0.4, 1.3, 5.0  # Gaussian, circle and square of steps 2 and 3, in radii
_LEAST_USUAL = 0.02  # of a step in the logarithm: smooth sand makes no speck of every grain
_LEAST_SEEN = 0.7  # share of the middle that must be seen

Plane = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class Spot:
    """A soft dark spot.

    Attributes
    ----------
    column_px, row_px, radius_px : float
        Where it is and how large (one of ``RADII_PX``), a pixel centre being an integer. [px] Of
        the picture, or of the sensor as calibrated: see ``on_sensor``.
    depth : float
        Share of the light that is missing about its middle, against what is around, 0 to 1.
    """

    column_px: float
    row_px: float
    radius_px: float
    depth: float

    def __post_init__(self) -> None:
        if not 0 < self.depth < 1 or not self.radius_px > 0:
            raise ValueError("a spot has a radius above 0 and a depth between 0 and 1, got "
                             f"{self.radius_px!r} and {self.depth!r}")


def pair_spots(pair: StereoPair, intake: Intake) -> dict[str, tuple[Spot, ...]]:
    """The spots of each picture of a pair on its sensor, by side; a missing picture has no entry.

    Pixels that are dark count: a spot may be why. Saturated and lost ones do not.
    """
    scale = full_scale(pair)
    found = {}
    for side, picture, state in (("left", pair.left, intake.left_state),
                                 ("right", pair.right, intake.right_state)):
        if picture is None or state is None:
            continue
        seen = (state != PixelState.LOST) & (state != PixelState.SATURATED)
        found[side] = tuple(on_sensor(spot, pair.window, pair.binning)
                            for spot in find_spots(picture, seen, scale))
    return found


def on_sensor(spot: Spot, window: Window | None, binning: int) -> Spot:
    """The spot in pixels of the sensor as calibrated, from pixels of the picture.

    Examples
    --------
    >>> on_sensor(Spot(column_px=0.0, row_px=10.0, radius_px=6.0, depth=0.2), None, 2)
    Spot(column_px=0.5, row_px=20.5, radius_px=12.0, depth=0.2)
    """
    column, row = (0, 0) if window is None else (window.column, window.row)
    return Spot(column_px=column + (spot.column_px + 0.5) * binning - 0.5,
                row_px=row + (spot.row_px + 0.5) * binning - 0.5,
                radius_px=spot.radius_px * binning, depth=spot.depth)


def find_spots(picture: Picture, seen: Mask, scale: int) -> tuple[Spot, ...]:
    """Soft dark spots that may be dust, at most ``MOST_SPOTS``, the deepest first.

    Parameters
    ----------
    picture : ndarray of shape (H, W), uint8 or uint16
    seen : ndarray of shape (H, W), bool
        Pixels whose value is light: neither saturated nor lost.
    scale : int
        Full scale of the picture, as ``full_scale`` gives it.

    Returns
    -------
    tuple of Spot
        In pixels of the picture.
    """
    # Below one grey level of 8 bits the logarithm would be about the noise.
    light = np.log(np.maximum(picture.astype(np.float32) * np.float32(255.0 / scale), 1.0))
    peaks = [p for radius in RADII_PX for p in _peaks(light, seen.astype(np.float32), radius)]
    kept: list[Spot] = []
    for _, spot in sorted(peaks, key=lambda p: -p[0]):
        if len(kept) == MOST_SPOTS:
            break
        if all(_apart(spot, other) for other in kept):
            kept.append(spot)
    return tuple(sorted(kept, key=lambda s: -s.depth))


def _apart(a: Spot, b: Spot) -> bool:
    reach = max(a.radius_px, b.radius_px)
    return (a.column_px - b.column_px) ** 2 + (a.row_px - b.row_px) ** 2 > reach**2


def _peaks(light: Plane, seen: Plane, radius: int) -> Iterator[tuple[float, Spot]]:
    """How much each spot of about one radius stands out, and the spot."""
    shrink = max(1, radius // _SHRUNK_PX)
    unit = radius / shrink
    middle = _masked_mean(_shrunk(light * seen, shrink), _shrunk(seen, shrink), _MIDDLE * unit)
    around = _around(middle, _AROUND * unit)
    step = np.nan_to_num(around.min(axis=0) - middle)
    score = step / np.sqrt(_box_mean(step**2, round(_USUAL * unit)) + _LEAST_USUAL**2)
    highest = cv2.dilate(score, np.ones((2 * round(0.8 * unit) + 1,) * 2, np.uint8))
    rows, columns = np.nonzero((score == highest) & (step > LEAST_DEPTH))
    depths = 1.0 - np.exp(middle - around.mean(axis=0))[rows, columns]
    for row, column, depth in zip(rows, columns, depths, strict=True):
        yield float(score[row, column]), Spot(
            column_px=(float(column) + 0.5) * shrink - 0.5,
            row_px=(float(row) + 0.5) * shrink - 0.5, radius_px=float(radius), depth=float(depth))


def _shrunk(plane: Plane, times: int) -> Plane:
    """Means of squares; what is left over at the right and lower rim is cut."""
    rows, columns = (size // times for size in plane.shape)
    if times == 1 or not rows or not columns:
        return plane
    cut = np.ascontiguousarray(plane[:rows * times, :columns * times])
    return np.asarray(cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA),
                      dtype=np.float32)


def _masked_mean(weighted: Plane, weight: Plane, sigma: float) -> Plane:
    """Gaussian mean of what is seen; NaN where that is too little."""
    total, share = (cv2.GaussianBlur(p, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
                    for p in (weighted, weight))
    return np.where(share > _LEAST_SEEN, total / np.maximum(share, 1e-6), np.nan).astype(np.float32)


def _around(middle: Plane, distance: float) -> Plane:
    """The values at eight places around each, shape (8, H, W); NaN beyond the rim."""
    straight, slanted = round(distance), round(distance / np.sqrt(2))
    rows, columns = middle.shape
    padded = np.pad(middle, straight, constant_values=np.nan)
    places = [(straight * a, straight * b) for a, b in ((0, 1), (0, -1), (1, 0), (-1, 0))]
    places += [(slanted * a, slanted * b) for a in (1, -1) for b in (1, -1)]
    return np.stack([padded[straight + r:straight + r + rows, straight + c:straight + c + columns]
                     for r, c in places])


def _box_mean(plane: Plane, reach: int) -> Plane:
    return np.asarray(cv2.blur(plane, (2 * reach + 1,) * 2, borderType=cv2.BORDER_REFLECT))
