"""The disparities to search, from the geometry of the rover."""

from __future__ import annotations

import numpy as np
import pytest

from hazcam.disparity import MatchSettings, SearchBand, flat_band, ground_band
from hazcam.frames import Attitude, view_from
from hazcam.rectification import CommonView, common_view
from tests.synthetic import LEVEL, ideal_rig, mount_of


@pytest.fixture(scope="module")
def both() -> CommonView:
    return common_view(ideal_rig())


def band_of(both: CommonView, attitude: Attitude = LEVEL) -> SearchBand:
    view = view_from(mount_of(ideal_rig()), attitude, unknown_tilt_deg=0, scale_sigma=0)
    return ground_band(both.camera, both.T_camera_rectified, view, MatchSettings())


def test_the_band_holds_a_tall_box_at_the_lower_edge_and_a_deep_pit(both: CommonView) -> None:
    """Bottom row: ground 227 px, an 8 cm object 429 px; hand-worked from f B / Z."""
    band = band_of(both)
    assert band.expected_px[-1, 320] == pytest.approx(227, abs=1)
    assert band.high_px[-1, 320] > 429
    # A floor 0.20 m down, seen where the ground would be 140 px: 140 * 0.17 / 0.37.
    row = int(np.argmin(np.abs(band.expected_px[:, 320] - 140)))
    assert band.low_px[row, 320] <= 140 * 0.17 / 0.37 + 0.5


def test_the_band_widens_with_the_sigma_of_the_attitude(both: CommonView) -> None:
    unsure = Attitude(roll_deg=0, pitch_deg=0, roll_sigma_deg=3, pitch_sigma_deg=3)
    sure, wide = band_of(both), band_of(both, unsure)
    assert np.all(wide.high_px >= sure.high_px)
    assert np.all(wide.low_px <= sure.low_px)
    assert np.any(wide.high_px > sure.high_px + 5)


def test_nothing_beyond_infinity_is_searched(both: CommonView) -> None:
    """Above the horizon of every plane of interest the band shrinks to disparity 0."""
    assert band_of(both).low_px.min() == 0


def test_a_band_refuses_ends_the_wrong_way_round() -> None:
    a = np.zeros((2, 2), np.float32)
    with pytest.raises(ValueError, match="low <= expected"):
        SearchBand(expected_px=a, low_px=a + 1, high_px=a + 2)


def test_a_band_refuses_arrays_of_different_shapes() -> None:
    a = np.zeros((2, 2), np.float32)
    with pytest.raises(ValueError, match="differ in shape"):
        SearchBand(expected_px=a, low_px=a, high_px=np.zeros((2, 3), np.float32))


def test_a_flat_band_has_one_range(both: CommonView) -> None:
    band = flat_band(both.camera, 0, 64)
    assert band.low_px.min() == band.low_px.max() == 0
    assert band.high_px.min() == band.high_px.max() == 64
    assert band.is_flat
    assert not band_of(both).is_flat
