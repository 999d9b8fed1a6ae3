"""The settled stance: how the rover comes to rest on ground of given heights.

Rigid statics. The feet are fixed points of the body; the plane of their soles is z = 0 of the rover
frame. The body comes to rest as a rigid plate on posts: on three feet, no other post stands above
the plane through them, and the centre of mass is over their triangle. It lies at
``Body.com_height_m`` above the soles, so it moves downhill when the body tilts; that is taken into
account exactly. The feet, too, move sideways with tilt, by their distance from the origin times
(1 - cos tilt), 4 mm of 12 cm at 15 degrees: of second order, and neglected. Heights are those at
the places of the feet on a flat floor.

Tilt is that of ``hazcam.frames``: positive pitch = nose down, positive roll = left side up.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from itertools import combinations, product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hazcam.frames import Floats, read_only
from hazcam.rover.profile import Body, Legs
from hazcam.rover.settling import ON_LINE_M, TOUCH_M, settle_all


@dataclass(frozen=True, kw_only=True, eq=False)
class Stance:
    """How the rover rests at N places.

    Where a height that is needed is not known, all numbers are NaN. Where fewer than three feet
    find ground, or only feet of one line, the rover has no rest: both margins are 0, the other
    numbers are NaN.

    Attributes
    ----------
    pitch_deg, roll_deg : ndarray of shape (N,), float64
        Against gravity; positive nose down, positive left side up. [deg]
    height_m : ndarray of shape (N,), float64
        Elevation of the rover origin, level frame. [m]
    touching : ndarray of shape (N, F), bool
        Does the foot stand on the ground?
    hanging_m : ndarray of shape (N, F), float64
        How far the sole is above the ground, along the vertical; infinite where the foot finds
        none. [m]
    tip_margin_deg : ndarray of shape (N,), float64
        The least angle, over the edges of the convex hull of the touching feet, by which the body
        could still be turned about the edge before its centre of mass is over it. [deg] Zero or
        less: it does not stay in this pose. Beyond it the body may only rock onto a foot that
        hangs a millimetre: on rough ground a body on six rigid legs stands on three of them, and
        this angle may be near 0.
    overturn_margin_deg : ndarray of shape (N,), float64
        The same until the body turns over: it may rock from three feet to the next three, until it
        passes an edge beyond which no foot finds ground. The largest angle on the way counts, and
        of all ways out the one where that is least. [deg] On a tripod and on a plane equal to
        ``tip_margin_deg``; unlike that, it changes little with small changes of the ground.
    """

    pitch_deg: Floats
    roll_deg: Floats
    height_m: Floats
    touching: NDArray[np.bool_]
    hanging_m: Floats
    tip_margin_deg: Floats
    overturn_margin_deg: Floats

    def __post_init__(self) -> None:
        shape = np.shape(self.touching)
        for field in fields(self):
            wanted = shape if field.name in ("touching", "hanging_m") else shape[:1]
            found = np.shape(getattr(self, field.name))
            if len(shape) != 2 or found != wanted:
                raise ValueError(f"{field.name} of a stance has shape {found}, touching {shape}")
            object.__setattr__(self, field.name, read_only(getattr(self, field.name)))


@dataclass(frozen=True, kw_only=True)
class TripodStances:
    """How the rover rests on each of its two alternating tripods.

    Attributes
    ----------
    left, right : Stance
        On the tripod of the front left foot, and on that of the front right foot; their arrays
        hold only the feet of that tripod, in the order of ``foot_places_m``.
    """

    left: Stance
    right: Stance

    @property
    def tip_margin_deg(self) -> Floats:
        """The lesser of the two tip margins, shape (N,). [deg] NaN where one is not known."""
        return np.minimum(self.left.tip_margin_deg, self.right.tip_margin_deg)


def foot_places_m(legs: Legs) -> Floats:
    """Places of the feet in the rover frame, shape (count, 2): x forward, y left. [m]

    From front to hind, of each pair the left foot first.

    Examples
    --------
    >>> legs = Legs(count=6, length_m=0.10, arc_deg=180.0, hip_spacing_m=0.12, track_m=0.20,
    ...             foot_length_m=0.03, foot_width_m=0.02)
    >>> foot_places_m(legs)[:3].tolist()
    [[0.12, 0.1], [0.12, -0.1], [0.0, 0.1]]
    """
    pairs = legs.count // 2
    along = ((pairs - 1) / 2 - np.arange(pairs)) * legs.hip_spacing_m
    return np.array(list(product(along, (legs.track_m / 2, -legs.track_m / 2))))


def tripod_feet(legs: Legs) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Feet of the two alternating tripods, as places in the order of ``foot_places_m``.

    The first has the front left foot: with six legs 0, 3, 4 and 1, 2, 5.
    """
    feet = np.arange(legs.count)
    left = (feet // 2 + feet) % 2 == 0
    return feet[left], feet[~left]


def settle(body: Body, legs: Legs, feet_m: ArrayLike) -> Stance:
    """Settle the rover on all its feet.

    Of several rests that are possible on the same ground (it could rock from one to the other),
    that with the lowest centre of mass is taken. Where there is none, because the centre of mass is
    outside every support, the pose is the one that it is least far outside of.

    Parameters
    ----------
    body : Body
    legs : Legs
    feet_m : array_like of shape (N, count)
        Elevation of the ground under each foot, in the order of ``foot_places_m``. [m] NaN, or
        +inf: not known; -inf: the foot finds no ground.

    Returns
    -------
    Stance
        Of N places, with F = count feet.

    Raises
    ------
    ValueError
        ``feet_m`` does not hold a height for each foot.
    """
    return _settle_on(body, foot_places_m(legs), foot_heights(feet_m, legs, "feet_m"))


def settle_on_tripods(body: Body, legs: Legs, feet_m: ArrayLike) -> TripodStances:
    """Settle the rover on each of its two alternating tripods; parameters as of ``settle``.

    The other feet are in the air: their heights do not count.
    """
    heights, places = foot_heights(feet_m, legs, "feet_m"), foot_places_m(legs)
    left, right = (_settle_on(body, places[feet], heights[:, feet]) for feet in tripod_feet(legs))
    return TripodStances(left=left, right=right)


def foot_heights(values_m: ArrayLike, legs: Legs, name: str) -> Floats:
    """Heights as an array of shape (N, count), or ValueError with their name."""
    heights = np.asarray(values_m, dtype=np.float64)
    if heights.ndim != 2 or heights.shape[1] != legs.count:
        raise ValueError(f"{name} needs the shape (N, {legs.count}), got {heights.shape}")
    return heights


def _settle_on(body: Body, places_m: Floats, feet_m: Floats) -> Stance:
    """Settle on the feet at some places of the rover frame."""
    count, feet = feet_m.shape
    pose, hanging = np.full((count, 5), np.nan), np.full((count, feet), np.nan)
    settle_all(places_m, *_triples(tuple(map(tuple, places_m.tolist()))),
               np.ascontiguousarray(feet_m), body.com_height_m, pose, hanging)
    pitch_deg, roll_deg, tip_deg, overturn_deg = np.degrees(pose[:, :4]).T
    return Stance(pitch_deg=pitch_deg, roll_deg=roll_deg, height_m=pose[:, 4],
                  touching=hanging <= TOUCH_M, hanging_m=hanging,
                  tip_margin_deg=tip_deg, overturn_margin_deg=overturn_deg)


@lru_cache(maxsize=16)
def _triples(
    places: tuple[tuple[float, float], ...],
) -> tuple[NDArray[np.int64], Floats, Floats, NDArray[np.bool_]]:
    """Every three feet that span a triangle.

    Returns
    -------
    triples : ndarray of shape (T, 3), int64
        The feet.
    solve : ndarray of shape (T, 3, 3), float64
        Takes their heights to (c, a, b) of the plane z = c + a x + b y.
    sides : ndarray of shape (T, 3, 3), float64
        For each side of the triangle its normal (x, y), pointing inwards, and how far the rover
        origin is inside of it. [m]
    beyond : ndarray of shape (T, 3, F), bool
        Which feet lie on the outer side of it.
    """
    places_m = np.array(places)
    triples = np.array(list(combinations(range(len(places_m)), 3)))
    corners = places_m[triples]
    rows = np.concatenate([np.ones((*corners.shape[:2], 1)), corners], axis=2)
    doubled_area = np.linalg.det(rows)
    real = np.abs(doubled_area) > ON_LINE_M * np.ptp(places_m)
    triples, corners, solve = triples[real], corners[real], np.linalg.inv(rows[real])
    along = np.roll(corners, -1, axis=1) - corners
    # Half a turn to the left of the side points inwards where the feet go round anticlockwise.
    normal = np.stack([-along[..., 1], along[..., 0]], axis=2)
    normal *= np.sign(doubled_area[real])[:, None, None]
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)
    inside = -(normal * corners).sum(axis=2, keepdims=True)
    beyond = normal @ places_m.T + inside < -ON_LINE_M
    return triples, solve, np.concatenate([normal, inside], axis=2), beyond
