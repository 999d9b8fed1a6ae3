"""Mixtures: drawn from block, name and index alone; each holds what its name says."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from hazcam.errors import HazcamError
from hazcam.scene.description import Departure, SceneDescription
from hazcam.scene.mixtures import (
    ATTITUDE_SIGMA_DEG,
    BASELINE_SIGMA,
    DRIFT_SIGMA_DEG,
    MIXTURES,
    MOUNT_SIGMA_M,
    block_number,
    draw_scene,
)
from hazcam.scene.toml_form import scene_digest, scene_from_text, scene_text

NAMES = list(MIXTURES)
COUNT = 25


@cache
def drawn(mixture: str, block: str = "tune") -> tuple[SceneDescription, ...]:
    return tuple(draw_scene(mixture, block, i) for i in range(COUNT if block == "tune" else 5))


# --- seeds ----------------------------------------------------------------------------------------


def test_the_mixtures_are_these() -> None:
    assert NAMES == ["benign", "rocks", "boulders", "ledge", "pit", "crater", "slope", "shadow",
                     "gallery"]
    for name, mixture in MIXTURES.items():
        assert mixture.name == name
        assert mixture.label == f"{name}/{mixture.version}"
        assert mixture.summary


def test_blocks_share_no_seed_no_name_and_no_scene() -> None:
    blocks = [[s for name in NAMES for s in drawn(name, block)]
              for block in ("tune", "report-1", "report-2")]
    for key in ("seed", "id"):
        every = [getattr(s, key) for scenes in blocks for s in scenes]
        assert len(set(every)) == len(every) == len(NAMES) * (COUNT + 5 + 5)
    first_numbers = [{s.seed[0] for s in scenes} for scenes in blocks]
    assert all(len(numbers) == 1 for numbers in first_numbers)
    assert len(set.union(*first_numbers)) == 3
    every_rock_seed = [{r.seed for s in scenes for r in s.ground.rocks} for scenes in blocks]
    assert len(every_rock_seed[0] & every_rock_seed[1]) <= 1


@pytest.mark.parametrize("name", NAMES)
def test_same_call_same_scene_another_index_another_scene(name: str) -> None:
    assert draw_scene(name, "tune", 3) == drawn(name)[3]
    assert len({scene_digest(s) for s in drawn(name)}) == COUNT
    assert len({s.ground for s in drawn(name)}) == COUNT
    assert len({s.camera for s in drawn(name)}) == COUNT


def test_a_scene_says_where_it_comes_from() -> None:
    scene = draw_scene("pit", "report-12", 7)
    assert scene.id == "report-12-pit-007"
    assert scene.mixture == MIXTURES["pit"].label
    assert scene.seed == (block_number("report-12"), NAMES.index("pit"), 7)


@pytest.mark.parametrize("block", ["Tune", "report", "report-0", "report-01", "report--1",
                                   "report-1000000", "report-1 ", "sample", ""])
def test_other_names_are_no_seed_blocks(block: str) -> None:
    with pytest.raises(HazcamError, match=r"(?s)is no seed block.*tune, or report-N"):
        block_number(block)


def test_block_numbers_differ() -> None:
    assert len({block_number(b) for b in ("tune", "report-1", "report-2", "report-999999")}) == 4


@pytest.mark.parametrize("name", NAMES)
def test_drawn_scenes_survive_their_file(name: str) -> None:
    for scene in drawn(name):
        assert scene_from_text(scene_text(scene), "a.scene.toml") == scene


# --- ground ---------------------------------------------------------------------------------------


def kinds(scene: SceneDescription) -> set[str]:
    """What there is beside ripples, rocks and gravel."""
    ground = scene.ground
    names = ("ledges", "pits", "craters", "ditches", "ramps", "walls", "gallery")
    return {name for name in names if getattr(ground, name)}


def heights(scene: SceneDescription) -> list[float]:
    return [rock.height_m for rock in scene.ground.rocks]


def test_benign_has_nothing_to_stop_for() -> None:
    for scene in drawn("benign"):
        assert kinds(scene) == set()
        assert max(heights(scene), default=0) < 0.025
        assert scene.ground.gravel.high_m <= 0.012
        assert scene.ground.slope_deg <= 5
        assert all(r.height_m < 0.025 for r in scene.ground.ripples)
    assert any(scene.ground.ripples for scene in drawn("benign"))
    assert any(scene.ground.rocks for scene in drawn("benign"))


def test_rocks_are_rocks_only() -> None:
    for scene in drawn("rocks"):
        assert kinds(scene) == set()
        # diameters of 3 to 35 cm, 0.35 to 0.65 of which show
        assert min(heights(scene)) >= 0.03 * 0.35
        assert max(heights(scene)) <= 0.35 * 0.65
    counts = [len(scene.ground.rocks) for scene in drawn("rocks")]
    assert max(counts) > 2 * min(counts), "sparse to dense"
    assert {r.kind for s in drawn("rocks") for r in s.ground.rocks} == {
        "angular", "rounded", "slab", "overhanging"}


def test_boulders_are_one_to_three_large_rocks() -> None:
    numbers = set()
    for scene in drawn("boulders"):
        assert kinds(scene) == set()
        assert 0.07 <= max(heights(scene)) <= 0.25
        # the small ones beside them reach 0.65 of 12 cm
        numbers.add(sum(h > 0.078 for h in heights(scene)))
    assert numbers <= {0, 1, 2, 3}
    assert numbers > {1, 2}


def test_ledge_is_one_ledge_or_a_wall() -> None:
    for scene in drawn("ledge"):
        assert kinds(scene) in ({"ledges"}, {"walls"})
        for ledge in scene.ground.ledges:
            assert 0.02 <= abs(ledge.height_m) <= 0.14
        for wall in scene.ground.walls:
            assert wall.height_m >= 0.3
    signs = {np.sign(edge.height_m) for s in drawn("ledge") for edge in s.ground.ledges}
    assert signs == {-1.0, 1.0}
    assert any(s.ground.walls for s in drawn("ledge"))


def test_pit_is_pits_or_a_ditch() -> None:
    for scene in drawn("pit"):
        assert kinds(scene) in ({"pits"}, {"ditches"})
        depths = [h.depth_m for h in scene.ground.pits] + [
            h.depth_m for h in scene.ground.ditches]
        assert 0.03 <= min(depths) <= max(depths) <= 0.20
    assert {frozenset(kinds(s)) for s in drawn("pit")} == {frozenset({"pits"}),
                                                          frozenset({"ditches"})}


def test_craters_are_as_deep_as_craters_are() -> None:
    for scene in drawn("crater"):
        assert kinds(scene) <= {"craters"}
        for crater in scene.ground.craters:
            assert 0.2 <= crater.diameter_m <= 1.0
            assert 0.06 <= crater.depth_ratio <= 0.22
            assert crater.x_m - crater.diameter_m / 2 > 0.35, "the rover does not stand on it"
    assert sum(bool(scene.ground.craters) for scene in drawn("crater")) >= 0.9 * COUNT


def test_slope_is_a_ramp_or_a_hillside() -> None:
    for scene in drawn("slope"):
        assert kinds(scene) <= {"ramps"}
        for ramp in scene.ground.ramps:
            assert 4 <= ramp.slope_deg <= 30
        if not scene.ground.ramps:
            assert 5 <= scene.ground.slope_deg <= 14
    assert 0 < sum(bool(s.ground.ramps) for s in drawn("slope")) < COUNT


def test_shadow_has_a_low_sun_and_no_sky() -> None:
    for scene in drawn("shadow"):
        assert kinds(scene) <= {"pits", "ledges"}
        assert scene.ground.rocks
        assert scene.light.sun > 0
        assert scene.light.sky == 0
        assert 3 <= scene.light.sun_elevation_deg <= 8
        assert all(edge.height_m < 0 for edge in scene.ground.ledges)


def test_gallery_is_a_tunnel_lit_by_a_lamp() -> None:
    for scene in drawn("gallery"):
        assert "gallery" in kinds(scene)
        assert kinds(scene) <= {"gallery", "pits"}
        assert (scene.light.sun, scene.light.sky) == (0, 0)
        assert scene.light.lamp > 0


def test_rocks_keep_clear_of_each_other() -> None:
    for scene in drawn("rocks"):
        rocks = scene.ground.rocks
        for i, one in enumerate(rocks):
            for other in rocks[:i]:
                apart = np.hypot(one.x_m - other.x_m, one.y_m - other.y_m)
                assert apart > 1.5 * (one.height_m + other.height_m)


# --- light ----------------------------------------------------------------------------------------


def suns(span: tuple[float, float]) -> dict[str, list[float]]:
    return {name: [s.light.sun_elevation_deg
                   for s in (draw_scene(name, "tune", i, sun_deg=span) for i in range(8))
                   if s.light.sun > 0]
            for name in NAMES}


@pytest.mark.parametrize("span", [(3.0, 50.0), (4.0, 4.0), (20.0, 40.0), (90.0, 90.0)])
def test_sun_is_in_its_range(span: tuple[float, float]) -> None:
    for name, found in suns(span).items():
        assert all(span[0] - 1e-9 <= e <= span[1] + 1e-9 for e in found), name
        if name == "shadow":
            assert found
            assert max(found) <= max(8.0, span[0] + 1e-9), "as low as the range allows"


def test_suns_are_even_in_their_logarithm() -> None:
    found = [e for name in NAMES if name != "shadow" for e in
             (s.light.sun_elevation_deg for s in drawn(name) if s.light.sun > 0)]
    middle = np.sqrt(3.0 * 50.0)
    assert 0.4 < np.mean(np.array(found) < middle) < 0.6


def test_moon_earth_and_overcast() -> None:
    lights = [s.light for name in NAMES if name not in ("shadow", "gallery") for s in drawn(name)]
    shares = [np.mean([light.sky == 0 for light in lights]),
              np.mean([light.sky > 0 and light.sun > 0 for light in lights]),
              np.mean([light.sun == 0 for light in lights])]
    np.testing.assert_allclose(shares, [0.6, 0.3, 0.1], atol=0.12)


def test_no_regional_slope_lies_in_its_own_night() -> None:
    for i in range(40):
        scene = draw_scene("slope", "tune", i, sun_deg=(3.0, 5.0))
        light, ground = scene.light, scene.ground
        if light.sun > 0:
            off = np.radians(ground.slope_azimuth_deg - light.sun_azimuth_deg)
            # flat ground has a slope of 0 degrees; one that rises to the sun is lit lower
            assert light.sun_elevation_deg - ground.slope_deg * np.cos(off) > 2.0


# --- what is against what is believed -------------------------------------------------------------


def test_exact_is_no_departure_and_nothing_else() -> None:
    for name in NAMES:
        exact = draw_scene(name, "tune", 0, exact=True)
        usual = drawn(name)[0]
        assert exact.departure == Departure(), name
        assert usual.departure != Departure()
        assert (exact.ground, exact.light, exact.camera) == (usual.ground, usual.light,
                                                             usual.camera)


def test_departures_have_their_sigmas() -> None:
    found = [s.departure for name in NAMES for s in drawn(name)]  # 225
    for values, sigma in (
        ([d.roll_deg for d in found], ATTITUDE_SIGMA_DEG),
        ([d.pitch_deg for d in found], ATTITUDE_SIGMA_DEG),
        ([d.height_m for d in found], MOUNT_SIGMA_M),
        ([d.baseline_share for d in found], BASELINE_SIGMA),
        ([angle for d in found for angle in d.drift_deg], DRIFT_SIGMA_DEG),
    ):
        assert np.std(values) == pytest.approx(sigma, rel=0.2)
        assert abs(np.mean(values)) < 3.5 * sigma / np.sqrt(len(values))
    assert (ATTITUDE_SIGMA_DEG, MOUNT_SIGMA_M, BASELINE_SIGMA) == (0.5, 0.003, 0.008)
