"""The swath of a heading: which cells of the terrain the rover would pass over."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hazcam.disparity.record import Blank
from hazcam.rover.profile import RoverProfile
from hazcam.terrain.record import CellState, GridSpec, TerrainMap
from hazcam.verdict.record import Profile


class GroundInView(Protocol):
    """What the near strip follows from: as in ``TerrainMap``, which is one."""

    @property
    def spec(self) -> GridSpec:
        """Where the cells are."""

    @property
    def sensor_view(self) -> NDArray[np.bool_]:
        """Which of them the whole sensor sees in both pictures."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Swath:
    """Cells under a heading, as samples of shape (stations, offsets).

    Attributes
    ----------
    station_m, offset_m : ndarray
        Along the heading from the nose; across it, positive to the left. [m]
    x_m, y_m : ndarray of shape (stations, offsets)
        The samples in the level frame, from the rover origin. [m]
    cell : ndarray of shape (stations, offsets), intp
        Index of the cell in the flattened grid; 0 where ``inside`` is False.
    inside : ndarray of shape (stations, offsets), bool
        Does the sample lie on the grid?
    """

    station_m: Profile
    offset_m: Profile
    x_m: Profile
    y_m: Profile
    cell: NDArray[np.intp]
    inside: NDArray[np.bool_]

    def take(self, layer: NDArray[Any], outside: float) -> NDArray[Any]:
        """Values of a terrain layer under the swath; ``outside`` beyond the grid."""
        values = np.take(layer.reshape(-1), self.cell)
        if self._reaches_out:
            values[~self.inside] = outside
        return values

    def take_line(self, layer: NDArray[Any], line: int) -> NDArray[Any]:
        """Values of a terrain layer along one line of samples; NaN beyond the grid."""
        values = np.take(layer.reshape(-1), self.cell[:, line])
        values[~self.inside[:, line]] = np.nan
        return values

    @cached_property
    def _reaches_out(self) -> bool:
        return not self.inside.all()


@dataclass(frozen=True, kw_only=True, eq=False)
class GroundUnder:
    """The layers of a ``TerrainMap`` under a swath, each of shape (stations, offsets).

    Off the grid ``state`` is ``OUTSIDE``, ``blank`` is ``EDGE``, ``ceiling_m`` is +inf, ``sunk_m``
    is 0, the other heights are NaN, and nothing is ``behind``.
    """

    state: NDArray[np.uint8]
    blank: NDArray[np.uint8]
    mean_m: Profile
    highest_m: Profile
    lowest_m: Profile
    sigma_m: Profile
    ground_m: Profile
    ground_sigma_m: Profile
    roughness_m: Profile
    ceiling_m: Profile
    sunk_m: Profile
    behind: NDArray[np.bool_]


def ground_under(terrain: TerrainMap, swath: Swath) -> GroundUnder:
    """Take what is judged of the terrain under a swath."""
    heights = {name: swath.take(getattr(terrain, name), np.nan) for name in (
        "mean_m", "highest_m", "lowest_m", "sigma_m", "ground_m", "ground_sigma_m", "roughness_m")}
    return GroundUnder(
        state=swath.take(terrain.state, CellState.OUTSIDE),
        blank=swath.take(terrain.blank, Blank.EDGE), sunk_m=swath.take(terrain.sunk_m, 0.0),
        ceiling_m=swath.take(terrain.ceiling_m, np.inf),
        behind=swath.take(terrain.behind, False), **heights)


def lay_swath(
    terrain: GroundInView, rover: RoverProfile, heading_deg: float, length_m: float
) -> Swath:
    """Sample the swath of a heading at half the cell size across and one cell along.

    So every cell of the swath is looked at: samples a cell apart would skip some.
    """
    cell = terrain.spec.cell_m
    station = np.arange(0.0, length_m + cell / 2, cell)
    half = rover.swath_m / 2
    offset = np.linspace(-half, half, 4 * round(half / cell) + 1)
    along = np.radians(heading_deg)
    reach = rover.body.nose_m + station[:, None]
    x = reach * np.cos(along) - offset * np.sin(along)
    y = reach * np.sin(along) + offset * np.cos(along)
    rows, columns = terrain.spec.cells(x, y)
    height, width = terrain.spec.shape
    inside = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    return Swath(station_m=station, offset_m=offset, x_m=x, y_m=y, inside=inside,
                 cell=np.where(inside, rows * width + columns, 0))


def near_strip_m(
    terrain: GroundInView, rover: RoverProfile, heading_deg: float, look_ahead_m: float
) -> float:
    """Length of the near strip: beyond it the full swath lies in both pictures. [m]

    From rig, mount, rover and heading alone, never from what was matched, nor from the window of
    the sensor that was sent. +inf if the swath is not in full view at the end of the look-ahead.
    """
    return strip_of(lay_swath(terrain, rover, heading_deg, look_ahead_m), terrain, look_ahead_m)


def strip_of(swath: Swath, terrain: GroundInView, look_ahead_m: float) -> float:
    """Length of the near strip of a swath up to the look-ahead, as ``near_strip_m``. [m]"""
    last = int(np.searchsorted(swath.station_m, look_ahead_m + terrain.spec.cell_m / 2))
    full = np.asarray(swath.take(terrain.sensor_view, 0)[:last].all(axis=1), dtype=bool)
    if not full[-1]:
        return float("inf")
    partly = np.nonzero(~full)[0]
    return float(swath.station_m[partly[-1] + 1]) if partly.size else 0.0
