from __future__ import annotations

import math

from hazcam.scene.rehearsal.record import HeadingRow
from hazcam.scene.rehearsal.worst import MOST_CASES, false_go_cases, needless_cases
from tests.rehearsal.synthetic import heading_row, scene


def went(ratio: float, heading_deg: float = 0.0) -> HeadingRow:
    return heading_row("blocked", "go", ratio=ratio, heading_deg=heading_deg)


def asked(ratio: float, heading_deg: float = 0.0, *, observable: bool = True) -> HeadingRow:
    return heading_row("free", "ask-ground", ratio=ratio, heading_deg=heading_deg,
                       observable=observable)


def test_one_false_go_of_each_scene_comes_before_a_second() -> None:
    """The second of ``a`` is worse than that of ``b``, and yet comes after it."""
    cases = false_go_cases([scene("a", (went(4.0), went(3.0, 10.0))), scene("b", (went(2.0),))])
    assert [(c.pair, c.ratio) for c in cases] == [("a", 4.0), ("b", 2.0), ("a", 3.0)]


def test_a_heading_that_is_wrong_at_two_limits_is_shown_once() -> None:
    rows = tuple(heading_row("blocked", "go", ratio=ratio, limit_m=limit_m)
                 for ratio, limit_m in ((1.5, 0.08), (3.0, 0.04)))
    cases = false_go_cases([scene("a", rows)])
    assert [(c.ratio, c.limit_m) for c in cases] == [(3.0, 0.04)]


def test_the_smallest_demand_that_was_asked_about_comes_first() -> None:
    cases = needless_cases([scene("a", (asked(0.3),)), scene("b", (asked(0.1),)),
                            scene("c", (asked(math.nan),))])
    assert [c.pair for c in cases] == ["b", "a", "c"]


def test_what_is_out_of_view_is_shown_only_if_nothing_else_is() -> None:
    hidden = scene("a", (asked(0.0, observable=False),))
    assert [c.pair for c in needless_cases([hidden, scene("b", (asked(0.5),))])] == ["b"]
    assert [c.pair for c in needless_cases([hidden])] == ["a"]


def test_no_more_cases_than_can_be_looked_at() -> None:
    cases = false_go_cases([scene(f"s{i:02d}", (went(2.0),)) for i in range(30)])
    assert len(cases) == MOST_CASES == len({c.pair for c in cases})


def test_only_mistakes_of_the_matched_sensor_are_shown_with_the_word_of_the_ideal_one() -> None:
    rows = (went(2.0), heading_row("blocked", "ask-ground", sensor="ideal"),
            heading_row("blocked", "ask-ground", heading_deg=5.0),
            heading_row("blocked", "go", sensor="ideal", heading_deg=5.0))
    cases = false_go_cases([scene("a", rows)])
    assert [(c.heading_deg, c.ideal_verdict) for c in cases] == [(0.0, "ask-ground")]


def test_a_case_says_what_happened() -> None:
    case = false_go_cases([scene("a", (went(1.8, -10.0),))])[0]
    assert case.reason == ("Went 10° right, clear for 1.00 m by its verdict; in truth a rock of "
                           "1.80 times the limit of 6 cm begins 0.50 m from the nose.")
    case = needless_cases([scene("a", (asked(0.21),))])[0]
    assert "Asked straight ahead (step) after 0.40 m" in case.reason
    assert "0.21 of its limit" in case.reason


def test_a_pair_that_failed_says_so() -> None:
    score = scene("a", (heading_row("free", "ask-ground", cause=""),), failure="all black")
    assert "could not be assessed: all black" in needless_cases([score])[0].reason
