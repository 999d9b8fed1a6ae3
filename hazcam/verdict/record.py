"""HeadingDemand and HeadingVerdict: what a heading asks of the rover, and the answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import read_only

Profile = NDArray[np.float64]
Verdict = Literal["go", "ask-ground"]
MEASURED = ("step", "drop", "belly", "contact", "slope", "roll", "tip")
LIMIT_OF = {"contact": "belly"}
"""The limit of a measured demand where it has another name."""


@dataclass(frozen=True, kw_only=True)
class TurnDemand:
    """What the circle that the body sweeps in a turn in place demands.

    Attributes
    ----------
    step_m, drop_m : float
        Greatest height above, and depth below, the local ground in the seen cells. [m]
    sigma_m : float
        One standard deviation of either. [m]
    hidden_m : float
        Tallest thing that could hide in the cells that could be seen and were not. [m]
    unseen_m : float
        Side of the square of those cells. [m]
    """

    step_m: float
    drop_m: float
    sigma_m: float
    hidden_m: float
    unseen_m: float


@dataclass(frozen=True, kw_only=True, eq=False)
class UnseenRuns:
    """Runs of unseen ground under the foot tracks, one line of samples after the other.

    Attributes
    ----------
    at_m, length_m, sigma_m : ndarray of shape (n,)
        Where a run begins, from the nose; how long it is, and one standard deviation. [m]
    explained_m, unexplained_m, blank_m : ndarray of shape (n,)
        How much of its cells lies behind something that was seen to stand above the ground, how
        much behind nothing, and how much of the latter had no match. [m]
    sunk_m : ndarray of shape (n,)
        How far below the local ground the sight lines over that part end at the most, where they
        are matched. [m]
    fall : ndarray of shape (n,)
        Fall over run of the sight lines there.
    ground_sd_m : ndarray of shape (n,)
        How far the seen ground there strays from the local ground, one standard deviation. [m]
    group : ndarray of shape (n,), int64
        Runs of one group follow each other so closely that they count as one.
    line_m : float
        Distance between neighbouring lines. [m]
    """

    at_m: Profile
    length_m: Profile
    sigma_m: Profile
    explained_m: Profile
    unexplained_m: Profile
    blank_m: Profile
    sunk_m: Profile
    fall: Profile
    ground_sd_m: Profile
    group: NDArray[np.int64]
    line_m: float

    def __post_init__(self) -> None:
        for name in ("at_m", "length_m", "sigma_m", "explained_m", "unexplained_m",
                     "blank_m", "sunk_m", "fall", "ground_sd_m", "group"):
            value = getattr(self, name)
            if value.shape != self.at_m.shape:
                raise ValueError(f"{name} of UnseenRuns is {value.shape}, not {self.at_m.shape}")
            object.__setattr__(self, name, read_only(value))


@dataclass(frozen=True, kw_only=True, eq=False)
class HeadingDemand:
    """What one heading demands, station by station; limits play no part in it.

    Attributes
    ----------
    heading_deg : float
        Level frame, positive to the left. [deg]
    station_m : ndarray of shape (n,)
        Along the heading from the nose. [m]
    step, drop, belly : ndarray of shape (n,)
        Greatest rise within a foothold or height above the local ground; greatest fall or
        depth; greatest height under the body. [m] NaN where nothing is seen.
    slope, roll : ndarray of shape (n,)
        Body-size slope in any direction, and across the heading. [deg] NaN where unknown.
    tip, contact, pitch, lean : ndarray of shape (n,)
        Of the settled rover with its nose there: what it loses of the angle that would overturn it
        [deg], greatest height of the ground above the plane of its soles [m], steepest pitch and
        roll of its body, positive nose down and left side up [deg]. NaN between two stances.
    sigma : dict of str to ndarray of shape (n,)
        One standard deviation of each that is compared, in its unit, with what all stations share.
    tilt_sigma_deg, scale_sigma : float
        What they share of it: the tilt of the whole view [deg], and the share by which all heights
        may be off together.
    tilt_bound_deg : float
        What slope and roll may be off by in all, where the attitude is not known. [deg]
    runs : UnseenRuns
        Unseen ground under the foot tracks that a foot could enter.
    hidden_m : ndarray of shape (n,)
        Tallest thing that could hide in the unseen cells of the swath, above the local ground.
        [m] 0 where all is seen; +inf where nothing bounds it.
    outside : ndarray of shape (n,), bool
        Is part of the swath not in both pictures, and not assumed clear?
    unseen_state, unseen_blank : ndarray of shape (n,), uint8
        ``CellState`` and ``Blank`` of most of the unseen cells there.
    seen_share : ndarray of shape (n,)
        Share of the swath that is seen.
    strip_m : float
        Length of the near strip of this heading; +inf if the swath is never in full view. [m]
    assumed_m : float
        How far from the nose ground out of view is assumed clear. [m]
    turn : TurnDemand or None
        What the turn in place demands; None straight ahead.
    turn_radius_m : float
        Radius of the circle that the turn in place sweeps; 0 straight ahead. [m]
    turn_assumed : bool
        Does the assumed ground hold that circle?
    look_ahead_m : float
        How far the heading was judged. [m]
    seen_m2 : float
        Ground that is seen within ``HOLE_RANGE_M`` of the rover, where a hole would show. [m²]
    hollows_m : tuple of float
        Depth of each hollow that is seen there, in or beside the swath. [m]
    seen_before_m : float
        How much of the near strip, at its far end, the previous pair saw over the whole swath. [m]
    """

    heading_deg: float
    station_m: Profile
    step: Profile
    drop: Profile
    belly: Profile
    slope: Profile
    roll: Profile
    tip: Profile
    contact: Profile
    pitch: Profile
    lean: Profile
    sigma: dict[str, Profile]
    tilt_sigma_deg: float
    scale_sigma: float
    tilt_bound_deg: float
    runs: UnseenRuns
    hidden_m: Profile
    outside: NDArray[np.bool_]
    unseen_state: NDArray[np.uint8]
    unseen_blank: NDArray[np.uint8]
    seen_share: Profile
    strip_m: float
    assumed_m: float
    turn: TurnDemand | None
    turn_radius_m: float
    turn_assumed: bool
    look_ahead_m: float
    seen_m2: float
    hollows_m: tuple[float, ...]
    seen_before_m: float = 0.0

    def __post_init__(self) -> None:
        names = (*MEASURED, "pitch", "lean", "hidden_m", "outside", "unseen_state", "unseen_blank",
                 "seen_share", "station_m")
        for name in names:
            value = getattr(self, name)
            if value.shape != self.station_m.shape:
                raise ValueError(f"{name} of a HeadingDemand is {value.shape}, "
                                 f"not {self.station_m.shape}")
            object.__setattr__(self, name, read_only(value))
        if set(self.sigma) != set(MEASURED):
            raise ValueError(f"a HeadingDemand needs a sigma for each of {MEASURED}")
        for name in MEASURED:
            if np.any(np.isfinite(getattr(self, name)) & ~np.isfinite(self.sigma[name])):
                raise ValueError(f"{name} of a HeadingDemand has a value without a sigma")


@dataclass(frozen=True, kw_only=True)
class Cause:
    """Why a heading is not clear, and where.

    Attributes
    ----------
    kind : str
        ``step``, ``drop``, ``belly``, ``contact``, ``slope``, ``roll``, ``tip``;
        ``unseen run``, ``hidden obstacle``, ``outside view``, ``slope unknown``,
        ``attitude unknown``, ``no ground seen``, ``no stereo``, ``rig not checked``,
        ``rig no longer matches its calibration``.
    at_m : float
        Along the heading from the nose. [m]
    demand, sigma, limit : float or None
        In ``unit``; None where the cause is no comparison, ``demand`` +inf where nothing
        bounds it.
    unit : str
        ``m``, ``deg``, ``px`` or empty.
    text : str
        The same in words.
    reason : str
        Why ground was not seen, in words; empty for a cause that is not about unseen ground.
    """

    kind: str
    at_m: float
    demand: float | None
    sigma: float | None
    limit: float | None
    unit: str
    text: str
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class HeadingVerdict:
    """The answer for one heading.

    Attributes
    ----------
    heading_deg : float
        Level frame, positive to the left. [deg]
    verdict : str
        ``go`` only if the whole look-ahead is clear.
    clear_m : float
        From the nose to the first cause, at most the look-ahead. [m]
    assumed_m : float
        How much of that, from the nose, is partly out of view and assumed clear; at most
        ``clear_m``. [m]
    causes : tuple of Cause
        The first of each kind, nearest first; empty for ``go``.
    probability : float
        That some demand exceeds its limit within the look-ahead: of what was measured, and of what
        lies behind things that were seen. NaN where nothing was measured.
    bounded : bool
        False where ground that was not seen, or a tilt that is not known, could exceed a limit
        before anything that was measured does: then the true probability lies between
        ``probability`` and 1.
    """

    heading_deg: float
    verdict: Verdict
    clear_m: float
    assumed_m: float
    causes: tuple[Cause, ...]
    probability: float
    bounded: bool
