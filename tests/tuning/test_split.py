"""Chosen on some sites, counted on those left out."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam.campaign.record import Outcome
from hazcam.frames import Floats
from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.recommend import recommend
from hazcam.tuning.split import Choose, held_out
from hazcam.tuning.tradeoff import Headings, TradeOff, trade_off
from tests.tuning.ground import VALUES, run_headings, trial


def count(some: Headings) -> TradeOff:
    return trade_off(some, some, VALUES, look_ahead_m=1.0, confidence=0.95, costs=None)


def chosen_on(headings: RunHeadings) -> Choose:
    """By trials that show 41 mm, at a risk of 20 %."""
    return lambda gone, kept: recommend(count(headings.decided().of(kept)), 0.041, 0.2).place


def ground(seed: int = 0, sites: int = 20, each: int = 10) -> Floats:
    """Demands of as many headings a site, a pair each."""
    return np.random.default_rng(seed).uniform(0.005, 0.095, sites * each)


def made(demand: Floats, sites: int, **changes: object) -> RunHeadings:
    each = len(demand) // sites
    return run_headings(demand, site=[f"site {i:02d}" for i in range(sites)], each=each,
                        height=0.045, low=0.041, **changes)  # type: ignore[arg-type]


def test_each_site_at_the_limit_chosen_without_it() -> None:
    """By brute force; the choice hangs on what is left."""
    walks: dict[int, Outcome] = {30: "stuck", 171: "climbed"}
    headings, told = made(ground(), 20, outcomes=walks), []
    own = [trial(f"no. {i}", float(f"{ground()[i]:.6g}"), outcome, day=4)
           for i, outcome in walks.items()]
    another = trial("p003", 0.02, "stuck", day=4)  # the id of a pair, and nothing else of it

    def choose(gone: frozenset[str], kept: NDArray[np.bool_]) -> int:
        told.append((gone, kept))
        return 40 + len(told)

    found = held_out(headings, choose, 0.95, [*own, another])
    decided = headings.decided()
    for i, (gone, kept) in enumerate(told):
        assert gone == {3: {"no. 30"}, 17: {"no. 171"}}.get(i, set())
        assert kept.tolist() == (decided.cluster != i).tolist()
    assert found.chosen == pytest.approx([0.041 + 0.001 * i for i in range(20)])
    go = decided.least <= 41 + decided.cluster
    beyond = decided.beyond == 1
    assert found.false_go.rate == pytest.approx(np.mean(go[beyond]))
    assert found.needless.rate == pytest.approx(np.mean(~go[~beyond]))
    assert found.false_go.low < found.false_go.rate < found.false_go.high
    assert (found.false_go.of, found.needless.of) == (beyond.sum(), (~beyond).sum())
    assert (found.folds, found.left_out, found.refitted) == (20, "one site", 2)


def test_a_site_that_is_unlike_the_others_is_caught() -> None:
    """On one site steps of 20 mm stop the rover: chosen with it none goes; without, all do."""
    plain = made(ground(), 20)
    odd = ground()
    odd[:10] = 0.02
    planted = made(odd, 20, outcomes=dict.fromkeys(range(10), "stuck"))
    rates = [held_out(h, chosen_on(h), 0.95, []).false_go.rate for h in (plain, planted)]
    with_it = count(planted.decided())
    own = recommend(with_it, 0.041, 0.2)
    assert (own.place, own.basis) == (19, "run")
    assert with_it.false_go.rate[own.place] == 0
    share = 10 / planted.decided().beyond.sum()
    assert rates == [0, pytest.approx(share)]
    assert sorted(set(held_out(planted, chosen_on(planted), 0.95, []).chosen)) == [0.019, 0.041]


def test_of_many_sites_several_are_left_out_at_a_time() -> None:
    headings = made(ground(sites=45, each=2), 45)
    found = held_out(headings, chosen_on(headings), 0.95, [])
    assert (found.folds, found.left_out, len(found.chosen)) == (20, "about 2 sites", 20)


def test_one_site_cannot_be_split() -> None:
    """And nothing is counted: a rate of 0 would be made up."""
    headings = made(ground(sites=1), 1)
    found = held_out(headings, chosen_on(headings), 0.95, [])
    assert (found.folds, found.left_out, found.chosen) == (0, "", ())
    for rate in (found.false_go, found.needless):
        assert np.isnan([rate.rate, rate.low, rate.high]).all()
        assert rate.of == 0


def test_where_nothing_can_be_chosen_all_ask() -> None:
    found = held_out(made(ground(), 20), lambda gone, kept: -1, 0.95, [])
    assert np.isnan(found.chosen).all()
    assert (found.false_go.rate, found.needless.rate) == (0, 1)
