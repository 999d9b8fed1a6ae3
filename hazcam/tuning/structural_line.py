"""A line through values of which both coordinates have errors, by maximum likelihood.

A measured x is ``w = x + e``, e normal with a known variance of its own; of the true x another
value is ``r = offset + gain x + u``, u normal with a variance that is not known; the true x are
normal about a mean. (w, r) of a pair is bivariate normal then, with five numbers to be found: the
structural model with known error variances [1]_. Of r given w,

    mean = offset + gain (mean + k (w - mean)),  k = spread² / (spread² + sigma²)
    variance = tau² + gain² k sigma²

so that a line of r on w would be too flat by k. Without errors, sigma 0, it is least squares, with
the root mean square of the residuals as tau.

References
----------
.. [1] W. A. Fuller, Measurement Error Models, Wiley, 1987, chapter 1 (from memory).
.. [2] W. Viechtbauer, "Confidence intervals for the amount of heterogeneity in meta-analysis,"
   Stat. Med., vol. 26, no. 1, pp. 37-52, 2007 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize
from scipy.stats import chi2

from hazcam.frames import Floats, read_only

_STEP = 1e-5  # of differences, in units of a standard deviation or of a logarithm
_LEAST_LOG = 12.0  # below exp(-12) of the scatter a noise is none
_FLAT = 1e-7  # information of a pair below which a parameter has run away


@dataclass(frozen=True, kw_only=True, eq=False)
class StructuralLine:
    """r = offset + gain x + noise of standard deviation tau; x normal with mean and spread.

    ``covariance``, shape (3, 3): of (offset, gain, log tau), from the observed information of all
    five numbers. In the units of the values.
    """

    offset: float
    gain: float
    tau: float
    mean: float
    spread: float
    covariance: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "covariance", read_only(self.covariance))


def structural_line(w: Floats, sigma: Floats, r: Floats) -> StructuralLine | None:
    """Fit the line.

    Parameters
    ----------
    w, sigma, r : ndarray of shape (n,)
        Measured values, one standard deviation of their errors, 0 or more, and the other values.
        Neither all w nor all r are the same.

    Returns
    -------
    StructuralLine or None
        None where no likeliest line has a noise and a spread above 0: where the errors explain
        all the scatter.
    """
    # In units of their own scatter all five numbers are of the order of 1.
    w0, w1, r0, r1 = float(w.mean()), float(w.std()), float(r.mean()), float(r.std())
    data = (w - w0) / w1, (sigma / w1) ** 2, (r - r0) / r1
    start = _moments(*data)
    found = minimize(_negative, start, args=data, jac=True, hess=_information,
                     method="trust-exact", options={"gtol": 1e-9 * len(w)})
    information = _information(found.x, *data)
    if np.linalg.eigvalsh(information)[0] < _FLAT * len(w):
        return None
    offset, gain, log_tau, mean, log_spread = found.x.tolist()
    # Back to the units given: offset = r0 + r1 (offset' - gain' w0 / w1).
    back = np.array([[r1, -r1 * w0 / w1, 0.0], [0.0, r1 / w1, 0.0], [0.0, 0.0, 1.0]])
    return StructuralLine(
        offset=r0 + r1 * (offset - gain * w0 / w1), gain=gain * r1 / w1,
        tau=float(np.exp(log_tau)) * r1, mean=w0 + w1 * mean,
        spread=float(np.exp(log_spread)) * w1,
        covariance=back @ np.linalg.inv(information)[:3, :3] @ back.T)


def noise_bound(
    line: StructuralLine, w: Floats, sigma: Floats, r: Floats, confidence: float
) -> float:
    """The tau that the true one is above with a confidence; 0 where it may be none.

    The residuals over their standard deviations, squared and summed, are compared with chi² of
    n - 2 degrees of freedom, as the variance between studies is bounded [2]_; without errors that
    is exact.

    Parameters
    ----------
    line : StructuralLine
        Through the values.
    w, sigma, r
        As in ``structural_line``.
    confidence : float
        With 0.025 it is an upper bound of 97.5 %.
    """
    off2, error2 = (r - line.offset - line.gain * w) ** 2, (line.gain * sigma) ** 2
    goal = float(chi2.ppf(confidence, len(w) - 2))

    def beyond(log_tau: float) -> float:
        return float(np.sum(off2 / (np.exp(2 * log_tau) + error2))) - goal

    low, high = np.log(np.sqrt(off2.sum() / goal)) + np.array([-_LEAST_LOG, 0.0])
    return float(np.exp(brentq(beyond, low, high + 1e-9))) if beyond(low) > 0 else 0.0


def _moments(w: Floats, q: Floats, r: Floats) -> Floats:
    """Where to start: what second moments say, of standardised values."""
    spread2 = max(1 - float(q.mean()), 0.1)
    gain = float(np.mean(w * r)) / spread2
    tau2 = max(1 - gain**2 * spread2, 0.01)
    return np.array([0.0, gain, np.log(tau2) / 2, 0.0, np.log(spread2) / 2])


def _negative(parameters: Floats, w: Floats, q: Floats, r: Floats) -> tuple[float, Floats]:
    """Minus the logarithm of the likelihood, but for a constant, and its gradient.

    ``parameters``: offset, gain, log tau, mean, log spread. ``q``: variances of the errors.
    """
    offset, gain, log_tau, mean, log_spread = parameters
    tau2, spread2 = np.exp(2 * log_tau), np.exp(2 * log_spread)
    total, off = spread2 + q, w - mean
    k = spread2 / total
    x = mean + k * off
    variance = tau2 + gain**2 * k * q
    e = r - offset - gain * x
    value = np.sum(np.log(total) + off**2 / total + np.log(variance) + e**2 / variance) / 2
    pull, width = e / variance, 1 / variance - (e / variance) ** 2
    by_spread2 = ((1 / total - (off / total) ** 2 + width * (gain * q / total) ** 2) / 2
                  - pull * gain * off * q / total**2)
    return float(value), np.array([
        -pull.sum(), (width * gain * k * q - pull * x).sum(), tau2 * width.sum(),
        -(off / total + pull * gain * (1 - k)).sum(), 2 * spread2 * by_spread2.sum()])


def _information(parameters: Floats, w: Floats, q: Floats, r: Floats) -> Floats:
    """Second derivatives of ``_negative``, (5, 5), by central differences of its gradient."""
    rows = [(_negative(parameters + step, w, q, r)[1] - _negative(parameters - step, w, q, r)[1])
            / (2 * _STEP) for step in _STEP * np.eye(len(parameters))]
    both = np.array(rows)
    return np.asarray((both + both.T) / 2)


__all__ = ["StructuralLine", "noise_bound", "structural_line"]
