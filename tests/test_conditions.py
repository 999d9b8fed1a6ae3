from dataclasses import replace

import pytest

from hazcam.assess import Assessment, assess_pair
from hazcam.conditions import (
    REHEARSED_LOOK_AHEAD_M,
    REHEARSED_SUN_DEG,
    REHEARSED_TILT_DEG,
    outside_rehearsed,
)
from hazcam.frames import Attitude
from hazcam.rover import read_rover
from hazcam.settings import Settings
from tests.synthetic import Scene, ideal_rig, render

ROVER = read_rover("dunlin-em")


@pytest.fixture(scope="module")
def found() -> Assessment:
    return assess_pair(render(Scene()), ideal_rig(), ROVER, Settings(headings_deg=(0.0,)))


def with_details(found: Assessment, **details: float) -> Assessment:
    return replace(found, pair=replace(found.pair, details=details))


def tilted(found: Assessment, roll_deg: float) -> Assessment:
    attitude = Attitude(roll_deg=roll_deg, pitch_deg=0.0, roll_sigma_deg=0.5, pitch_sigma_deg=0.5)
    return replace(found, pair=replace(found.pair, attitude=attitude))


def test_a_pair_as_rehearsed_says_nothing(found: Assessment) -> None:
    assert outside_rehearsed(found) == ()


@pytest.mark.parametrize(("sun_deg", "words"), [
    (REHEARSED_SUN_DEG[0] - 0.5, ["sun at 2.5°"]), (REHEARSED_SUN_DEG[0], []),
    (REHEARSED_SUN_DEG[1], []), (REHEARSED_SUN_DEG[1] + 10, ["sun at 60°"]),
])
def test_a_sun_beyond_those_rehearsed_is_said(
    found: Assessment, sun_deg: float, words: list[str]
) -> None:
    said = outside_rehearsed(with_details(found, sun_elevation_deg=sun_deg))
    assert [text.split(" (")[0] for text in said] == words


def test_a_tilt_beyond_those_rehearsed_is_said(found: Assessment) -> None:
    assert outside_rehearsed(tilted(found, -REHEARSED_TILT_DEG)) == ()
    assert "tilted by 9.0°" in outside_rehearsed(tilted(found, -REHEARSED_TILT_DEG - 1))[0]


def test_a_look_ahead_beyond_those_rehearsed_is_said(found: Assessment) -> None:
    settings = replace(found.settings, look_ahead_m=REHEARSED_LOOK_AHEAD_M + 0.2)
    far = replace(found, settings=settings)
    assert any("look-ahead of 1.7 m" in text for text in outside_rehearsed(far))


def test_another_mount_or_baseline_is_said(found: Assessment) -> None:
    wide = replace(found.rig, T=found.rig.T * 2)
    assert any("baseline" in text for text in outside_rehearsed(replace(found, rig=wide)))
