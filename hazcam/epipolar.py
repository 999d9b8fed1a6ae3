"""EpipolarResidual: do features lie on their row, or did the rig move since its calibration?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hazcam.alignment import VerticalOffset, align, fit_vertical_offset
from hazcam.errors import PairError
from hazcam.frames import View
from hazcam.imagery.intake import PixelState
from hazcam.imagery.noise import NoiseModel
from hazcam.rectification import RectifiedPair
from hazcam.tracks import Tracks, exchanged, track_features

# Largest offset anywhere in the picture. The matcher would stand more: with 1.5 px taken out, its
# errors and the heights are what they were (rendered scenes). But rows hardly show how far a camera
# turned sideways, and one that nodded or rolled by this much may have done that as well: 1 px of
# disparity lifts or sinks the ground ahead by 5 mm (rendered scenes, cameras 0.17 m up, 0.10 m
# apart), half of what an attitude known to 0.5 degrees leaves open at 1 m.
MAX_EPIPOLAR_OFFSET_PX = 1.0
# Spread about the fit, which stays in the pictures: beyond half a pixel the matcher's gross errors
# multiply (our own measurement on public pairs). The tracker alone spreads by 0.05 to 0.2 px, by
# 0.5 px on a blank board.
MAX_EPIPOLAR_SPREAD_PX = 0.6
# A larger sigma of the offset somewhere in the picture leaves its limit untested: within it, two
# sigma are not beyond the limit where there is no offset.
MAX_EPIPOLAR_SIGMA_PX = MAX_EPIPOLAR_OFFSET_PX / 2
MIN_EPIPOLAR_FEATURES = 30
# In rendered scenes 70 to 99 % of the features sought are found, in hard noise 40 %; on a board of
# equal squares that lies 10 px off its rows chance finds 10 to 30 %.
MIN_EPIPOLAR_SHARE = 1 / 3
# Smaller offsets are let be: they cost nothing, resampling does.
LEAST_CORRECTED_PX = 0.05

# With a smaller share of the features found, they are also sought farther off their rows.
_DOUBTFUL_SHARE = 0.5


@dataclass(frozen=True, kw_only=True, eq=False)
class EpipolarResidual:
    """Vertical offset between the rectified pictures: is the rig still itself?

    Attributes
    ----------
    count, sought : int
        Features tracked from left to right and back, and those with a likely counterpart.
    median_px : float
        Their median offset, right minus left. [px] NaN without features.
    offset : VerticalOffset or None
        The fit to them; None where they are too few for one.
    largest_px, largest_sigma_px : float
        Largest offset of the fit, either way, where the right picture is usable, and the largest
        standard deviation there. [px] NaN without a fit.
    """

    count: int
    sought: int
    median_px: float
    offset: VerticalOffset | None
    largest_px: float
    largest_sigma_px: float

    @property
    def spread_px(self) -> float:
        """1.4826 times the median absolute residual after the fit. [px] NaN without one."""
        return float("nan") if self.offset is None else self.offset.spread_px

    @property
    def checked(self) -> bool:
        """Were there enough features, in enough of the picture, to tell the side of the limits?

        Offsets that disagree, or one that lies three sigma beyond the limit, tell it as well.
        """
        if self.count < MIN_EPIPOLAR_FEATURES or self.offset is None:
            return False
        if self.spread_px > MAX_EPIPOLAR_SPREAD_PX:
            return True
        beyond_px = self.largest_px - MAX_EPIPOLAR_OFFSET_PX
        return (self.count >= MIN_EPIPOLAR_SHARE * self.sought
                and self.largest_sigma_px <= max(MAX_EPIPOLAR_SIGMA_PX, beyond_px / 3))

    @property
    def matches_calibration(self) -> bool:
        """True only where the features lie near enough to their row, or can be moved there."""
        return (self.checked and self.largest_px <= MAX_EPIPOLAR_OFFSET_PX
                and self.spread_px <= MAX_EPIPOLAR_SPREAD_PX)

    @property
    def corrected(self) -> bool:
        """Is the offset taken out before matching?"""
        return (self.matches_calibration and self.largest_px >= LEAST_CORRECTED_PX
                and self.offset is not None and self.offset.significant)


def check_epipolar(
    rectified: RectifiedPair, view: View, noise: NoiseModel, *, name: str = "pair"
) -> EpipolarResidual:
    """Track features from left to right and fit their vertical offset.

    Parameters
    ----------
    rectified : RectifiedPair
        As rectified by the calibration.
    view : View
        Where the floor is expected.
    noise : NoiseModel
        Noise of a pixel.
    name : str
        Of the pair, for the error.

    Raises
    ------
    PairError
        If hardly any feature is found to the left of its place, as in a stereo pair, but many
        to the right of it: the pictures are swapped.
    """
    found = residual_of(rectified, track_features(rectified, view, noise))
    doubtful = found.count < _DOUBTFUL_SHARE * found.sought
    if doubtful or not found.checked or found.spread_px > MAX_EPIPOLAR_SPREAD_PX:
        farther = residual_of(rectified, track_features(rectified, view, noise, far_off_rows=True))
        found = max(found, farther, key=_count)
    if found.count < MIN_EPIPOLAR_FEATURES:
        swapped = track_features(exchanged(rectified), view, noise)
        if swapped.count >= 3 * max(MIN_EPIPOLAR_FEATURES, found.count):
            raise PairError(
                name, f"{found.count} features match as given, {swapped.count} with the pictures "
                "exchanged", "the first picture from the left camera, the second from the right",
                "exchange the two pictures",
            )
    return found


def residual_of(rectified: RectifiedPair, tracks: Tracks) -> EpipolarResidual:
    """The vertical offset that features show."""
    offset = fit_vertical_offset(tracks, rectified.camera)
    largest, sigma = _largest(offset, rectified)
    return EpipolarResidual(
        count=tracks.count, sought=tracks.sought, offset=offset, largest_px=largest,
        largest_sigma_px=sigma,
        median_px=float(np.median(tracks.offsets_px)) if tracks.count else float("nan"),
    )


def _count(residual: EpipolarResidual) -> int:
    return residual.count


def _largest(offset: VerticalOffset | None, rectified: RectifiedPair) -> tuple[float, float]:
    """Largest offset and largest sigma where the right picture is usable. [px]"""
    usable = rectified.view.valid_right & (rectified.state_right == PixelState.USABLE)
    if offset is None or not usable.any():
        return float("nan"), float("nan")
    # Both are convex in the pixel: the ends of the rows hold the largest.
    rows = np.flatnonzero(usable.any(axis=1))
    first = usable[rows].argmax(axis=1)
    last = usable.shape[1] - 1 - usable[rows, ::-1].argmax(axis=1)
    columns, rows = np.concatenate([first, last]), np.concatenate([rows, rows])
    return (float(np.abs(offset.at(columns, rows)).max()),
            float(offset.sigma_at(columns, rows).max()))


def correct_offset(rectified: RectifiedPair, residual: EpipolarResidual) -> RectifiedPair:
    """The pair with the offset taken out; the same pair where none is to be corrected."""
    if not residual.corrected or residual.offset is None:
        return rectified
    return align(rectified, residual.offset)
