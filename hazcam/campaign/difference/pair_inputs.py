"""What two runs were told of a pair beside its pictures, and what of it is not the same.

Attitude, rig and rover are in tables and are compared of every pair. The rest, and the sigmas of
the attitude, stand in the records alone: those are read of the pairs whose headings changed.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from hazcam.campaign.difference.inputs import Rows, Tables

ATTITUDE, WINDOW, BINNING = "the attitude as stated", "the window", "the binning"
RIG, ROVER, PREVIOUS = "the rig", "the rover", "the previous pair"
NAMES = (ATTITUDE, WINDOW, BINNING, RIG, ROVER, PREVIOUS)
_OF_RECORDS = (WINDOW, BINNING, PREVIOUS)


@dataclass(frozen=True, kw_only=True)
class PairInputs:
    """An input that two runs were told otherwise of some pairs.

    Attributes
    ----------
    name : str
        One of ``NAMES``.
    pairs : int
        Of how many pairs it differs.
    of : int
        Of how many it was compared.
    among : str
        Of all pairs ``compared``, or only of those ``changed`` in a heading.
    """

    name: str
    pairs: int
    of: int
    among: Literal["compared", "changed"]


def differing_inputs(
    a: Tables, b: Tables, compared: Sequence[str], changed: Iterable[str]
) -> dict[str, tuple[str, ...]]:
    """What differs of each pair, in the order of ``NAMES``; without a difference, it is left out.

    Parameters
    ----------
    a, b : Run
        The two runs.
    compared : sequence of str
        Pairs that both assessed.
    changed : iterable of str
        Those of them whose records are compared, too.
    """
    found: dict[str, set[str]] = {}
    for pair, name in (*_of_tables(a, b, compared), *_of_records(a, b, changed)):
        found.setdefault(pair, set()).add(name)
    return {pair: tuple(name for name in NAMES if name in names) for pair, names in found.items()}


def counted_inputs(
    differing: Mapping[str, Sequence[str]], compared: int, changed: int
) -> tuple[PairInputs, ...]:
    """How many pairs each of them differs of, in the order of ``NAMES``."""
    counts = {name: sum(name in names for names in differing.values()) for name in NAMES}
    return tuple(
        PairInputs(name=name, pairs=count, of=changed, among="changed") if name in _OF_RECORDS else
        PairInputs(name=name, pairs=count, of=compared, among="compared")
        for name, count in counts.items() if count)


def _of_tables(a: Tables, b: Tables, compared: Sequence[str]) -> Iterator[tuple[str, str]]:
    then, now = (_Told.of(run) for run in (a, b))
    for pair in compared:
        for name in (ATTITUDE, RIG, ROVER):
            if then.values[name][pair] != now.values[name][pair]:
                yield pair, name


@dataclass(frozen=True, kw_only=True)
class _Told:
    """What tables say, by name of the input and id of the pair."""

    values: Mapping[str, Mapping[str, Any]]

    @classmethod
    def of(cls, run: Tables) -> _Told:
        pairs = run.table("pairs", columns=("pair", "roll_deg", "pitch_deg"))
        assessments = run.table("assessments", columns=("pair", "rig", "rover"))
        rovers = run.table("rovers", columns=("digest", "json"))
        bodies = {digest: json.loads(text)["rover"] for digest, text in
                  zip(*_columns(rovers, "digest", "json"), strict=True)}
        ids = assessments["pair"].tolist()
        return cls(values={
            ATTITUDE: dict(zip(pairs["pair"].tolist(), _stated(pairs), strict=True)),
            RIG: dict(zip(ids, assessments["rig"].tolist(), strict=True)),
            # Another limit is told as that.
            ROVER: dict(zip(ids, map(bodies.get, assessments["rover"].tolist()), strict=True))})


def _columns(table: Rows, *names: str) -> list[list[Any]]:
    return [table[name].tolist() for name in names]


def _stated(pairs: Rows) -> list[tuple[float | None, ...]]:
    """Roll and pitch; None, which equals itself, where there is none."""
    return [tuple(None if np.isnan(v) else v for v in angles)
            for angles in zip(*_columns(pairs, "roll_deg", "pitch_deg"), strict=True)]


def _of_records(a: Tables, b: Tables, changed: Iterable[str]) -> Iterator[tuple[str, str]]:
    for pair in changed:
        then, now = (_recorded(run.record(pair)) for run in (a, b))
        yield from ((pair, name) for name in then if then[name] != now[name])


def _recorded(record: Mapping[str, Any]) -> dict[str, Any]:
    told = record["pair"]
    return {ATTITUDE: told["attitude"], WINDOW: told["window"], BINNING: told["binning"],
            PREVIOUS: record["digests"].get("previous")}
