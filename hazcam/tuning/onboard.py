"""What the rover's own algorithm reported, against what was measured; and its rule fitted to that.

The model is a line with errors in both (``structural_line``): of the true demand x the reported
value is ``offset + gain x + u``, u normal with standard deviation ``tau``; the measured demand is x
with the error that its sigma states. A line through reported against measured values would be too
flat.

Both errors are taken as independent. Where the algorithm judges by the same pictures they may not
be: what both get wrong alike makes tau too small, and the gain too large.

*Gross errors.* An obstacle that was not noticed at all is no noise. Pairs farther from the line
than ``FAR`` of their standard deviations are left out of the fit and counted instead: as missed
below it, as overstated above it. The line that first tells them apart is one of repeated medians
[1]_, which they cannot pull; then fit and telling apart alternate until they agree. A miss shows
only where the value expected is farther than that above 0: the share is of such pairs. Misses of
lower obstacles count as noise. A pair without a value is a miss too where its demand would have
shown like that, but for one on which the rover stopped: that says nothing of what it saw.

References
----------
.. [1] A. F. Siegel, "Robust regression using repeated medians," Biometrika, vol. 69, no. 1,
   pp. 242-244, 1982.
.. [2] P. J. Rousseeuw and A. M. Leroy, Robust Regression and Outlier Detection, Wiley, 1987,
   chapter 5 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2, siegelslopes
from scipy.stats import t as student

from hazcam.errors import listed
from hazcam.frames import Floats
from hazcam.tuning.onboard_reports import OnboardReports
from hazcam.tuning.onboard_rule import EACH, GrossErrors, NoOnboardRule, OnboardRule
from hazcam.tuning.structural_line import StructuralLine, noise_bound, structural_line

LEAST_PAIRS = 8
"""Five numbers are fitted. Our choice, no source."""
FAR = 4.0
"""Standard deviations: normal noise goes beyond once in 16 000."""
MOST_GROSS = 0.25
"""Share of gross errors above which the reported value is not a line with noise."""

_START = 500  # pairs that the first line goes through: it compares each with each
_FAR_AT_FIRST = 6.0
_ROUNDS = 20
_EXACT_M = 1e-9  # what stands for the error of a demand that is known exactly

_Mask = NDArray[np.bool_]


def fit_onboard(reports: OnboardReports) -> OnboardRule | NoOnboardRule:
    """Fit what the algorithm on board reports of a true demand.

    Parameters
    ----------
    reports : OnboardReports
        Of one rover.

    Returns
    -------
    OnboardRule or NoOnboardRule
        The latter where nothing, too little, or something else than the demand was reported.
    """
    why = _too_little(reports)
    if why:
        return NoOnboardRule(reason=why)
    kept = _near_at_first(reports)
    for _ in range(_ROUNDS):
        if kept.sum() < max(LEAST_PAIRS, (1 - MOST_GROSS) * len(kept)):
            return NoOnboardRule(reason=f"{len(kept) - kept.sum()} of {len(kept)} reported values "
                                        "lie far off the line that the others follow")
        line = structural_line(reports.demand[kept], reports.sigma[kept], reports.reported[kept])
        if line is None:
            return NoOnboardRule(reason=_not_told_apart(kept))
        near = np.abs(_far(line, reports)) <= FAR
        if np.array_equal(near, kept):
            return _rule(reports, line, kept)
        kept = near
    return NoOnboardRule(reason="which of the reported values lie far off the line of the others "
                                "does not settle")


def _too_little(reports: OnboardReports) -> str:
    """Why no line can be fitted; empty where one can."""
    names = sorted(set(reports.rovers))
    n = len(reports.pairs)
    if not n:
        return reports.reason
    if len(names) > 1:
        return f"the values are of {len(names)} rovers ({listed(names)}): fit them one by one"
    if n < LEAST_PAIRS:
        return (f"{n} pair{'s have' if n != 1 else ' has'} both a reported value and a "
                f"{reports.kind} measured straight ahead; {LEAST_PAIRS} are the least "
                "(our choice: five numbers are fitted)")
    if _all_the_same(reports):
        return (f"the demands measured are all the same within their errors: {n} pairs about "
                f"{reports.demand.mean():.3f} m do not show what is reported of others")
    if np.ptp(reports.reported) == 0:
        return (f"the reported value does not follow the demand: it is "
                f"{reports.reported[0]:g} m in all {n} pairs")
    return ""


def _all_the_same(reports: OnboardReports) -> bool:
    """Do errors alone explain how the demands differ, as Cochran's Q has it, at 95 %?"""
    weight = 1 / np.maximum(reports.sigma, _EXACT_M) ** 2
    off = reports.demand - np.average(reports.demand, weights=weight)
    return float(weight @ off**2) <= float(chi2.ppf(0.95, len(off) - 1))


def _near_at_first(reports: OnboardReports) -> _Mask:
    """Pairs near a line of repeated medians, which gross errors in up to half cannot pull.

    Their scale is the median deviation, with the usual correction for few of them [2]_.
    """
    order = np.argsort(reports.demand, kind="stable")
    some = order[np.unique(np.linspace(0, len(order) - 1, _START).astype(int))]
    slope, at_0 = siegelslopes(reports.reported[some], reports.demand[some])
    off = np.abs(reports.reported - at_0 - slope * reports.demand)
    scale = 1.4826 * (1 + 5 / (len(off) - 2)) * float(np.median(off))
    return np.asarray(off <= _FAR_AT_FIRST * scale)


def _far(line: StructuralLine, reports: OnboardReports) -> Floats:
    """How far each value lies off the line, in its standard deviations."""
    sd = np.hypot(line.tau, line.gain * reports.sigma)
    return np.asarray((reports.reported - line.offset - line.gain * reports.demand) / sd)


def _shows(line: StructuralLine, demand: ArrayLike, sigma: ArrayLike) -> _Mask:
    """Whether the value expected of a demand is far above 0, so that a miss stands out."""
    expected = line.offset + line.gain * np.asarray(demand)
    return np.asarray(expected > FAR * np.hypot(line.tau, line.gain * np.asarray(sigma)))


def _rule(
    reports: OnboardReports, line: StructuralLine, kept: _Mask
) -> OnboardRule | NoOnboardRule:
    """The rule of a line through the pairs that were kept, or why it is none."""
    n = int(kept.sum())
    sigma = float(np.sqrt(line.covariance[1, 1] * n / (n - 2)))
    if line.gain <= student.ppf(0.95, n - 2) * sigma:
        return NoOnboardRule(reason=f"the reported value does not follow the demand: its gain is "
                                    f"{line.gain:.2g} ± {sigma:.2g}, not surely above 0")
    tau_least, tau_most = (
        noise_bound(line, reports.demand[kept], reports.sigma[kept], reports.reported[kept], c)
        for c in (EACH, 1 - EACH))
    if not tau_most > line.tau:
        return NoOnboardRule(reason=_not_told_apart(kept))
    far, silent = _far(line, reports), _silent(line, reports)
    below, over = ~kept & (far < 0), ~kept & (far > 0)
    tried = int(np.sum(_shows(line, reports.demand, reports.sigma) | below)) + len(silent)
    if not tried:
        return NoOnboardRule(reason=f"no {reports.kind} was large enough to stand out of the noise "
                             f"of the reported value, {line.tau:.3f} m: whether obstacles are "
                             "missed wholly is not known")
    return OnboardRule(
        rover=reports.rovers[0], kind=reports.kind, offset_m=line.offset, gain=line.gain,
        tau_m=line.tau, covariance=line.covariance, tau_least_m=tau_least, tau_most_m=tau_most,
        mean_m=line.mean, spread_m=line.spread,
        least_demand_m=float(reports.demand[kept].min()),
        most_demand_m=float(reports.demand[kept].max()), pairs=n,
        missed=GrossErrors(pairs=_ids(reports, below) + silent, tried=tried),
        overstated=GrossErrors(pairs=_ids(reports, over), tried=len(kept)))


def _silent(line: StructuralLine, reports: OnboardReports) -> tuple[str, ...]:
    """Pairs without a value that count as missed."""
    walked_on = [one for one in reports.silent if not one.stopped]
    shows = _shows(line, [one.demand for one in walked_on], [one.sigma for one in walked_on])
    return tuple(one.pair for one, far in zip(walked_on, shows, strict=True) if far)


def _not_told_apart(kept: _Mask) -> str:
    return (f"the errors of our own measurement explain how {kept.sum()} reported values scatter: "
            "the rover's own noise is not told apart from them")


def _ids(reports: OnboardReports, which: _Mask) -> tuple[str, ...]:
    return tuple(reports.pairs[i] for i in np.flatnonzero(which))


__all__ = ["FAR", "LEAST_PAIRS", "fit_onboard"]
