"""Mixtures: named, versioned draws of scenes.

A scene is drawn from (seed block, mixture, index) alone. Blocks are disjoint by construction: the
number of the block is the first number of every seed. ``tune`` is for tuning; each ``report-N`` is
for one report, never looked at before it is run.

Change what a mixture draws, and its version goes up: figures of different versions are never
compared.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from hazcam.errors import HazcamError
from hazcam.scene.description import (
    Departure,
    Gallery,
    Gravel,
    GroundPlan,
    RockPlan,
    SceneDescription,
)
from hazcam.scene.effects import Effects
from hazcam.scene.features import Crater, Ditch, Ledge, Pit, Ramp, Ripples, Wall
from hazcam.scene.light import Light
from hazcam.scene.meshes import RockKind
from hazcam.scene.rock_sizes import ABUNDANCES, draw_diameters_m

# Sigmas of what the rover believes against what is.
ATTITUDE_SIGMA_DEG = 0.5
MOUNT_SIGMA_M = 0.003  # feet sink
BASELINE_SIGMA = 0.008  # what the corner method alone moves in a calibration (our measurement)
DRIFT_SIGMA_DEG = 0.01

_TUNE_BLOCK, _FIRST_REPORT_BLOCK = 2, 10_000
_ROCK_AREA_M = ((0.45, 2.30), (-0.90, 0.90))  # x and y where rocks are strewn
_LOW_SUN_DEG = 8.0
SKY_SHARE = 0.12  # irradiance of level ground from a clear sky over that from the sun

Ground = GroundPlan
Rng = np.random.Generator


@dataclass(frozen=True, kw_only=True)
class Mixture:
    """A kind of ground, drawn by ``draw(rng)``; ``version`` counts its changes."""

    name: str
    version: int
    summary: str
    draw: Callable[[Rng], Ground]

    @property
    def label(self) -> str:
        """``NAME/VERSION``."""
        return f"{self.name}/{self.version}"


def block_number(block: str) -> int:
    """Number of a seed block: ``tune``, or ``report-N`` with N of 1 or more.

    Raises
    ------
    HazcamError
        For another name.
    """
    if block == "tune":
        return _TUNE_BLOCK
    match = re.fullmatch(r"report-([1-9][0-9]{0,5})", block)
    if match is None:
        raise HazcamError(f"seed block {block!r}", "is no seed block",
                          "tune, or report-N with N of 1 to 999999", "correct the name")
    return _FIRST_REPORT_BLOCK + int(match[1])


def draw_scene(
    mixture: str, block: str, index: int, *, sun_deg: tuple[float, float] = (3.0, 50.0),
    exact: bool = False,
) -> SceneDescription:
    """Draw one scene.

    Parameters
    ----------
    mixture : str
        Name of a mixture.
    block : str
        ``tune`` or ``report-N``.
    index : int
        Of the scene in its block and mixture, from 0.
    sun_deg : tuple of float
        Lowest and highest sun, drawn evenly in its logarithm. [deg]
    exact : bool
        What the rover believes is what is: no `Departure`.
    """
    kind = MIXTURES[mixture]
    seed = (block_number(block), list(MIXTURES).index(mixture), index)
    rng = np.random.default_rng([*seed, 99])
    ground_rng, light_rng, camera_rng, departure_rng = rng.spawn(4)
    ground = kind.draw(ground_rng)
    light = _draw_light(light_rng, mixture, sun_deg)
    return SceneDescription(
        id=f"{block}-{mixture}-{index:03d}", seed=seed, mixture=kind.label,
        ground=_off_the_terminator(ground, light), light=light,
        camera=draw_effects(camera_rng),
        departure=Departure() if exact else draw_departure(departure_rng),
        site="slag heap" if ground.surface == "lava" else "black beach",
    )


# --- light, camera, belief ------------------------------------------------------------------------


def _draw_light(rng: Rng, mixture: str, sun_deg: tuple[float, float]) -> Light:
    low, high = sun_deg
    if mixture == "shadow":  # low sun as far as the range allows
        high = max(low, min(high, _LOW_SUN_DEG))
    elevation = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    azimuth = float(rng.uniform(-180, 180))
    kind = float(rng.random())
    if mixture == "gallery":
        return Light(sun=0.0, lamp=1.0)
    if mixture == "shadow" or kind < 0.6:
        return Light(sun_elevation_deg=elevation, sun_azimuth_deg=azimuth)
    if kind < 0.9:
        sky = SKY_SHARE * float(np.sin(np.radians(elevation)))
        return Light(sun_elevation_deg=elevation, sun_azimuth_deg=azimuth, sky=sky)
    return Light(sun=0.0, sky=0.3)


def _off_the_terminator(ground: Ground, light: Light) -> Ground:
    """Turn a regional slope that would lie in its own night so that the sun shines across it."""
    if light.sun == 0 or ground.slope_deg == 0:
        return ground
    off = np.radians(ground.slope_azimuth_deg - light.sun_azimuth_deg)
    # a slope that rises towards the sun is lit that much lower
    facing = ground.slope_deg * float(np.cos(off))
    if light.sun_elevation_deg - facing > 2.0:
        return ground
    return replace(ground, slope_azimuth_deg=light.sun_azimuth_deg + 90.0)


def draw_effects(rng: Rng) -> Effects:
    """Draw lenses, sensor and downlink: most good, some dusty, blurred or compressed hard."""
    dusty = rng.random() < 0.15
    veil = rng.uniform(0.08, 0.30, 2) if dusty else rng.uniform(0.0, 0.03, 2)
    specks = rng.poisson(8.0 if dusty else 0.7, 2)
    defocus, dark = rng.uniform(0.35, 0.60, 2), rng.uniform(0.05, 0.25)
    wide_gain = rng.random() < 0.10
    gain = rng.uniform(0.8, 1.2) if wide_gain else 1 + 0.02 * rng.standard_normal()
    return Effects(
        veil=_two(veil), specks=(int(specks[0]), int(specks[1])), defocus_px=_two(defocus),
        vignetting=(float(dark), float(dark)), gain_right=float(gain),
        motion_px=float(rng.uniform(1, 3)) if rng.random() < 0.05 else 0.0,
        motion_deg=float(rng.uniform(0, 180)), read_noise=float(rng.uniform(0.5, 1.5)),
        lost_blocks=int(rng.integers(5, 40)) if rng.random() < 0.07 else 0,
        **_draw_compression(rng),
    )


def _two(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _draw_compression(rng: Rng) -> dict[str, Any]:
    kind, how = rng.random(), rng.random()
    if kind < 0.45:
        return {}
    if kind < 0.70:
        return {"jpeg_quality": int(75 + 20 * how)}
    if kind < 0.85:
        return {"jpeg_quality": int(45 + 25 * how)}
    return {"jpeg2000_ratio": float(4 + 8 * how)}


def draw_departure(rng: Rng) -> Departure:
    """Draw by how much what is differs from what the rover believes."""
    roll, pitch = ATTITUDE_SIGMA_DEG * rng.standard_normal(2)
    drift = DRIFT_SIGMA_DEG * rng.standard_normal(3)
    return Departure(
        roll_deg=float(roll), pitch_deg=float(pitch),
        height_m=float(MOUNT_SIGMA_M * rng.standard_normal()),
        baseline_share=float(BASELINE_SIGMA * rng.standard_normal()),
        drift_deg=(float(drift[0]), float(drift[1]), float(drift[2])),
    )


# --- ground ---------------------------------------------------------------------------------------


def _base(rng: Rng, **parts: object) -> Ground:
    """Ground without obstacles; one in five is lava."""
    fields: dict[str, object] = {
        "surface": "lava" if rng.random() < 0.2 else "sand",
        "undulation": float(rng.uniform(0.4, 1.5)), "roughness": float(rng.uniform(0.3, 1.1)),
        "slope_deg": float(rng.uniform(0, 5)), "slope_azimuth_deg": float(rng.uniform(-180, 180)),
        "gravel": Gravel(count=int(rng.integers(100, 350)),
                         high_m=float(rng.uniform(0.005, 0.012))),
    }
    return GroundPlan(**fields | parts)  # type: ignore[arg-type]  # fields of GroundPlan


def strew(
    rng: Rng, heights_m: list[float], *, near_x_m: float = _ROCK_AREA_M[0][0],
    half_width_m: float = _ROCK_AREA_M[1][1],
) -> tuple[RockPlan, ...]:
    """Place rocks of these exposed heights so that they keep clear of each other."""
    far = _ROCK_AREA_M[0][1]
    right, left = -half_width_m, half_width_m
    plans: list[RockPlan] = []
    for height in sorted(heights_m, reverse=True):
        for _ in range(60):
            x, y = float(rng.uniform(near_x_m, far)), float(rng.uniform(right, left))
            if all(np.hypot(x - p.x_m, y - p.y_m) > 1.5 * (height + p.height_m) for p in plans):
                plans.append(_rock(rng, x, y, height))
                break
    return tuple(plans)


def _rock(rng: Rng, x: float, y: float, height: float) -> RockPlan:
    kinds: tuple[tuple[RockKind, float], ...] = (
        ("angular", 0.45), ("rounded", 0.35), ("slab", 0.10), ("overhanging", 0.10))
    kind = kinds[int(rng.choice(len(kinds), p=[share for _, share in kinds]))][0]
    low, high = (0.10, 0.25) if kind in ("slab", "overhanging") else (0.2, 0.6)
    return RockPlan(x_m=x, y_m=y, height_m=height, kind=kind, buried=float(rng.uniform(low, high)),
                    seed=int(rng.integers(2**31)))


def _heights(rng: Rng, abundance: str, largest_m: float = 0.35) -> list[float]:
    """Exposed heights of the rocks of an abundance: 0.35 to 0.65 of the diameter (our choice)."""
    (near, far), (right, left) = _ROCK_AREA_M
    diameters = draw_diameters_m(rng, ABUNDANCES[abundance], (far - near) * (left - right),
                                 0.03, largest_m)
    return [float(d * rng.uniform(0.35, 0.65)) for d in diameters]


def _benign(rng: Rng) -> Ground:
    ripples = () if rng.random() < 0.6 else (
        Ripples(wavelength_m=float(rng.uniform(0.07, 0.12)),
                height_m=float(rng.uniform(0.004, 0.011)),
                yaw_deg=float(rng.uniform(-90, 90)), phase=float(rng.uniform(0, 6))),)
    heights = [float(v) for v in rng.uniform(0.008, 0.022, int(rng.integers(0, 12)))]
    return _base(rng, ripples=ripples, rocks=strew(rng, heights))


def _rocks(rng: Rng) -> Ground:
    abundance = str(rng.choice(list(ABUNDANCES)))
    return _base(rng, rocks=strew(rng, _heights(rng, abundance)))


def _boulders(rng: Rng) -> Ground:
    large = [float(v) for v in rng.uniform(0.07, 0.25, int(rng.integers(1, 4)))]
    small = _heights(rng, "sparse", 0.12)
    return _base(rng, rocks=strew(rng, large + small, near_x_m=0.6))


def _phase(rng: Rng) -> float:
    return float(rng.uniform(0, 2 * np.pi))


def _ledge(rng: Rng) -> Ground:
    if rng.random() < 0.15:
        wall = Wall(at_m=float(rng.uniform(0.7, 1.6)), height_m=float(rng.uniform(0.3, 0.8)),
                    yaw_deg=float(rng.uniform(-50, 50)), seed=int(rng.integers(2**31)))
        return _base(rng, walls=(wall,))
    ledge = Ledge(
        at_m=float(rng.uniform(0.55, 1.4)), yaw_deg=float(rng.uniform(-40, 40)),
        height_m=float(rng.choice([-1.0, 1.0]) * rng.uniform(0.02, 0.14)),
        wall_m=float(rng.uniform(0.006, 0.03)), bend_from_m=float(rng.choice([0.1, 0.3, 9.0])),
        bend_side=int(rng.choice([-1, 1])), wobble=(_phase(rng), _phase(rng), _phase(rng)))
    return _base(rng, ledges=(ledge,), rocks=strew(rng, [0.02, 0.03]))


def _pit(rng: Rng) -> Ground:
    if rng.random() < 0.35:
        ditch = Ditch(at_m=float(rng.uniform(0.5, 1.3)), width_m=float(rng.uniform(0.03, 0.25)),
                      depth_m=float(rng.uniform(0.03, 0.20)), yaw_deg=float(rng.uniform(-40, 40)),
                      wobble=(_phase(rng), _phase(rng)))
        return _base(rng, ditches=(ditch,))
    pits = tuple(
        Pit(x_m=float(rng.uniform(0.55, 1.6)), y_m=float(rng.uniform(-0.5, 0.5)),
            radius_m=float(rng.uniform(0.06, 0.20)), depth_m=float(rng.uniform(0.03, 0.20)),
            wall_m=float(rng.uniform(0.01, 0.04)), phase=(_phase(rng), _phase(rng)))
        for _ in range(int(rng.integers(1, 3))))
    return _base(rng, pits=pits)


def _crater(rng: Rng) -> Ground:
    craters = tuple(
        Crater(x_m=float(rng.uniform(0.6, 2.0)), y_m=float(rng.uniform(-0.7, 0.7)),
               diameter_m=float(np.exp(rng.uniform(np.log(0.2), np.log(1.0)))),
               depth_ratio=float(rng.uniform(0.06, 0.22)))
        for _ in range(int(rng.integers(1, 4))))
    # none so near that the rover would stand on its rim
    kept = tuple(c for c in craters if c.x_m - 0.5 * c.diameter_m > 0.35)
    return _base(rng, craters=kept, rocks=strew(rng, [0.015, 0.025, 0.03]))


def _slope(rng: Rng) -> Ground:
    ramp = Ramp(at_m=float(rng.uniform(0.45, 1.1)), slope_deg=float(rng.uniform(4, 30)),
                run_m=float(rng.uniform(0.3, 1.0)), yaw_deg=float(rng.uniform(-40, 40)))
    if rng.random() < 0.3:
        return _base(rng, slope_deg=float(rng.uniform(5, 14)))
    return _base(rng, ramps=(ramp,), slope_deg=float(rng.uniform(0, 6)))


def _shadow(rng: Rng) -> Ground:
    """What a low sun hides: rocks with long shadows, pits and ledges that may lie in them."""
    tall = [float(v) for v in rng.uniform(0.04, 0.14, int(rng.integers(2, 6)))]
    calm = {"undulation": float(rng.uniform(0.2, 0.8)), "roughness": float(rng.uniform(0.2, 0.6)),
            "surface": "sand", "slope_deg": float(rng.uniform(0, 1.5))}
    kind = rng.random()
    if kind < 0.35:
        pit = Pit(x_m=float(rng.uniform(0.6, 1.4)), y_m=float(rng.uniform(-0.4, 0.4)),
                  radius_m=float(rng.uniform(0.07, 0.18)), depth_m=float(rng.uniform(0.04, 0.20)),
                  phase=(_phase(rng), _phase(rng)))
        return _base(rng, pits=(pit,), rocks=strew(rng, tall[:2], near_x_m=0.7), **calm)
    if kind < 0.55:
        ledge = Ledge(at_m=float(rng.uniform(0.7, 1.3)), height_m=-float(rng.uniform(0.03, 0.12)),
                      yaw_deg=float(rng.uniform(-30, 30)), wobble=(_phase(rng),) * 3)
        return _base(rng, ledges=(ledge,), rocks=strew(rng, tall[:2], near_x_m=0.7), **calm)
    return _base(rng, rocks=strew(rng, tall), **calm)


def _gallery(rng: Rng) -> Ground:
    heights = _heights(rng, str(rng.choice(["sparse", "moderate"])), 0.25)
    gallery = Gallery(width_m=float(rng.uniform(0.9, 1.8)), height_m=float(rng.uniform(0.7, 1.2)))
    pits = () if rng.random() < 0.7 else (
        Pit(x_m=float(rng.uniform(0.6, 1.3)), y_m=float(rng.uniform(-0.3, 0.3)),
            radius_m=float(rng.uniform(0.07, 0.15)), depth_m=float(rng.uniform(0.04, 0.15)),
            phase=(_phase(rng), _phase(rng))),)
    # on the floor, not in the walls
    rocks = strew(rng, heights, half_width_m=gallery.width_m / 2 - 0.12)
    return _base(rng, gallery=gallery, pits=pits, rocks=rocks, slope_deg=0.0)


MIXTURES: dict[str, Mixture] = {m.name: m for m in (
    Mixture(name="benign", version=1, draw=_benign,
            summary="ripples, gravel and stones under 2.5 cm: nothing to stop for"),
    Mixture(name="rocks", version=1, draw=_rocks,
            summary="rocks by a size-frequency law, sparse to dense"),
    Mixture(name="boulders", version=1, draw=_boulders,
            summary="one to three rocks of 7 to 25 cm, and smaller ones"),
    Mixture(name="ledge", version=1, draw=_ledge,
            summary="a ledge up or down by 2 to 14 cm; now and then a wall"),
    Mixture(name="pit", version=1, draw=_pit, summary="pits and ditches, 3 to 20 cm deep"),
    Mixture(name="crater", version=1, draw=_crater,
            summary="up to three craters of 0.2 to 1 m, "
                    "depth 0.06 to 0.22 of the diameter"),
    Mixture(name="slope", version=1, draw=_slope, summary="ramps of 4 to 30 degrees, hillsides"),
    Mixture(name="shadow", version=1, draw=_shadow,
            summary="low sun, black shadows, and what may lie in them"),
    Mixture(name="gallery", version=2, draw=_gallery,
            summary="a tunnel lit by a lamp beside the cameras"),
)}
