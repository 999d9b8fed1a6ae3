"""StereoPair: two pictures taken at the same moment, and what was said about them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Attitude, read_only

Picture = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, kw_only=True)
class Window:
    """The part of the sensor that was sent, in pixels of the calibrated picture.

    ``column`` and ``row`` are the first pixel sent; ``width`` and ``height`` the size before
    binning.
    """

    column: int
    row: int
    width: int
    height: int


@dataclass(frozen=True, kw_only=True, eq=False)
class StereoPair:
    """Two pictures of one moment, grey, as sent by the cameras (not rectified).

    Attributes
    ----------
    id : str
        Name of the pair; the folder of its results.
    left, right : ndarray of shape (H, W), uint8 or uint16, or None
        The pictures; None for one that is missing. At least one is there.
    digest : str
        SHA-256 over the pixels of both pictures.
    attitude : Attitude or None
        None where the rover did not say.
    window : Window or None
        The part of the sensor that was sent; None for the whole.
    binning : int
        Sensor pixels per picture pixel along each axis.
    details : dict
        What else the sidecar says, as read (``taken_at``, ``site``, ``exposure_s``, ...).
    notes : tuple of str
        What was converted on reading ("colour converted to grey").
    left_name, right_name : str
        Where each picture came from, for messages.
    """

    id: str
    left: Picture | None
    right: Picture | None
    digest: str
    attitude: Attitude | None = None
    window: Window | None = None
    binning: int = 1
    details: dict[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    left_name: str = "left picture"
    right_name: str = "right picture"

    def __post_init__(self) -> None:
        pictures = [p for p in (self.left, self.right) if p is not None]
        if not pictures:
            raise ValueError("a StereoPair needs at least one picture")
        for picture in pictures:
            if picture.ndim != 2 or picture.dtype not in (np.uint8, np.uint16):
                raise ValueError(
                    f"pictures are (H, W) uint8 or uint16, got {picture.shape} {picture.dtype}"
                )
        for name in ("left", "right"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) of the pictures. [px]"""
        picture = self.left if self.left is not None else self.right
        assert picture is not None  # __post_init__ saw to it
        return picture.shape[1], picture.shape[0]
