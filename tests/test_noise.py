"""The noise of pictures: the line, what is found of it in a picture, and what the rig adds.

Truth is the photon-transfer line that the pictures are drawn with (EMVA 1288; from memory), with
the rounding of the file on top.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hazcam.calibration import crop_and_bin, noise_of
from hazcam.imagery import (
    Intake,
    NoiseModel,
    StereoPair,
    check_pictures,
    full_scale,
    pair_from_arrays,
)
from hazcam.imagery.noise import estimate_noise_model, larger_noise
from hazcam.rectification import rectify
from hazcam.scene.effects import Effects, encode_picture, expose
from hazcam.scene.rigs import demonstration_rigs
from tests.synthetic import ideal_rig

SHAPE = (480, 640)
LEVELS = np.array([10.0, 30.0, 60.0, 120.0, 240.0])
lines = st.builds(NoiseModel, read_grey=st.floats(0, 5), gain_grey=st.floats(0, 1))


def step_grey(bits: int) -> float:
    return 255.0 / float(2**bits - 1)


def light(seed: int, texture: float = 0.25) -> Any:
    """Ground of 12 to 230 grey levels: smooth light, and sand from smooth to ``texture`` deep."""
    rng = np.random.default_rng(seed)

    def field(scale_px: float) -> Any:
        grown = cv2.GaussianBlur(rng.normal(size=SHAPE), (0, 0), scale_px)
        return grown / grown.std()

    depth = texture / (1 + np.exp(-3 * field(30))) ** 2
    return np.clip(np.clip(90 + 45 * field(40), 12, 230) * (1 + depth * field(1.5)), 0, None)


def exposed(signal: Any, read: float, shot: float, bits: int, seed: int = 50) -> Any:
    """The picture of a sensor with this noise, in grey levels; 8 bit as the scenes draw it."""
    rng = np.random.default_rng(seed)
    if bits == 8:
        effects = Effects(exposure=1.0, read_noise=read, shot_noise=shot)
        return expose(signal.astype(np.float32), 1.0, effects, rng).astype(np.float64)
    noisy = signal + np.sqrt(read**2 + shot * signal) * rng.standard_normal(signal.shape)
    step = step_grey(bits)
    return np.clip(np.round(noisy / step), 0, 2**bits - 1) * step


def found_in(grey: Any, bits: int = 8) -> NoiseModel:
    useless = (grey >= 254) | (cv2.blur(grey, (7, 7)) < 4)
    return estimate_noise_model(grey, useless, step_grey(bits) / np.sqrt(12))


# --- the line -----------------------------------------------------------------------------------


def test_variance_is_a_line_that_light_below_zero_leaves() -> None:
    noise = NoiseModel(read_grey=3.0, gain_grey=0.16)
    np.testing.assert_allclose(noise.sigma_grey(np.array([0.0, 100.0, -5.0])), [3.0, 5.0, 3.0])
    assert noise.sigma_grey(np.zeros((2, 3), np.float32)).dtype == np.float32


@pytest.mark.parametrize(("name", "value"), [
    ("read_grey", -0.1), ("read_grey", np.nan), ("gain_grey", -1e-9), ("gain_grey", np.inf),
])
def test_a_line_that_cannot_be(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=f"{name} of a NoiseModel is finite and 0 or more, got"):
        NoiseModel(**{"read_grey": 1.0, "gain_grey": 0.0} | {name: value})


@given(a=lines, b=lines)
def test_the_larger_noise_is_no_less_than_either_and_touches_both_ends(
    a: NoiseModel, b: NoiseModel
) -> None:
    signal = np.linspace(0, 255, 18)
    both = np.maximum(a.sigma_grey(signal), b.sigma_grey(signal))
    larger = larger_noise(a, b).sigma_grey(signal)
    assert (larger >= both * (1 - 1e-9) - 1e-9).all()
    np.testing.assert_allclose(larger[[0, -1]], both[[0, -1]], rtol=1e-9, atol=1e-9)


# --- what a picture shows -----------------------------------------------------------------------


@pytest.mark.parametrize("bits", [8, 12, 16])
@pytest.mark.parametrize(("read", "shot"), [
    (0.5, 0.0), (0.5, 0.01), (0.5, 0.1), (1.0, 0.03), (2.0, 0.0), (2.0, 0.1), (4.0, 0.0),
    (4.0, 0.1),
])
def test_the_line_is_found_beside_texture(read: float, shot: float, bits: int) -> None:
    """Sigma within 8 % from 10 to 120 grey levels, 15 % at 240, where texture adds most.

    Over six seeds and the three depths, ours were 0.94 to 1.06 up to 120 grey levels and 0.98 to
    1.13 at 240; the worst for half a grey level, and 0.96 to 1.05 from one grey level up.
    """
    true = NoiseModel(read_grey=np.hypot(read, step_grey(bits) / np.sqrt(12)), gain_grey=shot)
    ratio = np.array([
        found_in(exposed(light(seed), read, shot, bits), bits).sigma_grey(LEVELS)
        for seed in (0, 3)
    ]) / true.sigma_grey(LEVELS)
    assert ratio.min() > 0.92
    assert ratio[:, :-1].max() < 1.08
    assert ratio[:, -1].max() < 1.15


def test_shot_noise_of_flat_fields_is_found_to_three_per_cent() -> None:
    grey = exposed(light(1, texture=0.0), read=1.0, shot=0.03, bits=12)
    ratio = found_in(grey, 12).sigma_grey(LEVELS) / NoiseModel(
        read_grey=1.0, gain_grey=0.03).sigma_grey(LEVELS)
    np.testing.assert_allclose(ratio, 1.0, atol=0.03)


def test_more_light_in_a_part_makes_no_slope_where_there_is_none() -> None:
    assert found_in(exposed(light(2), read=2.0, shot=0.0, bits=8)).gain_grey < 0.004


def test_a_class_full_of_texture_does_not_bend_the_line() -> None:
    """The brightest third is covered by fine gravel of three grey levels."""
    signal = light(1, texture=0.0)
    bright = signal > np.quantile(signal, 2 / 3)
    signal[bright] += np.random.default_rng(3).normal(0, 3, SHAPE)[bright]
    found = found_in(exposed(signal, read=1.0, shot=0.01, bits=8))
    true = NoiseModel(read_grey=np.hypot(1.0, 1 / np.sqrt(12)), gain_grey=0.01)
    np.testing.assert_allclose(found.sigma_grey(LEVELS) / true.sigma_grey(LEVELS), 1.0, atol=0.08)


@pytest.mark.parametrize("case", ["one brightness", "no dark ground", "few blocks"])
def test_without_the_support_of_a_slope_the_noise_is_one_number(case: str) -> None:
    signal = {"one brightness": np.full(SHAPE, 80.0), "no dark ground": light(1, 0.0) / 3 + 80,
              "few blocks": np.tile(np.linspace(60, 240, 160), (160, 1))}[case]
    found = found_in(exposed(signal, read=2.0, shot=0.02, bits=8))
    assert found.gain_grey == 0
    true = NoiseModel(read_grey=2.02, gain_grey=0.02).sigma_grey(signal)
    assert true.min() * 0.97 < found.read_grey < true.max() * 1.03


def test_no_less_than_the_rounding_is_ever_found() -> None:
    """Compression takes the noise of smooth ground: too little is left to be true."""
    for signal in (light(0, texture=0.0), np.full(SHAPE, 80.0)):
        grey = exposed(signal, read=0.5, shot=0.0, bits=8).astype(np.uint8)
        data = encode_picture(grey, Effects(jpeg_quality=50), np.random.default_rng(0))[1]
        squeezed = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
        found = found_in(np.asarray(squeezed, dtype=np.float64))
        assert found.read_grey == pytest.approx(1 / np.sqrt(12))


def test_a_picture_that_is_useless_everywhere_is_asked_all_the_same() -> None:
    grey = exposed(np.full(SHAPE, 80.0), read=2.0, shot=0.0, bits=8)
    found = estimate_noise_model(grey, np.ones(SHAPE, dtype=bool), 1 / np.sqrt(12))
    assert found.read_grey == pytest.approx(np.hypot(2.0, 1 / np.sqrt(12)), rel=0.03)


# --- with the rig -------------------------------------------------------------------------------


def intake_with(noise: NoiseModel) -> Intake:
    return Intake(left_state=None, right_state=None, noise=noise)


@pytest.mark.parametrize(("read", "gain", "expected"), [
    (None, None, (1.0, 0.01)), (0.5, None, (1.0, 0.01)), (0.5, 0.005, (1.0, 0.01)),
    (2.0, 0.05, (2.0, 0.05)),
    # One of the two alone: the lowest line above both. At 255 the pictures' has 1 + 2.55.
    (1.5, None, (1.5, (3.55 - 2.25) / 255)), (None, 0.1, (1.0, (25.5 - 1.0) / 255)),
])
def test_the_larger_of_picture_and_rig_counts(
    read: float | None, gain: float | None, expected: tuple[float, float]
) -> None:
    rig = replace(ideal_rig(), read_noise=read, noise_gain=gain)
    found = noise_of(intake_with(NoiseModel(read_grey=1.0, gain_grey=0.01)), rig)
    assert (found.read_grey, found.gain_grey) == pytest.approx(expected)


def test_a_binned_picture_keeps_the_noise_that_the_rig_states() -> None:
    """Whether the camera averaged or summed is not known: no less noise is counted with."""
    rig = replace(ideal_rig(), read_noise=2.0, noise_gain=0.05)
    binned = crop_and_bin(rig, None, 2)
    assert (binned.read_noise, binned.noise_gain) == (2.0, 0.05)


# --- deeper pictures ----------------------------------------------------------------------------


def deep_pair(bits: int) -> StereoPair:
    """Ground whose texture is a fifth of a grey level of an 8-bit picture, almost no noise."""
    rng = np.random.default_rng(7)
    texture = cv2.GaussianBlur(rng.normal(size=SHAPE), (0, 0), 1.5)
    grey = 60 + 0.2 * texture / texture.std() + rng.normal(0, 0.02, SHAPE)
    left = np.round(grey / step_grey(bits)).astype(np.uint16)
    left[0, 0] = 2**bits - 1  # a highlight: the file holds all of its bits
    return pair_from_arrays(left, np.roll(left, -4, axis=1))


@pytest.mark.parametrize("bits", [10, 12, 14, 16])
@pytest.mark.parametrize("rig", ["ideal", "as built"])
def test_deeper_pictures_keep_their_depth_on_the_way_to_the_matcher(bits: int, rig: str) -> None:
    pair = deep_pair(bits)
    assert full_scale(pair) == 2**bits - 1
    cameras = ideal_rig() if rig == "ideal" else demonstration_rigs()["dunlin-em-raw"]
    rectified = rectify(pair, cameras, check_pictures(pair))
    assert rectified.resampled == (rig == "as built")
    if rig == "ideal":
        assert pair.left is not None
        np.testing.assert_allclose(rectified.left, pair.left * step_grey(bits), rtol=1e-6)
    inner = rectified.left[100:380, 100:540]
    # In 8 bits nearly all of it would read 60; the resampling takes some of the contrast.
    assert 0.12 < inner.std() < 0.30
    assert np.unique(np.round(inner / step_grey(bits))).size > 4


def test_the_noise_of_a_deep_picture_is_not_that_of_eight_bits() -> None:
    noise = check_pictures(deep_pair(14)).noise
    assert noise.read_grey < 0.1
