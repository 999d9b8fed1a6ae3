from __future__ import annotations

import pytest

from hazcam.scene.rehearsal.false_go import ALL, FalseGoRow, false_go_rows
from hazcam.scene.rehearsal.rates import cut_by_setting
from hazcam.scene.rehearsal.record import Plan, SceneScore
from tests.rehearsal.synthetic import SMALL_PLAN, heading_row, scene, scores

PLAN = Plan(limits_m=(0.06,), look_aheads_m=(1.0,), headings_deg=(0.0,))


def rows_of(given: list[SceneScore], plan: Plan = PLAN) -> dict[str, FalseGoRow]:
    found = false_go_rows(given, cut_by_setting(given), plan)
    return {row.group: row for row in found if (row.sensor, row.strip) == ("matched", "own")}


def test_scenes_are_counted_in_their_group_and_in_all() -> None:
    """Of 3 pits and craters one goes; of 2 ledges none, one of which can never go."""
    asks, goes = heading_row("blocked", "ask-ground"), heading_row("blocked", "go")
    never = heading_row("blocked", "ask-ground", can_go=False)
    found = rows_of([
        scene("p1", (asks, goes, goes), mixture="pit/1"), scene("p2", (asks,), mixture="pit/1"),
        scene("c1", (asks, never), mixture="crater/1"), scene("l1", (asks,), mixture="ledge/1"),
        scene("l2", (never,), mixture="ledge/1"), scene("r1", (goes,), mixture="rocks/1"),
        scene("s1", (heading_row("free", "go"),), mixture="shadow/1")])
    counts = {group: (row.blocked.count, row.blocked.of, row.can_go.count, row.can_go.of)
              for group, row in found.items()}
    assert counts == {ALL: (2, 6, 2, 5), "pit and crater": (1, 3, 1, 3), "ledge": (0, 2, 0, 1),
                      "shadow": (0, 0, 0, 0)}
    assert found["shadow"].blocked.high == 1.0


def test_the_bound_is_exact_and_one_sided() -> None:
    """59 scenes without a false-go bound it at 1 - 0.05^(1/59), just below 5 %."""
    found = rows_of([scene(f"l{i}", (heading_row("blocked", "ask-ground"),) * 3,
                           mixture="ledge/1") for i in range(59)])
    assert found["ledge"].blocked.high == pytest.approx(1 - 0.05 ** (1 / 59))
    assert found["ledge"].blocked.high < 0.05


def test_a_group_without_scenes_is_left_out() -> None:
    assert list(rows_of([scene("r", (heading_row("blocked", "go"),))])) == [ALL]


def test_each_setting_has_a_row() -> None:
    """Pits are in the set; 2 strips x 2 sensors x 3 look-aheads x 3 limits."""
    given = scores(4)
    found = false_go_rows(given, cut_by_setting(given), SMALL_PLAN)
    assert [row.group for row in found] == [ALL] * 36 + ["pit and crater"] * 36
