"""Elevation, points and disparity as files, read by programs that are not ours.

GDAL (by rasterio) reads the grids, plyfile the points, OpenCV the disparity.
"""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import rasterio
from numpy.typing import NDArray
from plyfile import PlyData

from hazcam.assess import Assessment
from hazcam.disparity import DisparityMap
from hazcam.report.grid_files import ASCII_NODATA, elevation_ascii, elevation_geotiff
from hazcam.report.point_files import disparity_pfm, points_ply
from hazcam.terrain import GridSpec, TerrainMap
from hazcam.terrain.record import CellState
from tests.folders import SCENE, assessment

FORMS = {"tif": elevation_geotiff, "asc": elevation_ascii}
BOX = SCENE.boxes[0]  # ahead, 0.08 m high
PIT = SCENE.boxes[1]  # to the left, 0.15 m deep
# Cells that do not fill the sides: seven columns of 0.3 m for 2.0 m, from y = -1.0 m to 1.1 m.
UNEVEN = GridSpec(cell_m=0.3, ahead_m=1.2, side_m=1.0)
EVERYWHERE = GridSpec(cell_m=1.0, ahead_m=1e6, side_m=1e6)


@pytest.fixture(scope="module")
def found() -> Assessment:
    return assessment()


@pytest.fixture(scope="module")
def terrain(found: Assessment) -> TerrainMap:
    assert found.terrain is not None
    return found.terrain


def uneven(terrain: TerrainMap) -> TerrainMap:
    """A map of another grid; the elevation is 100 times the row ahead, plus the column left."""
    rows, columns = UNEVEN.shape
    layers: dict[str, Any] = {
        name: value[:rows, :columns] for name, value in vars(terrain).items()
        if isinstance(value, np.ndarray)}
    state = np.full(UNEVEN.shape, CellState.SEEN, dtype=np.uint8)
    state[1, 2] = CellState.BLANK
    row, column = np.indices(UNEVEN.shape)
    mean_m = np.where(state == CellState.SEEN, 100.0 * row + column, np.nan)
    layers |= {"state": state, "mean_m": mean_m, "from_previous": np.zeros(UNEVEN.shape, bool)}
    return replace(terrain, spec=UNEVEN, **layers)


def opened(data: bytes, form: str, folder: Path) -> rasterio.DatasetReader:
    path = folder / f"elevation.{form}"
    path.write_bytes(data)
    return rasterio.open(path)


@pytest.mark.parametrize("form", FORMS)
def test_gdal_finds_the_grid_where_it_is(terrain: TerrainMap, form: str, tmp_path: Path) -> None:
    """Outer edges: easting from -1.5 m to 1.5 m, northing from 0 to 2.5 m."""
    with opened(FORMS[form](terrain), form, tmp_path) as file:
        assert (file.height, file.width, file.count) == (250, 300, 1)
        np.testing.assert_allclose(file.transform, [0.01, 0, -1.5, 0, -0.01, 2.5, 0, 0, 1],
                                   atol=1e-12)
        np.testing.assert_allclose(file.bounds, [-1.5, 0, 1.5, 2.5], atol=1e-12)


@pytest.mark.parametrize("form", FORMS)
def test_gdal_finds_the_edges_of_a_grid_that_is_not_even(
    terrain: TerrainMap, form: str, tmp_path: Path
) -> None:
    """By hand: the columns reach from y = -1.0 m to y = 1.1 m, so easting begins at -1.1 m."""
    with opened(FORMS[form](uneven(terrain)), form, tmp_path) as file:
        np.testing.assert_allclose(file.bounds, [-1.1, 0, 1.0, 1.2], atol=1e-12)
        values = file.read(1, masked=True)
    assert values.mask.sum() == 1
    assert values.mask[2, 4]  # row 1 from below, column 2 from the right
    # Farthest row, farthest left: row 3 ahead, column 6 left.
    assert values[0, 0] == pytest.approx(306.0)
    assert values[3, 6] == pytest.approx(0.0, abs=1e-9)
    assert values[3, 0] == pytest.approx(6.0)


@pytest.mark.parametrize("form", FORMS)
def test_gdal_reads_every_elevation_and_no_other(
    terrain: TerrainMap, form: str, tmp_path: Path
) -> None:
    with opened(FORMS[form](terrain), form, tmp_path) as file:
        values = file.read(1, masked=True)
        nodata = file.nodata
    assert np.isnan(nodata) if form == "tif" else nodata == ASCII_NODATA
    ours = terrain.mean_m[::-1, ::-1]
    np.testing.assert_array_equal(values.mask, np.isnan(ours))
    if form == "tif":  # to the last bit
        np.testing.assert_array_equal(values.filled(np.nan), ours)
    np.testing.assert_allclose(values.filled(np.nan), ours, atol=6e-7)


def heights(file: rasterio.DatasetReader, x_m: float, y_m: float) -> NDArray[np.float64]:
    """Elevations within 3 cm of a place of the level frame, by GDAL's own index."""
    values = file.read(1, masked=True).filled(np.nan)
    row, column = file.index(-y_m, x_m)
    return np.asarray(values[row - 3:row + 4, column - 3:column + 4], dtype=np.float64)


@pytest.mark.parametrize("form", FORMS)
def test_known_obstacles_are_at_their_place(
    terrain: TerrainMap, form: str, tmp_path: Path
) -> None:
    """The top of the box; the pit to the left, hidden; flat ground as far to the right."""
    middle_x, middle_y = (PIT.x0 + PIT.x1) / 2, (PIT.y0 + PIT.y1) / 2
    with opened(FORMS[form](terrain), form, tmp_path) as file:
        box = heights(file, BOX.x0 + 0.06, (BOX.y0 + BOX.y1) / 2)
        pit = heights(file, middle_x, middle_y)
        flat = heights(file, middle_x, -middle_y)
    assert np.median(box) == pytest.approx(BOX.top_m, abs=0.005)
    assert np.isnan(pit).all()
    assert np.median(flat) == pytest.approx(0.0, abs=0.005)


def test_geotiff_says_that_it_has_no_crs(terrain: TerrainMap, tmp_path: Path) -> None:
    with opened(elevation_geotiff(terrain), "tif", tmp_path) as file:
        assert file.tags()["AREA_OR_POINT"] == "Area"
        assert not file.crs.is_geographic
        assert not file.crs.is_projected
        assert file.crs.to_wkt().startswith('LOCAL_CS["local, no CRS: easting = -y, northing = x')
        assert file.dtypes == ("float32",)


def test_geotiff_says_what_its_band_is(terrain: TerrainMap, tmp_path: Path) -> None:
    with opened(elevation_geotiff(terrain), "tif", tmp_path) as file:
        assert file.descriptions == ("elevation [m], level frame",)
        assert file.units == ("m",)


@pytest.mark.parametrize("form", FORMS)
def test_the_same_map_gives_the_same_bytes(terrain: TerrainMap, form: str) -> None:
    assert FORMS[form](terrain) == FORMS[form](terrain)


# --- points and disparity -------------------------------------------------------------------------


def points_of(found: Assessment, grid: GridSpec = EVERYWHERE) -> PlyData:
    assert found.points is not None
    assert found.rectified is not None
    return PlyData.read(io.BytesIO(points_ply(found.points, found.rectified, grid)))


def test_another_reader_finds_every_point(found: Assessment) -> None:
    assert found.points is not None
    assert found.rectified is not None
    read = points_of(found)
    vertices = read["vertex"]
    assert any("left out: 0 points" in comment for comment in read.comments)
    known = np.isfinite(found.points.depth_m)
    points = np.stack([vertices[axis] for axis in "xyz"], axis=-1)
    np.testing.assert_array_equal(points, found.points.points_level_m[known])
    np.testing.assert_allclose(vertices["sigma_z"]**2,
                               found.points.covariance_level_m2[known][:, 5], rtol=1e-5)
    assert np.all(vertices["sigma_z"] > 0)
    np.testing.assert_allclose(vertices["grey"], found.rectified.left[known], atol=0.5001)


def test_points_beyond_the_grid_are_left_out_and_counted(found: Assessment) -> None:
    """The pit to the left lies beyond a grid of 0.2 m to each side; so does what is far ahead."""
    grid = GridSpec(ahead_m=0.9, side_m=0.2)
    read, every = points_of(found, grid), points_of(found)["vertex"]
    inside = ((every["x"] >= 0) & (every["x"] < 0.9) & (every["y"] >= -0.2) & (every["y"] < 0.2))
    assert read["vertex"].count == inside.sum() > 1000
    np.testing.assert_array_equal(read["vertex"]["z"], every["z"][inside])
    assert read.comments[-1] == (f"left out: {(~inside).sum()} points beyond the grid of the map, "
                                 "x from 0 to 0.9, y from -0.2 to 0.2")
    assert (~inside).sum() > 1000


def test_points_of_the_box_are_at_its_place(found: Assessment) -> None:
    """Nothing but the box stands more than 4 cm above the ground."""
    vertices = points_of(found)["vertex"]
    high = (vertices["z"] > 0.04) & (vertices["x"] < 1.5)
    assert high.sum() > 500
    assert np.median(vertices["x"][high]) == pytest.approx(BOX.x0, abs=0.10)
    left, right = np.percentile(vertices["y"][high], [99, 1])
    assert (left, right) == (pytest.approx(BOX.y1, abs=0.03), pytest.approx(BOX.y0, abs=0.03))


def test_opencv_reads_the_disparity(found: Assessment, tmp_path: Path) -> None:
    assert found.disparity is not None
    path = tmp_path / "disparity.pfm"
    path.write_bytes(disparity_pfm(found.disparity))
    read = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert read is not None
    ours = found.disparity.disparity_px
    np.testing.assert_array_equal(np.isposinf(read), np.isnan(ours))
    known = np.isfinite(ours)
    np.testing.assert_array_equal(read[known], ours[known])


def test_the_bytes_of_a_small_disparity() -> None:
    """By hand: two rows of three, the bottom row first, little endian."""
    disparity = DisparityMap(
        disparity_px=np.array([[1, 2, np.nan], [4, 5, 6]], dtype=np.float32),
        sigma_px=np.array([[1, 1, np.nan], [1, 1, 1]], dtype=np.float32),
        blank=np.array([[0, 0, 5], [0, 0, 0]], dtype=np.uint8), matcher="by hand")
    head, values = disparity_pfm(disparity)[:12], disparity_pfm(disparity)[12:]
    assert head == b"Pf\n3 2\n-1.0\n"
    assert np.frombuffer(values, "<f4").tolist() == [4, 5, 6, 1, 2, np.inf]
