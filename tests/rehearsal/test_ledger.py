from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from hazcam.errors import HazcamError, OutputError
from hazcam.scene.mixtures import draw_scene
from hazcam.scene.rehearsal.ledger import (
    COLUMNS,
    LedgerError,
    Run,
    append_run,
    block_of_seed,
    block_of_set,
    code_digest,
    commit_of,
    is_fresh,
    read_ledger,
    set_digest,
    was_run,
)
from hazcam.scene.rehearsal.record import Plan
from hazcam.scene.rehearsal.tables import Summary, summarise
from tests.rehearsal.synthetic import heading_row, scene

PLAN = Plan(limits_m=(0.04, 0.06), look_aheads_m=(1.0,), headings_deg=(0.0,))


def run(block: str = "report-1", *, fresh: bool = True) -> Run:
    return Run(date="2031-05-04T09:30:00+00:00", commit="abc", hazcam="0.1.0", code_digest="c0de",
               block=block, set_digest="5e7", rig="bench", rig_digest="1", rover="Dunlin",
               rover_digest="2", fresh=fresh)


def summary() -> Summary:
    """At 6 cm: of 2 blocked scenes one goes by default and none with the own strip."""
    rows = (heading_row("blocked", "go", strip="straight ahead"),
            heading_row("blocked", "ask-ground", strip="own"),
            heading_row("free", "ask-ground", strip="straight ahead", observable=False))
    other = (heading_row("blocked", "ask-ground", strip="straight ahead"),)
    return summarise([scene("a", rows), scene("b", other, sun_elevation_deg=None)], PLAN)


def git(folder: Path, *arguments: str) -> None:
    subprocess.run(["git", "-c", "user.name=n", "-c", "user.email=e@example.org",
                    "-c", "commit.gpgsign=false", *arguments], cwd=folder, check=True,
                   capture_output=True)


# --- lines ----------------------------------------------------------------------------------------


def test_a_run_appends_one_line_per_limit(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.csv"
    append_run(ledger, run(), summary())
    four, six = read_ledger(ledger)
    assert (four["limit_m"], six["limit_m"]) == ("0.04", "0.06")
    assert four["blocked_scenes"] == ""  # nothing was scored at 4 cm
    assert (six["false_go_scenes"], six["blocked_scenes"]) == ("1", "2")
    assert float(six["false_go_scenes_bound95"]) == pytest.approx(0.95**0.5, abs=1e-6)
    assert six["false_go_scenes_own_strip"] == "0"
    assert float(six["false_go_scenes_bound95_own_strip"]) == pytest.approx(0.95)
    assert (six["needless"], six["free"], six["free_observable"]) == ("1", "1", "0")
    assert (six["sun_deg"], six["mixtures"]) == ("10.0:10.0 none:1", "rocks/1:2")
    assert (six["fresh"], six["verdict_confidence"]) == ("yes", "0.99")
    assert six["matcher"] == "census"


def test_earlier_lines_stay_as_they_are(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.csv"
    append_run(ledger, run(), summary())
    before = ledger.read_bytes()
    append_run(ledger, run("report-2"), summary())
    assert ledger.read_bytes().startswith(before)
    assert [row["block"] for row in read_ledger(ledger)] == ["report-1"] * 2 + ["report-2"] * 2
    assert ledger.read_text().count("date,commit") == 1


def test_a_last_line_without_an_end_is_not_run_into(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.csv"
    append_run(ledger, run(), summary())
    ledger.write_text(ledger.read_text().rstrip("\n"))
    append_run(ledger, run("report-2"), summary())
    assert len(read_ledger(ledger)) == 4


def test_a_block_is_fresh_until_it_is_in_the_ledger(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.csv"
    assert was_run(ledger, "report-1") is None
    assert is_fresh(ledger, "report-1")
    append_run(ledger, run(), summary())
    found = was_run(ledger, "report-1")
    assert found is not None
    assert found["date"] == "2031-05-04T09:30:00+00:00"
    assert not is_fresh(ledger, "report-1")
    assert is_fresh(ledger, "report-11")


def test_tuning_is_never_fresh(tmp_path: Path) -> None:
    assert not is_fresh(tmp_path / "ledger.csv", "tune")


# --- blocks ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("block", ["tune", "report-1", "report-42", "report-999999"])
def test_a_drawn_seed_tells_its_block(block: str) -> None:
    assert block_of_seed(draw_scene("pit", block, 3).seed) == block


@pytest.mark.parametrize("first", [0, 1, 3, 9_999, 10_000, 1_010_000])
def test_other_seeds_are_made_by_hand(first: int) -> None:
    assert block_of_seed((first, 0, 0)) == "made by hand"


REPORT_1, REPORT_2, TUNE, HAND = (10_001, 0), (10_002, 0), (2, 0), (1, 9)


@pytest.mark.parametrize(("seeds", "folder", "name"), [
    ([REPORT_1, REPORT_1], "beach", "report-1"), ([TUNE], "report-1", "tune"),
    ([HAND], "sample_pairs", "sample_pairs"), ([TUNE, HAND], "beach", "beach"),
    ([HAND], "report-1", "made by hand"), ([HAND], "tune", "made by hand"),
    ([], "beach", "beach"), ([HAND], "", "made by hand")])
def test_a_set_has_the_name_of_its_block_or_folder(
    seeds: list[tuple[int, ...]], folder: str, name: str
) -> None:
    """A folder called as a block makes none of what lies in it."""
    assert block_of_set(seeds, folder) == name


@pytest.mark.parametrize(("others", "names"), [
    ([REPORT_2], "report-1 and report-2"), ([TUNE], "report-1 and tune"),
    ([HAND], "made by hand and report-1")])
def test_a_report_block_stands_alone(others: list[tuple[int, ...]], names: str) -> None:
    with pytest.raises(HazcamError, match=f"mixes scenes of {names}"):
        block_of_set([REPORT_1, *others], "beach")


def test_the_committed_ledger_is_of_this_kind() -> None:
    ledger = Path(__file__).parents[1] / "benchmarks" / "ledger.csv"
    assert ledger.read_text(encoding="utf-8").splitlines()[0] == ",".join(COLUMNS)
    read_ledger(ledger)


# --- refusals -------------------------------------------------------------------------------------


def test_another_header_is_refused_and_the_file_left_alone(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.csv"
    ledger.write_text(",".join(("verdict", *COLUMNS[1:])) + "\n")
    with pytest.raises(LedgerError, match="has verdict; lacks date"):
        append_run(ledger, run(), summary())
    assert ledger.read_text().count("\n") == 1


def test_columns_in_another_order_are_refused(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.csv"
    ledger.write_text(",".join(reversed(COLUMNS)) + "\n")
    with pytest.raises(LedgerError, match="the columns in another order"):
        was_run(ledger, "report-1")


def test_a_torn_line_is_named(tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.csv"
    append_run(ledger, run(), summary())
    ledger.write_text(ledger.read_text() + "2031-05-05,abc\n")
    with pytest.raises(LedgerError, match=r"row 4: 2 values"):
        read_ledger(ledger)


def test_a_ledger_that_is_a_folder_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="cannot be read"):
        read_ledger(tmp_path)


def test_a_ledger_in_a_file_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises((OutputError, LedgerError), match=r"cannot be (read|written)"):
        append_run(tmp_path / "file" / "ledger.csv", run(), summary())


# --- which code, which set ------------------------------------------------------------------------


def test_the_code_digest_follows_names_and_bytes_of_the_sources(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    (tmp_path / "a.py").write_text("x = 1\n")
    (tmp_path / "sub" / "b.py").write_text("y = 2\n")
    first = code_digest(tmp_path)
    (tmp_path / "notes.txt").write_text("no source")
    assert code_digest(tmp_path) == first
    (tmp_path / "a.py").write_text("x = 2\n")
    changed = code_digest(tmp_path)
    (tmp_path / "a.py").rename(tmp_path / "c.py")
    assert len({first, changed, code_digest(tmp_path)}) == 3
    assert code_digest() == code_digest()


def test_the_commit_says_whether_the_sources_differ_from_it(tmp_path: Path) -> None:
    package = tmp_path / "package"
    package.mkdir()
    (package / "a.py").write_text("x = 1\n")
    assert commit_of(package) == "unknown"
    git(tmp_path, "init", "-q")
    assert commit_of(package) == "unknown"  # in a repository that does not hold it
    git(tmp_path, "add", ".")
    git(tmp_path, "commit", "-q", "-m", "first")
    clean = commit_of(package)
    assert len(clean) == 40
    (tmp_path / "ledger.csv").write_text("beside the package\n")
    assert commit_of(package) == clean
    (package / "a.py").write_text("x = 2\n")
    assert commit_of(package) == f"{clean}+dirty"


def test_the_set_digest_does_not_depend_on_the_order() -> None:
    a, b = scene("a"), scene("b")
    assert set_digest([a, b]) == set_digest([b, a])
    assert set_digest([a, b]) != set_digest([a])
