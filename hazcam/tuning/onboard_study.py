"""The rover's own stop rule on the ground of a run: its mistakes, and the number to set."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hazcam.campaign.store.reader import Run
from hazcam.frames import Floats
from hazcam.tuning.onboard import fit_onboard
from hazcam.tuning.onboard_mistakes import RuleMistakes, false_go_and_needless
from hazcam.tuning.onboard_reports import OnboardReports, onboard_reports
from hazcam.tuning.onboard_rule import NoOnboardRule, NoThreshold, OnboardRule, threshold_for
from hazcam.tuning.record import Conditions

_MOST_RISK = 0.5  # a rule that walks into every second obstacle is none


@dataclass(frozen=True, kw_only=True, eq=False)
class OnboardStudy:
    """What is known of the rule on board.

    Attributes
    ----------
    reports : OnboardReports
        Values reported, of the trials' rover.
    rule : OnboardRule or NoOnboardRule
        The line from the demand to the value, with its noise; or why it is not known: then only
        the ground's limit is tuned.
    thresholds : ndarray of shape (m,)
        That were tried. [m]
    mistakes : RuleMistakes or None
        On the ground of the reports, silent pairs too, against the height climbed; None without a
        rule or a height.
    threshold : float or NoThreshold or None
        The greatest at which the rule stops at the height climbed but for the risk; None as above.
    """

    reports: OnboardReports
    rule: OnboardRule | NoOnboardRule
    thresholds: Floats
    mistakes: RuleMistakes | None
    threshold: float | NoThreshold | None


def study_onboard(
    run: Run, conditions: Conditions, height: float, risk: float, thresholds: Floats
) -> OnboardStudy:
    """Fit what the rover reported to what was measured, and tune its threshold.

    Parameters
    ----------
    run : Run
    conditions : Conditions
        Of the trials.
    height : float
        That is climbed with the reliability, at the confidence; -inf: none. [m]
    risk : float
        Share of the ground at that height at which the rule may walk on.
    thresholds : ndarray of shape (m,)
        To be tried. [m]
    """
    reports = onboard_reports(run, conditions.kind).of_rover(conditions.rover)
    rule = fit_onboard(reports)
    mistakes, threshold = None, None
    if isinstance(rule, OnboardRule) and math.isfinite(height) and height > 0:
        demand = np.r_[reports.demand, [one.demand for one in reports.silent]]
        sigma = np.r_[reports.sigma, [one.sigma for one in reports.silent]]
        mistakes = false_go_and_needless(rule, demand, sigma, height, thresholds)
        threshold = threshold_for(rule, height, min(risk, _MOST_RISK - 1e-9))
    return OnboardStudy(reports=reports, rule=rule, thresholds=np.asarray(thresholds),
                        mistakes=mistakes, threshold=threshold)
