"""How the limit moves where the rig is not quite what its calibration says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from hazcam.campaign.store.reader import Run
from hazcam.errors import HazcamError
from hazcam.frames import Floats
from hazcam.tuning.changed_rig import DemandsUnder, LeftOut, demands_under
from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.rig_changes import RigChange, changes_of_run
from hazcam.tuning.shift import Shift, shift_of
from hazcam.verdict.gist import join_gists
from hazcam.verdict.sweep import Places, least_limit

_BAND = 0.5  # of the limit, either way: headings that it could decide


@dataclass(frozen=True, kw_only=True)
class RigMove:
    """What a change of the rig does to the limit that says the same of the same ground.

    Attributes
    ----------
    name, source : str
        The change, one way, and where its size comes from.
    shift : Shift
        Of the least limits between the change one way and the other; half of it is the change's.
    value : float or None
        The recommended limit moved by half of the shift; None where it is not known. [m or deg]
    """

    name: str
    source: str
    shift: Shift
    value: float | None


@dataclass(frozen=True, kw_only=True)
class RigStudy:
    """All changes that were tried, the pairs they were tried on, and what could not be.

    Attributes
    ----------
    moves : tuple of RigMove
        One a change.
    pairs : int
        That were assessed again.
    left_out : tuple of LeftOut
        Pairs that could not be.
    not_known : tuple of str
        Changes whose size is not known, and why.
    """

    moves: tuple[RigMove, ...]
    pairs: int
    left_out: tuple[LeftOut, ...]
    not_known: tuple[str, ...]


def nearest_pairs(headings: RunHeadings, value: float) -> tuple[str, ...]:
    """Pairs that the limit decides, those with a heading nearest to a value of it first."""
    sweep, counted = headings.sweep, headings.counted
    off: dict[str, float] = {}
    for i in np.nonzero(counted)[0]:
        id_ = sweep.ids[sweep.pair[i]]
        off[id_] = min(off.get(id_, np.inf), abs(float(sweep.values[sweep.least[i]]) - value))
    return tuple(sorted(off, key=lambda id_: (off[id_], id_)))


def study_rig(
    run: Run, folder: Path, headings: RunHeadings, value: float, *, most: int
) -> RigStudy:
    """Assess the pairs nearest the limit again, with every change of the rig.

    Parameters
    ----------
    run : Run
    folder : Path
        That the files of its pairs are named from: of the manifest.
    headings : RunHeadings
        Of the run.
    value : float
        The recommended limit. [m or deg]
    most : int
        Pairs at the most; each takes some seconds.

    Raises
    ------
    HazcamError
        None of the pairs could be assessed again.
    """
    known = changes_of_run(run)
    found: dict[RigChange, dict[str, Places]] = {}
    left_out: list[LeftOut] = []
    pairs = set()
    name, values = headings.sweep.name, headings.sweep.values
    for one in demands_under(run, folder, nearest_pairs(headings, value), known.changes, most=most):
        if isinstance(one, LeftOut):
            left_out.append(one)
            continue
        pairs.add(one.id)
        if one.change is not None:
            found.setdefault(one.change, {})[one.id] = _least(run, one, name, values)
    if left_out and not pairs:
        raise HazcamError(
            str(folder), f"none of {len(left_out)} pairs could be assessed again; "
            f"{left_out[0].id}: {left_out[0].reason}", "the folder of the run's manifest, with the "
            "pictures as they were", "give the folder that the run was begun from, or leave out "
            "--pictures")
    return RigStudy(moves=tuple(_moves(found, known.changes, values, value)), pairs=len(pairs),
                    left_out=tuple(left_out), not_known=known.not_known)


def _least(run: Run, one: DemandsUnder, name: str, values: Floats) -> Places:
    """Of its headings; -1 where only the full demands could say."""
    store = run.demands(one.id)
    return least_limit(join_gists([one.gist]), store.rover.limits, name, values,
                       store.settings.confidence)


def _moves(
    found: Mapping[RigChange, Mapping[str, Places]], changes: Sequence[RigChange],
    values: Floats, value: float,
) -> Iterator[RigMove]:
    for up in changes:
        down = replace(up, amount=-up.amount)
        if up.amount <= 0 or up not in found or down not in found:
            continue
        both = [id_ for id_ in found[up] if id_ in found[down]]
        before, after = (
            np.concatenate([np.zeros(0, dtype=np.int32), *(found[change][id_] for id_ in both)])
            for change in (down, up))
        told = (before >= 0) & (after >= 0)
        shift = shift_of(before[told], after[told], values, limit=value, band=_BAND * value)
        moved = None if np.isnan(shift.median) else value + shift.median / 2
        yield RigMove(name=up.name, source=up.source, shift=shift, value=moved)
