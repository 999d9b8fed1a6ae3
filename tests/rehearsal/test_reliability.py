from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from hazcam.scene.rehearsal.rates import OVER_SCENES, cut_by_setting
from hazcam.scene.rehearsal.record import HeadingRow, Plan, SceneScore
from hazcam.scene.rehearsal.reliability import EDGES, Reliability, reliability
from tests.rehearsal.synthetic import heading_row, scene

PLAN = Plan(limits_m=(0.04, 0.06), look_aheads_m=(1.0,), headings_deg=(0.0,),
            sensors=("matched",))


def stated(probability: float, exceeds: bool | None, *, bounded: bool = True,
           limit_m: float = 0.06) -> HeadingRow:
    return heading_row("borderline", "ask-ground", probability=probability, exceeds=exceeds,
                       bounded=bounded, limit_m=limit_m)


def found(given: list[SceneScore], basis: str = "one limit") -> Reliability:
    rows = reliability(cut_by_setting(given), PLAN, 0.06, 1.0)
    return next(row for row in rows if row.basis == basis)


@pytest.mark.parametrize(("probability", "where"), [
    (0.0, 0), (0.01, 0), (0.0101, 1), (0.2, 1), (0.5, 2), (0.8, 2), (0.81, 3), (1.0, 3)])
def test_the_upper_edge_of_a_bin_belongs_to_it(probability: float, where: int) -> None:
    bins = found([scene("a", (stated(probability, False),))]).bins
    assert [b.headings for b in bins] == [int(i == where) for i in range(4)]


def test_stated_and_observed_by_hand() -> None:
    """0.3, 0.5 and 0.7 of one scene, two of which exceed, and 0.4 of another, which does not."""
    given = [scene("a", (stated(0.3, True), stated(0.5, False), stated(0.7, True))),
             scene("b", (stated(0.4, False), stated(0.9, True)))]
    third, last = found(given).bins[2:]
    assert (third.headings, third.scenes, third.exceeding) == (4, 2, 2)
    assert (third.stated, third.observed) == pytest.approx((0.475, 0.5))
    # a resample of the two scenes has 2 of 3 twice, 0 of 1 twice, or both
    assert (third.low, third.high) == pytest.approx((0.0, 2 / 3))
    assert third.inside is True
    assert third.enough is False
    assert (last.headings, last.stated, last.observed) == (1, 0.9, 1.0)


def test_an_empty_bin_says_nothing() -> None:
    empty = found([scene("a", (stated(0.9, True),))]).bins[0]
    assert (empty.headings, empty.scenes, empty.inside, empty.enough) == (0, 0, None, False)
    assert math.isnan(empty.stated)
    assert math.isnan(empty.observed)


def test_what_cannot_be_held_against_truth_is_counted_and_left_out() -> None:
    """One without a probability, three not bounded, three whose truth is not known, one that is."""
    rows = (stated(math.nan, True, bounded=False), stated(0.1, True, bounded=False),
            stated(0.2, False, bounded=False), stated(0.9, None, bounded=False),
            *(stated(0.1, None),) * 3, stated(0.1, True))
    row = found([scene("a", rows)])
    assert (row.not_stated, row.not_bounded, row.not_known) == (1, 3, 3)
    assert [b.headings for b in row.bins] == [0, 1, 0, 0]
    assert [(b.not_bounded, b.not_bounded_exceeding) for b in row.bins] == [
        (0, 0), (2, 1), (0, 0), (0, 0)]


def test_only_the_own_strip_of_the_setting_counts_and_limits_are_pooled_apart() -> None:
    other = (heading_row("free", "go", strip="straight ahead"),
             heading_row("free", "go", look_ahead_m=0.6), heading_row("free", "go", sensor="ideal"))
    given = [scene("a", (*other, stated(0.5, True), stated(0.6, False, limit_m=0.04)))]
    assert [b.headings for b in found(given).bins] == [0, 0, 1, 0]
    assert [b.headings for b in found(given, "all limits").bins] == [0, 0, 2, 0]


def drawn(seed: int, shift: float) -> list[SceneScore]:
    """40 scenes of 10 headings a bin that exceed with the stated probability plus a shift."""
    rng = np.random.default_rng(seed)
    spans = list(pairwise(EDGES))
    given = []
    for i in range(40):
        p = np.concatenate([rng.uniform(low, high, 10) for low, high in spans])
        truth = rng.random(p.size) < np.clip(p + shift, 0, 1)
        given.append(scene(f"s{i}", tuple(stated(float(a), bool(b))
                                          for a, b in zip(p, truth, strict=True))))
    return given


def test_right_probabilities_lie_inside_and_wrong_ones_do_not() -> None:
    """400 headings a bin: a share of 0.5 is known to 0.025 (one standard deviation)."""
    right = found(drawn(3, 0.0)).bins
    assert [b.inside for b in right] == [True] * 4
    assert all(b.enough and (b.headings, b.scenes) == (400, 40) for b in right)
    wrong = found(drawn(3, 0.25)).bins
    assert [b.inside for b in wrong[:3]] == [False] * 3


def test_a_bin_without_an_event_is_bounded_over_scenes() -> None:
    """Resampling would shrink to 0, and no stated mean above 0 could ever lie inside."""
    given = [scene(f"s{i}", (stated(0.005, False),)) for i in range(40)]
    first = found(given).bins[0]
    assert (first.interval, first.low) == (OVER_SCENES, 0.0)
    assert first.high == pytest.approx(1 - 0.025 ** (1 / 40))
    assert first.inside is True


def test_a_probability_that_is_none_is_an_error() -> None:
    with pytest.raises(ValueError, match=r"from 0 to 1, got 1\.2"):
        found([scene("a", (stated(1.2, True),))])
