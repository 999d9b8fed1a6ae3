"""How the recommended limit moves with what it was chosen by, and with leaving data out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.tuning.curve import HeightClimbed, height_climbed
from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.own_trials import own_trials
from hazcam.tuning.recommend import Recommendation, recommend
from hazcam.tuning.record import TrialGroup
from hazcam.tuning.tradeoff import false_go_of

What = Literal["reliability", "confidence", "risk", "without trials of", "without site",
               "without day"]
_OTHERS = (0.8, 0.9, 0.95, 0.99)
_RISKS = (0.01, 0.02, 0.05, 0.1, 0.2)
_MOST_LEFT_OUT = 30  # days or sites that are left out one by one; of more the largest
RESTS = 0.1
"""A recommendation that moves by more than this share rests on what was left out."""


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What a limit is chosen by.

    Attributes
    ----------
    group : TrialGroup
        The trials.
    reliability, confidence : float
        Of the height climbed.
    risk : float
        Most of the headings beyond that may be go.
    prior : TrialGroup or None
        Simulated trials, counted in with ``prior_weight``.
    """

    group: TrialGroup
    reliability: float
    confidence: float
    risk: float
    prior: TrialGroup | None = None
    prior_weight: float = 0.0

    def climbed(self) -> HeightClimbed | None:
        """The height that it gives; None where there is no curve."""
        return height_climbed(self.group, reliability=self.reliability, confidence=self.confidence,
                              prior=self.prior, prior_weight=self.prior_weight)

    def without(self, ids: Iterable[str]) -> Choice | None:
        """The same without some trials; None where none is left."""
        left_out = set(ids)
        kept = tuple(t for t in self.group.trials if t.id not in left_out)
        return replace(self, group=replace(self.group, trials=kept)) if kept else None

@dataclass(frozen=True, kw_only=True, eq=False)
class Chooser:
    """Chooses a limit again, by something else or from part of the data.

    Attributes
    ----------
    choice : Choice
        What it was chosen by.
    climbed : HeightClimbed
        The height that it gives.
    held : callable
        Gives the headings of the run held against a height.
    """

    choice: Choice
    climbed: HeightClimbed
    held: Callable[[HeightClimbed], RunHeadings]

    def again(
        self, choice: Choice, climbed: HeightClimbed | None, kept: NDArray[np.bool_] | None = None
    ) -> Recommendation | None:
        """By a choice and the height that it gives, from some of the headings decided or all.

        None where there is no curve.
        """
        if climbed is None:
            return None
        held = self.held(climbed)
        some = held.decided() if kept is None else held.decided().of(kept)
        found = false_go_of(some, held.sweep.values, choice.confidence)
        return recommend(found, climbed.low, choice.risk)

    def without(
        self, trials: Iterable[str], kept: NDArray[np.bool_] | None = None
    ) -> Recommendation | None:
        """The same choice without some trials (ids of others do not matter), from some headings."""
        gone = {t.id for t in self.choice.group.trials} & set(trials)
        rest = self.choice.without(gone)
        climbed = self.climbed if not gone else None if rest is None else rest.climbed()
        return self.again(self.choice, climbed, kept)


@dataclass(frozen=True, kw_only=True)
class Moved:
    """The recommendation under another setting, or without part of the data.

    Attributes
    ----------
    what, setting : str
        Which setting and its value, or what was left out.
    value : float or None
        The recommended limit then. [m or deg]
    shown : bool
        Whether the run shows then that the risk is met.
    """

    what: What
    setting: str
    value: float | None
    shown: bool = False


@dataclass(frozen=True, kw_only=True)
class Setting:
    """Another reliability or confidence, and the height that it gives; None: no curve."""

    what: What
    choice: Choice
    climbed: HeightClimbed | None

    @property
    def share(self) -> float:
        """Its value."""
        return self.choice.reliability if self.what == "reliability" else self.choice.confidence


def settings_of(choice: Choice) -> tuple[Setting, ...]:
    """The other reliabilities and confidences that are tried."""
    tried: list[tuple[What, Choice]] = [
        *(("reliability", replace(choice, reliability=share)) for share in _OTHERS),
        *(("confidence", replace(choice, confidence=share)) for share in _OTHERS)]
    return tuple(Setting(what=what, choice=c, climbed=c.climbed()) for what, c in tried)


def sensitivity_of(
    chooser: Chooser, settings: Iterable[Setting], headings: RunHeadings
) -> Iterator[Moved]:
    """Choose again with other settings, and without each day of trials, site and day of the run.

    All moves that would move if another setting were asked for, or data had never been there: the
    height climbed, the ground that is beyond it, the bounds. Trials that are pairs of this run go
    with their site and day.

    Parameters
    ----------
    chooser : Chooser
    settings : iterable of Setting
        From ``settings_of``.
    headings : RunHeadings
        Of the run.
    """
    def moved(what: What, setting: str, found: Recommendation | None) -> Moved:
        return Moved(what=what, setting=setting, value=None if found is None else found.value,
                     shown=found is not None and found.shown)

    choice = chooser.choice
    for one in settings:
        yield moved(one.what, f"{one.share:g}", chooser.again(one.choice, one.climbed))
    for risk in _RISKS:
        yield moved("risk", f"{risk:g}",
                    chooser.again(replace(choice, risk=risk), chooser.climbed))
    days = np.array([t.date.isoformat() for t in choice.group.trials])
    for day in _largest(days):
        gone = [t.id for t in choice.group.trials if t.date.isoformat() == day]
        yield moved("without trials of", day, chooser.without(gone))
    pairs = np.array(headings.sweep.ids)[headings.sweep.pair]
    own = own_trials(headings, choice.group.trials)
    kinds: tuple[tuple[What, NDArray[np.str_]], ...] = (
        ("without site", headings.site), ("without day", headings.day))
    for what, names in kinds:
        for name in _largest(names):
            gone = [id_ for pair in own.keys() & set(pairs[names == name].tolist())
                    for id_ in own[pair]]
            yield moved(what, name or "not stated", chooser.without(
                gone, names[headings.counted] != name))


def _largest(names: NDArray[np.str_]) -> list[str]:
    """Different names, those that stand most often if there are many."""
    different, counts = np.unique(names, return_counts=True)
    kept = different[np.argsort(-counts, kind="stable")[:_MOST_LEFT_OUT]]
    return sorted(kept.tolist())


def rests_on(moves: Iterable[Moved], value: float | None) -> tuple[Moved, ...]:
    """Those parts of the data without which the recommendation would be another one."""
    if value is None:
        return ()
    return tuple(m for m in moves if m.what.startswith("without") and (
        m.value is None or abs(m.value - value) > RESTS * value))
