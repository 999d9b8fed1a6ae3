"""What lens, sensor and downlink do to a picture.

The order is that of the light: lens (:func:`through_lens_effects`), exposure and noise
(:func:`expose`), file (:func:`encode_picture`). A radiance picture is a float32 array of shape
(H, W); its unit is free, the exposure makes grey levels of it.

The noise is that of a linear sensor, variance = read_noise² + shot_noise * signal, the model of
the photon-transfer curve (as in EMVA 1288; from memory).

References
----------
.. [1] T. Lindeberg, "Scale-space for discrete signals," IEEE Transactions on Pattern Analysis and
   Machine Intelligence, vol. 12, no. 3, pp. 234-254, 1990, doi:10.1109/34.49051. (From memory.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import special

from hazcam.frames import Floats, read_only

Radiance = NDArray[np.float32]
Grey = NDArray[np.uint8]

LOST_BLOCK_PX = 16
# Of the automatic exposure. [grey levels of 255]
TARGET_GREY, BRIGHTEST_GREY = 105.0, 240.0
_SPECK_RADIUS_PX = (5.0, 25.0)
_SPECK_DIP = (0.10, 0.60)
_RANGES: dict[str, tuple[float, float]] = {
    "defocus_px": (0.0, 20.0), "motion_px": (0.0, 200.0), "motion_deg": (-360.0, 360.0),
    "vignetting": (0.0, 0.95), "veil": (0.0, 0.95), "specks": (0, 200), "read_noise": (0.0, 50.0),
    "shot_noise": (0.0, 10.0), "jpeg_quality": (1, 100), "jpeg2000_ratio": (1.0, 200.0),
    "lost_blocks": (0, 100_000),
}


def _check_range(name: str, value: float | tuple[float, ...] | None) -> None:
    low, high = _RANGES[name]
    values = value if isinstance(value, tuple) else (value,)
    for number in values:
        if number is not None and not low <= number <= high:
            raise ValueError(f"{name} is from {low:g} to {high:g}, got {number:g}")


@dataclass(frozen=True, kw_only=True)
class Effects:
    """Effects, in the order in which they happen; a pair of numbers is (left, right).

    Attributes
    ----------
    defocus_px : tuple of float
        Standard deviation of the blur of each lens. [px]
    motion_px, motion_deg : float
        Length of the smear during the exposure, and its direction in the picture (0 along a row,
        90 down a column). [px, deg]
    vignetting : tuple of float
        Share of the light lost in the corners of each picture.
    veil : tuple of float
        Share of the light that dust on each lens scatters evenly over the picture.
    specks : tuple of int
        Dust specks on each lens: soft dark spots that stay at one place of the picture.
    exposure : float or None
        Grey levels per unit of radiance, of the full scale of 255; None: automatic, from both
        pictures together.
    gain_right : float
        Signal of the right picture against that of the left one.
    read_noise : float
        One standard deviation, without light. [grey levels of 255]
    shot_noise : float
        Variance per grey level of signal. [grey levels of 255]
    jpeg_quality : int or None
        1 to 100; None: not sent as JPEG.
    jpeg2000_ratio : float or None
        Size of the raw 8-bit picture over that of the file; None: not sent as JPEG 2000.
    lost_blocks : int
        Blocks of 16 x 16 pixels lost on the way, of each picture: they read 0.
    """

    defocus_px: tuple[float, float] = (0.0, 0.0)
    motion_px: float = 0.0
    motion_deg: float = 0.0
    vignetting: tuple[float, float] = (0.0, 0.0)
    veil: tuple[float, float] = (0.0, 0.0)
    specks: tuple[int, int] = (0, 0)
    exposure: float | None = None
    gain_right: float = 1.0
    read_noise: float = 0.6
    shot_noise: float = 0.0092
    jpeg_quality: int | None = None
    jpeg2000_ratio: float | None = None
    lost_blocks: int = 0

    def __post_init__(self) -> None:
        for name in _RANGES:
            _check_range(name, getattr(self, name))
        for name in ("exposure", "gain_right"):
            value = getattr(self, name)
            if value is not None and not 0 < value < math.inf:
                raise ValueError(f"{name} is above 0 and finite, got {value:g}")
        if self.jpeg_quality is not None and self.jpeg2000_ratio is not None:
            raise ValueError("a picture is sent as JPEG (jpeg_quality) or as JPEG 2000 "
                             "(jpeg2000_ratio), not as both")


@dataclass(frozen=True, kw_only=True, eq=False)
class ExposedPair:
    """A pair as it leaves the sensors.

    Attributes
    ----------
    left, right : ndarray of shape (H, W), uint8
        Grey levels.
    gain : float
        Grey levels per unit of radiance; the right picture has ``gain_right`` on top.
    """

    left: Grey
    right: Grey
    gain: float

    def __post_init__(self) -> None:
        for name in ("left", "right"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.uint8))


def expose_pair(
    left: Radiance, right: Radiance, effects: Effects, rng: np.random.Generator
) -> ExposedPair:
    """Take a pair: lens, exposure, noise, 8 bits.

    Parameters
    ----------
    left, right : ndarray of shape (H, W), float32
        Radiance that reaches each camera, already through its lens model.
    effects : Effects
        What happens to it.
    rng : numpy.random.Generator
        Specks and noise each have a generator of their own, spawned from it: turning an effect on
        leaves the noise of the rest as it was.

    Returns
    -------
    ExposedPair
    """
    left_dust, right_dust, left_noise, right_noise = rng.spawn(4)
    left_light = through_lens_effects(left, effects, 0, left_dust)
    right_light = through_lens_effects(right, effects, 1, right_dust)
    gain = effects.exposure
    if gain is None:
        gain = exposure_gain(left_light, right_light)
    return ExposedPair(
        left=expose(left_light, gain, effects, left_noise),
        right=expose(right_light, gain * effects.gain_right, effects, right_noise),
        gain=gain,
    )


def through_lens_effects(
    radiance: Radiance, effects: Effects, side: int, rng: np.random.Generator
) -> Radiance:
    """Defocus, motion, vignetting, veil and specks of the left (0) or right (1) lens, (H, W)."""
    light = defocus(radiance, effects.defocus_px[side])
    light = smear(light, effects.motion_px, effects.motion_deg)
    light = vignette(light, effects.vignetting[side])
    light = veil(light, effects.veil[side])
    dimmed = light * speck_transmission(light.shape, effects.specks[side], rng)
    return np.asarray(dimmed, dtype=np.float32)


def defocus(radiance: Radiance, sd_px: float) -> Radiance:
    """Blur by a Gaussian of ``sd_px``.

    The kernel is the discrete analogue of the Gaussian [1]_ (of the module), whose variance is
    ``sd_px``² for a small blur too, where samples of the Gaussian would blur too little.
    """
    if sd_px == 0:
        return radiance
    reach = math.ceil(5 * sd_px) + 2
    kernel = special.ive(np.arange(-reach, reach + 1), sd_px**2)
    return np.asarray(cv2.sepFilter2D(radiance, cv2.CV_32F, kernel / kernel.sum(),
                                      kernel / kernel.sum()), dtype=np.float32)


def smear(radiance: Radiance, length_px: float, direction_deg: float) -> Radiance:
    """Mean of the picture over its shifts along a line centred on each pixel."""
    if length_px == 0:
        return radiance
    kernel = smear_kernel(length_px, direction_deg)
    return np.asarray(cv2.filter2D(radiance, cv2.CV_32F, kernel), dtype=np.float32)


def smear_kernel(length_px: float, direction_deg: float) -> Floats:
    """Kernel of :func:`smear`, shape (n, n), sum 1: each part of a pixel by bilinear shares."""
    count = 16 * math.ceil(length_px)
    along = length_px * ((np.arange(count) + 0.5) / count - 0.5)
    reach = math.ceil(length_px / 2)
    angle = math.radians(direction_deg)
    cells = np.arange(-reach, reach + 1)
    rows, cols = (np.clip(1 - np.abs(cells[:, None] - along * ratio), 0.0, 1.0)
                  for ratio in (math.sin(angle), math.cos(angle)))
    return np.asarray(rows @ cols.T / count)


def vignette(radiance: Radiance, corner_loss: float) -> Radiance:
    """Darken by ``corner_loss`` times the square of the distance from the middle, 1 in a corner."""
    height, width = radiance.shape
    v = np.arange(height) - (height - 1) / 2
    u = np.arange(width) - (width - 1) / 2
    distance2 = (v[:, None] ** 2 + u**2) / (v[0] ** 2 + u[0] ** 2)
    return np.asarray(radiance * (1.0 - corner_loss * distance2), dtype=np.float32)


def veil(radiance: Radiance, share: float) -> Radiance:
    """Scatter ``share`` of the light evenly over the picture; its mean stays."""
    mean = radiance.mean(dtype=np.float64)
    return np.asarray((1.0 - share) * radiance + share * mean, dtype=np.float32)


def speck_transmission(shape: tuple[int, ...], count: int, rng: np.random.Generator) -> Floats:
    """Share of the light that a dusty lens lets through, (H, W).

    Each speck is a soft disc (cos²) anywhere in the picture, 5 to 25 px in radius, that takes 10
    to 60 % in its middle. More specks leave the first ones where they are.
    """
    height, width = shape
    v, u = np.arange(height)[:, None], np.arange(width)
    transmission = np.ones(shape)
    for row, col, size, depth in rng.uniform(size=(count, 4)):
        radius = np.interp(size, (0, 1), _SPECK_RADIUS_PX)
        distance = np.hypot(v - row * (height - 1), u - col * (width - 1)) / radius
        dip = np.interp(depth, (0, 1), _SPECK_DIP)
        transmission *= 1.0 - dip * np.cos(np.pi / 2 * np.minimum(distance, 1.0)) ** 2
    return transmission


def exposure_gain(left: Radiance, right: Radiance) -> float:
    """Grey levels per unit of radiance, the same for both pictures.

    The mean of the lower two thirds becomes ``TARGET_GREY``, unless the brightest two per cent of
    these would then pass ``BRIGHTEST_GREY``. 1 for two pictures without any light.
    """
    ground = np.concatenate([p[p.shape[0] // 3 :].ravel() for p in (left, right)])
    mean, bright = float(ground.mean(dtype=np.float64)), float(np.percentile(ground, 98))
    if mean <= 0:
        return 1.0
    return min(TARGET_GREY / mean, BRIGHTEST_GREY / bright if bright > 0 else math.inf)


def expose(
    radiance: Radiance, gain: float, effects: Effects, rng: np.random.Generator
) -> Grey:
    """Expose a picture with ``gain`` grey levels per radiance: shot and read noise, then 8 bits."""
    signal = np.maximum(radiance.astype(np.float64) * gain, 0.0)
    sigma = np.sqrt(effects.shot_noise * signal + effects.read_noise**2)
    noisy = signal + sigma * rng.standard_normal(signal.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def encode_picture(grey: Grey, effects: Effects, rng: np.random.Generator) -> tuple[str, bytes]:
    """Encode a picture as it is sent down, in memory.

    With lost blocks the file is what the decoder on the ground writes: a PNG of the picture that
    went through the compression, with 0 in the blocks that did not arrive.

    Parameters
    ----------
    grey : ndarray of shape (H, W), uint8
        Picture of one camera.
    effects : Effects
        Compression and lost blocks.
    rng : numpy.random.Generator
        Draws the lost blocks; not touched otherwise.

    Returns
    -------
    suffix : str
        ``.jpg``, ``.jp2`` or, without loss and after lost blocks, ``.png``.
    data : bytes
        Content of the file.

    Raises
    ------
    ValueError
        If more blocks are to be lost than the picture has.
    """
    suffix, data = _compress(grey, effects)
    if effects.lost_blocks == 0:
        return suffix, data
    received = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    return _png(lose_blocks(np.asarray(received, dtype=np.uint8), effects.lost_blocks, rng))


def lose_blocks(grey: Grey, count: int, rng: np.random.Generator) -> Grey:
    """Return a copy with ``count`` whole blocks of 16 x 16 px, aligned to that grid, set to 0.

    Pixels right of and below the last whole block are never lost. ValueError if there are fewer
    blocks than ``count``.
    """
    rows, cols = (size // LOST_BLOCK_PX for size in grey.shape)
    if count > rows * cols:
        raise ValueError(f"{count} lost blocks in a picture of {rows * cols} blocks")
    lost = np.zeros(rows * cols, dtype=np.bool_)
    lost[rng.choice(lost.size, count, replace=False)] = True
    pixels = np.kron(lost.reshape(rows, cols), np.ones((LOST_BLOCK_PX, LOST_BLOCK_PX), np.bool_))
    out = grey.copy()
    out[: pixels.shape[0], : pixels.shape[1]][pixels] = 0
    return out


def _compress(grey: Grey, effects: Effects) -> tuple[str, bytes]:
    if effects.jpeg_quality is not None:
        return _encode(".jpg", grey, cv2.IMWRITE_JPEG_QUALITY, effects.jpeg_quality)
    if effects.jpeg2000_ratio is not None:
        return _encode(".jp2", grey, cv2.IMWRITE_JPEG2000_COMPRESSION_X1000,
                       round(1000 / effects.jpeg2000_ratio))
    return _png(grey)


def _png(grey: Grey) -> tuple[str, bytes]:
    return _encode(".png", grey, cv2.IMWRITE_PNG_COMPRESSION, 9)


def _encode(suffix: str, grey: Grey, parameter: int, value: int) -> tuple[str, bytes]:
    done, data = cv2.imencode(suffix, grey, [parameter, value])
    if not done:
        raise RuntimeError(f"OpenCV could not encode a {suffix} picture")
    return suffix, data.tobytes()
