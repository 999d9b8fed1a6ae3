"""Reports of the algorithm on board: from a run, and the rule that is fitted to them."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import binom

from hazcam import open_run
from hazcam.campaign import Run
from hazcam.campaign.record import CampaignPair, PairEntry
from hazcam.campaign.store.writer import Store
from hazcam.rover.profile import LimitName
from hazcam.tuning.onboard import OnboardReports, fit_onboard, onboard_reports
from hazcam.tuning.onboard_rule import NoOnboardRule, OnboardRule
from tests.campaign.entries import ABOUT, MadeUp, make_campaign, write
from tests.test_gist import a_demand
from tests.tuning.onboard_data import GAIN, OFFSET_M, TAU_M, reports, simulated

# --- the fit --------------------------------------------------------------------------------------


def rule_of(found: OnboardReports) -> OnboardRule:
    rule = fit_onboard(found)
    assert isinstance(rule, OnboardRule), rule.reason
    return rule


def refused(found: OnboardReports) -> str:
    rule = fit_onboard(found)
    assert isinstance(rule, NoOnboardRule)
    assert not rule
    return rule.reason


@pytest.fixture(scope="module")
def fits() -> list[OnboardRule]:
    """Of 200 campaigns of 40 pairs, our own error as large as the rover's noise."""
    found = [fit_onboard(simulated(seed, 40)) for seed in range(200)]
    rules = [rule for rule in found if isinstance(rule, OnboardRule)]
    assert len(rules) >= 197  # in the others our error happens to explain all
    return rules


def within_error(count: int, n: int, share: float) -> bool:
    """Whether a count is one of the middle 99 % of a binomial variable."""
    low, high = binom.interval(0.99, n, share)
    return bool(low <= count <= high)


def test_the_rule_is_recovered_where_least_squares_is_too_flat() -> None:
    found = simulated(0, 3000, sigma_m=0.015)
    flat = float(np.polyfit(found.demand, found.reported, 1)[0])
    rule = rule_of(found)
    off = np.array([rule.offset_m, rule.gain, np.log(rule.tau_m)]) - [OFFSET_M, GAIN, np.log(TAU_M)]
    sigma = np.sqrt(np.diag(rule.covariance))
    assert np.all(np.abs(off) < 3 * sigma)
    assert sigma[1] < 0.02
    # Spread² of 0.1 m / sqrt(12) and the mean sigma²: the gain is 22 % too small.
    assert flat == pytest.approx(GAIN / (1 + np.mean(found.sigma**2) * 12 / 0.01), abs=0.02)
    assert flat < rule.gain_interval.low
    assert (rule.rover, rule.kind) == ("dunlin-em", "step")
    assert 2998 <= rule.pairs <= 3000  # noise alone is beyond 4 sigmas once in 16 000
    assert rule.spread_m == pytest.approx(0.1 / np.sqrt(12), rel=0.03)


def test_intervals_of_the_gain_hold_in_95_of_100(fits: list[OnboardRule]) -> None:
    held = sum(low <= GAIN <= high for low, high in (rule.gain_interval for rule in fits))
    assert within_error(held, len(fits), 0.95)
    assert np.mean([rule.gain for rule in fits]) == pytest.approx(GAIN, abs=0.015)


def test_bounds_of_noise_and_quantile_hold(fits: list[OnboardRule]) -> None:
    """Each with 97.5 %; what is bounded is known, because the reports are made up."""
    n = len(fits)
    above = sum(rule.tau_most_m >= TAU_M for rule in fits)
    below = sum(rule.tau_least_m <= TAU_M for rule in fits)
    true = OFFSET_M + GAIN * 0.08 - 1.645 * TAU_M
    quantile = sum(rule.least_quantile_m(1.645, 0.08) <= true for rule in fits)
    for held in (above, below, quantile):
        assert within_error(held, n, 0.975)


def test_misses_are_counted_and_do_not_pull_the_line() -> None:
    clean = simulated(1, 80)
    large = np.flatnonzero(clean.demand > 0.07)[:6]
    values = clean.reported.copy()
    values[large] = 0.0
    values[np.argmin(clean.demand)] = 0.2
    rule = rule_of(replace(clean, reported=values))
    assert rule.missed.pairs == tuple(clean.pairs[i] for i in large)
    assert rule.overstated.pairs == (clean.pairs[int(np.argmin(clean.demand))],)
    assert rule.pairs == 73
    assert rule.overstated.tried == 80
    # Only what would have stood out counts: a value of 4 standard deviations or more.
    assert 6 < rule.missed.tried < 70
    assert rule.gain == pytest.approx(GAIN, abs=0.1)
    assert rule.least_stop_chance(-1, 0.08) == pytest.approx(1 - rule.missed.most)
    low, high = rule.missed.interval
    assert low < 6 / rule.missed.tried < high < 0.4


def test_clean_reports_have_no_misses(fits: list[OnboardRule]) -> None:
    assert sum(len(rule.missed.pairs) + len(rule.overstated.pairs) for rule in fits) <= 3


def test_many_pairs_are_fitted_too() -> None:
    """More than are compared each with each for the first line."""
    found = simulated(2, 1200)
    values = found.reported.copy()
    large = np.flatnonzero(found.demand > 0.06)[::4]
    values[large] = -0.01
    rule = rule_of(replace(found, reported=values))
    assert rule.gain == pytest.approx(GAIN, abs=4 * float(np.sqrt(rule.covariance[1, 1])))
    assert rule.tau_m == pytest.approx(TAU_M, rel=0.1)
    assert len(rule.missed.pairs) == pytest.approx(len(large), abs=1)


def _none() -> OnboardReports:
    return replace(reports([], [], []), reason="no pair has a value")


def _two_rovers() -> OnboardReports:
    found = simulated(3, 20)
    return replace(found, rovers=("dunlin-em",) * 10 + ("dunlin-fm",) * 10)


def _unrelated() -> OnboardReports:
    found = simulated(4, 40)
    return replace(found, reported=np.random.default_rng(0).permutation(found.reported))


def _falling() -> OnboardReports:
    found = simulated(5, 40)
    return replace(found, reported=0.1 - found.reported)


def _only_our_error() -> OnboardReports:
    found = simulated(6, 40)
    return replace(found, reported=0.9 * found.demand + 0.004)


def _two_lines() -> OnboardReports:
    found = simulated(7, 40)
    values = found.reported.copy()
    values[:14] = -0.3
    return replace(found, reported=values)


def _constant() -> OnboardReports:
    return replace(simulated(8, 20), reported=np.full(20, 0.05))


REFUSED: list[tuple[Callable[[], OnboardReports], str]] = [
    (_none, "no pair has a value"),
    (_two_rovers, r"of 2 rovers \(dunlin-em, dunlin-fm\)"),
    (lambda: simulated(9, 7), "7 pairs have both .* 8 are the least \\(our choice"),
    (lambda: simulated(10, 30, low_m=0.05, high_m=0.05), "all the same within their errors"),
    (_constant, "does not follow the demand: it is 0.05 m in all 20 pairs"),
    (_unrelated, "does not follow the demand: its gain is .* not surely above 0"),
    (_falling, "does not follow the demand: its gain is -"),
    (_only_our_error, "errors of our own measurement explain how 40 reported values scatter"),
    (_two_lines, "14 of 40 reported values lie far off the line"),
    (lambda: simulated(11, 300, high_m=0.02, tau_m=0.012, sigma_m=0.001),
     "no step was large enough to stand out of the noise"),
]


@pytest.mark.parametrize(("made", "says"), REFUSED)
def test_a_rule_that_cannot_be_known_says_why(
    made: Callable[[], OnboardReports], says: str
) -> None:
    assert re.search(says, refused(made()))


def test_eight_pairs_are_enough() -> None:
    assert rule_of(simulated(12, 8, sigma_m=0.001)).pairs == 8


def test_exact_demands_that_differ_are_not_the_same() -> None:
    rng = np.random.default_rng(0)
    demand = np.repeat([0.03, 0.06], 6)
    rule = rule_of(reports(demand + rng.normal(0, 0.003, 12), demand, np.zeros(12)))
    assert rule.gain == pytest.approx(np.polyfit(demand, demand, 1)[0], abs=0.2)
    assert "all the same" in refused(
        reports(rng.normal(0, 0.003, 12), np.full(12, 0.03), np.zeros(12)))


def test_the_rovers_of_a_run_are_fitted_one_by_one() -> None:
    found = _two_rovers()
    one = found.of_rover("dunlin-fm")
    assert one.pairs == found.pairs[10:]
    assert np.array_equal(one.reported, found.reported[10:])
    assert rule_of(one).rover == "dunlin-fm"
    assert refused(found.of_rover("another")) == "no value reported by another"


@pytest.mark.parametrize(("changes", "says"), [
    ({"reported": np.array([1.0])}, "a finite number for each of 2 pairs"),
    ({"demand": np.array([1.0, np.nan])}, "demand of OnboardReports"),
    ({"sigma": np.array([1.0, -1.0])}, "0 or more"), ({"sites": ("",)}, "a site and a rover"),
])
def test_reports_are_checked(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        replace(reports([0.1, 0.2], [0.1, 0.2], [0, 0]), **changes)


# --- from a run -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten pairs that report 0.01 m, 0.02 m, ..., and a bad row.

    6 was not assessed, 7 is of no use, 8 has no stereo, 9 reports nothing.
    """
    path = tmp_path_factory.mktemp("onboard") / "run"
    made = make_campaign(path.parent, 10, failures=0, bad_rows=1)
    pairs = tuple(_saying(pair, n) for n, pair in enumerate(made.manifest.pairs))
    entries = tuple(_stored(entry, n) for n, entry in enumerate(made.entries) if n != 6)
    with Store.open(path, ABOUT) as store:
        store.add_pairs(replace(made.manifest, pairs=pairs))
        write(store, MadeUp(manifest=made.manifest, entries=entries, failures=()))
    return path


def _saying(pair: CampaignPair, n: int) -> CampaignPair:
    details = {k: v for k, v in pair.sidecar.details.items() if k != "onboard"}
    if n != 9:
        details["onboard"] = {"verdict": "go", "value_m": 0.01 * (n + 1)}
    return replace(pair, sidecar=replace(pair.sidecar, details=details))


def _stored(entry: PairEntry, n: int) -> PairEntry:
    cause = "rig no longer matches its calibration"
    rows = dict(entry.rows)
    rows["assessments"] = [{**row, "usable": int(n != 7),
                            "unusable_because": cause if n == 7 else ""}
                           for row in rows["assessments"]]
    if n != 8:
        rows["demands"] = [{"pair": entry.id, "npz": b"", "gist": b""}]
    return replace(entry, rows=rows)


@pytest.fixture
def run(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """The tables are those of a run, the demands made up: 2 looks aside, 3 saw no step."""
    def demands(_: Run, id_: str) -> SimpleNamespace:
        n = int(id_[-5:])
        ahead = 30.0 if n == 2 else -1.0
        headings = [a_demand(n, heading_deg=heading) for heading in (-40.0, ahead, 45.0)]
        if n == 3:
            nothing = np.full_like(headings[1].step, np.nan)
            headings[1] = replace(headings[1], step=nothing)
        return SimpleNamespace(demands=tuple(headings))

    monkeypatch.setattr(Run, "demands", demands)
    return open_run(folder)


def test_reports_of_a_run_are_the_greatest_demands_ahead(run: Run) -> None:
    with run:
        found = onboard_reports(run, "step")
    assert found.pairs == ("pair-00000", "pair-00001", "pair-00004", "pair-00005")
    assert found.reported == pytest.approx([0.01, 0.02, 0.05, 0.06])
    for id_, demand, sigma in zip(found.pairs, found.demand, found.sigma, strict=True):
        heading = a_demand(int(id_[-5:]))
        at = int(np.nanargmax(heading.step))
        assert (demand, sigma) == (heading.step[at], heading.sigma["step"][at])
    assert set(found.sites) <= {"slag heap", "black sand", "furrows"}
    assert found.rovers == ("dunlin-em", "dunlin-fm", "dunlin-em", "dunlin-fm")
    assert found.silent == 2  # one without a value, and a bad row
    assert found.reason == ""


def test_pairs_left_out_say_why(run: Run) -> None:
    with run:
        left_out = dict(onboard_reports(run, "step").left_out)
    assert left_out == {
        "pair-00002": "was not judged straight ahead: its nearest heading is 30 deg",
        "pair-00003": "no step could be measured straight ahead",
        "pair-00006": "was not assessed",
        "pair-00007": "rig no longer matches its calibration",
        "pair-00008": "has no stereo",
    }


def test_contact_is_held_against_the_limit_of_the_belly(run: Run) -> None:
    with run:
        found = onboard_reports(run, "belly")
    for id_, demand in zip(found.pairs, found.demand, strict=True):
        heading = a_demand(int(id_[-5:]))
        assert demand == np.nanmax([heading.belly, heading.contact])


@pytest.mark.parametrize(("kind", "says"), [
    ("slope", "the reported value is a length, slope an angle"),
    ("tip", "the reported value is a length, tip an angle"),
    ("gap", "gap is not measured: unseen ground bounds it"),
])
def test_kinds_that_cannot_be_compared_say_so(run: Run, kind: LimitName, says: str) -> None:
    with run:
        found = onboard_reports(run, kind)
    assert (found.pairs, found.reason) == ((), says)
    assert refused(found) == says


def test_a_run_without_values_says_so(tmp_path: Path) -> None:
    made = make_campaign(tmp_path, 3, failures=0, bad_rows=0)
    pairs = tuple(_saying(pair, 9) for pair in made.manifest.pairs)
    with Store.open(tmp_path / "run", ABOUT) as store:
        store.add_pairs(replace(made.manifest, pairs=pairs))
        store.finish()
    with open_run(tmp_path / "run") as run:
        found = onboard_reports(run, "step")
    assert found.silent == 3
    assert "no pair has a value that the rover's own algorithm reported" in refused(found)
