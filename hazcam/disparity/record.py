"""DisparityMap: how far each pixel of the left picture moved, how sure, and why not."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import read_only


class Blank(IntEnum):
    """Why a pixel has no disparity."""

    MATCHED = 0
    EDGE = 1  # its ground lies outside the valid area of the other picture
    LOST = 2  # data lost on the way
    SATURATED = 3
    DARK = 4  # too dark for its noise
    NO_TEXTURE = 5  # no horizontal contrast above the noise
    OUT_OF_RANGE = 6  # the best match lies where the search was cut short
    DISAGREE = 7  # left-to-right and right-to-left differ: occluded or mismatched
    ISOLATED = 8  # a patch of matches too small to trust
    AMBIGUOUS = 9  # another place matches about as well
    UNCERTAIN = 10  # the match says less than where its neighbours are


BLANK_WORDS: dict[Blank, str] = {
    Blank.MATCHED: "matched",
    Blank.EDGE: "edge of picture",
    Blank.LOST: "lost data",
    Blank.SATURATED: "saturated",
    Blank.DARK: "too dark",
    Blank.NO_TEXTURE: "no texture",
    Blank.OUT_OF_RANGE: "out of range",
    Blank.DISAGREE: "left and right disagree",
    Blank.ISOLATED: "isolated match",
    Blank.AMBIGUOUS: "ambiguous",
    Blank.UNCERTAIN: "too uncertain",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class DisparityMap:
    """Disparity ``d = x_left - x_right`` on the rectified left picture.

    Attributes
    ----------
    disparity_px : ndarray of shape (H, W), float32
        NaN where there is no match. [px]
    sigma_px : ndarray of shape (H, W), float32
        One standard deviation; NaN where ``disparity_px`` is NaN. [px]
    blank : ndarray of shape (H, W), uint8
        ``Blank`` of each pixel; ``MATCHED`` exactly where there is a disparity.
    matcher : str
        Name of the matcher and its settings.
    """

    disparity_px: NDArray[np.float32]
    sigma_px: NDArray[np.float32]
    blank: NDArray[np.uint8]
    matcher: str

    def __post_init__(self) -> None:
        shape = self.disparity_px.shape
        if self.sigma_px.shape != shape or self.blank.shape != shape:
            raise ValueError("disparity, sigma and blank of a DisparityMap differ in shape")
        known = np.isfinite(self.disparity_px)
        if not np.array_equal(known, self.blank == Blank.MATCHED):
            raise ValueError("a pixel is MATCHED exactly where it has a disparity")
        if not np.array_equal(known, np.isfinite(self.sigma_px)):
            raise ValueError("a pixel has a sigma exactly where it has a disparity")
        if np.any(self.sigma_px[known] <= 0):
            raise ValueError("the sigma of a disparity is positive")
        for name in ("disparity_px", "sigma_px", "blank"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def matched_share(self) -> float:
        """Share of pixels with a disparity."""
        return float(np.mean(self.blank == Blank.MATCHED))

    def blank_shares(self) -> dict[str, float]:
        """Share of all pixels by state, in words."""
        counts = np.bincount(self.blank.ravel(), minlength=len(Blank)) / self.blank.size
        return {BLANK_WORDS[reason]: float(counts[reason]) for reason in Blank}
