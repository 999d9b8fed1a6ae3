"""The demands of the headings of a pair as small arrays, without loss.

All numbers keep all of their bits: a stored demand lies on the same side of any limit. What makes
the arrays small is that nothing is kept where nothing is known, and the order of the bytes
(``hazcam.packing``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Floats
from hazcam.packing import (
    Arrays,
    pack_floats,
    pack_integers,
    pack_mask,
    unpack_floats,
    unpack_integers,
    unpack_mask,
)
from hazcam.verdict.record import MEASURED, HeadingDemand, TurnDemand, UnseenRuns

_PROFILES = ("station_m", *MEASURED, "pitch", "lean", "hidden_m", "seen_share")
_CODES = ("unseen_state", "unseen_blank")
_SCALARS = ("heading_deg", "tilt_sigma_deg", "scale_sigma", "tilt_bound_deg", "strip_m",
            "assumed_m", "turn_radius_m", "look_ahead_m", "seen_m2", "seen_before_m")
_RUNS = ("at_m", "length_m", "sigma_m", "explained_m", "unexplained_m", "blank_m", "sunk_m", "fall",
         "ground_sd_m")
_TURN = tuple(field.name for field in fields(TurnDemand))
DEMAND_ARRAYS = ("counts", "scalars", "line_m", "turn", "has_turn", "turn_assumed", "profiles",
                 "profiles.nan", "outside", *_CODES, "runs", "runs.group", "hollows_m")
"""Names of the arrays of packed demands."""


def pack_demands(demands: Sequence[HeadingDemand]) -> Arrays:
    """Pack the demands of one pair, by the names of ``DEMAND_ARRAYS``.

    Parameters
    ----------
    demands : sequence of HeadingDemand
        At least one.
    """
    profiles = np.concatenate([_table(d) for d in demands], axis=1)
    known = ~np.isnan(profiles)
    runs = np.concatenate([[getattr(d.runs, name) for name in _RUNS] for d in demands], axis=1)
    turns = [[np.nan] * len(_TURN) if d.turn is None else [getattr(d.turn, n) for n in _TURN]
             for d in demands]
    return {
        "counts": np.array([[len(d.station_m), len(d.runs.group), len(d.hollows_m)]
                            for d in demands], dtype=np.int32),
        "scalars": np.array([[getattr(d, name) for name in _SCALARS] for d in demands],
                            dtype=np.float64),
        "line_m": np.array([d.runs.line_m for d in demands], dtype=np.float64),
        "turn": np.array(turns, dtype=np.float64),
        "has_turn": np.array([d.turn is not None for d in demands]),
        "turn_assumed": np.array([d.turn_assumed for d in demands]),
        "profiles": pack_floats(profiles[known]), "profiles.nan": pack_mask(~known),
        "outside": pack_mask(np.concatenate([d.outside for d in demands])),
        **{name: np.concatenate([getattr(d, name) for d in demands]) for name in _CODES},
        "runs": pack_floats(runs.reshape(-1)),
        "runs.group": pack_integers(np.concatenate([d.runs.group for d in demands])),
        "hollows_m": np.concatenate([np.array(d.hollows_m, dtype=np.float64) for d in demands]),
    }


def unpack_demands(arrays: Mapping[str, NDArray[Any]]) -> tuple[HeadingDemand, ...]:
    """The demands that ``pack_demands`` packed, to the last bit.

    Raises
    ------
    KeyError
        An array is missing.
    ValueError
        Arrays that do not fit each other.
    """
    counts = arrays["counts"]
    if counts.ndim != 2 or counts.shape[1] != 3 or not len(counts) or counts.min() < 0:
        raise ValueError(f"counts of stations, runs and hollows for each heading expected, found "
                         f"an array {counts.shape}")
    stations, runs, hollows = (int(n) for n in counts.sum(axis=0))
    _check_lengths(arrays, len(counts), stations, hollows)
    nan = unpack_mask(arrays["profiles.nan"], (len(_PROFILES) + len(MEASURED), stations))
    profiles = np.full(nan.shape, np.nan)
    profiles[~nan] = unpack_floats(arrays["profiles"])
    layers = {
        "profiles": profiles, "outside": unpack_mask(arrays["outside"], (stations,)),
        **{name: arrays[name] for name in _CODES},
        "runs": unpack_floats(arrays["runs"]).reshape(len(_RUNS), runs),
        "group": unpack_integers(arrays["runs.group"]), "hollows": arrays["hollows_m"],
    }
    if layers["group"].shape != (runs,):
        raise ValueError(f"runs.group is {layers['group'].shape}, not {(runs,)}")
    return tuple(_demand(arrays, layers, i, where) for i, where in enumerate(_places(counts)))


def _check_lengths(
    arrays: Mapping[str, NDArray[Any]], headings: int, stations: int, hollows: int
) -> None:
    """Refuse plain arrays that are not as long as the counts say: a shorter one would slip by."""
    expected = {
        "scalars": (headings, len(_SCALARS)), "line_m": (headings,), "hollows_m": (hollows,),
        "turn": (headings, len(_TURN)), "has_turn": (headings,), "turn_assumed": (headings,),
        **dict.fromkeys(_CODES, (stations,)),
    }
    for name, shape in expected.items():
        if arrays[name].shape != shape:
            raise ValueError(f"{name} is {arrays[name].shape}, not {shape}")


def _table(demand: HeadingDemand) -> Floats:
    """The profiles, then the sigma of each that has one, shape (profiles, stations)."""
    return np.array([*(getattr(demand, name) for name in _PROFILES),
                     *(demand.sigma[name] for name in MEASURED)], dtype=np.float64)


def _places(counts: NDArray[Any]) -> Iterator[tuple[slice, slice, slice]]:
    """Where each heading's stations, runs and hollows are in the joined arrays."""
    ends = np.cumsum(counts, axis=0)
    for first, last in zip(ends - counts, ends, strict=True):
        a, b, c = (slice(int(i), int(j)) for i, j in zip(first, last, strict=True))
        yield a, b, c


def _demand(
    arrays: Mapping[str, NDArray[Any]], layers: Mapping[str, NDArray[Any]], i: int,
    where: tuple[slice, slice, slice],
) -> HeadingDemand:
    stations, runs, hollows = where
    table = layers["profiles"][:, stations]
    codes: dict[str, Any] = {name: layers[name][stations] for name in _CODES}
    turn = None
    if arrays["has_turn"][i]:
        turn = TurnDemand(**dict(zip(_TURN, arrays["turn"][i].tolist(), strict=True)))
    return HeadingDemand(
        **dict(zip(_SCALARS, arrays["scalars"][i].tolist(), strict=True)),
        **dict(zip(_PROFILES, table, strict=False)),
        sigma=dict(zip(MEASURED, table[len(_PROFILES):], strict=True)),
        outside=layers["outside"][stations], **codes,
        runs=UnseenRuns(**dict(zip(_RUNS, layers["runs"][:, runs], strict=True)),
                        group=layers["group"][runs], line_m=float(arrays["line_m"][i])),
        turn=turn, turn_assumed=bool(arrays["turn_assumed"][i]),
        hollows_m=tuple(layers["hollows"][hollows].tolist()),
    )
