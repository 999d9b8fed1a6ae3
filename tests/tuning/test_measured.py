"""The greatest measured demand of a kind."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from hazcam.rover.profile import LIMIT_UNITS
from hazcam.tuning.measured import greatest_demand, names_of, rounded
from tests.test_gist import N, quiet
from tests.tuning.runs import peak


@pytest.mark.parametrize("kind", [kind for kind in LIMIT_UNITS if kind != "gap"])
def test_it_comes_with_the_sigma_of_its_station(kind: str) -> None:
    value, sigma = np.zeros(N), np.linspace(0.001, 0.002, N)
    value[[7, 30]] = 0.02, 0.03
    profile: dict[str, Any] = {kind: value}
    demand = quiet(**profile, sigma={kind: sigma})
    assert greatest_demand(demand, kind) == (0.03, sigma[30])


def test_contact_is_a_demand_on_the_belly() -> None:
    assert names_of("belly") == ("belly", "contact")
    assert greatest_demand(peak({"belly": 0.01, "contact": 0.02}), "belly") == (0.02, 0.002)


def test_what_asks_nothing_is_below_zero_and_what_is_not_measured_is_none() -> None:
    sinks = peak({}, step=np.where(np.arange(N) == 4, np.nan, -0.02))
    found = greatest_demand(sinks, "step")
    assert found is not None
    assert found[0] == -0.02
    assert greatest_demand(peak({}, step=np.full(N, np.nan)), "step") is None
    assert greatest_demand(sinks, "gap") is None


def test_many_noisy_stations_err_upwards() -> None:
    """By 2.32 sigma of 60 (mean of the greatest of 60 normal values, by numerical integration)."""
    mean, _ = quad(lambda x: 60 * x * norm.pdf(x) * norm.cdf(x) ** 59, -10, 10)
    assert mean == pytest.approx(2.32, abs=0.005)
    rng = np.random.default_rng(0)
    over = []
    for _ in range(300):
        step = np.full(N, np.nan)
        step[:40] = 0.03 + 0.003 * rng.standard_normal(40)
        found = greatest_demand(peak({}, step=step), "step")
        assert found is not None
        over.append(found[0] - 0.03)
    least, _ = quad(lambda x: 40 * x * norm.pdf(x) * norm.cdf(x) ** 39, -10, 10)
    assert np.mean(over) == pytest.approx(0.003 * least, rel=0.05)


def test_six_digits() -> None:
    assert (rounded(0.0123456789), rounded(12.3456789)) == (0.0123457, 12.3457)
