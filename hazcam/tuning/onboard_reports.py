"""What the rover's own algorithm reported in a run, each value with what was measured ahead.

*Silent* pairs are those of such a run without a value. An algorithm that sees nothing may report
nothing, so that its worst mistake would vanish with the value: they are kept, with the demand that
was measured. Only where the verdict on board is ``ask-ground`` it did stop, for whatever it was.
Pairs on which it did not run at all cannot be told from those on which it saw nothing, and do not
belong into such a run. An algorithm that reports from some value on only looks as if it missed what
is lower: an error on the safe side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from hazcam.campaign.store.reader import Run
from hazcam.frames import Floats, read_only
from hazcam.rover.profile import LIMIT_UNITS, LimitName
from hazcam.tuning.measured import greatest_demand
from hazcam.tuning.rovers import rovers_of
from hazcam.verdict.record import MEASURED

STRAIGHT_DEG = 5.0
"""A heading no farther from 0 is straight ahead: 9 cm aside at 1 m, within the swath."""

_STOPPED = "ask-ground"  # the word of the verdict on board; any other one is none of a stop


class SilentPair(NamedTuple):
    """A pair without a value, with the demand that was measured straight ahead.

    Attributes
    ----------
    pair, rover : str
        Id; name of the rover assessed for.
    demand, sigma : float
        As of ``OnboardReports``. [m]
    stopped : bool
        Whether the verdict on board says ``ask-ground``.
    """

    pair: str
    rover: str
    demand: float
    sigma: float
    stopped: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class OnboardReports:
    """Values that the algorithm on board reported, each with the demand measured straight ahead.

    Attributes
    ----------
    kind : str
        Of the demand, as the limit it is held against.
    pairs, sites, rovers : tuple of str
        Id; site as stated, empty where it is not; name of the rover assessed for.
    reported : ndarray of shape (n,)
        Values. [m]
    demand, sigma : ndarray of shape (n,)
        Greatest measured demand within the look-ahead, and one standard deviation of it. [m]
    left_out : tuple of (str, str)
        Pairs with a value that have no such demand, and why.
    silent : tuple of SilentPair
        Pairs without a value that have such a demand; none where no pair has a value.
    reason : str
        Why no pair could be taken; empty where some were.
    """

    kind: LimitName
    pairs: tuple[str, ...]
    sites: tuple[str, ...]
    rovers: tuple[str, ...]
    reported: Floats
    demand: Floats
    sigma: Floats
    left_out: tuple[tuple[str, str], ...] = ()
    silent: tuple[SilentPair, ...] = ()
    reason: str = ""

    def __post_init__(self) -> None:
        for name in ("reported", "demand", "sigma"):
            value = read_only(getattr(self, name), np.float64)
            if value.shape != (len(self.pairs),) or not np.isfinite(value).all():
                raise ValueError(f"{name} of OnboardReports needs a finite number for each of "
                                 f"{len(self.pairs)} pairs")
            object.__setattr__(self, name, value)
        if not len(self.pairs) == len(self.sites) == len(self.rovers):
            raise ValueError("OnboardReports need a site and a rover for each pair")
        if np.any(self.sigma < 0):
            raise ValueError("sigma of OnboardReports is 0 or more")

    def of_rover(self, name: str) -> OnboardReports:
        """Those of one rover; pairs left out stay listed."""
        at = [i for i, rover in enumerate(self.rovers) if rover == name]
        return replace(
            self, pairs=tuple(self.pairs[i] for i in at), sites=tuple(self.sites[i] for i in at),
            rovers=(name,) * len(at), reported=self.reported[at], demand=self.demand[at],
            sigma=self.sigma[at], silent=tuple(one for one in self.silent if one.rover == name),
            reason=self.reason if at or self.reason else f"no value reported by {name}")


class _Report(NamedTuple):
    """One pair with both numbers."""

    pair: str
    site: str
    rover: str
    reported: float
    demand: float
    sigma: float


def onboard_reports(run: Run, kind: LimitName) -> OnboardReports:
    """The values that the algorithm on board reported in a run, against one kind of demand.

    Parameters
    ----------
    run : Run
        From ``open_run``.
    kind : str
        Of the demand. The value is a length: of kinds in degrees there are none, nor of ``gap``,
        which is not measured but bounded.

    Raises
    ------
    HazcamError
        Stored demands that are damaged.
    """
    pairs = run.table("pairs", columns=["pair", "site", "onboard_verdict", "onboard_value_m"])
    said = np.isfinite(pairs["onboard_value_m"])
    reason = _no_length(kind)
    if reason or not said.any():
        return _reports(kind, [], reason=reason or "no pair has a value that the rover's own "
                        "algorithm reported (onboard: value_m, onboard_value_m)")
    rovers, against = rovers_of(run), _against(run)
    found: list[_Report] = []
    left_out, silent = [], []
    for row, has_value in zip(pairs, said, strict=True):
        id_ = str(row["pair"])
        taken = against.get(id_, "was not assessed") or _measured(run, id_, kind)
        if not isinstance(taken, str) and has_value:
            found.append(_Report(id_, str(row["site"]), rovers[id_],
                                 float(row["onboard_value_m"]), *taken))
        elif not isinstance(taken, str):
            stopped = str(row["onboard_verdict"]).strip().casefold() == _STOPPED
            silent.append(SilentPair(id_, rovers[id_], *taken, stopped))
        elif has_value:
            left_out.append((id_, taken))
    reason = "" if found else f"no pair with a reported value has a {kind} measured straight ahead"
    return _reports(kind, found, left_out, silent, reason)


def _reports(
    kind: LimitName, found: Sequence[_Report], left_out: Sequence[tuple[str, str]] = (),
    silent: Sequence[SilentPair] = (), reason: str = "",
) -> OnboardReports:
    pairs, sites, rovers, *numbers = zip(*found, strict=True) if found else ((),) * 6
    reported, demand, sigma = (np.array(column, dtype=np.float64) for column in numbers)
    return OnboardReports(
        kind=kind, pairs=pairs, sites=sites, rovers=rovers, reported=reported, demand=demand,
        sigma=sigma, left_out=tuple(left_out), silent=tuple(silent), reason=reason)


def _no_length(kind: LimitName) -> str:
    """Why values cannot be held against demands of a kind; empty where they can."""
    if LIMIT_UNITS[kind] != "m":
        return f"the reported value is a length, {kind} an angle"
    return "" if kind in MEASURED else f"{kind} is not measured: unseen ground bounds it"


def _against(run: Run) -> dict[str, str]:
    """What speaks against the whole of each assessed pair; empty where its demands can be used."""
    stereo = set(run.table("demands")["pair"].tolist())
    rows = run.table("assessments", columns=["pair", "usable", "unusable_because"])
    return {str(row["pair"]): str(row["unusable_because"]) if not row["usable"]
            else "" if str(row["pair"]) in stereo else "has no stereo" for row in rows}


def _measured(run: Run, id_: str, kind: LimitName) -> tuple[float, float] | str:
    """Greatest demand straight ahead and its sigma, or why there is none."""
    ahead = min(run.demands(id_).demands, key=lambda d: abs(d.heading_deg))
    if abs(ahead.heading_deg) > STRAIGHT_DEG:
        return f"was not judged straight ahead: its nearest heading is {ahead.heading_deg:g} deg"
    return greatest_demand(ahead, kind) or f"no {kind} could be measured straight ahead"


__all__ = ["OnboardReports", "SilentPair", "onboard_reports"]
