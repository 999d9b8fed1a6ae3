"""Seeded scores of scenes that nobody rendered, and a rendered-looking pair with its truth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.frames import Pose
from hazcam.scene.camera import Camera, pixels_of
from hazcam.scene.io import encode_elevation, truth_record
from hazcam.scene.rehearsal.record import (
    NO_ERRORS,
    NO_HEIGHTS,
    Errors,
    HeadingRow,
    HeightErrors,
    Plan,
    SceneScore,
    Sensor,
    Strip,
)
from hazcam.scene.truth import Elevation, SceneTruth

SMALL_PLAN = Plan(headings_deg=(-20.0, 0.0, 20.0))
_CAUSES = ("step", "hidden", "blank", "outside", "drop", "slope")
_KINDS = ("rock", "rise", "fall", "slope")
_MIXTURES = ("benign/1", "rocks/2", "boulders/1", "pit/3")
_COMPRESSIONS = ("none", "jpeg 90", "jpeg 60", "jpeg2000 8:1")


def heading_row(
    label: str = "free", verdict: str = "go", *, sensor: Sensor = "matched",
    strip: Strip = "own", limit_m: float = 0.06, look_ahead_m: float = 1.0,
    heading_deg: float = 0.0, observable: bool = True, can_go: bool = True,
    ratio: float | None = None,
    clear_m: float | None = None, true_clear_m: float | None = None, strip_only: bool = False,
    cause: str = "step", state: str = "", kind: str = "rock", probability: float | None = None,
    bounded: bool = True, exceeds: bool | None = None,
) -> HeadingRow:
    """One row with plain values."""
    blocked = label == "blocked"
    true_clear = (0.5 if blocked else look_ahead_m) if true_clear_m is None else true_clear_m
    clear = (look_ahead_m if verdict == "go" else 0.4) if clear_m is None else clear_m
    return HeadingRow(
        sensor=sensor, strip=strip, limit_m=limit_m, look_ahead_m=look_ahead_m,
        heading_deg=heading_deg, label=label, strip_only=strip_only, observable=observable,
        can_go=can_go, ratio=(1.7 if blocked else 0.3) if ratio is None else ratio,
        blocking_kind=kind if blocked else "", true_clear_m=true_clear, clear_m=clear,
        assumed_m=0.2, verdict=verdict, cause=cause if verdict == "ask-ground" else "",
        state=state if verdict == "ask-ground" else "",
        probability=(0.002 if verdict == "go" else 0.9) if probability is None else probability,
        bounded=bounded,
        exceeds=exceeds if label == "borderline" or exceeds is not None else blocked)


def scene(
    pair: str = "scene-1", rows: tuple[HeadingRow, ...] = (), *, mixture: str = "rocks/1",
    sun_elevation_deg: float | None = 10.0, compression: str = "none", rig: str = "bench",
    failure: str = "", disparity: Errors = NO_ERRORS,
) -> SceneScore:
    """One scene with plain values."""
    return SceneScore(pair=pair, mixture=mixture, digest=f"digest of {pair}", rows=rows,
                      sun_elevation_deg=sun_elevation_deg, compression=compression, rig=rig,
                      disparity=disparity, elevation=NO_ERRORS, obstacle_height=NO_HEIGHTS,
                      failure=failure)


def scores(count: int, *, plan: Plan = SMALL_PLAN, seed: int = 0) -> list[SceneScore]:
    """Scenes with all that may differ between them, alike for one seed."""
    return [_scene(i, plan, np.random.default_rng((seed, i))) for i in range(count)]


def _scene(i: int, plan: Plan, rng: np.random.Generator) -> SceneScore:
    name = _MIXTURES[i % len(_MIXTURES)]
    sun = None if i % 9 == 8 else float(rng.uniform(3, 50))
    empty = scene(f"{name.partition('/')[0]}-{i:03d}", mixture=name, sun_elevation_deg=sun,
                  compression=_COMPRESSIONS[i // 2 % len(_COMPRESSIONS)],
                  rig="bench" if i % 3 else "mast")
    rows = [row for heading_deg in plan.headings_deg
            for row in _rows(heading_deg, plan, rng, hard=i % 4 / 4)]
    return replace(
        empty, rows=tuple(rows), disparity=_errors(rng, 300, 0.25, 0.2, holes=0.1),
        elevation=_errors(rng, 200, 0.006, 0.005), obstacle_height=_heights(rng))


def _rows(
    heading_deg: float, plan: Plan, rng: np.random.Generator, hard: float
) -> list[HeadingRow]:
    height_m = float(rng.lognormal(np.log(0.03 + 0.05 * hard), 0.8))
    at_m, kind = float(rng.uniform(0.25, 2.0)), str(rng.choice(_KINDS, p=[0.6, 0.2, 0.15, 0.05]))
    observable = bool(rng.random() < 0.75)
    rows = []
    for limit_m in plan.limits_m:
        for look_ahead_m in plan.look_aheads_m:
            ratio = (height_m if at_m < look_ahead_m else 0.3 * height_m) / limit_m
            label = "blocked" if ratio >= 1.15 else "free" if ratio <= 0.7 else "borderline"
            true_clear_m = at_m if label == "blocked" else look_ahead_m
            for sensor in ("matched", "ideal"):
                for strip in ("straight ahead", "own"):
                    asks = _asks(label, sensor, strip, observable, look_ahead_m, rng)
                    rows.append(heading_row(
                        label, "ask-ground" if asks else "go", sensor=sensor, strip=strip,
                        limit_m=limit_m, look_ahead_m=look_ahead_m, heading_deg=heading_deg,
                        observable=observable, ratio=ratio, kind=kind, true_clear_m=true_clear_m,
                        clear_m=float(np.clip(true_clear_m * rng.normal(0.9, 0.1), 0,
                                              look_ahead_m)) if asks else look_ahead_m,
                        strip_only=bool(rng.random() < 0.02 and label == "borderline"),
                        cause=str(rng.choice(_CAUSES))))
    return rows


def _asks(
    label: str, sensor: str, strip: str, observable: bool, look_ahead_m: float,
    rng: np.random.Generator,
) -> bool:
    good = sensor == "ideal"
    if label == "blocked":
        return bool(rng.random() > (0.01 if good else 0.04))
    needless = (0.05 if good else 0.2) * look_ahead_m + (0.0 if observable else 0.4)
    return bool(rng.random() < needless + (0.3 if strip == "straight ahead" else 0.0))


def _errors(
    rng: np.random.Generator, count: int, spread: float, sigma: float, holes: float = 0.0
) -> Errors:
    range_m = rng.uniform(0.3, 2.5, count).astype(np.float32)
    error = rng.standard_t(4, count).astype(np.float32) * spread * range_m
    error[rng.random(count) < holes] = np.nan
    return Errors(error=error, sigma=np.full(count, sigma, np.float32) * range_m, range_m=range_m)


def _heights(rng: np.random.Generator) -> HeightErrors:
    true_m = rng.uniform(0.02, 0.15, 4).astype(np.float32)
    return HeightErrors(**vars(_errors(rng, 4, 0.006, 0.005)), true_m=true_m)


def write_pair(folder: Path, pair: str, mixture: str = "rocks/1") -> Path:
    """A pair of one bump on a plane, with sidecar and truth; its pictures are shaded heights."""
    rows, cols = 270, 300
    grid = Elevation(z_m=np.zeros((rows, cols)), cell_m=0.01, x_min_m=-0.2, y_min_m=-1.5)
    x, y = grid.centres_m()
    z = 0.09 * np.exp(-((x - 0.85) ** 2 + (y - 0.1) ** 2) / 0.008) - 0.02 * x
    grid = Elevation(z_m=z, cell_m=0.01, x_min_m=-0.2, y_min_m=-1.5,
                     visible=np.full(z.shape, 3, np.uint8))
    camera = _camera()
    truth = SceneTruth(
        id=pair, mixture=mixture, digest=f"digest of {pair}", roll_deg=0.0, pitch_deg=0.0,
        sun_elevation_deg=12.0, sun_azimuth_deg=90.0, compression="none", seed=(2, 0),
        cameras=(camera, camera), objects=(), elevation=grid)
    folder.mkdir(parents=True, exist_ok=True)
    picture = _picture(grid, camera)
    for side in ("left", "right"):
        cv2.imwrite(str(folder / f"{pair}.{side}.png"), picture)
    cv2.imwrite(str(folder / f"{pair}.elevation.png"), encode_elevation(grid))
    cv2.imwrite(str(folder / f"{pair}.visible.png"), np.full(z.shape, 255, np.uint8))
    (folder / f"{pair}.truth.json").write_text(json.dumps(truth_record(truth)), encoding="utf-8")
    sidecar = folder / f"{pair}.pair.json"
    sidecar.write_text(json.dumps({
        "schema": "hazcam-pair/1", "id": pair, "left": f"{pair}.left.png",
        "right": f"{pair}.right.png", "rig": "rig.yaml", "rover": "dunlin-em"}), encoding="utf-8")
    (folder / "rig.yaml").write_text("a rig\n", encoding="utf-8")
    return sidecar


def _camera() -> Camera:
    """0.35 m up, 0.2 m ahead of the origin, 25 degrees down."""
    tilt = np.radians(25)
    ahead = np.array([np.cos(tilt), 0.0, -np.sin(tilt)])
    down = np.array([-np.sin(tilt), 0.0, -np.cos(tilt)])
    R = np.stack([np.array([0.0, -1.0, 0.0]), down, ahead], axis=1)
    return Camera(K=np.array([[270.0, 0, 159.5], [0, 270.0, 119.5], [0, 0, 1]]), D=np.zeros(5),
                  size=(320, 240), T_level_camera=Pose(R=R, t=np.array([0.2, 0.0, 0.35])))


def _picture(grid: Elevation, camera: Camera) -> NDArray[np.uint8]:
    """Each cell is a dot of its shade; far ones first, so that near ones cover them."""
    rng = np.random.default_rng(0)
    x, y = grid.centres_m()
    shade = np.clip(120 + 900 * np.gradient(grid.z_m, axis=1) + rng.normal(0, 12, x.shape), 1, 255)
    places = np.stack([x, y, grid.z_m], axis=-1).reshape(-1, 3)
    pixels, depth = pixels_of(camera, places)
    seen = (depth > 0.05) & np.all((pixels >= 0) & (pixels < [319, 239]), axis=1)
    order = np.argsort(-depth)
    order = order[seen[order]]
    picture = np.zeros((240, 320), np.uint8)
    u, v = np.rint(pixels[order]).astype(int).T
    picture[v, u] = shade.reshape(-1)[order].astype(np.uint8)
    spread = cv2.dilate(picture, np.ones((5, 5), np.uint8))
    return np.where(picture > 0, picture, spread)
