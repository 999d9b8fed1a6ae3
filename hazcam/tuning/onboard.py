"""What the rover's own algorithm reported, against what was measured; and its rule fitted to that.

The model is a line with errors in both (``structural_line``): of the true demand x the reported
value is ``offset + gain x + u``, u normal with standard deviation ``tau``; the measured demand is x
with the error that its sigma states. A line through reported against measured values would be too
flat.

Both errors are taken as independent. Where the algorithm judges by the same pictures they may not
be: what both get wrong alike makes tau too small, and the gain too large.

*Gross errors.* An obstacle that was not noticed at all is no noise. Pairs farther from the line
than ``FAR`` of their standard deviations are left out of the fit and counted instead: as missed
below it, as overstated above it. The line that first tells them apart is one of repeated medians
[1]_, which they cannot pull; then fit and telling apart alternate until they agree. A miss shows
only where the value expected is farther than that above 0: the share is of such pairs. Misses of
lower obstacles count as noise.

References
----------
.. [1] A. F. Siegel, "Robust regression using repeated medians," Biometrika, vol. 69, no. 1,
   pp. 242-244, 1982.
.. [2] P. J. Rousseeuw and A. M. Leroy, Robust Regression and Outlier Detection, Wiley, 1987,
   chapter 5 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, siegelslopes
from scipy.stats import t as student

from hazcam.campaign.store.reader import Run
from hazcam.errors import listed
from hazcam.frames import Floats, read_only
from hazcam.rover.profile import LIMIT_UNITS, LimitName
from hazcam.tuning.onboard_rule import EACH, GrossErrors, NoOnboardRule, OnboardRule
from hazcam.tuning.structural_line import StructuralLine, noise_bound, structural_line
from hazcam.verdict.record import LIMIT_OF, MEASURED, HeadingDemand

STRAIGHT_DEG = 5.0
"""A heading no farther from 0 is straight ahead: 9 cm aside at 1 m, within the swath."""
LEAST_PAIRS = 8
"""Five numbers are fitted. Our choice, no source."""
FAR = 4.0
"""Standard deviations: normal noise goes beyond once in 16 000."""
MOST_GROSS = 0.25
"""Share of gross errors above which the reported value is not a line with noise."""

_START = 500  # pairs that the first line goes through: it compares each with each
_FAR_AT_FIRST = 6.0
_ROUNDS = 20
_EXACT_M = 1e-9  # what stands for the error of a demand that is known exactly

_Mask = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class OnboardReports:
    """Values that the algorithm on board reported, each with the demand measured straight ahead.

    Attributes
    ----------
    kind : str
        Of the demand, as the limit it is held against.
    pairs, sites, rovers : tuple of str
        Id; site as stated, empty where it is not; name of the rover assessed for.
    reported : ndarray of shape (n,)
        Values. [m]
    demand, sigma : ndarray of shape (n,)
        Greatest measured demand within the look-ahead, and one standard deviation of it. [m]
    left_out : tuple of (str, str)
        Pairs with a value that have no such demand, and why.
    silent : int
        Pairs without a value.
    reason : str
        Why no pair could be taken; empty where some were.
    """

    kind: LimitName
    pairs: tuple[str, ...]
    sites: tuple[str, ...]
    rovers: tuple[str, ...]
    reported: Floats
    demand: Floats
    sigma: Floats
    left_out: tuple[tuple[str, str], ...] = ()
    silent: int = 0
    reason: str = ""

    def __post_init__(self) -> None:
        for name in ("reported", "demand", "sigma"):
            value = read_only(getattr(self, name), np.float64)
            if value.shape != (len(self.pairs),) or not np.isfinite(value).all():
                raise ValueError(f"{name} of OnboardReports needs a finite number for each of "
                                 f"{len(self.pairs)} pairs")
            object.__setattr__(self, name, value)
        if not len(self.pairs) == len(self.sites) == len(self.rovers):
            raise ValueError("OnboardReports need a site and a rover for each pair")
        if np.any(self.sigma < 0):
            raise ValueError("sigma of OnboardReports is 0 or more")

    def of_rover(self, name: str) -> OnboardReports:
        """Those of one rover; pairs left out stay listed."""
        at = [i for i, rover in enumerate(self.rovers) if rover == name]
        return replace(
            self, pairs=tuple(self.pairs[i] for i in at), sites=tuple(self.sites[i] for i in at),
            rovers=(name,) * len(at), reported=self.reported[at], demand=self.demand[at],
            sigma=self.sigma[at],
            reason=self.reason if at or self.reason else f"no value reported by {name}")


class _Report(NamedTuple):
    """One pair with both numbers."""

    pair: str
    site: str
    rover: str
    reported: float
    demand: float
    sigma: float


def onboard_reports(run: Run, kind: LimitName) -> OnboardReports:
    """The values that the algorithm on board reported in a run, against one kind of demand.

    Parameters
    ----------
    run : Run
        From ``open_run``.
    kind : str
        Of the demand. The value is a length: of kinds in degrees there are none, nor of ``gap``,
        which is not measured but bounded.

    Raises
    ------
    HazcamError
        Stored demands that are damaged.
    """
    pairs = run.table("pairs", columns=["pair", "site", "onboard_value_m"])
    said = pairs[np.isfinite(pairs["onboard_value_m"])]
    silent, reason = len(pairs) - len(said), _no_length(kind)
    if reason or not len(said):
        return _reports(kind, [], [], silent, reason or "no pair has a value that the rover's own "
                        "algorithm reported (onboard: value_m, onboard_value_m)")
    rovers, against = _rovers(run), _against(run)
    found: list[_Report] = []
    left_out = []
    for row in said:
        id_ = str(row["pair"])
        taken = against.get(id_, "was not assessed") or _measured(run, id_, kind)
        if isinstance(taken, str):
            left_out.append((id_, taken))
        else:
            found.append(_Report(id_, str(row["site"]), rovers[id_],
                                 float(row["onboard_value_m"]), *taken))
    reason = "" if found else f"no pair with a reported value has a {kind} measured straight ahead"
    return _reports(kind, found, left_out, silent, reason)


def _reports(
    kind: LimitName, found: list[_Report], left_out: list[tuple[str, str]], silent: int, reason: str
) -> OnboardReports:
    pairs, sites, rovers, *numbers = zip(*found, strict=True) if found else ((),) * 6
    reported, demand, sigma = (np.array(column, dtype=np.float64) for column in numbers)
    return OnboardReports(
        kind=kind, pairs=pairs, sites=sites, rovers=rovers, reported=reported, demand=demand,
        sigma=sigma, left_out=tuple(left_out), silent=silent, reason=reason)


def _no_length(kind: LimitName) -> str:
    """Why values cannot be held against demands of a kind; empty where they can."""
    if LIMIT_UNITS[kind] != "m":
        return f"the reported value is a length, {kind} an angle"
    return "" if kind in MEASURED else f"{kind} is not measured: unseen ground bounds it"


def _rovers(run: Run) -> dict[str, str]:
    """Name of the rover that each assessed pair was assessed for."""
    rovers = run.table("rovers", columns=["digest", "name"])
    names = dict(zip(rovers["digest"].tolist(), rovers["name"].tolist(), strict=True))
    assessed = run.table("assessments", columns=["pair", "rover"])
    return {str(row["pair"]): str(names[row["rover"]]) for row in assessed}


def _against(run: Run) -> dict[str, str]:
    """What speaks against the whole of each assessed pair; empty where its demands can be used."""
    stereo = set(run.table("demands")["pair"].tolist())
    rows = run.table("assessments", columns=["pair", "usable", "unusable_because"])
    return {str(row["pair"]): str(row["unusable_because"]) if not row["usable"]
            else "" if str(row["pair"]) in stereo else "has no stereo" for row in rows}


def _measured(run: Run, id_: str, kind: LimitName) -> tuple[float, float] | str:
    """Greatest demand straight ahead and its sigma, or why there is none."""
    ahead = min(run.demands(id_).demands, key=lambda d: abs(d.heading_deg))
    if abs(ahead.heading_deg) > STRAIGHT_DEG:
        return f"was not judged straight ahead: its nearest heading is {ahead.heading_deg:g} deg"
    return _greatest(ahead, kind) or f"no {kind} could be measured straight ahead"


def _greatest(heading: HeadingDemand, kind: LimitName) -> tuple[float, float] | None:
    names = [name for name in MEASURED if LIMIT_OF.get(name, name) == kind]
    value = np.concatenate([getattr(heading, name) for name in names])
    sigma = np.concatenate([heading.sigma[name] for name in names])
    if np.isnan(value).all():
        return None
    at = int(np.nanargmax(value))
    return float(value[at]), float(sigma[at])


# --- the fit --------------------------------------------------------------------------------------


def fit_onboard(reports: OnboardReports) -> OnboardRule | NoOnboardRule:
    """Fit what the algorithm on board reports of a true demand.

    Parameters
    ----------
    reports : OnboardReports
        Of one rover.

    Returns
    -------
    OnboardRule or NoOnboardRule
        The latter where nothing, too little, or something else than the demand was reported.
    """
    why = _too_little(reports)
    if why:
        return NoOnboardRule(reason=why)
    kept = _near_at_first(reports)
    for _ in range(_ROUNDS):
        if kept.sum() < max(LEAST_PAIRS, (1 - MOST_GROSS) * len(kept)):
            return NoOnboardRule(reason=f"{len(kept) - kept.sum()} of {len(kept)} reported values "
                                        "lie far off the line that the others follow")
        line = structural_line(reports.demand[kept], reports.sigma[kept], reports.reported[kept])
        if line is None:
            return NoOnboardRule(reason=_not_told_apart(kept))
        near = np.abs(_far(line, reports)[0]) <= FAR
        if np.array_equal(near, kept):
            return _rule(reports, line, kept)
        kept = near
    return NoOnboardRule(reason="which of the reported values lie far off the line of the others "
                                "does not settle")


def _too_little(reports: OnboardReports) -> str:
    """Why no line can be fitted; empty where one can."""
    names = sorted(set(reports.rovers))
    n = len(reports.pairs)
    if not n:
        return reports.reason
    if len(names) > 1:
        return f"the values are of {len(names)} rovers ({listed(names)}): fit them one by one"
    if n < LEAST_PAIRS:
        return (f"{n} pairs have both a reported value and a {reports.kind} measured straight "
                f"ahead; {LEAST_PAIRS} are the least (our choice: five numbers are fitted)")
    if _all_the_same(reports):
        return (f"the demands measured are all the same within their errors: {n} pairs about "
                f"{reports.demand.mean():.3f} m do not show what is reported of others")
    if np.ptp(reports.reported) == 0:
        return (f"the reported value does not follow the demand: it is "
                f"{reports.reported[0]:g} m in all {n} pairs")
    return ""


def _all_the_same(reports: OnboardReports) -> bool:
    """Do errors alone explain how the demands differ, as Cochran's Q has it, at 95 %?"""
    weight = 1 / np.maximum(reports.sigma, _EXACT_M) ** 2
    off = reports.demand - np.average(reports.demand, weights=weight)
    return float(weight @ off**2) <= float(chi2.ppf(0.95, len(off) - 1))


def _near_at_first(reports: OnboardReports) -> _Mask:
    """Pairs near a line of repeated medians, which gross errors in up to half cannot pull.

    Their scale is the median deviation, with the usual correction for few of them [2]_.
    """
    order = np.argsort(reports.demand, kind="stable")
    some = order[np.unique(np.linspace(0, len(order) - 1, _START).astype(int))]
    slope, at_0 = siegelslopes(reports.reported[some], reports.demand[some])
    off = np.abs(reports.reported - at_0 - slope * reports.demand)
    scale = 1.4826 * (1 + 5 / (len(off) - 2)) * float(np.median(off))
    return np.asarray(off <= _FAR_AT_FIRST * scale)


def _far(line: StructuralLine, reports: OnboardReports) -> tuple[Floats, Floats]:
    """How far each value lies off the line, and the line off 0, in its standard deviations."""
    sd = np.hypot(line.tau, line.gain * reports.sigma)
    expected = line.offset + line.gain * reports.demand
    return (reports.reported - expected) / sd, expected / sd


def _rule(
    reports: OnboardReports, line: StructuralLine, kept: _Mask
) -> OnboardRule | NoOnboardRule:
    """The rule of a line through the pairs that were kept, or why it is none."""
    n = int(kept.sum())
    sigma = float(np.sqrt(line.covariance[1, 1] * n / (n - 2)))
    if line.gain <= student.ppf(0.95, n - 2) * sigma:
        return NoOnboardRule(reason=f"the reported value does not follow the demand: its gain is "
                                    f"{line.gain:.2g} ± {sigma:.2g}, not surely above 0")
    tau_least, tau_most = (
        noise_bound(line, reports.demand[kept], reports.sigma[kept], reports.reported[kept], c)
        for c in (EACH, 1 - EACH))
    if not tau_most > line.tau:
        return NoOnboardRule(reason=_not_told_apart(kept))
    far, above = _far(line, reports)
    below, over = ~kept & (far < 0), ~kept & (far > 0)
    tried = int(np.sum((above > FAR) | below))
    if not tried:
        return NoOnboardRule(reason=f"no {reports.kind} was large enough to stand out of the noise "
                             f"of the reported value, {line.tau:.3f} m: whether obstacles are "
                             "missed wholly is not known")
    return OnboardRule(
        rover=reports.rovers[0], kind=reports.kind, offset_m=line.offset, gain=line.gain,
        tau_m=line.tau, covariance=line.covariance, tau_least_m=tau_least, tau_most_m=tau_most,
        mean_m=line.mean, spread_m=line.spread,
        least_demand_m=float(reports.demand[kept].min()),
        most_demand_m=float(reports.demand[kept].max()), pairs=n,
        missed=GrossErrors(pairs=_ids(reports, below), tried=tried),
        overstated=GrossErrors(pairs=_ids(reports, over), tried=len(kept)))


def _not_told_apart(kept: _Mask) -> str:
    return (f"the errors of our own measurement explain how {kept.sum()} reported values scatter: "
            "the rover's own noise is not told apart from them")


def _ids(reports: OnboardReports, which: _Mask) -> tuple[str, ...]:
    return tuple(reports.pairs[i] for i in np.flatnonzero(which))


__all__ = ["FAR", "LEAST_PAIRS", "OnboardReports", "fit_onboard", "onboard_reports"]
