"""Solving a rig: the truth within the stated sigmas, views set aside, sets refused."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, get_args

import numpy as np
import pytest

from hazcam.calibration import LensModel, StereoRig
from hazcam.calibration.advice import propose, tilt_words, turned_by
from hazcam.calibration.detect import Found
from hazcam.calibration.fit import Fit, fit_rig
from hazcam.calibration.geometry import project
from hazcam.calibration.held_out import hold_out, steps_without
from hazcam.calibration.solution import RigSolution
from hazcam.calibration.solve import solve_rig
from hazcam.calibration.start import first_guess
from hazcam.calibration.views import MIN_PAIRS, Fate, TargetView
from hazcam.calibration.words import verdict_text
from hazcam.errors import CalibrationError
from tests.benchmarks.calibration import errors_in_sigmas
from tests.boards import facing, random_views
from tests.lenses import rig_with
from tests.target_views import CHESSBOARD, noisy, views_at, views_through

BROWN = rig_with("brown")


def solved(views: Sequence[TargetView], rig: StereoRig = BROWN, **options: object) -> RigSolution:
    given: dict[str, Any] = {"model": rig.model} | options
    return solve_rig(views, CHESSBOARD, rig.size, **given)


@pytest.fixture(scope="module")
def views() -> list[TargetView]:
    return views_through(BROWN, 12, seed=11)


@pytest.fixture(scope="module")
def solution(views: list[TargetView]) -> RigSolution:
    return solved(views, model=None)


def fit(views: list[TargetView]) -> Fit:
    return fit_rig(first_guess(views, CHESSBOARD, BROWN.size), views, CHESSBOARD,
                   keep_outliers=True, where="test")


# --- the rig -------------------------------------------------------------------------------------


@pytest.mark.parametrize("model", get_args(LensModel))
def test_true_numbers_lie_within_the_sigmas(model: LensModel) -> None:
    """Long runs are the benchmark's; here 6 seeds, some 150 numbers.

    Chance lets 1 in 370 lie beyond 3 sigma; sigmas half of what they should be, 1 in 7.
    """
    rig = rig_with(model)
    errors = [errors_in_sigmas(solved(views_through(rig, 20, seed=s), rig).rig, rig)
              for s in range(6)]
    beyond = np.abs(np.stack(errors)) > 3
    assert beyond.mean() < 0.02
    assert 0.5 < np.sqrt(np.mean(np.stack(errors)[:, :14] ** 2)) < 1.5


def test_noise_of_the_corners_is_found(solution: RigSolution) -> None:
    np.testing.assert_allclose(solution.corner_px, 0.1, rtol=0.08)
    assert solution.spread_between_views == 1.0
    assert solution.rms_px == pytest.approx(0.1 * np.sqrt(2), rel=0.08)


def test_lens_models_are_compared_by_left_out_views(solution: RigSolution) -> None:
    assert solution.rig.model == "brown"
    scores = {s.model: s for s in solution.models}
    assert set(scores) == set(get_args(LensModel))
    assert scores["brown"].held_out_px > scores["brown"].fitted_px
    assert scores["brown"].why.startswith("chosen")


def test_a_fisheye_is_told_from_the_pictures() -> None:
    rig = rig_with("fisheye")
    found = solved(views_through(rig, 16, seed=5), rig, model=None)
    assert found.rig.model == "fisheye"
    assert found.choice == "held-out error"


def test_held_out_numbers(solution: RigSolution) -> None:
    """Rows of two corners of 0.1 px noise differ by 0.14 px; edges come out right."""
    held_out = solution.held_out
    assert np.std(held_out.epipolar_px) == pytest.approx(0.1 * np.sqrt(2), rel=0.12)
    assert held_out.edges.mean() == pytest.approx(1.0, abs=1e-3)
    assert len(held_out.edges) == 12 * (8 * 6 + 9 * 5)
    assert held_out.rms_all_px > solution.rms_px


def test_leaving_a_view_out_is_what_solving_without_it_is(views: list[TargetView]) -> None:
    """One step of Newton's method against the whole adjustment, in sigmas."""
    whole, without = fit(views), fit(views[1:])
    moved = whole.bundle.moved(steps_without(whole.reduced)[0])
    apart = moved.cameras - without.bundle.cameras
    full = whole.bundle.cameras - without.bundle.cameras
    assert np.linalg.norm(apart) < 0.1 * np.linalg.norm(full)


def test_held_out_numbers_are_by_the_rig_without_the_view(views: list[TargetView]) -> None:
    known = fit(views[:6])
    given = known.bundle, known.corners, CHESSBOARD, known.held_out_px
    held_out, fitted = (hold_out(*given, steps) for steps in (known.steps, 0 * known.steps))
    assert np.std(held_out.epipolar_px) > 1.02 * np.std(fitted.epipolar_px)
    assert np.std(held_out.edges) > np.std(fitted.edges)


@pytest.mark.parametrize(("changes", "words"), [
    ({}, "good enough to rely on"), ({"epipolar_px": np.full(9, 0.3)}, "0.30 px off their rows"),
    ({"edges": np.full(9, 1.01)}, "come out wrong by 1.0 %"),
    ({"edges": np.full(9, 0.99)}, "come out wrong by 1.0 %"),
    ({"edges": np.full(9, np.nan)}, "come out wrong by nan %"),
])
def test_the_verdict_needs_both_numbers(
    solution: RigSolution, changes: dict[str, Any], words: str
) -> None:
    full = replace(solution.coverage, left=np.ones((6, 8), int), right=np.ones((6, 8), int))
    rig = replace(solution.rig, covariance=1e-4 * np.asarray(solution.rig.covariance))
    assert words in verdict_text(rig, replace(solution.held_out, **changes), full)


def test_a_target_that_is_bowed(views: list[TargetView]) -> None:
    """0.3 mm over the whole board, alike in all views: neither left-out views nor spread tell."""
    rng = np.random.default_rng(0)
    points = CHESSBOARD.points_m.copy()
    along = points[:, 0] - points[:, 0].mean()
    points[:, 2] = 0.0003 * (along / along.max()) ** 2
    bowed = []
    for i, pose in enumerate(random_views(CHESSBOARD, BROWN, 14, 2)):
        left, right = project(BROWN, pose.apply(points))
        bowed.append(TargetView(id=str(i), left=noisy(left, 0.05, rng),
                                right=noisy(right, 0.05, rng)))
    found = solved(bowed)
    assert found.flatness.significant
    assert found.flatness.bow_m == pytest.approx(0.0003, abs=3 * found.flatness.sigma_m)
    assert "the target is bowed, by 0." in " ".join(found.advice)
    off = found.rig.K1[0, 0] - BROWN.K1[0, 0]
    assert abs(off) > 3 * found.parameters[0].chance
    assert abs(off) < 3 * found.parameters[0].sigma
    assert not solved(views).flatness.significant


def test_tilts_in_words() -> None:
    """The camera looks along z: what has the smaller z is nearer."""
    for tilt, edge in (((35.0, 0.0), [1.0, 0, 0]), ((-35.0, 0.0), [-1.0, 0, 0]),
                       ((0.0, 35.0), [0, -1.0, 0]), ((0.0, -35.0), [0, 1.0, 0])):
        side = {(1, 0): "right", (-1, 0): "left", (0, -1): "upper", (0, 1): "lower"}[
            int(edge[0]), int(edge[1])]
        assert (turned_by(tilt) @ edge)[2] < 0
        assert tilt_words(*tilt) == f"its {side} edge turned 35° towards the cameras"


def test_a_picture_that_is_half_a_pixel_off(views: list[TargetView]) -> None:
    """Too little for its residual, but it pulls the rig: the board moved between the exposures."""
    right = views[3].right
    assert right is not None
    moved = Found(ids=right.ids, pixels=right.pixels + np.array([0, 0.5]))
    found = solved([*views[:3], replace(views[3], right=moved), *views[4:]])
    fate, reason = fate_of(found, "03")
    assert fate == Fate.DROPPED
    assert reason.startswith("it pulls the rig")
    assert reason.endswith("moved between the two exposures")


def test_pictures_that_share_no_point(views: list[TargetView]) -> None:
    """Half a board in each: allowed of a ChArUco board, but no pair."""
    def half(found: Found | None, first: bool) -> Found:
        assert found is not None
        kept = (found.ids < 27) == first
        return Found(ids=found.ids[kept], pixels=found.pixels[kept])

    refused([replace(v, left=half(v.left, True), right=half(v.right, False)) for v in views],
            "in both pictures of 0 different pairs of 12; in 12 left and 12 right pictures")


def test_the_same_pictures_left_and_right(views: list[TargetView]) -> None:
    refused([replace(v, right=v.left) for v in views], "not the same pictures")


def test_views_that_err_alike_widen_the_sigmas(views: list[TargetView]) -> None:
    """A target that is bent differently each time: corners of a view are off together."""
    rng = np.random.default_rng(3)

    def bent(found: Found | None) -> Found:
        assert found is not None
        x, y = (CHESSBOARD.points_m[:, :2] / 0.1 - [1, 0.6]).T
        amount = rng.normal(0, 0.4, (2, 3))
        return Found(ids=found.ids,
                     pixels=found.pixels + (amount @ np.stack([x * x, x * y, y * y])).T)

    views_bent = [replace(v, left=bent(v.left), right=bent(v.right)) for v in views]
    flat, wavy = solved(views), solved(views_bent, keep_outliers=True)
    assert flat.spread_between_views == 1.0
    assert wavy.spread_between_views > 2.0
    assert any("disagree" in text and "most of all" in text for text in wavy.advice)
    alone = np.sqrt(np.linalg.inv(fit(views_bent).reduced.whole)[0, 0])
    assert wavy.parameters[0].chance == pytest.approx(
        alone * np.sqrt(wavy.spread_between_views), rel=0.01)


def test_what_another_corner_method_adds(views: list[TargetView]) -> None:
    """Corners that another method sets 0.1 % farther from the middle: the focal length follows.

    Corners that it sets elsewhere by chance add next to nothing.
    """
    rng = np.random.default_rng(4)

    def scaled(found: Found | None) -> Found:
        assert found is not None
        middle = np.array([320.0, 240.0])
        return Found(ids=found.ids, pixels=middle + 1.001 * (found.pixels - middle))

    def shaken(found: Found | None) -> Found:
        assert found is not None
        return Found(ids=found.ids, pixels=found.pixels + rng.normal(0, 0.2, found.pixels.shape))

    def method_of(change: Callable[[Found | None], Found]) -> float:
        others = [replace(v, again={f"other {i}": (change(v.left), change(v.right))
                                    for i in range(6)}) for v in views]
        method = solved(others).parameters[0].method
        assert method is not None
        return method

    fx = solved(views).parameters[0]
    assert method_of(scaled) == pytest.approx(0.001 * BROWN.K1[0, 0], rel=0.25)
    assert method_of(shaken) < fx.chance  # twice that, if chance were not taken off
    assert fx.method is None


def test_both_kinds_of_sigma_are_in_the_rig(solution: RigSolution) -> None:
    assert solution.rig.covariance is not None
    for place, name in ((0, "fx left"), (6, "cx right"), (9, "turn about y"), (14, "k1 left")):
        row = next(p for p in solution.parameters if p.name == name)
        unit = np.degrees(1.0) if row.unit == "deg" else 1.0
        assert row.sigma == pytest.approx(unit * np.sqrt(solution.rig.covariance[place, place]))


def test_views_are_proposed_that_help(views: list[TargetView]) -> None:
    """Each proposal stands on those before it, and helps."""
    few = views[:6]
    known = fit(few)
    first, second = propose(known.bundle, solved(few).rig, known.reduced.whole,
                            np.array([0.3, 0.4]), CHESSBOARD, known.noise_px)[:2]
    assert first.after_m < 0.9 * first.before_m
    assert second.before_m == pytest.approx(first.after_m)


# --- views that are set aside --------------------------------------------------------------------


def fate_of(solution: RigSolution, identifier: str) -> tuple[Fate, str]:
    return next((v.fate, v.reason) for v in solution.views if v.id == identifier)


def test_a_target_that_moved_between_the_exposures(views: list[TargetView]) -> None:
    moved = views_at(BROWN, [facing(CHESSBOARD, 0.4), facing(CHESSBOARD, 0.4, right_m=0.004,
                                                             down_m=0.004)])
    odd = TargetView(id="odd", left=moved[0].left, right=moved[1].right)
    found = solved([*views, odd])
    fate, reason = fate_of(found, "odd")
    assert fate == Fate.DROPPED
    assert "moved between the two exposures" in reason
    assert len(found.used) == 12
    np.testing.assert_allclose(found.rig.K1, solved(views).rig.K1, atol=0.02)


def test_a_picture_that_was_misread(views: list[TargetView]) -> None:
    found = views[3].right
    assert found is not None
    blurred = Found(ids=found.ids,
                    pixels=found.pixels + np.random.default_rng(0).normal(0, 0.8, (54, 2)))
    result = solved([*views[:3], replace(views[3], right=blurred), *views[4:]])
    fate, reason = fate_of(result, "03")
    assert fate == Fate.DROPPED
    assert "in the right picture" in reason
    kept = solved([*views[:3], replace(views[3], right=blurred), *views[4:]], keep_outliers=True)
    assert fate_of(kept, "03")[0] == Fate.USED
    assert "in the right picture" in fate_of(kept, "03")[1]


def test_a_single_corner_that_was_misread(views: list[TargetView]) -> None:
    found = views[5].left
    assert found is not None
    pixels = found.pixels.copy()
    pixels[10] += 5.0
    result = solved([*views[:5], replace(views[5], left=Found(ids=found.ids, pixels=pixels)),
                     *views[6:]])
    assert fate_of(result, "05") == (Fate.USED, "1 point far from where they must be, left out")
    assert len(result.residuals_px) == 12 * 108 - 1


def test_views_of_one_camera_help_that_camera(views: list[TargetView]) -> None:
    more = [replace(v, id=f"more-{v.id}", right=None, right_name="")
            for v in views_through(BROWN, 12, seed=21)]
    found = solved([*views[:6], *more])
    few = solved(views[:6])
    assert fate_of(found, "more-00") == (Fate.LEFT_ONLY, "")
    assert found.parameters[0].chance < 0.8 * few.parameters[0].chance
    assert np.isnan(next(v for v in found.views if v.id == "more-00").rms_px[1])


def test_a_picture_without_the_target(views: list[TargetView]) -> None:
    found = solved([replace(views[0], left=None), replace(views[1], left=None, right=None),
                    *views[2:]])
    assert fate_of(found, "00") == (Fate.RIGHT_ONLY, "target not found in the left picture")
    assert fate_of(found, "01") == (
        Fate.NOT_FOUND, "target not found in the left picture or the right picture")


def test_a_repeated_view_counts_once(views: list[TargetView]) -> None:
    found = solved([*views, replace(views[4], id="again")])
    fate, reason = fate_of(found, "again")
    assert fate == Fate.DROPPED
    assert reason.startswith("repeats 04")
    assert len(found.used) == 12


def reversed_order(found: Found | None) -> Found:
    assert found is not None
    return Found(ids=found.ids, pixels=found.pixels[::-1])


def test_one_view_ordered_from_the_other_end(views: list[TargetView]) -> None:
    odd = replace(views[2], right=reversed_order(views[2].right))
    fate, reason = fate_of(solved([*views[:2], odd, *views[3:]]), "02")
    assert fate == Fate.DROPPED
    assert "ordered from the other end in one of the two pictures" in reason


# --- sets that no calibration comes of ------------------------------------------------------------


def refused(views: Sequence[TargetView], words: str) -> None:
    with pytest.raises(CalibrationError, match=words):
        solved(views, model=None)


def test_too_few_pairs(views: list[TargetView]) -> None:
    refused(views[: MIN_PAIRS - 1],
            rf"in both pictures of {MIN_PAIRS - 1} different pairs of {MIN_PAIRS - 1}; in 4 left "
            r"and 4 right pictures\n"
            rf".*expected: {MIN_PAIRS} different pairs at least")


def test_the_same_view_over_and_over(views: list[TargetView]) -> None:
    refused([replace(views[0], id=str(i)) for i in range(12)],
            "of 1 different pair of 12, 11 more repeat one of them")


def test_all_views_face_the_cameras() -> None:
    """Only distance and focal length together show in views without tilt.

    The board is held 0.3 to 0.5 m away within 0.3 degrees: focal length and distance exchange.
    """
    rng = np.random.default_rng(0)
    rig = replace(BROWN, R=np.eye(3), T=np.array([-0.0994, 0, 0]))
    poses = [facing(CHESSBOARD, 0.45, tilt_deg=rng.normal(0, 0.3), lean_deg=rng.normal(0, 0.3),
                    right_m=rng.uniform(0, 0.1), down_m=rng.uniform(-0.06, 0.06))
             for _ in range(10)]
    refused(views_at(rig, poses, seed=1),
            r"focal length is not observable(.|\n)*faces the cameras in all views(.|\n)*tilted by "
            "20 to 45")


def test_left_and_right_exchanged(views: list[TargetView]) -> None:
    refused([replace(v, left=v.right, right=v.left) for v in views],
            r"left and right pictures are swapped(.|\n)*exchange the two names in --pair")


def mirrored(found: Found | None) -> Found:
    """As it is found in a picture that was flipped left to right: its order flips, too."""
    assert found is not None
    grid = np.column_stack([639 - found.pixels[:, 0], found.pixels[:, 1]]).reshape(6, 9, 2)
    return Found(ids=found.ids, pixels=grid[::-1].reshape(-1, 2))


def test_the_pictures_of_one_camera_are_mirrored(views: list[TargetView]) -> None:
    refused([replace(v, right=mirrored(v.right)) for v in views],
            "pictures of one of the two cameras are mirrored")


def test_all_views_ordered_from_the_other_end(views: list[TargetView]) -> None:
    refused([replace(v, right=reversed_order(v.right)) for v in views],
            "ordered from the other end in the pictures of one of the two cameras")


def test_one_camera_upside_down(views: list[TargetView]) -> None:
    """The picture is turned, and the corners keep their names."""
    def turned(found: Found | None) -> Found:
        assert found is not None
        return Found(ids=found.ids, pixels=[639, 479] - found.pixels)

    refused([replace(v, right=turned(v.right)) for v in views],
            r"turned by 1[78]\d° against the left one(.|\n)*upside down")


def test_pictures_of_other_moments(views: list[TargetView]) -> None:
    shifted = [replace(v, right=w.right)
               for v, w in zip(views, [*views[1:], views[0]], strict=True)]
    refused(shifted, "do not belong together")


def test_the_rig_holds_all_that_was_solved(solution: RigSolution) -> None:
    assert solution.rig.mount is None
    assert solution.rig.covariance is not None
    assert solution.rig.covariance.shape == (24, 24)
