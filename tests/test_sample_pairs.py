"""The pairs that ship: their checksums, sizes and sidecars, and that their truth is true."""

from __future__ import annotations

import hashlib
import json
import re
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from hazcam.calibration.io import read_rig
from hazcam.frames import Floats, level_from_rover
from hazcam.imagery.io import read_pair, read_sidecar
from hazcam.rover import read_rover
from hazcam.scene import SceneTruth, TruthObject, read_truth
from hazcam.scene.camera import Camera
from hazcam.scene.io import find_scenes, pair_digest, read_scene

ROOT = Path(__file__).parents[1]
PAIRS = ROOT / "sample_pairs"
SIDECARS = sorted(PAIRS.glob("*.pair.json"))
NAMES = [path.name.removesuffix(".pair.json") for path in SIDECARS]
MAX_BYTES = 9_000_000


@cache
def truth_of(name: str) -> SceneTruth:
    return read_truth(PAIRS / f"{name}.truth.json")


def height_at(truth: SceneTruth, x: Floats, y: Floats) -> Floats:
    grid = truth.elevation
    return np.asarray(map_coordinates(grid.z_m, grid.rows_cols(x, y), order=1, cval=np.nan))


def test_every_description_has_its_pair() -> None:
    assert sorted(read_scene(path).id for path in find_scenes(PAIRS)) == NAMES


@pytest.mark.parametrize("sidecar", SIDECARS, ids=NAMES)
def test_each_pair_is_the_one_that_its_description_rig_and_rover_give(sidecar: Path) -> None:
    name, said = sidecar.name.removesuffix(".pair.json"), read_sidecar(sidecar)
    assert truth_of(name).digest == pair_digest(
        read_scene(PAIRS / f"{name}.scene.toml"), read_rig(said.rig), read_rover(said.rover))


@pytest.mark.parametrize("folder", ["sample_pairs", "calibration"])
def test_readme_lists_every_file_with_its_checksum(folder: str) -> None:
    text = (ROOT / folder / "README.md").read_text(encoding="utf-8")
    listed = dict(re.findall(r"^\| `([^`]+)` \|.*\b([0-9a-f]{64})\b", text, re.MULTILINE))
    found = {p.name + "/" * p.is_dir(): p for p in (ROOT / folder).iterdir()
             if p.name != "README.md"}
    assert listed.keys() == found.keys()
    for name, path in found.items():
        assert digest_of(path) == listed[name], name


def digest_of(path: Path) -> str:
    """SHA-256 of a file, or of a folder: of the lines of `sha256sum *` in it."""
    if path.is_file():
        return hashlib.sha256(path.read_bytes()).hexdigest()
    lines = "".join(f"{digest_of(p)}  {p.name}\n" for p in sorted(path.iterdir()))
    return hashlib.sha256(lines.encode()).hexdigest()


def test_folder_is_small() -> None:
    assert 1_000_000 < sum(p.stat().st_size for p in PAIRS.iterdir()) < MAX_BYTES


@pytest.mark.parametrize("sidecar", SIDECARS, ids=NAMES)
def test_pair_reads_and_has_contrast(sidecar: Path) -> None:
    said, pair = read_sidecar(sidecar), read_pair(sidecar)
    assert said.id == pair.id == sidecar.name.removesuffix(".pair.json")
    assert said.rover == "dunlin-em"
    rig = read_rig(said.rig)
    assert rig.mount is not None
    assert pair.size == rig.size == (640, 480)
    for picture in (pair.left, pair.right):
        assert picture is not None
        assert picture.dtype == np.uint8
        assert picture[160:].std() > 8
        assert np.mean(picture[160:] == 255) < 0.05, "beyond the mapped ground it may be saturated"


@pytest.mark.parametrize("sidecar", SIDECARS, ids=NAMES)
def test_stated_attitude_is_near_the_true_one(sidecar: Path) -> None:
    attitude, truth = read_sidecar(sidecar).attitude, truth_of(sidecar.stem.removesuffix(".pair"))
    assert attitude is not None
    assert attitude.roll_sigma_deg == attitude.pitch_sigma_deg == 0.5
    # drawn with a standard deviation of 0.5 degrees
    assert 0 < abs(attitude.roll_deg - truth.roll_deg) < 1.8
    assert 0 < abs(attitude.pitch_deg - truth.pitch_deg) < 1.8


def test_sun_stands_low_and_high() -> None:
    suns = sorted(truth_of(name).sun_elevation_deg or 0.0 for name in NAMES)
    assert (suns[0], suns[-1]) == (3, 50)


@pytest.mark.parametrize("name", NAMES)
def test_truth_is_written_as_its_schema_says(name: str) -> None:
    record = json.loads((PAIRS / f"{name}.truth.json").read_text(encoding="utf-8"))
    assert (record["schema"], record["frame"], record["id"]) == ("hazcam-truth/2", "level", name)
    truth = truth_of(name)
    grid = truth.elevation
    assert grid.z_m.shape == (540, 600)
    assert np.isfinite(grid.z_m).all()
    for item in truth.objects:
        assert [item.height_m, item.depth_m, item.slope_deg].count(None) == 2
        assert max(item.height_m or 0, item.depth_m or 0, item.slope_deg or 0) >= 0.01
        assert np.all(np.abs(item.outline_m) < 3)


@pytest.mark.parametrize("name", NAMES)
def test_rover_stands_on_the_ground(name: str) -> None:
    truth = truth_of(name)
    x, y = np.meshgrid(np.linspace(-0.15, 0.15, 31), np.linspace(-0.11, 0.11, 23))
    A = np.column_stack([np.ones(x.size), x.ravel(), y.ravel()])
    z0, sx, sy = np.linalg.lstsq(A, height_at(truth, x, y).ravel(), rcond=None)[0]
    up = level_from_rover(truth.roll_deg, truth.pitch_deg)[:, 2]
    assert z0 == pytest.approx(0, abs=0.002)
    np.testing.assert_allclose([sx, sy], -up[:2] / up[2], atol=0.006)


def ring(item: TruthObject, away_m: float) -> Floats:
    """Corners of the outline, moved ``away_m`` from its middle."""
    middle = item.outline_m.mean(axis=0)
    out = item.outline_m - middle
    return np.asarray(middle + out * (1 + away_m / np.linalg.norm(out, axis=1, keepdims=True)))


def inside(truth: SceneTruth, item: TruthObject) -> Floats:
    """(x, y, z) of the cells inside the outline, (N, 3)."""
    grid = truth.elevation
    corners = grid.rows_cols(*item.outline_m.T)[::-1].T
    mask = np.zeros(grid.z_m.shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.rint(corners).astype(np.int32)], 1)
    row, col = np.nonzero(mask)
    x, y = (row + 0.5) * grid.cell_m + grid.x_min_m, (col + 0.5) * grid.cell_m + grid.y_min_m
    return np.stack([x, y, grid.z_m[row, col]], axis=1)


OBJECTS = [(name, k) for name in NAMES for k in range(len(truth_of(name).objects))
           if name != "pebbles"]


@pytest.mark.parametrize(("name", "index"), OBJECTS)
def test_object_is_as_high_or_deep_in_the_elevation(name: str, index: int) -> None:
    truth = truth_of(name)
    item = truth.objects[index]
    if item.kind == "ledge":
        near, far = np.split(item.outline_m, 2)
        change = (height_at(truth, far[:, 0] + 0.01, far[:, 1])
                  - height_at(truth, near[:, 0] - 0.01, near[:, 1])[::-1])
        stated = item.height_m if item.height_m is not None else -(item.depth_m or 0.0)
        assert np.nanmedian(change) == pytest.approx(stated, abs=0.004)
        return
    cells = inside(truth, item)
    if item.kind == "ramp":
        A = np.column_stack([np.ones(len(cells)), cells[:, :2]])
        _, sx, sy = np.linalg.lstsq(A, cells[:, 2], rcond=None)[0]
        # the undulation below the ramp leans by a degree or two of its own
        assert np.degrees(np.arctan(np.hypot(sx, sy))) == pytest.approx(item.slope_deg, abs=2.0)
        return
    # the ground as it lies around: a plane through a ring outside the bank of sand
    around = ring(item, 0.04)
    A = np.column_stack([np.ones(len(around)), around])
    plane = np.linalg.lstsq(A, height_at(truth, *around.T), rcond=None)[0]
    above = cells[:, 2] - np.column_stack([np.ones(len(cells)), cells[:, :2]]) @ plane
    measured = above.max() if item.height_m is not None else -above.min()
    assert measured == pytest.approx(item.height_m or item.depth_m, abs=0.008)


def seen_along(picture: Floats, camera: Camera, places_m: Floats) -> Floats:
    """Grey levels where a camera sees places of shape (N, 3), level frame."""
    in_camera = camera.T_level_camera.inverse().apply(places_m)
    pixels = cv2.projectPoints(in_camera, np.zeros(3), np.zeros(3), camera.K, camera.D)[0]
    u, v = pixels.reshape(-1, 2).T
    return np.asarray(map_coordinates(picture, [v, u], order=1))


@pytest.mark.parametrize("sidecar", SIDECARS, ids=NAMES)
def test_both_pictures_agree_on_the_true_ground(sidecar: Path) -> None:
    """Ties pictures, rig, attitude and truth together without any matching.

    A patch of true ground, projected into both pictures, shows the same sand. The same patch
    raised by 2 cm does not.
    """
    truth, pair = truth_of(sidecar.stem.removesuffix(".pair")), read_pair(sidecar)
    cameras = truth.cameras
    dx, dy = np.meshgrid(np.arange(-0.02, 0.021, 0.002), np.arange(-0.02, 0.021, 0.002))
    likeness = []
    for x0, y0 in [(x, y) for x in (0.50, 0.56, 0.62) for y in (-0.12, -0.06, 0.0, 0.06, 0.12)]:
        x, y = x0 + dx.ravel(), y0 + dy.ravel()
        row = []
        for raised_m in (0.0, 0.02):
            places = np.column_stack([x, y, height_at(truth, x, y) + raised_m])
            greys = [seen_along(np.asarray(picture, dtype=np.float64), camera, places)
                     for picture, camera in zip((pair.left, pair.right), cameras, strict=True)]
            row.append(np.corrcoef(greys[0], greys[1])[0, 1])
        likeness.append(row)
    true, raised = np.median(likeness, axis=0)
    assert true > 0.7
    assert true > raised + 0.2
