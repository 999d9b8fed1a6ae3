"""Points to pixels and back through a rig: exact, for each lens model."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hazcam.calibration import LensModel
from hazcam.calibration.geometry import (
    normalised,
    project,
    project_points,
    rectified_directions,
    rectifying_rotations,
    triangulate_pixels,
)
from tests.rigs import DISTORTION, a_rig

MODELS = list(DISTORTION)


def points_before(count: int, seed: int) -> np.ndarray:
    """Points that both cameras see, 0.4 to 4 m away. [m]"""
    rng = np.random.default_rng(seed)
    depth = rng.uniform(0.4, 4.0, count)
    return np.column_stack([rng.uniform(-0.4, 0.45, count) * depth,
                            rng.uniform(-0.4, 0.4, count) * depth, depth])


@pytest.mark.parametrize("model", MODELS)
@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)
def test_what_is_projected_is_triangulated_where_it_was(model: LensModel, seed: int) -> None:
    rig = a_rig(model)
    points = points_before(20, seed)
    read = triangulate_pixels(rig, *project(rig, points))
    np.testing.assert_allclose(read, points, rtol=0, atol=1e-8)


@pytest.mark.parametrize("model", MODELS)
def test_undistortion_comes_back_to_the_pixel_out_to_the_corners(model: LensModel) -> None:
    rig = a_rig(model)
    columns, rows = np.meshgrid(np.linspace(0, 639, 9), np.linspace(0, 479, 7))
    pixels = np.column_stack([columns.ravel(), rows.ravel()])
    rays = np.column_stack([normalised(rig.K1, rig.D1, model, pixels), np.ones(len(pixels))])
    np.testing.assert_allclose(project_points(rig.K1, rig.D1, model, rays), pixels, atol=1e-7)


def test_a_pinhole_projects_as_written() -> None:
    """U = fx X / Z + cx; the right camera stands 0.1 m to the right: d = f B / Z."""
    K = np.array([[500.0, 0, 320], [0, 400, 240], [0, 0, 1]])
    rig = a_rig(K1=K, K2=K, D1=np.zeros(5), D2=np.zeros(5), R=np.eye(3), T=np.array([-0.1, 0, 0]))
    left, right = project(rig, [[0.2, -0.1, 2.0]])
    np.testing.assert_allclose(left, [[500 * 0.1 + 320, 400 * -0.05 + 240]])
    np.testing.assert_allclose(left - right, [[500 * 0.1 / 2.0, 0]], atol=1e-12)


@pytest.mark.parametrize("model", MODELS)
def test_rectified_rows_agree_and_disparity_is_baseline_over_depth(model: LensModel) -> None:
    rig = a_rig(model)
    points = points_before(50, 3)
    left, right = rectified_directions(rig, *project(rig, points))
    np.testing.assert_allclose(left[:, 1], right[:, 1], atol=1e-9)
    depth = (points @ rectifying_rotations(rig)[0].T)[:, 2]
    np.testing.assert_allclose(left[:, 0] - right[:, 0], rig.baseline_m / depth, atol=1e-9)


def test_the_rectifying_rotations_lay_the_baseline_along_x() -> None:
    """As cv2.stereoRectify: the right camera is straight to the right in the common frame."""
    rig = a_rig()
    R_left, R_right = rectifying_rotations(rig)
    for R in (R_left, R_right):
        np.testing.assert_allclose(R @ R.T, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(R_left @ (-rig.R.T @ rig.T), [rig.baseline_m, 0, 0], atol=1e-12)
    np.testing.assert_allclose(R_right @ rig.R, R_left, atol=1e-12)
    theirs = cv2.stereoRectify(rig.K1, rig.D1, rig.K2, rig.D2, rig.size, rig.R,
                               rig.T.reshape(3, 1))[0]
    # theirs shares the turn about the baseline out by the rotation vector, ours by the two axes
    assert np.degrees(np.linalg.norm(cv2.Rodrigues(R_left @ theirs.T)[0])) < 0.01


def test_rays_that_do_not_meet_in_front_are_unknown() -> None:
    rig = a_rig()
    left, right = project(rig, [[0.0, 0.0, 1.0]])
    assert np.isnan(triangulate_pixels(rig, right, left)).all()
