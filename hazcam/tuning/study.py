"""A limit chosen from trials and a run, with all that speaks for and against it."""

from __future__ import annotations

import datetime
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hazcam.campaign.store.reader import Run
from hazcam.frames import Floats
from hazcam.rover.profile import LIMIT_UNITS, Limit, LimitName, RoverProfile
from hazcam.tuning.curve import SuccessCurve
from hazcam.tuning.flips import Flip, flips_of
from hazcam.tuning.headings import RunHeadings, headings_of, values_of
from hazcam.tuning.onboard_study import OnboardStudy, study_onboard
from hazcam.tuning.recommend import Recommendation, recommend
from hazcam.tuning.rig_study import RigStudy, study_rig
from hazcam.tuning.sensitivity import Choice, Chooser, Moved, sensitivity_of, settings_of
from hazcam.tuning.split import HeldOut, held_out
from hazcam.tuning.tradeoff import TradeOff, trade_off
from hazcam.tuning.two_limits import VALUES, TwoLimits, two_limits
from hazcam.tuning.walked import WalkedGo, walked_go

_HANGS_ON = ("pair", "site", "taken_at", "walked_heading_deg", "walked_outcome", "onboard_verdict",
             "onboard_value_m")
MOST_REASSESSED = 12
"""Pairs that are assessed again with a changed rig."""


@dataclass(frozen=True, kw_only=True)
class Aims:
    """What the limit is to meet.

    Attributes
    ----------
    reliability, confidence : float
        Of the height climbed; the confidence also that of every bound, but for the rule on board,
        whose bounds are at 95 %.
    risk : float
        Most of the headings beyond that may be go.
    costs : tuple of float, or None
        Of a false go and of a needless ask, in one unit of the user's.
    """

    reliability: float
    confidence: float
    risk: float
    costs: tuple[float, float] | None


@dataclass(frozen=True, kw_only=True, eq=False)
class LimitStudy:
    """A limit, chosen.

    Attributes
    ----------
    aims : Aims
    curve : SuccessCurve
        Of the trials.
    headings : RunHeadings
        Of the run.
    rover : RoverProfile
        That its pairs were assessed for.
    today : dict of str to Limit
        What the limit is today, by the name of the rover; of the trials' rover alone.
    trade : TradeOff
        At every value.
    recommendation : Recommendation
    flips : tuple of Flip
        Headings with another verdict than today; empty where nothing is recommended.
    split : HeldOut
        The same choice, counted on ground left out.
    moves : tuple of Moved
        How it moves.
    onboard : OnboardStudy
        The rover's own rule.
    rig : RigStudy or None
        With a changed rig; None where no pictures were given, or nothing is recommended.
    two : TwoLimits or None
        Two limits together, where a second was named.
    made_on : date
    """

    aims: Aims
    curve: SuccessCurve
    headings: RunHeadings
    rover: RoverProfile
    today: dict[str, Limit]
    trade: TradeOff
    recommendation: Recommendation
    flips: tuple[Flip, ...]
    split: HeldOut
    moves: tuple[Moved, ...]
    onboard: OnboardStudy
    rig: RigStudy | None
    two: TwoLimits | None
    made_on: datetime.date

    @property
    def name(self) -> LimitName:
        """Of the limit."""
        return self.curve.group.conditions.kind

    @property
    def unit(self) -> str:
        """Of it: m or deg."""
        return LIMIT_UNITS[self.name]

    def walked(self, place: int) -> WalkedGo:
        """What came of the walked headings that are go with a value of the limit."""
        return walked_go(self.headings, place, self.aims.confidence)


def study_limit(
    run: Run, curve: SuccessCurve, aims: Aims, *, made_on: datetime.date,
    second: tuple[LimitName, SuccessCurve | None] | None = None, pictures: Path | None = None,
) -> LimitStudy:
    """Choose a limit.

    Parameters
    ----------
    run : Run
        From ``open_run``.
    curve : SuccessCurve
        Of trials of its rover, with the aims' reliability and confidence.
    aims : Aims
    made_on : date
        For the record.
    second : tuple, optional
        Another limit to sweep together with the first, and its curve if there are trials of it.
    pictures : Path, optional
        Folder of the manifest, to assess pairs again with a changed rig.

    Raises
    ------
    HazcamError
        A run without demands, or without pairs of the trials' rover, or several rovers of its
        name.
    """
    choice = Choice(group=curve.group, reliability=aims.reliability, confidence=aims.confidence,
                    risk=aims.risk, prior=curve.prior, prior_weight=curve.prior_weight)
    settings = settings_of(choice)
    headings = headings_of(run, curve, others=[s.climbed for s in settings if s.climbed])
    rover = run.demands(headings.sweep.ids[0]).rover
    height, values = curve.climbed.low, headings.sweep.values
    chooser = Chooser(choice=choice, climbed=curve.climbed,
                      held=lambda climbed: headings.against(climbed, run))
    trade = trade_off(headings.decided(), headings.ahead(), values,
                      look_ahead_m=headings.look_ahead_m, confidence=aims.confidence,
                      costs=aims.costs)
    chosen = recommend(trade, height, aims.risk)
    return LimitStudy(
        aims=aims, curve=curve, headings=headings, trade=trade, recommendation=chosen,
        rover=rover, today={rover.name: getattr(rover.limits, curve.group.conditions.kind)},
        flips=flips_of(headings, chosen.place) if chosen.place >= 0 else (),
        split=_split(chooser, headings),
        moves=tuple(sensitivity_of(chooser, settings, headings)),
        onboard=study_onboard(run, curve.group.conditions, height, aims.risk, values),
        rig=None if pictures is None or chosen.value is None else study_rig(
            run, pictures, headings, chosen.value, most=MOST_REASSESSED),
        two=None if second is None else _two(run, curve, second, rover, aims),
        made_on=made_on)


def digest_of_run(run: Run) -> str:
    """SHA-256 over all of a run that a limit hangs on: demands, sites, days, labels, reports."""
    digest = hashlib.sha256()
    for id_, rover, gist in run.gists():
        digest.update(f"{id_}\0{rover}\0{len(gist)}\0".encode())
        digest.update(gist)
    for row in run.table("pairs", columns=_HANGS_ON):
        digest.update(json.dumps([str(value) for value in row]).encode())
    return digest.hexdigest()


def _split(chooser: Chooser, headings: RunHeadings) -> HeldOut:
    def choose(trials_left_out: frozenset[str], kept: NDArray[np.bool_]) -> int:
        found = chooser.without(trials_left_out, kept)
        return -1 if found is None else found.place

    return held_out(headings, choose, chooser.choice.confidence, chooser.choice.group.trials)


def _two(
    run: Run, curve: SuccessCurve, second: tuple[LimitName, SuccessCurve | None],
    rover: RoverProfile, aims: Aims,
) -> TwoLimits:
    name, other_curve = second
    tried: Floats = values_of(name, rover)
    others = tried[np.unique(np.linspace(0, len(tried) - 1, VALUES).astype(int))]
    today = (float(getattr(rover.limits, curve.group.conditions.kind).value),
             float(getattr(rover.limits, name).value))
    return two_limits(run, curve, name, other_curve, today, others, risk=aims.risk,
                      confidence=aims.confidence)
