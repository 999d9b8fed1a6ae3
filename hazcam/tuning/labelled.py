"""Trials from the pairs of a run that someone walked.

A pair makes a trial where the demand of the walked heading is known: the greatest one of its kind
over the whole look-ahead. Where ground that was not seen could hold a greater one, it is not
known, and the pair is left out, whatever came of it. That is decided before the outcome is looked
at, so that leaving pairs out favours neither; a failure counts whatever demand may have caused it,
since leaving out those that are blamed on something else would make the curve too bright.

Ground in the near strip counts as it was assumed when the pair was assessed; what the turn in place
before the walk demanded does not count. Where the rover stopped before the greatest demand, its
failure counts against that demand all the same.

*Such a demand errs upwards.* It is the greatest of many measured stations, and so the luckiest of
their errors. Of n independent ones that is about 1.2 of their sigma on 5 stations of even ground,
2.3 on 60 (the mean of the greatest of n normal values: H. A. David and H. N. Nagaraja, Order
Statistics, 3rd ed. 2003, from memory): 7 mm where each is known to 3 mm. Errors that stations
share, and a peak that stands out, make it less. A verdict holds the same greatest demand against
the limit, so that a curve of such trials is right for it, as far as the ground is alike; one of
obstacles measured with a ruler is not, and the two are not to be fitted together.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from hazcam.campaign.record import Outcome
from hazcam.campaign.store.reader import Run
from hazcam.errors import HazcamError, TrialsError, listed
from hazcam.frames import heading_text
from hazcam.rover.profile import LIMIT_UNITS, LimitName, Limits
from hazcam.stored import StoredDemands
from hazcam.tuning import cells
from hazcam.tuning.measured import greatest_demand, names_of, rounded
from hazcam.tuning.record import Conditions, Trial
from hazcam.tuning.table import folded
from hazcam.verdict.chance import groups_of, limit_of
from hazcam.verdict.record import LIMIT_OF, MEASURED, HeadingDemand

_DIGITS = {"m": 3, "deg": 1}
# What could hide counts as no taller than the greatest demand within so many of its sigma.
_SIGMAS = 2.0
_LABELS = ("add walked_heading_deg and walked_outcome to the manifest that the run was made from "
           "(made from a folder: write one into that folder with `hazcam manifest`), and give it "
           "to `hazcam batch` again with the same -o: adding labels needs no new assessment")


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """A pair that was walked and makes no trial, what came of it, and why it makes none."""

    pair: str
    outcome: Outcome
    why: str


@dataclass(frozen=True, kw_only=True)
class LabelledTrials:
    """The trials of a run.

    Attributes
    ----------
    trials : tuple of Trial
        At least one, by the id of the pair.
    left_out : tuple of LeftOut
        The other pairs that were walked.
    assumed_m : float
        How far from the nose, at the most, ground out of view was assumed clear. [m]
    """

    trials: tuple[Trial, ...]
    left_out: tuple[LeftOut, ...]
    assumed_m: float


class _NoTrialError(Exception):
    """Why a pair makes no trial."""


def trials_of_run(
    run: Run, *, kind: LimitName, gait: str, ground: str | None, gravity_mps2: float
) -> LabelledTrials:
    """Take trials from the pairs of a run that were walked.

    Parameters
    ----------
    run : Run
        With labelled pairs.
    kind : str
        Of the demand. For ``belly`` what the settled body would touch counts too, as it is held
        against the same limit.
    gait, ground : str
        That they were walked in, and on; ``ground`` None: the site of each pair.
    gravity_mps2 : float
        [m/s^2]

    Raises
    ------
    TrialsError
        A kind that is not measured, conditions that are missing or are none, no labelled pair, none
        that makes a trial.
    HazcamError
        The run is damaged.
    """
    if not names_of(kind):
        raise TrialsError(f"kind {kind}", "is not measured in a run: all that is known of a gap is "
                          "how much ground was not seen", f"one of {', '.join(_measured_kinds())}",
                          "write the table of trials by hand, with the gap as you measured it")
    gait, gravity_mps2 = cells.words("gait", gait), cells.gravity("gravity", gravity_mps2)
    walked = _walked(run)
    grounds = _grounds(run, walked, ground)
    stored = set(run.table("demands", columns=["pair"])["pair"].tolist())
    trials, left_out, assumed_m = [], [], 0.0
    for row, site in zip(walked, grounds, strict=True):
        try:
            store, demand = _demand(run, row, stored)
            conditions = Conditions(rover=store.rover.name, gait=gait, ground=site,
                                    gravity_mps2=gravity_mps2, kind=kind)
            trials.append(_trial(row, conditions, demand, store.rover.limits))
            assumed_m = max(assumed_m, demand.assumed_m)
        except _NoTrialError as error:
            left_out.append(LeftOut(pair=str(row["pair"]), why=str(error),
                                    outcome=cells.outcome("", str(row["walked_outcome"]))))
    if not trials:
        raise _none(run, left_out)
    return LabelledTrials(trials=tuple(trials), left_out=tuple(left_out), assumed_m=assumed_m)


def _measured_kinds() -> tuple[str, ...]:
    return tuple(kind for kind in LIMIT_UNITS if names_of(kind))


def _walked(run: Run) -> Any:
    """The labelled rows of the table ``pairs``."""
    pairs = run.table("pairs", columns=["pair", "taken_at", "site", "walked_heading_deg",
                                        "walked_outcome"])
    walked = pairs[(pairs["walked_outcome"] != "") & np.isfinite(pairs["walked_heading_deg"])]
    if not len(walked):
        raise TrialsError(str(run.file), f"none of its {len(pairs)} pairs says that someone let "
                          "the rover walk", "pairs with a heading that was walked, and what came "
                          "of it", _LABELS)
    return walked


def _grounds(run: Run, walked: Any, ground: str | None) -> Sequence[str]:
    """What each labelled pair was walked on."""
    if ground is not None:
        return [cells.words("ground", ground)] * len(walked)
    sites = [str(site).strip() for site in walked["site"]]
    without = [str(pair) for pair, site in zip(walked["pair"], sites, strict=True) if not site]
    if without:
        raise TrialsError(str(run.file), f"no ground is given, and {len(without)} of "
                          f"{len(walked)} pairs that were walked have no site: {listed(without)}",
                          "the ground, or a site for each of these pairs",
                          "give --ground \"black sand\", or fill in `site` in the manifest")
    spelling = {folded(site): site for site in reversed(sites)}
    for pair, site in zip(walked["pair"], sites, strict=True):
        first = spelling[folded(site)]
        if site != first:
            raise TrialsError(f"{run.file}: {pair}: site", f"{site!r} is {first!r} of another pair "
                              "but for capitals or spaces", "one spelling of one place",
                              "give --ground, or write the site alike in the manifest")
    return sites


def _demand(run: Run, row: Any, stored: set[str]) -> tuple[StoredDemands, HeadingDemand]:
    """The store of a pair, and what the walked heading demands."""
    id_, heading = str(row["pair"]), float(row["walked_heading_deg"])
    try:
        store = run.demands(id_)
    except HazcamError as error:
        if id_ in stored:  # damaged
            raise
        raise _NoTrialError(error.found) from error
    if store.pair_causes:
        raise _NoTrialError(f"not to be relied on: {store.pair_causes[0].text}")
    for demand in store.demands:
        if round(demand.heading_deg, 6) == round(heading, 6):
            return store, demand
    raise _NoTrialError(_not_judged(heading, [demand.heading_deg for demand in store.demands]))


def _not_judged(heading: float, judged: Sequence[float]) -> str:
    """That a heading is none of those judged, which of them are next to it, and the remedy."""
    below, above = [h for h in judged if h < heading], [h for h in judged if h > heading]
    beside = [*([max(below)] if below else []), *([min(above)] if above else [])]
    return (f"the walked heading, {heading_text(heading)}, was not judged; next to it: "
            f"{', '.join(map(heading_text, beside))}. Write one that was judged if it walked that "
            "way, else assess in a new run with --headings")


def _trial(row: Any, conditions: Conditions, demand: HeadingDemand, limits: Limits) -> Trial:
    if not row["taken_at"]:
        raise _NoTrialError("when it was taken is not stated, so its day is not known")
    value, sigma = _greatest(conditions, demand)
    why = _could_be_more(conditions.kind, demand, value + _SIGMAS * sigma, limits)
    if why:
        raise _NoTrialError(why)
    id_ = str(row["pair"])
    return Trial(
        id=id_, date=datetime.datetime.fromisoformat(str(row["taken_at"])).date(),
        conditions=conditions, demand=rounded(value), sigma=rounded(sigma),
        outcome=cells.outcome("", str(row["walked_outcome"])), simulated=False,
        note=f"{heading_text(demand.heading_deg)}; {_nearest(demand, limits)}", where=f"pair {id_}")


def _greatest(conditions: Conditions, demand: HeadingDemand) -> tuple[float, float]:
    """The greatest demand of a kind over all stations, 0 where it asks nothing; its sigma there."""
    unit, found = conditions.unit, greatest_demand(demand, conditions.kind)
    if found is None:
        raise _NoTrialError(f"no {conditions.kind} was measured on this heading")
    value, sigma = max(found[0], 0.0), found[1]
    if value > cells.MOST_DEMAND[unit] or sigma > cells.MOST_SIGMA[unit]:
        raise _NoTrialError(f"{conditions.kind} {value:.3g} ± {sigma:.3g} {unit} is no obstacle "
                            "for legs, or hardly measured")
    return value, sigma


# --- what is not known ----------------------------------------------------------------------------


def _could_be_more(kind: LimitName, demand: HeadingDemand, most: float, limits: Limits) -> str:
    """Why a demand greater than ``most`` may be on the way unmeasured; empty if none can."""
    if LIMIT_UNITS[kind] == "deg" and demand.tilt_bound_deg > 0:
        return "roll and pitch of the rover are not known, so no angle is known against gravity"
    if kind in ("slope", "roll"):
        unknown = ~np.isfinite(getattr(demand, kind)) & (demand.station_m >= demand.assumed_m)
        return "" if not unknown.any() else (
            f"too little ground is seen about {_first(demand, unknown)} to know its slope")
    if demand.outside.any():
        return f"not in both pictures at {_first(demand, demand.outside)}"
    if kind in ("step", "belly"):
        return _taller(demand, most)
    return _deeper(demand, limits) if kind == "drop" else ""


def _first(demand: HeadingDemand, where: Any) -> str:
    return f"{demand.station_m[int(np.argmax(where))]:.2f} m from the nose"


def _taller(demand: HeadingDemand, most_m: float) -> str:
    taller = demand.hidden_m > most_m
    if not taller.any():
        return ""
    height = demand.hidden_m[int(np.argmax(taller))]
    size = f"up to {height:.3f} m" if np.isfinite(height) else "of any height"
    return (f"something {size} could hide at {_first(demand, taller)}, more than the "
            "greatest that was measured")


def _deeper(demand: HeadingDemand, limits: Limits) -> str:
    """A run that may be a hole by itself and that the legs do not bridge, as in the verdict."""
    groups = groups_of(demand, limits.gap.value)
    holes = np.nonzero((groups.length_m > limits.gap.value) & ~groups.explained)[0]
    if not holes.size:
        return ""
    i = int(holes[np.argmin(groups.at_m[holes])])
    return (f"{groups.length_m[i]:.3f} m of ground are not seen from {groups.at_m[i]:.2f} m from "
            "the nose on: any drop could hide there")


def _nearest(demand: HeadingDemand, limits: Limits) -> str:
    """Of all measured demands the one that is the greatest share of its limit."""
    peaks = {name: float(np.nanmax(values)) for name in MEASURED
             if np.isfinite(values := getattr(demand, name)).any()}
    name = max(peaks, key=lambda n: peaks[n] / max(limit_of(limits, n), 1e-9))
    unit = LIMIT_UNITS[LIMIT_OF.get(name, name)]
    digits = _DIGITS[unit]
    return (f"nearest its limit: {name} {peaks[name]:.{digits}f} of "
            f"{limit_of(limits, name):.{digits}f} {unit}")


def _none(run: Run, left_out: Sequence[LeftOut]) -> TrialsError:
    told = [f"\n  {one.pair}: {one.why}" for one in left_out[:5]]
    more = f"\n  and {len(left_out) - 5} more" if len(left_out) > 5 else ""
    pairs = "the only pair" if len(left_out) == 1 else f"none of the {len(left_out)} pairs"
    makes = "makes no trial" if len(left_out) == 1 else "makes a trial"
    return TrialsError(
        str(run.file), f"{pairs} that {'was' if len(left_out) == 1 else 'were'} walked {makes}:"
        f"{''.join(told)}{more}", "pairs that were assessed in stereo, the walked heading among "
        "those judged, its ground seen", "correct what is said of them and give the manifest to "
        "`hazcam batch` again; or measure the obstacles and write the table by hand")


__all__ = ["LabelledTrials", "LeftOut", "trials_of_run"]
