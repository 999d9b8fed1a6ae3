"""A limit chosen from trials and a made-up run, end to end."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hazcam.campaign import Run, open_run
from hazcam.campaign.judging import judge_run
from hazcam.errors import HazcamError
from hazcam.rover import read_rover
from hazcam.tuning import study as study_module
from hazcam.tuning.curve import SuccessCurve
from hazcam.tuning.onboard_rule import NoOnboardRule
from hazcam.tuning.study import Aims, LimitStudy, digest_of_run, study_limit
from tests.tuning.ground import curve, trial, walked
from tests.tuning.runs import Pair, peak, write_run

AIMS = Aims(reliability=0.9, confidence=0.9, risk=0.3, costs=(50.0, 1.0))
SITES = ("slag heap", "furrows", "black sand", "pit", "ridge", "shore")
DAY = datetime.date(2031, 6, 1)
LIMITS = read_rover("dunlin-em").limits


def pairs(count: int = 24) -> list[Pair]:
    """Every other pair is of the trials' rover: of 12 two on each of six sites, one of each day."""
    rng = np.random.default_rng(5)
    made = []
    for i, step in enumerate(rng.uniform(0.005, 0.08, count)):
        own = i // 2
        made.append(Pair(
            demand=peak({"step": float(step), "belly": 0.01}), site=SITES[own % 6], walked=own == 3,
            outcome="stuck", taken_at=f"2031-05-{4 + own // 6:02d}T09:30:00Z"))
    return made


@pytest.fixture(scope="module")
def legs() -> SuccessCurve:
    """One of their trials is the pair of the run that was walked, by another name."""
    demand = pairs()[6].demand
    assert demand is not None
    own = trial("first try", float(f"{demand.step.max():.6g}"), "stuck", day=4)
    group = walked(0, count=59, days=3)
    return curve(replace(group, trials=(own, *group.trials)), reliability=0.9, confidence=0.9)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_run(tmp_path_factory.mktemp("study") / "RUN", pairs())


@pytest.fixture
def run(folder: Path) -> Iterator[Run]:
    with open_run(folder) as opened:
        yield opened


@pytest.fixture(scope="module")
def found(folder: Path, legs: SuccessCurve) -> LimitStudy:
    with open_run(folder) as run:
        return study_limit(run, legs, AIMS, made_on=DAY, second=("belly", None))


def test_the_limit_is_within_the_height_and_the_risk(found: LimitStudy) -> None:
    chosen, trade = found.recommendation, found.trade
    assert (found.name, found.unit, found.made_on) == ("step", "m", DAY)
    assert chosen.value is not None
    assert 0 < chosen.value <= found.curve.climbed.low
    assert trade.values[chosen.place] == chosen.value
    assert trade.false_go.rate[chosen.place] <= AIMS.risk
    assert trade.cost is not None
    assert trade.cost[trade.cheapest] == trade.cost.min()
    assert (found.headings.counted_by, trade.headings) == ("site", 12)
    assert found.today == {"dunlin-em": LIMITS.step}


def test_flips_are_what_judging_with_the_limit_says(found: LimitStudy, run: Run) -> None:
    value = found.recommendation.value
    assert value is not None
    told = judge_run(run, {"step": value}).headings
    own = np.isin(told["pair"], found.headings.sweep.ids)
    other = told[own & (told["before"] != told["after"])]
    assert len(other) > 0
    assert {(f.pair, f.to_go) for f in found.flips} == {
        (str(row["pair"]), row["after"] == "go") for row in other}


def test_the_heading_that_was_walked_is_known(found: LimitStudy) -> None:
    walk, = found.headings.walks
    assert (walk.pair, walk.outcome) == ("pair-00006", "stuck")
    assert found.headings.failing[walk.place] == 1


def test_it_is_counted_on_sites_left_out(found: LimitStudy) -> None:
    """The trial that is a pair of this run goes with its site."""
    split = found.split
    assert (split.folds, split.left_out, split.refitted) == (6, "one site", 1)
    assert split.false_go.of == pytest.approx(found.trade.false_go.of)
    without = {m.setting: m.value for m in found.moves if m.what == "without site"}
    assert split.chosen == tuple(without[site] for site in sorted(SITES))
    assert without["pit"] != without["shore"]


def test_the_settings_that_were_asked_for_move_nothing(found: LimitStudy) -> None:
    asked = {("reliability", "0.9"), ("confidence", "0.9")}
    own = [m.value for m in found.moves if (m.what, m.setting) in asked]
    assert own == [found.recommendation.value] * 2
    tried = [m.what for m in found.moves]
    assert {what: tried.count(what) for what in dict.fromkeys(tried)} == {
        "reliability": 4, "confidence": 4, "risk": 5, "without trials of": 4, "without site": 6,
        "without day": 2}


@pytest.mark.parametrize("aims", [
    {"confidence": 0.99}, {"reliability": 0.8}, {"risk": 0.01}])
def test_moves_are_what_another_setting_gives(
    found: LimitStudy, run: Run, monkeypatch: pytest.MonkeyPatch, aims: dict[str, Any]
) -> None:
    (what, share), = aims.items()
    monkeypatch.setattr(study_module, "settings_of", lambda choice: ())
    asked = replace(AIMS, **aims)
    legs = curve(found.curve.group, reliability=asked.reliability, confidence=asked.confidence)
    other = study_limit(run, legs, asked, made_on=DAY).recommendation.value
    moved, = [m for m in found.moves if (m.what, m.setting) == (what, f"{share:g}")]
    assert moved.value == other


def test_a_run_without_reports_tunes_the_ground_only(found: LimitStudy) -> None:
    assert isinstance(found.onboard.rule, NoOnboardRule)
    assert found.rig is None


def test_two_limits_agree_with_the_one(found: LimitStudy) -> None:
    """Where the second limit is at its greatest, the first is alone."""
    two = found.two
    assert two is not None
    assert (two.other, two.from_trials, len(two.others)) == ("belly", False, 41)
    assert two.false_go[:, -1] == pytest.approx(found.trade.false_go.rate, abs=1e-5)
    assert two.needless[:, -1] == pytest.approx(found.trade.needless.rate, abs=1e-5)


def test_a_rig_is_tried_where_there_are_pictures_and_a_limit(
    run: Run, legs: SuccessCurve, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(study_module, "settings_of", lambda choice: ())
    monkeypatch.setattr(study_module, "study_rig", lambda *given, **more: asked.append(
        (given[1], given[3], more)))
    first = study_limit(run, legs, AIMS, made_on=DAY, pictures=Path("pictures"))
    assert asked == [(Path("pictures"), first.recommendation.value, {"most": 12})]
    none = replace(legs, climbed=replace(
        legs.climbed, interval=legs.climbed.interval._replace(low=-np.inf)))
    second = study_limit(run, none, AIMS, made_on=DAY, pictures=Path("pictures"))
    assert (second.recommendation.value, second.rig, second.flips) == (None, None, ())
    assert len(asked) == 1


# --- what it hangs on -----------------------------------------------------------------------------


def digest(folder: Path, some: Sequence[Pair]) -> str:
    with open_run(write_run(folder / "RUN", some)) as run:
        return digest_of_run(run)


def test_the_digest_is_of_all_that_the_limit_hangs_on(tmp_path: Path) -> None:
    walked_one, other = replace(pairs(2)[0], walked=True), pairs(2)[1]
    same = digest(tmp_path / "a", [walked_one, other])
    assert digest(tmp_path / "b", [walked_one, other]) == same
    changes: tuple[dict[str, Any], ...] = (
        {"demand": peak({"step": 0.031})}, {"site": "ridge"}, {"outcome": "climbed"},
        {"walked": False}, {"taken_at": "2031-05-05T09:30:00Z"})
    found = {digest(tmp_path / str(i), [replace(walked_one, **change), other])
             for i, change in enumerate(changes)}
    assert len(found | {same}) == 6


# --- errors ---------------------------------------------------------------------------------------


def test_a_run_without_demands(tmp_path: Path, legs: SuccessCurve) -> None:
    some = [replace(pair, demand=None) for pair in pairs(3)]
    with open_run(write_run(tmp_path / "RUN", some)) as run, \
            pytest.raises(HazcamError, match="no demands of headings"):
        study_limit(run, legs, AIMS, made_on=DAY)


def test_trials_of_another_rover(run: Run, legs: SuccessCurve) -> None:
    stranger = legs.group.conditions._replace(rover="sanderling")
    group = replace(legs.group, conditions=stranger, trials=tuple(
        replace(t, conditions=stranger) for t in legs.group.trials))
    with pytest.raises(HazcamError, match="its pairs are of dunlin-em, dunlin-fm"):
        study_limit(run, replace(legs, group=group), AIMS, made_on=DAY)
