"""What the sight lines of both cameras say of unseen cells, against closed forms.

Points without noise: exact disparities of a synthetic scene, or places laid out by hand.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hazcam.depth import PointMap
from hazcam.disparity import Blank
from hazcam.frames import R_BODY_OPTICAL, Floats, Pose, View
from hazcam.imagery import PlanarMove
from hazcam.rectification import CommonView, RectifiedCamera
from hazcam.terrain import (
    CellState,
    GridSpec,
    PreviousGround,
    TerrainMap,
    TerrainSettings,
    carry_over,
    map_terrain,
)
from hazcam.terrain.sight import THING_WIDTH_M, SightBounds, sight_bounds
from tests.published.exact import exact_points
from tests.synthetic import (
    BASELINE_M,
    CAMERA_HEIGHT_M,
    Box,
    Scene,
    ideal_rig,
    mount_of,
    true_depth,
)

SPEC = GridSpec(cell_m=0.01, ahead_m=1.6, side_m=0.4)
CAMERA_X_M = 0.17  # of the rig of the synthetic scenes; its baseline runs from y = 0.05 to -0.05
NOSE = Pose(R=np.eye(3), t=np.zeros(3))


def seen_by_both(scene: Scene) -> PointMap:
    """The exact points that the right camera sees as well: the others have no match.

    A pixel of the right picture that shows something 2 % nearer is another's.
    """
    points, rig = exact_points(scene), ideal_rig()
    mount = mount_of(rig)
    right = replace(rig, mount=Pose(R=mount.R, t=mount.apply([BASELINE_M, 0.0, 0.0])))
    seen_right = true_depth(scene, right)
    rows, columns = np.meshgrid(*(np.arange(n) for n in points.depth_m.shape), indexing="ij")
    u = columns - points.camera.focal_px * BASELINE_M / points.depth_m
    inside = (u >= 0) & (u <= points.camera.width - 1)
    hidden = ~inside
    for side in (np.floor, np.ceil):
        there = seen_right[rows[inside], side(u[inside]).astype(np.intp)]
        hidden[inside] |= ~(there > 0.98 * points.depth_m[inside])
    return replace(
        points, depth_m=np.where(hidden, np.float32(np.nan), points.depth_m),
        sigma_z_m=np.where(hidden, np.float32(np.nan), points.sigma_z_m),
        points_level_m=np.where(hidden[..., None], np.float32(np.nan), points.points_level_m),
        covariance_level_m2=np.where(hidden[..., None], np.float32(np.nan),
                                     points.covariance_level_m2),
        blank=np.where(hidden, np.uint8(Blank.DISAGREE), points.blank))


def mapped(scene: Scene) -> TerrainMap:
    points = seen_by_both(scene)
    return map_terrain(points, points.common_view, TerrainSettings(grid=SPEC))


def cell(x_m: float, y_m: float) -> tuple[int, int]:
    row, column = SPEC.cells(x_m, y_m)
    return int(row), int(column)


def line_of(layer: NDArray[np.generic], x0_m: float, x1_m: float, y_m: float) -> Floats:
    """A layer along x, over the cells whose centres lie between."""
    rows = (SPEC.x_m > x0_m) & (SPEC.x_m < x1_m)
    return np.asarray(layer[rows, cell(0.0, y_m)[1]], dtype=np.float64)


# --- laid out by hand -----------------------------------------------------------------------------


def matched_at(places_m: Floats, *, baseline_m: float = 0.1, left_y_m: float = 0.05) -> PointMap:
    """Points matched at some places, shape (n, 3), seen from x = 0 with the axis level.

    Each has the pixels beside it to itself, so that none is taken to end nearer than it does.
    """
    width = 2 * len(places_m)
    points = np.full((1, width, 3), np.nan, dtype=np.float32)
    points[0, ::2] = places_m
    depth = points[..., 0]
    camera = RectifiedCamera(focal_px=500.0, cx=0.0, cy=0.0, offset_px=0.0, baseline_m=baseline_m,
                             width=width, height=1)
    everywhere = np.ones((1, width), dtype=bool)
    at = Pose(R=R_BODY_OPTICAL, t=np.array([0.0, left_y_m, CAMERA_HEIGHT_M]))
    return PointMap(
        depth_m=depth, sigma_z_m=np.where(np.isfinite(depth), 1e-5, np.nan).astype(np.float32),
        points_level_m=points,
        covariance_level_m2=np.zeros((1, width, 6), dtype=np.float32),
        blank=np.where(np.isfinite(depth), Blank.MATCHED, Blank.DARK).astype(np.uint8),
        common_view=CommonView(camera=camera, valid_left=everywhere, valid_right=everywhere,
                               T_camera_rectified=NOSE),
        T_rover_camera=at,
        view=View(T_rover_camera=at, T_level_rover=NOSE, tilt_sigma_deg=0.5, tilt_bound_deg=0.0,
                  scale_sigma=0.0),
    )


def bounds_of(points: PointMap) -> SightBounds:
    return sight_bounds(points, SPEC, np.zeros(SPEC.shape))


@pytest.mark.parametrize("camera", ["left", "right"])
def test_a_line_of_either_camera_lowers_the_ceiling(camera: str) -> None:
    """A patch of ground 1 m ahead, half way there: each camera's lines alone pass over their side.

    Over the patch's own side (y = 0.05 for the left camera, 0 for the right) both cameras' lines
    are 5 cm apart half way. Under a line that ends on the ground r ahead the ceiling is H (1 - x/r)
    at x; half a cell of rounding is 1 mm of it. Between the two fans nothing bounds a thing.
    """
    across = np.arange(-8, 9) * 0.003
    patch = np.column_stack([np.ones(17), 0.05 + across, np.zeros(17)])
    ceiling = bounds_of(matched_at(patch)).ceiling_m
    own = {"left": 0.055, "right": 0.005}[camera]
    assert ceiling[cell(0.505, own)] == pytest.approx(CAMERA_HEIGHT_M * (1 - 0.505), abs=0.001)
    assert ceiling[cell(0.505, 0.025)] == np.inf
    assert ceiling[cell(0.505, -0.055)] == np.inf


@pytest.mark.parametrize(("widths", "is_bounded"), [(0.0, True), (0.5, True), (2.0, False)])
def test_a_gap_between_lines_narrower_than_a_thing_does_not_lift_the_ceiling(
    widths: float, is_bounded: bool
) -> None:
    """Lines all round to a circle of ground 1 m away, but for a gap so wide at 0.7 m.

    In the middle of a gap of half the width of a thing nothing that wide fits, and the ceiling is
    that of the lines beside it; in one of twice the width it does.
    """
    angle = np.radians(np.arange(-12.0, 12.0, 0.05))
    angle = angle[np.abs(angle) >= widths * THING_WIDTH_M / 2 / 0.7]
    circle = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(angle.size)])
    ceiling = bounds_of(matched_at(circle, baseline_m=1e-9, left_y_m=0.0)).ceiling_m
    found = ceiling[cell(0.695, 0.005)]
    expected = CAMERA_HEIGHT_M * (1 - np.hypot(0.695, 0.005)) if is_bounded else np.inf
    assert found == pytest.approx(expected, abs=0.001)


def test_the_ceiling_is_that_of_the_lowest_line() -> None:
    """Two circles, 0.8 and 1.4 m away: nearer than both the line to the nearer one is lower.

    Between them only the lines to the farther one pass.
    """
    angle = np.radians(np.arange(-12.0, 12.0, 0.05))
    ring = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(angle.size)])
    points = matched_at(np.vstack([0.8 * ring, 1.4 * ring]), baseline_m=1e-9, left_y_m=0.0)
    ceiling = bounds_of(points).ceiling_m
    for x, ends in ((0.505, 0.8), (1.105, 1.4)):
        assert ceiling[cell(x, 0.005)] == pytest.approx(CAMERA_HEIGHT_M * (1 - x / ends), abs=0.001)
    assert ceiling[cell(1.505, 0.005)] == np.inf


# --- behind something that was seen ---------------------------------------------------------------


def test_behind_a_box_is_the_cone_of_sight() -> None:
    """Flat ground is hidden for h d / (H - h) behind a box of height h, its far edge d away.

    Two cells are left for the rims, one at each end. What the box explains is not sunk.
    """
    h, far_edge = 0.06, 0.90
    terrain = mapped(Scene(boxes=(Box(0.8, far_edge, -0.15, 0.15, h),)))
    hidden_m = h * (far_edge - CAMERA_X_M) / (CAMERA_HEIGHT_M - h)
    behind = line_of(terrain.behind, far_edge, SPEC.ahead_m, 0.005)
    assert behind.sum() * SPEC.cell_m == pytest.approx(hidden_m, abs=2 * SPEC.cell_m)
    inside = line_of(terrain.behind, far_edge + SPEC.cell_m, far_edge + hidden_m - 0.02, 0.005)
    assert inside.all()
    assert not line_of(terrain.behind, 0.5, far_edge, 0.005).any()
    assert not terrain.sunk_m[terrain.behind].any()


@pytest.mark.parametrize("length_m", [0.06, 0.12])
def test_a_ditch_over_a_flat_lip_is_behind_nothing_and_sunk(length_m: float) -> None:
    """Nothing stands above the ground: the line over the cell at r ends on the far wall.

    There it is (far - r) H / r below the ground, L H / r for a ditch of length L just behind its
    lip; two cells less are left for the rim and the picture's rows, a millimetre for the ground.
    """
    lip = 0.80
    terrain = mapped(Scene(boxes=(Box(lip, lip + length_m, -0.35, 0.35, -0.20),)))
    inside = (lip, lip + length_m - SPEC.cell_m)
    assert np.all(line_of(terrain.state, *inside, 0.005) == CellState.HIDDEN)
    assert not line_of(terrain.behind, lip, lip + length_m, 0.005).any()
    sunk = line_of(terrain.sunk_m, *inside, 0.005)
    x = SPEC.x_m[(SPEC.x_m > inside[0]) & (SPEC.x_m < inside[1])]
    expected = (lip + length_m - x) * CAMERA_HEIGHT_M / (x - CAMERA_X_M)
    np.testing.assert_allclose(sunk, expected, atol=0.002)
    whole = length_m * CAMERA_HEIGHT_M / (lip - CAMERA_X_M)
    assert sunk.max() == pytest.approx(whole, abs=2 * SPEC.cell_m * whole / length_m)
    assert not terrain.sunk_m[terrain.state != CellState.HIDDEN].any()


def raised(points: PointMap, columns: slice, rows: slice) -> PointMap:
    """Some pixels matched at two thirds of their distance: above the ground, near the camera."""
    eye = points.T_level_camera.t
    places, depth = points.points_level_m.copy(), points.depth_m.copy()
    places[rows, columns] = eye + 2 / 3 * (places[rows, columns] - eye)
    depth[rows, columns] *= 2 / 3
    return replace(points, points_level_m=places, depth_m=depth)


@pytest.mark.parametrize(("width_px", "is_a_crest"), [(1, False), (16, True)])
def test_one_bad_match_is_no_crest(width_px: int, is_a_crest: bool) -> None:
    """A crest is three bins of a quarter degree wide; a pixel spans a ninth of a degree."""
    flat = seen_by_both(Scene())
    assert not bounds_of(flat).behind.any()
    bad = raised(flat, slice(320, 320 + width_px), slice(230, 233))
    assert bounds_of(bad).behind.any() == is_a_crest


def test_where_the_ground_is_not_known_nothing_is_behind() -> None:
    points = seen_by_both(Scene(boxes=(Box(0.8, 0.9, -0.15, 0.15, 0.06),)))
    unknown = np.full(SPEC.shape, np.nan)
    assert bounds_of(points).behind.any()
    assert not sight_bounds(points, SPEC, unknown).behind.any()


def test_what_was_seen_is_never_behind() -> None:
    """Neither what this pair saw, over or past a box, nor what the previous one did."""
    boxes = (Box(0.6, 0.7, 0.02, 0.1, 0.05), Box(0.9, 1.0, -0.1, 0.2, 0.12))
    points = seen_by_both(Scene(boxes=boxes))
    terrain = map_terrain(points, points.common_view, TerrainSettings(grid=SPEC))
    seen = terrain.state == CellState.SEEN
    assert (bounds_of(points).behind & seen).any()  # a cell holds the top and what is behind it
    assert not (terrain.behind & seen).any()


def test_what_the_previous_pair_saw_is_not_behind() -> None:
    """Ground out of view beside a box, which a line passes over, carried over from before."""
    now = mapped(Scene())
    left = np.broadcast_to(SPEC.y_m > 0.1, SPEC.shape)
    cut = np.where(left, np.nan, now.mean_m)
    half = replace(now, state=np.where(left, CellState.OUTSIDE, now.state).astype(np.uint8),
                   mean_m=cut, behind=left)
    stay = PlanarMove(x_m=0.0, y_m=0.0, z_m=0.0, heading_deg=0.0, sigma_x_m=0.0, sigma_y_m=0.0,
                      sigma_heading_deg=0.0)
    found = carry_over(half, PreviousGround(id="before", terrain=now, move=stay, pair_digest="p",
                                            rig_digest="r")).terrain
    assert np.count_nonzero(found.from_previous) > 1000
    assert not (found.behind & found.from_previous).any()
    assert (found.behind & ~found.from_previous).any()


# --- safety ---------------------------------------------------------------------------------------


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=6, deadline=None, derandomize=True)
def test_no_box_as_wide_as_a_foot_stands_above_its_ceiling(seed: int) -> None:
    """Boxes anywhere, of any height up to 12 cm: less 2 cells of rim, 1 mm of rounding."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(SPEC.x_m, SPEC.y_m, indexing="ij")
    truth, boxes = np.zeros(SPEC.shape), []
    for _ in range(6):
        x0, y0 = rng.uniform(0.45, 1.4), rng.uniform(-0.35, 0.3)
        x1, y1 = x0 + rng.uniform(0.03, 0.1), y0 + rng.uniform(2 * THING_WIDTH_M, 0.15)
        top = rng.uniform(0.02, 0.12)
        boxes.append(Box(x0, x1, y0, y1, top))
        inside = (x > x0 + 0.01) & (x < x1 - 0.01) & (y > y0 + 0.01) & (y < y1 - 0.01)
        truth[inside] = np.maximum(truth[inside], top)
    ceiling = bounds_of(seen_by_both(Scene(boxes=tuple(boxes)))).ceiling_m
    standing = truth > 0
    assert standing.any()
    assert np.all(ceiling[standing] >= truth[standing] - 0.001)
