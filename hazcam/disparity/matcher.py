"""What every matcher is: a name, and a function from two pictures and a band to a map."""

from __future__ import annotations

from typing import Protocol

from hazcam.disparity.band import SearchBand
from hazcam.disparity.record import DisparityMap
from hazcam.imagery.noise import NoiseModel
from hazcam.rectification import RectifiedPair


class Matcher(Protocol):
    """A stereo matcher. It must be deterministic and must not fill what it cannot match."""

    @property
    def name(self) -> str:
        """Name and settings, for the record."""
        ...

    def match(self, rectified: RectifiedPair, band: SearchBand, noise: NoiseModel) -> DisparityMap:
        """Match the left picture into the right one.

        Parameters
        ----------
        rectified : RectifiedPair
            The pictures.
        band : SearchBand
            The disparities to search.
        noise : NoiseModel
            The noise of the pictures.
        """
        ...
