"""Lines with errors in both coordinates, against closed forms and an independent likelihood."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, multivariate_normal

from hazcam.frames import Floats
from hazcam.tuning.structural_line import StructuralLine, noise_bound, structural_line

# W. A. Fuller, Measurement Error Models, Wiley, 1987, example 1.2.1: yield of corn against soil
# nitrogen of 11 sites, error variance of the nitrogen 57 (from memory).
NITROGEN = np.array([70, 97, 53, 64, 95, 64, 50, 70, 94, 69, 51], dtype=float)
YIELD = np.array([86, 115, 90, 86, 110, 91, 99, 96, 99, 104, 96], dtype=float)


def fitted(w: Floats, sigma: Floats, r: Floats) -> StructuralLine:
    line = structural_line(w, sigma, r)
    assert line is not None
    return line


def drawn(seed: int, n: int, sigma: float = 0.5) -> tuple[Floats, Floats, Floats]:
    """Of spread 1, gain 2, tau 0.7, offset -1; sigmas differ by up to 40 %."""
    rng = np.random.default_rng(seed)
    x, s = rng.normal(3, 1, n), sigma * rng.uniform(0.6, 1.4, n)
    return x + s * rng.normal(size=n), s, -1 + 2 * x + rng.normal(0, 0.7, n)


def log_likelihood(p: Floats, w: Floats, sigma: Floats, r: Floats) -> float:
    """Of (offset, gain, log tau, mean, log spread), from the density of (w, r), pair by pair."""
    offset, gain, tau, mean, spread = p[0], p[1], np.exp(p[2]), p[3], np.exp(p[4])
    total = 0.0
    for one, s, other in zip(w, sigma, r, strict=True):
        covariance = [[spread**2 + s**2, gain * spread**2],
                      [gain * spread**2, gain**2 * spread**2 + tau**2]]
        total += multivariate_normal.logpdf([one, other], [mean, offset + gain * mean], covariance)
    return float(total)


def parameters(line: StructuralLine) -> Floats:
    return np.array([line.offset, line.gain, np.log(line.tau), line.mean, np.log(line.spread)])


def test_a_published_line_of_yield_on_nitrogen() -> None:
    """0.4232 and 67.56; moments there are of n - 1, here of n: the error variance follows."""
    n = len(NITROGEN)
    line = fitted(NITROGEN, np.full(n, np.sqrt(57 * (n - 1) / n)), YIELD)
    assert line.gain == pytest.approx(0.4232, abs=5e-5)
    assert line.offset == pytest.approx(67.56, abs=5e-3)


def test_without_errors_it_is_least_squares() -> None:
    """Closed form: tau² = RSS / n, covariance tau² (X'X)^-1, variance of log tau 1 / (2 n)."""
    w, _, r = drawn(1, 30)
    line = fitted(w, np.zeros(30), r)
    X = np.column_stack([np.ones(30), w])
    best = np.linalg.lstsq(X, r)[0]
    tau2 = np.mean((r - X @ best) ** 2)
    assert [line.offset, line.gain] == pytest.approx(best, rel=1e-8)
    assert line.tau == pytest.approx(np.sqrt(tau2), rel=1e-8)
    expected = np.zeros((3, 3))
    expected[:2, :2], expected[2, 2] = tau2 * np.linalg.inv(X.T @ X), 1 / 60
    assert line.covariance == pytest.approx(expected, rel=1e-5, abs=1e-8)


def test_errors_of_one_size_have_the_moments_as_their_closed_form() -> None:
    """The gain is m_wr / (m_ww - sigma²), tau² m_rr - gain m_wr, spread² m_ww - sigma²."""
    w, _, r = drawn(2, 50)
    line = fitted(w, np.full(50, 0.5), r)
    m = np.cov(w, r, bias=True)
    gain = m[0, 1] / (m[0, 0] - 0.25)
    assert line.gain == pytest.approx(gain, rel=1e-7)
    assert line.tau == pytest.approx(np.sqrt(m[1, 1] - gain * m[0, 1]), rel=1e-7)
    assert line.spread == pytest.approx(np.sqrt(m[0, 0] - 0.25), rel=1e-7)
    assert line.mean == pytest.approx(w.mean(), rel=1e-7)


def test_no_other_line_is_likelier() -> None:
    w, sigma, r = drawn(3, 25)
    best = parameters(fitted(w, sigma, r))
    top = log_likelihood(best, w, sigma, r)
    for step in 1e-3 * np.vstack([np.eye(5), -np.eye(5)]):
        assert log_likelihood(best + step, w, sigma, r) < top


def test_the_covariance_is_that_of_the_observed_information() -> None:
    """Second differences of an independent likelihood; their own error is about 1e-5."""
    w, sigma, r = drawn(4, 20, sigma=0.25)
    line = fitted(w, sigma, r)
    best, h = parameters(line), 1e-3 * np.eye(5)

    def at(step: Floats) -> float:
        return log_likelihood(best + step, w, sigma, r)

    information = -np.array([[at(i + j) - at(i - j) - at(j - i) + at(-i - j) for j in h]
                             for i in h]) / 4e-6
    assert line.covariance == pytest.approx(np.linalg.inv(information)[:3, :3], rel=1e-3, abs=1e-5)


def test_the_gain_is_not_attenuated() -> None:
    """Spread 1, sigma about 0.5: least squares finds 2 / (1 + E sigma²), 1.58, of a gain of 2."""
    w, sigma, r = drawn(5, 5000)
    line = fitted(w, sigma, r)
    flat = np.polyfit(w, r, 1)[0]
    assert flat == pytest.approx(2 / (1 + np.mean(sigma**2)), abs=0.04)
    assert flat < 1.7
    off = (np.array([line.offset, line.gain, np.log(line.tau)]) - [-1, 2, np.log(0.7)])
    assert np.all(np.abs(off) < 3 * np.sqrt(np.diag(line.covariance)))
    assert np.all(3 * np.sqrt(np.diag(line.covariance)) < [0.35, 0.12, 0.2])


@given(scale=st.floats(1e-3, 1e3), other=st.floats(1e-3, 1e3), shift=st.floats(-10, 10),
       lift=st.floats(-10, 10))
@settings(max_examples=25, deadline=None)
def test_other_units_and_zeros_give_the_same_line(
    scale: float, other: float, shift: float, lift: float
) -> None:
    w, sigma, r = drawn(6, 15)
    line = fitted(w, sigma, r)
    again = fitted(scale * (w + shift), scale * sigma, other * (r + lift))
    gain = line.gain * other / scale
    assert again.gain == pytest.approx(gain, rel=1e-6)
    assert again.tau == pytest.approx(line.tau * other, rel=1e-6)
    assert again.offset == pytest.approx(
        other * (line.offset + lift) - gain * scale * shift, rel=1e-6, abs=1e-5 * other)


def test_errors_that_explain_all_the_scatter_leave_no_line() -> None:
    w, sigma, _ = drawn(7, 20)
    assert structural_line(w, sigma, 1 + 2 * w) is None


def test_without_errors_the_bound_of_the_noise_is_exact() -> None:
    """RSS / tau² is chi² of n - 2: closed form."""
    w, _, r = drawn(8, 12)
    line = fitted(w, np.zeros(12), r)
    for confidence in (0.025, 0.975):
        bound = noise_bound(line, w, np.zeros(12), r, confidence)
        exact = line.tau * np.sqrt(12 / chi2.ppf(confidence, 10))
        assert bound == pytest.approx(exact, rel=1e-8)


def test_a_noise_that_may_be_none_has_no_lower_bound() -> None:
    w, sigma, r = drawn(9, 10, sigma=0.4)
    line = fitted(w, sigma, r)
    assert noise_bound(line, w, sigma, r, 0.975) == 0
    assert noise_bound(line, w, sigma, r, 0.025) > line.tau
