"""From a recipe to a scene: the ground, what stands on it, how the rover stands, what is true."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hazcam.calibration.rig import StereoRig
from hazcam.frames import Pose, level_from_rover
from hazcam.scene.camera import Image, Sensor, cameras_of, expose, exposure_gain
from hazcam.scene.meshes import ROCK_KINDS, Mesh, merge
from hazcam.scene.render import Stage
from hazcam.scene.sets import Recipe
from hazcam.scene.terrain import (
    TEXTURE_PERIOD_M,
    Drift,
    Ground,
    RockPlan,
    draw_relief,
    exposed_radius_m,
    ground_mesh,
    make_rock,
    stance,
)
from hazcam.scene.texture import sand_texture
from hazcam.scene.truth import SceneTruth, cast_elevation, feature_object, rock_object

TEXTURE_PX = 6144
# streams of random numbers of one scene
_RELIEF, _TEXTURE, _GRAVEL, _FAR, _NOISE, _STATED = range(6)


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """A scene in the level frame.

    ``rocks`` and ``gravel`` are the meshes on the ``ground``; ``roll_deg`` and ``pitch_deg`` the
    true attitude of the rover on it.
    """

    recipe: Recipe
    ground: Ground
    rocks: tuple[Mesh, ...]
    gravel: tuple[Mesh, ...]
    far: tuple[Mesh, ...]
    roll_deg: float
    pitch_deg: float

    @property
    def T_level_rover(self) -> Pose:
        """How the rover stands."""
        return Pose(R=level_from_rover(self.roll_deg, self.pitch_deg), t=np.zeros(3))


def stream(recipe: Recipe, which: int) -> np.random.Generator:
    """Return one of the scene's own streams of random numbers."""
    return np.random.default_rng([*recipe.seed, which])


def build(recipe: Recipe) -> Scene:
    """Lay out a scene."""
    relief = draw_relief(stream(recipe, _RELIEF), undulation=recipe.undulation,
                         roughness=recipe.roughness)
    bare = Ground(relief=relief, ripples=recipe.ripples, features=recipe.features)
    base, roll, pitch = stance(bare)
    bare = replace(bare, base_m=base)
    ground = replace(bare, drifts=tuple(_bank(plan, bare) for plan in recipe.rocks))
    return Scene(
        recipe=recipe, ground=ground, roll_deg=roll, pitch_deg=pitch,
        rocks=tuple(make_rock(plan, ground) for plan in recipe.rocks),
        gravel=tuple(make_rock(plan, ground) for plan in _gravel(recipe)),
        far=tuple(make_rock(plan, ground) for plan in _far_stones(recipe)),
    )


def _bank(plan: RockPlan, ground: Ground) -> Drift:
    height = min(0.005, 0.09 * plan.height_m)
    return Drift(x_m=plan.x_m, y_m=plan.y_m, radius_m=exposed_radius_m(plan, ground),
                 height_m=height)


def _gravel(recipe: Recipe) -> list[RockPlan]:
    """Small stones, small ones most often, none on a rock or under the feet."""
    rng = stream(recipe, _GRAVEL)
    low, high = recipe.gravel_m
    plans = []
    for i in range(recipe.gravel_count):
        # denser near the rover, where the pictures show them
        x, y = 0.30 + 2.2 * rng.random() ** 1.6, rng.uniform(-1.4, 1.4)
        height = low + (high - low) * rng.random() ** 2.0
        kind = ROCK_KINDS[int(rng.integers(3))]
        clear = all(np.hypot(x - r.x_m, y - r.y_m) > 1.5 * r.height_m for r in recipe.rocks)
        if clear:
            buried = 0.1 if kind == "slab" else float(rng.uniform(0.25, 0.5))
            plans.append(RockPlan(x_m=float(x), y_m=float(y), height_m=float(height), kind=kind,
                                  buried=buried, seed=10_000 * recipe.seed[1] + i))
    return plans


def _far_stones(recipe: Recipe) -> list[RockPlan]:
    """Stones beyond the mapped ground, for a horizon that looks like one."""
    rng = stream(recipe, _FAR)
    return [
        RockPlan(x_m=float(rng.uniform(3.2, 12)), y_m=float(rng.uniform(-6, 6)),
                 height_m=float(0.03 + 0.2 * rng.random() ** 2), kind=ROCK_KINDS[i % 2],
                 seed=900_000 + 1000 * recipe.seed[1] + i)
        for i in range(16)
    ]


def light_up(scene: Scene) -> Stage:
    """Hand the scene to the renderer."""
    texture = sand_texture(stream(scene.recipe, _TEXTURE), size_px=TEXTURE_PX,
                           period_m=TEXTURE_PERIOD_M)
    stones = [*scene.rocks, *scene.gravel, *scene.far]
    return Stage([ground_mesh(scene.ground), merge(stones)], scene.recipe.light, texture)


@dataclass(frozen=True, kw_only=True, eq=False)
class Shot:
    """A stereo pair as taken: 8-bit pictures (H, W), grey levels per radiance, stated attitude."""

    left: NDArray[np.uint8]
    right: NDArray[np.uint8]
    gain: float
    stated_roll_deg: float
    stated_pitch_deg: float


def take_pair(
    scene: Scene, stage: Stage, rig: StereoRig, *, stated_sigma_deg: float = 0.3
) -> Shot:
    """Take the pair: render, expose both alike, add noise."""
    seed = 1000 * scene.recipe.seed[0] + 2 * scene.recipe.seed[1]
    cameras = cameras_of(rig, scene.T_level_rover)
    seen: list[Image] = [
        stage.radiance(camera, samples=scene.recipe.samples, seed=seed + k)
        for k, camera in enumerate(cameras)
    ]
    gain = exposure_gain(*seen)
    noise = stream(scene.recipe, _NOISE)
    left, right = (expose(radiance, gain, Sensor(), noise) for radiance in seen)
    error = stream(scene.recipe, _STATED).normal(scale=stated_sigma_deg, size=2)
    return Shot(left=left, right=right, gain=gain,
                stated_roll_deg=scene.roll_deg + float(error[0]),
                stated_pitch_deg=scene.pitch_deg + float(error[1]))


def truth_of(scene: Scene, stage: Stage) -> SceneTruth:
    """Measure what is true about the scene."""
    light = scene.recipe.light
    found = [feature_object(feature) for feature in scene.recipe.features]
    found += [rock_object(mesh, scene.ground) for mesh in (*scene.rocks, *scene.gravel)]
    return SceneTruth(
        id=scene.recipe.id, roll_deg=scene.roll_deg, pitch_deg=scene.pitch_deg,
        sun_elevation_deg=light.sun_elevation_deg, sun_azimuth_deg=light.sun_azimuth_deg,
        seed=scene.recipe.seed, objects=tuple(o for o in found if o is not None),
        elevation=cast_elevation(stage),
    )
