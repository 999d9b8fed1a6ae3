"""Settings: what an assessment may be asked to do otherwise, in one frozen record."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from hazcam.disparity import CensusMatcher, Matcher, MatchSettings, SgbmMatcher
from hazcam.terrain import TerrainSettings

NearStrip = Literal["assume", "ask"]
MatcherName = Literal["census", "sgbm"]
MATCHERS: Mapping[MatcherName, Callable[[], Matcher]] = {
    "census": CensusMatcher, "sgbm": SgbmMatcher}
"""The matchers that can be asked for by name; the first is the default."""


def matcher_of(name: str) -> Matcher:
    """The matcher of a record, by the word that its name begins with.

    The settings that follow are those of now; where they differ, its name does.

    Raises
    ------
    ValueError
        There is none of this name.
    """
    for word, make in MATCHERS.items():
        if name.partition("(")[0] == word:
            return make()
    raise ValueError(f"matcher {name!r} is none of {', '.join(MATCHERS)}")


def _default_headings() -> tuple[float, ...]:
    return tuple(float(h) for h in range(-45, 46, 5))


@dataclass(frozen=True, kw_only=True)
class Settings:
    """How a pair is assessed. The rover's margin and limits are in its profile.

    Attributes
    ----------
    headings_deg : tuple of float
        Headings to judge, positive to the left. [deg]
    look_ahead_m : float
        How far each must be clear for ``go``, from the nose. [m]
    confidence : float
        One-sided confidence with which a demand must lie under its limit, 0.5 to 1 (excluded).
    tilt_bound_deg : float
        How far roll and pitch may each be from zero where the attitude is not known. [deg]
    assume_level : bool
        Take an unknown attitude as exactly level; printed in every output.
    near_strip : str
        ``assume``: ground out of view near the rover is assumed clear, as far as
        ``near_strip_max_m`` says; ``ask``: none is.
    near_strip_max_m : float or None
        Ground out of view may be assumed clear up to here, from the nose; None for the length
        of the straight-ahead near strip, and for ``ask``. [m]
    refine : bool
        Take the turn of the right camera since the calibration, as the pair shows it, out of the
        rig, where the pair shows it well enough; printed in every output.
    matching : MatchSettings
        What the search for disparities must hold.
    matcher : Matcher
        Who matches.
    terrain : TerrainSettings
        Grid, body window, seed.
    """

    headings_deg: tuple[float, ...] = field(default_factory=_default_headings)
    look_ahead_m: float = 1.0
    confidence: float = 0.99
    tilt_bound_deg: float = 10.0
    assume_level: bool = False
    near_strip: NearStrip = "assume"
    near_strip_max_m: float | None = None
    refine: bool = False
    matching: MatchSettings = field(default_factory=MatchSettings)
    matcher: Matcher = field(default_factory=CensusMatcher)
    terrain: TerrainSettings = field(default_factory=TerrainSettings)

    def __post_init__(self) -> None:
        if not self.headings_deg:
            raise ValueError("Settings need at least one heading")
        if any(not -180 <= h <= 180 for h in self.headings_deg):
            raise ValueError("headings lie between -180 and 180 degrees")
        if not 0.5 <= self.confidence < 1:
            raise ValueError(f"confidence {self.confidence} is not between 0.5 and 1")
        if not 0 < self.look_ahead_m <= self.terrain.grid.ahead_m:
            raise ValueError(f"look-ahead {self.look_ahead_m} m is not between 0 and "
                             f"{self.terrain.grid.ahead_m} m")
        if not 0 <= self.tilt_bound_deg <= 45:
            raise ValueError(f"tilt bound {self.tilt_bound_deg} deg is not between 0 and 45")
        self._check_near_strip()

    def _check_near_strip(self) -> None:
        if self.near_strip not in get_args(NearStrip):
            raise ValueError(f"near strip {self.near_strip!r} is neither 'assume' nor 'ask'")
        if self.near_strip_max_m is None:
            return
        if not 0 < self.near_strip_max_m < float("inf"):
            raise ValueError(f"near strip {self.near_strip_max_m} m is not a length above 0; "
                             "near strip 'ask' assumes none")
        if self.near_strip == "ask":
            raise ValueError(f"near strip 'ask' assumes nothing, {self.near_strip_max_m} m were "
                             "given: leave out one of the two")
