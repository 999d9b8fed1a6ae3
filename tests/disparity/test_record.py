"""A map checks itself."""

from __future__ import annotations

import numpy as np
import pytest

from hazcam.disparity import BLANK_WORDS, Blank, DisparityMap

ZERO = np.zeros((2, 2), np.float32)
MATCHED = np.zeros((2, 2), np.uint8)


def test_a_map_refuses_a_match_without_sigma() -> None:
    with pytest.raises(ValueError, match="sigma exactly where"):
        DisparityMap(disparity_px=ZERO, sigma_px=np.full((2, 2), np.nan, np.float32),
                     blank=MATCHED, matcher="test")


def test_a_map_refuses_a_blank_with_a_disparity() -> None:
    with pytest.raises(ValueError, match="MATCHED exactly where"):
        DisparityMap(disparity_px=ZERO, sigma_px=ZERO + 1, blank=MATCHED + np.uint8(1),
                     matcher="test")


def test_a_map_refuses_a_sigma_of_nothing() -> None:
    with pytest.raises(ValueError, match="sigma of a disparity is positive"):
        DisparityMap(disparity_px=ZERO, sigma_px=ZERO, blank=MATCHED, matcher="test")


def test_a_map_refuses_shapes_that_differ() -> None:
    with pytest.raises(ValueError, match="differ in shape"):
        DisparityMap(disparity_px=ZERO, sigma_px=ZERO[:1] + 1, blank=MATCHED, matcher="test")


def test_every_blank_has_words_and_the_shares_add_up() -> None:
    disparity = np.array([[1, np.nan], [np.nan, np.nan]], np.float32)
    blank = np.array([[Blank.MATCHED, Blank.EDGE], [Blank.EDGE, Blank.AMBIGUOUS]], np.uint8)
    found = DisparityMap(disparity_px=disparity, sigma_px=disparity, blank=blank, matcher="test")
    shares = found.blank_shares()
    assert list(shares) == [BLANK_WORDS[reason] for reason in Blank]
    assert len(set(shares)) == len(Blank)
    assert shares["edge of picture"] == 0.5
    assert sum(shares.values()) == pytest.approx(1)
    assert found.matched_share == shares["matched"] == 0.25


def test_a_map_cannot_be_written_to() -> None:
    mine = ZERO + 1
    found = DisparityMap(disparity_px=mine, sigma_px=mine, blank=MATCHED, matcher="test")
    with pytest.raises(ValueError, match="read-only"):
        found.disparity_px[0, 0] = 3
