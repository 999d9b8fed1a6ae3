"""Words for the numbers of a rehearsal."""

from __future__ import annotations

import math

from hazcam.scene.rehearsal.rates import (
    FEW_SCENES,
    ONE_SCENE,
    OVER_SCENES,
    RESAMPLED,
    Rate,
    SceneRate,
)
from hazcam.scene.rehearsal.reliability import ReliabilityBin


def percent(share: float) -> str:
    """One decimal; two below 1 %, where one would hide a difference."""
    return f"{100 * share:.{2 if 0 < share < 0.01 else 1}f} %"


def rate_text(rate: Rate) -> str:
    """A count of trials, with its share where there is any."""
    if not rate.of:
        return "none"
    if not rate.count:
        return f"0 of {rate.of}"
    return f"{rate.count} of {rate.of} ({percent(rate.rate)})"


def bound_text(rate: Rate) -> str:
    """The one-sided bound."""
    return f"< {percent(rate.high)}" if rate.of else "–"


def interval_text(rate: SceneRate | ReliabilityBin) -> str:
    """The two-sided bounds; * where they are exact over scenes, † of few scenes."""
    if rate.scenes == 0 or rate.interval == ONE_SCENE:
        return "–"
    return f"{100 * rate.low:.1f} to {100 * rate.high:.1f} %{mark_text(rate)}"


def mark_text(rate: SceneRate | ReliabilityBin) -> str:
    """What sort of interval: * exact over scenes, † of few scenes; else nothing."""
    few = rate.interval == RESAMPLED and rate.scenes < FEW_SCENES
    return "*" if rate.interval == OVER_SCENES else "†" if few else ""


def mean_text(rate: SceneRate) -> str:
    """Mean over scenes."""
    return percent(rate.mean) if rate.scenes else "–"


def number_text(value: float, digits: int) -> str:
    """A number, or a dash where it is not known."""
    return "–" if math.isnan(value) else f"{value:.{digits}f}"


def signed_text(value: float, digits: int) -> str:
    """The same with its sign."""
    # Adding 0 turns what rounds to -0 into 0.
    return "–" if math.isnan(value) else f"{round(value, digits) + 0.0:+.{digits}f}"


def share_or_dash(value: float | None) -> str:
    """A share, or a dash where it is not known."""
    return "–" if value is None or math.isnan(value) else percent(value)


def share_text(count: int, of: int) -> str:
    """A share from counts."""
    return percent(count / of) if of else "none"


def inside_text(place: ReliabilityBin) -> str:
    """Whether the stated mean lies in the interval of what was observed."""
    if place.inside is None:
        return "–"
    return ("inside" if place.inside else "outside") + ("" if place.enough else ", too few")
