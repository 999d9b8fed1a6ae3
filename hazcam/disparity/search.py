"""Search whole-pixel disparities: ranges from the band, costs, paths, winners.

Where the ranges of a large picture hold too many candidates it is searched at half its size first;
at full size each pixel then looks only about what its neighbourhood showed there, so that time
grows with the pixels and not with their range. What is ambiguous at half size stays blank; things
thinner than the census window at half size are lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.disparity import semiglobal
from hazcam.disparity.band import SearchBand
from hazcam.disparity.coarse import shrunk, shrunk_band
from hazcam.disparity.record import Blank
from hazcam.disparity.warp import extend_columns, unwarp, warp_right

Map = NDArray[np.float32]
Reasons = NDArray[np.uint8]

# Penalties for a cost of up to 74: the study's 0.45 and 2.5 times 60.
_SMALL, _LARGE = 27, 150
# A step of so many grey levels halves the penalty of a jump, down to 1.5 times the small one.
_JUMP_STEP_GREY = 4.0
_LEAST_LARGE = 1.5 * _SMALL
# Most that a difference of grey levels adds to the census.
GREY_CAP = 12
# By how much the best candidate's sum over the four paths must beat all but its neighbours: five
# comparisons of the census on each path. A share of the sum would ask next to nothing of a good
# match of a repeated pattern.
MARGIN = 20
# Whole candidates searched beyond the band on either side: one for the rounding, one for the
# neighbours of a winner.
_MARGIN_PX = 2.0
# Memory of a strip of rows is three bytes a candidate; rows beside a strip give its paths a start.
MAX_STRIP_CANDIDATES = 192_000_000
_OVERLAP_ROWS = 40
# Volumes up to this size are kept between pairs.
MAX_KEPT_CANDIDATES = 64_000_000
# A surface that rises so fast along a row that the right picture shows less than this share of it
# has no candidates.
_LEAST_STRETCH = 0.1
# Beyond so many candidates the pair is searched at half its size first.
MAX_CANDIDATES = 1_600_000_000
# Neighbourhood at half size, and what is searched beyond it at full size on either side.
_NEAR_PX, _NEAR_MARGIN_PX = 5, 2.0
_FAR_PX = 1e5
# Census steps smaller than this are rounding.
_STEPS_PER_GREY = 128.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """What the search found; all ndarrays of shape (H, W).

    Attributes
    ----------
    disparity_px : ndarray, float32
        Good to about a pixel; NaN where there is no match. [px]
    residual_px : ndarray, float32
        The same less the expected disparity at its place. [px]
    reason : ndarray, uint8
        ``Blank``: MATCHED, EDGE, OUT_OF_RANGE, DISAGREE or AMBIGUOUS.
    """

    disparity_px: Map
    residual_px: Map
    reason: Reasons


@dataclass(frozen=True, kw_only=True, eq=False)
class Ranges:
    """Candidates of each pixel, in whole pixels of residual; all ndarrays of shape (H, W).

    ``count`` candidates from ``first`` on; ``low_end`` and ``high_end``: ``Blank`` of a pixel
    whose best candidate lies at that end, by what ends the range there.
    """

    first: NDArray[np.int32]
    count: NDArray[np.int32]
    low_end: Reasons
    high_end: Reasons

    @property
    def room(self) -> NDArray[np.int32]:
        """Candidates in whole lanes."""
        lanes = -(-self.count // semiglobal.LANE)
        return np.asarray(lanes * semiglobal.LANE, dtype=np.int32)

    def rows(self, rows: slice) -> Ranges:
        """The same for some rows."""
        return Ranges(first=np.ascontiguousarray(self.first[rows]),
                      count=np.ascontiguousarray(self.count[rows]),
                      low_end=self.low_end[rows], high_end=self.high_end[rows])


def ranges_of(band: SearchBand) -> Ranges:
    """The residuals that hold the band of each pixel, inside the right picture."""
    expected = band.expected_px
    width = expected.shape[1]
    columns = np.arange(width, dtype=np.float32)
    low = np.maximum(band.low_px, columns - (width - 1))
    high = np.minimum(band.high_px, columns)
    # d = r + e(x - r), and e is nearly linear along a row
    stretch = 1 - np.gradient(expected, axis=1)
    apart = stretch > _LEAST_STRETCH
    stretch = np.where(apart, stretch, np.float32(1))
    first = np.floor((low - expected) / stretch - _MARGIN_PX)
    last = np.ceil((high - expected) / stretch + _MARGIN_PX)
    count = np.where((low <= high) & apart, last - first + 1, 0)
    edge, out = np.uint8(Blank.EDGE), np.uint8(Blank.OUT_OF_RANGE)
    return Ranges(
        first=first.astype(np.int32), count=count.astype(np.int32),
        low_end=np.where(columns - (width - 1) > band.low_px, edge, out),
        high_end=np.where(columns < band.high_px, edge, out),
    )


def _narrowed(ranges: Ranges, half: Found) -> Ranges:
    """Only the residuals near those found at half size.

    None where nothing was found nearby, and none where the match at half size was ambiguous: a
    narrow range would hide what it competes with.
    """
    shape = ranges.first.shape
    doubtful = _doubled(half.reason == Blank.AMBIGUOUS, shape)
    known = np.isfinite(half.residual_px)
    kernel = np.ones((_NEAR_PX, _NEAR_PX), np.uint8)
    low = cv2.erode(np.where(known, half.residual_px, np.float32(_FAR_PX)), kernel)
    high = cv2.dilate(np.where(known, half.residual_px, np.float32(-_FAR_PX)), kernel)
    near_first = _doubled(np.floor(2 * low - _NEAR_MARGIN_PX).astype(np.int32), shape)
    near_last = _doubled(np.ceil(2 * high + _NEAR_MARGIN_PX).astype(np.int32), shape)
    first = np.maximum(ranges.first, near_first)
    last = np.minimum(ranges.first + ranges.count - 1, near_last)
    unlike = np.uint8(Blank.DISAGREE)  # half and full size do not agree
    count = np.where(doubtful, 0, np.maximum(last - first + 1, 0))
    return Ranges(first=first, count=count.astype(np.int32),
                  low_end=np.where(first > ranges.first, unlike, ranges.low_end),
                  high_end=np.where(last < ranges.first + ranges.count - 1, unlike,
                                    ranges.high_end))


def _doubled(values: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """Each value over 2 by 2 pixels, the last ones over what is left."""
    rows, columns = (np.minimum(np.arange(n) // 2, end - 1)
                     for n, end in zip(shape, values.shape, strict=True))
    return np.asarray(values[np.ix_(rows, columns)])


def search(left: Map, right: Map, band: SearchBand, *, grey_cap: int = GREY_CAP) -> Found:
    """Match the left picture into the right one.

    Parameters
    ----------
    left, right : ndarray of shape (H, W), float32
        Rectified pictures. [grey levels]
    band : SearchBand
        The disparities to search.
    grey_cap : int
        Most that a difference of grey levels adds to the census; 0 for pictures whose exposures
        may differ.
    """
    reason = np.full(left.shape, Blank.EDGE, dtype=np.uint8)
    ranges = ranges_of(band)
    if ranges.count.sum(dtype=np.int64) > MAX_CANDIDATES:
        half = search(shrunk(left, 2), shrunk(right, 2), shrunk_band(band, 2),
                      grey_cap=grey_cap)
        ranges = _narrowed(ranges, half)
        reason = _doubled(half.reason, left.shape)
    residual = np.full(left.shape, np.nan, dtype=np.float32)
    per_row = ranges.room.sum(axis=1, dtype=np.int64)
    strips = _strips(per_row)
    volumes = _volumes(max(int(per_row[outer].sum()) for _, outer in strips))
    for inner, outer in strips:
        part = ranges.rows(outer)
        if part.count.any():
            keep = slice(inner.start - outer.start, inner.stop - outer.start)
            found, why = _search_rows(left[outer], right[outer], band.expected_px[outer], part,
                                      grey_cap, volumes)
            residual[inner] = found[keep]
            searched = part.count[keep] > 0
            reason[inner][searched] = why[keep][searched]
    return Found(disparity_px=unwarp(residual, band.expected_px), residual_px=residual,
                 reason=reason)


def _strips(candidates: NDArray[np.int64]) -> list[tuple[slice, slice]]:
    """Strips of rows, and the same with the rows that overlap."""
    total, height = int(candidates.sum()), candidates.size
    count = max(1, -(-total // MAX_STRIP_CANDIDATES))
    ends = np.searchsorted(np.cumsum(candidates), total * np.arange(1, count + 1) / count)
    ends = np.unique(np.append(np.minimum(ends, height - 1)[:-1] + 1, height))
    starts = np.concatenate([[0], ends[:-1]])
    return [(slice(int(a), int(b)),
             slice(max(int(a) - _OVERLAP_ROWS, 0), min(int(b) + _OVERLAP_ROWS, height)))
            for a, b in zip(starts, ends, strict=True)]


def _penalties() -> NDArray[np.uint8]:
    """Penalty of a jump by the step between the grey levels of two neighbours."""
    steps = np.arange(256) / _JUMP_STEP_GREY
    return np.maximum(_LARGE / np.maximum(steps, 1), _LEAST_LARGE).astype(np.uint8)


def _census(picture: Map) -> NDArray[np.uint64]:
    """Census words of a picture, shape (H, W)."""
    steps = np.clip(np.rint(picture * _STEPS_PER_GREY), 0, 65535).astype(np.uint16)
    half_y, half_x = semiglobal.CENSUS_ROWS // 2, semiglobal.CENSUS_COLUMNS // 2
    padded = cv2.copyMakeBorder(steps, half_y, half_y, half_x, half_x, cv2.BORDER_REPLICATE)
    return np.asarray(semiglobal.census(padded, *picture.shape))


def _greys(picture: Map) -> NDArray[np.uint8]:
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def _mirrored(values: NDArray[Any], spare: int) -> NDArray[Any]:
    """Columns in reverse, and some more for the candidates that only fill a lane."""
    return np.pad(values[:, ::-1], ((0, 0), (0, spare)))


_kept_volumes = np.empty((3, 0), dtype=np.uint8)


def _volumes(candidates: int) -> NDArray[np.uint8]:
    """Room for the costs and two sums of all candidates, shape (3, N); what is in it is left over.

    Fresh memory of this size costs as much time as filling it: some is kept for the next pair.
    The matcher sees to it that one thread is here at a time.
    """
    global _kept_volumes
    volumes = _kept_volumes
    if volumes.shape[1] < candidates:
        volumes = np.empty((3, candidates), dtype=np.uint8)
        if candidates <= MAX_KEPT_CANDIDATES:
            _kept_volumes = volumes
    return volumes


def _search_rows(
    left: Map, right: Map, expected: Map, ranges: Ranges, grey_cap: int,
    volumes: NDArray[np.uint8],
) -> tuple[Map, Reasons]:
    """Residual and ``Blank`` of some rows; ``volumes`` has room for their candidates."""
    width = left.shape[1]
    first, room = ranges.first, ranges.room
    some = room > 0
    lowest = int(first[some].min())
    length = int((first + room)[some].max()) - lowest
    before = max(0, int((first + room - np.arange(width))[some].max()))
    after = max(0, -lowest)
    wide = extend_columns(expected, before, after)
    warped = warp_right(right, wide, cv2.INTER_CUBIC, first_column=-before)
    view = width + after
    spare = semiglobal.LANE
    start = np.zeros(room.shape, dtype=np.int64)
    start.ravel()[1:] = np.cumsum(room.ravel()[:-1], dtype=np.int64)
    cost, across, down = volumes[:, : int(start[-1, -1]) + int(room[-1, -1])]
    grey = _greys(left)
    small, large = np.uint8(_SMALL), _penalties()
    semiglobal.along_rows(
        _census(left), _mirrored(_census(warped), spare), grey, _mirrored(_greys(warped), spare),
        first, ranges.count, room, start, np.uint8(grey_cap), small, large, lowest, length, view,
        cost, across)
    path = (grey, first, room, start, small, large, lowest, length, cost)
    semiglobal.down_columns(*path, down)
    best = np.zeros(left.shape, dtype=np.int32)
    sums = np.full((*left.shape, 3), 65535, dtype=np.uint16)
    runner_up = np.zeros(left.shape, dtype=np.uint16)
    kept = semiglobal.up_columns(*path, across, down, best, sums, runner_up)
    least_right = semiglobal.least_of_right(kept, width, view, view + before + spare, lowest)
    residual = np.empty(left.shape, dtype=np.float32)
    outcome = np.empty(left.shape, dtype=np.uint8)
    semiglobal.settle(first, room, best, sums, runner_up, least_right, view, MARGIN, residual,
                      outcome)
    reason = _reasons(outcome, ranges)
    return np.where(reason == Blank.MATCHED, residual, np.float32(np.nan)), reason


def _reasons(outcome: Reasons, ranges: Ranges) -> Reasons:
    """``Blank`` by what came of the winner, shape (H, W)."""
    table = np.zeros(len(semiglobal.OUTCOMES), dtype=np.uint8)
    table[semiglobal.STANDS] = Blank.MATCHED
    table[semiglobal.NO_CANDIDATE] = Blank.EDGE
    table[semiglobal.ONE_WAY] = Blank.DISAGREE
    table[semiglobal.NOT_UNIQUE] = Blank.AMBIGUOUS
    reason = table[outcome]
    for end, why in ((semiglobal.AT_LOW_END, ranges.low_end),
                     (semiglobal.AT_HIGH_END, ranges.high_end)):
        reason[outcome == end] = why[outcome == end]
    return reason
