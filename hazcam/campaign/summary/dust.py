"""Dust on a lens, from the dark spots of many pictures: the ground moves on, dust stays put.

Any picture has dark spots (``imagery/spots.py``). At one place of the sensor they recur by chance
as often as spots are dense there; dust recurs more often than that.

1. *Looks.* A rover that stands takes the same scene again and again, and its shadows stay put as
   well. Pairs that follow each other with more than half of their spots (of the fewer) at the same
   places are taken for one look, and only the first of them counts. Assumed: what is not the same
   scene as the pair before shows other ground. A rover that comes back to the very pixel, a part of
   its body in view, or its shadow under an unmoved sun would be taken for dust.
2. *Windows.* Squares of two tolerances, one tolerance apart, all over the sensor; of each, the
   number of looks with a spot in it.
3. *Chance.* With the same spots at random places that number is binomial. How dense they are is
   taken from the surroundings, from the same rows across the sensor (stones lie along the horizon)
   or from the whole, whichever is denser.
4. A window holds dust if so many looks or more are less likely than the false alarm allowed,
   divided by the number of windows (Bonferroni): with less than that probability one place of one
   lens, and so of a campaign if it is divided by its lenses too, is called dust by chance.
5. *From when to when.* Before dust came and after it went, spots lie at its place by chance only.
   The span is the run of pairs that makes the row of hits and misses likeliest, with one rate of
   hits within it and that of chance outside.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from hazcam.campaign.summary.course import moments

FALSE_ALARM = 0.01
TOLERANCE_SHARE = 0.01  # of the width of the sensor: found places of one speck stray by half of it
SAME_SHARE = 0.5
# How far the surroundings of a window reach, and what of them may still be the same spot. [windows]
_SURROUNDINGS, _ITSELF = 8, 2
_ROUNDS = 4  # of span and rate of hits in turn; two or three settle it
_AT_ONCE = 2000  # pairs compared with the ones before them at a time

Table = NDArray[Any]
Places = NDArray[np.float64]
Counts = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class DustSpot:
    """A place of a lens where a dark spot recurs far more often than by chance.

    Attributes
    ----------
    rig, rover, side : str
        Digests of the rig and the rover, and which of the cameras.
    column_px, row_px, radius_px : float
        Median place and radius, on the sensor as calibrated. [px]
    depth : float
        Median share of the light that is missing there.
    pairs, looked : int
        How many pairs have a spot there, of how many that were looked at.
    looks : int
        Of those, how many count: pairs of one scene count once.
    first_pair, last_pair : str
        Ids of the first and the last pair of the time over which it is there, in the order in which
        they came; chance hits before and after are left out.
    chance : float
        Probability that chance alone makes a spot recur so often anywhere on this lens, at most.
    """

    rig: str
    rover: str
    side: str
    column_px: float
    row_px: float
    radius_px: float
    depth: float
    pairs: int
    looked: int
    looks: int
    first_pair: str
    last_pair: str
    chance: float

    @property
    def share(self) -> float:
        """Of the pairs that were looked at, those with a spot there."""
        return self.pairs / self.looked


def campaign_dust(
    pairs: Table, assessments: Table, pictures: Table, spots: Table, rigs: Table
) -> tuple[DustSpot, ...]:
    """Dust on every lens of a campaign, from the tables of its run; see ``dust_spots``.

    Rovers may share the file of a rig, but not its lenses: each rig on each rover is by itself.
    Pairs are in order of the time they were taken at where all of them state one, else in order of
    the manifest. ``FALSE_ALARM`` holds for all lenses together.
    """
    order = _in_order(pairs)
    sizes = {str(r["digest"]): (int(r["width_px"]), int(r["height_px"])) for r in rigs}
    mount_of = dict(zip(assessments["pair"].tolist(), zip(
        assessments["rig"].tolist(), assessments["rover"].tolist(), strict=True), strict=True))
    looked, of_lens = _by_lens(pictures, mount_of), _by_lens(spots, mount_of)
    found: list[DustSpot] = []
    for (rig, rover, side), rows in sorted(looked.items()):
        ids = sorted(pictures["pair"][rows].tolist(), key=order.__getitem__)
        found += dust_spots(spots[of_lens.get((rig, rover, side), [])], ids, sizes[rig], rig=rig,
                            rover=rover, side=side, false_alarm=FALSE_ALARM / len(looked))
    return tuple(found)


def _by_lens(
    table: Table, mount_of: Mapping[str, tuple[str, str]]
) -> dict[tuple[str, str, str], list[int]]:
    """The rows of each rig, rover and side."""
    rows: dict[tuple[str, str, str], list[int]] = {}
    for i, (pair, side) in enumerate(zip(table["pair"].tolist(), table["side"].tolist(),
                                         strict=True)):
        rows.setdefault((*mount_of[pair], side), []).append(i)
    return rows


def _in_order(pairs: Table) -> Mapping[str, tuple[float, int]]:
    """What sorts pairs by time, and without it by their place."""
    times = moments(pairs["taken_at"].tolist())
    if not np.isfinite(times).all():
        times = np.zeros(len(pairs))
    return {pair: (time, place) for pair, time, place in
            zip(pairs["pair"].tolist(), times.tolist(), pairs["place"].tolist(), strict=True)}


def dust_spots(
    spots: Table, pairs: Sequence[str], size_px: tuple[int, int], *, rig: str = "", rover: str = "",
    side: str = "", false_alarm: float = FALSE_ALARM,
) -> tuple[DustSpot, ...]:
    """Places of one lens where spots recur far more often than by chance, the surest first.

    Parameters
    ----------
    spots : structured ndarray of shape (N,)
        Rows of the table ``spots`` of this lens: ``pair``, ``column_px``, ``row_px``,
        ``radius_px``, ``depth``; in any order.
    pairs : sequence of str
        Ids of all pairs that were looked at, with and without spots, in order of time.
    size_px : tuple of int
        (width, height) of the sensor as calibrated. [px]
    rig, rover, side : str
        Kept in the result.
    false_alarm : float
        Probability that anything is found where there is no dust, at most.

    Raises
    ------
    ValueError
        A spot of a pair that is not among ``pairs``, or a pair named twice.
    """
    number = _numbers(spots, pairs)
    places = np.column_stack([spots["column_px"], spots["row_px"]]).astype(float)
    tolerance_px = TOLERANCE_SHARE * size_px[0]
    first = _first_of_looks(places, number, len(pairs), tolerance_px)
    counted = first[number]
    shape = tuple(int(np.ceil(size / tolerance_px)) + 1 for size in (size_px[1], size_px[0]))
    looks, dense = _windows(places[counted], number[counted], shape, tolerance_px)
    trials = int(first.sum())
    rate = _chance_rate(dense, trials)
    chance = np.minimum(_chance(looks, rate, trials) * looks.size, 1.0)
    found: list[DustSpot] = []
    for row, column in _surest(chance, looks, false_alarm):
        middle, there = _centred(places, tolerance_px * np.array([column, row]), tolerance_px)
        if any(np.hypot(*(middle - (s.column_px, s.row_px))) < 2 * tolerance_px + s.radius_px
               for s in found):
            continue
        hit = np.zeros(len(pairs), dtype=np.bool_)
        hit[number[there]] = True
        begin, end = _span(hit, float(rate[row, column]))
        found.append(DustSpot(
            rig=rig, rover=rover, side=side, column_px=float(middle[0]), row_px=float(middle[1]),
            radius_px=float(np.median(spots["radius_px"][there])),
            depth=float(np.median(spots["depth"][there])), pairs=int(hit.sum()), looked=len(pairs),
            looks=trials, first_pair=pairs[begin], last_pair=pairs[end],
            chance=float(chance[row, column])))
    return tuple(found)


def _numbers(spots: Table, pairs: Sequence[str]) -> Counts:
    """Place in ``pairs`` of the pair of each spot, (N,)."""
    place = {pair: i for i, pair in enumerate(pairs)}
    if len(place) < len(pairs):
        raise ValueError("a pair is named twice among those that were looked at")
    try:
        return np.array([place[pair] for pair in spots["pair"].tolist()], dtype=np.int64)
    except KeyError as error:
        raise ValueError(f"a spot of pair {error} is there, which was not looked at") from error


def _centred(
    places: Places, middle: Places, reach_px: float
) -> tuple[Places, NDArray[np.bool_]]:
    """A window laid on its spots instead of the grid: its middle, and which spots lie in it."""
    there = _within(places, middle, reach_px)
    middle = np.median(places[there], axis=0)
    again = _within(places, middle, reach_px)
    return middle, again if again.any() else there


def _within(places: Places, middle: Places, reach_px: float) -> NDArray[np.bool_]:
    # With room for rounding: a place on the edge of its window is in it.
    return np.asarray((np.abs(places - middle) <= reach_px * (1 + 1e-9)).all(axis=1))


def _first_of_looks(
    places: Places, number: Counts, pairs: int, tolerance_px: float
) -> NDArray[np.bool_]:
    """Whether each pair shows another scene than the one before it, (pairs,)."""
    order = np.lexsort((places[:, 0], places[:, 1], number))
    sorted_number = number[order]
    counts = np.bincount(number, minlength=pairs)
    within = np.arange(len(order)) - (np.cumsum(counts) - counts)[sorted_number]
    table = np.full((pairs, max(int(counts.max(initial=0)), 1), 2), np.nan, dtype=np.float32)
    table[sorted_number, within] = places[order]
    first = np.ones(pairs, dtype=np.bool_)
    for start in range(1, pairs, _AT_ONCE):
        now = table[start:start + _AT_ONCE]
        before = table[start - 1:start - 1 + len(now)]
        apart = ((now[:, :, None] - before[:, None]) ** 2).sum(axis=3)
        same = (apart <= tolerance_px**2).any(axis=2).sum(axis=1)
        fewer = np.minimum(counts[start:start + len(now)], counts[start - 1:start - 1 + len(now)])
        first[start:start + len(now)] = ~((fewer > 0) & (same > SAME_SHARE * fewer))
    return first


def _windows(
    places: Places, number: Counts, shape: tuple[int, ...], tolerance_px: float
) -> tuple[Counts, Counts]:
    """Of each window the looks with a spot in it, and the spots; its middle is where its index is.

    Window (row, column) reaches one tolerance each way from (row, column) times the tolerance.
    """
    cells = np.floor(places / tolerance_px).astype(np.int64)
    size = shape[0] * shape[1]
    by = int(number.max(initial=0)) + 1
    dense, keys = np.zeros(size, np.int64), []
    for next_one in itertools.product((0, 1), repeat=2):
        at = cells + np.array(next_one)
        # A place beyond the rim, where no window reaches it, is in none.
        there = ((at >= 0) & (at < shape[::-1])).all(axis=1)
        index = at[there, 1] * shape[1] + at[there, 0]
        dense += np.bincount(index, minlength=size)
        keys.append(index * by + number[there])
    once = np.unique(np.concatenate(keys)) // by
    return np.bincount(once, minlength=size).reshape(shape), dense.reshape(shape)


def _chance_rate(dense: Counts, trials: int) -> Places:
    """Share of the looks that have a spot in each window by chance."""
    spots = dense.astype(np.float64)
    around = _mean_around(spots, _SURROUNDINGS, _SURROUNDINGS)
    along = _mean_around(spots, 1, spots.shape[1])
    expected = np.maximum(np.maximum(around, along), spots.mean()) / max(trials, 1)
    # So many spots on average leave a window empty with probability exp(-expected).
    return np.asarray(-np.expm1(-expected))


def _chance(looks: Counts, rate: Places, trials: int) -> Places:
    """Probability that so many looks or more have a spot in each window by chance."""
    return np.where(looks > 0, binom.sf(looks - 1, trials, rate), 1.0)


def _span(hit: NDArray[np.bool_], rate: float) -> tuple[int, int]:
    """First and last pair of the run that has more hits than chance gives, both included."""
    begin, end = 0, len(hit) - 1
    for _ in range(_ROUNDS):
        within = float(np.clip(hit[begin:end + 1].mean(), 1.01 * rate, 1 - 1e-6))
        gain = np.where(hit, np.log(within / rate), np.log((1 - within) / (1 - rate)))
        total = np.concatenate([[0.0], np.cumsum(gain)])
        least = np.minimum.accumulate(total[:-1])
        end = int(np.argmax(total[1:] - least))
        begin = int(np.argmin(total[:end + 1]))
    return begin, end


def _mean_around(values: Places, down: int, right: int) -> Places:
    """Mean over a rectangle about each window without the windows that may hold the same spot."""
    def total(plane: Places, reach_down: int, reach_right: int) -> Places:
        size = (2 * reach_right + 1, 2 * reach_down + 1)
        return np.asarray(cv2.boxFilter(plane, cv2.CV_64F, size, normalize=False,
                                        borderType=cv2.BORDER_CONSTANT))

    near = min(down, _ITSELF)
    ones = np.ones_like(values)
    count = total(ones, down, right) - total(ones, near, _ITSELF)
    rest = total(values, down, right) - total(values, near, _ITSELF)
    return rest / np.maximum(count, 1.0)


def _surest(chance: Places, looks: Counts, false_alarm: float) -> Iterator[tuple[int, int]]:
    """Windows that hold dust, the surest first; of two as sure the one with more looks."""
    rows, columns = np.nonzero(chance < false_alarm)
    order = np.lexsort((columns, rows, -looks[rows, columns], chance[rows, columns]))
    for i in order:
        yield int(rows[i]), int(columns[i])
