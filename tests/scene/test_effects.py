"""Lens, sensor and downlink: each effect is seen in the picture, by its stated amount.

Truth is closed form or sampling statistics, given at each test. Most pictures have a fixed
exposure of 1, so that radiance is in grey levels.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from scipy import ndimage

from hazcam.imagery.arrays import pair_from_arrays
from hazcam.imagery.intake import PixelState, check_pictures
from hazcam.imagery.signatures import picture_format
from hazcam.scene.effects import (
    Effects,
    ExposedPair,
    encode_picture,
    expose_pair,
    lose_blocks,
    smear_kernel,
)

SHAPE = (240, 320)


def rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def flat(level: float) -> Any:
    return np.full(SHAPE, level, np.float32)


def sand(seed: int = 1, mean: float = 80.0, contrast: float = 20.0) -> Any:
    """Lit texture of about 3 px."""
    texture = cv2.GaussianBlur(rng(seed).normal(size=SHAPE), (0, 0), 1.5)
    return (mean + contrast * texture / texture.std()).clip(0).astype(np.float32)


def quiet(**effects: Any) -> Effects:
    """Effects without noise, exposed one to one."""
    return Effects(**{"exposure": 1.0, "read_noise": 0.0, "shot_noise": 0.0} | effects)


def take(effects: Effects, left: Any, right: Any = None, seed: int = 0) -> ExposedPair:
    return expose_pair(left, left if right is None else right, effects, rng(seed))


def both(pair: ExposedPair) -> tuple[Any, Any]:
    return pair.left.astype(float), pair.right.astype(float)


def decoded(data: bytes) -> Any:
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)


def test_without_effects_the_picture_is_the_rounded_radiance() -> None:
    """Values above and below the scale are cut."""
    radiance = sand()
    radiance[0, :3] = (300.0, -4.0, 99.6)
    left, _ = both(take(quiet(), radiance))
    assert np.array_equal(left, np.clip(np.rint(radiance), 0, 255))
    assert tuple(left[0, :3]) == (255, 0, 100)


@pytest.mark.parametrize("sd_px", [0.5, 1.0, 2.5])
def test_defocus_is_the_spread_of_an_edge(sd_px: float) -> None:
    """The line spread (difference along a row) of a step has the stated variance.

    240 rows with a read noise of 1 leave 1/sqrt(240) grey of 200 per column; within 6 sd that is
    less than 1.5 % of each sd here.
    """
    edge = np.where(np.arange(SHAPE[1]) < 160, 20.0, 220.0) * np.ones(SHAPE)
    left, right = both(take(quiet(defocus_px=(sd_px, 0.0), read_noise=1.0),
                            edge.astype(np.float32)))
    reach = int(np.ceil(6 * sd_px))
    near = np.arange(160 - reach, 160 + reach)
    spread = np.diff(left.mean(axis=0))[near - 1] / 200.0
    x = near - 160.0  # from the edge, which is between columns 159 and 160
    middle = np.sum(spread * x)
    assert middle == pytest.approx(0.0, abs=0.05)
    assert np.sqrt(np.sum(spread * (x - middle) ** 2)) == pytest.approx(sd_px, rel=0.03)
    assert np.diff(right.mean(axis=0))[159] == pytest.approx(200.0, abs=1.0)  # stays sharp


def test_motion_smears_a_point_into_a_line_of_its_length() -> None:
    """9 px along a row: nine ninths, the outer ones shared with the next pixel."""
    point = flat(0.0)
    point[100, 150] = 1800.0
    left, right = both(take(quiet(motion_px=9.0), point))
    assert np.allclose(left[100, 147:154], 200.0)
    assert left[100].sum() == pytest.approx(1800.0, abs=2.0)
    assert not left[100, :145].any()
    assert not left[100, 156:].any()
    assert not np.delete(left, 100, axis=0).any()
    assert np.array_equal(left, right)


@pytest.mark.parametrize(("direction_deg", "smeared", "clear"), [
    (90.0, (105, 150), (100, 155)), (45.0, (104, 154), (96, 154)), (-45.0, (96, 154), (104, 154)),
])
def test_motion_goes_where_it_is_stated(
    direction_deg: float, smeared: tuple[int, int], clear: tuple[int, int]
) -> None:
    """90 is down a column, 45 right and down; as far back as forth."""
    point = flat(0.0)
    point[100, 150] = 2000.0
    left, _ = both(take(quiet(motion_px=14.0, motion_deg=direction_deg), point))
    assert left[smeared] > 50
    assert left[200 - smeared[0], 300 - smeared[1]] > 50
    assert left[clear] == 0


@pytest.mark.parametrize("length_px", [0.3, 2.0, 7.3])
def test_smear_has_the_moments_of_a_line(length_px: float) -> None:
    """Covariance of a line is L²/12 cos sin; bilinear shares add none and up to 1/4 px² each way.

    16 samples per pixel and more leave the sum of squares of a line 1/16² short, 0.4 %.
    """
    kernel = smear_kernel(length_px, 30.0)
    reach = kernel.shape[0] // 2
    v, u = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    cos, sin = np.cos(np.radians(30.0)), np.sin(np.radians(30.0))
    assert kernel.sum() == pytest.approx(1.0)
    assert (kernel * u).sum() == pytest.approx(0.0, abs=1e-12)
    line = length_px**2 / 12
    assert (kernel * u * v).sum() == pytest.approx(line * cos * sin, rel=0.005)
    assert line * cos**2 * 0.99 <= (kernel * u**2).sum() <= line * cos**2 + 0.25
    assert line * sin**2 * 0.99 <= (kernel * v**2).sum() <= line * sin**2 + 0.25


def test_vignetting_takes_its_share_in_the_corners_and_none_in_the_middle() -> None:
    left, right = both(take(quiet(vignetting=(0.4, 0.2)), flat(200.0)))
    assert [left[0, 0], left[-1, -1], left[0, -1]] == [120.0, 120.0, 120.0]
    assert right[-1, 0] == 160.0
    assert left[120, 160] == right[120, 160] == 200.0
    assert (np.diff(left[120, 160:]) <= 0).all()


def test_veil_lowers_the_contrast_and_keeps_the_mean() -> None:
    """Rounding adds 1/12 to each variance, nothing to the mean of many pixels."""
    radiance = sand()
    left, right = both(take(quiet(veil=(0.3, 0.0)), radiance))
    assert left.mean() == pytest.approx(radiance.mean(dtype=float), abs=0.01)
    assert left.std() / right.std() == pytest.approx(0.7, abs=0.002)


def test_specks_stay_at_their_place_and_differ_between_the_lenses() -> None:
    effects = quiet(specks=(6, 6))
    first = take(effects, flat(200.0))
    again = take(effects, flat(100.0))
    other = take(effects, flat(200.0), seed=1)
    shade = both(first)[0] < 190
    assert shade.any()
    assert np.abs(both(first)[0] / 2 - both(again)[0]).max() <= 1
    assert not np.array_equal(first.left, first.right)
    assert not np.array_equal(first.left, other.left)


def test_a_speck_is_soft_dark_and_of_its_size() -> None:
    """Radius 5 to 25 px, 10 to 60 % in its middle, over lenses of many seeds.

    The dip (cos² of the radius) is below 1/400 of the light, half a grey level of 200, only in the
    outermost tenth of the radius.
    """
    areas, dips = [], []
    for seed in range(40):
        left, right = both(take(quiet(specks=(1, 0)), flat(200.0), seed=seed))
        assert (right == 200).all()
        assert ndimage.label(left < 200)[1] == 1
        assert np.abs(np.diff(left, axis=0)).max() < 0.6 * 200 * np.pi / 2 / 5 + 1  # no hard rim
        areas.append((left < 200).sum())
        dips.append(1 - left.min() / 200)
    assert max(areas) <= np.pi * 25.5**2
    assert min(areas) >= np.pi * (0.85 * 5) ** 2 / 4  # a quarter of one in a corner
    assert np.ptp(np.sqrt(areas)) > 20
    assert 0.09 < min(dips) < 0.2
    assert 0.5 < max(dips) <= 0.6025


def test_more_specks_leave_the_first_where_they_were() -> None:
    few, more = (both(take(quiet(specks=(n, 0)), flat(200.0)))[0] for n in (3, 5))
    assert (more <= few).all()
    assert not np.array_equal(more, few)


def test_automatic_exposure_brings_the_lower_two_thirds_of_both_to_105() -> None:
    left, right = sand(seed=1, mean=0.2, contrast=0.03), sand(seed=2, mean=0.3, contrast=0.03)
    left[:80] = 5.0  # the upper third does not count
    pair = take(Effects(), left, right)
    below = np.concatenate([picture[80:] for picture in both(pair)])
    assert below.mean() == pytest.approx(105.0, abs=0.05)
    ground = np.concatenate([left[80:], right[80:]]).mean(dtype=float)
    assert pair.gain == pytest.approx(105.0 / ground)


def test_automatic_exposure_keeps_the_brightest_two_per_cent_below_240() -> None:
    """A tenth of the ground at five times the rest: 105 on average would pass 240."""
    split = np.where(np.arange(SHAPE[1]) < 288, 0.02, 0.10) * np.ones(SHAPE)
    pair = take(quiet(exposure=None), split.astype(np.float32))
    assert pair.gain == pytest.approx(2400.0)
    assert set(np.unique(pair.left)) == {48, 240}


def test_automatic_exposure_sees_what_is_behind_the_lens() -> None:
    """Half the light in the corners: more gain, the same mean."""
    plain, dim = take(Effects(), sand()), take(Effects(vignetting=(0.5, 0.5)), sand())
    assert dim.gain > 1.1 * plain.gain
    assert both(dim)[0][80:].mean() == pytest.approx(105.0, abs=0.1)


def test_automatic_exposure_of_no_light_is_black() -> None:
    pair = take(quiet(exposure=None), flat(0.0))
    assert pair.gain == 1.0
    assert not pair.left.any()


def test_automatic_exposure_of_a_few_lit_pixels() -> None:
    """One pixel in a hundred is lit: the mean alone decides."""
    radiance = flat(0.0)
    radiance[::10, ::10] = 1.0
    pair = take(quiet(exposure=None), radiance)
    assert pair.gain == pytest.approx(105.0 / radiance[80:].mean())


def test_fixed_exposure_is_grey_levels_per_radiance() -> None:
    pair = take(quiet(exposure=250.0), flat(0.4), flat(0.2))
    assert (pair.left == 100).all()
    assert (pair.right == 50).all()
    assert pair.gain == 250.0


def test_gain_right_is_that_of_the_right_picture_only() -> None:
    left, right = both(take(quiet(gain_right=1.1), flat(100.0)))
    assert (left == 100).all()
    assert (right == 110).all()


def test_noise_follows_the_photon_transfer_line() -> None:
    """Variance over mean of flat fields is a line: slope shot_noise, intercept read_noise² + 1/12.

    1/12 is from rounding. This is how EMVA 1288 finds the gain of a sensor (from memory). A
    variance from N pixels has a relative sd of sqrt(2/N), which gives the weights and the
    covariance of the fit; four of its sds are allowed.
    """
    effects = Effects(exposure=1.0, read_noise=0.8, shot_noise=0.02)
    pictures = [take(effects, flat(level), seed=int(level)).left for level in range(10, 211, 20)]
    mean = np.array([p.mean() for p in pictures])
    variance = np.array([p.var(ddof=1) for p in pictures])
    model = 0.02 * mean + 0.8**2 + 1 / 12
    design = np.stack([mean, np.ones_like(mean)], axis=1) / (model * np.sqrt(2 / SHAPE[0]
                                                                             / SHAPE[1]))[:, None]
    target = variance / (model * np.sqrt(2 / SHAPE[0] / SHAPE[1]))
    slope, intercept = np.linalg.lstsq(design, target)[0]
    sd_slope, sd_intercept = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    assert sd_slope < 0.02 * 0.02
    assert abs(slope - 0.02) < 4 * sd_slope
    assert abs(intercept - 0.8**2 - 1 / 12) < 4 * sd_intercept


@pytest.mark.parametrize("level", [40.0, 120.0])
def test_read_noise_alone_does_not_grow_with_the_light(level: float) -> None:
    """The sd of an sd from N pixels is 1/sqrt(2N) of it, that of a mean 1/sqrt(N); four of them."""
    effects = quiet(read_noise=2.0)
    grey = np.stack([both(take(effects, flat(level), seed=seed)) for seed in range(4)])
    sd = np.sqrt(2.0**2 + 1 / 12)
    assert grey.std() == pytest.approx(sd, rel=4 / np.sqrt(2 * grey.size))
    assert grey.mean() == pytest.approx(level, abs=4 * sd / np.sqrt(grey.size))


def test_noise_of_the_two_pictures_and_of_neighbours_is_independent() -> None:
    """Correlations of N pairs have an sd of 1/sqrt(N)."""
    left, right = both(take(quiet(read_noise=4.0), flat(100.0)))
    four_sd = 4 / np.sqrt(left.size)
    assert abs(np.corrcoef(left.ravel(), right.ravel())[0, 1]) < four_sd
    assert abs(np.corrcoef(left[:, 1:].ravel(), left[:, :-1].ravel())[0, 1]) < four_sd


def test_the_same_seed_gives_the_same_pair_and_another_seed_does_not() -> None:
    effects = Effects(specks=(2, 3), defocus_px=(0.5, 0.7))
    first, again, other = (take(effects, sand(), seed=seed) for seed in (3, 3, 4))
    assert np.array_equal(first.left, again.left)
    assert np.array_equal(first.right, again.right)
    assert not np.array_equal(first.left, other.left)


@pytest.mark.parametrize("effect", [
    {"defocus_px": (1.0, 2.0)}, {"motion_px": 5.0}, {"veil": (0.2, 0.1)}, {"lost_blocks": 4},
])
def test_what_does_not_change_a_flat_field_does_not_change_its_noise(effect: dict[str, Any]
                                                                     ) -> None:
    """Within a rounding, for a blur of a flat field may end one float beside it."""
    plain, changed = (both(take(quiet(read_noise=4.0, shot_noise=0.01, **more), flat(100.0)))
                      for more in ({}, effect))
    for before, after in zip(plain, changed, strict=True):
        assert np.abs(before - after).max() <= 1
        assert (before != after).mean() < 1e-3


@pytest.mark.parametrize("effect", [{"specks": (5, 0)}, {"vignetting": (0.4, 0.0)}])
def test_what_dims_the_left_picture_leaves_the_noise(effect: dict[str, Any]) -> None:
    """Read noise of 4 under another signal: only the roundings differ, of variance 1/12 each."""
    before = both(take(quiet(read_noise=4.0), flat(100.0)))
    after = both(take(quiet(read_noise=4.0, **effect), flat(100.0)))
    signal, _ = both(take(quiet(**effect), flat(100.0)))
    assert np.array_equal(before[1], after[1])
    residual = after[0] - signal
    assert (signal < 95).any()
    assert np.corrcoef(residual.ravel(), before[0].ravel())[0, 1] > 0.98


def test_exposed_pictures_cannot_be_written_to_and_the_radiance_stays() -> None:
    radiance = sand()
    before = radiance.copy()
    pair = take(Effects(defocus_px=(1.0, 1.0), veil=(0.1, 0.1), specks=(2, 2)), radiance)
    assert np.array_equal(radiance, before)
    with pytest.raises(ValueError, match="read-only"):
        pair.left[0, 0] = 1


def picture(seed: int = 1) -> Any:
    return take(Effects(), sand(seed, contrast=12.0)).left


def test_png_keeps_every_pixel() -> None:
    suffix, data = encode_picture(picture(), Effects(), rng())
    assert (suffix, picture_format(data)) == (".png", "PNG")
    assert np.array_equal(decoded(data), picture())


def test_jpeg_of_lower_quality_is_smaller_and_further_off() -> None:
    sizes, errors = [], []
    for quality in (95, 75, 40):
        suffix, data = encode_picture(picture(), Effects(jpeg_quality=quality), rng())
        assert (suffix, picture_format(data)) == (".jpg", "JPEG")
        sizes.append(len(data))
        errors.append(np.abs(decoded(data).astype(float) - picture()).mean())
    assert sizes == sorted(sizes, reverse=True)
    assert 0 < errors[0] < errors[1] < errors[2] < 10


@pytest.mark.parametrize("ratio", [4.0, 12.0, 40.0])
def test_jpeg2000_has_about_the_size_of_its_ratio(ratio: float) -> None:
    """A wavelet coder cuts its layers at the size asked for; headers and whole passes cost some."""
    suffix, data = encode_picture(picture(), Effects(jpeg2000_ratio=ratio), rng())
    assert (suffix, picture_format(data)) == (".jp2", "JPEG 2000")
    assert SHAPE[0] * SHAPE[1] / len(data) == pytest.approx(ratio, rel=0.15)
    error = np.abs(decoded(data).astype(float) - picture()).mean()
    assert 0 < error < 20


def test_jpeg_and_jpeg2000_differ() -> None:
    jpeg, jp2 = (decoded(encode_picture(picture(), effects, rng())[1])
                 for effects in (Effects(jpeg_quality=70), Effects(jpeg2000_ratio=8.0)))
    assert (jpeg != jp2).mean() > 0.3


@pytest.mark.parametrize("compression", [{}, {"jpeg_quality": 80}, {"jpeg2000_ratio": 6.0}])
def test_lost_blocks_are_counted_aligned_and_the_rest_is_as_decoded(compression: dict[str, Any]
                                                                    ) -> None:
    suffix, data = encode_picture(picture(), Effects(lost_blocks=7, **compression), rng())
    whole = decoded(encode_picture(picture(), Effects(**compression), rng())[1])
    assert (suffix, picture_format(data)) == (".png", "PNG")
    lost = (decoded(data) == 0).reshape(15, 16, 20, 16).all(axis=(1, 3))
    assert lost.sum() == 7
    pixels = np.kron(lost, np.ones((16, 16), bool))
    assert np.array_equal(decoded(data)[~pixels], whole[~pixels])


def test_lost_blocks_are_found_by_the_intake_and_nothing_else_is() -> None:
    """A block of zeros is dark to the intake, for the sensor's black is 0 too: not usable."""
    data = encode_picture(picture(), Effects(lost_blocks=7, jpeg_quality=90), rng())[1]
    state = check_pictures(pair_from_arrays(decoded(data), picture(seed=2))).left_state
    assert state is not None
    zero = decoded(data) == 0
    assert zero.sum() == 7 * 256
    assert np.isin(state[zero], (PixelState.DARK, PixelState.LOST)).all()
    window = np.ones((7, 7), np.bool_)  # of the intake's mean
    near = ndimage.binary_dilation(zero, window)
    assert (state[~near] == PixelState.USABLE).all()


def test_other_draws_lose_other_blocks() -> None:
    first, again, other = (lose_blocks(picture(), 5, rng(seed)) for seed in (0, 0, 1))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_part_blocks_at_the_edge_are_not_lost() -> None:
    small = np.full((39, 50), 90, np.uint8)
    out = lose_blocks(small, 6, rng())
    assert not out[:32, :48].any()
    assert (out[32:] == 90).all()
    assert (out[:, 48:] == 90).all()
    assert (small == 90).all()


def test_more_lost_blocks_than_there_are() -> None:
    with pytest.raises(ValueError, match="301 lost blocks in a picture of 300 blocks"):
        encode_picture(picture(), Effects(lost_blocks=301), rng())


@pytest.mark.parametrize(("values", "says"), [
    ({"defocus_px": (0.0, -0.1)}, "defocus_px is from 0 to 20, got -0.1"),
    ({"motion_px": float("nan")}, "motion_px is from 0 to 200, got nan"),
    ({"motion_deg": 400.0}, "motion_deg is from -360 to 360, got 400"),
    ({"vignetting": (1.0, 0.0)}, "vignetting is from 0 to 0.95, got 1"),
    ({"veil": (0.0, 1.0)}, "veil is from 0 to 0.95, got 1"),
    ({"specks": (-1, 0)}, "specks is from 0 to 200, got -1"),
    ({"exposure": 0.0}, "exposure is above 0 and finite, got 0"),
    ({"gain_right": -1.0}, "gain_right is above 0 and finite, got -1"),
    ({"gain_right": float("inf")}, "gain_right is above 0 and finite, got inf"),
    ({"read_noise": -1.0}, "read_noise is from 0 to 50, got -1"),
    ({"shot_noise": -0.1}, "shot_noise is from 0 to 10, got -0.1"),
    ({"jpeg_quality": 0}, "jpeg_quality is from 1 to 100, got 0"),
    ({"jpeg2000_ratio": 0.5}, "jpeg2000_ratio is from 1 to 200, got 0.5"),
    ({"lost_blocks": -2}, "lost_blocks is from 0 to 100000, got -2"),
    ({"jpeg_quality": 80, "jpeg2000_ratio": 8.0}, "as JPEG .* or as JPEG 2000"),
])
def test_effects_out_of_range(values: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        Effects(**values)
