"""``hazcam batch`` given again: other pictures, rows gone bad, another manifest."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from hazcam.campaign.manifest.io import read_manifest
from hazcam.campaign.manifest.pictures import digest_of_pictures
from hazcam.campaign.store.reader import open_run
from hazcam.errors import HazcamError
from tests.campaign.test_cli_batch import OPTIONS, SAMPLES, hazcam, place_pair


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A campaign of one pair with pictures of its own, and its run."""
    folder = tmp_path_factory.mktemp("first")
    (folder / "field").mkdir()
    names = {side: f"ripples.{side}.png" for side in ("left", "right")}
    for name in names.values():
        shutil.copy(SAMPLES / name, folder / "field" / name)
    place_pair(folder / "field", "ripples", **names)
    result = hazcam("batch", folder / "field", "-o", folder / "run", *OPTIONS)
    assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def again(first: Path, tmp_path: Path) -> Path:
    """The same, to be changed; times of change are kept."""
    shutil.copytree(first, tmp_path / "again")
    return tmp_path / "again"


def test_the_digest_is_the_one_that_was_recorded(again: Path) -> None:
    with open_run(again / "run") as run:
        recorded = run.table("assessments")["pictures"].tolist()
    (pair,) = read_manifest(again / "field").pairs
    assert [digest_of_pictures(pair)] == recorded
    shutil.copy(SAMPLES / "clear-sand.left.png", again / "field" / "ripples.left.png")
    assert [digest_of_pictures(pair)] != recorded
    (again / "field" / "ripples.left.png").write_bytes(b"")
    with pytest.raises(HazcamError, match="0 bytes"):
        digest_of_pictures(pair)


def test_pictures_that_were_only_copied_are_the_same(again: Path) -> None:
    os.utime(again / "field" / "ripples.left.png")
    result = hazcam("batch", again / "field", "-o", again / "run", *OPTIONS)
    assert result.exit_code == 0, result.output


def test_other_pictures_of_the_same_names_are_refused(again: Path) -> None:
    shutil.copy(SAMPLES / "clear-sand.left.png", again / "field" / "ripples.left.png")
    result = hazcam("batch", again / "field", "-o", again / "run", *OPTIONS)
    assert result.exit_code == 1
    assert "the pictures of 1 pair are not those assessed" in result.output
    assert "ripples (other pictures)" in result.output


def test_what_the_rover_said_may_be_added_after_the_pair_was_assessed(again: Path) -> None:
    path = again / "field" / "ripples.pair.json"
    said = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**said, "site": "heap", "onboard": {"verdict": "go"}}))
    result = hazcam("batch", again / "field", "-o", again / "run", *OPTIONS)
    assert result.exit_code == 0, result.output
    with open_run(again / "run") as run:
        assert run.table("pairs")[["onboard_verdict", "site"]].tolist() == [("go", "heap")]
    path.write_text(json.dumps({**said, "roll_deg": said.get("roll_deg", 0) + 1}))
    result = hazcam("batch", again / "field", "-o", again / "run", *OPTIONS)
    assert "says something else now of 1 row assessed" in result.output


def test_a_label_that_is_none_is_told_and_the_pair_is_assessed(again: Path) -> None:
    (again / "field" / "c.csv").write_text(
        "schema,sidecar,walked_heading_deg,walked_outcome\n"
        "hazcam-manifest/1,ripples.pair.json,0,fell over\n")
    result = hazcam("batch", again / "field" / "c.csv", "-o", again / "run", *OPTIONS)
    assert result.exit_code == 0, result.output
    assert "c.csv: line 2: walked_outcome: found 'fell over'" in result.output
    assert "ripples is assessed without the label" in result.output


def test_a_row_gone_bad_is_told_of_and_its_assessment_kept(again: Path) -> None:
    for side in ("left", "right"):
        (again / "field" / f"ripples.{side}.png").unlink()
    result = hazcam("batch", again / "field", "-o", again / "run", *OPTIONS)
    assert result.exit_code == 1
    assert "bad now, assessed before: ripples" in result.output
    with open_run(again / "run") as run:
        assert run.ids() == ("ripples",)


def test_trying_failed_pairs_again_leaves_those_of_another_manifest(again: Path) -> None:
    (again / "other").mkdir()
    for name, right in (("twice", "ripples.left.png"), ("cut", "cut.png")):
        place_pair(again / "other", "ripples", id=name, right=str(again / "field" / right),
                   left=str(again / "field" / "ripples.left.png"))
    data = (SAMPLES / "ripples.right.png").read_bytes()
    (again / "field" / "cut.png").write_bytes(data[: len(data) // 2])
    (again / "other" / "bad.pair.json").write_text("{")
    assert hazcam("batch", again / "other", "-o", again / "run", *OPTIONS).exit_code == 1
    result = hazcam("batch", again / "field", "-o", again / "run", *OPTIONS, "--retry-failed")
    assert result.exit_code == 1, result.output
    with open_run(again / "run") as run:
        failed = dict(run.table("failures")[["pair", "kind"]].tolist())
    assert sorted(failed.values()) == ["bad row", "failed", "failed"]
    assert {"twice", "cut"} < set(failed)
