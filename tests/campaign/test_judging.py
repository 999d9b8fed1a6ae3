"""A run judged again gives the verdicts of pairs assessed anew."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from hazcam import Settings, assess_pair, read_rover
from hazcam.assess import Assessment
from hazcam.calibration import StereoRig, read_rig
from hazcam.campaign import Run, open_run
from hazcam.campaign.judging import against_before, judge_run, rejudge_run
from hazcam.campaign.record import CampaignPair, Manifest
from hazcam.campaign.store.writer import Store
from hazcam.cli import main
from hazcam.errors import HazcamError, RoverError
from hazcam.imagery import StereoPair, find_sidecars, read_pair, read_sidecar
from hazcam.report.entry import entry_of
from hazcam.rover import RoverProfile, with_limits
from hazcam.stored import judge_demands
from hazcam.verdict import gist
from tests.campaign.entries import ABOUT

SAMPLES = find_sidecars(Path(__file__).parents[2] / "sample_pairs")
HEADINGS = (-10.0, 0.0, 15.0)
TIMINGS: Any = {"finished_at": "2031-06-01T00:00:00+00:00", "tries": 1}
WIDE = {"step": 0.09, "drop": 0.09, "belly": 0.09, "slope": 30.0, "gap": 0.11, "roll": 25.0}


@dataclass(frozen=True)
class Inputs:
    """What a pair was assessed from."""

    pair: StereoPair
    rig: StereoRig
    rover: RoverProfile
    settings: Settings

    def assess(self, rover: RoverProfile | None = None, **changes: Any) -> Assessment:
        return assess_pair(self.pair, self.rig, rover or self.rover,
                           replace(self.settings, **changes))


@pytest.fixture(scope="module")
def inputs() -> dict[str, Inputs]:
    """Every sample pair; every third for a wider rover, every other with less confidence."""
    found = {}
    for n, path in enumerate(SAMPLES):
        sidecar = read_sidecar(path)
        rover = read_rover(sidecar.rover)
        if n % 3 == 2:
            rover = with_limits(rover, {"step": 0.05}, margin_m=0.05)
        found[sidecar.id] = Inputs(
            read_pair(path), read_rig(sidecar.rig), rover,
            Settings(headings_deg=HEADINGS, look_ahead_m=0.7,
                     confidence=0.99 if n % 2 else 0.95))
    return found


@pytest.fixture(scope="module")
def folder(inputs: dict[str, Inputs], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of the sample pairs, and of one whose right picture is missing."""
    run = tmp_path_factory.mktemp("judging") / "run"
    everything = dict(inputs)
    lone = next(iter(inputs.values()))
    everything["lone"] = replace(lone, pair=replace(lone.pair, id="lone", right=None))
    pairs = tuple(
        CampaignPair(id=id_, place=n, where=f"manifest.csv: line {n + 2}", from_file=False,
                     sidecar=replace(read_sidecar(SAMPLES[0]), id=id_), walked=None,
                     given={"id": id_}, digest=id_) for n, id_ in enumerate(everything))
    with Store.open(run, ABOUT) as store:
        store.add_pairs(Manifest(path=run.parent / "manifest.csv", pairs=pairs))
        for one in everything.values():
            store.add(entry_of(one.assess(), one.rig, {}, drift=None, timings=TIMINGS))
        store.finish()
    return run


@pytest.fixture
def run(folder: Path) -> Iterator[Run]:
    with open_run(folder) as opened:
        yield opened


def verdicts(table: np.ndarray[Any, Any], which: str = "after") -> dict[tuple[str, float], str]:
    return {(str(row["pair"]), float(row["heading_deg"])): str(row[which]) for row in table}


def anew(inputs: dict[str, Inputs], ids: list[str], limits: dict[str, float],
         confidence: float | None = None) -> dict[tuple[str, float], str]:
    """The verdicts of fresh assessments."""
    found: dict[tuple[str, float], str] = {}
    for id_ in ids:
        one = inputs[id_]
        changes: dict[str, Any] = {} if confidence is None else {"confidence": confidence}
        for v in one.assess(with_limits(one.rover, limits), **changes).verdicts:
            found[id_, v.heading_deg] = v.verdict
    return found


def test_before_is_what_the_run_holds(run: Run) -> None:
    judged = judge_run(run, {})
    told = run.table("headings")
    stereo = told[told["pair"] != "lone"]
    assert judged.headings["pair"].tolist() == stereo["pair"].tolist()
    assert judged.headings["heading_deg"].tolist() == stereo["heading_deg"].tolist()
    for which in ("before", "after"):
        assert judged.headings[which].tolist() == stereo["verdict"].tolist()
    assert {"go", "ask-ground"} == set(judged.headings["before"].tolist())
    assert (judged.pairs, judged.without_ground, len(judged.flipped)) == (len(SAMPLES), 1, 0)


@pytest.mark.parametrize(("confidence", "some"), [(None, slice(1, None, 3)),
                                                  (0.6, slice(4, None, 5))])
def test_other_limits_as_if_assessed_with_them(
    run: Run, inputs: dict[str, Inputs], confidence: float | None, some: slice
) -> None:
    """The other limits, and the confidence if none is given, are those of each pair."""
    judged = judge_run(run, WIDE, confidence)
    found, expected = verdicts(judged.headings), anew(inputs, list(inputs)[some], WIDE, confidence)
    assert {key: found[key] for key in expected} == expected
    assert "go" in expected.values()
    assert "ask-ground" in found.values()
    assert len(judged.flipped) >= 3


@pytest.mark.parametrize("confidence", [None, 0.6, 0.999])
@pytest.mark.parametrize("limits", [WIDE, {"step": 0.01}, {"gap": 0.02}, {"slope": 3.0}])
def test_all_pairs_as_one_by_one(
    run: Run, inputs: dict[str, Inputs], limits: dict[str, float], confidence: float | None
) -> None:
    found = verdicts(judge_run(run, limits, confidence).headings)
    for id_ in inputs:
        judged = judge_demands(run.demands(id_), limits=limits, confidence=confidence)
        assert [found[id_, v.heading_deg] for v in judged.verdicts] == [
            v.verdict for v in judged.verdicts]


def test_small_lots_give_the_same(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = judge_run(run, WIDE).headings
    monkeypatch.setattr("hazcam.campaign.judging._AT_ONCE", 2)
    assert judge_run(run, WIDE).headings.tolist() == whole.tolist()


def test_what_a_gist_leaves_open_is_decided(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """As if everything were too close."""
    whole = judge_run(run, WIDE)
    monkeypatch.setattr(gist, "_is_plain", lambda demand: False)
    open_ = {id_: gist.pack_gist(run.demands(id_).demands, run.demands(id_).pair_causes)
             for id_, _, _ in run.gists()}
    monkeypatch.setattr(Run, "gists", lambda self: iter((i, "", b) for i, b in open_.items()))
    judged = judge_run(run, WIDE)
    assert judged.headings.tolist() == whole.headings.tolist()
    assert judged.undecided > 3
    assert whole.undecided == 0


def test_a_damaged_gist_is_named(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    cut = [(i, r, b[:-1] if i == "ramp" else b) for i, r, b in run.gists()]
    monkeypatch.setattr(Run, "gists", lambda self: iter(cut))
    with pytest.raises(HazcamError, match=r"ramp: gist: .* bytes was expected"):
        judge_run(run, {})


def test_a_limit_that_the_rover_could_not_have(run: Run) -> None:
    with pytest.raises(RoverError, match="step"):
        judge_run(run, {"step": 5.0})


def test_another_rover_as_if_assessed_for_it(run: Run, inputs: dict[str, Inputs]) -> None:
    """From the stored ground, with another margin, look-ahead and a limit on top."""
    rover = read_rover("dunlin-fm")
    judged = against_before(run, rejudge_run(
        run, rover=rover, limits=WIDE, margin_m=0.02,
        settings=lambda stored: replace(stored, look_ahead_m=0.6)))
    found = verdicts(judged.headings)
    other = with_limits(rover, WIDE, margin_m=0.02)
    for id_ in list(inputs)[::4]:
        for v in inputs[id_].assess(other, look_ahead_m=0.6).verdicts:
            assert found[id_, v.heading_deg] == v.verdict
    assert len(judged.flipped) > 0
    assert (judged.pairs, judged.without_ground) == (len(SAMPLES), 1)


def test_headings_that_were_not_judged_before(run: Run) -> None:
    judged = against_before(run, rejudge_run(
        run, settings=lambda stored: replace(stored, headings_deg=(0.0, 3.0))))
    assert judged.headings["before"][judged.headings["heading_deg"] == 3.0].tolist() == (
        [""] * len(SAMPLES))
    assert len(judged.flipped) == 0  # straight ahead is as it was


# --- hazcam judge RUN -----------------------------------------------------------------------------


def judge(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["judge", *map(str, arguments)])


LIMIT_OPTIONS = [word for name, value in WIDE.items() for word in ("--limit", f"{name}={value}")]


def test_the_command_tells_what_flips(folder: Path, run: Run) -> None:
    flipped = judge_run(run, WIDE).flipped
    result = judge(folder, *LIMIT_OPTIONS)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == f"{len(SAMPLES)} pairs, {3 * len(SAMPLES)} headings; no picture was read"
    at = lines.index(f"ask-ground -> go {len(flipped)}, go -> ask-ground 0 (headings)")
    assert lines[at + 1] == "1 pair without stereo: ask-ground as before"
    assert len(lines) == at + 4 + len(flipped)
    assert lines[at + 4].split()[0] == flipped["pair"][0]


def words(text: str) -> str:
    """Text without its line breaks."""
    return " ".join(text.split())


def test_without_options_it_says_that_nothing_was_asked(folder: Path) -> None:
    told = words(judge(folder).stdout)
    assert "differs nothing: no other rover, limit or setting was asked for" in told
    assert "rover as assessed: dunlin-em" in told
    same = words(judge(folder, "--margin-m", "0.05", "--limit", "step=0.05").stdout)
    assert "nothing" not in same  # the margin of most was another one


def test_it_says_by_what_it_judged(folder: Path, run: Run) -> None:
    told = words(judge(folder, "--limit", "step=0.05", "--confidence", "0.95").stdout)
    assert "limits step 0.05 m, drop 0.05 m, gap 0.09 m" in told
    assert "look-ahead 0.7 m, confidence 0.95, near strip assume" in told
    sure = sum(run.record(id_)["settings"]["confidence"] == 0.99 for id_ in run.ids()
               if id_ != "lone")
    assert f"confidence 0.95, assessed with 0.99 ({sure} pairs)" in told
    assert "step 0.05 m, assessed" not in told  # as assessed, whether derived or set


def test_what_was_asked_for_may_be_what_it_was(folder: Path) -> None:
    told = words(judge(folder, "--limit", "step=0.05").stdout)
    assert "differs nothing: what was asked for is what the pairs were assessed with" in told


def test_pairs_are_counted_by_rover(folder: Path) -> None:
    other = words(judge(folder, "--rover", "dunlin-fm").stdout)
    assert f"rover dunlin-fm: {len(SAMPLES)} pairs were assessed for dunlin-em limits" in other
    assert f"step 0.055 m, assessed with 0.05 m ({len(SAMPLES)} pairs)" in other
    same = words(judge(folder, "--rover", "dunlin-em").stdout)
    wide = len(SAMPLES) // 3
    assert f"margin 0.03 m, assessed with 0.05 m ({wide} pairs)" in same


def test_pairs_that_go_straight_ahead_and_by_any_heading(folder: Path, run: Run) -> None:
    """Counted one by one; what was before is of the headings of then."""
    record = json.loads(judge(folder, *LIMIT_OPTIONS, "--json").stdout)
    found = verdicts(judge_run(run, WIDE).headings)
    before = [run.record(id_)["headings"] for id_ in run.ids() if id_ != "lone"]
    for name, at in (("ahead", [0.0]), ("any", list(HEADINGS))):
        assert record["go_pairs"][name] == {
            "judged_before": len(SAMPLES), "judged_after": len(SAMPLES),
            "go_before": sum(any(h["verdict"] == "go" for h in headings
                                 if h["heading_deg"] in at) for headings in before),
            "go_after": sum(any(found[id_, h] == "go" for h in at) for id_ in run.ids()
                            if id_ != "lone")}
    assert record["go_pairs"]["any"]["go_after"] > record["go_pairs"]["any"]["go_before"]


def test_straight_ahead_may_not_be_judged(folder: Path, run: Run) -> None:
    told = judge(folder, "--headings", "5").stdout
    line = next(one for one in told.splitlines() if one.startswith("pairs, straight ahead"))
    going = sum(str(v) == "go" for v in run.table("assessments")["verdict_ahead"])
    assert words(line) == f"pairs, straight ahead {going} of {len(SAMPLES)} not judged"
    assert f"headings 5°, assessed with 3 from -10° to 15° ({len(SAMPLES)} pairs)" in words(told)


def test_the_record_holds_all_that_flip(folder: Path, run: Run) -> None:
    record = json.loads(judge(folder / "run.sqlite", *LIMIT_OPTIONS, "--json").stdout)
    flipped = judge_run(run, WIDE).flipped
    assert record["schema"] == "hazcam-run-judgement/1"
    assert [(f["pair"], f["heading_deg"], f["before"], f["after"])
            for f in record["flipped"]] == flipped.tolist()
    assert record["go_after"] - record["go_before"] == record["to_go"] == len(flipped)
    assert record["inputs"]["limits"] == WIDE


def test_many_flips_are_cut_short(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = judge(folder, *LIMIT_OPTIONS).stdout.splitlines()
    monkeypatch.setattr("hazcam.report.campaign_judgement._MOST_SHOWN", 2)
    lines = judge(folder, *LIMIT_OPTIONS).stdout.splitlines()
    last = next(n for n, line in enumerate(whole) if line.startswith("pair  ")) + 2
    assert list(map(words, lines[:last + 1])) == list(map(words, whole[:last + 1]))
    assert lines[last + 1:] == [f"and {len(whole) - last - 1} more; --json prints all"]


def test_the_command_takes_the_ground_for_another_margin(folder: Path, run: Run) -> None:
    result = judge(folder, "--margin-m", "0.01", "--json")
    assert result.exit_code == 0, result.output
    expected = against_before(run, rejudge_run(run, margin_m=0.01))
    assert [f["pair"] for f in json.loads(result.stdout)["flipped"]] == (
        expected.flipped["pair"].tolist())
    assert "judging" in result.stderr


@pytest.mark.parametrize(("options", "status", "words"), [
    (("--limit", "step=5"), 1, "step"), (("--look-ahead-m", "9"), 2, "look-ahead 9.0 m"),
    (("--rover", "nobody"), 1, "no rover of this name ships"),
])
def test_wrong_options(folder: Path, options: tuple[str, ...], status: int, words: str) -> None:
    result = judge(folder, *options)
    assert result.exit_code == status
    assert words in result.stderr


def test_what_does_not_exist_may_be_meant_as_a_run(tmp_path: Path) -> None:
    result = judge(tmp_path / "none")
    assert result.exit_code == 1
    assert "none: does not exist" in result.stderr
    assert "a terrain.npz (schema hazcam-terrain/1), or the folder of a run" in result.stderr


def test_a_folder_that_is_no_run(tmp_path: Path) -> None:
    result = judge(tmp_path)
    assert result.exit_code == 1
    assert "is a folder without run.sqlite" in result.stderr
    assert "hazcam batch -o" in result.stderr
