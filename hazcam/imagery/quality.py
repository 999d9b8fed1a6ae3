"""How good a picture is: exposure, blur and noise, each as one number to follow over a campaign.

*Blur* is the perceptual blur of Crete et al. [1]_: the picture is blurred once more, along each
axis by the mean of 11 pixels, and what that takes from the steps between neighbours says how sharp
they were. 0 is sharp, 1 blurred; it is a measure of the picture, not of the lens alone: ground
without fine texture reads higher, noise lower. Compare pictures of like ground. As a scale, a
Gaussian blur of so many pixels on a picture of independent grey levels (nothing could be sharper)
and the same with grey levels that hold for 3 x 3 pixels:

====================  ====  ====  ====  ====  ====
sigma [px]               0   0.5     1     2     4
====================  ====  ====  ====  ====  ====
independent           0.12  0.14  0.19  0.33  0.63
3 x 3 alike           0.15  0.19  0.24  0.35  0.64
====================  ====  ====  ====  ====  ====

Only usable pixels are asked, with all that the filters reach from them usable too: the outline of
lost blocks is as sharp as any. ``skimage.measure.blur_effect``, which has no mask, gives the same
number where the whole picture is usable.

References
----------
.. [1] F. Crete, T. Dolmiere, P. Ladret and M. Nicolas, "The blur effect: perception and estimation
   with a new no-reference perceptual blur metric," Proc. SPIE 6492, 64920I, 2007,
   doi:10.1117/12.702790. (As scikit-image computes it.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.imagery.intake import Intake, Mask, full_scale
from hazcam.imagery.noise import NoiseModel
from hazcam.imagery.pair import Picture, StereoPair

_AGAIN_PX = 11  # length of the mean, as published
# Pixels that the blur is found from, at least: a fiftieth of the picture says little of the rest.
LEAST_PIXELS, LEAST_SHARE = 1000, 0.02

Plane = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class PictureQuality:
    """The quality of one picture.

    Attributes
    ----------
    mean_grey : float
        Of the usable pixels; NaN where none is. [grey levels of an 8-bit picture]
    saturated, dark, lost : float
        Shares of the pixels, 0 to 1.
    blur : float
        0 sharp to 1 (Crete et al. 2007); NaN where too little is usable.
    noise_grey : float
        One standard deviation of a pixel at ``mean_grey``, by the noise of the pair. [grey levels
        of an 8-bit picture]
    """

    mean_grey: float
    saturated: float
    dark: float
    lost: float
    blur: float
    noise_grey: float

    def __post_init__(self) -> None:
        for name in ("saturated", "dark", "lost"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} is a share from 0 to 1, got {getattr(self, name)!r}")
        if self.blur < 0 or self.blur > 1:
            raise ValueError(f"blur is from 0 to 1, or NaN, got {self.blur!r}")


def picture_quality(pair: StereoPair, intake: Intake) -> dict[str, PictureQuality]:
    """The quality of each picture of a pair, by side; a missing picture has no entry.

    Parameters
    ----------
    pair : StereoPair
        As read.
    intake : Intake
        Of that pair, from ``check_pictures``.
    """
    to_grey = 255.0 / full_scale(pair)
    found = {}
    for side, picture, usable in (("left", pair.left, intake.left_usable),
                                  ("right", pair.right, intake.right_usable)):
        if picture is not None and usable is not None:
            found[side] = _quality(picture, usable, to_grey, intake.shares[side], intake.noise)
    return found


def _quality(
    picture: Picture, usable: Mask, to_grey: float, shares: dict[str, float], noise: NoiseModel
) -> PictureQuality:
    mean = float(picture[usable].mean()) * to_grey if usable.any() else math.nan
    sigma = float(noise.sigma_grey(mean)) if usable.any() else math.nan
    return PictureQuality(mean_grey=mean, blur=blur(picture, usable), noise_grey=sigma, **shares)


def blur(picture: Picture, usable: Mask) -> float:
    """Perceptual blur of the usable part of a picture, 0 sharp to 1; NaN where that is too little.

    The larger one of the blur along rows and along columns, as published. A factor of brightness
    changes nothing.

    Parameters
    ----------
    picture : ndarray of shape (H, W), uint8 or uint16
        The unit does not matter.
    usable : ndarray of shape (H, W), bool
        The pixels that count.
    """
    plane = picture.astype(np.float32)
    return max(_blur_along(plane, usable), _blur_along(plane.T, usable.T), key=_nan_first)


def _nan_first(value: float) -> float:
    return math.inf if math.isnan(value) else value


def _blur_along(plane: Plane, usable: Mask) -> float:
    """Share of the steps along the rows that another blur along them leaves."""
    asked = _all_usable(usable)
    if asked.sum() < max(LEAST_PIXELS, LEAST_SHARE * asked.size):
        return math.nan
    plane = np.ascontiguousarray(plane)
    again = np.asarray(cv2.blur(plane, (_AGAIN_PX, 1), borderType=cv2.BORDER_REFLECT), np.float32)
    sharp, blurred = _steps(plane)[asked], _steps(again)[asked]
    total = float(sharp.sum(dtype=np.float64))
    return float(np.minimum(sharp, blurred).sum(dtype=np.float64)) / total if total else math.nan


def _steps(plane: Plane) -> Plane:
    """Size of the Sobel gradient along the rows."""
    return np.abs(cv2.Sobel(plane, cv2.CV_32F, 1, 0, ksize=3, borderType=cv2.BORDER_REFLECT))


def _all_usable(usable: Mask) -> Mask:
    """Pixels of which all that the two filters reach is usable; the rim as scikit-image cuts it."""
    reach = np.ones((3, _AGAIN_PX + 2), np.uint8)
    whole = cv2.erode(np.ascontiguousarray(usable, dtype=np.uint8), reach,
                      borderType=cv2.BORDER_CONSTANT, borderValue=1)
    inside = np.zeros(usable.shape, dtype=np.bool_)
    inside[2:-1, 2:-1] = whole[2:-1, 2:-1] > 0
    return inside
