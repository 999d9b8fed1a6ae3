"""What a rehearsal keeps of each scene: verdicts against labels, errors against sigmas."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hazcam.frames import read_only
from hazcam.settings import MatcherName

Sensor = Literal["matched", "ideal"]
Strip = Literal["straight ahead", "own"]
SENSORS: tuple[Sensor, ...] = ("matched", "ideal")
STRIPS: tuple[Strip, ...] = ("straight ahead", "own")
NOT_ASSESSED = "not assessed"  # the cause where a pair failed


@dataclass(frozen=True, kw_only=True, slots=True)
class HeadingRow:
    """One heading of one scene at one limit and look-ahead.

    Attributes
    ----------
    sensor : str
        ``matched``: disparities as the matcher finds them; ``ideal``: those of the rendered depth.
    strip : str
        Ground out of view that may be assumed clear: ``straight ahead`` as by default, or each
        heading's ``own`` near strip.
    limit_m : float
        Step, drop and belly limit, set together. [m]
    look_ahead_m : float
        From the nose. [m]
    heading_deg : float
        Positive to the left. [deg]
    label : str
        ``blocked``, ``free`` or ``borderline``, by truth.
    strip_only : bool
        Something that would block lies wholly inside the strip.
    observable : bool
        By truth at least 90 % of the swath beyond the strip is seen by both cameras.
    can_go : bool
        Nothing but the ground speaks against ``go``: the whole swath beyond the strip is in both
        pictures, and the rig check passed.
    ratio : float
        Largest true demand over its limit, of the height-like ones.
    blocking_kind : str
        What blocks first by truth: ``rock``, ``rise``, ``fall``, ``slope``; empty if nothing does.
    true_clear_m, clear_m : float
        Clear distance by truth and by the verdict, from the nose. [m]
    assumed_m : float
        Length of ground that the verdict assumes to be clear, from the nose. [m]
    verdict : str
        ``go`` or ``ask-ground``.
    cause : str
        Kind of the first cause of an ``ask-ground``; empty for ``go``.
    state : str
        What most of the ground at the first cause was that was not seen: ``hidden``, ``outside``,
        or why ``blank``; empty where all of it was seen.
    probability : float
        As the verdict states it: that some demand exceeds its limit within the look-ahead. NaN
        where nothing was stated.
    bounded : bool
        As the verdict says it, of a pair whose rig check passed: the stated probability is all
        that speaks against the heading, no ground that was not seen could exceed a limit.
    exceeds : bool or None
        By truth some demand beyond the strip is over its limit, borderline or not; None where that
        cannot be said (see :func:`hazcam.scene.exceed.exceeds`).
    """

    sensor: Sensor
    strip: Strip
    limit_m: float
    look_ahead_m: float
    heading_deg: float
    label: str
    strip_only: bool
    observable: bool
    can_go: bool
    ratio: float
    blocking_kind: str
    true_clear_m: float
    clear_m: float
    assumed_m: float
    verdict: str
    cause: str
    state: str
    probability: float
    bounded: bool
    exceeds: bool | None

    @property
    def is_false_go(self) -> bool:
        """True where a rover was sent into what it cannot climb."""
        return self.label == "blocked" and self.verdict == "go"

    @property
    def is_needless_ask(self) -> bool:
        """True where nothing would have stopped the rover."""
        return self.label == "free" and self.verdict == "ask-ground"


@dataclass(frozen=True, kw_only=True, eq=False)
class Errors:
    """Estimates against truth.

    Attributes
    ----------
    error, sigma : ndarray of shape (N,), float32
        Estimate minus truth, and one stated standard deviation.
    range_m : ndarray of shape (N,), float32
        Distance ahead of the cameras. [m]
    """

    error: NDArray[np.float32]
    sigma: NDArray[np.float32]
    range_m: NDArray[np.float32]

    def __post_init__(self) -> None:
        if not self.error.shape == self.sigma.shape == self.range_m.shape:
            raise ValueError("error, sigma and range_m of Errors differ in shape")
        for name in ("error", "sigma", "range_m"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float32))


@dataclass(frozen=True, kw_only=True, eq=False)
class HeightErrors(Errors):
    """Estimated heights of rocks against truth.

    Attributes
    ----------
    true_m : ndarray of shape (N,), float32
        True height: of the highest corner above the ground as it was before the rock lay there,
        straight below that corner. [m]
    """

    true_m: NDArray[np.float32]

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.true_m.shape != self.error.shape:
            raise ValueError("error and true_m of HeightErrors differ in shape")
        object.__setattr__(self, "true_m", read_only(self.true_m, np.float32))


_NONE = np.empty(0, np.float32)
NO_ERRORS = Errors(error=_NONE, sigma=_NONE, range_m=_NONE)
NO_HEIGHTS = HeightErrors(error=_NONE, sigma=_NONE, range_m=_NONE, true_m=_NONE)


@dataclass(frozen=True, kw_only=True, eq=False)
class SceneScore:
    """All that was scored on one scene.

    Attributes
    ----------
    pair, mixture, digest : str
        Name of the pair, ``NAME/VERSION`` of its mixture, digest of the rendered pair.
    sun_elevation_deg : float or None
        None where no sun shines. [deg]
    compression : str
        ``none``, ``jpeg QUALITY`` or ``jpeg2000 RATIO:1``.
    rig : str
        Name of the rig.
    rows : tuple of HeadingRow
        All headings, limits, look-aheads, strips and sensors.
    disparity : Errors
        [px] Of a seeded sample of the pixels that both cameras see; error NaN where nothing was
        matched, so that the share of numbers is the cover.
    elevation : Errors
        [m] Of all seen cells; what the attitude, mount and scale are off by is in it.
    obstacle_height : HeightErrors
        [m] Of each rock of at least 2 cm whose obstacle was found.
    ideal_elevation, ideal_obstacle_height : Errors, HeightErrors
        The same of the ideal sensor.
    failure : str
        Why the pair could not be assessed; empty if it was. A pair that fails counts as
        ``ask-ground`` in every heading.
    """

    pair: str
    mixture: str
    digest: str
    sun_elevation_deg: float | None
    compression: str
    rig: str
    rows: tuple[HeadingRow, ...]
    disparity: Errors
    elevation: Errors
    obstacle_height: HeightErrors
    ideal_elevation: Errors = NO_ERRORS
    ideal_obstacle_height: HeightErrors = NO_HEIGHTS
    failure: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class Plan:
    """What is scored: limits and look-aheads [m], headings [deg], confidence, sensors, matcher."""

    limits_m: tuple[float, ...] = (0.04, 0.06, 0.08)
    look_aheads_m: tuple[float, ...] = (0.6, 1.0, 1.5)
    headings_deg: tuple[float, ...] = tuple(float(h) for h in range(-45, 46, 5))
    confidence: float = 0.99
    sensors: tuple[Sensor, ...] = ("matched", "ideal")
    matcher: MatcherName = "census"
