"""``hazcam diff``."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hazcam.campaign.store.writer import Store
from hazcam.cli import main
from tests.campaign.entries import ABOUT, make_campaign, make_run, write


def diff(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["diff", *map(str, arguments)])


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """``a`` and ``c`` of other verdicts, ``copy`` of a, ``other`` of no id that a has."""
    folder = tmp_path_factory.mktemp("runs")
    make_run(folder / "a", pairs=12, seed=0, failures=1, bad_rows=1)
    make_run(folder / "c", pairs=12, seed=1, failures=1, bad_rows=1)
    shutil.copytree(folder / "a", folder / "copy")
    make_run(folder / "other", pairs=2, failures=0, bad_rows=0)
    _rename_ids(folder / "other")
    return folder


def _rename_ids(folder: Path) -> None:
    import sqlite3

    with sqlite3.connect(folder / "run.sqlite") as db:
        for (table,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'"
                                   ).fetchall():
            columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
            if "pair" in columns:
                db.execute(f"UPDATE {table} SET pair = 'x' || pair")
    db.close()


def test_runs_that_agree(runs: Path) -> None:
    result = diff(runs / "a", runs / "copy")
    assert result.exit_code == 0, result.output
    assert "11 pairs compared, of the same pictures" in result.output
    assert "Made with the same version, options, settings, rovers and rigs." in result.output
    assert "Of 77 headings that both judged: 0 from ask-ground to go, 0 from go" in result.output
    assert "look at these first" not in result.output


def test_verdicts_that_differ_are_told_and_exit_0(runs: Path) -> None:
    result = diff(runs / "a", runs / "c")
    assert result.exit_code == 0, result.output
    text = result.output
    titles = ["ask-ground in A, go in B: look at these first", "go in A, ask-ground in B",
              "ask-ground in both, another first cause"]
    places = [text.index(title) for title in titles]
    assert places == sorted(places)
    assert "failed in A only: pair-" in text
    assert "failed: pair-" in text  # the reason
    assert max(map(len, text.splitlines())) <= 100


def test_json_holds_what_the_text_tells(runs: Path) -> None:
    result = diff(runs / "a", runs / "c", "--json")
    record = json.loads(result.stdout)
    assert record["schema"] == "hazcam-diff/1"
    assert record["a"] == {"name": str(runs / "a"), "hazcam": "0.1.0", "done": True}
    assert set(record) == {"schema", "hazcam", "a", "b", "inputs", "pair_inputs", "pairs",
                           "verdicts", "headings", "reasons", "places", "changes"}
    changes = record["changes"]
    assert len(changes) == sum(record["headings"]["changed"].values())
    assert [c["kind"] for c in changes][:1] == ["ask to go"]
    first = changes[0]
    assert first["a"]["verdict"] == "ask-ground"
    assert first["b"] == {"verdict": "go", "clear_m": 1.0, "cause": "", "reason": "", "at_m": None,
                          "demand": None, "sigma": None, "limit": None, "unit": "",
                          "text": "go, clear to 1.00 m"}
    assert f"{first['a']['demand']:.3f}" in first["a"]["text"] or first["a"]["unit"] == "deg"
    text = diff(runs / "a", runs / "c").output
    assert all(reason["why"] in text for reason in record["reasons"])


def test_json_twice_is_the_same(runs: Path) -> None:
    assert diff(runs / "a", runs / "c", "--json").output == diff(runs / "a", runs / "c",
                                                                 "--json").output


def test_run_that_is_not_finished_says_so(runs: Path, tmp_path: Path) -> None:
    made = make_campaign(runs, pairs=12, seed=0, failures=1, bad_rows=1)
    with Store.open(tmp_path / "part", ABOUT) as store:
        store.add_pairs(made.manifest)
        for entry in made.entries[:4]:
            store.add(entry)
    result = diff(runs / "a", tmp_path / "part")
    assert result.exit_code == 0, result.output
    assert "NOT FINISHED" in " ".join(result.output.split()).split("B: ")[1]
    assert "NOT FINISHED" not in result.output.split("B: ")[0]
    assert "not tried yet in B: 8: pair-" in result.output
    assert "4 pairs compared" in result.output


def test_run_of_which_nothing_is_done_yet(runs: Path, tmp_path: Path) -> None:
    made = make_campaign(runs, pairs=12, seed=0, failures=0, bad_rows=0)
    with Store.open(tmp_path / "none", ABOUT) as store:
        store.add_pairs(made.manifest)
    result = diff(runs / "a", tmp_path / "none")
    assert result.exit_code == 0, result.output
    assert "0 pairs compared" in result.output


def test_inputs_are_named(runs: Path, tmp_path: Path) -> None:
    made = make_campaign(runs, pairs=12, seed=0, failures=1, bad_rows=1)
    options = json.dumps({"settings": {"look_ahead_m": 1.0}, "limits": {"step": 0.08},
                          "margin_m": None})
    with Store.open(tmp_path / "b", {**ABOUT, "options": options}) as store:
        store.add_pairs(made.manifest)
        write(store, made)
        store.finish()
    result = diff(runs / "a", tmp_path / "b")
    assert result.exit_code == 0, result.output
    line = next(x for x in result.output.splitlines() if x.startswith("options.limits.step"))
    assert line.split() == ["options.limits.step", "-", "0.08"]


# --- what a user can mend -------------------------------------------------------------------------


@pytest.mark.parametrize("second", ["a", "link", "a/run.sqlite"])
def test_same_run_twice_is_refused(runs: Path, second: str) -> None:
    if second == "link" and not (runs / "link").exists():
        (runs / "link").symlink_to(runs / "a")
    result = diff(runs / "a", runs / second)
    assert result.exit_code == 1
    assert "the same run twice" in result.output
    assert "remedy: give the folder of the other run" in result.output


def test_runs_without_a_pair_in_common_are_refused(runs: Path) -> None:
    result = diff(runs / "a", runs / "other")
    assert result.exit_code == 1
    assert "no id of a pair is in both (first ones: line-14, xpair-00000)" in result.output
    assert "expected: two runs of the same pairs" in result.output


def test_what_is_no_run_is_refused(runs: Path, tmp_path: Path) -> None:
    (tmp_path / "run.sqlite").write_bytes(b"no database, but long enough to be read as one" * 9)
    for path, words in ((tmp_path / "run.sqlite", "is no SQLite database"),
                        (tmp_path / "gone", "does not exist"),
                        (runs, "holds no run.sqlite")):
        for order in ((runs / "a", path), (path, runs / "a")):
            result = diff(*order)
            assert result.exit_code == 1, result.output
            assert words in result.output
            assert str(path) in result.output.replace("\n", "")


def test_usage() -> None:
    assert diff("only-one").exit_code == 2
    help_text = diff("--help").output
    assert "0 compared, whatever differs" in " ".join(help_text.split())
