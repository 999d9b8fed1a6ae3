"""Where the body of a settled rover meets the ground: under it, ahead of and behind its feet."""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import ceil

import numpy as np
from numpy.typing import ArrayLike

from hazcam.frames import Floats, read_only
from hazcam.rover.profile import Body, Legs
from hazcam.rover.stance import Stance, foot_places_m


@dataclass(frozen=True, kw_only=True, eq=False)
class BodyContact:
    """Greatest height of the ground above the plane of the soles, by part of the body.

    The clearance is ``Body.underside_m`` minus it; below 0 the body is in contact. All of shape
    (N,), float64; NaN where no height is known there, or no stance; -inf where the body has no
    place in that part.

    Attributes
    ----------
    belly_m : ndarray
        Between the front and the hind feet. [m]
    approach_m : ndarray
        Ahead of the front feet. [m]
    departure_m : ndarray
        Behind the hind feet. [m]
    """

    belly_m: Floats
    approach_m: Floats
    departure_m: Floats

    def __post_init__(self) -> None:
        for field in fields(self):
            values = getattr(self, field.name)
            if np.shape(values) != np.shape(self.belly_m) or np.ndim(values) != 1:
                raise ValueError(f"{field.name} of a contact has shape {np.shape(values)}, "
                                 f"belly_m {np.shape(self.belly_m)}")
            object.__setattr__(self, field.name, read_only(values))


def body_places(body: Body, spacing_m: float) -> Floats:
    """Lay a grid of places under the outline of the body, its edges included.

    Parameters
    ----------
    body : Body
    spacing_m : float
        Greatest distance between neighbours, along and across. [m]

    Returns
    -------
    ndarray of shape (K, 2), float64
        Rover frame: x forward, from the nose back; y left. [m]

    Raises
    ------
    ValueError
        The spacing is not above 0.
    """
    if not spacing_m > 0:
        raise ValueError(f"spacing_m must be above 0, got {spacing_m}")
    # A length of whole spacings gets no further place for the rounding of their quotient.
    along, across = (ceil(m / spacing_m - 1e-9) + 1 for m in (body.length_m, body.width_m))
    x = np.linspace(body.nose_m, body.nose_m - body.length_m, along)
    y = np.linspace(body.width_m / 2, -body.width_m / 2, across)
    return np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)


def height_under(stance: Stance, places_xy_m: ArrayLike, ground_m: ArrayLike) -> Floats:
    """Greatest height of the ground above the plane of the soles.

    Heights are perpendicular to the soles, as those of the body are. As with the feet, the ground
    is that at the places on a flat floor. A tilted body has a place at height h above its soles
    h sin(tilt) further downhill, 1.3 cm for 5 cm at 15 degrees, and this is neglected: lay the
    places a little beyond the body where that matters.

    Parameters
    ----------
    stance : Stance
        Of N places.
    places_xy_m : array_like of shape (K, 2)
        Places under the body, rover frame. [m]
    ground_m : array_like of shape (N, K)
        Elevation of the ground there, level frame. [m] NaN: not known, and left out.

    Returns
    -------
    ndarray of shape (N,), float64
        [m] NaN where the ground is not known at any of the places, or the stance is not;
        -inf if there are no places.

    Raises
    ------
    ValueError
        The shapes do not fit together.
    """
    places, ground = _fitting(stance, places_xy_m, ground_m)
    if len(places) == 0:
        return np.full(len(ground), -np.inf)
    pitch, roll = np.radians(stance.pitch_deg), np.radians(stance.roll_deg)
    slopes = np.stack([-np.tan(pitch), np.tan(roll) / np.cos(pitch)], axis=1)
    above_m = ground - slopes @ places.T - stance.height_m[:, None]
    return np.asarray(np.fmax.reduce(above_m, axis=1) * np.cos(pitch) * np.cos(roll))


def body_contact(
    stance: Stance, legs: Legs, places_xy_m: ArrayLike, ground_m: ArrayLike
) -> BodyContact:
    """Split ``height_under`` at the front and the hind feet; parameters and errors as there."""
    places, ground = _fitting(stance, places_xy_m, ground_m)
    x, front_m = places[:, 0], foot_places_m(legs)[0, 0]
    belly, approach, departure = (
        height_under(stance, places[part], ground[:, part])
        for part in (np.abs(x) <= front_m, x > front_m, x < -front_m)
    )
    return BodyContact(belly_m=belly, approach_m=approach, departure_m=departure)


def _fitting(stance: Stance, places_xy_m: ArrayLike, ground_m: ArrayLike) -> tuple[Floats, Floats]:
    """Places and ground as arrays, if their shapes fit the stance."""
    places = np.asarray(places_xy_m, dtype=np.float64)
    ground = np.asarray(ground_m, dtype=np.float64)
    if places.ndim != 2 or places.shape[1] != 2:
        raise ValueError(f"places_xy_m needs the shape (K, 2), got {places.shape}")
    if ground.shape != (len(stance.height_m), len(places)):
        raise ValueError(f"ground_m needs the shape ({len(stance.height_m)}, {len(places)}), "
                         f"got {ground.shape}")
    return places, ground
