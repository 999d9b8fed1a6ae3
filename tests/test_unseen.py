"""Runs of unseen ground under the foot tracks, against known masks and closed forms."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hazcam.frames import Floats
from hazcam.rover import read_rover
from hazcam.terrain import CellState, GridSpec, TerrainMap, TerrainSettings, map_terrain
from hazcam.verdict import HeadingDemand, decide, demand_along
from hazcam.verdict.chance import groups_of
from hazcam.verdict.kernels import runs_of
from hazcam.verdict.record import UnseenRuns
from hazcam.verdict.swath import lay_swath
from hazcam.verdict.unseen import enterable, row_spacing_m
from tests.published.exact import exact_points
from tests.synthetic import Scene

Mask = NDArray[np.bool_]
ROVER = read_rover("dunlin-em")
LEGS = ROVER.legs
SPEC = GridSpec(cell_m=0.01, ahead_m=1.6, side_m=0.4)
CELL_M = SPEC.cell_m
# The first example may have to wait for the compiler.
law = settings(max_examples=60, deadline=None, derandomize=True)


def mask_of(*lines: str) -> Mask:
    """Lines of samples in the order of the stations, # for unseen."""
    lines_first = np.array([[letter == "#" for letter in line] for line in lines])
    return np.ascontiguousarray(lines_first.T)


def found_in(
    *lines: str, bridge: int = 3, blank: Mask | None = None, sunk: Floats | None = None
) -> tuple[list[list[int]], list[float], int]:
    holes = mask_of(*lines)
    runs, deepest, groups = runs_of(
        holes, holes, holes if blank is None else blank,
        np.zeros(holes.shape) if sunk is None else sunk, bridge)
    return runs.tolist(), deepest.tolist(), groups


# --- runs and groups of a mask --------------------------------------------------------------------


def test_runs_of_a_known_mask() -> None:
    """Line, first station, stations, of them unexplained, of those blank, group."""
    runs, _, groups = found_in("..###....#", "##........")
    assert runs == [[0, 2, 3, 3, 3, 0], [0, 9, 1, 1, 1, 1], [1, 0, 2, 2, 2, 2]]
    assert groups == 3


@pytest.mark.parametrize(("between", "groups"), [(1, 1), (2, 1), (3, 2), (4, 2)])
def test_runs_with_less_than_the_bridge_between_them_are_one_group(
    between: int, groups: int
) -> None:
    runs, _, count = found_in("##" + "." * between + "#....", bridge=3)
    assert [run[2] for run in runs] == [2, 1]
    assert [run[5] for run in runs] == [0, groups - 1]
    assert count == groups


def test_a_group_goes_on_from_run_to_run_but_not_from_line_to_line() -> None:
    """Three runs, each near the next, are one; the next line's first station is no neighbour."""
    runs, _, groups = found_in("..#.#.#", "#......", bridge=2)
    assert [run[5] for run in runs] == [0, 0, 0, 1]
    assert groups == 2


def test_unexplained_and_blank_cells_are_counted_and_the_deepest_is_kept() -> None:
    holes = mask_of("####..##")
    bare = mask_of("#.#....#")
    blank = mask_of("..#.....")
    sunk = np.array([[0.0, 0.01, 0.03, 0.02, 0.9, 0.9, 0.0, np.inf]]).T
    runs, deepest, _ = runs_of(holes, bare, blank, sunk, 1)
    assert runs[:, 3].tolist() == [2, 1]
    assert runs[:, 4].tolist() == [1, 0]
    assert deepest.tolist() == [0.03, np.inf]


def test_no_hole_no_run() -> None:
    none = np.zeros((5, 2), dtype=bool)
    runs, deepest, groups = runs_of(none, none, none, np.zeros((5, 2)), 3)
    assert (runs.shape, len(deepest), groups) == ((0, 6), 0, 0)


def test_every_other_station_of_every_line_is_a_run() -> None:
    """The most runs that a mask can have."""
    holes = np.zeros((7, 3), dtype=bool)
    holes[::2] = True
    runs, _, groups = runs_of(holes, holes, holes, np.zeros(holes.shape), 1)
    assert len(runs) == 4 * 3
    assert groups == 4 * 3
    assert runs[:, 2].tolist() == [1] * 12


@law
@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0.05, 0.95), bridge=st.integers(1, 9))
def test_runs_are_the_mask_again(seed: int, share: float, bridge: int) -> None:
    """Laid out again they are the mask; by brute force, groups are runs a bridge apart or more."""
    holes = np.random.default_rng(seed).random((40, 4)) < share
    runs, _, groups = runs_of(holes, holes, ~holes, np.zeros(holes.shape), bridge)
    again = np.zeros(holes.shape, dtype=bool)
    expected = -1
    for k, (line, first, stations, bare, blank, group) in enumerate(runs.tolist()):
        again[first: first + stations, line] = True
        assert (bare, blank) == (stations, 0)
        before = runs[k - 1].tolist() if k and runs[k - 1, 0] == line else None
        expected += before is None or first - (before[1] + before[2]) >= bridge
        assert group == expected
    np.testing.assert_array_equal(again, holes)
    assert groups == expected + 1


def extent(runs: NDArray[np.int64]) -> int:
    """Stations from the first to the last of the longest group."""
    ends = runs[:, 1] + runs[:, 2]
    return max((int(ends[runs[:, 5] == g].max() - runs[runs[:, 5] == g, 1].min())
                for g in set(runs[:, 5].tolist())), default=0)


@law
@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0.05, 0.9), more=st.floats(0.01, 0.5),
       length=st.integers(1, 4), width=st.integers(1, 4), bridge=st.integers(1, 9))
def test_unseen_cells_more_never_make_a_group_shorter_or_less_blank(
    seed: int, share: float, more: float, length: int, width: int, bridge: int
) -> None:
    """Of any foot and bridge; what is added is blank, as a cell is that was seen before."""
    rng = np.random.default_rng(seed)
    holes = rng.random((40, 12)) < share
    blank = holes & (rng.random(holes.shape) < 0.5)
    added = rng.random(holes.shape) < more
    before, after = (
        runs_of(entered, entered & b, entered & b, np.zeros(holes.shape), bridge)[0]
        for entered, b in ((enterable(holes, length, width, 1), blank),
                           (enterable(holes | added, length, width, 1), blank | (added & ~holes))))
    assert extent(after) >= extent(before)
    for column in (3, 4):
        assert after[:, column].sum() >= before[:, column].sum()


# --- where a foot could enter ---------------------------------------------------------------------


def test_a_hole_shorter_than_a_foot_cannot_be_entered() -> None:
    unseen = mask_of(*["..###....##..."] * 6)
    entered = enterable(unseen, 3, 1, 0)
    np.testing.assert_array_equal(entered, mask_of(*["..###........."] * 6))


@pytest.mark.parametrize(("width", "is_entered"), [(3, True), (4, False)])
def test_a_slit_narrower_than_a_foot_cannot_be_entered(width: int, is_entered: bool) -> None:
    """A slit of one line is three wide with its rims: a foot of three enters, one of four not."""
    unseen = mask_of(*["." * 12] * 5, "...######...", *["." * 12] * 5)
    entered = enterable(unseen, 3, width, 1)
    expected = np.zeros(unseen.shape, dtype=bool)
    expected[3:9, 4:7] = is_entered
    np.testing.assert_array_equal(entered, expected)


def test_a_hole_goes_on_beyond_the_edge_of_what_is_looked_at() -> None:
    """Two stations at the end, one line at the side: as long and as wide as any foot."""
    unseen = np.zeros((12, 8), dtype=bool)
    unseen[:, 0] = unseen[-2:] = True
    entered = enterable(unseen, 3, 3, 0)
    assert entered[-2:, 3:].all()
    assert not enterable(np.roll(unseen, -3, axis=0)[:, 3:], 3, 3, 0)[:6].any()


@law
@given(seed=st.integers(0, 2**32 - 1), share=st.floats(0.0, 1.0), length=st.integers(1, 4),
       width=st.integers(1, 5))
def test_without_a_rim_only_what_is_unseen_is_entered(
    seed: int, share: float, length: int, width: int
) -> None:
    """And each entered cell has room for a whole foot, by brute force over all places of it."""
    unseen = np.random.default_rng(seed).random((20, 12)) < share
    entered = enterable(unseen, length, width, 0)
    assert not (entered & ~unseen).any()
    padded = np.pad(unseen, 8, mode="edge")
    for row, column in np.argwhere(entered):
        assert any(padded[8 + row - i: 8 + row - i + length,
                          8 + column - j: 8 + column - j + width].all()
                   for i in range(length) for j in range(width))


# --- under the foot tracks of a map ---------------------------------------------------------------


@pytest.fixture(scope="module")
def flat() -> TerrainMap:
    """Flat ground, all of it seen; the tests take cells away."""
    points = exact_points(Scene())
    terrain = map_terrain(points, points.common_view, TerrainSettings(grid=SPEC))
    level = np.zeros(SPEC.shape)
    return replace(
        terrain, state=np.full(SPEC.shape, CellState.SEEN, dtype=np.uint8), mean_m=level,
        highest_m=level, lowest_m=level, sigma_m=level + 0.001, ground_m=level,
        ground_sigma_m=level + 0.003, roughness_m=level + 0.004, sunk_m=level,
        behind=np.zeros(SPEC.shape, dtype=bool))


def without(
    terrain: TerrainMap, *pieces_m: tuple[float, float], state: CellState = CellState.BLANK,
    sunk_m: float = 0.0, across_m: tuple[float, float] = (-0.4, 0.4), behind: bool = False,
) -> TerrainMap:
    """The map with the cells from one station up to before another unseen.

    The stations of a heading of 0 are the middles of the cells.
    """
    x, y = np.meshgrid(SPEC.x_m - ROVER.body.nose_m, SPEC.y_m, indexing="ij")
    lost = np.zeros(SPEC.shape, dtype=bool)
    for start, end in pieces_m:
        along = (x > start - CELL_M / 2) & (x < end - CELL_M / 2)
        lost |= along & (y > across_m[0]) & (y < across_m[1])
    nan: dict[str, Any] = {name: np.where(lost, np.nan, getattr(terrain, name))
                           for name in ("mean_m", "highest_m", "lowest_m", "sigma_m")}
    return replace(terrain, state=np.where(lost, state, terrain.state).astype(np.uint8),
                   sunk_m=np.where(lost, sunk_m, terrain.sunk_m),
                   behind=np.where(lost, behind, terrain.behind), **nan)


def demand_on(terrain: TerrainMap, look_ahead_m: float = 1.0) -> HeadingDemand:
    return demand_along(terrain, ROVER, 0.0, look_ahead_m=look_ahead_m, near_strip_max_m=0.0)


def runs_under(terrain: TerrainMap, look_ahead_m: float = 1.0) -> UnseenRuns:
    return demand_on(terrain, look_ahead_m).runs


def row_at(terrain: TerrainMap, station_m: float) -> float:
    """Distance of two picture rows on flat ground: r² / (f H)."""
    distance_m = ROVER.body.nose_m + station_m - terrain.camera_x_m
    return distance_m**2 * terrain.row_angle / terrain.camera_height_m


def test_seen_ground_has_no_runs(flat: TerrainMap) -> None:
    assert runs_under(flat).at_m.size == 0


@pytest.mark.parametrize("cells", [3, 8, 15])
def test_a_run_is_longer_than_its_cells_by_one_and_one_and_a_half_rows(
    flat: TerrainMap, cells: int
) -> None:
    """Stations are a cell apart: a piece of n cells begins at the first of them.

    The rows are as far apart as at the last of them, where they are farther.
    """
    start = 0.50
    terrain = without(flat, (start, start + cells * CELL_M))
    runs = runs_under(terrain)
    row = row_at(terrain, start + (cells - 1) * CELL_M)
    np.testing.assert_allclose(runs.at_m, start)
    np.testing.assert_allclose(runs.length_m, (cells + 1) * CELL_M + 1.5 * row)
    np.testing.assert_allclose(runs.sigma_m, np.hypot(CELL_M / 2, row / 2))
    np.testing.assert_allclose(runs.unexplained_m, cells * CELL_M)
    np.testing.assert_allclose(runs.blank_m, cells * CELL_M)
    assert not runs.explained_m.any()
    np.testing.assert_allclose(
        runs.fall, terrain.camera_height_m / (
            ROVER.body.nose_m + runs.at_m[0] - terrain.camera_x_m))
    np.testing.assert_allclose(runs.ground_sd_m, 0.005)  # 3 mm and 4 mm
    assert not runs.sunk_m.any()


def test_both_foot_tracks_are_looked_at_and_nothing_between_them(flat: TerrainMap) -> None:
    """A track is a foot and the margin on each side: half a swath of 0.08 m, lines 5 mm apart."""
    half_m = LEGS.foot_width_m / 2 + ROVER.margin_m
    piece = (0.50, 0.60)
    lines = round(2 * half_m / runs_under(without(flat, piece)).line_m) + 1
    assert runs_under(without(flat, piece)).at_m.size == 2 * lines
    inner_m = LEGS.track_m / 2 - half_m
    between = without(flat, piece, across_m=(-inner_m + 0.02, inner_m - 0.02))
    assert runs_under(between).at_m.size == 0
    one = without(flat, piece, across_m=(0.0, 0.4))
    assert runs_under(one).at_m.size == lines
    assert len(set(runs_under(one).group.tolist())) == lines


def test_a_run_shorter_than_a_foot_does_no_harm(flat: TerrainMap) -> None:
    """The sole of 3 cm does not enter 2 cells of 1 cm."""
    assert runs_under(without(flat, (0.50, 0.52))).at_m.size == 0
    assert runs_under(without(flat, (0.50, 0.53))).at_m.size > 0


def groups_with_between(flat: TerrainMap, between_m: float) -> int:
    """Groups on one line of two runs with so much seen ground between them."""
    start = 0.35
    runs = runs_under(without(flat, (start, start + 0.05),
                              (start + 0.05 + between_m, start + 0.10 + between_m)))
    line = np.flatnonzero(np.diff(runs.at_m) < 0)[0] + 1  # the first of the next line
    assert line == 2
    return len(set(runs.group[:line].tolist()))


def test_runs_nearer_than_leg_spacing_and_foot_length_are_one(flat: TerrainMap) -> None:
    """0.15 m of ground; what is added to the runs, a cell and 1.5 rows, is taken from it."""
    legs_m = LEGS.hip_spacing_m + LEGS.foot_length_m
    farthest_m = row_at(flat, 1.0 + legs_m)  # runs are followed so far beyond the look-ahead
    apart = legs_m + CELL_M + 1.5 * farthest_m
    assert groups_with_between(flat, legs_m - CELL_M) == 1
    assert groups_with_between(flat, legs_m) == 1
    assert groups_with_between(flat, np.ceil(apart / CELL_M) * CELL_M - CELL_M) == 1
    assert groups_with_between(flat, np.ceil(apart / CELL_M) * CELL_M + CELL_M) == 2


@pytest.mark.parametrize("behind", [False, True])
def test_hidden_cells_are_not_blank_and_keep_how_deep_they_lie(
    flat: TerrainMap, behind: bool
) -> None:
    """They are explained where they lie behind something, and not where they lie low alone."""
    half = without(flat, (0.50, 0.55))
    both = without(half, (0.55, 0.58), state=CellState.HIDDEN, sunk_m=0.02, behind=behind)
    runs = runs_under(both)
    np.testing.assert_allclose(runs.explained_m, 0.03 * behind)
    np.testing.assert_allclose(runs.unexplained_m, 0.08 - 0.03 * behind)
    np.testing.assert_allclose(runs.blank_m, 0.05)
    np.testing.assert_allclose(runs.sunk_m, 0.02)
    np.testing.assert_allclose(runs.length_m, runs_under(without(flat, (0.50, 0.58))).length_m)


def test_a_group_across_the_look_ahead_keeps_its_parts_beyond_it(flat: TerrainMap) -> None:
    """Where it begins before: on the other side of the rover the same part is none of it."""
    look_ahead_m = 0.56
    beyond = without(flat, (0.62, 0.66))
    assert runs_under(beyond, look_ahead_m).at_m.size == 0
    demand = demand_on(without(beyond, (0.55, 0.60), across_m=(0.0, 0.4)), look_ahead_m)
    runs, groups = demand.runs, groups_of(demand, ROVER.limits.gap.value)
    own = np.unique(runs.group)  # the numbers of groups that begin beyond are left out
    lines = own.size
    np.testing.assert_allclose(np.sort(runs.at_m), [*[0.55] * lines, *[0.62] * lines])
    end = 0.66 + CELL_M + 1.5 * row_at(flat, 0.65)
    np.testing.assert_allclose(groups.at_m[own], 0.55)
    np.testing.assert_allclose(groups.length_m[own], end - 0.55)
    np.testing.assert_allclose(np.bincount(runs.group, runs.unexplained_m)[own], 0.09)


def hidden_twice(flat: TerrainMap, first: int, second: int, between: CellState) -> HeadingDemand:
    """So many cells behind something, one between that is seen or blank, and cells behind again."""
    start, middle = 0.40, 0.40 + first * CELL_M
    level = np.zeros(SPEC.shape)  # nothing tall fits there, and its slope is known
    terrain = replace(flat, ceiling_m=level, slope_x=level, slope_y=level,
                      slope_sigma=level + 0.001)
    for piece in ((start, middle), (middle + CELL_M, middle + (1 + second) * CELL_M)):
        terrain = without(terrain, piece, state=CellState.HIDDEN, behind=True)
    if between == CellState.BLANK:
        terrain = without(terrain, (middle, middle + CELL_M))
    return demand_on(terrain)


CONFIDENCES = (0.97, 0.98, 0.99, 0.995)


@law
@given(first=st.integers(1, 25), second=st.integers(1, 25))
def test_a_cell_that_goes_blank_between_two_hidden_runs_never_turns_ask_into_go(
    flat: TerrainMap, first: int, second: int
) -> None:
    seen, blank = (hidden_twice(flat, first, second, state)
                   for state in (CellState.SEEN, CellState.BLANK))
    longest = [groups_of(d, ROVER.limits.gap.value).length_m.max(initial=0.0)
               for d in (seen, blank)]
    assert longest[1] >= longest[0] - 1e-12
    for confidence in CONFIDENCES:
        before, after = (decide(d, ROVER.limits, confidence) for d in (seen, blank))
        assert after.probability >= before.probability - 1e-12
        assert before.verdict == "go" or after.verdict == "ask-ground"


def test_the_hidden_runs_of_the_law_come_out_in_all_ways(flat: TerrainMap) -> None:
    """Ask or go before and after, but for ask before go: else the law would say nothing."""
    found = {tuple(decide(hidden_twice(flat, n, n, state), ROVER.limits, confidence).verdict
                   for state in (CellState.SEEN, CellState.BLANK))
             for n in range(2, 26) for confidence in CONFIDENCES}
    assert found == {("go", "go"), ("go", "ask-ground"), ("ask-ground", "ask-ground")}


def test_a_run_counts_if_it_begins_where_a_sole_at_the_look_ahead_ends(flat: TerrainMap) -> None:
    """Half a sole and half a cell beyond it, and as far as a lip is carried; then all of it."""
    terrain, begins = without(flat, (0.60, 0.70)), 0.60
    row_m = row_spacing_m(terrain, ROVER, lay_swath(terrain, ROVER, 0.0, 1.0))[60]
    reach_m = LEGS.foot_length_m / 2 + CELL_M / 2 + 1.5 * row_m
    whole, just = runs_under(terrain), runs_under(terrain, begins - reach_m + 0.001)
    np.testing.assert_array_equal(just.length_m, whole.length_m)
    assert runs_under(terrain, begins - reach_m - 0.001).at_m.size == 0


# --- what could stand there -----------------------------------------------------------------------


def test_the_tallest_thing_that_could_hide_at_each_station(flat: TerrainMap) -> None:
    """Ceiling less ground, over the unseen cells alone; 0 below the ground, +inf where unknown."""
    terrain = without(flat, (0.30, 0.31), (0.40, 0.41), (0.50, 0.51), across_m=(0.0, 0.05))
    row = {station: SPEC.cells(ROVER.body.nose_m + station, 0.0)[0] for station in (0.3, 0.4, 0.5)}
    column = int(SPEC.cells(0.0, 0.025)[1])
    ceiling, ground = np.full(SPEC.shape, 0.05), np.full(SPEC.shape, 0.01)
    ceiling[row[0.3], column] = 0.09
    ceiling[row[0.3], -column] = 0.2  # seen
    ceiling[row[0.4]] = -0.02
    ground[row[0.5], column] = np.nan
    demand = demand_on(replace(terrain, ceiling_m=ceiling, ground_m=ground))
    expected = np.zeros(len(demand.station_m))
    expected[30], expected[50] = 0.08, np.inf
    np.testing.assert_allclose(demand.hidden_m, expected)
