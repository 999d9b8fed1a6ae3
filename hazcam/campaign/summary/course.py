"""How something went over a campaign: medians with their spread, in at most sixty steps of time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats, read_only

MOST_STEPS = 60
_LOW, _HIGH = 10, 90  # per cent
_MINUTE, _HOUR, _DAY = 60.0, 3600.0, 86400.0
_FAR_S, _FAR_SPREADS, _FAR_SHARE = 30 * _DAY, 10.0, 0.1
_WIDTHS_S = (_MINUTE, 10 * _MINUTE, _HOUR, 6 * _HOUR, _DAY, 2 * _DAY, 7 * _DAY, 28 * _DAY)
DAY_NOT_STATED = "day not stated"

Integers = NDArray[np.int64]


def day_of(taken_at: str) -> str:
    """The date of a time in its own zone; ``DAY_NOT_STATED`` where there is none.

    Examples
    --------
    >>> day_of("2031-05-04T23:30:00+02:00"), day_of("")
    ('2031-05-04', 'day not stated')
    """
    moment = _parsed(taken_at)
    return DAY_NOT_STATED if moment is None else moment.date().isoformat()


def moments(taken_at: Sequence[str]) -> Floats:
    """Seconds since 1970, (N,); NaN where not stated. A time without a zone counts as UTC."""
    parsed = (_parsed(text) for text in taken_at)
    return np.array([np.nan if m is None else
                     (m if m.tzinfo else m.replace(tzinfo=UTC)).timestamp() for m in parsed])


def without_zone(taken_at: Sequence[str]) -> int:
    """How many times state no zone.

    Examples
    --------
    >>> without_zone(["2031-05-04T23:30:00+02:00", "2031-05-04T23:30:00", ""])
    1
    """
    parsed = (_parsed(text) for text in taken_at)
    return sum(m is not None and m.tzinfo is None for m in parsed)


def far_from_the_rest(moments_s: Floats) -> NDArray[np.bool_]:
    """Which times are so far from the others that a clock was probably wrong, (N,).

    Those farther from the median than 30 days and than ten times the spread, twice the median
    distance from the median (of a symmetric spread, the distance of its quartiles): neither heeds
    what a few wrong clocks say. More than a tenth of all, and more than one, are no exceptions but
    another part of the campaign, and count as right. A rule for outliers as is common practice; the
    numbers are ours.

    Examples
    --------
    >>> far_from_the_rest(moments(["1970-01-01", "2031-05-04", "2031-05-05", "2031-05-06"]))
    array([ True, False, False, False])
    """
    known = moments_s[np.isfinite(moments_s)]
    if not len(known):
        return np.zeros(len(moments_s), dtype=np.bool_)
    apart = np.abs(moments_s - np.median(known))
    spread = 2 * float(np.nanmedian(apart))
    far = np.asarray(apart > max(_FAR_S, _FAR_SPREADS * spread))
    return far if far.sum() <= max(1.0, _FAR_SHARE * len(known)) else np.zeros_like(far)


def _parsed(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


@dataclass(frozen=True, kw_only=True, eq=False)
class Steps:
    """Steps of time, or of places in the manifest where no pair says when it was taken.

    Attributes
    ----------
    by_time : bool
        Else by place in the manifest.
    edges : ndarray of shape (n + 1,)
        Seconds since 1970, or places.
    step : ndarray of shape (N,), int64
        Of each pair; -1 where it does not say when it was taken, or says what is far from the rest.
    """

    by_time: bool
    edges: Floats
    step: Integers

    def __post_init__(self) -> None:
        object.__setattr__(self, "edges", read_only(self.edges, np.float64))
        object.__setattr__(self, "step", read_only(self.step, np.int64))

    @property
    def middles(self) -> Floats:
        """Middle of each step, (n,)."""
        return np.asarray((self.edges[1:] + self.edges[:-1]) / 2)


def steps_of(moments_s: Floats, places: NDArray[Any]) -> Steps:
    """Cut a campaign into steps of a round length.

    Parameters
    ----------
    moments_s : ndarray of shape (N,)
        From ``moments``.
    places : ndarray of shape (N,)
        In the manifest.
    """
    moments_s = np.where(far_from_the_rest(moments_s), np.nan, moments_s)
    stated = np.isfinite(moments_s)
    by_time = bool(stated.any())
    at = moments_s if by_time else np.asarray(places, dtype=np.float64)
    known = at[np.isfinite(at)]
    if not len(known):
        return Steps(by_time=False, edges=np.array([0.0, 1.0]), step=np.empty(0, dtype=np.int64))
    low, high = float(known.min()), float(known.max())
    width = _width_s(high - low) if by_time else float(max(1, -(-(high - low + 1) // MOST_STEPS)))
    start = np.floor(low / width) * width
    step = np.full(len(at), -1, dtype=np.int64)
    step[np.isfinite(at)] = np.floor((known - start) / width).astype(np.int64)
    edges = start + width * np.arange(int(step.max()) + 2)
    return Steps(by_time=by_time, edges=edges, step=step)


def _width_s(span_s: float) -> float:
    """The least round length that needs few enough steps; one may be cut by either end."""
    for width in _WIDTHS_S:
        if span_s / width <= MOST_STEPS - 1:
            return width
    return float(np.ceil(span_s / (MOST_STEPS - 1) / _DAY)) * _DAY


@dataclass(frozen=True, kw_only=True, eq=False)
class Band:
    """Of each step that holds a value: median, and the tenth and ninetieth percentile, (n,)."""

    median: Floats
    low: Floats
    high: Floats

    def __post_init__(self) -> None:
        for name in ("median", "low", "high"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))


@dataclass(frozen=True, kw_only=True, eq=False)
class Course:
    """How some quantities of a group of pairs went.

    Attributes
    ----------
    group : str
        Rover or rig.
    side : str
        ``left``, ``right``, or empty.
    at : ndarray of shape (n,)
        Middle of each step that holds a pair of the group; as ``Steps.edges``.
    count : ndarray of shape (n,), int64
        Its pairs.
    bands : mapping of str to Band
        By quantity.
    """

    group: str
    side: str
    at: Floats
    count: Integers
    bands: Mapping[str, Band]

    def __post_init__(self) -> None:
        object.__setattr__(self, "at", read_only(self.at, np.float64))
        object.__setattr__(self, "count", read_only(self.count, np.int64))


def course(
    group: str, side: str, steps: Steps, step: Integers, values: Mapping[str, Floats]
) -> Course:
    """The course of some quantities.

    Parameters
    ----------
    group, side : str
        As of ``Course``.
    steps : Steps
        Of the campaign.
    step : ndarray of shape (N,), int64
        Of each row of ``values``; -1: left out.
    values : mapping of str to ndarray of shape (N,)
        NaN: not known.
    """
    order = np.argsort(step, kind="stable")
    order = order[step[order] >= 0]
    found, first, count = np.unique(step[order], return_index=True, return_counts=True)
    bands = {name: _band(np.split(value[order], first[1:])) for name, value in values.items()}
    return Course(group=group, side=side, at=steps.middles[found], count=count, bands=bands)


def _band(parts: Sequence[Floats]) -> Band:
    rows = np.full((len(parts), 3), np.nan)
    for i, part in enumerate(parts):
        known = part[np.isfinite(part)]
        if len(known):
            rows[i] = np.percentile(known, [50, _LOW, _HIGH])
    return Band(median=rows[:, 0], low=rows[:, 1], high=rows[:, 2])
