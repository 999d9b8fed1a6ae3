"""From a description to a scene: the ground, what stands on it, how the rover stands, its light."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hazcam.calibration.rig import StereoRig
from hazcam.frames import R_BODY_OPTICAL, Pose, level_from_rover, rotation_y
from hazcam.rover.profile import RoverProfile
from hazcam.scene.camera import Camera, cameras_of
from hazcam.scene.description import RockPlan, SceneDescription
from hazcam.scene.effects import ExposedPair, expose_pair
from hazcam.scene.ground import (
    TEXTURE_PERIOD_M,
    Drift,
    Ground,
    bare_ground,
    ceiling_mesh,
    exposed_radius_m,
    ground_mesh,
    make_rock,
    stance,
)
from hazcam.scene.meshes import ROCK_KINDS, Mesh, box, merge
from hazcam.scene.render import Props, Stage
from hazcam.scene.texture import ground_texture

TEXTURE_PX = 3072
# streams of random numbers of one scene
RELIEF, TEXTURE, GRAVEL, FAR, EFFECTS, CEILING, LOSSES = range(7)


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """A scene in the level frame.

    Attributes
    ----------
    description : SceneDescription
        What it was made from.
    ground : Ground
        Heights of the ground.
    rocks, gravel, far : tuple of Mesh
        What stands on it; ``far`` beyond the mapped ground.
    roll_deg, pitch_deg : float
        True attitude of the rover on it. [deg]
    """

    description: SceneDescription
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

    def cameras(self, rig: StereoRig) -> tuple[Camera, Camera]:
        """Left and right camera as they really are, not as the rig file has them."""
        return cameras_of(rig, self.T_level_rover, self.description.departure)


def stream(description: SceneDescription, which: int) -> np.random.Generator:
    """Return one of the scene's own streams of random numbers."""
    return np.random.default_rng([*description.seed, which])


def build(description: SceneDescription, rover: RoverProfile) -> Scene:
    """Lay out a scene and stand the rover on it."""
    plan = description.ground
    bare = bare_ground(stream(description, RELIEF), plan)
    base, roll, pitch = stance(bare, rover)
    bare = replace(bare, base_m=base)
    ground = replace(bare, drifts=tuple(_bank(rock, bare) for rock in plan.rocks))
    return Scene(
        description=description, ground=ground, roll_deg=roll, pitch_deg=pitch,
        rocks=tuple(make_rock(rock, ground) for rock in plan.rocks),
        gravel=tuple(make_rock(stone, ground) for stone in _gravel(description)),
        far=tuple(make_rock(stone, ground) for stone in _far_stones(description)),
    )


def _bank(plan: RockPlan, ground: Ground) -> Drift:
    height = min(0.005, 0.09 * plan.height_m)
    return Drift(x_m=plan.x_m, y_m=plan.y_m, radius_m=exposed_radius_m(plan, ground),
                 height_m=height)


def _gravel(description: SceneDescription) -> list[RockPlan]:
    """Small stones, small ones most often, none on a rock or under the feet."""
    rng = stream(description, GRAVEL)
    gravel, rocks = description.ground.gravel, description.ground.rocks
    plans = []
    for _ in range(gravel.count):
        # denser near the rover, where the pictures show them
        x, y = 0.30 + 2.2 * rng.random() ** 1.6, rng.uniform(-1.4, 1.4)
        height = gravel.low_m + (gravel.high_m - gravel.low_m) * rng.random() ** 2.0
        kind = ROCK_KINDS[int(rng.integers(3))]
        buried = 0.1 if kind == "slab" else float(rng.uniform(0.25, 0.5))
        shape = int(rng.integers(2**31))
        if all(np.hypot(x - r.x_m, y - r.y_m) > 1.5 * r.height_m for r in rocks):
            plans.append(RockPlan(x_m=float(x), y_m=float(y), height_m=float(height), kind=kind,
                                  buried=buried, seed=shape))
    return plans


def _far_stones(description: SceneDescription) -> list[RockPlan]:
    """Stones beyond the mapped ground, for a horizon that looks like one."""
    rng = stream(description, FAR)
    if description.ground.gallery is not None:
        return []
    return [
        RockPlan(x_m=float(rng.uniform(3.2, 12)), y_m=float(rng.uniform(-6, 6)),
                 height_m=float(0.03 + 0.2 * rng.random() ** 2), kind=ROCK_KINDS[i % 2],
                 seed=int(rng.integers(2**31)))
        for i in range(16)
    ]


# --- light ----------------------------------------------------------------------------------------


def light_up(scene: Scene, rover: RoverProfile, rig: StereoRig) -> Stage:
    """Hand the scene to the renderer."""
    description = scene.description
    gallery = description.ground.gallery
    texture = ground_texture(stream(description, TEXTURE), size_px=TEXTURE_PX,
                             period_m=TEXTURE_PERIOD_M)
    meshes = [ground_mesh(scene.ground)]
    stones = [*scene.rocks, *scene.gravel, *scene.far]
    if stones:
        meshes.append(merge(stones))
    if gallery is not None:
        meshes.append(ceiling_mesh(stream(description, CEILING), gallery.width_m,
                                   gallery.height_m))
    lamp = lamp_on(rig)
    shades = (rover_mesh(rover, scene.T_level_rover, float(lamp.t[0])),)
    return Stage(Props(
        meshes=tuple(meshes), shades=shades if description.rover_shadow else (), texture=texture,
        light=description.light, reflectance=description.reflectance,
        lamp=scene.T_level_rover @ lamp))


def lamp_on(rig: StereoRig) -> Pose:
    """A lamp between the two cameras, 3 cm above them, 8 degrees down; z is where it shines."""
    if rig.mount is None:
        raise ValueError("a rig without a mount has no place on a rover")
    right = rig.mount @ Pose(R=rig.R, t=rig.T).inverse()
    return Pose(R=rotation_y(8.0) @ R_BODY_OPTICAL,
                t=(rig.mount.t + right.t) / 2 + np.array([0.0, 0.0, 0.03]))


def rover_mesh(rover: RoverProfile, T_level_rover: Pose, cameras_at_m: float) -> Mesh:
    """Body and legs of the rover as boxes, behind the cameras, level frame."""
    body, legs = rover.body, rover.legs
    front = min(body.nose_m, cameras_at_m - 0.02)
    back = body.nose_m - body.length_m
    parts = [box(np.array([(front + back) / 2, 0.0, body.underside_m + 0.04]),
                 np.array([front - back, body.width_m, 0.08]), 0.3)]
    per_side = legs.count // 2
    for i in range(per_side):
        x = (i - (per_side - 1) / 2) * legs.hip_spacing_m
        for side in (-1.0, 1.0):
            parts.append(box(np.array([x, side * legs.track_m / 2, legs.length_m / 2]),
                             np.array([legs.foot_length_m, legs.foot_width_m, legs.length_m]),
                             0.3))
    mesh = merge(parts)
    turned = T_level_rover.apply(mesh.vertices_m)
    return replace(mesh, vertices_m=turned, normals=mesh.normals @ T_level_rover.R.T)


# --- the pair -------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Shot:
    """A stereo pair as taken, and the attitude that the rover states. [deg]"""

    pictures: ExposedPair
    stated_roll_deg: float
    stated_pitch_deg: float


def take_pair(scene: Scene, stage: Stage, cameras: tuple[Camera, Camera]) -> Shot:
    """Take the pair: render, then all that lens and sensor do."""
    description = scene.description
    start = int(stream(description, EFFECTS).integers(2**20))
    left, right = (stage.radiance(camera, samples=description.samples, seed=start + k)
                   for k, camera in enumerate(cameras))
    departure = description.departure
    return Shot(
        pictures=expose_pair(left, right, description.camera, stream(description, EFFECTS)),
        stated_roll_deg=scene.roll_deg - departure.roll_deg,
        stated_pitch_deg=scene.pitch_deg - departure.pitch_deg,
    )
