import numpy as np
import pytest

from hazcam.assess import assess_pair
from hazcam.frames import Attitude
from hazcam.rover import read_rover
from hazcam.settings import Settings
from hazcam.terrain import CellState, GridSpec, TerrainMap
from hazcam.terrain.ground import ground_planes, window_planes
from tests.conftest import Assess, terrain_of
from tests.synthetic import CAMERA_HEIGHT_M, Box, Scene, ideal_rig, render

AHEAD = {"headings_deg": (0.0,)}


def cell(terrain: TerrainMap, x: float, y: float) -> tuple[int, int]:
    row, column = terrain.spec.cells(x, y)
    return int(row), int(column)


def box_of(
    terrain: TerrainMap, x0: float, x1: float, y0: float, y1: float
) -> tuple[slice, slice]:
    (r0, c0), (r1, c1) = cell(terrain, x0, y0), cell(terrain, x1, y1)
    return slice(r0, r1), slice(c0, c1)


def test_flat_ground_is_seen_and_flat(assess: Assess) -> None:
    terrain = terrain_of(assess(Scene(), **AHEAD))
    area = box_of(terrain, 0.5, 1.2, -0.1, 0.1)
    assert np.all(terrain.state[area] == CellState.SEEN)
    assert np.abs(terrain.mean_m[area]).max() < 0.004
    assert terrain.planes[0].slope_deg < 0.3
    assert terrain.planes[0].share > 0.9


def test_a_box_is_one_obstacle_of_its_height(assess: Assess) -> None:
    terrain = terrain_of(assess(Scene(boxes=(Box(0.8, 0.9, -0.05, 0.05, 0.08),)), **AHEAD))
    near = [o for o in terrain.obstacles if o.distance_m < 1.3 and abs(o.y_m) < 0.3]
    assert len(near) == 1
    assert near[0].height_m == pytest.approx(0.08, abs=0.004)
    assert near[0].distance_m == pytest.approx(0.80, abs=0.02)
    assert near[0].y_m == pytest.approx(0.0, abs=0.02)


def test_the_ground_behind_a_box_is_hidden_for_as_long_as_geometry_says(assess: Assess) -> None:
    """The cone of sight, in closed form.

    Behind a box of height h whose far top edge is d from the camera, flat ground is hidden for
    h d / (H - h).
    """
    h, far_edge = 0.06, 0.90
    terrain = terrain_of(assess(Scene(boxes=(Box(0.8, far_edge, -0.15, 0.15, h),)), **AHEAD))
    hidden_m = h * (far_edge - 0.17) / (CAMERA_HEIGHT_M - h)
    rows = box_of(terrain, far_edge + 0.02, far_edge + hidden_m - 0.04, -0.02, 0.02)
    assert np.all(terrain.state[rows] == CellState.HIDDEN)
    beyond = box_of(terrain, far_edge + hidden_m + 0.04, far_edge + hidden_m + 0.15, -0.02, 0.02)
    assert np.mean(terrain.state[beyond] == CellState.SEEN) > 0.95


def test_what_can_hide_behind_a_box_is_bounded_by_the_sight_line_over_it(assess: Assess) -> None:
    """The ceiling falls from h at the box to 0 where the ground is seen again."""
    h, far_edge = 0.06, 0.90
    terrain = terrain_of(assess(Scene(boxes=(Box(0.8, far_edge, -0.15, 0.15, h),)), **AHEAD))
    end = far_edge + h * (far_edge - 0.17) / (CAMERA_HEIGHT_M - h)
    for x in np.linspace(far_edge + 0.05, end - 0.05, 5):
        expected = CAMERA_HEIGHT_M * (1 - (x - 0.17) / (end - 0.17))
        ceiling = terrain.ceiling_m[cell(terrain, x, 0.0)]
        assert expected - 0.002 <= ceiling <= expected + 0.012


def test_nothing_true_ever_stands_above_its_ceiling(assess: Assess) -> None:
    """Safety: over every cell the ceiling is above the true surface (2 mm of noise allowed)."""
    boxes = (Box(0.7, 0.8, -0.2, -0.05, 0.05), Box(0.9, 1.0, 0.0, 0.2, 0.09))
    terrain = terrain_of(assess(Scene(boxes=boxes), **AHEAD))
    x, y = np.meshgrid(terrain.spec.x_m, terrain.spec.y_m, indexing="ij")
    truth = np.zeros(x.shape)
    for b in boxes:
        # One cell less on each side: the rim cells hold ground and box.
        inside = ((x > b.x0 + 0.01) & (x < b.x1 - 0.01) & (y > b.y0 + 0.01) & (y < b.y1 - 0.01))
        truth[inside] = b.top_m
    near = (x < 1.3) & (np.abs(y) < 0.4)
    assert np.all(terrain.ceiling_m[near] >= truth[near] - 0.002)


def test_a_ramp_slopes_as_it_was_built(assess: Assess) -> None:
    """A ramp of 10 degrees from 0.6 m on: the expression, not digits."""
    slope = np.tan(np.radians(10))
    terrain = terrain_of(assess(Scene(slope_x=slope, from_x=0.6), **AHEAD))
    at = cell(terrain, 0.95, 0.0)
    found = np.degrees(np.arctan(np.hypot(terrain.slope_x[at], terrain.slope_y[at])))
    assert found == pytest.approx(10, abs=0.5)
    slopes = sorted(p.slope_deg for p in terrain.planes[:2])
    assert slopes[-1] == pytest.approx(10, abs=1.0)


def test_a_rover_nose_up_on_a_slope_reads_that_slope_against_gravity() -> None:
    """15 degrees nose-up on a 15 degree slope: flat to the feet, 15 degrees to gravity."""
    attitude = Attitude(roll_deg=0, pitch_deg=-15, roll_sigma_deg=0.1, pitch_sigma_deg=0.1)
    found = assess_pair(render(Scene(), attitude=attitude), ideal_rig(), read_rover("dunlin-em"),
                        Settings(headings_deg=(0.0,)))
    assert terrain_of(found).planes[0].slope_deg == pytest.approx(15, abs=0.3)
    assert found.demands[0].slope[50] == pytest.approx(15, abs=0.5)
    assert found.verdicts[0].causes[0].kind == "slope"


def test_a_ledge_is_two_planes(assess: Assess) -> None:
    terrain = terrain_of(assess(Scene(boxes=(Box(0.8, 3.0, -2.0, 2.0, 0.05),)), **AHEAD))
    offsets = sorted(p.offset_m for p in terrain.planes if p.slope_deg < 1.5)
    assert offsets[0] == pytest.approx(0.0, abs=0.004)
    assert offsets[-1] == pytest.approx(0.05, abs=0.006)


def test_cells_between_two_picture_rows_of_one_surface_are_seen(assess: Assess) -> None:
    """At 2 m the picture rows are 4 cm apart on the ground; the 1 cm cells between are seen."""
    terrain = terrain_of(assess(Scene(), **AHEAD))
    area = box_of(terrain, 1.9, 2.1, -0.1, 0.1)
    assert np.mean(terrain.state[area] == CellState.SEEN) > 0.9
    assert np.mean(terrain.count[area] == 0) > 0.3


def test_outside_follows_from_geometry_alone(assess: Assess) -> None:
    """Blacking out the pictures changes no cell's being in view."""
    a = terrain_of(assess(Scene(), **AHEAD))
    b = terrain_of(assess(Scene(black_x=(0.6, 0.9)), **AHEAD))
    assert np.array_equal(a.in_view, b.in_view)
    assert np.all(a.state[~a.in_view & ~np.isfinite(a.mean_m)] == CellState.OUTSIDE)


def test_the_map_is_the_same_every_time(assess: Assess) -> None:
    """That of the box above, made a second time."""
    scene = Scene(boxes=(Box(0.8, 0.9, -0.05, 0.05, 0.08),))
    a = terrain_of(assess(scene, **AHEAD))
    b = terrain_of(assess_pair(render(scene), ideal_rig(), read_rover("dunlin-em"),
                               Settings(headings_deg=(0.0,))))
    assert a is not b
    for name in ("mean_m", "ceiling_m", "ground_m"):
        assert np.array_equal(getattr(a, name), getattr(b, name), equal_nan=True)
    assert a.planes == b.planes


def test_the_grid_finds_its_own_centres() -> None:
    spec = GridSpec(cell_m=0.02, ahead_m=1.0, side_m=0.5)
    rows, columns = spec.cells(spec.x_m, spec.y_m[:50])
    assert list(rows) == list(range(50))
    assert list(columns) == list(range(50))


@pytest.mark.parametrize("cell_m", [0.01, 0.02, 0.04])
def test_window_planes_are_exact_on_a_plane_at_any_cell_size(cell_m: float) -> None:
    x, y = np.indices((40, 40)) * cell_m
    planes = window_planes(0.1 + 0.3 * x + 0.4 * y, np.ones((40, 40)), cell_m, 0.3)
    assert planes.slope_x == pytest.approx(np.full((40, 40), 0.3), abs=1e-9)
    assert planes.slope_y == pytest.approx(np.full((40, 40), 0.4), abs=1e-9)
    assert planes.rms_m == pytest.approx(np.zeros((40, 40)), abs=1e-6)


def test_window_planes_do_not_guess_where_nothing_is_known() -> None:
    planes = window_planes(np.zeros((40, 40)), np.zeros((40, 40)), 0.02, 0.3)
    assert np.isnan(planes.height_m).all()


def test_no_planes_without_ground() -> None:
    spec = GridSpec()
    assert ground_planes(spec, np.full(spec.shape, np.nan), np.random.default_rng(0)) == ()
