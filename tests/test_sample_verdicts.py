"""The verdicts on the sample pairs against their truth: the safety case, small but whole.

Nothing is tuned on these pairs. The judge (``hazcam.scene.judge``) shares no code with the stages.
Limits 4, 6 and 8 cm, look-ahead 1 m; each heading both with the strip straight ahead and with its
own near strip assumed clear.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from hazcam.imagery import find_sidecars
from hazcam.scene.rehearsal.record import HeadingRow, Plan, SceneScore
from hazcam.scene.rehearsal.score import score_pair

PAIRS = find_sidecars(Path(__file__).parents[1] / "sample_pairs")
PLAN = Plan(look_aheads_m=(1.0,), sensors=("matched",))


@pytest.fixture(scope="module")
def scores() -> list[SceneScore]:
    return [score_pair(path, PLAN) for path in PAIRS]


def rows_of(scores: list[SceneScore], label: str) -> list[tuple[str, HeadingRow]]:
    return [(s.pair, row) for s in scores for row in s.rows if row.label == label]


def test_no_go_where_the_swath_is_blocked(scores: list[SceneScore]) -> None:
    """What blocks is at least 1.15 times its limit and cuts the body's swath beyond the strip."""
    blocked = rows_of(scores, "blocked")
    assert len(blocked) > 100
    assert len({pair for pair, _ in blocked}) >= 5
    wrong = [(pair, row.heading_deg, row.limit_m) for pair, row in blocked if row.is_false_go]
    assert wrong == []


def test_it_is_of_use_where_the_ground_is_free_and_in_view(scores: list[SceneScore]) -> None:
    """A tool that always asks would be safe: some free headings that both cameras see must go."""
    free = [row for _, row in rows_of(scores, "free") if row.observable and row.strip == "own"]
    assert len(free) > 30
    assert sum(row.verdict == "go" for row in free) > 0.35 * len(free)


def test_a_blocked_heading_is_not_called_clear_past_the_obstacle(scores: list[SceneScore]) -> None:
    """At most 5 cm beyond where it begins: outlines are convex hulls, a little wide of the thing.

    Slopes are left out: the judge counts from the front of the body-size window, the stages from
    its middle.
    """
    late = [(pair, row.heading_deg, row.limit_m, row.clear_m, row.true_clear_m)
            for pair, row in rows_of(scores, "blocked")
            if row.blocking_kind != "slope" and row.clear_m > row.true_clear_m + 0.05]
    assert late == []
