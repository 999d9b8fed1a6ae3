"""Relief of a way: what rises, falls and gaps are measured from, for the judge.

A gap that the legs bridge does them no harm: ground that is low for no longer than the gap, with a
bank on both sides, is filled to the lower of the two before rises and falls are taken.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import grey_closing, minimum_filter1d

from hazcam.frames import Floats
from hazcam.scene.way import ALONG_M, FOOTHOLD_M, Way, lowest_behind

NOTHING_M = 1e-6  # what rounding leaves of level ground


def over_limit(demand: float, limit: float) -> float:
    """Demand over limit; a limit of 0 bears nothing."""
    if limit > 0:
        return demand / limit
    return np.inf if demand > 0 else demand


def station_at(at_m: float) -> int:
    """First station at or beyond a place."""
    return int(np.ceil(at_m / ALONG_M - 1e-6))


def closed(way: Way, gap_m: float) -> Floats:
    """The support, with what is low for no longer than a gap filled to the lower bank. [m]"""
    unknown = np.isnan(way.support_m)
    size = int(gap_m / ALONG_M + 1e-6) + 1
    # unknown ground is no bank
    closed = grey_closing(np.where(unknown, -np.inf, way.support_m), size=(size, 1),
                          mode="nearest")
    return np.where(unknown, np.nan, closed)


def rise_within(way: Way, ground: Floats) -> Floats:
    """Rise within the foothold that ends at each station, from ground that is stood on. [m]"""
    return np.asarray(way.top_m - lowest_behind(ground, np.isnan(ground)))


def run_ends(
    way: Way, station: NDArray[np.intp], lane: NDArray[np.intp], depth_m: float
) -> NDArray[np.intp]:
    """Station where low ground that begins at a station of a lane ends; past the last if nowhere.

    It ends where the ground is up again, and stays up for as long as two legs are apart.
    """
    up = way.held_m[:, lane] >= (way.bank_m[station, lane] - depth_m)
    up &= np.arange(len(up))[:, None] > station
    return np.where(up.any(axis=0), up.argmax(axis=0), len(up))


def levelled_across(way: Way, heights: Floats, unknown: float) -> Floats:
    """Heights from the first station on without the slope across; a number where unknown. [m]"""
    level = heights - way.tilt[:len(heights), None] * way.t_m
    return np.where(np.isnan(level), unknown, level)


def ledges(way: Way, high: Floats, low: Floats) -> Floats:
    """Height of each lane above the lowest within a foothold to either side. [m]"""
    lanes = round(FOOTHOLD_M / float(way.t_m[way.under_body][1] - way.t_m[way.under_body][0]))
    return np.asarray(high - minimum_filter1d(low, 2 * lanes + 1, axis=1, mode="nearest"))


def crowns(high: Floats, low: Floats) -> Floats:
    """Height of each lane above the lowest ground on its left and on its right, the higher. [m]"""
    right = np.minimum.accumulate(low, axis=1)
    left = np.minimum.accumulate(low[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(high - np.maximum(left, right))
