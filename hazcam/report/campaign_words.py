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
    >>> compared_text(9.93, 0.2, 9.88, "deg")
    '9.93 ± 0.20°, limit 9.88°'
    """
    if not math.isfinite(limit):
        return ""
    digits = _digits(demand, limit, 3 if unit == "m" else (2 if unit == "px" else 1))
    sign = f" {unit}" if unit != "deg" else "°"
    bound = f"limit {limit:.{digits}f}{sign}"
    if not math.isfinite(demand):
        return f"no bound, {bound}"
    sigmas = f" ± {sigma:.{digits}f}" if math.isfinite(sigma) else ""
    return f"{demand:.{digits}f}{sigmas}{sign}, {bound}"


def _digits(demand: float, limit: float, digits: int) -> int:
    """One more where rounding would hide which of the two is larger."""
    hidden = math.isfinite(demand) and demand != limit
    return digits + (hidden and f"{demand:.{digits}f}" == f"{limit:.{digits}f}")


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


def over_text(d: Disagreement) -> str:
    """How far over the limit, or how little within it, in sigmas; a dash without a comparison."""
    if not math.isfinite(d.over_sigmas):
        return "–"
    if d.kind == "over":
        return f"over by {d.over_sigmas:.1f} σ"
    return f"within by {abs(d.over_sigmas):.1f} σ"


_FAILURES = {"bad row": "bad row of the manifest", "failed": "input that cannot be used",
             "time limit": "time limit", "worker died": "worker died",
             "fault": "fault of the program"}


def failure_word(kind: str) -> str:
    """The kind of a failure in words."""
    return _FAILURES[kind]


def mount_text(rig: str, rover: str) -> str:
    """A rig on a rover, in words."""
    return f"rig {rig} on rover {rover}"
