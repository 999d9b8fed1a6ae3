"""Soft dark spots of a picture."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam.calibration.sensor import crop_and_bin
from hazcam.imagery import Window, check_pictures, pair_from_arrays
from hazcam.imagery.spots import MOST_SPOTS, Spot, find_spots, on_sensor, pair_spots
from hazcam.scene.effects import speck_transmission
from tests.synthetic import ideal_rig

Light = NDArray[np.float64]
SHAPE = (240, 320)


def sand(seed: int = 0, contrast: float = 0.04, shape: tuple[int, int] = SHAPE) -> Light:
    """Evenly lit ground with a texture of all sizes. [grey levels]"""
    rng = np.random.default_rng(seed)
    texture = sum(cv2.GaussianBlur(rng.standard_normal(shape), (0, 0), s) * s for s in (0.7, 2, 6))
    return np.asarray(100 * np.exp(contrast * texture / np.std(texture)))


def speck(column: float, row: float, radius: float, dip: float) -> Light:
    """Light that a speck lets through: a soft disc, cos²."""
    v, u = np.indices(SHAPE)
    away = np.minimum(np.hypot(v - row, u - column) / radius, 1.0)
    return np.asarray(1 - dip * np.cos(np.pi / 2 * away) ** 2)


def found_in(light: Light, seen: NDArray[np.bool_] | None = None) -> tuple[Spot, ...]:
    picture = np.clip(np.rint(light), 0, 255).astype(np.uint8)
    return find_spots(picture, np.ones(picture.shape, np.bool_) if seen is None else seen, 255)


def at(spots: tuple[Spot, ...], column: float, row: float, within: float = 4.0) -> list[Spot]:
    return [s for s in spots if math.hypot(s.column_px - column, s.row_px - row) <= within]


@pytest.mark.parametrize("radius", [8, 14, 22])
@pytest.mark.parametrize("dip", [0.2, 0.5])
def test_planted_speck_is_found_where_it_is(radius: float, dip: float) -> None:
    spots = found_in(sand() * speck(150.3, 110.8, radius, dip))
    first = spots[0]  # on even sand the deepest
    assert at((first,), 150.3, 110.8)
    # As the docstring states for specks that fade out evenly; the texture adds its own.
    assert 0.6 <= first.radius_px / radius <= 1.35
    assert first.depth == pytest.approx(0.55 * dip, abs=0.15 * dip + 0.02)


def test_without_a_speck_there_is_no_such_spot() -> None:
    assert max((s.depth for s in found_in(sand())), default=0.0) < 0.07  # a speck of 0.2: 0.08


def test_specks_of_the_rendered_scenes_are_found() -> None:
    """Those that take 0.25 of the light or more, clear of the rim and of each other."""
    shape, counted, hits = (480, 640), 0, 0
    for seed in range(10):
        draws = np.random.default_rng(seed).uniform(size=(3, 4))  # as speck_transmission draws
        dusty = sand(seed, shape=shape) * speck_transmission(shape, 3, np.random.default_rng(seed))
        spots = found_in(dusty)
        for row, column, _, depth in draws * (479, 639, 1, 1):
            if 0.1 + 0.5 * depth < 0.25 or not (35 < row < 445 and 35 < column < 605):
                continue
            counted += 1
            hits += bool(at(spots, column, row))
    assert counted >= 8
    assert hits >= counted - 1


def test_moved_picture_moves_its_spots() -> None:
    """By 12 px, a whole number of pixels of every shrunk picture."""
    wide = sand(2, contrast=0.2, shape=(240, 400))
    a, b = (found_in(wide[:, i:i + 320]) for i in (0, 12))
    inner = [s for s in a if 80 < s.column_px < 270]
    assert len(inner) >= 8
    moved = [at(b, s.column_px - 12, s.row_px, within=0.01) for s in inner]
    assert sum(bool(m) for m in moved) >= len(inner) - 1  # another rim, another choice of 40


def test_brighter_picture_has_the_same_spots() -> None:
    dusty = np.rint(sand() * speck(150, 110, 12, 0.4))
    seen = np.ones(SHAPE, np.bool_)
    a = find_spots((dusty * 20).astype(np.uint16), seen, 4095)
    b = find_spots((dusty * 10).astype(np.uint16), seen, 4095)
    assert len(a) == len(b) > 3
    for one, other in zip(a, b, strict=True):
        assert other.column_px == one.column_px
        assert other.depth == pytest.approx(one.depth, abs=1e-4)


def test_the_same_twice_and_in_order() -> None:
    rough = sand(5, contrast=0.5, shape=(480, 640))
    spots = found_in(rough)
    assert spots == found_in(rough)
    assert len(spots) == MOST_SPOTS
    assert [s.depth for s in spots] == sorted((s.depth for s in spots), reverse=True)
    apart = [math.hypot(a.column_px - b.column_px, a.row_px - b.row_px) > max(a.radius_px,
                                                                              b.radius_px)
             for i, a in enumerate(spots) for b in spots[:i]]
    assert all(apart)


def test_long_shadow_and_edge_are_no_spots() -> None:
    light = sand(contrast=0.01)
    light[110:122, 60:260] *= 0.4
    light[:, 300:] *= 0.4
    assert not at(found_in(light), 160, 116, within=60)
    assert not [s for s in found_in(light) if s.column_px > 290]


def test_lost_block_is_no_spot() -> None:
    light, seen = sand(contrast=0.01), np.ones(SHAPE, np.bool_)
    light[112:128, 144:160] = 0
    assert at(found_in(light), 151.5, 119.5)
    seen[112:128, 144:160] = False
    assert not at(found_in(light, seen), 151.5, 119.5, within=12)


def test_pair_on_its_sensor() -> None:
    """Half of the sensor, binned by 2: the spot lies where the light fell."""
    dusty = np.rint(sand() * speck(150, 110, 12, 0.5)).astype(np.uint8)
    pair = pair_from_arrays(dusty, None, id="p")
    on_picture = find_spots(dusty, np.ones(SHAPE, np.bool_), 255)
    pair = replace(pair, window=Window(column=100, row=60, width=640, height=480), binning=2)
    spots = pair_spots(pair, check_pictures(pair))
    assert set(spots) == {"left"}
    assert len(spots["left"]) == len(on_picture)
    assert at(spots["left"], 100 + 300.5, 60 + 220.5, within=8)
    assert spots["left"][0].radius_px == 2 * on_picture[0].radius_px


@pytest.mark.parametrize(("window", "binning"), [
    (None, 1), (None, 2), (Window(column=64, row=32, width=320, height=240), 1),
    (Window(column=64, row=32, width=320, height=240), 2)])
def test_on_sensor_is_the_way_back_from_the_rig_of_the_picture(
    window: Window | None, binning: int
) -> None:
    """The principal point of the cropped and binned rig is that of the whole one."""
    rig = ideal_rig()
    own = crop_and_bin(rig, window, binning)
    spot = Spot(column_px=own.K1[0, 2], row_px=own.K1[1, 2], radius_px=6.0, depth=0.2)
    there = on_sensor(spot, window, binning)
    assert (there.column_px, there.row_px) == pytest.approx((rig.K1[0, 2], rig.K1[1, 2]))
    assert there.radius_px == 6.0 * binning


def test_dark_spot_counts_though_nothing_is_seen_in_it() -> None:
    dark = np.rint(sand(contrast=0.01) * 0.3 * speck(150, 110, 20, 0.99)).astype(np.uint8)
    pair = pair_from_arrays(dark, None, id="p")
    intake = check_pictures(pair)
    assert intake.shares["left"]["dark"] > 0
    assert at(pair_spots(pair, intake)["left"], 150, 110)


@pytest.mark.parametrize("shape", [(1, 1), (3, 200), (40, 7), (12, 12)])
def test_small_pictures(shape: tuple[int, int]) -> None:
    picture = np.random.default_rng(0).integers(0, 255, shape).astype(np.uint8)
    assert len(find_spots(picture, np.ones(shape, np.bool_), 255)) <= MOST_SPOTS


def test_nothing_seen_has_no_spots() -> None:
    assert found_in(sand(), np.zeros(SHAPE, np.bool_)) == ()
    assert found_in(np.full(SHAPE, 90.0)) == ()


@pytest.mark.parametrize(("radius", "depth"), [(0.0, 0.2), (6.0, 0.0), (6.0, 1.0)])
def test_spot_checks_itself(radius: float, depth: float) -> None:
    with pytest.raises(ValueError, match="radius above 0 and a depth between 0 and 1"):
        Spot(column_px=1.0, row_px=1.0, radius_px=radius, depth=depth)
