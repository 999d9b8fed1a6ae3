"""The suggestion: where to turn if straight ahead is not clear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from hazcam.frames import heading_text
from hazcam.verdict.record import HeadingVerdict


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
    """Why to hold: the best heading and its first cause."""
    where, why = heading_text(best.heading_deg), best.causes[0].text
    if best.clear_m == 0:
        return f"no heading is clear: {why}"
    if best.clear_m <= best.assumed_m:
        return f"no heading is clear beyond what is assumed; {where}: {why}"
    return f"no heading is clear; the best is {where}, {_clear(best)}, then: {why}"


def _clear(verdict: HeadingVerdict) -> str:
    assumed = f" (the first {verdict.assumed_m:.2f} m assumed)" if verdict.assumed_m > 0 else ""
    return f"clear for {verdict.clear_m:.2f} m{assumed}"
