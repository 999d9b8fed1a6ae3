"""Intake: are these two pictures a usable pair at all, and which of their pixels are.

Every pixel gets one state. The thresholds below are ours, chosen on rendered beaches of black
sand, whose lit texture is dark yet usable; they are no published values. The black level of the
sensor is taken as 0.

Noise is estimated after Immerkaer [1]_: the difference of two Laplacians cancels a locally
linear picture and leaves the noise. Texture would be taken for noise, so the picture is cut into
blocks and only the least textured ones are asked.

References
----------
.. [1] J. Immerkaer, "Fast noise variance estimation," Computer Vision and Image Understanding,
   vol. 64, no. 2, pp. 300-302, 1996, doi:10.1006/cviu.1996.0060.
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
from hazcam.imagery.pair import Picture, StereoPair

States = NDArray[np.uint8]
Mask = NDArray[np.bool_]

# Mean of a 7x7 window below DARK_GREY + DARK_SIGMAS noise sigmas (8-bit grey levels): what is left
# of the texture is no more than the noise.
DARK_GREY = 2.0
DARK_SIGMAS = 2.0
DARK_WINDOW_PX = 7
# Fine texture everywhere can pass for noise: no more than this counts here.
DARK_NOISE_CAP_GREY = 3.0
# Compression leaves flat blocks in quiet shadow: a flat block below this grey level is shadow, not
# lost data.
FLAT_SHADOW_GREY = 16.0
# Side of the smallest square of one exact value that is taken for the fill of lost data: the
# block of the common codecs.
LOST_BLOCK_PX = 8
# Median step across the border of such a square, at least: compression also flattens quiet ground,
# but there the next block differs by a grey level or two.
LOST_STEP_GREY = 4.0
# Shares beyond which a whole picture is refused.
ALL_DARK_SHARE = 0.995
ALL_SATURATED_SHARE = 0.95
# The top value of a 16-bit picture is its saturation where at least this share of the pixels
# holds it, and it is this many times as frequent as the values next below.
PILE_SHARE = 5e-4
PILE_RATIO = 5.0
# Share of a state above which it is noted.
NOTED_SHARE = 0.01

NOISE_BLOCK_PX = 16
# The least textured tenth of the blocks, by their own noise estimate; pure noise of sigma 1 then
# reads NOISE_BIAS (mean over 60 seeded pictures of 640 x 480), which is divided out.
NOISE_PERCENTILE = 10.0
NOISE_BIAS = 0.893
_IMMERKAER = np.array([[1.0, -2.0, 1.0], [-2.0, 4.0, -2.0], [1.0, -2.0, 1.0]])


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
    noise_grey : float
        Noise of a pixel, one standard deviation, the larger of the two pictures. [grey levels of an
        8-bit picture]
    shares : dict
        ``{"left": {"saturated": share, "dark": ..., "lost": ...}, "right": ...}``, each of 0 to 1;
        a missing picture has no entry.
    notes : tuple of str
        What is worth saying, in words.
    """

    left_state: States | None
    right_state: States | None
    noise_grey: float
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


def estimate_noise(grey: Floats, exclude: Mask) -> float:
    """Noise sigma from the least textured blocks, in the unit of ``grey``.

    Parameters
    ----------
    grey : ndarray of shape (H, W), float64
        A picture.
    exclude : ndarray of shape (H, W), bool
        Pixels that say nothing about the noise (saturated, dark, lost); a block with any is left
        out. Where no block is left, all of them are asked.

    Returns
    -------
    float
        One standard deviation of the noise of a pixel.
    """
    response = np.abs(cv2.filter2D(grey, cv2.CV_64F, _IMMERKAER))
    block = min(NOISE_BLOCK_PX, *grey.shape)
    rows, cols = grey.shape[0] // block, grey.shape[1] // block

    def blocks(values: NDArray[Any]) -> NDArray[Any]:
        cut = values[: rows * block, : cols * block].reshape(rows, block, cols, block)
        return cut.swapaxes(1, 2).reshape(rows * cols, -1)

    sigmas = np.sqrt(np.pi / 2) / 6.0 * blocks(response).mean(axis=1)
    clean = ~blocks(exclude).any(axis=1)
    return float(np.percentile(sigmas[clean] if clean.any() else sigmas, NOISE_PERCENTILE)
                 / NOISE_BIAS)


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


def lost_data(picture: Picture, flat: Mask, step: float) -> Mask:
    """Flat regions that do not continue their surroundings: the fill of lost data.

    Parameters
    ----------
    picture : ndarray of shape (H, W), uint8 or uint16
    flat : ndarray of shape (H, W), bool
        As ``flat_blocks`` gives it.
    step : float
        Smallest median step across the border of a region of one value, in the unit of the picture.
        A region that is the whole picture has no border and is lost.

    Returns
    -------
    ndarray of shape (H, W), bool
    """
    if not flat.any() or picture.min() == picture.max():
        return flat
    values = picture.astype(np.int32)
    regions = measure.label(np.where(flat, values + 1, 0), connectivity=1)
    inside, steps = [], []
    for a, b in ((np.s_[1:], np.s_[:-1]), (np.s_[:, 1:], np.s_[:, :-1])):
        for here, there in ((a, b), (b, a)):
            border = (regions[here] > 0) & (regions[here] != regions[there])
            inside.append(regions[here][border])
            steps.append(np.abs(values[here] - values[there])[border])
    index = np.arange(1, regions.max() + 1)
    medians = ndimage.median(np.concatenate(steps), np.concatenate(inside), index)
    lost = np.concatenate([[False], ~(np.asarray(medians) < step)])
    return np.asarray(lost[regions], dtype=np.bool_)


def _dark(grey: Floats, flat: Mask, noise_grey: float) -> Mask:
    mean = cv2.blur(grey, (DARK_WINDOW_PX, DARK_WINDOW_PX))
    dark: Mask = mean < DARK_GREY + DARK_SIGMAS * min(noise_grey, DARK_NOISE_CAP_GREY)
    return dark | (flat & (grey < FLAT_SHADOW_GREY))


def _judge_pixels(picture: Picture, scale: int) -> tuple[States, float]:
    """States of the pixels of one picture, and its noise in 8-bit grey levels."""
    to_grey_levels = 255.0 / scale
    grey = picture.astype(np.float64) * to_grey_levels
    saturated = picture >= saturation_level(picture, scale)
    flat = flat_blocks(picture)
    # Rounding alone leaves 1/sqrt(12) of a step.
    rounding = to_grey_levels / np.sqrt(12.0)
    noise_grey = max(estimate_noise(grey, saturated | _dark(grey, flat, 1.0) | flat), rounding)
    state = np.full(picture.shape, PixelState.USABLE, np.uint8)
    state[lost_data(picture, flat, LOST_STEP_GREY / to_grey_levels)] = PixelState.LOST
    state[_dark(grey, flat, noise_grey)] = PixelState.DARK
    state[saturated] = PixelState.SATURATED
    return state, noise_grey


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
        f"{side}: {share:.0%} of the pixels {words[key]}"
        for key, share in shares.items()
        if share >= NOTED_SHARE
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
    noises: list[float] = []
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
        noise_grey=max(noises), shares=shares, notes=tuple(notes),
    )
