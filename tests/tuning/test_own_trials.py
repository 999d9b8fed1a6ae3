"""Trials that are pairs of the run: told by what they say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from hazcam.campaign import open_run
from hazcam.tuning.headings import RunHeadings, headings_of
from hazcam.tuning.labelled import trials_of_run
from hazcam.tuning.own_trials import own_trials
from tests.tuning.ground import curve, run_headings, trial, walked
from tests.tuning.runs import Pair, peak, write_run

DEMAND = (0.03, 0.0412345678, 0.05)
OWN = trial("my own name", 0.0412346, "stuck", day=4)


def headings() -> RunHeadings:
    """Three pairs of 4 May, the last two walked."""
    return run_headings(DEMAND, site=["a", "a", "b"], height=0.04, low=0.035,
                        outcomes={1: "stuck", 2: "climbed"})


def test_a_trial_is_told_whatever_it_is_called() -> None:
    assert own_trials(headings(), [OWN]) == {"p001": {"my own name"}}


def test_a_demand_that_was_rounded_is_the_same() -> None:
    assert own_trials(headings(), [replace(OWN, demand=0.041)]) == {"p001": {"my own name"}}


def test_what_differs_in_anything_is_another() -> None:
    others = [replace(OWN, outcome="slipped"), replace(OWN, date=OWN.date.replace(day=5)),
              replace(OWN, demand=0.0425), replace(OWN, demand=0.03, id="p000"),
              replace(OWN, demand=0.05, id="p002")]
    assert own_trials(headings(), others) == {}


def test_walks_that_look_alike_take_all_such_trials() -> None:
    alike = run_headings([0.03, 0.03, 0.05], site=["a", "b", "b"], height=0.04, low=0.035,
                         outcomes=dict.fromkeys(range(3), "climbed"))
    trials = [replace(OWN, id=id_, demand=0.03, outcome="climbed") for id_ in ("x", "y")]
    assert own_trials(alike, trials) == {"p000": {"x", "y"}, "p001": {"x", "y"}}


def test_a_walk_without_a_demand_is_no_trial() -> None:
    made = headings()
    unknown = tuple(replace(walk, demand=np.nan) for walk in made.walks)
    assert own_trials(replace(made, walks=unknown), [OWN]) == {}


def test_the_table_of_a_run_finds_its_pairs(tmp_path: Path) -> None:
    """Through a table of trials, all renamed; one that was not walked is none."""
    steps = (0.0301234567, 0.0402345678, 0.05)
    pairs = [Pair(demand=peak({"step": step}), walked=i < 2, outcome="stuck")
             for i, step in enumerate(steps)]
    with open_run(write_run(tmp_path / "RUN", pairs, rovers=1)) as run:
        made = trials_of_run(run, kind="step", gait="tripod", ground="sand", gravity_mps2=9.81)
        swept = headings_of(run, curve(walked(0)))
    renamed = [replace(t, id=f"row {i}") for i, t in enumerate(made.trials)]
    assert own_trials(swept, renamed) == {"pair-00000": {"row 0"}, "pair-00001": {"row 1"}}
