"""What is kept of an assessment so that it can be judged again without pictures, and the judging.

Other limits or another confidence are a comparison with the stored demands; another rover, margin
or look-ahead takes its demands from the stored ground. What speaks against the whole pair is kept
with both, so that no store says ``go`` where the pair said ``ask-ground`` for the rig.

Pure: ``stored_npz`` turns both stores into bytes and back, ``report/stores.py`` reads the files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from hazcam.assess import near_strip_bound_m
from hazcam.rover import RoverProfile, with_limits
from hazcam.settings import Settings
from hazcam.terrain import TerrainMap
from hazcam.verdict import (
    Cause,
    HeadingDemand,
    HeadingVerdict,
    Suggestion,
    decide,
    demands_along,
    suggest,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class StoredAssessment:
    """What both stores of a pair hold.

    Attributes
    ----------
    id : str
        Of the pair.
    rover : RoverProfile
        That it was assessed for.
    settings : Settings
        How it was assessed. Who matched, and how, plays no part any more and is the default here;
        ``said`` names it.
    pair_causes : tuple of Cause
        What speaks against every heading of the pair, whatever the limits.
    said : mapping
        Of the record of the assessment: what it says of the pair, attitude, rig and rig check, with
        the settings, digests and versions.
    """

    id: str
    rover: RoverProfile
    settings: Settings
    pair_causes: tuple[Cause, ...]
    said: Mapping[str, Any]


@dataclass(frozen=True, kw_only=True, eq=False)
class StoredTerrain(StoredAssessment):
    """The ground of a pair: ``terrain`` as it was judged, what the previous pair saw included."""

    terrain: TerrainMap


@dataclass(frozen=True, kw_only=True, eq=False)
class StoredDemands(StoredAssessment):
    """The demands of the headings of a pair.

    ``near_strip_max_m``: ground out of view was assumed clear up to here, from the nose. [m]
    """

    demands: tuple[HeadingDemand, ...]
    near_strip_max_m: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Judgement:
    """Verdicts from a store.

    Attributes
    ----------
    store : StoredTerrain or StoredDemands
        What was judged.
    rover : RoverProfile
        With the limits that it was held against.
    settings : Settings
        As in the store, with what was asked otherwise.
    near_strip_max_m : float
        Ground out of view is assumed clear up to here, from the nose. [m]
    demands, verdicts : tuple
        In the order of ``settings.headings_deg``.
    suggestion : Suggestion
        Where to go, in words.
    """

    store: StoredTerrain | StoredDemands
    rover: RoverProfile
    settings: Settings
    near_strip_max_m: float
    demands: tuple[HeadingDemand, ...]
    verdicts: tuple[HeadingVerdict, ...]
    suggestion: Suggestion


def judge_demands(
    store: StoredDemands, *, limits: Mapping[str, float] | None = None,
    confidence: float | None = None,
) -> Judgement:
    """Hold stored demands against limits.

    Parameters
    ----------
    store : StoredDemands
        From ``read_demands``.
    limits : mapping of str to float, optional
        Limits to set, in m or deg; the others are those of the assessment.
    confidence : float, optional
        With which a demand must lie under its limit; by default that of the assessment.

    Raises
    ------
    RoverError
        A limit that the rover could not have.
    ValueError
        A confidence that is not between 0.5 and 1.
    """
    rover = with_limits(store.rover, limits or {})
    settings = store.settings
    if confidence is not None:
        settings = replace(settings, confidence=confidence)
    return _judgement(store, rover, settings, store.demands, store.near_strip_max_m)


def judge_terrain(
    store: StoredTerrain, *, rover: RoverProfile | None = None, settings: Settings | None = None
) -> Judgement:
    """Take the demands from stored ground anew, and judge them.

    Parameters
    ----------
    store : StoredTerrain
        From ``read_terrain``.
    rover : RoverProfile, optional
        By default that of the assessment.
    settings : Settings, optional
        By default those of the assessment; change them by ``dataclasses.replace(store.settings,
        look_ahead_m=...)``.
    """
    rover, settings = rover or store.rover, settings or store.settings
    strip_max_m = near_strip_bound_m(store.terrain, rover, settings)
    demands = demands_along(store.terrain, rover, settings.headings_deg,
                            look_ahead_m=settings.look_ahead_m, near_strip_max_m=strip_max_m)
    return _judgement(store, rover, settings, demands, strip_max_m)


def _judgement(
    store: StoredTerrain | StoredDemands, rover: RoverProfile, settings: Settings,
    demands: tuple[HeadingDemand, ...], near_strip_max_m: float,
) -> Judgement:
    verdicts = tuple(decide(d, rover.limits, settings.confidence, pair_causes=store.pair_causes)
                     for d in demands)
    return Judgement(store=store, rover=rover, settings=settings, demands=demands,
                     verdicts=verdicts, suggestion=suggest(verdicts),
                     near_strip_max_m=near_strip_max_m)
