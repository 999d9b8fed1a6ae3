"""Labels of headings from the truth of a scene.

The judge knows what is there and asks, for one heading and one set of limits, whether a rover must
stop (``blocked``), must be let go (``free``), or whether either answer would be fair
(``borderline``). It shares no code with the terrain or the verdict of hazcam.

Along a heading, ``s`` is measured from the rover's nose and ``t`` to the left of the middle line,
both in metres, in the level frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.ndimage import map_coordinates

from hazcam.frames import Floats
from hazcam.rover.profile import Limits
from hazcam.scene.truth import Elevation, SceneTruth, TruthObject

Label = Literal["blocked", "free", "borderline"]

BLOCKED_FROM = 1.15  # of a limit: an obstacle that nobody may overlook
FREE_UP_TO = 0.70  # of a limit: a demand that nobody should ask about
BODY_M = 0.30  # length of the plane that is the body's slope
SHORT_RUN_M = 0.06  # a rise or fall within this is a step or a drop, not a slope
GUARD_M = 0.01  # the outlines are known to about a cell
FIT_RMS_M = 0.008  # a plane that fits worse is not a slope but something that stands on it
STEP_M = 0.01  # stations


@dataclass(frozen=True, kw_only=True)
class HeadingLabel:
    """What is true along one heading.

    Attributes
    ----------
    heading_deg : float
        Positive to the left. [deg]
    label : str
        ``blocked``, ``free`` or ``borderline``.
    step_m, drop_m : float
        Highest rise, deepest fall, objects and short-run relief, in the body's swath with both
        margins, from the nose to the look-ahead. [m]
    slope_deg, roll_deg : float
        Steepest body-size plane, in any direction, and across the heading. [deg] NaN where the
        truth does not reach.
    clear_m : float
        Where the nearest blocking thing begins, from the nose; the look-ahead if none. [m]
    reasons : tuple of str
        What blocks.
    """

    heading_deg: float
    label: Label
    step_m: float
    drop_m: float
    slope_deg: float
    roll_deg: float
    clear_m: float
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Way:
    """The way along a heading: where the nose starts and how far to look. [deg, m]"""

    heading_deg: float
    nose_m: float
    look_ahead_m: float

    def to_way(self, places_m: Floats) -> Floats:
        """(x, y) of shape (..., 2) to (s, t). [m]"""
        c, s = np.cos(np.radians(self.heading_deg)), np.sin(np.radians(self.heading_deg))
        x, y = places_m[..., 0], places_m[..., 1]
        return np.stack([x * c + y * s - self.nose_m, -x * s + y * c], axis=-1)

    def to_level(self, s_m: Floats, t_m: Floats) -> tuple[Floats, Floats]:
        """(s, t) to x and y. [m]"""
        c, s = np.cos(np.radians(self.heading_deg)), np.sin(np.radians(self.heading_deg))
        ahead = s_m + self.nose_m
        return ahead * c - t_m * s, ahead * s + t_m * c


def label_heading(
    truth: SceneTruth, *, heading_deg: float, body_width_m: float, margin_m: float, nose_m: float,
    strip_m: float, look_ahead_m: float, limits: Limits,
) -> HeadingLabel:
    """Label one heading.

    Parameters
    ----------
    truth : SceneTruth
        What is there.
    heading_deg : float
        Positive to the left. [deg]
    body_width_m, margin_m : float
        Of the rover; a blocking object cuts the body's width, a free way is clear over the width,
        both margins and 1 cm more on each side. [m]
    nose_m : float
        Ahead of the rover's origin. [m]
    strip_m : float
        The near strip, from the nose: what lies in it does not block. [m]
    look_ahead_m : float
        From the nose. [m]
    limits : Limits
        Heights are judged against the lower of step and belly, depths against drop.

    Returns
    -------
    HeadingLabel
        ``blocked`` if an object of at least 1.15 times its limit cuts the body's swath beyond the
        strip, or a body-size plane that fits well is steeper than its limit; ``free`` if every
        demand is at most 0.70 of its limit; else ``borderline``.
    """
    way = Way(heading_deg=heading_deg, nose_m=nose_m, look_ahead_m=look_ahead_m)
    blocks = _blocking_objects(truth, way, body_width_m / 2, strip_m, limits)
    planes = _body_planes(truth.elevation, way, body_width_m)
    blocks += _blocking_slopes(planes, strip_m, look_ahead_m, limits)
    step, drop = _demands(truth, way, body_width_m / 2 + margin_m + GUARD_M, planes)
    slope, roll = _steepest(planes)
    height_limit = min(limits.step.value, limits.belly.value)
    shares = np.array([step / height_limit, drop / limits.drop.value,
                       slope / limits.slope.value, roll / limits.roll.value])
    # NaN (the truth does not reach) compares as false: such a heading is never free
    free = bool(np.all(shares <= FREE_UP_TO))
    label: Label = "blocked" if blocks else "free" if free else "borderline"
    clear = min((at for at, _ in blocks), default=look_ahead_m)
    return HeadingLabel(heading_deg=heading_deg, label=label, step_m=step, drop_m=drop,
                        slope_deg=slope, roll_deg=roll, clear_m=clear,
                        reasons=tuple(text for _, text in sorted(blocks)))


# --- objects --------------------------------------------------------------------------------------


def clip_to_way(
    item: TruthObject, way: Way, half_width_m: float, from_m: float, to_m: float
) -> Floats:
    """Part of an outline inside a stretch of the way, (N, 2) of (s, t); empty if there is none.

    Sutherland and Hodgman's clipping against the four sides of the rectangle [1]_.

    References
    ----------
    .. [1] I. E. Sutherland and G. W. Hodgman, "Reentrant polygon clipping," Commun. ACM, vol. 17,
       no. 1, pp. 32-42, 1974, doi:10.1145/360767.360802.
    """
    polygon = way.to_way(item.outline_m)
    for axis, sign, bound in ((0, 1, from_m), (0, -1, to_m), (1, 1, -half_width_m),
                              (1, -1, half_width_m)):
        if len(polygon) == 0:
            break
        polygon = _clip(polygon, sign * (polygon[:, axis] - bound))
    return polygon


def _clip(polygon: Floats, inside: Floats) -> Floats:
    """Keep the part of a polygon where ``inside`` (signed distance per corner) is positive."""
    kept: list[Floats] = []
    for i in range(len(polygon)):
        a, b, da, db = polygon[i - 1], polygon[i], inside[i - 1], inside[i]
        if (da > 0) != (db > 0):
            kept.append(a + (b - a) * da / (da - db))
        if db > 0:
            kept.append(b)
    return np.array(kept).reshape(-1, 2)


def area_m2(polygon: Floats) -> float:
    """Area of a polygon of shape (N, 2). [m²]"""
    x, y = polygon[:, 0], polygon[:, 1]
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def _blocking_objects(
    truth: SceneTruth, way: Way, half_width_m: float, strip_m: float, limits: Limits
) -> list[tuple[float, str]]:
    """(where it begins from the nose, what it is) of each object that must not be overlooked."""
    height_limit = min(limits.step.value, limits.belly.value)
    found = []
    for item in truth.objects:
        share = max((item.height_m or 0.0) / height_limit,
                    (item.depth_m or 0.0) / limits.drop.value)
        if share < BLOCKED_FROM:
            continue
        cut = clip_to_way(item, way, half_width_m, strip_m, way.look_ahead_m)
        if len(cut) and area_m2(cut) > 1e-6:
            size = f"{item.height_m:.3f} m high" if item.height_m else f"{item.depth_m:.3f} m deep"
            found.append((float(cut[:, 0].min()), f"{item.kind} {size}"))
    return found


# --- elevation ------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class _Planes:
    """Body-size planes at stations along a heading: middle ``s``, gradients along and across, rms.

    All of shape (N,); NaN where the truth does not reach.
    """

    s_m: Floats
    along: Floats
    across: Floats
    rms_m: Floats

    @property
    def slope_deg(self) -> Floats:
        return np.degrees(np.arctan(np.hypot(self.along, self.across)))

    @property
    def roll_deg(self) -> Floats:
        return np.degrees(np.arctan(np.abs(self.across)))


def _sample(elevation: Elevation, way: Way, s: Floats, t: Floats) -> Floats:
    """True heights at all (s, t), (len(s), len(t)); NaN where the truth does not reach. [m]"""
    S, T = np.meshgrid(s, t, indexing="ij")
    where = elevation.rows_cols(*way.to_level(S, T))
    return np.asarray(map_coordinates(elevation.z_m, where, order=1, mode="constant",
                                      cval=np.nan))


def _body_planes(elevation: Elevation, way: Way, width_m: float) -> _Planes:
    """Least-squares planes, 0.30 m long and as wide as the body, every centimetre.

    The last ones reach beyond the look-ahead, where the body's front half would stand at its end.
    """
    half = BODY_M / 2
    s = np.arange(half, way.look_ahead_m + half / 2, STEP_M)
    t = _spread(width_m / 2)
    u = _spread(half)
    z = np.stack([_sample(elevation, way, middle + u, t) for middle in s])
    U, T = np.meshgrid(u, t, indexing="ij")
    along = np.sum(z * U, axis=(1, 2)) / np.sum(U**2)
    across = np.sum(z * T, axis=(1, 2)) / np.sum(T**2)
    fit = z.mean(axis=(1, 2))[:, None, None] + along[:, None, None] * U + across[:, None, None] * T
    return _Planes(s_m=s, along=along, across=across,
                   rms_m=np.sqrt(np.mean((z - fit) ** 2, axis=(1, 2))))


def _spread(half_m: float) -> Floats:
    """Places from -half to half, both included, about a centimetre apart. [m]"""
    return np.linspace(-half_m, half_m, 2 * max(1, round(half_m / STEP_M)) + 1)


def _blocking_slopes(
    planes: _Planes, strip_m: float, look_ahead_m: float, limits: Limits
) -> list[tuple[float, str]]:
    half = BODY_M / 2
    inside = (planes.s_m - half >= strip_m - 1e-9) & (planes.s_m + half <= look_ahead_m + 1e-9)
    steep = ((planes.slope_deg > limits.slope.value) | (planes.roll_deg > limits.roll.value))
    at = np.flatnonzero(inside & steep & (planes.rms_m <= FIT_RMS_M))
    if not len(at):
        return []
    i = int(at[0])
    return [(float(planes.s_m[i] - half),
             f"slope {planes.slope_deg[i]:.1f} deg, {planes.roll_deg[i]:.1f} deg across")]


def _steepest(planes: _Planes) -> tuple[float, float]:
    return float(np.max(planes.slope_deg)), float(np.max(planes.roll_deg))


def _demands(
    truth: SceneTruth, way: Way, half_width_m: float, planes: _Planes
) -> tuple[float, float]:
    """Highest rise and deepest fall over the whole free swath, objects and relief. [m]"""
    step, drop = _relief(truth.elevation, way, half_width_m, planes)
    for item in truth.objects:
        cut = clip_to_way(item, way, half_width_m, 0.0, way.look_ahead_m + GUARD_M)
        if len(cut) and area_m2(cut) > 1e-6:
            step, drop = max(step, item.height_m or 0.0), max(drop, item.depth_m or 0.0)
    return step, drop


def _relief(
    elevation: Elevation, way: Way, half_width_m: float, planes: _Planes
) -> tuple[float, float]:
    """Highest rise and deepest fall within 6 cm along the heading, the body-size slope taken off.

    The slope is taken off only where its plane fits: the plane through a ledge is no slope.
    """
    s = np.arange(0.0, way.look_ahead_m + GUARD_M, STEP_M)
    z = _sample(elevation, way, s, _spread(half_width_m))
    slope = np.where(planes.rms_m <= FIT_RMS_M, planes.along, 0.0)
    changes = []
    for k in range(1, round(SHORT_RUN_M / STEP_M) + 1):
        change = z[k:] - z[:-k]
        middle = (s[k:] + s[:-k]) / 2
        change = change - (np.interp(middle, planes.s_m, slope) * k * STEP_M)[:, None]
        changes.append(change.ravel())
    every = np.concatenate(changes)
    return max(float(np.max(every)), 0.0), max(float(-np.min(every)), 0.0)
