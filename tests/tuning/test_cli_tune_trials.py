"""``hazcam tune trials``: the table, what is said of it, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hazcam.cli import main
from hazcam.tuning.io import read_trials
from tests.campaign.entries import make_run
from tests.tuning.runs import Pair, peak, write_run

PAIRS = [Pair(), Pair(outcome="stuck", demand=peak({"step": 0.05})),
         Pair(outcome="slipped", demand=None), Pair(walked=False), Pair(heading_deg=-45.0)]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_run(tmp_path_factory.mktemp("tune") / "RUN", PAIRS)


def tune(run: Path, output: Path, *more: str, ground: tuple[str, ...] = ("--ground", "sand"),
         kind: str = "step", gravity: str = "9.81") -> Result:
    return CliRunner().invoke(main, ["tune", "trials", str(run), "--kind", kind, "--gait", "tripod",
                                     "--gravity", gravity, *ground, "-o", str(output), *more])


def test_it_writes_the_table_and_says_what_is_left_out(run: Path, tmp_path: Path) -> None:
    result = tune(run, tmp_path / "t.csv")
    assert result.exit_code == 0, result.output
    assert [(t.id, t.demand, t.outcome, t.conditions.ground, t.conditions.gravity_mps2)
            for t in read_trials(tmp_path / "t.csv").trials] == [
        ("pair-00000", 0.03, "climbed", "sand", 9.81), ("pair-00001", 0.05, "stuck", "sand", 9.81)]
    lines = result.stdout.splitlines()
    assert lines[0] == f"2 trials of kind step (1 climbed, 1 stuck): {tmp_path / 't.csv'}"
    assert lines[1].startswith("ground out of view is taken as clear up to 0.10 m from the nose")
    assert lines[2].startswith("each demand is the greatest of many stations")
    assert "keep these trials in a table of their own" in lines[2]
    assert lines[3] == "left out, though walked (1 climbed, 1 slipped):"
    assert lines[4].startswith("  pair-00002 (slipped): has nothing in the table demands")
    assert lines[5].startswith(
        "  pair-00004 (climbed): the walked heading, 45° right, was not judged")
    assert len(lines) == 6


def test_nothing_left_out_is_not_spoken_of(tmp_path: Path) -> None:
    result = tune(write_run(tmp_path / "RUN", [Pair()]), tmp_path / "t.csv", ground=())
    assert "left out" not in result.stdout
    assert read_trials(tmp_path / "t.csv").trials[0].conditions.ground == "black sand"


def test_nothing_is_overwritten_unless_asked(run: Path, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("mine", encoding="utf-8")
    result = tune(run, tmp_path / "t.csv")
    assert result.exit_code == 1
    assert "is there already" in result.stderr
    assert (tmp_path / "t.csv").read_text(encoding="utf-8") == "mine"
    assert tune(run, tmp_path / "t.csv", "--force").exit_code == 0
    assert len(read_trials(tmp_path / "t.csv").trials) == 2


def test_a_run_without_labels_and_one_without_demands(tmp_path: Path) -> None:
    make_run(tmp_path / "RUN", pairs=40)
    result = tune(tmp_path / "RUN", tmp_path / "t.csv")
    assert result.exit_code == 1
    assert "pairs that were walked makes a trial" in result.stderr
    assert "has nothing in the table demands" in result.stderr
    unlabelled = write_run(tmp_path / "OTHER", [Pair(walked=False)])
    result = tune(unlabelled, tmp_path / "t.csv")
    assert result.exit_code == 1
    assert "adding labels needs no new assessment" in result.stderr
    assert not (tmp_path / "t.csv").exists()


@pytest.mark.parametrize(("output", "said"), [
    (".", "is a folder"), ("none/t.csv", "does not exist")])
def test_an_output_that_cannot_be_written(
    run: Path, output: str, said: str, tmp_path: Path
) -> None:
    folder = tmp_path / "a.csv"
    folder.mkdir()
    result = tune(run, folder if output == "." else tmp_path / output)
    assert result.exit_code == 1
    assert said in result.stderr


@pytest.mark.parametrize(("kind", "gravity", "output", "said"), [
    ("step", "0", "t.csv", "0.1<=x<=30"), ("step", "nan", "t.csv", "is not a finite number"),
    ("height", "9.81", "t.csv", "'height' is not one of"), ("step", "9.81", "t.txt", "a NAME.csv")])
def test_wrong_usage(
    run: Path, kind: str, gravity: str, output: str, said: str, tmp_path: Path
) -> None:
    result = tune(run, tmp_path / output, kind=kind, gravity=gravity)
    assert result.exit_code == 2
    assert said in result.stderr


def test_a_gap_and_a_blank_ground(run: Path, tmp_path: Path) -> None:
    assert "write the table of trials by hand" in tune(run, tmp_path / "t.csv", kind="gap").stderr
    result = tune(run, tmp_path / "t.csv", ground=("--ground", " "))
    assert "what it walked on" in result.stderr


def test_no_run(tmp_path: Path) -> None:
    result = tune(tmp_path, tmp_path / "t.csv")
    assert result.exit_code == 1
    assert "holds no run.sqlite" in result.stderr
