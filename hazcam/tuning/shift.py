"""How far the least limits of the same headings move between two readings of the same ground."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import median_abs_deviation


@dataclass(frozen=True, kw_only=True)
class Shift:
    """How far the least limits move at which headings are go. [unit of the limits]

    Attributes
    ----------
    median : float
        Positive: the same ground needs a higher limit. NaN: see ``reason``.
    scatter : float
        1.4826 times the median absolute deviation of the moves from it; NaN as above. A median much
        smaller than ``scatter / sqrt(headings)`` is no move, and headings of one pair do not count
        as so many: they see the same ground.
    step : float
        The coarsest step of the limits among those headings: no move is known better.
    headings : int
        How many it is the median of.
    lost, won : int
        Of all headings: go at a limit that was tried before and at none after; and the other way
        round.
    reason : str
        Why there is no median; empty where there is one.
    """

    median: float
    scatter: float
    step: float
    headings: int
    lost: int
    won: int
    reason: str


def shift_of(
    least_before: ArrayLike, least_after: ArrayLike, values: ArrayLike, *, limit: float,
    band: float,
) -> Shift:
    """How the least limits of the same headings moved, about a limit.

    Parameters
    ----------
    least_before, least_after : array_like of shape (n,), int
        Of each heading the index of the first of ``values`` at which it is go; len(values): at
        none.
    values : array_like of shape (m,)
        Ascending limits. [m or deg]
    limit, band : float
        Headings count whose least limit before lies no farther than ``band`` from ``limit``. Those
        that go at the first of ``values``, before or after, do not: their least limit is that or
        any lower one. [as the values]

    Raises
    ------
    ValueError
        Arrays of wrong shape, indices out of range, values that do not ascend, a band below 0.
    """
    tried = np.asarray(values, dtype=np.float64)
    if tried.ndim != 1 or tried.size < 2 or not (np.diff(tried) > 0).all():
        raise ValueError("values of a shift are two or more, ascending")
    if not (math.isfinite(limit) and band >= 0):
        raise ValueError(f"a band of {band} about {limit} holds no limit")
    before, after = (_indices(least, tried.size) for least in (least_before, least_after))
    if before.shape != after.shape:
        raise ValueError(f"{before.size} headings before and {after.size} after are not the same")
    none = tried.size
    lost, won = ((before < none) & (after == none)).sum(), ((before == none) & (after < none)).sum()
    known = (before > 0) & (before < none) & (after > 0) & (after < none)
    near = np.abs(tried[np.minimum(before, none - 1)] - limit) <= band
    counted = known & near
    found = {"headings": int(counted.sum()), "lost": int(lost), "won": int(won)}
    if not counted.any():
        nan = float("nan")
        return Shift(median=nan, scatter=nan, step=nan, **found,
                     reason=_why_none(known, near & (before > 0) & (before < none), limit, band))
    moves = tried[after[counted]] - tried[before[counted]]
    ends = np.concatenate([before[counted], after[counted]])
    return Shift(median=float(np.median(moves)),
                 scatter=float(median_abs_deviation(moves, scale="normal")),
                 step=float((tried[ends] - tried[ends - 1]).max()), **found, reason="")


def _indices(least: ArrayLike, count: int) -> NDArray[np.intp]:
    found = np.asarray(least)
    if found.ndim != 1 or (found.size and not np.issubdtype(found.dtype, np.integer)):
        raise ValueError(f"least limits are whole numbers of shape (n,), not {found.dtype} of "
                         f"shape {found.shape}")
    if ((found < 0) | (found > count)).any():
        raise ValueError(f"least limits lie between 0 and {count}, the number of values")
    return found.astype(np.intp)


def _why_none(
    known: NDArray[np.bool_], near: NDArray[np.bool_], limit: float, band: float
) -> str:
    """``known``: least limit within the values both times; ``near``: before, in the band."""
    if not known.size:
        return "there are no headings"
    if not near.any():
        return f"no heading needs a limit within {band:g} of {limit:g}"
    headings = f"{near.sum()} heading{'' if near.sum() == 1 else 's'}"
    return (f"{headings} before the change within {band:g} of {limit:g}, none of them at a limit "
            "that was tried after it")


__all__ = ["Shift", "shift_of"]
