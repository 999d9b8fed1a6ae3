"""Recipes of the scenes: the ten that ship, and those for tuning.

The seed of a scene starts with the number of its set, so that no tuning scene can share a random
stream with one that the results are reported on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from hazcam.scene.light import Light
from hazcam.scene.meshes import ROCK_KINDS
from hazcam.scene.terrain import Crater, Feature, Ledge, Pit, Ramp, Ripples, RockPlan

SetName = Literal["sample", "tune"]
SET_NUMBER: dict[SetName, int] = {"sample": 1, "tune": 2}


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """Everything that a scene is made from.

    Attributes
    ----------
    id : str
        Name of the pair.
    seed : tuple of int
        (number of the set, number of the scene).
    light : Light
        Sun and sky.
    undulation, roughness : float
        Of the undisturbed sand; 1 is a walked-on beach.
    ripples, features, rocks : tuple
        What is on it.
    gravel_m : tuple of float
        Lowest and highest exposed height of the strewn gravel. [m]
    gravel_count : int
        How many of them, from 0.3 to 2.5 m ahead.
    rig : str
        Name of the rig that takes the pictures.
    samples : int
        Of the sun per pixel.
    jpeg_quality : int or None
        None for a lossless picture.
    site, note : str
        For the sidecar; no note where empty.
    """

    id: str
    seed: tuple[int, int]
    light: Light
    undulation: float = 1.3
    roughness: float = 1.0
    ripples: tuple[Ripples, ...] = ()
    features: tuple[Feature, ...] = ()
    rocks: tuple[RockPlan, ...] = ()
    gravel_m: tuple[float, float] = (0.002, 0.008)
    gravel_count: int = 300
    rig: str = "dunlin-em"
    samples: int = 64
    jpeg_quality: int | None = None
    site: str = "black beach"
    note: str = ""


def recipes(name: SetName) -> tuple[Recipe, ...]:
    """All recipes of a set."""
    return {"sample": sample_recipes, "tune": tune_recipes}[name]()


def _sun(elevation_deg: float, azimuth_deg: float) -> Light:
    return Light(sun_elevation_deg=elevation_deg, sun_azimuth_deg=azimuth_deg)


def _rock(x: float, y: float, height: float, kind: int, seed: int, buried: float = 0.35
          ) -> RockPlan:
    return RockPlan(x_m=x, y_m=y, height_m=height, kind=ROCK_KINDS[kind], seed=seed, buried=buried)


def sample_recipes() -> tuple[Recipe, ...]:
    """The ten scenes that ship in ``sample_pairs/``."""
    rounded, angular, slab = range(3)
    return (
        Recipe(id="clear-sand", seed=(1, 0), light=_sun(35, 130), site="black beach, north end"),
        Recipe(id="ripples", seed=(1, 1), light=_sun(20, -140), undulation=1.0,
               ripples=(Ripples(wavelength_m=0.085, height_m=0.010, yaw_deg=25, phase=1.0),),
               gravel_count=80, site="black beach, tide line"),
        Recipe(id="scattered-rocks", seed=(1, 2), light=_sun(30, 115), rocks=(
            _rock(0.62, -0.10, 0.022, rounded, 21), _rock(0.88, 0.06, 0.056, angular, 22),
            _rock(1.12, -0.28, 0.090, angular, 23), _rock(0.72, 0.34, 0.072, rounded, 24, 0.45),
            _rock(1.25, 0.22, 0.035, slab, 25, 0.15), _rock(0.70, -0.42, 0.030, slab, 26, 0.2),
            _rock(1.05, 0.55, 0.100, angular, 27, 0.5), _rock(1.55, -0.05, 0.065, rounded, 28),
            _rock(0.55, 0.16, 0.026, angular, 29), _rock(1.45, -0.62, 0.045, angular, 30),
            _rock(1.90, 0.40, 0.080, angular, 31)),
            site="black beach, foot of the cliff", note="Stopped by the forward check."),
        Recipe(id="boulders", seed=(1, 3), light=_sun(25, -125), rocks=(
            _rock(1.00, 0.12, 0.160, angular, 41, 0.4), _rock(1.30, -0.45, 0.120, rounded, 42, 0.5),
            _rock(0.74, -0.22, 0.048, angular, 43), _rock(0.80, 0.42, 0.030, rounded, 44)),
            rig="dunlin-em-raw", site="slag heap, lower edge",
            note="Raw pictures, not rectified on board."),
        Recipe(id="ledge-up", seed=(1, 4), light=_sun(40, -150), features=(
            Ledge(at_m=0.86, height_m=0.070, yaw_deg=6, bend_from_m=0.12, bend_side=-1,
                  wobble=(0.3, 1.1, 2.0)),), site="slag heap, first terrace"),
        Recipe(id="ledge-down", seed=(1, 5), light=_sun(15, 100), features=(
            Ledge(at_m=0.82, height_m=-0.080, yaw_deg=-8, wobble=(1.9, 0.2, 4.0)),),
            rig="dunlin-em-raw", site="black beach, storm berm"),
        Recipe(id="dark-patch", seed=(1, 6), light=_sun(10, 75), undulation=0.8, roughness=0.8,
               features=(Pit(x_m=0.86, y_m=-0.03, radius_m=0.14, depth_m=0.12,
                             phase=(0.4, 2.2)),), site="black beach"),
        Recipe(id="ramp", seed=(1, 7), light=_sun(6, 112), undulation=0.8, roughness=0.7,
               features=(Ramp(at_m=0.70, slope_deg=20.0, run_m=0.8, yaw_deg=4.0),),
               jpeg_quality=85, site="slag heap, east side", note="Sent with lossy compression."),
        Recipe(id="long-shadows", seed=(1, 8), light=_sun(3, 70), undulation=0.45, roughness=0.45,
               rocks=(_rock(0.78, 0.10, 0.050, angular, 61),
                      _rock(0.95, -0.16, 0.030, rounded, 62),
                      _rock(1.15, 0.33, 0.085, angular, 63),
                      _rock(0.66, -0.40, 0.042, slab, 64, 0.2),
                      _rock(1.50, -0.25, 0.060, rounded, 65)),
               gravel_count=150, site="black beach, evening"),
        Recipe(id="pebbles", seed=(1, 9), light=_sun(50, -40), gravel_m=(0.004, 0.019),
               gravel_count=260, jpeg_quality=85, site="black beach, pebble bank",
               note="Sent with lossy compression."),
    )


# --- tuning ---------------------------------------------------------------------------------------

Draw = Callable[[np.random.Generator, float], dict[str, object]]


def strew_rocks(
    rng: np.random.Generator, count: int, heights_m: tuple[float, float], seed: int
) -> tuple[RockPlan, ...]:
    """Draw rocks from 0.5 to 1.7 m ahead that keep clear of each other."""
    plans: list[RockPlan] = []
    while len(plans) < count:
        height = float(rng.uniform(*heights_m))
        x, y = float(rng.uniform(0.5, 1.7)), float(rng.uniform(-0.7, 0.7))
        if all(np.hypot(x - p.x_m, y - p.y_m) > 1.6 * (height + p.height_m) for p in plans):
            kind = ROCK_KINDS[int(rng.integers(3 if height < 0.045 else 2))]
            buried = float(rng.uniform(0.15, 0.25) if kind == "slab" else rng.uniform(0.25, 0.5))
            plans.append(RockPlan(x_m=x, y_m=y, height_m=height, kind=kind, buried=buried,
                                  seed=1000 * seed + len(plans)))
    return tuple(plans)


def _wobble(rng: np.random.Generator) -> tuple[float, ...]:
    return tuple(float(v) for v in rng.uniform(0, 2 * np.pi, 3))


def _draw_rocks(rng: np.random.Generator, size: float) -> dict[str, object]:
    count = int(rng.integers(5, 11))
    return {"rocks": strew_rocks(rng, count, (0.02, size), int(rng.integers(1, 10**6)))}


def _draw_ledge(rng: np.random.Generator, height: float) -> dict[str, object]:
    ledge = Ledge(at_m=float(rng.uniform(0.65, 1.1)), height_m=height,
                  yaw_deg=float(rng.uniform(-20, 20)), wobble=_wobble(rng),
                  bend_from_m=float(rng.choice([0.1, 9.0])), bend_side=int(rng.choice([-1, 1])))
    return {"features": (ledge,)}


def _draw_pit(rng: np.random.Generator, depth: float) -> dict[str, object]:
    pit = Pit(x_m=float(rng.uniform(0.7, 1.0)), y_m=float(rng.uniform(-0.3, 0.3)),
              radius_m=float(rng.uniform(0.09, 0.16)), depth_m=depth, phase=_wobble(rng)[:2])
    return {"features": (pit,)}


def _draw_crater(rng: np.random.Generator, depth: float) -> dict[str, object]:
    craters = tuple(
        Crater(x_m=float(x + rng.uniform(-0.05, 0.05)), y_m=float(y + rng.uniform(-0.05, 0.05)),
               radius_m=float(rng.uniform(0.10, 0.15)), depth_m=depth * scale)
        for x, y, scale in ((0.78, 0.05, 1.0), (1.15, -0.35, 0.7), (1.2, 0.4, 0.5))
    )
    return {"features": craters}


def _draw_ramp(rng: np.random.Generator, slope: float) -> dict[str, object]:
    ramp = Ramp(at_m=float(rng.uniform(0.6, 0.85)), slope_deg=slope, run_m=0.8,
                yaw_deg=float(rng.uniform(-12, 12)))
    return {"features": (ramp,)}


def _draw_ripples(rng: np.random.Generator, height: float) -> dict[str, object]:
    ripples = Ripples(wavelength_m=float(rng.uniform(0.07, 0.11)), height_m=height,
                      yaw_deg=float(rng.uniform(-60, 60)), phase=float(rng.uniform(0, 6)))
    return {"ripples": (ripples,)}


def _draw_clear(rng: np.random.Generator, gravel: float) -> dict[str, object]:
    return {"gravel_m": (0.002, gravel), "gravel_count": int(rng.integers(100, 350))}


# (what, its size or angle, sun elevation, rig)
_TUNE: tuple[tuple[str, Draw, float, float, str], ...] = (
    ("rocks", _draw_rocks, 0.10, 35, "dunlin-em"), ("ledge-up", _draw_ledge, 0.03, 25, "dunlin-em"),
    ("ledge-down", _draw_ledge, -0.05, 30, "dunlin-em"), ("clear", _draw_clear, 0.008, 28,
                                                          "dunlin-em"),
    ("pit", _draw_pit, 0.09, 22, "dunlin-em"), ("ramp", _draw_ramp, 16.0, 33, "dunlin-em"),
    ("rocks", _draw_rocks, 0.07, 8, "dunlin-em"), ("crater", _draw_crater, 0.08, 18, "dunlin-em"),
    ("ledge-up", _draw_ledge, 0.05, 12, "dunlin-em-raw"), ("rocks", _draw_rocks, 0.05, 45,
                                                           "dunlin-em"),
    ("ledge-down", _draw_ledge, -0.09, 45, "dunlin-em"), ("clear", _draw_clear, 0.015, 4,
                                                          "dunlin-em"),
    ("ripples", _draw_ripples, 0.012, 14, "dunlin-em"), ("rocks", _draw_rocks, 0.10, 20,
                                                         "dunlin-em-raw"),
    ("ledge-up", _draw_ledge, 0.09, 38, "dunlin-em"), ("pit", _draw_pit, 0.05, 40, "dunlin-em"),
    ("ramp", _draw_ramp, 22.0, 11, "dunlin-em"), ("ledge-down", _draw_ledge, -0.03, 9, "dunlin-em"),
    ("clear", _draw_clear, 0.008, 48, "dunlin-em-raw"), ("rocks", _draw_rocks, 0.08, 3,
                                                         "dunlin-em"),
    ("crater", _draw_crater, 0.05, 32, "dunlin-em"), ("ledge-up", _draw_ledge, 0.07, 5,
                                                      "dunlin-em"),
    ("ledge-down", _draw_ledge, -0.07, 20, "dunlin-em-raw"), ("clear", _draw_clear, 0.012, 16,
                                                              "dunlin-em"),
)


def tune_recipes() -> tuple[Recipe, ...]:
    """The 24 scenes on which parameters may be tuned."""
    return tuple(_tune_recipe(i, *row) for i, row in enumerate(_TUNE))


def _tune_recipe(index: int, what: str, draw: Draw, size: float, sun: float, rig: str) -> Recipe:
    seed = (SET_NUMBER["tune"], index)
    rng = np.random.default_rng([*seed, 99])
    calm = min(1.0, 0.35 + sun / 25)  # a low sun on rough sand would leave nothing but shadow
    parts: dict[str, object] = {
        "id": f"tune-{index:02d}-{what}", "seed": seed, "rig": rig, "samples": 36,
        "light": _sun(sun, float(rng.uniform(-180, 180))),
        "undulation": calm * float(rng.uniform(0.9, 1.6)),
        "roughness": calm * float(rng.uniform(0.7, 1.2)),
        "site": "tuning ground", **draw(rng, size),
    }
    return Recipe(**parts)  # type: ignore[arg-type]  # each draw gives fields of Recipe
