"""The first look: exposure, plane, and the small copy's band."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hazcam.disparity import MatchSettings, SearchBand, ground_band
from hazcam.disparity.coarse import Exposure, FirstLook, about_plane, look, shrunk, shrunk_band
from hazcam.disparity.search import search
from hazcam.frames import view_from
from hazcam.rectification import common_view
from tests.disparity.pairs import SHAPE, Pair, Patch, grid, surface, waves, with_patches
from tests.synthetic import LEVEL, ideal_rig, mount_of

Map = NDArray[np.float32]


def census_only(left: Map, right: Map, band: SearchBand) -> Map:
    return search(left, right, band, grey_cap=0).disparity_px


def seen(pair: Pair, high_px: float = 60.0) -> FirstLook:
    low = np.zeros(pair.left.shape, np.float32)
    band = SearchBand(expected_px=low, low_px=low, high_px=low + np.float32(high_px))
    return look(pair.left.astype(np.float32), pair.right.astype(np.float32), band, census_only)


def exposed(pair: Pair, gain: float, offset_grey: float) -> Pair:
    """The right picture so that ``left = gain * right + offset``."""
    return Pair(left=pair.left, right=(pair.right - offset_grey) / gain, truth_px=pair.truth_px)


@pytest.fixture(scope="module")
def ground() -> Pair:
    columns, rows = grid(*SHAPE)
    return surface(14 + 0.03 * columns + 0.2 * rows, waves(1))


# Exposure


@given(gain=st.floats(0.5, 2.0), offset=st.floats(-30, 30))
@settings(max_examples=20, deadline=None)
def test_gain_and_offset_are_found(gain: float, offset: float) -> None:
    """Within 1 % and half a grey level in the middle: whole-pixel matches blur both alike."""
    columns, rows = grid(*SHAPE)
    pair = surface(14 + 0.03 * columns + 0.2 * rows, waves(1))
    found = seen(exposed(pair, gain, offset)).exposure
    assert found.gain == pytest.approx(gain, rel=0.01)
    middle = (110 - offset) / gain
    assert found.gain * middle + found.offset_grey == pytest.approx(110, abs=0.5)


def test_noise_is_taken_for_no_gain(ground: Pair) -> None:
    """Noise of 10 on a contrast of 25 on both: least squares would find 25² / (25² + 10²) = 0.86.

    The ratio of the spreads finds 1, to 4 %: 3000 matches that are not independent.
    """
    for seed in range(3):
        found = seen(ground.noisy(10, seed)).exposure
        assert found.gain == pytest.approx(1.0, abs=0.04)


def test_exposure_is_applied_from_right_to_left() -> None:
    found = Exposure(gain=2.0, offset_grey=-5.0).on_left(np.array([[10.0, 20.0]], np.float32))
    np.testing.assert_array_equal(found, np.array([[15.0, 35.0]], np.float32))


def test_pictures_that_do_not_match_say_nothing() -> None:
    """Fewer matches than are asked for: no difference of exposure, no plane."""
    rng = np.random.default_rng(1)
    left, right = 100 + 20 * rng.standard_normal((2, 24, 30))
    found = seen(Pair(left=left, right=3 * right, truth_px=0 * left), 20)
    assert found.exposure == Exposure()
    assert found.plane is None


# Plane


@pytest.mark.parametrize("size", [SHAPE, (240, 400)])
def test_the_plane_is_that_of_the_picture_itself(size: tuple[int, int]) -> None:
    """At 400 columns the small copy has half the pixels: the plane is scaled back.

    Left out, the half pixel between the middles of small and large pixels would show as an
    offset of (a + b) / 2 = 0.11 px. Noise and whole-pixel matching leave less than 0.05.
    """
    columns, rows = grid(*size)
    truth = 6 + 0.02 * columns + 0.2 * rows
    plane = seen(surface(truth, waves(2)).noisy(1)).plane
    assert plane is not None
    c, a, b = plane
    found = c + a * columns + b * rows
    assert abs(float(np.mean(found - truth))) < 0.05
    assert np.abs(found - truth).max() < 0.3


def test_a_box_does_not_tilt_the_plane(ground: Pair) -> None:
    boxed = with_patches(ground, [Patch(rows=(60, 110), columns=(80, 130), disparity_px=45)])
    plane = seen(boxed.noisy(1)).plane
    assert plane is not None
    assert plane == pytest.approx((14, 0.03, 0.2), abs=0.1)


def test_no_plane_where_none_holds_most_of_it() -> None:
    """Three steps of a third each."""
    _, rows = grid(*SHAPE)
    assert seen(surface(10.0 + 12 * (rows // 40), waves(1)).noisy(1)).plane is None


def test_no_plane_is_sought_where_a_ground_is_expected(ground: Pair) -> None:
    expected = ground.truth_px.astype(np.float32)
    band = SearchBand(expected_px=expected, low_px=expected - 5, high_px=expected + 5)
    found = look(ground.left.astype(np.float32), ground.right.astype(np.float32), band,
                 census_only)
    assert found.plane is None


def test_a_band_about_a_plane_keeps_its_ends() -> None:
    low = np.full((4, 5), 2, np.float32)
    band = SearchBand(expected_px=low, low_px=low, high_px=low + 8)
    about = about_plane(band, (1.0, 0.5, 3.0))
    columns, rows = grid(4, 5)
    np.testing.assert_allclose(about.expected_px, np.clip(1 + 0.5 * columns + 3 * rows, 2, 10))
    np.testing.assert_array_equal(about.low_px, band.low_px)
    np.testing.assert_array_equal(about.high_px, band.high_px)


# Small copy


def test_a_small_copy_holds_means_and_drops_what_is_left_over() -> None:
    picture = np.arange(5 * 7, dtype=np.float32).reshape(5, 7)
    small = shrunk(picture, 2)
    assert small.shape == (2, 3)
    np.testing.assert_allclose(small[1, 2], picture[2:4, 4:6].mean())


def test_the_band_at_half_size_is_no_narrower() -> None:
    """Of a rover's ground: every pixel of a block of two by two fits, in pixels of half size.

    The high end grows by up to 1.9 px a row (the top of a box just below the camera), so by less
    than half a small pixel about the middle of a block: the half pixel added on either side
    holds it.
    """
    factor = 2
    rig = ideal_rig()
    both = common_view(rig)
    band = ground_band(both.camera, both.T_camera_rectified,
                       view_from(mount_of(rig), LEVEL, unknown_tilt_deg=0, scale_sigma=0),
                       MatchSettings())
    small = shrunk_band(band, factor)
    height, width = small.low_px.shape

    def blocks(values: Map) -> Map:
        cut = values[: height * factor, : width * factor] / np.float32(factor)
        return cut.reshape(height, factor, width, factor)

    assert np.all(small.low_px <= blocks(band.low_px).min(axis=(1, 3)) + 1e-3)
    assert np.all(small.high_px >= blocks(band.high_px).max(axis=(1, 3)) - 1e-3)


def test_the_first_look_keeps_16_rows_of_a_low_picture() -> None:
    """3 rows are looked at as they are, whatever the width."""
    low = np.zeros((3, 700), np.float32)
    seen: list[tuple[int, ...]] = []

    def spy(left: Map, right: Map, band: SearchBand) -> Map:
        seen.append(left.shape)
        return np.full(left.shape, np.nan, np.float32)

    look(low, low, SearchBand(expected_px=low, low_px=low, high_px=low), spy)
    assert seen == [(3, 700)]


def test_the_first_look_is_as_wide_as_it_says() -> None:
    """640 columns shrink by 4; the matcher that is handed in sees 160."""
    shapes: list[tuple[int, ...]] = []

    def spy(left: Map, right: Map, band: SearchBand) -> Map:
        shapes.extend([left.shape, right.shape, band.low_px.shape])
        return np.full(left.shape, np.nan, np.float32)

    low = np.zeros((80, 640), np.float32)
    look(low, low, SearchBand(expected_px=low, low_px=low, high_px=low), spy)
    assert shapes == [(20, 160)] * 3
