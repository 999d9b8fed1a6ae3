"""Which trials are pairs of the run that a limit is chosen on."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.record import Trial

_ROUNDED = 0.02  # share of a demand; our own choice


def own_trials(headings: RunHeadings, trials: Iterable[Trial]) -> dict[str, frozenset[str]]:
    """Trials that came from walks of a run, by what they say and not by their ids.

    A trial is a pair of the run where that was walked on the day of the trial, the same came of it,
    and its greatest demand is that of the trial, but for ``_ROUNDED`` of it: tables are rounded,
    and rigs solved anew. A walk that several trials fit is taken for all of them: a trial too many
    is left out with its site, none too few.

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
    alike: dict[tuple[str, str], list[Trial]] = defaultdict(list)
    for trial in trials:
        alike[trial.date.isoformat(), trial.outcome].append(trial)
    found = {walk.pair: frozenset(
        trial.id for trial in alike[str(headings.day[walk.place]), walk.outcome]
        if abs(trial.demand - walk.demand) <= _ROUNDED * walk.demand) for walk in headings.walks}
    return {pair: ids for pair, ids in found.items() if ids}


__all__ = ["own_trials"]
