"""``hazcam tune apply``: from the record of a tuned limit to a rover file that says so."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from hazcam.cli import main
from hazcam.rover import Limit, read_rover
from hazcam.rover.limits import rover_numbers
from hazcam.tuning.io import read_result

SAMPLE = Path(__file__).parents[2] / "sample_pairs" / "pebbles.pair.json"
SOURCE = ("36 trials (black-sand.trials.csv, sha256 1a2b3c4d5e6f) on 10 pairs (run RUN, sha256 "
          "0f0f0f0f0f0f): reliability 95 %, confidence 95 %, risk 5 %; tripod on black sand, "
          "9.81 m/s2; 2031-06-01")


def record() -> dict[str, Any]:
    return {
        "schema": "hazcam-tuning/1", "kind": "limits", "hazcam": "0.1.0", "made_on": "2031-06-01",
        "limit": {"name": "step", "unit": "m", "recommended": 0.0312,
                  "today": {"dunlin-em": {"value": 0.05, "source": "derived: leg length / 2"}},
                  "reason": "the largest whose bound of false-go stays under the risk",
                  "silent": False, "risk_shown": True,
                  "rover_digest": read_rover("dunlin-em").digest,
                  "rover_numbers": rover_numbers(read_rover("dunlin-em"))},
        "curve": {"warnings": ["the first warning", "another one"]},
        "inputs": {
            "trials": {"name": "black-sand.trials.csv", "digest": "1a2b3c4d5e6f7a8b" * 4,
                       "count": 36},
            "run": {"name": "RUN", "digest": "0f" * 32, "pairs": 10},
            "settings": {"reliability": 0.95, "confidence": 0.95, "risk": 0.05, "costs": None,
                         "simulated_weight": None}},
        "conditions": {"rover": "dunlin-em", "gait": "tripod", "ground": "black sand",
                       "gravity_mps2": 9.81, "kind": "step"},
    }


def write(folder: Path, **changes: Any) -> Path:
    """The record in a folder; ``changes`` replace values by path, ``limit__unit``; ... removes."""
    whole = record()
    for path, value in changes.items():
        *tables, key = path.split("__")
        table = whole
        for name in tables:
            table = table[name]
        if value is ...:
            del table[key]
        else:
            table[key] = value
    (folder / "limits.json").write_text(json.dumps(whole), encoding="utf-8")
    return folder


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def applied(folder: Path, rover: str | Path = "dunlin-em") -> Result:
    return run("tune", "apply", folder, "--rover", rover, "-o", folder / "new.toml")


def refused(folder: Path, rover: str | Path = "dunlin-em") -> str:
    """The message; nothing is written."""
    result = applied(folder, rover)
    assert result.exit_code == 1, result.output
    assert result.stdout == ""
    assert not (folder / "new.toml").exists()
    return result.stderr


def test_writes_the_limit_its_source_and_what_it_was(tmp_path: Path) -> None:
    result = applied(write(tmp_path))
    assert result.exit_code == 0, result.output
    before, after = read_rover("dunlin-em"), read_rover(tmp_path / "new.toml")
    assert after.limits.step == Limit(
        value=0.0312, source=f"measured: {SOURCE}",
        was=Limit(value=0.05, source="derived: leg length / 2"))
    assert after.limits.drop == before.limits.drop
    assert (after.name, after.body, after.legs) == (before.name, before.body, before.legs)
    written = (tmp_path / "new.toml").read_text(encoding="utf-8")
    assert written.startswith(Path(before.source).read_text(encoding="utf-8"))


def test_prints_both_limits_how_to_go_on_and_a_caution(tmp_path: Path) -> None:
    text = " ".join(applied(write(tmp_path)).stdout.split())
    assert "was 0.05 m, derived: leg length / 2 is 0.0312 m, measured: 36 trials" in text
    assert ("2031-06-01 because the largest whose bound of false-go stays under the risk warnings "
            "1. the first warning 2. another one caution a limit is") in text
    assert "caution a limit is what trials showed under these conditions; other " in text
    assert "another gait or gravity, or a worn foot, is another limit. The team decides." in text
    for command in ("judge RUN", "assess PAIR"):
        assert f"hazcam {command} --rover {tmp_path}/new.toml" in text


def test_the_record_itself_may_be_given(tmp_path: Path) -> None:
    folder = write(tmp_path)
    assert read_result(folder / "limits.json") == read_result(folder)
    assert run("tune", "apply", folder / "limits.json", "--rover", "dunlin-em", "-o",
               tmp_path / "new.toml").exit_code == 0


def test_an_output_that_is_there_is_kept_without_force(tmp_path: Path) -> None:
    write(tmp_path)
    new = tmp_path / "new.toml"
    new.write_text("mine", encoding="utf-8")
    result = applied(tmp_path)
    assert result.exit_code == 1
    assert "is there already" in result.stderr
    assert "--force" in result.stderr
    assert new.read_text(encoding="utf-8") == "mine"
    assert run("tune", "apply", tmp_path, "--rover", "dunlin-em", "-o", new,
               "--force").exit_code == 0
    assert read_rover(new).limits.step.value == 0.0312


@pytest.mark.parametrize(("name", "words"), [
    ("new", "new: has no name that --rover takes as a file"),
    ("new.yaml", "new.yaml.toml"),
    ("folder.toml", "folder.toml: is a folder"),
    ("none/new.toml", "none does not exist"),
])
def test_outputs_that_cannot_be_a_rover_file(tmp_path: Path, name: str, words: str) -> None:
    (tmp_path / "folder.toml").mkdir()
    result = run("tune", "apply", write(tmp_path), "--rover", "dunlin-em", "-o", tmp_path / name)
    assert result.exit_code == 1
    assert words in result.stderr


def test_no_result(tmp_path: Path) -> None:
    message = refused(tmp_path)
    assert f"{tmp_path}/limits.json: does not exist" in message
    assert "run `hazcam tune limits` first" in message
    (tmp_path / "limits.json").mkdir()
    assert "cannot be read: Is a directory" in refused(tmp_path)
    (tmp_path / "limits.json").rmdir()
    (tmp_path / "limits.json").write_bytes(b"\xff\xfe\x00")
    assert "is no UTF-8 text" in refused(tmp_path)


@pytest.mark.parametrize("text", ["", "{", "[" * 100000, '{"schema": "hazcam-tuning/1",}'])
def test_broken_json(tmp_path: Path, text: str) -> None:
    (tmp_path / "limits.json").write_text(text, encoding="utf-8")
    assert "limits.json: broken JSON" in refused(tmp_path)


@pytest.mark.parametrize("text", ["[]", "7", "{}", '{"schema": "hazcam-assessment/1"}',
                                  '{"schema": "hazcam-tuning/2", "kind": "limits"}'])
def test_another_schema(tmp_path: Path, text: str) -> None:
    (tmp_path / "limits.json").write_text(text, encoding="utf-8")
    message = refused(tmp_path)
    assert "limits.json: schema: found " in message
    assert "hazcam-tuning/1" in message


def test_a_curve_is_no_limit(tmp_path: Path) -> None:
    message = refused(write(tmp_path, kind="curve"))
    assert "limits.json: kind: found 'curve'" in message
    assert "run `hazcam tune limits`" in message


@pytest.mark.parametrize(("changes", "words"), [
    ({"made_on": ...}, "made_on: is missing"),
    ({"made_on": "1 June"}, "made_on: found '1 June'\n  expected: a date"),
    ({"limit__name": "jump"}, "limit.name: found 'jump'\n  expected: one of step, drop"),
    ({"limit__unit": "cm"}, "limit.unit: found 'cm'\n  expected: m"),
    ({"limit": 7}, "limit.name: is missing"),
    ({"limit__recommended": ...}, "limit.recommended: is missing"),
    ({"limit__recommended": "0.03"}, "limit.recommended: found '0.03'\n  expected: a finite"),
    ({"limit__recommended": True}, "limit.recommended: found True"),
    ({"limit__recommended": -0.03}, "limit.recommended: found -0.03"),
    ({"limit__recommended": float("nan")}, "limit.recommended: found nan"),
    ({"limit__recommended": float("inf")}, "limit.recommended: found inf"),
    ({"limit__reason": ""}, "limit.reason: found ''"),
    ({"limit__today": {}}, "limit.today: found {}\n  expected: a table of the rovers"),
    ({"limit__today": {"dunlin-em": 0.05}}, "limit.today: dunlin-em: limit.value: is missing"),
    ({"limit__silent": 0}, "limit.silent: found 0\n  expected: true or false"),
    ({"limit__risk_shown": ...}, "limit.risk_shown: is missing"),
    ({"limit__rover_digest": "1a2b"}, "limit.rover_digest: found '1a2b'"),
    ({"limit__rover_numbers": {}}, "limit.rover_numbers: found {}"),
    ({"limit__rover_numbers": {"margins.lateral_m": "0"}}, "a table of finite numbers of 0 or"),
    ({"curve__warnings": "none"}, "curve.warnings: found 'none'\n  expected: a list of texts"),
    ({"conditions__kind": "drop"}, "conditions.kind: found 'drop'\n  expected: that of the limit"),
    ({"conditions__ground": "black\nsand"}, "conditions.ground: found 'black\\nsand'"),
    ({"conditions__gait": "\ud800"}, "conditions.gait: found '\\ud800'"),
    ({"conditions__gravity_mps2": None}, "conditions.gravity_mps2: found None"),
    ({"inputs__trials__digest": "1a2b"}, "inputs.trials.digest: found '1a2b'"),
    ({"inputs__trials__count": 36.0}, "inputs.trials.count: found 36.0"),
    ({"inputs__run__pairs": 0}, "inputs.run.pairs: found 0"),
    ({"inputs__settings__risk": 5}, "inputs.settings.risk: found 5\n  expected: a number"),
    ({"inputs__settings__confidence": ...}, "inputs.settings.confidence: is missing"),
])
def test_values_that_cannot_be_read(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    message = refused(write(tmp_path, **changes))
    assert words in message
    assert "run `hazcam tune limits` again" in message


def test_nothing_recommended_says_why(tmp_path: Path) -> None:
    reason = "36 trials do not support 95 in 100 at 95 % confidence"
    message = refused(write(tmp_path, limit__recommended=None, limit__reason=reason))
    assert f"recommends no step limit: {reason}" in message
    assert "hazcam tune next" in message


def test_trials_of_another_rover(tmp_path: Path) -> None:
    message = refused(write(tmp_path), "dunlin-fm")
    assert "dunlin-fm.toml: is the rover 'dunlin-fm'" in message
    assert "that of the trials of" in message
    assert "'dunlin-em'" in message


def test_a_run_of_another_rover(tmp_path: Path) -> None:
    today = {"dunlin-fm": {"value": 0.055, "source": "derived: leg length / 2"}}
    message = refused(write(tmp_path, limit__today=today))
    assert "limit.today: knows no rover 'dunlin-em', only dunlin-fm" in message
    assert "tune again" in message


def test_a_limit_that_was_changed_since(tmp_path: Path) -> None:
    assert applied(write(tmp_path)).exit_code == 0
    mine = (tmp_path / "new.toml").rename(tmp_path / "mine.toml")
    message = refused(write(tmp_path, limit__recommended=0.03), mine)
    assert f"mine.toml: step: is 0.0312 m (measured: {SOURCE})" in message
    assert "expected: 0.05 m (derived: leg length / 2), which" in message
    assert "tune again" in message


def test_a_limit_that_was_applied_already(tmp_path: Path) -> None:
    assert applied(write(tmp_path)).exit_code == 0
    mine = (tmp_path / "new.toml").rename(tmp_path / "mine.toml")
    message = refused(tmp_path, mine)
    assert "mine.toml: step: is the limit of" in message
    assert "already, 0.0312 m" in message
    assert "nothing is left to do" in message


@pytest.mark.parametrize(("before", "after", "differing"), [
    ("width_m = 0.22", "width_m = 0.24", "body.width_m 0.24 (in the run 0.22)\n"),
    ("lateral_m = 0.03", "lateral_m = 0", "margins.lateral_m 0 (in the run 0.03)\n"),
    ("hip_spacing_m = 0.12", "hip_spacing_m = 0.13",
     "legs.hip_spacing_m 0.13 (in the run 0.12), limits.gap 0.1 (in the run 0.09)"),
])
def test_another_rover_of_the_same_name(
    tmp_path: Path, before: str, after: str, differing: str
) -> None:
    text = Path(read_rover("dunlin-em").source).read_text(encoding="utf-8")
    assert before in text
    (tmp_path / "mine.toml").write_text(text.replace(before, after), encoding="utf-8")
    message = refused(write(tmp_path), tmp_path / "mine.toml")
    assert "mine.toml: is called 'dunlin-em', but its numbers are not those of the rover" in message
    assert differing in message
    assert "give its file, or run `hazcam batch` and `hazcam tune limits` again" in message


@pytest.mark.parametrize(("silent", "words"), [
    (True, "risk 5 % (not shown: no ground beyond in the run); tripod"),
    (False, "risk 5 % (not shown: too few sites with ground beyond); tripod"),
])
def test_a_risk_that_is_not_shown_says_so(tmp_path: Path, silent: bool, words: str) -> None:
    result = applied(write(tmp_path, limit__silent=silent, limit__risk_shown=False))
    assert words in " ".join(result.stdout.split())
    assert words in read_rover(tmp_path / "new.toml").limits.step.source


def test_a_limit_of_another_machine_is_the_same(tmp_path: Path) -> None:
    """Numbers agree to 1e-6 relative across machines (DESIGN: words and conventions)."""
    for factor, status in ((1 + 5e-7, 0), (1 + 2e-6, 1)):
        today = {"dunlin-em": {"value": 0.05 * factor, "source": "derived: leg length / 2"}}
        numbers = {name: value * factor for name, value in
                   rover_numbers(read_rover("dunlin-em")).items()}
        for changes in ({"limit__today": today}, {"limit__rover_numbers": numbers}):
            (tmp_path / "new.toml").unlink(missing_ok=True)
            assert applied(write(
                tmp_path, limit__rover_digest="0" * 64, **changes)).exit_code == status


def test_a_limit_that_this_rover_cannot_have(tmp_path: Path) -> None:
    message = refused(write(tmp_path, limit__recommended=31.2))
    assert "step = 31.2 m" in message
    assert "twice the leg length, 0.2 m" in message


def test_an_angle_beyond_its_bound(tmp_path: Path) -> None:
    message = refused(write(tmp_path, limit__name="roll", limit__unit="deg",
                            conditions__kind="roll", limit__recommended=95))
    assert "limit.recommended: roll = 95" in message


def test_one_trial_on_one_pair(tmp_path: Path) -> None:
    found = read_result(write(tmp_path, inputs__trials__count=1, inputs__run__pairs=1))
    assert found.source.startswith("1 trial (black-sand")
    assert " on 1 pair (run RUN" in found.source


def test_assess_shows_where_the_limit_comes_from(tmp_path: Path) -> None:
    assert applied(write(tmp_path)).exit_code == 0
    result = run("assess", SAMPLE, "--rover", tmp_path / "new.toml", "--headings", "0", "-o",
                 tmp_path / "out")
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    said = f"limit step 0.0312 m (was 0.05 m, derived: leg length / 2), measured: {SOURCE} "
    assert said in text
    assert max(map(len, result.stdout.splitlines())) <= 100
    folder = tmp_path / "out" / "pebbles"
    page = (folder / "page.html").read_text(encoding="utf-8")
    assert f"measured: {SOURCE}<div>was 0.050 m, derived: leg length / 2</div>" in page
    kept = json.loads((folder / "assessment.json").read_text(encoding="utf-8"))["limits"]
    assert kept["step"] == {"value": 0.0312, "unit": "m", "source": f"measured: {SOURCE}",
                            "was": {"value": 0.05, "source": "derived: leg length / 2"}}
    assert "was" not in kept["drop"]
    for store in ("demands.npz", "terrain.npz"):
        judged = run("judge", folder / store)
        assert said in " ".join(judged.stdout.split())
        assert json.loads(run("judge", folder / store, "--json").stdout)["limits"] == kept
