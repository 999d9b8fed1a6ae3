"""Reports of the algorithm on board, from a run: values and silence, with what was measured."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from hazcam import open_run
from hazcam.campaign import Run
from hazcam.campaign.record import CampaignPair, PairEntry
from hazcam.campaign.store.writer import Store
from hazcam.rover.profile import LimitName
from hazcam.tuning.onboard import fit_onboard
from hazcam.tuning.onboard_reports import OnboardReports, SilentPair, onboard_reports
from hazcam.tuning.onboard_rule import NoOnboardRule, OnboardRule
from tests.campaign.entries import ABOUT, MadeUp, make_campaign, write
from tests.test_gist import a_demand
from tests.tuning.onboard_data import reports, simulated


def refused(found: OnboardReports) -> str:
    rule = fit_onboard(found)
    assert isinstance(rule, NoOnboardRule)
    return rule.reason


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Pairs that report 0.01 m, 0.02 m, ..., and a bad row.

    6 was not assessed, 7 is of no use, 8 has no stereo, 9 says go and reports nothing, 10 asks and
    reports nothing, of 11 nothing is said.
    """
    path = tmp_path_factory.mktemp("onboard") / "run"
    made = make_campaign(path.parent, 12, failures=0, bad_rows=1)
    pairs = tuple(_saying(pair, n) for n, pair in enumerate(made.manifest.pairs))
    entries = tuple(_stored(entry, n) for n, entry in enumerate(made.entries) if n != 6)
    with Store.open(path, ABOUT) as store:
        store.add_pairs(replace(made.manifest, pairs=pairs))
        write(store, MadeUp(manifest=made.manifest, entries=entries, failures=()))
    return path


def _saying(pair: CampaignPair, n: int) -> CampaignPair:
    details = {k: v for k, v in pair.sidecar.details.items() if k != "onboard"}
    if n < 11:
        verdict = {"verdict": " Ask-ground" if n == 10 else "go"}
        details["onboard"] = verdict if n > 8 else {**verdict, "value_m": 0.01 * (n + 1)}
    return replace(pair, sidecar=replace(pair.sidecar, details=details))


def _stored(entry: PairEntry, n: int) -> PairEntry:
    cause = "rig no longer matches its calibration"
    rows = dict(entry.rows)
    rows["assessments"] = [{**row, "usable": int(n != 7),
                            "unusable_because": cause if n == 7 else ""}
                           for row in rows["assessments"]]
    if n != 8:
        rows["demands"] = [{"pair": entry.id, "npz": b"", "gist": b""}]
    return replace(entry, rows=rows)


@pytest.fixture
def run(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """The tables are those of a run, the demands made up: 2 looks aside, 3 saw no step."""
    def demands(_: Run, id_: str) -> SimpleNamespace:
        n = int(id_[-5:])
        ahead = 30.0 if n == 2 else -1.0
        headings = [a_demand(n, heading_deg=heading) for heading in (-40.0, ahead, 45.0)]
        if n == 3:
            nothing = np.full_like(headings[1].step, np.nan)
            headings[1] = replace(headings[1], step=nothing)
        return SimpleNamespace(demands=tuple(headings))

    monkeypatch.setattr(Run, "demands", demands)
    return open_run(folder)


def test_reports_of_a_run_are_the_greatest_demands_ahead(run: Run) -> None:
    with run:
        found = onboard_reports(run, "step")
    assert found.pairs == ("pair-00000", "pair-00001", "pair-00004", "pair-00005")
    assert found.reported == pytest.approx([0.01, 0.02, 0.05, 0.06])
    for id_, demand, sigma in zip(found.pairs, found.demand, found.sigma, strict=True):
        heading = a_demand(int(id_[-5:]))
        at = int(np.nanargmax(heading.step))
        assert (demand, sigma) == (heading.step[at], heading.sigma["step"][at])
    assert set(found.sites) <= {"slag heap", "black sand", "furrows"}
    assert found.rovers == ("dunlin-em", "dunlin-fm", "dunlin-em", "dunlin-fm")
    assert found.reason == ""


def test_pairs_left_out_say_why(run: Run) -> None:
    with run:
        left_out = dict(onboard_reports(run, "step").left_out)
    assert left_out == {
        "pair-00002": "was not judged straight ahead: its nearest heading is 30 deg",
        "pair-00003": "no step could be measured straight ahead",
        "pair-00006": "was not assessed",
        "pair-00007": "rig no longer matches its calibration",
        "pair-00008": "has no stereo",
    }


def test_pairs_without_a_value_keep_what_was_measured(run: Run) -> None:
    with run:
        found = onboard_reports(run, "step").silent
    assert [(one.pair, one.stopped) for one in found] == [
        ("pair-00009", False), ("pair-00010", True), ("pair-00011", False)]
    for one in found:
        heading = a_demand(int(one.pair[-5:]))
        assert one.demand == np.nanmax(heading.step)
        assert one.sigma == heading.sigma["step"][int(np.nanargmax(heading.step))]
    assert [one.rover for one in found] == ["dunlin-fm", "dunlin-em", "dunlin-fm"]


def test_contact_is_held_against_the_limit_of_the_belly(run: Run) -> None:
    with run:
        found = onboard_reports(run, "belly")
    for id_, demand in zip(found.pairs, found.demand, strict=True):
        heading = a_demand(int(id_[-5:]))
        assert demand == np.nanmax([heading.belly, heading.contact])


@pytest.mark.parametrize(("kind", "says"), [
    ("slope", "the reported value is a length, slope an angle"),
    ("tip", "the reported value is a length, tip an angle"),
    ("gap", "gap is not measured: unseen ground bounds it"),
])
def test_kinds_that_cannot_be_compared_say_so(run: Run, kind: LimitName, says: str) -> None:
    with run:
        found = onboard_reports(run, kind)
    assert (found.pairs, found.reason) == ((), says)
    assert refused(found) == says


def test_a_run_without_values_says_so(tmp_path: Path) -> None:
    made = make_campaign(tmp_path, 3, failures=0, bad_rows=0)
    pairs = tuple(_saying(pair, 11) for pair in made.manifest.pairs)
    with Store.open(tmp_path / "run", ABOUT) as store:
        store.add_pairs(replace(made.manifest, pairs=pairs))
        store.finish()
    with open_run(tmp_path / "run") as run:
        found = onboard_reports(run, "step")
    assert found.silent == ()
    assert "no pair has a value that the rover's own algorithm reported" in refused(found)


def test_the_rovers_of_a_run_are_fitted_one_by_one() -> None:
    both = simulated(3, 20)
    found = replace(both, rovers=("dunlin-em",) * 10 + ("dunlin-fm",) * 10, silent=tuple(
        SilentPair(f"silent-{name}", name, 0.05, 0.001, False)
        for name in ("dunlin-em", "dunlin-fm")))
    one = found.of_rover("dunlin-fm")
    assert one.pairs == found.pairs[10:]
    assert np.array_equal(one.reported, found.reported[10:])
    assert [silent.pair for silent in one.silent] == ["silent-dunlin-fm"]
    rule = fit_onboard(one)
    assert isinstance(rule, OnboardRule)
    assert rule.rover == "dunlin-fm"
    assert refused(found.of_rover("another")) == "no value reported by another"


@pytest.mark.parametrize(("changes", "says"), [
    ({"reported": np.array([1.0])}, "a finite number for each of 2 pairs"),
    ({"demand": np.array([1.0, np.nan])}, "demand of OnboardReports"),
    ({"sigma": np.array([1.0, -1.0])}, "0 or more"), ({"sites": ("",)}, "a site and a rover"),
])
def test_reports_are_checked(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        replace(reports([0.1, 0.2], [0.1, 0.2], [0, 0]), **changes)
