"""Tracks: the same features in both rectified pictures, and how far they lie off their row.

Both pictures are normalised to a local mean of 0 and a local deviation of about 1, damped by the
noise. So neither the gain of a camera nor hard light says which corners count: dark lit ground
does, noise does not. Pictures are binned down to ``TRACKED_SIZE_PX`` first.

A coarse search on tiny pictures, along the row, finds the disparity everywhere, near the plane of
the feet or anywhere else. The right picture is then moved by it row by row, without touching any
row, so that a translation is all that is left for the tracker: grazing ground does not shear within
the window, and a board close by starts where it is.

References
----------
J.-Y. Bouguet, "Pyramidal implementation of the Lucas Kanade feature tracker," Intel, 2000.
J. Shi and C. Tomasi, "Good features to track," CVPR 1994, for the smaller eigenvalue.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats, View, read_only
from hazcam.imagery.intake import PixelState
from hazcam.imagery.noise import NoiseModel
from hazcam.rectification import RectifiedPair

Greys = NDArray[np.float32]

# Longer side of the pictures that are tracked, at most; larger ones are binned.
TRACKED_SIZE_PX = 1440

# Below, lengths are in pixels of the tracked picture, or of the coarse one where said.

# Smoothing before all else: fine texture does not survive the tracker's interpolation.
_SMOOTH_PX = 0.8
_NORMALISED_PX = 25
_WINDOW_PX = 25
_LEVELS = 2
_GOLDEN = (np.sqrt(5) - 1) / 2  # its multiples are spread evenly over the fractions
# One feature per cell, the one with the best smaller eigenvalue.
_CELLS = 520
_MAX_ROUND_TRIP_PX = 0.3
# Correlation of the two windows. Two pictures of nothing but noise reach 0.4.
_MIN_CORRELATION = 0.55
# Share of a window that is usable in both pictures.
_MIN_USABLE = 0.9
# Least smaller eigenvalue, as ``cv2.cornerMinEigenVal`` gives it. Nothing flat reaches it; noise
# alone does, but does not correlate.
_MIN_EIGENVALUE = 0.02

# The coarse search. [coarse pixels]
_COARSE_WIDTH_PX = 160
_COARSE_WINDOW_PX = (7, 5)
_COARSE_DAMPING = 0.01
_MIN_COARSE_CORRELATION = 0.5
_MAX_DISPARITY_SHARE = 0.6  # of the width
_FLOOR_LESS_PX, _FLOOR_MORE_PX = 12, 24  # about the disparity of the floor
_ONE_ROW = (0,)
_MANY_ROWS = range(-4, 5)


@dataclass(frozen=True, kw_only=True, eq=False)
class Tracks:
    """Features of the left picture found again in the right one.

    Attributes
    ----------
    columns : ndarray of shape (N,), float64
        Where they are in the right picture. [px of the rectified pictures]
    rows : ndarray of shape (N,), float64
        The row on which they should be: that of the left picture. [px]
    offsets_px : ndarray of shape (N,), float64
        Row in the right picture minus row in the left one. [px]
    disparities_px : ndarray of shape (N,), float64
        Column in the left picture minus column in the right one. [px]
    correlations : ndarray of shape (N,), float64
        Of the surroundings of the feature in the two pictures, to 1: the more noise or shear, the
        less.
    sought : int
        Features that had a likely counterpart, N or more. Of two pictures that belong together,
        most are found.
    """

    columns: Floats
    rows: Floats
    offsets_px: Floats
    disparities_px: Floats
    correlations: Floats
    sought: int

    def __post_init__(self) -> None:
        names = ("columns", "rows", "offsets_px", "disparities_px", "correlations")
        if len({getattr(self, name).shape for name in names}) > 1:
            raise ValueError("the arrays of Tracks differ in shape")
        for name in names:
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))

    @property
    def count(self) -> int:
        """Number of features."""
        return int(self.offsets_px.size)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Pictures:
    """What is tracked: normalised pictures, float32 (H, W), 0 where not usable."""

    left: Greys
    right: Greys
    usable_left: Greys
    usable_right: Greys
    floor_px: Greys
    least_px: float
    binning: int


def track_features(
    rectified: RectifiedPair, view: View, noise: NoiseModel, *, far_off_rows: bool = False
) -> Tracks:
    """Find features of the left picture again in the right one, at any row near theirs.

    Parameters
    ----------
    rectified : RectifiedPair
        The pictures. Pixels that are dark, saturated or lost do not count.
    view : View
        Where the floor is expected; the pictures may show something else.
    noise : NoiseModel
        Noise of a pixel.
    far_off_rows : bool
        Look up to a fortieth of the width off the rows, for some nine times the work; otherwise up
        to about a hundredth.

    Returns
    -------
    Tracks
        At most a few hundred, spread over the picture; a feature counts if tracking it back leads
        to where it came from, its surroundings look alike, and its place is in front of the
        cameras.
    """
    return _track(_prepare(rectified, view, noise), _MANY_ROWS if far_off_rows else _ONE_ROW)


def exchanged(rectified: RectifiedPair) -> RectifiedPair:
    """The same pictures, the right one in the place of the left one."""
    view = replace(rectified.view, valid_left=rectified.view.valid_right,
                   valid_right=rectified.view.valid_left)
    return replace(rectified, left=rectified.right, right=rectified.left, view=view,
                   state_left=rectified.state_right, state_right=rectified.state_left)


# --- pictures ------------------------------------------------------------------------------------


def _prepare(rectified: RectifiedPair, view: View, noise: NoiseModel) -> _Pictures:
    camera = rectified.camera
    k = -(-max(camera.width, camera.height) // TRACKED_SIZE_PX)
    usable_left = _binned(_usable(rectified.state_left, rectified.view.valid_left), k) > 0.99
    usable_right = _binned(_usable(rectified.state_right, rectified.view.valid_right), k) > 0.99
    left, right = _binned(rectified.left, k), _binned(rectified.right, k)
    rows, columns = (k * np.arange(n) + (k - 1) / 2 for n in left.shape)
    pose = view.T_rover_camera @ rectified.T_camera_rectified
    floor = camera.plane_disparity(pose, (0.0, 0.0, 0.0), columns[None], rows[:, None])
    return _Pictures(
        left=_normalised(left, usable_left, noise, k),
        right=_normalised(right, usable_right, noise, k),
        usable_left=usable_left.astype(np.float32), usable_right=usable_right.astype(np.float32),
        floor_px=(np.maximum(floor, -camera.offset_px) / k).astype(np.float32),
        least_px=-camera.offset_px / k, binning=k,
    )


def _usable(state: NDArray[np.uint8], valid: NDArray[np.bool_]) -> Greys:
    return np.asarray((state == PixelState.USABLE) & valid, dtype=np.float32)


def _binned(picture: Greys, k: int) -> Greys:
    """Means of k x k pixels; what is left over at the right and below is cut off."""
    if k == 1:
        return picture
    height, width = (n // k for n in picture.shape)
    cut = picture[: height * k, : width * k]
    return np.asarray(cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA), np.float32)


def _normalised(
    picture: Greys, usable: NDArray[np.bool_], noise: NoiseModel, k: int
) -> Greys:
    """Local mean 0, local deviation 1 where there is texture, less where there is but noise."""
    smooth = np.asarray(cv2.GaussianBlur(picture, (0, 0), _SMOOTH_PX), dtype=np.float32)
    weight = usable.astype(np.float32)
    window = (_NORMALISED_PX, _NORMALISED_PX)
    share = np.maximum(_blurred(weight, window), 1e-3)
    mean = _blurred(smooth * weight, window) / share
    centred = np.asarray((smooth - mean) * weight, dtype=np.float32)
    variance = _blurred(centred * centred, window) / share
    # Binning divides the noise by k, the Gaussian by 2 sqrt(pi) times its width.
    sigma = noise.sigma_grey(mean) / (2 * np.sqrt(np.pi) * _SMOOTH_PX * k)
    return np.asarray(centred / np.sqrt(variance + (2 * sigma) ** 2 + 1e-6), dtype=np.float32)


def _blurred(picture: Greys, window: tuple[int, int]) -> Greys:
    return np.asarray(cv2.blur(picture, window), dtype=np.float32)


# --- coarse search -------------------------------------------------------------------------------


def _coarse_disparity(
    pictures: _Pictures, row_steps: Iterable[int]
) -> tuple[Greys, Greys, Greys]:
    """Disparity, row offset [tracked px] and correlation of the best match of each coarse pixel.

    Searched are all disparities that a point in front may have, and, in the right picture moved by
    the disparity of the floor, those about it: surfaces that face the camera look alike in the
    first, grazing ground in the second.
    """
    height, width = pictures.left.shape
    k = max(1, min(round(width / _COARSE_WIDTH_PX), height // _COARSE_WINDOW_PX[1]))
    left, right = _binned(pictures.left, k), _binned(pictures.right, k)
    floor = _binned(pictures.floor_px, k) / np.float32(k)
    best = _Best(left.shape)
    least, most = int(np.floor(pictures.least_px / k)), int(_MAX_DISPARITY_SHARE * width / k)
    for base, steps in ((np.zeros_like(floor), range(least, most)),
                        (floor, range(-_FLOOR_LESS_PX, _FLOOR_MORE_PX))):
        moved = _moved(right, base)
        for rows in row_steps:
            best.search(left, moved, base, steps, rows)
    smooth = np.asarray(cv2.medianBlur(best.disparity, 5), dtype=np.float32)
    return k * smooth, k * best.rows, best.correlation


class _Best:
    """Best match so far of each pixel of the coarse left picture."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.correlation = np.full(shape, -1.0, dtype=np.float32)
        self.disparity = np.zeros(shape, dtype=np.float32)
        self.rows = np.zeros(shape, dtype=np.float32)

    def search(
        self, left: Greys, right: Greys, base: Greys,
        steps: range, rows: int,
    ) -> None:
        """Try each step of disparity beyond ``base``, ``rows`` lower in the right picture."""
        height, width = left.shape
        (mean_l, scale_l), (mean_r, scale_r) = _local(left), _local(right)
        if abs(rows) >= height:
            return
        lines = slice(max(0, -rows), min(height, height - rows))
        lines_r = slice(lines.start + rows, lines.stop + rows)
        for step in range(max(steps.start, 1 - width), min(steps.stop, width)):
            here = (lines, slice(max(0, step), min(width, width + step)))
            there = (lines_r, slice(here[1].start - step, here[1].stop - step))
            alike = _blurred(left[here] * right[there], _COARSE_WINDOW_PX)
            alike -= mean_l[here] * mean_r[there]
            alike *= scale_l[here] * scale_r[there]
            better = alike > self.correlation[here]
            np.copyto(self.correlation[here], alike, where=better)
            np.copyto(self.disparity[here], base[here] + np.float32(step), where=better)
            np.copyto(self.rows[here], np.float32(rows), where=better)


def _local(picture: Greys) -> tuple[Greys, Greys]:
    """Mean and inverse deviation in the coarse window."""
    mean = _blurred(picture, _COARSE_WINDOW_PX)
    variance = _blurred(picture * picture, _COARSE_WINDOW_PX) - mean * mean
    return mean, (1 / np.sqrt(np.maximum(variance, 0) + _COARSE_DAMPING)).astype(np.float32)


def _moved(picture: Greys, disparity: Greys) -> Greys:
    """The right picture as the left camera would see it; every row stays what it is."""
    height, width = picture.shape
    columns, rows = np.meshgrid(np.arange(width, dtype=np.float32),
                                np.arange(height, dtype=np.float32))
    return _remapped(picture, columns - disparity, rows)


def _remapped(picture: Greys, columns: Greys, rows: Greys) -> Greys:
    """Bilinear, 0 outside."""
    return np.asarray(cv2.remap(picture, columns, rows, cv2.INTER_LINEAR,
                                borderMode=cv2.BORDER_CONSTANT, borderValue=0), dtype=np.float32)


# --- tracking ------------------------------------------------------------------------------------


def _track(pictures: _Pictures, row_steps: Iterable[int]) -> Tracks:
    coarse, coarse_rows, correlation = _coarse_disparity(pictures, row_steps)
    height, width = pictures.left.shape
    disparity = np.asarray(cv2.resize(coarse, (width, height)), dtype=np.float32)
    right = _moved(pictures.right, disparity)
    # What is blanked in one picture alone would look like a shift: it is blanked in both.
    usable = pictures.usable_left * (_moved(pictures.usable_right, disparity) > 0.99)
    left, right = pictures.left * usable, right * usable
    start = _features(left, usable)

    def coarsely(values: Greys) -> Greys:
        h, w = values.shape
        columns, rows = start.T
        here = (np.minimum(rows * h // height, h - 1).astype(int),
                np.minimum(columns * w // width, w - 1).astype(int))
        return np.asarray(values[here])

    likely = coarsely(correlation) > _MIN_COARSE_CORRELATION
    guess = start + np.stack([np.zeros(len(start)), coarsely(coarse_rows)], axis=1)
    start, guess = start[likely], guess[likely].astype(np.float32)
    # Interpolation blurs one picture more than the other, which pulls an offset by up to 0.03 px
    # one way or the other, by its fraction. Starts at all fractions of a row cancel that.
    fraction = (np.arange(len(start)) * _GOLDEN % 1 - 0.5).astype(np.float32)
    start[:, 1] += fraction
    guess[:, 1] += fraction
    if not len(start):
        nothing = np.empty(0)
        return Tracks(columns=nothing, rows=nothing, offsets_px=nothing,
                      disparities_px=nothing, correlations=nothing, sought=0)
    there, kept = _there_and_back(left, right, start, guess)
    alike = _correlation(left, start, right, there)
    kept &= alike > _MIN_CORRELATION
    columns = there[:, 0] - _sampled(disparity, there)
    kept &= columns < start[:, 0] - pictures.least_px + 1  # what is in front has d > -offset
    k = pictures.binning
    middle = (k - 1) / 2
    return Tracks(
        columns=k * columns[kept].astype(np.float64) + middle,
        rows=k * start[kept, 1].astype(np.float64) + middle,
        offsets_px=k * (there[kept, 1] - start[kept, 1]).astype(np.float64),
        disparities_px=k * (start[kept, 0] - columns[kept]).astype(np.float64),
        correlations=alike[kept].astype(np.float64), sought=len(start),
    )


def _features(picture: Greys, usable: Greys) -> Greys:
    """The best corner of each cell of a grid, shape (N, 2): column, row. [px]"""
    quality = cv2.cornerMinEigenVal(picture, 5, ksize=3)
    window = (_WINDOW_PX, _WINDOW_PX)
    quality[(usable == 0) | (_blurred(usable, window) < _MIN_USABLE)] = 0
    height, width = picture.shape
    cell = max(4, round(np.sqrt(height * width / _CELLS)))
    rows, columns = height // cell, width // cell
    blocks = (quality[: rows * cell, : columns * cell].reshape(rows, cell, columns, cell)
              .swapaxes(1, 2).reshape(rows, columns, -1))
    inside = blocks.argmax(axis=-1)
    row = np.arange(rows)[:, None] * cell + inside // cell
    column = np.arange(columns)[None] * cell + inside % cell
    good = blocks.max(axis=-1) > _MIN_EIGENVALUE
    return np.stack([column[good], row[good]], axis=1).astype(np.float32)


def _there_and_back(
    left: Greys, right: Greys, start: Greys,
    guess: Greys,
) -> tuple[Greys, NDArray[np.bool_]]:
    """Where the features are in the right picture, and which lead back to their start."""
    left_8, right_8 = (np.clip(40 * p + 128, 0, 255).astype(np.uint8) for p in (left, right))
    there, ok_there = _lucas_kanade(left_8, right_8, start, guess)
    back, ok_back = _lucas_kanade(right_8, left_8, there, start)
    return there, ok_there & ok_back & (np.hypot(*(back - start).T) < _MAX_ROUND_TRIP_PX)


def _lucas_kanade(
    first: NDArray[np.uint8], second: NDArray[np.uint8], start: Greys,
    guess: Greys,
) -> tuple[Greys, NDArray[np.bool_]]:
    points, status, _ = cv2.calcOpticalFlowPyrLK(
        first, second, start.reshape(-1, 1, 2), guess.reshape(-1, 1, 2).copy(),
        winSize=(_WINDOW_PX, _WINDOW_PX), maxLevel=_LEVELS, flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
    )
    found = np.asarray(points, dtype=np.float32).reshape(-1, 2)
    return found, np.asarray(status).reshape(-1) > 0


def _correlation(
    left: Greys, start: Greys, right: Greys,
    there: Greys,
) -> Greys:
    """Correlation of the windows about the features, shape (N,), -1 to 1."""
    reach = np.arange(_WINDOW_PX, dtype=np.float32) - _WINDOW_PX // 2
    dx, dy = (d.ravel() for d in np.meshgrid(reach, reach))
    a, b = (_sampled(p, at[:, None] + np.stack([dx, dy], axis=1))
            for p, at in ((left, start), (right, there)))
    a, b = (v - v.mean(axis=1, keepdims=True) for v in (a, b))
    power = np.sqrt((a * a).sum(axis=1) * (b * b).sum(axis=1))
    return np.asarray((a * b).sum(axis=1) / np.maximum(power, 1e-6))


def _sampled(picture: Greys, at: Greys) -> Greys:
    """Values of a picture at (column, row) of shape (..., 2), bilinear, 0 outside."""
    flat = at.reshape(len(at), -1, 2)  # OpenCV takes no maps of more than 32767 columns
    values = _remapped(picture, flat[..., 0], flat[..., 1])
    return values.reshape(at.shape[:-1])
