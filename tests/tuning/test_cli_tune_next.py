"""``hazcam tune next``: what is printed, the record, the card, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hazcam.cli import main
from hazcam.tuning.io import read_trials
from hazcam.tuning.table import write_trials_text
from tests.tuning.next_data import STEP, trial

SAND = Path(__file__).parents[2] / "sample_pairs" / "black-sand.trials.csv"


def tune_next(*args: str | Path) -> Result:
    return CliRunner().invoke(main, ["tune", "next", *map(str, args)])


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    path = tmp_path_factory.mktemp("next") / "card.html"
    return tune_next(SAND, "-o", path), path


@pytest.fixture
def two_grounds(tmp_path: Path) -> Path:
    slag = STEP._replace(ground="slag heap")
    path = tmp_path / "two.csv"
    path.write_text(write_trials_text([
        *(trial(0.02 + 0.01 * k, True, number=k) for k in range(1, 4)),
        *(trial(0.02 + 0.01 * k, False, number=k, conditions=slag) for k in range(4, 6))]),
        encoding="utf-8")
    return path


def test_it_says_which_why_and_what_would_come_of_it(card: tuple[Result, Path]) -> None:
    result, path = card
    assert result.exit_code == 0, result.output
    said = " ".join(result.stdout.split())
    assert said.startswith("trials black-sand.trials.csv: 36 trials, kind step: rover dunlin-em")
    assert "build them to within 0.003 m, and measure what was built, to 0.0015 m" in said
    assert "order sand-37 " in said
    assert "the bound is 0.02" in said
    assert "on average, above today's with a chance of" in said
    assert "there, all climbed, for 95 of 100 at 95 % confidence" in said
    assert "simulated" not in said
    assert "another plan" not in said
    assert result.stderr == f"the card is in {path}\n"


def test_the_card_holds_what_is_printed(card: tuple[Result, Path]) -> None:
    text = card[1].read_text(encoding="utf-8")
    for id_ in ("sand-37", "sand-38", "sand-39"):
        assert f"<br>{id_}</td>" in text
    assert "sand-40" not in text


def test_the_record_is_the_same_each_time() -> None:
    first, again = (tune_next(SAND, "--json", "-n", "1") for _ in range(2))
    assert first.exit_code == 0, first.output
    assert first.stdout == again.stdout
    record = json.loads(first.stdout)
    assert record["schema"] == "hazcam-next-trials/1"
    assert record["conditions"]["ground"] == "black sand"
    assert record["digests"]["table"] == read_trials(SAND).digest
    assert record["rule"] == "information"
    outcomes = record["forecast"]["outcomes"]
    assert sum(one["chance"] for one in outcomes) == pytest.approx(1)
    assert [t["trial_id"] for t in record["trials"]] == ["sand-37"]


def test_another_reliability_is_tried_elsewhere() -> None:
    records = [json.loads(tune_next(SAND, "--json", "-n", "1", "--reliability", p).stdout)
               for p in ("0.6", "0.99")]
    half, high = (record["trials"][0]["demand"] for record in records)
    assert half > high


def test_simulated_trials_are_said_not_to_count(tmp_path: Path) -> None:
    path, slag = tmp_path / "both.csv", STEP._replace(ground="slag heap")
    walked = [trial(0.02 + 0.01 * k, k < 3, number=k) for k in range(1, 4)]
    simulated = [trial(0.05, False, number=k, simulated=True) for k in (4, 5)]
    other = trial(0.05, False, number=6, simulated=True, conditions=slag)
    for counted, said in ((simulated, "m/s^2; 2 simulated trials are not counted next"),
                          (simulated[:1], "m/s^2; 1 simulated trial is not counted next"),
                          ([], "m/s^2 next")):
        path.write_text(write_trials_text([*walked, *counted, other]), encoding="utf-8")
        assert said in " ".join(tune_next(path, "--ground", "black sand").stdout.split())
        record = json.loads(tune_next(path, "--ground", "black sand", "--json").stdout)
        assert (record["made"], record["simulated"]) == (3, len(counted))
        assert record["table"] == "both.csv"


def test_errors_name_the_table_as_it_was_given(tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(SAND.read_text(encoding="utf-8").replace("climbed", "climed", 1),
                    encoding="utf-8")
    assert f"{path}: line 2: outcome: found 'climed'" in tune_next(path).stderr
    assert f"{SAND}: no walked trials of ground Black Sand" in tune_next(
        SAND, "--ground", "Black Sand").stderr


def test_groups_are_chosen_by_their_conditions(two_grounds: Path) -> None:
    several = tune_next(two_grounds)
    assert several.exit_code == 1
    assert "walked trials under 2 conditions" in several.stderr
    assert "ground slag heap, gravity 9.81 m/s^2 (2 of them)" in several.stderr
    assert "remedy: name it: --ground" in several.stderr
    slag = tune_next(two_grounds, "--ground", "slag heap", "--kind", "step", "--gravity", "9.81")
    assert slag.exit_code == 0, slag.output
    assert "no trial climbed, down to 0.0600 m" in " ".join(slag.stdout.split())
    sand = tune_next(two_grounds, "--ground", "black sand")
    assert "from the lowest up, ended by the first failure" in " ".join(sand.stdout.split())
    assert "forecast      none: without a curve" in sand.stdout
    assert "That is another plan: it would show 0.0300 m and nothing above" in " ".join(
        sand.stdout.split())
    other = tune_next(two_grounds, "--rover", "rail")
    assert other.exit_code == 1
    assert "no walked trials of rover rail" in other.stderr


def test_nothing_is_overwritten_unless_asked(two_grounds: Path, tmp_path: Path) -> None:
    path = tmp_path / "card.html"
    path.write_text("mine", encoding="utf-8")
    args = (two_grounds, "--ground", "slag heap", "-o", path)
    refused = tune_next(*args)
    assert refused.exit_code == 1
    assert "is there already" in refused.stderr
    assert path.read_text(encoding="utf-8") == "mine"
    assert tune_next(*args, "--force").exit_code == 0
    assert "slag heap" in path.read_text(encoding="utf-8")


@pytest.mark.parametrize(("args", "status", "said"), [
    (("-n", "0"), 2, "1<=x<=60"), (("-n", "61"), 2, "1<=x<=60"),
    (("-o", "card.pdf"), 2, "the card is a NAME.html"),
    (("--reliability", "0.5"), 2, "0.5<x<1"), (("--confidence", "1"), 2, "0.5<x<1"),
    (("--reliability", "nan"), 2, "is not a finite number"),
    (("--kind", "height"), 2, "'height' is not one of")])
def test_wrong_usage(args: tuple[str, ...], status: int, said: str) -> None:
    result = tune_next(SAND, *args)
    assert result.exit_code == status
    assert said in result.stderr


def test_a_table_that_cannot_be_used(tmp_path: Path) -> None:
    missing = tune_next(tmp_path / "none.csv")
    assert missing.exit_code == 1
    assert "does not exist" in missing.stderr
    simulated = tmp_path / "simulated.csv"
    simulated.write_text(write_trials_text([trial(0.03, True, simulated=True)]), encoding="utf-8")
    only = tune_next(simulated)
    assert only.exit_code == 1
    assert "holds simulated trials only" in only.stderr
    folder = tmp_path / "card.html"
    folder.mkdir()
    assert "is a folder" in tune_next(SAND, "-o", folder).stderr
