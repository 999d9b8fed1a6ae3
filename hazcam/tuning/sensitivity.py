"""How the recommended limit moves with what it was chosen by, and with leaving data out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.tuning.curve import height_climbed
from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.recommend import recommend
from hazcam.tuning.record import TrialGroup
from hazcam.tuning.tradeoff import Headings, TradeOff

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

    def height(self) -> float:
        """That is climbed with the reliability at the confidence; -inf where there is no curve."""
        found = height_climbed(self.group, reliability=self.reliability, confidence=self.confidence,
                               prior=self.prior, prior_weight=self.prior_weight)
        return -np.inf if found is None else found.low

    def without(self, ids: Iterable[str]) -> Choice | None:
        """The same without some trials; None where none is left."""
        left_out = set(ids)
        kept = tuple(t for t in self.group.trials if t.id not in left_out)
        return replace(self, group=replace(self.group, trials=kept)) if kept else None


@dataclass(frozen=True, kw_only=True)
class Moved:
    """The recommendation under another setting, or without part of the data.

    Attributes
    ----------
    what, setting : str
        Which setting and its value, or what was left out.
    value : float or None
        The recommended limit then. [m or deg]
    """

    what: What
    setting: str
    value: float | None


def sensitivity_of(
    choice: Choice, height: float, headings: RunHeadings, count: Callable[[Headings], TradeOff],
    trade: TradeOff,
) -> Iterator[Moved]:
    """Choose again with other settings, and without each day of trials, site and day of the run.

    The heights of ground that is beyond stay those of the choice; where the reliability or the
    confidence changes, it is the trials' bound that moves.

    Parameters
    ----------
    choice : Choice
        What was chosen by.
    height : float
        That it gives.
    headings : RunHeadings
        Of the run.
    count : callable
        Gives the trade-off of some headings.
    trade : TradeOff
        Of all of them.
    """
    def moved(what: What, setting: str, of: TradeOff, to: float, risk: float) -> Moved:
        return Moved(what=what, setting=setting, value=recommend(of, to, risk).value)

    for share in _OTHERS:
        yield moved("reliability", f"{share:g}", trade,
                    _height(replace(choice, reliability=share), choice, height), choice.risk)
    for share in _OTHERS:
        yield moved("confidence", f"{share:g}", trade,
                    _height(replace(choice, confidence=share), choice, height), choice.risk)
    for risk in _RISKS:
        yield moved("risk", f"{risk:g}", trade, height, risk)
    yield from _without_days(choice, trade)
    decided = headings.decided()
    days = headings.day[headings.counted]
    sites = np.array(headings.clusters)[decided.cluster] if len(decided.cluster) else days
    kinds: list[tuple[What, NDArray[np.str_]]] = [("without day", days)]
    if headings.counted_by == "site":
        kinds.insert(0, ("without site", sites))
    for what, names in kinds:
        for name in _largest(names):
            yield moved(what, name or "not stated", count(decided.of(names != name)), height,
                        choice.risk)


def _height(other: Choice, choice: Choice, height: float) -> float:
    return height if other == choice else other.height()


def _without_days(choice: Choice, trade: TradeOff) -> Iterator[Moved]:
    days = np.array([t.date.isoformat() for t in choice.group.trials])
    for day in _largest(days):
        rest = choice.without(t.id for t in choice.group.trials if t.date.isoformat() == day)
        value = None if rest is None else recommend(trade, rest.height(), choice.risk).value
        yield Moved(what="without trials of", setting=day, value=value)


def _largest(names: NDArray[np.str_]) -> list[str]:
    """Different names, those that stand most often if there are many; none if there is one."""
    different, counts = np.unique(names, return_counts=True)
    if len(different) < 2:
        return []
    kept = different[np.argsort(-counts, kind="stable")[:_MOST_LEFT_OUT]]
    return sorted(kept.tolist())


def rests_on(moves: Iterable[Moved], value: float | None) -> tuple[Moved, ...]:
    """Those parts of the data without which the recommendation would be another one."""
    if value is None:
        return ()
    return tuple(m for m in moves if m.what.startswith("without") and (
        m.value is None or abs(m.value - value) > RESTS * value))
