"""Published and closed-form values of body statics.

Stability margin as the distance from the centre of mass to the edge of the support polygon:
R. B. McGhee and A. A. Frank, "On the stability properties of quadruped creeping gaits,"
Mathematical Biosciences, vol. 3, pp. 331-351, 1968. The numbers are worked by hand from it, to the
digits quoted.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from hazcam.rover.io import read_rover
from hazcam.rover.limits import tip_angle_deg, tripod_stability_m


def test_tripod_of_a_quarter_metre_stance() -> None:
    """Feet 0.24 x 0.20 m: nearest edge at 0.05145 m; at a height of 0.09 m it tips at 29.755°."""
    rover = read_rover("dunlin-em")
    assert tripod_stability_m(rover.legs) == pytest.approx(0.05145, abs=5e-6)
    assert tip_angle_deg(rover.body, rover.legs) == pytest.approx(29.755, abs=5e-4)
    assert rover.limits.slope.value == pytest.approx(29.755 / 2, abs=5e-4)
    assert rover.limits.roll.value == pytest.approx(29.755 / 3, abs=5e-4)


def test_tripod_of_a_longer_stance() -> None:
    """Feet at (±0.15, 0.105) and (0, -0.105): nearest edge at 0.06103 m, tips at 34.1416°."""
    rover = read_rover("dunlin-em")
    legs = replace(rover.legs, hip_spacing_m=0.15, track_m=0.21)
    assert tripod_stability_m(legs) == pytest.approx(0.06103, abs=5e-6)
    assert tip_angle_deg(rover.body, legs) == pytest.approx(34.1416, abs=5e-5)


def test_gap_stays_below_the_leg_spacing() -> None:
    """Support rule, closed form: with legs at -a, 0, +a a gap of a leaves no margin at all."""
    rover = read_rover("dunlin-em")
    a = rover.legs.hip_spacing_m
    assert rover.limits.gap.value == pytest.approx(0.12 - 0.03)
    assert rover.limits.gap.value < a
