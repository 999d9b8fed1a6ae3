"""Intake: are these two pictures a usable pair at all, and which of their pixels are.

Every pixel gets one state. The thresholds below are ours, chosen on rendered beaches of black
sand, whose lit texture is dark yet usable; they are no published values. The black level of the
sensor is taken as 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage import measure

from hazcam.errors import ImageError, PairError
from hazcam.frames import Floats, read_only
from hazcam.imagery.noise import NoiseModel, estimate_noise_model, larger_noise
from hazcam.imagery.pair import Picture, StereoPair

States = NDArray[np.uint8]
Mask = NDArray[np.bool_]

# Mean of a 7x7 window below DARK_GREY + DARK_SIGMAS noise sigmas at that level (8-bit grey levels):
# what is left of the texture is no more than the noise. DARK_GREY holds for deeper pictures too:
# stray light and the black level are not known better than that.
DARK_GREY = 2.0
DARK_SIGMAS = 2.0
DARK_WINDOW_PX = 7
# Fine texture everywhere can pass for noise: no more than this counts here.
DARK_NOISE_CAP_GREY = 3.0
# Compression leaves flat blocks in quiet shadow, and a sensor without light gives zeros: a flat
# region below this grey level is shadow, unless its outline is that of lost blocks.
FLAT_SHADOW_GREY = 16.0
# Side of the smallest square of one exact value that is taken for the fill of lost data: the
# block of the common codecs.
LOST_BLOCK_PX = 8
# Median step across the border of such a square, at least: compression also flattens quiet ground,
# but there the next block differs by a grey level or two.
LOST_STEP_GREY = 4.0
# Share of the border at which a dark region of lost blocks steps, at least: a pixel here and there
# beside it is as dark.
SHARP_SHARE = 0.9
# Shares beyond which a whole picture is refused.
ALL_DARK_SHARE = 0.995
ALL_SATURATED_SHARE = 0.95
# The top value of a 16-bit picture is its saturation where at least this share of the pixels
# holds it, and it is this many times as frequent as the values next below.
PILE_SHARE = 5e-4
PILE_RATIO = 5.0
# Share of a state above which it is noted; lost data always is.
NOTED_SHARE = 0.01


class PixelState(IntEnum):
    """What a pixel is good for."""

    USABLE = 0
    SATURATED = 1
    DARK = 2
    LOST = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Intake:
    """What the pictures are good for.

    Attributes
    ----------
    left_state, right_state : ndarray of shape (H, W), uint8, or None
        Codes of ``PixelState``; None for a missing picture.
    noise : NoiseModel
        Noise of a pixel: the larger of the two pictures' at every signal.
    shares : dict
        ``{"left": {"saturated": share, "dark": ..., "lost": ...}, "right": ...}``, each of 0 to 1;
        a missing picture has no entry.
    notes : tuple of str
        What is worth saying, in words.
    """

    left_state: States | None
    right_state: States | None
    noise: NoiseModel
    shares: dict[str, dict[str, float]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("left_state", "right_state"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, read_only(getattr(self, name), np.uint8))

    @property
    def left_usable(self) -> Mask | None:
        """Where the left picture is usable, shape (H, W)."""
        return None if self.left_state is None else self.left_state == PixelState.USABLE

    @property
    def right_usable(self) -> Mask | None:
        """Where the right picture is usable, shape (H, W)."""
        return None if self.right_state is None else self.right_state == PixelState.USABLE


def full_scale(pair: StereoPair) -> int:
    """Largest value that the pictures can hold: 255, or 2^n - 1 for n = 10, 12, 14 or 16 bit.

    A 16-bit file often holds fewer bits: the smallest n that holds both pictures is taken.
    Multiply by ``255 / full_scale(pair)`` to get grey levels of an 8-bit picture.
    """
    pictures = [p for p in (pair.left, pair.right) if p is not None]
    if all(p.dtype == np.uint8 for p in pictures):
        return 255
    largest = max(int(p.max()) for p in pictures)
    return next(2**bits - 1 for bits in (10, 12, 14, 16) if largest < 2**bits)


def saturation_level(picture: Picture, scale: int) -> int:
    """Value from which on a pixel is saturated; ``scale + 1`` where none is.

    8 bit: 254. 16 bit: one below the full scale, or the top value of the picture where the pixels
    pile up at it (a sensor whose well is full before the converter is).
    """
    if picture.dtype == np.uint8:
        return 254
    top = int(picture.max())
    values, counts = np.unique(picture[picture >= 0.9 * top], return_counts=True)
    below = counts[-9:-1].mean() if values.size > 1 else 0.0
    piled = counts[-1] >= max(PILE_SHARE * picture.size, PILE_RATIO * below)
    return min(top if piled else scale + 1, scale - 1)


def flat_blocks(picture: Picture) -> Mask:
    """Pixels of any square of LOST_BLOCK_PX, aligned or not, that holds one exact value.

    Examples
    --------
    >>> picture = np.arange(400, dtype=np.uint16).reshape(20, 20)
    >>> picture[3:12, 5:14] = 7
    >>> int(flat_blocks(picture).sum())
    81
    """
    n = LOST_BLOCK_PX
    rows, cols = picture.shape
    if rows < n or cols < n:
        return np.zeros(picture.shape, dtype=np.bool_)
    kernel = np.ones((n, n), np.uint8)
    low = cv2.erode(picture, kernel, anchor=(0, 0))
    high = cv2.dilate(picture, kernel, anchor=(0, 0))
    starts = np.zeros(picture.shape, np.uint8)
    whole = (slice(rows - n + 1), slice(cols - n + 1))
    starts[whole] = low[whole] == high[whole]
    return np.asarray(cv2.dilate(starts, kernel, anchor=(n - 1, n - 1)) > 0)


def lost_data(picture: Picture, flat: Mask, step: float, shadow_below: float) -> Mask:
    """Flat regions that do not continue their surroundings: the fill of lost data.

    A region of one value is lost where the picture steps at its border. Black shadow may do the
    same in hard light, so a dark region must have the outline of lost blocks as well: steps along
    nearly all of its border, and either a rectangle or edges on one grid of LOST_BLOCK_PX. A
    single straight edge across the whole picture is taken for the edge of a shadow.

    Parameters
    ----------
    picture : ndarray of shape (H, W), uint8 or uint16
    flat : ndarray of shape (H, W), bool
        As ``flat_blocks`` gives it.
    step : float
        Smallest median step across the border of a region of one value, in the unit of the picture.
        A bright region that is the whole picture has no border and is lost.
    shadow_below : float
        Regions below this value may be shadow, in the unit of the picture.

    Returns
    -------
    ndarray of shape (H, W), bool
    """
    if not flat.any() or picture.min() == picture.max():
        return flat & (picture >= shadow_below)
    values = picture.astype(np.int32)
    regions = measure.label(np.where(flat, values + 1, 0), connectivity=1)
    count = int(regions.max())
    borders = [_borders(values, regions, axis) for axis in (0, 1)]
    labels, steps = (np.concatenate([getattr(b, name) for b in borders])
                     for name in ("labels", "steps"))
    medians = np.asarray(ndimage.median(steps, labels, np.arange(1, count + 1)))
    sharp = _counts(labels[steps >= step], count) >= SHARP_SHARE * _counts(labels, count)
    lines = sum(_counts(np.unique(b.labels + (count + 1) * b.lines) % (count + 1), count)
                for b in borders)
    on_grid = np.logical_and(*(_on_one_grid(b, count) for b in borders))
    blocks = sharp & (lines > 1) & (on_grid | _fill_their_box(regions, count))
    dark = np.zeros(count + 1, dtype=np.bool_)
    dark[regions[flat]] = picture[flat] < shadow_below
    lost = ~(medians < step) & (blocks | ~dark[1:])
    return np.asarray(np.concatenate([[False], lost])[regions], dtype=np.bool_)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Borders:
    """The sides of pixels at which a region ends, along one axis; all of shape (N,).

    ``labels`` of the region (1 and up), ``steps`` to the pixel beyond, and ``lines``: the row (axis
    0) or column (axis 1) after the side.
    """

    labels: NDArray[np.int64]
    steps: NDArray[np.int64]
    lines: NDArray[np.int64]


def _borders(values: NDArray[np.int32], regions: NDArray[Any], axis: int) -> _Borders:
    """Borders of all regions across one axis; the rim of the picture is none."""
    after = np.s_[1:] if axis == 0 else np.s_[:, 1:]
    before = np.s_[:-1] if axis == 0 else np.s_[:, :-1]
    differ = regions[after] != regions[before]
    steps = np.abs(values[after] - values[before])
    labels, places = [], []
    for side in (after, before):
        at = np.nonzero(differ & (regions[side] > 0))
        labels.append(regions[side][at])
        places.append(at)
    return _Borders(
        labels=np.concatenate(labels).astype(np.int64),
        steps=np.concatenate([steps[at] for at in places]).astype(np.int64),
        lines=np.concatenate([at[axis] for at in places]).astype(np.int64) + 1,
    )


def _counts(labels: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """How often each of the labels 1 to ``count`` is there, shape (count,)."""
    return np.bincount(labels, minlength=count + 1)[1:]


def _on_one_grid(borders: _Borders, count: int) -> Mask:
    """Whether the lines of each region are whole blocks apart, shape (count,)."""
    phase = borders.lines % LOST_BLOCK_PX
    of_phase = np.bincount(borders.labels * LOST_BLOCK_PX + phase,
                           minlength=(count + 1) * LOST_BLOCK_PX)
    by_region = of_phase.reshape(count + 1, LOST_BLOCK_PX)[1:]
    return np.asarray(by_region.max(axis=1) == by_region.sum(axis=1))


def _fill_their_box(regions: NDArray[Any], count: int) -> Mask:
    """Whether each region is a rectangle, shape (count,)."""
    boxes = ndimage.find_objects(regions)
    areas = [(b[0].stop - b[0].start) * (b[1].stop - b[1].start) for b in boxes]
    return np.asarray(_counts(regions.ravel(), count) == np.array(areas))


def _dark(grey: Floats, flat: Mask, noise: NoiseModel) -> Mask:
    mean = cv2.blur(grey, (DARK_WINDOW_PX, DARK_WINDOW_PX))
    sigma = min(float(noise.sigma_grey(DARK_GREY)), DARK_NOISE_CAP_GREY)
    dark: Mask = mean < DARK_GREY + DARK_SIGMAS * sigma
    return dark | (flat & (grey < FLAT_SHADOW_GREY))


def _judge_pixels(picture: Picture, scale: int) -> tuple[States, NoiseModel]:
    """States of the pixels of one picture, and its noise."""
    to_grey_levels = 255.0 / scale
    grey = picture.astype(np.float64) * to_grey_levels
    saturated = picture >= saturation_level(picture, scale)
    flat = flat_blocks(picture)
    # Rounding alone leaves 1/sqrt(12) of a step.
    rounding = to_grey_levels / np.sqrt(12.0)
    useless = saturated | _dark(grey, flat, NoiseModel(read_grey=1.0)) | flat
    noise = estimate_noise_model(grey, useless, rounding)
    state = np.full(picture.shape, PixelState.USABLE, np.uint8)
    state[_dark(grey, flat, noise)] = PixelState.DARK
    lost = lost_data(picture, flat, LOST_STEP_GREY / to_grey_levels,
                     FLAT_SHADOW_GREY / to_grey_levels)
    state[lost] = PixelState.LOST
    state[saturated] = PixelState.SATURATED
    return state, noise


def _shares(state: States) -> dict[str, float]:
    codes = (PixelState.SATURATED, PixelState.DARK, PixelState.LOST)
    return {code.name.lower(): float((state == code).mean()) for code in codes}


def _refuse_useless(shares: dict[str, float], name: str, picture: Picture) -> None:
    """Raise ImageError for a picture with nothing in it."""
    if shares["saturated"] >= ALL_SATURATED_SHARE:
        found = f"{shares['saturated']:.0%} of the pixels are saturated"
        remedy = "ask for the picture again with a shorter exposure"
    elif shares["dark"] >= ALL_DARK_SHARE:
        found = f"all black: {shares['dark']:.1%} of the pixels are too dark to see anything"
        remedy = "ask for the picture again with a longer exposure"
    elif picture.min() == picture.max():
        found = f"every pixel has the same value, {int(picture.min())}"
        remedy = "fetch the picture again"
    else:
        return
    raise ImageError(name, found, "a picture with the ground in it", remedy)


def _side_notes(side: str, shares: dict[str, float]) -> list[str]:
    words = {"saturated": "saturated", "dark": "too dark", "lost": "lost data"}
    return [
        f"{side}: {share:{'.0%' if share >= NOTED_SHARE else '.1%'}} of the pixels {words[key]}"
        for key, share in shares.items()
        if share >= NOTED_SHARE or (key == "lost" and share > 0)
    ]


def _refuse_twice_the_same(pair: StereoPair) -> None:
    if pair.left is None or pair.right is None or not np.array_equal(pair.left, pair.right):
        return
    raise PairError(
        f"{pair.left_name}, {pair.right_name}",
        "the same picture twice: every pixel is equal",
        "a left and a right picture",
        "give the picture of the other camera",
    )


def check_pictures(pair: StereoPair) -> Intake:
    """Judge each pixel of a pair, and refuse pictures with nothing in them.

    Parameters
    ----------
    pair : StereoPair
        As read.

    Returns
    -------
    Intake
        States per pixel, noise, shares.

    Raises
    ------
    ImageError
        A picture that is all black, all saturated or of one value.
    PairError
        The same picture twice.
    """
    scale = full_scale(pair)
    states: dict[str, States] = {}
    shares: dict[str, dict[str, float]] = {}
    noises: list[NoiseModel] = []
    notes: list[str] = []
    for side, picture in (("left", pair.left), ("right", pair.right)):
        if picture is None:
            continue
        states[side], noise = _judge_pixels(picture, scale)
        noises.append(noise)
        shares[side] = _shares(states[side])
        _refuse_useless(shares[side], getattr(pair, f"{side}_name"), picture)
        notes += _side_notes(side, shares[side])
    _refuse_twice_the_same(pair)
    return Intake(
        left_state=states.get("left"), right_state=states.get("right"),
        noise=larger_noise(*noises), shares=shares, notes=tuple(notes),
    )
