"""Which trials are pairs of the run that a limit is chosen on."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.measured import rounded
from hazcam.tuning.record import Trial


def own_trials(headings: RunHeadings, trials: Iterable[Trial]) -> dict[str, frozenset[str]]:
    """Trials that came from walks of a run, by what they say and not by their ids.

    A trial is a pair of the run where that was walked on the day of the trial, the same came of it,
    and its greatest demand is that of the trial, to the six digits of a table. A walk that several
    trials fit is taken for all of them: a trial too many is left out with its site, none too few.

    Parameters
    ----------
    headings : RunHeadings
        Of the run, swept over the limit of the trials' kind.
    trials : iterable of Trial
        Of the same rover.

    Returns
    -------
    dict of str to frozenset of str
        Ids of the trials by the id of the pair; pairs that are none do not stand in it.
    """
    ids: dict[tuple[str, str, float], set[str]] = defaultdict(set)
    for trial in trials:
        ids[trial.date.isoformat(), trial.outcome, rounded(trial.demand)].add(trial.id)
    keys = {walk.pair: (str(headings.day[walk.place]), walk.outcome, rounded(walk.demand))
            for walk in headings.walks}
    return {pair: frozenset(ids[key]) for pair, key in keys.items() if key in ids}


__all__ = ["own_trials"]
