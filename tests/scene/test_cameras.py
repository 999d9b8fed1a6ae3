"""The renderer's cameras, apart from matching and rectification; what is against the rig file."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam.calibration import read_rig
from hazcam.frames import Floats, Pose, level_from_rover
from hazcam.scene.camera import Camera, cameras_of, pixel_grid, pixels_of, rays_of
from hazcam.scene.description import Departure
from hazcam.scene.meshes import Mesh, box, merge
from hazcam.scene.rigs import demonstration_rigs
from tests.scene.props import LEVEL, ROOT, SKY, lit, plane, small

RIG = demonstration_rigs()["dunlin-em"]  # left camera at (0.17, 0.05, 0.17), baseline 0.10 m

# --- corners of boxes -----------------------------------------------------------------------------

CORNERS_M = np.array([[0.55, 0.00, 0.02], [0.72, 0.20, 0.05], [0.80, -0.21, 0.00],
                      [1.00, 0.05, 0.08], [1.17, -0.33, 0.05], [1.15, 0.36, 0.10]])
BOX_M = 0.05  # 23 px and more
HALF_WINDOW_PX = 10


def four_boxes(corner_m: Floats) -> list[Mesh]:
    """Light and dark boxes, face to the rover, that meet in one corner."""
    return [box(corner_m + np.array([0.005, y * BOX_M / 2, z * BOX_M / 2]),
                np.array([0.01, BOX_M, BOX_M]), 0.6 if y == z else 0.05)
            for y in (-1, 1) for z in (-1, 1)]


def corners_in(picture: NDArray[np.float32], near_px: Floats) -> Floats:
    """Corners (N, 2) as OpenCV finds them, from whole pixels on."""
    # on edges one pixel wide cornerSubPix is drawn to pixel centres by 0.1 px: soften them first
    soft = cv2.GaussianBlur(picture / picture.max() * np.float32(255), (0, 0), 1.2)
    start = np.rint(near_px).astype(np.float32).reshape(-1, 1, 2)
    found = cv2.cornerSubPix(soft, start, (HALF_WINDOW_PX,) * 2, (-1, -1), (3, 100, 1e-4))
    return found.reshape(-1, 2).astype(np.float64)


@pytest.mark.parametrize("name", ["dunlin-em", "dunlin-em-raw"])
def test_corners_of_boxes_triangulate_to_where_they_are(name: str) -> None:
    rig = read_rig(ROOT / "calibration" / f"{name}.yaml")
    cameras = cameras_of(rig, Pose(R=level_from_rover(2.0, -3.0), t=np.zeros(3)))
    stage = lit(SKY, merge([part for corner in CORNERS_M for part in four_boxes(corner)]))
    rays = []
    for k, camera in enumerate(cameras):
        picture = stage.radiance(camera, samples=36, seed=k)
        projected = pixels_of(camera, CORNERS_M)[0]
        corners = corners_in(picture, projected)
        assert np.abs(corners - projected).max() < 0.2, "a shift of both pictures hides in range"
        rays.append(rays_of(camera, corners).T)
    # the second camera as the rig file has it, not as the renderer placed it
    found = cv2.triangulatePoints(np.eye(3, 4), np.column_stack([rig.R, rig.T]), *rays)
    places = cameras[0].T_level_camera.apply((found[:3] / found[3]).T)
    distance = np.linalg.norm(CORNERS_M - cameras[0].T_level_camera.t, axis=1)
    assert np.all(np.linalg.norm(places - CORNERS_M, axis=1) < 0.001 + 0.001 * distance)


# --- sight lines ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["dunlin-em", "dunlin-em-raw"])
def test_true_depth_of_a_plane(name: str) -> None:
    camera = cameras_of(small(demonstration_rigs()[name], 8), LEVEL)[1]
    depth = lit(SKY, plane(slope=0.1)).depth_m(camera)
    u, v = np.meshgrid(np.arange(80.0), np.arange(60.0))
    rays = np.column_stack([rays_of(camera, np.stack([u, v], -1).reshape(-1, 2)), np.ones(4800)])
    pose = camera.T_level_camera
    directions = rays @ pose.R.T
    # z0 + d z' = 0.1 (x0 + d x')
    expected = (0.1 * pose.t[0] - pose.t[2]) / (directions[:, 2] - 0.1 * directions[:, 0])
    hit = np.isfinite(depth.ravel())
    assert hit.mean() > 0.6
    np.testing.assert_allclose(depth.ravel()[hit], expected[hit], rtol=1e-4)
    assert np.all(np.isnan(depth[0])), "the top of the picture is sky"


def fisheye() -> Camera:
    K = np.array([[300.0, 0, 319.5], [0, 300, 239.5], [0, 0, 1]])
    return Camera(K=K, D=np.array([-0.02, 0.004, 0, 0]), size=(640, 480), model="fisheye",
                  T_level_camera=LEVEL)


@pytest.mark.parametrize("camera", [cameras_of(demonstration_rigs()["dunlin-em-raw"], LEVEL)[1],
                                    fisheye()], ids=["brown", "fisheye"])
def test_pixel_and_ray_are_each_others_inverse(camera: Camera) -> None:
    pixels = pixel_grid(camera.size)[::37, ::41].reshape(-1, 2)
    rays = np.column_stack([rays_of(camera, pixels), np.ones(len(pixels))])
    again, depth = pixels_of(camera, camera.T_level_camera.apply(rays * 1.7))
    np.testing.assert_allclose(again, pixels, atol=1e-3)
    np.testing.assert_allclose(depth, 1.7)


def test_place_behind_the_camera_has_no_pixel() -> None:
    camera = cameras_of(RIG, LEVEL)[0]
    pixels, depth = pixels_of(camera, np.array([[-1.0, 0, 0], [1.0, 0, 0]]))
    assert np.isnan(pixels[0]).all()
    assert depth[0] < 0
    assert np.isfinite(pixels[1]).all()


# --- what is against the rig file -----------------------------------------------------------------


def places(departure: Departure | None = None, body: Pose = LEVEL) -> tuple[Floats, Floats]:
    left, right = cameras_of(RIG, body, departure)
    return left.T_level_camera.t, right.T_level_camera.t


def test_cameras_stand_where_rig_and_mount_say() -> None:
    left, right = places()
    np.testing.assert_allclose(left, [0.17, 0.05, 0.17], atol=1e-12)
    np.testing.assert_allclose(right, [0.17, -0.05, 0.17], atol=1e-12)


def test_cameras_turn_with_the_rover() -> None:
    # nose down by 90 degrees: x goes down, z goes forward
    left, right = places(body=Pose(R=level_from_rover(0.0, 90.0), t=np.zeros(3)))
    np.testing.assert_allclose(left, [0.17, 0.05, -0.17], atol=1e-12)
    np.testing.assert_allclose(right, [0.17, -0.05, -0.17], atol=1e-12)


def test_height_lifts_both_cameras() -> None:
    left, right = places(Departure(height_m=0.02))
    np.testing.assert_allclose(left, [0.17, 0.05, 0.19], atol=1e-12)
    np.testing.assert_allclose(right, [0.17, -0.05, 0.19], atol=1e-12)


def test_baseline_moves_the_right_camera_alone() -> None:
    left, right = places(Departure(baseline_share=0.10))
    np.testing.assert_allclose(left, [0.17, 0.05, 0.17], atol=1e-12)
    np.testing.assert_allclose(right, [0.17, -0.06, 0.17], atol=1e-12)


@pytest.mark.parametrize(("drift_deg", "axis"), [((1.5, 0, 0), 0), ((0, 1.5, 0), 1),
                                                 ((0, 0, 1.5), 2)])
def test_drift_turns_the_right_camera_about_its_own_axis(
    drift_deg: tuple[float, float, float], axis: int
) -> None:
    before = cameras_of(RIG, LEVEL)
    left, right = cameras_of(RIG, LEVEL, Departure(drift_deg=drift_deg))
    np.testing.assert_array_equal(left.T_level_camera.R, before[0].T_level_camera.R)
    np.testing.assert_allclose(right.T_level_camera.t, before[1].T_level_camera.t, atol=1e-12)
    turn = before[1].T_level_camera.R.T @ right.T_level_camera.R
    vector = np.degrees(cv2.Rodrigues(turn)[0].ravel())
    assert abs(vector[axis]) == pytest.approx(1.5)
    assert np.abs(np.delete(vector, axis)).max() < 1e-9


def test_drift_about_the_vertical_moves_the_picture_sideways() -> None:
    right = cameras_of(RIG, LEVEL, Departure(drift_deg=(0.0, 1.0, 0.0)))[1]
    ahead = cameras_of(RIG, LEVEL)[1].T_level_camera.apply([[0, 0, 1.0]])
    (u, v), = pixels_of(right, ahead)[0]
    assert abs(u - RIG.K2[0, 2]) == pytest.approx(RIG.K2[0, 0] * np.tan(np.radians(1)), abs=1e-6)
    assert v == pytest.approx(RIG.K2[1, 2], abs=1e-6)


def test_bare_rig_is_a_programmers_mistake() -> None:
    with pytest.raises(ValueError, match="without a mount"):
        cameras_of(replace(RIG, mount=None), LEVEL)


@pytest.mark.parametrize("name", ["dunlin-em", "dunlin-em-raw", "dunlin-fm"])
def test_shipped_rig_files_hold_the_rigs_that_render(name: str) -> None:
    made, read = demonstration_rigs()[name], read_rig(ROOT / "calibration" / f"{name}.yaml")
    for key in ("K1", "D1", "K2", "D2", "R", "T"):
        np.testing.assert_allclose(getattr(read, key), getattr(made, key), rtol=1e-14, atol=1e-15)
    assert made.mount is not None
    assert read.mount is not None
    np.testing.assert_allclose(read.mount.R, made.mount.R, atol=1e-14)
    np.testing.assert_allclose(read.mount.t, made.mount.t, atol=1e-14)
    assert read.read_noise == made.read_noise
    assert "not measured" in read.provenance["origin"]
