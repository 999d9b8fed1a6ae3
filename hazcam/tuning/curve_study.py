"""The success curves of a table of trials, and how walked and simulated ones compare."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from hazcam.errors import TrialsError
from hazcam.tuning.compare import CurveComparison, NoComparison, comparisons_of
from hazcam.tuning.curve import NoCurve, SuccessCurve, curve_of, curves_of
from hazcam.tuning.record import Conditions, TrialTable
from hazcam.tuning.warnings import warnings_of


@dataclass(frozen=True, kw_only=True)
class CurveStudy:
    """What a table of trials says of the chance to climb.

    Attributes
    ----------
    table : TrialTable
        The trials.
    reliability, confidence : float
        Of the height climbed that was asked for.
    simulated_weight : float or None
        With which simulated trials count as a prior of the walked ones; None: not at all.
    curves : tuple of SuccessCurve or NoCurve
        One for each group of the table, in its order.
    without_prior : mapping
        Of walked trials that have a prior what they say alone, by their conditions.
    comparisons : tuple of CurveComparison or NoComparison
        One for all conditions with both walked and simulated trials.
    """

    table: TrialTable
    reliability: float
    confidence: float
    simulated_weight: float | None
    curves: tuple[SuccessCurve | NoCurve, ...]
    without_prior: Mapping[Conditions, SuccessCurve | NoCurve]
    comparisons: tuple[CurveComparison | NoComparison, ...]

    def warnings(self, curve: SuccessCurve | NoCurve) -> tuple[str, ...]:
        """What is to be said against one of the curves, the worst first."""
        conditions = curve.group.conditions
        walked = not curve.group.simulated
        compared = {found.conditions: found for found in self.comparisons}
        return warnings_of(
            curve, reliability=self.reliability, confidence=self.confidence,
            without_prior=self.without_prior.get(conditions) if walked else None,
            comparison=compared.get(conditions) if walked else None)


def curve_study(
    table: TrialTable, *, reliability: float, confidence: float,
    simulated_weight: float | None = None,
) -> CurveStudy:
    """Fit each group of a table, and compare walked with simulated trials.

    Parameters
    ----------
    table : TrialTable
        The trials.
    reliability, confidence : float
        Of the height climbed that is asked for; both between 0.5 and 1.
    simulated_weight : float, optional
        Above 0, at most 1: count each simulated trial so much, as a prior of the walked ones.

    Raises
    ------
    TrialsError
        A weight, and no walked trials with simulated ones under the same conditions.
    """
    if simulated_weight is not None:
        check_has_prior(table)
    curves = curves_of(table.groups(), reliability=reliability, confidence=confidence,
                       prior_weight=simulated_weight or 0.0)
    without = {} if simulated_weight is None else {
        c.group.conditions: curve_of(c.group, reliability=reliability, confidence=confidence)
        for c in curves if isinstance(c, SuccessCurve) and c.prior is not None}
    return CurveStudy(table=table, reliability=reliability, confidence=confidence,
                      simulated_weight=simulated_weight, curves=curves, without_prior=without,
                      comparisons=comparisons_of(curves))


def check_has_prior(table: TrialTable, conditions: Conditions | None = None) -> None:
    """Refuse a weight of simulated trials that would do nothing.

    Parameters
    ----------
    table : TrialTable
        The trials.
    conditions : Conditions, optional
        Of the walked trials that are meant; without them any will do.

    Raises
    ------
    TrialsError
        No walked trials with simulated ones under the same conditions.
    """
    groups = table.groups()
    simulated = {group.conditions for group in groups if group.simulated}
    if any(not group.simulated and group.conditions in simulated
           and conditions in (None, group.conditions) for group in groups):
        return
    found = (f"has no simulated trials of {conditions.text}" if conditions is not None else
             "has no simulated trials" if not simulated else
             "has no walked trials" if all(group.simulated for group in groups) else
             "has walked and simulated trials, but not under the same conditions")
    raise TrialsError(table.name, found, "walked and simulated trials of one rover, gait, ground, "
                      "gravity and kind, where simulated ones are given a weight",
                      "leave --simulated-weight out, or add the simulated trials")


__all__ = ["CurveStudy", "check_has_prior", "curve_study"]
