"""Props for the tests of the proving ground: planes, plain ground, small rigs, quick pictures."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam import read_rover
from hazcam.calibration import StereoRig, rig_digest
from hazcam.frames import Floats, Pose
from hazcam.scene import build, ground, truth
from hazcam.scene.camera import Camera, pixels_of
from hazcam.scene.description import Gravel, GroundPlan, SceneDescription
from hazcam.scene.ground import Ground, bare_ground, ground_mesh
from hazcam.scene.light import Light
from hazcam.scene.meshes import Mesh, mesh_from
from hazcam.scene.render import Props, Stage
from hazcam.scene.rigs import demonstration_rigs

ROOT = Path(__file__).parents[2]
ROVER = read_rover("dunlin-em")
LEVEL = Pose(R=np.eye(3), t=np.zeros(3))
FLAT = GroundPlan(undulation=0.0, roughness=0.0, gravel=Gravel(count=0))
SKY = Light(sun=0.0, sky=1.0)
GREY = np.full((8, 8), 0.1, dtype=np.float32)


def small(rig: StereoRig, factor: int) -> StereoRig:
    """The same rig with pictures ``factor`` times smaller; a pixel centre is an integer."""
    def shrink(K: Floats) -> Floats:
        K = K / factor
        K[:2, 2] += 0.5 / factor - 0.5
        K[2, 2] = 1.0
        return K
    made = replace(rig, size=(rig.size[0] // factor, rig.size[1] // factor),
                   K1=shrink(rig.K1), K2=shrink(rig.K2))
    return replace(made, digest=rig_digest(made))


def tiny_rig() -> StereoRig:
    """dunlin-em with pictures of 80 x 60."""
    return small(demonstration_rigs()["dunlin-em"], 8)


def plane(height_m: float = 0.0, slope: float = 0.0, albedo: float = 0.1) -> Mesh:
    """A large plane z = height + slope * x."""
    corners = np.array([[-9, -9, 0], [9, -9, 0], [9, 9, 0], [-9, 9, 0]], dtype=np.float64)
    corners[:, 2] = height_m + slope * corners[:, 0]
    return mesh_from(corners, np.array([[0, 1, 2], [0, 2, 3]]), albedo)


def lit(light: Light, *meshes: Mesh, **props: Any) -> Stage:
    return Stage(Props(meshes=meshes, light=light, texture=GREY, **props))


def looking_down(height_m: float, f_px: float, size: tuple[int, int]) -> Camera:
    """A camera high above the origin; u grows along the level x axis, v against y."""
    R = np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]])
    K = np.array([[f_px, 0, (size[0] - 1) / 2], [0, f_px, (size[1] - 1) / 2], [0, 0, 1]])
    return Camera(K=K, D=np.zeros(5), size=size,
                  T_level_camera=Pose(R=R, t=np.array([0, 0, height_m])))


def flat_ground(**features: Any) -> Ground:
    """Level ground at height 0 with these features."""
    return bare_ground(np.random.default_rng(0), replace(FLAT, **features))


def near_mesh(made: Ground) -> Mesh:
    """The ground where the rover may walk, as a mesh of 5 mm."""
    return ground_mesh(made, (np.arange(0.2, 1.8, 0.005), np.arange(-0.7, 0.7, 0.005)))


def describe(**changes: Any) -> SceneDescription:
    """A plain scene in few rays."""
    parts: dict[str, Any] = {"id": "made", "seed": (1, 2), "light": Light(sun_elevation_deg=30),
                             "ground": FLAT, "samples": 4}
    return SceneDescription(**(parts | changes))


def pixel_of(camera: Camera, x_m: float, y_m: float, z_m: float = 0.0) -> tuple[int, int]:
    """(row, col) of the pixel that shows a place."""
    (u, v), = pixels_of(camera, np.array([[x_m, y_m, z_m]]))[0]
    return round(float(v)), round(float(u))


def at(
    elevation: truth.Elevation, values: NDArray[Any] | None, x_m: float, y_m: float
) -> Any:
    """Value of the cell at a place."""
    assert values is not None
    row, col = np.rint(elevation.rows_cols(np.array(x_m), np.array(y_m))).astype(int)
    return values[row, col]


def coarsen(patch: pytest.MonkeyPatch) -> None:
    """Coarse meshes, textures and grids, where a test is about files and order, not about light."""
    axes = (np.arange(-1.0, 3.0, 0.04), np.arange(-2.0, 2.0, 0.04))
    patch.setattr(ground, "ground_axes", lambda: axes)
    patch.setattr(build, "TEXTURE_PX", 64)
    patch.setattr(build, "_far_stones", lambda _: [])
    patch.setattr(truth, "cast_elevation", partial(truth.cast_elevation, cell_m=0.05))
