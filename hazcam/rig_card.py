"""RigCard: what a rig on a rover can tell of flat ground, against distance and heading.

From the rig, its mount and the rover alone: no picture plays a part. The rover stands level on
flat ground in the plane of its feet. So the card says what the geometry allows; texture, light
and rough ground only take from it.

Errors are of two kinds, and the card keeps them apart. A point's *own* error comes from its
match: it differs from point to point, and it alone decides what stands out of the ground around
it. A *shared* error (attitude, scale) moves the ground and what stands on it together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.assess import view_of
from hazcam.calibration import StereoRig
from hazcam.flat_ground import HIDING_HEIGHTS_M, measures_at
from hazcam.frames import Attitude, Floats, Pose, heading_text, read_only
from hazcam.rectification import RectifiedCamera, common_view
from hazcam.rover import RoverProfile
from hazcam.settings import Settings
from hazcam.terrain import GridSpec, in_both_pictures
from hazcam.verdict.swath import lay_swath, near_strip_m

DISPARITY_SIGMA_PX = 0.25
DISPARITY_SIGMA_SOURCE = ("spread of the disparity errors that `hazcam rehearse` found at 1.0 to "
                          "1.5 m, block report-3; nearer it was 0.16 to 0.19 px")
# As the demonstration's sidecars state it.
TILT_SIGMA_DEG = 0.5
CARD_END_M, _CARD_STEP_M = 2.0, 0.1

FarLimit = Literal["card", "grid", "pictures"]


@dataclass(frozen=True, kw_only=True, eq=False)
class ViewedGround:
    """The grid, and which of its cells would lie in both pictures were they flat ground.

    Attributes
    ----------
    spec : GridSpec
        Where the cells are; that of the default settings.
    sensor_view : ndarray of shape spec.shape, bool
        As ``TerrainMap.sensor_view``.
    """

    spec: GridSpec
    sensor_view: NDArray[np.bool_]

    def __post_init__(self) -> None:
        if self.sensor_view.shape != self.spec.shape:
            raise ValueError(f"sensor_view of a ViewedGround is {self.sensor_view.shape}, "
                             f"not {self.spec.shape}")
        object.__setattr__(self, "sensor_view", read_only(self.sensor_view))


@dataclass(frozen=True, kw_only=True, eq=False)
class Reach:
    """Where along a heading the swath lies in both pictures.

    Attributes
    ----------
    heading_deg : float
        Positive to the left. [deg]
    station_m : ndarray of shape (n,)
        Along the heading from the nose, a cell apart. [m]
    swath_share : ndarray of shape (n,)
        Share of the swath across each station that lies in both pictures, 0 to 1.
    near_m : float
        Length of the near strip, as the verdict has it: from there to ``far_m`` the whole swath
        lies in both pictures. [m] +inf if it never does.
    far_m : float
        Last station whose whole swath does. [m] NaN if none.
    far_limit : str or None
        What ends there: the ``card``, the ``grid`` or the ``pictures``; None with ``far_m`` NaN.
    """

    heading_deg: float
    station_m: Floats
    swath_share: Floats
    near_m: float
    far_m: float
    far_limit: FarLimit | None

    def __post_init__(self) -> None:
        if self.station_m.shape != self.swath_share.shape:
            raise ValueError("a Reach needs a share of the swath for each station")
        for name in ("station_m", "swath_share"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def share_at(self, distance_m: float) -> float:
        """Share of the swath in both pictures at the nearest station; 0 to the card's end. [m]"""
        if not 0 <= distance_m <= CARD_END_M:
            raise ValueError(f"{distance_m} m is not on the card, from 0 to {CARD_END_M} m")
        return float(self.swath_share[np.argmin(np.abs(self.station_m - distance_m))])


@dataclass(frozen=True, kw_only=True, eq=False)
class HeadingCard:
    """One heading of the card; arrays are of shape (n,), by ``RigCard.distance_m``.

    All but ``swath_share`` is of the ground on the heading's middle line: NaN where that does not
    lie in both pictures.

    Attributes
    ----------
    reach : Reach
        Where the swath lies in both pictures.
    swath_share : ndarray
        Share of the swath across that lies in both pictures, 0 to 1.
    range_m : ndarray
        Along the ground from below the left camera. [m]
    gsd_along_m, gsd_across_m : ndarray
        Ground sample distance: from one picture row to the next (``r² / (f H)`` for a camera that
        looks along the horizon), and from one column to the next. [m]
    range_sigma_m, height_sigma_m : ndarray
        Own error of one matched point along the ground and in elevation, one standard
        deviation. [m]
    scale_range_sigma_m : ndarray
        Shared error of the range: what focal length and baseline leave open. [m]
    tilt_height_sigma_m : ndarray
        Shared error of the elevation from the attitude: distance from the rover origin times
        the sine of ``tilt_sigma_deg``. [m]
    scale_height_sigma_m : ndarray
        Shared error of the elevation from the scale: a scale about the camera moves all flat
        ground up or down by its share of the camera's height. [m]
    rows_height_m : ndarray
        Height of what covers ``OBSTACLE_ROWS`` rows there. [m]
    smallest_m : ndarray
        Smallest obstacle that can be told from the ground: the larger of ``OBSTACLE_SIGMAS`` of
        ``height_sigma_m`` and ``rows_height_m``. [m] Our own rule.
    hidden_m : ndarray of shape (n, 2)
        Length of flat ground that a thing of each of ``HIDING_HEIGHTS_M`` hides behind itself,
        from its far edge there. [m] +inf where its top reaches the camera's height.
    """

    reach: Reach
    swath_share: Floats
    range_m: Floats
    gsd_along_m: Floats
    gsd_across_m: Floats
    range_sigma_m: Floats
    height_sigma_m: Floats
    scale_range_sigma_m: Floats
    tilt_height_sigma_m: Floats
    scale_height_sigma_m: Floats
    rows_height_m: Floats
    smallest_m: Floats
    hidden_m: Floats

    def __post_init__(self) -> None:
        count = self.swath_share.shape
        names = [name for name in self.__dataclass_fields__ if name != "reach"]
        for name in names:
            value = getattr(self, name)
            expected = (*count, len(HIDING_HEIGHTS_M)) if name == "hidden_m" else count
            if value.shape != expected:
                raise ValueError(f"{name} of a HeadingCard is {value.shape}, not {expected}")
            object.__setattr__(self, name, read_only(value))


@dataclass(frozen=True, kw_only=True, eq=False)
class RigCard:
    """What a rig on a rover can tell of flat ground.

    Attributes
    ----------
    rig, rover
        What went in.
    camera : RectifiedCamera
        The rectified cameras.
    T_rover_camera : Pose
        Rectified left camera to rover frame.
    disparity_sigma_px : float
        Of one match, one standard deviation. [px]
    tilt_sigma_deg : float
        Of the attitude, one standard deviation. [deg]
    scale_sigma : float
        As in ``View``.
    distance_m : ndarray of shape (n,)
        From the nose along each heading. [m]
    headings : tuple of HeadingCard
        From right to left.
    ground : ViewedGround
        What lies in both pictures.
    """

    rig: StereoRig
    rover: RoverProfile
    camera: RectifiedCamera
    T_rover_camera: Pose
    disparity_sigma_px: float
    tilt_sigma_deg: float
    scale_sigma: float
    distance_m: Floats
    headings: tuple[HeadingCard, ...]
    ground: ViewedGround

    def __post_init__(self) -> None:
        object.__setattr__(self, "distance_m", read_only(self.distance_m))
        if any(h.swath_share.shape != self.distance_m.shape for h in self.headings):
            raise ValueError("each heading of a RigCard has a value for each distance")

    @property
    def camera_height_m(self) -> float:
        """Left camera above the plane of the feet. [m]"""
        return float(self.T_rover_camera.t[2])

    def reach_at(self, heading_deg: float) -> Reach:
        """Where along any heading the swath lies in both pictures."""
        return _reach(self.ground, self.rover, heading_deg)

    def outside(self, heading_deg: float, distance_m: float) -> str | None:
        """Say why a place lies outside the card; None for one inside.

        Parameters
        ----------
        heading_deg : float
            Positive to the left. [deg]
        distance_m : float
            Along the heading from the nose, 0 or more. [m]
        """
        place = f"at {distance_m:.2f} m, {heading_text(heading_deg)}"
        if not distance_m >= 0:
            raise ValueError(f"{distance_m} m is not a distance from the nose of 0 or more")
        if distance_m > CARD_END_M:
            return f"the rig card ends at {CARD_END_M:.2f} m from the nose: nothing is said {place}"
        reach = self.reach_at(heading_deg)
        share = reach.share_at(distance_m)
        if share == 1:
            return None
        if reach.far_limit == "grid" and distance_m > reach.far_m:
            return f"the swath lies beyond the grid {place}"
        if share == 0:
            return f"the swath is not in both pictures {place}"
        return f"only {math.floor(100 * share)} % of the swath is in both pictures {place}"


@lru_cache(maxsize=16)  # all pairs of a campaign have a few rigs and rovers
def rig_card(
    rig: StereoRig, rover: RoverProfile, *, disparity_sigma_px: float = DISPARITY_SIGMA_PX
) -> RigCard:
    """Say what a rig on a rover can tell of flat ground, for the default headings.

    Parameters
    ----------
    rig : StereoRig
        With its mount on the rover.
    rover : RoverProfile
        Its nose, body width and lateral margin.
    disparity_sigma_px : float
        One standard deviation of a match; the default is ``DISPARITY_SIGMA_SOURCE``. [px]

    Raises
    ------
    RigError
        A rig without a mount.
    ValueError
        A disparity sigma that is not a finite number above 0.
    """
    if not 0 < disparity_sigma_px < math.inf:
        raise ValueError(f"disparity sigma {disparity_sigma_px} px is not a number above 0")
    settings = Settings()
    level = Attitude(roll_deg=0.0, pitch_deg=0.0, roll_sigma_deg=TILT_SIGMA_DEG,
                     pitch_sigma_deg=TILT_SIGMA_DEG)
    view, seen = view_of(level, rig, settings), common_view(rig)
    T_rover_camera = view.T_rover_camera @ seen.T_camera_rectified
    spec = settings.terrain.grid
    x, y = np.meshgrid(spec.x_m, spec.y_m, indexing="ij")
    ground = ViewedGround(spec=spec, sensor_view=in_both_pictures(seen, T_rover_camera, x, y))
    distance = np.round(np.arange(_CARD_STEP_M, CARD_END_M + _CARD_STEP_M / 2, _CARD_STEP_M), 9)

    def at(heading_deg: float) -> HeadingCard:
        reach, along = _reach(ground, rover, heading_deg), np.radians(heading_deg)
        places = (rover.body.nose_m + distance)[:, None] * [np.cos(along), np.sin(along), 0.0]
        in_view = in_both_pictures(seen, T_rover_camera, places[:, 0], places[:, 1])
        known = {name: np.where(in_view if v.ndim == 1 else in_view[:, None], v, np.nan)
                 for name, v in measures_at(seen.camera, view, T_rover_camera, places,
                                            disparity_sigma_px).items()}
        share = np.array([reach.share_at(d) for d in distance])
        return HeadingCard(reach=reach, swath_share=share, **known)

    return RigCard(
        rig=rig, rover=rover, camera=seen.camera, T_rover_camera=T_rover_camera,
        disparity_sigma_px=disparity_sigma_px, tilt_sigma_deg=view.tilt_sigma_deg,
        scale_sigma=view.scale_sigma, distance_m=distance, ground=ground,
        headings=tuple(at(heading) for heading in settings.headings_deg),
    )


def _reach(ground: ViewedGround, rover: RoverProfile, heading_deg: float) -> Reach:
    swath = lay_swath(ground, rover, heading_deg, CARD_END_M)
    share = swath.take(ground.sensor_view, 0).astype(np.float64).mean(axis=1)
    full = np.nonzero(share == 1)[0]
    near_m, far_m, limit = math.inf, math.nan, None
    if full.size:
        last = int(full[-1])
        far_m = float(swath.station_m[last])
        near_m = near_strip_m(ground, rover, heading_deg, far_m)
        limit = _far_limit(swath.inside, last)
    return Reach(heading_deg=heading_deg, station_m=swath.station_m, swath_share=share,
                 near_m=near_m, far_m=far_m, far_limit=limit)


def _far_limit(inside_grid: NDArray[np.bool_], last: int) -> FarLimit:
    """What ends after the last station in full view."""
    if last == len(inside_grid) - 1:
        return "card"
    return "pictures" if inside_grid[last + 1].all() else "grid"
