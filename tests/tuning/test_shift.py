"""How far least limits move, by hand and by laws."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtri

from hazcam.tuning.shift import shift_of

VALUES = np.array([0.04, 0.05, 0.06, 0.07, 0.09])
NONE = len(VALUES)


def test_by_hand() -> None:
    """Moves 0.01, 0, 0.02, 0.01; out: go at the first value, at none, too far from 0.06."""
    before = [1, 2, 3, 2, 0, NONE, 2, NONE, 4]
    after_ = [2, 2, 4, 3, 1, NONE, NONE, 3, 3]
    found = shift_of(before, after_, VALUES, limit=0.06, band=0.0101)
    assert (found.headings, found.lost, found.won, found.reason) == (4, 1, 1, "")
    assert found.median == pytest.approx(0.01)
    # Off the median: 0, 0.01, 0.01, 0, whose median is 0.005; over the third quartile of a normal.
    assert found.scatter == pytest.approx(0.005 / ndtri(0.75), rel=1e-12)
    assert found.step == pytest.approx(0.02)


@pytest.mark.parametrize(("before", "after", "reason"), [
    ([], [], "there are no headings"),
    ([4, NONE, 0], [3, 1, 1], "no heading needs a limit within 0.005 of 0.06"),
    ([2, 2], [NONE, 0], "2 headings before the change within 0.005 of 0.06, none"),
    ([2], [NONE], "1 heading before"),
])
def test_no_heading_gives_no_number(before: list[int], after: list[int], reason: str) -> None:
    found = shift_of(before, after, VALUES, limit=0.06, band=0.005)
    assert found.headings == 0
    assert math.isnan(found.median)
    assert math.isnan(found.scatter)
    assert math.isnan(found.step)
    assert reason in found.reason


def test_a_heading_that_goes_at_none_is_not_in_the_band_of_the_last_value() -> None:
    assert shift_of([NONE], [3], VALUES, limit=0.09, band=0.001).headings == 0


@given(st.lists(st.integers(0, 12), min_size=1, max_size=20), st.randoms(use_true_random=False))
def test_there_and_back_are_the_same_way(before: list[int], rng: Any) -> None:
    """About no limit in particular, what moved there moves back; lost is won."""
    values = np.arange(1, 13) / 100
    after = [rng.randint(0, 12) for _ in before]
    there, back = (shift_of(a, b, values, limit=0.06, band=1.0)
                   for a, b in ((before, after), (after, before)))
    assert there.median == pytest.approx(-back.median, nan_ok=True)
    assert (there.lost, there.won, there.headings) == (back.won, back.lost, back.headings)


@given(st.lists(st.integers(3, 8), min_size=1), st.integers(-2, 2))
def test_an_even_move_is_that_move(before: list[int], by: int) -> None:
    values = np.linspace(0.01, 0.12, 12)
    found = shift_of(before, [n + by for n in before], values, limit=0.06, band=1.0)
    assert found.median == pytest.approx(0.01 * by)
    assert found.scatter == pytest.approx(0, abs=1e-12)
    assert found.headings == len(before)


@pytest.mark.parametrize(("arguments", "words"), [
    (([1], [1], VALUES[::-1]), "ascending"), (([1], [1], [0.04]), "two or more"),
    (([1], [1, 2], VALUES), "1 headings before and 2 after"),
    (([1.0], [1], VALUES), "whole numbers"), (([[1]], [1], VALUES), "shape"),
    (([6], [1], VALUES), "between 0 and 5"), (([1], [-1], VALUES), "between 0 and 5"),
])
def test_nonsense_is_refused(arguments: tuple[Any, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        shift_of(*arguments, limit=0.06, band=0.01)


@pytest.mark.parametrize(("limit", "band"), [(math.nan, 0.01), (0.06, -0.01), (0.06, math.nan)])
def test_a_band_that_holds_nothing_is_refused(limit: float, band: float) -> None:
    with pytest.raises(ValueError, match="holds no limit"):
        shift_of([1], [1], VALUES, limit=limit, band=band)
