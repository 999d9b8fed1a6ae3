"""The rover's own stop rule: how likely it stops at a true demand, and both of its mistakes.

The algorithm on board reports a value and stops where it is above the threshold that a team sets.
Of a true demand x it reports ``offset + gain x + noise``, the noise normal with standard deviation
``tau``; but of a share of obstacles it reports far less than that (*missed*: it does not stop,
whatever the threshold), of another far more (*overstated*: it stops). With z = (offset + gain x -
threshold) / tau::

    P(stop) = overstated + (1 - missed - overstated) Phi(z)

What is not known of it is bounded, not averaged: the least chance of stopping is ``(1 - most that
may be missed) Phi(least z)``, nothing overstated. The least z is where the lower bound of ``line -
z tau`` (line: offset + gain x) reaches the threshold, put together from what both may be off by and
their correlation [1]_::

    line - z tau - sqrt(a² + (z b)² - 2 rho a z b),  a = t sigma_line,  b = most tau - tau

For a noise that is known well that is the delta method. Of a noise that is not, log tau is far from
normal, and the delta method on z would bound nothing. As in linear regression, tau² and covariance
are larger by n / (n - 2) than maximum likelihood has them, and t is of Student's distribution. Both
parts are bounded at 97.5 %, so that the least chance holds with 95 % (Bonferroni's inequality).

The bounds count pairs as independent. Values are those of the conditions and demands of the pairs
that were fitted, ``least_demand_m`` to ``most_demand_m``; beyond them the line is a guess.

References
----------
.. [1] G. Y. Zou and A. Donner, "Construction of confidence limits about effect measures: A general
   approach," Stat. Med., vol. 27, no. 10, pp. 1693-1702, 2008; with a correlation: G. Y. Zou,
   Psychol. Methods, vol. 12, no. 4, pp. 399-413, 2007 (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri
from scipy.stats import t as student

from hazcam.frames import Floats, read_only
from hazcam.rover.profile import LimitName
from hazcam.statistics import Interval, clopper_pearson

EACH = 0.975
"""Confidence of each of the two parts of a bound that holds with 95 %."""


@dataclass(frozen=True, kw_only=True)
class GrossErrors:
    """Reports that are off by far more than the noise.

    Attributes
    ----------
    pairs : tuple of str
        Ids.
    tried : int
        Of how many pairs: those in which such an error would have shown.
    """

    pairs: tuple[str, ...]
    tried: int

    def __post_init__(self) -> None:
        if not len(self.pairs) <= self.tried or self.tried < 1:
            raise ValueError(f"{len(self.pairs)} gross errors of {self.tried} pairs")

    @property
    def share(self) -> float:
        """Of the pairs in which it would have shown."""
        return len(self.pairs) / self.tried

    @property
    def interval(self) -> Interval:
        """Exact two-sided 95 % interval of the share."""
        return clopper_pearson(len(self.pairs), self.tried, sided="two")

    @property
    def most(self) -> float:
        """Exact upper bound of the share with confidence ``EACH``."""
        return clopper_pearson(len(self.pairs), self.tried, confidence=EACH).high


@dataclass(frozen=True, kw_only=True, eq=False)
class OnboardRule:
    """What the algorithm on board reports of a true demand; see the module.

    Attributes
    ----------
    rover : str
        Whose algorithm it is.
    kind : str
        Of the demand: ``step``, ``drop`` or ``belly``.
    offset_m, gain, tau_m : float
        Reported value of no demand at all; its rise per demand; one standard deviation of its
        noise. [m], -, [m]
    covariance : ndarray of shape (3, 3)
        Of (offset, gain, log tau), from the observed information.
    tau_least_m, tau_most_m : float
        Bounds of tau, each with confidence ``EACH``; the lower one may be 0. [m]
    mean_m, spread_m : float
        Mean and standard deviation of the true demands. [m]
    least_demand_m, most_demand_m : float
        Of the measured ones that were fitted. [m]
    pairs : int
        That were fitted, gross errors left out.
    missed, overstated : GrossErrors
        Left out of the fit, below and above what it says; pairs without a value are missed too
        where one would have shown.
    """

    rover: str
    kind: LimitName
    offset_m: float
    gain: float
    tau_m: float
    covariance: Floats
    tau_least_m: float
    tau_most_m: float
    mean_m: float
    spread_m: float
    least_demand_m: float
    most_demand_m: float
    pairs: int
    missed: GrossErrors
    overstated: GrossErrors

    def __post_init__(self) -> None:
        object.__setattr__(self, "covariance", read_only(self.covariance))
        if self.covariance.shape != (3, 3) or np.any(np.linalg.eigvalsh(self.covariance) <= 0):
            raise ValueError("the covariance of an OnboardRule is (3, 3) and positive definite")
        if not (self.tau_m > 0 and self.gain > 0 and self.pairs > 2):
            raise ValueError(f"an OnboardRule needs a noise and a gain above 0 and 3 pairs or "
                             f"more, got {self.tau_m} m, {self.gain} and {self.pairs}")
        if not 0 <= self.tau_least_m < self.tau_most_m < np.inf:
            raise ValueError(f"the noise of an OnboardRule is bounded, got {self.tau_least_m} to "
                             f"{self.tau_most_m} m")

    @property
    def gain_interval(self) -> Interval:
        """Two-sided 95 % interval of the gain, by Student's t."""
        off = self._t * float(np.sqrt(self.covariance[1, 1] * self._wider))
        return Interval(self.gain - off, self.gain + off)

    def stop_chance(self, threshold: ArrayLike, demand: ArrayLike) -> Floats:
        """Chance that the rule stops, as estimated.

        Parameters
        ----------
        threshold, demand : array_like
            What the rule compares its value with, and the true demand; broadcast. [m]

        Returns
        -------
        ndarray
            From 0 to 1; NaN where either is NaN.
        """
        z = (self._line(demand) - np.asarray(threshold, dtype=np.float64)) / self.tau_m
        over, kept = self.overstated.share, 1 - self.missed.share - self.overstated.share
        return np.asarray(over + kept * ndtr(z))

    def least_stop_chance(self, threshold: ArrayLike, demand: ArrayLike) -> Floats:
        """Chance that the rule stops, at least, with 95 % confidence; else as ``stop_chance``."""
        above = self._line(demand) - np.asarray(threshold, dtype=np.float64)
        return np.asarray((1 - self.missed.most) * ndtr(self._least_z(above, demand)))

    def least_quantile_m(self, z: float, demand: float) -> float:
        """Lower bound of ``offset + gain demand - z tau`` with confidence ``EACH``, z above 0.

        The rule reports more than that with chance Phi(z) at least, but for misses. [m]
        """
        tau = self._cautious_tau_m
        a, b = float(self._line_off(demand)), z * max(self.tau_most_m - tau, 0.0)
        off = np.sqrt(a**2 + b**2 - 2 * float(self._rho(demand)) * a * b)
        return float(self._line(demand) - z * tau - off)

    @property
    def _wider(self) -> float:
        return self.pairs / (self.pairs - 2)

    @property
    def _t(self) -> float:
        return float(student.ppf(EACH, self.pairs - 2))

    @property
    def _cautious_tau_m(self) -> float:
        return self.tau_m * float(np.sqrt(self._wider))

    def _line(self, demand: ArrayLike) -> Floats:
        return np.asarray(self.offset_m + self.gain * np.asarray(demand, dtype=np.float64))

    def _line_variance(self, demand: ArrayLike) -> Floats:
        x, c = np.asarray(demand, dtype=np.float64), self.covariance
        return np.asarray(c[0, 0] + 2 * c[0, 1] * x + c[1, 1] * x**2)

    def _line_off(self, demand: ArrayLike) -> Floats:
        """What the line may be off by at some demands, with confidence ``EACH``. [m]"""
        return np.asarray(self._t * np.sqrt(self._wider * self._line_variance(demand)))

    def _rho(self, demand: ArrayLike) -> Floats:
        """Correlation of the line at some demands with log tau."""
        x, c = np.asarray(demand, dtype=np.float64), self.covariance
        both = np.sqrt(self._line_variance(x) * c[2, 2])
        return np.asarray(np.clip((c[0, 2] + c[1, 2] * x) / both, -1, 1))

    def _least_z(self, above: Floats, demand: ArrayLike) -> Floats:
        """Least z of a line that lies ``above`` the threshold.

        Solves ``above - z tau = sqrt(a² + (z b)² - 2 rho a z b)``, b what tau may be off by on the
        side that makes z smaller.
        """
        tau = self._cautious_tau_m
        a = np.broadcast_to(self._line_off(demand), above.shape)
        b = np.where(above > a, max(self.tau_most_m - tau, 0.0), max(tau - self.tau_least_m, 0.0))
        half = tau * above - self._rho(demand) * a * b
        # Rounding alone takes the difference below 0.
        root = np.sqrt(np.maximum(half**2 - (tau**2 - b**2) * (above**2 - a**2), 0))
        # Below 0 with a noise that may be none: no value at all reaches the threshold.
        no_bound = np.where(np.isnan(above), np.nan, -np.inf)
        return np.divide(above**2 - a**2, half + root, out=no_bound, where=half + root != 0)


@dataclass(frozen=True, kw_only=True)
class NoOnboardRule:
    """Why the rule is not known, so that only the limit of the ground is tuned; false."""

    reason: str

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True, kw_only=True)
class NoThreshold:
    """Why no threshold bounds the risk; false as a truth value."""

    reason: str

    def __bool__(self) -> bool:
        return False


def threshold_for(rule: OnboardRule, height_m: float, risk: float) -> float | NoThreshold:
    """The greatest threshold at which the rule stops at a demand, but for a risk.

    ``rule.least_stop_chance`` of it, at ``height_m``, is 1 - risk.

    Parameters
    ----------
    rule : OnboardRule
    height_m : float
        True demand, 0 or more. [m]
    risk : float
        That may be left, with 95 % confidence, that the rule walks on; above 0, below 0.5.

    Returns
    -------
    float or NoThreshold
        [m] May be below what the rule reports of flat ground: then it stops everywhere.
        ``NoThreshold`` where obstacles may be missed more often than the risk.

    Raises
    ------
    ValueError
        A height or a risk outside its range.
    """
    if not (np.isfinite(height_m) and height_m >= 0 and 0 < risk < 0.5):
        raise ValueError(f"a height of 0 or more and a risk between 0 and 0.5 are needed, got "
                         f"{height_m} m and {risk}")
    if rule.missed.most >= risk:
        return NoThreshold(reason=_missed_too_often(rule.missed, risk))
    return rule.least_quantile_m(float(ndtri((1 - risk) / (1 - rule.missed.most))), height_m)


def _missed_too_often(missed: GrossErrors, risk: float) -> str:
    enough = int(np.ceil(np.log(1 - EACH) / np.log1p(-risk)))
    return (f"the rover missed {len(missed.pairs)} of {missed.tried} obstacles that would have "
            f"shown: it may miss {100 * missed.most:.1f} % of them, whatever the threshold, and "
            f"the risk is {100 * risk:g} %; it takes {enough} or more such pairs, none missed, to "
            "exclude that")


__all__ = ["EACH", "GrossErrors", "NoOnboardRule", "NoThreshold", "OnboardRule", "threshold_for"]
