"""Whether a demand is over its limit by truth, on the ground of the judge's own tests."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.scene.truth import SceneTruth
from tests.scene.test_judge import (
    BLOCKS,
    HEIGHTS,
    STRIP,
    Blocks,
    Surface,
    between,
    blocky,
    corner_block,
    flat,
    label,
    ledge,
    limits,
    quick,
    rib,
    rock,
    trench,
    truth_of,
)


@pytest.mark.parametrize(("height_m", "expected"), [
    (0.061, True), (0.059, False), (0.068, True), (0.045, False), (0.10, True),
])
def test_a_rock_is_over_the_limit_or_not_with_no_band_between(
    height_m: float, expected: bool
) -> None:
    """The limit is 6 cm: 6.1 and 6.8 cm are borderline by their label, and over it."""
    assert label(truth_of(flat, rock(0.65, 0.0, height_m))).exceeds is expected


@pytest.mark.parametrize(("surface", "expected"), [
    (ledge(0.5, 0.061), True), (ledge(0.5, 0.059), False),
    (ledge(0.5, -0.061), True), (ledge(0.5, -0.059), False),
    (trench(0.5, 0.5 + 0.11), True),  # the legs bridge 9 cm
    (trench(0.5, 0.5 + 0.08), False),
    (rib(0.061), True), (rib(0.059), False),  # along the heading, under the belly
])
def test_relief_is_held_against_its_limit(surface: Surface, expected: bool) -> None:
    assert label(truth_of(surface)).exceeds is expected


@pytest.mark.parametrize(("slope_deg", "expected"), [(25.3, True), (24.7, False)])
def test_a_slope_is_held_against_its_limit(slope_deg: float, expected: bool) -> None:
    rise = np.tan(np.radians(slope_deg))
    assert label(truth_of(lambda s, y: rise * s)).exceeds is expected


@pytest.mark.parametrize(("slope_deg", "expected"), [(20.3, True), (19.7, False)])
def test_roll_is_held_against_its_limit(slope_deg: float, expected: bool) -> None:
    rise = np.tan(np.radians(slope_deg))
    assert label(truth_of(lambda s, y: rise * y)).exceeds is expected


@pytest.mark.parametrize(("y_m", "expected"), [
    (0.140 + 0.029, True),  # cuts the margin by 1 mm
    (0.140 + 0.031, False),  # only the guard of the label beyond it
])
def test_margins_count_and_the_guard_does_not(y_m: float, expected: bool) -> None:
    found = label(truth_of(flat, rock(0.65, y_m, 0.08)))
    assert (found.label, found.exceeds) == ("borderline", expected)


@pytest.mark.parametrize(("s_m", "expected"), [
    (STRIP - 0.031, None),  # wholly in the strip
    (STRIP - 0.029, True), (1.0 + 0.029, True),
    (1.0 + 0.031, False),  # beyond the look-ahead
])
def test_what_lies_in_the_strip_alone_is_not_known(s_m: float, expected: bool | None) -> None:
    assert label(truth_of(flat, rock(s_m, 0.0, 0.08))).exceeds is expected


@pytest.mark.parametrize(("surface", "expected"), [
    (ledge(0.10, 0.065), None),  # climbed in the strip, though its high ground goes on
    (ledge(0.10, -0.065), True),  # the low ground goes on, and the bank was high
    (trench(0.02, 0.18), None),
    (ledge(STRIP + 0.01, 0.065), True),
])
def test_relief_begun_in_the_strip(surface: Surface, expected: bool | None) -> None:
    assert label(truth_of(surface)).exceeds is expected


def test_what_the_turn_meets_is_not_known() -> None:
    truth = corner_block(0.08, "rock")
    assert label(truth, heading_deg=10.0).exceeds is None


def test_unknown_ground_is_not_known_unless_something_is_over_a_limit() -> None:
    def torn(truth: SceneTruth) -> SceneTruth:
        z = truth.elevation.z_m.copy()
        z[200:204] = np.nan  # 0.545 m from the nose
        return replace(truth, elevation=replace(truth.elevation, z_m=z))
    assert label(torn(truth_of())).exceeds is None
    assert label(torn(truth_of(flat, rock(0.8, 0.0, 0.08)))).exceeds is True


def test_a_low_ledge_is_no_slope() -> None:
    """The plane through a step of 5 cm in 30 cm rises by 14 degrees, but does not fit."""
    found = label(truth_of(ledge(0.5, 0.05)), wanted=limits(0.06, slope_deg=10.0))
    assert found.slope_deg > 10.0
    assert found.exceeds is False


def test_two_trenches_with_no_room_for_a_leg_are_one_gap() -> None:
    """Each of 7 cm is bridged; with 2 cm between them they are one of 16 cm."""
    def two(land_m: float) -> Surface:
        first, second = (0.50, 0.57), (0.57 + land_m, 0.64 + land_m)
        return lambda s, y: np.where(between(s, *first) | between(s, *second), -0.12, 0.0)
    assert label(truth_of(two(0.02))).exceeds is True
    assert label(truth_of(two(0.40))).exceeds is False


ORDER = {True: 0, None: 1, False: 2}


@settings(max_examples=60, deadline=None, derandomize=True)
@given(blocks=BLOCKS, slope=st.sampled_from([-0.2, 0.0, 0.09]), height=HEIGHTS,
       heading=st.sampled_from([0.0, 7.0]), more=st.floats(1.0, 2.0))
def test_blocked_is_over_a_limit_and_free_is_not(
    blocks: Blocks, slope: float, height: float, heading: float, more: float
) -> None:
    """And a higher limit never makes it worse."""
    truth = blocky(blocks, slope)
    found = quick(truth, heading, limits(height, slope_deg=15))
    if found.label != "borderline":
        assert found.exceeds is (found.label == "blocked")
    higher = quick(truth, heading, limits(height * more, gap_m=0.09 * more, slope_deg=15 * more,
                                          roll_deg=20 * more))
    assert ORDER[higher.exceeds] >= ORDER[found.exceeds]
