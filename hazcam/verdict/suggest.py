"""The suggestion: where to turn if straight ahead is not clear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from hazcam.frames import heading_text
from hazcam.verdict.record import Cause, HeadingVerdict

# What would tell more, by the kind of the cause, or by why ground was not seen.
_SETTLED_BY_KIND = {
    "attitude unknown": "the roll and pitch of the rover",
    "no stereo": "the missing picture",
    "rig not checked": "a pair with more texture in view of both cameras",
    "rig no longer matches its calibration": "a new calibration of the rig",
    "no ground seen": "another pair, exposed so that the ground shows",
}
_SETTLED_BY_REASON = {
    "too dark": "a longer exposure, or a sun that lights it",
    "no texture": "a longer exposure, or a sun that lights it from the side",
    "too uncertain": "a longer exposure, or a pair from nearer",
    "saturated": "a shorter exposure",
    "lost data": "the lost data sent again",
    "outside": "a pair after a turn towards it, or after a step back",
    "edge of picture": "a pair after a turn towards it",
    "hidden": "a pair from a step nearer or aside, which looks behind what hides it",
    "blank": "a pair from a step aside",
}


@dataclass(frozen=True, kw_only=True)
class Suggestion:
    """``heading_deg`` is None for "hold"; ``text`` says it in words."""

    heading_deg: float | None
    clear_m: float
    text: str


def best_heading(verdicts: Sequence[HeadingVerdict]) -> HeadingVerdict:
    """The least turn that is ``go``; else the heading that is clear farthest.

    Raises
    ------
    ValueError
        If there is no verdict.
    """
    if not verdicts:
        raise ValueError("a suggestion needs at least one verdict")
    going = [v for v in verdicts if v.verdict == "go"]
    if going:
        return min(going, key=lambda v: abs(v.heading_deg))
    # What is only assumed clear is no reason to prefer a heading, nor are a few centimetres.
    return max(verdicts, key=lambda v: (round(v.clear_m - v.assumed_m, 1), -abs(v.heading_deg)))


def suggest(verdicts: Sequence[HeadingVerdict]) -> Suggestion:
    """The least turn that is ``go``; else hold, and name the heading that is clear farthest.

    Raises
    ------
    ValueError
        If there is no verdict.
    """
    best = best_heading(verdicts)
    if best.verdict == "go":
        act = ("go straight ahead" if best.heading_deg == 0
               else f"turn {heading_text(best.heading_deg)}")
        return Suggestion(heading_deg=best.heading_deg, clear_m=best.clear_m,
                          text=f"{act}: {_clear(best)}")
    return Suggestion(heading_deg=None, clear_m=best.clear_m, text=f"hold: {_held(best)}")


def _held(best: HeadingVerdict) -> str:
    """Why to hold: the best heading, its first cause, and what would settle it."""
    where, why = heading_text(best.heading_deg), best.causes[0].text
    settle = f"; what would settle it: {_settling(best.causes[0])}"
    if best.clear_m == 0:
        return f"no heading is clear: {why}{settle}"
    if best.clear_m <= best.assumed_m:
        return f"no heading is clear beyond what is assumed; {where}: {why}{settle}"
    return f"no heading is clear; the best is {where}, {_clear(best)}, then: {why}{settle}"


def _settling(cause: Cause) -> str:
    """What picture or reading would tell more of a cause."""
    if cause.kind in _SETTLED_BY_KIND:
        return _SETTLED_BY_KIND[cause.kind]
    for words, remedy in _SETTLED_BY_REASON.items():
        if words in cause.reason:
            return remedy
    if cause.sigma is not None and cause.demand is not None and cause.limit is not None \
            and cause.demand <= cause.limit:
        return "a pair from nearer, where it is known better, or after a turn"
    return "a pair after a turn: what was measured here is over the limit"


def _clear(verdict: HeadingVerdict) -> str:
    assumed = f" (the first {verdict.assumed_m:.2f} m assumed)" if verdict.assumed_m > 0 else ""
    return f"clear for {verdict.clear_m:.2f} m{assumed}"
