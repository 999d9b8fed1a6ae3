"""The worst stances that bounds of the ground under the feet leave possible."""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from hazcam.frames import Floats, read_only
from hazcam.rover.profile import Body, Legs
from hazcam.rover.stance import (
    Stance,
    foot_heights,
    foot_places_m,
    settle,
    settle_on_tripods,
    tripod_feet,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class WorstStances:
    """Extremes over the stances that were tried at each of N places, all of shape (N,).

    Where a bound is NaN, all numbers are. Where one stance has no rest, the margin is 0 or less;
    where none has, the angles are NaN.

    Attributes
    ----------
    pitch_least_deg, pitch_most_deg : ndarray, float64
        Most nose-up (negative where the nose is up), most nose-down. [deg]
    roll_least_deg, roll_most_deg : ndarray, float64
        Right side up furthest (negative where it is up), left side up furthest. [deg]
    overturn_margin_deg : ndarray, float64
        The least. [deg]
    """

    pitch_least_deg: Floats
    pitch_most_deg: Floats
    roll_least_deg: Floats
    roll_most_deg: Floats
    overturn_margin_deg: Floats

    def __post_init__(self) -> None:
        shapes = {np.shape(getattr(self, field.name)) for field in fields(self)}
        if len(shapes) != 1 or len(shapes.pop()) != 1:
            raise ValueError("the worst stances need arrays of one shape (N,)")
        for field in fields(self):
            object.__setattr__(self, field.name, read_only(getattr(self, field.name)))


def worst_stances(body: Body, legs: Legs, low_m: ArrayLike, high_m: ArrayLike) -> WorstStances:
    """Settle the rover on extremes of the ground, on all feet and on each tripod.

    On a tripod, every foot low or high. On all feet, five cases: each at the middle of its bounds,
    and each end or side low with the rest high.

    These are the worst for the overturn margin: about the edge of an end or side, the body leans
    outwards the more, the lower the feet of that edge and the higher any other foot (and likewise
    about the edges of a tripod). Pitch is steepest with the middle feet high: the body then rests
    on them and on the low end, twice as steep as from end to end. For bounds that are the same
    under all feet no other ground between them is worse. Where they are uneven, other ground may
    have the body on all feet rest steeper, across more often than along.

    Parameters
    ----------
    body : Body
    legs : Legs
    low_m, high_m : array_like of shape (N, count)
        Least and greatest elevation of the ground under each foot, in the order of
        ``foot_places_m``. [m] -inf: unbounded, the foot may find no ground.

    Raises
    ------
    ValueError
        The bounds do not hold a height for each foot, or a low one is above the high one.
    """
    low, high = foot_heights(low_m, legs, "low_m"), foot_heights(high_m, legs, "high_m")
    if np.any(low > high):
        raise ValueError("a low_m is above its high_m")
    known = np.all(low + high < np.inf, axis=1, keepdims=True)  # NaN is not, either
    low, high = np.where(known, low, np.nan), np.where(known, high, np.nan)
    return _extremes(len(low), _on_all_feet(body, legs, low, high),
                     *_on_tripods(body, legs, low, high))


def _on_all_feet(body: Body, legs: Legs, low_m: Floats, high_m: Floats) -> Stance:
    """The five cases on all feet, one after the other."""
    x, y = foot_places_m(legs).T
    cases = [(low_m + high_m) / 2, *(np.where(raised, high_m, low_m)
                                     for raised in (x >= 0, x <= 0, y > 0, y < 0))]
    return settle(body, legs, np.concatenate(cases))


def _on_tripods(
    body: Body, legs: Legs, low_m: Floats, high_m: Floats
) -> tuple[Stance, Stance]:
    """Each foot of a tripod low or high, one after the other; both tripods in one go."""
    cases = []
    for corner in product((False, True), repeat=legs.count // 2):
        raised = np.zeros(legs.count, dtype=bool)
        for feet in tripod_feet(legs):
            raised[feet] = corner
        cases.append(np.where(raised, high_m, low_m))
    stances = settle_on_tripods(body, legs, np.concatenate(cases))
    return stances.left, stances.right


def _extremes(count: int, *stances: Stance) -> WorstStances:
    """Over the cases of each place; ``count`` places, each stance has all of its cases in turn.

    A stance without a rest has no angles, but a margin; without a height it has neither.
    """
    pitch_deg, roll_deg, margin_deg = (
        np.concatenate([getattr(stance, name).reshape(-1, count) for stance in stances])
        for name in ("pitch_deg", "roll_deg", "overturn_margin_deg"))
    return WorstStances(
        pitch_least_deg=np.fmin.reduce(pitch_deg), pitch_most_deg=np.fmax.reduce(pitch_deg),
        roll_least_deg=np.fmin.reduce(roll_deg), roll_most_deg=np.fmax.reduce(roll_deg),
        overturn_margin_deg=margin_deg.min(axis=0),
    )
