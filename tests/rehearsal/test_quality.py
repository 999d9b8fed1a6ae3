from __future__ import annotations

import math

import numpy as np
import pytest

from hazcam.scene.rehearsal.quality import GAUSSIAN, quality_rows
from hazcam.scene.rehearsal.record import Errors
from tests.rehearsal.synthetic import scene


def errors(error: list[float], sigma: float = 1.0, range_m: float = 0.8) -> Errors:
    n = len(error)
    return Errors(error=np.array(error, np.float32), sigma=np.full(n, sigma, np.float32),
                  range_m=np.full(n, range_m, np.float32))


def test_bias_spread_and_shares_by_hand() -> None:
    """Errors -1, 0, 1, 2, 5 and a hole: median 1, |error - 1| = 2, 1, 0, 1, 4 with median 1."""
    rows = quality_rows([scene("a", disparity=errors([-1, 0, 1, 2, 5, math.nan]))])
    everything, near, band = rows[0], rows[1], rows[2]
    assert (band.from_m, band.to_m, near.samples) == (0.6, 1.0, 0)
    assert math.isnan(near.bias)
    assert (band.scenes, band.samples, band.measured) == (1, 6, 5)
    assert band.cover == pytest.approx(5 / 6)
    assert (band.bias, band.spread, band.sigma) == pytest.approx((1.0, 1.4826, 1.0))
    assert band.beyond == pytest.approx((2 / 5, 1 / 5))  # beyond 1 px: 2 and 5; beyond 2 px: 5
    assert band.within == pytest.approx((3 / 5, 4 / 5, 4 / 5))
    assert everything.samples == 6


def test_heights_are_in_centimetres() -> None:
    score = scene("a")
    object.__setattr__(score, "elevation", errors([0.015, 0.015], sigma=0.01))
    row = next(r for r in quality_rows([score]) if r.quantity == "elevation")
    assert row.unit == "cm"
    assert (row.bias, row.sigma) == pytest.approx((1.5, 1.0))
    assert row.beyond == (1.0, 0.0)
    assert row.within == (0.0, 1.0, 1.0)
    assert row.cover is None


def test_a_gaussian_with_the_right_sigma_has_the_right_shares() -> None:
    """Seeded; with 20 000 samples a share is known to 0.003 (one standard deviation)."""
    rng = np.random.default_rng(7)
    drawn = [float(v) for v in rng.normal(0, 0.3, 20_000)]
    row = quality_rows([scene("a", disparity=errors(drawn, sigma=0.3))])[0]
    assert row.within == pytest.approx(GAUSSIAN, abs=0.01)
    assert row.spread == pytest.approx(0.3, rel=0.03)
    assert GAUSSIAN[0] == pytest.approx(0.6827, abs=5e-5)


def test_a_sample_without_sigma_is_in_no_share() -> None:
    found = errors([0.5, 0.5])
    sigma = np.array([1.0, np.nan], np.float32)
    row = quality_rows([scene("a", disparity=Errors(error=found.error, sigma=sigma,
                                                    range_m=found.range_m))])[0]
    assert row.within == (1.0, 1.0, 1.0)
    assert row.measured == 2
