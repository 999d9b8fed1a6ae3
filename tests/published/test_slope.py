"""Slopes: planes in closed form, Horn's gradient from another library, a step that looks a slope.

B. K. P. Horn, "Hill shading and the reflectance map," Proc. IEEE, vol. 69, no. 1, pp. 14-47, 1981.
"""

from __future__ import annotations

import numpy as np
import pytest
import xarray
from xrspatial import slope as horn_slope

from hazcam.frames import Floats
from hazcam.rover import read_rover
from hazcam.terrain import GridSpec, TerrainSettings, map_terrain
from hazcam.terrain.ground import body_slopes, window_planes
from hazcam.verdict import demand_along
from tests.published.exact import exact_points
from tests.synthetic import Box, Scene

STEP_M = 0.05


def horn_deg(z_m: Floats, cell_m: float) -> Floats:
    """Slope by Horn's 3 x 3 gradient, from xarray-spatial. [deg] NaN at the rim."""
    raster = xarray.DataArray(z_m, dims=["y", "x"], attrs={"res": (cell_m, cell_m)})
    return np.asarray(horn_slope(raster).values, dtype=np.float64)


def body_deg(spec: GridSpec, z_m: Floats, window_m: float) -> Floats:
    a, b, _ = body_slopes(spec, z_m, np.full(z_m.shape, 0.001), window_m)
    return np.degrees(np.arctan(np.hypot(a, b)))


def test_the_reference_gives_the_published_example() -> None:
    """Esri, "How Slope works": 3 x 3 heights at 5 m give 3.80032 and 75.25762 degrees.

    Exact by Horn's formula: dz/dx 0.05, dz/dy -3.8, 75.257658; the library works in float32.
    """
    heights = np.array([[50.0, 45, 50], [30, 30, 30], [8, 10, 10]])
    exact = np.degrees(np.arctan(np.hypot(0.05, -3.8)))
    assert exact == pytest.approx(75.25762, abs=1e-4)
    assert horn_deg(heights, 5.0)[1, 1] == pytest.approx(exact, abs=2e-5)


PLANES = [((0.3, 0.4), 26.565051), ((np.tan(np.radians(20.0)), 0.0), 20.0),
          ((0.0, -np.tan(np.radians(20.0))), 20.0)]


def slope_of(gradient: tuple[float, float]) -> float:
    return float(np.degrees(np.arctan(np.hypot(*gradient))))


@pytest.mark.parametrize("cell_m", [0.005, 0.01, 0.02, 0.05])
@pytest.mark.parametrize(("gradient", "slope_deg"), PLANES)
def test_window_plane_of_a_plane(
    gradient: tuple[float, float], slope_deg: float, cell_m: float
) -> None:
    """A plane a x + b y slopes atan(hypot(a, b)) at any cell size, at rim and middle: 1e-9 degrees.

    The scatter is the root of a difference of sums: half the digits, 1e-6 m.
    """
    x, y = np.meshgrid(np.arange(60) * cell_m, np.arange(80) * cell_m, indexing="ij")
    z = 0.02 + gradient[0] * x + gradient[1] * y
    planes = window_planes(z, np.ones(z.shape), cell_m, 0.30)
    found = np.degrees(np.arctan(np.hypot(planes.slope_x, planes.slope_y)))
    assert slope_of(gradient) == pytest.approx(slope_deg, abs=5e-7)
    np.testing.assert_allclose(found, slope_of(gradient), atol=1e-9)
    np.testing.assert_allclose(planes.slope_x, gradient[0], atol=1e-10)
    np.testing.assert_allclose(planes.slope_y, gradient[1], atol=1e-10)
    np.testing.assert_allclose(planes.height_m, z, atol=1e-11)
    np.testing.assert_allclose(planes.rms_m, 0, atol=1e-6)


@pytest.mark.parametrize("gradient", [gradient for gradient, _ in PLANES])
def test_body_slope_of_a_plane(gradient: tuple[float, float]) -> None:
    """Along x and along y, also about a block of cells that are not seen: 1e-10 rise over run."""
    spec = GridSpec(cell_m=0.01, ahead_m=1.0, side_m=0.5)
    x, y = np.meshgrid(spec.x_m, spec.y_m, indexing="ij")
    z = gradient[0] * x + gradient[1] * y
    z[30:60, 20:80] = np.nan
    along, across, _ = body_slopes(spec, z, np.full(z.shape, 0.001), 0.30)
    known = np.isfinite(along)
    assert known.mean() > 0.7
    np.testing.assert_allclose(along[known], gradient[0], atol=1e-10)
    np.testing.assert_allclose(across[known], gradient[1], atol=1e-10)


def test_body_slope_agrees_with_horn_on_hills() -> None:
    """Another library: hills of 4 m wavelength, up to 12 degrees steep.

    In closed form a window of side W lowers the slope of a wave of wave number k by a share of
    (k W / 2)² (1/10 + 1/6) where it does most: of 12 degrees, 0.19. Over 3 x 3 cells 0.02 remain.
    """
    spec, window_m = GridSpec(cell_m=0.02, ahead_m=4.0, side_m=2.0), 0.27
    x, y = np.meshgrid(spec.x_m, spec.y_m, indexing="ij")
    k = 2 * np.pi / 4.0
    z = 0.21 / k * np.sin(k * x) * np.cos(k * y)
    horn = horn_deg(z, spec.cell_m)
    assert 11.0 < np.nanmax(horn) < 12.0
    inner = (slice(12, -12), slice(12, -12))
    widest_m = window_m + 2 * spec.cell_m  # a window is whole cells of twice the size
    smoothing = (k * widest_m / 2) ** 2 * (1 / 10 + 1 / 6)
    np.testing.assert_allclose(body_deg(spec, z, window_m)[inner], horn[inner],
                               atol=12.0 * smoothing)
    fine = window_planes(z, np.ones(z.shape), spec.cell_m, 3 * spec.cell_m)
    fine_deg = np.degrees(np.arctan(np.hypot(fine.slope_x, fine.slope_y)))
    np.testing.assert_allclose(fine_deg[inner], horn[inner], atol=0.02)


def test_mapped_ramp_agrees_with_horn() -> None:
    """A ramp of 10 degrees through triangulation and the grid: both say 10 degrees.

    Exact disparities; the grid samples the surface at pixels, not at cell centres, so single cells
    of Horn's 3 x 3 gradient scatter: its median is compared, the body's slope cell by cell.
    """
    scene = Scene(slope_x=float(np.tan(np.radians(10.0))), from_x=0.4)
    points = exact_points(scene)
    terrain = map_terrain(points, points.common_view, TerrainSettings())
    rows, columns = terrain.spec.cells([0.8, 1.3], [-0.2, 0.2])
    ramp = (slice(*rows), slice(*columns))
    horn = horn_deg(terrain.mean_m, terrain.spec.cell_m)[ramp]
    assert np.isfinite(horn).mean() > 0.9
    assert np.nanmedian(horn) == pytest.approx(10.0, abs=0.2)
    body = np.degrees(np.arctan(np.hypot(terrain.slope_x, terrain.slope_y)))[ramp]
    np.testing.assert_allclose(body, 10.0, atol=0.2)


# A step that looks a slope


def test_a_step_fits_as_a_slope() -> None:
    """Closed form: a step h across the middle of a window W fits as 1.5 h / W, RMS h / 4.

    5 cm in 20 cm: 20.556 degrees and 12.5 mm. The window is 21 cells of W / 21, where the sums
    give 1.5 h / W exactly and an RMS within 1/n² of h / 4.
    """
    cell_m = 0.20 / 21
    z = np.zeros((61, 61))
    z[30:] = STEP_M
    planes = window_planes(z, np.ones(z.shape), cell_m, 21 * cell_m)
    assert np.degrees(np.arctan(planes.slope_x[30, 30])) == pytest.approx(20.556, abs=5e-4)
    assert np.abs(planes.slope_x).max() == pytest.approx(1.5 * STEP_M / 0.20)
    assert planes.rms_m[30, 30] == pytest.approx(STEP_M / 4, rel=1 / 21**2)


def test_the_step_is_found_as_a_step() -> None:
    """The same step through the chain: no more than a slope of 21 degrees, and a step of 5 cm.

    Exact disparities; a window of 0.22 m, whole cells. Step within 3 mm: the ground rises less
    than that between picture rows, and highest and mean of a cell differ where it holds both
    levels.
    """
    ledge = Scene(boxes=(Box(0.80, 3.0, -2.0, 2.0, STEP_M),))
    points = exact_points(ledge)
    terrain = map_terrain(points, points.common_view, TerrainSettings(body_window_m=0.22))
    rover = read_rover("dunlin-em")
    demand = demand_along(terrain, rover, 0.0, look_ahead_m=1.0, near_strip_max_m=1.0)
    edge_m = 0.80 - rover.body.nose_m
    steep = float(np.nanmax(demand.slope))
    assert 15.0 < steep < 22.0  # a rover that climbs 25 degrees would take it for a slope
    peak = int(np.nanargmax(demand.step))
    assert demand.step[peak] == pytest.approx(STEP_M, abs=0.003)
    first = demand.station_m[np.nonzero(demand.step > 0.8 * STEP_M)[0][0]]
    assert first == pytest.approx(edge_m, abs=0.02)
    before = demand.station_m < edge_m - 0.02
    assert np.nanmax(demand.step[before]) < 0.3 * STEP_M
