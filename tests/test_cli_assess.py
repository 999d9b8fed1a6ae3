from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numba
import pytest
from click.testing import CliRunner, Result

import hazcam
from hazcam.assess import Assessment
from hazcam.cli import main
from hazcam.cli.errors import opencv_guard
from hazcam.cli.job import Job
from hazcam.errors import PairError
from hazcam.warm import warm_up
from tests.folders import assessment, write_inputs
from tests.loops import uncompiled_loop

FAST = ("--headings", "0,10")


@pytest.fixture(autouse=True, scope="module")
def _compiled() -> None:
    """Nothing is said of compiling where nothing is compiled."""
    warm_up()


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("inputs")
    write_inputs(path)
    return path


def test_table_of_a_sidecar(folder: Path) -> None:
    before = sorted(folder.iterdir())
    result = run("assess", folder / "bench.pair.json", *FAST)
    assert result.exit_code == 0
    assert sorted(folder.iterdir()) == before  # nothing is written without -o
    assert "straight ahead  ask-ground" in result.stdout
    assert "10° left" in result.stdout


def test_record_of_two_pictures_with_options(folder: Path) -> None:
    result = run("assess", folder / "left.png", folder / "right.png", "--rig", folder / "rig.yaml",
                 "--rover", "dunlin-fm", "--roll-deg", "1", "--pitch-deg", "-2", *FAST,
                 "--limit", "step=0.06", "--limit", "slope=20", "--margin-m", "0.05",
                 "--confidence", "0.9", "--look-ahead-m", "0.5", "--near-strip-max-m", "0.1",
                 "--json")
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    assert [h["heading_deg"] for h in record["headings"]] == [0, 10]
    assert record["rover"]["name"] == "dunlin-fm"
    assert record["rover"]["margin_m"] == 0.05
    assert record["pair"]["attitude"]["pitch_deg"] == -2
    assert record["limits"]["step"] == {"value": 0.06, "unit": "m", "source": "set by the user"}
    assert record["limits"]["slope"]["value"] == 20
    assert record["settings"]["confidence"] == 0.9
    assert record["settings"]["look_ahead_m"] == 0.5
    assert record["near_strip"]["max_m"] == 0.1


def test_options_win_over_the_sidecar(folder: Path) -> None:
    result = run("assess", folder / "bench.pair.json", "--rover", "dunlin-fm", "--roll-deg", "3",
                 "--pitch-deg", "0", *FAST, "--json")
    record = json.loads(result.stdout)
    assert record["rover"]["name"] == "dunlin-fm"
    assert record["pair"]["attitude"]["roll_deg"] == 3


@pytest.mark.parametrize(("options", "word"), [
    ((), "census"), (("--matcher", "census"), "census"), (("--matcher", "sgbm"), "sgbm")])
def test_the_matcher_that_is_asked_for(folder: Path, options: tuple[str, ...], word: str) -> None:
    result = run("assess", folder / "bench.pair.json", *FAST, *options, "--json")
    record = json.loads(result.stdout)
    assert record["settings"]["matcher"].startswith(f"{word}(")
    assert record["disparity"]["matcher"] == record["settings"]["matcher"]


@pytest.mark.parametrize("fails", [False, True])
def test_threads_are_limited_while_it_runs(
    folder: Path, monkeypatch: pytest.MonkeyPatch, fails: bool
) -> None:
    found = []

    def run_noting(job: Job) -> Assessment:
        found.append((numba.get_num_threads(), cv2.getNumThreads()))
        if fails:
            raise PairError("a", "b", "c", "d")
        return assessment()

    monkeypatch.setattr(Job, "run", run_noting)
    before = numba.get_num_threads(), cv2.getNumThreads()
    for options in ((), ("--threads", "1"), ()):
        assert run("assess", folder / "bench.pair.json", *options).exit_code == fails
    assert found == [before, (1, 1), before]


def test_what_is_compiled_is_said_once_on_standard_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a", "b"):
        write_inputs(tmp_path, name)

    def run_compiling(job: Job) -> Assessment:
        for _ in range(2):
            uncompiled_loop()(1)
        return assessment()

    monkeypatch.setattr(Job, "run", run_compiling)
    result = run("assess", tmp_path, "--json")
    assert result.exit_code == 0
    assert result.stderr.count("compiling the loops") == 1
    assert result.stderr.index("compiling") < result.stderr.index("[2/2]")
    assert len([json.loads(line) for line in result.stdout.splitlines()]) == 2


@pytest.mark.parametrize(("options", "kind", "words"), [
    ((), "unknown", "unknown within ±10°"),
    (("--tilt-bound-deg", "4"), "unknown", "unknown within ±4°"),
    (("--assume-level",), "assumed level", "--assume-level was given"),
])
def test_attitude_that_nobody_states(
    tmp_path: Path, options: tuple[str, ...], kind: str, words: str
) -> None:
    path = write_inputs(tmp_path, roll_deg=None, pitch_deg=None, roll_sigma_deg=None,
                        pitch_sigma_deg=None)
    record = json.loads(run("assess", path, "--headings", "0", "--look-ahead-m", "0.35", *options,
                            "--json").stdout)
    assert record["attitude"]["status"] == kind
    assert words in record["attitude"]["text"]
    # Flat ground up to there: 10 degrees are more than the rover's roll limit of 9.9, 4 are not.
    kinds = {c["kind"] for c in record["headings"][0]["causes"]}
    assert ("attitude unknown" in kinds) == (options == ())


def test_writes_the_folder_of_the_pair(folder: Path, tmp_path: Path) -> None:
    result = run("assess", folder / "bench.pair.json", *FAST, "-o", tmp_path / "new" / "out")
    assert result.exit_code == 0
    assert (tmp_path / "new" / "out" / "bench" / "page.html").exists()
    assert result.stderr == f"results are in {tmp_path / 'new' / 'out' / 'bench'}\n"
    record = json.loads((tmp_path / "new" / "out" / "bench" / "assessment.json").read_text("utf-8"))
    assert record["inputs"]["left"] is None  # named by the sidecar
    sidecar = tmp_path / "new" / "out" / "bench" / record["inputs"]["sidecar"]
    assert sidecar.resolve() == folder / "bench.pair.json"
    assert f'"{folder}' not in json.dumps(record)  # no path from the root


def test_folder_finishes_the_others_and_fails(tmp_path: Path) -> None:
    write_inputs(tmp_path, "a-good")
    (tmp_path / "b-broken.pair.json").write_text("{")
    write_inputs(tmp_path, "c-alone", right="nowhere.png")
    out = tmp_path / "out"
    result = run("assess", tmp_path, *FAST, "-o", out)
    assert result.exit_code == 1
    assert "failed: b-broken.pair.json" in result.stdout
    assert "broken JSON at line 1" in result.stdout
    assert "2 of 3 pairs assessed, 1 failed" in result.stdout
    assert "[2/3] b-broken.pair.json" in result.stderr
    assert "[2/3]" not in result.stdout
    assert "the right picture is missing" in result.stdout
    assert (out / "c-alone" / "page.html").exists()
    assert "a-good/page.html" in (out / "index.html").read_text("utf-8")


def test_folder_as_json_lines(tmp_path: Path) -> None:
    write_inputs(tmp_path, "a")
    write_inputs(tmp_path, "b", left=None)
    (tmp_path / "c.pair.json").write_text("{")
    result = run("assess", tmp_path, *FAST, "--json")
    assert [json.loads(line)["id"] for line in result.stdout.splitlines()] == ["a"]
    assert "2 failed" in result.stderr
    assert result.exit_code == 1


def test_says_where_the_results_of_two_pictures_went(folder: Path, tmp_path: Path) -> None:
    # The id follows from the name of the left picture, here that of its folder.
    result = run("assess", folder / "left.png", folder / "right.png", "--rig", folder / "rig.yaml",
                 "--rover", "dunlin-em", *FAST, "-o", tmp_path)
    [written] = tmp_path.iterdir()
    assert result.stderr == f"results are in {written}\n"


def test_ctrl_c_keeps_what_is_done(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("a", "b", "c"):
        write_inputs(tmp_path, name)
    whole = Job.run

    def run_until_b(job: Job) -> Assessment:
        if job.left.name == "b.pair.json":
            raise KeyboardInterrupt
        return whole(job)

    monkeypatch.setattr(Job, "run", run_until_b)
    out = tmp_path / "out"
    result = run("assess", tmp_path, *FAST, "-o", out)
    assert result.exit_code == 130
    assert f"interrupted after 1 of 3 pairs; the results so far are in {out}" in result.stderr
    assert "1 of 3 pairs assessed, 0 failed, 2 not begun (interrupted)" in result.stdout
    html = (out / "index.html").read_text("utf-8")
    assert "a/page.html" in html
    assert "nothing is known of: b.pair.json, c.pair.json" in html
    alone = run("assess", tmp_path / "b.pair.json", *FAST)
    assert (alone.exit_code, alone.stderr) == (130, "interrupted\n")


def test_two_sidecars_of_one_id_stop_before_the_start(tmp_path: Path) -> None:
    write_inputs(tmp_path, "a")
    write_inputs(tmp_path, "b", id="a")
    result = run("assess", tmp_path, *FAST, "-o", tmp_path / "out")
    assert result.exit_code == 1
    assert "a.pair.json, b.pair.json: have the same id 'a'" in result.stderr
    assert not (tmp_path / "out" / "a").exists()


@pytest.mark.parametrize(("arguments", "words"), [
    ((), "Missing argument"),
    (("a.json", "b", "c"), "give LEFT and RIGHT, one PAIR.json, or one FOLDER"),
    (("left.png",), "is one picture: give LEFT and RIGHT"),
    (("left.png", "right.png"), "need --rig and --rover"),
    (("left.png", "right.png", "--rig", "rig.yaml"), "need --rover"),
    (("a.json", "--roll-deg", "1"), "--roll-deg and --pitch-deg together"),
    (("a.json", "--roll-deg", "90", "--pitch-deg", "0"), "-90<x<90"),
    (("a.json", "--rig-right", "r.yaml"), "--rig-right needs --rig"),
    (("a.json", "--headings", "5:0:1"), "neither FROM:TO:STEP"),
    (("a.json", "--headings", "0:5:0"), "neither FROM:TO:STEP"),
    (("a.json", "--headings", "left"), "neither FROM:TO:STEP"),
    (("a.json", "--headings", "0,200"), "between -180 and 180"),
    (("a.json", "--headings", "nan"), "between -180 and 180"),
    (("a.json", "--headings", "0,0"), "names a heading twice"),
    (("a.json", "--headings", "-45:45:0.001"), "more than 721 headings"),
    (("a.json", "--headings", "0:1:1e-320"), "more than 721 headings"),
    (("a.json", "--headings", ",".join(f"{i / 10}" for i in range(722))), "more than 721 headings"),
    (("a.json", "-o", ""), "the name of the folder is empty"),
    (("a.json", "--confidence", "1"), "0.5<=x<1"),
    (("a.json", "--confidence", "nan"), "not a finite number"),
    (("a.json", "--look-ahead-m", "0"), "x>0"),
    (("a.json", "--look-ahead-m", "9"), "look-ahead 9.0 m is not between 0 and 2.5 m"),
    (("a.json", "--margin-m", "-1"), "x>=0"),
    (("a.json", "--tilt-bound-deg", "50"), "0<=x<=45"),
    (("a.json", "--limit", "step"), "is not NAME=VALUE"),
    (("a.json", "--limit", "jump=1"), "unknown limit 'jump'"),
    (("a.json", "--limit", "step=-1"), "a finite number of 0 or more"),
    (("a.json", "--matcher", "best"), "'best' is not one of 'census', 'sgbm'"),
    (("a.json", "--threads", "0"), "x>=1"),
    (("a.json", "--threads", "100000"), f"more than the {numba.config.NUMBA_NUM_THREADS} core"),
    (("a.json", "--nonsense"), "No such option"),
])
def test_wrong_usage_exits_with_2(arguments: tuple[str, ...], words: str) -> None:
    result = run("assess", *arguments)
    assert result.exit_code == 2
    assert words in result.stderr


@pytest.mark.parametrize(("arguments", "words"), [
    (("nowhere.pair.json",), "nowhere.pair.json: does not exist"),
    (("nowhere.png", "right.png", "--rig", "rig.yaml", "--rover", "dunlin-em"),
     "rig.yaml: does not exist"),
])
def test_an_input_that_fails_exits_with_1(arguments: tuple[str, ...], words: str) -> None:
    result = run("assess", *arguments)
    assert result.exit_code == 1
    assert words in result.stderr
    assert "Traceback" not in result.output


def test_an_empty_folder_exits_with_1(tmp_path: Path) -> None:
    result = run("assess", tmp_path)
    assert result.exit_code == 1
    assert "holds no *.pair.json" in result.stderr


def test_an_output_that_is_a_file_is_refused_before_the_work(folder: Path) -> None:
    result = run("assess", folder / "bench.pair.json", "-o", folder / "left.png")
    assert result.exit_code == 1
    assert "is a file, or lies below one" in result.stderr
    assert result.stdout == ""


def test_headings_hold_both_ends(folder: Path) -> None:
    result = run("assess", folder / "bench.pair.json", "--headings", "-0.3:0.3:0.1", "--json")
    found = [h["heading_deg"] for h in json.loads(result.stdout)["headings"]]
    assert found == [-0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3]


def test_every_half_degree_of_the_circle_may_be_asked_for() -> None:
    result = run("assess", "nowhere.pair.json", "--headings", "-180:180:0.5")
    assert result.exit_code == 1  # past the usage, on to the input that is not there


def test_help_says_signs_and_exit_status() -> None:
    text = " ".join(run("assess", "--help").stdout.split())
    for words in ("positive = left side up", "positive = nose down", "Ry(pitch) Rx(roll)",
                  "Exit status: 0 assessed, whatever the verdict; 1 an input failed",
                  "2 wrong usage; 130 interrupted (Ctrl-C)"):
        assert words in text


def _without_opencv(tmp_path: Path, body: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run hazcam where ``import cv2`` runs ``body``."""
    (tmp_path / "cv2.py").write_text(body)
    root = Path(hazcam.__file__).parent.parent
    code = (f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {str(root)!r}]; "
            "from hazcam.cli import main; main()")
    return subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True,
                          check=False, cwd=tmp_path)


@pytest.mark.parametrize("library", ["libGL.so.1", "libgthread-2.0.so.0"])
def test_missing_system_libraries_are_named_in_one_line(tmp_path: Path, library: str) -> None:
    body = f"raise ImportError('{library}: cannot open shared object file: No such file')"
    result = _without_opencv(tmp_path, body, "assess", "a.pair.json")
    assert result.returncode == 1
    assert len(result.stderr.splitlines()) == 1
    assert library in result.stderr
    assert "apt-get install libgl1 libglib2.0-0" in result.stderr
    assert "pip install opencv-python-headless" in result.stderr
    assert "Traceback" not in result.stderr


def test_missing_opencv_is_said(tmp_path: Path) -> None:
    body = "raise ModuleNotFoundError(\"No module named 'cv2'\", name='cv2')"
    result = _without_opencv(tmp_path, body, "assess", "a.pair.json")
    assert result.returncode == 1
    assert "pip install opencv-python" in result.stderr
    assert "Traceback" not in result.stderr


def test_version_needs_no_opencv(tmp_path: Path) -> None:
    result = _without_opencv(tmp_path, "raise ImportError('no')", "--version")
    assert (result.returncode, result.stdout) == (0, f"hazcam {hazcam.__version__}\n")


def test_the_guard_lets_other_errors_through() -> None:
    with pytest.raises(ImportError, match="other"), opencv_guard():
        raise ImportError("other")


def test_public_names_are_loaded_when_asked_for() -> None:
    assert set(hazcam.__all__) <= set(dir(hazcam))
    for name in hazcam.__all__:
        assert getattr(hazcam, name).__name__ == name
    with pytest.raises(AttributeError, match="nonsense"):
        getattr(hazcam, "nonsense")  # noqa: B009 - a name that no checker may resolve
