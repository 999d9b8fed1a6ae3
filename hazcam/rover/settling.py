"""Hot loops of the settled stance, compiled by numba.

The plate on posts is the upper convex hull of the posts: its facets are the planes through three
feet that no other post stands above, and the body rests on the one that has the centre of mass over
it. Of T triples of F feet: ``triples``, ``solve``, ``sides`` and ``beyond`` are those of
``hazcam.rover.stance``.
"""

from __future__ import annotations

import math

import numba
import numpy as np
from numpy.typing import NDArray

# Soles this close to the ground touch it: rounding, far below what a picture can tell.
TOUCH_M = 1e-6
# Feet this close to a line lie on it, and to a plane in it.
ON_LINE_M = 1e-9


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _lean(a: float, b: float) -> tuple[float, float]:
    """Direction of "up" in the rover frame, (x, y) per unit of z, on the plane of slopes a, b."""
    run = np.sqrt(1.0 + a * a)
    return a * np.sqrt(1.0 + a * a + b * b) / run, b / run


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _angle(side: NDArray[np.float64], a: float, b: float, com_height: float) -> float:
    """By how much the body can be turned about a side before its mass is over it. [rad]

    Seen along the side: from the normal of the soles inwards to the centre of mass, less from
    there to "up".
    """
    lean_x, lean_y = _lean(a, b)
    return math.atan2(side[2], com_height) - math.atan(lean_x * side[0] + lean_y * side[1])


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _find_facets(
    places: NDArray[np.float64], triples: NDArray[np.int64], solve: NDArray[np.float64],
    feet: NDArray[np.float64], facets: NDArray[np.int64], planes: NDArray[np.float64],
) -> int:
    """List the triples that are facets, and the plane (c, a, b) of each; return how many."""
    count = 0
    for t in range(len(triples)):
        z0, z1, z2 = feet[triples[t, 0]], feet[triples[t, 1]], feet[triples[t, 2]]
        if min(z0, z1, z2) == -np.inf:
            continue
        c = solve[t, 0, 0] * z0 + solve[t, 0, 1] * z1 + solve[t, 0, 2] * z2
        a = solve[t, 1, 0] * z0 + solve[t, 1, 1] * z1 + solve[t, 1, 2] * z2
        b = solve[t, 2, 0] * z0 + solve[t, 2, 1] * z1 + solve[t, 2, 2] * z2
        above = True
        for k in range(len(places)):
            above &= c + a * places[k, 0] + b * places[k, 1] >= feet[k] - ON_LINE_M
        if above:
            facets[count] = t
            planes[count, 0], planes[count, 1], planes[count, 2] = c, a, b
            count += 1
    return count


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _find_rest(
    facets: NDArray[np.int64], planes: NDArray[np.float64], sides: NDArray[np.float64],
    com_height: float,
) -> int:
    """Place in the list of the facet that has the mass over it.

    Or least far outside of it; of several, that with the lowest mass.
    """
    rest = 0
    outside_least = height_least = np.inf
    for f in range(len(facets)):
        c, a, b = planes[f]
        lean_x, lean_y = _lean(a, b)
        outside = 0.0
        for side in sides[facets[f]]:
            toward = lean_x * side[0] + lean_y * side[1]
            outside = max(outside, com_height * toward - side[2])
        height = c + com_height / np.sqrt(1.0 + a * a + b * b)
        if outside < outside_least or (outside == outside_least and height < height_least):
            rest, outside_least, height_least = f, outside, height
    return rest


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _tip_margin(
    places: NDArray[np.float64], hanging: NDArray[np.float64], a: float, b: float,
    com_height: float,
) -> float:
    """Least angle to the edges of the hull of the touching feet. [rad]"""
    least = np.inf
    side = np.empty(3)
    for i in range(len(places)):
        for j in range(len(places)):
            if i == j or hanging[i] > TOUCH_M or hanging[j] > TOUCH_M:
                continue
            x, y = places[j, 0] - places[i, 0], places[j, 1] - places[i, 1]
            length = np.sqrt(x * x + y * y)
            side[0], side[1] = -y / length, x / length
            side[2] = -(places[i, 0] * side[0] + places[i, 1] * side[1])
            on_edge = True
            for k in range(len(places)):
                inside = places[k, 0] * side[0] + places[k, 1] * side[1] + side[2]
                on_edge &= hanging[k] > TOUCH_M or inside >= -ON_LINE_M
            if on_edge:
                least = min(least, _angle(side, a, b, com_height))
    return least


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _beyond_all(t: int, s: int, beyond: NDArray[np.bool_], feet: NDArray[np.float64]) -> bool:
    """Is there no foot on ground beyond the side?"""
    none = True
    for k in range(len(feet)):
        none &= not beyond[t, s, k] or feet[k] == -np.inf
    return none


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _are_neighbours(
    t: int, s: int, u: int, triples: NDArray[np.int64], beyond: NDArray[np.bool_]
) -> bool:
    """Does triple ``u`` share side ``s`` of triple ``t``, and lie beyond it?"""
    shared, across = 0, False
    for k in triples[u]:
        shared += k == triples[t, s] or k == triples[t, (s + 1) % 3]
        across |= beyond[t, s, k]
    return shared == 2 and across


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def _overturn_margin(
    rest: int, facets: NDArray[np.int64], planes: NDArray[np.float64],
    triples: NDArray[np.int64], sides: NDArray[np.float64], beyond: NDArray[np.bool_],
    feet: NDArray[np.float64], com_height: float,
) -> float:
    """Flood from the rest, over the easiest side each time, until over an outer one. [rad]"""
    angles = np.empty((len(facets), 3))
    for f in range(len(facets)):
        for s in range(3):
            angles[f, s] = _angle(sides[facets[f], s], planes[f, 1], planes[f, 2], com_height)
    reached = np.zeros(len(facets), dtype=np.bool_)
    reached[rest] = True
    crossed = np.zeros((len(facets), 3), dtype=np.bool_)
    level = -np.inf
    while True:
        easiest, f_out, s_out = np.inf, -1, -1
        for f in range(len(facets)):
            for s in range(3):
                if reached[f] and not crossed[f, s] and angles[f, s] < easiest:
                    easiest, f_out, s_out = angles[f, s], f, s
        if f_out < 0:
            return np.nan  # rounding has closed every way out: not known
        level = max(level, easiest)
        crossed[f_out, s_out] = True
        if _beyond_all(facets[f_out], s_out, beyond, feet):
            return level
        for f in range(len(facets)):
            reached[f] |= _are_neighbours(facets[f_out], s_out, facets[f], triples, beyond)


@numba.njit(cache=True, boundscheck=False, error_model="numpy")
def settle_all(
    places: NDArray[np.float64], triples: NDArray[np.int64], solve: NDArray[np.float64],
    sides: NDArray[np.float64], beyond: NDArray[np.bool_], feet: NDArray[np.float64],
    com_height: float, pose: NDArray[np.float64], hanging: NDArray[np.float64],
) -> None:
    """Settle on each row of feet.

    Parameters
    ----------
    places : ndarray of shape (F, 2), float64
        Rover frame. [m]
    triples, solve, sides, beyond : ndarray
        Every three feet.
    feet : ndarray of shape (N, F), float64
        Heights of the posts. [m]
    com_height : float
        Above the soles. [m]
    pose : ndarray of shape (N, 5), float64
        Written to where there is a rest: pitch, roll, tip margin, overturn margin [rad], height of
        the origin [m]; where there is none, margins of 0.
    hanging : ndarray of shape (N, F), float64
        Written to likewise: the soles above the posts. [m]
    """
    listed, planes = np.empty(len(triples), dtype=np.int64), np.empty((len(triples), 3))
    for n in range(len(feet)):
        if not np.all(feet[n] < np.inf):  # NaN is not, either
            continue
        count = _find_facets(places, triples, solve, feet[n], listed, planes)
        if count == 0:
            pose[n, 2] = pose[n, 3] = 0.0
            continue
        facets = listed[:count]
        rest = _find_rest(facets, planes, sides, com_height)
        c, a, b = planes[rest]
        for k in range(len(places)):
            hanging[n, k] = max(0.0, c + a * places[k, 0] + b * places[k, 1] - feet[n, k])
        # R_level_rover = Ry(pitch) Rx(roll) takes z to the normal (-a, -b, 1) of the plane.
        pose[n, 0] = -np.arctan(a)
        pose[n, 1] = np.arctan(b / np.sqrt(1.0 + a * a))
        pose[n, 2] = _tip_margin(places, hanging[n], a, b, com_height)
        # Where all feet that find ground touch it, there is nothing to rock onto.
        if np.all((hanging[n] <= TOUCH_M) | (feet[n] == -np.inf)):
            pose[n, 3] = pose[n, 2]
        else:
            pose[n, 3] = _overturn_margin(rest, facets, planes, triples, sides, beyond, feet[n],
                                          com_height)
        pose[n, 4] = c
