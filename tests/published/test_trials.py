"""Success curves and counts of trials against published sets of binary data.

Coefficients, deviances and standard errors are those that the literature prints for these sets, or
what an independent implementation gives to more digits; which of both is said beside each.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import binomtest

from hazcam.tuning.fit import CurveFit, fit_curve, separates
from hazcam.tuning.likelihood import Link, Responses, outlook, responses
from hazcam.tuning.support import shown, trials_needed

# --- beetles --------------------------------------------------------------------------------------

# C. I. Bliss, Ann. Appl. Biol. 22, 1935, pp. 134-167: beetles killed by carbon disulphide; log10 of
# the dose [mg/l], how many of how many; as in A. J. Dobson and A. G. Barnett, An Introduction to
# Generalized Linear Models, 3rd ed. 2008, table 7.2.
DOSE = (1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839)
BEETLES = (59, 60, 62, 56, 63, 59, 62, 60)
KILLED = (6, 13, 18, 28, 52, 53, 61, 60)


def exact(
    demand: tuple[float, ...], climbed: tuple[int, ...], tried: tuple[int, ...] | None = None
) -> Responses:
    """Demands that are known exactly."""
    return responses(np.array(demand, dtype=float), np.zeros(len(demand)), np.array(climbed),
                     tried=None if tried is None else np.array(tried))


@pytest.fixture(scope="module")
def beetles() -> Responses:
    return exact(DOSE, KILLED, BEETLES)


# Coefficients and deviance: Dobson and Barnett, table 7.4 (two decimals), and recomputed; tolerance
# 1e-3.
@pytest.mark.parametrize(("link", "intercept", "slope", "deviance"), [
    ("logit", -60.7175, 34.2703, 11.2322), ("probit", -34.9353, 19.7279, 10.1198),
])
def test_bliss_coefficients_and_deviance(
    beetles: Responses, link: Link, intercept: float, slope: float, deviance: float
) -> None:
    found = fit_curve(beetles, link, penalised=False)
    assert (found.intercept, found.slope, found.deviance) == pytest.approx(
        (intercept, slope, deviance), abs=1e-3)


def test_bliss_errors_halfway_and_fitted_counts(beetles: Responses) -> None:
    found = fit_curve(beetles, "logit", penalised=False)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([5.1807, 2.9121], abs=1e-3)
    assert found.demand_at(0.5) == pytest.approx(1.771721, abs=1e-5)
    counts = beetles.tried * outlook("logit", found.intercept, found.slope, beetles).up
    assert counts == pytest.approx(
        [3.457, 9.842, 22.451, 33.898, 50.096, 53.291, 59.222, 58.743], abs=1e-3)


def test_bliss_by_the_beetle(beetles: Responses) -> None:
    """The same beetles one by one: the same curve, another deviance."""
    single = exact(tuple(np.repeat(DOSE, BEETLES)), tuple(np.concatenate(
        [np.arange(n) < k for k, n in zip(KILLED, BEETLES, strict=True)]).astype(int)))
    one, lots = (fit_curve(data, "logit", penalised=False) for data in (single, beetles))
    assert (one.intercept, one.slope) == pytest.approx((lots.intercept, lots.slope), rel=1e-7)
    assert one.log_likelihood == pytest.approx(lots.log_likelihood, rel=1e-12)
    assert one.deviance > lots.deviance + 300


# --- 23 launches ----------------------------------------------------------------------------------

# S. R. Dalal, E. B. Fowlkes and B. Hoadley, J. Am. Stat. Assoc. 84, 1989, pp. 945-957: temperature
# [deg F] at launch, and whether a seal was damaged.
TEMPERATURE = (66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79, 75,
               76, 58)
DAMAGED = (0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1)


@pytest.fixture(scope="module")
def launches() -> CurveFit:
    return fit_curve(exact(TEMPERATURE, DAMAGED), "logit", penalised=False)


def test_launches(launches: CurveFit) -> None:
    """Coefficients as printed in the paper, the rest recomputed; tolerance 1e-3."""
    assert (launches.intercept, launches.slope) == pytest.approx((15.0429, -0.2322), abs=1e-3)
    assert np.sqrt(np.diag(launches.covariance)) == pytest.approx([7.3786, 0.1082], abs=1e-3)
    assert launches.deviance == pytest.approx(20.3152, abs=1e-3)
    assert launches.demand_at(0.5) == pytest.approx(64.7946, abs=1e-3)
    assert float(expit(launches.intercept + 31 * launches.slope)) == pytest.approx(0.99961,
                                                                                  abs=5e-6)


def test_launches_against_no_influence_of_the_temperature(launches: CurveFit) -> None:
    assert -2 * launches.null_log_likelihood == pytest.approx(28.2672, abs=1e-3)
    assert launches.p_no_slope == pytest.approx(0.0048035, abs=1e-6)


def test_launches_by_firth() -> None:
    """As recomputed; within 9e-5 of firthmodels 0.8.2 (PyPI)."""
    found = fit_curve(exact(TEMPERATURE, DAMAGED), "logit", penalised=True)
    assert (found.intercept, found.slope) == pytest.approx((11.9495, -0.186042), abs=1e-3)
    assert found.slope == pytest.approx(-0.186042, abs=5e-6)


# --- separated outcomes ---------------------------------------------------------------------------


def test_separated_outcomes_by_firth() -> None:
    """D. Firth, Biometrika 80, 1993; numbers: firthmodels 0.8.2 (PyPI), tolerance 1e-3."""
    data = exact((1, 2, 3, 4, 5, 6), (0, 0, 0, 1, 1, 1))
    assert separates(data)
    found = fit_curve(data, "logit", penalised=True)
    assert (found.intercept, found.slope, found.demand_at(0.5)) == pytest.approx(
        (-3.9512, 1.1289, 3.5), abs=1e-3)
    assert found.demand_at(0.5) == pytest.approx(3.5, abs=1e-8)  # by symmetry


class TwoLevels(NamedTuple):
    """How many of how many at demand 0 and at demand 1."""

    climbed: tuple[int, int]
    tried: tuple[int, int]


# With as many parameters as levels each level is on its own, and half is added to both of its
# outcomes: (y + 1/2) / (n + 1) (Firth 1993, section 3; by hand).
@pytest.mark.parametrize(("table", "chances"), [
    (TwoLevels((3, 10), (10, 10)), (3.5 / 11, 10.5 / 11)),
    (TwoLevels((0, 10), (10, 10)), (0.5 / 11, 10.5 / 11)),
    (TwoLevels((0, 0), (10, 4)), (0.0454545, 0.1)),
    (TwoLevels((7, 2), (20, 3)), (7.5 / 21, 2.5 / 4)),
])
def test_two_levels_decouple(table: TwoLevels, chances: tuple[float, float]) -> None:
    found = fit_curve(exact((0.0, 1.0), table.climbed, table.tried), "logit", penalised=True)
    assert expit([found.intercept, found.intercept + found.slope]) == pytest.approx(
        chances, abs=5e-7)


def test_two_by_two_in_closed_form() -> None:
    """3 of 10 and 10 of 10: ln(3.5/7.5), and ln(10.5/0.5) less that."""
    found = fit_curve(exact((0.0, 1.0), (3, 10), (10, 10)), "logit", penalised=True)
    assert (found.intercept, found.slope) == pytest.approx((-0.762140, 3.806662), abs=5e-6)


# --- counts ---------------------------------------------------------------------------------------


# Least numbers of trials by the cumulative binomial distribution (recomputed). No failure in 59
# and 299: common practice, from 0.05 = R^n.
@pytest.mark.parametrize(("reliability", "confidence", "trials"), [
    (0.8, 0.8, (8, 14, 21, 27)), (0.8, 0.95, (14, 22, 30, 37)), (0.9, 0.95, (29, 46, 61, 76)),
    (0.95, 0.95, (59,)), (0.99, 0.95, (299,)),
])
def test_trials_needed(reliability: float, confidence: float, trials: tuple[int, ...]) -> None:
    assert tuple(trials_needed(reliability, confidence, failures)
                 for failures in range(len(trials))) == trials


# 0 of 10, 1 of 20 and 3 of 30 failed, proposed for a reliability of 0.8 (at second hand from
# reports of NIST; the digits recomputed); without failure R^n is what is left, by hand.
@pytest.mark.parametrize(("tried", "failed", "reliability", "confidence"), [
    (10, 0, 0.8, 0.892626), (20, 1, 0.8, 0.930825), (30, 3, 0.8, 0.877289),
    (30, 0, 0.05 ** (1 / 30), 0.95), (30, 0, 0.2 ** (1 / 30), 0.8),
])
def test_confidence_shown(
    tried: int, failed: int, reliability: float, confidence: float
) -> None:
    assert shown(tried, failed, reliability) == pytest.approx(confidence, abs=5e-7)


def test_no_failure_in_thirty() -> None:
    """It shows 0.9050 at 95 % and 0.948 at 80 %, rounded (recomputed)."""
    assert shown(30, 0, 0.90495) > 0.95 > shown(30, 0, 0.90505)
    assert shown(30, 0, 0.9475) > 0.8 > shown(30, 0, 0.9485)


@pytest.mark.parametrize("failed", [0, 1, 4])
def test_confidence_shown_is_the_exact_bound_turned_round(failed: int) -> None:
    """The exact lower bound at that confidence is the reliability (Clopper and Pearson 1934)."""
    confidence = shown(40, failed, 0.85)
    test = binomtest(40 - failed, 40, alternative="greater")
    found = test.proportion_ci(confidence_level=confidence, method="exact")
    assert found.low == pytest.approx(0.85, abs=1e-9)
