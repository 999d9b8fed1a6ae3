"""Headings of a run: which count, what is beyond, by what they are counted, what was walked."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hazcam.campaign import Run, open_run
from hazcam.errors import HazcamError
from hazcam.rover import read_rover, with_limits
from hazcam.tuning.curve import SuccessCurve
from hazcam.tuning.headings import RunHeadings, headings_of, values_of
from hazcam.tuning.record import Conditions
from tests.test_gist import N
from tests.tuning.ground import curve, walked
from tests.tuning.runs import Pair, peak, write_run

SITES = ("slag heap", "furrows", "black sand", "pit", "ridge")
STEPS = (0.01, 0.02, 0.03, 0.045, 0.07)


@pytest.fixture(scope="module")
def legs() -> SuccessCurve:
    return curve(walked(0))


def pairs(count: int = 5, **changes: object) -> list[Pair]:
    return [replace(Pair(demand=peak({"step": STEPS[i % 5]}), site=SITES[i % 5], walked=False),
                    **changes) for i in range(count)]  # type: ignore[arg-type]


def of(folder: Path, some: Sequence[Pair], legs: SuccessCurve, rovers: int = 1) -> RunHeadings:
    with open_run(write_run(folder / "RUN", some, rovers)) as run:
        return headings_of(run, legs)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory, legs: SuccessCurve) -> RunHeadings:
    """One heading each of five steps."""
    return of(tmp_path_factory.mktemp("plain"), pairs(), legs)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    with open_run(write_run(tmp_path / "RUN", pairs(3))) as opened:
        yield opened


# --- what counts ----------------------------------------------------------------------------------


def test_headings_of_other_rovers_do_not_count(tmp_path: Path, legs: SuccessCurve) -> None:
    """The rovers of the pairs are two, in turn."""
    found = of(tmp_path, pairs(), legs, rovers=2)
    assert found.sweep.ids == ("pair-00000", "pair-00002", "pair-00004")
    assert len(found.decided().least) == len(found.ahead().least) == 3
    assert found.counted.tolist() == [True] * 3


def test_beyond_is_the_chance_that_the_demand_is(plain: RunHeadings, legs: SuccessCurve) -> None:
    """Steps of 10 and 70 mm known to 2 mm, and legs that climb about 35 mm."""
    assert 0.02 < legs.climbed.low < legs.climbed.estimate < 0.045
    counted = plain.decided()
    assert counted.beyond[[0, 4]] == pytest.approx([0, 1], abs=1e-6)
    assert (counted.beyond_bound >= counted.beyond - 1e-6).all()
    assert counted.failing[0] < 0.05 < counted.failing[4]
    assert (np.diff(counted.least) > 0).all()


def test_the_chance_to_fail_is_that_of_the_curve(tmp_path: Path, legs: SuccessCurve) -> None:
    """Of a demand at which half climb, known exactly, half fail."""
    half = legs.fit.demand_at(0.5)
    found = of(tmp_path, [Pair(demand=peak({"step": half}, sigma=1e-6), walked=False)], legs)
    assert found.failing[0] == pytest.approx(0.5, abs=1 / 24)


def test_no_height_at_all_leaves_everything_beyond(tmp_path: Path, legs: SuccessCurve) -> None:
    """The bound of no height is not one of 0: ground that sinks all along is beyond it, too."""
    none = replace(legs, climbed=replace(
        legs.climbed, interval=legs.climbed.interval._replace(low=-np.inf)))
    sinks = Pair(demand=peak({}, step=np.full(N, -0.02)), walked=False)
    found = of(tmp_path, [sinks, *pairs()], none)
    assert (found.beyond_bound == 1).all()
    assert found.beyond[0] == found.sweep.chance[0, 0] == 0


def test_headings_that_no_limit_decides(tmp_path: Path, legs: SuccessCurve) -> None:
    """Ground out of view: nothing is known of the chance, and it counts in no rate but ahead."""
    outside = np.zeros(N, dtype=bool)
    outside[20] = True
    hidden = Pair(demand=peak({"step": 0.01}, outside=outside), walked=False)
    found = of(tmp_path, [*pairs(2), hidden], legs)
    assert np.isnan(found.beyond[2])
    assert np.isnan(found.failing[2])
    assert found.counted.tolist() == [True, True, False]
    assert len(found.decided().least) == 2
    assert found.ahead().least.tolist() == [*found.sweep.least[:2], len(found.sweep.values)]


def test_against_another_height(run: Run, legs: SuccessCurve) -> None:
    interval = legs.climbed.interval._replace(low=0.005)
    other = replace(legs.climbed, estimate=0.015, interval=interval)
    swept = headings_of(run, legs, others=[other])
    alone = headings_of(run, replace(legs, climbed=other))
    for again in (swept.against(other, run), headings_of(run, legs).against(other, run)):
        assert again.beyond.tolist() == alone.beyond.tolist()
        assert again.beyond_bound.tolist() == alone.beyond_bound.tolist()
        assert again.sweep is not alone.sweep
    assert alone.beyond[1] > swept.beyond[1]
    assert swept.against(legs.climbed, run).beyond.tolist() == swept.beyond.tolist()


# --- what was walked ------------------------------------------------------------------------------


def test_a_failure_is_beyond_and_a_climb_takes_nothing_away(
    tmp_path: Path, legs: SuccessCurve, plain: RunHeadings
) -> None:
    """The step of 70 mm was climbed, by luck; flat ground stuck."""
    some = pairs()
    some[0] = replace(some[0], walked=True, outcome="stuck")
    some[4] = replace(some[4], walked=True, outcome="climbed")
    some[2] = replace(some[2], walked=True, heading_deg=-12.0)  # not judged
    found = of(tmp_path, some, legs)
    assert [(w.pair, w.heading_deg, w.outcome, w.demand) for w in found.walks] == [
        ("pair-00000", 5.0, "stuck", 0.01), ("pair-00004", 5.0, "climbed", 0.07)]
    for name in ("beyond", "beyond_bound", "failing"):
        known, before = getattr(found, name), getattr(plain, name)
        assert before[0] < 0.05 < 0.5 < before[4]
        assert known.tolist() == [1, *before[1:].tolist()]
    assert found.sweep.least.tolist() == plain.sweep.least.tolist()


def test_a_walk_of_another_rover_is_none(tmp_path: Path, legs: SuccessCurve) -> None:
    some = [replace(p, walked=True, outcome="tipped") for p in pairs(2)]
    assert [w.pair for w in of(tmp_path, some, legs, rovers=2).walks] == ["pair-00000"]


def test_the_demand_of_a_walk_may_not_be_known(tmp_path: Path, legs: SuccessCurve) -> None:
    none = Pair(demand=peak({"step": np.nan}, step=np.full(N, np.nan)))
    sinks = Pair(demand=peak({}, step=np.full(N, -0.02)))
    known = [w.demand for w in of(tmp_path, [none, sinks], legs).walks]
    assert np.isnan(known[0])
    assert known[1] == 0


# --- what is counted ------------------------------------------------------------------------------


def counted_by(folder: Path, some: Sequence[Pair], legs: SuccessCurve) -> tuple[str, list[str]]:
    """What is counted, and of each pair of the rover which."""
    found = of(folder, some, legs)
    return found.counted_by, [found.clusters[i] for i in found.cluster]


@pytest.mark.parametrize("sites", [
    ["pit"] * 6, ["pit", "ridge"] * 3, ["pit", "ridge", "furrows", "slag heap"] * 2])
def test_by_site_however_few(tmp_path: Path, legs: SuccessCurve, sites: list[str]) -> None:
    some = [replace(p, site=site) for p, site in zip(pairs(len(sites)), sites, strict=True)]
    assert counted_by(tmp_path, some, legs) == ("site", sites)


def test_pairs_without_a_site_are_one(tmp_path: Path, legs: SuccessCurve) -> None:
    some = [replace(p, site="pit" if i == 3 else None) for i, p in enumerate(pairs(6))]
    assert counted_by(tmp_path / "a", some, legs) == (
        "site", ["not stated"] * 3 + ["pit"] + ["not stated"] * 2)
    found = of(tmp_path / "b", some, legs)
    assert found.site.tolist() == ["", "", "", "pit", "", ""]


def test_by_day_where_no_site_is_stated(tmp_path: Path, legs: SuccessCurve) -> None:
    some = [replace(p, site=None, taken_at=f"2031-05-{4 + i // 2:02d}T09:30:00Z")
            for i, p in enumerate(pairs(6))]
    some[5] = replace(some[5], taken_at=None)
    assert counted_by(tmp_path / "a", some, legs) == ("day", [
        "2031-05-04", "2031-05-04", "2031-05-05", "2031-05-05", "2031-05-06", "not stated"])
    assert of(tmp_path / "b", some, legs).day.tolist()[-2:] == ["2031-05-06", ""]


def test_by_pair_where_nothing_says_where_or_when(tmp_path: Path, legs: SuccessCurve) -> None:
    some = [replace(p, site=None, taken_at=None) for p in pairs(3)]
    assert counted_by(tmp_path, some, legs) == ("pair", [f"pair-0000{i}" for i in range(3)])


def test_sites_of_another_rover_do_not_count(tmp_path: Path, legs: SuccessCurve) -> None:
    some = [replace(p, site=None if i % 2 == 0 else "pit") for i, p in enumerate(pairs(6))]
    found = of(tmp_path, some, legs, rovers=2)
    assert (found.counted_by, found.clusters) == ("day", ("2031-05-04",))


def test_the_look_ahead_is_that_of_the_settings(plain: RunHeadings) -> None:
    assert plain.look_ahead_m == 1.0


def test_straight_ahead_is_the_nearest_heading_of_each_pair(plain: RunHeadings) -> None:
    """And none farther than 5 degrees."""
    sweep = replace(plain.sweep, pair=np.array([0, 0, 1, 2, 2], dtype=np.int32),
                    heading_deg=np.array([-5.0, 2.0, 5.5, 5.0, -30.0]))
    many = replace(plain, sweep=sweep)
    assert many.ahead().least.tolist() == plain.sweep.least[[1, 3]].tolist()


# --- values ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "steps", "step"), [
    ("step", 1e-4, 0.0241), ("slope", 0.1, 20.3), ("gap", 1e-4, 0.09), ("roll", 0.1, 15.0)])
def test_values_are_round(name: str, steps: float, step: float) -> None:
    """But for the one in use, which is among them as it is."""
    rover = read_rover("dunlin-em")
    values = values_of(name, rover)  # type: ignore[arg-type]
    today = getattr(rover.limits, name).value
    assert values[0] == 0
    assert today in values
    assert (np.diff(values) > 1e-9).all()
    assert np.diff(values[values != today]).min() == pytest.approx(steps)
    assert step in values
    most = {"step": rover.legs.length_m, "gap": rover.body.length_m}.get(name, 60.0)
    assert values[-1] == pytest.approx(most)
    assert len(values) <= 10_000


@pytest.mark.parametrize(("today", "between"), [
    (14.877, [14.8, 14.877, 14.9]), (14.9, [14.8, 14.9, 15.0]),
    (14.9 + 1e-13, [14.8, 14.9 + 1e-13, 15.0])])
def test_today_is_a_value_of_its_own(today: float, between: list[float]) -> None:
    values = values_of("slope", with_limits(read_rover("dunlin-em"), {"slope": today}))
    at = values.tolist().index(today)
    assert values[at - 1:at + 2].tolist() == between


def test_values_reach_what_the_rover_has_today() -> None:
    rover = with_limits(read_rover("dunlin-em"), {"slope": 75.05})
    assert values_of("slope", rover)[-1] == pytest.approx(75.1)


# --- errors ---------------------------------------------------------------------------------------


def test_a_run_without_demands(tmp_path: Path, legs: SuccessCurve) -> None:
    with open_run(write_run(tmp_path / "RUN", pairs(3, demand=None))) as run, \
            pytest.raises(HazcamError) as caught:
        headings_of(run, legs)
    assert caught.value.found == "no demands of headings (pairs assessed: 3)"
    assert "hazcam batch" in caught.value.remedy


def test_namesakes_are_refused(tmp_path: Path, legs: SuccessCurve) -> None:
    """One of the two rovers is given the name of the other."""
    folder = write_run(tmp_path / "RUN", pairs(2))
    with closing(sqlite3.connect(folder / "run.sqlite")) as db:
        db.execute("UPDATE rovers SET name = 'dunlin-em'")
        db.commit()
    with open_run(folder) as run, pytest.raises(HazcamError) as caught:
        headings_of(run, legs)
    assert "2 rovers that are all called dunlin-em" in caught.value.found


def test_trials_of_another_rover(run: Run, legs: SuccessCurve) -> None:
    stranger = Conditions(**{**legs.group.conditions._asdict(), "rover": "sanderling"})
    group = replace(legs.group, conditions=stranger, trials=tuple(
        replace(t, conditions=stranger) for t in legs.group.trials))
    with pytest.raises(HazcamError) as caught:
        headings_of(run, replace(legs, group=group))
    assert caught.value.found == "its pairs are of dunlin-em, dunlin-fm"
    assert "sanderling" in caught.value.expected


def test_one_place_however_it_is_spelled_is_one(tmp_path: Path, legs: SuccessCurve) -> None:
    sites = ("Black beach", "black  beach", "BLACK BEACH", "slag heap")
    found = of(tmp_path, [Pair(site=site, walked=False) for site in sites], legs)
    assert found.clusters == ("Black beach", "slag heap")


def test_a_walk_of_a_heading_that_was_not_judged_is_kept_apart(
    tmp_path: Path, legs: SuccessCurve
) -> None:
    judged = Pair(outcome="stuck")
    found = of(tmp_path, [judged, replace(judged, heading_deg=judged.heading_deg + 2.5)], legs)
    assert [walk.pair for walk in found.walks] == ["pair-00000"]
    assert found.not_placed == ("pair-00001",)
