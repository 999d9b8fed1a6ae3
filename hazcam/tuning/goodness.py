"""Whether the outcomes of trials look like the curve that was fitted to them.

Trials are taken together by their demand, some at a time, and what climbed of each lot is held
against what the curve expects (Pearson's X^2; D. W. Hosmer and S. Lemeshow, Commun. Stat. A 9,
1980, pp. 1043-1069). With few trials a lot X^2 is not chi-square distributed, so that its
distribution is drawn: outcomes are made up from the curve, fitted again, and counted the same way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats
from hazcam.tuning.fit import CurveFit, fit_curve, likeliest_curve
from hazcam.tuning.likelihood import Responses, outlook

_Places = NDArray[np.intp]
_DRAWS = 199  # the least p value is then 0.005
_SEED = 8_1000
_LOT, _MOST_LOTS = 6, 8  # trials in a lot at least; our own choice


@dataclass(frozen=True, kw_only=True)
class Lot:
    """Trials of neighbouring demands: how many climbed, and how many the curve expects."""

    least: float
    greatest: float
    tried: int
    climbed: int
    expected: float


@dataclass(frozen=True, kw_only=True)
class Goodness:
    """The fit, lot by lot.

    Attributes
    ----------
    lots : tuple of Lot
        By demand.
    statistic : float
        Pearson's X^2 over them.
    p_value : float
        Share of made-up campaigns from the curve that fit it no better; NaN where there are too
        few lots to tell.
    """

    lots: tuple[Lot, ...]
    statistic: float
    p_value: float


def goodness_of(data: Responses, fit: CurveFit, *, own: int) -> Goodness:
    """Hold outcomes against a curve: the first ``own`` of them, which are not the prior's."""
    order = np.argsort(data.mean[:own], kind="stable")
    mean, climbed = data.mean[:own][order], data.climbed[:own][order]
    expected = outlook(fit.link, fit.intercept, fit.slope, data).up[:own][order]
    lots = np.array_split(np.arange(len(order)), min(max(len(order) // _LOT, 1), _MOST_LOTS))
    statistic = _statistic(lots, climbed, expected)
    told = tuple(Lot(least=float(mean[lot[0]]), greatest=float(mean[lot[-1]]), tried=len(lot),
                     climbed=int(climbed[lot].sum()), expected=float(expected[lot].sum()))
                 for lot in lots)
    enough = len(lots) > 2  # two lots fit any curve of two parameters
    return Goodness(lots=told, statistic=statistic, p_value=_p_value(
        data, fit, own, order, lots, statistic) if enough else float("nan"))


def _statistic(lots: Sequence[_Places], climbed: Floats, expected: Floats) -> float:
    total = 0.0
    for lot in lots:
        spread = float((expected[lot] * (1 - expected[lot])).sum())
        total += float(climbed[lot].sum() - expected[lot].sum()) ** 2 / max(spread, 1e-9)
    return total


def _p_value(
    data: Responses, fit: CurveFit, own: int, order: _Places, lots: Sequence[_Places],
    statistic: float,
) -> float:
    rng = np.random.default_rng(_SEED)
    chance = outlook(fit.link, fit.intercept, fit.slope, data).up
    worse, told = 0, 0
    for _ in range(_DRAWS):
        drawn = replace(data, climbed=(rng.random(len(chance)) < chance).astype(float))
        if drawn.climbed.all() or not drawn.climbed.any():
            continue
        again = (fit_curve(drawn, fit.link, penalised=True) if fit.penalised
                 else likeliest_curve(drawn, fit.link))
        expected = outlook(again.link, again.intercept, again.slope, data).up[:own][order]
        told += 1
        worse += _statistic(lots, drawn.climbed[:own][order], expected) >= statistic - 1e-9
    return (1 + worse) / (1 + told)
