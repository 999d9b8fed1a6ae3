"""What a change of the calibration, or its own covariance, does to ranges and heights.

A point is seen by the rig as it is and read with the rig as it is believed to be. The range is the
distance from the left camera. The height is along the mount's up, of a bare rig against y of the
left camera; what a change of the mount itself does is in ``mount_effect.py``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.calibration.geometry import (
    normalised,
    project,
    rectified_directions,
    triangulate_pixels,
)
from hazcam.calibration.rig import StereoRig
from hazcam.errors import RigError
from hazcam.frames import Floats, read_only

# Columns and rows of left pixels at which a change is looked at; odd, so that one is the middle.
CHANGE_GRID = (17, 13)
# Steps of the derivatives: changes are even over far more, and rounding is far less.
# fx fy cx cy of both [px], the turn [rad], T [m]; distortion has none.
_STEPS = (*(1e-2,) * 8, *(1e-5,) * 3, *(1e-6,) * 3)
_DISTORTION_STEP = 1e-5
# A pixel that gives its point back gives it back much closer than this share of its distance.
_ROUND_TRIP = 1e-3


@dataclass(frozen=True, kw_only=True)
class LengthChange:
    """How a length read from the pictures changes over the picture.

    Attributes
    ----------
    middle_m : float
        In the middle of the left picture; what is read less what is true. [m]
    median_m : float
        Median of the absolute changes over the common field of view. [m]
    largest_m : float
        The largest change, with its sign. [m]
    largest_at : str
        Where in the left picture, in words; empty where nothing is seen.
    middle_sigma_m, largest_sigma_m : float or None
        One standard deviation of the change at the same points, the two rigs independent; None
        where it is not known of both. [m]
    median_sigma_m : float or None
        Its median over the common field of view. [m]
    """

    middle_m: float
    median_m: float
    largest_m: float
    largest_at: str
    middle_sigma_m: float | None
    median_sigma_m: float | None
    largest_sigma_m: float | None


@dataclass(frozen=True, kw_only=True)
class DistanceEffect:
    """What reading with another rig does to points at one distance. NaN where none is seen.

    Attributes
    ----------
    distance_m : float
        From the left camera. [m]
    points : int
        Points of the grid that both cameras see.
    range, height : LengthChange
    row_offset_px : float
        The largest by which the right picture lies off its rows, with its sign: row of the right
        picture less that of the left one. [px]
    row_offset_at : str
        Where in the left picture, in words.
    """

    distance_m: float
    points: int
    range: LengthChange
    height: LengthChange
    row_offset_px: float
    row_offset_at: str


@dataclass(frozen=True, kw_only=True, eq=False)
class PointSigma:
    """What the covariance of a rig leaves open of points at one distance, one standard deviation.

    Attributes
    ----------
    distance_m : float
        From the left camera. [m]
    columns_px : ndarray of shape (C,)
    rows_px : ndarray of shape (R,)
        Pixels of the left picture, as it comes.
    range_sigma_m, height_sigma_m : ndarray of shape (R, C)
        [m] NaN where the right camera does not see the point.
    """

    distance_m: float
    columns_px: Floats
    rows_px: Floats
    range_sigma_m: Floats
    height_sigma_m: Floats

    def __post_init__(self) -> None:
        shape = (self.rows_px.size, self.columns_px.size)
        for name in ("range_sigma_m", "height_sigma_m"):
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} of a PointSigma is not of shape {shape}")
        for name in ("columns_px", "rows_px", "range_sigma_m", "height_sigma_m"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


# --- the parameters of a rig ----------------------------------------------------------------------


def changed_rig(rig: StereoRig, change: Floats) -> StereoRig:
    """A rig with its parameters changed, in the order and the sense of its covariance.

    Parameters
    ----------
    rig : StereoRig
    change : ndarray of shape (14,) or (14 + n1 + n2,)
        fx fy cx cy left, right [px], turn of the right camera about its own axes [rad]
        (``R_true = Rodrigues(turn) R``), T [m], and D1, D2 where they are there.
    """
    K1, K2 = rig.K1.copy(), rig.K2.copy()
    for K, part in ((K1, change[:4]), (K2, change[4:8])):
        K[[0, 1, 0, 1], [0, 1, 2, 2]] += part
    turn, _ = cv2.Rodrigues(np.asarray(change[8:11], dtype=np.float64))
    D1, D2 = rig.D1, rig.D2
    if len(change) > 14:
        D1 = D1 + change[14 : 14 + D1.size]
        D2 = D2 + change[14 + D1.size :]
    return replace(rig, K1=K1, K2=K2, R=turn @ rig.R, T=rig.T + change[11:14], D1=D1, D2=D2)


def derivatives(rig: StereoRig, function: Callable[[StereoRig], Floats], count: int) -> Floats:
    """Derivatives of a function of a rig by its first ``count`` parameters, central differences.

    Parameters
    ----------
    rig : StereoRig
    function : callable
        From a rig to an ndarray of any shape.
    count : int
        14, or with the distortion 14 + n1 + n2.

    Returns
    -------
    ndarray of shape (..., count)
    """
    steps = np.array([*_STEPS, *(_DISTORTION_STEP,) * (count - len(_STEPS))])
    ends = [[function(changed_rig(rig, sign * step * unit)) for sign in (-1.0, 1.0)]
            for step, unit in zip(steps, np.eye(count), strict=True)]
    return np.stack([(high - low) / (2 * step)
                     for (low, high), step in zip(ends, steps, strict=True)], axis=-1)


def up_of(rig: StereoRig) -> tuple[Floats, str]:
    """Up in the left camera frame, and in words what it is."""
    if rig.mount is None:
        return np.array([0.0, -1.0, 0.0]), "against y of the left camera (the rig has no mount)"
    return np.asarray(rig.mount.R[2]), "up of the mount"


# --- what a change does ---------------------------------------------------------------------------


def effect_of_change(
    believed: StereoRig, true: StereoRig, distances_m: Sequence[float]
) -> tuple[DistanceEffect, ...]:
    """What comes of reading the pictures of one rig with the calibration of another.

    Points at each distance, over the field of view that both cameras of ``true`` share, are seen
    by ``true`` and triangulated with ``believed``.

    Parameters
    ----------
    believed : StereoRig
        The calibration that is read with; heights are along its mount's up.
    true : StereoRig
        The rig as it is, of the same picture size.
    distances_m : sequence of float
        From the left camera. [m]
    """
    if believed.size != true.size:
        raise ValueError(f"rigs of {believed.size} and {true.size} px have no common pixels")
    pixels, directions = _grid(true, CHANGE_GRID)[2:]
    return tuple(_effect(believed, true, pixels, directions, d) for d in distances_m)


def _effect(
    believed: StereoRig, true: StereoRig, pixels: Floats, directions: Floats, distance_m: float
) -> DistanceEffect:
    points = distance_m * directions
    left, right = project(true, points)
    seen = _seen(true, points, left, right)
    up, _ = up_of(believed)
    read = triangulate_pixels(believed, left, right)
    change = np.where(seen[:, None], _range_and_height(read, up) - _range_and_height(points, up),
                      np.nan)
    sigma = _sigma_of_both(believed, true, left, right, up)
    y_left, y_right = (d[:, 1] for d in rectified_directions(believed, left, right))
    offset = np.where(seen, focal_px(believed) * (y_right - y_left), np.nan)
    row_offset, row_offset_at = _largest(offset, pixels, true.size)
    found = [length_change(change[:, i], None if sigma is None else sigma[:, i], pixels, true.size)
             for i in range(2)]
    return DistanceEffect(
        distance_m=distance_m, points=int(seen.sum()), range=found[0], height=found[1],
        row_offset_px=float("nan") if row_offset is None else float(offset[row_offset]),
        row_offset_at=row_offset_at)


def length_change(
    change: Floats, sigma: Floats | None, pixels: Floats, size: tuple[int, int]
) -> LengthChange:
    """Middle, median and largest of changes (N,), with their sigma, at pixels (N, 2). [m]

    The middle one is that in the middle of the picture; NaN where a point is not seen.
    """
    middle = len(change) // 2
    largest, place = _largest(change, pixels, size)
    none = float("nan")
    if largest is None:
        return LengthChange(middle_m=none, median_m=none, largest_m=none, largest_at=place,
                            middle_sigma_m=None, median_sigma_m=None, largest_sigma_m=None)
    sigmas: dict[str, float | None] = dict.fromkeys(("middle", "median", "largest"))
    if sigma is not None:
        sigmas = {"middle": float(sigma[middle]), "largest": float(sigma[largest]),
                  "median": float(np.median(sigma[np.isfinite(change)]))}
    return LengthChange(
        middle_m=float(change[middle]), median_m=float(np.nanmedian(np.abs(change))),
        largest_m=float(change[largest]), largest_at=place, middle_sigma_m=sigmas["middle"],
        median_sigma_m=sigmas["median"], largest_sigma_m=sigmas["largest"])


def _largest(values: Floats, pixels: Floats, size: tuple[int, int]) -> tuple[int | None, str]:
    """Which value is the largest by its amount, and where it is; None where none is known."""
    if not np.isfinite(values).any():
        return None, ""
    index = int(np.nanargmax(np.abs(values)))
    return index, place_words(pixels[index], size)


def place_words(pixel: Floats, size: tuple[int, int]) -> str:
    """Which ninth of a picture a pixel is in.

    Examples
    --------
    >>> place_words(np.array([3.0, 5.0]), (640, 480)), place_words(np.array([320.0, 240.0]),
    ...                                                             (640, 480))
    ('upper left', 'middle')
    """
    column, row = (int(np.clip(3 * (pixel[i] + 0.5) / size[i], 0, 2)) for i in range(2))
    words = [("upper", "", "lower")[row], ("left", "middle", "right")[column]]
    return " ".join(word for word in words if word)


def focal_px(rig: StereoRig) -> float:
    """Focal length of the rectified pictures: the mean of the four, as in ``rectify``. [px]"""
    return float(np.mean([rig.K1[0, 0], rig.K1[1, 1], rig.K2[0, 0], rig.K2[1, 1]]))


def _range_and_height(points: Floats, up: Floats) -> Floats:
    """Distance from the left camera and height over it, shape (N, 2). [m]"""
    return np.column_stack([np.linalg.norm(points, axis=1), points @ up])


# --- what the covariance leaves open --------------------------------------------------------------


def sigma_of_points(
    rig: StereoRig, distances_m: Sequence[float], grid: tuple[int, int] = (9, 7)
) -> tuple[PointSigma, ...]:
    """What the covariance of a rig leaves open of the range and the height of points.

    To first order: the derivatives of the triangulated point at fixed pixels, about the rig as it
    is. A covariance of 14 x 14 takes the distortion as known.

    Parameters
    ----------
    rig : StereoRig
        With a covariance.
    distances_m : sequence of float
        From the left camera. [m]
    grid : tuple of int
        Columns and rows of left pixels, over the whole picture from rim to rim.

    Raises
    ------
    RigError
        The rig has no covariance.
    """
    if rig.covariance is None:
        raise RigError(rig.source or rig.name, "states no covariance",
                       "a rig with the covariance of its calibration",
                       "solve it with `hazcam calibrate solve`")
    columns, rows, _, directions = _grid(rig, grid)
    up, _ = up_of(rig)
    points = np.concatenate([distance * directions for distance in distances_m])
    left, right = project(rig, points)
    sigma = np.where(_seen(rig, points, left, right)[:, None],
                     _sigma(rig, rig.covariance, left, right, up), np.nan)
    layers = sigma.reshape(len(distances_m), rows.size, columns.size, 2)
    return tuple(PointSigma(distance_m=distance, columns_px=columns, rows_px=rows,
                            range_sigma_m=layer[..., 0], height_sigma_m=layer[..., 1])
                 for distance, layer in zip(distances_m, layers, strict=True))


def _sigma(rig: StereoRig, covariance: Floats, left: Floats, right: Floats, up: Floats) -> Floats:
    """Sigma of range and height of points at fixed pixels, shape (N, 2). [m]"""
    J = derivatives(rig, lambda r: _range_and_height(triangulate_pixels(r, left, right), up),
                    len(covariance))
    variance = np.einsum("npi,ij,npj->np", J, covariance, J)
    return np.asarray(np.sqrt(np.maximum(variance, 0)))


def _sigma_of_both(
    a: StereoRig, b: StereoRig, left: Floats, right: Floats, up: Floats
) -> Floats | None:
    if a.covariance is None or b.covariance is None:
        return None
    return np.hypot(_sigma(a, a.covariance, left, right, up),
                    _sigma(b, b.covariance, left, right, up))


def _grid(rig: StereoRig, grid: tuple[int, int]) -> tuple[Floats, Floats, Floats, Floats]:
    """Columns, rows, the pixels of the left picture (N, 2) row by row, and their unit rays."""
    columns, rows = (np.linspace(0, n - 1, count) for n, count in zip(rig.size, grid, strict=True))
    pixels = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    rays = np.column_stack([normalised(rig.K1, rig.D1, rig.model, pixels), np.ones(len(pixels))])
    return columns, rows, pixels, rays / np.linalg.norm(rays, axis=1, keepdims=True)


def _seen(rig: StereoRig, points: Floats, left: Floats, right: Floats) -> NDArray[np.bool_]:
    """Which points lie in the right picture, shape (N,).

    Far outside of it distortion turns back, and its model would put a point into it: reading such
    a pixel gives another point.
    """
    inside = np.all((right >= 0) & (right <= np.array(rig.size) - 1.0), axis=1)
    error = np.linalg.norm(triangulate_pixels(rig, left, right) - points, axis=1)
    return np.asarray(inside & (error < _ROUND_TRIP * np.linalg.norm(points, axis=1)))
