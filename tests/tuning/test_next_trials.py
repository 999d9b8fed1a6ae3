"""Next trials: the forecast, the plan, rules without a curve, and names of trials to come."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expit

from hazcam.errors import TrialsError
from hazcam.rover.profile import LimitName
from hazcam.tuning import forecast as forecasting
from hazcam.tuning.curve import NoCurve, SuccessCurve, curve_of
from hazcam.tuning.forecast import forecast_of
from hazcam.tuning.next_rules import ruled_trials, rungs
from hazcam.tuning.next_trials import TrialPlan, free_ids, next_trials
from hazcam.tuning.record import Trial, TrialGroup, TrialTable
from hazcam.tuning.uncertain_curve import possible_curves
from tests.tuning.next_data import (
    HALF_M,
    SCALE_M,
    STEP,
    drawn_group,
    fitted,
    group_of,
    known,
    trial,
)


def planned(group: TrialGroup, count: int = 3) -> TrialPlan:
    return next_trials(curve_of(group, reliability=0.9, confidence=0.9), count)


@pytest.fixture(scope="module")
def curve() -> SuccessCurve:
    return fitted(drawn_group(30, 3))


# --- the forecast --------------------------------------------------------------------------------


def test_the_chances_of_all_outcomes_are_binomial_ones_under_a_known_curve(
    curve: SuccessCurve
) -> None:
    group = fitted(group_of([(t.demand, t.climbed) for t in curve.group.trials]))
    found = forecast_of(group, [known()], (0.04, 0.04, 0.05), 0.0)
    p, q = expit((HALF_M - np.array([0.04, 0.05])) / SCALE_M)
    assert {one.climbed: one.chance for one in found.outcomes} == pytest.approx({
        (k, m): (1 - p) ** (2 - k) * p**k * (2 if k == 1 else 1) * (q if m else 1 - q)
        for k in range(3) for m in range(2)})
    assert (found.demands, found.tried, found.drawn) == ((0.04, 0.05), (2, 1), False)


def test_each_outcome_gives_the_bound_that_the_curve_would_give(curve: SuccessCurve) -> None:
    found = forecast_of(curve, possible_curves(curve), (0.038, 0.038), 0.0015)
    for one in found.outcomes:
        more = [trial(0.038, k < one.climbed[0], number=90 + k, sigma=0.0015) for k in range(2)]
        again = fitted(TrialGroup(conditions=STEP, simulated=False,
                                  trials=(*curve.group.trials, *more)))
        assert one.low == pytest.approx(max(again.climbed.low, 0.0))
    assert found.now == curve.climbed.low
    lows = [one.low for one in found.outcomes]
    assert lows == sorted(lows)
    assert min(lows) < found.mean < max(lows)


def test_what_is_reached_with_a_chance(curve: SuccessCurve) -> None:
    found = forecast_of(curve, possible_curves(curve), (0.038, 0.038), 0.0015)
    none, one, both = found.outcomes
    assert sum(o.chance for o in found.outcomes) == pytest.approx(1)
    assert found.at_least(both.chance - 1e-6) == both.low
    assert found.at_least(both.chance + 1e-6) == one.low
    assert found.at_least(1.0) == none.low
    assert found.chance_above(one.low) == pytest.approx(both.chance)


def test_too_many_outcomes_are_drawn_the_same_each_time(
    curve: SuccessCurve, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(forecasting, "MOST_OUTCOMES", 8)
    curves = possible_curves(curve)
    first, again = (forecast_of(curve, curves, (0.036, 0.036, 0.042, 0.042), 0.0015)
                    for _ in range(2))
    assert first.drawn
    assert sum(one.chance for one in first.outcomes) == pytest.approx(1)
    assert first.outcomes == again.outcomes


# --- the plan ------------------------------------------------------------------------------------


def test_a_plan_by_the_curve(curve: SuccessCurve) -> None:
    plan = next_trials(curve, 3)
    assert plan.rule == "information"
    assert set(plan.demands) <= set(rungs(curve.group, plan.sigma))
    assert plan.sigma == 0.0015
    assert plan.narrowing is not None
    assert 0.5 < plan.narrowing < 1
    assert "90 of 100 trials climb" in plan.reason
    assert plan.forecast is not None
    assert sum(plan.forecast.tried) == 3


def test_more_trials_narrow_more_and_worse_measured_ones_less(curve: SuccessCurve) -> None:
    one, three = (next_trials(curve, n).narrowing for n in (1, 3))
    worse = next_trials(curve, 3, sigma=0.006)
    assert worse.sigma == 0.006
    assert worse.narrowing is not None
    assert one is not None
    assert three is not None
    assert three < worse.narrowing < 1
    assert three < one < 1


def test_only_what_can_be_built_is_planned(curve: SuccessCurve) -> None:
    assert set(next_trials(curve, 3, demands=[0.05, 0.03, 0.02]).demands) <= {0.02, 0.03, 0.05}
    with pytest.raises(ValueError, match="above 0"):
        next_trials(curve, 3, demands=[0.0, 0.03])
    with pytest.raises(ValueError, match="at least one trial"):
        next_trials(curve, 0)


@pytest.mark.parametrize(("kind", "greatest", "sigma", "step", "top"), [
    ("step", 0.06, 0.0, 0.001, 0.075), ("gap", 0.4, 0.0, 0.005, 0.5), ("gap", 1.0, 0.0, 0.005, 1.0),
    ("slope", 30.0, 0.0, 0.5, 37.5), ("slope", 85.0, 0.0, 0.5, 90.0),
    ("step", 0.06, 0.0015, 0.003, 0.075), ("step", 0.06, 0.0012, 0.003, 0.075),
    ("gap", 0.4, 0.003, 0.01, 0.5), ("slope", 30.0, 1.5, 3.0, 36.0),
    ("step", 0.016, 0.05, 0.005, 0.02)])  # no fewer than four, though none can be told apart
def test_rungs(kind: LimitName, greatest: float, sigma: float, step: float, top: float) -> None:
    found = rungs(group_of([(greatest / 2, True), (greatest, False)], kind=kind), sigma)
    assert found[0] == step
    assert found[-1] == pytest.approx(top)
    assert len(found) <= 200


def test_rules_without_a_curve() -> None:
    higher = planned(group_of([(0.02, True), (0.03, True), (0.04, True)]))
    assert (higher.rule, higher.demands) == ("higher", (0.044, 0.048, 0.052))
    assert higher.stepwise
    assert "end the series at the first failure" in higher.reason
    lower = planned(group_of([(0.04, False), (0.06, False), (0.05, False)]))
    assert (lower.rule, lower.demands) == ("lower", (0.01, 0.02, 0.03))
    across = planned(group_of([(0.03, True), (0.05, False)]))
    assert (across.rule, across.demands) == ("across", (0.035, 0.04, 0.045))
    assert "only 2 trials" in across.reason
    alike = planned(group_of([(0.03, True), (0.03, False), (0.03, True)]))
    assert (alike.rule, alike.demands) == ("across", (0.015, 0.03, 0.045))
    assert "all are of one demand" in alike.reason
    ends = planned(group_of([(0.02, False), (0.025, False), (0.03, True), (0.04, True)]))
    assert (ends.rule, ends.demands) == ("both ends", (0.02, 0.04, 0.04))
    for plan in (higher, lower, across, alike, ends):
        assert plan.forecast is None
        assert plan.narrowing is None
        assert plan.support.alone > 0


@given(outcomes=st.lists(st.booleans(), min_size=1, max_size=6), count=st.integers(1, 12),
       least_mm=st.integers(1, 200), apart_mm=st.integers(0, 20), sigma_mm=st.floats(0, 3))
def test_rungs_of_a_rule_lie_two_sigma_apart(
    outcomes: list[bool], count: int, least_mm: int, apart_mm: int, sigma_mm: float
) -> None:
    """Or fewer than four of them fit up to the greatest."""
    group = group_of([((least_mm + k * apart_mm) / 1000, up) for k, up in enumerate(outcomes)])
    plan = ruled_trials(group, count, sigma_mm / 1000)
    apart = np.diff(sorted(set(plan.demands)))
    if plan.rule != "both ends":
        top = 1.25 * group.demand.max() if plan.rule == "higher" else max(plan.demands)
        few = 0.8 * top / 4 - 0.001
        assert (apart > min(2 * sigma_mm / 1000, few) - 1e-9).all()
    if plan.rule == "higher":
        assert len(apart) == count - 1
        assert plan.demands[0] > group.demand.max()
    if plan.rule == "lower":
        assert max(plan.demands) <= max(group.demand.min(), 0.001)


def test_two_trials_give_rungs_that_can_be_told_apart() -> None:
    plan = planned(group_of([(0.048, True), (0.057, False)], sigma=0.0015))
    assert plan.demands == (0.051, 0.054, 0.054)


def test_a_single_trial_goes_where_the_rarer_outcome_is() -> None:
    assert planned(group_of([(0.03, True)]), 1).demands == (0.033,)
    assert planned(group_of([(0.03, False)]), 1).demands == (0.015,)
    assert planned(group_of([(0.03, True), (0.03, True), (0.03, False)]), 1).demands == (0.045,)
    assert planned(group_of([(0.03, False), (0.03, True), (0.03, False)]), 1).demands == (0.015,)


def test_rules_stay_within_what_can_be_built() -> None:
    assert planned(group_of([(0.9, True)], kind="gap")).demands == (0.99, 1.0, 1.0)
    assert planned(group_of([(30.0, True), (88.0, True)], kind="slope")).demands == (89.0,) * 3
    assert planned(group_of([(0.001, False)])).demands == (0.001, 0.001, 0.001)


def test_the_order_is_shuffled_by_its_seed_unless_it_matters(curve: SuccessCurve) -> None:
    plan = next_trials(curve, 1, demands=[0.03])
    plan = TrialPlan(**{**{name: getattr(plan, name) for name in plan.__dataclass_fields__},
                        "demands": tuple(np.arange(1, 9) / 100)})
    assert plan.order(7) == plan.order(7) != plan.order(8)
    assert sorted(plan.order(7)) == list(plan.demands) != list(plan.order(7))
    rising = planned(group_of([(0.02, True), (0.03, True), (0.04, True)]), 8)
    assert rising.order(7) == rising.order(8) == rising.demands


def test_a_no_curve_for_another_reason_has_a_rule_too() -> None:
    found = curve_of(group_of([(0.02, False), (0.03, True), (0.04, True)]), reliability=0.9,
                     confidence=0.9)
    assert isinstance(found, NoCurve)
    assert next_trials(found, 2).demands == (0.02, 0.04)


# --- which trials, and their names ---------------------------------------------------------------


def table(*trials: Trial) -> TrialTable:
    return TrialTable(name="t.csv", digest="0" * 64, trials=trials)


def test_ids_go_on_where_the_table_ends() -> None:
    one, other = trial(0.03, True, id_="a-9"), trial(0.03, True, id_="b-0099")
    named = trial(0.03, True, id_="first")
    whole = table(one, other, named)

    def ids(*trials: Trial) -> tuple[str, ...]:
        return free_ids(whole, TrialGroup(conditions=STEP, simulated=False, trials=trials), 2)

    assert ids(one) == ("a-10", "a-11")
    assert ids(one, other, named) == ("b-0100", "b-0101")
    assert ids(named) == ("trial-01", "trial-02")


def test_numbers_of_other_groups_are_not_used_again() -> None:
    slag = trial(0.03, True, id_="t7", conditions=STEP._replace(ground="slag heap"))
    sand = trial(0.03, True, id_="t3")
    whole = table(sand, slag)
    assert free_ids(whole, whole.chosen(ground="black sand"), 1) == ("t8",)


def test_the_walked_trials_are_chosen_by_what_is_given() -> None:
    slag = trial(0.03, True, number=2, conditions=STEP._replace(ground="slag heap"))
    simulated = trial(0.03, True, number=3, simulated=True)
    whole = table(trial(0.02, True), slag, simulated)
    assert whole.chosen(ground="slag heap").trials == (slag,)
    assert [t.id for t in whole.chosen(ground="black sand", gravity_mps2=9.81).trials] == [
        "sand-01"]
    assert table(trial(0.02, True), simulated).chosen().trials == (trial(0.02, True),)
    with pytest.raises(TrialsError, match="under 2 conditions") as several:
        whole.chosen(kind="step")
    assert several.value.remedy == "name it: --ground"
    assert "ground slag heap, gravity 9.81 m/s^2 (1 of them)" in several.value.found
    with pytest.raises(TrialsError, match="no walked trials of rover rail") as none:
        whole.chosen(rover="rail")
    assert "ground black sand" in none.value.found
    assert "did you mean" not in none.value.remedy
    with pytest.raises(TrialsError) as near:
        whole.chosen(ground="Black Sand")
    assert near.value.remedy == ("name the conditions of one of these (did you mean black sand?)")
    with pytest.raises(TrialsError, match="simulated trials only"):
        table(simulated).chosen()
