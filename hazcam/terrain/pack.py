"""TerrainMap as small arrays and plain values, without loss, and the lattice that makes it so.

``on_lattice`` rounds the layers of a map to multiples of a power of two, once, before anything is
judged on it: heights to 3.8 µm, their spreads to 7.6 µm, slopes to 0.001 degrees, where one
standard deviation of a height is about a millimetre. What is judged and what is stored are then the
same numbers to the last bit, so that a stored map gives the demands of the assessment, for any
rover.
Spreads and ceilings are rounded up: rounding claims no more than was known.

``pack_terrain`` stores multiples as whole numbers. Where a layer is smooth, the mixed difference
along rows and columns; where it is not, the cells that have a value, highest and lowest against
the mean.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Pose, View
from hazcam.packing import (
    AnyIntegers,
    Arrays,
    pack_integers,
    pack_mask,
    unpack_integers,
    unpack_mask,
)
from hazcam.terrain.record import Grid, GridSpec, GroundPlane, Obstacle, TerrainMap

HEIGHT_STEP_M = 2.0**-18
"""Elevations are multiples of this: 3.8 µm. [m]"""
SPREAD_STEP_M = 2.0**-17
"""Spreads of elevations are multiples of this: 7.6 µm. [m]"""
SLOPE_STEP = 2.0**-16
"""Slopes, and their spreads, are multiples of this: 0.0009 degrees. Rise over run."""


@dataclass(frozen=True, kw_only=True)
class _Layer:
    """A layer of floats: its step, whether it is rounded up, and how it is packed."""

    name: str
    step: float = HEIGHT_STEP_M
    up: bool = False
    smooth: bool = False
    over_mean: bool = False


_LAYERS = (
    _Layer(name="mean_m", smooth=True),
    _Layer(name="highest_m", over_mean=True),
    _Layer(name="lowest_m", over_mean=True),
    _Layer(name="sigma_m", step=SPREAD_STEP_M, up=True),
    _Layer(name="ceiling_m", up=True, smooth=True),
    _Layer(name="sunk_m"),
    _Layer(name="ground_m", smooth=True),
    _Layer(name="ground_sigma_m", step=SPREAD_STEP_M, up=True, smooth=True),
    _Layer(name="roughness_m", step=SPREAD_STEP_M, up=True, smooth=True),
    _Layer(name="slope_x", step=SLOPE_STEP, smooth=True),
    _Layer(name="slope_y", step=SLOPE_STEP, smooth=True),
    _Layer(name="slope_sigma", step=SLOPE_STEP, up=True, smooth=True),
)
# Multiples below this have sums of four that half of the memory holds: all but absurd maps.
_SMALL = 2.0**29
_MASKS = ("behind", "in_view", "sensor_view", "from_previous")
_CODES = ("state", "blank")
TERRAIN_ARRAYS = (*(layer.name + part for layer in _LAYERS for part in ("", ".nan", ".inf")),
                  *_MASKS, *_CODES, "count")
"""Names of the arrays of a packed map."""


def on_lattice(terrain: TerrainMap) -> TerrainMap:
    """The same map with its layers rounded to what is stored; a second time changes nothing."""
    layers: dict[str, Any] = {layer.name: _rounded(getattr(terrain, layer.name), layer)
                              for layer in _LAYERS}
    return replace(terrain, **layers)


def _rounded(values: Grid, layer: _Layer) -> Grid:
    round_ = np.ceil if layer.up else np.rint
    # Adding 0 turns -0 into 0.
    return np.asarray(round_(values / layer.step) * layer.step + 0.0)


def pack_terrain(terrain: TerrainMap) -> tuple[Arrays, dict[str, Any]]:
    """Pack a map.

    Parameters
    ----------
    terrain : TerrainMap
        From ``on_lattice``.

    Returns
    -------
    arrays : dict of str to ndarray
        By the names of ``TERRAIN_ARRAYS``.
    plain : dict
        Grid, planes, obstacles and view as plain values.

    Raises
    ------
    ValueError
        A layer that is not on the lattice: it could not be packed without loss.
    """
    arrays: Arrays = {name: pack_mask(getattr(terrain, name)) for name in _MASKS}
    arrays |= {name: getattr(terrain, name) for name in _CODES}
    arrays["count"] = pack_integers(terrain.count.astype(np.int64).reshape(-1))
    mean = _multiples(terrain.mean_m, np.isfinite(terrain.mean_m), _LAYERS[0])
    for layer in _LAYERS:
        values: Grid = getattr(terrain, layer.name)
        nan, inf = np.isnan(values), np.isinf(values)
        known = ~(nan | inf)
        multiples = _multiples(values, known, layer)
        if layer.over_mean:
            multiples = multiples - mean
        packed = _mixed_difference(_filled(multiples, known)) if layer.smooth else multiples[known]
        arrays[layer.name] = pack_integers(packed.reshape(-1))
        arrays[f"{layer.name}.nan"], arrays[f"{layer.name}.inf"] = pack_mask(nan), pack_mask(inf)
    view = terrain.view
    return arrays, {
        "grid": asdict(terrain.spec), "planes": [asdict(p) for p in terrain.planes],
        "obstacles": [asdict(o) for o in terrain.obstacles], "row_angle": terrain.row_angle,
        "view": {"T_rover_camera": _pose_values(view.T_rover_camera),
                 "T_level_rover": _pose_values(view.T_level_rover),
                 "tilt_sigma_deg": view.tilt_sigma_deg, "tilt_bound_deg": view.tilt_bound_deg,
                 "scale_sigma": view.scale_sigma},
    }


def unpack_terrain(arrays: Mapping[str, NDArray[Any]], plain: Mapping[str, Any]) -> TerrainMap:
    """The map that ``pack_terrain`` packed, to the last bit.

    Raises
    ------
    KeyError
        An array or a plain value is missing.
    ValueError
        Arrays that do not fit each other.
    TypeError
        Plain values of another kind.
    """
    spec = GridSpec(**plain["grid"])
    layers: dict[str, Any] = {}
    for layer in _LAYERS:
        base: AnyIntegers | int = 0
        if layer.over_mean:
            base = _multiples(layers["mean_m"], np.isfinite(layers["mean_m"]), _LAYERS[0])
        layers[layer.name] = _unpacked(arrays, layer, spec.shape, base)
    view = plain["view"]
    layers |= {name: unpack_mask(arrays[name], spec.shape) for name in _MASKS}
    return TerrainMap(
        spec=spec, **layers, **{name: arrays[name] for name in _CODES},
        count=unpack_integers(arrays["count"]).reshape(spec.shape).astype(np.int32),
        planes=tuple(GroundPlane(**_tuples(p)) for p in plain["planes"]),
        obstacles=tuple(Obstacle(**_tuples(o)) for o in plain["obstacles"]),
        view=View(**{**view, "T_rover_camera": Pose(**view["T_rover_camera"]),
                     "T_level_rover": Pose(**view["T_level_rover"])}),
        row_angle=plain["row_angle"],
    )


def _multiples(values: Grid, known: NDArray[np.bool_], layer: _Layer) -> AnyIntegers:
    """Multiples of the layer's step; 0 where there is no value."""
    exact = np.where(known, values, 0.0)
    exact *= 1 / layer.step  # a power of two: no digit is lost
    small = np.abs(exact).max(initial=0.0) < _SMALL
    multiples: AnyIntegers = exact.astype(np.int32) if small else exact.astype(np.int64)
    if np.any(multiples != exact) or np.any(values == -np.inf):
        raise ValueError(f"{layer.name} is not on the lattice: pack what on_lattice gives")
    return multiples


def _unpacked(
    arrays: Mapping[str, NDArray[Any]], layer: _Layer, shape: tuple[int, int],
    base: AnyIntegers | int,
) -> Grid:
    nan, inf = (unpack_mask(arrays[f"{layer.name}.{part}"], shape) for part in ("nan", "inf"))
    known = ~nan & ~inf
    packed = unpack_integers(arrays[layer.name])
    if layer.smooth:
        multiples = np.cumsum(np.cumsum(packed.reshape(shape), axis=0), axis=1)
    else:
        multiples = np.zeros(shape, dtype=np.int64)
        multiples[known] = packed
    multiples += base
    values = multiples * layer.step
    np.copyto(values, np.nan, where=nan)
    np.copyto(values, np.inf, where=inf)
    return np.asarray(values)


def _filled(multiples: AnyIntegers, known: NDArray[np.bool_]) -> AnyIntegers:
    """The last known value before, row after row, where there is none: it costs no bytes."""
    if known.all():
        return multiples
    last = np.where(known.reshape(-1), np.arange(known.size), 0)
    return multiples.reshape(-1)[np.maximum.accumulate(last)].reshape(known.shape)


def _mixed_difference(multiples: AnyIntegers) -> AnyIntegers:
    along = multiples.copy()
    along[1:] -= multiples[:-1]
    mixed = along.copy()
    mixed[:, 1:] -= along[:, :-1]
    return mixed


def _pose_values(pose: Pose) -> dict[str, Any]:
    return {"R": pose.R.tolist(), "t": pose.t.tolist()}


def _tuples(value: Any) -> Any:
    """Lists as the tuples that they were."""
    if isinstance(value, Mapping):
        return {key: _tuples(entry) for key, entry in value.items()}
    return tuple(_tuples(entry) for entry in value) if isinstance(value, list) else value
