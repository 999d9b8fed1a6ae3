"""A recommended limit on the rover that it was recommended for."""

from __future__ import annotations

import math
from collections.abc import Mapping

from hazcam.errors import HazcamError
from hazcam.rover.limits import MEASURED, rover_numbers, with_measured
from hazcam.rover.profile import LIMIT_UNITS, Limit, RoverProfile
from hazcam.tuning.result import TuningResult

# Derived limits computed on another machine agree to this.
_SAME_REL = 1e-6


def apply_result(result: TuningResult, rover: RoverProfile) -> RoverProfile:
    """Return the rover with the recommended limit, its source and what it was before.

    Raises
    ------
    HazcamError
        Nothing is recommended; the trials are another rover's; it has the limit already; the run
        has no such rover; its limit today, or another of its numbers, is not that which the result
        was computed against.
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
    _check_is_new(result, rover)
    _check_is_todays(result, rover)
    _check_is_the_same(result, rover)
    return with_measured(rover, result.name, result.recommended, result.source)


def _check_is_new(result: TuningResult, rover: RoverProfile) -> None:
    """Refuse a rover that the result was written into before."""
    now: Limit = getattr(rover.limits, result.name)
    if now.source == f"{MEASURED}{result.source}" and math.isclose(
            now.value, result.recommended or math.nan, rel_tol=_SAME_REL):
        raise HazcamError(f"{rover.source}: {result.name}",
                          f"is the limit of {result.where} already, {now.value:g} "
                          f"{LIMIT_UNITS[result.name]}",
                          "the rover file that the run was assessed with",
                          "nothing is left to do: use this file as it is")


def _check_is_the_same(result: TuningResult, rover: RoverProfile) -> None:
    """Refuse a rover of that name with another body, legs, margin or limits."""
    if rover.digest == result.rover_digest:
        return
    now, then = rover_numbers(rover), result.rover_numbers
    differing = [f"{name} {_number(now, name)} (in the run {_number(then, name)})"
                 for name in sorted(now.keys() | then.keys())
                 if not math.isclose(now.get(name, math.nan), then.get(name, math.nan),
                                     rel_tol=_SAME_REL)]
    if differing:
        raise HazcamError(
            rover.source, f"is called {rover.name!r}, but its numbers are not those of the rover "
            f"that the run of {result.where} was assessed for: {', '.join(differing)}",
            "the rover that the run was assessed for",
            "give its file, or run `hazcam batch` and `hazcam tune limits` again with this one")


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


def _number(numbers: Mapping[str, float], name: str) -> str:
    return f"{numbers[name]:g}" if name in numbers else "missing"
