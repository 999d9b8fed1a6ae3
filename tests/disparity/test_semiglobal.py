"""The compiled loops against the published recursion, written out slowly.

Kind of truth: hand-worked from the published rules. H. Hirschmueller, "Stereo processing by
semiglobal matching and mutual information," IEEE TPAMI 30(2):328-341, 2008, eq. 13:

    L(p, d) = C(p, d) + min(L(p-r, d), L(p-r, d-1) + P1, L(p-r, d+1) + P1, min_i L(p-r, i) + P2)
              - min_k L(p-r, k)

and eq. 14, the sum over the paths. R. Zabih and J. Woodfill, "Non-parametric local transforms for
computing visual correspondence," ECCV 1994, for the census. The reference works on dictionaries
from candidate to cost. What is the code's own, and stated in the reference: costs, paths and the
sum of the two paths along a row stop at 255 (a byte), sums at 1023; a candidate that only fills a
lane costs 255; what a pixel before did not have costs 255; a path begins anew at a pixel that
shares no candidate, those that only fill a lane included, with the one before.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hazcam.cli.threads import limited_threads
from hazcam.disparity import semiglobal as sg
from hazcam.disparity.search import Ranges
from hazcam.frames import Floats
from tests.disparity.pairs import two_cores

NEVER, MOST = 255, 1023
NONE = 65535
Costs = dict[int, int]
Volume = dict[tuple[int, int], Costs]


# Census


def census_of(picture: NDArray[np.uint16]) -> NDArray[np.uint64]:
    half_y, half_x = sg.CENSUS_ROWS // 2, sg.CENSUS_COLUMNS // 2
    padded = np.pad(picture, ((half_y, half_y), (half_x, half_x)), mode="edge")
    return np.asarray(sg.census(padded, *picture.shape))


def test_census_of_three_pixels_by_hand() -> None:
    """10, 20, 15, continued: the window of 9 columns reads, bit by bit "less than the middle",

    10 10 10 10 [10] 20 15 15 15    none
    10 10 10 10 [20] 15 15 15 15    all but the middle column
    10 10 10 20 [15] 15 15 15 15    the first three; 20 and equal ones are not less
    """
    words = census_of(np.array([[10, 20, 15]], np.uint16))[0]

    def word(row: str) -> int:
        middle = row[:4] + row[5:]  # the middle is not compared with itself
        return int(row * 3 + middle + row * 3, 2)

    assert [int(w) for w in words] == [0, word("111101111"), word("111000000")]


def test_census_has_as_many_bits_as_it_says() -> None:
    """A peak is above all its neighbours."""
    picture = np.zeros((9, 11), np.uint16)
    picture[4, 5] = 1
    assert int(census_of(picture)[4, 5]).bit_count() == sg.CENSUS_BITS == 7 * 9 - 1


@given(seed=st.integers(0, 2**32 - 1), levels=st.integers(2, 300))
@settings(max_examples=20, deadline=None)
def test_census_knows_no_exposure(seed: int, levels: int) -> None:
    """Any strictly rising change of the grey levels leaves it; a falling one does not."""
    rng = np.random.default_rng(seed)
    picture = rng.integers(0, levels, (6, 12)).astype(np.uint16)
    rising = np.sort(rng.choice(65536, levels, replace=False)).astype(np.uint16)
    np.testing.assert_array_equal(census_of(rising[picture]), census_of(picture))
    if np.ptp(picture) > 0:
        assert not np.array_equal(census_of(rising[::-1][picture]), census_of(picture))


def test_census_sees_the_least_step() -> None:
    """One step of 65536, in a bright picture: bits are not rounded to bytes on the way."""
    picture = np.full((7, 9), 65535, np.uint16)
    picture[0, 0] = 65534
    assert int(census_of(picture)[3, 4]) == 1 << (sg.CENSUS_BITS - 1)


# The ragged volume, in the layout that the loops take


@dataclass(frozen=True, kw_only=True, eq=False)
class Case:
    """Two rows of census words and grey levels, ranges, penalties."""

    words: NDArray[np.uint64]
    other_words: NDArray[np.uint64]
    grey: NDArray[np.uint8]
    other_grey: NDArray[np.uint8]
    first: NDArray[np.int32]
    count: NDArray[np.int32]
    large: NDArray[np.uint8]
    cap: int
    small: int
    view: int

    @property
    def room(self) -> NDArray[np.int32]:
        ends = np.zeros(self.first.shape, np.uint8)
        return Ranges(first=self.first, count=self.count, low_end=ends, high_end=ends).room

    @property
    def lowest(self) -> int:
        return int(self.first[self.room > 0].min())

    @property
    def length(self) -> int:
        some = self.room > 0
        return int((self.first + self.room)[some].max()) - self.lowest


@st.composite
def cases(draw: st.DrawFn, *, most_width: int = 9, most_count: int = 70) -> Case:
    """Ragged ranges, some of them empty, some longer than two lanes, some far from the next."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    shape = draw(st.integers(1, 4)), draw(st.integers(1, most_width))
    spread = draw(st.sampled_from([0, 3, 40]))
    count = rng.integers(1, draw(st.integers(1, most_count)) + 1, shape).astype(np.int32)
    count[rng.uniform(size=shape) < draw(st.sampled_from([0.0, 0.3]))] = 0
    if not count.any():
        count[0, 0] = 5
    first = (rng.integers(-spread, spread + 1, shape) + draw(st.integers(-40, 40))).astype(np.int32)
    bits = draw(st.sampled_from([2, 62]))  # few bits: many equal sums
    large = np.sort(rng.integers(0, 256, 256).astype(np.uint8))[::-1].copy()
    return case_of(rng, first, count, bits, large, cap=draw(st.sampled_from([0, 12, 255])),
                   small=draw(st.sampled_from([0, 27, 200])))


def case_of(
    rng: np.random.Generator, first: NDArray[np.int32], count: NDArray[np.int32], bits: int,
    large: NDArray[np.uint8], *, cap: int, small: int
) -> Case:
    height, width = first.shape
    room = -(-count // sg.LANE) * sg.LANE
    some = room > 0
    before = max(0, int((first + room - np.arange(width))[some].max()))
    view = width + max(0, -int(first[some].min()))
    shape = (height, view + before + sg.LANE)

    def words(shape: tuple[int, int]) -> NDArray[np.uint64]:
        return rng.integers(0, 2**bits, shape, dtype=np.uint64)

    return Case(words=words((height, width)), other_words=words(shape),
                grey=rng.integers(0, 256, (height, width)).astype(np.uint8),
                other_grey=rng.integers(0, 256, shape).astype(np.uint8),
                first=first, count=count, large=large, cap=cap, small=small, view=view)


@dataclass(frozen=True, kw_only=True, eq=False)
class Result:
    """What the loops, or the reference, give: per pixel and candidate, or per pixel."""

    cost: Volume
    across: Volume
    down: Volume
    best: dict[tuple[int, int], int]
    sums: dict[tuple[int, int], list[int]]
    runner_up: dict[tuple[int, int], int]
    least_right: NDArray[np.uint16]


def compiled(case: Case) -> Result:
    room = case.room
    start = np.zeros(room.shape, np.int64)
    start.ravel()[1:] = np.cumsum(room.ravel()[:-1])
    cost, across, down = (np.full(int(room.sum()), 77, np.uint8) for _ in range(3))
    small, lowest, length = np.uint8(case.small), case.lowest, case.length
    sg.along_rows(case.words, case.other_words, case.grey, case.other_grey, case.first, case.count,
                  room, start, np.uint8(case.cap), small, case.large, lowest, length, case.view,
                  cost, across)
    path = (case.grey, case.first, room, start, small, case.large, lowest, length, cost)
    sg.down_columns(*path, down)
    best = np.full(room.shape, -999, np.int32)
    sums = np.full((*room.shape, 3), NONE, np.uint16)
    runner_up = np.zeros(room.shape, np.uint16)
    kept = sg.up_columns(*path, across, down, best, sums, runner_up)
    least = sg.least_of_right(kept, room.shape[1], case.view, case.other_words.shape[1], lowest)
    some = [(int(y), int(x)) for y, x in np.argwhere(room > 0)]

    def volume(flat: NDArray[np.uint8]) -> Volume:
        return {p: {int(case.first[p]) + k: int(flat[start[p] + k]) for k in range(int(room[p]))}
                for p in some}

    return Result(cost=volume(cost), across=volume(across), down=volume(down),
                  best={p: int(best[p]) for p in some},
                  sums={p: [int(v) for v in sums[p]] for p in some},
                  runner_up={p: int(runner_up[p]) for p in some}, least_right=least)


def reference_costs(case: Case) -> Volume:
    costs: Volume = {}
    for y, x in np.argwhere(case.room > 0):
        own: Costs = {}
        for k in range(int(case.room[y, x])):
            r = int(case.first[y, x]) + k
            there = case.view - 1 - x + r
            differing = (int(case.words[y, x]) ^ int(case.other_words[y, there])).bit_count()
            grey = abs(int(case.grey[y, x]) - int(case.other_grey[y, there]))
            own[r] = min(differing + min(grey, case.cap), NEVER) if k < case.count[y, x] else NEVER
        costs[int(y), int(x)] = own
    return costs


def reference_path(
    case: Case, costs: Volume, places: list[tuple[int, int]], most: float
) -> dict[tuple[int, int], dict[int, float]]:
    """Excess of each place along a path: eq. 13 without C(p, d); no value is above ``most``."""
    excess: dict[tuple[int, int], dict[int, float]] = {}
    last: dict[int, float] = {}
    for i, place in enumerate(places):
        own = costs.get(place, {})
        if last.keys() & own.keys():
            before = case.grey[places[i - 1]]
            jump = int(case.large[abs(int(case.grey[place]) - int(before))])
            least = min(last.values())
            excess[place] = {
                r: min(last.get(r, most), min(last.get(r - 1, most), last.get(r + 1, most))
                       + case.small, least + jump, most) - least
                for r in own}
        else:
            excess[place] = dict.fromkeys(own, 0)
        last = {r: min(cost + excess[place][r], most) for r, cost in own.items()}
    return excess


def rows_and_columns(shape: tuple[int, int]) -> Iterator[tuple[str, list[tuple[int, int]]]]:
    height, width = shape
    for y in range(height):
        row = [(y, x) for x in range(width)]
        yield "right", row
        yield "left", row[::-1]
    for x in range(width):
        column = [(y, x) for y in range(height)]
        yield "down", column
        yield "up", column[::-1]


def reference_paths(
    case: Case, costs: Volume, most: float = NEVER
) -> dict[str, dict[tuple[int, int], dict[int, float]]]:
    paths: dict[str, dict[tuple[int, int], dict[int, float]]] = {
        name: {} for name in ("right", "left", "down", "up")}
    for name, places in rows_and_columns((case.first.shape[0], case.first.shape[1])):
        paths[name].update(reference_path(case, costs, places, most))
    return paths


def reference(case: Case) -> Result:
    costs = reference_costs(case)
    paths = reference_paths(case, costs)

    def excess(name: str, p: tuple[int, int], r: int) -> int:
        return int(paths[name][p][r])

    across = {p: {r: min(excess("right", p, r) + excess("left", p, r), NEVER) for r in own}
              for p, own in costs.items()}
    down = {p: {r: excess("down", p, r) for r in own} for p, own in costs.items()}
    totals = {p: {r: min(4 * c + across[p][r] + down[p][r] + excess("up", p, r), MOST)
                  for r, c in own.items()} for p, own in costs.items()}
    least_right = np.full(case.other_words.shape, NONE, np.uint16)
    best, sums, runner_up = {}, {}, {}
    for (y, x), own in totals.items():
        first = int(case.first[y, x])
        # of equal sums the one of least index modulo 64, then of least index
        winner = min(own, key=lambda r: (own[r], (r - first) % 64, r))
        best[y, x] = winner
        sums[y, x] = [own.get(winner + step, NONE) for step in (-1, 0, 1)]
        runner_up[y, x] = min((s for r, s in own.items() if abs(r - winner) > 1), default=NONE)
        for r, total in own.items():
            there = case.view - 1 - x + r
            least_right[y, there] = min(int(least_right[y, there]), total)
    return Result(cost=costs, across=across, down=down, best=best, sums=sums, runner_up=runner_up,
                  least_right=least_right)


def assert_same(found: Result, expected: Result) -> None:
    for name in ("cost", "across", "down", "best", "sums", "runner_up"):
        assert getattr(found, name) == getattr(expected, name), name
    np.testing.assert_array_equal(found.least_right, expected.least_right)


@given(cases())
@settings(max_examples=150, deadline=None)
def test_paths_sums_and_winners_are_those_of_the_published_recursion(case: Case) -> None:
    assert_same(compiled(case), reference(case))


@given(cases(most_width=2 * sg.BLOCK_COLUMNS + 3, most_count=6))
@settings(max_examples=8, deadline=None)
def test_blocks_of_columns_leave_no_seam(case: Case) -> None:
    """Wider than a block: least sums of the right picture gather from both sides of its rim."""
    assert_same(compiled(case), reference(case))


def full_case(seed: int, shape: tuple[int, int] = (5, 20), candidates: int = 40) -> Case:
    """One range for all pixels, penalties as the search has them."""
    rng = np.random.default_rng(seed)
    steps = np.arange(256) / 4
    large = np.maximum(150 / np.maximum(steps, 1), 40).astype(np.uint8)
    return case_of(rng, np.zeros(shape, np.int32), np.full(shape, candidates, np.int32), 62, large,
                   cap=12, small=27)


@pytest.mark.parametrize("seed", range(3))
def test_a_byte_holds_every_path_of_one_range(seed: int) -> None:
    """With one range for all and the penalties of the search the recursion is exact.

    Costs are 62 + 12 at most and the excess is P2 = 150 at most, so no path passes 224.
    """
    case = full_case(seed)
    costs = {p: {r: c for r, c in own.items() if r < 40}
             for p, own in reference_costs(case).items()}
    exact, found = reference_paths(case, costs, most=float("inf")), compiled(case)
    for p, own in costs.items():
        for r in own:
            assert found.across[p][r] == min(exact["right"][p][r] + exact["left"][p][r], NEVER)
            assert found.down[p][r] == exact["down"][p][r]


def test_a_jump_at_a_grey_step_is_cheaper() -> None:
    """Candidate 0 of pixel 0 is free, the others cost 62: to candidate 5 the way is 62 or P2."""
    words = np.zeros((1, 2), np.uint64)
    other = np.full((1, 2 + 6 + sg.LANE), (1 << 62) - 1, np.uint64)
    view = 2
    other[0, view - 1] = 0  # pixel 0, candidate 0, and pixel 1, candidate 1
    large = np.full(256, 150, np.uint8)
    large[100] = 60
    for step, penalty in ((0, 150), (100, 60)):
        case = Case(words=words, other_words=other, grey=np.array([[0, step]], np.uint8),
                    other_grey=np.zeros(other.shape, np.uint8),
                    first=np.zeros((1, 2), np.int32), count=np.full((1, 2), 6, np.int32),
                    large=large, cap=0, small=27, view=view)
        # the path from the right begins at the last pixel and adds nothing there
        assert compiled(case).across[0, 1][5] == min(penalty, 62)


@two_cores
@given(cases(most_width=2 * sg.BLOCK_COLUMNS, most_count=20))
@settings(max_examples=10, deadline=None)
def test_repeats_and_threads_change_nothing(case: Case) -> None:
    once = compiled(case)
    assert_same(compiled(case), once)
    with limited_threads(2):
        assert_same(compiled(case), once)


# What comes of a winner


def settled(
    first: list[int], best: list[int], sums: list[list[int]], runner_up: list[int],
    least_right: list[int], *, room: int = 32, margin: int = 20
) -> tuple[list[int], Floats]:
    """One row; ``least_right[c]`` is the least sum of column c of the right picture."""
    width = len(best)
    mirrored = np.array([least_right[::-1]], np.uint16)
    residual = np.empty((1, width), np.float32)
    outcome = np.empty((1, width), np.uint8)
    sg.settle(np.array([first], np.int32), np.full((1, width), room, np.int32),
              np.array([best], np.int32), np.array([sums], np.uint16),
              np.array([runner_up], np.uint16), mirrored, len(least_right), margin, residual,
              outcome)
    return outcome[0].tolist(), residual[0].astype(np.float64)


def one(sums: list[int], runner_up: int = 900, least: int | None = None) -> int:
    """Outcome of a lone pixel with candidate 0."""
    outcome, _ = settled([0], [0], [sums], [runner_up], [sums[1] if least is None else least])
    return outcome[0]


@pytest.mark.parametrize(("sums", "expected"), [
    ([300, 100, 300], sg.STANDS),
    ([NONE, 100, 300], sg.AT_LOW_END),
    ([300, 100, NONE], sg.AT_HIGH_END),
    ([300, 100, 4 * NEVER], sg.AT_HIGH_END),  # the next candidate only fills a lane
    ([NONE, 4 * NEVER, NONE], sg.NO_CANDIDATE),
])
def test_ends_of_the_range(sums: list[int], expected: int) -> None:
    assert one(sums) == expected


def test_a_pixel_without_candidates_says_so() -> None:
    outcome, _ = settled([0], [0], [[1, 1, 1]], [1], [1], room=0)
    assert outcome == [sg.NO_CANDIDATE]


@pytest.mark.parametrize(("runner_up", "expected"), [
    (1000, sg.STANDS), (120, sg.STANDS), (119, sg.NOT_UNIQUE), (100, sg.NOT_UNIQUE)])
def test_the_runner_up_must_be_worse_by_the_margin(runner_up: int, expected: int) -> None:
    """A best sum of 100 and a margin of 20."""
    assert one([300, 100, 300], runner_up) == expected


def test_a_right_pixel_that_has_a_better_match_disagrees() -> None:
    assert one([300, 100, 300], least=99) == sg.ONE_WAY


@pytest.mark.parametrize(("neighbour_best", "sums", "expected"), [
    # pixel 1 points to column 1; so does candidate 1 of pixel 2, which holds its least sum
    (0, [NONE, 200, 90], sg.STANDS),  # the neighbour's best is 0, beside candidate 1
    (1, [300, 90, 300], sg.STANDS),
    (2, [90, 80, 300], sg.STANDS),
    (4, [90, 80, 300], sg.ONE_WAY),  # the neighbour lies on another surface
])
def test_a_neighbour_on_the_same_surface_may_hold_the_right_pixel(
    neighbour_best: int, sums: list[int], expected: int
) -> None:
    """Slanted ground gives two left pixels to one right pixel."""
    blank = [900, 900, 900]
    outcome, _ = settled([-9] * 3, [0, 0, neighbour_best], [blank, [300, 100, 300], sums],
                         [900] * 3, [800, 90, 800, 800, 800])
    assert outcome[1] == expected


@given(st.floats(-0.45, 0.45), st.integers(20, 60))
def test_the_fraction_is_that_of_a_parabola(offset: float, bend: int) -> None:
    """Sums of ``200 + bend (r - offset)²``, rounded: within the rounding of the closed form."""
    sums = [int(np.rint(200 + bend * (r - offset) ** 2)) for r in (-1, 0, 1)]
    _, residual = settled([0], [0], [sums], [900], [sums[1]])
    # half a count in each sum: 0.5 in half their difference, 2 in the curvature of 2 bend
    assert residual[0] == pytest.approx(offset, abs=1.1 * (0.25 + abs(offset)) / bend)


def test_least_of_right_gathers_blocks_by_hand() -> None:
    """Width 66, so blocks end at 64 and 66; entry k of a block is mirrored pixel view - end + k."""
    kept = np.full((2, 1, sg.BLOCK_COLUMNS + 1), NONE, np.uint16)
    kept[0, 0, 0], kept[1, 0, 2] = 7, 5  # both mirrored pixel 2
    kept[1, 0, 0] = 9
    least = sg.least_of_right(kept, 66, 66, 67, 0)
    assert least[0, :3].tolist() == [9, NONE, 5]
