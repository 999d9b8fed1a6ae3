"""Is an assessment within the conditions that were rehearsed? The figures of the README hold there.

The ranges are those of the scene mixtures and rigs that `hazcam rehearse` was run on.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from hazcam.assess import Assessment
from hazcam.rover import RoverProfile
from hazcam.terrain import TerrainMap

REHEARSED_SUN_DEG = (3.0, 50.0)
REHEARSED_TILT_DEG = 8.0
REHEARSED_LOOK_AHEAD_M = 1.5
REHEARSED_HEIGHT_M = (0.17, 0.25)
REHEARSED_BASELINE_M = (0.06, 0.10)
# Fewer cells in view seen than in 95 of 100 tune scenes, within the look-ahead.
REHEARSED_SEEN_SHARE = 0.28
_SLACK = 0.02  # of a height or baseline: what a rig is off by anyhow


def outside_rehearsed(found: Assessment) -> tuple[str, ...]:
    """What lies outside the conditions that were rehearsed, in words; empty if nothing does."""
    return (*pair_outside_rehearsed(found),
            *ground_outside_rehearsed(found.terrain, found.rover, found.settings.look_ahead_m))


def pair_outside_rehearsed(found: Assessment) -> tuple[str, ...]:
    """As ``outside_rehearsed``: what is so for every rover and look-ahead."""
    return tuple(_outside(found))


def ground_outside_rehearsed(
    terrain: TerrainMap | None, rover: RoverProfile, look_ahead_m: float
) -> tuple[str, ...]:
    """As ``outside_rehearsed``: what depends on the rover and how far is looked ahead."""
    far: tuple[str, ...] = ()
    if look_ahead_m > REHEARSED_LOOK_AHEAD_M:
        far = (f"look-ahead of {look_ahead_m:g} m (rehearsed: up to "
               f"{REHEARSED_LOOK_AHEAD_M:g} m)",)
    return (*far, *_texture(terrain, rover.body.nose_m + look_ahead_m))


def _outside(found: Assessment) -> Iterator[str]:
    sun = found.pair.details.get("sun_elevation_deg")
    if sun is not None and not REHEARSED_SUN_DEG[0] <= sun <= REHEARSED_SUN_DEG[1]:
        yield (f"sun at {sun:g}° (rehearsed: {REHEARSED_SUN_DEG[0]:g} to "
               f"{REHEARSED_SUN_DEG[1]:g}°, overcast, and a lamp)")
    attitude = found.pair.attitude
    if attitude is not None:
        tilt = max(abs(attitude.roll_deg), abs(attitude.pitch_deg))
        if tilt > REHEARSED_TILT_DEG:
            yield f"rover tilted by {tilt:.1f}° (rehearsed: up to {REHEARSED_TILT_DEG:g}°)"
    yield from _of_the_rig(found)


def _of_the_rig(found: Assessment) -> Iterator[str]:
    height = float(found.view.T_rover_camera.t[2])
    for name, value, (low, high) in (
        ("cameras at", height, REHEARSED_HEIGHT_M),
        ("baseline of", found.rig.baseline_m, REHEARSED_BASELINE_M),
    ):
        if not low * (1 - _SLACK) <= value <= high * (1 + _SLACK):
            yield f"{name} {value:.2f} m (rehearsed: {low:.2f} to {high:.2f} m)"


def _texture(terrain: TerrainMap | None, reach: float) -> Iterator[str]:
    if terrain is None:
        return
    near = np.hypot(terrain.spec.x_m[:, None], terrain.spec.y_m) <= reach
    in_view = near & terrain.in_view
    if not in_view.any():
        return
    share = float(np.isfinite(terrain.mean_m)[in_view].mean())
    if share < REHEARSED_SEEN_SHARE:
        yield (f"only {100 * share:.0f} % of the ground in view is seen (rehearsed: "
               f"{100 * REHEARSED_SEEN_SHARE:.0f} % and more)")

