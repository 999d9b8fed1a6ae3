"""How surely trials tell the height climbed, and which to add so that they tell it best.

The height that is climbed with a reliability R is h = (F^-1(R) - intercept) / slope. Its variance
is g' M^-1 g, g the gradient of h and M the expected information of the trials made and planned.
Planned are those trials that make it least: a c-optimal design added to the trials made (A. C.
Atkinson, A. N. Donev, R. D. Tobias, Optimum Experimental Designs, with SAS, 2007, chapters 10 and
22). It depends on the curve, which is not known; so the logarithm of the variance is averaged over
the curves that the trials allow (K. Chaloner and I. Verdinelli, Stat. Sci. 10, 1995, pp. 273-304).
The logarithm, since the variance itself has no finite mean where curves that are nearly flat are
not ruled out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from hazcam.frames import Floats
from hazcam.tuning.likelihood import Responses, information, outlook, quantile, weights
from hazcam.tuning.uncertain_curve import PossibleCurves

_ROUNDS = 300  # of the shares; what is left to do, the exchange does
_GAIN = 1e-9  # in the mean logarithm of the variance: less is no improvement


class Narrowing:
    """How surely trials of given demands would tell the height climbed.

    Parameters
    ----------
    made : Responses
        Of the trials made.
    to_come : Responses
        One trial of each demand that may be added.
    curves : sequence of PossibleCurves
        Over which is averaged.
    reliability : float
        With which the height is climbed.
    """

    def __init__(
        self, made: Responses, to_come: Responses, curves: Sequence[PossibleCurves],
        reliability: float,
    ) -> None:
        self._weight = np.concatenate([one.weight for one in curves])
        self._made = np.concatenate([_of_all(one, made) for one in curves], axis=1)
        self._each = np.concatenate([_of_one_each(one, to_come) for one in curves], axis=1)
        self._slope = np.concatenate([one.slope for one in curves])
        self._height = np.concatenate(
            [(quantile(one.link, reliability) - one.intercept) / one.slope for one in curves])

    @property
    def trials(self) -> int:
        """How many trials to come there are to choose from."""
        return int(self._each.shape[2])

    def level(self, added: Sequence[int] = ()) -> float:
        """Mean logarithm of the variance with some of the trials to come added, by number."""
        return float(self._levels(self._sum(added))[0])

    def levels(self, added: Sequence[int] = ()) -> Floats:
        """The same with one more of the trials to come, for each of them."""
        return self._levels(self._sum(added) + self._each)

    def gains(self, share: Floats) -> Floats:
        """By how much ``level`` falls for a little more of each, with shares of them added."""
        aa, ab, bb = self._made[:, :, None] + self._each @ share[:, None]
        h = self._height
        # M^-1 (1, h), times the determinant.
        v, w = bb - h * ab, h * aa - ab
        of_each = v * v * self._each[0] + 2 * v * w * self._each[1] + w * w * self._each[2]
        ratio = of_each / ((aa * bb - ab * ab) * (v + h * w))
        return np.asarray(self._weight @ ratio / self._weight.sum())

    def _sum(self, added: Sequence[int]) -> Floats:
        total = self._made + self._each[:, :, list(added)].sum(axis=2)
        return np.asarray(total[:, :, None])

    def _levels(self, total: Floats) -> Floats:
        aa, ab, bb = total
        # g' M^-1 g, with g = -(1, h) / slope.
        variance = ((bb - 2 * self._height * ab + self._height**2 * aa)
                    / ((aa * bb - ab * ab) * self._slope**2))
        return np.asarray(self._weight @ np.log(variance) / self._weight.sum())


def _of_all(one: PossibleCurves, made: Responses) -> Floats:
    """Expected information of all trials under each curve: (0, 0), (0, 1), (1, 1); (3, curves)."""
    found = information(outlook(one.link, one.intercept, one.slope, made), made)
    return np.stack([found[:, 0, 0], found[:, 0, 1], found[:, 1, 1]])


def _of_one_each(one: PossibleCurves, to_come: Responses) -> Floats:
    """The same of each trial for itself, (3, curves, trials)."""
    expected = outlook(one.link, one.intercept, one.slope, to_come)
    w, a, b = weights(expected, to_come), expected.by_intercept, expected.by_slope
    return np.stack([w * a * a, w * a * b, w * b * b])


def chosen_trials(narrowing: Narrowing, count: int) -> list[int]:
    """Numbers of the trials to come that make the variance least; one may be there several times.

    From two beginnings, one by one and in the best shares, each trial in turn is exchanged for what
    serves better beside the others, until nothing does; the better end counts. One beginning alone
    may end where only an exchange of several at a time would help.
    """
    ends = [_exchanged(narrowing, start)
            for start in (_one_by_one(narrowing, count), _in_shares(narrowing, count))]
    return min(ends, key=narrowing.level)


def _one_by_one(narrowing: Narrowing, count: int) -> list[int]:
    chosen: list[int] = []
    for _ in range(count):
        chosen.append(int(np.argmin(narrowing.levels(chosen))))
    return chosen


def _in_shares(narrowing: Narrowing, count: int) -> list[int]:
    """The best shares of the trials, rounded to whole ones by the largest remainders.

    Shares are multiplied by the root of what more of each would gain (S. D. Silvey, D. M.
    Titterington, B. Torsney, Commun. Stat. A 7, 1978, pp. 1379-1389).
    """
    share = np.full(narrowing.trials, count / narrowing.trials)
    for _ in range(_ROUNDS):
        share = share * np.sqrt(narrowing.gains(share))
        share *= count / share.sum()
    whole = np.floor(share).astype(int)
    largest = np.argsort(whole - share, kind="stable")[:count - whole.sum()]
    whole[largest] += 1
    return list(map(int, np.repeat(np.arange(narrowing.trials), whole)))


def _exchanged(narrowing: Narrowing, start: list[int]) -> list[int]:
    chosen, level, improved = list(start), narrowing.level(start), True
    while improved:
        improved = False
        for k in range(len(chosen)):
            levels = narrowing.levels(chosen[:k] + chosen[k + 1:])
            best = int(np.argmin(levels))
            if levels[best] < level - _GAIN:
                chosen[k], level, improved = best, float(levels[best]), True
    return sorted(chosen)


__all__ = ["Narrowing", "chosen_trials"]
