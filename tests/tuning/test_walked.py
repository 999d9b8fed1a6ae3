"""What came of walked headings that are go."""

from __future__ import annotations

import pytest

from hazcam.statistics import clopper_pearson
from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.walked import WalkedGo, walked_go
from tests.tuning.ground import run_headings

DEMAND = (0.01, 0.02, 0.03, 0.04, 0.05, 0.2)


def headings() -> RunHeadings:
    """The limit does not decide the last; that of 30 mm was not walked."""
    return run_headings(DEMAND, site=["a"] * 6, height=0.045, low=0.04, outcomes={
        0: "climbed", 1: "stuck", 3: "climbed", 4: "tipped", 5: "stuck"})


@pytest.mark.parametrize(("place", "go", "failed"), [
    (0, 0, 0), (10, 1, 0), (30, 2, 1), (49, 3, 1), (50, 4, 2), (100, 4, 2)])
def test_failures_are_counted_among_what_goes(place: int, go: int, failed: int) -> None:
    found = walked_go(headings(), place, 0.9)
    assert (found.go, found.failed) == (go, failed)


def test_bounds_are_exact() -> None:
    """None of n: 1 - 0.05^(1/n) from above (the closed form of Clopper and Pearson's bound)."""
    one = walked_go(headings(), 10, 0.95)
    assert (one.go, one.failed, one.low) == (1, 0, 0.0)
    assert one.high == pytest.approx(0.95)
    both = walked_go(headings(), 50, 0.95)
    # One-sided at 95 % each are the ends of the central 90 % interval.
    central = clopper_pearson(2, 4, confidence=0.9, sided="two")
    assert (both.low, both.high) == pytest.approx(tuple(central))
    assert walked_go(headings(), 0, 0.95) == WalkedGo(go=0, failed=0, low=0.0, high=1.0)
