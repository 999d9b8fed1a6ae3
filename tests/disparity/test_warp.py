"""The warp by the expected surface, and back."""

from __future__ import annotations

import cv2
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.disparity.warp import extend_columns, unwarp, warp_right
from tests.disparity.pairs import MEAN_GREY, grid, surface, waves


@given(st.floats(-0.01, 0.01), st.floats(-0.5, 0.5), st.floats(20, 200))
@settings(max_examples=30, deadline=None)
def test_the_warp_is_undone(per_column: float, per_row: float, base: float) -> None:
    """With a plane of expected disparity the rule d = r + e(x - r) has a closed form."""
    columns, rows = grid(40, 60)
    expected = base + per_column * columns + per_row * rows
    true = expected + 7.25
    residual = (true - expected) / (1 - per_column)  # solves d = r + e(x - r) for r
    found = unwarp(residual.astype(np.float32), expected.astype(np.float32))
    assert np.allclose(found, true, atol=2e-3)


def test_no_match_stays_no_match() -> None:
    residual = np.array([[1, np.nan, 2]], np.float32)
    found = unwarp(residual, np.full((1, 3), 10, np.float32))
    np.testing.assert_array_equal(found, [[11, np.nan, 12]])


def test_the_warp_makes_the_expected_surface_stand_still() -> None:
    """R(x - e) is the left picture: to the error of cubic interpolation below 0.1 cycles/px."""
    columns, rows = grid(60, 120)
    pair = surface(20 + 0.3 * rows + 0.05 * columns, waves(1, highest=0.1))
    warped = warp_right(pair.right.astype(np.float32), pair.truth_px.astype(np.float32),
                        cv2.INTER_CUBIC)
    inside = columns - pair.truth_px > 3
    assert np.abs(warped - pair.left)[inside].max() < 2
    assert np.abs(warped - pair.left)[inside].mean() < 0.2
    assert not warped[columns - pair.truth_px < -2.1].any()


def test_columns_beside_the_picture_belong_to_the_same_surface() -> None:
    """The wide picture begins at ``first_column``: its middle is the plain warp."""
    columns, rows = grid(20, 60)
    expected = (10 + 0.1 * columns + 0.2 * rows).astype(np.float32)
    wide = extend_columns(expected, 5, 7)
    np.testing.assert_allclose(wide, 10 + 0.1 * (grid(20, 72)[0] - 5) + 0.2 * grid(20, 72)[1],
                               rtol=1e-5)
    right = (MEAN_GREY + waves(1)(columns, rows)).astype(np.float32)
    np.testing.assert_allclose(
        warp_right(right, wide, cv2.INTER_CUBIC, first_column=-5)[:, 5:65],
        warp_right(right, expected, cv2.INTER_CUBIC), atol=1e-3)
