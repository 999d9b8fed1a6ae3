"""The elevation of a terrain map as files of the trade: GeoTIFF and ESRI ASCII grid.

Local, without a coordinate reference system: easting = -y, northing = x of the level frame, from
the rover origin. [m] The first row is farthest ahead, the first column farthest to the left; a
cell is an area, and its value the mean elevation of the surface in it.

References
----------
GeoTIFF: OGC 19-008r4, "OGC GeoTIFF Standard," version 1.1, 2019. ESRI ASCII grid, and the tags that
say the value of cells without data, what a band is and in which unit: documentation of GDAL,
drivers AAIGrid and GTiff.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import tifffile
from numpy.typing import NDArray

from hazcam.terrain import TerrainMap

ASCII_NODATA = -9999
"""Stands for a cell that was not seen in the form that knows no NaN."""

_CITATION = "local, no CRS: easting = -y, northing = x of the level frame, in metres|"
# Band description and unit, which no tag of TIFF holds.
_METADATA = """<GDALMetadata>
  <Item name="DESCRIPTION" sample="0" role="description">elevation [m], level frame</Item>
  <Item name="UNITTYPE" sample="0" role="unittype">m</Item>
</GDALMetadata>
"""
_PIXEL_SCALE, _TIE_POINT, _KEYS, _TEXTS, _METADATA_TAG, _NODATA = (
    33550, 33922, 34735, 34737, 42112, 42113)
_MODEL_TYPE, _RASTER_TYPE, _CITED = 1024, 1025, 1026
_USER_DEFINED, _PIXEL_IS_AREA = 32767, 1


@dataclass(frozen=True, kw_only=True, eq=False)
class ElevationGrid:
    """Elevations as the files have them.

    Attributes
    ----------
    values_m : ndarray of shape (rows, columns), float32
        First row farthest ahead, first column farthest to the left. [m] NaN where not seen.
    cell_m : float
        Side of a cell. [m]
    west_m, south_m, north_m : float
        Outer edges of the grid: easting and northing. [m]
    """

    values_m: NDArray[np.float32]
    cell_m: float
    west_m: float
    south_m: float
    north_m: float


def elevation_grid(terrain: TerrainMap) -> ElevationGrid:
    """The mean elevation of the cells of a terrain map; float32 holds it to the last bit."""
    spec = terrain.spec
    rows, columns = spec.shape
    # Columns are counted from -side_m to the left: the last one is the western edge.
    return ElevationGrid(
        values_m=terrain.mean_m[::-1, ::-1].astype(np.float32), cell_m=spec.cell_m,
        west_m=spec.side_m - columns * spec.cell_m, south_m=0.0, north_m=rows * spec.cell_m)


def elevation_geotiff(terrain: TerrainMap) -> bytes:
    """Elevation as GeoTIFF, float32, NaN where not seen; for its place see the module."""
    grid = elevation_grid(terrain)
    # Version 1 of the directory, revision 1.1 of the keys; then id, tag, count, value or offset.
    keys = (1, 1, 1, 3,
            _MODEL_TYPE, 0, 1, _USER_DEFINED,
            _RASTER_TYPE, 0, 1, _PIXEL_IS_AREA,
            _CITED, _TEXTS, len(_CITATION), 0)
    stream = io.BytesIO()
    tifffile.imwrite(
        stream, grid.values_m, photometric="minisblack", compression="zlib", software=False,
        metadata=None, extratags=[
            (_PIXEL_SCALE, "d", 3, (grid.cell_m, grid.cell_m, 0.0), True),
            (_TIE_POINT, "d", 6, (0.0, 0.0, 0.0, grid.west_m, grid.north_m, 0.0), True),
            (_KEYS, "H", len(keys), keys, True),
            (_TEXTS, "s", 0, _CITATION, True),
            (_METADATA_TAG, "s", 0, _METADATA, True),
            (_NODATA, "s", 0, "nan", True),
        ])
    return stream.getvalue()


def elevation_ascii(terrain: TerrainMap) -> bytes:
    """Elevation as ESRI ASCII grid, to the micrometre; for its place see the module."""
    grid = elevation_grid(terrain)
    rows, columns = grid.values_m.shape
    head = (f"ncols {columns}\nnrows {rows}\nxllcorner {grid.west_m:.12g}\n"
            f"yllcorner {grid.south_m:.12g}\ncellsize {grid.cell_m:.12g}\n"
            f"NODATA_value {ASCII_NODATA}\n")
    lines = (" ".join(str(ASCII_NODATA) if np.isnan(value) else f"{value:.6f}" for value in row)
             for row in grid.values_m)
    return (head + "\n".join(lines) + "\n").encode("ascii")
