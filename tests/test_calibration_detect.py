"""Finding a target: accuracy against rendered truth, the order of the points, what is refused."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam.calibration import StereoRig
from hazcam.calibration.detect import (
    Found,
    find_target,
    refine,
    smallest_spacing_px,
    what_else_is_there,
    window_for,
)
from hazcam.calibration.geometry import normalised
from hazcam.calibration.observe import observe, observe_all
from hazcam.calibration.target import Target, charuco_board
from hazcam.frames import Floats, Pose
from tests.boards import (
    BEHIND_GREY,
    BoardCamera,
    cameras_of,
    facing,
    random_views,
    render_board,
    render_pair,
)

CHESSBOARD = Target(kind="chessboard", columns=9, rows=6, pitch_m=0.025)
CHARUCO = Target(kind="charuco", columns=9, rows=6, pitch_m=0.025, marker_m=0.018,
                 dictionary="4x4_50")
CIRCLES = Target(kind="circles", columns=9, rows=6, pitch_m=0.025)
ASYMMETRIC = Target(kind="circles-asymmetric", columns=4, rows=11, pitch_m=0.016)
ALL = (CHESSBOARD, CHARUCO, CIRCLES, ASYMMETRIC)
BLUR_PX = 0.7
Picture = NDArray[Any]
Truth = Callable[[BoardCamera, Floats, Pose], Floats]


def shot(target: Target, camera: BoardCamera, pose: Pose, *, noise_grey: float = 2.0,
         seed: int = 0) -> NDArray[np.uint8]:
    return render_board(target, camera, pose, noise_grey=noise_grey, blur_px=BLUR_PX, seed=seed)


def found_in(picture: Picture, target: Target) -> Found:
    found = find_target(picture, target)
    assert found is not None
    return refine(picture, found, target)


@pytest.fixture(scope="module")
def rig() -> StereoRig:
    D = np.array([-0.27, 0.08, 0.001, -0.0005, -0.02])
    R = np.asarray(cv2.Rodrigues(np.array([0.003, 0.01, -0.004]))[0], np.float64)
    return StereoRig(name="rendered", size=(640, 480), D1=D, D2=D, R=R,
                     K1=np.array([[535.0, 0, 322], [0, 533, 238], [0, 0, 1]]),
                     K2=np.array([[540.0, 0, 318], [0, 541, 243], [0, 0, 1]]),
                     T=np.array([-0.1, 0.001, 0.001]), mount=None)


@pytest.fixture(scope="module")
def cameras(rig: StereoRig) -> tuple[BoardCamera, BoardCamera]:
    return cameras_of(rig)


@pytest.fixture(scope="module")
def left(cameras: tuple[BoardCamera, BoardCamera]) -> BoardCamera:
    return cameras[0]


@pytest.fixture(scope="module")
def pinhole() -> BoardCamera:
    return BoardCamera(K=np.array([[540.0, 0, 319.5], [0, 540, 239.5], [0, 0, 1]]), D=np.zeros(5),
                       model="brown", size=(640, 480))


# --- the renderer ---------------------------------------------------------------------------------


def test_rays_within_a_pixel(left: BoardCamera) -> None:
    """Rays that are linear within a pixel are off by less than 1e-3 px at its rim."""
    rng = np.random.default_rng(1)
    column, row = rng.integers(0, 640, 300), rng.integers(0, 480, 300)
    a, b = rng.uniform(-0.5, 0.5, (2, 300))
    exact = normalised(left.K, left.D, left.model, np.column_stack([column + a, row + b]))
    rays, r, c = left.rays, row + 1, column + 1
    linear = (rays[r, c] + a[:, None] * (rays[r, c + 1] - rays[r, c - 1]) / 2
              + b[:, None] * (rays[r + 1, c] - rays[r - 1, c]) / 2)
    assert np.abs(linear - exact).max() * left.K[0, 0] < 1e-3


@pytest.mark.parametrize("target", ALL, ids=lambda t: t.kind)
def test_the_renderer_has_converged(left: BoardCamera, target: Target) -> None:
    """Three sub-pixels a side come within a grey level of twelve (of 185 at an edge)."""
    pose = facing(target, 0.45, tilt_deg=30, lean_deg=20, turn_deg=8)
    coarse, fine = (render_board(target, left, pose, noise_grey=0, blur_px=0, seed=0,
                                 supersample=n).astype(float) for n in (3, 12))
    assert np.sqrt(np.mean((coarse - fine)[fine != BEHIND_GREY] ** 2)) < 0.7


# --- accuracy -------------------------------------------------------------------------------------


def middles_of_circles(target: Target, camera: BoardCamera, pose: Pose) -> Floats:
    """Middles of the areas that the circles cover in the picture, shape (count, 2). [px]"""
    angle = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    rim = target.circle_diameter_m / 2 * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    points = (target.points_m[:, None] + rim).reshape(-1, 3)
    x, y = np.moveaxis(camera.pixels_of(points, pose).reshape(target.count, -1, 2), 2, 0)
    x2, y2 = np.roll(x, -1, axis=1), np.roll(y, -1, axis=1)
    cross = x * y2 - x2 * y
    middles = np.column_stack([((x + x2) * cross).sum(axis=1), ((y + y2) * cross).sum(axis=1)])
    return np.asarray(middles / (3 * cross.sum(axis=1)[:, None]))


def errors(
    target: Target, rig: StereoRig, camera: BoardCamera, *, noise_grey: float,
    half_window_px: int | None = None, views: int = 8, truth: Truth = BoardCamera.pixels_of,
) -> Floats:
    """Found less true, of several views, shape (N, 2). [px]"""
    rows = []
    for seed, pose in enumerate(random_views(target, rig, views, seed=5)):
        picture = shot(target, camera, pose, noise_grey=noise_grey, seed=seed)
        found = find_target(picture, target)
        if found is not None:
            refined = refine(picture, found, target, half_window_px)
            rows.append(refined.pixels - truth(camera, target.points_m, pose)[found.ids])
    assert len(rows) >= views - 1
    return np.concatenate(rows)


def rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


# Measured on twenty other views (seed 1), without and with noise of two grey levels: chessboard
# 0.026 and 0.031 px, ChArUco 0.044 and 0.052 px.
@pytest.mark.parametrize(("target", "most_px", "most_noisy_px"), [
    (CHESSBOARD, 0.035, 0.040), (CHARUCO, 0.055, 0.065),
], ids=["chessboard", "charuco"])
def test_accuracy_of_corners(
    rig: StereoRig, left: BoardCamera, target: Target, most_px: float, most_noisy_px: float
) -> None:
    clean = errors(target, rig, left, noise_grey=0)
    noisy = errors(target, rig, left, noise_grey=2)
    assert 0.005 < rms(clean) < most_px
    assert rms(clean) < rms(noisy) < most_noisy_px
    # No common offset: a convention off by half a pixel would show.
    assert np.abs(clean.mean(axis=0)).max() < 0.01
    assert np.quantile(np.abs(noisy), 0.99) < 0.2


@pytest.mark.parametrize("target", [CIRCLES, ASYMMETRIC], ids=["circles", "circles-asymmetric"])
def test_accuracy_of_circles(rig: StereoRig, left: BoardCamera, target: Target) -> None:
    """Their areas are found to 0.02 px; perspective moves these off the true middles, by more."""
    def area(camera: BoardCamera, _: Floats, pose: Pose) -> Floats:
        return middles_of_circles(target, camera, pose)

    found = errors(target, rig, left, noise_grey=2, truth=area)
    assert 0.001 < rms(found) < 0.02
    assert np.abs(found.mean(axis=0)).max() < 0.005
    biased = errors(target, rig, left, noise_grey=2)
    assert 1.2 * rms(found) < rms(biased) < 0.06


def test_the_window_matters(rig: StereoRig, left: BoardCamera) -> None:
    """A small window is noisier; one that takes in the next corner is wrong by pixels."""
    own = rms(errors(CHESSBOARD, rig, left, noise_grey=2))
    assert rms(errors(CHESSBOARD, rig, left, noise_grey=2, half_window_px=2)) > 1.3 * own
    assert np.abs(errors(CHESSBOARD, rig, left, noise_grey=2, half_window_px=11)).max() > 1.0


def test_the_window_follows_the_spacing(left: BoardCamera) -> None:
    windows = []
    for distance in (0.35, 0.5, 0.9, 1.5):
        picture = shot(CHESSBOARD, left, facing(CHESSBOARD, distance))
        found = find_target(picture, CHESSBOARD)
        assert found is not None
        assert smallest_spacing_px(found, CHESSBOARD) == pytest.approx(
            535 * 0.025 / distance, rel=0.06)
        windows.append(window_for(found, CHESSBOARD))
    assert windows == sorted(windows, reverse=True)
    assert windows[0] > 8
    assert windows[-1] == 3


def test_circles_are_not_refined(left: BoardCamera) -> None:
    picture = shot(CIRCLES, left, facing(CIRCLES, 0.45))
    found = find_target(picture, CIRCLES)
    assert found is not None
    assert refine(picture, found, CIRCLES) is found


def test_bias_of_a_tilted_circle(pinhole: BoardCamera) -> None:
    """The middle of the picture of a circle is not the picture of its middle.

    Closed form, worked here: radius r, tilted by t about y at depth Z on the optical axis. The ends
    of the diameter across the axis of the tilt are seen at f (+-r cos t) / (Z +- r sin t); their
    mean is f r^2 sin t cos t / (Z^2 - r^2 sin^2 t) off the middle, and so is the ellipse's.
    """
    target = Target(kind="circles", columns=3, rows=3, pitch_m=0.1)
    r, Z, t = target.circle_diameter_m / 2, 0.6, np.radians(40.0)
    bias = 540 * r**2 * np.sin(t) * np.cos(t) / (Z**2 - (r * np.sin(t)) ** 2)
    assert bias > 0.4
    found = found_in(shot(target, pinhole, facing(target, Z, tilt_deg=40), noise_grey=0), target)
    assert found.pixels[4] == pytest.approx([319.5 + bias, 239.5], abs=0.05)


# --- the order ------------------------------------------------------------------------------------


def turned(found: Found, size: tuple[int, int] = (640, 480)) -> Floats:
    """Where the pixels are in the picture turned by 180 degrees."""
    return np.array(size) - 1 - found.pixels


@pytest.mark.parametrize("target", [CHESSBOARD, CHARUCO, ASYMMETRIC], ids=lambda t: t.kind)
def test_a_pattern_with_ends_keeps_its_order_when_turned(
    left: BoardCamera, target: Target
) -> None:
    picture = shot(target, left, facing(target, 0.42, tilt_deg=10))
    upright = found_in(picture, target)
    over = found_in(np.ascontiguousarray(picture[::-1, ::-1]), target)
    np.testing.assert_array_equal(over.ids, upright.ids)
    assert np.abs(over.pixels - turned(upright)).max() < 0.1


@pytest.mark.parametrize("target", [replace(CHESSBOARD, columns=8), CIRCLES,
                                    replace(CHESSBOARD, columns=7, rows=5)],
                         ids=["even", "circles", "odd"])
def test_a_pattern_alike_from_both_ends_starts_upper_left(
    left: BoardCamera, target: Target
) -> None:
    picture = shot(target, left, facing(target, 0.45, turn_deg=10))
    for seen in (picture, np.ascontiguousarray(picture[::-1, ::-1])):
        pixels = found_in(seen, target).pixels
        assert pixels[0].sum() < pixels[-1].sum()


@pytest.mark.parametrize("target", [
    replace(CHESSBOARD, columns=6, pitch_m=0.03), replace(CHESSBOARD, columns=7, rows=7),
    replace(CIRCLES, columns=6, pitch_m=0.03),
], ids=["even", "odd", "circles"])
@pytest.mark.parametrize("turn_deg", [-80, 10, 100, 190])
def test_square_patterns_start_upper_left_too(
    left: BoardCamera, target: Target, turn_deg: float
) -> None:
    pixels = found_in(shot(target, left, facing(target, 0.5, turn_deg=turn_deg)), target).pixels
    grid = pixels.reshape(target.rows, target.columns, 2)
    corners = np.array([grid[0, 0], grid[0, -1], grid[-1, 0], grid[-1, -1]]).sum(axis=1)
    # Of an odd chessboard two corners have a black square, and one of these comes first.
    assert corners[0] == min(corners) or (target.columns == 7 and corners[0] < corners[3])


@pytest.mark.parametrize("turn_deg", [0, 60, 120, 180, 240, 300])
@pytest.mark.parametrize("target", ALL, ids=lambda t: t.kind)
def test_the_order_is_right_handed_and_true(
    left: BoardCamera, target: Target, turn_deg: float
) -> None:
    pose = facing(target, 0.5, turn_deg=turn_deg, lean_deg=15)
    found = found_in(shot(target, left, pose), target)
    truth = left.pixels_of(target.points_m, pose)
    if target.half_turn_alike and truth[0].sum() > truth[-1].sum():
        truth = truth[::-1]
    assert np.abs(found.pixels - truth[found.ids]).max() < 0.5


def test_both_detectors_agree(left: BoardCamera, monkeypatch: pytest.MonkeyPatch) -> None:
    """OpenCV's sector-based detector starts at the other end than the classic one."""
    pictures = [shot(CHESSBOARD, left, facing(CHESSBOARD, 0.45, turn_deg=turn))
                for turn in (0, 100, 180)]
    classic = [found_in(picture, CHESSBOARD) for picture in pictures]
    monkeypatch.setattr(cv2, "findChessboardCorners", lambda *_, **__: (False, None))
    for picture, expected in zip(pictures, classic, strict=True):
        assert np.abs(found_in(picture, CHESSBOARD).pixels - expected.pixels).max() < 0.05


def test_left_and_right_agree(
    rig: StereoRig, cameras: tuple[BoardCamera, BoardCamera]
) -> None:
    even = replace(CHESSBOARD, columns=8)
    pose = random_views(even, rig, 1, seed=3)[0]
    pictures = render_pair(even, cameras, rig, pose, noise_grey=2, blur_px=BLUR_PX, seed=1)
    poses = (pose, Pose(R=rig.R, t=rig.T) @ pose)
    for picture, camera, there in zip(pictures, cameras, poses, strict=True):
        truth = camera.pixels_of(even.points_m, there)
        assert np.abs(found_in(picture, even).pixels - truth).max() < 0.3


# --- what is in the picture -----------------------------------------------------------------------


def test_a_mirrored_chessboard_is_right_handed_all_the_same(left: BoardCamera) -> None:
    picture = shot(CHESSBOARD, left, facing(CHESSBOARD, 0.45))
    grid = found_in(np.ascontiguousarray(picture[:, ::-1]), CHESSBOARD).pixels.reshape(6, 9, 2)
    across, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    assert across[0] * down[1] - across[1] * down[0] > 0


def test_a_mirrored_charuco_board_is_named(left: BoardCamera) -> None:
    mirrored = shot(CHARUCO, left, facing(CHARUCO, 0.42))[:, ::-1]
    assert find_target(mirrored, CHARUCO) is None
    assert "mirrored picture" in str(what_else_is_there(mirrored, CHARUCO))


@pytest.mark.parametrize(("shown", "sought", "words"), [
    (CHESSBOARD, replace(CHESSBOARD, columns=8), "a chessboard of 9 x 6 inner corners"),
    (CHESSBOARD, replace(CHESSBOARD, rows=7), "a chessboard of 9 x 6 inner corners"),
    (CHESSBOARD, CHARUCO, "a chessboard of 9 x 6 inner corners"),
    (CHARUCO, replace(CHARUCO, columns=6, rows=9), "columns and rows are exchanged"),
    (CHARUCO, replace(CHARUCO, columns=7), "35 ChArUco markers of 4 x 4 bits"),
    (CIRCLES, replace(CIRCLES, columns=8), "54 round dark spots .*the target has 48 circles"),
    (CIRCLES, CHESSBOARD, "54 round dark spots"),
    (ASYMMETRIC, replace(ASYMMETRIC, rows=9), "44 round dark spots .*the target has 36 circles"),
], ids=lambda v: getattr(v, "kind", ""))
def test_another_target_is_not_taken_for_it_and_named(
    left: BoardCamera, shown: Target, sought: Target, words: str
) -> None:
    picture = shot(shown, left, facing(shown, 0.42, tilt_deg=12, lean_deg=-8, turn_deg=4))
    assert find_target(picture, sought) is None
    found = what_else_is_there(picture, sought)
    assert found is not None
    assert re.search(words, found)


def test_rows_and_columns_of_an_asymmetric_grid_exchanged(left: BoardCamera) -> None:
    shown = replace(ASYMMETRIC, columns=5, rows=7)
    picture = shot(shown, left, facing(shown, 0.4))
    sought = replace(shown, columns=7, rows=5)
    assert find_target(picture, sought) is None
    assert "columns and rows are exchanged" in str(what_else_is_there(picture, sought))


@pytest.mark.parametrize("target", ALL, ids=lambda t: t.kind)
def test_nothing_there(target: Target) -> None:
    noise = np.random.default_rng(0).normal(100, 3, (480, 640)).astype(np.uint8)
    assert find_target(noise, target) is None
    assert what_else_is_there(noise, target) is None


def test_part_of_a_charuco_board(left: BoardCamera) -> None:
    pose = facing(CHARUCO, 0.42, turn_deg=5)
    picture = shot(CHARUCO, left, pose)
    picture[:, 350:] = round(BEHIND_GREY)
    found = found_in(picture, CHARUCO)
    assert 6 <= found.ids.size < 40
    truth = left.pixels_of(CHARUCO.points_m, pose)[found.ids]
    assert truth[:, 0].max() < 352
    assert np.abs(found.pixels - truth).max() < 0.3


def test_a_single_line_of_charuco_corners_is_no_target(left: BoardCamera) -> None:
    """Two rows of squares: their markers give the nine corners between them, all on one line."""
    pose = facing(CHARUCO, 0.42)
    picture = shot(CHARUCO, left, pose)
    rows = left.pixels_of(CHARUCO.points_m, pose).reshape(6, 9, 2)[:, 4, 1]
    picture[: round(rows[1]) - 3] = round(BEHIND_GREY)
    picture[round(rows[3]) + 4 :] = round(BEHIND_GREY)
    detector = cv2.aruco.CharucoDetector(charuco_board(CHARUCO))
    ids = detector.detectBoard(picture)[1]
    assert ids is not None
    assert len(ids) >= 6
    assert find_target(picture, CHARUCO) is None


@pytest.mark.parametrize("bits", [12, 16])
def test_sixteen_bit_pictures(left: BoardCamera, bits: int) -> None:
    picture = shot(CHESSBOARD, left, facing(CHESSBOARD, 0.45))
    deep = picture.astype(np.uint16) * ((2**bits - 1) // 255)
    assert np.abs(found_in(deep, CHESSBOARD).pixels
                  - found_in(picture, CHESSBOARD).pixels).max() < 1e-2


def test_many_pictures_keep_their_order_for_any_number_of_workers(
    rig: StereoRig, left: BoardCamera
) -> None:
    for target in (CHESSBOARD, CIRCLES):
        pictures = [shot(target, left, pose, seed=i)
                    for i, pose in enumerate(random_views(target, rig, 4, seed=2))]
        pictures.insert(2, np.full((480, 640), 90, np.uint8))
        alone = [observe(picture, target).found for picture in pictures]
        assert [f is None for f in alone] == [False, False, True, False, False]
        for workers in (1, 3):
            cv2.setRNGSeed(workers)
            together = [o.found for o in observe_all(pictures, target, workers=workers)]
            for one, other in zip(alone, together, strict=True):
                assert (one is None) == (other is None)
                if one is not None and other is not None:
                    np.testing.assert_array_equal(one.pixels, other.pixels)


def test_random_numbers_of_a_detector_are_the_same_for_each_picture(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sector-based detector answers differently from one draw to the next."""
    drawn = []

    def draw(*_: Any) -> tuple[bool, None, None]:
        drawn.append(float(np.asarray(cv2.randu(np.zeros(1), np.zeros(1), np.ones(1)))[0]))
        return False, None, None

    monkeypatch.setattr(cv2, "findChessboardCornersSB", lambda *a: draw(*a)[:2])
    monkeypatch.setattr(cv2, "findChessboardCornersSBWithMeta", draw)
    blank = np.full((480, 640), 90, np.uint8)
    for seed in (1, 2, 3):
        cv2.setRNGSeed(seed)
        assert find_target(blank, CHESSBOARD) is None
        cv2.setRNGSeed(seed)
        assert what_else_is_there(blank, CHESSBOARD) is None
    assert len(drawn) == 6
    assert len(set(drawn)) == 1


@pytest.mark.parametrize("target", [CIRCLES, ASYMMETRIC], ids=lambda t: t.kind)
def test_a_circle_answered_twice_is_no_grid(
    left: BoardCamera, monkeypatch: pytest.MonkeyPatch, target: Target
) -> None:
    """OpenCV's clustering does so at times; the other way of looking then finds the grid."""
    picture = shot(target, left, facing(target, 0.45))
    right = find_target(picture, target)
    assert right is not None
    wrong = right.pixels.astype(np.float32)
    wrong[21] = wrong[20]
    look: Callable[..., Any] = cv2.findCirclesGrid

    def clustering_fails(*a: Any, flags: int, **k: Any) -> Any:
        return (True, wrong) if flags & cv2.CALIB_CB_CLUSTERING else look(*a, flags=flags, **k)

    monkeypatch.setattr(cv2, "findCirclesGrid", clustering_fails)
    found = find_target(picture, target)
    assert found is not None
    np.testing.assert_allclose(found.pixels, right.pixels, atol=1e-3)
    monkeypatch.setattr(cv2, "findCirclesGrid", lambda *_, **__: (True, wrong))
    assert find_target(picture, target) is None


@pytest.mark.parametrize(("ids", "pixels", "words"), [
    ([0, 1], np.zeros((3, 2)), r"ids \(N,\) and pixels"),
    ([1, 0], np.zeros((2, 2)), "ids rise"),
    ([0, 1], np.full((2, 2), np.nan), "finite"),
])
def test_found_checks_itself(ids: list[int], pixels: Floats, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Found(ids=np.array(ids), pixels=pixels)


# --- OpenCV's own pictures ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def doc_pictures(opencv_doc: Path) -> list[NDArray[np.uint8]]:
    """13 left pictures, then the 13 right ones."""
    names = [f"{side}{i:02d}.jpg" for side in ("left", "right")
             for i in (*range(1, 10), *range(11, 15))]
    read: Callable[..., Any] = cv2.imread
    return [read(str(opencv_doc / name), cv2.IMREAD_GRAYSCALE) for name in names]


def test_all_of_opencvs_pictures(doc_pictures: list[NDArray[np.uint8]]) -> None:
    found = [o.found for o in observe_all(doc_pictures, CHESSBOARD)]
    rows = []
    for picture, one in zip(doc_pictures, found, strict=True):
        assert one is not None
        grid = refine(picture, one, CHESSBOARD).pixels.reshape(6, 9, 2)
        # The square inside point 0 has the colour of the one outside, its diagonal neighbour.
        dark, bright = (picture[tuple(np.rint(g.mean(axis=(0, 1))).astype(int)[::-1])]
                        for g in (grid[:2, :2], grid[:2, 1:3]))
        assert int(dark) + 60 < int(bright)
        rows.append((grid[0, -1] - grid[0, 0]) / np.linalg.norm(grid[0, -1] - grid[0, 0]))
    # The same end first in both pictures of each pair.
    for left_row, right_row in zip(rows[:13], rows[13:], strict=True):
        assert left_row @ right_row > np.cos(np.radians(15.0))


def test_a_part_of_opencvs_board_is_refused(doc_pictures: list[NDArray[np.uint8]]) -> None:
    """The classic detector alone answers 8 x 6 of these 9 x 6 corners in 25 of 26 pictures."""
    part = replace(CHESSBOARD, columns=8)
    pictures = doc_pictures[1:9]
    answers = [cv2.findChessboardCorners(p, (8, 6))[0] for p in pictures]
    assert sum(answers) >= 6
    assert [find_target(picture, part) for picture in pictures] == [None] * len(pictures)
