"""The adjustment: derivatives, exact data, and what views without noise must give back."""

from __future__ import annotations

from typing import get_args

import cv2
import numpy as np
import pytest

from hazcam.calibration import LensModel, StereoRig
from hazcam.calibration.bundle import Bundle, adjust, linearise, reduce_poses, solve_scaled
from hazcam.calibration.start import first_guess, with_model
from hazcam.calibration.views import TargetView, corners_of
from tests.lenses import rig_with
from tests.target_views import CHESSBOARD, views_through

MODELS = get_args(LensModel)
ONE = np.ones(2)


def start(views: list[TargetView], rig: StereoRig) -> Bundle:
    return with_model(first_guess(views, CHESSBOARD, rig.size), rig.model, rig.size)


@pytest.fixture(scope="module", params=MODELS)
def case(request: pytest.FixtureRequest) -> tuple[StereoRig, list[TargetView]]:
    rig = rig_with(request.param)
    return rig, views_through(rig, 12, seed=3, noise_px=0.0)


def test_exact_corners_give_the_rig_back(case: tuple[StereoRig, list[TargetView]]) -> None:
    """Where numbers can stand for each other (rational), the pixels are what must come back."""
    rig, views = case
    corners = corners_of(views, CHESSBOARD)
    found, _ = adjust(start(views, rig), corners, np.full(2, 1e-3))
    problem = linearise(found, corners, ONE)
    assert np.abs(problem.residuals).max() < 2e-3
    assert found.as_rig("a", None).baseline_m == pytest.approx(rig.baseline_m, rel=1e-4)
    if rig.model != "rational":
        np.testing.assert_allclose(found.cameras[0, :2], [rig.K1[0, 0], rig.K1[1, 1]], rtol=1e-5)
        np.testing.assert_allclose(found.distortion, np.stack([rig.D1, rig.D2]), atol=1e-3)
        np.testing.assert_allclose(found.R, rig.R, atol=1e-6)


def test_derivatives_by_the_numbers_of_the_rig(case: tuple[StereoRig, list[TargetView]]) -> None:
    rig, views = case
    corners = corners_of(views[:2], CHESSBOARD)
    bundle = start(views[:2], rig)
    J = linearise(bundle, corners, ONE).J_shared
    for i in range(bundle.shared):
        step = np.zeros(bundle.shared)
        step[i] = 1e-3 if i < 8 else 1e-7
        ends = [linearise(bundle.moved(sign * step), corners, ONE).residuals for sign in (-1, 1)]
        np.testing.assert_allclose((ends[1] - ends[0]) / (2 * step[i]), J[:, :, i],
                                   rtol=1e-4, atol=1e-4 * max(1.0, np.abs(J[:, :, i]).max()))


def test_derivatives_by_the_pose(case: tuple[StereoRig, list[TargetView]]) -> None:
    rig, views = case
    corners = corners_of(views[:1], CHESSBOARD)
    bundle = start(views[:1], rig)
    J = linearise(bundle, corners, ONE).J_pose
    nothing = np.zeros(bundle.shared)
    for i in range(6):
        step = np.zeros((1, 6))
        step[0, i] = 1e-7
        ends = [linearise(bundle.moved(nothing, sign * step), corners, ONE).residuals
                for sign in (-1, 1)]
        np.testing.assert_allclose((ends[1] - ends[0]) / 2e-7, J[:, :, i], rtol=1e-4,
                                   atol=1e-4 * np.abs(J).max())


def test_eliminating_the_poses_is_exact() -> None:
    """The Schur complement's inverse is the corner of the inverse of the whole system."""
    rig = rig_with("brown")
    views = views_through(rig, 5, seed=1)
    corners = corners_of(views, CHESSBOARD)
    problem = linearise(start(views, rig), corners, ONE)
    P = problem.J_shared.shape[2]
    J = np.zeros((len(corners.view), 2, P + 6 * len(views)))
    J[:, :, :P] = problem.J_shared
    for i, view in enumerate(corners.view):
        J[i, :, P + 6 * view:P + 6 * view + 6] = problem.J_pose[i]
    flat = J.reshape(-1, J.shape[2])
    scale = 1 / np.linalg.norm(flat, axis=0)
    whole = np.linalg.inv((flat * scale).T @ (flat * scale))[:P, :P] * np.outer(scale[:P],
                                                                               scale[:P])
    reduced = reduce_poses(problem)
    np.testing.assert_allclose(solve_scaled(reduced.information.sum(axis=0), np.eye(P)), whole,
                               rtol=1e-5, atol=1e-9 * np.abs(whole).max())


def test_a_view_of_one_camera_says_nothing_of_the_baseline() -> None:
    rig = rig_with("brown")
    views = views_through(rig, 6, seed=2)
    alone = TargetView(id="more", left=views[0].left, right=None)
    corners = corners_of([*views, alone], CHESSBOARD)
    reduced = reduce_poses(linearise(start([*views, alone], rig), corners, ONE))
    np.testing.assert_allclose(reduced.information[-1][8:14], 0, atol=1e-6)
    assert reduced.information[-1][0, 0] > 0


def test_noise_is_the_weight() -> None:
    """Twice the noise, four times the covariance."""
    rig = rig_with("brown")
    views = views_through(rig, 6, seed=4)
    corners, bundle = corners_of(views, CHESSBOARD), start(views, rig)
    once, twice = (reduce_poses(linearise(bundle, corners, np.full(2, n))).information
                   for n in (0.1, 0.2))
    np.testing.assert_allclose(once, 4 * twice, rtol=1e-6, atol=1e-9 * np.abs(once).max())


def test_brown_in_the_words_of_a_fisheye() -> None:
    """Within the picture the two lenses see the same, to some pixels: it is a start."""
    rig = rig_with("brown")
    views = views_through(rig, 6, seed=5, noise_px=0.0)
    corners = corners_of(views, CHESSBOARD)
    brown, _ = adjust(start(views, rig), corners, ONE)
    fisheye = with_model(brown, "fisheye", rig.size)
    radial = linearise(fisheye, corners, ONE).residuals
    assert np.abs(radial).max() < 2.0
    pinhole = linearise(with_model(start(views, rig), "fisheye", rig.size), corners, ONE).residuals
    assert np.abs(pinhole).max() > 5.0


def test_turns_are_about_the_right_cameras_own_axes() -> None:
    rig = rig_with("brown")
    views = views_through(rig, 5, seed=6)
    bundle = start(views, rig)
    step = np.zeros(bundle.shared)
    step[9] = 0.01
    turned = cv2.Rodrigues(np.array([0, 0.01, 0]))[0] @ bundle.R
    np.testing.assert_allclose(bundle.moved(step).R, turned, atol=1e-12)
