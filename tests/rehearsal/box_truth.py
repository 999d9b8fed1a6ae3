"""Scenes of ``tests.synthetic`` as rendered pairs: their truth in closed form, and their files."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from hazcam.calibration import write_rig
from hazcam.frames import Floats, Pose
from hazcam.scene.camera import Camera, cameras_of, pixel_grid, pixels_of, rays_of
from hazcam.scene.io import encode_depth, encode_elevation, truth_record
from hazcam.scene.truth import SEES_LEFT, SEES_RIGHT, Elevation, SceneTruth, TrueDepth, TruthObject
from tests.synthetic import LEVEL, Box, Scene, _hits, both, ideal_rig, render, true_depth

CELL_M, X_M, Y_M = 0.005, (-0.2, 2.5), (-1.5, 1.5)


@cache
def truth_of(scene: Scene) -> SceneTruth:
    """What is true of a scene as ``ideal_rig`` sees it."""
    cameras = cameras_of(ideal_rig(), Pose(R=np.eye(3), t=np.zeros(3)))
    return SceneTruth(
        id="boxes", mixture="boxes/1", digest="digest of boxes", roll_deg=0.0, pitch_deg=0.0,
        sun_elevation_deg=30.0, sun_azimuth_deg=0.0, compression="none", seed=(0, 1),
        cameras=cameras, objects=tuple(_object(box) for box in scene.boxes),
        elevation=_elevation(scene, cameras))


@cache
def depth_of(scene: Scene) -> TrueDepth:
    """What each pixel of the left picture shows."""
    rig = ideal_rig()
    left, right = cameras_of(rig, Pose(R=np.eye(3), t=np.zeros(3)))
    depth = true_depth(scene, rig)
    rays = np.column_stack([rays_of(left, pixel_grid(left.size).reshape(-1, 2)),
                            np.ones(depth.size)])
    known = np.isfinite(depth).ravel()
    shared = np.zeros(depth.size, dtype=bool)
    places = left.T_level_camera.apply(rays[known] * depth.ravel()[known, None])
    shared[known] = _sees(scene, right, places)
    return TrueDepth(depth_m=depth, shared=shared.reshape(depth.shape))


def _object(box: Box) -> TruthObject:
    corners = np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]])
    if box.top_m < 0:
        return TruthObject(kind="pit", outline_m=corners, depth_m=-box.top_m)
    return TruthObject(kind="rock", outline_m=corners, height_m=box.top_m)


def _elevation(scene: Scene, cameras: tuple[Camera, Camera]) -> Elevation:
    x, y = (np.arange(low, high - CELL_M / 2, CELL_M) + CELL_M / 2 for low, high in (X_M, Y_M))
    gx, gy = np.meshgrid(x, y, indexing="ij")
    z = scene.slope_x * np.maximum(gx - scene.from_x, 0.0)
    for box in scene.boxes:
        z[(gx > box.x0) & (gx < box.x1) & (gy > box.y0) & (gy < box.y1)] = box.top_m
    places = np.stack([gx, gy, z], axis=-1).reshape(-1, 3)
    visible = sum(bit * _sees(scene, camera, places).astype(np.uint8)
                  for bit, camera in zip((SEES_LEFT, SEES_RIGHT), cameras, strict=True))
    return Elevation(z_m=z, cell_m=CELL_M, x_min_m=X_M[0], y_min_m=Y_M[0],
                     visible=np.asarray(visible, dtype=np.uint8).reshape(z.shape))


def _sees(scene: Scene, camera: Camera, places_m: Floats) -> NDArray[np.bool_]:
    """Whether places (N, 3) lie in a camera's picture with nothing before them."""
    u, v = pixels_of(camera, places_m)[0].T
    width, height = camera.size
    with np.errstate(invalid="ignore"):
        inside = (u > -0.5) & (u < width - 0.5) & (v > -0.5) & (v < height - 0.5)
    origin = camera.T_level_camera.t
    met, _ = _hits(scene, origin, places_m - origin)
    return np.asarray(inside & (np.abs(met - 1) < 1e-3))


def write_boxes(folder: Path, scene: Scene) -> Path:
    """The scene as a rendered pair with its truth; returns its sidecar."""
    truth = truth_of(scene)
    folder.mkdir(parents=True, exist_ok=True)
    for side, picture in zip(("left", "right"), both(render(scene)), strict=True):
        cv2.imwrite(str(folder / f"boxes.{side}.png"), picture)
    write_rig(ideal_rig(), folder / "ideal-rig.yaml")
    write_truth(folder, truth, depth_of(scene))
    sidecar = folder / "boxes.pair.json"
    sidecar.write_text(json.dumps({
        "schema": "hazcam-pair/1", "id": "boxes", "left": "boxes.left.png",
        "right": "boxes.right.png", "rig": "ideal-rig.yaml", "rover": "dunlin-em",
        "roll_deg": LEVEL.roll_deg, "pitch_deg": LEVEL.pitch_deg,
        "roll_sigma_deg": LEVEL.roll_sigma_deg, "pitch_sigma_deg": LEVEL.pitch_sigma_deg,
    }), encoding="utf-8")
    return sidecar


def write_truth(folder: Path, truth: SceneTruth, depth: TrueDepth) -> None:
    """The truth file and its pictures."""
    visible = truth.elevation.visible
    assert visible is not None
    for name, picture in (("elevation", encode_elevation(truth.elevation)),
                          ("visible", visible * 85), ("inverse-depth", encode_depth(depth)),
                          ("shared", depth.shared.astype(np.uint8) * 255)):
        cv2.imwrite(str(folder / f"{truth.id}.{name}.png"), picture)
    (folder / f"{truth.id}.truth.json").write_text(json.dumps(truth_record(truth)),
                                                   encoding="utf-8")
