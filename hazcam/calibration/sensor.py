"""The rig of a picture that is a window of the sensor, or binned.

A pixel centre is an integer, so the left edge of the sensor is at -0.5; binning by b takes the
edge -0.5 to -0.5: ``cx' = (cx - column + 0.5) / b - 0.5``, ``fx' = fx / b``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hazcam.calibration.checks import rig_digest
from hazcam.calibration.rig import StereoRig
from hazcam.errors import PairError, RigError
from hazcam.frames import Floats
from hazcam.imagery.pair import Window


def _moved(K: Floats, column: int, row: int, binning: int) -> Floats:
    moved = K.copy()
    moved[:2, :2] /= binning
    moved[0, 2] = (K[0, 2] - column + 0.5) / binning - 0.5
    moved[1, 2] = (K[1, 2] - row + 0.5) / binning - 0.5
    return moved


def _scaled_covariance(covariance: Floats | None, binning: int) -> Floats | None:
    """Pixels of the eight numbers of K1 and K2 become larger; all others stay."""
    if covariance is None:
        return None
    scale = np.ones(len(covariance))
    scale[:8] = 1.0 / binning
    return np.asarray(covariance * np.outer(scale, scale))


def _place(rig: StereoRig, where: str) -> str:
    """The pair, where it is known, and the rig."""
    return ", ".join(name for name in (where, rig.source or rig.name) if name)


def _check_window(window: Window, rig: StereoRig, where: str) -> None:
    width, height = rig.size
    right, bottom = window.column + window.width, window.row + window.height
    if min(window.column, window.row) < 0 or right > width or bottom > height:
        raise PairError(
            f"{_place(rig, where)}: window",
            f"columns {window.column} to {right}, rows {window.row} to {bottom}",
            f"a window inside the calibrated picture of {width} x {height} px",
            "correct `window` in the sidecar, or give the rig of this sensor",
        )


def crop_and_bin(
    rig: StereoRig, window: Window | None, binning: int = 1, *, where: str = ""
) -> StereoRig:
    """Move and scale a rig to pictures that are a window of the sensor, binned, or both.

    Parameters
    ----------
    rig : StereoRig
        Of the whole sensor.
    window : Window or None
        The part that was sent, in pixels of the calibrated picture; None for the whole.
    binning : int
        Sensor pixels per picture pixel along each axis; pixels left over at the right and lower
        edge are dropped.
    where : str, optional
        The pair, for messages.

    Returns
    -------
    StereoRig
        K moved and scaled, size and covariance with them. Distortion, R, T and mount do not depend
        on the pixels. Read noise and noise gain are kept: the noise is no more than that, where
        binning averages (b² pixels of one signal have 1 / b² of its variance).

    Raises
    ------
    PairError
        A window beyond the sensor, a binning below 1.
    """
    window = window or Window(column=0, row=0, width=rig.size[0], height=rig.size[1])
    _check_window(window, rig, where)
    if binning < 1 or min(window.width, window.height) < binning:
        raise PairError(
            f"{_place(rig, where)}: binning",
            f"{binning} of a window of {window.width} x {window.height} px",
            "a whole number of 1 or more, no more than the window", "correct it in the sidecar",
        )
    moved = replace(
        rig,
        size=(window.width // binning, window.height // binning),
        K1=_moved(rig.K1, window.column, window.row, binning),
        K2=_moved(rig.K2, window.column, window.row, binning),
        covariance=_scaled_covariance(rig.covariance, binning),
    )
    return replace(moved, digest=rig_digest(moved))


def rig_for(
    pair_size: tuple[int, int], window: Window | None, binning: int, rig: StereoRig, *,
    where: str = "",
) -> StereoRig:
    """Return the rig that fits pictures of ``pair_size``.

    Parameters
    ----------
    pair_size : tuple of int
        (width, height) of the pictures. [px]
    window, binning
        What the sidecar says; None and 1 for the whole sensor.
    rig : StereoRig
        As calibrated.
    where : str, optional
        The pair (one of its pictures), for messages.

    Raises
    ------
    RigError
        The sizes differ, and the sidecar names no window or binning.
    PairError
        The window or binning does not give pictures of this size.
    """
    if window is None and binning == 1:
        if pair_size == rig.size:
            return rig
        raise RigError(
            _place(rig, where),
            f"calibrated at {rig.size[0]} x {rig.size[1]} px, the pictures are "
            f"{pair_size[0]} x {pair_size[1]} px",
            "pictures of the calibrated size",
            "give `window` or `binning` in the sidecar if the pictures are a part of the sensor "
            "or binned, or calibrate at their size",
        )
    fitted = crop_and_bin(rig, window, binning, where=where)
    if fitted.size != pair_size:
        raise PairError(
            f"{_place(rig, where)}: window, binning",
            f"give pictures of {fitted.size[0]} x {fitted.size[1]} px, but these are "
            f"{pair_size[0]} x {pair_size[1]} px",
            "a window and binning that fit the pictures",
            "correct `window` (its size is before binning) and `binning` in the sidecar",
        )
    return fitted
