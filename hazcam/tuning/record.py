"""Trials: what was tried, on what, and what came of it."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import PurePath
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.record import Outcome
from hazcam.errors import TrialsError
from hazcam.frames import Floats, read_only
from hazcam.rover.profile import LIMIT_UNITS, LimitName
from hazcam.tuning.cells import perhaps


class Conditions(NamedTuple):
    """What trials must have in common to be fitted together.

    Attributes
    ----------
    rover : str
        Name of the rover's profile.
    gait, ground : str
        Free words.
    gravity_mps2 : float
        Or what stands for it, where the rover is made lighter. [m/s^2]
    kind : str
        Of the demand, as the limit it is held against: ``step``, ``drop``, ``gap``, ``belly`` [m],
        ``slope``, ``roll``, ``tip`` [deg].
    """

    rover: str
    gait: str
    ground: str
    gravity_mps2: float
    kind: LimitName

    @property
    def unit(self) -> str:
        """Of the demand: m or deg."""
        return LIMIT_UNITS[self.kind]

    @property
    def text(self) -> str:
        """In a line."""
        return (f"kind {self.kind}, rover {self.rover}, gait {self.gait}, ground {self.ground}, "
                f"gravity {self.gravity_mps2:g} m/s^2")


@dataclass(frozen=True, kw_only=True)
class Trial:
    """One trial.

    Attributes
    ----------
    id : str
        Once in a table.
    date : date
        Of the trial.
    conditions : Conditions
        Under which it was made.
    demand, sigma : float
        What was measured of the obstacle, 0 or more, and one standard deviation of that; sigma 0:
        known exactly. [unit of the conditions]
    outcome : str
        ``climbed``, ``stuck``, ``tipped``, ``belly-hung`` or ``slipped``.
    simulated : bool
        Computed, not walked.
    note : str
        Free words.
    where : str
        ``NAME: line 12``, for messages.
    """

    id: str
    date: datetime.date
    conditions: Conditions
    demand: float
    sigma: float
    outcome: Outcome
    simulated: bool
    note: str
    where: str

    @property
    def climbed(self) -> bool:
        """Whether the rover got over it; every other outcome is a failure."""
        return self.outcome == "climbed"


@dataclass(frozen=True, kw_only=True)
class TrialGroup:
    """Trials of one kind under the same conditions, all walked or all simulated.

    Attributes
    ----------
    conditions : Conditions
        What they have in common.
    simulated : bool
        Whether they were computed.
    trials : tuple of Trial
        At least one, in the order of the table.
    """

    conditions: Conditions
    simulated: bool
    trials: tuple[Trial, ...]

    def __post_init__(self) -> None:
        if not self.trials:
            raise ValueError("a TrialGroup needs a trial")
        for trial in self.trials:
            if (trial.conditions, trial.simulated) != (self.conditions, self.simulated):
                raise ValueError(f"trial {trial.id} is not of the conditions of its group")

    @cached_property
    def demand(self) -> Floats:
        """Measured demands, shape (n,). [unit of the conditions]"""
        return np.asarray(read_only([trial.demand for trial in self.trials]), dtype=np.float64)

    @cached_property
    def sigma(self) -> Floats:
        """One standard deviation of each, shape (n,). [unit of the conditions]"""
        return np.asarray(read_only([trial.sigma for trial in self.trials]), dtype=np.float64)

    @cached_property
    def climbed(self) -> NDArray[np.bool_]:
        """Which climbed, shape (n,)."""
        return np.asarray(read_only([trial.climbed for trial in self.trials]), dtype=np.bool_)


@dataclass(frozen=True, kw_only=True)
class TrialTable:
    """A table of trials.

    Attributes
    ----------
    name : str
        Of the file, as it was given, for messages.
    digest : str
        SHA-256 of the file.
    trials : tuple of Trial
        At least one, in the order of the table, each id once.
    """

    name: str
    digest: str
    trials: tuple[Trial, ...]

    @property
    def file_name(self) -> str:
        """Bare name of the file, for records: where it was is no concern of theirs."""
        return PurePath(self.name).name

    def groups(self) -> tuple[TrialGroup, ...]:
        """The trials by conditions, walked ones before simulated ones; in order of appearance."""
        found: dict[tuple[Conditions, bool], list[Trial]] = {}
        order = list(dict.fromkeys(trial.conditions for trial in self.trials))
        for conditions in order:
            for simulated in (False, True):
                found[conditions, simulated] = []
        for trial in self.trials:
            found[trial.conditions, trial.simulated].append(trial)
        return tuple(TrialGroup(conditions=conditions, simulated=simulated, trials=tuple(trials))
                     for (conditions, simulated), trials in found.items() if trials)

    def chosen(
        self, *, kind: str | None = None, rover: str | None = None, gait: str | None = None,
        ground: str | None = None, gravity_mps2: float | None = None,
    ) -> TrialGroup:
        """The one group of walked trials that has what is given; None: whatever it has.

        Raises
        ------
        TrialsError
            No such group, or several.
        """
        asked = {"kind": kind, "rover": rover, "gait": gait, "ground": ground,
                 "gravity_mps2": gravity_mps2}
        wanted = {name: value for name, value in asked.items() if value is not None}
        walked = [group for group in self.groups() if not group.simulated]
        found = [group for group in walked
                 if all(getattr(group.conditions, name) == value for name, value in wanted.items())]
        if len(found) == 1:
            return found[0]
        raise _not_one(self.name, walked, found, wanted)


def _not_one(
    name: str, walked: Sequence[TrialGroup], found: Sequence[TrialGroup],
    wanted: Mapping[str, object],
) -> TrialsError:
    """Why not one group is meant."""
    if not walked:
        return TrialsError(name, "holds simulated trials only", "trials that a rover walked",
                           "add trials that were walked (simulated: no)")
    given = ", ".join(f"{what} {value}" for what, value in wanted.items())
    among = "".join(f"\n  {group.conditions.text} ({len(group.trials)} of them)"
                    for group in found or walked)
    if not found:
        return TrialsError(name, f"no walked trials of {given}; there are:{among}",
                           "conditions of the table, as they are spelled there",
                           f"name the conditions of one of these{_meant(walked, wanted)}")
    return TrialsError(
        name, f"walked trials under {len(found)} conditions:{among}", "one of them",
        "name it: " + ", ".join(f"--{what.partition('_')[0]}" for what in _differing(found)))


def _meant(walked: Sequence[TrialGroup], wanted: Mapping[str, object]) -> str:
    """The names that were likely meant by those that no group has."""
    there = {what: list(dict.fromkeys(str(getattr(g.conditions, what)) for g in walked))
             for what, value in wanted.items() if isinstance(value, str)}
    return "".join(perhaps(str(wanted[what]), names) for what, names in there.items()
                   if wanted[what] not in names)


def _differing(groups: Sequence[TrialGroup]) -> list[str]:
    """What tells the groups apart."""
    return [what for what in ("kind", "rover", "gait", "ground", "gravity_mps2")
            if len({getattr(group.conditions, what) for group in groups}) > 1]


__all__ = ["Conditions", "Trial", "TrialGroup", "TrialTable"]
