"""The noise of a picture: how far one pixel strays, by how bright it is.

It is estimated after Immerkaer [1]_: the difference of two Laplacians cancels a locally linear
picture and leaves the noise. Texture would be taken for noise, so the picture is cut into blocks
and, of each brightness, only the least textured ones are asked. Two faults stay. Where fine
texture fills the picture, it is taken for noise: the estimate is too large, which blanks pixels.
Compression takes the noise out of quiet blocks and leaves its own errors in the others: the
estimate is too small, down to the rounding of the file. Only a rig file that states the noise
helps there.

References
----------
.. [1] J. Immerkaer, "Fast noise variance estimation," Computer Vision and Image Understanding,
   vol. 64, no. 2, pp. 300-302, 1996, doi:10.1006/cviu.1996.0060.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from hazcam.frames import Floats

BLOCK_PX = 16
# The least textured tenth of the blocks, by their own noise estimate; pure noise of sigma 1 then
# reads NOISE_BIAS (mean over 60 seeded pictures of 640 x 480), which is divided out.
PERCENTILE = 10.0
NOISE_BIAS = 0.893
_IMMERKAER = np.array([[1.0, -2.0, 1.0], [-2.0, 4.0, -2.0], [1.0, -2.0, 1.0]])

# A slope needs this many classes of brightness with this many blocks each, and between the
# brightest and the darkest class this many times the brightness of the darkest: else its value
# without light is a guess.
MOST_CLASSES, FEWEST_CLASSES = 12, 6
CLASS_BLOCKS = 20
BRIGHTNESS_SPAN = 3.0
# A class whose quietest blocks have this many times the variance of the line is texture.
TEXTURE_RATIO = 1.5
# Each round weighs the blocks by the line of the round before; three settle it.
_ROUNDS = 4


@dataclass(frozen=True, kw_only=True)
class NoiseModel:
    """The photon-transfer line: ``variance = read_grey² + gain_grey * signal``.

    The model of a linear sensor in EMVA Standard 1288 (from memory): a part that is there without
    light, and the shot noise of the light. It is the whole noise of a pixel as the matcher meets
    it, so ``read_grey`` holds the rounding of the file too: ``1/sqrt(12)`` of its step, which is
    0.29 grey levels in an 8-bit picture and 0.02 in one of 12 bit.

    Attributes
    ----------
    read_grey : float
        One standard deviation without light. [grey levels of an 8-bit picture]
    gain_grey : float
        Variance per grey level of signal, 0 or more. [grey levels of an 8-bit picture]
    """

    read_grey: float
    gain_grey: float = 0.0

    def __post_init__(self) -> None:
        for name in ("read_grey", "gain_grey"):
            value = getattr(self, name)
            if not np.isfinite(value) or value < 0:
                raise ValueError(f"{name} of a NoiseModel is finite and 0 or more, got {value!r}")

    def variance_grey2(self, grey: NDArray[Any] | float) -> NDArray[np.floating]:
        """Variance of a pixel at each signal, shape of ``grey``; see ``sigma_grey``. [grey²]"""
        return np.asarray(self.read_grey**2 + self.gain_grey * np.maximum(np.asarray(grey), 0))

    def sigma_grey(self, grey: NDArray[Any] | float) -> NDArray[np.floating]:
        """One standard deviation of a pixel at each signal, shape of ``grey``.

        Parameters
        ----------
        grey : array_like of any shape
            Signal: the picture, or better its local mean. [grey levels of an 8-bit picture] float32
            gives float32.
        """
        return np.asarray(np.sqrt(self.variance_grey2(grey)))


def larger_noise(*models: NoiseModel) -> NoiseModel:
    """The lowest line that none of the models exceeds between 0 and 255 grey levels.

    Variances are linear in the signal, so it is enough to be no lower at both ends.

    Examples
    --------
    >>> noise = larger_noise(NoiseModel(read_grey=2.0), NoiseModel(read_grey=1.0, gain_grey=0.1))
    >>> f"{noise.read_grey:.3f} {noise.gain_grey:.3f}"
    '2.000 0.088'
    """
    dark, bright = (max(float(m.sigma_grey(end)) ** 2 for m in models) for end in (0.0, 255.0))
    return NoiseModel(read_grey=float(np.sqrt(dark)), gain_grey=max(bright - dark, 0.0) / 255.0)


def estimate_noise_model(
    grey: Floats, exclude: NDArray[np.bool_], rounding_grey: float
) -> NoiseModel:
    """Noise of one picture from its least textured blocks.

    1. Variance (Immerkaer) and mean of each block of BLOCK_PX without an excluded pixel.
    2. Classes of equal count by brightness; of each, the least textured tenth.
    3. The line through the classes, by least squares of the relative residuals, neither number
       below 0. Texture only adds, and a class much above the line weighs little; those above
       TEXTURE_RATIO are left out.
    4. Where blocks or brightness are too few for a slope: one variance from all blocks.

    Parameters
    ----------
    grey : ndarray of shape (H, W), float64
        A picture. [grey levels of an 8-bit picture]
    exclude : ndarray of shape (H, W), bool
        Pixels that say nothing about the noise (saturated, dark, lost). Where no block is without
        them, all of them are asked.
    rounding_grey : float
        Noise of the rounding alone, the least that ``read_grey`` may be. [grey levels of an 8-bit
        picture]
    """
    mean, variance = _quiet_enough(grey, exclude)
    constant = float(np.percentile(variance, PERCENTILE)) / NOISE_BIAS**2
    dark, gain = _line(mean, variance, rounding_grey**2) or (constant, 0.0)
    return NoiseModel(read_grey=max(float(np.sqrt(dark)), rounding_grey), gain_grey=gain)


def _quiet_enough(grey: Floats, exclude: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Mean and noise variance of each block that may be asked, both (N,)."""
    response = np.abs(cv2.filter2D(grey, cv2.CV_64F, _IMMERKAER))
    side = min(BLOCK_PX, *grey.shape)
    rows, cols = grey.shape[0] // side, grey.shape[1] // side

    def blocks(values: NDArray[Any]) -> NDArray[Any]:
        cut = values[: rows * side, : cols * side].reshape(rows, side, cols, side)
        return cut.swapaxes(1, 2).reshape(rows * cols, -1)

    sigma = np.sqrt(np.pi / 2) / 6.0 * blocks(response).mean(axis=1)
    clean = ~blocks(exclude).any(axis=1)
    asked = clean if clean.any() else np.ones_like(clean)
    return blocks(grey).mean(axis=1)[asked], sigma[asked] ** 2


def _line(mean: Floats, variance: Floats, least: float) -> tuple[float, float] | None:
    """Variance at 0 and variance per grey level; None where the blocks support no slope."""
    variance = np.maximum(variance, least * NOISE_BIAS**2)
    count = min(MOST_CLASSES, mean.size // CLASS_BLOCKS)
    if count < FEWEST_CLASSES:
        return None
    classes = np.array_split(np.argsort(mean, kind="stable"), count)
    middle = np.array([mean[c].mean() for c in classes])
    kept = np.ones(count, dtype=np.bool_)
    dark, gain = 1.0, 0.0
    for round_ in range(_ROUNDS):
        # The quietest blocks against the line so far: as such they would be the darkest ones.
        ratio = variance / (dark + gain * mean)
        excess = np.array([np.percentile(ratio[c], PERCENTILE) for c in classes]) / NOISE_BIAS**2
        if round_ > 0:
            kept = excess < TEXTURE_RATIO
        if kept.sum() < FEWEST_CLASSES or np.ptp(middle[kept]) < BRIGHTNESS_SPAN * middle[kept][0]:
            return None
        weight = 1.0 / (excess * (dark + gain * middle))[kept]
        (dark, gain), _ = nnls(np.column_stack([weight, weight * middle[kept]]),
                               np.ones(weight.size))
        dark = max(dark, least)
    return float(dark), float(gain)
