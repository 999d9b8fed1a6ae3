"""Headings with another verdict than today, the riskiest first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hazcam.tuning.flips import Flip, flips_of
from tests.tuning.ground import climbs, run_headings

DEMAND = (0.01, 0.032, 0.034, 0.04, 0.048, 0.09)
SITES = tuple(f"site {i}" for i in range(6))


def test_nothing_flips_at_todays_value() -> None:
    assert flips_of(run_headings(DEMAND, site=SITES, height=0.035, low=0.03, today=0.04), 40) == ()


def test_a_lower_limit_makes_headings_ask_the_likeliest_to_fail_first() -> None:
    found = flips_of(run_headings(DEMAND, site=SITES, height=0.035, low=0.03, today=0.05), 33)
    assert [(f.pair, f.to_go) for f in found] == [
        ("p004", False), ("p003", False), ("p002", False)]
    assert found[0] == Flip(
        pair="p004", heading_deg=0.0, to_go=False, beyond=1.0, least=0.048, walked="",
        failing=float(1 - climbs(np.array([0.048]))[0]))


def test_a_higher_limit_lets_headings_go() -> None:
    found = flips_of(run_headings(DEMAND, site=SITES, height=0.035, low=0.03, today=0.033), 50)
    assert [(f.pair, f.to_go, f.least) for f in found] == [
        ("p004", True, 0.048), ("p003", True, 0.04), ("p002", True, 0.034)]


def test_those_that_become_go_are_first_and_a_known_failure_leads() -> None:
    """Today is as each pair was assessed: one of them with another limit."""
    headings = run_headings(DEMAND, site=SITES, height=0.035, low=0.03, today=0.033,
                            outcomes={1: "climbed", 2: "tipped"})
    today = np.array(headings.sweep.today)
    today[0], today[1], today[5] = True, False, True  # the last with a limit of 90 mm
    found = flips_of(replace(headings, sweep=replace(headings.sweep, today=today)), 45)
    assert [(f.pair, f.to_go, f.failing == 1, f.walked) for f in found] == [
        ("p002", True, True, "tipped"), ("p003", True, False, ""), ("p001", True, False, "climbed"),
        ("p005", False, False, "")]
    assert found[2].failing == float(1 - climbs(np.array([0.032]))[0])


def test_what_goes_with_no_value_says_so() -> None:
    headings = run_headings([0.2], site=["a"], height=0.035, low=0.03)
    sweep = replace(headings.sweep, today=np.array([True]))
    flip, = flips_of(replace(headings, sweep=sweep), 40)
    assert (flip.to_go, flip.least) == (False, np.inf)
