"""Quality of pictures: exposure, blur and noise."""

import math
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.measure import blur_effect

from hazcam.imagery import Intake, NoiseModel, PixelState, check_pictures, pair_from_arrays
from hazcam.imagery.quality import LEAST_SHARE, PictureQuality, blur, picture_quality
from hazcam.scene.effects import Effects, defocus, expose

Grey = NDArray[np.uint8]


def grain(side: int, seed: int = 0) -> NDArray[np.float64]:
    """Independent grey levels that hold for squares of ``side`` pixels."""
    squares = np.random.default_rng(seed).integers(20, 200, (480 // side, 640 // side + 1))
    return np.kron(squares, np.ones((side, side)))[:, :640].astype(np.float64)


def blurred(picture: NDArray[np.float64], sigma: float) -> NDArray[np.uint16]:
    soft = cv2.GaussianBlur(picture, (0, 0), sigma) if sigma else picture
    return np.rint(200 * soft).astype(np.uint16)


def all_of(picture: NDArray[Any]) -> NDArray[np.bool_]:
    return np.ones(picture.shape, dtype=np.bool_)


@pytest.mark.parametrize("sigma", [0, 1, 3])
def test_blur_is_that_of_scikit_image_where_all_is_usable(sigma: float) -> None:
    """Another library computes the same measure; float32 here, float64 there."""
    picture = blurred(grain(3), sigma)[:301, :417]
    assert blur(picture, all_of(picture)) == pytest.approx(
        blur_effect(picture.astype(float)), abs=2e-5)


# As in the docstring of hazcam/imagery/quality.py; what it says is rounded to two decimals.
@pytest.mark.parametrize(("side", "values"), [
    (1, (0.12, 0.14, 0.19, 0.33, 0.63)), (3, (0.15, 0.19, 0.24, 0.35, 0.64))])
def test_table_of_the_docstring(side: int, values: tuple[float, ...]) -> None:
    found = [blur(blurred(grain(side), s), np.ones((480, 640), np.bool_)) for s in (0, .5, 1, 2, 4)]
    assert found == pytest.approx(values, abs=0.006)


def test_blur_grows_with_the_defocus_of_a_picture_with_noise() -> None:
    """The same ground through a worse and worse lens, with the noise and 8 bits of a sensor."""
    light, effects = grain(3).astype(np.float32), Effects(read_noise=0.5, shot_noise=0.01)
    pictures = [expose(defocus(light, s), 0.6, effects, np.random.default_rng(1))
                for s in (0.0, 0.4, 0.8, 1.2, 2.0, 3.0)]
    found = [blur(p, all_of(p)) for p in pictures]
    assert np.all(np.diff(found) > 0.005)


@pytest.mark.parametrize("factor", [2, 37, 250])
def test_brightness_changes_nothing(factor: int) -> None:
    picture = grain(3).astype(np.uint16)
    usable = grain(5, seed=3)[:, :640] > 30
    assert blur(picture * np.uint16(factor), usable) == pytest.approx(blur(picture, usable),
                                                                      abs=1e-5)


def test_turned_picture_has_the_same_blur() -> None:
    along_rows = np.asarray(cv2.blur(grain(3), (5, 1)), np.float64)
    picture = blurred(along_rows, 0)
    usable = grain(16, seed=2) > 40
    turned = blur(np.ascontiguousarray(picture.T), np.ascontiguousarray(usable.T))
    # The rim that is cut, as scikit-image does, is 2 px on one side and 1 on the other.
    assert turned == pytest.approx(blur(picture, usable), abs=1e-6)


def test_lost_blocks_do_not_sharpen_a_picture() -> None:
    picture = blurred(grain(3), 4)
    lost = np.zeros((480, 640), np.bool_)
    for row, column in np.random.default_rng(4).integers(0, (29, 39), (30, 2)):
        lost[16 * row:16 * row + 16, 16 * column:16 * column + 16] = True
    holes = np.where(lost, np.uint16(0), picture)
    whole = blur(picture, all_of(picture))
    assert blur(holes, ~lost) == pytest.approx(whole, abs=0.01)
    assert blur(holes, all_of(holes)) < whole - 0.05  # what the mask is for


def test_blur_is_not_known_where_too_little_is_usable() -> None:
    picture, usable = blurred(grain(3), 0), np.zeros((480, 640), np.bool_)
    assert math.isnan(blur(picture, usable))
    rows = math.ceil(LEAST_SHARE * 480)  # of the whole width: the reach of the filters cuts it
    usable[:rows] = True
    assert math.isnan(blur(picture, usable))
    usable[:rows + 20] = True
    assert 0 < blur(picture, usable) < 1


def test_blur_of_a_flat_picture_is_not_known() -> None:
    assert math.isnan(blur(np.full((60, 80), 7, np.uint8), np.ones((60, 80), np.bool_)))


def test_quality_of_a_pair() -> None:
    """16 bit files of 12 bit pictures, on the scale of 8 bits; the right one half lost."""
    rng = np.random.default_rng(0)
    left = rng.integers(1600, 2400, (120, 160)).astype(np.uint16)
    right = left[::-1].copy()
    right[:, 80:] = 4095
    pair = pair_from_arrays(left, right, id="p")
    intake = check_pictures(pair)
    found = picture_quality(pair, intake)
    to_grey = 255 / 4095
    assert found["left"].mean_grey == pytest.approx(left.mean() * to_grey, rel=1e-12)
    assert found["right"].mean_grey == pytest.approx(
        right[intake.right_state == PixelState.USABLE].mean() * to_grey, rel=1e-12)
    for side in ("left", "right"):
        shares = {name: getattr(found[side], name) for name in ("saturated", "dark", "lost")}
        assert shares == intake.shares[side]
        assert found[side].noise_grey == pytest.approx(
            math.hypot(intake.noise.read_grey,
                       math.sqrt(intake.noise.gain_grey * found[side].mean_grey)))
    assert found["right"].saturated == pytest.approx(0.5, abs=0.01)


def test_missing_picture_has_no_quality() -> None:
    pair = pair_from_arrays(grain(3).astype(np.uint8), None, id="p")
    assert set(picture_quality(pair, check_pictures(pair))) == {"left"}


def test_nothing_usable_is_not_known() -> None:
    picture = grain(3).astype(np.uint8)
    state = np.full(picture.shape, PixelState.LOST, np.uint8)
    intake = Intake(left_state=state, right_state=None, noise=NoiseModel(read_grey=1.0),
                    shares={"left": {"saturated": 0.0, "dark": 0.0, "lost": 1.0}})
    found = picture_quality(pair_from_arrays(picture, None, id="p"), intake)["left"]
    assert math.isnan(found.mean_grey)
    assert math.isnan(found.blur)
    assert math.isnan(found.noise_grey)
    assert found.lost == 1.0


@pytest.mark.parametrize(("name", "value", "words"), [
    ("dark", 1.5, "share from 0 to 1"), ("lost", math.nan, "share from 0 to 1"),
    ("blur", -0.1, "blur is from 0 to 1"), ("blur", 1.1, "blur is from 0 to 1")])
def test_record_checks_itself(name: str, value: float, words: str) -> None:
    good = {"mean_grey": 90.0, "saturated": 0.0, "dark": 0.0, "lost": 0.0, "blur": 0.3,
            "noise_grey": 1.0}
    assert PictureQuality(**good).blur == 0.3
    with pytest.raises(ValueError, match=words):
        PictureQuality(**{**good, name: value})
