"""Both mistakes of the rover's own stop rule on ground that was measured.

References
----------
.. [1] D. B. Owen, "Tables for computing bivariate normal probabilities," Ann. Math. Stat., vol. 27,
   no. 4, pp. 1075-1090, 1956.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, owens_t

from hazcam.frames import Floats, read_only
from hazcam.tuning.onboard_rule import OnboardRule

_AT_ONCE = 1_000_000  # numbers of a table that are worked out at a time
_SURE = 6.5  # standard deviations from the height: less than 1e-10 lies beyond
_EXACT_M = 1e-12  # no error: far below what any number here resolves


@dataclass(frozen=True, kw_only=True, eq=False)
class RuleMistakes:
    """Both mistakes of a rule on some ground, expected under the fit.

    Attributes
    ----------
    false_go : ndarray of shape (m,)
        Of ground whose true demand is beyond the height, the share where the rule does not stop;
        NaN where there is none such.
    needless : ndarray of shape (m,)
        Of the other ground, the share where it stops; NaN where there is none such.
    missed, stopped : ndarray of shape (n, m), float32
        Of each piece of ground: chance that it is beyond and the rule does not stop; that it is
        not and the rule stops.
    beyond : ndarray of shape (n,)
        Chance that its true demand is beyond the height.
    """

    false_go: Floats
    needless: Floats
    missed: NDArray[np.float32]
    stopped: NDArray[np.float32]
    beyond: Floats

    def __post_init__(self) -> None:
        for name in ("false_go", "needless", "missed", "stopped", "beyond"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def false_go_and_needless(
    rule: OnboardRule, demand: ArrayLike, sigma: ArrayLike, beyond_height: float,
    thresholds: ArrayLike,
) -> RuleMistakes:
    """Both mistakes of a rule on ground that was measured, at several thresholds.

    The true demand is normal about the measured one, and what the rule reports of it is normal
    about its line: both together are bivariate normal, which is known in closed form [1]_.

    Parameters
    ----------
    rule : OnboardRule
    demand, sigma : array_like of shape (n,)
        Measured demands, and one standard deviation of each, 0 for an exact one. [m]
    beyond_height : float
        The rover does not climb more. [m]
    thresholds : array_like of shape (m,)
        [m]

    Raises
    ------
    ValueError
        Shapes that do not fit, or a number that is not finite: leave out ground that is unknown.
    """
    x, s = np.asarray(demand, dtype=np.float64), np.asarray(sigma, dtype=np.float64)
    limits = np.asarray(thresholds, dtype=np.float64)
    if x.ndim != 1 or x.shape != s.shape or limits.ndim != 1:
        raise ValueError(f"demand and sigma are two lists of one length and thresholds are a list, "
                         f"got shapes {x.shape}, {s.shape} and {limits.shape}")
    if not (np.isfinite(np.r_[x, s, limits, beyond_height]).all() and np.all(s >= 0)):
        raise ValueError("demands, sigmas, heights and thresholds are finite, sigmas 0 or more")
    missed = np.empty((len(x), len(limits)), dtype=np.float32)
    stopped = np.empty_like(missed)
    beyond = _above(x, s, beyond_height)
    go, stop = np.zeros(len(limits)), np.zeros(len(limits))
    rows = max(1, _AT_ONCE // max(1, len(limits)))
    for start in range(0, len(x), rows):
        part = slice(start, start + rows)
        one, other = _mistakes(rule, x[part], s[part], beyond_height, limits)
        missed[part], stopped[part] = one, other
        go, stop = go + one.sum(axis=0), stop + other.sum(axis=0)
    return RuleMistakes(false_go=_share(go, beyond.sum()), missed=missed, stopped=stopped,
                        needless=_share(stop, (1 - beyond).sum()), beyond=beyond)


def _mistakes(
    rule: OnboardRule, x: Floats, s: Floats, height: float, thresholds: Floats
) -> tuple[Floats, Floats]:
    """Chance of beyond and no stop, and of within and stop, shape (n, m)."""
    beyond = _above(x, s, height)[:, None]
    silent, both = _reported_below(rule, x, s, height, thresholds)
    over, kept = rule.overstated.share, 1 - rule.missed.share - rule.overstated.share
    missed = rule.missed.share * beyond + kept * both
    stopped = over * (1 - beyond) + kept * ((1 - beyond) - (silent - both))
    return np.clip(missed, 0, beyond), np.clip(stopped, 0, 1 - beyond)


def _reported_below(
    rule: OnboardRule, x: Floats, s: Floats, height: float, thresholds: Floats
) -> tuple[Floats, Floats]:
    """P(reported <= threshold), alone and together with a true demand above the height; (n, m)."""
    sd = np.hypot(rule.tau_m, rule.gain * s)
    k = (thresholds - (rule.offset_m + rule.gain * x)[:, None]) / sd[:, None]
    below = np.asarray(ndtr(k))
    both = np.where((x > height)[:, None], below, 0.0)
    near = (np.abs(x - height) <= _SURE * s) & (s > _EXACT_M)
    h = ((x - height)[near] / s[near])[:, None]
    # The error of the measurement and the report's own deviation are correlated by minus this.
    rho = -(rule.gain * s / sd)[near, None]
    both[near] = _bivariate(h, k[near], rho)
    return below, both


def _bivariate(h: Floats, k: Floats, rho: Floats) -> Floats:
    """P(X <= h, Y <= k) of two standard normal variables of correlation rho, |rho| < 1 [1]_."""
    root = np.sqrt(1 - rho**2)
    # Beyond 40 nothing is left; at 0 the limit from above holds.
    h, k = (np.where(v == 0, 1e-300, np.clip(v, -40, 40)) for v in (h, k))
    apart = (h * k < 0) * 0.5
    return np.asarray((ndtr(h) + ndtr(k)) / 2 - apart - owens_t(h, (k / h - rho) / root)
                      - owens_t(k, (h / k - rho) / root))


def _above(x: Floats, s: Floats, height: float) -> Floats:
    """P(true > height)."""
    z = np.divide(x - height, s, out=np.where(x > height, np.inf, -np.inf),
                  where=s > _EXACT_M)
    return np.asarray(ndtr(z))


def _share(of: Floats, whole: float) -> Floats:
    return of / whole if whole > 0 else np.full(of.shape, np.nan)


__all__ = ["RuleMistakes", "false_go_and_needless"]
