"""Sun, sky and lamp: radiances in closed form, shadows, and the renderer that is not there."""

from __future__ import annotations

import importlib
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from hazcam.errors import HazcamError
from hazcam.frames import Pose
from hazcam.scene.build import build, light_up
from hazcam.scene.camera import cameras_of
from hazcam.scene.description import RockPlan
from hazcam.scene.effects import expose_pair
from hazcam.scene.ground import ground_mesh, make_rock
from hazcam.scene.light import Light, regolith_over_lambert
from hazcam.scene.meshes import box
from hazcam.scene.render import Props, Stage, load_mitsuba
from hazcam.scene.texture import ground_texture
from tests.scene.props import (
    LEVEL,
    ROVER,
    describe,
    flat_ground,
    lit,
    looking_down,
    pixel_of,
    plane,
    tiny_rig,
)

BLOCK = box(np.array([-0.1, 0, 0.1]), np.array([0.2, 0.2, 0.2]), 0.1)
DOWN = np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]])


def test_sunlit_plane_has_lamberts_radiance() -> None:
    light = Light(sun_elevation_deg=30, sun_azimuth_deg=40, sun=2.0, sky=0.1)
    seen = lit(light, plane(albedo=0.2)).radiance(looking_down(1, 50, (16, 16)), samples=4, seed=0)
    # albedo / pi * irradiance; 2 sin(30 deg) from the sun and 0.1 from the sky
    # each ray picks a part of the sun's disc, and these stand at different heights
    # (and the renderer's 32 bits hold the solid angle of so small a disc to a few thousandths)
    assert seen.mean() == pytest.approx(0.2 / np.pi * 1.1, rel=3e-3)
    np.testing.assert_allclose(seen, 0.2 / np.pi * 1.1, rtol=0.01)


def test_texture_is_the_albedo() -> None:
    stage = Stage(Props(meshes=(ground_mesh(flat_ground(), (np.linspace(-1, 1, 9),) * 2),),
                        light=Light(sun=0, sky=1.0), texture=np.full((8, 8), 0.3, np.float32)))
    seen = stage.radiance(looking_down(1, 50, (8, 8)), samples=4, seed=0)
    np.testing.assert_allclose(seen, 0.3 / np.pi, rtol=1e-3)


@pytest.mark.parametrize("sky", [0.0, 0.2])
def test_shadow_is_black_unless_a_sky_fills_it(sky: float) -> None:
    light = Light(sun_elevation_deg=30, sun_azimuth_deg=180, sky=sky)
    camera = looking_down(1.0, 100.0, (80, 21))
    seen = lit(light, plane(), BLOCK).radiance(camera, samples=64, seed=0)
    shadow, sunlit = seen[pixel_of(camera, 0.15, 0)], seen[pixel_of(camera, 0.38, 0)]
    if sky == 0:
        assert shadow == 0
        assert sunlit == pytest.approx(0.1 / np.pi * 0.5, rel=0.01)
    else:
        # the block takes a part of the sky
        assert 0.4 * 0.2 < shadow * np.pi / 0.1 < 0.2
        assert shadow < 0.4 * sunlit


def lamp_radiance(height_m: float, beside_m: float = 0.0) -> float:
    lamp = Pose(R=DOWN, t=np.array([0, 0, height_m]))
    camera = looking_down(0.5, 100.0, (81, 21))
    seen = lit(Light(sun=0, lamp=2.0), plane(), lamp=lamp).radiance(camera, samples=4, seed=0)
    return float(seen[pixel_of(camera, beside_m, 0)])


def test_lamp_falls_off_with_the_square_of_the_distance() -> None:
    assert lamp_radiance(1.0) == pytest.approx(0.1 / np.pi * 2.0, rel=1e-3)
    assert lamp_radiance(2.0) == pytest.approx(lamp_radiance(1.0) / 4, rel=1e-3)
    # inside its full beam: (1 m / distance)^2 times the cosine of incidence
    aside = 0.1 / np.hypot(0.1, 1.0) ** 3 / 0.1
    assert lamp_radiance(1.0, 0.08) == pytest.approx(lamp_radiance(1.0) * aside, rel=0.01)


def test_lamp_shines_forward_only() -> None:
    up = Pose(R=np.eye(3), t=np.array([0, 0, 1.0]))
    seen = lit(Light(sun=0, lamp=1.0), plane(), lamp=up).radiance(
        looking_down(0.5, 50, (8, 8)), samples=4, seed=0)
    assert seen.max() == 0


def test_lamp_without_a_place_is_a_programmers_mistake() -> None:
    with pytest.raises(ValueError, match="a lamp needs a place"):
        lit(Light(sun=0, lamp=1.0), plane())


def test_lamp_of_the_rover_lights_the_ground_ahead(coarse: None) -> None:
    description = describe(light=Light(sun=0, lamp=1.0))
    scene, rig = build(description, ROVER), tiny_rig()
    left = scene.cameras(rig)[0]
    seen = light_up(scene, ROVER, rig).radiance(left, samples=4, seed=0)
    near, far = seen[pixel_of(left, 0.8, 0)], seen[pixel_of(left, 2.0, 0)]
    assert near > 4 * far > 0


def own_shadow(rover_shadow: bool, azimuth_deg: float) -> tuple[float, float]:
    """Light on the ground 0.5 m ahead of the origin, straight ahead and 0.4 m to the left."""
    light = Light(sun_elevation_deg=10, sun_azimuth_deg=azimuth_deg)
    scene = build(describe(light=light, rover_shadow=rover_shadow, reflectance="lambert"), ROVER)
    rig = tiny_rig()
    scene = replace(scene, far=())  # nothing else throws a shadow
    left = scene.cameras(rig)[0]
    seen = light_up(scene, ROVER, rig).radiance(left, samples=16, seed=0)
    return (float(seen[pixel_of(left, 0.5, 0.0)]), float(seen[pixel_of(left, 0.5, 0.3)]))


def test_sun_behind_throws_the_rovers_shadow_ahead(coarse: None) -> None:
    # 10 degrees: the body, 13 cm high, shades to 0.74 m ahead of its nose
    ahead, beside = own_shadow(True, 180.0)
    assert ahead == 0
    assert beside > 0
    ahead, beside = own_shadow(False, 180.0)
    assert ahead == pytest.approx(beside, rel=0.5)
    ahead, beside = own_shadow(True, 0.0)
    assert ahead > 0, "the sun ahead throws it behind"


def test_same_seed_same_pixels() -> None:
    axes = (np.arange(0.2, 1.5, 0.02), np.arange(-0.6, 0.6, 0.02))

    def take(seed: int) -> NDArray[np.uint8]:
        rng = np.random.default_rng(seed)
        rock = make_rock(RockPlan(x_m=0.7, y_m=0.0, height_m=0.06, seed=seed), flat_ground())
        stage = Stage(Props(meshes=(ground_mesh(flat_ground(), axes), rock),
                            light=Light(sun_elevation_deg=20, sun_azimuth_deg=90, sky=0.05),
                            reflectance="regolith",
                            texture=ground_texture(rng, size_px=128, period_m=0.5)))
        seen = stage.radiance(cameras_of(tiny_rig(), LEVEL)[0], samples=4, seed=seed)
        return expose_pair(seen, seen, describe().camera, rng).left

    first = take(3)
    assert first.std() > 5
    np.testing.assert_array_equal(first, take(3))
    assert np.any(first != take(4))


# --- what cannot be -------------------------------------------------------------------------------


@pytest.mark.parametrize(("fields", "message"), [
    ({"sun_elevation_deg": 0.0}, "sun elevation"), ({"sun_elevation_deg": 91.0}, "sun elevation"),
    ({"sun_elevation_deg": float("nan")}, "sun elevation"),
    ({"sun": 0.0}, "one of them is above 0"), ({"sky": -0.1}, "0 or more"),
])
def test_light_that_cannot_be(fields: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Light(**fields)


def test_regolith_stays_finite_where_all_grazes() -> None:
    flat, grazing = np.array([0.0, 0, 1]), np.array([1.0, 0, 0])
    behind = np.array([-1.0, 0, 0])
    # without its bound the law is 1 / (0 + 0)
    assert 4.9 < float(regolith_over_lambert(flat, grazing, behind)) < 5.4


def test_missing_renderer_says_how_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(name: str) -> None:
        raise ImportError(f"No module named {name!r}")

    monkeypatch.setattr(importlib, "import_module", absent)
    with pytest.raises(HazcamError, match=r'pip install "hazcam\[scene\]"'):
        load_mitsuba()


def test_a_renderer_that_does_not_load_names_the_system_library(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen on a bare Debian 12: without libatomic1 the import ends in a NameError."""
    def broken(name: str) -> None:
        raise NameError("name '_drjit_ext' is not defined")

    monkeypatch.setattr(importlib, "import_module", broken)
    with pytest.raises(HazcamError, match="apt-get install libatomic1"):
        load_mitsuba()
