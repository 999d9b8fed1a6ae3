"""A limit swept over all stored demands of a run: what every value of it would have told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hazcam.campaign.judging import each_lot, in_order, keys_of, left_open
from hazcam.campaign.store.reader import Run
from hazcam.errors import HazcamError
from hazcam.frames import Floats
from hazcam.rover import with_limits
from hazcam.rover.profile import Limit, Limits
from hazcam.settings import Settings
from hazcam.stored import StoredDemands
from hazcam.tuning.rovers import rovers_of
from hazcam.verdict import HeadingDemand, decide
from hazcam.verdict.gist import ASK, GO, ODD, UNDECIDED, Gists, judge_gists
from hazcam.verdict.sweep import (
    Places,
    ascending,
    chance_beyond,
    chance_beyond_of,
    least_limit,
    least_limit_by,
    least_limit_of,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class RunSweep:
    """What all headings of a rover in a run say to each value of a limit.

    Attributes
    ----------
    rover : str
        Name of the rover.
    name : str
        Of the limit.
    values : ndarray of shape (v,)
        Of it, ascending. [m or deg]
    beyond : ndarray of shape (k,)
        Values of the demand that ``chance`` is of, ascending. [m or deg]
    other : str or None
        Name of the second limit, where one is swept.
    others : ndarray of shape (m,)
        Its values, ascending; empty without one. [m or deg]
    ids : tuple of str
        Of its pairs with demands, in order.
    pair : ndarray of shape (n,), int32
        Of each heading, the place of its pair in ``ids``.
    heading_deg : ndarray of shape (n,)
        Level frame, positive to the left. [deg]
    least : ndarray of shape (n,), or (n, m) with a second limit; int32
        Place of the first value with which the heading goes, the other limits being today's; v: it
        goes with none.
    today : ndarray of shape (n,), bool
        Does it go with the limits as assessed.
    chance : ndarray of shape (n, k), float32
        Probability that what is held against the limit exceeds each value, as ``chance_beyond``
        has it. NaN of headings that ask whatever the limits.
    without_ground : int
        Its pairs that were assessed without stereo, and ask whatever the limits.
    """

    rover: str
    name: str
    values: Floats
    beyond: Floats
    other: str | None
    others: Floats
    ids: tuple[str, ...]
    pair: NDArray[np.int32]
    heading_deg: Floats
    least: Places
    today: NDArray[np.bool_]
    chance: NDArray[np.float32]
    without_ground: int

    def __post_init__(self) -> None:
        n = len(self.pair)
        shapes = {"heading_deg": (n,), "today": (n,), "chance": (n, len(self.beyond)),
                  "least": (n,) if self.other is None else (n, len(self.others))}
        for name, shape in shapes.items():
            found = getattr(self, name).shape
            if found != shape:
                raise ValueError(f"{name} of a RunSweep has the shape {found}, not {shape}")
        for name in ("values", "beyond", "others", "pair", *shapes):
            getattr(self, name).setflags(write=False)

    @property
    def decided(self) -> NDArray[np.bool_]:
        """Does the limit decide a heading at all: it goes at the greatest value, shape (n,).

        With a second limit: at the greatest of both.
        """
        last = self.least if self.other is None else self.least[:, -1]
        return np.asarray(last < len(self.values))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Swept:
    """What is tried of every heading."""

    rover: str
    name: str
    values: Floats
    beyond: Floats
    confidence: float | None
    other: tuple[str, Floats] | None

    def asked(self, store: StoredDemands) -> _Asked:
        """Of the pairs of a rover and settings, checked."""
        for place in (0, -1):
            with_limits(store.rover, {name: float(values[place]) for name, values in (
                (self.name, self.values), *([self.other] if self.other else []))})
        settings: Settings = store.settings
        if self.confidence is not None:
            settings = replace(settings, confidence=self.confidence)
        return _Asked(limits=store.rover.limits, before=store.settings.confidence,
                      confidence=settings.confidence)


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """What the pairs of one rover and settings are held against; ``before``: as assessed."""

    limits: Limits
    before: float
    confidence: float


@dataclass(frozen=True, kw_only=True, eq=False)
class _Lot:
    """Some pairs, and what came of their headings; ``least`` (n, m), of one limit (n, 1)."""

    ids: tuple[str, ...]
    asked: _Asked
    count: NDArray[np.int64]
    kind: NDArray[np.uint8]
    heading_deg: Floats
    least: Places
    today: NDArray[np.int8]
    chance: NDArray[np.float32]


def sweep_run(
    run: Run, rover: str, name: str, values: ArrayLike, *, beyond: ArrayLike,
    confidence: float | None = None, other: tuple[str, ArrayLike] | None = None,
) -> RunSweep:
    """Hold the stored demands of all pairs of a rover against every value of a limit.

    All else is as it was assessed: the other limits, and the settings of each pair.

    Parameters
    ----------
    run : Run
        From ``open_run``.
    rover : str
        Name of the rover; what others could have or not does not matter.
    name : str
        Of the limit.
    values : array_like of shape (v,)
        Of it, ascending. [m or deg]
    beyond : array_like of shape (k,)
        Values that the demand may exceed, ascending. [m or deg]
    confidence : float, optional
        With which a demand must lie under its limit; by default that of each pair. ``today`` is
        always of the latter.
    other : tuple of str and array_like, optional
        A second limit and its values, ascending: the first one is swept at each. [m or deg]

    Raises
    ------
    RoverError
        A limit that the rover could not have, or that is not known.
    HazcamError
        A run without any demands of the rover; a gist that is damaged.
    ValueError
        Values that do not ascend, twice the same limit, a confidence that is not between 0.5 and 1.
    """
    swept = _Swept(rover=rover, name=name, values=ascending(name, values),
                   beyond=ascending(name, beyond), confidence=confidence,
                   other=None if other is None else (other[0], ascending(*other)))
    names = rovers_of(run)
    keys = {id_: key for id_, key in keys_of(run).items() if names.get(id_) == rover}
    lots = [_settled(run, swept, lot)
            for lot in each_lot(run, keys, swept.asked, lambda *given: _sweep(swept, *given))]
    if not lots:
        raise HazcamError(
            str(run.file), f"no demands of headings of {rover} (its pairs assessed: {len(keys)})",
            "a run with pairs of it that were assessed in stereo",
            "sweep another run, or see `hazcam batch` for why pairs are without stereo")
    return _joined(swept, lots, len(keys))


def _sweep(swept: _Swept, ids: tuple[str, ...], gists: Gists, asked: _Asked) -> _Lot:
    limits, name, values = asked.limits, swept.name, swept.values
    if swept.other is None:
        least = least_limit(gists, limits, name, values, asked.confidence)[:, None]
    else:
        least = least_limit_by(gists, limits, (name, values), swept.other, asked.confidence)
    return _Lot(ids=ids, asked=asked, count=gists.count, kind=gists.kind,
                heading_deg=gists.heading_deg, least=least,
                today=judge_gists(gists, limits, asked.before),
                chance=chance_beyond(gists, name, swept.beyond).astype(np.float32))


def _settled(run: Run, swept: _Swept, lot: _Lot) -> _Lot:
    """The lot with what the gists leave open decided by the full demands."""
    open_ = (lot.today == UNDECIDED) | (lot.kind == ODD) | np.any(lot.least == UNDECIDED, axis=1)
    for i, store, demand in left_open(run, lot.ids, lot.count, open_):
        if lot.today[i] == UNDECIDED:
            verdict = decide(demand, lot.asked.limits, lot.asked.before,
                             pair_causes=store.pair_causes)
            lot.today[i] = GO if verdict.verdict == "go" else ASK
        if lot.kind[i] == ODD:
            lot.chance[i] = chance_beyond_of(demand, swept.name, swept.beyond)
        for case in np.nonzero(lot.least[i] == UNDECIDED)[0]:
            lot.least[i, case] = _least_of(swept, lot.asked, int(case), store, demand)
    return lot


def _least_of(
    swept: _Swept, asked: _Asked, case: int, store: StoredDemands, demand: HeadingDemand
) -> int:
    limits = asked.limits
    if swept.other is not None:
        name, values = swept.other
        limits = replace(limits, **{name: Limit(value=float(values[case]), source="tried")})
    return least_limit_of(demand, limits, swept.name, swept.values, asked.confidence,
                          pair_causes=store.pair_causes)


def _joined(swept: _Swept, lots: Sequence[_Lot], assessed: int) -> RunSweep:
    """All headings, by the pair's id."""
    ids = [id_ for lot in lots for id_ in lot.ids]
    count = np.concatenate([lot.count for lot in lots])
    order = in_order(ids, count)
    place = np.argsort(np.argsort(ids)).astype(np.int32)
    least = np.concatenate([lot.least for lot in lots])[order]
    name, others = swept.other or (None, np.zeros(0))
    return RunSweep(
        rover=swept.rover, name=swept.name, values=swept.values, beyond=swept.beyond, other=name,
        others=others, ids=tuple(sorted(ids)), pair=np.repeat(place, count)[order],
        heading_deg=np.concatenate([lot.heading_deg for lot in lots])[order],
        least=least[:, 0] if name is None else least,
        today=np.concatenate([lot.today for lot in lots])[order] == GO,
        chance=np.concatenate([lot.chance for lot in lots])[order],
        without_ground=assessed - len(ids))


__all__ = ["RunSweep", "sweep_run"]
