"""How a limit moves with a changed rig: the pairs that it is tried on, and the moves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hazcam.campaign import Run, open_run
from hazcam.errors import HazcamError
from hazcam.tuning import rig_study
from hazcam.tuning.changed_rig import DemandsUnder, LeftOut
from hazcam.tuning.headings import RunHeadings
from hazcam.tuning.rig_changes import RigChange, RunChanges, camera_height, vergence
from hazcam.tuning.rig_study import RigStudy, nearest_pairs, study_rig
from hazcam.verdict.gist import pack_gist
from tests.test_gist import N
from tests.tuning.ground import VALUES, run_headings
from tests.tuning.runs import Pair, peak, write_run

STEPS = (0.010, 0.030, 0.034, 0.041, 0.090)
IDS = tuple(f"pair-{i:05d}" for i in range(5))
TURN, LIFT = vergence(0.02), camera_height(0.005)


def back(change: RigChange) -> RigChange:
    return replace(change, amount=-change.amount)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_run(tmp_path_factory.mktemp("rig") / "RUN", [Pair(walked=False)] * 5)


@pytest.fixture
def run(folder: Path) -> Iterator[Run]:
    with open_run(folder) as opened:
        yield opened


def headings() -> RunHeadings:
    """One heading a pair, named as in the run."""
    made = run_headings(STEPS, site=["a"] * 5, height=0.04, low=0.03)
    return replace(made, sweep=replace(made.sweep, ids=IDS))


def studied(
    monkeypatch: pytest.MonkeyPatch, run: Run, moves_m: dict[RigChange, float | None],
    *, value: float = 0.035, left_out: tuple[str, ...] = (), odd: tuple[str, ...] = (),
) -> RigStudy:
    """Pairs that are read with steps so much greater under each change; None: not to be read."""
    known = RunChanges(changes=tuple(moves_m), not_known=("pitch of the rig other",))

    def under(
        run: Run, folder: Path, ids: Sequence[str], changes: Sequence[RigChange], *, most: int
    ) -> Iterator[DemandsUnder | LeftOut]:
        for id_ in ids[:most]:
            if id_ in left_out:
                yield LeftOut(id=id_, change=None, reason="not there")
                continue
            yield read(id_, None, 0.0)
            for change in changes:
                size = moves_m[change]
                yield (LeftOut(id=id_, change=change, reason="fails") if size is None
                       else read(id_, change, size))

    def read(id_: str, change: RigChange | None, size: float) -> DemandsUnder:
        step = STEPS[IDS.index(id_)] + size
        more: dict[str, Any] = {"belly": np.full(N, -np.inf)} if id_ in odd and size > 0 else {}
        demand = peak({"step": step}, sigma=1e-6, **more)
        return DemandsUnder(id=id_, change=change, gist=pack_gist([demand], ()), against="")

    monkeypatch.setattr(rig_study, "changes_of_run", lambda run: known)
    monkeypatch.setattr(rig_study, "demands_under", under)
    return study_rig(run, Path(), headings(), value, most=4)


def test_pairs_nearest_the_limit_come_first() -> None:
    assert nearest_pairs(headings(), 0.035) == tuple(IDS[i] for i in (2, 1, 3, 0, 4))
    assert nearest_pairs(headings(), 0.09)[0] == IDS[4]


def test_pairs_that_the_limit_does_not_decide_are_not_tried() -> None:
    made = headings()
    least = np.array(made.sweep.least)
    least[2] = len(VALUES)
    made = replace(made, sweep=replace(made.sweep, least=least))
    assert nearest_pairs(made, 0.035) == tuple(IDS[i] for i in (1, 3, 0, 4))


def test_of_the_headings_of_a_pair_the_nearest_counts() -> None:
    made = run_headings([0.01, 0.06, 0.02, 0.03], site=["a"] * 2, each=2, height=0.04, low=0.03)
    assert nearest_pairs(made, 0.055) == ("p000", "p001")
    assert nearest_pairs(made, 0.035) == ("p001", "p000")


def test_a_limit_moves_by_half_of_what_lies_between_both_signs(
    monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    """3 mm up one way, 1 mm down the other: 4 mm apart, 2 mm of them the change's."""
    found = studied(monkeypatch, run, {TURN: 0.003, back(TURN): -0.001, LIFT: 0.0, back(LIFT): 0.0})
    turn, lift = found.moves
    assert (turn.name, lift.name) == ("vergence +0.020°", "camera height +5.0 mm")
    assert turn.shift.median == pytest.approx(0.004)
    assert turn.value == pytest.approx(0.035 + 0.002)
    assert (lift.shift.median, lift.value) == (0, 0.035)
    # The pair of 10 mm is tried, but lies farther from the limit than half of it.
    assert (found.pairs, turn.shift.headings) == (4, 3)
    assert found.not_known == ("pitch of the rig other",)
    assert found.left_out == ()


def test_pairs_and_changes_that_cannot_be_read(monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    found = studied(monkeypatch, run, {TURN: 0.002, back(TURN): None, LIFT: 0.001,
                                       back(LIFT): -0.001}, left_out=(IDS[2],))
    assert [move.name for move in found.moves] == ["camera height +5.0 mm"]
    assert found.moves[0].shift.headings == 2
    assert found.pairs == 3
    assert [(one.id, one.change) for one in found.left_out] == [
        (IDS[2], None), *((id_, back(TURN)) for id_ in (IDS[1], IDS[3], IDS[0]))]


def test_no_heading_near_the_limit(monkeypatch: pytest.MonkeyPatch, run: Run) -> None:
    move, = studied(monkeypatch, run, {TURN: 0.002, back(TURN): -0.002}, value=0.004).moves
    assert move.value is None
    assert "no heading needs a limit within 0.002 of 0.004" in move.shift.reason


def test_what_only_the_full_demands_decide_is_not_taken_for_lost(
    monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    """A demand that no picture gives: the gist leaves it open, and no verdict is made up."""
    move, = studied(monkeypatch, run, {TURN: 0.002, back(TURN): -0.002}, odd=(IDS[2],)).moves
    assert (move.shift.headings, move.shift.lost) == (2, 0)
    assert move.shift.median == pytest.approx(0.004)


def test_a_folder_without_any_of_the_pictures_is_refused(
    monkeypatch: pytest.MonkeyPatch, run: Run
) -> None:
    with pytest.raises(HazcamError, match="none of 4 pairs could be assessed again") as error:
        studied(monkeypatch, run, {TURN: 0.001, back(TURN): -0.001}, left_out=IDS)
    assert "leave out --pictures" in error.value.remedy
