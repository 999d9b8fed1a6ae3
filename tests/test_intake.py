"""Intake: states of the pixels, noise, and pictures with nothing in them."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from hazcam.errors import ImageError, PairError
from hazcam.imagery.arrays import pair_from_arrays
from hazcam.imagery.intake import PixelState, check_pictures, full_scale
from hazcam.imagery.pair import StereoPair
from hazcam.scene.effects import Effects, encode_picture

SHAPE = (240, 320)


def ground(seed: int = 0, mean: float = 60.0, contrast: float = 20.0, noise: float = 1.5) -> Any:
    """Sand: texture of about 3 px, float, with noise; quiet lit strip at the right."""
    rng = np.random.default_rng(seed)
    texture = cv2.GaussianBlur(rng.normal(size=SHAPE), (0, 0), 1.5)
    contrast_here = np.full(SHAPE, contrast)
    contrast_here[:, 240:] *= 0.02
    return mean + contrast_here * texture / texture.std() + rng.normal(0, noise, SHAPE)


def as_bytes(grey: Any) -> Any:
    return np.clip(np.round(grey), 0, 255).astype(np.uint8)


def pair_of(left: Any) -> StereoPair:
    return pair_from_arrays(left, as_bytes(ground(seed=99)), left_name="a_left.png")


def jpeg(picture: Any, quality: int) -> Any:
    data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return cv2.imdecode(data, cv2.IMREAD_UNCHANGED)


def states(left: Any) -> Any:
    intake = check_pictures(pair_of(left))
    assert intake.left_state is not None
    return intake.left_state


def test_plain_ground_is_usable() -> None:
    intake = check_pictures(pair_of(as_bytes(ground())))
    assert intake.left_usable is not None
    assert intake.left_usable.all()
    assert intake.shares["left"] == {"saturated": 0.0, "dark": 0.0, "lost": 0.0}
    assert intake.notes == ()


def test_a_missing_picture_has_no_states() -> None:
    intake = check_pictures(pair_from_arrays(None, as_bytes(ground())))
    assert intake.left_state is None
    assert intake.left_usable is None
    assert intake.right_state is not None
    assert set(intake.shares) == {"right"}


@pytest.mark.parametrize("noise", [0.7, 1.5, 3.0, 6.0])
def test_noise_is_found_beside_strong_texture(noise: float) -> None:
    """Rounding adds 1/12 to the variance; the quiet quarter of the picture shows the rest."""
    left = as_bytes(ground(seed=1, noise=noise))
    right = as_bytes(ground(seed=2, noise=noise))
    found = check_pictures(pair_from_arrays(left, right)).noise.sigma_grey(60.0)
    assert found == pytest.approx(np.hypot(noise, 1 / np.sqrt(12)), rel=0.10)


def test_the_noisier_picture_counts() -> None:
    quiet, noisy = as_bytes(ground(seed=1, noise=1.0)), as_bytes(ground(seed=2, noise=4.0))
    assert check_pictures(pair_from_arrays(quiet, noisy)).noise.read_grey > 3.5


def test_noise_of_sixteen_bit_is_in_eight_bit_levels() -> None:
    wide = np.clip(ground(seed=1, noise=2.0) * 4095 / 255, 0, 4095).astype(np.uint16)
    wide[0, 0] = 4000  # a highlight: the file holds 12 bits
    other = np.roll(wide, 5, axis=1)
    assert full_scale(pair_from_arrays(wide, other)) == 4095
    found = check_pictures(pair_from_arrays(wide, other)).noise.sigma_grey(60.0)
    assert found == pytest.approx(2.0, rel=0.1)


def test_saturation_of_eight_bit() -> None:
    left = as_bytes(ground())
    left[10:30, 20:60] = 255
    left[100, 100], left[100, 101] = 254, 253
    state = states(left)
    assert (state[10:30, 20:60] == PixelState.SATURATED).all()
    assert (state[100, 100], state[100, 101]) == (PixelState.SATURATED, PixelState.USABLE)


def test_saturation_of_a_full_well_below_the_full_scale() -> None:
    left = np.clip(ground() * 200, 0, 65535).astype(np.uint16)
    left[10:40, 20:60] = 50000
    intake = check_pictures(pair_from_arrays(left, np.roll(left, 4, axis=1)))
    assert intake.left_state is not None
    assert (intake.left_state[10:40, 20:60] == PixelState.SATURATED).all()
    assert intake.shares["left"]["saturated"] == pytest.approx(30 * 40 / (240 * 320))


def test_the_brightest_pixel_of_sixteen_bit_is_not_saturated() -> None:
    left = np.clip(ground() * 200, 0, 65535).astype(np.uint16)
    intake = check_pictures(pair_from_arrays(left, np.roll(left, 4, axis=1)))
    assert intake.shares["left"]["saturated"] == 0


def test_deep_shadow_is_dark_and_dark_sand_is_not() -> None:
    grey = ground(mean=14.0, contrast=3.0, noise=0.8)
    grey[60:120, 80:160] = np.random.default_rng(5).normal(0.6, 0.8, (60, 80))
    state = states(as_bytes(grey))
    assert (state[64:116, 84:156] == PixelState.DARK).all()
    assert (state[:50] == PixelState.USABLE).all()


def test_fine_texture_does_not_make_bright_ground_dark() -> None:
    rng = np.random.default_rng(3)
    left = rng.integers(0, 120, SHAPE).astype(np.uint8)
    assert (states(left) == PixelState.USABLE).all()


@pytest.mark.parametrize("fill", [128, 40, 200, 12, 0])
@pytest.mark.parametrize("corner", [(64, 80), (61, 83)])
def test_lost_blocks(fill: int, corner: tuple[int, int]) -> None:
    left = as_bytes(ground())
    row, col = corner
    left[row : row + 16, col : col + 24] = fill
    state = states(left)
    assert (state[row : row + 16, col : col + 24] == PixelState.LOST).all()
    assert (state == PixelState.LOST).sum() <= 16 * 24 + 40  # a neighbour may equal the fill


@pytest.mark.parametrize("shape", ["alone", "in a corner", "across", "a chain", "dark sand"])
def test_lost_blocks_that_read_zero_are_lost_not_dark(shape: str) -> None:
    left = as_bytes(ground(mean=14.0, contrast=1.5, noise=0.8) if shape == "dark sand"
                    else ground())
    lost = np.zeros(SHAPE, dtype=bool)
    for rows, cols in {
        "alone": [(slice(64, 80), slice(80, 96))], "dark sand": [(slice(64, 72), slice(80, 88))],
        "in a corner": [(slice(0, 16), slice(304, 320))], "across": [(slice(99, 120), slice(None))],
        "a chain": [(slice(128, 144), slice(64, 320)), (slice(144, 160), slice(0, 112))],
    }[shape]:
        lost[rows, cols] = True
    left[lost] = 0
    assert np.array_equal(states(left) == PixelState.LOST, lost)


def hard_shadow(outline: list[tuple[float, float]], level: float = 0.0) -> tuple[Any, Any]:
    """Lit ground with a shadow of one value, and where that is; its edge gets its share of light.

    ``outline`` in pixels (column, row).
    """
    inside = np.zeros((8 * SHAPE[0], 8 * SHAPE[1]), np.uint8)
    cv2.fillPoly(inside, [np.round(8 * np.array(outline)).astype(np.int32)], 1)
    share = inside.reshape(SHAPE[0], 8, SHAPE[1], 8).mean(axis=(1, 3))
    return as_bytes(ground() * (1 - share) + level * share), share == 1


@pytest.mark.parametrize("outline", [
    [(0, 0), (100, 0), (100, 240), (0, 240)],
    [(-9, 130), (330, 130), (330, 250), (-9, 250)],
    [(60, 60), (160, 70), (150, 150), (80, 130)],
    [(60, 60), (200, 64), (200, 100), (60, 96)],
    [(40, 100), (90, 60), (120, 200)],
    [(100, 100), (120, 90), (130, 105), (128, 120), (105, 125)],
])
@pytest.mark.parametrize("level", [0.0, 9.0])
def test_black_shadow_with_a_hard_edge_is_dark(
    outline: list[tuple[float, float]], level: float
) -> None:
    """Without air no light reaches a shadow: it may read exactly the black level."""
    left, shadow = hard_shadow(outline, level)
    state = states(left)
    assert not (state == PixelState.LOST).any()
    inner = cv2.erode(shadow.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    assert inner.any()
    assert (state[inner] == PixelState.DARK).all()


def test_black_shadow_with_a_tip_is_dark() -> None:
    """The part that holds whole blocks is a rectangle, but it goes on in the tip."""
    left, _ = hard_shadow([(100, 100), (108, 100), (108, 112), (104, 122), (100, 112)])
    state = states(left)
    assert not (state == PixelState.LOST).any()
    assert (state[100:112, 100:108] == PixelState.DARK).all()


def test_one_lost_block_is_noted() -> None:
    """However small: what came down damaged is to be known."""
    left, right = as_bytes(ground()), as_bytes(ground(1))
    left[64:80, 80:96] = 0
    notes = check_pictures(pair_from_arrays(left, right)).notes
    assert [note for note in notes if "lost data" in note] == ["left: 0.3% of the pixels lost data"]


def test_blocks_lost_inside_black_shadow_are_dark() -> None:
    left, shadow = hard_shadow([(60, 60), (160, 70), (150, 150), (80, 130)])
    left[96:112, 96:112] = 0
    assert shadow[96:112, 96:112].all()
    assert (states(left)[96:112, 96:112] == PixelState.DARK).all()


def test_blocks_lost_beside_black_shadow_leave_the_shadow_dark() -> None:
    left, shadow = hard_shadow([(60, 60), (160, 70), (150, 150), (80, 130)])
    left[192:208, 96:128] = 0
    state = states(left)
    assert (state[192:208, 96:128] == PixelState.LOST).all()
    assert (state == PixelState.LOST).sum() == 16 * 32
    assert (state[shadow] == PixelState.DARK).mean() > 0.95


def test_all_lost_blocks_of_a_downlink_are_found() -> None:
    """Of a compressed picture with noise, as the effects of the scenes draw them."""
    effects = Effects(lost_blocks=12, jpeg_quality=85)
    received = cv2.imdecode(np.frombuffer(
        encode_picture(as_bytes(ground(contrast=12.0)), effects, np.random.default_rng(4))[1],
        np.uint8), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(states(received) == PixelState.LOST, received == 0)


@pytest.mark.parametrize("quality", [95, 80, 60])
def test_jpeg_of_lit_ground_has_no_lost_blocks(quality: int) -> None:
    """The quiet strip grows brighter to the top, as ground in grazing light does."""
    grey = ground(contrast=12.0) + np.linspace(30, 0, SHAPE[0])[:, None]
    assert (states(jpeg(as_bytes(grey), quality)) == PixelState.LOST).mean() < 0.002


def test_flat_jpeg_blocks_in_shadow_are_dark() -> None:
    grey = ground(mean=60.0)
    grey[:, :120] = np.random.default_rng(5).normal(8.0, 0.4, (240, 120))
    state = states(jpeg(as_bytes(grey), 50))
    assert not (state[:, :104] == PixelState.LOST).any()
    assert (state[:, :104] == PixelState.DARK).mean() > 0.5


def test_notes_name_the_picture_and_the_share() -> None:
    left = as_bytes(ground())
    left[:60] = 255
    assert "left: 25% of the pixels saturated" in check_pictures(pair_of(left)).notes


def test_all_black() -> None:
    with pytest.raises(ImageError, match=r"a_left\.png: all black(.|\n)*longer exposure"):
        check_pictures(pair_of(np.zeros(SHAPE, np.uint8)))


def test_all_black_with_noise() -> None:
    noise = np.abs(np.random.default_rng(0).normal(0, 1, SHAPE))
    with pytest.raises(ImageError, match="all black"):
        check_pictures(pair_of(as_bytes(noise)))


def test_all_saturated_says_the_share() -> None:
    left = np.full(SHAPE, 255, np.uint8)
    left[:6] = 100
    with pytest.raises(ImageError, match=r"98% of the pixels are saturated(.|\n)*shorter exposure"):
        check_pictures(pair_of(left))


def test_one_value_everywhere() -> None:
    with pytest.raises(ImageError, match="every pixel has the same value, 128"):
        check_pictures(pair_of(np.full(SHAPE, 128, np.uint8)))


def test_the_same_picture_twice() -> None:
    left = as_bytes(ground())
    with pytest.raises(PairError, match=r"same picture twice(.|\n)*other camera"):
        check_pictures(pair_from_arrays(left, left.copy()))


def test_pictures_stay_as_they_are_and_states_cannot_be_written() -> None:
    left = as_bytes(ground())
    before = left.copy()
    state = states(left)
    assert np.array_equal(left, before)
    with pytest.raises(ValueError, match="read-only"):
        state[0, 0] = 1


def test_a_tiny_picture_is_judged() -> None:
    rng = np.random.default_rng(0)
    left, right = (rng.integers(40, 90, (6, 7)).astype(np.uint8) for _ in range(2))
    assert check_pictures(pair_from_arrays(left, right)).noise.read_grey > 0
