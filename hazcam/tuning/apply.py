"""A recommended limit on the rover that it was recommended for."""

from __future__ import annotations

import math

from hazcam.errors import HazcamError
from hazcam.rover.limits import with_measured
from hazcam.rover.profile import LIMIT_UNITS, Limit, RoverProfile
from hazcam.tuning.result import TuningResult

# A derived limit computed on another machine agrees to this.
_SAME_REL = 1e-6


def apply_result(result: TuningResult, rover: RoverProfile) -> RoverProfile:
    """Return the rover with the recommended limit, its source and what it was before.

    Raises
    ------
    HazcamError
        Nothing is recommended; the trials are another rover's; the run has no such rover; its
        limit today is another one than the result was computed against.
    RoverError
        A limit that this rover could not have.
    """
    if result.recommended is None:
        raise HazcamError(result.where, f"recommends no {result.name} limit: {result.reason}",
                          "a recommended limit",
                          "nothing can be applied: make the trials that `hazcam tune next` plans, "
                          "and tune again")
    if rover.name != result.conditions.rover:
        raise HazcamError(rover.source, f"is the rover {rover.name!r}",
                          f"that of the trials of {result.where}, {result.conditions.rover!r}",
                          "give that rover, or tune on trials of this one")
    _check_is_todays(result, rover)
    return with_measured(rover, result.name, result.recommended, result.source)


def _check_is_todays(result: TuningResult, rover: RoverProfile) -> None:
    """Refuse a limit that was changed since, or was never compared."""
    now: Limit = getattr(rover.limits, result.name)
    unit = LIMIT_UNITS[result.name]
    again = f"tune again: `hazcam tune limits` on a run that was judged with {rover.source}"
    if rover.name not in result.today:
        raise HazcamError(f"{result.where}: limit.today",
                          f"knows no rover {rover.name!r}, only {', '.join(result.today)}",
                          "the rover of the trials among those of the run", again)
    today = result.today[rover.name]
    if not math.isclose(now.value, today.value, rel_tol=_SAME_REL):
        raise HazcamError(f"{rover.source}: {result.name}",
                          f"is {now.value:g} {unit} ({now.source})",
                          f"{today.value:g} {unit} ({today.source}), which {result.where} was "
                          "computed against", again)
