"""Profile likelihood of the height that is climbed with some reliability.

For a demand h that is climbed with a given probability R the curve is F(F^-1(R) + slope * (d - h)),
and what is left to choose is the slope. Over all slopes that fall with the demand, the likeliest is
taken: the profile of h. The interval holds every h for which twice the logarithm of its likelihood,
against the best, lacks no more than the quantile of chi-square with one degree of freedom (D. R.
Cox and D. Oakes, Analysis of Survival Data, 1984, section 3.3; W. Q. Meeker and L. A. Escobar, Am.
Stat. 49, 1995, pp. 48-53). It has no end where a slope of 0 cannot be ruled out.

Few trials part too well: without a penalty the likeliest curve is too steep, often a step, and the
lower end lies too high. With Jeffreys' penalty (G. Heinze and M. Schemper, Stat. Med. 21, 2002, pp.
2409-2419, for the logistic curve) it falls by and by, and where the truth is steep the upper end
lies too low. At either end the wider of both is taken (``height_interval``), so that the lower end
is mostly that with the penalty, the upper one that without. ``tests/benchmarks/curves.py``, of 24
times 500 campaigns of 20, 40 and 80 trials: the share of intervals of nominally 95 % that hold the
height that 95 % climb, and of one-sided 95 % bounds that lie above it.

==================  ============  ==================
Likelihood          Held          Bound above truth
==================  ============  ==================
without a penalty   83 to 100 %   0 to 22 %
with the penalty    75 to 99 %    0 to 4 %
wider of both       95 to 100 %   0 to 4 %
==================  ============  ==================
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2

from hazcam.frames import Floats
from hazcam.statistics import Interval
from hazcam.tuning.fit import CurveFit, InfiniteSlopeError, fit_curve
from hazcam.tuning.likelihood import Link, Responses, objective, quantile, scaled

# Slopes that are tried, per standard deviation of the demands: from none to a step. What lies
# between the neighbours of the likeliest is tried again, as often as it says, then a parabola.
_SLOPES = np.geomspace(1e-3, 1e3, 25)
_AGAIN = (11, 9)
_PLACES = 200  # where a step is looked for, besides between neighbours
# Standard deviations of the demands from where it is looked: farther is nowhere.
_STEPS = np.geomspace(0.05, 100.0, 20)


class HeightProfile:
    """Profiles of the heights climbed, of one group of trials and one link.

    Parameters
    ----------
    data : Responses
        At least two different demands.
    link : str
        ``logit`` or ``probit``.
    penalised : bool
        Add Jeffreys' penalty.
    """

    def __init__(self, data: Responses, link: Link, *, penalised: bool = True) -> None:
        self._data, self._centre, self._scale = scaled(data)
        self._given, self._link, self._penalised = data, link, penalised

    def level(self, height: float, reliability: float) -> float:
        """Greatest (penalised) log-likelihood if a height is climbed with a reliability."""
        return self._level((height - self._centre) / self._scale, reliability)

    def estimate(self, reliability: float) -> float | None:
        """The likeliest height; None where the likeliest curve does not fall with the demand."""
        if self._fit is None:
            return self._centre + self._scale * self._step
        return self._fit.demand_at(reliability) if self._fit.slope < 0 else None

    def interval(self, reliability: float, confidence: float) -> Interval:
        """Both bounds of the height that is climbed with a reliability.

        Parameters
        ----------
        reliability : float
            Between 0 and 1.
        confidence : float
            Of the two bounds together; each is a one-sided bound at (1 + confidence) / 2.

        Returns
        -------
        Interval
            -inf or +inf where there is no such bound, both where there is no estimate.
        """
        estimate = self.estimate(reliability)
        if estimate is None:
            return Interval(-math.inf, math.inf)
        start = (estimate - self._centre) / self._scale
        least = self._level(start, reliability) - float(chi2.ppf(confidence, 1)) / 2
        low, high = (self._end(start, reliability, least, way) for way in (-1.0, 1.0))
        return Interval(self._centre + self._scale * low, self._centre + self._scale * high)

    @cached_property
    def _fit(self) -> CurveFit | None:
        """In the unit of the demand; None where no finite curve is the likeliest."""
        try:
            return fit_curve(self._given, self._link, penalised=self._penalised)
        except InfiniteSlopeError:
            return None

    @cached_property
    def _step(self) -> float:
        """Where the steepest curve is the likeliest: between two trials, or in their errors."""
        at = np.sort(self._data.mean)
        tried = np.concatenate([(at[1:] + at[:-1]) / 2, np.linspace(at[0], at[-1], _PLACES)])
        slope = -_SLOPES[-1]
        found = objective(self._link, -slope * tried[:, None], np.full((len(tried), 1), slope),
                          self._data, penalised=False)
        return float(tried[np.argmax(found)])

    def _end(self, start: float, reliability: float, least: float, way: float) -> float:
        """Where the profile falls below ``least`` on one side; infinite where it never does."""
        def room(h: float) -> float:
            return self._level(h, reliability) - least

        inside = start
        for step in _STEPS:
            outside = start + way * float(step)
            if room(outside) < 0:
                return float(brentq(room, inside, outside, xtol=1e-5))
            inside = outside
        return math.copysign(math.inf, way)

    def _level(self, height: float, reliability: float) -> float:
        at = quantile(self._link, reliability)

        def levels(log_slopes: Floats) -> Floats:
            slope = -np.exp(log_slopes)[:, None]
            return objective(self._link, at - slope * height, slope, self._data,
                             penalised=self._penalised)

        tried = np.log(_SLOPES)
        found = levels(tried)
        k = int(np.argmax(found))
        for count in _AGAIN:
            if k in (0, len(tried) - 1):
                return float(found[k])
            tried = np.linspace(tried[k - 1], tried[k + 1], count)
            found = levels(tried)
            k = int(np.argmax(found))
        return float(found[k]) if k in (0, len(tried) - 1) else _top(found[k - 1:k + 2])


def height_interval(
    data: Responses, link: Link, reliability: float, confidence: float
) -> Interval:
    """The wider of both intervals, with Jeffreys' penalty and without, at either end."""
    both = [HeightProfile(data, link, penalised=penalised).interval(reliability, confidence)
            for penalised in (True, False)]
    return Interval(min(found.low for found in both), max(found.high for found in both))


def _top(three: Floats) -> float:
    """Height of the parabola through three values side by side, the middle one the greatest."""
    below, middle, above = (float(value) for value in three)
    bend = 2 * middle - below - above
    return middle + (above - below) ** 2 / (8 * bend) if bend > 0 else middle
