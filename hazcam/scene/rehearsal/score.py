"""Score one rendered scene: every verdict against its label, every measure against the truth.

Touches no file but by the readers of pair, rig, rover and truth.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from hazcam.assess import Assessment, assess_pair, near_strip_bound_m, rig_causes
from hazcam.calibration import StereoRig, read_rig
from hazcam.depth import triangulate
from hazcam.errors import HazcamError, PairError
from hazcam.frames import Pose, View
from hazcam.imagery import PixelState, read_pair, read_sidecar
from hazcam.rectification import RectifiedPair, common_view
from hazcam.rover import RoverProfile, read_rover, with_limits
from hazcam.rover.profile import Limits
from hazcam.scene.io import read_depth, read_truth, truth_path
from hazcam.scene.judge import HeadingLabel, label_way
from hazcam.scene.rehearsal.accuracy import disparity_errors, elevation_errors, obstacle_errors
from hazcam.scene.rehearsal.ideal import IdealMatcher, ideal_disparity
from hazcam.scene.rehearsal.record import (
    NO_ERRORS,
    HeadingRow,
    Plan,
    SceneScore,
    Sensor,
    Strip,
)
from hazcam.scene.truth import SceneTruth
from hazcam.scene.way import Way, survey_way
from hazcam.settings import Settings
from hazcam.terrain import TerrainMap, map_terrain
from hazcam.verdict import Cause, HeadingDemand, HeadingVerdict, decide, demand_along

OWN_STRIP_M = 1.0  # the longest near strip that a team would assume clear on any heading
OBSERVABLE_FROM = 0.90  # of the swath beyond the strip
NOT_ASSESSED = "not assessed"
_SET_TOGETHER = ("step", "drop", "belly")


@dataclass(frozen=True, kw_only=True, eq=False)
class _Look:
    """The ground as one sensor has it.

    ``pair_causes`` speak against every heading; ``assessed`` is False where the pair failed: the
    ground then has its geometry from the rig, and every heading is asked about.
    """

    sensor: Sensor
    terrain: TerrainMap
    pair_causes: tuple[Cause, ...] = ()
    assessed: bool = True


def score_pair(
    sidecar_path: Path, plan: Plan, rover: RoverProfile | None = None,
    settings: Settings | None = None,
) -> SceneScore:
    """Assess one rendered pair as each sensor of the plan has it, and score its verdicts.

    Parameters
    ----------
    sidecar_path : Path
        Of a rendered pair, with its truth beside it.
    plan : Plan
        Limits, look-aheads, headings and confidence; they win over those of ``settings``.
    rover : RoverProfile, optional
        By default the one that the sidecar names. Its step, drop and belly limits are set from the
        plan, the others are its own.
    settings : Settings, optional
        How to assess.

    Returns
    -------
    SceneScore
        A pair that cannot be assessed has ``failure`` set and ``ask-ground`` with the cause
        ``not assessed`` in every row; its near strips are those of its rig.

    Raises
    ------
    HazcamError
        Sidecar, rig, rover or truth cannot be read, or the rover cannot have a limit of the plan.
    """
    sidecar = read_sidecar(sidecar_path)
    rover = rover or read_rover(sidecar.rover)
    rig, truth = read_rig(sidecar.rig), read_truth(truth_path(sidecar_path))
    ideal = IdealMatcher(depth=read_depth(truth_path(sidecar_path)), truth=truth, rig=rig)
    settings = _settings(plan, settings or Settings())
    try:
        found = _assess(sidecar_path, rig, rover, settings, ideal, plan.sensors)
    except HazcamError as error:
        if rig.mount is None:
            raise  # no rendered pair has such a rig
        looks = _looks_at_nothing(rig, rig.mount, ideal, settings, plan.sensors)
        return _score(truth, rig, _rows(looks, truth, rover, plan, settings),
                      failure=f"{Path(error.where).name}: {error.found}")  # no path of a machine
    looks = tuple(_look(sensor, assessment) for sensor, assessment in found.items()
                  if sensor in plan.sensors)
    score = _score(truth, rig, _rows(looks, truth, rover, plan, settings))
    if "matched" not in found:
        return score
    matched, true = found["matched"], found["ideal"].disparity
    return replace(
        score, elevation=elevation_errors(matched, truth),
        obstacle_height=obstacle_errors(matched, truth),
        disparity=NO_ERRORS if true is None else disparity_errors(
            matched, true.disparity_px.astype(np.float64)),
    )


def _settings(plan: Plan, settings: Settings) -> Settings:
    """Those of one assessment: its demands are made anew per look-ahead, one heading will do."""
    return replace(settings, headings_deg=(0.0,), look_ahead_m=max(plan.look_aheads_m),
                   confidence=plan.confidence)


def _score(
    truth: SceneTruth, rig: StereoRig, rows: tuple[HeadingRow, ...], failure: str = ""
) -> SceneScore:
    return SceneScore(
        pair=truth.id, mixture=truth.mixture, digest=truth.digest,
        sun_elevation_deg=truth.sun_elevation_deg, compression=truth.compression, rig=rig.name,
        rows=rows, disparity=NO_ERRORS, elevation=NO_ERRORS, obstacle_height=NO_ERRORS,
        failure=failure)


# --- assessing ------------------------------------------------------------------------------------


def _assess(
    sidecar_path: Path, rig: StereoRig, rover: RoverProfile, settings: Settings,
    ideal: IdealMatcher, sensors: tuple[Sensor, ...],
) -> Mapping[Sensor, Assessment]:
    """With the ideal matcher always: its disparities are what the matched ones are held against."""
    pair = read_pair(sidecar_path)
    if pair.left is None or pair.right is None:
        raise PairError(str(sidecar_path), "one of its pictures is missing", "both pictures",
                        "render the pair again with `hazcam scene render`")
    found: dict[Sensor, Assessment] = {}
    if "matched" in sensors:
        found["matched"] = assess_pair(pair, rig, rover, settings)
    found["ideal"] = assess_pair(pair, rig, rover, replace(settings, matcher=ideal))
    return found


def _look(sensor: Sensor, assessment: Assessment) -> _Look:
    terrain, epipolar = assessment.terrain, assessment.epipolar
    if terrain is None or epipolar is None:
        raise ValueError("a look needs an assessment of both pictures")
    return _Look(sensor=sensor, terrain=terrain, pair_causes=rig_causes(epipolar))


def _looks_at_nothing(
    rig: StereoRig, mount: Pose, ideal: IdealMatcher, settings: Settings,
    sensors: tuple[Sensor, ...],
) -> tuple[_Look, ...]:
    """What the sensors have of a pair that failed: the near strips, from the rig alone."""
    view_of_rig = common_view(rig)
    shape = view_of_rig.valid_left.shape
    grey = np.zeros(shape, dtype=np.float32)
    state = np.full(shape, PixelState.LOST, dtype=np.uint8)
    rectified = RectifiedPair(left=grey, right=grey, state_left=state, state_right=state,
                              view=view_of_rig, resampled=False)
    disparity = ideal_disparity(ideal.depth, ideal.truth, rectified, rig)
    view = View(T_rover_camera=mount, T_level_rover=Pose(R=np.eye(3), t=np.zeros(3)),
                tilt_sigma_deg=0.0, tilt_bound_deg=0.0, scale_sigma=0.0)
    terrain = map_terrain(triangulate(disparity, rectified, view), view_of_rig, settings.terrain)
    return tuple(_Look(sensor=s, terrain=terrain, assessed=False) for s in sensors)


# --- rows -----------------------------------------------------------------------------------------


def _rows(
    looks: tuple[_Look, ...], truth: SceneTruth, rover: RoverProfile, plan: Plan,
    settings: Settings,
) -> tuple[HeadingRow, ...]:
    limits = {m: with_limits(rover, dict.fromkeys(_SET_TOGETHER, m)).limits
              for m in plan.limits_m}
    reach_m = max(plan.look_aheads_m)
    rows: list[HeadingRow] = []
    for heading_deg in plan.headings_deg:
        way = survey_way(truth, heading_deg=heading_deg, rover=rover, reach_m=reach_m)
        for look_ahead_m in plan.look_aheads_m:
            rows += _rows_of(looks, way, look_ahead_m, limits, rover, settings)
    return tuple(rows)


def _rows_of(
    looks: tuple[_Look, ...], way: Way, look_ahead_m: float, limits: Mapping[float, Limits],
    rover: RoverProfile, settings: Settings,
) -> Iterator[HeadingRow]:
    """Rows of one heading and look-ahead; a label is the same for all that assume the same."""
    labels: dict[tuple[float, float], HeadingLabel] = {}
    for look in looks:
        for strip, demand in _demands(look, way.heading_deg, look_ahead_m, rover, settings):
            for limit_m, these in limits.items():
                key = (demand.assumed_m, limit_m)
                if key not in labels:
                    labels[key] = label_way(way, strip_m=demand.assumed_m, limits=these,
                                            look_ahead_m=look_ahead_m)
                yield _row(look, strip, limit_m, demand, labels[key],
                           _verdict(look, demand, these, settings.confidence))


def _demands(
    look: _Look, heading_deg: float, look_ahead_m: float, rover: RoverProfile, settings: Settings
) -> Iterator[tuple[Strip, HeadingDemand]]:
    asked = replace(settings, look_ahead_m=look_ahead_m)
    bounds: dict[Strip, float] = {
        "straight ahead": near_strip_bound_m(look.terrain, rover, asked), "own": OWN_STRIP_M}
    for strip, bound_m in bounds.items():
        yield strip, demand_along(look.terrain, rover, heading_deg, look_ahead_m=look_ahead_m,
                                  near_strip_max_m=bound_m)


def _verdict(
    look: _Look, demand: HeadingDemand, limits: Limits, confidence: float
) -> HeadingVerdict:
    if look.assessed:
        return decide(demand, limits, confidence, pair_causes=look.pair_causes)
    cause = Cause(kind=NOT_ASSESSED, at_m=0.0, demand=None, sigma=None, limit=None, unit="",
                  text="the pair could not be assessed")
    return HeadingVerdict(heading_deg=demand.heading_deg, verdict="ask-ground", clear_m=0.0,
                          assumed_m=0.0, causes=(cause,))


def _row(
    look: _Look, strip: Strip, limit_m: float, demand: HeadingDemand, label: HeadingLabel,
    verdict: HeadingVerdict,
) -> HeadingRow:
    share = label.observable_share
    return HeadingRow(
        sensor=look.sensor, strip=strip, limit_m=limit_m, look_ahead_m=demand.look_ahead_m,
        heading_deg=demand.heading_deg, label=label.label, strip_only=label.strip_only,
        observable=share is not None and share >= OBSERVABLE_FROM, ratio=label.ratio,
        blocking_kind=label.blocking_kind or "", true_clear_m=label.clear_m,
        clear_m=verdict.clear_m, assumed_m=demand.assumed_m, verdict=verdict.verdict,
        cause=verdict.causes[0].kind if verdict.causes else "")
