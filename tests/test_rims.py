"""Pits that hide behind their own rim: the normal case of craters and spoil."""

import numpy as np
import pytest

from hazcam.assess import assess_pair
from hazcam.rover import read_rover
from hazcam.settings import Settings
from tests.synthetic import Box, Scene, ideal_rig, render

ROVER = read_rover("dunlin-em")
RIM_LENGTH_M = 0.03


@pytest.mark.parametrize(("rim_m", "pit_m"), [(0.015, 0.12), (0.02, 0.14), (0.03, 0.18)])
def test_a_black_pit_behind_a_low_rim_is_never_go(rim_m: float, pit_m: float) -> None:
    """The rim hides a part of the pit, the rest of its floor is black: nothing shows its depth."""
    near, far = 0.80, 0.80 + pit_m
    scene = Scene(boxes=(Box(near, far, -1.0, 1.0, -0.15),
                         Box(near - RIM_LENGTH_M, near, -1.0, 1.0, rim_m)),
                  black_x=(near + 1e-4, far + 1e-4), seed=1, noise_grey=1.0)
    found = assess_pair(render(scene), ideal_rig(), ROVER, Settings(headings_deg=(0.0,)))
    assert found.verdicts[0].verdict == "ask-ground"


def test_a_low_rim_with_flat_ground_behind_it_is_go() -> None:
    """What the rim hides is explained, and nothing beyond it is black or low."""
    scene = Scene(boxes=(Box(0.77, 0.80, -1.0, 1.0, 0.02),), seed=1, noise_grey=1.0)
    found = assess_pair(render(scene), ideal_rig(), ROVER, Settings(headings_deg=(0.0,)))
    assert found.verdicts[0].verdict == "go"
    runs = found.demands[0].runs
    assert np.all(runs.blank_m <= 0.03)
    assert runs.explained_m.max() > 0.06
