"""``hazcam export``: what it writes, and what it refuses."""

from __future__ import annotations

import csv
import json
import shutil
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import rasterio
import rasterio.transform
from click.testing import CliRunner, Result
from plyfile import PlyData

from hazcam.calibration import write_rig
from hazcam.campaign.manifest.io import read_manifest
from hazcam.campaign.record import PairEntry
from hazcam.campaign.store.export import EXPORTED
from hazcam.campaign.store.writer import Store
from hazcam.cli import main
from hazcam.cli.work import Assess, assess_campaign_pair
from hazcam.report.record import settings_record
from hazcam.settings import Settings
from tests.campaign.entries import ABOUT, MadeUp, make_campaign
from tests.campaign.test_run import with_stores
from tests.folders import write_inputs
from tests.synthetic import ideal_rig


def export(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["export", *map(str, arguments)])


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("export") / "RUN"


@pytest.fixture(scope="module")
def made(run: Path) -> MadeUp:
    """Four pairs; the first has the ground of a real assessment."""
    made = make_campaign(run.parent, pairs=4, failures=1, bad_rows=1)
    with Store.open(run, ABOUT) as store:
        store.add_pairs(made.manifest)
        for entry in (with_stores(made.entries[0]), *made.entries[1:]):
            store.add(entry)
        store.fail(made.failures[0], {})
        store.finish()
    return made


@pytest.mark.parametrize("form", ["csv", "jsonl"])
def test_all_tables(run: Path, made: MadeUp, form: str, tmp_path: Path) -> None:
    result = export(run, "--form", form, "-o", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert {p.name for p in (tmp_path / "out").iterdir()} == {f"{n}.{form}" for n in EXPORTED}
    text = (tmp_path / "out" / f"headings.{form}").read_text(encoding="utf-8")
    assert text.count("pair-") == 7 * len(made.entries)


def test_some_tables_and_nothing_is_overwritten(run: Path, made: MadeUp, tmp_path: Path) -> None:
    some = ("--table", "assessments", "--table", "failures", "-o", tmp_path)
    assert export(run, *some).exit_code == 0
    assert {p.name for p in tmp_path.iterdir()} == {"assessments.csv", "failures.csv"}
    with (tmp_path / "failures.csv").open(newline="", encoding="utf-8") as file:
        ids = [row["pair"] for row in csv.DictReader(file)]
    assert ids == sorted([made.failures[0].id, made.manifest.bad[0].failure.id])
    (tmp_path / "failures.csv").write_text("mine")
    again = export(run, "--table", "pairs", *some)
    assert again.exit_code == 1
    assert "is there already" in again.output
    assert not (tmp_path / "pairs.csv").exists()
    assert (tmp_path / "failures.csv").read_text() == "mine"
    assert export(run, *some, "--force").exit_code == 0
    assert (tmp_path / "failures.csv").read_text() != "mine"


@pytest.mark.parametrize("name", ["ground.tif", "ground.asc"])
def test_the_elevation_of_a_pair(run: Path, made: MadeUp, name: str, tmp_path: Path) -> None:
    result = export(run, "--pair", made.entries[0].id, "--elevation", tmp_path / name)
    assert result.exit_code == 0, result.output
    assert "warning" not in result.stderr
    with rasterio.open(tmp_path / name) as file:
        assert (file.height, file.width) == (250, 300)
        assert file.driver == {"ground.tif": "GTiff", "ground.asc": "AAIGrid"}[name]
    assert [p.name for p in tmp_path.iterdir()] == [name]
    assert export(run, "--pair", made.entries[0].id, "--elevation", tmp_path / name).exit_code == 1


def test_the_schema_needs_no_run() -> None:
    result = export("--schema")
    assert result.exit_code == 0
    assert "verdict_ahead" in result.output


@pytest.mark.parametrize(("arguments", "told"), [
    ((), "say what to write"), (("--pair", "a"), "--pair goes with"),
    (("--elevation", "a.tif"), "--pair goes with"),
    (("--pair", "a", "--elevation", "a.png"), "does not end in .tif or .tiff or .asc"),
    (("--pair", "a", "--points", "a.pcd"), "does not end in .ply"),
    (("--pair", "a", "--points", "a.ply"), "give --manifest-folder"),
    (("--pair", "a", "--elevation", "a.tif", "--manifest-folder", "."), "goes with --points"),
    (("--table", "pairs"), "--table goes with -o"),
    (("--table", "demands", "-o", "x"), "'demands' is not one of"),
])
def test_wrong_usage(run: Path, made: MadeUp, arguments: tuple[str, ...], told: str) -> None:
    result = export(run, *arguments)
    assert result.exit_code == 2
    assert told in result.output


def test_a_pair_that_is_not_usable_is_written_with_a_warning(made: MadeUp, tmp_path: Path) -> None:
    why = "rows of the two pictures lie 1.20 px apart at most; 0.50 px may be"
    entry = with_stores(made.entries[0])
    record = {"headings": [{"causes": [{"kind": "step", "text": "a step"},
                                       {"kind": "rig", "text": why}]}]}
    row = {**entry.rows["assessments"][0], "usable": 0, "unusable_because": "rig"}
    entry = replace(entry, rows={**entry.rows, "assessments": [row], "records": [
        {"pair": entry.id, "json": zlib.compress(json.dumps(record).encode())}]})
    with Store.open(tmp_path / "RUN", ABOUT) as store:
        store.add_pairs(made.manifest)
        store.add(entry)
        store.finish()
    written = tmp_path / "a.tif"
    result = export(tmp_path / "RUN", "--pair", entry.id, "--elevation", written)
    assert result.exit_code == 0, result.output
    assert written.exists()
    assert f"warning: {entry.id}: not to be relied on: {why}" in result.stderr


def test_a_pair_without_ground(run: Path, made: MadeUp, tmp_path: Path) -> None:
    for id_, told in ((made.entries[1].id, "assessed in stereo"), ("pair-9", "no pair of this id"),
                      (made.failures[0].id, "was not assessed (failed)")):
        result = export(run, "--pair", id_, "--elevation", tmp_path / "a.tif")
        assert result.exit_code == 1
        assert told in result.output
        assert list(tmp_path.iterdir()) == []


def test_what_cannot_be_read_or_written(run: Path, made: MadeUp, tmp_path: Path) -> None:
    nowhere = export(tmp_path, "-o", tmp_path / "out")
    assert nowhere.exit_code == 1
    assert "holds no run.sqlite" in nowhere.output
    lost = export(run, "--pair", made.entries[0].id, "--elevation", tmp_path / "no" / "a.tif")
    assert lost.exit_code == 1
    assert "cannot be written: No such file" in lost.output
    (tmp_path / "file").touch()
    blocked = export(run, "-o", tmp_path / "file")
    assert blocked.exit_code == 1
    assert "is a file" in blocked.output


# --- assessed again -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def batch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a manifest of two rows, and RUN: one pair with, one without a right picture."""
    folder = tmp_path_factory.mktemp("batch")
    write_inputs(folder)
    (folder / "campaign.csv").write_text(
        "schema,id,left,right,rig,rover,roll_deg,pitch_deg\n"
        "hazcam-manifest/1,both,left.png,right.png,rig.yaml,dunlin-em,0,0\n"
        "hazcam-manifest/1,one,left.png,,rig.yaml,dunlin-em,0,0\n")
    assess_into_run(folder, folder / "campaign.csv")
    return folder


def assess_into_run(folder: Path, path: Path) -> None:
    """Assess the pairs of a manifest, or of a folder, into RUN in the folder."""
    manifest = read_manifest(path)
    settings = Settings(headings_deg=(0.0,), look_ahead_m=0.8)
    asked: dict[str, Any] = {"limits": {"step": 0.05}, "margin_m": 0.04}
    about = {**ABOUT, "manifest": path.name,
             "options": json.dumps({**asked, "settings": settings_record(settings)})}
    with Store.open(folder / "RUN", about) as store:
        store.add_pairs(manifest)
        for pair in manifest.pairs:
            entry = assess_campaign_pair(Assess(pair=pair, folder=folder, **asked,
                                                settings=settings, with_drift=False))
            assert isinstance(entry, PairEntry)
            store.add(replace(entry, timings={}))
        store.finish()


def test_points_and_disparity_of_a_pair(batch: Path, tmp_path: Path) -> None:
    """They are those of the pair as assessed: its ground is what the points are on."""
    ply, pfm, tif = (tmp_path / name for name in ("a.ply", "a.pfm", "a.tif"))
    result = export(batch / "RUN", "--pair", "both", "--points", ply, "--disparity", pfm,
                    "--elevation", tif, "--manifest-folder", batch)
    assert result.exit_code == 0, result.output
    vertices = PlyData.read(ply)["vertex"]
    disparity = cv2.imread(str(pfm), cv2.IMREAD_UNCHANGED)
    assert disparity is not None
    # A disparity of nothing or less, at a distance where it is all noise, has no point.
    left_out = int(PlyData.read(ply).comments[-1].split()[2])
    points = (np.isfinite(disparity) & (disparity > 0)).sum()
    assert points == vertices.count + left_out > vertices.count > 10_000
    with rasterio.open(tif) as file:
        ground = file.read(1, masked=True)
        row, column = rasterio.transform.rowcol(file.transform, -vertices["y"], vertices["x"])
    # A place on an edge belongs to the cell on the other side of it by GDAL's index.
    row, column = np.clip(row, 0, 249), np.clip(column, 0, 299)
    off = ground[row, column] - vertices["z"]
    assert abs(np.median(off.compressed())) < 0.001


def test_other_files_than_those_of_then_are_named(batch: Path, tmp_path: Path) -> None:
    folder = tmp_path / "campaign"
    shutil.copytree(batch, folder)
    right = cv2.imread(str(folder / "right.png"), cv2.IMREAD_UNCHANGED)
    assert right is not None
    right[10, 10] ^= 1
    cv2.imwrite(str(folder / "right.png"), right)
    write_rig(replace(ideal_rig(), T=np.array([-0.101, 0, 0])), folder / "rig.yaml")
    result = export(batch / "RUN", "--pair", "both", "--points", tmp_path / "a.ply",
                    "--manifest-folder", folder)
    assert result.exit_code == 1
    told = result.output
    assert f"not as it was assessed: the right picture {folder / 'right.png'}, the rig" in told
    assert "left picture" not in told
    assert not (tmp_path / "a.ply").exists()


@pytest.fixture(scope="module")
def of_sidecars(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sidecar of a pair "a", and RUN."""
    folder = tmp_path_factory.mktemp("sidecars")
    write_inputs(folder, "a")
    assess_into_run(folder, folder)
    return folder


@pytest.mark.parametrize(("changed", "told"), [
    ({"pitch_deg": 12}, "pitch_deg 0.0, now 12.0"),
    ({"roll_sigma_deg": 3}, "roll_sigma_deg 0.5, now 3.0"),
    (dict.fromkeys(("roll_deg", "pitch_deg", "roll_sigma_deg", "pitch_sigma_deg")),
     "roll_deg 0.0, now not stated"),
    ({"window": {"column": 0, "row": 0, "width": 640, "height": 480}},
     "window not stated, now {'"),
    ({"taken_at": "2031-05-04T09:00:00Z"}, "taken_at not stated, now 2031-05-04T09:00:00Z"),
])
def test_another_sidecar_than_that_of_then_is_named(
    of_sidecars: Path, tmp_path: Path, changed: dict[str, Any], told: str
) -> None:
    """Another attitude gives other points in another level frame: none are written."""
    folder = tmp_path / "campaign"
    shutil.copytree(of_sidecars, folder)
    write_inputs(folder, "a", **changed)
    asked = ("--pair", "a", "--points", tmp_path / "a.ply", "--manifest-folder", folder)
    result = export(of_sidecars / "RUN", *asked)
    assert result.exit_code == 1
    assert f"not as it was assessed: {told}" in result.output
    assert not (tmp_path / "a.ply").exists()
    write_inputs(folder, "a", note="of no matter here")
    assert export(of_sidecars / "RUN", *asked).exit_code == 0


def test_picture_that_is_missing_now_is_named(of_sidecars: Path, tmp_path: Path) -> None:
    folder = tmp_path / "campaign"
    shutil.copytree(of_sidecars, folder)
    sidecar = folder / "a.pair.json"
    sidecar.write_text(sidecar.read_text().replace('"right.png"', "null"))
    result = export(of_sidecars / "RUN", "--pair", "a", "--points", tmp_path / "a.ply",
                    "--manifest-folder", folder)
    assert result.exit_code == 1
    assert "not as it was assessed: the right picture (now missing)" in result.output


def test_pictures_that_are_not_there(batch: Path, tmp_path: Path) -> None:
    result = export(batch / "RUN", "--pair", "both", "--points", tmp_path / "a.ply",
                    "--manifest-folder", tmp_path)
    assert result.exit_code == 1
    assert "rig.yaml: does not exist" in result.output


def test_a_pair_without_stereo_has_no_points(batch: Path, tmp_path: Path) -> None:
    result = export(batch / "RUN", "--pair", "one", "--points", tmp_path / "a.ply",
                    "--manifest-folder", batch)
    assert result.exit_code == 1
    assert "was assessed without stereo" in result.output
