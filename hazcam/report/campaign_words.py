"""Words that the text and the pages of a campaign share."""

from __future__ import annotations

import math

from hazcam.campaign.summary.against import Disagreement

NO_PERMISSION = ("A report is no permission to walk. It says what the pictures showed when they "
                 "were taken; whether the rover walks is decided by the team, by its own rules and "
                 "by what is known on the spot.")


def share_text(count: int, of: int) -> str:
    """A count with its share, never the share alone.

    Examples
    --------
    >>> share_text(12, 40), share_text(0, 40), share_text(0, 0)
    ('12 of 40 (30.0 %)', '0 of 40 (0.0 %)', 'none')
    """
    return f"{count} of {of} ({100 * count / of:.1f} %)" if of else "none"


def cause_text(kind: str, reason: str) -> str:
    """A cause with why ground was not seen.

    Examples
    --------
    >>> cause_text("unseen run", "too dark"), cause_text("step", "")
    ('unseen run: too dark', 'step')
    """
    return f"{kind}: {reason}" if reason else kind


def length_text(value_m: float) -> str:
    """A length; a dash where it is not known."""
    return f"{value_m:.2f} m" if math.isfinite(value_m) else "–"


def compared_text(demand: float, sigma: float, limit: float, unit: str) -> str:
    """A demand with its sigma against its limit; empty where there is no comparison.

    Examples
    --------
    >>> compared_text(0.083, 0.006, 0.06, "m"), compared_text(math.nan, math.nan, 0.06, "m")
    ('0.083 ± 0.006 m, limit 0.060 m', 'no bound, limit 0.060 m')
    """
    if not math.isfinite(limit):
        return ""
    digits = 3 if unit == "m" else (2 if unit == "px" else 1)
    sign = f" {unit}" if unit != "deg" else "°"
    bound = f"limit {limit:.{digits}f}{sign}"
    if not math.isfinite(demand):
        return f"no bound, {bound}"
    sigmas = f" ± {sigma:.{digits}f}" if math.isfinite(sigma) else ""
    return f"{demand:.{digits}f}{sigmas}{sign}, {bound}"


def reason_text(
    kind: str, reason: str, at_m: float, demand: float, sigma: float, limit: float, unit: str
) -> str:
    """The first cause of a heading in one line; empty for go.

    Examples
    --------
    >>> reason_text("step", "", 0.92, 0.083, 0.006, 0.06, "m")
    'step at 0.92 m: 0.083 ± 0.006 m, limit 0.060 m'
    """
    if not kind:
        return ""
    place = f" at {at_m:.2f} m" if math.isfinite(at_m) and at_m > 0 else ""
    compared = compared_text(demand, sigma, limit, unit)
    why = f" ({reason})" if reason else ""
    return f"{kind}{why}{place}{': ' if compared else ''}{compared}"


def disagreement_text(d: Disagreement) -> str:
    """Our reason of a disagreement in one line; how far clear where we go."""
    if d.kind == "needless":
        return f"clear for {length_text(d.clear_m)}"
    return reason_text(d.cause, d.cause_reason, d.at_m, d.demand, d.sigma, d.limit, d.unit)


def over_text(sigmas: float) -> str:
    """How far over the limit, in sigmas; a dash where there is no comparison."""
    return f"{round(sigmas, 1) + 0.0:+.1f} σ" if math.isfinite(sigmas) else "–"
