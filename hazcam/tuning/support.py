"""What trials can bear: the counts behind a height climbed, without any curve.

Without a curve only trials at the height itself speak, or a little above it: what is climbed at a
greater demand is climbed at the height too, if a greater demand is never climbed more often. Lower
ones are easier and show nothing of it. How far above is a share of the height, whatever came of the
trials. A demand counts as it was measured: where the errors are larger than that share, trials at
the height are about as often lower ones.

Of n such trials f failed; the confidence that one there climbs with at least a probability R is 1 -
B(f; n, 1 - R), B the cumulative binomial distribution. With no failure that takes 59 trials for R
and confidence of 95 %.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass

from scipy.stats import binom

from hazcam.tuning.record import TrialGroup

_NEAR = 0.05  # share of a height by which a trial above it still counts as one at it: our choice
_ROUNDING = 1e-12


@dataclass(frozen=True, kw_only=True)
class Support:
    """The counts behind a height climbed.

    Attributes
    ----------
    at : float
        The height asked about: the one climbed at the confidence; where there is none, the least
        demand that was tried. [unit of the demand]
    tried, climbed : int
        Trials at it, or at most ``near`` above it.
    near : float
        [unit of the demand]
    confidence : float
        That a trial there climbs with at least the reliability, by those trials alone.
    more : int
        How many more there, all climbed, would show it at the confidence asked for; 0: shown.
    alone : int
        How many it takes in all, without a failure.
    """

    at: float
    tried: int
    climbed: int
    near: float
    confidence: float
    more: int
    alone: int


def trials_needed(reliability: float, confidence: float, failures: int = 0) -> int:
    """Least number of trials, so many of them failed, that shows a reliability at a confidence.

    Examples
    --------
    >>> trials_needed(0.95, 0.95)
    59
    >>> [trials_needed(0.8, 0.8, failures) for failures in range(4)]
    [8, 14, 21, 27]
    """
    enough = failures + 1
    while shown(enough, failures, reliability) < confidence - _ROUNDING:
        enough *= 2
    tried = range(failures + 1, enough + 1)
    return tried[bisect.bisect_left(
        tried, confidence - _ROUNDING, key=lambda count: shown(count, failures, reliability))]


def shown(tried: int, failed: int, reliability: float) -> float:
    """Confidence that a trial climbs with at least a reliability."""
    return 0.0 if tried == 0 else float(binom.sf(failed, tried, 1 - reliability))


def support_of(
    group: TrialGroup, height: float | None, reliability: float, confidence: float
) -> Support:
    """Count the trials at a height; where it is none or not above 0, at the least one tried."""
    known = height is not None and math.isfinite(height) and height > 0
    at = float(height) if known and height is not None else float(group.demand.min())
    near = _NEAR * at
    here = (group.demand >= at - _ROUNDING) & (group.demand <= at + near + _ROUNDING)
    tried, climbed = int(here.sum()), int(group.climbed[here].sum())
    needed = trials_needed(reliability, confidence, tried - climbed)
    return Support(at=at, tried=tried, climbed=climbed, near=near,
                   confidence=shown(tried, tried - climbed, reliability),
                   more=max(needed - tried, 0), alone=trials_needed(reliability, confidence))
