from __future__ import annotations

import math

import pytest

from hazcam.scene.rehearsal.rates import (
    EXACT_ONE,
    ONE_SCENE,
    OVER_SCENES,
    RESAMPLED,
    UNKNOWN,
    Rates,
    Setting,
    cut_by_setting,
    exact_rate,
    rates_of,
    scene_rate,
    settings_of,
)
from hazcam.scene.rehearsal.record import SceneScore
from tests.rehearsal.synthetic import SMALL_PLAN, heading_row, scene, scores


def three_scenes() -> list[SceneScore]:
    """Blocked 3 (one goes), free 4 (two ask, one of them observable), borderline 2."""
    return [
        scene("a", (heading_row("blocked", "go"), heading_row("blocked", "ask-ground"),
                    heading_row("free", "ask-ground", cause="hidden"))),
        scene("b", (heading_row("blocked", "ask-ground", can_go=False),
                    heading_row("free", "go"),
                    heading_row("free", "go"),
                    heading_row("free", "ask-ground", observable=False, cause="blank"))),
        scene("c", (heading_row("borderline", "go"),
                    heading_row("borderline", "ask-ground", strip_only=True))),
    ]


def rates_at_middle(given: list[SceneScore]) -> Rates:
    return rates_of(cut_by_setting(given)[Setting("own", "matched", 1.0, 0.06)])


def test_both_mistakes_are_counted_by_heading_and_by_scene() -> None:
    """Worked by hand from the nine headings of ``three_scenes``."""
    rates = rates_at_middle(three_scenes())
    assert (rates.false_go.count, rates.false_go.of) == (1, 3)
    assert (rates.false_go_scenes.count, rates.false_go_scenes.of) == (1, 2)
    assert (rates.false_go_can_go.count, rates.false_go_can_go.of) == (1, 2)
    able = rates.false_go_can_go_scenes
    assert (able.count, able.of, able.high) == (1, 1, 1.0)
    assert (rates.needless.count, rates.needless.of) == (2, 4)
    assert (rates.needless_observable.count, rates.needless_observable.of) == (1, 3)
    assert rates.needless_scenes.scenes == 2
    assert rates.needless_scenes.mean == pytest.approx((1 / 1 + 1 / 3) / 2)
    assert rates.needless_observable_scenes.mean == pytest.approx((1 / 1 + 0 / 2) / 2)


def test_the_bound_of_false_go_is_one_sided() -> None:
    """At the bound p, one or no failure in two trials has 5 %: 1 - p^2 = 0.05."""
    bound = rates_at_middle(three_scenes()).false_go_scenes
    assert bound.high == pytest.approx(math.sqrt(0.95))
    assert (bound.low, bound.interval) == (0.0, EXACT_ONE)


def test_no_false_go_is_bounded_by_the_number_of_scenes() -> None:
    """Of n scenes without one: 1 - 0.05^(1/n), however many headings they have."""
    rates = rates_at_middle([scene(f"s{i}", (heading_row("blocked", "ask-ground"),) * 7)
                             for i in range(10)])
    assert rates.false_go_scenes.high == pytest.approx(1 - 0.05 ** (1 / 10))
    assert rates.false_go.high == pytest.approx(1 - 0.05 ** (1 / 70))


def test_the_interval_of_needless_asks_is_two_sided() -> None:
    """Of 10 trials without an event the two-sided bound is 1 - 0.025^(1/10)."""
    assert exact_rate(0, 10, "two").high == pytest.approx(1 - 0.025 ** (1 / 10))


def test_without_trials_nothing_is_known() -> None:
    rate = exact_rate(0, 0, "one")
    assert math.isnan(rate.rate)
    assert (rate.low, rate.high, rate.interval) == (0.0, 1.0, UNKNOWN)
    by_scene = scene_rate([0, 0], [0, 0])
    assert math.isnan(by_scene.mean)
    assert (by_scene.scenes, by_scene.low, by_scene.high) == (0, 0.0, 1.0)


def test_whole_scenes_are_resampled() -> None:
    """Two scenes, one all wrong: a resample has rate 0, 1/2 or 1, the ends in a quarter each."""
    rate = scene_rate([0, 50], [50, 50])
    assert (rate.low, rate.high, rate.interval) == (0.0, 1.0, RESAMPLED)
    alike = scene_rate([25, 25], [50, 50])
    assert (alike.low, alike.high) == (0.5, 0.5)


def test_one_scene_alone_has_no_interval() -> None:
    """Resampling a single scene would say that its rate is known exactly."""
    rate = scene_rate([3], [10])
    assert (rate.mean, rate.low, rate.high, rate.interval) == (0.3, 0.0, 1.0, ONE_SCENE)


@pytest.mark.parametrize("all_ask", [False, True])
def test_where_all_scenes_agree_the_bound_is_exact_over_scenes(all_ask: bool) -> None:
    rate = scene_rate([30 * all_ask] * 10, [30] * 10)
    tail = 1 - 0.025 ** (1 / 10)
    assert (rate.low, rate.high) == pytest.approx((1 - tail, 1.0) if all_ask else (0.0, tail))
    assert rate.interval == OVER_SCENES


def test_a_scene_without_a_trial_does_not_count_as_one() -> None:
    """Two scenes with a trial and three without are two scenes."""
    assert scene_rate([0, 1, 0, 0, 0], [4, 4, 0, 0, 0]).scenes == 2
    assert scene_rate([0, 1, 0, 0, 0], [4, 4, 0, 0, 0]).mean == pytest.approx(0.125)


def test_each_row_is_in_the_cut_of_its_setting() -> None:
    """In the order of the tables: by strip, sensor, look-ahead and limit."""
    given = scores(3)
    cuts = cut_by_setting(given)
    order = list(settings_of(SMALL_PLAN))
    assert set(order) == set(cuts)
    assert order[0] == Setting("straight ahead", "matched", 0.6, 0.04)
    assert order[1].limit_m == 0.06
    assert order[-1] == Setting("own", "ideal", 1.5, 0.08)
    assert sum(len(rows) for cut in cuts.values() for rows in cut.values()) == 36 * 3 * 3
    for setting, cut in cuts.items():
        assert {(r.strip, r.sensor, r.look_ahead_m, r.limit_m)
                for rows in cut.values() for r in rows} == {setting}
