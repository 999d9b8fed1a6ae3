"""Trials from the pairs of a run: whose demand is known, and whose is not."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hazcam.campaign import open_run
from hazcam.campaign.record import Outcome
from hazcam.errors import HazcamError, TrialsError
from hazcam.rover import read_rover
from hazcam.rover.profile import LimitName
from hazcam.tuning.labelled import LabelledTrials, trials_of_run
from hazcam.tuning.record import Conditions, Trial
from hazcam.tuning.table import parse_trials, write_trials_text
from hazcam.verdict.record import UnseenRuns
from tests.test_gist import N
from tests.tuning.runs import Pair, peak, write_run

LIMITS = read_rover("dunlin-em").limits
GOOD = Pair()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "RUN"


def taken(
    folder: Path, pairs: Sequence[Pair], kind: LimitName = "step",
    ground: str | None = "black sand", gait: str = "tripod", gravity_mps2: float = 9.81,
) -> LabelledTrials:
    with open_run(write_run(folder, pairs)) as run:
        return trials_of_run(run, kind=kind, gait=gait, ground=ground, gravity_mps2=gravity_mps2)


def refused(folder: Path, pairs: Sequence[Pair], **given: Any) -> str:
    with pytest.raises(TrialsError) as caught:
        taken(folder, pairs, **given)
    return str(caught.value)


# --- what is taken -------------------------------------------------------------------------------


def test_the_greatest_demand_with_the_sigma_of_its_station(folder: Path) -> None:
    demand = peak({"step": 0.0412345678}, sigma=0.00212345678)
    found = taken(folder, [Pair(demand=demand, outcome="slipped", site=None)])
    assert found.left_out == ()
    assert found.assumed_m == demand.assumed_m == 0.1
    assert found.trials == (Trial(
        id="pair-00000", date=datetime.date(2031, 5, 4), demand=0.0412346, sigma=0.00212346,
        conditions=Conditions(rover="dunlin-em", gait="tripod", ground="black sand",
                              gravity_mps2=9.81, kind="step"),
        outcome="slipped", simulated=False, where="pair pair-00000",
        note=f"5° left; nearest its limit: step 0.041 of {LIMITS.step.value:.3f} m"),)


def test_the_ends_of_the_stretch_count(folder: Path) -> None:
    found = taken(folder, [Pair(demand=peak({"step": 0.02}, at=0)),
                           Pair(demand=peak({"step": 0.03}, at=N - 1))])
    assert [trial.demand for trial in found.trials] == [0.02, 0.03]


@pytest.mark.parametrize(("kind", "values", "greatest"), [
    ("belly", {"belly": 0.01, "contact": 0.03}, 0.03),
    ("belly", {"belly": 0.03, "contact": 0.01}, 0.03),
    ("drop", {"drop": 0.02, "step": 0.04}, 0.02),
    ("slope", {"slope": 12.0}, 12.0), ("roll", {"roll": 7.0}, 7.0), ("tip", {"tip": 9.0}, 9.0)])
def test_each_kind_is_what_its_limit_is_held_against(
    folder: Path, kind: LimitName, values: dict[str, float], greatest: float
) -> None:
    trial, = taken(folder, [Pair(demand=peak(values))], kind).trials
    assert (trial.demand, trial.sigma, trial.conditions.kind) == (greatest, 0.002, kind)


def test_a_demand_below_zero_asks_nothing(folder: Path) -> None:
    demand = peak({}, belly=np.full(N, -0.02), contact=np.full(N, -0.01))
    assert taken(folder, [Pair(demand=demand)], "belly").trials[0].demand == 0


def test_a_failure_counts_whatever_was_nearest_its_limit(folder: Path) -> None:
    demand = peak({"step": 0.01, "slope": 0.9 * LIMITS.slope.value})
    trial, = taken(folder, [Pair(demand=demand, outcome="tipped")]).trials
    assert (trial.demand, trial.outcome) == (0.01, "tipped")
    assert "nearest its limit: slope " in trial.note


def test_contact_is_held_against_the_belly_limit_in_the_note(folder: Path) -> None:
    trial, = taken(folder, [Pair(demand=peak({"contact": 0.035}))]).trials
    assert trial.note.endswith(f"contact 0.035 of {LIMITS.belly.value:.3f} m")


def test_without_ground_the_site_is_the_ground(folder: Path) -> None:
    pairs = [GOOD, Pair(site=" slag heap "), Pair(site=None, walked=False)]
    found = taken(folder, pairs, ground=None)
    assert [trial.conditions.ground for trial in found.trials] == ["black sand", "slag heap"]


def test_the_trials_read_back_from_the_table(folder: Path) -> None:
    found = taken(folder, [GOOD, Pair(outcome="belly-hung", demand=peak({"step": 0.05}))])
    read = parse_trials(write_trials_text(found.trials), "a.csv").trials
    assert [{**vars(t), "where": ""} for t in read] == [
        {**vars(t), "where": ""} for t in found.trials]


# --- what is left out ----------------------------------------------------------------------------


def test_pairs_without_a_demand_or_a_day(folder: Path) -> None:
    whys = {
        "one of its pictures is missing, or was of no use": Pair(demand=None),
        "was not tried yet": Pair(tried=False),
        "the walked heading, 12° right, was not judged": Pair(heading_deg=-12.0),
        "its day is not known": Pair(taken_at=None, outcome="tipped"),
        "not to be relied on: rig no longer matches its calibration": Pair(rig_moved=True)}
    found = taken(folder, [GOOD, *whys.values()])
    assert [trial.id for trial in found.trials] == ["pair-00000"]
    assert [left.pair for left in found.left_out] == [f"pair-{n:05d}" for n in range(1, 6)]
    assert [left.outcome for left in found.left_out][3:] == ["tipped", "climbed"]
    for why, left in zip(whys, found.left_out, strict=True):
        assert why in left.why


def hidden(value: float) -> dict[str, Any]:
    profile = np.zeros(N)
    profile[20] = value
    return {"hidden_m": profile}


def unknown_slope(station: int) -> dict[str, Any]:
    return {"slope": np.where(np.arange(N) == station, np.nan, 3.0)}


def run_of(length: float, explained: float) -> dict[str, Any]:
    """An unseen run, as shares of what the legs bridge."""
    def one(value: float) -> Any:
        return np.array([value * LIMITS.gap.value])

    return {"runs": UnseenRuns(
        at_m=np.array([0.4]), length_m=one(length), sigma_m=one(0.01), explained_m=one(explained),
        unexplained_m=one(length - explained), blank_m=one(0.0), sunk_m=one(0.0),
        fall=np.array([0.3]), ground_sd_m=np.array([0.002]), group=np.array([0]), line_m=0.01)}


OUTCOMES: tuple[Outcome, ...] = ("stuck", "climbed")
OUTSIDE = {"outside": np.arange(N) == 10}
TILT = {"tilt_bound_deg": 5.0}
NOT_IN_VIEW = "not in both pictures at 0.20 m from the nose"
NO_TILT = "roll and pitch of the rover are not known"
# What is special about a peak of 0.03 with a sigma of 0.002, and why it is left out, if it is.
CASES: dict[str, tuple[LimitName, dict[str, Any], str]] = {
    "hidden within two sigma": ("step", hidden(0.033), ""),
    "hidden beyond": ("step", hidden(0.035), "something up to 0.035 m could hide at 0.40 m"),
    "hidden under the belly": ("belly", hidden(0.035), "something up to 0.035 m could hide"),
    "hidden without bound": ("step", hidden(np.inf), "something of any height could hide"),
    "hidden on a slope": ("slope", hidden(np.inf), ""),
    "step outside": ("step", OUTSIDE, NOT_IN_VIEW), "drop outside": ("drop", OUTSIDE, NOT_IN_VIEW),
    "belly outside": ("belly", OUTSIDE, NOT_IN_VIEW), "tip outside": ("tip", OUTSIDE, NOT_IN_VIEW),
    "slope outside": ("slope", OUTSIDE, ""),
    "slope in the near strip": ("slope", unknown_slope(2), ""),
    "slope beyond": ("slope", unknown_slope(20), "too little ground is seen about 0.40 m"),
    "tilt, slope": ("slope", TILT, NO_TILT), "tilt, roll": ("roll", TILT, NO_TILT),
    "tilt, tip": ("tip", TILT, NO_TILT), "tilt, step": ("step", TILT, ""),
    "hole": ("drop", run_of(1.5, 0), "ground are not seen from 0.40 m from the nose on: any drop"),
    "bridged": ("drop", run_of(0.9, 0), ""), "explained": ("drop", run_of(1.5, 1.5), ""),
    "hole, step": ("step", run_of(1.5, 0), ""),
    "nothing": ("step", {"step": np.full(N, np.nan)}, "no step was measured on this heading"),
    "a wall": ("step", {"step": np.full(N, 1.2)}, "no obstacle for legs"),
}


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> dict[str, LabelledTrials]:
    """By kind, of one run: each case twice, stuck and climbed; last a pair that is good."""
    pairs = [Pair(demand=peak({} if kind in changes else {kind: 0.03}, **changes), outcome=outcome)
             for kind, changes, _ in CASES.values() for outcome in OUTCOMES]
    kinds = {kind for kind, _, _ in CASES.values()}
    with open_run(write_run(tmp_path_factory.mktemp("cases") / "RUN", [*pairs, GOOD])) as run:
        return {kind: trials_of_run(run, kind=kind, gait="tripod", ground="sand",
                                    gravity_mps2=9.81) for kind in kinds}


@pytest.mark.parametrize("case", CASES)
def test_a_demand_that_may_be_greater_is_left_out(
    cases: dict[str, LabelledTrials], case: str
) -> None:
    """Whatever came of it."""
    kind, _, why = CASES[case]
    found = cases[kind]
    whys = {left.pair: left.why for left in found.left_out}
    ids = [f"pair-{2 * list(CASES).index(case) + n:05d}" for n in range(2)]
    if why:
        assert why in whys[ids[0]]
        assert whys[ids[0]] == whys[ids[1]]
    else:
        assert not set(ids) & set(whys)
        assert set(ids) < {trial.id for trial in found.trials}


@pytest.mark.parametrize(("walked", "beside"), [
    (90.0, "15° left"), (2.5, "5° right, 5° left"), (-50.0, "5° right")])
def test_a_heading_that_was_not_judged_is_told_with_those_beside_it(
    folder: Path, walked: float, beside: str
) -> None:
    others = tuple(replace(peak({}), heading_deg=heading) for heading in (-5.0, 15.0))
    left, = taken(folder, [GOOD, Pair(heading_deg=walked, others=others)]).left_out
    assert left.pair == "pair-00001"
    assert f"was not judged; next to it: {beside}. Write one that was judged" in left.why
    assert left.why.endswith("else assess in a new run with --headings")


# --- what is refused -----------------------------------------------------------------------------


def test_no_pair_was_walked(folder: Path) -> None:
    message = refused(folder, [Pair(walked=False)] * 3)
    assert "none of its 3 pairs says that someone let the rover walk" in message
    assert "walked_heading_deg and walked_outcome" in message
    assert "the manifest that the run was made from" in message
    assert "write one into that folder with `hazcam manifest`" in message
    assert "needs no new assessment" in message


def test_no_walked_pair_makes_a_trial(folder: Path) -> None:
    message = refused(folder, [Pair(demand=None)] * 7)
    assert "none of the 7 pairs that were walked makes a trial:\n  pair-00000: " in message
    assert "and 2 more" in message


def test_a_gap_is_not_measured(folder: Path) -> None:
    message = refused(folder, [GOOD], kind="gap")
    assert "kind gap: is not measured in a run" in message
    assert "one of step, drop, belly, slope, roll, tip" in message


def test_no_ground_and_a_pair_without_site(folder: Path) -> None:
    message = refused(folder, [GOOD, Pair(site=None)], ground=None)
    assert "1 of 2 pairs that were walked have no site: pair-00001" in message


def test_sites_that_differ_in_capitals(folder: Path) -> None:
    message = refused(folder, [GOOD, Pair(site="Black sand")], ground=None)
    assert "pair-00001: site: 'Black sand' is 'black sand' of another pair but for" in message


@pytest.mark.parametrize("given", [{"gait": " "}, {"ground": ""}, {"gravity_mps2": 0.0}])
def test_conditions_that_are_none(folder: Path, given: dict[str, Any]) -> None:
    assert "found " in refused(folder, [GOOD], **given)


def test_a_damaged_store_is_no_reason_to_leave_a_pair_out(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tests.tuning.runs.demands_bytes", lambda a, record: b"PK cut off")
    with pytest.raises(HazcamError, match=r"pair-00000: is damaged"):
        taken(folder, [GOOD])
