from __future__ import annotations

import os
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numba
import pytest

from hazcam.rover import read_rover
from hazcam.scene.rehearsal.record import Plan, SceneScore
from hazcam.scene.rehearsal.run import score_key, score_set
from tests.rehearsal.synthetic import heading_row, scene, write_pair

PLAN = Plan(limits_m=(0.06,), look_aheads_m=(1.0,), headings_deg=(0.0,))
ROVER = read_rover("dunlin-em")


def cheap(sidecar: Path, plan: Plan, rover: object) -> SceneScore:
    """Notes each call beside the sidecar; says which process and how many threads it had."""
    name = sidecar.name.removesuffix(".pair.json")
    with (sidecar.parent / "calls.txt").open("a") as calls:
        calls.write(f"{name}\n")
    return scene(name, (heading_row(cause=f"{os.getpid()}"),),
                 rig=f"{cv2.getNumThreads()} {numba.get_num_threads()} {len(plan.limits_m)}")


def sometimes(sidecar: Path, plan: Plan, rover: object) -> SceneScore:
    """Raises on the one scene, and takes the whole process with it on another."""
    if sidecar.name.startswith("raises"):
        raise RuntimeError("no such ground")
    if sidecar.name.startswith("dies"):
        os._exit(3)
    return cheap(sidecar, plan, rover)


def pairs(folder: Path, *names: str) -> list[Path]:
    first = write_pair(folder, names[0])
    texts = {p.name: p.read_bytes() for p in folder.iterdir() if p.name.startswith(f"{names[0]}.")}
    for name in names[1:]:
        for file, data in texts.items():
            other = folder / file.replace(names[0], name)
            other.write_bytes(data.replace(names[0].encode(), name.encode())
                              if file.endswith(".json") else data)
    return [first, *(folder / f"{name}.pair.json" for name in names[1:])]


def calls(folder: Path) -> list[str]:
    file = folder / "calls.txt"
    return sorted(file.read_text().split()) if file.exists() else []


@pytest.fixture
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """No process is started: what is kept and what is scored again does not depend on it."""
    monkeypatch.setattr("hazcam.scene.rehearsal.run._pool", ThreadPoolExecutor)


def test_scores_come_in_order_and_are_never_computed_twice(tmp_path: Path) -> None:
    """Also where the later ones are done, and kept, before the first is asked for the next."""
    sidecars = pairs(tmp_path / "set", "c", "a", "b")
    running = score_set(sidecars, PLAN, ROVER, tmp_path / "out", 2, cheap)
    first = [next(running)]
    deadline = time.monotonic() + 60
    while len(list((tmp_path / "out" / "scores").glob("*.json"))) < 3:
        assert time.monotonic() < deadline
        time.sleep(0.02)
    first += running
    assert [s.pair for s in first] == ["c", "a", "b"]
    assert {s.rig for s in first} == {"1 1 1"}  # one thread of each
    assert str(os.getpid()) not in {s.rows[0].cause for s in first}
    again = list(score_set(sidecars, PLAN, ROVER, tmp_path / "out", 2, cheap))
    assert [repr(s.rows) for s in again] == [repr(s.rows) for s in first]
    assert calls(tmp_path / "set") == ["a", "b", "c"]


@pytest.mark.usefixtures("in_this_process")
def test_an_interrupted_run_goes_on_where_it_stopped(tmp_path: Path) -> None:
    sidecars = pairs(tmp_path / "set", "a", "b", "c")
    stopped = score_set(sidecars, PLAN, ROVER, tmp_path / "out", 1, cheap)
    assert next(stopped).pair == "a"
    stopped.close()  # type: ignore[attr-defined]  # a generator
    done = len(calls(tmp_path / "set"))
    assert done < 6
    scores = list(score_set(sidecars, PLAN, ROVER, tmp_path / "out", 1, cheap))
    assert [s.pair for s in scores] == ["a", "b", "c"]
    assert calls(tmp_path / "set") == ["a", "b", "c"]


@pytest.mark.usefixtures("in_this_process")
def test_another_plan_is_scored_again(tmp_path: Path) -> None:
    sidecars = pairs(tmp_path / "set", "a")
    list(score_set(sidecars, PLAN, ROVER, tmp_path / "out", 1, cheap))
    other = Plan(limits_m=(0.04, 0.06), look_aheads_m=(1.0,), headings_deg=(0.0,))
    (score,) = score_set(sidecars, other, ROVER, tmp_path / "out", 1, cheap)
    assert score.rig.endswith(" 2"), "limits"
    assert calls(tmp_path / "set") == ["a", "a"]


FILES = ("rig.yaml", "a.truth.json", "a.pair.json", "a.left.png", "a.right.png",
         "a.elevation.png", "a.visible.png", "a.inverse-depth.png", "a.shared.png")


def test_a_score_depends_on_plan_matcher_rover_code_and_every_file(tmp_path: Path) -> None:
    sidecar = write_pair(tmp_path, "a")
    for name in FILES[-2:]:
        (tmp_path / name).write_bytes(b"a picture")
    other_rover = replace(ROVER, digest="another")
    keys = [score_key(sidecar, PLAN, ROVER, "code"), score_key(sidecar, Plan(), ROVER, "code"),
            score_key(sidecar, replace(PLAN, matcher="sgbm"), ROVER, "code"),
            score_key(sidecar, PLAN, other_rover, "code"),
            score_key(sidecar, PLAN, ROVER, "other code")]
    assert score_key(sidecar, PLAN, ROVER, "code") == keys[0]
    for name in FILES:
        with (tmp_path / name).open("a") as file:
            file.write(" ")
        keys.append(score_key(sidecar, PLAN, ROVER, "code"))
    assert len(set(keys)) == 5 + len(FILES)
    (tmp_path / "a.left.png").unlink()
    assert score_key(sidecar, PLAN, ROVER, "code") not in keys


@pytest.mark.usefixtures("in_this_process")
def test_a_changed_picture_is_scored_again(tmp_path: Path) -> None:
    """Though sidecar, truth and rig say what they said."""
    sidecars = pairs(tmp_path / "set", "a")
    for changed in ("a.left.png", "a.elevation.png"):
        list(score_set(sidecars, PLAN, ROVER, tmp_path / "out", 1, cheap))
        picture = tmp_path / "set" / changed
        picture.write_bytes(picture.read_bytes() + b" ")
    list(score_set(sidecars, PLAN, ROVER, tmp_path / "out", 1, cheap))
    assert calls(tmp_path / "set") == ["a", "a", "a"]


@pytest.mark.parametrize(("name", "text"), [
    ("a.pair.json", "no sidecar"), ("a.truth.json", "no truth"), ("a.truth.json", "[]"),
    ("a.truth.json", '{"schema": "hazcam-truth/2", "elevation": 3, "depth": {"file": 3}}')])
def test_a_broken_file_has_a_key_too(tmp_path: Path, name: str, text: str) -> None:
    """Scoring then says what is wrong; mended, it has another key."""
    sidecar = write_pair(tmp_path, "a")
    whole = score_key(sidecar, PLAN, ROVER, "code")
    (tmp_path / name).write_text(text)
    assert score_key(sidecar, PLAN, ROVER, "code") != whole


def test_a_scene_that_fails_does_not_end_the_others(tmp_path: Path) -> None:
    """One raises, one kills its process: both are named, and both are tried again."""
    sidecars = pairs(tmp_path / "set", "first", "raises", "dies", "last")
    scores = list(score_set(sidecars, PLAN, ROVER, tmp_path / "out", 1, sometimes))
    assert [s.pair for s in scores] == ["first", "raises", "dies", "last"]
    assert [bool(s.rows) for s in scores] == [True, False, False, True]
    assert scores[1].failure == "RuntimeError: no such ground"
    assert "the process that scored it died" in scores[2].failure
    # what its truth says is kept
    assert (scores[1].mixture, scores[1].sun_elevation_deg) == ("rocks/1", 12.0)
    assert calls(tmp_path / "set") == ["first", "last"]
    healed = list(score_set(sidecars, PLAN, ROVER, tmp_path / "out", 1, cheap))
    assert all(s.rows for s in healed)


@pytest.mark.usefixtures("in_this_process")
def test_a_failed_scene_without_a_truth_says_what_is_unknown(tmp_path: Path) -> None:
    sidecars = pairs(tmp_path / "set", "raises")
    (tmp_path / "set" / "raises.truth.json").unlink()
    (score,) = score_set(sidecars, PLAN, ROVER, tmp_path / "out", 1, sometimes)
    assert (score.mixture, score.sun_elevation_deg) == ("unknown", None)


def test_wrong_calls_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="workers are 1 or more, got 0"):
        score_set([], PLAN, ROVER, tmp_path, 0, cheap)
    twins = [tmp_path / "x" / "a.pair.json", tmp_path / "y" / "a.pair.json"]
    with pytest.raises(ValueError, match="sidecars of one name"):
        score_set(twins, PLAN, ROVER, tmp_path, 1, cheap)
