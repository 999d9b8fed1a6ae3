"""Robust weights and scale: closed forms for normal errors."""

from __future__ import annotations

import numpy as np
import pytest

from hazcam.robust import LEAST_SCALE_PX, TUKEY, biweight, effective_variance, scale_of


def test_the_biweight_is_95_percent_efficient_on_normal_errors() -> None:
    """Beaton and Tukey's constant 4.685 is chosen for that (P. J. Huber, 1981; from memory)."""
    errors = 0.3 * np.random.default_rng(1).standard_normal(200_000)
    assert 0.3**2 / effective_variance(errors, 1) == pytest.approx(0.95, abs=0.01)


def test_weights_fall_from_one_to_nothing() -> None:
    weights = biweight(np.array([0.0, 1.0, TUKEY, 10.0]))
    assert weights[0] == 1
    assert 0.9 < weights[1] < 1
    assert not weights[2:].any()


def test_scale_is_the_deviation_of_normal_errors_whatever_lies_far_off() -> None:
    errors = 0.3 * np.random.default_rng(2).standard_normal(100_000)
    assert scale_of(errors) == pytest.approx(0.3, rel=0.02)
    errors[:10_000] = 50.0
    assert scale_of(errors) < 0.4


def test_exact_data_have_a_scale_all_the_same() -> None:
    assert scale_of(np.zeros(10)) == LEAST_SCALE_PX
    assert effective_variance(np.zeros(10), 2) > 0
