"""What came of the headings that were walked, of those that a value of the limit lets go."""

from __future__ import annotations

from dataclasses import dataclass

from hazcam.statistics import clopper_pearson
from hazcam.tuning.headings import RunHeadings


@dataclass(frozen=True, kw_only=True)
class WalkedGo:
    """How many walked headings that are go had failed.

    Attributes
    ----------
    go : int
        Headings that the limit decides, whose outcome is known, and that are go.
    failed : int
        Of those, on which the rover did not climb.
    low, high : float
        One-sided bounds of the rate at the confidence each; 0 and 1 where none was walked.
    """

    go: int
    failed: int
    low: float
    high: float


def walked_go(headings: RunHeadings, place: int, confidence: float) -> WalkedGo:
    """Count failures among the walked headings that are go.

    Each pair has one heading at the most that was walked. They count as independent, which walks of
    one site are not quite; and they are what someone chose to walk, not a sample of the ground.

    Parameters
    ----------
    headings : RunHeadings
        With one limit swept.
    place : int
        Of the value of the limit.
    confidence : float
        Of each bound (C. J. Clopper and E. S. Pearson, as in ``hazcam.statistics``).
    """
    counted = headings.counted
    outcomes = [walk.outcome for walk in headings.walks
                if counted[walk.place] and headings.sweep.least[walk.place] <= place]
    go, failed = len(outcomes), sum(outcome != "climbed" for outcome in outcomes)
    # The lower bound of a rate is 1 less the upper one of its complement.
    return WalkedGo(go=go, failed=failed,
                    low=1 - clopper_pearson(go - failed, go, confidence=confidence).high,
                    high=clopper_pearson(failed, go, confidence=confidence).high)


__all__ = ["WalkedGo", "walked_go"]
