"""What the unseen ground of a swath could demand: holes under the foot tracks, hidden things.

A hole that a foot cannot enter, shorter than the foot or narrower, does no harm. Runs with less
seen ground between them than leg spacing + foot length belong to one group and count as one: two
legs of a side could hang at once.

A run is longer than its cells: a cell that one sample touches counts as seen, which takes half a
cell from each end on average, and the matching window carries the near lip one and a half picture
rows into the hole. Both are added; half a cell and half a row stay uncertain (measured on
synthetic ditches of 5 to 13 cm at 0.6 to 1.05 m).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats
from hazcam.rover.profile import RoverProfile
from hazcam.terrain.record import CellState, TerrainMap
from hazcam.verdict import kernels
from hazcam.verdict.record import Profile, UnseenRuns
from hazcam.verdict.swath import GroundUnder, Swath

Mask = NDArray[np.bool_]


def unseen_runs(
    terrain: TerrainMap, rover: RoverProfile, swath: Swath, under: GroundUnder, holes: Mask,
    until_m: float,
) -> UnseenRuns:
    """Runs of unseen ground under both foot tracks that begin up to some station."""
    legs, cell = rover.legs, terrain.spec.cell_m
    across = float(swath.offset_m[1] - swath.offset_m[0])
    row = row_spacing_m(terrain, rover, swath)
    # What is added to each hole is taken from the ground between two.
    apart_m = legs.hip_spacing_m + legs.foot_length_m + cell + 1.5 * float(row.max())
    # The rim that is added to a slit was seen: it says nothing about what is in it.
    unexplained = holes & ~under.behind
    blank = unexplained & (under.state != CellState.HIDDEN)
    found, deepest, ground_sd, groups = [], [], [], 0
    for side in (-1, 1):
        track = np.nonzero(np.abs(swath.offset_m - side * legs.track_m / 2) <= (
            legs.foot_width_m / 2 + rover.margin_m + 1e-9))[0]
        sunk = np.ascontiguousarray(under.sunk_m[:, track])
        entered = enterable(
            np.ascontiguousarray(holes[:, track]), max(round(legs.foot_length_m / cell), 1),
            max(round(legs.foot_width_m / across), 1), round(cell / across))
        bare, empty = (np.ascontiguousarray(entered & layer[:, track])
                       for layer in (unexplained, blank))
        runs, deep, more = kernels.runs_of(entered, bare, empty, sunk,
                                           int(np.ceil(apart_m / cell)))
        found.append(runs + np.array([0, 0, 0, 0, 0, groups]))
        deepest.append(deep)
        at = runs[:, 1], track[runs[:, 0]]
        ground_sd.append(np.hypot(under.roughness_m[at], under.ground_sigma_m[at]))
        groups += more
    _, first, cells, bare, empty, group = np.concatenate(found).T
    fall = terrain.camera_height_m / np.maximum(
        rover.body.nose_m + swath.station_m - terrain.camera_x_m, cell)
    # The lip of a hole is carried into it: one that begins before the end may show beyond it. A
    # group that begins before the end is followed.
    lip_m = swath.station_m - 1.5 * row
    begins = np.isin(group, group[lip_m[first] <= until_m])
    first, cells, bare, empty, group = (
        column[begins] for column in (first, cells, bare, empty, group))
    last = first + cells - 1
    return UnseenRuns(
        at_m=swath.station_m[first], length_m=cells * cell + cell + 1.5 * row[last],
        sigma_m=np.hypot(cell / 2, row[last] / 2), blank_m=empty * cell,
        unexplained_m=bare * cell, explained_m=(cells - bare) * cell,
        sunk_m=np.concatenate(deepest)[begins], fall=fall[first],
        ground_sd_m=np.concatenate(ground_sd)[begins], group=group, line_m=across,
    )


def enterable(unseen: Mask, length: int, width: int, rim: int) -> Mask:
    """Unseen cells that a foot could enter.

    ``length`` and ``width`` of the foot, and the ``rim``, in samples along and across. A slit is
    wider than its cells by one, the rim, on each side: those that its edges touch count as seen.
    """
    along = kernels.opened(unseen, length, 1)
    wider = along.copy()
    for shift in range(1, rim + 1):
        wider[:, shift:] |= along[:, :-shift]
        wider[:, :-shift] |= along[:, shift:]
    return np.asarray(kernels.opened(wider, length, width))


def row_spacing_m(terrain: TerrainMap, rover: RoverProfile, swath: Swath) -> Profile:
    """Distance of two picture rows on flat ground at each station. [m]"""
    distance = rover.body.nose_m + swath.station_m - terrain.camera_x_m
    return np.maximum(distance, terrain.camera_height_m) ** 2 * terrain.row_angle \
        / terrain.camera_height_m


def could_hide(under: GroundUnder, unseen: Mask) -> Profile:
    """Tallest thing that could hide in the unseen cells, above the local ground. [m]"""
    room: Floats = np.maximum(under.ceiling_m - under.ground_m, 0.0)
    room[np.isnan(room)] = np.inf  # ground that is not known bounds nothing
    return np.asarray(np.where(unseen, room, 0.0).max(axis=1))
