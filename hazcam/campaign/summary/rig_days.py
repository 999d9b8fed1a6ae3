"""Whether a rig still matched its calibration, day by day: offsets of rows over all pairs.

Where left and right row of a feature differ after rectification, the cameras have moved against
each other, or the file is that of another rig. A drift is estimated of some pairs only; the offset
of rows is known of every pair with enough features.

Two questions are asked of each day with a rig on a rover:

*Is its median far from the other days?* Yes, if it differs from the median of all other pairs of
the rig and rover by more than ``FAR`` robust standard deviations of a single pair: 1.4826 times
their median absolute deviation (which is one standard deviation of a normal distribution), or what
a pair states of itself, whichever is larger.

*Did it go up or down within the day?* Kendall's rank correlation with time (the test of Mann 1945),
which asks for no distribution and is not misled by single bad pairs. Together all days cry wolf
with a probability of ``FALSE_ALARM`` at most (Bonferroni). A change between the medians of the
first and last third that is no larger than the standard deviation of a pair counts as none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import kendalltau

from hazcam.campaign.summary.against import Rows
from hazcam.campaign.summary.course import DAY_NOT_STATED
from hazcam.campaign.summary.tally import Groups
from hazcam.frames import Floats

FAR = 5.0
FALSE_ALARM = 0.05
LEAST_OF_DAY, LEAST_OF_OTHERS = 3, 5
"""Fewer pairs say nothing of a day, or of what is usual."""
NO_MATCH = "rig no longer matches its calibration"
# Of so few features an offset means nothing.
_NOT_CHECKED = "rig not checked"
_TO_SD = 1.4826


@dataclass(frozen=True, kw_only=True)
class RigDay:
    """The pairs of a day with a rig on a rover.

    Attributes
    ----------
    rig, rover, day : str
        Names.
    first_pair : str
        Id of the first in time.
    pairs, no_match : int
        Assessed; of them those whose rows no longer match the calibration.
    known : int
        Pairs whose offset of rows is known, from enough features.
    median_px, low_px, high_px : float
        Of their offsets: median, tenth and ninetieth percentile. [px] NaN: none is known.
    first_px, last_px : float
        Medians of the first and the last third of them, in time. [px]
    others_px : float
        Median of the other days with this rig on this rover. [px] NaN: too few pairs.
    far, trend : bool
        The median is far from the other days; the offset went up or down within the day.
    """

    rig: str
    rover: str
    day: str
    first_pair: str
    pairs: int
    no_match: int
    known: int
    median_px: float
    low_px: float
    high_px: float
    first_px: float
    last_px: float
    others_px: float
    far: bool
    trend: bool


def rig_days(
    found: Rows, rigs: dict[str, str], groups: Groups, moments_s: Floats
) -> tuple[RigDay, ...]:
    """Each day with each rig on each rover, by rig, rover and day.

    Parameters
    ----------
    found : structured array
        Table ``assessments``.
    rigs : dict of str to str
        Names by digest.
    groups : Groups
        Of the pairs.
    moments_s : ndarray of shape (N,)
        Of each row of the table ``pairs``. [s]
    """
    at = groups.rows_of(found["pair"])
    order = np.argsort(moments_s[at], kind="stable")
    found, at = found[order], at[order]
    keys = [(rigs[rig], str(groups.rover[i]), str(groups.day[i]))
            for rig, i in zip(found["rig"].tolist(), at.tolist(), strict=True)]
    names = sorted(set(keys), key=lambda key: (*key[:2], key[2] == DAY_NOT_STATED, key[2]))
    rows: dict[tuple[str, ...], list[int]] = {}
    for i, key in enumerate(keys):
        rows.setdefault(key, []).append(i)
        rows.setdefault(key[:2], []).append(i)
    days = []
    for name in names:
        mine = np.array(rows[name], dtype=np.int64)
        others = np.setdiff1d(rows[name[:2]], mine, assume_unique=True)
        days.append(_rig_day(name, found[mine], moments_s[at[mine]], found[others], len(names)))
    return tuple(days)


def _rig_day(
    name: tuple[str, str, str], mine: Rows, moments_s: Floats, others: Rows, days: int
) -> RigDay:
    known = _known(mine)
    offsets = mine["rows_off_px"][known]
    usual = others[_known(others)]["rows_off_px"]
    sigma = _median(mine["rows_off_sigma_px"][known])
    third = max(1, len(offsets) // 3)
    low, median, high = _percentiles(offsets)
    first, last = _median(offsets[:third]), _median(offsets[-third:])
    rig, rover, day = name
    return RigDay(
        rig=rig, rover=rover, day=day, first_pair=str(mine["pair"][0]), pairs=len(mine),
        no_match=int((mine["unusable_because"] == NO_MATCH).sum()), known=len(offsets),
        median_px=median, low_px=low, high_px=high, first_px=first, last_px=last,
        others_px=_median(usual) if len(usual) >= LEAST_OF_OTHERS else float("nan"),
        far=_is_far(offsets, usual, sigma),
        trend=_has_trend(offsets, moments_s[known], FALSE_ALARM / days)
        and abs(last - first) > float(np.nan_to_num(sigma)))


def _known(rows: Rows) -> Floats:
    return np.asarray(np.isfinite(rows["rows_off_px"])
                      & (rows["unusable_because"] != _NOT_CHECKED))


def _is_far(offsets: Floats, usual: Floats, sigma_px: float) -> bool:
    if len(offsets) < LEAST_OF_DAY or len(usual) < LEAST_OF_OTHERS:
        return False
    middle = float(np.median(usual))
    deviation = _TO_SD * float(np.median(np.abs(usual - middle)))
    allowed = FAR * max(deviation, float(np.nan_to_num(sigma_px)))
    return abs(float(np.median(offsets)) - middle) > allowed


def _has_trend(offsets: Floats, moments_s: Floats, false_alarm: float) -> bool:
    timed = np.isfinite(moments_s)
    if timed.sum() < LEAST_OF_DAY:
        return False
    chance = float(kendalltau(moments_s[timed], offsets[timed]).pvalue)
    return chance < false_alarm  # of equal times or offsets it is NaN


def _median(values: Floats) -> float:
    return float(np.median(values)) if len(values) else float("nan")


def _percentiles(values: Floats) -> tuple[float, float, float]:
    if not len(values):
        return (float("nan"),) * 3
    low, median, high = np.percentile(values, [10, 50, 90]).tolist()
    return low, median, high
