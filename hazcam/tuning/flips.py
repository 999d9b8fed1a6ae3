"""Which headings get another verdict with another value of a limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hazcam.tuning.headings import RunHeadings


@dataclass(frozen=True, kw_only=True)
class Flip:
    """A heading with another verdict.

    Attributes
    ----------
    pair : str
        Its pair.
    heading_deg : float
        Positive to the left. [deg]
    to_go : bool
        Asks today and is go then; else the other way round.
    failing : float
        Probability that the rover would not climb it; 1 where it did not.
    beyond : float
        Probability that its demand is beyond the likeliest height climbed.
    least : float
        The least value of the limit with which it is go; +inf: with none. [m or deg]
    walked : str
        What came of it where it was walked, else empty.
    """

    pair: str
    heading_deg: float
    to_go: bool
    failing: float
    beyond: float
    least: float
    walked: str


def flips_of(headings: RunHeadings, place: int) -> tuple[Flip, ...]:
    """Hold today's verdicts against those with another value; the riskiest first.

    Those that become go come before those that become ask-ground; among each the likeliest to fail.

    Parameters
    ----------
    headings : RunHeadings
        With one limit swept.
    place : int
        Of the other value.
    """
    sweep = headings.sweep
    then = sweep.least <= place
    outcomes = {walk.place: walk.outcome for walk in headings.walks}
    values = np.append(sweep.values, np.inf)
    found = [Flip(pair=sweep.ids[sweep.pair[i]], heading_deg=float(sweep.heading_deg[i]),
                  to_go=bool(then[i]), failing=float(headings.failing[i]),
                  beyond=float(headings.beyond[i]), least=float(values[sweep.least[i]]),
                  walked=outcomes.get(int(i), ""))
             for i in np.nonzero(then != sweep.today)[0]]
    return tuple(sorted(found, key=lambda f: (not f.to_go, -np.nan_to_num(f.failing), f.pair,
                                              f.heading_deg)))
