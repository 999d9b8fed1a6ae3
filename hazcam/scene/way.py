"""The way along a heading through the truth of a scene: everything that no limit changes.

:func:`survey_way` measures it once per heading; :func:`hazcam.scene.judge.label_way` compares it
with limits. It shares no code with the terrain or the verdict of hazcam.

Along a heading, ``s`` is measured from the rover's nose and ``t`` to the left of the middle line,
both in metres, in the level frame. A lane is a line of constant ``t``.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import (
    binary_erosion,
    grey_opening,
    map_coordinates,
    maximum_filter,
    maximum_filter1d,
    minimum_filter,
    minimum_filter1d,
)

from hazcam.frames import Floats
from hazcam.rover.profile import Body, RoverProfile
from hazcam.scene.truth import (
    SEES_LEFT,
    SEES_RIGHT,
    Elevation,
    ObjectKind,
    SceneTruth,
    TruthObject,
)

ALONG_M = 0.005  # stations: the cell of the truth
ACROSS_M = 0.01  # lanes
SIGHT_M = 0.01  # cells of which a share is observable
GUARD_M = 0.01  # beyond each margin: the outlines are known to about a cell
FOOTHOLD_M = 0.06  # a rise or fall within this is a step or a drop, not a slope
BODY_M = 0.30  # length of the plane that is the body's slope
# A plane that fits better than this is the slope that heights are measured from. A ledge of h in
# its middle leaves h / 4: one that matters at any limit of 3 cm or more is never taken for slope.
LEVEL_RMS_M = 0.004
# Low ground is followed past the reach, for the longest gap limit that a rover can have (its body
# length) and somewhat more.
FOLLOWED_BODIES = 1.25


@dataclass(frozen=True, kw_only=True, eq=False)
class Planes:
    """Least-squares planes, 0.30 m long and as wide as the body, every centimetre.

    Attributes
    ----------
    s_m : ndarray of shape (P,), float64
        Middle of each plane. [m]
    along, across : ndarray of shape (P,), float64
        Gradients along and across the heading; NaN where the truth does not reach.
    rms_m : ndarray of shape (P,), float64
        Of the residuals. [m] NaN as above.
    """

    s_m: Floats
    along: Floats
    across: Floats
    rms_m: Floats

    @property
    def slope_deg(self) -> Floats:
        """Steepest direction against gravity. [deg]"""
        return np.degrees(np.arctan(np.hypot(self.along, self.across)))

    @property
    def roll_deg(self) -> Floats:
        """Across the heading against gravity. [deg]"""
        return np.degrees(np.arctan(np.abs(self.across)))


Span = tuple[float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class Footprint:
    """An object on the way.

    Attributes
    ----------
    kind : str
        As in :class:`~hazcam.scene.truth.TruthObject`.
    height_m : float
        Above the undisturbed ground; 0 for what is not raised. [m]
    outline_m : ndarray of shape (N, 2), float64
        (s, t) of its corners. [m]
    body_m, swath_m : tuple of float, or None
        From where to where along ``s`` the outline lies in the body's width, and in the body with
        both margins and the guard; None where it does not. [m]
    """

    kind: ObjectKind
    height_m: float
    outline_m: Floats
    body_m: Span | None
    swath_m: Span

    def holds(self, s_m: float, t_m: float) -> bool:
        """Whether a place lies in the outline, or within the guard of it."""
        corners = self.outline_m.astype(np.float32)[:, None]
        return bool(cv2.pointPolygonTest(corners, (s_m, t_m), True) >= -GUARD_M)


@dataclass(frozen=True, kw_only=True, eq=False)
class Way:
    """What is true along a heading, whatever the limits.

    Heights are levelled: the body-size slope along the heading is taken off, so that a difference
    is a rise or a fall and not a slope. All are of shape (stations, lanes), in metres, and NaN
    where the truth does not reach.

    Attributes
    ----------
    heading_deg : float
        Positive to the left. [deg]
    reach_m : float
        Longest look-ahead that it can be judged for, from the nose. [m]
    s_m, t_m : ndarray, float64
        Stations, 5 mm apart, from the nose to beyond the reach; lanes, about 1 cm apart, over the
        body, both margins and the guard. [m]
    under_body : ndarray of shape (lanes,), bool
        Lanes within the body's width.
    slope_m : ndarray of shape (stations,), float64
        What was taken off.
    tilt : ndarray of shape (stations,), float64
        Gradient of the body-size slope across the heading; it is not taken off.
    top_m : ndarray
        The surface.
    support_m : ndarray
        What a whole foot can stand on: the surface without what is shorter than a foot.
    lip_m : ndarray
        Highest surface within the foothold that ends at each station.
    bank_m : ndarray
        The same, of ground that goes on for a body length: rocks are left out.
    held_m : ndarray
        Lowest support from each station on, over leg spacing + foot length; -inf where unknown.
    planes : Planes
        Body-size slopes.
    items : tuple of Footprint
        Objects in the swath.
    seen : ndarray of shape (cells along, cells across), bool, or None
        Cells of 1 cm of body and margins, from the nose on, that both cameras see.
    turn_m : float
        Highest rock, or relief within a foothold, in the circle that the body sweeps as it turns
        in place. [m] NaN where the truth does not reach.
    """

    heading_deg: float
    reach_m: float
    s_m: Floats
    t_m: Floats
    under_body: NDArray[np.bool_]
    slope_m: Floats
    tilt: Floats
    top_m: Floats
    support_m: Floats
    lip_m: Floats
    bank_m: Floats
    held_m: Floats
    planes: Planes
    items: tuple[Footprint, ...]
    seen: NDArray[np.bool_] | None
    turn_m: float


def survey_way(
    truth: SceneTruth, *, heading_deg: float, rover: RoverProfile, reach_m: float
) -> Way:
    """Measure the way along one heading.

    Parameters
    ----------
    truth : SceneTruth
        What is there.
    heading_deg : float
        Positive to the left. [deg]
    rover : RoverProfile
        Its body, legs and margin; its limits are not used.
    reach_m : float
        Longest look-ahead to be judged, from the nose. [m]

    Returns
    -------
    Way
    """
    frame = _Frame(heading_deg=heading_deg, nose_m=rover.body.nose_m)
    half_m, legs = rover.body.width_m / 2, rover.legs
    bridge_m = legs.hip_spacing_m + legs.foot_length_m
    past_m = FOLLOWED_BODIES * rover.body.length_m + bridge_m
    s = np.arange(0.0, reach_m + past_m, ALONG_M)
    t, under_body = _lanes(half_m, rover.margin_m + GUARD_M)
    z = _heights(truth.elevation, frame, s, t)
    planes = body_planes(z, s, t, under_body)
    slope, tilt = _slope_so_far(planes, s)
    top = z - slope[:, None]
    support = _opened(top, legs.foot_length_m)
    unknown = np.isnan(top)
    return Way(
        heading_deg=heading_deg, reach_m=reach_m, s_m=s, t_m=t, under_body=under_body,
        slope_m=slope, tilt=tilt, top_m=top, support_m=support, lip_m=highest_behind(top, unknown),
        bank_m=highest_behind(_opened(top, BODY_M), unknown),
        held_m=_lowest_ahead(np.where(unknown, -np.inf, support), bridge_m), planes=planes,
        items=_footprints(truth.objects, frame, half_m, float(t[-1])),
        seen=_seen(truth.elevation, frame, reach_m, half_m + rover.margin_m),
        turn_m=_turn(truth, rover.body),
    )


@dataclass(frozen=True, kw_only=True)
class _Frame:
    """Where the nose starts, and to where it points. [deg, m]"""

    heading_deg: float
    nose_m: float

    def to_way(self, places_m: Floats) -> Floats:
        """(x, y) of shape (..., 2) to (s, t). [m]"""
        c, s = np.cos(np.radians(self.heading_deg)), np.sin(np.radians(self.heading_deg))
        x, y = places_m[..., 0], places_m[..., 1]
        return np.stack([x * c + y * s - self.nose_m, -x * s + y * c], axis=-1)

    def to_level(self, s_m: Floats, t_m: Floats) -> tuple[Floats, Floats]:
        """(s, t) to x and y. [m]"""
        c, s = np.cos(np.radians(self.heading_deg)), np.sin(np.radians(self.heading_deg))
        ahead = s_m + self.nose_m
        return ahead * c - t_m * s, ahead * s + t_m * c


# --- heights --------------------------------------------------------------------------------------


def _lanes(body_half_m: float, beside_m: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Lanes about 1 cm apart, the body's edges among them, and which lie in the body's width."""
    body = np.linspace(-body_half_m, body_half_m, 2 * max(1, round(body_half_m / ACROSS_M)) + 1)
    left = body_half_m + np.linspace(0.0, beside_m, max(1, round(beside_m / ACROSS_M)) + 1)[1:]
    t = np.concatenate([-left[::-1], body, left])
    under_body = np.zeros(len(t), dtype=bool)
    under_body[len(left):-len(left)] = True
    return t, under_body


def _heights(elevation: Elevation, frame: _Frame, s: Floats, t: Floats) -> Floats:
    """True heights at all (s, t), (len(s), len(t)); NaN where the truth does not reach. [m]"""
    where = elevation.rows_cols(*frame.to_level(*np.meshgrid(s, t, indexing="ij")))
    return np.asarray(map_coordinates(elevation.z_m, where, order=1, mode="constant",
                                      cval=np.nan))


def body_planes(z: Floats, s: Floats, t: Floats, under_body: NDArray[np.bool_]) -> Planes:
    """Planes of heights at stations ``s`` and lanes ``t``, at every second station. [m]"""
    z, s, t = z[::2, under_body], s[::2], t[under_body]
    half = round(BODY_M / 2 / float(s[1] - s[0]))
    windows = np.lib.stride_tricks.sliding_window_view(z, 2 * half + 1, axis=0)  # (P, lanes, u)
    u = s[:2 * half + 1] - s[half]
    mean = windows.mean(axis=(1, 2))
    along = windows.sum(axis=1) @ u / (len(t) * u @ u)
    across = windows.sum(axis=2) @ t / (len(u) * t @ t)
    fit = (mean[:, None, None] + along[:, None, None] * u + across[:, None, None] * t[:, None])
    return Planes(s_m=s[half:len(s) - half], along=along, across=across,
                  rms_m=np.sqrt(np.mean((windows - fit) ** 2, axis=(1, 2))))


def _slope_so_far(planes: Planes, s: Floats) -> tuple[Floats, Floats]:
    """Height that the body-size slope along the heading has gained [m], and gradient across it.

    Where something stands in a plane, so that it does not fit, the slope before and behind it is
    carried through: the plane through a ledge is no slope.
    """
    # one that fits beside one that does not has touched the same thing already
    fits = binary_erosion(planes.rms_m <= LEVEL_RMS_M, np.ones(3, dtype=bool))
    if not fits.any():
        return np.zeros(len(s)), np.zeros(len(s))
    slope = np.interp(s, planes.s_m[fits], planes.along[fits])
    tilt = np.interp(s, planes.s_m[fits], planes.across[fits])
    return np.asarray(np.cumsum(slope) * ALONG_M), np.asarray(tilt)


def _opened(top: Floats, length_m: float) -> Floats:
    """The surface without what rises for less than a length along its lane. [m]

    Before the first station and after the last it is taken to go on.
    """
    unknown = np.isnan(top)
    size = max(1, round(length_m / ALONG_M))
    known = np.pad(np.where(unknown, np.inf, top), ((size, size), (0, 0)), mode="edge")
    opened = grey_opening(known, size=(size, 1))[size:-size]
    return np.where(unknown, np.nan, opened)


def _foothold() -> int:
    return round(FOOTHOLD_M / ALONG_M)


def highest_behind(heights: Floats, unknown: NDArray[np.bool_]) -> Floats:
    """Highest known of the foothold that ends at each station, the station included. [m]"""
    known = np.where(unknown, -np.inf, heights)
    run = _foothold()
    return np.asarray(maximum_filter1d(known, run + 1, axis=0, origin=run // 2, mode="nearest"))


def lowest_behind(heights: Floats, unknown: NDArray[np.bool_]) -> Floats:
    """Lowest known of the foothold that ends at each station, the station included. [m]"""
    known = np.where(unknown, np.inf, heights)
    run = _foothold()
    return np.asarray(minimum_filter1d(known, run + 1, axis=0, origin=run // 2, mode="nearest"))


def _lowest_ahead(heights: Floats, length_m: float) -> Floats:
    """Lowest of the stations from each one on, over a length. [m]"""
    half = max(1, round(length_m / ALONG_M / 2))
    return np.asarray(minimum_filter1d(heights, 2 * half + 1, axis=0, origin=-half,
                                       mode="nearest"))


# --- the turn in place ----------------------------------------------------------------------------


def _turn(truth: SceneTruth, body: Body) -> float:
    """Highest rock, or relief within a foothold, where the body turns about its origin. [m]"""
    radius_m = float(np.hypot(max(body.nose_m, body.length_m - body.nose_m), body.width_m / 2))
    rocks = [item.height_m or 0.0 for item in truth.objects if item.kind == "rock"
             and cv2.pointPolygonTest(item.outline_m.astype(np.float32)[:, None], (0.0, 0.0), True)
             >= -radius_m]
    return float(np.maximum(max(rocks, default=0.0), _relief(truth.elevation, radius_m)))


def _relief(elevation: Elevation, radius_m: float) -> float:
    """Largest difference of height within a foothold, in a circle about the origin. [m]

    The plane through the circle is taken off. NaN where the truth does not reach.
    """
    half = int(radius_m / ACROSS_M)
    x, y = np.meshgrid(*[np.arange(-half, half + 1) * ACROSS_M] * 2, indexing="ij")
    inside = np.hypot(x, y) <= radius_m
    z = np.asarray(map_coordinates(elevation.z_m, elevation.rows_cols(x, y), order=1,
                                   mode="constant", cval=np.nan))
    if np.isnan(z[inside]).any():
        return np.nan
    # the circle is symmetric: the three terms of the plane are independent of each other
    for term in (np.ones(x.shape), x, y):
        z = z - term * (z[inside] @ term[inside]) / (term[inside] @ term[inside])
    size = round(FOOTHOLD_M / ACROSS_M) + 1
    highest = maximum_filter(np.where(inside, z, -np.inf), size)
    lowest = minimum_filter(np.where(inside, z, np.inf), size)
    return float((highest - lowest)[inside].max())


# --- objects and sight ----------------------------------------------------------------------------


def _footprints(
    objects: tuple[TruthObject, ...], frame: _Frame, body_half_m: float, swath_half_m: float
) -> tuple[Footprint, ...]:
    found = []
    for item in objects:
        outline = frame.to_way(item.outline_m)
        swath = span_within(outline, swath_half_m)
        if swath is not None and swath[1] > 0:
            found.append(Footprint(
                kind=item.kind, height_m=item.height_m or 0.0, outline_m=outline,
                body_m=span_within(outline, body_half_m), swath_m=swath))
    return tuple(found)


def span_within(outline: Floats, half_m: float) -> Span | None:
    """From where to where along ``s`` an outline lies within ``|t| <= half_m``; None: nowhere.

    The corners of the part inside are the corners that lie inside, and the places where an edge
    crosses a side.
    """
    ahead = np.roll(outline, -1, axis=0)
    corners = [outline[np.abs(outline[:, 1]) <= half_m]]
    for side in (-half_m, half_m):
        here, there = outline[:, 1] - side, ahead[:, 1] - side
        crosses = here * there < 0
        share = (here[crosses] / (here - there)[crosses])[:, None]
        corners.append(outline[crosses] + share * (ahead - outline)[crosses])
    inside = np.concatenate(corners)
    # what only touches a side has no width
    if len(inside) < 3 or np.ptp(inside, axis=0).min() < 1e-6:
        return None
    return float(inside[:, 0].min()), float(inside[:, 0].max())


def _seen(
    elevation: Elevation, frame: _Frame, reach_m: float, half_m: float
) -> NDArray[np.bool_] | None:
    """Cells along the way that both cameras see; None where that was not measured."""
    if elevation.visible is None:
        return None
    count = max(1, round(2 * half_m / SIGHT_M))
    s = np.arange(SIGHT_M / 2, reach_m, SIGHT_M)
    t = (np.arange(count) + 0.5 - count / 2) * 2 * half_m / count
    where = elevation.rows_cols(*frame.to_level(*np.meshgrid(s, t, indexing="ij")))
    row, col = np.rint(where).astype(int)
    rows, cols = elevation.visible.shape
    covered = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    bits = elevation.visible[np.where(covered, row, 0), np.where(covered, col, 0)]
    return np.asarray(covered & (bits & SEES_LEFT > 0) & (bits & SEES_RIGHT > 0))
