"""``hazcam warm-up``: afterwards an assessment compiles nothing, and what compiles is told."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hazcam.cli import main
from hazcam.cli.errors import cache_guard
from hazcam.warm import CacheError, WarmUp, loops, on_compiling, warm_up
from tests.loops import uncompiled_loop

ROOT = Path(__file__).parents[1]


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


# Types of arguments that a loop was called with, after a warm-up and after assessments; in a
# process of its own, since another test may have called it in this one.
_AFTERWARDS = """
import json
from click.testing import CliRunner
from hazcam.cli import main
from hazcam.warm import loops, warm_up

def judged():
    from hazcam.verdict.gist import join_gists, judge_gists, pack_gist
    from hazcam.verdict.sweep import chance_beyond, least_limit, least_limit_by
    from hazcam import Settings, assess_pair, read_rover
    from tests.synthetic import Scene, ideal_rig, render
    found = assess_pair(render(Scene()), ideal_rig(), read_rover("dunlin-em"),
                        Settings(headings_deg=(0.0,)))
    gists = join_gists([pack_gist(found.demands, ())] * 2)
    assert len(gists.headings)
    judge_gists(gists, found.rover.limits, 0.9)
    least_limit_by(gists, found.rover.limits, ("step", (0.1, 0.2)), ("drop", (0.1, 0.2)), 0.9)
    least_limit(gists, found.rover.limits, "gap", (0.1, 0.2), 0.9)
    chance_beyond(gists, "gap", (0.1, 0.2))

def kinds():
    return {name: list(map(str, loop.signatures)) for name, loop in loops().items()}

warm_up()
warm = kinds()
for words in (
    "sample_pairs/pebbles.pair.json",
    "sample_pairs/pebbles.pair.json --matcher sgbm",
    "sample_pairs/boulders.left.png sample_pairs/boulders.right.png --rover dunlin-fm "
    "--rig calibration/dunlin-em-raw.yaml",
):
    done = CliRunner().invoke(main, ["assess", *words.split(), "--headings", "0", "--json"])
    assert done.exit_code == 0, done.output
judged()
print(json.dumps({"warm": warm, "then": kinds()}))
"""


def test_after_a_warm_up_an_assessment_compiles_nothing() -> None:
    """Nor does judging, or sweeping.

    Pictures as they are and resampled, attitude stated and not, two formats.
    Loops that others call are compiled with these, and have no signature of their own.
    """
    done = subprocess.run([sys.executable, "-c", _AFTERWARDS], cwd=ROOT, capture_output=True,
                          text=True, check=False)
    assert done.returncode == 0, done.stderr
    kinds = json.loads(done.stdout)
    assert kinds["then"] == kinds["warm"]
    used = {name.rpartition(".")[0] for name, signatures in kinds["warm"].items() if signatures}
    assert {"hazcam.disparity.semiglobal", "hazcam.disparity.subpixel",
            "hazcam.terrain.kernels", "hazcam.verdict.kernels_gist"} <= used


def test_a_second_warm_up_has_nothing_to_do() -> None:
    warm_up()
    result = run("warm-up")
    assert result.exit_code == 0
    assert result.stderr == ""
    first, *folders = result.stdout.splitlines()
    assert first.startswith("nothing to compile for ")
    assert {Path(line.strip()) for line in folders} == {
        Path(str(loop.stats.cache_path)) for loop in loops().values()}


def test_what_was_compiled_is_told_with_time_and_place(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def compiling() -> WarmUp:
        uncompiled_loop()(1)
        return WarmUp(compiled=3, folders=(tmp_path,), processor="generic")

    monkeypatch.setattr("hazcam.cli.warm_up.compile_loops", compiling)
    result = run("warm-up")
    assert result.stdout == f"compiled 3 loops for generic in 0 s; they are kept in\n  {tmp_path}\n"
    assert result.stderr.startswith("compiling the loops")


@pytest.mark.parametrize(("place", "status"), [("loops", 0), ("elsewhere", 1)])
def test_a_folder_that_was_asked_for_and_passed_over_is_an_error(
    place: str, status: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A misspelt folder on a cluster would stay empty, and every node compile for itself."""
    done = WarmUp(compiled=0, folders=(tmp_path / "loops" / "disparity_1",), processor="generic")
    monkeypatch.setattr("hazcam.cli.warm_up.compile_loops", lambda: done)
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / place))
    result = run("warm-up")
    assert result.exit_code == status
    if status:
        for word in (f"NUMBA_CACHE_DIR={tmp_path / place}", "passed over", "expected", "remedy"):
            assert word in result.stderr


def test_help_says_what_to_do_in_images_and_on_clusters() -> None:
    text = " ".join(run("warm-up", "--help").stdout.split())
    assert "In an image, run it as the user who will run hazcam" in text
    assert "NUMBA_CACHE_DIR=$HOME/hazcam-loops hazcam warm-up" in text
    assert "warm-up" in run("--help").stdout


# --- what compiles --------------------------------------------------------------------------------


def test_a_loop_is_noted_when_it_is_compiled_and_not_when_it_runs() -> None:
    noted: list[str] = []
    loop = uncompiled_loop()
    with on_compiling(noted.append):
        for value in (1, 2, 1.5):
            loop(value)
    loop(1j)  # nobody listens
    assert noted == ["hazcam.made.up.double"] * 2, "once for whole numbers, once for others"


def test_loops_of_others_are_not_noted() -> None:
    noted: list[str] = []
    with on_compiling(noted.append):
        uncompiled_loop("elsewhere")(1)
    assert noted == []


# --- where it is kept -----------------------------------------------------------------------------


def test_a_folder_that_cannot_be_written_is_named() -> None:
    folder = loops()["hazcam.terrain.kernels.fuse_surface"].stats.cache_path
    full = OSError(errno.EACCES, "Permission denied", f"{folder}/tmp1234")
    with pytest.raises(CacheError, match="cannot be kept") as found, on_compiling(print):
        raise full
    assert found.value.where == folder
    assert "set NUMBA_CACHE_DIR" in found.value.remedy


def test_other_files_that_cannot_be_written_are_none_of_its_business(tmp_path: Path) -> None:
    other = OSError(errno.EACCES, "Permission denied", str(tmp_path / "left.png"))
    with pytest.raises(OSError, match=r"left\.png") as found, on_compiling(print):
        raise other
    assert found.value is other


def test_without_any_folder_the_remedy_is_said(tmp_path: Path) -> None:
    """The user's folder lies below a file, and numba may take no other."""
    (tmp_path / "file").write_text("")
    places = {"NUMBA_CACHE_DIR": str(tmp_path / "file" / "loops"),
              "NUMBA_CACHE_LOCATOR_CLASSES": "UserProvidedCacheLocator"}
    done = subprocess.run(
        [sys.executable, "-c", "from hazcam.cli import main; main()", "warm-up"], cwd=ROOT,
        env=os.environ | places, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "compiled loops cannot be kept" in done.stderr
    assert "set NUMBA_CACHE_DIR to a folder that can be written to" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_guard_lets_other_errors_through() -> None:
    with pytest.raises(RuntimeError, match="other"), cache_guard():
        raise RuntimeError("other")
