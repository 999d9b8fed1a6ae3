"""Score one rendered scene: every verdict against its label, every measure against the truth.

Touches no file but by the readers of pair, rig, rover and truth.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from hazcam.assess import Assessment, assess_pair, near_strip_bound_m, rig_causes, view_of
from hazcam.calibration import StereoRig, read_rig
from hazcam.depth import triangulate
from hazcam.disparity import DisparityMap
from hazcam.disparity.record import BLANK_WORDS, Blank
from hazcam.errors import HazcamError, PairError
from hazcam.imagery import Sidecar, read_pair, read_sidecar
from hazcam.rectification import RectifiedPair, common_view
from hazcam.rover import RoverProfile, read_rover, with_limits
from hazcam.rover.profile import Limits
from hazcam.scene.io import read_depth, read_truth, truth_path
from hazcam.scene.judge import HeadingLabel, label_way
from hazcam.scene.rehearsal.accuracy import disparity_errors, elevation_errors, obstacle_errors
from hazcam.scene.rehearsal.ideal import ideal_disparity
from hazcam.scene.rehearsal.record import (
    NO_ERRORS,
    NO_HEIGHTS,
    NOT_ASSESSED,
    HeadingRow,
    Plan,
    SceneScore,
    Sensor,
    Strip,
)
from hazcam.scene.truth import SceneTruth, TrueDepth
from hazcam.scene.way import Way, survey_way
from hazcam.settings import MATCHERS, Settings
from hazcam.terrain import CellState, TerrainMap, map_terrain
from hazcam.verdict import Cause, HeadingDemand, HeadingVerdict, decide, demand_along

OWN_STRIP_M = 1.0  # the longest near strip that a team would assume clear on any heading
OBSERVABLE_FROM = 0.90  # of the swath beyond the strip
STATE_REACH_M = 0.10  # of the ground behind a cause whose state is told
_SET_TOGETHER = ("step", "drop", "belly")


@dataclass(frozen=True, kw_only=True, eq=False)
class _Look:
    """The ground as one sensor has it.

    ``pair_causes`` speak against every heading; ``assessed`` is False where the pair failed: only
    the near strips of its ground are then used, and every heading is asked about.
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
        Limits, look-aheads, headings, confidence and matcher; they win over those of
        ``settings``.
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
    settings = _settings(plan, settings or Settings())
    true, ideal_terrain = _ideal(sidecar, rig, truth, read_depth(truth_path(sidecar_path)),
                                 settings)
    found, failure = (None, "")
    if "matched" in plan.sensors:
        found, failure = _assessed(sidecar_path, rig, rover, settings)
    matched = _matched_look(found, ideal_terrain)
    looks = tuple(look for look in (matched, _Look(sensor="ideal", terrain=ideal_terrain))
                  if look.sensor in plan.sensors)
    return SceneScore(
        pair=truth.id, mixture=truth.mixture, digest=truth.digest,
        sun_elevation_deg=truth.sun_elevation_deg, compression=truth.compression, rig=rig.name,
        rows=_rows(looks, truth, rover, plan, settings), failure=failure,
        ideal_elevation=elevation_errors(ideal_terrain, truth),
        ideal_obstacle_height=obstacle_errors(ideal_terrain, truth),
        **_matched_errors(found, true, truth),
    )


def _settings(plan: Plan, settings: Settings) -> Settings:
    """Those of one assessment: its demands are made anew per look-ahead, one heading will do."""
    return replace(settings, headings_deg=(0.0,), look_ahead_m=max(plan.look_aheads_m),
                   confidence=plan.confidence, matcher=MATCHERS[plan.matcher]())


# --- sensors --------------------------------------------------------------------------------------


def _ideal(
    sidecar: Sidecar, rig: StereoRig, truth: SceneTruth, depth: TrueDepth, settings: Settings
) -> tuple[DisparityMap, TerrainMap]:
    """What the ideal sensor has: from the rendered depth and what the rover believes.

    No picture has a say: light, noise and lost data do not exist for it.
    """
    common = common_view(rig)
    shape = common.valid_left.shape
    grey, state = np.zeros(shape, dtype=np.float32), np.zeros(shape, dtype=np.uint8)
    blind = RectifiedPair(left=grey, right=grey, state_left=state, state_right=state, view=common,
                          resampled=False)
    view = view_of(sidecar.attitude, rig, settings)
    disparity = ideal_disparity(depth, truth, blind, rig)
    return disparity, map_terrain(triangulate(disparity, blind, view), common, settings.terrain)


def _assessed(
    sidecar_path: Path, rig: StereoRig, rover: RoverProfile, settings: Settings
) -> tuple[Assessment | None, str]:
    """The assessment, or why there is none."""
    try:
        pair = read_pair(sidecar_path)
        if pair.left is None or pair.right is None:
            raise PairError(str(sidecar_path), "one of its pictures is missing", "both pictures",
                            "render the pair again with `hazcam scene render`")
        return assess_pair(pair, rig, rover, settings), ""
    except HazcamError as error:
        return None, f"{Path(error.where).name}: {error.found}"  # no path of a machine


def _matched_look(found: Assessment | None, ideal: TerrainMap) -> _Look:
    """Of a pair that failed only the near strips are known, which follow from the rig."""
    if found is None:
        return _Look(sensor="matched", terrain=ideal, assessed=False)
    if found.terrain is None or found.epipolar is None:
        raise ValueError("a look needs an assessment of both pictures")
    return _Look(sensor="matched", terrain=found.terrain, pair_causes=rig_causes(found.epipolar))


def _matched_errors(
    found: Assessment | None, true: DisparityMap, truth: SceneTruth
) -> dict[str, Any]:
    if found is None or found.terrain is None:
        return {"disparity": NO_ERRORS, "elevation": NO_ERRORS, "obstacle_height": NO_HEIGHTS}
    return {"disparity": disparity_errors(found, true.disparity_px.astype(np.float64)),
            "elevation": elevation_errors(found.terrain, truth),
            "obstacle_height": obstacle_errors(found.terrain, truth)}


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
                yield _row(look, rover, strip, limit_m, demand, labels[key],
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
                          assumed_m=0.0, causes=(cause,), probability=float("nan"),
                          bounded=False)


def _row(
    look: _Look, rover: RoverProfile, strip: Strip, limit_m: float, demand: HeadingDemand,
    label: HeadingLabel, verdict: HeadingVerdict,
) -> HeadingRow:
    share, cause = label.observable_share, verdict.causes[0] if verdict.causes else None
    can_go = look.assessed and not look.pair_causes and demand.strip_m <= demand.assumed_m
    return HeadingRow(
        sensor=look.sensor, strip=strip, limit_m=limit_m, look_ahead_m=demand.look_ahead_m,
        heading_deg=demand.heading_deg, label=label.label, strip_only=label.strip_only,
        observable=share is not None and share >= OBSERVABLE_FROM, can_go=can_go,
        ratio=label.ratio,
        blocking_kind=label.blocking_kind or "", true_clear_m=label.clear_m,
        clear_m=verdict.clear_m, assumed_m=demand.assumed_m, verdict=verdict.verdict,
        cause=cause.kind if cause else "",
        state=_unseen_state(look, rover, demand.heading_deg, cause) if cause else "",
        probability=verdict.probability if look.assessed else np.nan,
        bounded=verdict.bounded and not look.pair_causes, exceeds=label.exceeds)


def _unseen_state(
    look: _Look, rover: RoverProfile, heading_deg: float, cause: Cause
) -> str:
    """What most of the unseen ground is, in the swath from a cause to 10 cm behind it."""
    if not look.assessed:
        return ""
    terrain, cell = look.terrain, look.terrain.spec.cell_m
    ahead = cause.at_m + rover.body.nose_m + np.arange(0.0, STATE_REACH_M, cell)
    across = np.arange(-rover.swath_m / 2, rover.swath_m / 2, cell)
    s, t = np.meshgrid(ahead, across, indexing="ij")
    c, d = np.cos(np.radians(heading_deg)), np.sin(np.radians(heading_deg))
    rows, columns = terrain.spec.cells(s * c - t * d, s * d + t * c)
    inside = ((rows >= 0) & (rows < terrain.spec.shape[0])
              & (columns >= 0) & (columns < terrain.spec.shape[1]))
    words = Counter(
        _state_word(CellState(state), Blank(blank))
        for state, blank in zip(terrain.state[rows[inside], columns[inside]],
                                terrain.blank[rows[inside], columns[inside]], strict=True)
        if state != CellState.SEEN)
    return max(words, key=lambda word: (words[word], word), default="")


def _state_word(state: CellState, blank: Blank) -> str:
    if state != CellState.BLANK:
        return state.name.lower()
    return f"blank: {BLANK_WORDS[blank]}"
