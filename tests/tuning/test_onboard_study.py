"""The rover's own rule on the ground of a run, against the height that its legs climb."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hazcam.campaign import open_run
from hazcam.tuning import onboard_study
from hazcam.tuning.onboard import fit_onboard
from hazcam.tuning.onboard_mistakes import false_go_and_needless
from hazcam.tuning.onboard_reports import OnboardReports, SilentPair
from hazcam.tuning.onboard_rule import NoOnboardRule, NoThreshold, OnboardRule, threshold_for
from hazcam.tuning.onboard_study import OnboardStudy, study_onboard
from tests.tuning.ground import CONDITIONS
from tests.tuning.onboard_data import reports, simulated
from tests.tuning.runs import Pair, write_run

THRESHOLDS = np.linspace(0, 0.1, 21)


def studied(
    monkeypatch: pytest.MonkeyPatch, found: OnboardReports, height: float = 0.05,
    risk: float = 0.1,
) -> OnboardStudy:
    monkeypatch.setattr(onboard_study, "onboard_reports", lambda run, kind: found)
    return study_onboard(None, CONDITIONS, height, risk, THRESHOLDS)  # type: ignore[arg-type]


def test_mistakes_and_threshold_of_the_rule_that_is_fitted(monkeypatch: pytest.MonkeyPatch) -> None:
    given = simulated(3, 80)
    found = studied(monkeypatch, given)
    rule = fit_onboard(given)
    assert isinstance(rule, OnboardRule)
    assert isinstance(found.rule, OnboardRule)
    assert (found.rule.gain, found.rule.tau_m) == (rule.gain, rule.tau_m)
    assert found.mistakes is not None
    expected = false_go_and_needless(rule, given.demand, given.sigma, 0.05, THRESHOLDS)
    assert found.mistakes.false_go.tolist() == expected.false_go.tolist()
    assert found.threshold == threshold_for(rule, 0.05, 0.1)
    assert isinstance(found.threshold, float)
    assert 0 < found.threshold < 0.05


def test_more_risk_allows_a_higher_threshold(monkeypatch: pytest.MonkeyPatch) -> None:
    """But a risk of a half or more is none that a rule could be set by."""
    set_to = [studied(monkeypatch, simulated(3, 80), risk=risk).threshold
              for risk in (0.1, 0.2, 0.4)]
    most = [studied(monkeypatch, simulated(3, 80), risk=risk).threshold for risk in (0.5, 0.9)]
    assert most[0] == most[1]
    every = [value for value in (*set_to, most[0]) if isinstance(value, float)]
    assert len(every) == 4
    assert (np.diff(every) > 0).all()


def test_a_risk_that_the_reports_cannot_exclude(monkeypatch: pytest.MonkeyPatch) -> None:
    """None missed of 59 obstacles still allows 6 % to be."""
    assert isinstance(studied(monkeypatch, simulated(3, 80), risk=0.05).threshold, NoThreshold)


@pytest.mark.parametrize("height", [-np.inf, -0.01, 0.0])
def test_without_a_height_there_is_no_threshold(
    monkeypatch: pytest.MonkeyPatch, height: float
) -> None:
    found = studied(monkeypatch, simulated(3, 80), height)
    assert isinstance(found.rule, OnboardRule)
    assert (found.mistakes, found.threshold) == (None, None)


def test_reports_of_another_rover_do_not_count(monkeypatch: pytest.MonkeyPatch) -> None:
    given = simulated(3, 40)
    mixed = reports(given.reported, given.demand, given.sigma,
                    rovers=("dunlin-em", "dunlin-fm") * 20)
    found = studied(monkeypatch, mixed)
    assert len(found.reports.pairs) == 20
    assert set(found.reports.rovers) == {"dunlin-em"}
    assert isinstance(found.rule, OnboardRule)


def test_the_ground_of_silent_pairs_counts_too(monkeypatch: pytest.MonkeyPatch) -> None:
    given = simulated(3, 80)
    silent = replace(given, silent=tuple(
        SilentPair(f"silent-{n}", "dunlin-em", 0.08, 0.001, False) for n in range(4)))
    found = [studied(monkeypatch, some, risk=0.2).mistakes for some in (given, silent)]
    assert found[0] is not None
    assert found[1] is not None
    assert found[1].beyond.sum() == pytest.approx(found[0].beyond.sum() + 4)
    # At a threshold of 0 nothing but what is missed walks on.
    assert found[0].false_go[0] < 0.001 < found[1].false_go[0]


def test_where_the_rule_is_not_known_only_the_ground_is_tuned(tmp_path: Path) -> None:
    """A run whose reports are too few; and angles, which are no reported value."""
    with open_run(write_run(tmp_path / "RUN", [Pair(walked=False)] * 4)) as run:
        for kind in ("step", "slope"):
            found = study_onboard(run, CONDITIONS._replace(kind=kind), 0.05, 0.05,
                                  THRESHOLDS)
            assert isinstance(found.rule, NoOnboardRule)
            assert (found.mistakes, found.threshold) == (None, None)
            assert found.rule.reason
