"""A look at how two pictures fit each other, and which pairings of a sequence are wrong.

Far cheaper than an assessment: pictures are reduced, features tracked once along their rows, and
neighbours are looked at only where a pair itself does not look right.

Pure: pictures come as arrays.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.assess import view_of
from hazcam.calibration import StereoRig, noise_of, rig_for
from hazcam.campaign.manifest.finding import Finding
from hazcam.epipolar import (
    MAX_EPIPOLAR_OFFSET_PX,
    MAX_EPIPOLAR_SPREAD_PX,
    MIN_EPIPOLAR_FEATURES,
    MIN_EPIPOLAR_SHARE,
    residual_of,
)
from hazcam.errors import HazcamError
from hazcam.frames import Floats
from hazcam.imagery import Picture, Sidecar, check_pictures, pair_from_arrays
from hazcam.rectification import RectifiedPair, rectify
from hazcam.settings import Settings
from hazcam.tracks import Tracks, exchanged, track_features

# Longer side of the pictures that are looked at, at most; all are reduced to a half at least. At
# 320 x 240, pairs of 54 rendered scenes have 46 features and more, 38 % and more of those sought
# (all but one 64 %), spread by 0.04 to 0.3 px of the whole picture; pictures of different scenes
# have 31 at most, 16 % at most.
LOOKED_SIZE_PX = 640
# A pair looks right, and its neighbours are not asked: inside of what those scenes have.
_RIGHT_SHARE = 0.6
_RIGHT_SPREAD_PX = 0.3
# No pair: between the 16 % of different scenes and the 38 % of pairs.
_NO_PAIR_SHARE = 0.25
_FEWEST_SOUGHT = 60
# A pairing is clearly better with so many times the features (after 2 cm forward, rendered ground,
# 37 % of the features are left, after 5 cm a quarter), or with hardly fewer features that spread by
# half (after a turn by 1 degree all are left, and spread ten times as much).
_MORE = 2.0
_HARDLY_FEWER = 0.8
_HALF = 0.5
# Left and right picture of those scenes, their cameras' gains included, differ in brightness at the
# same features by factors of 0.85 to 1.22.
_ALIKE_BRIGHTNESS = 1.3
_FEWEST_FOR_USUAL = 5
# Rows are off in all pairs where the rig drifted, but in those that slipped only where frames did;
# so a low quantile is the rig's, even where most slipped.
_LOW = 0.25
_BLUR_PX = (9, 9)

Direction = Literal["late", "early"]
Slip = Direction | Literal["exchanged"]


@dataclass(frozen=True, kw_only=True)
class StereoLook:
    """How the features of two pictures fit.

    Attributes
    ----------
    count, sought : int
        Features found along their rows, and those with a likely counterpart.
    spread_px : float
        About the fitted offset of rows, of the whole picture. [px] NaN without a fit.
    off_rows_px : float
        Largest offset of the fit, of the whole picture. [px] NaN without a fit.
    brightness : float
        Left over right picture, median at the features. NaN without any.
    swapped : bool
        Far more features are found with the two pictures exchanged.
    """

    count: int
    sought: int
    spread_px: float
    off_rows_px: float
    brightness: float
    swapped: bool = False

    @property
    def share(self) -> float:
        """Of the features sought, those found."""
        return self.count / max(1, self.sought)

    def looks_right(self, usual_off_px: float) -> bool:
        """Is it a pair beyond doubt, as far as this look goes?"""
        return (self.count >= MIN_EPIPOLAR_FEATURES and self.share >= _RIGHT_SHARE
                and self.spread_px <= _RIGHT_SPREAD_PX
                and self.off_rows_px <= usual_off_px + MAX_EPIPOLAR_OFFSET_PX)

    def clearly_better(self, other: StereoLook, usual_off_px: float) -> bool:
        """Do these two pictures belong together rather than those?"""
        if self.count < MIN_EPIPOLAR_FEATURES or self.share < MIN_EPIPOLAR_SHARE:
            return False
        if self.count >= _MORE * other.count:
            return True
        if self.count < _HARDLY_FEWER * other.count or math.isnan(self.spread_px):
            return False
        # Rows that are off alike in all pairs are the rig's; only what is beyond that counts.
        nearer = (max(usual_off_px, self.off_rows_px) + MAX_EPIPOLAR_OFFSET_PX < other.off_rows_px
                  and self.spread_px <= other.spread_px)
        return self.spread_px <= _HALF * other.spread_px or nearer


@dataclass(frozen=True, kw_only=True)
class Looked:
    """A pair of a sequence as it is paired; None where it could not be looked at."""

    id: str
    look: StereoLook | None


def reduction(size: tuple[int, int]) -> int:
    """By how much pictures of (width, height) are reduced. [px]"""
    return max(2, math.ceil(max(size) / LOOKED_SIZE_PX))


def reduced(picture: Picture, k: int) -> Picture:
    """Means of k x k pixels; what is left over at the right and below is cut off."""
    height, width = (n // k for n in picture.shape)
    cut = picture[: height * k, : width * k].astype(np.float32)
    means = np.rint(cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA))
    return means.astype(np.uint16) if picture.dtype == np.uint16 else means.astype(np.uint8)


def look_at(
    left: Picture, right: Picture, k: int, about: Sidecar, rig: StereoRig
) -> StereoLook:
    """Track features from left to right.

    Parameters
    ----------
    left, right : ndarray of shape (H, W), uint8 or uint16
        Reduced by ``k``.
    k : int
        From ``reduction``.
    about : Sidecar
        Of the left picture: window, binning and attitude.
    rig : StereoRig
        Of the whole sensor.

    Raises
    ------
    HazcamError
        Pictures of two sizes, of no use, or not of the rig's size.
    """
    pair = pair_from_arrays(left, right, attitude=about.attitude, window=about.window,
                            binning=k * about.binning)
    fitted = rig_for(pair.size, pair.window, pair.binning, rig)
    view, intake = view_of(pair.attitude, fitted, Settings()), check_pictures(pair)
    rectified, noise = rectify(pair, fitted, intake), noise_of(intake, fitted)
    tracks = track_features(rectified, view, noise)
    found = residual_of(rectified, tracks)
    swapped = False
    if found.count < MIN_EPIPOLAR_FEATURES:
        other = track_features(exchanged(rectified), view, noise)
        swapped = other.count >= 3 * max(MIN_EPIPOLAR_FEATURES, found.count)
    return StereoLook(count=found.count, sought=found.sought, spread_px=k * found.spread_px,
                      off_rows_px=k * found.largest_px, brightness=_brightness(rectified, tracks),
                      swapped=swapped)


def _brightness(rectified: RectifiedPair, tracks: Tracks) -> float:
    """Left over right picture, median over the features; NaN without any."""
    if not tracks.count:
        return float("nan")
    left, right = (cv2.blur(p, _BLUR_PX) for p in (rectified.left, rectified.right))
    at_left = _values(left, tracks.rows, tracks.columns + tracks.disparities_px)
    at_right = _values(right, tracks.rows + tracks.offsets_px, tracks.columns)
    return float(np.median(np.maximum(at_left, 1) / np.maximum(at_right, 1)))


def _values(picture: NDArray[Any], rows: Floats, columns: Floats) -> NDArray[Any]:
    height, width = picture.shape
    return np.asarray(picture[np.clip(np.rint(rows).astype(int), 0, height - 1),
                              np.clip(np.rint(columns).astype(int), 0, width - 1)])


# --- a sequence ----------------------------------------------------------------------------------


def in_order(name: str) -> tuple[tuple[int, int | str], ...]:
    """Key that sorts ``beach-2`` before ``beach-10``.

    Examples
    --------
    >>> sorted(["b-10", "b-2"], key=in_order)
    ['b-2', 'b-10']
    """
    return tuple((0, int(part)) if part.isdecimal() else (1, part)
                 for part in re.split(r"(\d+)", name) if part)


def findings_of(
    sequence: Sequence[Looked], between: Callable[[int, int], StereoLook | None]
) -> list[Finding]:
    """What is wrong with the pairs of a sequence of one rig.

    Parameters
    ----------
    sequence : sequence of Looked
        In the order in which they were taken.
    between : callable
        The look at the left picture of pair i with the right one of pair j; asked for only where
        the pairs themselves do not look right.

    Returns
    -------
    list of Finding
        Frames that slipped, exchanged pictures, pictures that are not of one moment, and unequal
        exposure.
    """
    off_px = _usual([item.look.off_rows_px for item in sequence if item.look is not None], 0.0,
                    quantile=_LOW)
    right = [item.look is not None and item.look.looks_right(off_px) for item in sequence]
    slipped = _slipped(sequence, between, right, off_px)
    found = [*_exchanged_frames(sequence, slipped), *_runs(sequence, slipped, right)]
    bright = [item.look.brightness for item, good in zip(sequence, right, strict=True)
              if good and item.look is not None]
    usual = _usual(bright, 1.0, quantile=0.5)
    for item, good, direction in zip(sequence, right, slipped, strict=True):
        if item.look is None or direction is not None:
            continue
        found.extend(_exposure(item.id, item.look, usual) if good
                     else _doubts(item.id, item.look, off_px))
    return found


def _usual(values: Sequence[float], otherwise: float, *, quantile: float) -> float:
    known = [value for value in values if math.isfinite(value)]
    return float(np.quantile(known, quantile)) if len(known) >= _FEWEST_FOR_USUAL else otherwise


def _slipped(
    sequence: Sequence[Looked], between: Callable[[int, int], StereoLook | None],
    right: Sequence[bool], off_px: float,
) -> list[Slip | None]:
    """For each pair, by which frame its right picture is off, or that it is a neighbour's."""
    def fits(i: int, j: int) -> bool:
        across = between(i, j)
        return across is not None and all(
            look is not None and across.clearly_better(look, off_px)
            for look in (sequence[i].look, sequence[j].look))

    slipped: list[Slip | None] = [None] * len(sequence)
    for i in range(len(sequence) - 1):
        # The right picture of the other must itself be at the wrong place: where the rover stands
        # still, it fits both.
        if right[i] or right[i + 1] or slipped[i] == "exchanged":
            continue
        late, early = fits(i, i + 1), fits(i + 1, i)
        if late or early:
            slipped[i] = slipped[i + 1] = (
                "exchanged" if late and early else "late" if late else "early")
    return slipped


def _exchanged_frames(
    sequence: Sequence[Looked], slipped: Sequence[Slip | None]
) -> list[Finding]:
    """Neighbours, each of which has the right picture of the other."""
    places = [i for i, slip in enumerate(slipped) if slip == "exchanged"]
    return [Finding(kind="frames slipped", where=sequence[i].id,
                    text=f"the right pictures of {sequence[i].id} and {sequence[j].id} are "
                         "exchanged: each left picture fits the right one of the other pair, and "
                         "not its own")
            for i, j in zip(places[::2], places[1::2], strict=True)]


def _runs(
    sequence: Sequence[Looked], slipped: list[Slip | None], right: Sequence[bool]
) -> list[Finding]:
    """Pairs that slipped alike, told together; what lies between and fits nothing goes along."""
    runs: list[tuple[Direction, int, int]] = []
    for i, direction in enumerate(slipped):
        if direction is None or direction == "exchanged":
            continue
        if runs and runs[-1][0] == direction and not _parted(slipped, right, runs[-1][2], i):
            runs[-1] = (direction, runs[-1][1], i)
        else:
            runs.append((direction, i, i))
    for direction, first, last in runs:
        slipped[first: last + 1] = [direction] * (last + 1 - first)
    return [_slip(sequence, *run) for run in runs]


def _parted(
    slipped: Sequence[Slip | None], right: Sequence[bool], first: int, last: int
) -> bool:
    """Whether a pair that is right, or an exchange, lies between two of a run."""
    return any(right[first:last]) or "exchanged" in slipped[first:last]


def _slip(sequence: Sequence[Looked], direction: Direction, first: int, last: int) -> Finding:
    to = "on" if last == len(sequence) - 1 else f"to {sequence[last].id}"
    other, end = ("next", last) if direction == "late" else ("previous", first)
    return Finding(
        kind="frames slipped", where=sequence[first].id,
        text=f"from {sequence[first].id} {to} ({last - first + 1} pairs) the right pictures are "
             f"one frame {direction}: each left picture but that of {sequence[end].id} fits the "
             f"right one of the {other} pair, and not its own")


def _doubts(name: str, look: StereoLook, usual_off_px: float) -> list[Finding]:
    """What speaks against a pair that does not look right and fits no neighbour."""
    if look.swapped:
        return [Finding(kind="exchanged", where=name,
                        text="far more features fit with the left and right picture exchanged")]
    if look.share < _NO_PAIR_SHARE and look.sought >= _FEWEST_SOUGHT:
        return [Finding(kind="not of one moment", where=name,
                        text=f"only {look.count} of {look.sought} features are found on their "
                             "rows: the two pictures do not show one scene, or the rig is not "
                             "the one that took them")]
    if look.count >= MIN_EPIPOLAR_FEATURES and look.spread_px > MAX_EPIPOLAR_SPREAD_PX:
        return [Finding(kind="not of one moment", where=name,
                        text=f"features lie {look.spread_px:.1f} px off their rows at random "
                             f"(limit {MAX_EPIPOLAR_SPREAD_PX:g} px): something moved between the "
                             "two pictures")]
    return []


def _exposure(name: str, look: StereoLook, usual: float) -> list[Finding]:
    if abs(math.log(look.brightness / usual)) <= math.log(_ALIKE_BRIGHTNESS):
        return []
    return [Finding(kind="unequal exposure", where=name,
                    text=f"the left picture is {look.brightness:.2f} times as bright as the right "
                         f"one at the same features; {usual:.2f} is usual here")]


def cannot(name: str, error: HazcamError) -> Finding:
    """That the pictures of a pair cannot be looked at, and what to do."""
    return Finding(kind="cannot be looked at", where=name,
                   text=f"{error.where}: {error.found}; {error.remedy}")
