"""How the recommended limit moves with what it was chosen by, and with leaving data out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from hazcam.tuning.curve import HeightClimbed, height_climbed
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

    def climbed(self) -> HeightClimbed | None:
        """The height that it gives; None where there is no curve."""
        return height_climbed(self.group, reliability=self.reliability, confidence=self.confidence,
                              prior=self.prior, prior_weight=self.prior_weight)

    def height(self) -> float:
        """That is climbed with the reliability at the confidence; -inf where there is no curve."""
        found = self.climbed()
        return -np.inf if found is None else found.low

    def without(self, ids: Iterable[str]) -> Choice | None:
        """The same without some trials; None where none is left."""
        left_out = set(ids)
        kept = tuple(t for t in self.group.trials if t.id not in left_out)
        return replace(self, group=replace(self.group, trials=kept)) if kept else None

    def height_without(self, ids: Iterable[str], height: float) -> float:
        """The height without some trials, ``height`` being that of all; -inf: none."""
        gone = {t.id for t in self.group.trials} & set(ids)
        rest = self.without(gone)
        return height if not gone else -np.inf if rest is None else rest.height()


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


class _Count(Protocol):
    """Gives the trade-off of some headings, with the bounds of the choice or of a confidence."""

    def __call__(self, some: Headings, *, confidence: float | None = None) -> TradeOff: ...


def sensitivity_of(
    choice: Choice, height: float, settings: Iterable[Setting], headings: RunHeadings,
    count: _Count, trade: TradeOff,
) -> Iterator[Moved]:
    """Choose again with other settings, and without each day of trials, site and day of the run.

    What another setting moves is all that it would move if it were asked for. Where data are left
    out, the ground that is beyond stays that of all trials; trials that are pairs of this run go
    with their site and day.

    Parameters
    ----------
    choice : Choice
        What was chosen by.
    height : float
        That it gives.
    settings : iterable of Setting
        From ``settings_of``; their heights are among those that the headings were swept at.
    headings : RunHeadings
        Of the run.
    count : callable
        Gives the trade-off of some headings.
    trade : TradeOff
        Of all of them.
    """
    for one in settings:
        value = None if one.climbed is None else recommend(
            count(headings.against(one.climbed).decided(), confidence=one.choice.confidence),
            one.climbed.low, choice.risk).value
        yield Moved(what=one.what, setting=f"{one.share:g}", value=value)
    for risk in _RISKS:
        yield Moved(what="risk", setting=f"{risk:g}", value=recommend(trade, height, risk).value)
    yield from _without_days(choice, trade)
    yield from _without_ground(choice, height, headings, count)


def _without_ground(
    choice: Choice, height: float, headings: RunHeadings, count: _Count
) -> Iterator[Moved]:
    decided, counted = headings.decided(), headings.counted
    pairs = np.array(headings.sweep.ids)[headings.sweep.pair]
    kinds: tuple[tuple[What, NDArray[np.str_]], ...] = (
        ("without site", headings.site), ("without day", headings.day))
    for what, names in kinds:
        for name in _largest(names[headings.of_rover]):
            own = choice.height_without(pairs[names == name].tolist(), height)
            left = count(decided.of(names[counted] != name))
            yield Moved(what=what, setting=name or "not stated",
                        value=recommend(left, own, choice.risk).value)


def _without_days(choice: Choice, trade: TradeOff) -> Iterator[Moved]:
    days = np.array([t.date.isoformat() for t in choice.group.trials])
    for day in _largest(days):
        rest = choice.without(t.id for t in choice.group.trials if t.date.isoformat() == day)
        value = None if rest is None else recommend(trade, rest.height(), choice.risk).value
        yield Moved(what="without trials of", setting=day, value=value)


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
