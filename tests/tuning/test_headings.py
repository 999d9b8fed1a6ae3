"""Headings of a run: which count, what is beyond, by what they are counted, what was walked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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


def of(folder: Path, some: Sequence[Pair], legs: SuccessCurve) -> RunHeadings:
    with open_run(write_run(folder / "RUN", some)) as run:
        return headings_of(run, legs)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory, legs: SuccessCurve) -> RunHeadings:
    """One heading each of five steps; the rovers of the pairs in turn are both Dunlins."""
    return of(tmp_path_factory.mktemp("plain"), pairs(), legs)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    with open_run(write_run(tmp_path / "RUN", pairs(2))) as opened:
        yield opened


def own(found: RunHeadings) -> list[int]:
    return np.nonzero(found.of_rover)[0].tolist()


# --- what counts ----------------------------------------------------------------------------------


def test_headings_of_other_rovers_do_not_count(plain: RunHeadings) -> None:
    assert plain.sweep.ids == tuple(f"pair-0000{i}" for i in range(5))
    assert own(plain) == [0, 2, 4]
    assert len(plain.decided().least) == len(plain.ahead().least) == 3
    assert plain.counted.tolist() == plain.of_rover.tolist()


def test_beyond_is_the_chance_that_the_demand_is(plain: RunHeadings, legs: SuccessCurve) -> None:
    """Steps of 10 and 70 mm known to 2 mm, and legs that climb about 35 mm."""
    assert 0.02 < legs.climbed.low < legs.climbed.estimate < 0.045
    counted = plain.decided()
    assert counted.beyond[[0, 2]] == pytest.approx([0, 1], abs=1e-6)
    assert (counted.beyond_bound >= counted.beyond - 1e-6).all()
    assert counted.failing[0] < 0.05 < counted.failing[2]
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
    assert own(found) == [0, 2]
    assert found.counted.tolist() == [True, False, False]
    assert len(found.decided().least) == 1
    assert found.ahead().least.tolist() == [found.sweep.least[0], len(found.sweep.values)]


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


def test_what_came_of_a_heading_stands_for_its_chance(
    tmp_path: Path, legs: SuccessCurve, plain: RunHeadings
) -> None:
    some = pairs()
    some[0] = replace(some[0], walked=True, outcome="stuck")
    some[4] = replace(some[4], walked=True, outcome="climbed")
    some[1] = replace(some[1], walked=True, outcome="tipped")  # of another rover
    some[2] = replace(some[2], walked=True, heading_deg=-12.0)  # not judged
    found = of(tmp_path, some, legs)
    assert [(w.pair, w.heading_deg, w.outcome) for w in found.walks] == [
        ("pair-00000", 5.0, "stuck"), ("pair-00004", 5.0, "climbed")]
    for name in ("beyond", "beyond_bound", "failing"):
        known, before = getattr(found, name), getattr(plain, name)
        assert known[[0, 4]].tolist() == [1, 0]
        assert known[[1, 2, 3]].tolist() == before[[1, 2, 3]].tolist()
    assert found.sweep.least.tolist() == plain.sweep.least.tolist()


# --- what is counted ------------------------------------------------------------------------------


def counted_by(folder: Path, some: Sequence[Pair], legs: SuccessCurve) -> tuple[str, int]:
    found = of(folder, some, legs)
    return found.counted_by, len(set(found.cluster[found.of_rover].tolist()))


def test_by_site_where_there_are_five_of_the_rover(tmp_path: Path, legs: SuccessCurve) -> None:
    """Every other pair is of the rover: of 10 pairs five, of five sites."""
    some = pairs(10)
    assert counted_by(tmp_path / "a", some, legs) == ("site", 5)
    foreign = [replace(p, site=None) if i % 2 else p for i, p in enumerate(some)]
    assert counted_by(tmp_path / "b", foreign, legs) == ("site", 5)


def test_sites_of_another_rover_do_not_make_five(tmp_path: Path, legs: SuccessCurve) -> None:
    some = [replace(p, site=SITES[0] if i % 2 == 0 else SITES[i // 2])
            for i, p in enumerate(pairs(10))]
    assert counted_by(tmp_path, some, legs) == ("pair", 5)


def test_by_day_where_a_site_is_not_stated(tmp_path: Path, legs: SuccessCurve) -> None:
    days = [replace(p, taken_at=f"2031-05-{4 + i // 2:02d}T09:30:00Z")
            for i, p in enumerate(pairs(12))]
    days[0] = replace(days[0], site=None)
    found = of(tmp_path / "a", days, legs)
    assert (found.counted_by, found.clusters) == (
        "day", tuple(f"2031-05-0{4 + i}" for i in range(6)))
    assert found.day.tolist() == [f"2031-05-0{4 + i // 2}" for i in range(12)]
    assert found.site.tolist()[:3] == ["", "furrows", "black sand"]
    days[2] = replace(days[2], taken_at=None)
    assert counted_by(tmp_path / "b", days, legs) == ("pair", 6)


def test_the_look_ahead_is_that_of_the_settings(plain: RunHeadings) -> None:
    assert plain.look_ahead_m == 1.0


def test_straight_ahead_is_the_nearest_heading_of_each_pair(plain: RunHeadings) -> None:
    """And none farther than 5 degrees."""
    sweep = replace(plain.sweep, pair=np.array([0, 0, 1, 2, 2], dtype=np.int32),
                    heading_deg=np.array([-5.0, 2.0, 5.5, 5.0, -30.0]))
    many = replace(plain, sweep=sweep, of_rover=np.ones(5, dtype=bool))
    assert many.ahead().least.tolist() == plain.sweep.least[[1, 3]].tolist()


# --- values ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "steps", "step"), [
    ("step", 1e-4, 0.0241), ("slope", 0.1, 20.3), ("gap", 1e-4, 0.09), ("roll", 0.1, 15.0)])
def test_values_are_round_and_hold_those_in_use(name: str, steps: float, step: float) -> None:
    rover = read_rover("dunlin-em")
    values = values_of(name, rover)  # type: ignore[arg-type]
    assert values[0] == 0
    assert np.diff(values) == pytest.approx(steps)
    assert step in values
    most = {"step": rover.legs.length_m, "gap": rover.body.length_m}.get(name, 60.0)
    assert values[-1] == pytest.approx(most)
    assert len(values) <= 10_000


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


def test_trials_of_another_rover(run: Run, legs: SuccessCurve) -> None:
    stranger = Conditions(**{**legs.group.conditions._asdict(), "rover": "sanderling"})
    group = replace(legs.group, conditions=stranger, trials=tuple(
        replace(t, conditions=stranger) for t in legs.group.trials))
    with pytest.raises(HazcamError) as caught:
        headings_of(run, replace(legs, group=group))
    assert caught.value.found == "its pairs are of dunlin-em, dunlin-fm"
    assert "sanderling" in caught.value.expected
