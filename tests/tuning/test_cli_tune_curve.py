"""``hazcam tune curve``: what it prints and writes, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hazcam.cli import main
from hazcam.tuning.record import TrialGroup
from tests.tuning.made_up import csv_of, drawn, group_of

SEPARATED = group_of([0.03, 0.035, 0.04, 0.05, 0.055, 0.06], [1, 1, 1, 0, 0, 0])


def tune(folder: Path, *groups: TrialGroup, more: tuple[str, ...] = ()) -> Result:
    (folder / "t.csv").write_bytes(csv_of(groups))
    return CliRunner().invoke(main, ["tune", "curve", str(folder / "t.csv"), *more])


def test_it_prints_the_height_climbed_and_writes_record_and_page(tmp_path: Path) -> None:
    result = tune(tmp_path, SEPARATED, more=("-o", str(tmp_path / "out")))
    assert result.exit_code == 0, result.output
    assert result.stderr == f"results are in {tmp_path / 'out'}\n"
    record = json.loads((tmp_path / "out" / "curve.json").read_text(encoding="utf-8"))
    climbed = record["groups"][0]["climbed"]
    assert (climbed["reliability"], climbed["confidence"]) == (0.95, 0.95)
    assert f"climbed in 95 of 100  {climbed['estimate']:.4f} m" in result.stdout
    assert "the outcomes separate" in result.stdout
    page = (tmp_path / "out" / "curve.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["curve.html", "curve.json"]


def test_json_is_the_record_and_the_options_reach_it(tmp_path: Path) -> None:
    result = tune(tmp_path, SEPARATED, more=("--reliability", "0.8", "--confidence", "0.8",
                                             "--json"))
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    assert record["options"] == {"reliability": 0.8, "confidence": 0.8, "simulated_weight": None}
    # 8 of 8 for 80/80: CHECK_VALUES, verified from the binomial distribution.
    assert record["groups"][0]["support"]["alone"] == 8


@pytest.mark.parametrize(("group", "why", "next_"), [
    (group_of([0.03, 0.04, 0.05], [1, 1, 1]), "all 3 trials climbed, up to 0.05 m",
     "try greater demands"),
    (group_of([0.03, 0.04, 0.05], [0, 0, 0]), "none of the 3 trials climbed, down to 0.03 m",
     "try smaller demands"),
    (group_of([0.03, 0.05], [1, 0]), "2 trials: a curve needs at least 3",
     "make trials at several demands"),
    (group_of([0.04] * 4, [1, 0, 1, 0]), "all trials are of one demand, 0.04 m",
     "make trials at several demands")])
def test_trials_without_a_curve_are_told_with_status_1(
    tmp_path: Path, group: TrialGroup, why: str, next_: str
) -> None:
    result = tune(tmp_path, group, more=("-o", str(tmp_path / "out")))
    assert result.exit_code == 1
    flat = " ".join(result.stdout.split())
    assert f"no curve {why}" in flat
    assert "without one at 0.0" in flat
    assert f"try next {next_}" in flat
    assert "no group of trials gives a curve" in result.stderr
    assert (tmp_path / "out" / "curve.html").is_file()


def test_one_group_with_a_curve_is_enough(tmp_path: Path) -> None:
    result = tune(tmp_path, SEPARATED, group_of([0.03, 0.04], [1, 1], ground="slag"))
    assert result.exit_code == 0
    assert "2 trials: a curve needs at least 3" in result.stdout


def test_walked_and_simulated_trials_are_shown_apart_and_compared(tmp_path: Path) -> None:
    result = tune(tmp_path, SEPARATED, group_of([0.03, 0.04, 0.05], [1, 1, 1], simulated=True))
    flat = " ".join(result.stdout.split())
    assert "9.81 m/s^2; walked" in flat
    assert "9.81 m/s^2; simulated" in flat
    assert "compared walked and simulated trials are not compared: the simulated trials alone" \
        in flat
    assert "weight" not in flat


def test_a_weight_counts_the_simulated_in_and_says_so(tmp_path: Path) -> None:
    simulated = drawn(8, 20, simulated=True)
    result = tune(tmp_path, SEPARATED, simulated, more=("--simulated-weight", "0.25"))
    assert result.exit_code == 0, result.output
    flat = " ".join(result.stdout.split())
    assert "20 simulated trials are counted in as a prior, each with weight 0.25" in flat
    assert "right; without them no height above 0 can be shown" in flat


@pytest.mark.parametrize(("groups", "found"), [
    ((SEPARATED,), "has no simulated trials"),
    ((drawn(8, 20, simulated=True),), "has no walked trials"),
    ((SEPARATED, group_of([0.03, 0.04], [1, 0], simulated=True, ground="slag")),
     "not under the same conditions")])
def test_a_weight_that_would_do_nothing_is_refused(
    tmp_path: Path, groups: tuple[TrialGroup, ...], found: str
) -> None:
    result = tune(tmp_path, *groups, more=("--simulated-weight", "0.5"))
    assert result.exit_code == 1
    assert f"t.csv: {found}" in result.stderr or found in result.stderr
    assert "leave --simulated-weight out" in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize("more", [
    ("--simulated-weight", "0"), ("--simulated-weight", "1.5"), ("--simulated-weight", "nan"),
    ("--reliability", "1"), ("--reliability", "95"), ("--confidence", "0.5"), ("-o", "")])
def test_wrong_values_of_options_are_wrong_usage(tmp_path: Path, more: tuple[str, ...]) -> None:
    assert tune(tmp_path, SEPARATED, more=more).exit_code == 2


def test_a_file_in_place_of_the_folder_is_refused_before_the_figures(tmp_path: Path) -> None:
    result = tune(tmp_path, SEPARATED, more=("-o", str(tmp_path / "t.csv")))
    assert result.exit_code == 1
    assert "is a file" in result.stderr


def test_a_bad_row_is_named(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_bytes(csv_of([SEPARATED]).replace(b"climbed", b"Climed", 1))
    result = CliRunner().invoke(main, ["tune", "curve", str(tmp_path / "t.csv")])
    assert result.exit_code == 1
    assert "line 2: outcome" in result.stderr
    assert "did you mean climbed?" in result.stderr
