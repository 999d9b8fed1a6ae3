from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam.assess import rig_causes
from hazcam.epipolar import (
    MAX_EPIPOLAR_OFFSET_PX,
    EpipolarResidual,
    check_epipolar,
    correct_offset,
)
from hazcam.errors import PairError
from hazcam.frames import Floats, View, view_from
from hazcam.imagery import PixelState, StereoPair, check_pictures, pair_from_arrays
from hazcam.rectification import RectifiedPair, rectify
from hazcam.tracks import Tracks, track_features
from tests.synthetic import FOCAL_PX, LEVEL, Box, Scene, both, ideal_rig, mount_of, render


def view() -> View:
    return view_from(mount_of(ideal_rig()), LEVEL, unknown_tilt_deg=0, scale_sigma=0)


def rectified(pair: StereoPair) -> RectifiedPair:
    return rectify(pair, ideal_rig(), check_pictures(pair))


def residual_of(pair: StereoPair) -> EpipolarResidual:
    return check_epipolar(rectified(pair), view(), check_pictures(pair).noise)


def tracks_of(pair: StereoPair, *, far_off_rows: bool = False) -> Tracks:
    return track_features(rectified(pair), view(), check_pictures(pair).noise,
                          far_off_rows=far_off_rows)


@cache
def flat(seed: int = 1) -> StereoPair:
    return render(Scene(seed=seed))


def shifted(shift_px: float) -> StereoPair:
    """The right picture as by a camera whose principal point lies lower; rendered, not moved."""
    rig = ideal_rig()
    K = rig.K1 + np.array([[0, 0, 0], [0, 0, shift_px], [0, 0, 0]])
    return pair_from_arrays(flat().left, render(Scene(), replace(rig, K1=K)).right)


def turned(pair: StereoPair, turn_deg: tuple[float, float, float]) -> tuple[StereoPair, Floats]:
    """The right camera turned about its own centre, and the homography that this is."""
    K = ideal_rig().K1
    H = K @ cv2.Rodrigues(np.radians(np.array(turn_deg)))[0] @ np.linalg.inv(K)
    right = cv2.warpPerspective(np.asarray(pair.right), H, (640, 480), flags=cv2.INTER_CUBIC,
                                borderMode=cv2.BORDER_REPLICATE)
    return pair_from_arrays(pair.left, right), H


def moved_by(H: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Pixels on a grid over the ground, (x, y), and where the homography takes them."""
    x, y = (v.ravel().astype(float) for v in np.meshgrid(np.arange(0, 640, 20),
                                                         np.arange(120, 480, 20)))
    moved = H @ np.stack([x, y, np.ones_like(x)])
    return x, y, moved[0] / moved[2], moved[1] / moved[2]


# What the pictures show

def test_a_calibrated_rig_matches_its_calibration_and_is_left_alone() -> None:
    residual = residual_of(flat())
    assert residual.matches_calibration
    assert residual.count > 200
    assert residual.largest_px < 0.05
    assert not residual.corrected
    pair = rectified(flat())
    assert correct_offset(pair, residual) is pair


@pytest.mark.parametrize("shift_px", [-0.7, -0.25, 0.4, 0.8])
def test_a_shift_is_measured_and_taken_out(shift_px: float) -> None:
    pair = shifted(shift_px)
    residual = residual_of(pair)
    assert residual.offset is not None
    assert residual.offset.model == "constant"
    sigma = np.sqrt(residual.offset.covariance[0, 0])
    assert sigma < 0.05
    assert abs(residual.offset.a_px - shift_px) < 3 * sigma
    assert residual.corrected
    again = check_epipolar(correct_offset(rectified(pair), residual), view(),
                           check_pictures(pair).noise)
    assert again.largest_px < 0.05


def test_rows_added_to_the_shift_are_added_to_the_answer() -> None:
    """Equivariance: the right picture moved down by whole rows, which needs no interpolation."""
    left, right = both(shifted(0.25))
    found = [np.median(tracks_of(pair_from_arrays(left, np.roll(right, rows, axis=0))).offsets_px)
             for rows in (-1, 0, 1, 2)]
    np.testing.assert_allclose(np.diff(found), 1.0, atol=0.02)


def test_a_camera_turned_about_its_axis_is_turned_back() -> None:
    """0.1 degrees: 0.56 px at the rim; afterwards rows and columns are right to 0.05 px."""
    pair, H = turned(flat(), (0.0, 0.0, 0.1))
    residual = residual_of(pair)
    offset = residual.offset
    assert offset is not None
    assert offset.model == "affine"
    assert offset.b == pytest.approx(np.radians(0.1), abs=3 * np.sqrt(offset.covariance[1, 1]))
    assert residual.corrected
    x, y, x_found, y_found = moved_by(H)
    assert np.abs(y_found - y).mean() > 0.2
    assert np.abs(y_found - y - offset.at(x_found, y)).mean() < 0.05
    assert np.abs(x_found - x).mean() > 0.1
    assert np.abs(x_found - x + offset.b * (y - offset.centre_px[1])).mean() < 0.05
    again = check_epipolar(correct_offset(rectified(pair), residual), view(),
                           check_pictures(pair).noise)
    assert again.largest_px < 0.06


def test_a_nod_is_taken_out() -> None:
    """0.06 degrees are 0.54 px at the centre and, by perspective, 0.66 px at the lower rim."""
    pair, H = turned(flat(), (-0.06, 0.0, 0.0))
    offset = residual_of(pair).offset
    assert offset is not None
    _, y, x_found, y_found = moved_by(H)
    assert np.abs(y_found - y).max() > 0.6
    assert np.abs(y_found - y - offset.at(x_found, y)).mean() < 0.05


def test_a_camera_turned_sideways_hardly_shows() -> None:
    """The limit of the method: 0.06 degrees, 0.54 px of disparity, leave rows within 0.15 px."""
    residual = residual_of(turned(flat(), (0.0, 0.06, 0.0))[0])
    assert residual.matches_calibration
    assert residual.largest_px < 0.15


# Beyond the limit

@pytest.mark.parametrize("shift_px", [-1.5, 1.5, 9.0])
def test_a_larger_shift_is_measured_and_refused(shift_px: float) -> None:
    pair = rectified(shifted(shift_px))
    residual = residual_of(shifted(shift_px))
    assert residual.checked
    assert residual.largest_px == pytest.approx(abs(shift_px), abs=0.2)
    assert not residual.matches_calibration
    assert not residual.corrected
    assert correct_offset(pair, residual) is pair
    (cause,) = rig_causes(residual)
    assert cause.kind == "rig no longer matches its calibration"
    assert (cause.demand, cause.limit) == (residual.largest_px, MAX_EPIPOLAR_OFFSET_PX)
    assert f"rows lie up to {residual.largest_px:.2f} px off" in cause.text


def test_a_roll_beyond_the_limit_is_refused() -> None:
    residual = residual_of(turned(flat(), (0.0, 0.0, 0.6))[0])
    assert residual.checked
    assert not residual.matches_calibration


def test_offsets_that_disagree_are_refused() -> None:
    """A picture bent by lens distortion that the calibration does not know: no affine offset."""
    rows, columns = np.mgrid[:480, :640].astype(np.float32)
    left, right = both(flat())
    bent = cv2.remap(right, columns, rows + 2.0 * np.sin(columns / 40), cv2.INTER_CUBIC,
                     borderMode=cv2.BORDER_REPLICATE)
    residual = residual_of(pair_from_arrays(left, bent))
    assert residual.checked
    assert residual.spread_px > 0.6
    assert not residual.matches_calibration


# Hard pictures

def test_a_board_close_by_passes() -> None:
    """A wall 0.23 m ahead fills the picture; the floor that was expected is nowhere."""
    residual = residual_of(render(Scene(boxes=(Box(0.40, 0.60, -1.0, 1.0, 1.0),))))
    assert residual.count > 150
    assert residual.matches_calibration
    assert residual.largest_px < 0.1


def dark_with_glints() -> StereoPair:
    """Lit ground of 8 grey levels with a texture of 2, and glints of 250 here and there."""
    rng = np.random.default_rng(4)
    pictures: list[NDArray[np.uint8]] = []
    for picture in both(render(Scene(noise_grey=0.0))):
        dim = np.where(picture > 175, 250.0, 0.08 * picture)
        pictures.append(np.clip(np.rint(dim + 0.4 * rng.standard_normal(dim.shape)), 0, 255)
                        .astype(np.uint8))
    return pair_from_arrays(*pictures)


def test_dark_ground_with_glints_passes() -> None:
    pair = dark_with_glints()
    assert 0.0005 < np.mean(both(pair)[0] > 200) < 0.01
    found = tracks_of(pair)
    assert found.count > 150
    # features in most of the cells of 80 x 60 px that hold ground
    cells = set(zip(found.rows // 60, found.columns // 80, strict=True))
    assert len(cells) > 25
    residual = residual_of(pair)
    assert residual.matches_calibration
    assert residual.largest_px < 0.1


def test_a_darker_right_picture_changes_nothing() -> None:
    left, right = both(shifted(0.4))
    darker = np.rint(0.6 * right).astype(np.uint8)
    offset = residual_of(pair_from_arrays(left, darker)).offset
    assert offset is not None
    assert offset.a_px == pytest.approx(0.4, abs=0.05)


@pytest.mark.parametrize("state", [PixelState.DARK, PixelState.SATURATED, PixelState.LOST])
@pytest.mark.parametrize("side", ["left", "right"])
def test_pixels_that_are_not_usable_do_not_count(side: str, state: PixelState) -> None:
    pair = rectified(flat())
    states = {name: np.array(getattr(pair, f"state_{name}")) for name in ("left", "right")}
    states[side][:, 200:300] = state
    masked = replace(pair, state_left=states["left"], state_right=states["right"])
    found = track_features(masked, view(), check_pictures(flat()).noise)
    before = track_features(pair, view(), check_pictures(flat()).noise)
    inside = (found.columns > 200) & (found.columns < 299)
    if side == "right":
        assert not inside.any()
        assert ((before.columns > 200) & (before.columns < 299)).sum() > 30
    assert 100 < found.count < before.count - 20


def test_large_pictures_are_binned_and_their_pixels_counted() -> None:
    """Three times the size: the same place on the ground, offsets three times as large."""
    rig = ideal_rig()
    K = np.array([[3 * FOCAL_PX, 0, 959.5], [0, 3 * FOCAL_PX, 719.5], [0, 0, 1.0]])
    rig = replace(rig, size=(1920, 1440), K1=K, K2=K)
    large = [cv2.resize(p, (1920, 1440), interpolation=cv2.INTER_CUBIC)
             for p in both(shifted(0.25))]
    pair = pair_from_arrays(*large)
    found = check_epipolar(rectify(pair, rig, check_pictures(pair)), view(),
                           check_pictures(pair).noise)
    assert found.offset is not None
    assert found.count > 200
    assert found.offset.a_px == pytest.approx(0.75, abs=0.1)


# Nothing to go by

def test_pictures_without_features_leave_the_rig_unchecked() -> None:
    rng = np.random.default_rng(3)
    flat_ = [np.full((480, 640), 90, np.uint8) + rng.integers(0, 2, (480, 640), np.uint8)
             for _ in range(2)]
    residual = residual_of(pair_from_arrays(*flat_))
    assert not residual.checked
    assert not residual.matches_calibration  # what was not checked is not known to match
    assert not residual.corrected


def test_noise_leaves_the_rig_unchecked() -> None:
    rng = np.random.default_rng(3)
    noisy = [np.clip(90 + 20 * rng.standard_normal((480, 640)), 0, 255).astype(np.uint8)
             for _ in range(2)]
    residual = residual_of(pair_from_arrays(*noisy))
    assert not residual.checked
    assert rig_causes(residual)[0].kind == "rig not checked"


def test_pictures_of_two_places_do_not_pass() -> None:
    residual = residual_of(pair_from_arrays(flat(1).left, flat(2).right))
    assert not residual.matches_calibration


def test_features_in_a_narrow_strip_leave_the_rig_unchecked() -> None:
    """50 rows of the left picture: enough features, but what holds far below or above them?"""
    pair = rectified(flat())
    state = np.full((480, 640), PixelState.DARK, dtype=np.uint8)
    state[420:470] = PixelState.USABLE
    residual = check_epipolar(replace(pair, state_left=state), view(),
                              check_pictures(flat()).noise)
    assert residual.count > 30
    assert not residual.checked
    assert f"the {residual.count} features" in rig_causes(residual)[0].text
    assert "cover too little" in rig_causes(residual)[0].text


def test_a_board_of_equal_squares_far_off_its_rows_does_not_pass() -> None:
    """Along its rows one finds squares enough that fit; they are few of those sought."""
    rng = np.random.default_rng(2)
    rows, columns = np.mgrid[:480, :640]
    squares = 60 + 120 * ((rows // 28 + columns // 28) % 2).astype(np.float32)
    squares = cv2.GaussianBlur(squares, (0, 0), 1.0)
    left, right = (np.clip(p + rng.standard_normal(p.shape), 0, 255).astype(np.uint8)
                   for p in (squares, np.roll(squares, (10, -90), axis=(0, 1))))
    assert not residual_of(pair_from_arrays(left, right)).matches_calibration


def test_of_features_that_should_be_found_most_must_be() -> None:
    residual = replace(residual_of(flat()), count=60, sought=200)
    assert not residual.checked
    assert "only 60 of 200 features" in rig_causes(residual)[0].text


def test_swapped_pictures_are_refused() -> None:
    with pytest.raises(PairError, match="exchange the two pictures"):
        residual_of(pair_from_arrays(flat().right, flat().left))
