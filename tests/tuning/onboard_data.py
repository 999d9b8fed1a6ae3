"""Made-up reports of an algorithm on board that follows a known rule."""

from __future__ import annotations

import numpy as np

from hazcam.tuning.onboard_reports import OnboardReports

OFFSET_M, GAIN, TAU_M, SIGMA_M = 0.004, 0.9, 0.006, 0.006


def simulated(
    seed: int, n: int, *, gain: float = GAIN, tau_m: float = TAU_M, sigma_m: float = SIGMA_M,
    low_m: float = 0.0, high_m: float = 0.1,
) -> OnboardReports:
    """Reports of n true demands between two heights; sigmas differ by up to 40 %."""
    rng = np.random.default_rng(seed)
    true = rng.uniform(low_m, high_m, n)
    sigma = sigma_m * rng.uniform(0.6, 1.4, n)
    return reports(OFFSET_M + gain * true + rng.normal(0, tau_m, n),
                   true + rng.normal(size=n) * sigma, sigma)


def reports(
    reported: np.typing.ArrayLike, demand: np.typing.ArrayLike, sigma: np.typing.ArrayLike,
    rovers: tuple[str, ...] = (),
) -> OnboardReports:
    values = np.asarray(reported, dtype=np.float64)
    n = len(values)
    return OnboardReports(
        kind="step", pairs=tuple(f"pair-{i}" for i in range(n)), sites=("slag heap",) * n,
        rovers=rovers or ("dunlin-em",) * n, reported=values,
        demand=np.asarray(demand, dtype=np.float64), sigma=np.asarray(sigma, dtype=np.float64))
