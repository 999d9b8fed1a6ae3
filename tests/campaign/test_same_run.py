"""Going on with a run: why a manifest is refused, told so that one knows what to do."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from hazcam.campaign.manifest.io import read_manifest
from hazcam.campaign.manifest.text import SCHEMA, write_manifest_text
from hazcam.campaign.store.writer import Store
from hazcam.errors import OutputError
from tests.campaign.entries import ABOUT, make_entry

CALIBRATION = Path(__file__).parents[2] / "calibration"
IDS = ("a", "b")


def rows(prefix: str = "", **more: Any) -> list[dict[str, Any]]:
    return [{"schema": SCHEMA, "sidecar": f"{prefix}{id_}.pair.json", **more} for id_ in IDS]


def write(path: Path, written: list[dict[str, Any]]) -> Path:
    path.parent.mkdir(exist_ok=True)
    path.write_text(write_manifest_text(written, "csv"), encoding="utf-8")
    return path


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Two pairs in ``x``, named by a manifest beside it, and their run."""
    day = tmp_path / "x"
    day.mkdir()
    rng = np.random.default_rng(5)
    for id_ in IDS:
        for side in ("l", "r"):
            pixels = rng.integers(0, 256, (12, 16)).astype(np.uint8)
            assert cv2.imwrite(str(day / f"{id_}_{side}.png"), pixels)
        (day / f"{id_}.pair.json").write_text(json.dumps({
            "schema": "hazcam-pair/1", "id": id_, "left": f"{id_}_l.png", "right": f"{id_}_r.png",
            "rig": "../rig-0.yaml", "rover": "dunlin-em"}), encoding="utf-8")
    shutil.copy(CALIBRATION / "dunlin-em.yaml", tmp_path / "rig-0.yaml")
    manifest = read_manifest(write(tmp_path / "campaign.csv", rows("x/")))
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        store.add_pairs(manifest)
        for pair in manifest.pairs:
            store.add(make_entry(pair, rng))
        store.finish()
    return tmp_path


def refused(site: Path, manifest: Path) -> OutputError:
    with Store.open(site / "RUN", ABOUT) as store, pytest.raises(OutputError) as caught:
        store.add_pairs(read_manifest(manifest))
    assert caught.value.where == str(manifest)
    return caught.value


def test_a_changed_row_that_is_bad_now_says_what_is_wrong_with_it(site: Path) -> None:
    error = refused(site, write(site / "labels.csv", rows("x/", onboard_value_m=0.03)))
    assert error.found.startswith("has 2 rows now that cannot be used, of pairs assessed in ")
    assert "(a, b). labels.csv: line 2: a sidecar, and onboard_value_m beside it" in error.found
    assert "beside a sidecar only id, schema, walked_heading_deg, walked_outcome" in error.expected
    assert error.remedy.startswith("write these values into the sidecar")


@pytest.mark.parametrize(("name", "prefix", "now"), [
    ("lists/campaign.csv", "../x/", "../x/a_l.png instead of x/a_l.png"),
    ("x/campaign.csv", "", "a_l.png instead of x/a_l.png")])
def test_the_same_pairs_named_from_another_folder(
    site: Path, name: str, prefix: str, now: str
) -> None:
    error = refused(site, write(site / name, rows(prefix)))
    assert error.found.startswith("names the files of 2 pairs assessed in ")
    assert f"as seen from another folder: {now}" in error.found
    assert "write the manifest into the folder of the one that the run was begun from" \
        in error.remedy


def test_it_may_have_another_name_and_labels_in_the_same_folder(site: Path) -> None:
    labels = rows("x/", walked_heading_deg=5.0, walked_outcome="climbed")
    with Store.open(site / "RUN", ABOUT) as store:
        taken = store.add_pairs(read_manifest(write(site / "labels.csv", labels)))
    assert taken.kept == ()


@pytest.mark.parametrize("what", ["another rig", "another place", "another size"])
def test_what_is_not_only_seen_from_elsewhere_is_told_as_changed(site: Path, what: str) -> None:
    """Elsewhere under the same folder, or another file of the name, is another input."""
    if what == "another rig":
        written = rows("x/")
        (site / "rig-0.yaml").write_bytes((CALIBRATION / "dunlin-fm.yaml").read_bytes())
    else:
        (site / "x").rename(site / "y")
        written = rows("y/")
    if what == "another size":
        (site / "z").mkdir()
        (site / "y").rename(site / "z" / "x")
        for picture in (site / "z" / "x").glob("*.png"):
            os.truncate(picture, picture.stat().st_size - 1)
        shutil.copy(site / "rig-0.yaml", site / "z")
        written = rows("z/x/")
    error = refused(site, write(site / "campaign.csv", written))
    assert error.found.startswith("says something else now of 2 rows assessed in ")
    assert "put back what was changed" in error.remedy
