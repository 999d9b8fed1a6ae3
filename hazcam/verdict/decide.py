"""The comparison: demands against limits at a stated confidence."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hazcam.disparity.record import BLANK_WORDS, Blank
from hazcam.rover.profile import LIMIT_UNITS, Limits
from hazcam.terrain.record import CellState
from hazcam.verdict.chance import (
    exceeding,
    groups_of,
    hole_hidden,
    least_height,
    limit_of,
    tilt_bound,
    turn_exceeding,
    worst_name,
)
from hazcam.verdict.record import LIMIT_OF, MEASURED, Cause, HeadingDemand, HeadingVerdict

_WORDS = {"step": "step", "drop": "drop", "belly": "height under the body",
          "contact": "ground against the settled body",
          "slope": "slope", "roll": "slope across the heading", "tip": "lean towards overturning"}

_ATTITUDE = "attitude unknown"
HIDDEN, OUTSIDE = "hidden from the cameras", "outside the pictures"


def decide(
    demand: HeadingDemand, limits: Limits, confidence: float, *, pair_causes: tuple[Cause, ...] = ()
) -> HeadingVerdict:
    """Judge one heading.

    ``go`` needs that all demands of the whole look-ahead together exceed a limit with a probability
    of at most 1 - confidence (``chance``), every unseen run that nothing explains to be no longer
    than the legs bridge, and nothing taller than the limits able to hide.

    Parameters
    ----------
    demand : HeadingDemand
        What the heading demands.
    limits : Limits
        What the legs can do.
    confidence : float
        Between 0.5 and 1.
    pair_causes : tuple of Cause
        What speaks against every heading of the pair.
    """
    sigmas = float(ndtri(confidence))
    turn = _turn(demand, limits, sigmas)
    measured = [*(c for c in turn if c.kind in MEASURED),
                *(c for name in MEASURED for c in _measured(demand, name, limits, sigmas))]
    unseen = [*pair_causes, *_unseen(demand, limits, sigmas),
              *(c for c in turn if c.kind not in MEASURED)]
    causes = [*unseen, *measured]
    chance = 1 - ((1 - exceeding(demand, limits)) * (1 - hole_hidden(demand, limits))
                  * (1 - turn_exceeding(demand, limits)))
    if not chance[-1] <= 1 - confidence:  # what is no number is no go
        together = _together(demand, limits, chance, confidence)
        if together.at_m < min((c.at_m for c in causes), default=np.inf):
            causes.append(together)
    causes.sort(key=lambda c: c.at_m)
    clear = max(min((c.at_m for c in causes), default=demand.look_ahead_m), 0.0)
    return HeadingVerdict(
        heading_deg=demand.heading_deg, verdict="ask-ground" if causes else "go",
        clear_m=min(clear, demand.look_ahead_m), assumed_m=min(demand.assumed_m, clear),
        causes=tuple(causes),
        probability=float(chance[-1]) if demand.seen_share.any() else float("nan"),
        bounded=_is_bounded(unseen, measured),
    )


def _is_bounded(unseen: list[Cause], measured: list[Cause]) -> bool:
    """Does nothing that is not known come before what was measured to exceed a limit?"""
    unknown = [c.at_m for c in unseen] + [c.at_m for c in measured if c.kind == _ATTITUDE]
    known = [c.at_m for c in measured if c.kind != _ATTITUDE]
    return not unknown or min(known, default=np.inf) < min(unknown)


def _unit(name: str) -> str:
    return LIMIT_UNITS[LIMIT_OF.get(name, name)]


def _together(
    demand: HeadingDemand, limits: Limits, chance: NDArray[np.float64], confidence: float
) -> Cause:
    """No single demand is over its limit at the stated confidence, but all together may be."""
    i = int(np.argmax(~(chance <= 1 - confidence)))
    hidden = hole_hidden(demand, limits)[-1]
    total = f"in all {100 * chance[-1]:.1f} %, allowed {100 * (1 - confidence):.1f} %"
    if hidden > exceeding(demand, limits)[-1]:
        return Cause(
            kind="unseen run", at_m=float(demand.station_m[i]), demand=None, sigma=None, limit=None,
            unit="", reason=HIDDEN,
            text=f"a hole could lie behind what is seen up to {demand.station_m[i]:.2f} m with a "
                 f"probability of {100 * hidden:.1f} % ({total})")
    name, at = worst_name(demand, limits, i)
    value, sigma = getattr(demand, name)[at], demand.sigma[name][at]
    limit, unit = limit_of(limits, name), _unit(name)
    digits = 3 if unit == "m" else 1
    return Cause(
        kind=name, at_m=float(demand.station_m[i]), demand=float(value), sigma=float(sigma),
        limit=limit, unit=unit,
        text=f"{_WORDS[name]} {value:.{digits}f} ± {sigma:.{digits}f} {unit} at "
             f"{demand.station_m[at]:.2f} m, limit {limit:.{digits}f} {unit}: with what else lies "
             f"on the way the probability of exceeding a limit is too high ({total})")


def _measured(
    demand: HeadingDemand, name: str, limits: Limits, sigmas: float
) -> list[Cause]:
    """Where a measured demand first may exceed its limit; before that, where tilt alone may."""
    value, sigma = getattr(demand, name), demand.sigma[name]
    limit, unit = limit_of(limits, name), _unit(name)
    extra = tilt_bound(demand, name)
    with np.errstate(invalid="ignore"):
        # Where there is a value, only a comparison that holds lets it pass.
        known, worst = np.isfinite(value), value + sigmas * sigma
        tilted = np.nonzero(known & ~(worst + extra <= limit))[0]
        beyond = np.nonzero(known & ~(worst <= limit))[0]
    causes = []
    if tilted.size and (beyond.size == 0 or tilted[0] < beyond[0]):
        i = int(tilted[0])
        causes.append(Cause(
            kind=_ATTITUDE, at_m=float(demand.station_m[i]),
            demand=float(value[i]) + extra, sigma=float(sigma[i]), limit=limit, unit=unit,
            text=f"attitude unknown: {_WORDS[name]} {value[i]:.1f} deg against the plane of the "
                 f"feet, up to {value[i] + extra:.1f} deg against gravity, limit {limit:.1f} deg",
        ))
    if beyond.size:
        i = int(beyond[0])
        causes.append(Cause(
            kind=name, at_m=float(demand.station_m[i]), demand=float(value[i]),
            sigma=float(sigma[i]), limit=limit, unit=unit,
            text=_comparison(demand, name, beyond, sigmas, limit),
        ))
    return causes


def _comparison(
    demand: HeadingDemand, name: str, beyond: NDArray[np.intp], sigmas: float, limit: float
) -> str:
    """The first exceedance in words; how far it rises behind that, or why it counts at all."""
    value, sigma, unit = getattr(demand, name), demand.sigma[name], _unit(name)
    digits, i = (3 if unit == "m" else 1), int(beyond[0])
    # The stations that follow without a break: the near side of a thing is not all of it.
    breaks = np.nonzero(np.diff(beyond) > 1)[0]
    peak = float(np.max(value[beyond[: breaks[0] + 1] if breaks.size else beyond]))
    worst = value[i] + sigmas * sigma[i]
    if peak > limit and peak > worst:
        more = f", up to {peak:.{digits}f} {unit} behind"
    elif value[i] <= limit:
        more = f", at the stated confidence up to {worst:.{digits}f} {unit}"
    else:
        more = ""
    return (f"{_WORDS[name]} {value[i]:.{digits}f} ± {sigma[i]:.{digits}f} {unit} at "
            f"{demand.station_m[i]:.2f} m{more}, limit {limit:.{digits}f} {unit}")


def _unseen(demand: HeadingDemand, limits: Limits, sigmas: float) -> list[Cause]:
    """What the unseen ground says against the heading."""
    if not np.any(demand.seen_share > 0):
        return [Cause(kind="no ground seen", at_m=0.0, demand=None, sigma=None, limit=None,
                      unit="", text="no ground is seen on this heading")]
    if demand.assumed_m >= demand.look_ahead_m:
        return [Cause(kind="outside view", at_m=0.0, demand=None, sigma=None, limit=None, unit="",
                      text="all of the look-ahead would be assumed clear")]
    causes = [_run(demand, limits, sigmas), _hidden(demand, limits), _outside(demand),
              _no_slope(demand)]
    return [c for c in causes if c is not None]


def _turn(demand: HeadingDemand, limits: Limits, sigmas: float) -> list[Cause]:
    """What speaks against the turn in place that comes first."""
    turn = demand.turn
    if turn is None:
        return []
    circle = f"in the circle of {demand.turn_radius_m:.2f} m that the turn sweeps"
    causes = []
    if not demand.turn_assumed:
        causes.append(Cause(
            kind="outside view", at_m=0.0, demand=demand.turn_radius_m, sigma=None, limit=None,
            unit="m", reason=OUTSIDE,
            text=f"ground {circle} is out of view, more than may be assumed clear"))
    for kind, value, limit in (
        ("step", turn.step_m, least_height(limits)),
        ("drop", turn.drop_m, limits.drop.value),
    ):
        if not value + sigmas * turn.sigma_m <= limit:
            causes.append(Cause(
                kind=kind, at_m=0.0, demand=value, sigma=turn.sigma_m, limit=limit, unit="m",
                text=f"{kind} {value:.3f} ± {turn.sigma_m:.3f} m {circle}, limit {limit:.3f} m"))
    if turn.hidden_m > least_height(limits):
        causes.append(Cause(
            kind="hidden obstacle", at_m=0.0, demand=turn.hidden_m, sigma=None,
            limit=least_height(limits), unit="m", reason=HIDDEN,
            text=f"something too tall could hide {circle}"))
    if turn.unseen_m > limits.gap.value:
        causes.append(Cause(
            kind="unseen run", at_m=0.0, demand=turn.unseen_m, sigma=None, limit=limits.gap.value,
            unit="m", reason=HIDDEN, text=f"ground {circle} was looked at and not seen"))
    return causes


def _run(demand: HeadingDemand, limits: Limits, sigmas: float) -> Cause | None:
    """The nearest group of unseen runs that may be a hole too long for the legs."""
    limit = limits.gap.value
    groups = groups_of(demand, limit)
    at_m, length_m, sigma_m = groups.at_m, groups.length_m, groups.sigma_m
    worst = length_m + sigmas * sigma_m
    beyond = np.nonzero((worst > limit) & ~groups.explained)[0]
    if beyond.size == 0:
        return None
    i = int(beyond[np.lexsort((-length_m[beyond], at_m[beyond]))[0]])
    at, length, sigma = float(at_m[i]), float(length_m[i]), float(sigma_m[i])
    more = "" if length > limit else f" (at the stated confidence up to {worst[i]:.3f} m)"
    why = _why(demand, at, length)
    return Cause(
        kind="unseen run", at_m=at, demand=length, sigma=sigma, limit=limit, unit="m", reason=why,
        text=f"{length:.3f} ± {sigma:.3f} m{more} of ground not seen under a foot track from "
             f"{at:.2f} m ({why}): a drop could hide there, bridgeable "
             f"{limit:.3f} m",
    )


def _hidden(demand: HeadingDemand, limits: Limits) -> Cause | None:
    limit = least_height(limits)
    beyond = np.nonzero((demand.hidden_m > limit) & ~demand.outside)[0]
    if beyond.size == 0:
        return None
    i = int(beyond[0])
    at, height = float(demand.station_m[i]), float(demand.hidden_m[i])
    size = f"{height:.3f} m high" if np.isfinite(height) else "of any height"
    why = _why(demand, at, 0.0)
    return Cause(
        kind="hidden obstacle", at_m=at, demand=height, sigma=None, limit=limit, unit="m",
        reason=why,
        text=f"something {size} could hide at {at:.2f} m ({why}), "
             f"limit {limit:.3f} m",
    )


def _outside(demand: HeadingDemand) -> Cause | None:
    beyond = np.nonzero(demand.outside)[0]
    if beyond.size == 0:
        return None
    at = float(demand.station_m[beyond[0]])
    full = (f"only beyond {demand.strip_m:.2f} m" if np.isfinite(demand.strip_m)
            else "nowhere within the look-ahead")
    return Cause(
        kind="outside view", at_m=at, demand=None, sigma=None, limit=None, unit="",
        reason=OUTSIDE,
        text=f"not in both pictures at {at:.2f} m; the swath is in full view {full}",
    )


def _no_slope(demand: HeadingDemand) -> Cause | None:
    unknown = ~np.isfinite(demand.slope) & (demand.station_m >= demand.assumed_m)
    beyond = np.nonzero(unknown)[0]
    if beyond.size == 0:
        return None
    at = float(demand.station_m[beyond[0]])
    return Cause(
        kind="slope unknown", at_m=at, demand=None, sigma=None, limit=None, unit="",
        reason=_why(demand, at, 0.0),
        text=f"too little ground is seen about {at:.2f} m to know its slope",
    )


def _why(demand: HeadingDemand, at_m: float, length_m: float) -> str:
    """Why most of the unseen cells from a station on were not seen, in words."""
    first, last = np.searchsorted(demand.station_m, (at_m - 1e-9, at_m + length_m - 1e-9))
    here = slice(int(first), int(last) + 1)
    states = demand.unseen_state[here]
    states = states[states != CellState.SEEN]
    state = CellState(int(np.bincount(states).argmax())) if states.size else CellState.HIDDEN
    if state == CellState.HIDDEN:
        return HIDDEN
    if state == CellState.OUTSIDE:
        return OUTSIDE
    reasons = demand.unseen_blank[here][demand.unseen_state[here] == CellState.BLANK]
    return f"blank: {BLANK_WORDS[Blank(int(np.bincount(reasons).argmax()))]}"
