"""The verdicts on the sample pairs against their truth: the safety case, small but whole.

Nothing is tuned on these pairs. The judge (``hazcam.scene.judge``) shares no code with the stages.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from hazcam.imagery import find_sidecars
from tests.benchmarks.truth_score import Row, rows_of, table, upper_bound

PAIRS = find_sidecars(Path(__file__).parents[1] / "sample_pairs")


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    return [row for path in PAIRS for row in rows_of(path)]


def test_no_go_where_the_swath_is_blocked(rows: list[Row]) -> None:
    """Limits 4, 6, 8 cm; an object of at least 1.15 times the limit cuts the body's swath."""
    blocked = [r for r in rows if r.label.label == "blocked"]
    assert len(blocked) > 100
    assert len({r.pair for r in blocked}) >= 5
    wrong = [(r.pair, r.verdict.heading_deg, r.limit_m) for r in blocked
             if r.verdict.verdict == "go"]
    assert wrong == []


def test_it_is_of_use_where_the_ground_is_free_and_in_view(rows: list[Row]) -> None:
    """A tool that always asks would be safe: most free headings in full view are ``go``."""
    free = [r for r in rows if r.label.label == "free" and r.in_view]
    assert len(free) > 30
    assert sum(r.verdict.verdict == "go" for r in free) > 0.6 * len(free)


def test_a_blocked_heading_is_not_called_clear_past_the_obstacle(rows: list[Row]) -> None:
    """At most 5 cm beyond where it begins: outlines are convex hulls, a little wide of the thing.

    Slopes are left out: the judge counts from the front of the body-size window, the stages from
    its middle.
    """
    late = [(r.pair, r.verdict.heading_deg, r.limit_m, r.verdict.clear_m, r.label.clear_m)
            for r in rows if r.label.label == "blocked"
            and not r.label.reasons[0].startswith("slope")
            and r.verdict.clear_m > r.label.clear_m + 0.05]
    assert late == []


def test_the_table_counts_every_limit_and_strip(rows: list[Row]) -> None:
    assert len(table(rows).splitlines()) == 2 + 6


def test_the_bound_is_the_published_one() -> None:
    """Zero failures in n: 1 - 0.05^(1/n), the rule of three made exact (n = 30: 0.0950).

    Source: Hanley and Lippman-Hand 1983, JAMA 249:1743; the closed form is hand-worked.
    """
    assert upper_bound(0, 30) == pytest.approx(1 - 0.05 ** (1 / 30))
