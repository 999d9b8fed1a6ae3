"""Where the body of a settled rover meets the ground, against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hazcam.rover import (
    BodyContact,
    body_contact,
    body_places,
    foot_places_m,
    height_under,
    read_rover,
    settle,
)

ROVER = read_rover("dunlin-em")
BODY, LEGS = ROVER.body, ROVER.legs
SPACING = LEGS.hip_spacing_m
PLACES = body_places(BODY, 0.005)
X, Y = PLACES.T
# What is worked out in closed form differs by rounding alone.
close = pytest.approx


def test_places_cover_the_outline() -> None:
    places = body_places(BODY, 0.02)
    assert places.max(axis=0) == close([BODY.nose_m, BODY.width_m / 2])
    assert places.min(axis=0) == close([BODY.nose_m - BODY.length_m, -BODY.width_m / 2])
    for axis in (0, 1):
        assert np.diff(np.unique(places[:, axis].round(9))).max() <= 0.02 + 1e-9
    assert len(body_places(BODY, 0.005)) == 63 * 45  # 0.31 / 0.005 and 0.22 / 0.005, ends included
    with pytest.raises(ValueError, match="spacing_m must be above 0"):
        body_places(BODY, 0.0)


def test_ground_in_the_plane_of_the_soles_is_at_0() -> None:
    stance = settle(BODY, LEGS, (0.3 + foot_places_m(LEGS) @ [0.2, -0.1])[None])
    ground = (0.3 + PLACES @ [0.2, -0.1])[None]
    assert height_under(stance, PLACES, ground) == close([0.0], abs=1e-12)


def test_a_rock_on_a_slope_counts_across_the_soles() -> None:
    """A post 30 mm high along the vertical reaches 30 mm x cos(15°) from the soles."""
    slope = math.tan(math.radians(15))
    stance = settle(BODY, LEGS, slope * foot_places_m(LEGS)[None, :, 1])
    ground = (slope * Y + np.where(np.arange(len(X)) == 1000, 0.03, 0.0))[None]
    assert height_under(stance, PLACES, ground) == close([0.03 * math.cos(math.radians(15))])


@pytest.mark.parametrize(("underside_m", "length_m", "expected_deg"), [
    # Breakover angle between point contacts, 2 atan(2 c / L), to the digits quoted; closed form.
    (0.05, 0.24, 45.2397), (0.06, 0.24, 53.1301), (0.06, 0.30, 43.6028), (0.10, 0.30, 67.3801),
])
def test_breakover(underside_m: float, length_m: float, expected_deg: float) -> None:
    """Over a ridge like a roof, midway between four feet, the belly grounds at that angle."""
    body = replace(BODY, underside_m=underside_m)
    legs = replace(LEGS, count=4, hip_spacing_m=length_m)
    assert math.degrees(2 * math.atan(2 * underside_m / length_m)) == close(
        expected_deg, abs=5e-5)
    for angle_deg, grounds in ((expected_deg - 0.01, False), (expected_deg + 0.01, True)):
        fall = math.tan(math.radians(angle_deg / 2))
        stance = settle(body, legs, -fall * np.abs(foot_places_m(legs)[:, 0])[None])
        assert stance.touching.all()
        belly_m = body_contact(stance, legs, PLACES, -fall * np.abs(X)[None]).belly_m[0]
        assert (belly_m > underside_m) == grounds
        assert belly_m == close(fall * length_m / 2)


@pytest.mark.parametrize(("height_m", "grounds"), [(0.049, False), (0.051, True)])
def test_a_flat_topped_ridge_between_the_feet(height_m: float, grounds: bool) -> None:
    """Higher than the underside it grounds the belly, however wide it is."""
    stance = settle(BODY, LEGS, np.zeros((1, 6)))
    for half_width_m in (0.003, 0.04):
        ridge = np.where(np.abs(X - SPACING / 2) <= half_width_m, height_m, 0.0)[None]
        contact = body_contact(stance, LEGS, PLACES, ridge)
        assert (BODY.underside_m - contact.belly_m[0] < 0) == grounds
        assert contact.belly_m == close([height_m])
        assert (contact.approach_m[0], contact.departure_m[0]) == (0.0, 0.0)


@pytest.mark.parametrize("overhang_m", [0.03, 0.05])
def test_approach_and_departure(overhang_m: float) -> None:
    """A slope from the front (hind) feet touches nose (tail) at atan(underside / overhang)."""
    front_m = SPACING
    body = replace(BODY, nose_m=front_m + overhang_m, length_m=2 * (front_m + overhang_m))
    places = body_places(body, 0.005)
    rise = body.underside_m / overhang_m
    stance = settle(body, LEGS, np.zeros((1, 6)))
    ahead = np.maximum(0.0, places[:, 0] - front_m)[None] * rise
    contact = body_contact(stance, LEGS, places, ahead)
    assert contact.approach_m == close([body.underside_m])
    assert (contact.belly_m[0], contact.departure_m[0]) == (0.0, 0.0)
    behind = body_contact(stance, LEGS, places * [-1, 1], ahead)
    assert behind.departure_m == close([body.underside_m])
    assert (behind.belly_m[0], behind.approach_m[0]) == (0.0, 0.0)


def test_unknown_ground_under_the_body() -> None:
    """Left out where some is known; unknown where none is; nothing where there is no body."""
    stance = settle(BODY, LEGS, np.vstack([np.zeros((2, 6)), np.full((1, 6), np.nan)]))
    ground = np.zeros((3, len(X)))
    ground[0, X < 0] = np.nan
    ground[1] = np.nan
    assert height_under(stance, PLACES, ground) == close([0.0, np.nan, np.nan], nan_ok=True)
    contact = body_contact(stance, LEGS, PLACES, ground)
    assert contact.departure_m == close([np.nan] * 3, nan_ok=True)
    assert contact.approach_m == close([0.0, np.nan, np.nan], nan_ok=True)
    middle = np.abs(X) < 0.1
    inner = body_contact(stance, LEGS, PLACES[middle], ground[:, middle])
    assert np.isneginf(inner.approach_m).all()
    assert np.isneginf(inner.departure_m).all()


def test_shapes_that_do_not_fit_are_refused() -> None:
    stance = settle(BODY, LEGS, np.zeros((1, 6)))
    with pytest.raises(ValueError, match=r"places_xy_m needs the shape \(K, 2\)"):
        height_under(stance, np.zeros(2), np.zeros((1, 1)))
    with pytest.raises(ValueError, match=r"ground_m needs the shape \(1, 4\)"):
        body_contact(stance, LEGS, np.zeros((4, 2)), np.zeros((2, 4)))
    with pytest.raises(ValueError, match="approach_m of a contact"):
        BodyContact(belly_m=np.zeros(2), approach_m=np.zeros(3), departure_m=np.zeros(2))
